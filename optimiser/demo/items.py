"""The items of a day, good and defective, as the demo's machines measure and call them."""

from dataclasses import dataclass, fields

import numpy as np

from optimiser.demo import streams
from optimiser.demo.effects import Effects
from optimiser.demo.families import FamilyPlan
from optimiser.demo.limits import is_called
from optimiser.demo.lots import Lots
from optimiser.demo.plan import DemoPlant, Plan
from optimiser.demo.process import (
    GOOD,
    Bools,
    Floats,
    Ints,
    Singles,
    draw_items,
    global_kinds,
    widen,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Items:
    """The items of a day, n rows; `values` has one column per entry of `MEASUREMENTS`."""

    family: Ints
    place: Ints
    lot: Ints
    board: Ints
    kind: Ints
    severity: Floats
    values: Singles
    called: Bools


def draw_day(plant: DemoPlant, day: int, effects: list[Effects], counts: list[Ints]) -> Items:
    """Return all items of a day, family after family."""
    lots = np.flatnonzero(plant.lots.day == day)
    parts = [
        _draw_family_day(plant, index, lots, effects=effects[index], counts=counts[index])
        for index in range(len(plant.plans))
    ]
    return Items(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(Items)
        }
    )


def _draw_family_day(
    plant: DemoPlant, index: int, lots: Ints, *, effects: Effects, counts: Ints
) -> Items:
    """Return one family's items of the lots of a day, board after board."""
    plan, day = plant.plans[index], int(plant.lots.day[lots[0]])
    rng = np.random.default_rng([plant.seed, streams.DAY, day, index])
    pieces = [_lay_lot(plan, plant.lots, int(t), int(effects.part[t])) for t in lots]
    place = np.concatenate([piece[0] for piece in pieces])
    board = np.concatenate([piece[1] for piece in pieces])
    lot = np.repeat(lots, [len(piece[0]) for piece in pieces])
    kind = np.concatenate(
        [_strew(len(p[0]), counts[t], rng) for p, t in zip(pieces, lots, strict=True)]
    )
    severity, values = draw_values(
        plant, plan, place, lot=lot, lot_shift=effects.shift[lot], kind=kind, rng=rng
    )
    return Items(
        family=np.full(len(place), index),
        place=place + plan.first_place,
        lot=lot,
        board=board,
        kind=np.where(kind == GOOD, GOOD, global_kinds(plan.process)[kind]),
        severity=severity,
        values=widen(plan.process, values),
        called=is_called(values, plan.lower[place], plan.upper[place]),
    )


def _lay_lot(plan: Plan, lots: Lots, lot: int, part: int) -> tuple[Ints, Ints]:
    """Return place and board (within the day) of each of a lot's items."""
    product, boards = int(lots.product[lot]), int(lots.boards[lot])
    count = int(plan.places.counts[product])
    start = int(plan.places.starts[product, part])
    first = int(lots.first_board[lot])
    return (
        np.tile(np.arange(start, start + count), boards),
        np.repeat(np.arange(first, first + boards), count),
    )


def _strew(n: int, counts: Ints, rng: np.random.Generator) -> Ints:
    """Return the kinds of n items of a lot: `GOOD` but for `counts` of each kind."""
    kind = np.full(n, GOOD, dtype=np.int64)
    defects = np.repeat(np.arange(len(counts)), counts)[: n // 2]
    if len(defects):
        kind[rng.choice(n, size=len(defects), replace=False)] = defects
    return kind


def draw_values(
    plant: DemoPlant,
    plan: Plan,
    place: Ints,
    *,
    lot: Ints,
    lot_shift: Floats,
    kind: Ints,
    rng: np.random.Generator,
) -> tuple[Floats, Singles]:
    """Return severities, shape (n,), and measured values, shape (n, k), of one family's items.

    `place`, `lot` and `kind` have shape (n,), `lot_shift`, what the lots add to the latent,
    shape (n, k); history and truth both draw here.
    """
    severity = _draw_severity(plan.process.family, kind, rng)
    shifts = plan.places.shift[place] + plan.line_shift[plant.lots.line[lot]] + lot_shift
    if plan.process.family.drift:
        drift = plant.drift[plant.lots.day[lot]]
        shifts += drift[:, None] * plan.process.latent(plan.process.family.drift)
    values = draw_items(plan.process, shifts=shifts, kinds=kind, severity=severity, rng=rng)
    return severity, values


def _draw_severity(family: FamilyPlan, kind: Ints, rng: np.random.Generator) -> Floats:
    """Return severities, nan for goods; where defects are few they are plain to see."""
    severity = np.full(len(kind), np.nan)
    bad = kind != GOOD
    centre, width = (0.55, 0.15) if family.few else (0.34, 0.33)
    severity[bad] = np.exp(rng.normal(centre, width, int(bad.sum())))
    return severity
