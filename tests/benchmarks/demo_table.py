"""Compare ways of choosing limits over the demo's families, by true cost; print Markdown.

Run it from the project's root::

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/demo_table.py [SEED]

True costs (money a month against the live recipe) come from the truth the demo was drawn
from. Every method sees the same problem: same tally, rails, weights.
"""

import sys
import tempfile
import warnings
from pathlib import Path
from time import perf_counter

import numpy as np
import optuna
from demo_truth_judge import deliver
from search_table import best_count, directly, fixed_width

from optimiser.demo.truth import demo_truth
from optimiser.demo.write import write_demo
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import limit_moves, propose
from optimiser.recipe.table import read_recipe
from optimiser.search.pose import pose
from optimiser.search.study import run_study
from optimiser.tally.must_catch import rank_kept

METHODS = {
    "best count": best_count,
    "NSGA-II on the limits, 1,000": directly(lambda: optuna.samplers.NSGAIISampler(seed=1)),
    "TPE on the limits, 1,000": directly(lambda: optuna.samplers.TPESampler(seed=1)),
    "descent, h = 1.5": fixed_width(1.5),
    "study, 60 trials": lambda problem: run_study(problem, seed=1).setting,
}


def main(seed: int) -> None:
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "plant"
        write_demo(folder, seed=seed)
        plant = read_plant(folder)
        live = read_recipe(folder / "recipe.csv", plant.file.measurements)
        with open_history(plant) as history:
            cases = make_cases(history, live)
    truth = demo_truth(seed=seed)
    saved: dict[str, list[float]] = {}
    took: dict[str, float] = {}
    for case in cases:
        if len(case.tally.defects.frame) < plant.file.rails.minimum_defects:
            continue
        must, _ = rank_kept(
            case.must_catch, case.tally.grid, guard_sigmas=plant.file.rails.guard_sigmas
        )
        problem = pose(case.tally, case.siblings, plant, must)
        for name, choose in METHODS.items():
            start = perf_counter()
            setting = np.asarray(choose(problem))
            took[name] = took.get(name, 0.0) + perf_counter() - start
            limits = [m.as_dict() for m in limit_moves(case.tally, setting)]
            money = deliver(truth[case.tally.family], limits, plant, case.span_days)[3]
            saved.setdefault(name, []).append(money)
        row = propose(case).as_dict()
        money = deliver(truth[row["family"]], row["limits"], plant, case.span_days)[3]
        saved.setdefault("propose (changes whose saving is certain)", []).append(money)
    print(f"\n### Demo, seed {seed}, {len(saved['best count'])} families\n")
    print(
        "| method | true saving a month, all families | families made worse | worst family | seconds |"
    )
    print("| --- | --- | --- | --- | --- |")
    for name, money in saved.items():
        worse = sum(m < 0 for m in money)
        seconds = f"{took[name]:.1f}" if name in took else ""
        print(f"| {name} | {sum(money):,.0f} | {worse} | {min(money):,.0f} | {seconds} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 21)
