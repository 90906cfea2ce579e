"""A made-up plant whose truth is known: goods, defects of unequal kinds, one-sided labels.

Six measurements, eight limits (two measurements have a lower limit as well). Goods are
heavy-tailed, correlated, and drift a little from lot to lot. Defect kinds differ in how
often they come, which measurements they move, how far and how widely. Items are drawn anew
for the history and for the truth, from the same plant.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from optimiser.search.descent import Terrain, best_of
from optimiser.search.problem import Problem, is_called

MEASUREMENTS = 6
# Coordinates of the limits: upper limits of all six, lower limits of the first two.
SIDES = ((0, 1), (1, 1), (2, 1), (3, 1), (4, 1), (5, 1), (0, -1), (1, -1))
FREEDOM = 6.0
LOT_SHIFT = 0.15
REPEATABILITY = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plant:
    """Kinds of defect: how often, where their centre lies, how far they scatter, their price."""

    share: np.ndarray  # (kinds,)
    centre: np.ndarray  # (kinds, 6), standard deviations of the goods
    scatter: np.ndarray  # (kinds, 6)
    price: np.ndarray  # (kinds,), relative
    mixing: np.ndarray  # (6, 6), a square root of the goods' correlation
    levels: np.ndarray  # (k,), the same settable levels for every limit


def make_plant(
    seed: int, *, kinds: int = 5, heavy: bool = True, priced: bool = False, evenness: float = 1.5
) -> Plant:
    """Draw a plant: a few defect kinds, each moving one to three measurements."""
    rng = np.random.default_rng([seed, 1])
    share = rng.dirichlet(np.full(kinds, evenness))
    centre = np.zeros((kinds, MEASUREMENTS))
    for kind in range(kinds):
        moved = rng.choice(MEASUREMENTS, size=rng.integers(1, 4), replace=False)
        sign = np.where((moved < 2) & (rng.random(moved.size) < 0.4), -1.0, 1.0)
        centre[kind, moved] = sign * rng.uniform(2.5, 6.0, moved.size)
    scatter = np.where(centre != 0, rng.uniform(0.8, 2.0, (kinds, 1)), 1.0)
    correlation = np.full((MEASUREMENTS, MEASUREMENTS), 0.2) + 0.8 * np.eye(MEASUREMENTS)
    return Plant(
        share=share,
        centre=centre,
        scatter=scatter,
        price=rng.choice([0.5, 1.0, 2.0], size=kinds) if priced else np.ones(kinds),
        mixing=np.linalg.cholesky(correlation) * (1.0 if heavy else -1.0),
        levels=np.append(np.arange(2.0, 7.01, 0.1), np.inf),
    )


def draw_goods(plant: Plant, rng: np.random.Generator, lot: np.ndarray, lots: int) -> np.ndarray:
    """Coordinates of goods, one row per entry of `lot`; shape (n, 8)."""
    normal = rng.standard_normal((lot.size, MEASUREMENTS)) @ np.abs(plant.mixing).T
    if plant.mixing[0, 0] > 0:
        tail = rng.chisquare(FREEDOM, (lot.size, 1)) / (FREEDOM - 2.0)
        normal = normal / np.sqrt(tail)
    shift = rng.normal(0.0, LOT_SHIFT, (lots, MEASUREMENTS))
    return _sides(normal + shift[lot])


def draw_defects(plant: Plant, rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates of defects, shape (n, 8), and their kinds."""
    kind = rng.choice(plant.share.size, size=n, p=plant.share)
    x = plant.centre[kind] + plant.scatter[kind] * rng.standard_normal((n, MEASUREMENTS))
    return _sides(x), kind


def _sides(x: np.ndarray) -> np.ndarray:
    return np.stack([sign * x[:, i] for i, sign in SIDES], axis=1)


def ranks_of(plant: Plant, z: np.ndarray) -> np.ndarray:
    """How many levels call each item at each limit; shape (n, 8)."""
    return np.searchsorted(plant.levels, z, side="left").astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What settings cost in the long run, per good and per defect."""

    ranks: np.ndarray  # (s, 8) contested goods, distinct
    counts: np.ndarray  # (s,)
    goods: int
    defect_ranks: np.ndarray  # (r, 8)
    price: np.ndarray  # (r,) relative

    def rates(self, setting: np.ndarray) -> tuple[float, float, float]:
        """False calls per good, escapes per defect, price of escapes per defect."""
        called = is_called(setting, self.ranks) @ self.counts
        missed = ~is_called(setting, self.defect_ranks)
        return called / self.goods, float(missed.mean()), float(missed @ self.price) / missed.size


def make_truth(plant: Plant, seed: int, *, goods: int = 600_000, defects: int = 60_000) -> Truth:
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
    goods: int = 20_000,
    lots: int = 20,
    weight_of_escapes: float = 0.2,
    live: float = 3.5,
    one_sided: bool = False,
    found_downstream: float = 0.3,
    reviewed_rightly: float = 0.95,
) -> History:
    """Draw one history.

    Escapes are priced so that all defects escaping costs `weight_of_escapes` times reviewing
    every good, whatever their number: so the best setting is the same at every number of
    labels. With `one_sided` labels a defect is labelled when the live limits call it and the
    reviewer sees it, or else when it is found downstream.
    """
    rng = np.random.default_rng([seed, 3])
    lot = np.sort(rng.integers(0, lots, goods))
    ranks = ranks_of(plant, draw_goods(plant, rng, lot, lots))
    z, kind = draw_defects(plant, rng, defects)
    live_setting = np.full(len(SIDES), int(np.argmin(np.abs(plant.levels - live))))
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
        levels=(plant.levels,) * len(SIDES),
        live=live_setting,
        spread=np.ones(len(SIDES)),
        repeatability=np.full(len(SIDES), REPEATABILITY),
        ranks=distinct,
        counts=counts,
        always=np.zeros(lots, dtype=np.int64),
        defect_ranks=defect_ranks[kept],
        defect_z=z[kept],
        defect_lot=np.sort(rng.integers(0, lots, defects))[kept],
        defect_weight=weight[kept],
        defect_price=plant.price[kind][kept] * weight_of_escapes * goods / defects,
        defect_called=(called & one_sided)[kept],
        kin_z=np.empty((0, len(SIDES))),
        kin_price=np.empty(0),
        must_ranks=np.empty((0, len(SIDES)), dtype=np.int64),
        false_call_cost=1.0,
        miss_rate=0.0,
    )
    return History(problem=problem, goods=goods, defects=defects)


def true_cost(truth: Truth, setting: np.ndarray, weight_of_escapes: float = 0.2) -> float:
    """Expected cost of a setting per good of a history, in reviews."""
    false_rate, _, escape_price = truth.rates(setting)
    return false_rate + weight_of_escapes * escape_price


def best_attainable(truth: Truth, levels: np.ndarray, weight_of_escapes: float = 0.2) -> np.ndarray:
    """The setting that costs least in the long run, by descent on the truth from many starts."""
    k = levels.size
    steps = (np.arange(k)[:, None] >= np.arange(k + 1)[None, :]).astype(float)
    passing = tuple(steps[:, column] for column in truth.defect_ranks.T)
    terrain = Terrain(
        ranks=np.ascontiguousarray(truth.ranks.T),
        review=truth.counts[:, None] / truth.goods,
        review_always=np.zeros(1),
        passing=passing,
        escape=(weight_of_escapes * truth.price / truth.price.size)[:, None],
        must=np.empty((0, len(SIDES)), dtype=np.int64),
        worst=0.0,
    )
    every = np.ones(len(SIDES), dtype=bool)
    rng = np.random.default_rng(0)
    starts = [np.full(len(SIDES), j) for j in (0, 10, 15, 20, 25, 30)]
    starts += [rng.integers(5, 40, len(SIDES)) for _ in range(4)]
    return best_of(terrain, starts, every)
