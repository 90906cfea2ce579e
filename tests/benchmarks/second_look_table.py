"""What a second look frees on critical plants: ``python tests/benchmarks/second_look_table.py 1,2,3``.

Families are critical, reviewers misread 0.4 % of the goods that are called. At most a tenth of the
labels is looked at again, in the order of `optimiser relabel`, by a look that errs never; then
everything is proposed anew. Shares are of the live recipe's false calls, in truth.
"""

import csv
import io
import sys
import tempfile
from contextlib import redirect_stdout
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from stranger_judge import judge, live_false_calls
from stranger_plants import Stranger, make_stranger

from optimiser.cli import main
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal import propose
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.relabel import relabel
from optimiser.proposal.relabel_sheet import COLUMNS, sheet_text
from optimiser.recipe.table import read_recipe

SHARE = 0.10
TRIALS = 30
FRONT_SECONDS = 0.1


def one(seed: int) -> dict[str, float]:
    """Look again at one plant's labels; what was saved before and after."""
    propose.FRONT_SECONDS = FRONT_SECONDS
    with tempfile.TemporaryDirectory() as folder:
        stranger = make_stranger(Path(folder) / "plant", "misread", seed)
        live = live_false_calls(stranger)
        before = judge(stranger, trials=TRIALS, best=False)
        found = look(stranger)
        after = judge(stranger, trials=TRIALS, best=False)
    advised = [r for r in after if r["advice"] == "change"]
    changes = [r for r in after if r["promise"]]
    return found | {
        "seed": seed,
        "before": sum(r["saved"] for r in before if r["advice"] == "change") / live,
        "after": sum(r["saved"] for r in advised) / live,
        "found": sum(r["saved"] for r in changes) / live,
        "advised": len(advised),
        "families": len(after),
        "promised": sum(r["promise"]["in_sum"]["escapes_added"]["value"] for r in advised),
        "true": sum(r["added"] for r in advised),
        "known": sum(r["row"]["lines"]["loosened"]["defects"] for r in advised),
    }


def look(stranger: Stranger) -> dict[str, float]:
    """Fill in a sheet of a tenth of the labels with what they truly are, and read it back."""
    folder = stranger.folder
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=TRIALS)
        labels = sum(len(c.tally.defects.frame) for c in cases)
        first = int(SHARE * labels)
        seconds = plant.file.review.seconds_per_second_look
        # A hair more, lest the last one be rounded away.
        listed = relabel(cases, minutes=(first + 0.01) * seconds / 60)
        assert len(listed.rows) <= first
    truth = stranger.truth.set_index(["family", "board", "designator"])["is_defect"]
    real = [bool(truth.loc[r.family, r.board, r.designator]) for r in listed.rows]
    text = (folder / "plant.toml").read_text("utf-8")
    text = text.replace("[plant]", '[plant]\nverdicts = "verdicts"', 1)
    (folder / "plant.toml").write_text(text, "utf-8")
    write_back(folder, sheet_text(listed.rows), real)
    return {
        "labels": labels,
        "looked": len(real),
        "misread": len(real) - sum(real),
        "expected": listed.worth[-1].misread if listed.worth else 0.0,
    }


def write_back(folder: Path, sheet: str, real: list[bool]) -> None:
    """Fill in a sheet and hand it to the command that reads it."""
    rows = list(csv.DictReader(sheet.splitlines()))
    path = folder / "relabel.csv"
    for row, is_defect in zip(rows, real, strict=True):
        row |= {"verdict_again": "defect" if is_defect else "good", "by": "Ada Fenn"}
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
    with redirect_stdout(io.StringIO()):
        assert not rows or main(["relabel", str(folder), "--read", str(path)]) == 0


def table() -> None:
    """Print the table as Markdown, with means and their standard errors over plants."""
    seeds = [int(x) for x in (sys.argv[1] if len(sys.argv) > 1 else "1,2,3").split(",")]
    with get_context("spawn").Pool(2) as pool:
        rows = sorted(pool.imap_unordered(one, seeds), key=lambda r: r["seed"])
    print(
        "| seed | labels | looked at | misread | saved before → after | found | advised | ", end=""
    )
    print("escapes added, promised / true | known released |")
    print("|" + "---|" * 9)
    for r in rows:
        print(
            f"| {r['seed']} | {r['labels']} | {r['looked']} | {r['misread']} ({r['expected']:.1f} "
            f"expected) | {r['before']:.0%} → {r['after']:.0%} | {r['found']:.0%} | "
            f"{r['advised']} of {r['families']} | {r['promised']:.1f} / {r['true']:.1f} | "
            f"{r['known']} |"
        )
    for name in ("before", "after", "found"):
        values = np.array([r[name] for r in rows])
        error = values.std(ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
        print(f"{name}: {values.mean():.1%} ± {error:.1%}")


if __name__ == "__main__":
    table()
