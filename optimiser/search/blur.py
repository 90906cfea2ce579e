"""A labelled defect stands for its neighbours: its cloud, and the chance that it escapes.

A few dozen defects are a thin sample. The setting that counts best on them hugs them and
lets the next ones through, so each is spread by a bandwidth per limit and escapes with the
chance that a draw from its cloud lies inside every limit. Kinds of defect that have not
been seen yet stand in too: as far beyond one limit as the seen ones lie beyond theirs.
This file knows the clouds; it knows no non-defects, no costs of review and no search.

Public: ``Blur``, ``Clouds``, ``own_tables``, ``make_clouds``; ``widths``, ``cloud_widths``,
``pass_tables``, ``cloud_tables``, ``narrowed``, ``escape_chance``, ``called_chance``,
``escape_prices``, ``escapes_live``.

Shape letters: **m** limits, **k** levels of a limit, **d** defects, **b** borrowed ones,
**q** clouds (own defects, then borrowed ones, then unseen kinds).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from optimiser.search.problem import Bools, Floats, Ints, Problem
from optimiser.tally.count import is_called

# A cloud of a defect that the live limits called lies at least half beyond them, unless the
# label came from another recipe: then its weight stops here instead of running away.
LEAST_CALLED_CHANCE = 0.25
# A family without a defect of its own is taken to have had half a one (the usual correction
# of a zero count), so that borrowed defects can speak there at all.
UNSEEN_DEFECTS = 0.5
# More defects need less blur. The power was measured on the made-up plant and on strangers: 1.5
# standard deviations of the goods at 10 labels, 1.1 at 40, 0.8 at 100.
NARROWING, NARROW_FROM = -1.0 / 4.0, 10.0
# Where a defect measures like a good it is spread by this share of the width only.
AMONG_GOODS = 0.3
# How an unseen kind's depth is drawn: the middles of fifths of the seen depths.
DEPTHS = (np.arange(5) + 0.5) / 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """How labelled defects become clouds.

    Parameters
    ----------
    bandwidth : float
        Width in standard deviations of the goods for ten labelled defects, > 0; narrows
        with the fourth root of their number.
    damping : float
        How far a label that came from a call is weighted up by the inverse of its cloud's
        chance to be called: 0 not at all, 1 fully; between them that power of it.
    borrowed : float
        Share of the defects' mass that siblings' defects make up, 0..1. They lend their
        places, not their number: the mass stays that of the family's own defects.
    unseen : float
        Defects' worth of mass spread evenly over the limits for kinds not seen yet, >= 0.
    price : float
        Multiplier of every price, > 0: above 1 asks for fewer escapes.
    """

    bandwidth: float = 1.5
    damping: float = 0.0
    borrowed: float = 0.0
    unseen: float = 1.0
    price: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clouds:
    """The defects of one family as clouds, ready for the descent.

    Parameters
    ----------
    passing : tuple of m ndarrays, shapes (k_l, q)
        Chance that a draw from each cloud lies inside each level of each limit, 0..1.
    cost : ndarray, shape (q,)
        Money lost when the cloud escapes: price times all the weights.
    lot : ndarray of int, shape (q,)
        Lot of an own defect; -1 for a cloud that belongs to none.
    """

    passing: tuple[Floats, ...]
    cost: Floats
    lot: Ints


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


def cloud_widths(problem: Problem, z: Floats, factor: float) -> Floats:
    """Return how widely each cloud is spread at each limit.

    Where a defect lies among the goods, a deviation or more inside the tightest level that may be
    set, it is narrow: it is there because it is a good in this respect, and spread like the rest
    it would seem to be caught, a little at every limit, by limits that have nothing to do with it.

    Parameters
    ----------
    problem : Problem
        The family.
    z : ndarray, shape (q, m)
        Centres; -inf where not measured.
    factor : float
        Standard deviations of the goods, > 0.

    Returns
    -------
    ndarray, shape (q, m)
        In the measurement's unit: as `widths` has it from the tightest level on, `AMONG_GOODS` of
        that from one standard deviation of the goods inside it, in proportion between; never
        below the repeatability.
    """
    tightest = np.array([level[0] for level in problem.levels])
    with np.errstate(over="ignore"):
        out = np.clip(1.0 + (z - tightest) / widths(problem, 1.0), 0.0, 1.0)
    narrow = (AMONG_GOODS + (1.0 - AMONG_GOODS) * out) * widths(problem, factor)
    return np.asarray(np.maximum(narrow, widths(problem, 0.0)), dtype=np.float64)


def pass_tables(levels: tuple[Floats, ...], z: Floats, width: Floats) -> tuple[Floats, ...]:
    """Return the chance that each cloud lies inside each level, limit by limit.

    Parameters
    ----------
    levels : tuple of m ndarrays, shapes (k_l,)
        Settable levels; +inf is a limit that is off.
    z : ndarray, shape (q, m)
        Centres; -inf where not measured.
    width : ndarray, shape (m,) or (q, m)
        Bandwidths, > 0; of each cloud, or of all.

    Returns
    -------
    tuple of m ndarrays, shapes (k_l, q)
        1 where the limit is off or the measurement missing.
    """
    width = np.broadcast_to(width, z.shape)
    with np.errstate(over="ignore"):
        return tuple(
            np.asarray(ndtr((level[:, None] - z[:, i]) / width[:, i]), dtype=np.float64)
            for i, level in enumerate(levels)
        )


def cloud_tables(problem: Problem, z: Floats, factor: float) -> tuple[Floats, ...]:
    """Return the pass tables of clouds that are as wide as `cloud_widths` has it.

    Parameters
    ----------
    problem : Problem
        The family.
    z : ndarray, shape (q, m)
        Centres; -inf where not measured.
    factor : float
        Standard deviations of the goods, > 0.

    Returns
    -------
    tuple of m ndarrays, shapes (k_l, q)
    """
    return pass_tables(problem.levels, z, cloud_widths(problem, z, factor))


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
    passing : tuple of m ndarrays, shapes (k_l, d)
        Tables of the own defects.

    Returns
    -------
    ndarray, shape (d,)
        1 for a label that did not come from a call, else at least `LEAST_CALLED_CHANCE`.
    """
    chance = np.maximum(1.0 - escape_chance(problem.live, passing), LEAST_CALLED_CHANCE)
    return np.where(problem.defect_called, chance, 1.0)


def escape_prices(problem: Problem) -> Floats:
    """Return what the escape of each labelled defect costs beyond the reviewers' misses.

    Parameters
    ----------
    problem : Problem
        The family.

    Returns
    -------
    ndarray, shape (d,)
        Money: price times weight times the chance that a reviewer would have caught it.
    """
    return (1.0 - problem.miss_rate) * problem.defect_price * problem.defect_weight


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


def own_tables(problem: Problem, blur: Blur) -> tuple[Floats, ...]:
    """Return the pass tables of the own defects and, after them, of those to be borrowed.

    They are the costly part of the clouds and the same in every fold.

    Parameters
    ----------
    problem : Problem
        The family.
    blur : Blur
        How defects become clouds.

    Returns
    -------
    tuple of m ndarrays, shapes (k_l, d + b)
    """
    z = np.vstack([problem.defect_z, problem.kin_z]) if blur.borrowed else problem.defect_z
    return cloud_tables(problem, z, narrowed(problem.defect_weight, blur.bandwidth))


def make_clouds(problem: Problem, blur: Blur, tables: tuple[Floats, ...], kept: Bools) -> Clouds:
    """Return the clouds that a fit may see.

    Parameters
    ----------
    problem : Problem
        The family.
    blur : Blur
        How defects become clouds.
    tables : tuple of m ndarrays, shapes (k_l, d + b)
        From `own_tables`.
    kept : ndarray of bool, shape (d,)
        Own defects that may be seen; all else is made from these alone.

    Returns
    -------
    Clouds
        The own defects kept, then the borrowed ones, then unseen kinds.
    """
    d = problem.defect_lot.size
    own = tuple(table[:, :d] for table in tables)
    weight = called_chance(problem, own) ** -blur.damping
    cost = (blur.price * escape_prices(problem) * weight)[kept]
    columns = np.concatenate([kept, np.ones(tables[0].shape[1] - d, dtype=np.bool_)])
    parts = [tuple(table[:, columns] for table in tables)]
    costs = [cost * (1.0 - blur.borrowed), _kin_costs(problem, blur, cost)]
    if blur.unseen > 0 and cost.size:
        parts.append(_unseen_tables(problem, blur, kept))
        added = parts[-1][0].shape[1]
        costs.append(np.full(added, blur.unseen * cost.mean() / max(added, 1)))
    lent = sum(part.size for part in costs[1:])
    return Clouds(
        passing=tuple(np.hstack(limit) for limit in zip(*parts, strict=True)),
        cost=np.concatenate(costs),
        lot=np.concatenate([problem.defect_lot[kept], np.full(lent, -1)]),
    )


def narrowed(weight: Floats, bandwidth: float) -> float:
    """Return a bandwidth made narrower, or wider, for the number of labels there are.

    Parameters
    ----------
    weight : ndarray, shape (d,)
        How many defects each label stands for.
    bandwidth : float
        Standard deviations of the goods, for ten labelled defects.

    Returns
    -------
    float
        Standard deviations of the goods. Unequal weights count as fewer labels.
    """
    number = float(weight.sum() ** 2 / (weight @ weight)) if weight.size else 1.0
    return bandwidth * float((max(number, 1.0) / NARROW_FROM) ** NARROWING)


def _kin_costs(problem: Problem, blur: Blur, own: Floats) -> Floats:
    """Share out what the siblings' clouds take over, in proportion to their prices."""
    if not blur.borrowed:
        return np.empty(0)
    price = problem.kin_price
    share = price / max(float(price.sum()), np.finfo(np.float64).tiny)
    kept = blur.price * (1.0 - problem.miss_rate)
    mass = blur.borrowed * own.sum() if own.size else kept * UNSEEN_DEFECTS * price.mean()
    return np.asarray(share * mass, dtype=np.float64)


def _unseen_tables(problem: Problem, blur: Blur, kept: Bools) -> tuple[Floats, ...]:
    """Place clouds beyond each limit alone, as deep as the seen defects lie beyond theirs."""
    live = np.array([level[j] for level, j in zip(problem.levels, problem.live, strict=True)])
    last = np.array([level[np.isfinite(level)].max(initial=-np.inf) for level in problem.levels])
    near = np.minimum(live, last)  # a limit that is off is entered at its last finite level
    unit = widths(problem, 1.0)
    # A limit without any scatter is a check: failed or passed, and no depth beside the others'.
    check = unit <= np.finfo(np.float64).tiny
    unit = np.where(check, 0.5, unit)
    can = np.isfinite(near) & ~check
    depth = (problem.defect_z[kept][:, can] - near[can]) / unit[can]
    depth = depth.max(axis=1, initial=-np.inf)
    depths = np.quantile(depth[np.isfinite(depth)], DEPTHS) if np.isfinite(depth).any() else []
    z = np.full((problem.m * len(depths), problem.m), -np.inf)
    for i in range(problem.m):
        beyond = np.ones(len(depths)) if check[i] else np.asarray(depths)
        z[i * len(depths) : (i + 1) * len(depths), i] = near[i] + beyond * unit[i]
    return cloud_tables(problem, z, narrowed(problem.defect_weight, blur.bandwidth))
