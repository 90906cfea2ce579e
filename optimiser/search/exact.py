"""The exact front of what was counted: fewest false calls for each number of escapes.

The problem is a set cover with union costs: each labelled defect must be caught by some
limit, and the non-defects that any of the chosen levels calls are paid once. Branch and
bound over bitsets solves it; a time limit returns the best setting found together with the
bound that is proved.
"""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, cycle

import numpy as np

from optimiser.errors import InputError
from optimiser.search.bitsets import Cover, Search, members, reduce_problem, union
from optimiser.search.problem import Ints, Problem
from optimiser.tally.count import is_called

# Parts of the search looked at before the next point has its turn.
FIRST_TURN = 30
# Share of the time limit after which good settings come before proofs.
SHORT_OF_TIME = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrontPoint:
    """The fewest false calls at one number of escapes.

    Parameters
    ----------
    escapes : int
        At most this many labelled defects are not called.
    false_calls : int
        Non-defects that `setting` calls, over all lots.
    setting : ndarray of int, shape (m,)
        One level index per limit, drawn in as far as `false_calls` allows.
    bound : int
        No setting with that few escapes calls fewer non-defects than this.
    proved : bool
        True when `false_calls` equals `bound`.
    """

    escapes: int
    false_calls: int
    setting: Ints
    bound: int
    proved: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExactFront:
    """Points by rising number of escapes; their false calls never rise.

    Parameters
    ----------
    points : tuple of FrontPoint
    proved : bool
        True when every point is.
    """

    points: tuple[FrontPoint, ...]
    proved: bool


def exact_front(
    problem: Problem, *, time_limit_s: float, escapes: Sequence[int] | None = None
) -> ExactFront:
    """Return the fewest false calls for each number of escapes among the labelled defects.

    Parameters
    ----------
    problem : Problem
    time_limit_s : float
        Seconds for all points together. When they are used up, the points not yet proved
        hold the best setting found and the bound proved so far.
    escapes : sequence of int, optional
        Numbers of escapes wanted. By default every one from the least possible (the number
        of defects that no setting calls) to the first at which false calls are as few as
        with no labelled defect at all. Numbers below the least possible are left out.

    Returns
    -------
    ExactFront

    Raises
    ------
    InputError
        When no setting can call one of the must-catch items.
    """
    begins = time.monotonic()
    _check_musts(problem)
    cover = reduce_problem(problem)
    first, last = cover.hopeless, cover.hopeless + cover.defects.bit_count()
    asked = range(last + 1) if escapes is None else sorted(set(escapes))
    wanted = [k for k in asked if k >= first]
    caps: dict[int, int] = {}
    searches = [Search(cover, min(k, last) - first, caps) for k in wanted]
    for missed, cost, positions in _greedy(cover):
        for search in searches:
            if missed <= search.allowed:
                search.offer(cost, positions)
    _run_all(searches, begins=begins, ends=begins + time_limit_s)
    points = [_point(problem, cover, k, search) for k, search in zip(wanted, searches, strict=True)]
    if escapes is None:
        points = _until_floor(points)
    return ExactFront(points=tuple(points), proved=all(p.proved for p in points))


def least_escapes(problem: Problem) -> int:
    """Return the number of labelled defects that no setting calls.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    int
    """
    return int((problem.defect_ranks <= 0).all(axis=1).sum())


def best_at_price(front: ExactFront, *, false_calls_per_escape: float) -> FrontPoint:
    """Return the point with the least false calls plus priced escapes.

    Parameters
    ----------
    front : ExactFront
    false_calls_per_escape : float
        How many false calls one escape is worth.

    Returns
    -------
    FrontPoint
        On equal cost the one with fewer escapes.
    """
    return min(
        front.points, key=lambda p: (p.false_calls + false_calls_per_escape * p.escapes, p.escapes)
    )


def draw_in(problem: Problem, setting: Ints) -> Ints:
    """Return the tightest setting that calls no non-defect more than the given one.

    Parameters
    ----------
    problem : Problem
    setting : ndarray of int, shape (m,)

    Returns
    -------
    ndarray of int, shape (m,)
        Unique: every limit stands just outside the non-defects that were not called.
    """
    counted = np.asarray(problem.counts.sum(axis=1)).reshape(-1) > 0
    passed = problem.ranks[counted & ~is_called(setting, problem.ranks)]
    drawn: Ints = passed.max(axis=0, initial=0).astype(np.int64)
    return drawn


def _check_musts(problem: Problem) -> None:
    lost = np.flatnonzero((problem.must_ranks <= 0).all(axis=1))
    if lost.size:
        raise InputError(
            f"every setting must call each must-catch item, but none can call row "
            f"{int(lost[0])} of must_ranks: its rank is 0 at all {problem.m} limits; "
            f"add a level that calls it, or take it off the must-catch set"
        )


def _point(problem: Problem, cover: Cover, escapes: int, search: Search) -> FrontPoint:
    levels = [cover.levels[i][p] for i, p in enumerate(search.best_positions)]
    setting = draw_in(problem, np.array(levels, dtype=np.int64))
    false_calls = cover.floor + search.best
    bound = cover.floor + search.bound()
    return FrontPoint(
        escapes=escapes,
        false_calls=false_calls,
        setting=setting,
        bound=bound,
        proved=bound == false_calls,
    )


def _until_floor(points: list[FrontPoint]) -> list[FrontPoint]:
    least = points[-1].false_calls
    return points[: 1 + next(i for i, p in enumerate(points) if p.false_calls == least)]


# --- first guesses ----------------------------------------------------------------------


def _greedy(cover: Cover) -> list[tuple[int, int, tuple[int, ...]]]:
    """Return steps (defects missed, non-defects called, positions), ever tighter.

    Every step takes the position that catches most per non-defect called; before the first,
    only must-catch items count.
    """
    at = (0,) * len(cover.costs)
    at = _catch(cover, at, cover.musts)[-1]
    path = [at, *_catch(cover, at, cover.defects)]
    return [
        (
            (cover.defects & ~union(cover.uses, at)).bit_count(),
            cover.weigh(union(cover.costs, at)),
            at,
        )
        for at in path
    ]


def _catch(cover: Cover, at: tuple[int, ...], targets: int) -> list[tuple[int, ...]]:
    path = [at]
    while left := targets & ~union(cover.uses, at):
        free = ~union(cover.costs, at)
        _, i, p = max(
            ((uses & left).bit_count() / (1 + cover.weigh(costs & free)), -i, -p)
            for i, row in enumerate(cover.uses)
            for p, (uses, costs) in enumerate(zip(row, cover.costs[i], strict=True))
            if uses & left
        )
        at = (*at[:-i], -p, *at[1 - i :])
        path.append(at)
    return path


def _descend(cover: Cover, search: Search, ends: float) -> None:
    """Improve the best choice two limits at a time until no pair can."""
    stale = 0
    pairs = cycle(combinations(range(len(cover.costs)), 2))
    enough = math.comb(len(cover.costs), 2)
    while stale < enough and time.monotonic() < ends:
        positions = _best_pair(cover, search, *next(pairs))
        cost = cover.weigh(union(cover.costs, positions))
        stale = 0 if cost < search.best else stale + 1
        search.offer(cost, positions)


def _best_pair(cover: Cover, search: Search, a: int, b: int) -> tuple[int, ...]:
    """Return the best choice that differs from the search's best at limits a and b only."""
    at = np.array(search.best_positions)
    at[[a, b]] = -1
    shape = len(cover.costs[a]), len(cover.costs[b])

    def left(first: Ints, weights: Ints) -> Ints:
        free = (first > at).all(axis=1)
        return _not_called(first[free][:, [a, b]], weights[free], shape)

    passed = left(cover.good_first, cover.good_weights)
    escapes = left(cover.target_first, _flags(cover.defects, cover))
    lost = left(cover.target_first, _flags(cover.musts, cover))
    passed[(escapes > search.allowed) | (lost > 0)] = -1
    at[a], at[b] = np.unravel_index(passed.argmax(), passed.shape)
    return tuple(int(p) for p in at)


def _not_called(first: Ints, weights: Ints, shape: tuple[int, int]) -> Ints:
    """Return the weight not called, for every pair of positions of two limits.

    Parameters
    ----------
    first : ndarray of int, shape (n, 2)
        First position of each limit that calls a row; the number of positions if none does.
    weights : ndarray of int, shape (n,)
    shape : tuple of int (p_a, p_b)
        Numbers of positions.

    Returns
    -------
    ndarray of int, shape (p_a, p_b)
    """
    rows, columns = shape[0] + 1, shape[1] + 1
    # Sums in float64 are exact: all non-defects together stay far below 2**53.
    cells = np.bincount(first[:, 0] * columns + first[:, 1], weights, rows * columns)
    table = cells.astype(np.int64).reshape(rows, columns)
    above: Ints = table[::-1, ::-1].cumsum(axis=0).cumsum(axis=1)[::-1, ::-1]
    return above[1:, 1:]


def _flags(bits: int, cover: Cover) -> Ints:
    flags = np.zeros(len(cover.options), dtype=np.int64)
    flags[members(bits)] = 1
    return flags


# --- all points together ----------------------------------------------------------------


def _run_all(searches: list[Search], *, begins: float, ends: float) -> None:
    """Search all points in turns, each twice as long; they share what they find.

    Turns are counted in nodes, not seconds, so that a front proved in good time is the same
    every time. The pair descent waits until as much was spent on the search itself, for
    most points need none; when time runs short it waits no longer.
    """
    short = begins + SHORT_OF_TIME * (ends - begins)
    waiting = list(searches)
    turn = FIRST_TURN
    while any(not s.done() for s in searches) and time.monotonic() < ends:
        for index, search in enumerate(searches):
            pairs = math.comb(len(search.best_positions), 2)
            if (
                search in waiting
                and not search.done()
                and (search.nodes > 4 * pairs or time.monotonic() > short)
            ):
                waiting.remove(search)
                _descend(search.cover, search, ends)
            search.run(turn, ends)
            _tell(searches, index)
        turn *= 2


def _tell(searches: list[Search], index: int) -> None:
    """Hand on what a search found, each way until it is no news."""
    told = searches[index]
    for more in searches[index + 1 :]:
        if more.best <= told.best:
            break
        more.offer(told.best, told.best_positions)
    bound = told.bound()
    for fewer in reversed(searches[:index]):
        if fewer.bound() >= bound:
            break
        fewer.lower = bound
