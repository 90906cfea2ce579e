"""``optimiser nightly``: what is new, read once; proposals that it concerns, made anew."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from optimiser.commands.common import MOMENT, positive, print_json, say
from optimiser.defaults import TRIALS
from optimiser.ledger.ledger import Ledger
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe

if TYPE_CHECKING:
    from optimiser.night import Night

_CODES = (
    "exit codes: 0 done, 1 something could not be used (it is named), 2 called wrongly, "
    "4 done, and something to look at (it is named), "
    "3 another run is under way on this plant, 130 stopped with Ctrl-C"
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = _CODES
    parser.add_argument("plant", type=Path, metavar="PLANT", help="plant.toml or its folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a line")
    parser.add_argument(
        "--rehash",
        action="store_true",
        help="read every file again, also those whose size, time of change and inode are as noted",
    )
    parser.add_argument(
        "--now", type=_time, metavar="ISO", help="the time it is, to replay a past night (UTC)"
    )
    parser.add_argument("--trials", type=positive, default=TRIALS)
    parser.add_argument("--workers", type=positive, default=os.cpu_count() or 1)


def run(parsed: argparse.Namespace) -> int:
    """Run one night and say on one line what came of it."""
    from optimiser.night import Job, problem_words, run_night

    plant = read_plant(parsed.plant)
    path = plant.locate(plant.file.plant.recipe)
    fixed: datetime | None = parsed.now
    with DigestBar() as bar:
        night = run_night(
            Job(
                plant=plant,
                live=read_recipe(path, plant.file.measurements),
                recipe_path=path,
                now=lambda: fixed or datetime.now(UTC),
                trials=parsed.trials,
                workers=parsed.workers,
                rehash=parsed.rehash,
                report=_report,
                watch=bar.told,
            )
        )
    for words in problem_words(night.problems):
        say(words)
    for family, words in night.failed.items():
        say(f"{family}: no proposal tonight ({words})")
    if parsed.json:
        print_json(night.as_dict())
    else:
        print(_line(night))
    return night.exit_code


class DigestBar:
    """On a terminal, how much of the new files the night has read, with rows a second and what is left.

    Nothing is drawn for the moment that a night with one new day takes, nor where standard error is no
    terminal.
    """

    def __init__(self) -> None:
        self._bar = tqdm(
            total=0,
            unit=" files",
            desc="new files",
            delay=MOMENT,
            leave=False,
            file=sys.stderr,
            disable=None,
        )
        self._rows = 0

    def __enter__(self) -> DigestBar:
        return self

    def __exit__(self, *error: object) -> None:
        self._bar.close()

    def told(self, event: str, values: Mapping[str, Any]) -> None:
        """Move with the night's events; all but those of digests are passed over."""
        bar = self._bar
        if bar.disable:
            return
        if event == "to digest":
            bar.total += values["files"]
            bar.refresh()
        elif event == "digested":
            self._rows += values["rows"]
            seconds = max(bar.format_dict["elapsed"], 1e-9)
            bar.set_postfix_str(
                f"{self._rows:,} rows, {self._rows / seconds:,.0f} rows/s", refresh=False
            )
            bar.update(len(values["files"]))


def _report(night: Night) -> None:
    """Write the manager's page beside the plant file, from what the night has counted."""
    from optimiser.commands.report import PAGE, write_report
    from optimiser.monitoring.account import make_account
    from optimiser.proposal.calibration import read_calibration
    from optimiser.proposal.relabel import relabel
    from optimiser.proposal.stated import check_stated

    job = night.job
    account = make_account(
        job.plant,
        night.counted.days,
        night.refreshed.proposals,
        Ledger.of(job.plant),
        night.followed.watched,
        made_at=job.now().isoformat(timespec="seconds"),
        backtested=bool(read_calibration(job.plant.folder)),
        relabelled=relabel(night.counted.cases),
        stated=check_stated(night.counted.cases),
    )
    write_report(account, job.plant.folder / PAGE)


def _worth_looking(last: Mapping[str, Any] | None, currency: str) -> list[str]:
    """Return what the last list of looks is worth; the night works none out."""
    if last is None:
        return []
    return [
        f"worth looking at since {last['day']}: {last['items']:,} items, {last['hours']:.1f} hours, "
        f"{currency} {last['worth']:,.0f} a month (optimiser learn)"
    ]


def _followed(stages: Mapping[str, Any] | None) -> list[str]:
    """Return what following items through the stages found tonight."""
    if stages is None:
        return []
    every, linked, ambiguous = (
        sum(pair[key] for pair in stages["pairs"]) for key in ("items", "linked", "ambiguous")
    )
    kinds = ", ".join(f"{x['kind']} by {x['measurement']}" for x in stages["foretold"])
    labels = "" if stages["labels"] is None else f", {stages['labels']:,} labels written anew"
    return [
        f"stages followed: {linked / max(every, 1):.0%} linked, {ambiguous / max(every, 1):.1%} ambiguous, foretold: "
        f"{kinds or 'none'}{labels}"
    ]


def _line(night: Night) -> str:
    """Return the night in one line."""
    from optimiser.proposal.month import Month
    from optimiser.views.sentences import month_words

    found, currency = night.as_dict(), night.job.plant.file.plant.currency
    parts = [
        f"{found['items']:,} items to {night.intake.clock:%Y-%m-%d %H:%M}",
        f"{found['digested'] - found['reached']} of {found['digests']} digests made"
        + (f", {found['reached']} made wider" if found["reached"] else ""),
        f"{len(found['proposed'])} families proposed, {len(found['stand'])} stand",
        f"change: {', '.join(found['change']) or 'none'}",
    ]
    if found["month"]:
        parts.append(month_words(Month.from_dict(found["month"]), currency=currency).rstrip("."))
    if found["findings"]:
        parts.append(f"process or machine first: {', '.join(found['findings'])}")
    parts += _followed(found["stages"])
    parts += _worth_looking(found["learn"], currency)
    if found["withdrawn"]:
        parts.append(f"withdrawn: {', '.join(map(str, found['withdrawn']))}")
    if found["looks"]:
        parts.append(f"LOOK: {'; '.join(found['looks'])}")
    if found["alarms"]:
        parts.append(f"LOOK: {', '.join(found['alarms'])}")
    if found["failed"] or found["problems"]:
        parts.append(f"{len(found['failed'])} families and {len(found['problems'])} files failed")
    if found["interrupted"]:
        parts.append("stopped; run again for the rest")
    return "; ".join([*parts, f"{night.seconds:.1f} s"])


def _time(text: str) -> datetime:
    """Return a time in UTC, for argparse."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        msg = f"must be a time such as 2026-01-31T02:00:00, got {text!r}"
        raise argparse.ArgumentTypeError(msg) from error
    return found.astimezone(UTC) if found.tzinfo else found.replace(tzinfo=UTC)
