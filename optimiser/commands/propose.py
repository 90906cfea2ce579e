"""``optimiser propose``: limits per family, with an honest promise."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from optimiser.commands.common import (
    add_plant,
    only,
    open_for_command,
    pose_cases,
    positive,
    print_json,
    read_inputs,
    refuse_unknown_family,
    say,
)
from optimiser.defaults import TRIALS
from optimiser.plant.file import Plant

if TYPE_CHECKING:
    from optimiser.proposal.propose import Case
    from optimiser.proposal.record import Proposal

STOPPED = 130


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", help="only this family, with limits, intervals and reasons")
    parser.add_argument(
        "--details", action="store_true", help="limits, intervals and reasons of every family"
    )
    parser.add_argument("--trials", type=positive, default=TRIALS)
    parser.add_argument("--workers", type=positive, default=os.cpu_count() or 1)


def run(parsed: argparse.Namespace) -> int:
    """Print a proposal for every family, largest saving first."""
    from optimiser.proposal.calibration import read_calibration
    from optimiser.proposal.causes import investigate
    from optimiser.proposal.opening import state_or_none
    from optimiser.proposal.stated import check_stated
    from optimiser.views import tables
    from optimiser.views.sentences import only_called_words

    plant, live, path = read_inputs(parsed)
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    state = state_or_none(plant, live)
    with open_for_command(plant, live, path) as history:
        cases = pose_cases(
            history, live, path, trials=parsed.trials, family=parsed.family, state=state
        )
        investigate(history, live)
    if parsed.family is not None:
        cases = [only(cases, parsed.family)]
    made, interrupted = _with_bar(cases, plant, parsed.workers)
    if parsed.json:
        print_json(_rows(made, plant))
    else:
        past = read_calibration(plant.folder)
        details = parsed.details or parsed.family is not None
        stated = check_stated(cases)
        said = stated.words() if details or stated.is_notable else ()
        shown = tables.proposals_table(
            made,
            plant=plant.file,
            past=past,
            notes=[
                *only_called_words(plant),
                *said,
                *tables.unsettled_words(made, plant=str(parsed.plant)),
            ],
            details=details,
        )
        print(tables.show(shown), end="")
    if interrupted:
        say(f"stopped; {len(made)} of {len(cases)} families are done, run again for the rest")
    return STOPPED if interrupted else 0


def _rows(made: Sequence[Proposal], plant: Plant) -> list[dict[str, Any]]:
    """Return proposals as plain values, with a month and the reasons in words beside each."""
    from optimiser.proposal.month import month_of
    from optimiser.views.reasons import why_words

    return [
        {
            **of.as_dict(),
            "month": asdict(month_of(of, plant.file.review)),
            "why": why_words(of, currency=plant.file.plant.currency),
        }
        for of in made
    ]


def _with_bar(cases: Sequence[Case], plant: Plant, workers: int) -> tuple[list[Proposal], bool]:
    """Return all proposals, with a bar on standard error while they are made."""
    from optimiser.proposal.all_families import propose_all
    from optimiser.proposal.cache import FOLDER

    with tqdm(total=len(cases), unit="family", file=sys.stderr, disable=None) as bar:

        def on_done(family: str) -> None:
            bar.set_postfix_str(family)
            bar.update()

        return propose_all(cases, folder=plant.folder / FOLDER, workers=workers, on_done=on_done)
