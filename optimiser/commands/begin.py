"""``optimiser begin``: from an export that nobody has described to a plant that can be read."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimiser.commands.common import print_json
from optimiser.errors import UsageError

if TYPE_CHECKING:
    from optimiser.history.contract import Finding

PREVIEW = 10


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "export", type=Path, metavar="FOLDER", help="folder with the export, or one file"
    )
    parser.add_argument(
        "--into", type=Path, metavar="PLANT", help="folder to write; by default FOLDER-plant"
    )
    parser.add_argument(
        "--time-zone", metavar="ZONE", help="clock of the times: Europe/Berlin, UTC, …"
    )
    order = parser.add_mutually_exclusive_group()
    order.add_argument("--day-first", action="store_true", help="01/02 is the first of February")
    order.add_argument("--month-first", action="store_true", help="01/02 is the second of January")
    parser.add_argument(
        "--parts",
        type=Path,
        metavar="FILE",
        help="list of parts, where results name none: designator, part, family, maybe product",
    )
    stages = ("paste", "pre-reflow", "post-reflow")
    parser.add_argument("--stage", choices=stages, help="where no column says it")
    parser.add_argument(
        "--take",
        action="append",
        default=[],
        metavar="COLUMN=NAME",
        help="what a column is: a column of the contract (board, family, …) or a measurement",
    )
    again = "write the plant file anew; the old one becomes .bak"
    parser.add_argument("--again", action="store_true", help=again)
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")


def run(parsed: argparse.Namespace) -> int:
    """Write a plant for an export and check it; 1 while anything has to be decided."""
    from optimiser.begin.recognise import Answers
    from optimiser.begin.write import back_up, write_plant
    from optimiser.views import tables
    from optimiser.views.begin_tables import begun_table, open_lines

    export = parsed.export.resolve()
    into = parsed.into or parsed.export.parent / f"{export.stem}-plant"
    if parsed.into is None and export == parsed.export.parent.resolve():
        into = export.with_name(f"{export.name}-plant")
    answers = Answers(
        time_zone=_zone(parsed.time_zone),
        day_first=True if parsed.day_first else False if parsed.month_first else None,
        stage=parsed.stage,
        takes=dict(_pair(text) for text in parsed.take),
        parts_list=parsed.parts,
    )
    if parsed.again:
        back_up(into)
    begun = write_plant(parsed.export, into, answers)
    if not parsed.json:
        print(tables.show(begun_table(begun), open_lines(begun)), end="")
    undecided = any(o.key != "recipe.csv" for o in begun.opens)
    checked = None if undecided else _check(begun.plant, show=not parsed.json)
    if parsed.json:
        print_json(_as_dict(begun, checked))
    if undecided:
        if not parsed.json:
            print(f"\nthen: edit {begun.plant}; optimiser check {into}")
        return 1
    if not parsed.json:
        print(f"\nthen: look through {begun.plant}; optimiser propose {into}")
    return 0 if checked and checked["usable"] else 1


def _zone(name: str | None) -> str | None:
    """Refuse a zone that nobody knows before anything is written."""
    from zoneinfo import available_timezones

    from optimiser.errors import nearest

    if name is not None and name not in available_timezones():
        msg = f"--time-zone: no such zone, got {name!r}; {nearest(name, sorted(available_timezones()))}"
        raise UsageError(msg)
    return name


def _pair(text: str) -> tuple[str, str]:
    column, _, name = text.rpartition("=")
    if not column or not name:
        msg = f"--take: must be COLUMN=NAME, got {text!r}; as in --take SerialNo=board"
        raise UsageError(msg)
    return column, name


def _check(plant_file: Path, *, show: bool) -> dict[str, Any]:
    """Print ten items as they are read and every finding; return what a check says."""
    from optimiser.errors import HistoryError, OptimiserError
    from optimiser.history.contract import Finding, findings_of
    from optimiser.views import tables
    from optimiser.views.begin_tables import preview_table

    seen: dict[str, Any] = {"columns": [], "items": [], "used": 0, "aside": 0}
    try:
        findings = _read(plant_file, seen)
    except HistoryError as error:
        findings = list(findings_of(error))
        seen["aside"] = sum(f.count for f in findings if f.level == "set aside")
    except OptimiserError as error:
        way = "correct it"
        findings = [Finding(level="error", rule=str(error), file=str(plant_file), way_out=way)]
    usable = not any(f.level == "error" for f in findings)
    counts = {"rows_used": seen["used"], "rows_set_aside": seen["aside"], "usable": usable}
    if show:
        print()
        preview = preview_table(seen["columns"], seen["items"])
        print(tables.show(preview, tables.findings_table(findings, **counts)), end="")
    items = [dict(zip(seen["columns"], map(str, row), strict=True)) for row in seen["items"]]
    return {**counts, "findings": [f.as_dict() for f in findings], "preview": items}


def _read(plant_file: Path, seen: dict[str, Any]) -> list[Finding]:
    """Open the history, note some items and the counts, return what a check finds."""
    from optimiser.history.read import open_history
    from optimiser.plant.file import read_plant
    from optimiser.recipe.table import read_recipe
    from optimiser.tally.check import check

    plant = read_plant(plant_file)
    path = plant.locate(plant.file.plant.recipe)
    live = read_recipe(path, plant.file.measurements)
    with open_history(plant) as history:
        items = history.connection.execute(
            f"select * exclude (file, row) from items order by called desc nulls last, time limit {PREVIEW}"
        )
        seen["columns"] = [c[0] for c in items.description or ()]
        seen["items"] = items.fetchall()
        findings = check(history, live, path)
        seen |= {"used": history.rows_used, "aside": history.rows_set_aside}
    return findings


def _as_dict(begun: Any, checked: dict[str, Any] | None) -> dict[str, Any]:  # noqa: ANN401
    """Return what was found as plain values."""
    return {
        "plant": str(begun.plant),
        "recipe": str(begun.recipe),
        "families": begun.families,
        "files": {one.make.pattern: one.make.rows for one in begun.found},
        "decide": [{"key": o.key, "why": o.why, "edit": o.edit} for o in begun.opens],
        "look": list(begun.notes),
        "check": checked,
    }
