"""The table of promises on stranger plants: ``python tests/benchmarks/stranger_table.py 1,2,3,4``.

Each kind for the seeds given, in two processes; some twenty seconds a plant and kind. The last
columns tell where the attainable saving goes, each as a share of the best setting between the
rails: what the best of all ways tried reaches when the truth picks it, what was found, what was
advised; then money promised over true money with its standard error over plants.
"""

import pickle
import sys
import tempfile
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from stranger_judge import judge, summary
from stranger_plants import KINDS, make_stranger

from optimiser.proposal import propose

TRIALS = 30
# The exact front is shown beside a proposal and never proposed: here nobody looks at it.
FRONT_SECONDS = 0.1


def one(asked: tuple[str, int]) -> tuple[str, list[dict]]:
    """Judge one plant in the long run around the middle of its history."""
    name, seed = asked
    propose.FRONT_SECONDS = FRONT_SECONDS
    with tempfile.TemporaryDirectory() as folder:
        made = make_stranger(Path(folder) / "plant", name, seed)
        return name, judge(made, trials=TRIALS)


def judged(one: Callable[[tuple[str, int]], tuple[str, list[dict]]]) -> dict[str, list[dict]]:
    """Judge the kinds and seeds that the command line asks for, in two processes."""
    seeds = [int(x) for x in (sys.argv[1] if len(sys.argv) > 1 else "1,2").split(",")]
    names = sys.argv[2].split(",") if len(sys.argv) > 2 else list(KINDS)
    found: dict[str, list[dict]] = {name: [] for name in names}
    with get_context("spawn").Pool(2) as pool:
        for name, rows in pool.imap_unordered(one, [(n, s) for n in names for s in seeds]):
            found[name] += rows
    return found


def main() -> None:
    """Print the table as Markdown."""
    found = judged(one)
    if len(sys.argv) > 3:
        Path(sys.argv[3]).write_bytes(pickle.dumps(found))
    table = pd.DataFrame({name: summary(rows) for name, rows in found.items()}).T
    print("| " + " | ".join(["kind", *table.columns]) + " |")
    print("|" + "---|" * (len(table.columns) + 1))
    for name, row in table.iterrows():
        print("| " + " | ".join([str(name), *(_cell(c, x) for c, x in row.items())]) + " |")


def _cell(column: object, x: object) -> str:
    if isinstance(x, tuple) and column == "promised / true":
        return " ± ".join(f"{v:.3f}" for v in x)
    if isinstance(x, tuple):
        return " / ".join(f"{v:,.0f}" for v in x)
    return f"{x:.2f}" if isinstance(x, float) else str(x)


if __name__ == "__main__":
    main()
