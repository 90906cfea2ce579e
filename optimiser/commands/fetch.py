"""``optimiser fetch``: new rows of databases into the plant's inbox."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

from optimiser.commands.common import print_json, say
from optimiser.errors import DatabaseError, UsageError, nearest
from optimiser.plant.file import read_plant


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plant", type=Path, metavar="PLANT", help="plant.toml or its folder")
    parser.add_argument("--database", metavar="NAME", help="only this one of [[databases]]")
    parser.add_argument("--json", action="store_true", help="print JSON instead of lines")


def run(parsed: argparse.Namespace) -> int:
    """Fetch each database; one that fails does not keep the others."""
    from optimiser.intake.fetch import fetch

    plant = read_plant(parsed.plant)
    named = {database.name: database for database in plant.file.databases}
    if not named:
        msg = (
            f"{plant.path}: has no [[databases]]; README, 'Your own line', says how one is written"
        )
        raise UsageError(msg)
    if parsed.database is not None and parsed.database not in named:
        msg = f"--database: no such one, got {parsed.database!r}; {nearest(parsed.database, named)}"
        raise UsageError(msg)
    found, failed = [], {}
    for name in [parsed.database] if parsed.database else named:
        try:
            one = fetch(plant, named[name])
        except DatabaseError as error:
            failed[name] = str(error)
            say(str(error))
            continue
        found.append(one)
        for note in one.notes:
            say(f"{name}: {note}")
        if not parsed.json:
            print(f"{name}: {one.rows:,} new rows in {one.files} files, to {one.upto}")
    if parsed.json:
        print_json({"fetched": [asdict(one) for one in found], "failed": failed})
    return 1 if failed else 0
