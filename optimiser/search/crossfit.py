"""Held-out outcomes: what a way of choosing limits does on lots it has not seen.

The lots are cut into folds, a setting is fitted without each fold and scored on it. So
every lot has false calls, and every labelled defect a chance to escape, that the fit could
not have arranged. Which way is best for a fold is judged on the other folds by fits that saw
neither: they are fitted without each pair of folds as well. Knows how a recipe for fitting
becomes a setting; knows no optuna.

Public: ``Way``, ``fit``; ``fold_lots``, ``Yardstick``, ``make_yardstick``, ``near_tables``,
``Heldout``, ``crossfit``, ``hold_out``, ``Apart``.

Shape letters: **m** limits, **d** defects, **t** lots, **f** folds.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from optimiser.search.blur import (
    Blur,
    cloud_tables,
    escape_chance,
    make_clouds,
    narrowed,
    own_tables,
    pass_tables,
    widths,
)
from optimiser.search.descent import (
    best_of,
    draw_in,
    make_catch,
    make_terrain,
    move_few,
    starts_for,
)
from optimiser.search.problem import (
    Bools,
    Floats,
    Ints,
    Problem,
    keeps_to_rails,
    without_lots,
)
from optimiser.tally.count import is_called

FOLDS = 5
Apart = Callable[[Bools], Problem]
"""Returns the problem that the kept lots alone pose, over the same levels and lots."""
# Ways are compared by held-out defects spread this widely (standard deviations of the goods
# at ten labels): with a few defects, whether each lies inside or outside is mostly chance.
NEAR = 1.0
# Times that escapes are priced up twofold, at most, to bring a setting back between the rails.
DOUBLINGS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way of choosing limits: all that descent itself cannot decide.

    Parameters
    ----------
    blur : Blur
        How labelled defects become clouds.
    worst : float
        Weight of the dearest fold of lots against the average one, 0..1.
    most_moved : int
        Limits that may differ from the live setting, >= 0.
    """

    blur: Blur = field(default_factory=Blur)
    worst: float = 0.0
    most_moved: int = 1_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heldout:
    """What one way of choosing limits does on lots that it was not fitted on.

    Parameters
    ----------
    setting : ndarray of int, shape (m,)
        Fitted on all lots.
    fold_settings : ndarray of int, shape (f, m)
        Fitted without each fold.
    false_calls : ndarray of int, shape (t,)
        False calls in each lot, of the setting fitted without its fold.
    escape : ndarray, shape (d,)
        Chance of each labelled defect to escape, measured again, the setting fitted without
        its fold.
    near_escape : ndarray, shape (d,)
        The same for a draw from its cloud: steadier, so what ways are compared by.
    nested_false_calls : ndarray of int, shape (f, t)
        By fold, what the choice made for it may see: false calls in each other lot, of the
        setting fitted without that fold and without the lot's; 0 in its own lots.
    nested_near_escape : ndarray, shape (f, d)
        Likewise.
    """

    setting: Ints
    fold_settings: Ints
    false_calls: Ints
    escape: Floats
    near_escape: Floats
    nested_false_calls: Ints
    nested_near_escape: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Yardstick:
    """What held-out outcomes of one family are measured with; the same for every way.

    Parameters
    ----------
    lot_fold : ndarray of int, shape (t,)
        Fold of each lot.
    again : tuple of m ndarrays, shapes (k_l, d)
        Chance that each labelled defect, measured again, lies inside each level.
    near : tuple of m ndarrays, shapes (k_l, d)
        Chance that a draw from its cloud does.
    apart : tuple of f tuples of f Problem
        What the lots outside two folds pose by themselves; on the diagonal, outside one: all
        that a fit for that fold sees.
    """

    lot_fold: Ints
    again: tuple[Floats, ...]
    near: tuple[Floats, ...]
    apart: tuple[tuple[Problem, ...], ...]

    @property
    def folds(self) -> int:
        """Number of folds."""
        return int(self.lot_fold.max()) + 1


def fold_lots(problem: Problem, *, folds: int = FOLDS, order: Ints | None = None) -> Ints:
    """Return the fold of each lot: runs of lots that hold alike of defects and false calls.

    Parameters
    ----------
    problem : Problem
        The family.
    folds : int
        Folds wanted, >= 2; fewer come back when there are fewer lots.
    order : ndarray of int, shape (t,), optional
        Order in which the lots are cut into runs; time when not given.

    Returns
    -------
    ndarray of int, shape (t,)
        0..f-1, every fold used.

    Raises
    ------
    ValueError
        If the history has fewer than two lots.
    """
    if problem.lots < 2:
        msg = (
            f"held-out figures need at least 2 lots, got {problem.lots}; "
            "name lots in the history, or cut it by day"
        )
        raise ValueError(msg)
    order = np.arange(problem.lots) if order is None else order
    goods = np.asarray(problem.counts.sum(axis=0), dtype=np.float64).ravel() + problem.always
    defects = np.bincount(problem.defect_lot, minlength=problem.lots).astype(np.float64)
    load = goods / max(goods.sum(), 1.0) + defects / max(defects.sum(), 1.0)
    load = load[order] + 1e-9
    middle = (np.cumsum(load) - load / 2) / load.sum()
    fold = np.empty(problem.lots, dtype=np.int64)
    fold[order] = np.unique(np.floor(folds * middle), return_inverse=True)[1]
    return fold


def fit(
    problem: Problem, way: Way, *, lot_fold: Ints | None = None, without: tuple[int, ...] = ()
) -> Ints:
    """Return the setting that a way chooses.

    Parameters
    ----------
    problem : Problem
        The family.
    way : Way
        How to choose.
    lot_fold : ndarray of int, shape (t,), optional
        Fold of each lot; the dearest fold counts when the way asks for it.
    without : tuple of int
        Folds left out.

    Returns
    -------
    ndarray of int, shape (m,)
    """
    seen = problem
    if lot_fold is not None and without:
        seen = without_lots(problem, ~np.isin(lot_fold, without))
    return _fit(seen, way, _without(problem, lot_fold, *without))


def make_yardstick(
    problem: Problem, *, folds: int = FOLDS, apart: Apart | None = None
) -> Yardstick:
    """Return what held-out outcomes of a family are measured with.

    Parameters
    ----------
    problem : Problem
        The family.
    folds : int
        Folds wanted, >= 2.
    apart : callable, optional
        Poses the problem of some lots alone; by default the others are cut out of this one.

    Returns
    -------
    Yardstick

    Notes
    -----
    How wide draws are follows the number of labels alone, so that nothing that a fold's labels
    hold reaches the choice made for that fold.
    """
    lot_fold = fold_lots(problem, folds=folds)
    pose = apart or partial(without_lots, problem)
    count = int(lot_fold.max()) + 1
    posed = {
        (v, w): pose((lot_fold != v) & (lot_fold != w))
        for v in range(count)
        for w in range(v, count)
    }
    return Yardstick(
        apart=tuple(tuple(posed[min(v, w), max(v, w)] for w in range(count)) for v in range(count)),
        lot_fold=lot_fold,
        again=pass_tables(problem.levels, problem.defect_z, widths(problem, 0.0)),
        near=near_tables(problem),
    )


def near_tables(problem: Problem) -> tuple[Floats, ...]:
    """Return the chance that a draw from each labelled defect's cloud lies inside each level.

    Parameters
    ----------
    problem : Problem
        The family.

    Returns
    -------
    tuple of m ndarrays, shapes (k_l, d)
    """
    factor = narrowed(np.ones(problem.defect_lot.size), NEAR)
    return cloud_tables(problem, problem.defect_z, factor)


def crossfit(problem: Problem, way: Way, yardstick: Yardstick, *, nested: bool = True) -> Heldout:
    """Return a way's setting and what it does on lots it has not seen.

    Parameters
    ----------
    problem : Problem
        The family.
    way : Way
        How to choose; everything it decides is decided anew without each fold.
    yardstick : Yardstick
        From `make_yardstick`.
    nested : bool
        Fit without each pair of folds as well. A way that no choice can take, whatever it
        does, is spared that; what it would have done to other folds is left at nothing.

    Returns
    -------
    Heldout
    """
    lot_fold, count = yardstick.lot_fold, yardstick.folds
    setting = _fit(problem, way, lot_fold)
    fitted = np.tile(problem.live, (count, count, 1))
    for v in range(count):
        for w in range(v, count) if nested else (v,):
            fitted[v, w] = fitted[w, v] = _fitted_without(problem, way, yardstick, (v, w))
    outcome = hold_out(problem, setting, fitted, yardstick)
    if nested:
        return outcome
    return replace(
        outcome,
        nested_false_calls=np.zeros_like(outcome.nested_false_calls),
        nested_near_escape=np.zeros_like(outcome.nested_near_escape),
    )


def hold_out(problem: Problem, setting: Ints, fitted: Ints, yardstick: Yardstick) -> Heldout:
    """Return the held-out outcomes of settings that were fitted without each fold.

    Parameters
    ----------
    problem : Problem
        The family.
    setting : ndarray of int, shape (m,)
        Fitted on all lots, or fixed before any was seen.
    fitted : ndarray of int, shape (f, f, m)
        Fitted without each pair of folds, and on the diagonal without each fold; or the fixed
        one f times f.
    yardstick : Yardstick
        From `make_yardstick`.

    Returns
    -------
    Heldout
    """
    lot_fold, count = yardstick.lot_fold, yardstick.folds
    defect_fold = lot_fold[problem.defect_lot]
    calls = np.zeros((count, lot_fold.size), dtype=np.int64)
    escape = np.zeros(defect_fold.size)
    near = np.zeros((count, defect_fold.size))
    for v in range(count):
        for w in range(count):
            lots, defects, chosen = lot_fold == w, defect_fold == w, fitted[v, w]
            calls[v, lots] = (is_called(chosen, problem.ranks) @ problem.counts)[lots]
            calls[v, lots] += problem.always[lots]
            near[v, defects] = escape_chance(chosen, yardstick.near)[defects]
        own = defect_fold == v
        escape[own] = escape_chance(fitted[v, v], yardstick.again)[own]
    its_own = lot_fold == np.arange(count)[:, None]
    its_defects = defect_fold == np.arange(count)[:, None]
    return Heldout(
        setting=setting,
        fold_settings=fitted[np.arange(count), np.arange(count)],
        false_calls=calls[lot_fold, np.arange(lot_fold.size)],
        escape=escape,
        near_escape=near[defect_fold, np.arange(defect_fold.size)],
        nested_false_calls=np.where(its_own, 0, calls),
        nested_near_escape=np.where(its_defects, 0.0, near),
    )


def _fitted_without(
    problem: Problem, way: Way, yardstick: Yardstick, left_out: tuple[int, int]
) -> Ints:
    """Fit on the lots outside two folds; the live setting where these are all there are."""
    groups = _without(problem, yardstick.lot_fold, *left_out)
    seen = yardstick.apart[left_out[0]][left_out[1]]
    return _fit(seen, way, groups) if (groups >= 0).any() else problem.live


def _without(problem: Problem, lot_fold: Ints | None, *left_out: int) -> Ints:
    """Group the lots by fold, those left out in -1 and the others numbered from 0."""
    if lot_fold is None:
        return np.zeros(problem.lots, dtype=np.int64)
    gone = np.isin(lot_fold, left_out)
    groups = np.full(lot_fold.size, -1, dtype=np.int64)
    groups[~gone] = np.unique(lot_fold[~gone], return_inverse=True)[1]
    return groups


def _fit(problem: Problem, way: Way, groups: Ints) -> Ints:
    """Fit; where the setting leaves a rail, escapes are priced up until it does not."""
    live = problem.live
    for doubling in range(DOUBLINGS):
        blur = replace(way.blur, price=way.blur.price * 2.0**doubling)
        setting, live = _foot(problem, replace(way, blur=blur), groups)
        if keeps_to_rails(problem, setting):
            return setting
    return live


def _foot(problem: Problem, way: Way, groups: Ints) -> tuple[Ints, Ints]:
    """Descend from the live and the tightest setting, or move few limits from the live one.

    Returned with the live setting, made to call every must-catch item.
    """
    tables = own_tables(problem, way.blur)
    clouds = make_clouds(problem, way.blur, tables, groups[problem.defect_lot] >= 0)
    terrain = make_terrain(problem, clouds, groups=groups, worst=way.worst)
    every = np.ones(problem.m, dtype=np.bool_)
    live = make_catch(terrain, problem.live, every)
    if way.most_moved < problem.m:
        setting = move_few(terrain, live, way.most_moved)
        return draw_in(terrain, setting, setting != live), live
    starts = starts_for(terrain, problem.live, every)
    return draw_in(terrain, best_of(terrain, starts, every), every), live
