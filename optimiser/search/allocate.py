"""One point per family within shared hours: the multiple-choice knapsack, exact or with its gap.

Each family offers points, each with hours that it takes and a cost that it leaves; one point a
family, hours within a budget, cost in sum as low as possible. Two ways to the same problem: the
convex hull of each family's points gives the relaxed optimum, the price of an hour and every
supported plan by sorting alone (Zemel 1980); HiGHS closes the gap to whole points.

Public::

    allocate(offers, budget, ...) -> Allocation
    supported(offers) -> plans from the fewest hours to the most
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import LinearConstraint
from scipy.sparse import csr_array

from optimiser.errors import UsageError
from optimiser.search.highs import solve
from optimiser.search.problem import Floats, Ints

TOLERANCE = 1e-9
GAP = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Offer:
    """The points of one family: p of them.

    Attributes
    ----------
    hours, cost : ndarrays, shape (p,)
        What each takes and what it leaves, in any unit.
    slack : ndarray, shape (p,)
        What each adds to a second sum that must not fall below zero; zeros where there is none.
    """

    hours: Floats
    cost: Floats
    slack: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Allocation:
    """One point per family: f of them.

    Attributes
    ----------
    picks : ndarray of int, shape (f,)
    hours, cost : float
        In sum.
    bound : float
        No allowed choice costs less.
    price : float
        What one hour more or less is worth at the margin, from the relaxed problem.
    """

    picks: Ints
    hours: float
    cost: float
    bound: float
    price: float

    @property
    def gap(self) -> float:
        """How far, at most, the cost lies above the best possible one."""
        return max(0.0, self.cost - self.bound)

    @property
    def proved(self) -> bool:
        """Whether no choice costs less, to a millionth."""
        return self.gap <= GAP * max(1.0, abs(self.cost))


def least_hours(offers: Sequence[Offer]) -> float:
    """Return the fewest hours that one point per family takes."""
    return float(sum(o.hours.min() for o in offers))


def allocate(
    offers: Sequence[Offer],
    budget: float,
    *,
    with_slack: bool = False,
    time_limit_s: float = 5.0,
    gap: float = GAP / 10,
) -> Allocation | None:
    """Return one point per family with the least cost within a budget of hours.

    Parameters
    ----------
    offers : sequence of Offer
    budget : float
        Hours, in the offers' unit.
    with_slack : bool
        Whether the sum of `slack` must not fall below zero.
    time_limit_s, gap : float
        Seconds for HiGHS, and the relative gap at which it may stop; what is left is in the bound.

    Returns
    -------
    Allocation or None
        None where no choice keeps to it, or none was found in time. Of equal costs the one with
        fewer hours, to a millionth of the cost.

    Raises
    ------
    UsageError
        If a family offers no point.
    """
    if any(not len(o.hours) for o in offers):
        msg = (
            "a family without any point cannot be planned; leave it out or give it its live limits"
        )
        raise UsageError(msg)
    if least_hours(offers) > budget + TOLERANCE:
        return None
    relaxed = None if with_slack else _relaxed(offers, budget)
    if relaxed is not None and relaxed.proved:
        return relaxed
    solved = _by_highs(offers, budget, with_slack=with_slack, limits=(time_limit_s, gap))
    if relaxed is None or solved is None:
        return solved or relaxed
    best = min((solved, relaxed), key=lambda a: a.cost)
    return Allocation(
        picks=best.picks,
        hours=best.hours,
        cost=best.cost,
        bound=min(best.cost, max(solved.bound, relaxed.bound)),
        price=relaxed.price,
    )


def supported(offers: Sequence[Offer]) -> list[Allocation]:
    """Return every plan that is best at some price of an hour, from the fewest hours to the most.

    Parameters
    ----------
    offers : sequence of Offer

    Returns
    -------
    list of Allocation
        Each exact for its own hours; `price` is that of the step which led to it, the first 0.
    """
    picks, steps = _hulls(offers)
    hours, cost = _sums(offers, picks)
    plans = [Allocation(picks=picks.copy(), hours=hours, cost=cost, bound=cost, price=0.0)]
    for slope, family, point in steps:
        offer = offers[family]
        hours += float(offer.hours[point] - offer.hours[picks[family]])
        cost += float(offer.cost[point] - offer.cost[picks[family]])
        picks[family] = point
        plans.append(
            Allocation(picks=picks.copy(), hours=hours, cost=cost, bound=cost, price=slope)
        )
    return plans


def _sums(offers: Sequence[Offer], picks: Ints) -> tuple[float, float]:
    hours = sum(float(o.hours[p]) for o, p in zip(offers, picks, strict=True))
    return hours, sum(float(o.cost[p]) for o, p in zip(offers, picks, strict=True))


def _hulls(offers: Sequence[Offer]) -> tuple[Ints, list[tuple[float, int, int]]]:
    """Return each family's point with the fewest hours, and the hulls' steps, dearest first.

    A step is (cost saved by an hour, family, the point it leads to).
    """
    start, steps = [], []
    for n, offer in enumerate(offers):
        hull = _hull(offer)
        start.append(hull[0])
        for one, other in pairwise(hull):
            hours = float(offer.hours[other] - offer.hours[one])
            steps.append((float(offer.cost[one] - offer.cost[other]) / hours, n, other))
    # A hull is convex, so a family's own steps stay in their order.
    steps.sort(key=lambda s: -s[0])
    return np.array(start, dtype=np.int64), steps


def _hull(offer: Offer) -> list[int]:
    """Return the points of the lower convex hull, fewest hours first; the cost falls along it."""
    hull: list[int] = []
    for p in np.lexsort((offer.cost, offer.hours)):
        if hull and offer.cost[p] >= offer.cost[hull[-1]] - TOLERANCE:
            continue
        if hull and offer.hours[p] <= offer.hours[hull[-1]] + TOLERANCE:
            hull[-1] = int(p)
        else:
            hull.append(int(p))
        while len(hull) > 2 and _bulges(offer, *hull[-3:]):
            del hull[-2]
    return hull


def _bulges(offer: Offer, a: int, b: int, c: int) -> bool:
    """Return whether b lies on or above the line from a to c."""
    h, k = offer.hours, offer.cost
    return bool((k[a] - k[b]) * (h[c] - h[b]) <= (k[b] - k[c]) * (h[b] - h[a]))


def _relaxed(offers: Sequence[Offer], budget: float) -> Allocation:
    """Return the best whole plan on the way of the relaxed one, its bound and the hour's price."""
    picks, steps = _hulls(offers)
    hours, cost = _sums(offers, picks)
    price, bound = 0.0, None
    for slope, family, point in steps:
        offer = offers[family]
        more = float(offer.hours[point] - offer.hours[picks[family]])
        if hours + more > budget + TOLERANCE:
            if bound is None:
                price, bound = slope, cost - slope * (budget - hours)
            continue
        if bound is not None and picks[family] != _before(offers[family], point):
            continue
        hours, cost = hours + more, cost - slope * more
        picks[family] = point
    hours, cost = _sums(offers, picks)
    return Allocation(
        picks=picks,
        hours=hours,
        cost=cost,
        bound=cost if bound is None else min(cost, bound),
        price=price,
    )


def _before(offer: Offer, point: int) -> int:
    """Return the hull's point before one."""
    hull = _hull(offer)
    return hull[hull.index(point) - 1]


def _by_highs(
    offers: Sequence[Offer], budget: float, *, with_slack: bool, limits: tuple[float, float]
) -> Allocation | None:
    """Return the whole plan that HiGHS finds, with its bound."""
    sizes = [len(o.hours) for o in offers]
    hours, cost, slack = (
        np.concatenate([getattr(o, name) for o in offers]) for name in ("hours", "cost", "slack")
    )
    starts = np.concatenate([[0], np.cumsum(sizes)])
    ones = csr_array(
        (np.ones(starts[-1]), np.arange(starts[-1]), starts), shape=(len(offers), starts[-1])
    )
    rows = [LinearConstraint(ones, 1.0, 1.0), LinearConstraint(hours[None, :], -np.inf, budget)]
    if with_slack:
        rows.append(LinearConstraint(slack[None, :], 0.0, np.inf))
    # A breath of a price on hours settles ties; it is taken off the bound again.
    breath = GAP * 1e-2 * max(1.0, float(np.abs(cost).max())) / max(1.0, float(hours.max()), budget)
    whole = np.ones(len(cost), dtype=np.int64)
    solved = solve(cost + breath * hours, rows, whole, time_limit_s=limits[0], gap=limits[1])
    if solved.x is None:
        return None
    picks = np.array([int(np.argmax(solved.x[a:b])) for a, b in pairwise(starts)])
    used, left = _sums(offers, picks)
    bound = float(solved.mip_dual_bound) - breath * min(
        budget, float(sum(o.hours.max() for o in offers))
    )
    return Allocation(picks=picks, hours=used, cost=left, bound=min(left, bound), price=0.0)
