"""Write a plant file and a recipe for an export that nobody has described."""

import os
import shutil
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from optimiser.begin.draft import plant_text
from optimiser.begin.limits import Carried, carried_limits
from optimiser.begin.look import look
from optimiser.begin.recognise import OPEN, Answers, Open, Recognised, recognise
from optimiser.errors import UsageError
from optimiser.files import write_whole
from optimiser.intake.translate import translate
from optimiser.plant.file import PlantFile, off_limit
from optimiser.recipe.past import FOLDER
from optimiser.recipe.table import Recipe, Row, to_csv


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """What was written for an export, and what stays open.

    Attributes
    ----------
    plant, recipe : Path
    found : tuple of Recognised
        By make of files.
    families : dict of str to int
        Items by family.
    carried : Carried
        The recipe that the export carries.
    opens : tuple of Open
    notes : tuple of str
    """

    plant: Path
    recipe: Path
    found: tuple[Recognised, ...]
    families: dict[str, int]
    carried: Carried
    opens: tuple[Open, ...]
    notes: tuple[str, ...]


def write_plant(folder: Path, target: Path, answers: Answers) -> Begun:
    """Look at an export and write what is needed to read it.

    Parameters
    ----------
    folder : Path
        The export; nothing in it is changed.
    target : Path
        Folder to write ``plant.toml``, ``recipe.csv`` and earlier ``revisions/`` into.
    answers : Answers

    Returns
    -------
    Begun

    Raises
    ------
    UsageError
        If there is no export, or a plant file already.
    """
    if not folder.exists():
        msg = f"{folder}: no such file or folder; name the folder with the export"
        raise UsageError(msg)
    if (target / "plant.toml").exists():
        msg = f"{target / 'plant.toml'}: is there already; edit it, or name another folder with --into"
        raise UsageError(msg)
    with tempfile.TemporaryDirectory(prefix="optimiser-") as name, duckdb.connect() as con:
        con.execute("set TimeZone = 'UTC'")
        found = [recognise(con, make, answers) for make in look(con, folder, Path(name))]
        if answers.parts_list is not None:
            for one in found:
                one.shape["parts_list"] = os.path.relpath(answers.parts_list, target)
        return _write(con, folder, target, found)


def _write(
    con: duckdb.DuckDBPyConnection, folder: Path, target: Path, found: list[Recognised]
) -> Begun:
    """Write the plant file, the recipe and revisions before it."""
    told = [one for one in found if one.is_verdicts]
    results = [one for one in found if not one.is_verdicts]
    if not any(one.measurements for one in results):
        msg = f"{folder}: no column seems to hold measurements; say which with --take COLUMN=NAME"
        raise UsageError(msg)
    history = os.path.relpath(folder, target)
    verdicts = None if not told else (Path(history) / told[0].make.pattern).as_posix()
    draft = plant_text(
        folder.stem, history, found[: len(results) + 1], {"?": 0}, {}, verdicts=verdicts
    )
    known = _as_if_decided(draft)
    families, defects = _counted(con, results, known, target)
    only_called = all(_holds_calls_alone(one) for one in results) and not told
    text = plant_text(
        folder.stem,
        history,
        [*results, *told[:1]],
        families,
        defects,
        verdicts=verdicts,
        only_called=only_called,
    )
    known = _as_if_decided(text)
    pairs = [(one.make.scan, shape) for one, shape in zip(results, known.results, strict=True)]
    carried = carried_limits(con, pairs, known, target)
    target.mkdir(parents=True, exist_ok=True)
    write_whole(target / "plant.toml", text)
    recipes = carried.recipes or (_blank(carried, known),)
    write_recipes(target, recipes)
    opens = [o for one in found for o in one.opens]
    opens += [_second(one) for one in told[1:]]
    if not carried.recipes:
        opens.append(_no_limits())
    notes = [_CALLS_ALONE] if only_called else []
    notes += [n for one in found for n in one.notes]
    return Begun(
        plant=target / "plant.toml",
        recipe=target / "recipe.csv",
        found=tuple(found),
        families=families,
        carried=carried,
        opens=tuple(opens),
        notes=tuple(dict.fromkeys((*notes, *carried.doubts))),
    )


_CALLS_ALONE = (
    "the export seems to hold called items alone, so plant.only_called = true: limits can be loosened and "
    "not tightened; take it out if passed items are in it"
)


def _holds_calls_alone(one: Recognised) -> bool:
    """Return whether every row was called, or, where nothing says so, most were reviewed."""
    called, verdict = one.columns.get("called"), one.columns.get("verdict")
    if called is not None:
        spoken = one.shape["words"].get("called", {})
        said = {w.casefold() for w in one.make.column(called[0]).words}
        return said <= {w.casefold() for w in spoken.get("true", ())} | {"true"} and bool(said)
    if one.shape.get("form") is not None or verdict is None:
        return False
    return one.make.column(verdict[0]).filled > 0.5 * one.make.rows


def _as_if_decided(text: str) -> PlantFile:
    """Return a plant file with any clock where none is decided: enough to count by."""
    table: dict[str, Any] = tomllib.loads(text)
    for shape in (*table.get("results", ()), table.get("verdict_files", {})):
        if shape.get("time_zone") == OPEN:
            shape["time_zone"] = "UTC"
        if shape.get("time_format") == OPEN:
            del shape["time_format"]
    return PlantFile.model_validate(table)


def _counted(
    con: duckdb.DuckDBPyConnection,
    results: Sequence[Recognised],
    plant: PlantFile,
    folder: Path,
) -> tuple[dict[str, int], dict[str, int]]:
    """Return items by family and rows by type of defect."""
    families: dict[str, int] = {}
    defects: dict[str, int] = {}
    for one, shape in zip(results, plant.results, strict=True):
        made = translate(
            lambda q: con.execute(q).fetchall(), one.make.scan, shape, plant, folder=folder
        )
        if not made.query:
            continue
        con.execute(f"create or replace temp view told as {made.query}")
        columns = {str(r[0]) for r in con.execute("describe told").fetchall()}
        for name, table in (("family", families), ("defect", defects)):
            if name not in columns:
                continue
            for word, number in con.execute(
                f"select {name}, count(*) from told where {name} is not null group by 1 order by 1"
            ).fetchall():
                table[str(word)] = table.get(str(word), 0) + int(number)
    return families or {OPEN: 0}, defects


def _blank(carried: Carried, plant: PlantFile) -> Recipe:
    """Return a recipe without a limit: a row for everything that is measured."""
    units = {name: known.unit for name, known in plant.measurements.items()}
    none = {"lower": off_limit("lower"), "upper": off_limit("upper")}
    rows = [
        Row(scope="family", name=f, measurement=m, unit=unit, **none)
        for f, names in sorted(carried.measured.items())
        for m, unit in units.items()
        if m in names
    ]
    return Recipe(revision="1", rows=tuple(rows))


def write_recipes(target: Path, recipes: Sequence[Recipe]) -> None:
    """Write the live recipe of a new plant, and those before it where old revisions lie."""
    write_whole(target / "recipe.csv", to_csv(recipes[-1]))
    for n, recipe in enumerate(recipes[:-1]):
        (target / FOLDER).mkdir(exist_ok=True)
        path = target / FOLDER / f"{recipe.revision}.csv"
        write_whole(path, to_csv(recipe))
        stamp = path.stat().st_mtime_ns - (len(recipes) - n) * 1_000_000_000
        os.utime(path, ns=(stamp, stamp))


def _second(one: Recognised) -> Open:
    return Open(
        key="verdict_files",
        why=f"{one.make.pattern} holds verdicts of another make; one make is read",
        edit="write both in one shape, or put them into the results",
    )


def _no_limits() -> Open:
    return Open(
        key="recipe.csv",
        why="the export carries no limits, so nobody can tell what the machine ran",
        edit="fill in lower and upper of every row as they stand on the machine; blank is no limit",
    )


def back_up(target: Path) -> None:
    """Put a plant file aside, so that another can be written in its place."""
    for name in ("plant.toml", "recipe.csv"):
        path = target / name
        if path.exists():
            shutil.copy2(path, path.with_suffix(path.suffix + ".bak"))
            path.unlink()
