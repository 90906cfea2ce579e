"""``optimiser last-night``: what came, what changed, what failed, what waits."""

import argparse

from optimiser.commands.common import print_json
from optimiser.commands.deciding import add_ledger, open_ledger


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)


def run(parsed: argparse.Namespace) -> int:
    """Print the last night at a glance."""
    from optimiser.night import last_night
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    found, states = last_night(plant), ledger.states()
    if parsed.json:
        waiting = [s.entry.id for s in states if s.state in ledger_tables.WAITING]
        print_json({**found, "waiting": waiting})
    else:
        print(tables.show(ledger_tables.last_night_table(found, states, plant)), end="")
    return 0
