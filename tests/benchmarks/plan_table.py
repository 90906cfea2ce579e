"""Print what plans of the whole line promise together beside what followed in truth, as Markdown.

Run it from the project's root; kinds are those of strangers' plants, and ``demo``::

    PYTHONPATH=.:tests python tests/benchmarks/plan_table.py SEEDS [KIND …]

By default the kinds that plans are judged on. Money a month, escapes over the history, both sums over
plants; of one plant the plan that leaves families without advice alone, and the one that takes them all.
About 10 s a stranger's plant of six families, 45 s a demo.
"""

import sys
import tempfile
from pathlib import Path

from plan_judge import Planned, of_demo, of_stranger

KINDS = ("bursts", "restless", "skewed", "suppliers", "thin")


def row(name: str, of: list[Planned]) -> str:
    """Return one line of sums over plants."""
    promised, true = (sum(r.money[n] for r in of) for n in (0, 1))
    expected, came = (sum(r.escapes[n] for r in of) for n in (0, 1))
    above = sum(r.money[0] > r.money[1] for r in of)
    error = (sum((r.money[0] - r.money[1]) ** 2 for r in of) / len(of)) ** 0.5
    return (
        f"| {name} | {sum(r.moved for r in of)} of {sum(r.families for r in of)} | {promised:,.0f} | "
        f"{true:,.0f} | {promised / true - 1:+.1%} | {sum(r.inside for r in of)} of {len(of)} | {above} | "
        f"{error:.0f} | {expected:.1f} / {came:.1f} |"
    )


def main(seeds: list[int], kinds: list[str]) -> None:
    """Print a line per kind and way, and one of all kinds together."""
    print(
        "| kind, families | moved | promised | true | off | inside 90 % | promised above | error | "
        "escapes, promised / true |\n|---|---|---|---|---|---|---|---|---|"
    )
    found: list[Planned] = []
    with tempfile.TemporaryDirectory() as name:
        for kind in kinds or KINDS:
            for seed in seeds:
                folder = Path(name, f"{kind}{seed}")
                found += (
                    of_demo(folder, seed) if kind == "demo" else of_stranger(folder, kind, seed)
                )
            for unadvised, words in ((False, "advised"), (True, "all")):
                rows = [r for r in found if r.kind == kind and r.unadvised == unadvised]
                print(row(f"{kind}, {words}", rows), flush=True)
    for unadvised, words in ((False, "advised"), (True, "all")):
        print(row(f"together, {words}", [r for r in found if r.unadvised == unadvised]))


if __name__ == "__main__":
    main([int(s) for s in sys.argv[1].split(",")], sys.argv[2:])
