"""The rule of advice on stranger plants: ``python tests/benchmarks/advice_rule.py 1,2,3,4``.

Every change that the study finds is judged against the truth once; what each largest chance of
loss would have advised follows from that: how much of the attainable saving, how many changes that
lose, and what these lose together.
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from stranger_judge import judge
from stranger_plants import make_stranger
from stranger_table import judged

TRIALS = 30
CHANCES = (0.1, 0.2, 0.3, 0.4, 0.45, 0.5)


def one(asked: tuple[str, int]) -> tuple[str, list[dict]]:
    """Judge one plant whose file asks for no more than the widest rule."""
    name, seed = asked
    with tempfile.TemporaryDirectory() as folder:
        made = make_stranger(Path(folder) / "plant", name, seed)
        file = made.folder / "plant.toml"
        text = file.read_text(encoding="utf-8")
        file.write_text(f"{text}\n[advice]\nlargest_chance_of_loss = {max(CHANCES)}\n", "utf-8")
        return name, judge(made, trials=TRIALS)


def cell(rows: list[dict], chance: float) -> str:
    """Return share of the best, changes that lose of changes advised, and their loss."""
    advised = [
        r for r in rows if r["advice"] == "change" and r["promise"]["chance_of_loss"] <= chance
    ]
    best = sum(max(r["best"], 0.0) for r in rows)
    lost = [r["money"] for r in advised if r["money"] < 0]
    share = sum(r["money"] for r in advised) / best if best else float("nan")
    return f"{share:.0%}, {len(lost)} of {len(advised)} ({-sum(lost):,.0f})"


def main() -> None:
    """Print the table as Markdown."""
    found = judged(one)
    print("| kind | " + " | ".join(f"{c:.0%}" for c in CHANCES) + " |")
    print("|" + "---|" * (len(CHANCES) + 1))
    for name, rows in found.items():
        print(f"| {name} | " + " | ".join(cell(rows, c) for c in CHANCES) + " |")


if __name__ == "__main__":
    main()
