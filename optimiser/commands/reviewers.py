"""``optimiser reviewers``: what limits and reviewers lose together, by call load."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
    refuse_without_passed,
)
from optimiser.defaults import SCENARIOS
from optimiser.values import finite_only

if TYPE_CHECKING:
    from optimiser.proposal.load import CallLoad


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", help="only this family")
    parser.add_argument(
        "--scenario",
        choices=tuple(SCENARIOS),
        default="laboratory",
        help="how often reviewers pass a defect, by the share of true calls",
    )


def run(parsed: argparse.Namespace) -> int:
    """Print for each family the live call load and the one with the fewest escapes in all."""
    from optimiser.evidence.reviewers import scenario
    from optimiser.proposal.all_families import make_cases
    from optimiser.proposal.load import call_load
    from optimiser.proposal.stated import check_stated
    from optimiser.views import review_tables, tables

    plant, live, path = read_inputs(parsed)
    refuse_without_passed(plant, "the call load")
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    with open_for_command(plant, live, path) as history:
        cases = make_cases(history, live, family=parsed.family, promises=False)
    curve = scenario(parsed.scenario, miss_rate=plant.file.review.miss_rate)
    loads = [found for case in cases if (found := call_load(case, curve)) is not None]
    stated = check_stated(cases)
    rows = [_row(found) for found in sorted(loads, key=lambda x: x.family)]
    if parsed.json:
        print_json(
            {
                "scenario": parsed.scenario,
                "families": rows,
                "stated_rates": finite_only(asdict(stated)),
            }
        )
    else:
        shown = review_tables.load_table(rows, scenario=parsed.scenario)
        print(
            tables.show(shown, review_tables.stated_table(asdict(stated), stated.words())), end=""
        )
    return 0


def _row(found: CallLoad) -> dict[str, Any]:
    """Return one family's call load as plain values."""
    points = [_point(found, n) for n in range(len(found.settings))]
    return {
        "family": found.family,
        "defects": found.defects,
        "labelled": found.labelled,
        "items": found.items,
        "live": points[0],
        "fewest": points[found.totals.least],
        "points": points,
    }


def _point(found: CallLoad, n: int) -> dict[str, Any]:
    figures = (
        "calls",
        "true_share",
        "miss_rate",
        "missed_by_limits",
        "missed_by_review",
        "total",
    )
    limits = [
        {"measurement": m, "side": side, "value": value}
        for (m, side), value in found.grid.values(found.settings[n]).items()
    ]
    return {k: float(getattr(found.totals, k)[n]) for k in figures} | {"limits": limits}
