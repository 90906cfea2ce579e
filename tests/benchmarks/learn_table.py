"""Print what looks are promised to be worth beside what followed in truth, as Markdown.

Run it from the project's root::

    PYTHONPATH=.:tests python tests/benchmarks/learn_table.py SEEDS gather [KIND …]
    PYTHONPATH=.:tests python tests/benchmarks/learn_table.py SEEDS repeat [KIND …]

Seeds such as ``1,2,3`` or ``1-60``. All worths are money a month; errors are standard errors over families
(of ``repeat`` over plants).
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from learn_judge import gathered, studied

GATHER = ("skewed", "restless", "bursts", "thin", "scant", "dear")
REPEAT = ("moving", "skewed", "restless", "suppliers")
STUDIES = ((5.0, 10, 3), (5.0, 20, 5), (3.0, 20, 5))


def beside(promised: np.ndarray, followed: np.ndarray) -> str:
    """Return means of what was promised and what followed, and their difference with its error."""
    off = promised - followed
    error = off.std(ddof=1) / np.sqrt(len(off))
    return f"{promised.mean():.2f} | {followed.mean():.2f} | {off.mean():+.2f} ± {error:.2f}"


def show_gathered(seeds: list[int], kinds: list[str]) -> None:
    """Print a row per kind, as a history twice as long brings its labels."""
    print("| kind | families | labels, to come | promised | followed | difference |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        for kind in kinds or GATHER:
            rows = [r for s in seeds for r in gathered(Path(name) / f"{kind}{s}", kind, s)]
            labels, more = (np.mean([getattr(r, x) for r in rows]) for x in ("labels", "more"))
            promised, followed = (
                np.array([getattr(r, x) for r in rows]) for x in ("promised", "followed")
            )
            print(
                f"| {kind} | {len(rows)} | {labels:.0f}, {more:.0f} | {beside(promised, followed)} |",
                flush=True,
            )


def show_studied(seeds: list[int], kinds: list[str]) -> None:
    """Print a row per kind and study."""
    print(
        "| goods | plants | known with, study | promised | followed | difference |\n|---|---|---|---|---|---|"
    )
    for kind in kinds or REPEAT:
        for freedom, parts, readings in STUDIES:
            rows = [
                studied(kind, s, freedom=freedom, parts=parts, readings=readings) for s in seeds
            ]
            promised, followed = (
                np.array([getattr(r, x) for r in rows]) for x in ("promised", "followed")
            )
            print(
                f"| {kind} | {len(rows)} | {freedom:g}, {parts * (readings - 1)} degrees of freedom | "
                f"{beside(promised, followed)} |",
                flush=True,
            )


def seeds_of(text: str) -> list[int]:
    """Return seeds listed, or from one to another."""
    low, _, high = text.partition("-")
    return list(range(int(low), int(high) + 1)) if high else [int(x) for x in text.split(",")]


if __name__ == "__main__":
    show = {"gather": show_gathered, "repeat": show_studied}[sys.argv[2]]
    show(seeds_of(sys.argv[1]), sys.argv[3:])
