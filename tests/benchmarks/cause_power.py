"""Print how often causes are found, and how often found where there is none.

``python tests/benchmarks/cause_power.py 1,2,3``: plants of every kind of stranger and demo plants,
healthy ones as they are and troubled ones by `troubled_demo`, of each seed.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

from stranger_plants import KINDS, Stranger, make_stranger
from troubled_demo import ROOTED, flatten_limit, measure_again

from optimiser.demo.write import write_demo
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe
from optimiser.studies.causes import Cause, Causes, find_causes

DAYS, ITEMS = 60, 25_000


def is_true(cause: Cause, stranger: Stranger) -> bool:
    """Whether a finding is what a stranger plant was drawn with."""
    family = next(f for f in stranger.families if f.name == cause.family)
    n = int(cause.measurement[1:]) if cause.measurement else 0
    if cause.kind in {"drift", "moved"}:
        return bool(stranger.kind.drift and family.heading[n])
    sign = 1 if cause.side == "upper" else -1
    return cause.kind == "useless" and all(sign * m.centre[n] <= 0 for m in family.mechanisms)


def causes_of(folder: Path) -> Causes:
    """Findings of a plant on disk."""
    plant = read_plant(folder)
    live = read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)
    with open_history(plant) as history:
        return find_causes(history, live)


def main(seeds: list[int]) -> None:
    """Print both tables."""
    found, false = Counter(), Counter()
    with tempfile.TemporaryDirectory() as place:
        for name in KINDS:
            families = wrong = 0
            for seed in seeds:
                stranger = make_stranger(Path(place) / f"{name}{seed}", name, seed)
                of = causes_of(stranger.folder)
                families += of.families
                untrue = [c for c in of.found if not is_true(c, stranger)]
                wrong += len({c.family for c in untrue})
                false.update((name, c.kind) for c in untrue)
                found.update((name, c.kind) for c in of.found if c not in untrue)
            print(f"| {name} | {families} | {wrong} |", flush=True)
        print("false", dict(false), "true", dict(found))
        healthy = wrong = 0
        for seed in seeds:
            folder = Path(place) / f"demo{seed}"
            write_demo(folder, days=DAYS, items_per_day=ITEMS, seed=seed)
            measure_again(folder, seed=seed)
            flatten_limit(folder, seed=seed)
            of = causes_of(folder)
            named = {(c.family, c.kind) for c in of.found}
            for family, kinds in ROOTED.items():
                found[family] += any(k == kind for f, k in named for kind in kinds if f == family)
            healthy += of.families - len(ROOTED)
            wrong += len({f for f, _ in named} - set(ROOTED))
            print(seed, sorted(named), flush=True)
    print(dict(found), f"of {len(seeds)};", f"healthy {healthy}, wrong {wrong}")


if __name__ == "__main__":
    main([int(s) for s in sys.argv[1].split(",")])
