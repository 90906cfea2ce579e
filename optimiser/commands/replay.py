"""``optimiser replay``: what a recipe does to the history."""

import argparse
from pathlib import Path

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
)
from optimiser.errors import UsageError
from optimiser.recipe.table import read_recipe


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--recipe", type=Path, help="recipe to replay (default: the live one)")


def run(parsed: argparse.Namespace) -> int:
    """Print per family what the recipe would have called."""
    from optimiser.history.replay import replay
    from optimiser.views import tables

    plant, live, path = read_inputs(parsed)
    candidate = live
    if parsed.recipe is not None:
        if not parsed.recipe.is_file():
            msg = f"no recipe at {parsed.recipe}; name a CSV or JSON recipe"
            raise UsageError(msg)
        candidate, path = read_recipe(parsed.recipe, plant.file.measurements), parsed.recipe
    with open_for_command(plant, candidate, path) as history:
        rows = replay(history, candidate, live)
    if parsed.json:
        print_json([r.as_dict() for r in rows])
    else:
        print(tables.show(tables.replay_table(rows)), end="")
    return 0
