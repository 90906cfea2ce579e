"""The watch: is a promise kept, asked again every day without the asking costing anything.

False calls after a change are held against the promised rate by an e-process: a number that
starts at 1 and, as long as the true rate is no higher than promised, reaches 1/δ at any time
at all with a chance of at most δ, however often one looks and with no end date. It is a bet
against the promise, averaged over rates above it. A second bet, averaged over rates below it,
says "better". A changed rate may come late, so bets that start later are averaged in.

Counts of days scatter more than a Poisson's, so both the count and the promised count of a
day are divided by that day's variance over its mean, learned before the change. A Poisson
e-process is exact; a scaled one holds approximately: means and variances agree, higher
moments and the error of the scaling do not. `tests/benchmarks/watch_power.py` measures it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betainc, betaincc, betaln, gammainc, gammaincc, gammaln
from scipy.stats import chi2

from optimiser.evidence.intervals import Interval, add_up, ratio_total

Floats = NDArray[np.float64]
State = Literal["too early", "as promised", "better", "worse: look"]

DELTA = 0.05
"""Chance of ever saying "worse" of a change that keeps its promise; the same for "better"."""

BAND = 1.5
"""``as promised`` is said once a rate this many times the promise's upper end is ruled out."""

PRIOR = 0.5
"""Shape of the mixture of rates (Jeffreys' for a Poisson mean), centred on the promise."""

START_WEIGHT = 0.5
"""Share of the bet that starts with the change; the rest is spread over later starts."""

START_DAYS = 7
"""Days from one later start of the bet to the next."""

DISPERSION_TAIL = 0.2
"""Chance that the dispersion taken is below the true one, were day counts normal."""

DRIFT_LEVEL = 0.99
"""Level of the intervals that a drift must leave: many measurements are looked at."""

MATERIAL = 0.25
"""A drift is material where it moves calls by this share of the promised false calls."""


def log_bet_on_rate(count: Floats, expected: Floats, *, above: bool) -> Floats:
    """Return the log e-value against "the rate is at most (or at least) the promised one".

    Parameters
    ----------
    count : ndarray, any shape
        Events so far; may be fractional once scaled.
    expected : ndarray, same shape
        Events that the promised rate leads to expect so far, > 0.
    above : bool
        Bet on rates above the promise, else on rates below it.

    Returns
    -------
    ndarray, same shape

    Notes
    -----
    Mixture of Poisson likelihood ratios over Gamma(a, a/λ₀) truncated at λ₀, the mixture
    method of Howard et al. (2021); λ₀ and the exposure N enter as λ₀N alone.

    Examples
    --------
    >>> found = log_bet_on_rate(np.array([30.0]), np.array([20.0]), above=True)
    >>> round(float(np.exp(found[0])), 5)
    2.81849
    """
    a = PRIOR
    tail = _log_above if above else _log_below
    whole = _log_whole_bet(count, expected)
    return whole + tail(a + count, a + expected) - tail(np.asarray(a), np.asarray(a))


def _log_whole_bet(count: Floats, expected: Floats) -> Floats:
    """Return the log e-value of the mixture over all rates."""
    a = PRIOR
    bet: Floats = (expected + a * np.log(a) - gammaln(a) + gammaln(a + count)) - (
        a + count
    ) * np.log(a + expected)
    return bet


def _log_above(shape: Floats, x: Floats) -> Floats:
    """Return ln Q(shape, x), also where Q underflows."""
    q = gammaincc(shape, x)
    with np.errstate(divide="ignore"):
        found: Floats = np.where(q > 1e-280, np.log(q), 0.0)
    tiny = ~(q > 1e-280)
    if tiny.any():
        found[tiny] = _log_far_above(np.broadcast_to(shape, found.shape)[tiny], x[tiny])
    return found


def _log_far_above(shape: Floats, x: Floats) -> Floats:
    """Return ln Q by its continued fraction, which is quick where x is far above the shape."""
    fraction = x + 2 * 300 + 1 - shape
    for i in range(300, 0, -1):
        fraction = x + 2 * i - 1 - shape - i * (i - shape) / fraction
    return shape * np.log(x) - x - gammaln(shape) - np.log(fraction)


def _log_below(shape: Floats, x: Floats) -> Floats:
    """Return ln P(shape, x), also where P underflows."""
    p = gammainc(shape, x)
    with np.errstate(divide="ignore"):
        found: Floats = np.where(p > 1e-280, np.log(p), 0.0)
    tiny = ~(p > 1e-280)
    if tiny.any():
        found[tiny] = _log_far_below(np.broadcast_to(shape, found.shape)[tiny], x[tiny])
    return found


def _log_far_below(shape: Floats, x: Floats) -> Floats:
    """Return ln P by its power series, which is quick where x is far below the shape."""
    term, total, n = np.ones_like(x), np.ones_like(x), 0
    while (term > 1e-16 * total).any():
        n += 1
        term = term * x / (shape + n)
        total = total + term
    return shape * np.log(x) - x - gammaln(shape + 1) + np.log(total)


def log_bet_on_share(count: float, trials: float, promised: float, *, above: bool) -> float:
    """Return the log e-value against "the share is at most (or at least) the promised one".

    Parameters
    ----------
    count, trials : float
        Events among trials so far.
    promised : float
        0 < promised < 1.
    above : bool
        Bet on shares above the promise, else below.

    Returns
    -------
    float

    Notes
    -----
    Mixture of binomial likelihood ratios over Beta(½, ½) truncated at the promise.

    Examples
    --------
    >>> round(float(np.exp(log_bet_on_share(10, 60, 0.05, above=True))), 3)
    28.893
    """
    a, b = PRIOR + count, PRIOR + trials - count
    tail = betaincc if above else betainc
    # An underflow means a bet that is lost beyond recovery: log 0 is what it is worth.
    with np.errstate(divide="ignore"):
        kept = np.log(tail(a, b, promised)) - np.log(tail(PRIOR, PRIOR, promised))
    return float(_log_whole_share_bet(count, trials, promised) + kept)


def _log_whole_share_bet(count: float, trials: float, share: float) -> float:
    a, b = PRIOR + count, PRIOR + trials - count
    ratio = count * np.log(share) + (trials - count) * np.log1p(-share)
    return float(betaln(a, b) - betaln(PRIOR, PRIOR) - ratio)


def rate_sequence(count: float, expected: float, *, delta: float = DELTA) -> Interval:
    """Return the true rate over the promised one, right at all times together.

    Parameters
    ----------
    count, expected : float
        Events so far, and as the promised rate leads to expect; scaled alike.
    delta : float
        Chance that the interval, looked at every day for ever, ever misses.

    Returns
    -------
    Interval
        ``value`` is 0 to infinity before anything was expected.
    """
    if expected <= 0:
        return Interval(value=1.0, low=0.0, high=np.inf)
    value = count / expected

    def short_of(ratio: float) -> float:
        at = np.asarray(ratio * expected)
        # The mixture stays centred on the promise, whatever rate is asked about.
        return (
            float(_log_whole_bet(np.asarray(count), np.asarray(expected)))
            - float(count * np.log(ratio) - at + expected)
            + float(np.log(delta))
        )

    high = _root(short_of, value or 1 / expected, 2.0)
    low = _root(short_of, value, 0.5) if count > 0 else 0.0
    return Interval(value=value, low=low, high=high)


def _root(short_of: Callable[[float], float], start: float, factor: float) -> float:
    """Return where a function that is negative at the start turns positive."""
    if short_of(start) >= 0:
        return start
    far = start * factor
    while short_of(far) < 0:
        far *= factor
    return float(brentq(short_of, far / factor, far, rtol=1e-9))


def share_sequence(count: float, trials: float, *, delta: float = DELTA) -> Interval:
    """Return the true share of events, right at all times together.

    Parameters
    ----------
    count, trials : float
    delta : float

    Returns
    -------
    Interval
        0 to 1 without any trial.

    Examples
    --------
    >>> found = share_sequence(3, 60)
    >>> round(found.low, 4), round(found.high, 4)
    (0.0035, 0.1937)
    """
    if trials <= 0:
        return Interval(value=0.0, low=0.0, high=1.0)
    value = count / trials

    def short_of(share: float) -> float:
        return _log_whole_share_bet(count, trials, share) + float(np.log(delta))

    edge = 1e-12
    top = min(max(value, edge), 1 - edge)
    high = float(brentq(short_of, top, 1 - edge)) if count < trials else 1.0
    low = float(brentq(short_of, edge, top)) if count > 0 else 0.0
    return Interval(value=value, low=low, high=high)


def dispersion(counts: Floats, sizes: Floats) -> float:
    """Return how much days scatter beyond chance: the squared variation of their rates.

    Parameters
    ----------
    counts, sizes : ndarrays, shape (t,)
        Events and items per day, all under one setting; days without items are left out.

    Returns
    -------
    float
        A day that expects m events varies by ``m (1 + dispersion × m)``; at least 0. Chosen
        high where days are few; infinite with fewer than two.

    Notes
    -----
    Pearson's X² over its χ² quantile at `DISPERSION_TAIL`: the fewer the days, the lower that
    quantile.
    """
    held = sizes > 0
    counts, sizes = counts[held], sizes[held]
    free = len(counts) - 1
    if free < 1:
        return np.inf
    expected = counts.sum() / sizes.sum() * sizes
    if not expected.any():
        return 0.0
    ratio = float((((counts - expected) ** 2) / expected).sum()) / float(
        chi2.ppf(DISPERSION_TAIL, free)
    )
    return max(0.0, ratio - 1) / float((expected**2).sum() / expected.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class RateWatch:
    """A rate of events held against its promise.

    Attributes
    ----------
    state : State
    count, expected : float
        Events so far, and as the middle of the promise leads to expect.
    ratio : Interval
        True rate over the middle of the promise, right at all times together (95 %).
    evidence_worse, evidence_better : float
        The e-values now; an alarm stands from the first day on which one reaches 1/δ.
    worse_since, better_since : int or None
        That day, counted from 0.
    scale : float
        Variance over mean of a typical day's count.
    days : int
        With items.
    """

    state: State
    count: float
    expected: float
    ratio: Interval
    evidence_worse: float
    evidence_better: float
    worse_since: int | None
    better_since: int | None
    scale: float
    days: int


def watch_rate(
    counts: Floats, items: Floats, promised: Interval, *, spread: float, delta: float = DELTA
) -> RateWatch:
    """Hold the daily counts since a change against the promised rate.

    Parameters
    ----------
    counts, items : ndarrays, shape (n,)
        Events and items of each day since the change, in order.
    promised : Interval
        Events per item. "Worse" is held against its upper end, "better" against its lower
        one: the promise is uncertain itself, and a rate inside it breaks nothing.
    spread : float
        `dispersion` of days before the change.
    delta : float

    Returns
    -------
    RateWatch

    Notes
    -----
    In order: ``worse: look`` and ``better`` where the bet reached 1/δ on any day, worse
    before better. ``as promised`` where a rate `BAND` times the promise's upper end is ruled
    out: the confidence sequence, right at all times together, ends below it. Else ``too
    early``. Any true rate is decided in the end: one above the upper end by the bet, one
    below `BAND` times it by the confidence sequence.
    """
    held = items > 0
    counts, items = counts[held], items[held]
    middle = promised.value * items
    high, low = promised.high * items, promised.low * items
    worse = _course(counts, high, spread, above=True)
    better = _course(counts, low, spread, above=False)
    scale = _scale(middle, spread)
    ratio = _ratio(counts, middle, spread, delta)
    worse_since, better_since = _first(worse, delta), _first(better, delta)
    state: State = "too early"
    if worse_since is not None:
        state = "worse: look"
    elif better_since is not None:
        state = "better"
    elif np.isfinite(promised.high) and ratio.high * promised.value < BAND * promised.high:
        state = "as promised"
    return RateWatch(
        state=state,
        count=float(counts.sum()),
        expected=float(middle.sum()),
        ratio=ratio,
        evidence_worse=_now(worse),
        evidence_better=_now(better),
        worse_since=_day(held, worse_since),
        better_since=_day(held, better_since),
        scale=float(scale.mean()) if len(scale) else 1.0,
        days=len(counts),
    )


def _scale(expected: Floats, spread: float) -> Floats:
    """Return variance over mean of days that expect so many events."""
    return 1 + spread * expected if np.isfinite(spread) else np.full_like(expected, np.inf)


def _ratio(counts: Floats, expected: Floats, spread: float, delta: float) -> Interval:
    scale = _scale(expected, spread)
    return rate_sequence(
        float((counts / scale).sum()), float((expected / scale).sum()), delta=delta
    )


def _course(counts: Floats, expected: Floats, spread: float, *, above: bool) -> Floats:
    """Return the log e-value at the end of each day, over all starts of the bet, shape (n,).

    Starts weigh `START_WEIGHT` at the change and, after s further periods of `START_DAYS`,
    what is left times ``1/(s(s + 1))``, which sums to 1: a bet not yet begun is worth 1, so
    the weighted mean of them all is an e-process itself.

    Chosen by simulation over a demo's days (`tests/benchmarks/watch_power.py`): one bet from
    the change on takes 74 days to find a rate 1.5 times the promise that begins half a year
    later, this one 21; a log-likelihood CUSUM takes 11, but alarms without cause in 12.5 % of
    years. A new bet every month at δ/12 takes 12, but guards one year only.
    """
    days = len(counts)
    usable = np.isfinite(spread) and np.isfinite(expected).all() and (expected > 0).all()
    if not days or not usable:
        return np.zeros(days)
    scale = _scale(expected, spread)
    x, m = np.cumsum(counts / scale), np.cumsum(expected / scale)
    starts = np.arange(0, days, START_DAYS)
    weights = start_weights(len(starts))
    worth = np.full((days, len(starts) + 1), -np.inf)
    for n, (start, weight) in enumerate(zip(starts, weights, strict=True)):
        before = (x[start - 1], m[start - 1]) if start else (0.0, 0.0)
        worth[:start, n] = np.log(weight)
        since_x = np.maximum(x[start:] - before[0], 0.0)
        worth[start:, n] = np.log(weight) + log_bet_on_rate(
            since_x, m[start:] - before[1], above=above
        )
    left = 1 - weights.sum()
    worth[:, -1] = np.log(left) if left > 0 else -np.inf
    course: Floats = np.logaddexp.reduce(worth, axis=1)
    return course


def start_weights(starts: int) -> Floats:
    """Return how much of the bet goes to each start, shape (starts,); sums to below 1."""
    later = np.arange(1, max(starts, 1), dtype=np.float64)
    return np.append(START_WEIGHT, (1 - START_WEIGHT) / (later * (later + 1)))


def _first(course: Floats, delta: float) -> int | None:
    reached = np.flatnonzero(course >= np.log(1 / delta))
    return int(reached[0]) if len(reached) else None


def _day(held: NDArray[np.bool_], nth: int | None) -> int | None:
    """Return the day among all days of the nth day with items."""
    return None if nth is None else int(np.flatnonzero(held)[nth])


def _now(course: Floats) -> float:
    return float(np.exp(min(float(course[-1]), 700.0))) if len(course) else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareWatch:
    """A share of defects that escape held against its promise.

    Attributes
    ----------
    state : State
    count, trials : float
        Known escapes among known defects, before scaling.
    promised, share : Interval
        The share promised, and the true one, right at all times together (95 %).
    evidence_worse : float
    worse_since : int or None
        The day, counted from 0.
    """

    state: State
    count: float
    trials: float
    promised: Interval
    share: Interval
    evidence_worse: float
    worse_since: int | None


def watch_share(
    counts: Floats, trials: Floats, promised: Interval, *, effect: float, delta: float = DELTA
) -> ShareWatch:
    """Hold the escapes that became known since a change against the promised share.

    Parameters
    ----------
    counts, trials : ndarrays, shape (n,)
        Known escapes, and known defects escaped or called, of each day, in order of the date
        on which the label became final: before it an escape cannot be known.
    promised : Interval
        Share of known defects promised to escape; its upper end is what is tested.
    effect : float
        Design effect of defects that come in lots; both counts are divided by it.
    delta : float

    Returns
    -------
    ShareWatch
        ``better`` is never said: an escape not found yet looks like none.
    """
    total, of = float(counts.sum()), float(trials.sum())
    share = share_sequence(total / effect, of / effect, delta=delta)
    least, most = 1e-9, 1 - 1e-9
    tested = min(max(promised.high, least), most)
    x, n = np.cumsum(counts) / effect, np.cumsum(trials) / effect
    course = np.array(
        [log_bet_on_share(k, t, tested, above=True) for k, t in zip(x, n, strict=True)]
    )
    since = _first(course, delta)
    state: State = "too early"
    if since is not None:
        state = "worse: look"
    elif of and share.high < BAND * promised.high:
        state = "as promised"
    return ShareWatch(
        state=state,
        count=total,
        trials=of,
        promised=promised,
        share=share,
        evidence_worse=_now(course),
        worse_since=since,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotProfile:
    """How one measurement of good items lies in each lot, shape (t,) each.

    ``items`` are counts, ``middle`` medians, ``spread`` interquartile ranges over 1.349 (a
    normal's standard deviation): a few wild readings move neither.
    """

    items: Floats
    middle: Floats
    spread: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How far a measurement has moved since the tally.

    Attributes
    ----------
    shift : Interval
        Of the middle, in spreads within a lot then.
    ratio : Interval
        Spread within a lot now over then.
    shown : bool
        Whether either interval leaves "unchanged".
    """

    shift: Interval
    ratio: Interval

    @property
    def shown(self) -> bool:
        """Whether a change is shown at all, large or small."""
        # Lots that are all alike leave intervals without width, and sums a rounding error.
        return not (_holds(self.shift, 0.0) and _holds(self.ratio, 1.0))


def _holds(interval: Interval, value: float, slack: float = 1e-9) -> bool:
    return interval.low - slack <= value <= interval.high + slack


def drift(then: LotProfile, now: LotProfile, *, least: float, level: float = DRIFT_LEVEL) -> Drift:
    """Compare a measurement of goods now with the lots that a promise rests on.

    Parameters
    ----------
    then, now : LotProfile
    least : float
        Spread below which the measurement's resolution hides any, > 0.
    level : float
        Two-sided; lots are the unit, so a change that single lots make is none.

    Returns
    -------
    Drift
        Infinite intervals with fewer than two lots on either side.

    Examples
    --------
    >>> def lots(at):
    ...     return LotProfile(
    ...         items=np.full(8, 100.0), middle=at + np.arange(8) / 10, spread=np.full(8, 1.0)
    ...     )
    >>> found = drift(lots(0), lots(3), least=0.01)
    >>> round(found.shift.value, 1), found.ratio.value, found.shown
    (3.0, 1.0, True)
    """
    unit = max(_mean(then.items, np.maximum(then.spread, least), level).value, least)
    shift = add_up(
        _mean(now.items, now.middle, level), _mean(then.items, then.middle, level).negated()
    ).times(1 / unit)
    log_ratio = add_up(
        _mean(now.items, np.log(np.maximum(now.spread, least)), level),
        _mean(then.items, np.log(np.maximum(then.spread, least)), level).negated(),
    )
    return Drift(
        shift=shift,
        ratio=Interval(
            value=float(np.exp(log_ratio.value)),
            low=float(np.exp(log_ratio.low)),
            high=float(np.exp(min(log_ratio.high, 700.0))),
        ),
    )


def _mean(items: Floats, values: Floats, level: float) -> Interval:
    """Return the mean over items of a value per lot, with lots as the unit."""
    return ratio_total(items * values, items, level=level).times(1 / float(items.sum()))
