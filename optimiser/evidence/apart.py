"""What stands apart: groups of items, machines, places that are called more often, limits that serve nothing.

Every question is asked against a distance that matters and not against zero: among thousands of
items any two groups differ by something. Lots are the unit throughout.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, t

from optimiser.evidence.intervals import Interval

Floats = NDArray[np.float64]

LEVEL = 0.90
FEWEST_LOTS = 5
"""Lots on either side below which nothing is said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """How far two means lie apart.

    Attributes
    ----------
    difference : Interval
        90 %, lots as the unit.
    p_value : float
        That they lie no further apart than what was asked for.
    lots : int
        That it rests on.
    """

    difference: Interval
    p_value: float
    lots: int


def apart(one: Floats, other: Floats, *, least: float) -> Apart | None:
    """Return how far two groups of lots lie apart.

    Parameters
    ----------
    one, other : ndarrays, shapes (n,) and (m,)
        Lot means of two groups.
    least : float
        The distance that matters, >= 0.

    Returns
    -------
    Apart or None
        None with fewer than FEWEST_LOTS lots in either.

    Notes
    -----
    Welch's t, shifted to the distance that matters.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> found = apart(rng.normal(3, 1, 12), rng.normal(0, 1, 30), least=0.5)
    >>> round(found.difference.value, 1), found.p_value < 0.001
    (3.3, True)
    """
    if min(len(one), len(other)) < FEWEST_LOTS:
        return None
    parts = [float(x.var(ddof=1)) / len(x) for x in (one, other)]
    error = math.sqrt(sum(parts))
    freedom = (
        sum(parts) ** 2 / sum(v**2 / (len(x) - 1) for v, x in zip(parts, (one, other), strict=True))
        if error
        else math.inf
    )
    difference = float(one.mean() - other.mean())
    return _judged(difference, error, freedom, least, len(one) + len(other))


def shifted(differences: Floats, *, least: float) -> Apart | None:
    """Return how far the mean of differences, one a lot, lies from zero.

    Parameters
    ----------
    differences : ndarray, shape (t,)
        Mean difference of the same parts, measured twice, in each lot; or of two groups that
        share a lot.
    least : float
        The distance that matters, >= 0.

    Returns
    -------
    Apart or None
        None with fewer than FEWEST_LOTS lots.
    """
    lots = len(differences)
    if lots < FEWEST_LOTS:
        return None
    error = float(differences.std(ddof=1)) / math.sqrt(lots)
    return _judged(float(differences.mean()), error, lots - 1, least, lots)


def _judged(difference: float, error: float, freedom: float, least: float, lots: int) -> Apart:
    """Return a difference with its interval and its chance."""
    reach = float(t.ppf((1 + LEVEL) / 2, freedom)) * error if error else 0.0
    beyond = abs(difference) - least
    if error:
        p_value = float(
            t.sf(beyond / error, freedom) + t.sf((abs(difference) + least) / error, freedom)
        )
    else:
        p_value = 0.0 if beyond > 0 else 1.0
    return Apart(
        difference=Interval(value=difference, low=difference - reach, high=difference + reach),
        p_value=min(1.0, p_value),
        lots=lots,
    )


def called_more(
    calls: Floats, items: Floats, other_calls: Floats, other_items: Floats, *, times: float
) -> Apart | None:
    """Return by what factor one place is called more often than the rest of its family.

    Parameters
    ----------
    calls, items, other_calls, other_items : ndarrays, shape (t,)
        By lot, of the place and of the rest; lots without items of the place say nothing.
    times : float
        The factor that matters.

    Returns
    -------
    Apart or None
        ``difference`` is the factor; None with fewer than FEWEST_LOTS lots or no call elsewhere.

    Notes
    -----
    By lot, the calls of the place less ``times`` those that the rest's rate lets expect; their sum
    over the lots' own scatter, Student's t. The factor's interval is the ratio estimator's.
    """
    held = (items > 0) & (other_items > 0)
    a, n, b, m = (x[held] for x in (calls, items, other_calls, other_items))
    lots = len(a)
    if lots < FEWEST_LOTS or b.sum() <= 0 or a.sum() <= 0:
        return None
    expected = b * n / m
    factor = float(a.sum() / expected.sum())
    residual = a - factor * expected
    # No steadier than chance itself lets calls be.
    variance = max(lots / (lots - 1) * float(residual @ residual), float(a.sum()))
    error = math.sqrt(variance) / float(expected.sum())
    reach = float(t.ppf((1 + LEVEL) / 2, lots - 1)) * error
    return Apart(
        difference=Interval(value=factor, low=max(factor - reach, 0.0), high=factor + reach),
        p_value=float(t.sf((factor - times) / error, lots - 1)),
        lots=lots,
    )


def serves_nothing(
    *, sole_calls: int, sole_defects: int, worth: float, defects: int, beyond: int, usual: float
) -> float:
    """Return the chance that a limit that serves something shows so little of it.

    Both must be refuted: that its own calls hold as many defects as pays for them, and that
    defects known otherwise lie beyond the goods' end on its side more often than goods do.

    Parameters
    ----------
    sole_calls, sole_defects : int
        Items that this limit alone calls, reviewed; defects among them.
    worth : float
        Share of defects among its calls that pays for them, misread goods included, 0..1.
    defects, beyond : int
        Defects that another limit calls or that came to light otherwise; those of them beyond the
        goods' end on this side.
    usual : float
        Share beyond that end at which the limit would separate, 0..1.

    Returns
    -------
    float
        The larger of two exact binomial chances.

    Examples
    --------
    >>> round(serves_nothing(sole_calls=900, sole_defects=0, worth=0.02, defects=40, beyond=1, usual=0.2), 4)
    0.0015
    """
    pays = float(binom.cdf(sole_defects, sole_calls, min(worth, 1.0)))
    separates = float(binom.cdf(beyond, defects, usual))
    return max(pays, separates)
