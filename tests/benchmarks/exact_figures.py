"""Time the exact front on made-up families and on open data; print a table.

Run with ``python tests/benchmarks/exact_figures.py [seconds per row]`` from the project root.
"""

import sys
import time
from pathlib import Path

import numpy as np
from sklearn.datasets import load_breast_cancer

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_exact import measured_problem, random_measurements

from optimiser.search.exact import exact_front


def breast_cancer():
    data = load_breast_cancer()
    z = data.data.astype(np.float32).astype(float)
    z = np.concatenate([z, -z], axis=1)
    return measured_problem(z[data.target == 1], z[data.target == 0])


def made_up(goods, defects, limits, shift=1.5, seed=0):
    return measured_problem(*random_measurements(seed, goods, defects, limits, shift))


def heavy(goods, defects, limits, seed=0):
    good_z, defect_z = random_measurements(seed, goods, defects, limits)
    draws = np.random.default_rng(seed).lognormal(3, 3, goods)
    return measured_problem(good_z, defect_z, np.clip(draws, 1, 1e6).astype(np.int64))


ROWS = [
    ("open data, 60 limits, 212 defects", breast_cancer, None),
    ("8 limits, 3,000 goods, 40 defects", lambda: made_up(3000, 40, 8), None),
    ("the same, seed 1", lambda: made_up(3000, 40, 8, seed=1), None),
    ("the same, seed 2", lambda: made_up(3000, 40, 8, seed=2), None),
    ("the same, defects like goods", lambda: made_up(3000, 40, 8, shift=0.0), None),
    ("the same, counts to 1e6", lambda: heavy(3000, 40, 8), None),
    ("8 limits, 50,000 goods, 40 defects", lambda: made_up(50_000, 40, 8), None),
    ("12 limits, 3,000 goods, 100 defects, far out", lambda: made_up(3000, 100, 12, 2.5), None),
    ("16 limits, 3,000 goods, 60 defects", lambda: made_up(3000, 60, 16), None),
    ("8 limits, 10,000 goods, 200 defects, 0 escapes", lambda: made_up(10_000, 200, 8), [0]),
    ("the same, 5 escapes", lambda: made_up(10_000, 200, 8), [5]),
    ("the same, 20 escapes", lambda: made_up(10_000, 200, 8), [20]),
    ("60 limits, 2,000 goods, 60 defects", lambda: made_up(2000, 60, 60), None),
]


def main(time_limit_s):
    print(f"{'family':48} {'points':>6} {'proved':>6} {'widest gap':>18} {'seconds':>8}")
    for name, build, escapes in ROWS:
        problem = build()
        begins = time.perf_counter()
        points = exact_front(problem, time_limit_s=time_limit_s, escapes=escapes).points
        seconds = time.perf_counter() - begins
        worst = max(points, key=lambda p: p.false_calls - p.bound)
        gap = "none" if worst.proved else f"{worst.bound} to {worst.false_calls}"
        proved = sum(p.proved for p in points)
        print(f"{name:48} {len(points):6} {proved:6} {gap:>18} {seconds:8.2f}", flush=True)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
