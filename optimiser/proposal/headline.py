"""The headline: what all advised changes of a plant would do together, in one sentence.

Families are far more certain together than each by itself; so are those whose best change is not
advised, which are summed apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimiser.evidence.intervals import ZERO, Interval
from optimiser.evidence.promise import Addends, Promise, together
from optimiser.plant.file import Review
from optimiser.proposal.month import Expected, Ground, Month, as_month, false_calls_now
from optimiser.proposal.record import Forward, Proposal


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """Some families' changes together.

    Attributes
    ----------
    families : int
    false_calls_saved, escapes_added, escapes_caught : Interval
        Over the history's span, as expected.
    saving_per_month, next_saving_per_month : Interval
        Money as expected, and as one span to come may bring it.
    next_escapes_added : Interval
        Of one span to come.
    """

    families: int
    false_calls_saved: Interval
    escapes_added: Interval
    escapes_caught: Interval
    saving_per_month: Interval
    next_saving_per_month: Interval
    next_escapes_added: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """One step forward in time over all families: what was promised, what followed.

    Attributes
    ----------
    families, inside : int
        With a promise; those whose false calls saved lay inside their predictive interval.
    promised, followed : float
        False calls saved in the later lots, in sum.
    promised_escapes, followed_escapes : float
        Escapes added there, labelled ones.
    """

    families: int
    inside: int
    promised: float
    followed: float
    promised_escapes: float
    followed_escapes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """A plant's proposals together.

    Attributes
    ----------
    families : int
    span_days : float
    false_calls_now : int
        Of all families, under the live recipe; items that nobody reviewed included.
    advised, uncertain : Sum
        What is advised; the best changes found that are not.
    review_hours : float
        Of the false calls that advised changes save, over the history's span.
    month : Month
        The same on the horizon that is shown: a month.
    forward : Walk or None
        None where the history is too short to cut.
    """

    families: int
    span_days: float
    false_calls_now: int
    advised: Sum
    uncertain: Sum
    review_hours: float
    month: Month
    forward: Walk | None


def headline(proposals: Sequence[Proposal], review: Review) -> Headline | None:
    """Return a plant's proposals together.

    Parameters
    ----------
    proposals : sequence of Proposal
    review : Review
        The plant's, for hours.

    Returns
    -------
    Headline or None
        None without any proposal.
    """
    if not proposals:
        return None
    advised = _sum([p.promise for p in proposals if p.advice == "change"])
    ground = Ground(
        families=len(proposals),
        days=float(proposals[0].span_days),
        labels=sum(p.defects for p in proposals),
        false_calls_now=sum(false_calls_now(p) for p in proposals),
    )
    expected = Expected(
        changes=advised.families,
        false_calls_saved=advised.false_calls_saved,
        escapes_added=advised.escapes_added,
        escapes_caught=advised.escapes_caught,
        saving_per_month=advised.saving_per_month,
    )
    return Headline(
        families=ground.families,
        span_days=ground.days,
        false_calls_now=ground.false_calls_now,
        advised=advised,
        uncertain=_sum([p.considered.promise for p in proposals if p.considered is not None]),
        review_hours=advised.false_calls_saved.value * review.seconds_per_call / 3600,
        month=as_month(expected, ground, review),
        forward=_walk([p.proof.forward for p in proposals if p.proof is not None]),
    )


def _walk(forwards: Sequence[Forward]) -> Walk | None:
    """Return what one step forward in time says of all families together."""
    told = [f for f in forwards if f.false_calls_saved.value or f.followed_false_calls_saved]
    if not told:
        return None
    return Walk(
        families=len(told),
        inside=sum(
            bool(
                f.false_calls_saved.low <= f.followed_false_calls_saved <= f.false_calls_saved.high
            )
            for f in told
        ),
        promised=sum(f.false_calls_saved.value for f in told),
        followed=sum(f.followed_false_calls_saved for f in told),
        promised_escapes=sum(f.escapes_added.value for f in told),
        followed_escapes=sum(f.followed_escapes_added for f in told),
    )


def _sum(promises: Sequence[Promise]) -> Sum:
    if len(promises) == 1:
        # What evens out between families does not within one: its sum is what it says itself.
        (own,) = promises
        return Sum(
            families=1,
            false_calls_saved=own.false_calls_saved,
            escapes_added=own.escapes_added,
            escapes_caught=own.escapes_caught,
            saving_per_month=own.saving_per_month,
            next_saving_per_month=own.next_span.saving_per_month,
            next_escapes_added=own.next_span.escapes_added,
        )
    parts: list[Addends] = [p.in_sum for p in promises]
    return Sum(
        families=len(promises),
        false_calls_saved=_together([p.false_calls_saved for p in promises]),
        escapes_added=_floored(_together([p.escapes_added for p in parts])),
        escapes_caught=_together([p.escapes_caught for p in promises]),
        saving_per_month=_together([p.saving_per_month for p in parts]),
        next_saving_per_month=_together([p.next_saving_per_month for p in parts]),
        next_escapes_added=_floored(_together([p.next_escapes_added for p in parts])),
    )


def _floored(of: Interval) -> Interval:
    """Return a sum of counts, its lower end not below zero; families' values never are."""
    return replace(of, low=max(0.0, of.low))


def _together(parts: Sequence[Interval]) -> Interval:
    return together(parts) if parts else ZERO
