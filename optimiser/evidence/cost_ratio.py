"""At which price of an escape each point of a front is best, and how well that is known.

The price of one escape is counted in false calls: how many of them one escape is worth.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.sparse import csr_array
from scipy.stats import beta, chi2

from optimiser.errors import UsageError
from optimiser.evidence.intervals import ICC_FLOOR, Interval, add_up, design_effect

LEVEL = 0.95
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Called:
    """What each of p settings calls, item by item.

    Attributes
    ----------
    settings : ndarray of int, shape (p, m)
        One level index per limit, 0 the tightest.
    goods : ndarray of bool, shape (p, s)
        Which signatures of non-defects each calls.
    counts : csr_array of int, shape (s, t)
        How many such items each lot holds.
    always : int
        Non-defects that every setting calls, besides.
    items : ndarray, shape (t,)
        Non-defects per lot, called or not.
    defects : ndarray of bool, shape (p, d)
        Which labelled defects each calls.
    lot : ndarray of int, shape (d,)
        Lot of each defect, 0..t-1.
    """

    settings: Ints
    goods: Bools
    counts: csr_array
    always: int
    items: Floats
    defects: Bools
    lot: Ints

    def __post_init__(self) -> None:
        """Check that the shapes agree."""
        s, t = self.counts.shape
        p, d = len(self.settings), len(self.lot)
        if self.goods.shape != (p, s) or self.defects.shape != (p, d) or len(self.items) != t:
            raise UsageError(
                "goods, defects and items must fit settings, counts and lot: "
                f"{(p, s)}, {(p, d)} and {t}, but they have {self.goods.shape}, "
                f"{self.defects.shape} and {len(self.items)}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakEven:
    """The price of one escape at which two neighbours of the front cost the same.

    Attributes
    ----------
    price : Interval
        In false calls, or in money after `in_money`.
    false_calls, defects : int
        On how much it rests: non-defects and defects that one of the two calls and the other
        does not.
    nested : bool
        Whether every limit of the one is at least as tight as the other's.
    """

    price: Interval
    false_calls: int
    defects: int
    nested: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceRange:
    """The range of the price of one escape in which a setting is best.

    Attributes
    ----------
    setting : int
        Row of the front.
    false_calls, escapes : int
        What it counts.
    above, below : BreakEven or None
        Ends of the range. None: no end; it is best for however small or large a price.
    level : float
        Level of each end's interval, two-sided.
    """

    setting: int
    false_calls: int
    escapes: int
    above: BreakEven | None
    below: BreakEven | None
    level: float


def lower_hull(
    false_calls: Sequence[float] | Floats, escapes: Sequence[float] | Floats
) -> list[int]:
    """Return the points that are best at some price of an escape.

    Parameters
    ----------
    false_calls, escapes : sequences of p numbers

    Returns
    -------
    list of int
        Rows by rising false calls and falling escapes: corners of the lower left convex hull.
        Of equal points the first; points between two corners are left out.

    Examples
    --------
    >>> lower_hull([0, 50, 120, 200, 500, 900], [10, 6, 5, 2, 1, 0])
    [0, 1, 3, 4, 5]
    """
    hull: list[int] = []
    order = np.lexsort((np.asarray(escapes, float), np.asarray(false_calls, float)))
    for p in order.tolist():
        if hull and escapes[p] >= escapes[hull[-1]]:
            continue
        while len(hull) >= 2 and _price(false_calls, escapes, hull[-2], hull[-1]) >= _price(
            false_calls, escapes, hull[-1], p
        ):
            hull.pop()
        hull.append(p)
    return hull


def _price(
    false_calls: Sequence[float] | Floats, escapes: Sequence[float] | Floats, i: int, j: int
) -> float:
    """Return the price at which points i (looser) and j (tighter) cost the same."""
    return float((false_calls[j] - false_calls[i]) / (escapes[i] - escapes[j]))


def price_ranges(
    called: Called, *, level: float = LEVEL, icc_floor: float = ICC_FLOOR
) -> tuple[PriceRange, ...]:
    """Return for each supported point of a front the range of prices in which it is best.

    Parameters
    ----------
    called : Called
    level : float
        Two-sided, of each end by itself.
    icc_floor : float
        Least correlation of defects within lots.

    Returns
    -------
    tuple of PriceRange
        By rising false calls. Points off the hull are best at no price; they may still be
        wanted under a hard cap on escapes.

    Notes
    -----
    Nested neighbours (no limit of the tighter one is looser): see `ratio_of_counts`. Others
    each call items that the other does not. Of their four counts each has an exact Poisson
    interval; net false calls less priced net defects then have one recovered from these
    (MOVER), and an end holds every price at which zero lies in it. Approximate, checked by
    simulation; wide, and without an upper end where net defects may be none.

    An interval holds for two settings fixed beforehand. The front's points were picked for
    how they count on this very history, which favours them: hand over counts on lots that
    the search did not see where there are any.

    References
    ----------
    .. [1] Donner and Zou (2012), Closed-form confidence intervals for functions of the normal
       mean and standard deviation, Statistical Methods in Medical Research 21.
    """
    totals = np.asarray(called.counts.sum(axis=1), dtype=np.float64).ravel()
    false_calls = called.goods @ totals + called.always
    escapes = (~called.defects).sum(axis=1).astype(np.float64)
    hull = lower_hull(false_calls, escapes)
    ends = [_break_even(called, i, j, level, icc_floor) for i, j in itertools.pairwise(hull)]
    return tuple(
        PriceRange(
            setting=int(row),
            false_calls=round(false_calls[row]),
            escapes=round(escapes[row]),
            above=above,
            below=below,
            level=level,
        )
        for row, above, below in zip(hull, [None, *ends], [*ends, None], strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Count:
    """Items that one setting calls and another does not, and how far lots inflate it."""

    total: float
    spread: float


def _break_even(called: Called, i: int, j: int, level: float, icc_floor: float) -> BreakEven:
    """Return where the looser point i and the tighter point j cost the same."""
    nested = bool((called.settings[j] <= called.settings[i]).all())
    goods = [_goods(called, a, b) for a, b in ((j, i), (i, j))]
    defects = [_defects(called, a, b, icc_floor) for a, b in ((j, i), (i, j))]
    if int((called.items > 0).sum()) < 2:
        value = (goods[0].total - goods[1].total) / (defects[0].total - defects[1].total)
        price = Interval(value=value, low=0.0, high=math.inf)
    elif nested:
        price = ratio_of_counts(
            goods[0].total,
            defects[0].total,
            level=level,
            spread_false_calls=goods[0].spread,
            spread_defects=defects[0].spread,
        )
    else:
        price = _ratio_of_differences(goods, defects, level)
    return BreakEven(
        price=price,
        false_calls=round(sum(c.total for c in goods)),
        defects=round(sum(c.total for c in defects)),
        nested=nested,
    )


def _goods(called: Called, by: int, not_by: int) -> _Count:
    rows = called.goods[by] & ~called.goods[not_by]
    by_lot = np.asarray(rows.astype(np.float64) @ called.counts, dtype=np.float64)
    return _Count(total=float(by_lot.sum()), spread=dispersion(by_lot, called.items))


def _defects(called: Called, by: int, not_by: int, icc_floor: float) -> _Count:
    lots = len(called.items)
    changed = (called.defects[by] & ~called.defects[not_by]).astype(np.float64)
    by_lot = np.bincount(called.lot, changed, minlength=lots).astype(np.float64)
    sizes = np.bincount(called.lot, minlength=lots).astype(np.float64)
    return _Count(
        total=float(changed.sum()), spread=design_effect(by_lot, sizes, icc_floor=icc_floor)
    )


def dispersion(counts: Floats, sizes: Floats) -> float:
    """Return by how much counts over lots vary more than a Poisson count would.

    ``Σ (f_i - r n_i)² / (r n_i) / (J - 1)`` with ``r = Σf/Σn``, at least 1.

    Parameters
    ----------
    counts, sizes : ndarrays, shape (t,)
        A count and the items per lot; lots without any are left out.

    Returns
    -------
    float
        1 where it cannot be estimated.

    Examples
    --------
    >>> f, n = [3, 0, 5, 1, 12, 2], [1000, 800, 1200, 900, 1100, 1000]
    >>> dispersion(np.array(f, float), np.array(n, float))
    4.05
    """
    held = sizes > 0
    counts, sizes = counts[held], sizes[held]
    if len(sizes) < 2 or not counts.any():
        return 1.0
    expected = counts.sum() / sizes.sum() * sizes
    return max(1.0, float(((counts - expected) ** 2 / expected).sum()) / (len(sizes) - 1))


def ratio_of_counts(
    false_calls: float,
    defects: float,
    *,
    level: float = LEVEL,
    spread_false_calls: float = 1.0,
    spread_defects: float = 1.0,
) -> Interval:
    """Return how many false calls a step to a tighter setting costs per defect it catches.

    Parameters
    ----------
    false_calls, defects : float
        Non-defects and defects that only the tighter of two nested settings calls.
    level : float
        Two-sided.
    spread_false_calls, spread_defects : float
        By how much lots inflate the variance of each count, >= 1.

    Returns
    -------
    Interval
        0 to infinity where neither was counted.

    Notes
    -----
    With ratio r, a changed item is a good one with chance ``r/(1+r)``: Clopper-Pearson of
    ``false_calls`` among both, as odds. Exact without spread; with it, both counts are divided
    by theirs first and the odds multiplied by their quotient.

    Examples
    --------
    >>> found = ratio_of_counts(50, 4)
    >>> found.value, found.low, found.high
    (12.5, 4.59, 47.66)
    """
    if not false_calls and not defects:
        return Interval(value=math.nan, low=0.0, high=math.inf)
    f, e, tail = false_calls / spread_false_calls, defects / spread_defects, (1 - level) / 2
    scale = spread_false_calls / spread_defects
    # The other tail of the mirrored beta keeps all digits where the share is close to 1.
    low = beta.ppf(tail, f, e + 1) / beta.ppf(1 - tail, e + 1, f) if f > 0 else 0.0
    high = beta.ppf(1 - tail, f + 1, e) / beta.ppf(tail, e, f + 1) if e > 0 else math.inf
    return Interval(
        value=false_calls / defects if defects else math.inf,
        low=float(low) * scale,
        high=float(high) * scale,
    )


def _ratio_of_differences(
    goods: Sequence[_Count], defects: Sequence[_Count], level: float
) -> Interval:
    """Return the ratio of net false calls to net defects, from four counts.

    It holds every price at which the interval of net false calls less priced net defects has
    zero in it.
    """
    net_calls = _difference(goods, level)
    net_defects = _difference(defects, level)
    value = net_calls.value / net_defects.value

    def left(price: float) -> Interval:
        return add_up(net_calls, net_defects.times(price).negated())

    low, high = 0.0, math.inf
    if net_calls.low > 0:
        low = float(brentq(lambda price: left(price).low, 0.0, value))
    if net_defects.low > 0:
        top = 2 * value + 1
        while left(top).high > 0:
            top *= 2
        high = float(brentq(lambda price: left(price).high, value, top))
    return Interval(value=value, low=low, high=high)


def _difference(counts: Sequence[_Count], level: float) -> Interval:
    """Return the first count less the second, each with its exact Poisson interval."""
    one, other = (_poisson(c, (1 - level) / 2) for c in counts)
    return add_up(one, other.negated())


def _poisson(count: _Count, tail: float) -> Interval:
    """Return a Poisson mean with its exact limits, each wrong with chance ``tail``."""
    k = count.total / count.spread
    low = float(chi2.ppf(tail, 2 * k)) / 2 if k > 0 else 0.0
    high = float(chi2.ppf(1 - tail, 2 * k + 2)) / 2
    return Interval(value=k, low=low, high=high).times(count.spread)


def in_money(found: PriceRange, *, false_call_cost: float) -> PriceRange:
    """Return a range with the price of one escape in money.

    Parameters
    ----------
    found : PriceRange
        In false calls.
    false_call_cost : float
        Money per false call, >= 0; taken as known.

    Returns
    -------
    PriceRange
    """

    def priced(end: BreakEven | None) -> BreakEven | None:
        return end and replace(end, price=end.price.times(false_call_cost))

    return replace(found, above=priced(found.above), below=priced(found.below))
