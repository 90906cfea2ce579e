"""``optimiser withdraw``: take a proposal back."""

import argparse

from optimiser.commands.deciding import add_decision, run_decision


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_decision(parser)


def run(parsed: argparse.Namespace) -> int:
    """Write the decision into the ledger."""
    return run_decision(parsed, "withdraw")
