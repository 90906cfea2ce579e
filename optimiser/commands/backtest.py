"""``optimiser backtest``: walking forward, what was promised and what followed."""

import argparse
import sys
from dataclasses import asdict

from tqdm import tqdm

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    positive,
    print_json,
    read_inputs,
    refuse_unknown_family,
)

FOLDS, TRIALS = 4, 30


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", help="only this family")
    parser.add_argument("--folds", type=positive, default=FOLDS, help="cuts in time")
    parser.add_argument("--trials", type=positive, default=TRIALS)


def run(parsed: argparse.Namespace) -> int:
    """Print the calibration of promises and every fold."""
    from optimiser.monitoring.backtest import backtest, calibrate
    from optimiser.proposal.calibration import keep_calibration
    from optimiser.views import tables

    plant, live, path = read_inputs(parsed)
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    with (
        open_for_command(plant, live, path, checked=True) as history,
        tqdm(unit="proposal", file=sys.stderr, disable=None) as bar,
    ):

        def on_done(words: str) -> None:
            bar.set_postfix_str(words)
            bar.update()

        folds = backtest(
            history,
            live,
            folds=parsed.folds,
            trials=parsed.trials,
            family=parsed.family,
            on_done=on_done,
        )
    calibration = calibrate(folds)
    if parsed.family is None:
        keep_calibration(plant.folder, calibration)
    if parsed.json:
        print_json({"calibration": calibration, "folds": [asdict(f) for f in folds]})
    else:
        shown = tables.backtest_table(calibration, folds, currency=plant.file.plant.currency)
        print(tables.show(shown), end="")
    return 0
