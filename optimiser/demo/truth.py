"""Large fresh samples of the demo's processes, to hold a promise made from its history against."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from optimiser.demo import streams
from optimiser.demo.effects import Effects, draw_effects
from optimiser.demo.families import FAMILIES
from optimiser.demo.items import draw_values
from optimiser.demo.limits import is_called
from optimiser.demo.lots import FIRST_DAY
from optimiser.demo.plan import DemoPlant, Plan, build_plant, family_limits, refuse_below
from optimiser.demo.process import GOOD, Floats, Ints, Singles
from optimiser.errors import UsageError, nearest

_POOL_LOTS = 4096


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TruthSample:
    """A large fresh sample of one family's process, for judging a promise.

    Shape letters: k measurements, n goods, d defects, p places.

    Parameters
    ----------
    family : str
        Its name.
    measurements : tuple of str
        The k measurements.
    goods : ndarray of float32, shape (n, k)
        Values of good items; nan where not measured.
    good_place : ndarray of int, shape (n,)
        Row of `own_lower` and `own_upper`.
    defects : ndarray of float32, shape (d, k)
        Values of true defects.
    defect_place : ndarray of int, shape (d,)
        Row of `own_lower` and `own_upper`.
    defect_type : tuple of str
        The d kinds of defect.
    own_lower, own_upper : ndarrays of float32, shape (p, k)
        Limits that overrides set for a place, ±inf for no limit; nan where the family's
        limit is in force.
    live_lower, live_upper : ndarrays of float32, shape (k,)
        The family's limits in the written recipe, ±inf for no limit.
    expected_goods, expected_defects : float
        How many of each a history of that seed and length holds on average.
    """

    family: str
    measurements: tuple[str, ...]
    goods: Singles
    good_place: Ints
    defects: Singles
    defect_place: Ints
    defect_type: tuple[str, ...]
    own_lower: Singles
    own_upper: Singles
    live_lower: Singles
    live_upper: Singles
    expected_goods: float
    expected_defects: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueOutcome:
    """What a setting truly does over one span of history, on average."""

    escapes: float
    false_calls: float
    escapes_by_type: dict[str, float]


def demo_truth(
    *,
    seed: int = 7,
    days: int = 60,
    items_per_day: int = 25_000,
    lines: int = 2,
    n_defects: int = 20_000,
    n_goods: int = 200_000,
    families: Iterable[str] | None = None,
) -> dict[str, TruthSample]:
    """Return large fresh samples of the processes behind a demo history.

    Every good and every defect comes from a lot of its own drawing, with the schedule,
    parts, places and drift of the history that `write_demo` writes for the same arguments.

    Parameters
    ----------
    seed, days, items_per_day, lines : int
        As given to `write_demo`.
    n_defects, n_goods : int
        Size of each family's sample.
    families : iterable of str, optional
        Only these; all when left out.

    Returns
    -------
    dict of str to TruthSample
        By family.

    Raises
    ------
    UsageError
        If a number is too small or a family is not one of the demo's.
    """
    plant = build_plant(
        seed=seed, days=days, items_per_day=items_per_day, lines=lines, first_day=FIRST_DAY
    )
    refuse_below(1, n_defects=n_defects, n_goods=n_goods)
    known = [family.name for family in FAMILIES]
    wanted = known if families is None else list(families)
    for name in wanted:
        if name not in known:
            message = f"unknown demo family {name!r}; {nearest(name, known)}"
            raise UsageError(message)
    return {name: _sample(plant, known.index(name), n_goods, n_defects) for name in wanted}


def true_outcome(sample: TruthSample, *, lower: Floats, upper: Floats) -> TrueOutcome:
    """Return the escapes and false calls a setting truly makes over the history's span.

    Parameters
    ----------
    sample : TruthSample
        Of the family.
    lower, upper : array-like, shape (k,)
        The family's limits in the order of `sample.measurements`; ±inf for no limit.
        Overrides of a part or a designator stay in force.

    Returns
    -------
    TrueOutcome
        Expected numbers of items.

    Raises
    ------
    ValueError
        If there is not one limit a side for every measurement.
    """
    k = len(sample.measurements)
    if np.shape(lower) != (k,) or np.shape(upper) != (k,):
        message = (
            f"lower and upper must hold {k} limits each for {sample.family} "
            f"({', '.join(sample.measurements)}), got shapes {np.shape(lower)}, {np.shape(upper)}"
        )
        raise ValueError(message)
    low = np.where(np.isnan(sample.own_lower), np.asarray(lower, np.float32), sample.own_lower)
    high = np.where(np.isnan(sample.own_upper), np.asarray(upper, np.float32), sample.own_upper)
    false = is_called(sample.goods, low[sample.good_place], high[sample.good_place])
    called = is_called(sample.defects, low[sample.defect_place], high[sample.defect_place])
    each = sample.expected_defects / len(sample.defects)
    kinds, numbers = np.unique(np.array(sample.defect_type)[~called], return_counts=True)
    return TrueOutcome(
        escapes=each * float((~called).sum()),
        false_calls=sample.expected_goods * float(false.mean()),
        escapes_by_type={str(k): each * int(n) for k, n in zip(kinds, numbers, strict=True)},
    )


def _sample(plant: DemoPlant, index: int, n_goods: int, n_defects: int) -> TruthSample:
    """Return a family's truth: a pool of fresh lots, goods and defects picked from it."""
    plan = plant.plans[index]
    rng = np.random.default_rng([plant.seed, streams.TRUTH, index])
    items = plant.lots.boards * plan.places.counts[plant.lots.product]
    pool = rng.choice(len(items), size=_POOL_LOTS, p=items / items.sum())
    effects = draw_effects(plan, _POOL_LOTS, rng)
    weight = effects.multiplier * plan.process.rates
    j = len(plan.process.kinds)
    picked = rng.choice(weight.size, size=n_defects, p=(weight / weight.sum()).ravel())
    chosen = rng.integers(_POOL_LOTS, size=n_goods)
    bad_place, bads = _draw_pool(
        plant, plan, (pool, effects), chosen=picked // j, kind=picked % j, rng=rng
    )
    good_place, goods = _draw_pool(
        plant, plan, (pool, effects), chosen=chosen, kind=np.full(n_goods, GOOD), rng=rng
    )
    lower, upper = family_limits(plan)
    rate, nan = float(plan.process.rates.sum()), np.float32(np.nan)
    return TruthSample(
        family=plan.process.family.name,
        measurements=plan.process.names,
        goods=goods,
        good_place=good_place,
        defects=bads,
        defect_place=bad_place,
        defect_type=tuple(plan.process.kinds[i] for i in picked % j),
        own_lower=np.where(plan.lower == lower, nan, plan.lower),
        own_upper=np.where(plan.upper == upper, nan, plan.upper),
        live_lower=lower,
        live_upper=upper,
        expected_goods=float(items.sum()) * (1 - rate),
        expected_defects=float(items.sum()) * rate,
    )


def _draw_pool(
    plant: DemoPlant,
    plan: Plan,
    pool: tuple[Ints, Effects],
    *,
    chosen: Ints,
    kind: Ints,
    rng: np.random.Generator,
) -> tuple[Ints, Singles]:
    """Return places and values of items of the chosen lots of a pool."""
    lots, effects = pool
    lot = lots[chosen]
    product = plant.lots.product[lot]
    place = plan.places.starts[product, effects.part[chosen]]
    place = place + rng.integers(plan.places.counts[product])
    _, values = draw_values(
        plant, plan, place, lot=lot, lot_shift=effects.shift[chosen], kind=kind, rng=rng
    )
    return place, values
