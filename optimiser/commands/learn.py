"""``optimiser learn``: what an hour of looking is worth, and the sheets for it."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    hours,
    open_for_command,
    positive,
    print_json,
    read_inputs,
)
from optimiser.defaults import TRIALS
from optimiser.errors import UsageError
from optimiser.files import safe_name, write_whole

if TYPE_CHECKING:
    from optimiser.history.read import History
    from optimiser.plant.file import Plant
    from optimiser.proposal.learn import Look
    from optimiser.proposal.propose import Case, Found
    from optimiser.recipe.table import Recipe

FOLDER, RECORD = "learn", "learn.json"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument(
        "--hours", type=hours, default=2.0, metavar="H", help="hours there are (default: 2)"
    )
    parser.add_argument("--after", type=Path, metavar="FILE", help="say what it was worth in fact")
    parser.add_argument("--trials", type=positive, default=TRIALS)
    parser.add_argument("--workers", type=positive, default=os.cpu_count() or 1)


def run(parsed: argparse.Namespace) -> int:
    """Print what is worth looking at and write its sheets, or what looking was worth."""
    from optimiser.proposal.all_families import make_cases

    plant, live, path = read_inputs(parsed)
    record = None if parsed.after is None else _record(parsed.after)
    with open_for_command(plant, live, path, checked=True) as history:
        cases = make_cases(history, live, trials=parsed.trials, proof=True)
        if record is not None:
            return _after(cases, record, plant, parsed)
        return _list(history, live, cases, parsed)


def _list(history: History, live: Recipe, cases: Sequence[Case], parsed: argparse.Namespace) -> int:
    from optimiser.proposal.learn import best_within, looks_of, standing
    from optimiser.views import learn_tables, tables

    plant = history.plant
    looks = best_within(
        looks_of(history, live, _searched(cases, plant, parsed.workers)), parsed.hours
    )
    sheets = _write_sheets(history, live, cases, looks)
    if looks:
        text = {"looks": [x.as_dict() for x in looks], "standing": standing(cases)}
        write_whole(plant.folder / FOLDER / RECORD, json.dumps(text, indent=1) + "\n")
    if parsed.json:
        rows = [{**x.as_dict(), "sheet": str(s)} for x, s in zip(looks, sheets, strict=True)]
        print_json({"hours": parsed.hours, "looks": rows, "caution": CAUTION})
        return 0
    shown = learn_tables.learn_text(looks, sheets, plant=str(parsed.plant), file=plant.file)
    print(tables.show(shown), end="")
    print(f"\n{CAUTION}")
    return 0


def _searched(cases: Sequence[Case], plant: Plant, workers: int) -> list[tuple[Case, Found | None]]:
    """Return every family with its search, kept or made now."""
    from optimiser.proposal.all_families import FOLDER as KEPT
    from optimiser.proposal.all_families import propose_all
    from optimiser.proposal.cache import read_found

    folder = plant.folder / KEPT
    propose_all(list(cases), folder=folder, workers=workers)
    return [(c, read_found(folder, c)) for c in cases]


def _write_sheets(
    history: History, live: Recipe, cases: Sequence[Case], looks: Sequence[Look]
) -> list[Path]:
    """Write a sheet for every look; none over one that is being filled in."""
    from optimiser.proposal.learn import audit_of
    from optimiser.proposal.relabel import relabel
    from optimiser.proposal.relabel_sheet import refuse_filled, sheet_text
    from optimiser.studies.audit_sheet import write_sheet

    folder = history.plant.folder / FOLDER
    by_family = {c.tally.family: c for c in cases}
    paths = [
        folder / f"{x.kind.replace(' ', '-')}-{n}-{safe_name(x.family)}.csv"
        for n, x in enumerate(looks, start=1)
    ]
    for path, look in zip(paths, looks, strict=True):
        if look.kind == "second look":
            refuse_filled(path)
        elif path.exists():
            msg = f"{path}: is there already and may hold verdicts; move it, then run this again"
            raise UsageError(msg)
    if paths:
        folder.mkdir(exist_ok=True)
    for path, look in zip(paths, looks, strict=True):
        case = by_family[look.family]
        if look.kind == "second look":
            write_whole(path, sheet_text(relabel([case]).rows[: look.items]))
        elif (plan := audit_of(history, live, case, look.items)) is not None:
            write_sheet(plan, path)
    return paths


def _record(path: Path) -> Mapping[str, Any]:
    """Return what was listed earlier."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(found["looks"], list) and isinstance(found["standing"], dict):
            return dict(found)
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror}); name the learn.json of an earlier run"
        raise UsageError(msg) from error
    except (ValueError, KeyError, TypeError):
        pass
    msg = f"{path}: is no record of what to learn; name the learn.json of an earlier run"
    raise UsageError(msg)


def _after(
    cases: Sequence[Case], record: Mapping[str, Any], plant: Plant, parsed: argparse.Namespace
) -> int:
    from optimiser.proposal.learn import in_fact
    from optimiser.views import learn_tables, tables

    found = in_fact(cases, record)
    if parsed.json:
        print_json([x.as_dict() for x in found])
    else:
        shown = learn_tables.fact_table(found, currency=plant.file.plant.currency)
        print(tables.show(shown), end="")
    return 0
