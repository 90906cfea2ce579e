"""The promise: what a change saves and risks, from outcomes on lots that it never saw.

It knows nothing of how a setting was found. What it is given must be held out: in every
lot the outcome of a setting chosen and fitted without that lot.

Two figures with two names. What is *expected* has the interval of an estimate: where the long
run lies. What *the next span* of the same length may bring has a predictive one: the long run's
uncertainty and the scatter of one span, bursts included.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, gamma, norm, t

from optimiser.evidence.escapes import (
    OBEYED,
    USUAL_LIMITS,
    Expected,
    Released,
    added_after,
    added_beforehand,
    caught_after,
)
from optimiser.evidence.intervals import (
    ZERO,
    Interval,
    add_up,
    count_total,
    design_effect,
    next_total,
    ratio_total,
    weighted_total,
)
from optimiser.evidence.moving import Trend, led_to, trend
from optimiser.values import DAYS_PER_MONTH

LEVEL = 0.90
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldOut:
    """Outcomes on lots not seen: t lots, d labelled defects.

    Attributes
    ----------
    items : ndarray, shape (t,)
        Non-defects per lot.
    live_false_calls, false_calls : ndarrays, shape (t,)
        Called non-defects per lot under the live recipe and, as expected on lots not seen,
        under the proposed setting.
    false_calls_error : float
        Standard error of the sum of `false_calls` beyond that of the lots' own scatter: of
        the correction for lots not seen.
    newly_called : ndarray, shape (t,)
        Non-defects that only the held-out setting calls.
    loosens, tightens : bool
        Whether the proposed setting moves any limit that way. One that loosens none cannot
        add an escape, one that tightens none cannot catch one.
    lot : ndarray of int, shape (d,)
    escape : ndarray, shape (d,)
        Chance 0..1 of each labelled defect to escape the held-out setting.
    live_called : ndarray of bool, shape (d,)
    weight, price : ndarrays, shape (d,)
        How many defects each stands for, below 1 the chance that it is one; cost of one escape,
        money.
    false_call_cost : float
        Money per false call.
    miss_rate : float
        Chance that a reviewer passes a called defect.
    passed_weight : float
        How many a defect stands for that the live recipe passed and test found.
    span_days : float
    misread : float
        Misread goods expected among the labelled defects that escape when held out: reviewed
        goods released times the rate at which reviewers misread them.
    setting_escaped : int
        Labelled defects that the live recipe calls and the proposed setting itself does not. The interval
        of escapes added reaches at least as far as their count asks for.
    limits : int
        Limits that the family has.
    elsewhere : tuple of Released
        What quick fits of the plant's other families released on lots that they had not seen.
    bursts : float
        Variance over mean of the number of the family's defects in a lot, >= 1.
    widen : float
        By how much what followed in the past asks for wider intervals of the next span, >= 1.
    chosen_at : float
        The price of a call at which the setting was chosen, over what a call costs, >= 0. A plan of few
        hours releases more for each call that it saves than one that has hours to spare.
    obeys : bool
        Whether no setting may release a known defect: a critical family.
    """

    items: Floats
    live_false_calls: Floats
    false_calls: Floats
    false_calls_error: float
    newly_called: Floats
    loosens: bool
    tightens: bool
    lot: NDArray[np.int64]
    escape: Floats
    live_called: NDArray[np.bool_]
    weight: Floats
    price: Floats
    false_call_cost: float
    miss_rate: float
    passed_weight: float
    span_days: float
    misread: float = 0.0
    setting_escaped: int = 0
    limits: int = USUAL_LIMITS
    elsewhere: tuple[Released, ...] = ()
    bursts: float = 1.0
    widen: float = 1.0
    chosen_at: float = 1.0
    obeys: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NextSpan:
    """What the next span of the same length may bring: values with predictive intervals."""

    false_calls_saved: Interval
    escapes_added: Interval
    escapes_caught: Interval
    saving_per_month: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Addends:
    """The figures of one family as they go into a sum over families.

    Their values are those of the family by itself. Misread goods among the labels are taken off by
    their expected number, which now and then exceeds the labels there are: one family by itself
    ends at no escape, here the lower end may fall below that and evens out in the sum.
    """

    escapes_added: Interval
    saving_per_month: Interval
    next_escapes_added: Interval
    next_saving_per_month: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What a change is expected to do over as long a time as the history spans.

    Attributes
    ----------
    next_span : NextSpan
        The same four figures for one span to come; wider, for a span scatters.
    in_sum : Addends
        For sums over families.
    chance_of_loss : float
        That the change loses money in the long run, as far as this history can tell, 0..1.
    false_calls_saved : Interval
        False calls of the live recipe less those of the change.
    escapes_added : Interval
        Defects that the live recipe calls and the change does not. Rests on reviewed labels.
    escapes_caught : Interval
        Defects that the live recipe passes and the change calls. Rests on defects found
        later by test, audit or field, each standing for those that were not found; never
        netted against ``escapes_added``.
    saving_per_month : Interval
        Money: review saved, less escapes added, plus escapes caught.
    review_saving_per_month, added_cost_per_month, caught_saving_per_month : Interval
        The three parts of it.
    level : float
        Level of every interval, two-sided.
    lots, defects_called, defects_passed : int
        From how much: lots, labelled defects that the live recipe calls, and passes.
    added_counted : int
        Of the labelled defects that the live recipe calls, those that escaped when held out.
    added_misread : float
        How many of those are expected to be goods that were misread.
    bursts : float
        Variance over mean of escapes added in a lot that their intervals rest on
        (`burst_effect`).
    trend : Trend or None
        Of the false calls of the live recipe or of those saved, where either moves beyond the
        lots' scatter. The next span's interval then holds what the trend would lead to as well.
    """

    next_span: NextSpan
    in_sum: Addends
    chance_of_loss: float
    false_calls_saved: Interval
    escapes_added: Interval
    escapes_caught: Interval
    saving_per_month: Interval
    review_saving_per_month: Interval
    added_cost_per_month: Interval
    caught_saving_per_month: Interval
    level: float
    lots: int
    defects_called: int
    defects_passed: int
    added_counted: int
    added_misread: float
    bursts: float
    trend: Trend | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """The three parts of a promise and their money, all of one kind of interval."""

    saved: Interval
    added: Interval
    caught: Interval
    added_in_sum: Interval
    review: Interval
    cost: Interval
    cost_in_sum: Interval
    gain: Interval

    @property
    def saving_in_sum(self) -> Interval:
        """The same with escapes added that may fall below zero by chance."""
        return add_up(self.review, self.cost_in_sum.negated(), self.gain)

    @property
    def saving(self) -> Interval:
        """Review saved less escapes added plus escapes caught, money a month."""
        return add_up(self.review, self.cost.negated(), self.gain)


def promise(held: HeldOut, *, level: float = LEVEL) -> Promise:
    """Return the promise of a change from its held-out outcomes.

    Parameters
    ----------
    held : HeldOut
    level : float
        Two-sided level of every interval.

    Returns
    -------
    Promise

    Notes
    -----
    False calls: ratio estimator over lots, with the error of the correction for lots not
    seen. Escapes added: what is expected after the count of a change that saves as much
    and what the plant's other families release (`escapes.added_after`); exact interval of a count whose
    variance is `bursts` times its mean, reaching up to what the setting itself releases of the known
    defects. Escapes caught: what is expected after the count of a change that newly calls as much
    (`escapes.caught_after`); gamma interval of a weighted sum, as if one more that weighs as much as
    a tested one could have been there.
    Money: sum of the three, MOVER; prices are taken as known.
    Reviewed labels miss the defects that reviewers passed, hence the division by
    ``1 - miss_rate``.

    The next span: the lots to come scatter as those seen did, so the variance of false calls is
    twice that of their estimate; escapes are negative binomial (`intervals.next_total`). Where
    the process moves the interval reaches to where its trend would lead (`moving.led_to`).
    """
    expected, ahead = _expected(held, level), _next(held, level)
    return Promise(
        false_calls_saved=expected.saved,
        escapes_added=expected.added,
        escapes_caught=expected.caught,
        saving_per_month=expected.saving,
        review_saving_per_month=expected.review,
        added_cost_per_month=expected.cost,
        caught_saving_per_month=expected.gain,
        next_span=NextSpan(
            false_calls_saved=ahead.saved,
            escapes_added=ahead.added,
            escapes_caught=ahead.caught,
            saving_per_month=_lumped(ahead.saving, ahead),
        ),
        in_sum=Addends(
            escapes_added=expected.added_in_sum,
            saving_per_month=expected.saving_in_sum,
            next_escapes_added=ahead.added_in_sum,
            next_saving_per_month=ahead.saving_in_sum,
        ),
        chance_of_loss=chance_of_loss(held),
        level=level,
        lots=int((held.items > 0).sum()),
        defects_called=int(held.live_called.sum()),
        defects_passed=int((~held.live_called).sum()),
        added_counted=int(held.escape[held.live_called].sum()) if held.loosens else 0,
        added_misread=float(held.misread) if held.loosens else 0.0,
        bursts=burst_effect(held, held.live_called, held.escape),
        trend=moving(held),
    )


def moving(held: HeldOut) -> Trend | None:
    """Return the trend of a process that moves, None where it stays.

    Parameters
    ----------
    held : HeldOut

    Returns
    -------
    Trend or None
        Of the false calls of the live recipe, or else of those saved, whichever moves more surely.
    """
    by_live = trend(held.live_false_calls, held.items)
    shown = [x for x in (by_live, _saved_trend(held)) if x is not None and x.moves]
    return min(shown, key=lambda x: x.p_value) if shown else None


def _saved_trend(held: HeldOut) -> Trend | None:
    return trend(np.maximum(held.live_false_calls - held.false_calls, 0.0), held.items)


MIDDLES = (np.arange(100) + 0.5) / 100


def chance_of_loss(held: HeldOut) -> float:
    """Return the chance that a change loses money in the long run, as far as its history tells.

    Parameters
    ----------
    held : HeldOut

    Returns
    -------
    float
        0..1.

    Notes
    -----
    Review saved is spread by Student's distribution over lots, escapes added and caught by
    gamma distributions of the mean that is promised and as wide as `escapes.added_after` and
    `escapes.caught_after` leave them, each event as heavy as bursts make it. The interval that is
    shown is wider, for it must cover whatever the truth; a decision needs the middle of the road. A
    change that catches nothing in the lots held out is given no gain.
    """
    parts = _expected(held, LEVEL)
    freedom = max(1, int((held.items > 0).sum()) - 1)
    reach = (parts.review.high - parts.review.value) / float(t.ppf((1 + LEVEL) / 2, freedom))
    called, passed = held.live_called, ~held.live_called
    cost = _possible(
        parts.cost.value, _real_added(held).shape / burst_effect(held, called, held.escape)
    )
    gain = _possible(
        parts.gain.value, _real_caught(held).shape / burst_effect(held, passed, 1 - held.escape)
    )
    net = parts.review.value + gain[None, :] - cost[:, None]
    if not reach or not np.isfinite(reach):
        return float((net <= 0).mean())
    return float(t.cdf(-net / reach, freedom).mean())


def _possible(money: float, shape: float) -> Floats:
    """Return equally likely values of money that is gamma distributed, by its mean and shape."""
    if not money or not shape:
        return np.array([money])
    return np.asarray(gamma.ppf(MIDDLES, shape, scale=money / shape), dtype=np.float64)


def _expected(held: HeldOut, level: float) -> _Parts:
    """Return the parts with the intervals of an estimate."""
    in_sum = _added_in_sum(held, level, ahead=False)
    return _in_money(
        held,
        saved=_saved(held, level, scatter=1.0),
        added=_added(held, in_sum, level, ahead=False),
        added_in_sum=in_sum,
        caught=_caught(held, level, ahead=False),
    )


def _next(held: HeldOut, level: float) -> _Parts:
    """Return the parts with predictive intervals for one span more."""
    saved = _saved(held, level, scatter=2.0**0.5 * held.widen)
    goes_on = _saved_trend(held)
    if goes_on is not None and saved.value > 0 and moving(held) is not None:
        low, high = led_to(saved.value, goes_on, level=level)
        saved = replace(saved, low=min(saved.low, low), high=max(saved.high, high))
    in_sum = _added_in_sum(held, level, ahead=True)
    return _in_money(
        held,
        saved=saved,
        added=_added(held, in_sum, level, ahead=True),
        added_in_sum=in_sum,
        caught=_caught(held, level, ahead=True),
    )


def _lumped(saving: Interval, parts: _Parts) -> Interval:
    """Return a saving to come with ends for counts that are likely to be nothing at all.

    Where most spans bring no escape the money of escapes is zero with a large chance and not now
    and then, as MOVER's ends have it; what review saves then stands alone.
    """
    return replace(
        saving,
        low=min(saving.low, parts.review.low - parts.cost.value + parts.gain.low),
        high=max(saving.high, parts.review.high - parts.cost.low + parts.gain.value),
    )


def _in_money(
    held: HeldOut, *, saved: Interval, added: Interval, added_in_sum: Interval, caught: Interval
) -> _Parts:
    """Return the parts with what they are worth, money a month."""
    monthly = DAYS_PER_MONTH / held.span_days
    # A defect that is no longer called would have been passed by the reviewer now and then.
    seen = (1 - held.miss_rate) * monthly
    each = _price(held, held.live_called, held.escape) * seen
    return _Parts(
        saved=saved,
        added=added,
        added_in_sum=added_in_sum,
        caught=caught,
        review=saved.times(held.false_call_cost * monthly),
        cost=added.times(each),
        cost_in_sum=added_in_sum.times(each),
        gain=caught.times(_price(held, ~held.live_called, 1 - held.escape) * seen),
    )


def _saved(held: HeldOut, level: float, *, scatter: float) -> Interval:
    """Return the false calls saved; ``scatter`` widens what the lots' own scatter makes."""
    found = ratio_total(held.live_false_calls - held.false_calls, held.items, level=level)
    wider = Interval(
        value=found.value,
        low=found.value - scatter * (found.value - found.low),
        high=found.value + scatter * (found.high - found.value),
    )
    return add_up(wider, _spread(held.false_calls_error * float(norm.ppf((1 + level) / 2))))


def _spread(reach: float) -> Interval:
    """Return nothing, give or take a reach."""
    return Interval(value=0.0, low=-reach, high=reach)


def _added(held: HeldOut, signed: Interval, level: float, *, ahead: bool) -> Interval:
    """Return the defects that the live recipe calls and the change does not, from their addend.

    Never below zero, nor its end below what no escape at all would leave possible.
    """
    if not held.loosens:
        return ZERO
    effect = burst_effect(held, held.live_called, held.escape)
    least = _counted(0.0, effect, level, ahead=ahead).times(1 / (1 - held.miss_rate))
    high = max(signed.value, least.high, signed.high)
    return Interval(value=signed.value, low=max(0.0, signed.low), high=high)


def _added_in_sum(held: HeldOut, level: float, *, ahead: bool) -> Interval:
    """Return the same as it goes into a sum.

    Goods that reviewers misread as defects are expected in a known number among the labels that
    escape, and taken off: the lower end is below zero where more are expected than labels escape.
    """
    if not held.loosens:
        return ZERO
    misread, seen, value = held.misread, _seen(held, level, ahead=ahead), _real_added(held).mean
    return Interval(
        value=value, low=min(value, seen.low - misread), high=max(value, seen.high - misread)
    ).times(1 / (1 - held.miss_rate))


def _seen(held: HeldOut, level: float, *, ahead: bool) -> Interval:
    """Return the labels that escape when held out, misread goods among them, with the interval of a count."""
    called = held.live_called
    escaped = float(held.escape[called].sum())
    effect = burst_effect(held, called, held.escape)
    return _counted(max(escaped, float(held.setting_escaped)), effect, level, ahead=ahead)


def added_as_counted(held: HeldOut, *, level: float = LEVEL) -> tuple[Interval, Interval]:
    """Return the escapes added as the labels alone count them: a number, and money a month.

    Parameters
    ----------
    held : HeldOut
    level : float

    Returns
    -------
    (Interval, Interval)
        Less the misread goods expected among them, never below nothing; what such changes bring anyway
        has no part in it.
    """
    if not held.loosens:
        return ZERO, ZERO
    seen, called = _seen(held, level, ahead=False), held.live_called
    least = _counted(0.0, burst_effect(held, called, held.escape), level, ahead=False).high
    number = Interval(
        value=max(0.0, seen.value - held.misread),
        low=max(0.0, seen.low - held.misread),
        high=max(least, seen.high - held.misread),
    ).times(1 / (1 - held.miss_rate))
    monthly = (1 - held.miss_rate) * DAYS_PER_MONTH / held.span_days
    return number, number.times(_price(held, called, held.escape) * monthly)


def _worth(held: HeldOut, reviews: float, of: NDArray[np.bool_]) -> float:
    """Return a number of reviews in escapes, of some defects, that cost as much as they were chosen at."""
    price = _price(held, of, np.zeros(len(held.escape))) * (1 - held.miss_rate)
    cost = reviews * held.false_call_cost * held.chosen_at
    if not price:
        return np.inf if cost > 0 else 0.0
    return cost / price


def _beforehand(held: HeldOut) -> float:
    """Return the escapes added that are expected of the change before any is counted."""
    released = float((held.live_false_calls - held.false_calls + held.newly_called).sum())
    live = float(held.live_false_calls.sum())
    called = held.live_called
    worth = _worth(held, released, called) * (OBEYED if held.obeys else 1.0)
    left = 1 - released / live if live else 1.0
    return added_beforehand(worth, of=float(called.sum()), left=left, limits=held.limits)


def released_of(held: HeldOut) -> Released:
    """Return what outcomes say, to the plant's other families, of how many defects changes release.

    Parameters
    ----------
    held : HeldOut

    Returns
    -------
    Released
    """
    return Released(
        escaped=int(held.escape[held.live_called].sum()),
        misread=float(held.misread),
        beforehand=float(_beforehand(held)),
    )


def _real_added(held: HeldOut) -> Expected:
    """Return the known defects that are expected to be released, reviewers' misses aside."""
    escaped = float(held.escape[held.live_called].sum())
    return added_after(
        escaped, held.misread, beforehand=_beforehand(held), elsewhere=held.elsewhere
    )


def burst_effect(held: HeldOut, of: NDArray[np.bool_], events: Floats) -> float:
    """Return variance over mean, lot by lot, of how many of some defects change sides.

    Parameters
    ----------
    held : HeldOut
    of : ndarray of bool, shape (d,)
        The defects in question.
    events : ndarray, shape (d,)
        Chance 0..1 of each to change sides.

    Returns
    -------
    float
        At least 1.

    Notes
    -----
    With m defects in a lot and a share p of them changing sides the variance has two parts: the
    number m itself scatters with `bursts` times its mean, and the fate of defects of one lot is
    alike (intraclass correlation, with its floor). Over the mean that is
    ``p·bursts + (1 - p)·deff``, with Kish's deff.
    """
    lots = len(held.items)
    sizes = np.bincount(held.lot[of], minlength=lots).astype(np.float64)
    changed = np.bincount(held.lot[of], events[of], minlength=lots).astype(np.float64)
    share = (float(changed.sum()) + 0.5) / (float(sizes.sum()) + 1.0)
    return max(1.0, share * held.bursts + (1 - share) * design_effect(changed, sizes))


def _counted(count: float, effect: float, level: float, *, ahead: bool) -> Interval:
    """Return a count of rare events with the interval of its mean, or of the next count."""
    if ahead:
        return next_total(count, spread=effect, effect=effect, level=level)
    return count_total(count, spread=effect, level=level)


def _caught(held: HeldOut, level: float, *, ahead: bool) -> Interval:
    """Return the defects that the live recipe passes and the change calls.

    There can be no more of them than items newly called.
    """
    if not held.tightens:
        return ZERO
    passed = ~held.live_called
    newly = float(held.newly_called.sum() + (1 - held.escape[passed]).sum())
    room = float(chi2.ppf((1 + level) / 2, 2 * newly + 2)) / 2
    weights = np.append(held.weight[passed], held.passed_weight)
    events = np.append(1 - held.escape[passed], 0.0)
    effect = burst_effect(held, passed, 1 - held.escape)
    found = weighted_total(events, weights, level=level, effect=effect)
    if ahead and found.value > 0:
        spread = float(weights**2 @ events) / found.value * effect
        coming = next_total(found.value, spread=spread, effect=effect, level=level)
        found = replace(coming, high=max(found.high, coming.high))
    value = min(_real_caught(held).mean, room)
    return Interval(value=value, low=min(value, found.low), high=max(value, min(found.high, room)))


def _real_caught(held: HeldOut) -> Expected:
    """Return the escapes that are expected to be caught, of the defects that labels stand for."""
    passed = ~held.live_called
    weights, events = held.weight[passed], 1 - held.escape[passed]
    count = float(weights @ events)
    if not held.tightens or not count:
        return Expected(mean=0.0, variance=0.0)
    each = float(weights**2 @ events) / count
    worth = _worth(held, float(held.newly_called.sum()), passed)
    return caught_after(count, each=each, worth=worth)


def _price(held: HeldOut, of: NDArray[np.bool_], share: Floats) -> float:
    """Return the mean price of some defects, those likelier to change sides weighing more.

    A hundredth of each weight is spread evenly, so that with no change at all it is the
    plain mean.
    """
    if not of.any():
        return 0.0
    weight = held.weight[of] * (share[of] + 0.01)
    return float(weight @ held.price[of] / weight.sum())


def no_change(*, lots: int, defects_called: int, defects_passed: int) -> Promise:
    """Return the promise of leaving every limit where it is: exactly nothing.

    Parameters
    ----------
    lots, defects_called, defects_passed : int
        From how much the decision was taken.

    Returns
    -------
    Promise
    """
    return Promise(
        next_span=NextSpan(
            false_calls_saved=ZERO, escapes_added=ZERO, escapes_caught=ZERO, saving_per_month=ZERO
        ),
        in_sum=Addends(
            escapes_added=ZERO,
            saving_per_month=ZERO,
            next_escapes_added=ZERO,
            next_saving_per_month=ZERO,
        ),
        chance_of_loss=0.0,
        false_calls_saved=ZERO,
        escapes_added=ZERO,
        escapes_caught=ZERO,
        saving_per_month=ZERO,
        review_saving_per_month=ZERO,
        added_cost_per_month=ZERO,
        caught_saving_per_month=ZERO,
        level=LEVEL,
        lots=lots,
        defects_called=defects_called,
        defects_passed=defects_passed,
        added_counted=0,
        added_misread=0.0,
        bursts=1.0,
    )


def together(savings: Sequence[Interval]) -> Interval:
    """Return what several families' changes save together, money or counts (MOVER).

    Parameters
    ----------
    savings : sequence of Interval
        All at one level; families are taken as independent.

    Returns
    -------
    Interval
        Far more certain, for its size, than each of its parts.
    """
    return add_up(*savings) if savings else ZERO
