"""``optimiser flicker``: calls that would not repeat, at the live limits and at others."""

import argparse
from dataclasses import asdict
from pathlib import Path

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
    refuse_without_passed,
)
from optimiser.errors import UsageError
from optimiser.recipe.table import read_recipe


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", help="only this family")
    parser.add_argument("--recipe", type=Path, help="another recipe, beside the live one")


def run(parsed: argparse.Namespace) -> int:
    """Print for each limit the share of its calls that a second inspection would not make."""
    from optimiser.studies.limit_flicker import limit_flicker
    from optimiser.views import review_tables, tables

    plant, live, path = read_inputs(parsed)
    refuse_without_passed(plant, "which calls repeat")
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    recipes = {"live": live}
    if parsed.recipe is not None:
        if not parsed.recipe.is_file():
            msg = f"no recipe at {parsed.recipe}; name a CSV or JSON recipe"
            raise UsageError(msg)
        recipes["other"] = read_recipe(parsed.recipe, plant.file.measurements)
    with open_for_command(plant, live, path) as history:
        found = limit_flicker(history, recipes, family=parsed.family)
    rows = [asdict(row) for row in found]
    if parsed.json:
        print_json(rows)
    else:
        print(tables.show(review_tables.flicker_table(rows)), end="")
    return 0
