"""``optimiser plan``: the hours of review shared out over all families of the line."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from tqdm import tqdm

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    hours,
    open_for_command,
    pose_cases,
    positive,
    print_json,
    read_inputs,
    say,
)
from optimiser.defaults import SCENARIOS, TRIALS
from optimiser.errors import UsageError
from optimiser.files import write_whole

if TYPE_CHECKING:
    from optimiser.plant.file import Plant
    from optimiser.proposal.line import Line
    from optimiser.proposal.propose import Case

STOPPED = 130


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument(
        "--review-hours",
        type=hours,
        required=True,
        metavar="H",
        help="hours of review a day that all families share",
    )
    parser.add_argument(
        "--scenario",
        choices=tuple(SCENARIOS),
        default="constant",
        help="how often reviewers pass a defect: as the plant file states, or by the share of true "
        "calls among all",
    )
    parser.add_argument(
        "--unadvised",
        action="store_true",
        help="let families move as well of which the study by itself advises no change",
    )
    parser.add_argument("--chart", type=Path, metavar="FILE", help="draw the front: FILE.svg")
    parser.add_argument("--trials", type=positive, default=TRIALS)
    parser.add_argument("--workers", type=positive, default=os.cpu_count() or 1)


def run(parsed: argparse.Namespace) -> int:
    """Print one point per family within the hours, and what all of them promise together."""
    from optimiser.evidence.reviewers import scenario
    from optimiser.proposal.line import boards_of_line
    from optimiser.views import line_tables, tables

    if parsed.chart is not None and parsed.chart.suffix.lower() != ".svg":
        msg = f"--chart must end in .svg, got {parsed.chart.name!r}"
        raise UsageError(msg)
    plant, live, path = read_inputs(parsed)
    with open_for_command(plant, live, path) as history:
        cases = pose_cases(history, live, path, trials=parsed.trials)
        boards = boards_of_line(history)
    line = _line(cases, plant, parsed, boards)
    if line is None:
        say("stopped; run again for the rest")
        return STOPPED
    curve = scenario(parsed.scenario, miss_rate=plant.file.review.miss_rate)
    found = line.plan(parsed.review_hours, curve)
    if parsed.chart is not None:
        from optimiser.views.line_charts import front_chart
        from optimiser.views.shown import svg

        write_whole(parsed.chart, svg(front_chart(found, plant.file)))
    if parsed.json:
        print_json({**asdict(found), "caution": CAUTION})
    else:
        print(tables.show(line_tables.plan_text(found, plant.file)), end="")
        if parsed.chart is not None:
            print(f"written: {parsed.chart}")
        print(f"\n{CAUTION}")
    return 0


def _line(
    cases: Sequence[Case], plant: Plant, parsed: argparse.Namespace, boards: int
) -> Line | None:
    """Return the line; families without a kept search are searched first, with a bar."""
    from optimiser.proposal.all_families import propose_all
    from optimiser.proposal.cache import FOLDER, read_found
    from optimiser.proposal.line import Line

    folder = plant.folder / FOLDER
    with tqdm(total=len(cases), unit="family", file=sys.stderr, disable=None) as bar:

        def on_done(family: str) -> None:
            bar.set_postfix_str(family)
            bar.update()

        made, interrupted = propose_all(
            list(cases), folder=folder, workers=parsed.workers, on_done=on_done
        )
    if interrupted:
        return None
    proposals = {p.family: p for p in made}
    return Line(
        [(c, proposals[c.tally.family], read_found(folder, c)) for c in cases],
        boards=boards,
        unadvised=parsed.unadvised,
    )
