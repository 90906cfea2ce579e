"""``optimiser export``: the next revision of the recipe, from signed proposals."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimiser.commands.common import print_json
from optimiser.commands.deciding import add_ledger, add_signature, live_recipe, open_ledger

if TYPE_CHECKING:
    from optimiser.ledger.revision import Revision


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    add_signature(parser)
    parser.add_argument("--to", type=Path, metavar="FILE", help="a further copy, .csv or .json")


def run(parsed: argparse.Namespace) -> int:
    """Write a revision and print how it differs; 1 where a proposal had to be left out."""
    from optimiser.ledger.revision import export_revision
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    live, path = live_recipe(plant)
    found = export_revision(
        plant, live, path, ledger, by=parsed.by, reason=parsed.reason, to=parsed.to
    )
    if parsed.json:
        print_json(
            {
                "revision": revision_row(found.revision) if found.revision else None,
                "conflicts": [asdict(c) for c in found.conflicts],
            }
        )
    else:
        print(tables.show(ledger_tables.exported_table(found)), end="")
    return 1 if found.conflicts else 0


def revision_row(revision: Revision) -> dict[str, Any]:
    """Return a revision as a JSON value."""
    names = ("revision", "base", "difference", "proposals", "carried", "replaced", "restored")
    return {
        **{name: getattr(revision, name) for name in names},
        "file": str(revision.path),
        "form": None if revision.form is None else str(revision.form),
        "words": str(revision.words),
        "entry": revision.entry.id,
    }
