"""``optimiser rollback``: a new revision with the limits of an earlier one."""

import argparse

from optimiser.commands.common import print_json
from optimiser.commands.deciding import add_ledger, add_signature, live_recipe, open_ledger


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    parser.add_argument(
        "--to", required=True, metavar="REVISION", help="the revision to go back to"
    )
    add_signature(parser)


def run(parsed: argparse.Namespace) -> int:
    """Write a revision that takes changes back, and print how it differs."""
    from optimiser.commands.export import revision_row
    from optimiser.ledger.revision import roll_back
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    live, path = live_recipe(plant)
    revision = roll_back(
        plant, live, path, ledger, to=parsed.to, by=parsed.by, reason=parsed.reason
    )
    if parsed.json:
        print_json(revision_row(revision))
    else:
        print(tables.show(ledger_tables.rolled_back_table(revision, to=parsed.to)), end="")
    return 0
