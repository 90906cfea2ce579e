"""``optimiser learn``: what an hour of looking is worth, its sheets, and what earlier ones were worth."""

from __future__ import annotations

import argparse
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    hours,
    open_for_command,
    pose_cases,
    positive,
    print_json,
    read_inputs,
    say,
)
from optimiser.defaults import TRIALS

if TYPE_CHECKING:
    from optimiser.plant.file import Plant
    from optimiser.proposal.learn_list import LearnList
    from optimiser.recipe.table import Recipe

STOPPED = 130


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument(
        "--hours", type=hours, default=2.0, metavar="H", help="hours there are (default: 2)"
    )
    parser.add_argument(
        "--read", type=Path, metavar="FILE", help="read a filled sheet of gathered defects"
    )
    parser.add_argument("--trials", type=positive, default=TRIALS)
    parser.add_argument("--workers", type=positive, default=os.cpu_count() or 1)


def run(parsed: argparse.Namespace) -> int:
    """Print what is worth looking at and write its sheets, or read gathered defects."""
    from optimiser.proposal.all_families import propose_all
    from optimiser.proposal.learn_list import make_list

    plant, live, path = read_inputs(parsed)
    if parsed.read is not None:
        return _read(plant, live, path, parsed)
    with open_for_command(plant, live, path) as history:
        cases = pose_cases(history, live, path, trials=parsed.trials)
        made, interrupted = propose_all(
            list(cases), folder=plant.folder / _kept(), workers=parsed.workers
        )
        if interrupted:
            say("stopped; run again for the rest")
            return STOPPED
        found = make_list(history, live, cases, made, hours=parsed.hours, day=_today())
    _print(found, plant, parsed)
    return 0


def _kept() -> str:
    from optimiser.proposal.cache import FOLDER

    return FOLDER


def _today() -> str:
    return f"{datetime.now(UTC):%Y-%m-%d}"


def _print(found: LearnList, plant: Plant, parsed: argparse.Namespace) -> None:
    from optimiser.views import learn_tables, tables

    if parsed.json:
        rows = [{**x.look.as_dict(), "sheet": str(plant.folder / x.sheet)} for x in found.listed]
        told = [x.as_dict() for x in found.followed]
        print_json({"hours": parsed.hours, "looks": rows, "followed": told, "caution": CAUTION})
        return
    shown = learn_tables.learn_text(
        found.listed,
        found.followed,
        plant=str(parsed.plant),
        folder=str(plant.folder),
        file=plant.file,
    )
    print(tables.show(shown), end="")
    if found.listed:
        page = _write_page(found, plant)
        print(f"to print: {page}")
    print(f"\n{CAUTION}")


def _write_page(found: LearnList, plant: Plant) -> Path:
    from optimiser.files import write_whole
    from optimiser.views.learn_page import learn_page

    sheets = [plant.folder / x.sheet for x in found.listed]
    page = sheets[0].parent / "sheets.html"
    texts = [p.read_text(encoding="utf-8") for p in sheets]
    write_whole(page, learn_page(found.listed, texts, plant))
    return page


def _read(plant: Plant, live: Recipe, path: Path, parsed: argparse.Namespace) -> int:
    from optimiser.proposal.relabel_sheet import verdicts_folder
    from optimiser.studies.defect_sheet import read_gathered, take_gathered

    folder = verdicts_folder(plant)
    with open_for_command(plant, live, path) as history:
        rows = read_gathered(history, parsed.read)
    written = take_gathered(rows, folder, now=datetime.now(UTC))
    if parsed.json:
        print_json({"defects": len(rows), "verdicts": str(written), "caution": CAUTION})
    else:
        print(f"{len(rows):,} gathered defects, in the history from now on: {written}")
    return 0
