"""The promise: what a change saves and risks, from outcomes on lots that it never saw.

It knows nothing of how a setting was found. What it is given must be held out: in every
lot the outcome of a setting chosen and fitted without that lot.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from optimiser.evidence.intervals import (
    ZERO,
    Interval,
    add_up,
    design_effect,
    ratio_total,
    share_by_lot,
    weighted_total,
)

LEVEL = 0.90
DAYS_PER_MONTH = 365.25 / 12
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
    newly_called, released_goods : ndarrays, shape (t,)
        Non-defects that only the held-out setting calls; reviewed goods that only the live
        recipe calls.
    loosens, tightens : bool
        Whether the proposed setting moves any limit that way. One that loosens none cannot
        add an escape, one that tightens none cannot catch one.
    lot : ndarray of int, shape (d,)
    escape : ndarray, shape (d,)
        Chance 0..1 of each labelled defect to escape the held-out setting.
    live_called : ndarray of bool, shape (d,)
    weight, price : ndarrays, shape (d,)
        How many defects each stands for; cost of one escape, money.
    false_call_cost : float
        Money per false call.
    miss_rate : float
        Chance that a reviewer passes a called defect.
    false_alarm_rate : float
        Chance that a reviewer calls a called good a defect.
    passed_weight : float
        How many a defect stands for that the live recipe passed and test found.
    span_days : float
    """

    items: Floats
    live_false_calls: Floats
    false_calls: Floats
    false_calls_error: float
    newly_called: Floats
    released_goods: Floats
    loosens: bool
    tightens: bool
    lot: NDArray[np.int64]
    escape: Floats
    live_called: NDArray[np.bool_]
    weight: Floats
    price: Floats
    false_call_cost: float
    miss_rate: float
    false_alarm_rate: float
    passed_weight: float
    span_days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What a change is expected to do over as long a time as the history spans.

    Attributes
    ----------
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
    """

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
    seen. Escapes added: exact binomial by lots with a
    floor on their correlation, times the number of defects called. Escapes caught: gamma
    interval of a weighted sum, as if one more that weighs as much as a tested one could have
    been there. Money: sum of the three, MOVER; prices are taken as known.
    Reviewed labels miss the defects that reviewers passed, hence the division by
    ``1 - miss_rate``.
    """
    saved = add_up(
        ratio_total(held.live_false_calls - held.false_calls, held.items, level=level),
        _spread(held.false_calls_error * float(norm.ppf((1 + level) / 2))),
    )
    added = _added(held, level)
    passed = ~held.live_called
    caught = _caught(held, level)
    monthly = DAYS_PER_MONTH / held.span_days
    review = saved.times(held.false_call_cost * monthly)
    # A defect that is no longer called would have been passed by the reviewer now and then.
    cost = added.times(_price(held, held.live_called, held.escape) * (1 - held.miss_rate) * monthly)
    gain = caught.times(_price(held, passed, 1 - held.escape) * (1 - held.miss_rate) * monthly)
    return Promise(
        false_calls_saved=saved,
        escapes_added=added,
        escapes_caught=caught,
        saving_per_month=add_up(review, cost.negated(), gain),
        review_saving_per_month=review,
        added_cost_per_month=cost,
        caught_saving_per_month=gain,
        level=level,
        lots=int((held.items > 0).sum()),
        defects_called=int(held.live_called.sum()),
        defects_passed=int(passed.sum()),
        added_counted=int(held.escape[held.live_called].sum()) if held.loosens else 0,
    )


def _spread(reach: float) -> Interval:
    """Return nothing, give or take a reach."""
    return Interval(value=0.0, low=-reach, high=reach)


def _added(held: HeldOut, level: float) -> Interval:
    """Return the defects that the live recipe calls and the change does not.

    Goods that reviewers misread as defects are expected in a known number among those that
    are released, and taken off; never below what no escape at all would leave possible.
    """
    called, lots = held.live_called, len(held.items)
    if not called.any() or not held.loosens:
        return ZERO
    sizes = np.bincount(held.lot[called], minlength=lots).astype(np.float64)
    events = np.bincount(held.lot[called], held.escape[called], minlength=lots).astype(np.float64)
    misread = held.false_alarm_rate * float(held.released_goods.sum())
    total = float(called.sum())
    counted = share_by_lot(events, sizes, level=level).times(total)
    least = share_by_lot(np.zeros(lots), sizes, level=level).times(total).high
    return Interval(
        value=max(0.0, counted.value - misread),
        low=max(0.0, counted.low - misread),
        high=max(least, counted.high - misread),
    ).times(1 / (1 - held.miss_rate))


def _caught(held: HeldOut, level: float) -> Interval:
    """Return the defects that the live recipe passes and the change calls.

    There can be no more of them than items newly called.
    """
    if not held.tightens:
        return ZERO
    passed = ~held.live_called
    newly = float(held.newly_called.sum() + (1 - held.escape[passed]).sum())
    room = float(chi2.ppf((1 + level) / 2, 2 * newly + 2)) / 2
    weights = np.append(held.weight[passed], held.passed_weight)
    events = 1 - held.escape[passed]
    by_lot = np.bincount(held.lot[passed], events, minlength=len(held.items)).astype(np.float64)
    sizes = np.bincount(held.lot[passed], minlength=len(held.items)).astype(np.float64)
    found = weighted_total(
        np.append(events, 0.0), weights, level=level, effect=design_effect(by_lot, sizes)
    )
    return replace(found, high=max(found.value, min(found.high, room)))


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
    )
