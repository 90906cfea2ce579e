"""``optimiser risk``: consumer's and producer's risk of limits that guard a workmanship bound."""

import argparse
from dataclasses import asdict

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
    refuse_without_passed,
)
from optimiser.errors import UsageError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", help="only this family")
    parser.add_argument(
        "--risk",
        type=float,
        default=0.05,
        help="wanted chance that an item right at the bound is not called (default 0.05)",
    )


def run(parsed: argparse.Namespace) -> int:
    """Print joint and conditional risks of every live limit with a workmanship bound."""
    from optimiser.studies.limit_risk import limit_risk
    from optimiser.views import review_tables, tables

    if not 0 < parsed.risk < 1:
        msg = f"--risk must lie between 0 and 1, got {parsed.risk:g}"
        raise UsageError(msg)
    plant, live, path = read_inputs(parsed)
    refuse_without_passed(plant, "the risk at a workmanship bound")
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    with open_for_command(plant, live, path) as history:
        rows = [
            asdict(r) for r in limit_risk(history, live, risk=parsed.risk, family=parsed.family)
        ]
    if parsed.json:
        print_json(rows)
    else:
        print(tables.show(review_tables.risk_table(rows, risk=parsed.risk)), end="")
    return 0
