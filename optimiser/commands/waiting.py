"""``optimiser waiting``: proposals that wait for a signature."""

import argparse

from optimiser.commands.common import print_json
from optimiser.commands.deciding import add_ledger, live_recipe, open_ledger, state_row


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)


def run(parsed: argparse.Namespace) -> int:
    """Print what waits for a signature, then what is put aside or waits for export."""
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    states = ledger.states()
    waiting = [s for s in states if s.state in ledger_tables.WAITING]
    if parsed.json:
        print_json([state_row(s, plant) for s in waiting])
    else:
        others = [s for s in states if s.state in ("held", "accepted")]
        live, _ = live_recipe(plant)
        shown = ledger_tables.waiting_table(waiting, others, plant=plant, live=live)
        print(tables.show(shown), end="")
    return 0
