"""``optimiser report``: the manager's page, and the same figures as JSON and CSV."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    pose_cases,
    print_json,
    read_inputs,
    say,
)
from optimiser.defaults import TRIALS
from optimiser.files import write_whole
from optimiser.ledger.ledger import Ledger
from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe

if TYPE_CHECKING:
    from optimiser.monitoring.account import Account

PAGE = "report.html"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help=f"page to write (default: {PAGE} beside plant.toml)",
    )


def run(parsed: argparse.Namespace) -> int:
    """Write the page, and beside it the same figures as JSON and CSV."""
    plant, live, path = read_inputs(parsed)
    account, unproposed = _account(plant, live, path)
    if unproposed:
        say(f"{unproposed} families are not proposed yet: run optimiser propose")
    target = parsed.out or plant.folder / PAGE
    write_report(account, target)
    if parsed.json:
        print_json(account.as_dict())
    else:
        print(f"{target} ({target.stat().st_size / 1000:,.0f} kB), and as .json and .csv")
    return 0


def _account(plant: Plant, live: Recipe, path: Path) -> tuple[Account, int]:
    """Return the account, and how many families have no proposal yet."""
    from optimiser.history.calls import calls_by_day
    from optimiser.monitoring.account import make_account
    from optimiser.monitoring.watch import watch_exported
    from optimiser.night import standing_proposals
    from optimiser.proposal.all_families import rank_by_saving, read_any_proposals
    from optimiser.proposal.cache import FOLDER
    from optimiser.proposal.calibration import read_calibration
    from optimiser.proposal.causes import read_causes
    from optimiser.proposal.relabel import relabel
    from optimiser.proposal.stated import check_stated

    ledger = Ledger.of(plant)
    with open_for_command(plant, live, path) as history:
        cases = pose_cases(history, live, path, trials=TRIALS)
        standing = standing_proposals(plant)
        proposals = list((standing | read_any_proposals(plant.folder / FOLDER, cases)).values())
        proposals = [p for p in proposals if p.family in {c.tally.family for c in cases}]
        account = make_account(
            plant,
            calls_by_day(history, live),
            rank_by_saving(proposals, read_causes(plant)),
            ledger,
            watch_exported(history, live, ledger),
            made_at=datetime.now(UTC).isoformat(timespec="seconds"),
            backtested=bool(read_calibration(plant.folder)),
            relabelled=relabel(cases),
            stated=check_stated(cases),
        )
    return account, len(cases) - len(proposals)


def write_report(account: Account, target: Path) -> None:
    """Write the page and beside it the same figures as JSON and CSV, each whole or not at all.

    Parameters
    ----------
    account : Account
    target : Path
        Of the page.
    """
    from optimiser.views.report import report_csv, report_page

    parts = {
        ".json": json.dumps(account.as_dict(), indent=1, ensure_ascii=False) + "\n",
        ".csv": report_csv(account),
        target.suffix or ".html": report_page(account),
    }
    for suffix, text in parts.items():
        write_whole(target.with_suffix(suffix), text)
