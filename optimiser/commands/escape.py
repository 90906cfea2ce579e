"""``optimiser escape``: what would have caught a defect that escaped."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    only,
    open_for_command,
    positive,
    print_json,
    read_inputs,
    seconds,
)
from optimiser.defaults import ESCAPE_SECONDS
from optimiser.errors import UsageError
from optimiser.files import write_whole

if TYPE_CHECKING:
    from optimiser.plant.file import Plant
    from optimiser.proposal.escape import Escape, Kept
    from optimiser.recipe.table import Recipe


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--board", required=True, metavar="B", help="the board's serial")
    parser.add_argument("--designator", required=True, metavar="D")
    parser.add_argument("--pin", metavar="P", help="where a designator has several")
    parser.add_argument("--stage", metavar="S", help="where it was inspected at several stages")
    parser.add_argument("--time-limit", type=seconds, default=ESCAPE_SECONDS, metavar="SECONDS")
    parser.add_argument(
        "--similar", type=positive, default=20, metavar="N", help="how many to list"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the similar items as CSV")
    parser.add_argument(
        "--keep",
        action="store_true",
        help="take it into the must-catch set; needs --by and --reason, goes into the ledger",
    )
    parser.add_argument("--by", metavar="NAME", help="who signs that it is kept")
    parser.add_argument("--reason", metavar="TEXT", help="why, in a few words")


def run(parsed: argparse.Namespace) -> int:
    """Print what came nearest, what would have caught it and what is like it; keep it if asked."""
    from optimiser.ledger.ledger import Ledger
    from optimiser.proposal.escape import keep, similar_text

    _refuse_half_signed(parsed)
    plant, live, path = read_inputs(parsed)
    if parsed.keep and plant.file.rails.off:
        msg = "--keep goes with every rail on; leave --without-rail out"
        raise UsageError(msg)
    found = _look(plant, live, path, parsed)
    kept = None
    if parsed.keep:
        kept = keep(Ledger.of(plant), plant, found, by=parsed.by, reason=parsed.reason)
    if parsed.out is not None:
        write_whole(parsed.out, similar_text(found))
    _say(found, kept, plant, parsed)
    return 0


def _look(plant: Plant, live: Recipe, path: Path, parsed: argparse.Namespace) -> Escape:
    """Return what is known of the item that the arguments name."""
    from optimiser.proposal.all_families import make_cases
    from optimiser.proposal.escape import escape_of
    from optimiser.tally.one_item import find_item

    with open_for_command(plant, live, path) as history:
        item = find_item(
            history,
            live,
            board=parsed.board,
            designator=parsed.designator,
            pin=parsed.pin,
            stage=parsed.stage,
        )
        case = only(make_cases(history, live, family=item.family, promises=False), item.family)
        return escape_of(
            history,
            live,
            case,
            item,
            time_limit_s=parsed.time_limit,
            neighbours=parsed.similar,
        )


def _say(found: Escape, kept: Kept | None, plant: Plant, parsed: argparse.Namespace) -> None:
    """Print what was found, and what was kept where."""
    from optimiser.views import escape_tables, tables

    if parsed.json:
        told = None
        if kept is not None:
            backup = None if kept.backup is None else str(kept.backup)
            told = {"entry": kept.entry.id, "file": str(kept.path), "backup": backup}
        print_json({**found.as_dict(), "kept": told, "caution": CAUTION})
        return
    shown = escape_tables.escape_text(found, currency=plant.file.plant.currency)
    print(tables.show(shown), end="")
    if kept is not None:
        before = f"; as it was before: {kept.backup}" if kept.backup else ""
        print(f"kept in {kept.path}, ledger entry {kept.entry.id}{before}")
    elif found.belongs:
        print("Take it into the must-catch set with --keep --by NAME --reason TEXT.")
    if parsed.out is not None:
        print(f"written: {parsed.out}")
    print(f"\n{CAUTION}")


def _refuse_half_signed(parsed: argparse.Namespace) -> None:
    """Raise if a signature is asked for without its parts, or given for nothing."""
    given = parsed.by is not None, parsed.reason is not None
    if parsed.keep and not all(given):
        msg = "--keep needs --by NAME and --reason TEXT: it is signed and goes into the ledger"
        raise UsageError(msg)
    if any(given) and not parsed.keep:
        msg = "--by and --reason sign that an item is kept; add --keep, or leave them out"
        raise UsageError(msg)
