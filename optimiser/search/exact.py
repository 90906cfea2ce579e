"""The exact front of what was counted: fewest false calls for each number of escapes.

The problem is a set cover with union costs: each labelled defect must be caught by some
limit, and the non-defects that any of the chosen levels calls are paid once. Branch and
bound over bitsets solves it; a time limit returns the best setting found together with the
bound that is proved.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from optimiser.errors import InputError
from optimiser.search.bitsets import Cover, members, reduce_problem
from optimiser.search.problem import Ints, Problem, is_called


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
    ends = time.monotonic() + time_limit_s
    _check_musts(problem)
    cover = reduce_problem(problem)
    first, last = cover.hopeless, cover.hopeless + cover.defects.bit_count()
    wanted = range(first, last + 1) if escapes is None else sorted(set(escapes))
    searches = [_Search(cover, min(k, last) - first) for k in wanted if k >= first]
    _run_all(searches, ends)
    points = [
        _point(problem, cover, k, search)
        for k, search in zip((k for k in wanted if k >= first), searches, strict=True)
    ]
    if escapes is None:
        points = _until_floor(points)
    return ExactFront(points=tuple(points), proved=all(p.proved for p in points))


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


def _point(problem: Problem, cover: Cover, escapes: int, search: "_Search") -> FrontPoint:
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


# --- branch and bound -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Node:
    """A part of the settings: those between `at` and `reach`, with `misses` escapes left."""

    bound: int
    at: tuple[int, ...]
    reach: tuple[int, ...]
    called: int
    open: int
    misses: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Open:
    """A target not yet caught and its options (price, limit, position), cheapest first."""

    target: int
    options: list[tuple[int, int, int]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rest:
    """What a node still has to decide: its open targets, dearest first."""

    at: tuple[int, ...]
    targets: list[_Open]
    musts: int
    misses: int


@dataclass(slots=True, eq=False)
class _Search:
    """A depth-first search that can be stopped and resumed."""

    cover: Cover
    allowed: int
    best: int = field(init=False)
    best_positions: tuple[int, ...] = field(init=False)
    stack: list[_Node] = field(init=False)
    nodes: int = field(init=False, default=0)
    lower: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        cover = self.cover
        tightest = tuple(len(c) - 1 for c in cover.costs)
        loosest = (0,) * len(tightest)
        self.best_positions = tightest
        self.best = cover.weigh(_union(cover, tightest))
        self.stack = [
            _Node(
                bound=0,
                at=loosest,
                reach=tightest,
                called=0,
                open=cover.defects | cover.musts,
                misses=self.allowed,
            )
        ]

    def offer(self, cost: int, positions: tuple[int, ...]) -> None:
        """Take a setting known to be allowed, if it is better."""
        if cost < self.best:
            self.best, self.best_positions = cost, positions

    def bound(self) -> int:
        """Return the cost that is proved to be needed."""
        remaining = min((node.bound for node in self.stack), default=self.best)
        return min(self.best, max(remaining, self.lower))

    def done(self) -> bool:
        return not self.stack or self.best <= self.lower

    def run(self, until: float) -> None:
        """Search on until the monotonic clock reads `until`."""
        while self.stack and self.best > self.lower and time.monotonic() < until:
            node = self.stack[-1]
            children = self._expand(node) if node.bound < self.best else []
            # Only now: an interrupt inside _expand leaves the node on the stack.
            self.stack.pop()
            self.stack.extend(reversed(children))

    def _expand(self, node: _Node) -> list[_Node]:
        cover = self.cover
        self.nodes += 1
        at = _extend(cover, node)
        if at is None:
            return []
        spent = cover.weigh(node.called)
        rest = _what_is_left(cover, node, at, self.best - spent)
        if rest is None:
            return []
        if len(rest.targets) <= rest.misses and not rest.musts:
            self.offer(spent, at)
            return []
        bound = max(node.bound, spent + _packing(cover, rest, node.called))
        if bound >= self.best:
            return []
        return _children(cover, node, rest, bound)


def _union(cover: Cover, positions: tuple[int, ...]) -> int:
    called = 0
    for i, p in enumerate(positions):
        called |= cover.costs[i][p]
    return called


def _caught(cover: Cover, positions: tuple[int, ...]) -> int:
    caught = 0
    for i, p in enumerate(positions):
        caught |= cover.uses[i][p]
    return caught


def _extend(cover: Cover, node: _Node) -> tuple[int, ...] | None:
    """Tighten every limit as far as it costs nothing; None when that leaves the node.

    A setting outside the node's reach that costs no more and catches at least as much was
    left to an earlier branch, so nothing in this node can be better.
    """
    free = ~node.called
    at = list(node.at)
    for i, sets in enumerate(cover.costs):
        p = at[i]
        while p + 1 < len(sets) and not sets[p + 1] & free:
            p += 1
        if p > node.reach[i]:
            return None
        at[i] = p
    return tuple(at)


def _prices(cover: Cover, node: _Node, at: tuple[int, ...], budget: int) -> list[list[int]]:
    """Return for each limit what its positions beyond `at` add, as far as below budget."""
    free = ~node.called
    prices = []
    for i, sets in enumerate(cover.costs):
        row = [0] * (at[i] + 1)
        for p in range(at[i] + 1, node.reach[i] + 1):
            price = cover.weigh(sets[p] & free)
            if price >= budget:
                break
            row.append(price)
        prices.append(row)
    return prices


def _what_is_left(cover: Cover, node: _Node, at: tuple[int, ...], budget: int) -> _Rest | None:
    """Return the targets left to catch; None when more must escape than may.

    A target none of whose options is within reach and budget must escape.
    """
    prices = _prices(cover, node, at, budget)
    left = node.open & ~_caught(cover, at)
    misses = node.misses
    targets = []
    for t in members(left):
        options = [(prices[i][p], i, p) for i, p in cover.options[t] if p < len(prices[i])]
        if options:
            targets.append(_Open(target=t, options=sorted(options)))
        else:
            misses -= 1
            left &= ~(1 << t)
            if misses < 0 or cover.musts >> t & 1:
                return None
    targets.sort(key=lambda t: (-t.options[0][0], len(t.options)))
    return _Rest(at=at, targets=targets, musts=left & cover.musts, misses=misses)


def _packing(cover: Cover, rest: _Rest, called: int) -> int:
    """Return a lower bound on what catching all but `rest.misses` targets adds.

    Each target in turn takes all that any of its options calls and no earlier one took;
    the pieces are disjoint, so their least prices add up.
    """
    free = ~called
    optional = []
    total = 0
    for target in rest.targets:
        least = min(cover.weigh(cover.costs[i][p] & free) for _, i, p in target.options)
        if not least:
            continue
        for _, i, p in target.options:
            free &= ~cover.costs[i][p]
        total += least
        if not rest.musts >> target.target & 1:
            optional.append(least)
    optional.sort(reverse=True)
    return total - sum(optional[: rest.misses])


def _children(cover: Cover, node: _Node, rest: _Rest, bound: int) -> list[_Node]:
    """Split a node by who catches the dearest target, the last child by nobody."""
    left = sum(1 << t.target for t in rest.targets)
    chosen = rest.targets[0]
    at = rest.at
    reach = list(node.reach)
    children = []
    for _, i, p in chosen.options:
        children.append(
            _Node(
                bound=bound,
                at=(*at[:i], p, *at[i + 1 :]),
                reach=tuple(reach),
                called=node.called | cover.costs[i][p],
                open=left & ~cover.uses[i][p],
                misses=rest.misses,
            )
        )
        # Later children leave this option out, so that no setting is met twice.
        reach[i] = p - 1
    if rest.misses and not rest.musts >> chosen.target & 1:
        children.append(
            _Node(
                bound=bound,
                at=at,
                reach=tuple(reach),
                called=node.called,
                open=left & ~(1 << chosen.target),
                misses=rest.misses - 1,
            )
        )
    return children


def _run_all(searches: list[_Search], ends: float) -> None:
    """Search all points in turns; each tells its neighbours what it found."""
    turn = 0.05
    while any(not s.done() for s in searches) and time.monotonic() < ends:
        for search in reversed(searches):
            search.run(min(ends, time.monotonic() + turn))
            _share(searches)
        turn *= 2


def _share(searches: list[_Search]) -> None:
    for fewer, more in pairwise(searches):
        more.offer(fewer.best, fewer.best_positions)
    for more, fewer in pairwise(reversed(searches)):
        fewer.lower = max(fewer.lower, more.bound())
