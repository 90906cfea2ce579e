"""The sheets of a list of looks: written for people to fill in, each in the form that reads it back."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from optimiser.files import safe_name
from optimiser.history.contract import KEY
from optimiser.history.read import History
from optimiser.history.sheet import TIME_FORMAT, write_new
from optimiser.proposal.learn_record import FOLDER, Listed, Listing, hash_of_sheet, is_blank
from optimiser.proposal.learn_worth import Look, Searched, audit_of
from optimiser.proposal.propose import Case
from optimiser.proposal.relabel import in_doubt, relabel
from optimiser.proposal.relabel_sheet import sheet_text
from optimiser.recipe.table import Recipe
from optimiser.studies.audit_sheet import write_sheet
from optimiser.studies.defect_sheet import write_defect_sheet
from optimiser.studies.guarded_limits import parts_to_measure
from optimiser.values import cell

Keys = tuple[tuple[str, ...], ...]


def write_sheets(
    history: History,
    live: Recipe,
    families: Sequence[Searched],
    looks: Sequence[Look],
    earlier: Sequence[Listing],
) -> tuple[Listed, ...]:
    """Write a sheet for every look, into a folder of this list's own.

    Parameters
    ----------
    history : History
    live : Recipe
    families : sequence of (Case, Proposal, Found or None)
    looks : sequence of Look
    earlier : sequence of Listing
        Their sheets stay; those of the last one give way where nobody has touched them.

    Returns
    -------
    tuple of Listed
        In the order of the looks.
    """
    plant = history.plant
    if looks and earlier and is_blank(plant, earlier[-1]):
        for old in earlier[-1].listed:
            (plant.folder / old.sheet).unlink(missing_ok=True)
    folder = _free(plant.folder / FOLDER)
    if looks:
        folder.mkdir(parents=True, exist_ok=True)
    by_family = {case.tally.family: case for case, _, _ in families}
    doubted, _ = in_doubt(list(by_family.values()))
    doubting = {case.tally.family: case for case in doubted}
    found = []
    for n, look in enumerate(looks, start=1):
        about = look.measurement or look.family
        path = folder / f"{n}-{look.kind.replace(' ', '-')}-{safe_name(about)}.csv"
        case = (doubting if look.kind == "second look" else by_family)[look.family]
        keys = _write(history, live, case, look, path)
        found.append(
            Listed(
                look=look,
                sheet=path.relative_to(plant.folder).as_posix(),
                written=hash_of_sheet(path),
                keys=keys,
            )
        )
    return tuple(found)


def _free(folder: Path) -> Path:
    """Return a numbered folder without a sheet in it."""
    number = 1
    while any((folder / str(number)).glob("*.csv")):
        number += 1
    return folder / str(number)


def _write(history: History, live: Recipe, case: Case, look: Look, path: Path) -> Keys:
    """Write one look's sheet; return the keys of the items on it."""
    if look.kind == "second look":
        rows = relabel([case]).rows[: look.items]
        write_new(path, sheet_text(rows))
        return tuple(
            tuple(
                pd.Timestamp(x.time).strftime(TIME_FORMAT) if c == "time" else getattr(x, c)
                for c in KEY
            )
            for x in rows
        )
    if look.kind == "audit":
        plan = audit_of(history, live, case, look.items)
        assert plan is not None  # it was planned a moment ago
        write_sheet(plan, path)
        return tuple(x.key for x in plan.items)
    if look.kind == "repeat":
        parts = parts_to_measure(history, look.family, look.measurement, int(look.why["parts"]))
        write_new(path, readings_text(parts, int(look.why["readings"]), look.measurement))
        return ()
    stage = str(case.tally.defects.frame["stage"].iloc[0])
    write_defect_sheet(path, family=look.family, stage=stage, rows=look.items)
    return ()


def readings_text(parts: Sequence[str], readings: int, measurement: str) -> str:
    """Return a blank sheet of repeated readings, as ``optimiser gauge`` reads it.

    Parameters
    ----------
    parts : sequence of str
    readings : int
        Of each part.
    measurement : str

    Returns
    -------
    str
        Round after round, so that nobody reads one part several times running.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["item", "repeat", cell(measurement)])
    writer.writerows([[cell(p), n, ""] for n in range(1, readings + 1) for p in parts])
    return out.getvalue()
