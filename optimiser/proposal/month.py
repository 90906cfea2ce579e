"""A proposal on one horizon: what a month looks like now and after it.

Terminal, night, page and panels show these figures; nobody else scales a span to a month.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from optimiser.evidence.intervals import Interval
from optimiser.plant.file import Review
from optimiser.proposal.record import Proposal
from optimiser.values import DAYS_PER_MONTH


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What advised changes are expected to do over the history's span; money a month."""

    changes: int
    false_calls_saved: Interval
    escapes_added: Interval
    escapes_caught: Interval
    saving_per_month: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """From how much: families, days of production, labelled defects, false calls now."""

    families: int
    days: float
    labels: int
    false_calls_now: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """What is expected of some families' advised changes, all a month of production.

    Attributes
    ----------
    families, advised : int
        From how many families; those with an advised change.
    days : float
        Of production that all figures come from.
    labels : int
        Labelled defects that they come from.
    false_calls_now : float
        Of all the families, under the live recipe; items that nobody reviewed included.
    false_calls_after : float
        Once the advised changes are live.
    false_calls_saved, escapes_added, escapes_caught : Interval
    review_hours_now, review_hours_saved : float
        Of reviewing false calls; true calls are reviewed besides.
    saving : Interval
        Money.
    """

    families: int
    advised: int
    days: float
    labels: int
    false_calls_now: float
    false_calls_after: float
    false_calls_saved: Interval
    escapes_added: Interval
    escapes_caught: Interval
    review_hours_now: float
    review_hours_saved: float
    saving: Interval

    @property
    def share_saved(self) -> float:
        """False calls saved over false calls now; 0 where there are none."""
        now = self.false_calls_now
        return (now - self.false_calls_after) / now if now else 0.0

    @classmethod
    def from_dict(cls, row: Mapping[str, Any]) -> "Month":
        """Return a month from plain values, as `dataclasses.asdict` gives them; null is unknown."""
        found: dict[str, Any] = {
            k: _interval(v) if isinstance(v, Mapping) else v for k, v in row.items()
        }
        return cls(**found)


def month_of(of: Proposal, review: Review) -> Month:
    """Return one family's month.

    Parameters
    ----------
    of : Proposal
    review : Review
        The plant's, for hours.

    Returns
    -------
    Month
        Nothing is saved where no change is advised.
    """
    told = of.promise
    return as_month(
        Expected(
            changes=int(of.advice == "change"),
            false_calls_saved=told.false_calls_saved,
            escapes_added=told.escapes_added,
            escapes_caught=told.escapes_caught,
            saving_per_month=told.saving_per_month,
        ),
        Ground(
            families=1, days=of.span_days, labels=of.defects, false_calls_now=false_calls_now(of)
        ),
        review,
    )


def as_month(expected: Expected, ground: Ground, review: Review) -> Month:
    """Return what is expected over a span as a month of it.

    Parameters
    ----------
    expected : Expected
    ground : Ground
    review : Review

    Returns
    -------
    Month
    """
    scale = DAYS_PER_MONTH / ground.days
    hours = review.seconds_per_call / 3600 * scale
    now, saved = ground.false_calls_now, expected.false_calls_saved
    return Month(
        families=ground.families,
        advised=expected.changes,
        days=ground.days,
        labels=ground.labels,
        false_calls_now=now * scale,
        false_calls_after=(now - saved.value) * scale,
        false_calls_saved=saved.times(scale),
        escapes_added=expected.escapes_added.times(scale),
        escapes_caught=expected.escapes_caught.times(scale),
        review_hours_now=now * hours,
        review_hours_saved=saved.value * hours,
        saving=expected.saving_per_month,
    )


def false_calls_now(proposal: Proposal) -> int:
    """Return what the live recipe calls and is no labelled defect: kept and loosened lines.

    Parameters
    ----------
    proposal : Proposal

    Returns
    -------
    int
        Over the history's span; items that nobody reviewed included.
    """
    lines = (proposal.lines.kept, proposal.lines.loosened)
    return sum(line.goods + line.unreviewed for line in lines)


def _interval(of: Mapping[str, Any]) -> Interval:
    """Return an interval from plain values; an unknown end is infinite."""
    low, high = of["low"], of["high"]
    return Interval(
        value=of["value"],
        low=float("-inf") if low is None else low,
        high=float("inf") if high is None else high,
    )
