"""``optimiser start``: first limits of a family with little or no history."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    items,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
    refuse_without_passed,
    say,
)
from optimiser.errors import HistoryError, UsageError
from optimiser.files import write_whole

if TYPE_CHECKING:
    from optimiser.plant.file import Plant
    from optimiser.proposal.start_record import FirstLimits
    from optimiser.recipe.table import Recipe


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", required=True, help="whose limits; one that plant.toml names")
    parser.add_argument(
        "--per-board",
        type=items,
        metavar="N",
        help="items of the family on a board, where it has no history that says so",
    )
    parser.add_argument(
        "--write",
        type=Path,
        metavar="FILE",
        help="write the recipe with these limits added, a draft that nobody has signed, and its reasons "
        "beside it",
    )


def run(parsed: argparse.Namespace) -> int:
    """Print first limits with their reasons; write a draft if asked."""
    plant, live, path = read_inputs(parsed)
    refuse_unknown_family(parsed.family, plant)
    refuse_without_passed(plant, "where a family's goods lie")
    _refuse_draft(plant, live, path, parsed)
    found = _start(plant, live, path, parsed)
    written = None
    if parsed.write is not None:
        written = _write(found, plant, live, parsed.write)
    if parsed.json:
        told = None if written is None else [str(x) for x in written]
        print_json({**found.as_dict(), "written": told, "caution": CAUTION})
        return 0
    from optimiser.views import start_tables, tables

    print(tables.show(start_tables.start_text(found, file=plant.file)), end="")
    if written is not None:
        print(f"\nwritten, a draft that nobody has signed: {written[0]}, its reasons: {written[1]}")
        print(f"look at it first: optimiser replay {parsed.plant} --recipe {written[0]}")
    print(f"\n{CAUTION}")
    return 0


def _start(plant: Plant, live: Recipe, path: Path, parsed: argparse.Namespace) -> FirstLimits:
    """Return the first limits, from bounds alone where there is no result file at all."""
    from optimiser.history.contract import findings_of
    from optimiser.history.read import NO_RESULTS, find_files
    from optimiser.proposal.sighting import sightings
    from optimiser.proposal.start import start
    from optimiser.tally.must_catch import read_must_catch

    kept = tuple(k for k in read_must_catch(plant) if k.family == parsed.family)
    try:
        find_files(plant)
    except HistoryError as error:
        if all(f.rule != NO_RESULTS for f in findings_of(error)):
            raise
        say(f"{error}; going by bounds alone")
        return start(plant, parsed.family, {}, own=None, kept=kept, per_board=parsed.per_board)
    with open_for_command(plant, live, path, checked=True) as history:
        seen = sightings(history, live)
    own = seen.pop(parsed.family, None)
    return start(plant, parsed.family, seen, own=own, kept=kept, per_board=parsed.per_board)


def _refuse_draft(plant: Plant, live: Recipe, path: Path, parsed: argparse.Namespace) -> None:
    """Raise where a draft would go around what a change of limits in force has to pass."""
    file = parsed.write
    if file is None:
        return
    if plant.file.rails.off:
        msg = "--write goes with every rail on; leave --without-rail out"
        raise UsageError(msg)
    if live.family_rows(parsed.family):
        msg = (
            f"{path}: has limits of {parsed.family} already, and limits in force change by a proposal that is "
            f"signed (optimiser propose, renew, accept); leave --write out to look"
        )
        raise UsageError(msg)
    if file.suffix not in (".csv", ".json"):
        msg = f"--write wants a file that ends with .csv or .json, got {file}"
        raise UsageError(msg)
    for one in (file, _story(file)):
        if one.exists():
            msg = f"{one}: is there already; name another file, nothing is written over"
            raise UsageError(msg)
    if not file.parent.is_dir():
        msg = f"{file.parent}: is no folder; make it first"
        raise UsageError(msg)


def _story(file: Path) -> Path:
    return file.with_suffix(".md")


def _write(found: FirstLimits, plant: Plant, live: Recipe, file: Path) -> tuple[Path, Path]:
    """Write the draft and, beside it, why each limit stands where it stands."""
    from optimiser.proposal.start_record import with_first_limits
    from optimiser.recipe.table import to_csv, to_json
    from optimiser.views.start_tables import draft_words

    recipe = with_first_limits(live, found)
    write_whole(file, to_json(recipe) if file.suffix == ".json" else to_csv(recipe))
    words = draft_words(found, file=plant.file, recipe=file.name, revision=live.revision)
    write_whole(_story(file), f"{words}\n{CAUTION}\n")
    return file, _story(file)
