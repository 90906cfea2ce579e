"""Flicker: calls that do not repeat when the same item is inspected again.

A reading carries the error of one inspection, so an item close to a limit is called at one
inspection and passed at the next. Errors are normal and independent from one inspection to
the next.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from optimiser.errors import UsageError
from optimiser.evidence.intervals import Interval, ratio_total

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
KnownBy = Literal["true value", "one reading"]

LEVEL = 0.90
_PER_DENSITY = 2 / math.sqrt(math.pi)
"""Chance to flicker, summed over true values in units of the repeatability: 2 ∫ Φ(1 - Φ)."""

_BUMP = 5 / 6
"""Variance of that sum's shape, in squared repeatabilities (a reading's error has 1)."""

REACH = 6.0
"""Repeatabilities from the limit beyond which a reading says nothing of flicker."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flicker:
    """What does not repeat at one limit.

    Attributes
    ----------
    items, calls : float
        Inspected items, and those that this limit called.
    share : Interval
        Share of all items whose call by this limit differs between two inspections.
    unrepeated : Interval
        Share of this limit's calls that a second inspection would not make; at most 1, and
        0 to 1 without any call.
    """

    items: float
    calls: float
    share: Interval
    unrepeated: Interval


def flicker(
    readings: Floats,
    lot: Ints,
    lot_items: Floats,
    *,
    limit: float,
    repeatability: float,
    calls: float,
    level: float = LEVEL,
) -> Flicker:
    """Return what does not repeat at a limit, from the stored readings near it.

    Parameters
    ----------
    readings : ndarray, shape (n,)
        All readings within `REACH` repeatabilities of the limit, on both sides; readings
        further off may be given too and change nothing.
    lot : ndarray of int, shape (n,)
        The lot of each reading, from 0.
    lot_items : ndarray, shape (t,)
        Inspected items per lot, near the limit or not.
    limit : float
    repeatability : float
        > 0, in the measurement's unit.
    calls : float
        Items this limit calls.
    level : float
        Two-sided; lots are the unit.

    Returns
    -------
    Flicker

    Raises
    ------
    UsageError
        If the repeatability is not above 0 or a lot does not exist.

    Notes
    -----
    The share is ``2 σ/√π`` times the density of true values at the limit, seen through a
    window of variance ``5/6 σ²``. Readings see it through one of variance ``σ²``, and the
    normal kernel of width σ that estimates their density adds another. The kernel is
    therefore sharpened, ``φ(z) (1 - c/2 (z² - 1))`` with ``c = 7/6``, which takes the excess
    variance off again, to within the fourth derivative of the density.

    Examples
    --------
    >>> y = np.random.default_rng(1).normal(0, 1.01**0.5, 200_000)
    >>> lots = np.arange(200_000) % 20
    >>> found = flicker(y, lots, np.full(20, 1e4), limit=2.0, repeatability=0.1, calls=(y > 2).sum())
    >>> round(found.share.value, 4), round(found.unrepeated.value, 2)
    (0.0061, 0.13)
    """
    if not 0 < repeatability < math.inf:
        msg = (
            f"repeatability must be a finite number above 0, got {repeatability:g}; "
            "a gauge study gives it: optimiser gauge FILE"
        )
        raise UsageError(msg)
    if len(lot) and not 0 <= int(lot.min()) <= int(lot.max()) < len(lot_items):
        msg = f"lots must be 0..{len(lot_items) - 1}, got {lot.min()}..{lot.max()}; number them so"
        raise UsageError(msg)
    chances = _chances(readings, limit, repeatability)
    by_lot = np.bincount(lot, weights=chances, minlength=len(lot_items)).astype(np.float64)
    total = _at_least_zero(ratio_total(by_lot, lot_items, level=level))
    items = float(lot_items.sum())
    return Flicker(
        items=items,
        calls=float(calls),
        share=total.times(1 / items) if items else Interval(value=0.0, low=0.0, high=1.0),
        unrepeated=_of_calls(total, calls),
    )


def _chances(readings: Floats, limit: float, repeatability: float) -> Floats:
    """Return what each reading adds to the expected number of items that flicker."""
    z = (readings - limit) / repeatability
    z = np.where(np.abs(z) <= REACH, z, np.inf)
    excess = 1.0 + 1.0 - _BUMP  # the reading's own error, the kernel, less the true window
    # z² only where it counts: beyond the reach the density is 0 and inf × 0 must not appear.
    bend = 1 - excess / 2 * (np.where(np.isfinite(z), z, 0.0) ** 2 - 1)
    chances: Floats = _PER_DENSITY * norm.pdf(z) * bend
    return chances


def _of_calls(flickering: Interval, calls: float) -> Interval:
    """Return half of the items that flicker, those called first, as a share of the calls."""
    if calls <= 0:
        return Interval(value=0.0, low=0.0, high=1.0)
    share = flickering.times(1 / (2 * float(calls)))
    return Interval(value=min(share.value, 1.0), low=min(share.low, 1.0), high=min(share.high, 1.0))


def _at_least_zero(interval: Interval) -> Interval:
    return Interval(
        value=max(interval.value, 0.0), low=max(interval.low, 0.0), high=max(interval.high, 0.0)
    )
