"""``optimiser shadow``: a candidate recipe beside the live one, on results as they arrive."""

from __future__ import annotations

import argparse
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

from optimiser.commands.common import add_plant, print_json, read_inputs, say, seconds
from optimiser.errors import RecipeError, UsageError
from optimiser.recipe.table import read_recipe

if TYPE_CHECKING:
    from optimiser.monitoring.shadow import FileRead, Shadow

SETTLE_S = 1.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--recipe", type=Path, required=True, help="candidate, not applied")
    parser.add_argument(
        "--follow", type=Path, required=True, metavar="FOLDER", help="where result files arrive"
    )
    parser.add_argument("--once", action="store_true", help="read what is there and end")
    parser.add_argument(
        "--poll",
        action="store_true",
        help="look at intervals instead of being told: for network drives, which tell nothing",
    )
    parser.add_argument(
        "--settle",
        type=seconds,
        default=SETTLE_S,
        metavar="S",
        help=f"a file is read once unchanged for so many seconds (default: {SETTLE_S:g})",
    )


def run(parsed: argparse.Namespace) -> int:
    """Read results as they arrive; Ctrl-C ends it with the totals."""
    from optimiser.monitoring.shadow import Shadow, result_files
    from optimiser.views import tables, watch_tables

    plant, live, path = read_inputs(parsed)
    if not parsed.recipe.is_file():
        msg = f"no recipe at {parsed.recipe}; name a CSV or JSON recipe"
        raise UsageError(msg)
    if not parsed.follow.is_dir():
        msg = f"no folder at {parsed.follow}; name the one where result files arrive"
        raise UsageError(msg)
    candidate = read_recipe(parsed.recipe, plant.file.measurements)
    for recipe, where in ((live, path), (candidate, parsed.recipe)):
        if not recipe.families() & set(plant.file.families):
            msg = f"{where}: has limits for no family of {plant.path}; name this plant's recipe"
            raise RecipeError(msg)
    shadow = Shadow(plant, live, candidate)
    code = 0
    if parsed.once:
        for file in result_files(parsed.follow):
            _take(shadow, file)
    else:
        code = _follow(shadow, parsed)
    counts = shadow.counts()
    if parsed.json:
        print_json(counts.as_dict())
    else:
        print(tables.show(watch_tables.shadow_table(counts)), end="")
    return code


def _follow(shadow: Shadow, parsed: argparse.Namespace) -> int:
    """Read files as they settle, until Ctrl-C."""
    from watchfiles import watch

    from optimiser.monitoring.shadow import Follower

    follower = Follower(parsed.follow, parsed.settle)
    say(f"following {parsed.follow}; Ctrl-C ends it with the totals")
    try:
        follower.look(monotonic())
        for _ in watch(
            parsed.follow,
            watch_filter=None,
            rust_timeout=round(parsed.settle * 1000),
            yield_on_timeout=True,
            force_polling=parsed.poll or None,
        ):
            for file in follower.look(monotonic()):
                _take(shadow, file)
    except KeyboardInterrupt:
        return 130
    return 0


def _take(shadow: Shadow, file: Path) -> None:
    found = shadow.take(file)
    if found is not None:
        say(_words(found, shadow))
    elif str(file) in shadow.skipped:
        say(f"skipped: {shadow.skipped[str(file)]}")


def _words(found: FileRead, shadow: Shadow) -> str:
    """Return what one file showed, and all so far."""
    from optimiser.monitoring.shadow import add_counts

    one, total = found.total, add_counts((r.total for r in shadow.read.values()), "all")
    return (
        f"{found.path.name}: {one.items:,} items, {one.kept:,} kept, {one.loosened:,} loosened, "
        f"{one.tightened:,} tightened; so far {total.items:,}, {total.kept:,}, "
        f"{total.loosened:,}, {total.tightened:,}"
    )
