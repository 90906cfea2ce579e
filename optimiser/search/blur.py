"""A labelled defect stands for its neighbours: its cloud, and the chance that it escapes.

A few dozen defects are a thin sample. The setting that counts best on them hugs them and
lets the next ones through, so each is spread by a bandwidth per limit and escapes with the
chance that a draw from its cloud lies inside every limit. This file knows the clouds; it
knows no non-defects, no costs of review and no search.

Public: ``widths``, ``pass_tables``, ``escape_chance``, ``called_chance``, ``Clouds``,
``make_clouds``.

Shape letters: **m** limits, **k** levels of a limit, **d** defects, **b** borrowed ones,
**q** clouds (own defects, then borrowed ones).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from optimiser.search.problem import Bools, Floats, Ints, Problem, is_called

# A cloud of a defect that the live limits called lies at least half beyond them, unless the
# label came from another recipe: then its weight stops here instead of running away.
LEAST_CALLED_CHANCE = 0.25
# A family without a defect of its own is taken to have had half a one (the usual correction
# of a zero count), so that borrowed defects can speak there at all.
UNSEEN_DEFECTS = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clouds:
    """The defects of one family as clouds, ready for the descent.

    Parameters
    ----------
    passing : tuple of m ndarrays, shapes (k_l, q)
        Chance that a draw from each cloud lies inside each level of each limit, 0..1.
    cost : ndarray, shape (q,)
        Money lost when the cloud escapes: price times all the weights.
    own : int
        How many of the q clouds are the family's own defects; they come first.
    """

    passing: tuple[Floats, ...]
    cost: Floats
    own: int


def widths(problem: Problem, factor: float) -> Floats:
    """Return the bandwidth of the clouds at each limit.

    Parameters
    ----------
    problem : Problem
        The family.
    factor : float
        Standard deviations of the goods, > 0; 0 asks for the repeatability alone.

    Returns
    -------
    ndarray, shape (m,)
        In the measurement's unit, never below its repeatability and never 0: an item that
        re-measures on the other side of a limit half of the time is not caught.
    """
    wide = np.maximum(factor * problem.spread, problem.repeatability)
    return np.asarray(np.maximum(wide, np.finfo(np.float64).tiny), dtype=np.float64)


def pass_tables(levels: tuple[Floats, ...], z: Floats, width: Floats) -> tuple[Floats, ...]:
    """Return the chance that each cloud lies inside each level, limit by limit.

    Parameters
    ----------
    levels : tuple of m ndarrays, shapes (k_l,)
        Settable levels; +inf is a limit that is off.
    z : ndarray, shape (q, m)
        Centres; -inf where not measured.
    width : ndarray, shape (m,)
        Bandwidths, > 0.

    Returns
    -------
    tuple of m ndarrays, shapes (k_l, q)
        1 where the limit is off or the measurement missing.
    """
    with np.errstate(over="ignore"):
        return tuple(
            np.asarray(ndtr((level[:, None] - z[:, i]) / width[i]), dtype=np.float64)
            for i, level in enumerate(levels)
        )


def escape_chance(setting: Ints, passing: tuple[Floats, ...]) -> Floats:
    """Return the chance that each cloud escapes a setting.

    Parameters
    ----------
    setting : ndarray of int, shape (m,)
        One level index per limit.
    passing : tuple of m ndarrays, shapes (k_l, q)
        From `pass_tables`.

    Returns
    -------
    ndarray, shape (q,)
        Product over limits, 0..1.

    Examples
    --------
    >>> tables = pass_tables((np.array([1.0, np.inf]),), np.array([[1.0]]), np.array([2.0]))
    >>> escape_chance(np.array([0]), tables), escape_chance(np.array([1]), tables)
    (array([0.5]), array([1.]))
    """
    chance = np.ones(passing[0].shape[1])
    for level, table in zip(setting, passing, strict=True):
        chance = chance * table[level]
    return chance


def called_chance(problem: Problem, passing: tuple[Floats, ...]) -> Floats:
    """Return the chance that the live limits would have called each own cloud.

    Parameters
    ----------
    problem : Problem
        The family.
    passing : tuple of m ndarrays, shapes (k_l, q)
        Tables whose first d columns are the own defects.

    Returns
    -------
    ndarray, shape (d,)
        1 for a label that did not come from a call, else at least `LEAST_CALLED_CHANCE`.
    """
    d = problem.defect_z.shape[0]
    chance = 1.0 - escape_chance(problem.live, passing)[:d]
    floored = np.maximum(chance, LEAST_CALLED_CHANCE)
    return np.where(problem.defect_called, floored, 1.0)


def make_clouds(
    problem: Problem, *, factor: float, damping: float, borrowed: float, price: float = 1.0
) -> Clouds:
    """Return the family's defects as clouds.

    Parameters
    ----------
    problem : Problem
        The family.
    factor : float
        Bandwidth in standard deviations of the goods, > 0.
    damping : float
        How far a label that came from a call is weighted up by the inverse of its cloud's
        chance to be called: 0 not at all, 1 fully; between them that power of it.
    borrowed : float
        Share of the defects' mass that siblings' defects make up, 0..1. They lend their
        places, not their number: the mass stays that of the family's own defects.
    price : float
        Multiplier of every price, > 0: above 1 asks for fewer escapes.

    Returns
    -------
    Clouds
        The own defects, then the borrowed ones (none when `borrowed` is 0).
    """
    z = np.vstack([problem.defect_z, problem.kin_z]) if borrowed else problem.defect_z
    passing = pass_tables(problem.levels, z, widths(problem, factor))
    kept = price * (1.0 - problem.miss_rate)
    weight = problem.defect_weight / called_chance(problem, passing) ** damping
    cost = kept * problem.defect_price * weight
    own = cost.size
    if borrowed:
        cost = _with_kin(problem, cost, borrowed, kept)
    return Clouds(passing=passing, cost=cost, own=own)


def kin_cost(problem: Problem, mass: float, borrowed: float, price: float) -> Floats:
    """Return what each borrowed cloud costs when it escapes.

    Parameters
    ----------
    problem : Problem
        The family.
    mass : float
        Cost of all own defects escaping, money.
    borrowed : float
        Share of that mass that the siblings take over, 0..1.
    price : float
        Multiplier of every price.

    Returns
    -------
    ndarray, shape (b,)
        In proportion to their prices.
    """
    share = problem.kin_price / max(float(problem.kin_price.sum()), np.finfo(np.float64).tiny)
    unseen = UNSEEN_DEFECTS * price * float(problem.kin_price.mean()) if share.size else 0.0
    return share * (borrowed * mass if mass > 0 else unseen)


def _with_kin(problem: Problem, cost: Floats, borrowed: float, price: float) -> Floats:
    """Own costs lowered by what the siblings' clouds take over, then those."""
    kin = kin_cost(problem, float(cost.sum()), borrowed, price)
    return np.concatenate([(1.0 - borrowed) * cost if kin.size else cost, kin])


def escapes_live(problem: Problem) -> Bools:
    """Return which labelled defects the live limits let escape.

    Parameters
    ----------
    problem : Problem
        The family.

    Returns
    -------
    ndarray of bool, shape (d,)
    """
    return ~is_called(problem.live, problem.defect_ranks)
