"""``optimiser waiting``: proposals that wait for a signature."""

import argparse

from optimiser.commands.common import positive, print_json
from optimiser.commands.deciding import add_ledger, live_recipe, open_ledger, state_row
from optimiser.errors import UsageError
from optimiser.ledger.ledger import Ledger


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    parser.add_argument(
        "--to-sign",
        type=positive,
        metavar="ID",
        help="print only the text that the key of a signer must sign to accept this proposal",
    )


def run(parsed: argparse.Namespace) -> int:
    """Print what waits for a signature, then what is put aside or waits for export."""
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    if parsed.to_sign is not None:
        return _print_text(ledger, parsed.to_sign)
    states = ledger.states()
    waiting = [s for s in states if s.state in ledger_tables.WAITING]
    live, _ = live_recipe(plant)
    if parsed.json:
        print_json([state_row(s, plant, live) for s in waiting])
    else:
        others = [s for s in states if s.state in ("held", "accepted")]
        shown = ledger_tables.waiting_table(waiting, others, plant=plant, live=live)
        print(tables.show(shown), end="")
    return 0


def _print_text(ledger: Ledger, number: int) -> int:
    """Print what is to be signed, and nothing else."""
    from optimiser.ledger.signatures import text_to_sign

    found = next((e for e in ledger.entries(kind="proposal") if e.id == number), None)
    if found is None:
        msg = f"there is no proposal {number}"
        raise UsageError(msg)
    print(text_to_sign(found), end="")
    return 0
