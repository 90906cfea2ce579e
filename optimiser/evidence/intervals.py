"""Intervals for rare events and ratios, with lots as the unit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, gammaincc, gammainccinv, gammaincinv
from scipy.stats import beta, chi2, t

ICC_FLOOR = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with a two-sided interval."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> "Interval":
        """Return the interval of the value times a known factor >= 0."""
        return Interval(value=self.value * factor, low=self.low * factor, high=self.high * factor)

    def negated(self) -> "Interval":
        """Return the interval of the value with its sign changed."""
        return Interval(value=-self.value, low=-self.high, high=-self.low)


ZERO = Interval(value=0.0, low=0.0, high=0.0)


def ratio_total(
    counts: NDArray[np.float64], sizes: NDArray[np.float64], *, level: float
) -> Interval:
    """Return the total of counts over lots with the interval of the ratio estimator.

    Parameters
    ----------
    counts : ndarray, shape (t,)
        A count per lot (or a difference of two).
    sizes : ndarray, shape (t,)
        Items per lot; lots without any are left out.
    level : float
        Two-sided, 0..1.

    Returns
    -------
    Interval
        Of the expected total for as many items; infinite with fewer than two lots.

    Notes
    -----
    ``SE = sqrt(J/(J-1) Σ (f_i - r n_i)²)`` with ``r = Σf/Σn``: the linearised variance of a
    ratio of lot totals, a Student quantile with J - 1 degrees of freedom.

    Examples
    --------
    >>> f, n = [3, 0, 5, 1, 12, 2], [1000, 800, 1200, 900, 1100, 1000]
    >>> found = ratio_total(np.array(f, float), np.array(n, float), level=0.90)
    >>> se = (found.high - found.value) / 6000 / float(t.ppf(0.95, 5))
    >>> round(found.value), round(float(se), 6)
    (23, 0.001635)
    """
    held = sizes > 0
    counts, sizes = counts[held], sizes[held]
    lots, total = len(counts), float(counts.sum())
    if lots < 2:
        return Interval(value=total, low=-np.inf, high=np.inf)
    residual = counts - total / sizes.sum() * sizes
    error = np.sqrt(lots / (lots - 1) * float(residual @ residual))
    reach = float(t.ppf((1 + level) / 2, lots - 1)) * error
    return Interval(value=total, low=total - reach, high=total + reach)


def intraclass_correlation(events: NDArray[np.float64], sizes: NDArray[np.float64]) -> float:
    """Return the one-way ANOVA intraclass correlation of events within lots, 0..1.

    Parameters
    ----------
    events, sizes : ndarrays, shape (t,)
        Events and trials per lot; sizes > 0.

    Returns
    -------
    float
        0 where it cannot be estimated.
    """
    n, lots = float(sizes.sum()), len(sizes)
    if lots < 2 or n <= lots:
        return 0.0
    share = float(events.sum()) / n
    between = float((sizes * (events / sizes - share) ** 2).sum()) / (lots - 1)
    within = float((events * (1 - events / sizes)).sum()) / (n - lots)
    typical = (n - float((sizes**2).sum()) / n) / (lots - 1)
    denominator = between + (typical - 1) * within
    return max(0.0, (between - within) / denominator) if denominator > 0 else 0.0


def design_effect(
    events: NDArray[np.float64], sizes: NDArray[np.float64], *, icc_floor: float = ICC_FLOOR
) -> float:
    """Return by how much trials that come in lots inflate a variance (Kish).

    ``1 + (Σm²/n - 1) ρ`` with ρ the intraclass correlation, at least the floor.

    Parameters
    ----------
    events, sizes : ndarrays, shape (t,)
        Per lot; lots of size 0 are left out.
    icc_floor : float

    Returns
    -------
    float
        At least 1; 1 without any trial.
    """
    held = sizes > 0
    events, sizes = events[held], sizes[held]
    if not len(sizes):
        return 1.0
    rho = max(intraclass_correlation(events, sizes), icc_floor)
    return max(1.0, 1 + (float((sizes**2).sum() / sizes.sum()) - 1) * rho)


def share_by_lot(
    events: NDArray[np.float64],
    sizes: NDArray[np.float64],
    *,
    level: float,
    icc_floor: float = ICC_FLOOR,
) -> Interval:
    """Return the share of events among trials that come in lots (Korn–Graubard).

    Clopper–Pearson with both counts divided by the design effect
    ``1 + (Σm²/n - 1) ρ``, where ρ is the intraclass correlation, but at least a floor:
    with no event it cannot be estimated at all, and it is the floor that protects.

    Parameters
    ----------
    events, sizes : ndarrays, shape (t,)
        Events (may be fractional) and trials per lot.
    level : float
        Two-sided.
    icc_floor : float

    Returns
    -------
    Interval
        0 to 1 without any trial.

    References
    ----------
    .. [1] Korn and Graubard (1998), Confidence intervals for proportions with small expected
       number of positive counts estimated from survey data, Survey Methodology 24.

    Examples
    --------
    >>> e = np.array([0, 0, 1, 0, 2, 0, 0, 0.0])
    >>> m = np.array([4, 3, 5, 2, 6, 4, 3, 5.0])
    >>> round(share_by_lot(e, m, level=0.90).high, 5)  # one-sided 95 %
    0.2805
    """
    held = sizes > 0
    events, sizes = events[held], sizes[held]
    n, k = float(sizes.sum()), float(events.sum())
    if n == 0:
        return Interval(value=0.0, low=0.0, high=1.0)
    effect = design_effect(events, sizes, icc_floor=icc_floor)
    n_eff, k_eff = n / effect, k / effect
    tail = (1 - level) / 2
    low = float(beta.ppf(tail, k_eff, n_eff - k_eff + 1)) if k_eff > 0 else 0.0
    high = float(beta.ppf(1 - tail, k_eff + 1, n_eff - k_eff)) if k_eff < n_eff else 1.0
    return Interval(value=k / n, low=low, high=high)


def weighted_total(
    events: NDArray[np.float64],
    weights: NDArray[np.float64],
    *,
    level: float,
    effect: float = 1.0,
) -> Interval:
    """Return the weighted sum of rare events with the gamma interval of Fay and Feuer.

    Parameters
    ----------
    events : ndarray, shape (d,)
        0..1 each.
    weights : ndarray, shape (d,)
        How many each stands for, >= 1.
    level : float
        Two-sided.
    effect : float
        Design effect by which events in lots inflate the variance.

    Returns
    -------
    Interval
        Zero to zero without any candidate event at all: nothing is known to lie there.

    References
    ----------
    .. [1] Fay and Feuer (1997), Confidence intervals for directly standardized rates,
       Statistics in Medicine 16.

    Examples
    --------
    >>> w = np.repeat([490.0, 18.0, 2.5], [0, 1, 12])
    >>> found = weighted_total(np.ones(13), w, level=0.95)
    >>> round(found.value, 1), round(found.low, 1), round(found.high, 1)
    (48.0, 17.2, 128.2)
    """
    if not len(events):
        return ZERO
    tail = (1 - level) / 2
    y, v = float(weights @ events), float(weights**2 @ events) * effect
    most = float(weights.max()) * effect
    low = v / (2 * y) * float(chi2.ppf(tail, 2 * y**2 / v)) if y > 0 else 0.0
    spread = (v + most**2) / (2 * (y + most))
    high = spread * float(chi2.ppf(1 - tail, 2 * (y + most) ** 2 / (v + most**2)))
    return Interval(value=y, low=low, high=high)


def count_total(total: float, *, spread: float, level: float) -> Interval:
    """Return the expected number of rare events from a count that scatters more than Poisson.

    Parameters
    ----------
    total : float
        Counted, >= 0; may be a weighted sum.
    spread : float
        Variance over mean of what was counted, >= 1 for whole events.
    level : float
        Two-sided.

    Returns
    -------
    Interval
        Garwood's exact interval of a Poisson mean with ``total / spread`` events, scaled back: no
        end at any number of candidates, and never of width zero.

    References
    ----------
    .. [1] Garwood (1936), Fiducial limits for the Poisson distribution, Biometrika 28.

    Examples
    --------
    >>> found = count_total(0.0, spread=1.0, level=0.90)
    >>> round(found.high, 4)
    2.9957
    """
    tail = (1 - level) / 2
    events = total / spread
    # Quantiles of chi-square with twice as many degrees of freedom, halved.
    low = float(gammaincinv(events, tail)) if events > LEAST_EVENTS else 0.0
    high = float(gammainccinv(events + 1, tail))
    return Interval(value=total, low=low * spread, high=high * spread)


def next_total(
    total: float, *, spread: float, effect: float, ratio: float = 1.0, level: float
) -> Interval:
    """Return what the next span may bring of rare events that were counted once.

    Parameters
    ----------
    total : float
        Counted, >= 0; may be a weighted sum.
    spread : float
        Variance over mean of what was counted.
    effect : float
        Variance over mean of the number to come, >= 1.
    ratio : float
        Length of the span to come over that counted.
    level : float
        Two-sided.

    Returns
    -------
    Interval
        The expected number with a predictive interval in whole events.

    Notes
    -----
    The mean to come is ``spread`` times a gamma variable with shape ``total / spread`` for the
    low end and one event more for the high one, as in `count_total`; given it the number to come
    is negative binomial. With nothing but Poisson scatter it is the exact interval that splits
    the binomial of two counts.

    References
    ----------
    .. [1] Nelson (1982), Applied Life Data Analysis, on predicting a Poisson count.
    """
    tail = (1 - level) / 2
    low = _coming(tail, total / spread, spread * ratio, effect)
    high = _coming(1 - tail, total / spread + 1, spread * ratio, effect)
    value = total * ratio
    return Interval(value=value, low=min(low, value), high=max(high, value))


def for_span(expected: Interval, ratio: float) -> Interval:
    """Return an expected total for another span, with what that span's own scatter adds.

    Parameters
    ----------
    expected : Interval
        Of as many items as it was estimated from.
    ratio : float
        Items of the other span over those.

    Returns
    -------
    Interval
        The estimate's variance is scaled by the square of the ratio, to which the coming lots add
        their own: together ``ratio² (1 + 1/ratio)``. Infinite ends stay so.
    """
    reach = ratio * (1 + 1 / ratio) ** 0.5
    value = expected.value * ratio
    return Interval(
        value=value,
        low=value - reach * (expected.value - expected.low),
        high=value + reach * (expected.high - expected.value),
    )


LEAST_EVENTS = 1e-12
MIDDLES = (np.arange(120) + 0.5) / 120


def _coming(share: float, shape: float, scale: float, effect: float) -> float:
    """Return the least whole number that a share of the counts to come does not exceed."""
    if shape <= LEAST_EVENTS:
        return 0.0
    means = gammaincinv(shape, MIDDLES) * scale

    def below(count: int) -> float:
        if count < 0:
            return 0.0
        if effect <= 1 + 1e-6:
            return float(np.mean(gammaincc(count + 1, means)))
        return float(
            np.mean(betainc(np.maximum(means / (effect - 1), 1e-300), count + 1, 1 / effect))
        )

    top = 1
    while below(top) < share:
        top *= 2
    bottom = -1
    while top - bottom > 1:
        middle = (top + bottom) // 2
        bottom, top = (bottom, middle) if below(middle) >= share else (middle, top)
    return float(top)


def add_up(*parts: Interval) -> Interval:
    """Return the sum of independent parts, its interval recovered from theirs (MOVER).

    Parameters
    ----------
    *parts : Interval
        All at one level.

    Returns
    -------
    Interval

    References
    ----------
    .. [1] Zou and Donner (2008), Construction of confidence limits about effect measures: a
       general approach, Statistics in Medicine 27.

    Examples
    --------
    >>> one = Interval(value=10.0, low=7.0, high=13.0)
    >>> add_up(one, Interval(value=5.0, low=1.0, high=9.0))
    Interval(value=15.0, low=10.0, high=20.0)
    """
    value = sum(p.value for p in parts)
    below = sum((p.value - p.low) ** 2 for p in parts)
    above = sum((p.high - p.value) ** 2 for p in parts)
    return Interval(value=value, low=value - below**0.5, high=value + above**0.5)
