"""The covering problem behind the exact front, as bitsets held in Python integers.

A level matters only where it is about to release a labelled defect: between two such
levels a tighter one calls more non-defects and catches nothing. So each limit keeps a few
*positions*, loosest first, and at each position two sets: the non-defects it calls (its
*cost*) and the targets it catches (its *use*). A target is a labelled defect or a must-catch
item; a choice of one position per limit catches the union of the uses and pays for the union
of the costs.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimiser.search.problem import Bools, Ints, Problem

# Up to this many bits, a non-defect counted w times takes w bits, so that the weight of a set
# is one bit count; beyond it, one bit and a bit count per binary digit of the weights.
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
    if weights.sum() <= REPEATED_BITS:
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
