"""``optimiser agreement``: how far reviewers agree, from double reviews."""

import argparse
from pathlib import Path

from optimiser.commands.common import print_json
from optimiser.values import finite_only


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="CSV, one row per look: item, reviewer, decision (defect or good), truth if known",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")


def run(parsed: argparse.Namespace) -> int:
    """Print kappas and, where the truth is known, how often each reviewer is right."""
    from optimiser.studies.double_reviews import judge_reviews, read_reviews
    from optimiser.views import review_tables, tables

    found = judge_reviews(read_reviews(parsed.file))
    if parsed.json:
        print_json(found)
    else:
        print(tables.show(review_tables.agreement_table(finite_only(found))), end="")
    return 0
