"""The headline: what all advised changes of a plant would do together, in one sentence.

Families are far more certain together than each by itself; so are those whose best change is not
advised, which are summed apart.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from optimiser.evidence.intervals import ZERO, Interval
from optimiser.evidence.promise import together
from optimiser.plant.file import Review

Row = Mapping[str, Any]


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
    forward : Walk or None
        None where the history is too short to cut.
    """

    families: int
    span_days: float
    false_calls_now: int
    advised: Sum
    uncertain: Sum
    review_hours: float
    forward: Walk | None


def headline(rows: Sequence[Row], review: Review) -> Headline | None:
    """Return a plant's proposals together.

    Parameters
    ----------
    rows : sequence of dict
        ``Proposal.as_dict``.
    review : Review
        The plant's, for hours.

    Returns
    -------
    Headline or None
        None without any proposal.
    """
    if not rows:
        return None
    advised = _sum([r["promise"] for r in rows if r["advice"] == "change"])
    uncertain = _sum([r["considered"]["promise"] for r in rows if r["considered"]])
    return Headline(
        families=len(rows),
        span_days=float(rows[0]["span_days"]),
        false_calls_now=sum(_false_calls_now(r) for r in rows),
        advised=advised,
        uncertain=uncertain,
        review_hours=advised.false_calls_saved.value * review.seconds_per_call / 3600,
        forward=_walk([r["proof"]["forward"] for r in rows if r["proof"]]),
    )


def _walk(forwards: Sequence[Row]) -> Walk | None:
    """Return what one step forward in time says of all families together."""
    told = [
        f for f in forwards if f["false_calls_saved"]["value"] or f["followed_false_calls_saved"]
    ]
    if not told:
        return None
    return Walk(
        families=len(told),
        inside=sum(
            _end(f["false_calls_saved"]["low"], -1)
            <= f["followed_false_calls_saved"]
            <= _end(f["false_calls_saved"]["high"], 1)
            for f in told
        ),
        promised=sum(f["false_calls_saved"]["value"] for f in told),
        followed=sum(f["followed_false_calls_saved"] for f in told),
        promised_escapes=sum(f["escapes_added"]["value"] for f in told),
        followed_escapes=sum(f["followed_escapes_added"] for f in told),
    )


def _end(value: float | None, sign: int) -> float:
    return sign * float("inf") if value is None else value


def _false_calls_now(row: Row) -> int:
    """Return what the live recipe calls and is no labelled defect: kept and loosened lines."""
    lines = (row["lines"]["kept"], row["lines"]["loosened"])
    return sum(line["goods"] + line["unreviewed"] for line in lines)


def _sum(promises: Sequence[Row]) -> Sum:
    parts = [p["in_sum"] for p in promises]
    return Sum(
        families=len(promises),
        false_calls_saved=_together(promises, "false_calls_saved"),
        escapes_added=_floored(_together(parts, "escapes_added")),
        escapes_caught=_together(promises, "escapes_caught"),
        saving_per_month=_together(parts, "saving_per_month"),
        next_saving_per_month=_together(parts, "next_saving_per_month"),
        next_escapes_added=_floored(_together(parts, "next_escapes_added")),
    )


def _floored(of: Interval) -> Interval:
    """Return a sum of counts, none of its figures below zero."""
    return Interval(value=max(0.0, of.value), low=max(0.0, of.low), high=max(0.0, of.high))


def _together(parts: Sequence[Row], key: str) -> Interval:
    known = [p[key] for p in parts]
    if not known:
        return ZERO
    return together(
        [
            Interval(
                value=x["value"],
                low=_end(x["low"], -1),
                high=_end(x["high"], 1),
            )
            for x in known
        ]
    )


def headline_words(of: Headline, *, currency: str) -> list[str]:
    """Return a plant's proposals together as sentences.

    Parameters
    ----------
    of : Headline
    currency : str

    Returns
    -------
    list of str
        One for what is advised; one more where changes were found that are not.
    """
    lines, rest, walk = [_advised_words(of, currency)], of.uncertain, of.forward
    if walk:
        lines.append(
            f"One step forward in time: from the earlier lots alone {walk.promised:,.0f} false calls fewer and "
            f"{walk.promised_escapes:.1f} escapes were promised of the later lots of {walk.families} families; "
            f"{walk.followed:,.0f} and {walk.followed_escapes:.0f} followed, inside the interval for {walk.inside}."
        )
    if rest.families:
        lines.append(
            f"Not advised are the best changes found for {rest.families} more; all of them together would save "
            f"{currency} {_range(rest.saving_per_month)} a month and add {_range(rest.escapes_added, 1)} escapes."
        )
    return lines


def _advised_words(of: Headline, currency: str) -> str:
    sum_ = of.advised
    if not sum_.families:
        return (
            f"No change is advised for any of {of.families} families; false calls stay at "
            f"{of.false_calls_now:,} in {of.span_days:.0f} days."
        )
    after = of.false_calls_now - sum_.false_calls_saved.value
    share = sum_.false_calls_saved.value / of.false_calls_now if of.false_calls_now else 0.0
    return (
        f"Advised for {sum_.families} of {of.families} families: false calls from {of.false_calls_now:,} to "
        f"{after:,.0f} in {of.span_days:.0f} days ({-share:+.0%}), {of.review_hours:,.0f} hours of review; "
        f"{currency} {_range(sum_.saving_per_month)} a month saved (the next {of.span_days:.0f} days "
        f"{sum_.next_saving_per_month.low:,.0f} to {sum_.next_saving_per_month.high:,.0f}); escapes added "
        f"{_range(sum_.escapes_added, 1)} (the next {of.span_days:.0f} days "
        f"{sum_.next_escapes_added.low:.0f} to {sum_.next_escapes_added.high:.0f}), "
        f"caught {_range(sum_.escapes_caught, 1)}."
    )


def _range(of: Interval, digits: int = 0) -> str:
    return f"{of.value:,.{digits}f} ({of.low:,.{digits}f} to {of.high:,.{digits}f})"
