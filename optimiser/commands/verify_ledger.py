"""``optimiser verify-ledger``: whether the ledger is as it was written."""

import argparse
from dataclasses import asdict

from optimiser.commands.common import print_json
from optimiser.commands.deciding import add_ledger, open_ledger


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    parser.add_argument(
        "--head", metavar="HASH", help="a head noted earlier, which must still be in the chain"
    )


def run(parsed: argparse.Namespace) -> int:
    """Print faults, notes and the head; 1 where there is a fault."""
    from optimiser.views import ledger_tables, tables

    _, ledger = open_ledger(parsed.plant)
    found = ledger.verify(head=parsed.head)
    if parsed.json:
        print_json({**asdict(found), "valid": found.valid})
    else:
        shown = ledger_tables.verified_table(found, path=str(ledger.path), noted=parsed.head)
        print(tables.show(shown), end="")
    return 0 if found.valid else 1
