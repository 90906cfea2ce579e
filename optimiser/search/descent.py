"""Descent on one family's tally: one limit at a time, over all its levels at once.

The blurred cost of a setting is smooth and nearly one-valleyed, so setting each limit in
turn to its cheapest level, the others held, ends at the best setting from nearly every
start. What a limit's levels cost follows from one histogram of the signatures that no other
limit calls and one product with the clouds' pass tables.

Knows nothing of folds, trials or optuna. Public: ``Terrain``, ``make_terrain``,
``cost_of``, ``descend``, ``best_of``, ``starts_for``, ``move_few``, ``draw_in``, ``make_catch``.

Shape letters: **m** limits, **k** levels of a limit, **s** signatures, **q** clouds,
**c** must-catch items, **g** groups of lots.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimiser.search.blur import Clouds
from optimiser.search.problem import Bools, Floats, Ints, Problem

MAX_SWEEPS = 60
# Costs that differ by less than this share are a tie, and ties go to the tightest level.
TIE = 1e-12
# Limits whose chances are multiplied together once and not for every limit that is looked at.
BLOCK = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Terrain:
    """What every setting of one family costs, in a form made for descent.

    Parameters
    ----------
    ranks : ndarray of int, shape (m, s)
        Signatures, one row per limit.
    review : ndarray, shape (s, g)
        Cost of calling all items of a signature in each group of lots, money.
    review_always : ndarray, shape (g,)
        Cost of the calls that every setting makes.
    passing : tuple of m ndarrays, shapes (k_l, q)
        Chance that each cloud lies inside each level.
    escape : ndarray, shape (q, g)
        Cost of each cloud's escape, shared out over the groups, money.
    must : ndarray of int, shape (c, m)
        Signatures that every setting has to call.
    last : ndarray of int, shape (m,)
        Loosest level that may be set.
    worst : float
        Weight of the dearest group against the average one, 0..1.
    """

    ranks: Ints
    review: Floats
    review_always: Floats
    passing: tuple[Floats, ...]
    escape: Floats
    must: Ints
    last: Ints
    worst: float


def make_terrain(
    problem: Problem,
    clouds: Clouds,
    *,
    groups: Ints | None = None,
    worst: float = 0.0,
) -> Terrain:
    """Return the terrain of a family.

    Parameters
    ----------
    problem : Problem
        The family.
    clouds : Clouds
        Its defects.
    groups : ndarray of int, shape (t,), optional
        Group of each lot; a lot in group -1 is left out. One group of all lots when not
        given.
    worst : float
        Weight of the dearest group, 0..1. At 0 the groups are summed into one.

    Returns
    -------
    Terrain
    """
    groups = np.zeros(problem.lots, dtype=np.int64) if groups is None else groups
    if worst == 0.0:
        groups = np.minimum(groups, 0)
    share = (groups[:, None] == np.arange(max(int(groups.max(initial=0)) + 1, 1))).astype(float)
    even = np.full((1, share.shape[1]), 1.0 / share.shape[1])
    by_group = np.vstack([share, even])[clouds.lot]  # row -1, the even one, for lot -1
    return Terrain(
        ranks=np.ascontiguousarray(problem.ranks.T),
        review=problem.false_call_cost * np.asarray(problem.counts @ share, dtype=np.float64),
        review_always=problem.false_call_cost * (problem.always @ share),
        passing=clouds.passing,
        escape=clouds.cost[:, None] * by_group,
        must=problem.must_ranks,
        last=problem.last,
        worst=worst,
    )


def cost_of(terrain: Terrain, setting: Ints) -> float:
    """Return the cost of one setting.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    setting : ndarray of int, shape (m,)
        One level index per limit.

    Returns
    -------
    float
        Money: the sum over groups, moved towards the number of groups times the dearest
        one by the terrain's `worst`.
    """
    called = (setting[:, None] < terrain.ranks).any(axis=0)
    chance = np.ones(terrain.escape.shape[0])
    for level, table in zip(setting, terrain.passing, strict=True):
        chance = chance * table[level]
    by_group = called @ terrain.review + terrain.review_always + chance @ terrain.escape
    return float(_mixed(by_group[None, :], terrain.worst)[0])


def descend(terrain: Terrain, start: Ints, movable: Bools) -> Ints:
    """Return the setting at the foot of the valley in which a start lies.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    start : ndarray of int, shape (m,)
        A setting that calls every must-catch item (see `make_catch`).
    movable : ndarray of bool, shape (m,)
        Limits that may move; the others stay as in the start.

    Returns
    -------
    ndarray of int, shape (m,)
        No single limit can be moved to a cheaper level. Among levels of equal cost the
        tightest; must-catch items stay called.
    """
    state = _State(terrain, start)
    limits = np.flatnonzero(movable)
    quiet = 0
    for step in range(MAX_SWEEPS * max(limits.size, 1)):
        if quiet >= limits.size:
            break
        limit = int(limits[step % limits.size])
        moved = state.move(limit, _cheapest(state.costs_along(limit)))
        quiet = 1 if moved else quiet + 1
    return state.setting


def best_of(terrain: Terrain, starts: list[Ints], movable: Bools) -> Ints:
    """Return the cheapest foot of the valleys of several starts.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    starts : list of ndarrays of int, shape (m,)
        At least one; each calls every must-catch item.
    movable : ndarray of bool, shape (m,)
        Limits that may move.

    Returns
    -------
    ndarray of int, shape (m,)
        The first of the cheapest.
    """
    feet = [descend(terrain, start, movable) for start in starts]
    return feet[int(np.argmin([cost_of(terrain, foot) for foot in feet]))]


def starts_for(terrain: Terrain, live: Ints, movable: Bools) -> list[Ints]:
    """Return settings from which descent between them finds the best foot.

    Without must-catch items the live and the tightest setting are enough. A must-catch item
    that would escape at the foot makes a wall that one limit at a time cannot cross, so each
    limit that can call such an item gets a start in which it does.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    live : ndarray of int, shape (m,)
        The live setting.
    movable : ndarray of bool, shape (m,)
        Limits that may move.

    Returns
    -------
    list of ndarrays of int, shape (m,)
        All call every must-catch item.
    """
    caught = make_catch(terrain, live, movable)
    starts = [caught, np.where(movable, 0, caught)]
    foot = best_of(replace(terrain, must=terrain.must[:0]), starts, movable)
    missed = terrain.must[~(foot < terrain.must).any(axis=1)]
    for limit in np.flatnonzero(movable & (missed > 0).any(axis=0)):
        led = foot.copy()
        led[limit] = missed[missed[:, limit] > 0, limit].min() - 1
        starts.append(make_catch(terrain, led, movable))
    return starts if missed.size else [foot]


def move_few(terrain: Terrain, live: Ints, most: int) -> Ints:
    """Return a cheap setting that differs from the live one in few limits.

    The limit whose move alone gains most is freed first, then all freed ones descend
    together, then the next is freed.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    live : ndarray of int, shape (m,)
        The live setting, made to call every must-catch item.
    most : int
        Limits that may differ from it, >= 0.

    Returns
    -------
    ndarray of int, shape (m,)
    """
    setting, movable = live, np.zeros(live.size, dtype=np.bool_)
    for _ in range(min(most, live.size)):
        state, now = _State(terrain, setting), cost_of(terrain, setting)
        gains = [-np.inf if movable[i] else state.gain(i) for i in range(live.size)]
        freed = int(np.argmax(gains))
        if gains[freed] <= TIE * abs(now):
            break
        movable[freed] = True
        setting = descend(terrain, setting, movable)
    return setting


def draw_in(terrain: Terrain, setting: Ints, movable: Bools) -> Ints:
    """Return the setting with each limit drawn in as far as no review cost is added.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    setting : ndarray of int, shape (m,)
        One level index per limit.
    movable : ndarray of bool, shape (m,)
        Limits that may move.

    Returns
    -------
    ndarray of int, shape (m,)
        Nowhere looser than given; calls the same non-defects.
    """
    state = _State(terrain, setting)
    for limit in np.flatnonzero(movable):
        added = state.review_along(int(limit))
        dear = (added[: state.setting[limit]] > added[state.setting[limit]]).any(axis=1)
        state.move(int(limit), int(np.flatnonzero(dear)[-1]) + 1 if dear.any() else 0)
    return state.setting


def make_catch(terrain: Terrain, setting: Ints, movable: Bools) -> Ints:
    """Return the setting tightened until it calls every must-catch item.

    Parameters
    ----------
    terrain : Terrain
        What settings cost.
    setting : ndarray of int, shape (m,)
        One level index per limit.
    movable : ndarray of bool, shape (m,)
        Limits tried first; the rest only for an item that these cannot call.

    Returns
    -------
    ndarray of int, shape (m,)

    Raises
    ------
    ValueError
        If no setting on the grid calls one of them.
    """
    setting = setting.copy()
    for row, must in enumerate(terrain.must):
        if (setting < must).any():
            continue
        able = np.flatnonzero((must > 0) & movable)
        able = able if able.size else np.flatnonzero(must > 0)
        if not able.size:
            msg = (
                f"every must-catch item must be callable at some level, got one beyond all "
                f"{setting.size} limits at row {row}; widen the grid or take it off the list"
            )
            raise ValueError(msg)
        trials = np.repeat(setting[None, :], able.size, axis=0)
        trials[np.arange(able.size), able] = must[able] - 1
        setting = trials[int(np.argmin([cost_of(terrain, trial) for trial in trials]))]
    return setting


class _State:
    """A setting on its way down: who calls each signature, which clouds pass each limit."""

    __slots__ = ("blocks", "calls", "factors", "must_calls", "setting", "terrain")

    def __init__(self, terrain: Terrain, start: Ints) -> None:
        self.terrain = terrain
        self.setting = np.array(start, dtype=np.int64)
        self.calls: NDArray[np.int16] = (self.setting[:, None] < terrain.ranks).sum(
            axis=0, dtype=np.int16
        )
        self.must_calls = (self.setting < terrain.must).sum(axis=1)
        self.factors = np.array(
            [table[j] for j, table in zip(self.setting, terrain.passing, strict=True)]
        )
        starts = range(0, len(self.factors), BLOCK)
        self.blocks = [self.factors[start : start + BLOCK].prod(axis=0) for start in starts]

    def _others(self, limit: int) -> Floats:
        """Chance that each cloud lies inside all limits but this one; shape (q,)."""
        block, row = divmod(limit, BLOCK)
        factors = self.factors[block * BLOCK : (block + 1) * BLOCK]
        own = factors[row].copy()
        factors[row] = 1.0
        others: Floats = factors.prod(axis=0)
        factors[row] = own
        for other, product in enumerate(self.blocks):
            if other != block:
                others *= product
        return others

    def review_along(self, limit: int) -> Floats:
        """Review cost of signatures only this limit calls, by level; shape (k, g)."""
        ranks = self.terrain.ranks[limit]
        free = self.calls == (self.setting[limit] < ranks)
        levels = self.terrain.passing[limit].shape[0]
        by_rank = np.stack(
            [np.bincount(ranks, free * column, levels + 1) for column in self.terrain.review.T],
            axis=1,
        )
        from_above = np.cumsum(by_rank[::-1], axis=0)[::-1]
        return np.asarray(from_above[1:], dtype=np.float64)

    def costs_along(self, limit: int) -> Floats:
        """Cost of each level, the other limits held, inf where a must-catch would escape."""
        terrain = self.terrain
        by_group = terrain.passing[limit] @ (self._others(limit)[:, None] * terrain.escape)
        by_group = by_group + self.review_along(limit) + self._called_by_others(limit)
        costs = _mixed(by_group, terrain.worst)
        costs[self._loosest(limit) + 1 :] = np.inf
        return costs

    def gain(self, limit: int) -> float:
        """Return what moving this limit alone to its cheapest level saves."""
        costs = self.costs_along(limit)
        return float(costs[self.setting[limit]] - costs.min())

    def move(self, limit: int, level: int) -> bool:
        """Set one limit; True if that changed it."""
        before = int(self.setting[limit])
        if level == before:
            return False
        ranks, must = self.terrain.ranks[limit], self.terrain.must[:, limit]
        self.calls += (level < ranks).astype(np.int16)
        self.calls -= (before < ranks).astype(np.int16)
        self.must_calls += (level < must).astype(np.int64) - (before < must)
        self.factors[limit] = self.terrain.passing[limit][level]
        block = limit // BLOCK
        self.blocks[block] = self.factors[block * BLOCK : (block + 1) * BLOCK].prod(axis=0)
        self.setting[limit] = level
        return True

    def _called_by_others(self, limit: int) -> Floats:
        """Review cost that stays whatever this limit does; shape (g,)."""
        if self.terrain.worst == 0.0:
            return np.zeros(self.terrain.review.shape[1])
        kept = self.calls > (self.setting[limit] < self.terrain.ranks[limit])
        return np.asarray(kept @ self.terrain.review + self.terrain.review_always)

    def _loosest(self, limit: int) -> int:
        """Find the loosest level allowed that keeps the must-catch items only this limit calls."""
        must = self.terrain.must[:, limit]
        alone = (self.must_calls == (self.setting[limit] < must)) & (must > 0)
        last = int(self.terrain.last[limit])
        return min(int(must[alone].min()) - 1, last) if alone.any() else last


def _mixed(by_group: Floats, worst: float) -> Floats:
    """Sum over groups, moved towards g times the dearest group; rows are settings."""
    total: Floats = by_group.sum(axis=1)
    if worst == 0.0:
        return total
    dearest = by_group.shape[1] * by_group.max(axis=1)
    return np.asarray((1.0 - worst) * total + worst * dearest, dtype=np.float64)


def _cheapest(costs: Floats) -> int:
    """Find the tightest of the cheapest levels."""
    least = float(costs.min())
    return int(np.argmax(costs <= least + TIE * abs(least)))
