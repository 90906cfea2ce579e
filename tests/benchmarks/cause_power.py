"""Print how often causes are found, and how often found where there is none.

``python tests/benchmarks/cause_power.py 1,2,3``: plants of every kind of stranger and demo plants,
healthy ones as they are and troubled ones by `troubled_demo`, of each seed; ``strangers``, ``demos`` or
``laid`` behind it for one of the three, and names of kinds for strangers of these alone. ``laid`` puts
troubles of several sizes into plants that have none: steps, calls that are not the recipe's, gauges that
do not repeat. About 10 s a stranger's plant.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from scipy.stats import multivariate_normal, norm
from stranger_plants import KINDS, Kind, Stranger, make_stranger
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


def strangers(place: Path, seeds: list[int], kinds: list[str]) -> None:
    """Print what is found in stranger plants that they were drawn with, and what is not true."""
    found, false = Counter(), Counter()
    asked = blamed = 0
    for name in kinds:
        families = wrong = 0
        for seed in seeds:
            stranger = make_stranger(place / f"{name}{seed}", name, seed)
            of = causes_of(stranger.folder)
            families += of.families
            untrue = [c for c in of.found if not is_true(c, stranger)]
            wrong += len({c.family for c in untrue})
            false.update((name, c.kind) for c in untrue)
            found.update((name, c.kind) for c in of.found if c not in untrue)
        print(f"| {name} | {families} | {wrong} |", flush=True)
        asked, blamed = asked + families, blamed + wrong
    print("false", dict(false), "true", dict(found), f"blamed {blamed} of {asked} families")


def demos(place: Path, seeds: list[int]) -> None:
    """Print what is found of the troubles laid into demo plants, and what healthy families are blamed for."""
    found = Counter()
    healthy = wrong = 0
    for seed in seeds:
        folder = place / f"demo{seed}"
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


STEPS = (0.0, 0.4, 0.6, 0.8, 1.0, 1.5)
"""By how many standard deviations of the goods each family of a plant steps, half-way."""

UNEXPLAINED = (0.0, 0.001, 0.0015, 0.002, 0.003, 0.01)
"""Share of each family's recorded calls that are not the recipe's; 0.001 is allowed."""

GAUGES = (0.25, 0.35, 0.45, 0.6)
"""Repeatability over what readings spread."""

SHARES = (0.4, 0.5, 0.6, 0.7, 1.01)
"""Upper ends of the classes of calls that do not repeat, in truth; 0.5 is told of."""


def edit(stranger: Stranger, change) -> None:
    """Change the items of a plant on disk; what the machine called is worked out anew."""
    file = stranger.folder / "history" / "items.parquet"
    with duckdb.connect() as con:
        items = con.execute(f"from '{file}'").df()
        rng = np.random.default_rng([stranger.seed, 73])
        for n, family in enumerate(stranger.families):
            here = (items["family"] == family.name).to_numpy()
            change(items, here, n, family, rng)
        con.register("items_now", items)
        con.execute(f"copy items_now to '{file}.new' (format parquet)")
    Path(f"{file}.new").replace(file)


def step_up(items: pd.DataFrame, here, n: int, family, rng) -> None:
    """Move one measurement of a family up from the middle lot on, and call by the recipe."""
    lot = items["lot"].str[4:].astype(int).to_numpy()
    late = here & (lot >= family.kind.lots // 2)
    moved = items["m00"].to_numpy(dtype=np.float32, copy=True)
    moved[late] += np.float32(STEPS[n] * family.scale[0])
    items["m00"] = moved
    x = items.loc[here, [f"m{i:02d}" for i in range(len(family.scale))]].to_numpy(np.float32)
    called = family.called(x, family.lower, family.upper)
    before = items.loc[here, "called"].to_numpy(dtype=bool)
    items.loc[here, "called"] = called
    rows = np.flatnonzero(here)
    new = rows[called & ~before & items.loc[here, "verdict"].isna().to_numpy()]
    items.loc[new, ["verdict", "found_by"]] = "good", "review"


def miscall(items: pd.DataFrame, here, n: int, family, rng) -> None:
    """Turn a share of a family's recorded calls over."""
    turned = here & (rng.random(len(items)) < UNEXPLAINED[n])
    items.loc[turned, "called"] = ~items.loc[turned, "called"].to_numpy(dtype=bool)


def unrepeated(z: float, gauge: float) -> float:
    """Share of calls beyond z that a second inspection would not make; readings are normal."""
    alike = 1 - gauge**2
    both = multivariate_normal(cov=[[1, alike], [alike, 1]]).cdf([-z, -z])
    return 1 - float(both) / norm.sf(z)


def laid(place: Path, seeds: list[int]) -> None:
    """Print how often troubles of several sizes are found, in plants that have no others."""
    found, asked, places = Counter(), Counter(), Counter()
    for seed in seeds:
        stranger = make_stranger(place / f"step{seed}", Kind(), seed)
        edit(stranger, step_up)
        of = causes_of(stranger.folder)
        for n, family in enumerate(stranger.families):
            told = [c for c in of.of(family.name) if c.measurement == "m00" and c.kind in MOVES]
            asked["step", STEPS[n]] += 1
            found["step", STEPS[n]] += bool(told)
            # Lots are a day and a half each from the second of March on.
            middle = pd.Timestamp("2026-03-02") + pd.Timedelta(days=1.5 * family.kind.lots / 2)
            days = [abs((pd.Timestamp(d) - middle).days) for c in told for d in c.days]
            places[STEPS[n]] += bool(days) and min(days) <= 2
        others = [c for c in of.found if c.kind in MOVES and c.measurement != "m00"]
        found["step", "elsewhere"] += len(others)
        stranger = make_stranger(place / f"calls{seed}", Kind(), seed)
        edit(stranger, miscall)
        of = causes_of(stranger.folder)
        for n, family in enumerate(stranger.families):
            asked["unexplained", UNEXPLAINED[n]] += 1
            told = any(c.kind == "unexplained" for c in of.of(family.name))
            found["unexplained", UNEXPLAINED[n]] += told
        for gauge in GAUGES:
            gauged(place / f"gauge{seed}-{gauge}", seed, gauge, found, asked)
        print(seed, flush=True)
    for key in sorted(asked, key=str):
        print(*key, f"{found[key]} of {asked[key]}", f"place {places[key[1]]}" * (key[0] == "step"))
    print("steps found elsewhere", found["step", "elsewhere"])


MOVES = ("moved", "drift")


def gauged(folder: Path, seed: int, gauge: float, found: Counter, asked: Counter) -> None:
    """Count limits told of as not repeating, by what share truly does not."""
    kind = Kind(lot_shift=0.0, freedom=1e6)
    stranger = make_stranger(folder, kind, seed)
    path = folder / "plant.toml"
    lines = path.read_text().splitlines()
    scales = iter(stranger.families[0].scale)
    path.write_text(
        "\n".join(
            f"repeatability = {next(scales) * gauge:g}" if x.startswith("repeatability") else x
            for x in lines
        )
    )
    of = causes_of(folder)
    told = {(c.family, c.measurement, c.side) for c in of.found if c.kind == "flicker"}
    for family in stranger.families:
        for i, (scale, centre) in enumerate(zip(family.scale, family.centre, strict=True)):
            for side, limit in (("lower", family.lower[i]), ("upper", family.upper[i])):
                z = abs(limit - centre) / scale
                if not np.isfinite(z):
                    continue
                share = unrepeated(z, gauge)
                key = ("flicker", next(x for x in SHARES if share < x))
                asked[key] += 1
                found[key] += (family.name, f"m{i:02d}", side) in told


def main(seeds: list[int], which: list[str]) -> None:
    """Print the tables asked for."""
    kinds = [name for name in which if name in KINDS]
    parts = {
        "strangers": lambda place: strangers(place, seeds, kinds or list(KINDS)),
        "demos": lambda place: demos(place, seeds),
        "laid": lambda place: laid(place, seeds),
    }
    asked = [name for name in parts if name in which] or (["strangers"] if kinds else list(parts))
    with tempfile.TemporaryDirectory() as place:
        for name in asked:
            parts[name](Path(place))


if __name__ == "__main__":
    main([int(s) for s in sys.argv[1].split(",")], sys.argv[2:])
