"""Print what looks are promised to be worth beside what followed in truth, as Markdown.

Run it from the project's root; kinds are those of strangers' plants, and ``demo``::

    PYTHONPATH=.:tests python tests/benchmarks/learn_table.py SEEDS look [KIND …]
    PYTHONPATH=.:tests python tests/benchmarks/learn_table.py SEEDS audit [KIND …]
    PYTHONPATH=.:tests python tests/benchmarks/learn_table.py SEEDS gather [KIND …]
    PYTHONPATH=.:tests python tests/benchmarks/learn_table.py SEEDS repeat [KIND …]

Seeds such as ``1,2,3`` or ``1-60``. Worths are money a month, of ``look`` false calls over the history;
errors are standard errors over families (of ``repeat`` over plants). Of a demo the first half of its days
stands before the labels that are gathered, of a stranger's plant all of the days that its kind has. A plant
takes about 3 s of ``look`` (a demo 13 s), 15 s of ``audit``, 20 s of ``gather`` (a demo 60 s) and 0.1 s a study.
"""

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from learn_judge import audited, first_lots, gathered, relooked, studied
from stranger_plants import KINDS
from true_plants import TruePlant, demo_with_truth, stranger_with_truth

from optimiser.history.read import open_history

LOOK = ("misread", "skewed", "suppliers", "thin", "scant", "dear")
AUDIT = ("skewed", "suppliers", "restless", "bursts")
LOOSE = {"live": (2.6, 3.6), "coverage": 0.3}
"""Of strangers that are audited: where live limits are tight no tighter one is worth anything."""

GATHER = ("skewed", "restless", "bursts", "thin", "scant", "dear")
REPEAT = ("moving", "skewed", "restless", "suppliers")
STUDIES = ((5.0, 10, 3), (5.0, 20, 5), (3.0, 20, 5))
DAYS = 60


def plants(seeds: list[int], kind: str, **changes) -> Iterator[TruePlant]:
    """Write a plant of each seed, one after another."""
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "plant"
            if kind == "demo":
                yield demo_with_truth(folder, seed, days=DAYS)
            else:
                yield stranger_with_truth(folder, kind, seed, **changes)


def beside(promised: np.ndarray, followed: np.ndarray) -> str:
    """Return means of what was promised and what followed, and their difference with its error."""
    off = promised - followed
    error = off.std(ddof=1) / np.sqrt(len(off)) if len(off) > 1 else np.nan
    return f"{promised.mean():.2f} | {followed.mean():.2f} | {off.mean():+.2f} ± {error:.2f}"


def both(rows: list) -> tuple[np.ndarray, np.ndarray]:
    """Return what was promised and what followed."""
    return np.array([r.promised for r in rows]), np.array([r.followed for r in rows])


def show_relooked(seeds: list[int], kinds: list[str]) -> None:
    """Print a row per kind, summed over plants, and how many plants go the other way."""
    print("| kind | plants | labels looked at | expected | followed | at random | largest family |")
    print("|---|---|---|---|---|---|---|")
    for kind in kinds or LOOK:
        rows = [r for plant in plants(seeds, kind) if (r := relooked(plant)) is not None]
        sums = [sum(getattr(r, x) for r in rows) for x in ("promised", "followed")]
        others = [sum(getattr(r, x) for r in rows) for x in ("at_random", "largest")]
        short = [r.seed for r in rows if r.followed < 2 * max(r.at_random, r.largest)]
        print(
            f"| {kind} | {len(rows)} | {sum(r.labels for r in rows)} | "
            + " | ".join(f"{x:,.0f}" for x in sums + others)
            + f" | below twice: {short or 'none'}",
            flush=True,
        )


def show_audited(seeds: list[int], kinds: list[str]) -> None:
    """Print a row per kind: families that an audit could be made of, largest audits."""
    print("| kind | families | defects found | decisions changed | promised | followed | off |")
    print("|---|---|---|---|---|---|---|")
    for kind in kinds or AUDIT:
        rows = [r for plant in plants(seeds, kind, **LOOSE) for r in audited(plant)]
        changed = sum(r.followed != 0 for r in rows)
        print(
            f"| {kind} | {len(rows)} | {sum(r.found for r in rows)} | {changed} | "
            f"{beside(*both(rows))} |",
            flush=True,
        )


def show_gathered(seeds: list[int], kinds: list[str]) -> None:
    """Print a row per kind, as a history twice as long brings its labels."""
    print("| kind | families | labels, to come | promised | followed | difference |")
    print("|---|---|---|---|---|---|")
    for kind in kinds or GATHER:
        rows = []
        for plant in plants(seeds, kind, times=2.0):
            with open_history(plant.plant) as history:
                first = first_lots(history, DAYS / 2) if kind == "demo" else KINDS[kind].lots
            rows += gathered(plant, first)
        for words, of in (
            ("", [r for r in rows if r.searched]),
            (", too few labels to search", [r for r in rows if not r.searched]),
        ):
            if of:
                labels, more = (np.mean([getattr(r, x) for r in of]) for x in ("labels", "more"))
                print(
                    f"| {kind}{words} | {len(of)} | {labels:.0f}, {more:.0f} | {beside(*both(of))} |",
                    flush=True,
                )
        worst = sorted(rows, key=lambda r: -abs(r.promised - r.followed))[:3]
        told = (f"{r.family} of {r.seed} {r.promised:.0f}, {r.followed:.0f}" for r in worst)
        print(f"furthest off (promised, followed): {'; '.join(told)}\n", flush=True)


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
            print(
                f"| {kind} | {len(rows)} | {freedom:g}, {parts * (readings - 1)} degrees of freedom | "
                f"{beside(*both(rows))} |",
                flush=True,
            )


def seeds_of(text: str) -> list[int]:
    """Return seeds listed, or from one to another."""
    low, _, high = text.partition("-")
    return list(range(int(low), int(high) + 1)) if high else [int(x) for x in text.split(",")]


SHOW = {
    "look": show_relooked,
    "audit": show_audited,
    "gather": show_gathered,
    "repeat": show_studied,
}

if __name__ == "__main__":
    SHOW[sys.argv[2]](seeds_of(sys.argv[1]), sys.argv[3:])
