"""``optimiser accept``: sign a proposal."""

import argparse

from optimiser.commands.deciding import add_decision, live_recipe, open_ledger, say_decided


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_decision(parser)
    parser.add_argument(
        "--although-changed",
        action="store_true",
        help="sign although recipe, plant file or program changed since it was proposed",
    )


def run(parsed: argparse.Namespace) -> int:
    """Write the decision into the ledger, and say what was signed."""
    from optimiser.proposal.signing import accept

    plant, ledger = open_ledger(parsed.plant)
    live, _ = live_recipe(plant)
    entry = accept(
        ledger,
        plant,
        live,
        parsed.id,
        by=parsed.by,
        reason=parsed.reason,
        although_changed=parsed.although_changed,
    )
    return say_decided(parsed, plant, ledger, entry)
