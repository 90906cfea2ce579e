"""What lots do to the items of a family: shifts, supplier, defects in abundance."""

from dataclasses import dataclass

import numpy as np

from optimiser.demo import streams
from optimiser.demo.lots import Lots
from optimiser.demo.plan import DemoPlant, Plan
from optimiser.demo.process import Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """What lots do to a family: shifts (t, k), part (t,), rate multipliers (t, j)."""

    shift: Floats
    part: Ints
    multiplier: Floats


def draw_effects(plan: Plan, n: int, rng: np.random.Generator) -> Effects:
    """Return what n lots do to a family; a bad lot has one kind of defect in abundance."""
    k, j = len(plan.process.names), len(plan.process.kinds)
    bad = rng.random(n) < 0.08
    worst = rng.integers(j, size=n)
    abundance = np.where(bad[:, None] & (worst[:, None] == np.arange(j)), 7.0, 1.0)
    # Mean 1, so that the rate of a family is what its table says.
    abundance /= 1.0 + 6.0 * 0.08 / j
    return Effects(
        shift=rng.normal(0.0, 0.22, (n, k)) * np.where(bad, 1.8, 1.0)[:, None],
        part=(rng.random(n) < 0.35).astype(np.int64) * (len(plan.places.parts) - 1),
        multiplier=abundance * rng.gamma(3.0, 1 / 3, (n, 1)),
    )


def draw_lots(plant: DemoPlant) -> tuple[list[Effects], list[Ints]]:
    """Return every family's lot effects and numbers of defects by lot."""
    effects: list[Effects] = []
    counts: list[Ints] = []
    for index, plan in enumerate(plant.plans):
        rng = np.random.default_rng([plant.seed, streams.LOTS, index])
        effects.append(draw_effects(plan, len(plant.lots.day), rng))
        rng = np.random.default_rng([plant.seed, streams.COUNTS, index])
        counts.append(_draw_counts(plan, plant.lots, effects[-1], rng))
    return effects, counts


def _draw_counts(plan: Plan, lots: Lots, effects: Effects, rng: np.random.Generator) -> Ints:
    """Return how many true defects of each kind a lot holds, shape (t, j)."""
    items = lots.boards * plan.places.counts[lots.product]
    expected = items[:, None] * effects.multiplier * plan.process.rates
    if not plan.process.family.few:
        return rng.poisson(expected)
    total = round(float((items[:, None] * plan.process.rates).sum()))
    flat = rng.multinomial(total, (expected / expected.sum()).ravel())
    return flat.reshape(expected.shape)
