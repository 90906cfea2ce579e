"""An invented plant: a history of any length whose truth is known.

`write_demo` writes a plant file, a recipe, a must-catch set, a history and, apart from it,
the truth. `demo_truth` draws large fresh samples of the same processes, so that a promise
made from the history can be held against what the plant really does.

A board holds every place of its product, a lot is one run of one product on one line, and a
day is drawn by itself from its own stream of random numbers: memory stays that of one day,
and a day's content does not depend on the order in which days are drawn.

It knows nothing of tallies, searches or proposals.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
from numpy.typing import NDArray

from optimiser.errors import UsageError, nearest
from optimiser.history.demo_families import (
    DEFECTS,
    ESCAPE_COST,
    FAMILIES,
    GOOD,
    LIVE,
    MEASUREMENTS,
    Family,
    Floats,
    Ints,
    Process,
    Singles,
    build_process,
    draw_items,
    middle_at,
)

Bools = NDArray[np.bool_]

PLANT_NAME = "Saltmarsh Works (invented)"
PRODUCTS = ("TERN", "CURLEW", "WIGEON")
FIRST_DAY = date(2026, 1, 5)
STATIONS = {"paste": ("PI", 0), "pre-reflow": ("PR", 4), "post-reflow": ("PO", 14)}
"""Per stage: the station's letters and the minutes after the board entered the line."""

REVIEW_MISS, REVIEW_FALSE, UNREVIEWED = 0.05, 0.002, 0.005
TEST_COVERAGE, FIELD_COVERAGE = 0.30, 0.03
FOUND_BY = ("review", "test", "audit", "field")
KINDS = tuple(DEFECTS)

_SCHEDULE, _PLACES, _LIMITS, _LOTS, _COUNTS, _DAY, _LABELS, _MUST, _TRUTH = range(21, 30)
_POOL_LOTS = 4096
_MICROSECONDS_PER_DAY = 86_400_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyCount:
    """What the demo history holds of one family."""

    family: str
    items: int
    called: int
    true_defects: int
    true_called: int
    labelled_defects: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSummary:
    """What `write_demo` wrote.

    `true_called` counts the true defects among the called items; `labelled_defects` the
    items whose verdict is ``defect``, the few wrongly labelled goods included.
    """

    rows: int
    called: int
    true_defects: int
    true_called: int
    labelled_defects: int
    families: tuple[FamilyCount, ...]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One row of the recipe."""

    scope: str
    name: str
    measurement: str
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Places:
    """A family's places, p of them, ordered by product, then part.

    `starts` and `counts` have shape (products, parts) and (products,): a board of product
    a whose reel is part b holds places ``starts[a, b] : starts[a, b] + counts[a]``.
    """

    product: Ints
    part: Ints
    designator: tuple[str, ...]
    pin: tuple[str | None, ...]
    parts: tuple[str, ...]
    starts: Ints
    counts: Ints
    shift: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Plan:
    """One family: process, places, its rows of the recipe and what they mean per place."""

    process: Process
    places: _Places
    rows: tuple[_Row, ...]
    lower: Singles
    upper: Singles
    line_shift: Floats
    first_place: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lots:
    """All lots in order of time, arrays of shape (t,); `first_board` counts within a day."""

    day: Ints
    line: Ints
    product: Ints
    boards: Ints
    first_board: Ints
    name: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Effects:
    """What lots do to a family: shifts (t, k), part (t,), rate multipliers (t, j)."""

    shift: Floats
    part: Ints
    multiplier: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Plant:
    """Everything fixed before the first item is drawn."""

    seed: int
    days: int
    lines: int
    first_day: date
    plans: tuple[_Plan, ...]
    lots: _Lots
    drift: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Items:
    """The items of a day, n rows; `values` has one column per entry of `MEASUREMENTS`."""

    family: Ints
    place: Ints
    lot: Ints
    board: Ints
    kind: Ints
    severity: Floats
    values: Singles
    called: Bools


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Labels:
    """What is known of the items of a day: codes, -1 for nothing, and weights."""

    verdict: Ints
    kind: Ints
    found_by: Ints
    weight: Floats


def write_demo(
    folder: Path,
    *,
    days: int = 60,
    items_per_day: int = 25_000,
    seed: int = 7,
    lines: int = 2,
    first_day: date = FIRST_DAY,
) -> DemoSummary:
    """Write an invented plant with its history and its truth.

    Parameters
    ----------
    folder : Path
        Made when missing. Receives ``plant.toml``, ``recipe.csv``, ``must_catch.csv``,
        ``history/day=YYYY-MM-DD/part.parquet`` and ``truth/day=YYYY-MM-DD/part.parquet``.
    days, lines : int
        Length of the history and number of lines, at least 1.
    items_per_day : int
        Over all lines, about: lots hold whole boards.
    seed : int
        Same arguments, same values.
    first_day : date
        Day of the first lot; times are UTC.

    Returns
    -------
    DemoSummary
        Counts of what was written.

    Raises
    ------
    UsageError
        If a number is too small or the folder already holds a history.
    """
    if (folder / "history").exists() or (folder / "truth").exists():
        message = f"{folder} already holds a history; choose another folder or remove it"
        raise UsageError(message)
    plant = _build_plant(
        seed=seed, days=days, items_per_day=items_per_day, lines=lines, first_day=first_day
    )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(_plant_text(), encoding="utf-8")
    (folder / "recipe.csv").write_text(_recipe_text(plant), encoding="utf-8")
    (folder / "must_catch.csv").write_text(_must_catch_text(plant), encoding="utf-8")
    return _write_days(plant, folder)


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
    plant = _build_plant(
        seed=seed, days=days, items_per_day=items_per_day, lines=lines, first_day=FIRST_DAY
    )
    for argument, size in (("n_defects", n_defects), ("n_goods", n_goods)):
        if size < 1:
            message = f"{argument} must be at least 1, got {size}"
            raise UsageError(message)
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
    false = _is_called(sample.goods, low[sample.good_place], high[sample.good_place])
    called = _is_called(sample.defects, low[sample.defect_place], high[sample.defect_place])
    each = sample.expected_defects / len(sample.defects)
    kinds, numbers = np.unique(np.array(sample.defect_type)[~called], return_counts=True)
    return TrueOutcome(
        escapes=each * float((~called).sum()),
        false_calls=sample.expected_goods * float(false.mean()),
        escapes_by_type={str(k): each * int(n) for k, n in zip(kinds, numbers, strict=True)},
    )


# --- what is fixed before the first item is drawn


def _build_plant(
    *, seed: int, days: int, items_per_day: int, lines: int, first_day: date
) -> _Plant:
    """Return the plant of a seed."""
    for name, value, least in (
        ("days", days, 1),
        ("lines", lines, 1),
        ("items_per_day", items_per_day, 1),
        ("seed", seed, 0),
    ):
        if value < least:
            message = f"{name} must be at least {least}, got {value}"
            raise UsageError(message)
    designators = _number_components()
    per_board = _items_per_board()
    plans: list[_Plan] = []
    first = 0
    for index in range(len(FAMILIES)):
        process = build_process(index, seed=seed, items_per_board=float(per_board.mean()))
        plan = _plan_family(index, process, designators, seed=seed, lines=lines, first_place=first)
        first += len(plan.places.product)
        plans.append(plan)
    boards = max(1, round(items_per_day / lines / float(per_board.mean())))
    return _Plant(
        seed=seed,
        days=days,
        lines=lines,
        first_day=first_day,
        plans=tuple(plans),
        lots=_schedule(seed=seed, days=days, lines=lines, boards=boards, first_day=first_day),
        drift=_drift_path(seed, days),
    )


def _items_per_board() -> Floats:
    """Return the number of items on a board of each product."""
    counts = np.array([np.array(f.places) * max(f.pins, 1) for f in FAMILIES], dtype=np.float64)
    return np.asarray(counts.sum(axis=0), dtype=np.float64)


def _number_components() -> dict[str, list[list[str]]]:
    """Return each family's designators by product, counted on within a prefix."""
    used: dict[tuple[str, int], int] = {}
    found: dict[str, list[list[str]]] = {}
    for family in FAMILIES:
        if family.host:
            hosts = found[family.host]
            found[family.name] = [hosts[p][:n] for p, n in enumerate(family.places)]
            continue
        found[family.name] = []
        for product, count in enumerate(family.places):
            start = used.get((family.prefix, product), 0)
            used[family.prefix, product] = start + count
            found[family.name].append([f"{family.prefix}{start + i + 1}" for i in range(count)])
    return found


def _plan_family(
    index: int,
    process: Process,
    designators: dict[str, list[list[str]]],
    *,
    seed: int,
    lines: int,
    first_place: int,
) -> _Plan:
    """Return a family's plan."""
    rng = np.random.default_rng([seed, _PLACES, index])
    places = _lay_places(process, designators[process.family.name], rng)
    rows = _live_rows(process, places, np.random.default_rng([seed, _LIMITS, index]))
    lower, upper = _limits_by_place(process, places, rows)
    return _Plan(
        process=process,
        places=places,
        rows=rows,
        lower=lower,
        upper=upper,
        line_shift=rng.normal(0.0, 0.12, (lines, len(process.names))),
        first_place=first_place,
    )


def _special_place(family: Family) -> tuple[int, int] | None:
    """Return product and component of the family's odd or excused designator."""
    return (1, 2) if family.odd_place else (2, 1) if family.excused_place else None


def _lay_places(process: Process, names: list[list[str]], rng: np.random.Generator) -> _Places:
    """Return the family's places; each has a small shift of its own, some a large one."""
    family = process.family
    suppliers = [process.latent({})]
    parts = [f"{family.part}-1180"]
    if family.second_supplier:
        suppliers.append(process.latent(family.second_supplier))
        parts.append(f"{family.part}-2240")
    pins: list[str | None] = [str(i + 1) for i in range(family.pins)]
    pins = pins or [None]
    special, extra = (
        _special_place(family),
        process.latent(family.odd_place or family.excused_place),
    )
    keys: list[tuple[int, int, str, str | None]] = []
    shifts: list[Floats] = []
    for product, components in enumerate(names):
        own = rng.normal(0.0, 0.1, (len(components) * len(pins), len(process.names)))
        if special and special[0] == product:
            own[special[1] * len(pins) : (special[1] + 1) * len(pins)] += extra
        for part, supplier in enumerate(suppliers):
            keys += [(product, part, name, pin) for name in components for pin in pins]
            shifts.append(own + supplier)
    counts = np.array([len(components) * len(pins) for components in names])
    before = np.concatenate([[0], np.cumsum(counts * len(parts))[:-1]])
    return _Places(
        product=np.array([key[0] for key in keys]),
        part=np.array([key[1] for key in keys]),
        designator=tuple(key[2] for key in keys),
        pin=tuple(key[3] for key in keys),
        parts=tuple(parts),
        starts=before[:, None] + counts[:, None] * np.arange(len(parts)),
        counts=counts,
        shift=np.concatenate(shifts),
    )


def _live_rows(process: Process, places: _Places, rng: np.random.Generator) -> tuple[_Row, ...]:
    """Return the family's rows of the live recipe, overrides last."""
    family, k = process.family, len(process.names)
    tightness = rng.uniform(*LIVE[family.live], (2, k))
    if family.live == "tight":
        relaxed = rng.random((2, k)) < 0.3
        tightness = np.where(relaxed, rng.uniform(1.25, 1.5, (2, k)), tightness)
    rows = [
        _row(
            process,
            i,
            ("family", family.name),
            middle=process.middle,
            tightness=tightness[:, i],
        )
        for i in range(k)
    ]
    for scope, name, shifts in _overrides(family, places):
        middle = middle_at(process, process.latent(shifts))
        for measurement in shifts:
            i = process.names.index(measurement)
            kept = np.maximum(tightness[:, i], 1.0)
            rows.append(_row(process, i, (scope, name), middle=middle, tightness=kept))
    return tuple(rows)


def _overrides(family: Family, places: _Places) -> list[tuple[str, str, dict[str, float]]]:
    """Return the family's overrides as scope, name and the shifts they allow for."""
    found: list[tuple[str, str, dict[str, float]]] = []
    if family.second_supplier:
        found.append(("part", places.parts[1], family.second_supplier))
    special = _special_place(family)
    if family.excused_place and special:
        product, component = special
        first = int(places.starts[product, 0]) + component * max(family.pins, 1)
        name = f"{PRODUCTS[product]}/{places.designator[first]}"
        found.append(("designator", name, family.excused_place))
    return found


def _row(
    process: Process, i: int, target: tuple[str, str], *, middle: Floats, tightness: Floats
) -> _Row:
    """Return the limits of measurement `i`, on its steps and inside its bounds."""
    name = process.names[i]
    measurement = MEASUREMENTS[name]
    bound_lower, bound_upper = process.family.bounds.get(name, (None, None))
    step = measurement.step
    lower: float | None = None
    upper: float | None = None
    if measurement.sides != "upper":
        least = step if bound_lower is None else bound_lower + step
        lower = max(least, float(middle[i] - tightness[0] * process.reach_down[i]))
        lower = _on_step(lower, step)
    if measurement.sides != "lower":
        most = measurement.top if bound_upper is None else bound_upper - step
        upper = min(most, float(middle[i] + tightness[1] * process.reach_up[i]))
        upper = _on_step(upper, step)
    return _Row(scope=target[0], name=target[1], measurement=name, lower=lower, upper=upper)


def _on_step(value: float, step: float) -> float:
    """Return the multiple of `step` nearest to `value`, free of binary dust."""
    return round(round(value / step) * step, 6)


def _limits_by_place(
    process: Process, places: _Places, rows: tuple[_Row, ...]
) -> tuple[Singles, Singles]:
    """Return the limits in force at each place, shape (p, k); ±inf for no limit."""
    shape = (len(places.product), len(process.names))
    lower, upper = np.full(shape, -np.inf, np.float32), np.full(shape, np.inf, np.float32)
    for row in rows:
        here, i = _places_of(row, places), process.names.index(row.measurement)
        lower[here, i] = -np.inf if row.lower is None else row.lower
        upper[here, i] = np.inf if row.upper is None else row.upper
    return lower, upper


def _places_of(row: _Row, places: _Places) -> Bools:
    """Return at which places a row of the recipe is in force, if nothing beats it."""
    if row.scope == "family":
        return np.ones(len(places.product), dtype=np.bool_)
    if row.scope == "part":
        return np.array([places.parts[part] == row.name for part in places.part])
    names = [f"{PRODUCTS[a]}/{d}" for a, d in zip(places.product, places.designator, strict=True)]
    return np.array([name == row.name for name in names])


def _schedule(*, seed: int, days: int, lines: int, boards: int, first_day: date) -> _Lots:
    """Return the lots: a line runs one product a day, on some days two."""
    rng = np.random.default_rng([seed, _SCHEDULE])
    mix = np.array([0.5, 0.35, 0.15])
    rows: list[tuple[int, int, int, int, int]] = []
    names: list[str] = []
    for day in range(days):
        first = 0
        for line in range(lines):
            parts = 2 if rng.random() < 0.15 and boards > 1 else 1
            chosen = rng.choice(3, size=parts, replace=False, p=np.roll(mix, line))
            for i, product in enumerate(chosen):
                size = boards // parts if i else boards - boards // parts * (parts - 1)
                rows.append((day, line, int(product), size, first))
                stamp = (first_day + timedelta(days=day)).strftime("%y%m%d")
                names.append(f"{PRODUCTS[product][0]}{stamp}-L{line + 1}{'ab'[i]}")
                first += size
    table = np.array(rows, dtype=np.int64)
    return _Lots(
        day=table[:, 0],
        line=table[:, 1],
        product=table[:, 2],
        boards=table[:, 3],
        first_board=table[:, 4],
        name=tuple(names),
    )


def _drift_path(seed: int, days: int) -> Floats:
    """Return how much of a drift has happened on each day: uneven steps from 0 to 1."""
    steps = np.random.default_rng([seed, _SCHEDULE, 1]).gamma(1.5, 1.0, days)
    return np.asarray(np.cumsum(steps) / steps.sum(), dtype=np.float64)


def _draw_effects(plan: _Plan, n: int, rng: np.random.Generator) -> _Effects:
    """Return what n lots do to a family; a bad lot has one kind of defect in abundance."""
    k, j = len(plan.process.names), len(plan.process.kinds)
    bad = rng.random(n) < 0.08
    worst = rng.integers(j, size=n)
    abundance = np.where(bad[:, None] & (worst[:, None] == np.arange(j)), 7.0, 1.0)
    # Mean 1, so that the rate of a family is what its table says.
    abundance /= 1.0 + 6.0 * 0.08 / j
    return _Effects(
        shift=rng.normal(0.0, 0.22, (n, k)) * np.where(bad, 1.8, 1.0)[:, None],
        part=(rng.random(n) < 0.35).astype(np.int64) * (len(plan.places.parts) - 1),
        multiplier=abundance * rng.gamma(3.0, 1 / 3, (n, 1)),
    )


def _draw_counts(plan: _Plan, lots: _Lots, effects: _Effects, rng: np.random.Generator) -> Ints:
    """Return how many true defects of each kind a lot holds, shape (t, j)."""
    items = lots.boards * plan.places.counts[lots.product]
    expected = items[:, None] * effects.multiplier * plan.process.rates
    if not plan.process.family.few:
        return rng.poisson(expected)
    total = round(float((items[:, None] * plan.process.rates).sum()))
    flat = rng.multinomial(total, (expected / expected.sum()).ravel())
    return flat.reshape(expected.shape)


# --- items of a day


def _draw_day(plant: _Plant, day: int, effects: list[_Effects], counts: list[Ints]) -> _Items:
    """Return all items of a day, family after family."""
    lots = np.flatnonzero(plant.lots.day == day)
    parts = [
        _draw_family_day(plant, index, lots, effects=effects[index], counts=counts[index])
        for index in range(len(plant.plans))
    ]
    return _Items(
        **{
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in _Items.__slots__
        }
    )


def _draw_family_day(
    plant: _Plant, index: int, lots: Ints, *, effects: _Effects, counts: Ints
) -> _Items:
    """Return one family's items of the lots of a day, board after board."""
    plan, day = plant.plans[index], int(plant.lots.day[lots[0]])
    rng = np.random.default_rng([plant.seed, _DAY, day, index])
    pieces = [_lay_lot(plan, plant.lots, int(t), int(effects.part[t])) for t in lots]
    place = np.concatenate([piece[0] for piece in pieces])
    board = np.concatenate([piece[1] for piece in pieces])
    lot = np.repeat(lots, [len(piece[0]) for piece in pieces])
    kind = np.concatenate(
        [_strew(len(p[0]), counts[t], rng) for p, t in zip(pieces, lots, strict=True)]
    )
    severity = _draw_severity(plan.process.family, kind, rng)
    values = draw_items(
        plan.process,
        shifts=_shift_of(
            plan,
            place,
            line=plant.lots.line[lot],
            lot_shift=effects.shift[lot],
            drift=plant.drift[[day]],
        ),
        kinds=kind,
        severity=severity,
        rng=rng,
    )
    return _Items(
        family=np.full(len(place), index),
        place=place + plan.first_place,
        lot=lot,
        board=board,
        kind=np.where(kind == GOOD, GOOD, _global_kinds(plan.process)[kind]),
        severity=severity,
        values=_widen(plan.process, values),
        called=_is_called(values, plan.lower[place], plan.upper[place]),
    )


def _lay_lot(plan: _Plan, lots: _Lots, lot: int, part: int) -> tuple[Ints, Ints]:
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


def _draw_severity(family: Family, kind: Ints, rng: np.random.Generator) -> Floats:
    """Return severities, nan for goods; where defects are few they are plain to see."""
    severity = np.full(len(kind), np.nan)
    bad = kind != GOOD
    centre, width = (0.55, 0.15) if family.few else (0.34, 0.33)
    severity[bad] = np.exp(rng.normal(centre, width, int(bad.sum())))
    return severity


def _shift_of(plan: _Plan, place: Ints, *, line: Ints, lot_shift: Floats, drift: Floats) -> Floats:
    """Return the latent's shift of n items, shape (n, k)."""
    total = plan.places.shift[place] + plan.line_shift[line] + lot_shift
    if plan.process.family.drift:
        total += drift[:, None] * plan.process.latent(plan.process.family.drift)
    return total


def _global_kinds(process: Process) -> Ints:
    """Return the rows of `KINDS` of the family's kinds."""
    return np.array([KINDS.index(kind) for kind in process.kinds])


def _widen(process: Process, values: Singles) -> Singles:
    """Return values with a column for every measurement of the plant."""
    wide = np.full((len(values), len(MEASUREMENTS)), np.nan, np.float32)
    wide[:, [list(MEASUREMENTS).index(name) for name in process.names]] = values
    return wide


def _is_called(values: Singles, lower: Singles, upper: Singles) -> Bools:
    """Return which items any limit calls, all in float32; nan is never called."""
    outside: Bools = (values < lower) | (values > upper)
    return np.asarray(outside.any(axis=1), dtype=np.bool_)


# --- what becomes known of them


def _label_day(plant: _Plant, day: int, items: _Items) -> _Labels:
    """Return the labels of a day: review, then audit, then what test and field find."""
    rng = np.random.default_rng([plant.seed, _LABELS, day])
    n, bad = len(items.kind), items.kind != GOOD
    luck = rng.random((5, n))
    verdict, found_by = np.full(n, -1), np.full(n, -1)
    reviewed = items.called & (luck[0] >= UNREVIEWED)
    says_defect = np.where(bad, luck[1] >= REVIEW_MISS, luck[1] < REVIEW_FALSE)
    verdict[reviewed], found_by[reviewed] = says_defect[reviewed], FOUND_BY.index("review")
    chance = np.array([plan.process.family.audit for plan in plant.plans])[items.family]
    audited = ~items.called & (luck[2] < chance)
    verdict[audited], found_by[audited] = bad[audited], FOUND_BY.index("audit")
    escaped = bad & (verdict != 1)
    tested = escaped & (luck[3] < TEST_COVERAGE)
    returned = escaped & ~tested & (luck[4] < FIELD_COVERAGE)
    verdict[tested | returned] = 1
    found_by[tested], found_by[returned] = FOUND_BY.index("test"), FOUND_BY.index("field")
    kind = np.where(verdict == 1, items.kind, -1)
    mistaken = np.flatnonzero((verdict == 1) & ~bad)
    for row in mistaken:
        kind[row] = rng.choice(_global_kinds(plant.plans[items.family[row]].process))
    return _Labels(
        verdict=verdict,
        kind=kind,
        found_by=found_by,
        weight=np.where(audited, 1.0 / chance, 1.0),
    )


# --- files


def _write_days(plant: _Plant, folder: Path) -> DemoSummary:
    """Draw, label and write day after day; return what was written."""
    effects, counts = _draw_lots(plant)
    tally = np.zeros((len(plant.plans), 5), dtype=np.int64)
    with duckdb.connect() as connection:
        _register_places(connection, plant)
        for day in range(plant.days):
            items = _draw_day(plant, day, effects, counts)
            labels = _label_day(plant, day, items)
            _write_day(connection, plant, folder, day=day, items=items, labels=labels)
            tally += _count_day(items, labels, len(plant.plans))
    return _summarise(tally)


def _draw_lots(plant: _Plant) -> tuple[list[_Effects], list[Ints]]:
    """Return every family's lot effects and numbers of defects by lot."""
    effects: list[_Effects] = []
    counts: list[Ints] = []
    for index, plan in enumerate(plant.plans):
        rng = np.random.default_rng([plant.seed, _LOTS, index])
        effects.append(_draw_effects(plan, len(plant.lots.day), rng))
        rng = np.random.default_rng([plant.seed, _COUNTS, index])
        counts.append(_draw_counts(plan, plant.lots, effects[-1], rng))
    return effects, counts


def _count_day(items: _Items, labels: _Labels, families: int) -> Ints:
    """Return items, called, true, true and called, labelled; shape (families, 5)."""
    bad = items.kind != GOOD
    masks = (np.ones_like(bad), items.called, bad, bad & items.called, labels.verdict == 1)
    return np.stack([np.bincount(items.family[mask], minlength=families) for mask in masks], axis=1)


def _summarise(tally: Ints) -> DemoSummary:
    """Return the counts as a record."""
    families = tuple(
        FamilyCount(
            family=family.name,
            items=int(row[0]),
            called=int(row[1]),
            true_defects=int(row[2]),
            true_called=int(row[3]),
            labelled_defects=int(row[4]),
        )
        for family, row in zip(FAMILIES, tally, strict=True)
    )
    rows, called, true, true_called, labelled = (int(total) for total in tally.sum(axis=0))
    return DemoSummary(
        rows=rows,
        called=called,
        true_defects=true,
        true_called=true_called,
        labelled_defects=labelled,
        families=families,
    )


def _register_places(connection: duckdb.DuckDBPyConnection, plant: _Plant) -> None:
    """Make table `places`: what is the same for all items of a place."""
    rows = []
    for plan in plant.plans:
        family, places = plan.process.family, plan.places
        letters, minutes = STATIONS[family.stage]
        for i in range(len(places.product)):
            part = places.parts[places.part[i]] if family.stage != "paste" else family.part
            rows.append(
                (plan.first_place + i, family.name, family.stage, letters, minutes,
                 places.designator[i], places.pin[i], part)
            )  # fmt: skip
    columns = list(zip(*rows, strict=True))
    names = ("place", "family", "stage", "letters", "minutes", "designator", "pin", "part")
    arrays = {name: _column(values) for name, values in zip(names, columns, strict=True)}
    connection.register("place_arrays", arrays)
    connection.execute("create table places as select * from place_arrays")
    connection.unregister("place_arrays")


def _column(values: tuple[object, ...]) -> NDArray[np.generic]:
    """Return one column as an array duckdb reads: whole numbers or text with nulls."""
    if isinstance(values[0], int):
        return np.array(values, dtype=np.int32)
    return np.array(values, dtype=object)


_LIST = "[{}]".format
_VERDICTS = _LIST("'good', 'defect'")
_KIND_LIST = _LIST(", ".join(f"'{kind}'" for kind in KINDS))
_FOUND_LIST = _LIST(", ".join(f"'{found}'" for found in FOUND_BY))
# A list index of 0 gives null, so a code of -1 ("nothing") becomes null.
_HISTORY_QUERY = f"""
select boards.time + to_minutes(minutes) as time, line, letters || '-' || line as station,
    stage, product, serial as board, boards.lot, designator, pin, part, family,
    {
    ", ".join(
        f"case when isnan({name}) then null else {name} end as {name}" for name in MEASUREMENTS
    )
},
    called, {_VERDICTS}[verdict + 1] as verdict, {_KIND_LIST}[label_kind + 1] as defect,
    {_FOUND_LIST}[found_by + 1] as found_by, weight
from items join places using (place) join boards on boards.number = items.board
order by time, line, place
"""
_TRUTH_QUERY = f"""
select boards.time + to_minutes(minutes) as time, stage, serial as board, designator, pin,
    family, boards.lot, {_KIND_LIST}[kind + 1] as true_defect,
    case when isnan(severity) then null else severity end as severity
from items join places using (place) join boards on boards.number = items.board
order by time, line, place
"""


def _write_day(
    connection: duckdb.DuckDBPyConnection,
    plant: _Plant,
    folder: Path,
    *,
    day: int,
    items: _Items,
    labels: _Labels,
) -> None:
    """Write a day's history and truth."""
    stamp = plant.first_day + timedelta(days=day)
    connection.register("board_arrays", _board_arrays(plant, day, stamp))
    connection.execute(
        "create or replace temp table boards as select * replace (make_timestamp(time) as time)"
        " from board_arrays"
    )
    connection.register("items", _item_arrays(items, labels))
    for name, query in (("history", _HISTORY_QUERY), ("truth", _TRUTH_QUERY)):
        path = folder / name / f"day={stamp.isoformat()}" / "part.parquet"
        path.parent.mkdir(parents=True)
        quoted = str(path).replace("'", "''")
        connection.execute(f"copy ({query}) to '{quoted}' (format parquet, compression zstd)")


def _board_arrays(plant: _Plant, day: int, stamp: date) -> dict[str, NDArray[np.generic]]:
    """Return the boards of a day: evenly spaced from 06:00 to 22:00 UTC on each line."""
    lots = np.flatnonzero(plant.lots.day == day)
    lot = np.repeat(lots, plant.lots.boards[lots])
    line = plant.lots.line[lot]
    within = np.concatenate([np.arange(n) for n in np.bincount(line, minlength=plant.lines)])
    spacing = 16 * 3600 / np.bincount(line)[line]
    seconds = np.round(6 * 3600 + (within + 0.5) * spacing, 3)
    midnight = (stamp - date(1970, 1, 1)).days * _MICROSECONDS_PER_DAY
    product = [PRODUCTS[a] for a in plant.lots.product[lot]]
    serials = [
        f"{name[0]}{stamp:%y%m%d}{run + 1}{i + 1:05d}"
        for name, run, i in zip(product, line, within, strict=True)
    ]
    return {
        "number": np.arange(len(lot)),
        "time": midnight + np.round(seconds * 1e6).astype(np.int64),
        "line": np.array([f"L{i + 1}" for i in line], dtype=object),
        "product": np.array(product, dtype=object),
        "lot": np.array([plant.lots.name[t] for t in lot], dtype=object),
        "serial": np.array(serials, dtype=object),
    }


def _item_arrays(items: _Items, labels: _Labels) -> dict[str, NDArray[np.generic]]:
    """Return the items of a day as columns duckdb reads."""
    values = {name: np.ascontiguousarray(items.values[:, i]) for i, name in enumerate(MEASUREMENTS)}
    return {
        "place": items.place.astype(np.int32),
        "board": items.board,
        "kind": items.kind,
        "severity": items.severity.astype(np.float32),
        "called": items.called,
        "verdict": labels.verdict,
        "label_kind": labels.kind,
        "found_by": labels.found_by,
        "weight": labels.weight,
        **values,
    }


def _recipe_text(plant: _Plant) -> str:
    """Return the live recipe as the lines of a file."""
    rows = [row for plan in plant.plans for row in plan.rows]
    rows.sort(key=lambda row: ("family", "part", "designator").index(row.scope))
    lines = ["# revision 1", "scope,name,measurement,lower,upper,unit"]
    for row in rows:
        sides = f"{_shown(row.lower)},{_shown(row.upper)}"
        unit = MEASUREMENTS[row.measurement].unit
        lines.append(f"{row.scope},{row.name},{row.measurement},{sides},{unit}")
    return "\n".join(lines) + "\n"


def _shown(value: float | None) -> str:
    """Return a number as it reads back, nothing for none."""
    return "" if value is None or np.isnan(value) else repr(round(value, 6))


def _must_catch_text(plant: _Plant) -> str:
    """Return known-bad boards: one or two kinds of some families, called with margin."""
    lines = [",".join(["name", "family", *MEASUREMENTS])]
    for index, plan in enumerate(plant.plans):
        rng = np.random.default_rng([plant.seed, _MUST, index])
        for kind in range(1 + index % 2 if index % 4 != 3 else 0):
            values = _known_bad(plan, kind, rng)
            name = f"KB-{len(lines):02d} {plan.process.kinds[kind]}"
            shown = [_shown(float(value)) for value in _widen(plan.process, values[None, :])[0]]
            lines.append(",".join([name, plan.process.family.name, *shown]))
    return "\n".join(lines) + "\n"


def _known_bad(plan: _Plan, kind: int, rng: np.random.Generator) -> Singles:
    """Return the first drawn defect that a live limit calls by twice the repeatability."""
    n, process = 500, plan.process
    values = draw_items(
        process,
        shifts=np.zeros((n, len(process.names))),
        kinds=np.full(n, kind),
        severity=np.exp(rng.normal(0.45, 0.2, n)),
        rng=rng,
    )
    margin = 2 * np.array([MEASUREMENTS[name].repeatability for name in process.names])
    lower, upper = _family_limits(plan)
    clear = ((values < lower - margin) | (values > upper + margin)).any(axis=1)
    if not clear.any():
        message = (
            f"none of {n} drawn {process.kinds[kind]} of {process.family.name} is called with "
            "margin, so none can stand in must_catch.csv; choose another seed"
        )
        raise UsageError(message)
    first: Singles = values[int(np.argmax(clear))]
    return first


def _family_limits(plan: _Plan) -> tuple[Singles, Singles]:
    """Return the family's own limits, shape (k,); its rows stand first."""
    rows = [row for row in plan.rows if row.scope == "family"]
    lower = [-np.inf if row.lower is None else row.lower for row in rows]
    upper = [np.inf if row.upper is None else row.upper for row in rows]
    return np.array(lower, dtype=np.float32), np.array(upper, dtype=np.float32)


def _plant_text() -> str:
    """Return the plant file, the template a user copies."""
    measurements = "\n".join(
        f'{name} = {{ unit = "{m.unit}", step = {m.step}, repeatability = {m.repeatability},'
        f' about = "{m.about}" }}'
        for name, m in MEASUREMENTS.items()
    )
    costs = "\n".join(f"{kind} = {cost}" for kind, cost in ESCAPE_COST.items())
    families = "\n".join(_family_text(family) for family in FAMILIES)
    return _PLANT_TEMPLATE.format(
        name=PLANT_NAME,
        miss=REVIEW_MISS,
        alarm=REVIEW_FALSE,
        coverage=TEST_COVERAGE,
        measurements=measurements,
        costs=costs,
        families=families,
    )


def _family_text(family: Family) -> str:
    """Return a family's tables of the plant file."""
    lines = [
        f'[families."{family.name}"]',
        f"class = {family.grade}",
        f"critical = {str(family.critical).lower()}",
        f'termination = "{family.termination}"',
    ]
    if family.bounds:
        lines.append(f'[families."{family.name}".workmanship]')
    for name, (lower, upper) in family.bounds.items():
        sides = [("lower", lower), ("upper", upper)]
        inner = ", ".join(f"{side} = {float(b)}" for side, b in sides if b is not None)
        lines.append(f"{name} = {{ {inner} }}")
    return "\n".join([*lines, ""])


_PLANT_TEMPLATE = """\
# What the tool must know of a plant. Everything in this example is invented.
# Paths are relative to this file.

[plant]
name = "{name}"
currency = "EUR"                # of every cost below
history = "history"             # a file, or a folder of day=YYYY-MM-DD folders
recipe = "recipe.csv"           # the limits the machines run now
must_catch = "must_catch.csv"   # known-bad items that every proposal has to call

[review]
seconds_per_call = 25.0         # a person's time for one called item
cost_per_hour = 38.0            # of that person
miss_rate = {miss}                # share of called defects that the reviewer passes
false_alarm_rate = {alarm}        # share of called goods that the reviewer calls defects

[escape_cost]
default = 15.0                  # of one escape whose kind is not listed below

[escape_cost.by_defect]         # by kind of defect, found at the next stage
{costs}

[escape_cost.by_finder]         # times so much, by where it is found
test = 1.0
field = 2.5

[labels]
test_coverage = {coverage}             # share of escapes that test finds

# unit; step = what a limit can be set in; repeatability = standard deviation of measuring
# the same item again; about = what it is
[measurements]
{measurements}

# class = of the product, 1 to 3; critical = no known escape may be added, two signatures;
# termination = families of one termination lend each other defects; workmanship = the
# acceptance bounds beyond which a limit may never go
{families}
[rails]
guard_sigmas = 2.0              # repeatabilities to keep from a workmanship bound
largest_move_steps = 12         # furthest a limit moves in one revision
minimum_defects = 8             # fewer labelled ones: gather, do not change
mismatch_share = 0.001          # replay may disagree with the machine on so many items
"""


# --- truth


def _sample(plant: _Plant, index: int, n_goods: int, n_defects: int) -> TruthSample:
    """Return a family's truth: a pool of fresh lots, goods and defects picked from it."""
    plan = plant.plans[index]
    rng = np.random.default_rng([plant.seed, _TRUTH, index])
    items = plant.lots.boards * plan.places.counts[plant.lots.product]
    pool = rng.choice(len(items), size=_POOL_LOTS, p=items / items.sum())
    effects = _draw_effects(plan, _POOL_LOTS, rng)
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
    lower, upper = _family_limits(plan)
    own = [np.where(side == live, np.float32(np.nan), side)
           for side, live in ((plan.lower, lower), (plan.upper, upper))]  # fmt: skip
    rate = float(plan.process.rates.sum())
    return TruthSample(
        family=plan.process.family.name,
        measurements=plan.process.names,
        goods=goods,
        good_place=good_place,
        defects=bads,
        defect_place=bad_place,
        defect_type=tuple(plan.process.kinds[i] for i in picked % j),
        own_lower=own[0],
        own_upper=own[1],
        live_lower=lower,
        live_upper=upper,
        expected_goods=float(items.sum()) * (1 - rate),
        expected_defects=float(items.sum()) * rate,
    )


def _draw_pool(
    plant: _Plant,
    plan: _Plan,
    pool: tuple[Ints, _Effects],
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
    values = draw_items(
        plan.process,
        shifts=_shift_of(
            plan,
            place,
            line=plant.lots.line[lot],
            lot_shift=effects.shift[chosen],
            drift=plant.drift[plant.lots.day[lot]],
        ),
        kinds=kind,
        severity=_draw_severity(plan.process.family, kind, rng),
        rng=rng,
    )
    return place, values
