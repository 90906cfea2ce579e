"""The certificate: how few defects escape, proven on defects that the search never saw.

It knows nothing of how a setting was found. What it is given must be held out: defects of
lots later than all that the search was shown (`later_lots` cuts there).
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betaincc
from scipy.stats import binom

from optimiser.errors import UsageError
from optimiser.evidence.intervals import (
    ICC_FLOOR,
    design_effect,
    intraclass_correlation,
    share_by_lot,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What held-out defects prove about the share of defects that escape one setting.

    Attributes
    ----------
    certified : bool
        Whether at most `alpha` escape, with confidence 1 - `delta`. If several settings
        were tested this holds for all certified ones together.
    p_value : float
        Chance of as few escapes, or fewer, if a share `alpha` escaped; lots accounted for.
    bound : float
        Largest share of escapes that `delta` does not rule out, for this setting by itself,
        fixed before the held-out defects were looked at. At most `alpha` if and only if
        `p_value` is at most `delta`.
    one_per_lot : float
        The same from one defect per lot only: whatever the correlation within lots.
    escapes, defects, lots : int
        Held-out defects that the setting does not call, all, and the lots they come from.
    effective_defects : float
        Independent defects that are worth as much as these.
    icc : float
        Correlation within lots that was used.
    more_needed : int
        Further defects without any escape, in lots like these, until `bound` is `alpha`.
    tested : int
        Settings in the sequence; 1 for a setting tested by itself.
    stopped : bool
        True when a safer setting of the sequence was not certified.
    alpha, delta : float
        Share of escapes to be certified; chance 0..1 allowed for being wrong.
    """

    certified: bool
    p_value: float
    bound: float
    one_per_lot: float
    escapes: int
    defects: int
    lots: int
    effective_defects: float
    icc: float
    more_needed: int
    tested: int
    stopped: bool
    alpha: float
    delta: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CertifiedFront:
    """Certificates of a front's settings, tested one after the other from the safest.

    Attributes
    ----------
    certificates : tuple of p Certificate
        In the order the settings were given in.
    order : tuple of p int
        Rows in the order tested.
    certified : tuple of int
        Rows that are certified; the engineer may choose any of them after looking.
    cheapest : int or None
        The certified row with the fewest false calls.
    """

    certificates: tuple[Certificate, ...]
    order: tuple[int, ...]
    certified: tuple[int, ...]
    cheapest: int | None


# --- one binomial -----------------------------------------------------------------------


def p_value(escapes: int, defects: int, *, alpha: float) -> float:
    """Return the chance of so few escapes among independent defects if a share alpha escaped.

    Parameters
    ----------
    escapes, defects : int
    alpha : float

    Returns
    -------
    float

    Examples
    --------
    >>> p_value(0, 59, alpha=0.05)
    0.0484
    """
    return float(binom.cdf(escapes, defects, alpha))


def defects_needed(escapes: int, *, alpha: float, delta: float) -> int:
    """Return the fewest independent defects with which so many escapes certify alpha.

    Parameters
    ----------
    escapes : int
    alpha, delta : float

    Returns
    -------
    int

    Examples
    --------
    >>> [defects_needed(k, alpha=0.05, delta=0.05) for k in range(4)]
    [59, 93, 124, 153]
    """
    _check_shares(alpha, delta)
    return _first(lambda n: p_value(escapes, n, alpha=alpha) <= delta)


# --- defects that come in lots ----------------------------------------------------------


def lot_p_value(
    escapes: Floats, sizes: Floats, *, alpha: float, icc_floor: float = ICC_FLOOR
) -> float:
    """Return the chance of so few escapes if a share alpha escaped, lots accounted for.

    Parameters
    ----------
    escapes, sizes : ndarrays, shape (t,)
        Escapes and defects per lot; sizes > 0.
    alpha : float
    icc_floor : float
        The correlation within lots is taken to be at least this.

    Returns
    -------
    float
        1 without any defect.

    Notes
    -----
    The larger of two:

    * The binomial tail at the counts of Korn and Graubard, ``k/deff`` of ``n/deff``, as an
      incomplete beta function: at most delta if and only if their bound is at most alpha.
    * The largest chance of no escape at all that a correlation ρ allows, exactly. Among lot
      shares θ with mean α and variance ρα(1-α), ``E(1-θ)^m`` is largest when lots are either
      clean or have the share ``c = α + ρ(1-α)`` (an extreme moment problem: the integrand's
      third derivative is negative), so ``Π (1 - α/c (1 - (1-c)^m))``. It is the larger of the
      two only where lots hold some twenty defects or more.

    Valid where the true correlation is at most the larger of floor and estimate. With few
    escapes the estimate says little: it is the floor that protects. Where lots correlate by .5
    under a floor of .2, a stated 10 % was wrong in 14 to 20 % of simulated plants with lots of
    ten and twenty defects; the bound from one defect per lot holds there too.

    References
    ----------
    .. [1] Korn and Graubard (1998), Confidence intervals for proportions with small expected
       number of positive counts estimated from survey data, Survey Methodology 24.
    """
    n, k = float(sizes.sum()), float(escapes.sum())
    if n == 0:
        return 1.0
    icc = max(intraclass_correlation(escapes, sizes), icc_floor)
    effect = design_effect(escapes, sizes, icc_floor=icc)
    return max(_tail(k / effect, n / effect, alpha), _no_escape(sizes, alpha, icc))


def lot_bound(
    escapes: Floats, sizes: Floats, *, delta: float, icc_floor: float = ICC_FLOOR
) -> float:
    """Return the largest share of escapes that `lot_p_value` does not rule out at delta.

    Parameters
    ----------
    escapes, sizes : ndarrays, shape (t,)
        Per lot; sizes > 0.
    delta : float
    icc_floor : float

    Returns
    -------
    float
        1 without any defect, or when all escape.

    Examples
    --------
    >>> m = np.array([4, 3, 5, 2, 6, 4, 3, 5.0])
    >>> lot_bound(np.array([0, 0, 1, 0, 2, 0, 0, 0.0]), m, delta=0.05)
    0.28050
    """
    bound = share_by_lot(escapes, sizes, level=1 - 2 * delta, icc_floor=icc_floor).high
    icc = max(intraclass_correlation(escapes, sizes), icc_floor)
    if bound == 1.0 or _no_escape(sizes, bound, icc) <= delta:
        return bound
    return float(brentq(lambda a: _no_escape(sizes, a, icc) - delta, bound, 1.0))


def _tail(k: float, n: float, alpha: float) -> float:
    """Return P(Bin(n, alpha) <= k), for fractional k and n as well."""
    return float(betaincc(k + 1, n - k, alpha)) if k < n else 1.0


def _no_escape(sizes: Floats, alpha: float, icc: float) -> float:
    """Return the largest chance of no escape that a correlation within lots allows."""
    share = alpha + icc * (1 - alpha)
    return float(np.prod(1 - alpha / share * (1 - (1 - share) ** sizes)))


def one_per_lot_bound(escapes: Floats, sizes: Floats, *, delta: float) -> float:
    """Return the largest share of escapes that `one_per_lot_p_value` does not rule out.

    Parameters
    ----------
    escapes, sizes : ndarrays, shape (t,)
        Per lot; sizes > 0.
    delta : float

    Returns
    -------
    float
        1 where no share can be ruled out.

    Examples
    --------
    >>> one_per_lot_bound(np.zeros(29), np.full(29, 4.0), delta=0.10)  # 1 - (δ/2)^(1/29)
    0.0981
    """
    chances = _chances(escapes / sizes)
    if chances[-1] > delta / 2:
        return 1.0
    return float(brentq(lambda a: _mean_over_picks(chances, a) - delta / 2, 0.0, 1.0))


def _chances(shares: Floats) -> Floats:
    """Return the chance of 0, 1, … t escapes among one defect of each lot, shape (t + 1,)."""
    return reduce(np.convolve, [np.array([1 - s, s]) for s in shares], np.ones(1))


def _mean_over_picks(chances: Floats, alpha: float) -> float:
    lots = len(chances) - 1
    return float(chances @ binom.cdf(np.arange(lots + 1), lots, alpha))


# --- certificates -----------------------------------------------------------------------


def certify_front(
    escapes: Bools,
    lot: Ints,
    *,
    false_calls: Floats,
    tuning: Floats,
    alpha: float = 0.10,
    delta: float = 0.10,
    icc_floor: float = ICC_FLOOR,
) -> CertifiedFront:
    """Return which settings of a front are certified, tested in order from the safest.

    Parameters
    ----------
    escapes : ndarray of bool, shape (p, d)
        Held-out defects that each setting does not call.
    lot : ndarray of int, shape (d,)
    false_calls : ndarray, shape (p,)
        Of each setting.
    tuning : ndarray, shape (p,)
        How unsafe each looked before (its escapes, or its p-value, on what the search saw):
        the least is tested first; of equals the one with more false calls.
    alpha, delta : float
    icc_floor : float

    Returns
    -------
    CertifiedFront

    Raises
    ------
    UsageError
        If shapes differ, or alpha or delta lies outside 0..1.

    Notes
    -----
    Each is tested at delta until the first that fails. The first setting in that order that
    truly lets more than alpha escape is certified with a chance of at most delta, and none
    after it is without it: so with confidence 1 - delta **every** certified setting keeps to
    alpha, and one may be chosen after looking. The order must not depend on the held-out
    defects. The bounds below alpha of single settings hold one at a time only. Families and
    nights: see `certify`.

    References
    ----------
    .. [1] Laufer-Goldshtein, Fisch, Barzilay and Jaakkola (2023), Efficiently controlling
       multiple risks with Pareto testing, ICLR.
    """
    _check_shares(alpha, delta)
    _check_shapes(escapes, lot, false_calls, tuning)
    lots, place = np.unique(lot, return_inverse=True)
    sizes = np.bincount(place, minlength=len(lots)).astype(np.float64)
    found = [
        _certificate(
            np.bincount(place, row, minlength=len(lots)).astype(np.float64),
            sizes,
            alpha,
            delta,
            icc_floor,
        )
        for row in escapes.astype(np.float64)
    ]
    order = np.lexsort((-false_calls, tuning))
    passed = fixed_sequence(np.array([found[i].p_value for i in order]), delta=delta)
    count = int(passed.sum())
    certified = tuple(sorted(order[:count].tolist()))
    return CertifiedFront(
        certificates=tuple(
            replace(
                c,
                certified=i in certified,
                stopped=i in order[count + 1 :],
                tested=len(order),
            )
            for i, c in enumerate(found)
        ),
        order=tuple(order.tolist()),
        certified=certified,
        cheapest=min(certified, key=lambda i: (false_calls[i], tuning[i]), default=None),
    )


def fixed_sequence(p_values: Floats, *, delta: float) -> Bools:
    """Return which hypotheses are rejected when tested in the order given.

    Parameters
    ----------
    p_values : ndarray, shape (p,)
    delta : float
        Level of each test, and of all together.

    Returns
    -------
    ndarray of bool, shape (p,)
        True up to the first p-value above delta.

    Examples
    --------
    >>> fixed_sequence(np.array([0.02, 0.08, 0.3, 0.01]), delta=0.1)
    array([ True,  True, False, False])
    """
    return np.asarray(np.logical_and.accumulate(p_values <= delta), dtype=np.bool_)


def _certificate(
    escapes: Floats, sizes: Floats, alpha: float, delta: float, icc_floor: float
) -> Certificate:
    """Return the certificate of a setting tested by itself."""
    icc = max(intraclass_correlation(escapes, sizes), icc_floor)
    p = lot_p_value(escapes, sizes, alpha=alpha, icc_floor=icc_floor)
    return Certificate(
        certified=p <= delta,
        p_value=p,
        bound=lot_bound(escapes, sizes, delta=delta, icc_floor=icc_floor),
        one_per_lot=one_per_lot_bound(escapes, sizes, delta=delta),
        escapes=round(float(escapes.sum())),
        defects=round(float(sizes.sum())),
        lots=len(sizes),
        effective_defects=float(sizes.sum()) / design_effect(escapes, sizes, icc_floor=icc),
        icc=icc,
        more_needed=_more_needed(escapes, sizes, alpha, delta, icc),
        tested=1,
        stopped=False,
        alpha=alpha,
        delta=delta,
    )


def _more_needed(escapes: Floats, sizes: Floats, alpha: float, delta: float, icc: float) -> int:
    """Return how many more defects without an escape certify alpha, in lots like these."""
    n, k = float(sizes.sum()), float(escapes.sum())
    if n == 0:
        return defects_needed(0, alpha=alpha, delta=delta)
    effect = design_effect(escapes, sizes, icc_floor=icc)
    none = _no_escape(sizes, alpha, icc)

    def is_enough(more: int) -> bool:
        tail = _tail(k / effect, (n + more) / effect, alpha)
        return bool(max(tail, none ** ((n + more) / n)) <= delta)

    return _first(is_enough)


def _first(is_enough: Callable[[int], bool]) -> int:
    """Return the least whole number >= 0 that is enough; all larger ones are too."""
    top = 1
    while not is_enough(top):
        top *= 2
    return bisect_left(range(top), True, key=is_enough)


def _check_shares(alpha: float, delta: float) -> None:
    for name, value in (("alpha", alpha), ("delta", delta)):
        if not 0 < value < 1:
            raise UsageError(
                f"{name} must lie between 0 and 1, not {value}: give 0.10 for 10 % of the defects "
                "(alpha) or for 90 % confidence (delta)"
            )


def _check_shapes(escapes: Bools, lot: Ints, false_calls: Floats, tuning: Floats) -> None:
    wanted = (len(false_calls), len(lot))
    if escapes.shape != wanted or tuning.shape != (wanted[0],):
        raise UsageError(
            "escapes needs a row per setting and a column per defect, and tuning one value per "
            f"setting: false_calls and lot ask for {wanted}, but escapes has {escapes.shape} and "
            f"tuning {tuning.shape}"
        )
