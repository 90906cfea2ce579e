"""Print what demos' proposals promise beside what their truth delivers, as Markdown.

Run it from the project's root::

    PYTHONPATH=.:tests python tests/benchmarks/honesty_table.py [SEEDS, such as 21,22]

Sums are those of the headline: where lots differ, a promise has a further figure for being added up.
"""

import sys
import tempfile
from pathlib import Path

from demo_truth_judge import Judged, covers, judge

PARTS = {
    "false_calls_saved": "saved",
    "escapes_added": "added",
    "escapes_caught": "caught",
    "saving_per_month": "money",
}


def row(name: str, judged: list[Judged], key: str) -> str:
    """Return a table's row on one figure of some changes."""
    came = [getattr(j, PARTS[key]) for j in judged]
    share = sum(covers(j.promise[key], x) for j, x in zip(judged, came, strict=True)) / len(judged)
    sums = sum(j.promise["in_sum"].get(key, j.promise[key])["value"] for j in judged)
    return f"| {name} | {len(judged)} | {share:.0%} | {sums:,.1f} | {sum(came):,.1f} |"


def main(seeds: list[int]) -> None:
    """Judge the demos of some seeds and print."""
    with tempfile.TemporaryDirectory() as name:
        found = [
            j
            for seed in seeds
            for j in judge(Path(name) / str(seed), seed=seed, days=60, items_per_day=25_000)
        ]
    advised = [j for j in found if j.advice == "change"]
    print("| figure | changes | covered | promised in sum | true in sum |\n|---|---|---|---|---|")
    for key in PARTS:
        words = key.replace("_", " ")
        print(row(f"{words}, advised", advised, key))
        print(row(f"{words}, all", found, key))
    lost = [j for j in advised if j.money < 0]
    print(
        f"\n{len(lost)} of {len(advised)} advised changes lose: {sum(j.money for j in lost):,.1f}"
    )


if __name__ == "__main__":
    main([int(x) for x in (sys.argv[1] if len(sys.argv) > 1 else "21,22").split(",")])
