"""``optimiser watch``: what was promised of exported changes, and what followed."""

import argparse
from datetime import UTC, datetime
from pathlib import Path

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
)
from optimiser.defaults import LABEL_DAYS
from optimiser.errors import UsageError
from optimiser.ledger.ledger import LEDGER, Ledger


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", metavar="F", help="only the change of this family")
    parser.add_argument(
        "--since",
        type=_time,
        metavar="TIME",
        help="from when the change is live, UTC (default: found in the recorded calls since the "
        "export); needs --family",
    )
    parser.add_argument(
        "--label-days",
        type=_days,
        default=LABEL_DAYS,
        metavar="D",
        help=f"days until test has spoken of an item (default: {LABEL_DAYS:g})",
    )
    parser.add_argument("--ledger", type=Path, help=f"default: {LEDGER} beside plant.toml")


def run(parsed: argparse.Namespace) -> int:
    """Print the state of every exported change."""
    from optimiser.monitoring.watch import watch_exported
    from optimiser.views import tables, watch_tables

    if parsed.since is not None and parsed.family is None:
        msg = "--since speaks of one change; name its family with --family"
        raise UsageError(msg)
    plant, live, path = read_inputs(parsed)
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    ledger = Ledger(parsed.ledger, plant=plant) if parsed.ledger else Ledger.of(plant)
    with open_for_command(plant, live, path) as history:
        found = watch_exported(
            history,
            live,
            ledger,
            family=parsed.family,
            live_since=parsed.since,
            label_days=parsed.label_days,
        )
    if parsed.json:
        print_json([{"proposal": n, **w.as_dict()} for n, w in found.items()])
    else:
        words = watch_tables.watch_table(found, currency=plant.file.plant.currency)
        print(tables.show(words), end="")
    return 0


def _time(text: str) -> datetime:
    """Return a time in UTC without a zone, for argparse."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        msg = f"must be a date or time such as 2026-01-31T08:00, got {text!r}"
        raise argparse.ArgumentTypeError(msg) from error
    return found if found.tzinfo is None else found.astimezone(UTC).replace(tzinfo=None)


def _days(text: str) -> float:
    """Return a number of days of at least 0, for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 3650:
        msg = f"must be a number of days from 0 to 3650, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return value
