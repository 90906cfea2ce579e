"""The live recipe of the demo: its rows, and the limits in force at each place."""

from dataclasses import dataclass

import numpy as np

from optimiser.demo.families import PRODUCTS, FamilyPlan
from optimiser.demo.measurements import MEASUREMENTS
from optimiser.demo.places import Places, special_place
from optimiser.demo.process import Bools, DemoProcess, Floats, Singles, middle_at

# How far each live limit stands from the middle of the goods, in reaches.
LIVE: dict[str, tuple[float, float]] = {
    "tight": (0.94, 1.12),
    "about right": (1.20, 1.34),
    "loose": (1.85, 2.25),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRow:
    """One row of the recipe."""

    scope: str
    name: str
    measurement: str
    lower: float | None
    upper: float | None


def live_rows(
    process: DemoProcess, places: Places, rng: np.random.Generator
) -> tuple[DemoRow, ...]:
    """Return the family's rows of the live recipe, overrides last."""
    family, k = process.family, len(process.names)
    tightness = rng.uniform(*LIVE[family.live], (2, k))
    if family.live == "tight":
        relaxed = rng.random((2, k)) < 0.3
        tightness = np.where(relaxed, rng.uniform(1.25, 1.5, (2, k)), tightness)
    own = ("family", family.name)
    rows = [
        _row(process, i, own, middle=process.middle, tightness=tightness[:, i]) for i in range(k)
    ]
    for scope, name, shifts in _overrides(family, places):
        middle = middle_at(process, process.latent(shifts))
        for measurement in shifts:
            i = process.names.index(measurement)
            kept = np.maximum(tightness[:, i], 1.0)
            rows.append(_row(process, i, (scope, name), middle=middle, tightness=kept))
    return tuple(rows)


def _overrides(family: FamilyPlan, places: Places) -> list[tuple[str, str, dict[str, float]]]:
    """Return the family's overrides as scope, name and the shifts they allow for."""
    found: list[tuple[str, str, dict[str, float]]] = []
    if family.second_supplier:
        found.append(("part", places.parts[1], family.second_supplier))
    special = special_place(family)
    if family.excused_place and special:
        product, component = special
        first = int(places.starts[product, 0]) + component * max(family.pins, 1)
        name = f"{PRODUCTS[product]}/{places.designator[first]}"
        found.append(("designator", name, family.excused_place))
    return found


def _row(
    process: DemoProcess, i: int, target: tuple[str, str], *, middle: Floats, tightness: Floats
) -> DemoRow:
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
    return DemoRow(scope=target[0], name=target[1], measurement=name, lower=lower, upper=upper)


def _on_step(value: float, step: float) -> float:
    """Return the multiple of `step` nearest to `value`, free of binary dust."""
    return round(round(value / step) * step, 6)


def limits_by_place(
    process: DemoProcess, places: Places, rows: tuple[DemoRow, ...]
) -> tuple[Singles, Singles]:
    """Return the limits in force at each place, shape (p, k); ±inf for no limit."""
    shape = (len(places.product), len(process.names))
    lower, upper = np.full(shape, -np.inf, np.float32), np.full(shape, np.inf, np.float32)
    for row in rows:
        here, i = _places_of(row, places), process.names.index(row.measurement)
        lower[here, i] = -np.inf if row.lower is None else row.lower
        upper[here, i] = np.inf if row.upper is None else row.upper
    return lower, upper


def _places_of(row: DemoRow, places: Places) -> Bools:
    """Return at which places a row of the recipe is in force, if nothing beats it."""
    if row.scope == "family":
        return np.ones(len(places.product), dtype=np.bool_)
    if row.scope == "part":
        return np.array([places.parts[part] == row.name for part in places.part])
    names = [f"{PRODUCTS[a]}/{d}" for a, d in zip(places.product, places.designator, strict=True)]
    return np.array([name == row.name for name in names])


def is_called(values: Singles, lower: Singles, upper: Singles) -> Bools:
    """Return which items any limit calls, all in float32; nan is never called."""
    outside: Bools = (values < lower) | (values > upper)
    return np.asarray(outside.any(axis=1), dtype=np.bool_)
