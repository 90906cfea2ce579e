"""The covering problem behind the exact front, as bitsets held in Python integers.

A level matters only where it is about to release a labelled defect: between two such
levels a tighter one calls more non-defects and catches nothing. So each limit keeps a few
*positions*, loosest first, and at each position two sets: the non-defects it calls (its
*cost*) and the targets it catches (its *use*). A target is a labelled defect or a must-catch
item; a choice of one position per limit catches the union of the uses and pays for the union
of the costs.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from optimiser.search.problem import Bools, Ints, Problem

# Up to this many bits, or twice the rows, a row counted w times takes w bits, so that the
# weight of a set is one bit count; beyond it, one bit and a count per binary digit of w.
REPEATED_BITS = 20_000

Weigh = Callable[[int], int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cover:
    """One family's choice of limits, reduced to what the exact search needs.

    Parameters
    ----------
    levels : tuple of m tuples of int
        Level index of each kept position, loosest first.
    costs : tuple of m tuples of int
        Bitset of the non-defects called at each position; grows strictly along a limit, and
        the non-defects called at all the loosest positions are left out.
    uses : tuple of m tuples of int
        Bitset of the targets caught at each position.
    options : tuple of n tuples of (limit, position)
        For each target, the loosest position of each limit that catches it. Targets that
        the loosest positions catch have no options and are in no set.
    defects, musts : int
        Bitsets of the targets that cost something to catch.
    hopeless : int
        Number of labelled defects that no setting can catch.
    weigh : callable
        The number of non-defects in a set.
    floor : int
        Non-defects that every setting calls.
    good_first, target_first : ndarrays of int, shapes (s', m) and (n, m)
        First position of each limit that calls it; the number of positions if none does.
    good_weights : ndarray of int, shape (s',)
        Non-defects per row of `good_first`.
    """

    levels: tuple[tuple[int, ...], ...]
    costs: tuple[tuple[int, ...], ...]
    uses: tuple[tuple[int, ...], ...]
    options: tuple[tuple[tuple[int, int], ...], ...]
    defects: int
    musts: int
    hopeless: int
    weigh: Weigh
    floor: int
    good_first: Ints
    target_first: Ints
    good_weights: Ints


def reduce_problem(problem: Problem) -> Cover:
    """Return the covering problem of a family.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Cover
    """
    targets = np.concatenate([problem.must_ranks, problem.defect_ranks])
    kept = [_mattering_levels(len(v), targets[:, i]) for i, v in enumerate(problem.levels)]
    weights = np.asarray(problem.counts.sum(axis=1), dtype=np.int64).reshape(-1)
    goods, weights = _merge(_first_positions(problem.ranks, kept), weights)
    always = (goods == 0).any(axis=1)
    floor = int(weights[always].sum()) + int(problem.always.sum())
    contested = ~always & (goods < [len(k) for k in kept]).any(axis=1)
    goods, weights = goods[contested], weights[contested]
    for i, levels in enumerate(kept):
        kept[i], goods[:, i] = _distinct_levels(levels, goods[:, i])
    return _build(problem, kept, (goods, weights), floor)


def _build(problem: Problem, kept: list[Ints], counted: tuple[Ints, Ints], floor: int) -> Cover:
    goods, weights = counted
    first = _first_positions(np.concatenate([problem.must_ranks, problem.defect_ranks]), kept)
    sizes = np.array([len(k) for k in kept])
    reachable = (first < sizes).any(axis=1)
    dear = reachable & ~(first == 0).any(axis=1)
    is_must = np.arange(len(first)) < len(problem.must_ranks)
    bits, weigh = _weighing(weights)
    live = np.where(dear[:, None], first, sizes)
    return Cover(
        levels=tuple(tuple(int(j) for j in k) for k in kept),
        costs=tuple(_sets(goods[bits, i], len(k)) for i, k in enumerate(kept)),
        uses=tuple(_sets(live[:, i], len(k)) for i, k in enumerate(kept)),
        options=tuple(_options(row, sizes) for row in live),
        defects=_to_int(dear & ~is_must),
        musts=_to_int(dear & is_must),
        hopeless=int((~reachable & ~is_must).sum()),
        weigh=weigh,
        floor=floor,
        good_first=goods,
        target_first=live,
        good_weights=weights,
    )


def _mattering_levels(size: int, ranks: Ints) -> Ints:
    """Return the loosest level and those about to release a target, loosest first."""
    levels = np.append(ranks[ranks > 0] - 1, size - 1)
    return np.unique(levels)[::-1].astype(np.int64)


def _first_positions(ranks: Ints, kept: list[Ints]) -> Ints:
    """Return the first position of each limit that calls a row, shape (n, m)."""
    first = np.empty(ranks.shape, dtype=np.int64)
    for i, levels in enumerate(kept):
        # Level j calls a row of rank r iff j <= r - 1; levels descend.
        first[:, i] = len(levels) - np.searchsorted(levels[::-1], ranks[:, i] - 1, side="right")
    return first


def _merge(rows: Ints, weights: Ints) -> tuple[Ints, Ints]:
    """Return distinct rows with their summed weights, rows of weight 0 left out."""
    rows, weights = rows[weights > 0], weights[weights > 0]
    if not len(rows):
        return rows, weights
    distinct, index = np.unique(rows, axis=0, return_inverse=True)
    total = np.zeros(len(distinct), dtype=np.int64)
    np.add.at(total, index.reshape(-1), weights)
    return distinct, total


def _distinct_levels(levels: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Keep the tightest of the levels of one limit that call the same rows.

    Returns
    -------
    levels : ndarray of int
        The levels kept, loosest first.
    first : ndarray of int
        First kept position that calls each row.
    """
    called = np.searchsorted(np.sort(first), np.arange(len(levels)), side="right")
    starts = np.append(True, np.diff(called) > 0)
    position = np.append(np.cumsum(starts) - 1, starts.sum())
    return levels[np.append(starts[1:], True)], position[first]


def _weighing(weights: Ints) -> tuple[Ints, Weigh]:
    """Return the row each bit stands for, and the function that weighs a bitset."""
    if weights.sum() <= max(REPEATED_BITS, 2 * len(weights)):
        return np.repeat(np.arange(len(weights)), weights), int.bit_count
    digits = range(int(weights.max()).bit_length())
    planes = [(_to_int(weights >> b & 1 == 1), b) for b in digits]

    def weigh(members: int) -> int:
        return sum((members & plane).bit_count() << b for plane, b in planes)

    return np.arange(len(weights)), weigh


def _sets(first: Ints, size: int) -> tuple[int, ...]:
    return tuple(_to_int(first <= p) for p in range(size))


def _options(first: Ints, sizes: Ints) -> tuple[tuple[int, int], ...]:
    return tuple((i, int(p)) for i, p in enumerate(first) if p < sizes[i])


def _to_int(members: Bools) -> int:
    return int.from_bytes(np.packbits(members, bitorder="little").tobytes(), "little")


def members(bits: int) -> list[int]:
    """Return the members of a bitset in ascending order.

    Examples
    --------
    >>> members(0b1010)
    [1, 3]
    """
    found = []
    while bits:
        lowest = bits & -bits
        found.append(lowest.bit_length() - 1)
        bits ^= lowest
    return found


# --- branch and bound -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Node:
    """A part of the choices: those between `at` and `reach`, with `misses` escapes left.

    Parameters
    ----------
    bound : int
        No choice in this part calls fewer non-defects.
    at, reach : tuples of m int
        Loosest and tightest position allowed at each limit.
    called, open : int
        Bitsets: non-defects called at `at`; targets neither caught nor given up.
    misses : int
        Number of open labelled defects that may still escape.
    """

    bound: int
    at: tuple[int, ...]
    reach: tuple[int, ...]
    called: int
    open: int
    misses: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Open:
    """A target not yet caught and its options (price, limit, position), cheapest first."""

    target: int
    may_escape: bool
    options: list[tuple[int, int, int]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rest:
    """What a node still has to decide."""

    at: tuple[int, ...]
    reach: list[int]
    free: int
    targets: list[Open]
    misses: int


@dataclass(slots=True, eq=False)
class Search:
    """A depth-first search for one number of escapes, to be stopped and resumed.

    Parameters
    ----------
    cover : Cover
    allowed : int
        How many of the targets that are labelled defects may escape.
    caps : dict of int to int
        By number of misses left, the cap that last gave the best bound; shared by the
        searches of one front.

    Attributes
    ----------
    best : int
        Fewest non-defects called by a choice found so far, on top of the floor.
    best_positions : tuple of m int
        That choice.
    lower : int
        A lower bound known from elsewhere.
    nodes : int
        Parts looked at so far.
    """

    cover: Cover
    allowed: int
    caps: dict[int, int]
    best: int = field(init=False)
    best_positions: tuple[int, ...] = field(init=False)
    lower: int = field(init=False, default=0)
    nodes: int = field(init=False, default=0)
    stack: list[Node] = field(init=False)

    def __post_init__(self) -> None:
        cover = self.cover
        tightest = tuple(len(c) - 1 for c in cover.costs)
        self.best_positions = tightest
        self.best = cover.weigh(union(cover.costs, tightest))
        root = Node(
            bound=0,
            at=(0,) * len(tightest),
            reach=tightest,
            called=0,
            open=cover.defects | cover.musts,
            misses=self.allowed,
        )
        self.stack = [root]

    def offer(self, cost: int, positions: tuple[int, ...]) -> None:
        """Take a choice known to be allowed, if it is better."""
        if cost < self.best:
            self.best, self.best_positions = cost, positions

    def bound(self) -> int:
        """Return the cost that is proved to be needed."""
        remaining = min((node.bound for node in self.stack), default=self.best)
        return min(self.best, max(remaining, self.lower))

    def done(self) -> bool:
        """Return whether `best` is proved."""
        return not self.stack or self.best <= self.lower

    def run(self, nodes: int, ends: float) -> None:
        """Look at so many more parts, or until the monotonic clock reads `ends`."""
        last = self.nodes + nodes
        while not self.done() and self.nodes < last and time.monotonic() < ends:
            node = self.stack[-1]
            children = self._expand(node) if node.bound < self.best else []
            # Only now, so that an interrupt leaves the node on the stack.
            self.stack.pop()
            self.stack.extend(reversed(children))

    def _expand(self, node: Node) -> list[Node]:
        self.nodes += 1
        at = _extend(self.cover, node)
        if at is None:
            return []
        spent = self.cover.weigh(node.called)
        rest = _what_is_left(self.cover, node, at, self.best - spent)
        if rest is None:
            return []
        if len(rest.targets) <= rest.misses and all(t.may_escape for t in rest.targets):
            self.offer(spent, at)
            return []
        bound = max(node.bound, spent + self._bound_rest(rest, self.best - spent))
        if bound >= self.best:
            return []
        return _children(self.cover, node, rest, bound)

    def _bound_rest(self, rest: Rest, enough: int) -> int:
        """Return a lower bound on the price of the rest, looking no further once `enough`."""
        cover, misses = self.cover, rest.misses
        scarce = sorted(rest.targets, key=lambda t: (len(t.options), -t.options[0][0]))
        if not misses:
            bound = _packing(cover, rest, rest.targets, cap=enough, enough=enough)
            if bound < enough:
                bound = max(bound, _packing(cover, rest, scarce, cap=enough, enough=enough))
            return bound
        # The cap that served nodes with about as many misses is near the best one here.
        near = (self.caps[k] for k in (misses, misses + 1, misses - 1) if k in self.caps)
        cap = next(near, 10)
        bound = _packing(cover, rest, scarce, cap=cap, enough=enough)
        for up in (True, False):
            while cap > 0 and bound < enough:
                other = cap * 7 // 5 + 1 if up else cap * 5 // 7
                better = _packing(cover, rest, scarce, cap=other, enough=enough)
                if better <= bound:
                    break
                bound, cap = better, other
        self.caps[misses] = cap
        return bound


def union(sets: tuple[tuple[int, ...], ...], positions: tuple[int, ...]) -> int:
    """Return the union of one set per limit."""
    joined = 0
    for row, p in zip(sets, positions, strict=True):
        joined |= row[p]
    return joined


def _extend(cover: Cover, node: Node) -> tuple[int, ...] | None:
    """Tighten every limit as far as it costs nothing; None when that leaves the node.

    A choice outside the node's reach that costs no more and catches at least as much was
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


def _what_is_left(cover: Cover, node: Node, at: tuple[int, ...], budget: int) -> Rest | None:
    """Return the targets left to catch; None when more must escape than may.

    A target none of whose options is within reach and budget must escape.
    """
    price = _pricing(cover, node, budget)
    reach = list(node.reach)
    misses = node.misses
    targets = []
    for t in members(node.open & ~union(cover.uses, at)):
        may_escape = not cover.musts >> t & 1
        options = price(cover.options[t], reach)
        if options:
            targets.append(Open(target=t, may_escape=may_escape, options=options))
        else:
            misses -= 1
            if misses < 0 or not may_escape:
                return None
    targets.sort(key=lambda t: (-t.options[0][0], len(t.options)))
    return Rest(at=at, reach=reach, free=~node.called, targets=targets, misses=misses)


def _pricing(cover: Cover, node: Node, budget: int) -> Callable[..., list[tuple[int, int, int]]]:
    """Return the function that prices options within reach and budget, cheapest first.

    Each position is weighed once. What is beyond the budget here is beyond it in all parts
    of this node, so the function takes it out of reach.
    """
    weigh, costs, free = cover.weigh, cover.costs, ~node.called
    known: list[dict[int, int]] = [{} for _ in costs]

    def price(options: tuple[tuple[int, int], ...], reach: list[int]) -> list[tuple[int, int, int]]:
        priced = []
        for i, p in options:
            if p > reach[i]:
                continue
            added = known[i].get(p)
            if added is None:
                added = known[i][p] = weigh(costs[i][p] & free)
            if added < budget:
                priced.append((added, i, p))
            else:
                reach[i] = p - 1
        priced.sort()
        return priced

    return price


def _packing(cover: Cover, rest: Rest, order: list[Open], *, cap: int, enough: int) -> int:
    """Return a lower bound on what catching all but `rest.misses` targets adds.

    Each target in turn takes a piece that no earlier one took, such that any of its options
    calls at least so much of its piece, the least price among them (but no more than `cap`
    if the target may escape, lest a few dear ones take all and then escape). The pieces are
    disjoint, so those least prices add up, the dearest `rest.misses` left out. Ends early
    once `enough` is reached.
    """
    free = rest.free
    total = 0
    optional = []
    for target in order:
        least, piece = _piece(cover, rest.at, target, free, cap=cap)
        free &= ~piece
        total += least
        if target.may_escape:
            optional.append(least)
        if total - rest.misses * cap >= enough:
            break
    if rest.misses:
        optional.sort(reverse=True)
        total -= sum(optional[: rest.misses])
    return total


def _piece(
    cover: Cover, at: tuple[int, ...], target: Open, free: int, *, cap: int
) -> tuple[int, int]:
    """Return the least price of a target among `free`, and few non-defects that show it."""
    weigh = cover.weigh
    sets = [(weigh(s := cover.costs[i][p] & free), i, p, s) for _, i, p in target.options]
    sets.sort()
    least = min(sets[0][0], cap) if target.may_escape else sets[0][0]
    piece = 0
    if not least:
        return 0, 0
    for price, i, p, called in sets:
        new = called & ~piece
        lacks = least - price + weigh(new)
        if lacks > 0:
            piece |= new & ~_keep_back(cover, i, range(at[i], p), new=new, lacks=lacks)
    return least, piece


def _keep_back(cover: Cover, limit: int, looser: range, *, new: int, lacks: int) -> int:
    """Return what the tightest looser position calls that leaves at least `lacks` of `new`.

    What looser positions call is what other targets can use, so it is taken last.
    """
    sets = cover.costs[limit]
    low, high = looser.start, looser.stop - 1
    while low < high:
        middle = (low + high + 1) // 2
        if cover.weigh(new & ~sets[middle]) >= lacks:
            low = middle
        else:
            high = middle - 1
    return sets[low]


def _children(cover: Cover, node: Node, rest: Rest, bound: int) -> list[Node]:
    """Split a node by who catches the dearest target, the last child by nobody."""
    left = sum(1 << t.target for t in rest.targets)
    chosen = rest.targets[0]
    at, reach = rest.at, list(rest.reach)
    children = []
    for _, i, p in chosen.options:
        children.append(
            Node(
                bound=bound,
                at=(*at[:i], p, *at[i + 1 :]),
                reach=tuple(reach),
                called=node.called | cover.costs[i][p],
                open=left & ~cover.uses[i][p],
                misses=rest.misses,
            )
        )
        # Later children leave this option out, so that no choice is met twice.
        reach[i] = p - 1
    if rest.misses and chosen.may_escape:
        children.append(
            Node(
                bound=bound,
                at=at,
                reach=tuple(reach),
                called=node.called,
                open=left & ~(1 << chosen.target),
                misses=rest.misses - 1,
            )
        )
    return children
