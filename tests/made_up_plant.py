"""A made-up plant whose truth is known: goods, defects of unequal kinds, one-sided labels.

Six measurements with an upper limit each, some with a lower one as well. Goods are
heavy-tailed, correlated, and drift a little from lot to lot. Defect kinds differ in how
often they come, which measurements they move, how far and how widely. Items are drawn anew
for the history and for the truth, from the same plant.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from optimiser.search.descent import Terrain, best_of
from optimiser.search.problem import Problem
from optimiser.tally.count import is_called

MEASUREMENTS = 6
FREEDOM = 6.0  # of the goods' heavy tails
LOT_SHIFT = 0.15
REPEATABILITY = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plant:
    """What a plant's goods and defects are drawn from."""

    sides: tuple[tuple[int, int], ...]  # (measurement, +1 upper or -1 lower) of each limit
    share: np.ndarray  # (kinds,) how often each kind of defect comes
    centre: np.ndarray  # (kinds, 6) standard deviations of the goods
    scatter: np.ndarray  # (kinds, 6)
    price: np.ndarray  # (kinds,) relative
    mixing: np.ndarray  # (6, 6) a square root of the goods' correlation
    levels: np.ndarray  # (k,) the same settable levels for every limit
    escape_weight: float  # all defects escaping costs this much of reviewing every good


def make_plant(
    seed: int,
    *,
    kinds: int = 4,
    evenness: float = 4.0,
    lower: int = 0,
    escape_weight: float = 0.05,
    priced: bool = False,
) -> Plant:
    """Draw a plant: a few defect kinds, each moving one to three measurements.

    As given by default, the best count of 10 / 20 / 40 / 100 labels costs about what
    design.md 5.3 says it costs.
    """
    rng = np.random.default_rng([seed, 1])
    share = rng.dirichlet(np.full(kinds, evenness))
    centre = np.zeros((kinds, MEASUREMENTS))
    for kind in range(kinds):
        moved = rng.choice(MEASUREMENTS, size=rng.integers(1, 4), replace=False)
        sign = np.where((moved < lower) & (rng.random(moved.size) < 0.4), -1.0, 1.0)
        centre[kind, moved] = sign * rng.uniform(2.5, 6.0, moved.size)
    correlation = np.full((MEASUREMENTS, MEASUREMENTS), 0.2) + 0.8 * np.eye(MEASUREMENTS)
    return Plant(
        sides=tuple((i, 1) for i in range(MEASUREMENTS)) + tuple((i, -1) for i in range(lower)),
        share=share,
        centre=centre,
        scatter=np.where(centre != 0, rng.uniform(0.8, 2.0, (kinds, 1)), 1.0),
        price=rng.choice([0.5, 1.0, 2.0], size=kinds) if priced else np.ones(kinds),
        mixing=np.linalg.cholesky(correlation),
        levels=np.append(np.arange(2.0, 7.01, 0.1), np.inf),
        escape_weight=escape_weight,
    )


def make_harder_plant(seed: int) -> Plant:
    """Draw a plant with rare kinds and two lower limits, where false calls matter less."""
    return make_plant(seed, kinds=5, evenness=1.5, lower=2, escape_weight=0.2)


def draw_goods(plant: Plant, rng: np.random.Generator, lot: np.ndarray, lots: int) -> np.ndarray:
    """Coordinates of goods, one row per entry of `lot`; shape (n, m)."""
    normal = rng.standard_normal((lot.size, MEASUREMENTS)) @ plant.mixing.T
    tail = rng.chisquare(FREEDOM, (lot.size, 1)) / (FREEDOM - 2.0)
    shift = rng.normal(0.0, LOT_SHIFT, (lots, MEASUREMENTS))
    return _sides(plant, normal / np.sqrt(tail) + shift[lot])


def draw_defects(plant: Plant, rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates of defects, shape (n, m), and their kinds."""
    kind = rng.choice(plant.share.size, size=n, p=plant.share)
    x = plant.centre[kind] + plant.scatter[kind] * rng.standard_normal((n, MEASUREMENTS))
    return _sides(plant, x), kind


def _sides(plant: Plant, x: np.ndarray) -> np.ndarray:
    return np.stack([sign * x[:, i] for i, sign in plant.sides], axis=1)


def ranks_of(plant: Plant, z: np.ndarray) -> np.ndarray:
    """How many levels call each item at each limit; shape (n, m)."""
    return np.searchsorted(plant.levels, z, side="left").astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What settings cost in the long run, per good and per defect."""

    ranks: np.ndarray  # (s, m) contested goods, distinct
    counts: np.ndarray  # (s,)
    goods: int
    defect_ranks: np.ndarray  # (r, m)
    price: np.ndarray  # (r,) relative

    def rates(self, setting: np.ndarray) -> tuple[float, float, float]:
        """False calls per good, escapes per defect, price of escapes per defect."""
        called = is_called(setting, self.ranks) @ self.counts
        missed = ~is_called(setting, self.defect_ranks)
        return called / self.goods, float(missed.mean()), float(missed @ self.price) / missed.size


def make_truth(plant: Plant, seed: int, *, goods: int = 600_000, defects: int = 40_000) -> Truth:
    """Draw the long run of a plant: as many lots as matter, each with its own shift."""
    rng = np.random.default_rng([seed, 2])
    lots = 400
    ranks = ranks_of(plant, draw_goods(plant, rng, np.arange(goods) % lots, lots))
    distinct, counts = np.unique(ranks[ranks.any(axis=1)], axis=0, return_counts=True)
    z, kind = draw_defects(plant, rng, defects)
    return Truth(
        ranks=distinct,
        counts=counts,
        goods=goods,
        defect_ranks=ranks_of(plant, z),
        price=plant.price[kind],
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """A problem made from a plant, with what the plant's truth is scaled by."""

    problem: Problem
    goods: int
    defects: int  # in truth, labelled or not


def make_history(
    plant: Plant,
    seed: int,
    *,
    defects: int,
    goods: int = 100_000,
    lots: int = 40,
    live: float = 3.5,
    one_sided: bool = False,
    found_downstream: float = 0.3,
    reviewed_rightly: float = 0.95,
) -> History:
    """Draw one history.

    Escapes are priced so that all defects escaping costs `plant.escape_weight` times reviewing
    every good, whatever their number: so the best setting is the same at every number of
    labels. With `one_sided` labels a defect is labelled when the live limits call it and the
    reviewer sees it, or else when it is found downstream.
    """
    rng = np.random.default_rng([seed, 3])
    lot = np.sort(rng.integers(0, lots, goods))
    ranks = ranks_of(plant, draw_goods(plant, rng, lot, lots))
    z, kind = draw_defects(plant, rng, defects)
    live_setting = np.full(len(plant.sides), int(np.argmin(np.abs(plant.levels - live))))
    defect_ranks = ranks_of(plant, z)
    called = is_called(live_setting, defect_ranks) & (rng.random(defects) < reviewed_rightly)
    found = ~called & (rng.random(defects) < found_downstream)
    kept = called | found if one_sided else np.ones(defects, dtype=bool)
    contested = ranks.any(axis=1)
    distinct, inverse = np.unique(ranks[contested], axis=0, return_inverse=True)
    counts = csr_array(
        (np.ones(contested.sum(), dtype=np.int64), (inverse.ravel(), lot[contested])),
        shape=(len(distinct), lots),
    )
    counts.sum_duplicates()
    weight = np.where(called, 1.0, 1.0 / found_downstream) if one_sided else np.ones(defects)
    problem = Problem(
        levels=(plant.levels,) * len(plant.sides),
        live=live_setting,
        last=np.full(len(plant.sides), plant.levels.size - 1),
        spread=np.ones(len(plant.sides)),
        repeatability=np.full(len(plant.sides), REPEATABILITY),
        ranks=distinct,
        counts=counts,
        always=np.zeros(lots, dtype=np.int64),
        defect_ranks=defect_ranks[kept],
        defect_z=z[kept],
        defect_lot=np.sort(rng.integers(0, lots, defects))[kept],
        defect_weight=weight[kept],
        defect_price=plant.price[kind][kept] * plant.escape_weight * goods / defects,
        defect_called=(called & one_sided)[kept],
        kin_z=np.empty((0, len(plant.sides))),
        kin_price=np.empty(0),
        must_ranks=np.empty((0, len(plant.sides)), dtype=np.int64),
        false_call_cost=1.0,
        miss_rate=0.0,
    )
    return History(problem=problem, goods=goods, defects=defects)


def true_cost(plant: Plant, truth: Truth, setting: np.ndarray) -> float:
    """Expected cost of a setting per good of a history, in reviews."""
    false_rate, _, escape_price = truth.rates(setting)
    return false_rate + plant.escape_weight * escape_price


def best_attainable(plant: Plant, truth: Truth) -> np.ndarray:
    """The setting that costs least in the long run, by descent on the truth from many starts."""
    k, m = plant.levels.size, len(plant.sides)
    steps = (np.arange(k)[:, None] >= np.arange(k + 1)[None, :]).astype(float)
    terrain = Terrain(
        ranks=np.ascontiguousarray(truth.ranks.T),
        review=truth.counts[:, None] / truth.goods,
        review_always=np.zeros(1),
        passing=tuple(steps[:, column] for column in truth.defect_ranks.T),
        escape=(plant.escape_weight * truth.price / truth.price.size)[:, None],
        must=np.empty((0, m), dtype=np.int64),
        last=np.full(m, k - 1),
        worst=0.0,
    )
    rng = np.random.default_rng(0)
    starts = [np.full(m, j) for j in (0, 10, 15, 20, 25, 30)]
    starts += [rng.integers(5, 40, m) for _ in range(4)]
    return best_of(terrain, starts, np.ones(m, dtype=bool))
