"""The values that one limit may be set to between two stops: steps, or what was observed.

An item lies beyond a level or not, so levels between which no item lies call the same items;
where there are many, only the tightest of them is kept. Where more are left than are searched,
they are thinned evenly by rank, and the loosest level that calls each labelled defect stays:
between two of these a tighter one calls more items and catches no further defect, so the fewest
false calls for any number of escapes are attained as if nothing had been thinned.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import PlantError
from optimiser.history.read import History
from optimiser.sql import quoted, text_literal
from optimiser.tally.rails import LimitFacts

MOST_LEVELS = 4000
# What a rank can hold, less the live limit and the limit that is off.
MOST_RANKS = int(np.iinfo(np.int16).max) - 2
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """The distinct values of one limit's measurement, in z.

    Attributes
    ----------
    z : ndarray of float32, shape (n,)
        Ascending.
    defect : ndarray of bool, shape (n,)
        Whether a labelled defect has this value.
    """

    z: NDArray[np.float32]
    defect: NDArray[np.bool_]


def settable(history: History, facts: LimitFacts, low: float, high: float) -> Floats:
    """Return the levels between two stops, in z.

    Parameters
    ----------
    history : History
        Holds all items of the family beyond ``low`` one by one.
    facts : LimitFacts
    low, high : float
        ±inf is no stop.

    Returns
    -------
    ndarray, shape (k,)
        Multiples of the step, or observed values without one.

    Raises
    ------
    PlantError
        If there are more labelled defects than ranks can tell apart, or a step is too small to
        count in.
    """
    if not facts.known.step:
        return _observed(facts, _seen(history, facts), low, high)
    first, last = _ends(facts, facts.known.step, low, high)
    if last - first <= MOST_LEVELS:
        return _multiples(range(first, last + 1), facts.known.step)
    return _merged(facts, _seen(history, facts), first, last)


def _ends(facts: LimitFacts, step: float, low: float, high: float) -> tuple[int, int]:
    """Return the first and the last multiple of a step between two stops, no further than the data."""
    edge = facts.edge
    loosest = facts.live_z if math.isfinite(facts.live_z) else edge[1]
    start = max(low, min(edge[0] - step, facts.live_z)) / step - 1e-9
    stop = min(high, max(edge[1] + step, loosest)) / step + 1e-9
    if not (math.isfinite(start) and math.isfinite(stop)):
        msg = (
            f"{_place(facts)}: the step, {step:g} {facts.known.unit}, is too small to count in up to "
            f"{max(map(abs, edge)):g}; raise measurements.{facts.measurement}.step in plant.toml"
        )
        raise PlantError(msg)
    return math.ceil(start), math.floor(stop)


def _multiples(numbers: Any, step: float) -> Floats:  # noqa: ANN401 - any iterable of numbers
    """Return multiples of a step; twelve digits turn 3 * 0.1 back into 0.3, as a recipe has it."""
    return np.array([float(f"{k * step:.12g}") for k in numbers], dtype=np.float64)


def _merged(facts: LimitFacts, seen: Seen, first: int, last: int) -> Floats:
    """Return the tightest of all multiples of the step that call the same items."""
    step = facts.step
    above = np.ceil(seen.z.astype(np.float64) / step)
    # Division and rounding to float32 may be off by one either way.
    near = np.clip(np.concatenate([above - 1, above, above + 1, [first, last]]), first, last)
    levels = np.unique(_multiples(np.unique(near), step))
    return _thinned(facts, seen, _apart(levels, seen))


def _apart(levels: Floats, seen: Seen) -> Floats:
    """Return the tightest of the levels that call the same values."""
    passed = np.searchsorted(seen.z, levels.astype(np.float32), side="right")
    return levels[np.r_[True, np.diff(passed) > 0]]


def _observed(facts: LimitFacts, seen: Seen, low: float, high: float) -> Floats:
    """Return the observed values between two stops, in the shortest form that reads back."""
    z = seen.z[(seen.z >= np.float32(low)) & (seen.z <= np.float32(high))].astype(np.float64)
    kept = _thinned(facts, seen, z).astype(np.float32)
    return np.array([float(str(value)) for value in kept], dtype=np.float64)


def _thinned(facts: LimitFacts, seen: Seen, levels: Floats) -> Floats:
    """Return at most MOST_LEVELS of the levels, and those just below the labelled defects."""
    if len(levels) <= MOST_LEVELS:
        return levels
    below = np.searchsorted(levels.astype(np.float32), seen.z[seen.defect], side="left") - 1
    keep = np.zeros(len(levels), dtype=bool)
    keep[np.linspace(0, len(levels) - 1, MOST_LEVELS).astype(int)] = True
    keep[below[below >= 0]] = True
    if keep.sum() > MOST_RANKS:
        name, wide = facts.measurement, (levels[-1] - levels[0]) / (MOST_LEVELS - 1)
        msg = (
            f"{_place(facts)}: {int(keep.sum()):,} levels are needed to tell "
            f"{int(seen.defect.sum()):,} labelled defects apart, at most {MOST_RANKS:,} are "
            f"searched; set measurements.{name}.step in plant.toml to {wide:.2g} "
            f"{facts.known.unit} or more"
        )
        raise PlantError(msg)
    return levels[keep]


def _seen(history: History, facts: LimitFacts) -> Seen:
    x, family = quoted(facts.measurement), text_literal(facts.family)
    found = history.connection.execute(
        f"""select {x} as x, coalesce(bool_or(verdict = 'defect'), false) as defect from items
            where family = {family} and {x} is not null group by 1"""
    ).fetchnumpy()
    z = facts.sign * np.asarray(found["x"], dtype=np.float32)
    order = np.argsort(z)
    return Seen(z=z[order], defect=np.asarray(found["defect"], dtype=bool)[order])


def _place(facts: LimitFacts) -> str:
    return f"{facts.family} {facts.measurement} {facts.side}"
