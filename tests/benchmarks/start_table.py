"""Print what first limits cost in truth beside settled, live and naive ones, as Markdown.

Run it from the project's root; with names of kinds, of strangers' plants instead of demos::

    PYTHONPATH=.:tests python tests/benchmarks/start_table.py [SEEDS, such as 21,22] [KIND … | whole]

About 10 minutes of processor a demo; ``whole`` hides no siblings and takes a quarter of that.

Each family in turn has no history, or its first days alone, with all its siblings, and with some
of them hidden, so that families with one sibling or none are more than the demo's few; all costs
are true ones over the span of the history, over those of the limits that the tool settles on with
all of it.
"""

import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from start_judge import Started, judge, judge_stranger

HEAD = (
    "| siblings | own days | families | first | median | at most twice | dearest | live | mean ± 3 sd |\n"
    "|---|---|---|---|---|---|---|---|---|"
)
GROUPS = {"2 and more": (2, 99), "1": (1, 1), "none": (0, 0)}
LEFT = (None, 2, 1, 0)


def row(group: str, day: int, rows: list[Started]) -> str:
    """Return one row: sums over families, and how single families fare."""
    settled = sum(r.settled for r in rows)
    ratio = np.array([r.first / r.settled for r in rows])
    naive = [r.naive for r in rows if r.naive is not None]
    common = f"{sum(naive) / settled:.2f}" if len(naive) == len(rows) else ""
    worst = max(rows, key=lambda r: r.first / r.settled)
    return (
        f"| {group} | {day} | {len(rows)} | {sum(r.first for r in rows) / settled:.2f} | "
        f"{np.median(ratio):.2f} | {(ratio <= 2).mean():.0%} | {ratio.max():.1f} ({worst.family}) | "
        f"{sum(r.live for r in rows) / settled:.2f} | {common} |"
    )


def covered(rows: Iterable[Started]) -> str:
    """Return how often what first limits expected of themselves held the truth, and the sums."""
    words = []
    for part in ("false_calls", "escapes"):
        pairs = [x for r in rows if (x := getattr(r, part)) is not None]
        inside = np.mean([a.low <= true <= a.high for a, true in pairs])
        expected, came = sum(a.value for a, _ in pairs), sum(true for _, true in pairs)
        words.append(
            f"{part.replace('_', ' ')} {inside:.0%} inside, {expected:,.0f} / {came:,.0f} in sum"
        )
    return "; ".join(words)


def find(seeds: list[int], kinds: list[str]) -> list[Started]:
    """Write and judge the plants of some seeds."""
    with tempfile.TemporaryDirectory() as name:
        if not kinds or kinds == ["whole"]:
            left = LEFT[:1] if kinds else LEFT
            return [r for s in seeds for r in judge(Path(name) / str(s), seed=s, left=left)]
        return [
            r
            for s in seeds
            for kind in kinds
            for r in judge_stranger(Path(name) / f"{kind}-{s}", kind, seed=s)
        ]


def show(found: list[Started]) -> None:
    """Print the table, and below it how honest first limits are about themselves."""
    days = sorted({r.days for r in found})
    print(HEAD)
    there = [r for r in found if r.first is not None]
    for left in LEFT:
        for group, (low, high) in GROUPS.items():
            for day in days:
                rows = [r for r in there if (r.days, r.left) == (day, left)]
                if rows := [r for r in rows if low <= r.siblings <= high]:
                    print(row(group if left is None else f"{left} left of more", day, rows))
    for day in days:
        for name, few in (("two siblings and more", (2, 99)), ("none", (0, 0))):
            rows = [r for r in found if r.days == day and few[0] <= r.siblings <= few[1]]
            if rows := [r for r in rows if r.escapes is not None]:
                print(f"\n{name}, own days {day}: {covered(rows)}")


if __name__ == "__main__":
    asked = [int(x) for x in (sys.argv[1] if len(sys.argv) > 1 else "21,22").split(",")]
    show(find(asked, sys.argv[2:]))
