"""Changes of many families together: one lot carries items of them all.

A bad lot is bad for several families at once, so their savings go up and down together and the
sum scatters more than independent parts would. By how much is read off the lots themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimiser.evidence.intervals import ZERO, Interval, add_up
from optimiser.evidence.promise import HeldOut, Promise, added_as_counted
from optimiser.values import DAYS_PER_MONTH

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ByLot:
    """One family's amount in each lot of the plant.

    Attributes
    ----------
    amount, items : ndarrays, shape (t,)
        Money or counts, and the family's items; lots without any say nothing.
    """

    amount: Floats
    items: Floats


def sharing(families: Sequence[ByLot]) -> float:
    """Return by how much common lots inflate the variance of a sum over families.

    Parameters
    ----------
    families : sequence of ByLot
        Over the same lots.

    Returns
    -------
    float
        At least 1; 1 for one family.

    Notes
    -----
    With the residuals ``d = amount - rate × items`` of each family's ratio estimator, independent
    families would have the variance ``Σ_f Σ_l d²``; lots that families share make it
    ``Σ_l (Σ_f d)²``. The ratio of the two scatters by chance, and is never taken below 1.
    """
    residuals = [_residual(f) for f in families]
    if len(residuals) < 2:
        return 1.0
    table = np.array(residuals)
    apart = float((table**2).sum())
    return max(1.0, float((table.sum(axis=0) ** 2).sum()) / apart) if apart > 0 else 1.0


def _residual(family: ByLot) -> Floats:
    held = family.items > 0
    total = float(family.items[held].sum())
    rate = float(family.amount[held].sum()) / total if total else 0.0
    return np.where(held, family.amount - rate * family.items, 0.0)


def sum_of(parts: Sequence[Interval], inflation: float) -> Interval:
    """Return the sum of families' figures, its reach widened for the lots that they share.

    Parameters
    ----------
    parts : sequence of Interval
    inflation : float
        Of the variance, as `sharing` returns it.

    Returns
    -------
    Interval
    """
    found = add_up(*parts) if parts else Interval(value=0.0, low=0.0, high=0.0)
    wider = float(np.sqrt(inflation))
    return Interval(
        value=found.value,
        low=found.value - wider * (found.value - found.low),
        high=found.value + wider * (found.high - found.value),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """What the changes of some families promise together.

    Attributes
    ----------
    families : int
    saving_per_month, review_saving_per_month, added_cost_per_month, caught_saving_per_month : Interval
        Money.
    false_calls_saved, escapes_added, escapes_caught : Interval
        Over the history's span.
    choosing : Interval
        What choosing among held-out outcomes flattered, money a month; taken off the saving.
    review_shared, escapes_shared : float
        By how much common lots inflate the variances of either part; 1 is not at all.
    """

    families: int
    saving_per_month: Interval
    review_saving_per_month: Interval
    added_cost_per_month: Interval
    caught_saving_per_month: Interval
    false_calls_saved: Interval
    escapes_added: Interval
    escapes_caught: Interval
    choosing: Interval
    review_shared: float
    escapes_shared: float


def together_over_lots(
    held: Sequence[HeldOut], promises: Sequence[Promise], *, choosing: Interval = ZERO
) -> Together:
    """Return what several families' changes promise together, lots shared between them.

    Parameters
    ----------
    held : sequence of HeldOut
        Over the same lots, in the order of the promises.
    promises : sequence of Promise
    choosing : Interval
        What choosing among the outcomes flattered, money a month.

    Returns
    -------
    Together

    Notes
    -----
    A family's escapes added enter as it is promised them, their lower end at no less than nothing: a
    point that was picked among many for releasing few labels was picked for releasing few misread
    ones, and taking off the expected number of these once more promised 7 % too much.

    What is expected of each before any label is counted is off for all families of a plant alike, and
    MOVER takes errors as independent: six families in which no label escapes are promised two or
    three together, and not below one. So the ends hold those of the sum of the counts alone as well.
    """
    review = sharing([ByLot(amount=_review(h), items=h.items) for h in held])
    escapes = sharing([ByLot(amount=_escapes(h), items=h.items) for h in held])
    saved = sum_of([p.review_saving_per_month for p in promises], review)
    counted = [added_as_counted(h) for h in held]
    cost, added = (
        _reaching(sum_of(expected, escapes), sum_of(alone, escapes))
        for expected, alone in (
            ([p.added_cost_per_month for p in promises], [money for _, money in counted]),
            ([p.escapes_added for p in promises], [number for number, _ in counted]),
        )
    )
    gain = sum_of([p.caught_saving_per_month for p in promises], escapes)
    return Together(
        families=len(promises),
        saving_per_month=add_up(saved, cost.negated(), gain, choosing.negated()),
        review_saving_per_month=saved,
        added_cost_per_month=cost,
        caught_saving_per_month=gain,
        false_calls_saved=sum_of([p.false_calls_saved for p in promises], review),
        escapes_added=added,
        escapes_caught=sum_of([p.escapes_caught for p in promises], escapes),
        choosing=choosing,
        review_shared=review,
        escapes_shared=escapes,
    )


def _reaching(of: Interval, other: Interval) -> Interval:
    """Return a figure whose ends hold those of another as well."""
    return replace(of, low=min(of.low, other.low), high=max(of.high, other.high))


def _review(held: HeldOut) -> Floats:
    """Return the review saved in each lot, money a month."""
    saved = held.live_false_calls - held.false_calls
    return np.asarray(saved * held.false_call_cost * DAYS_PER_MONTH / held.span_days)


def _escapes(held: HeldOut) -> Floats:
    """Return the escapes added less those caught in each lot, money a month."""
    called, lots = held.live_called, len(held.items)
    added = held.escape * held.price * called * held.loosens
    caught = (1 - held.escape) * held.price * held.weight * ~called * held.tightens
    by_lot = np.bincount(held.lot, added - caught * (1 - held.miss_rate), minlength=lots)
    return np.asarray(by_lot * DAYS_PER_MONTH / held.span_days, dtype=np.float64)
