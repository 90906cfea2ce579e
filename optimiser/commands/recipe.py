"""``optimiser recipe``: the limits that the results carry, beside those of recipe.csv."""

import argparse

from optimiser.commands.common import print_json, read_inputs, say
from optimiser.commands.deciding import add_ledger


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    parser.add_argument(
        "--write",
        action="store_true",
        help="make what the results carry the live recipe; the one before is kept as a revision",
    )
    parser.set_defaults(without_rail=[])


def run(parsed: argparse.Namespace) -> int:
    """Print every limit that differs; 1 where any does and nothing was written."""
    from optimiser.begin.limits import carried_of, differences
    from optimiser.begin.take import take_carried
    from optimiser.errors import UsageError
    from optimiser.views import tables
    from optimiser.views.begin_tables import carried_table

    plant, live, path = read_inputs(parsed)
    carried = carried_of(plant)
    if not carried.recipes:
        msg = (
            f"{plant.path}: no [[results]] says where rows carry limits (lower, upper), so they can "
            f"only stand in {path}"
        )
        raise UsageError(msg)
    found = differences(carried.recipes[-1], live)
    written = take_carried(plant, live, path, carried) if parsed.write and found else None
    if parsed.json:
        rows = [
            {"scope": r.scope, "name": r.name, "measurement": r.measurement, "lower": r.lower,
             "upper": r.upper, "now": None if o is None else [o.lower, o.upper]}
            for r, o in found
        ]  # fmt: skip
        print_json({"differs": rows, "doubts": carried.doubts, "written": written})
    else:
        print(tables.show(carried_table(found, carried.doubts)), end="")
    if written is not None:
        say(f"{path} is now revision {written}; the one before lies in revisions/")
    return 1 if found and written is None else 0
