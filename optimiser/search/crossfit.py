"""Held-out outcomes: what a way of choosing limits does on lots it has not seen.

The lots are cut into folds, a setting is fitted without each fold and scored on it. So
every lot has false calls, and every labelled defect a chance to escape, that the fit could
not have arranged. Knows how a recipe for fitting becomes a setting; knows no optuna.

Public: ``Way``, ``fit``; ``fold_lots``, ``Yardstick``, ``make_yardstick``, ``Heldout``,
``crossfit``, ``hold_out``, ``Apart``.

Shape letters: **m** limits, **d** defects, **t** lots, **f** folds.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from optimiser.search.blur import (
    Blur,
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
    is_called,
    keeps_to_rails,
    without_lots,
)

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
    """

    setting: Ints
    fold_settings: Ints
    false_calls: Ints
    escape: Floats
    near_escape: Floats


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
    apart : tuple of f Problem
        What the lots outside each fold pose by themselves: all that a fit for that fold sees.
    """

    lot_fold: Ints
    again: tuple[Floats, ...]
    near: tuple[Floats, ...]
    apart: tuple[Problem, ...]

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


def fit(problem: Problem, way: Way, *, lot_fold: Ints | None = None, without: int = -1) -> Ints:
    """Return the setting that a way chooses.

    Parameters
    ----------
    problem : Problem
        The family.
    way : Way
        How to choose.
    lot_fold : ndarray of int, shape (t,), optional
        Fold of each lot; the dearest fold counts when the way asks for it.
    without : int
        Fold left out; -1 for none.

    Returns
    -------
    ndarray of int, shape (m,)
    """
    seen = problem
    if lot_fold is not None and without >= 0:
        seen = without_lots(problem, lot_fold != without)
    return _fit(seen, way, _without(problem, lot_fold, without))


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
    again = widths(problem, 0.0)
    near = widths(problem, narrowed(np.ones(problem.defect_lot.size), NEAR))
    lot_fold = fold_lots(problem, folds=folds)
    pose = apart or partial(without_lots, problem)
    return Yardstick(
        apart=tuple(pose(lot_fold != v) for v in range(int(lot_fold.max()) + 1)),
        lot_fold=lot_fold,
        again=pass_tables(problem.levels, problem.defect_z, again),
        near=pass_tables(problem.levels, problem.defect_z, near),
    )


def crossfit(problem: Problem, way: Way, yardstick: Yardstick) -> Heldout:
    """Return a way's setting and what it does on lots it has not seen.

    Parameters
    ----------
    problem : Problem
        The family.
    way : Way
        How to choose; everything it decides is decided anew without each fold.
    yardstick : Yardstick
        From `make_yardstick`.

    Returns
    -------
    Heldout
    """
    lot_fold = yardstick.lot_fold
    setting = _fit(problem, way, lot_fold)
    fold_settings = np.array(
        [
            _fit(seen, way, _without(problem, lot_fold, fold))
            for fold, seen in enumerate(yardstick.apart)
        ]
    )
    return hold_out(problem, setting, fold_settings, yardstick)


def hold_out(problem: Problem, setting: Ints, fold_settings: Ints, yardstick: Yardstick) -> Heldout:
    """Return the held-out outcomes of settings that were fitted without each fold.

    Parameters
    ----------
    problem : Problem
        The family.
    setting : ndarray of int, shape (m,)
        Fitted on all lots, or fixed before any was seen.
    fold_settings : ndarray of int, shape (f, m)
        Fitted without each fold, or the fixed one f times.
    yardstick : Yardstick
        From `make_yardstick`.

    Returns
    -------
    Heldout
    """
    lot_fold, defect_fold = yardstick.lot_fold, yardstick.lot_fold[problem.defect_lot]
    false_calls = problem.always.copy()
    escape, near = np.zeros(defect_fold.size), np.zeros(defect_fold.size)
    for fold, chosen in enumerate(fold_settings):
        lots, defects = lot_fold == fold, defect_fold == fold
        false_calls[lots] += (is_called(chosen, problem.ranks) @ problem.counts)[lots]
        escape[defects] = escape_chance(chosen, yardstick.again)[defects]
        near[defects] = escape_chance(chosen, yardstick.near)[defects]
    return Heldout(
        setting=setting,
        fold_settings=fold_settings,
        false_calls=false_calls,
        escape=escape,
        near_escape=near,
    )


def _without(problem: Problem, lot_fold: Ints | None, fold: int) -> Ints:
    """Group the lots, one fold left out (-1) and the others numbered from 0."""
    if lot_fold is None:
        return np.zeros(problem.lots, dtype=np.int64)
    if fold < 0:
        return lot_fold
    return np.where(lot_fold == fold, -1, lot_fold - (lot_fold > fold))


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
