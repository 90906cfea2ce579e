"""``optimiser front``: the fewest false calls for each number of escapes."""

import argparse

from optimiser.commands.common import (
    add_plant,
    not_negative,
    only,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
    seconds,
)

FRONT_SECONDS = 60.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", required=True)
    parser.add_argument(
        "--escapes",
        type=not_negative,
        metavar="N",
        help="only the fewest false calls at N escapes at most; all of the time serves it",
    )
    parser.add_argument("--time-limit", type=seconds, default=FRONT_SECONDS, metavar="SECONDS")


def run(parsed: argparse.Namespace) -> int:
    """Print one family's exact front."""
    from optimiser.proposal.all_families import make_cases
    from optimiser.proposal.front import front_of
    from optimiser.views import tables

    plant, live, path = read_inputs(parsed)
    refuse_unknown_family(parsed.family, plant)
    with open_for_command(plant, live, path) as history:
        cases = make_cases(history, live, family=parsed.family, promises=False)
    case = only(cases, parsed.family)
    row = front_of(case, time_limit_s=parsed.time_limit, escapes=parsed.escapes)
    if parsed.json:
        print_json(row)
    else:
        print(tables.show(tables.front_table(row)), end="")
    return 0
