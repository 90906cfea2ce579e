"""Second look: which labels stand between a family and its false calls.

A label that is a misread good, just beyond a live limit, holds that limit where it is. Which
ones to look at again follows from one question: if every look at a label had to free so many
false calls, which labels would be released? Asked from dear looks to cheap ones it ranks them.
What a list is worth comes from draws: each label misread or real by its chance, the real ones
obeyed again. Everything here is counted on the history, so somewhat hopeful.

Shape letters: **m** limits, **k** levels, **d** defects, **n** labels worth a look, **w** draws.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimiser.search.descent import Terrain, best_of, cost_of, descend, make_catch
from optimiser.search.problem import Bools, Floats, Ints, Problem
from optimiser.tally.count import is_called

DEAREST = 3200.0
DRAWS = 24


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DefectLabels:
    """What is known of a family's labelled defects when a second look is asked for.

    Attributes
    ----------
    doubtful : ndarray of bool, shape (d,)
        DefectLabels that may be misread goods: review alone says so, once.
    misread : ndarray, shape (d,)
        Chance 0..1 of each to be one; 0 where not doubtful.
    obeyed : ndarray of bool, shape (d,)
        DefectLabels that every setting must call as long as they stand: a critical family's.
    price : ndarray, shape (d,)
        What the escape of each costs, in false calls; weight and chance to be true included.
    """

    doubtful: Bools
    misread: Floats
    obeyed: Bools
    price: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondLook:
    """The labels of one family that are worth a second look, in the order to look at them.

    Attributes
    ----------
    defects : ndarray of int, shape (n,)
        Their rows among the labelled defects.
    blocked : ndarray, shape (n,)
        False calls that each holds, if all of its step are misread.
    false_calls : int
        Of the best setting that obeys or pays for all labels, over the history.
    freed : int
        False calls fewer if every one of the n were misread.
    feet : tuple of ndarrays of int, shape (m,)
        The best setting that obeys or pays for all labels, and the one with the cheapest looks:
        between them lie the best ones of a look that finds some labels misread.
    """

    defects: Ints
    blocked: Floats
    false_calls: int
    freed: int
    feet: tuple[Ints, ...]


def look_again(problem: Problem, labels: DefectLabels, *, per_look: float) -> SecondLook:
    """Return the labels of one family that are worth a second look.

    Parameters
    ----------
    problem : Problem
    labels : DefectLabels
    per_look : float
        False calls that one look at a misread label has to free, > 0.

    Returns
    -------
    SecondLook

    Notes
    -----
    For a falling price of a look λ the setting is sought that minimises false calls plus λ for
    each doubtful label released plus the price of every other one. A label's step is the first
    λ at which it is released; what the step frees, shared by its labels, is what each blocks.
    """
    base = _cheapest(problem, labels.price, obeyed=labels.obeyed, starts=[])
    count = _false_calls(problem, base)
    known, last = is_called(base, problem.defect_ranks), base
    order: list[int] = []
    blocked: list[float] = []
    before = count
    for price in prices_of_a_look(per_look) if (known & labels.doubtful).any() else ():
        # Releasing outright may be cheaper than looking; a look is never dearer than that.
        at = np.where(labels.doubtful & labels.obeyed, price, np.minimum(labels.price, price))
        at = np.where(labels.doubtful, at, labels.price)
        last = _cheapest(problem, at, obeyed=labels.obeyed & ~labels.doubtful, starts=[base, last])
        released = known & labels.doubtful & ~is_called(last, problem.defect_ranks)
        new = np.setdiff1d(np.flatnonzero(released), order)
        if not len(new):
            continue
        now = _false_calls(problem, last)
        share = max(0.0, before - now) / len(new)
        order += new[np.argsort(-labels.misread[new], kind="stable")].tolist()
        blocked += [share] * len(new)
        before = min(before, now)
    return SecondLook(
        defects=np.array(order, dtype=np.int64),
        blocked=np.array(blocked),
        false_calls=count,
        freed=max(0, count - before),
        feet=(base, last),
    )


def prices_of_a_look(per_look: float) -> Floats:
    """Return the prices of a look from dear to cheap, each half the one before.

    Parameters
    ----------
    per_look : float
        The last; the first is the least of these that is not below ``DEAREST``.

    Returns
    -------
    ndarray
    """
    halvings = np.ceil(np.log2(max(DEAREST / per_look, 1.0)))
    return np.asarray(per_look * 2.0 ** np.arange(halvings, -1, -1))


def expected_freed(
    problem: Problem, labels: DefectLabels, look: SecondLook, firsts: Sequence[int], *, seed: int
) -> list[tuple[float, float]]:
    """Return what looking at the first few of a family's labels frees, by expectation.

    Parameters
    ----------
    problem : Problem
    labels : DefectLabels
    look : SecondLook
    firsts : sequence of int
        Numbers of labels looked at, from the top.
    seed : int

    Returns
    -------
    list of (float, float)
        False calls freed, the mean over draws, and labels found misread; 0 for none looked at.
    """
    rng = np.random.default_rng(seed)
    draws = rng.random((DRAWS, len(look.defects))) < labels.misread[look.defects]
    found = []
    for first in firsts:
        if not first:
            found.append((0.0, 0.0))
            continue
        # The first few labels turn out alike in many draws.
        seen, times = np.unique(draws[:, :first], axis=0, return_counts=True)
        freed = [_freed(problem, labels, look, draw) for draw in seen]
        found.append(
            (
                float(np.average(freed, weights=times)),
                float(labels.misread[look.defects[:first]].sum()),
            )
        )
    return found


def value_of_look(
    problem: Problem, labels: DefectLabels, look: SecondLook, first: int, *, draws: int, seed: int
) -> Floats:
    """Return what looking at the first few labels is worth in draws of what they turn out to be.

    Parameters
    ----------
    problem : Problem
    labels : DefectLabels
    look : SecondLook
    first : int
        Labels looked at, from the top, >= 1.
    draws : int
    seed : int

    Returns
    -------
    ndarray, shape (draws,)
        In false calls over the history, escapes at their price in false calls: the cost of the
        setting that is best without looking less that of the best one after it, both in the drawn
        world. The mean is the expected value of the sample.
    """
    rng = np.random.default_rng(seed)
    seen = look.defects[:first]
    drawn = rng.random((draws, len(seen))) < labels.misread[seen]
    before = best_now(problem, labels, look)
    kinds, which = np.unique(drawn, axis=0, return_inverse=True)
    worth = np.zeros(len(kinds))
    for n, misread in enumerate(kinds):
        price, obeyed = _after_look(labels, seen, misread)
        after = _cheapest(problem, price, obeyed=obeyed, starts=(before, *look.feet))
        worth[n] = max(0.0, _cost(problem, price, before) - _cost(problem, price, after))
    found: Floats = worth[which.reshape(-1)]
    return found


def best_now(problem: Problem, labels: DefectLabels, look: SecondLook) -> Ints:
    """Return the setting that is best with the labels as they stand, obeyed or paid for.

    Parameters
    ----------
    problem : Problem
    labels : DefectLabels
    look : SecondLook

    Returns
    -------
    ndarray of int, shape (m,)
    """
    return _cheapest(problem, labels.price, obeyed=labels.obeyed, starts=look.feet)


def cost_with_labels(problem: Problem, labels: DefectLabels, setting: Ints) -> float:
    """Return what a setting costs with the labels as they stand, in false calls.

    Parameters
    ----------
    problem : Problem
    labels : DefectLabels
    setting : ndarray of int, shape (m,)

    Returns
    -------
    float
    """
    return _cost(problem, labels.price, setting)


def _cost(problem: Problem, price: Floats, setting: Ints) -> float:
    escaped = ~is_called(setting, problem.defect_ranks)
    return float(_false_calls(problem, setting)) + float(price @ escaped)


def _after_look(labels: DefectLabels, seen: Ints, misread: Bools) -> tuple[Floats, Bools]:
    """Return prices and which labels are obeyed, once some are known to be misread or real."""
    gone, real = seen[misread], seen[~misread]
    price, obeyed = labels.price.copy(), labels.obeyed.copy()
    # A label found real is worth its full price from then on.
    price[real] = labels.price[real] / np.maximum(1 - labels.misread[real], 1e-9)
    price[gone] = 0.0
    obeyed[gone] = False
    return price, obeyed


def _freed(problem: Problem, labels: DefectLabels, look: SecondLook, misread: Bools) -> float:
    """Return the false calls freed when some looked-at labels turn out misread, the rest real."""
    seen = look.defects[: len(misread)]
    price, obeyed = _after_look(labels, seen, misread)
    setting = _cheapest(problem, price, obeyed=obeyed, starts=look.feet)
    return max(0.0, float(look.false_calls - _false_calls(problem, setting)))


def _false_calls(problem: Problem, setting: Ints) -> int:
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.int64).ravel()
    return int(is_called(setting, problem.ranks) @ totals) + int(problem.always.sum())


def _cheapest(problem: Problem, price: Floats, *, obeyed: Bools, starts: Sequence[Ints]) -> Ints:
    """Return the best setting found: false calls plus prices of what is released, counted."""
    must = np.concatenate([problem.must_ranks, problem.defect_ranks[obeyed]])
    terrain = _sharp(problem, np.where(obeyed, 0.0, price), must)
    every = np.ones(problem.m, dtype=np.bool_)
    loose = make_catch(terrain, problem.last, every)
    live = make_catch(terrain, problem.live, every)
    eased = _eased(terrain, live, every)
    begin = [live, loose, eased, *(make_catch(terrain, s, every) for s in starts)]
    return best_of(terrain, begin, every)


def _eased(terrain: Terrain, live: Ints, every: Bools) -> Ints:
    """Return where descent ends over edges that are drawn out and sharpened step by step."""
    setting = live
    for width in (8, 3, 1):
        soft = tuple(
            np.asarray(
                [table[max(0, j - width) : j + width + 1].mean(axis=0) for j in range(len(table))]
            )
            for table in terrain.passing
        )
        setting = descend(replace(terrain, passing=soft), setting, every)
    return min((setting, live), key=lambda s: cost_of(terrain, s))


def _sharp(problem: Problem, price: Floats, must: Ints) -> Terrain:
    """Return the terrain of whole items: a defect escapes a setting or it does not."""
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).reshape(-1, 1)
    priced = price > 0
    return Terrain(
        ranks=np.ascontiguousarray(problem.ranks.T),
        review=totals,
        review_always=np.array([float(problem.always.sum())]),
        passing=tuple(
            (np.arange(len(level))[:, None] >= column[None, :]).astype(np.float64)
            for level, column in zip(problem.levels, problem.defect_ranks[priced].T, strict=True)
        ),
        escape=price[priced][:, None],
        must=must,
        last=problem.last,
        worst=0.0,
    )
