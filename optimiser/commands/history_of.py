"""``optimiser history-of``: what was proposed and decided for one family."""

import argparse

from optimiser.commands.common import print_json, refuse_unknown_family
from optimiser.commands.deciding import add_ledger, entry_row, live_recipe, open_ledger, state_row
from optimiser.ledger.ledger import family_history


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    parser.add_argument("family", metavar="FAMILY")


def run(parsed: argparse.Namespace) -> int:
    """Print the family's entries, and the revisions that took or gave its proposals."""
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    entries, states = family_history(ledger, parsed.family)
    if not entries:  # a family may have left the plant file and still have a past
        refuse_unknown_family(parsed.family, plant)
    if parsed.json:
        live, _ = live_recipe(plant)
        print_json(
            {
                "family": parsed.family,
                "proposals": [state_row(s, plant, live) for s in states],
                "entries": [entry_row(e) for e in entries],
            }
        )
    else:
        print(tables.show(ledger_tables.history_table(parsed.family, entries, states)), end="")
    return 0
