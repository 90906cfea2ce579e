"""``optimiser stages``: items followed through the stages of the line, and what foretells later defects."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
    refuse_without_passed,
    with_verdicts_so_far,
)
from optimiser.errors import PlantError, UsageError
from optimiser.files import write_whole
from optimiser.plant.file import Plant

if TYPE_CHECKING:
    from optimiser.history.read import History

SHARE = 0.5


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument(
        "--false-calls",
        type=_percent,
        default=SHARE,
        metavar="PERCENT",
        help=f"of the goods that a limit at the earlier stage may call (default: {SHARE})",
    )
    parser.add_argument(
        "--label",
        action="store_true",
        help="write what later stages say of earlier items into the plant's folder of verdicts",
    )
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write the items that could not be linked, as CSV"
    )


def _percent(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value <= 50:
        msg = f"must be a percentage above 0 and at most 50, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return value


def run(parsed: argparse.Namespace) -> int:
    """Print counts of links by reason, the labels they give, and what foretells which defect."""
    from optimiser.history.later_verdicts import write_labels
    from optimiser.proposal.relabel_sheet import verdicts_folder
    from optimiser.proposal.stages import keep_stages
    from optimiser.studies.foretell import follow_stages
    from optimiser.views import stage_tables, tables

    plant, live, path = read_inputs(parsed)
    refuse_without_passed(plant, "following items through the stages")
    folder = verdicts_folder(plant) if parsed.label else None
    if folder is not None:
        _refuse_timeless(plant)
        plant = with_verdicts_so_far(plant, folder)
    elif plant.file.plant.verdicts is not None:
        plant = with_verdicts_so_far(plant, plant.locate(plant.file.plant.verdicts))
    with open_for_command(plant, live, path) as history:
        _refuse_one_stage(history)
        found = follow_stages(history, live, share=parsed.false_calls / 100)
        written = None if folder is None else write_labels(history, folder)
        # What is kept is shown by page and night, which look at the usual share.
        if parsed.false_calls == SHARE:
            keep_stages(history, found, labels=written and written[1])
        if parsed.out is not None:
            _write_not_linked(history, parsed.out)
    if parsed.json:
        told = {"verdicts": written and str(written[0])}
        print_json({**asdict(found), **told, "caution": CAUTION})
        return 0
    print(tables.show(stage_tables.stages_text(found, plant.file)), end="")
    for line in stage_tables.label_words(found, written, plant=str(parsed.plant)):
        print(line)
    if parsed.out is not None:
        print(f"items that could not be linked, each with its reason: {parsed.out}")
    print(f"\n{CAUTION}")
    return 0


def _refuse_one_stage(history: History) -> None:
    """Raise where there is nothing to follow."""
    held = [str(s) for (s,) in history.rows("select distinct stage from items order by 1")]
    if len(held) < 2:
        listed = ", ".join(history.plant.file.line.stages)
        msg = (
            f"the history has items of one stage alone ({held[0]}), so nothing can be followed; add the "
            f"results of another stage ([line] stages lists {listed})"
        )
        raise UsageError(msg)


def _refuse_timeless(plant: Plant) -> None:
    """Raise where verdicts come without the items' times: labels of later stages have theirs."""
    shape = plant.file.verdict_files
    missing = [
        c for c in ("time", "stage") if shape and c not in {*shape.columns, *shape.constants}
    ]
    if missing:
        msg = (
            f"{plant.path}: verdict_files.columns.{missing[0]}: the plant's files of verdicts go without "
            f"the {missing[0]} of the item, and labels of later stages, which have it, cannot lie beside "
            f"them; export the {missing[0]} with the verdicts and name its column"
        )
        raise PlantError(msg)


def _write_not_linked(history: History, path: Path) -> None:
    from optimiser.history.links import not_linked

    write_whole(path, not_linked(history).to_csv(index=False))
