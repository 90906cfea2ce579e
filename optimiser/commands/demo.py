"""``optimiser demo``: write an invented plant, check it, propose on it."""

import argparse
import time
from pathlib import Path

from optimiser.commands.common import positive


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("folder", nargs="?", default="demo-plant", type=Path)
    parser.add_argument("--days", type=positive, default=60)
    parser.add_argument("--items-per-day", type=positive, default=25_000)
    parser.add_argument("--seed", type=int, default=7)


def run(parsed: argparse.Namespace) -> int:
    """Write the plant unless it is there, then run the main job on it."""
    from optimiser.commands import check, propose
    from optimiser.demo.write import write_demo

    started = time.monotonic()
    if (parsed.folder / "plant.toml").exists():
        print(f"{parsed.folder}: a plant is there already; it is used as it is")
    else:
        made = write_demo(
            parsed.folder, days=parsed.days, items_per_day=parsed.items_per_day, seed=parsed.seed
        )
        print(
            f"{parsed.folder}: wrote {made.rows:,} items, {made.labelled_defects:,} labelled defects"
        )
    for name, command in (("check", check), ("propose", propose)):
        print(f"\n$ optimiser {name} {parsed.folder}", flush=True)
        parser = argparse.ArgumentParser()
        command.configure(parser)
        code: int = command.run(parser.parse_args([str(parsed.folder)]))
        if code:
            return code
    print(f"\nfrom bare folder to proposals in {time.monotonic() - started:.0f} s")
    return 0
