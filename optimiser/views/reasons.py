"""Why a proposal advises what it does, in words: a sentence a reason, without its full stop."""

from collections.abc import Callable
from typing import Any

from optimiser.evidence.intervals import Interval
from optimiser.proposal.reasons import (
    CannotBeCalled,
    CriticalFamily,
    EscapesCaught,
    FewerFalseCalls,
    GivenUp,
    NothingBetter,
    NothingMayMove,
    ProcessMoves,
    Reason,
    SavingTooSmall,
    TooFewDefects,
    TooFewLots,
    TooUncertain,
    UnlikeRecipe,
    Unstable,
)
from optimiser.proposal.record import Proposal
from optimiser.studies.causes import Cause
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import change_span, saving_span, signed_words


def why_words(of: Proposal, *, currency: str) -> list[str]:
    """Return what else than a limit is the matter with a family, then the reasons of its advice.

    Parameters
    ----------
    of : Proposal
    currency : str

    Returns
    -------
    list of str
    """
    found = [cause_words(cause) for cause in of.findings]
    days = of.span_days
    return [*found, *(reason_words(r, currency=currency, days=days) for r in of.reasons)]


def reason_words(of: Reason | Cause, *, currency: str, days: float) -> str:
    """Return one reason in words, what is counted in it as a month of production.

    Parameters
    ----------
    of : Reason or Cause
    currency : str
    days : float
        Of the history that it was counted on.

    Returns
    -------
    str
    """
    if isinstance(of, Cause):
        return cause_words(of)
    by_month = _BY_MONTH.get(type(of))
    if by_month is not None:
        return by_month(of, DAYS_PER_MONTH / days)
    words: Callable[[Any], str] = _WORDS[type(of)]
    return words(of).replace("CURRENCY", currency)


def _spread(of: SavingTooSmall | GivenUp) -> str:
    """Return the interval of a saving; its signs are words where some of it is lost."""
    return f"{of.level:.0%} interval {saving_span(of.saving)}"


def _too_few_defects(of: TooFewDefects) -> str:
    return (
        f"{of.found} labelled defects in {of.items:,} items; {of.needed} are needed, "
        f"{of.needed - of.found} more: keep reviewing every call, record what test and field find "
        "for this family, and audit passed items near the limits"
    )


def _too_few_lots(of: TooFewLots) -> str:
    return (
        f"items of {of.found} lots; {of.needed} are needed so that a setting can be judged on "
        "lots it has not seen: add the results of further lots"
    )


def _unlike_recipe(of: UnlikeRecipe) -> str:
    return (
        f"more than {of.allowed:.2%} of this family's recorded calls are not those of the live recipe nor "
        "of a revision kept beside it, so a change would start from limits that the machine does not "
        "run: give the recipe that it runs, then propose again"
    )


def _saving_too_small(of: SavingTooSmall) -> str:
    value = of.saving.value
    if value < 0:
        return f"the best change found is expected to lose CURRENCY {-value:,.0f} a month ({_spread(of)})"
    return (
        f"the best change found is expected to save CURRENCY {value:,.0f} a month "
        f"({_spread(of)}), no more than the {of.asked:,.0f} that advice asks for"
    )


def _given_up(of: GivenUp) -> str:
    settles = "no length of history like this one would settle it soon"
    if of.days is not None and of.defects is not None:
        settles = (
            f"some {of.days:,} more days like these ({of.defects:,} more labelled "
            "defects) would settle a saving of this size"
        )
    return (
        f"keeping gives up CURRENCY {of.saving.value:,.0f} a month as far as this history can tell "
        f"({_spread(of)}); {settles}"
    )


def _process_moves(of: ProcessMoves) -> str:
    then = "the promise holds while it stays as it was"
    if of.may_lose:
        then = "look at the process first: if it goes on like this the change may lose money"
    return (
        f"the process moves: false calls {'rise' if of.rises else 'fall'} by a factor of {of.factor:.1f} over "
        f"this history, beyond what its {of.lots} lots scatter; {then}"
    )


_WORDS: dict[type, Callable[[Any], str]] = {
    TooFewDefects: _too_few_defects,
    TooFewLots: _too_few_lots,
    UnlikeRecipe: _unlike_recipe,
    CannotBeCalled: lambda of: f"must-catch item {of.item} cannot be called: {of.needed}",
    NothingMayMove: lambda _: "no limit of this family may move",
    NothingBetter: lambda _: "no setting between the rails did better on lots it had not seen",
    SavingTooSmall: _saving_too_small,
    TooUncertain: lambda of: (
        f"the saving is not certain enough: chance of loss {of.chance_of_loss:.0%}, at most "
        f"{of.allowed:.0%} is advised"
    ),
    GivenUp: _given_up,
    ProcessMoves: _process_moves,
    CriticalFamily: lambda _: (
        "critical family: no known escape is added; two signatures are needed"
    ),
}
# Counted over the history; said as a month.
_BY_MONTH: dict[type, Callable[[Any, float], str]] = {
    FewerFalseCalls: lambda of, monthly: f"{of.number * monthly:,.0f} false calls fewer a month",
    EscapesCaught: lambda of, monthly: (
        f"{of.number * monthly:.1f} escapes caught a month, of such as a later stage, test, audit or field finds"
    ),
    Unstable: lambda of, monthly: (
        "the setting is unstable: fitted without a fifth of the lots it would have had "
        f"{change_span(Interval(value=0, low=of.least * monthly, high=of.most * monthly))} false calls a month, "
        f"fitted to all of them {signed_words(of.own * monthly)}"
    ),
}


def cause_words(of: Cause) -> str:
    """Return a finding as a sentence without its full stop: what, how much, from how much, what to do.

    Parameters
    ----------
    of : Cause

    Returns
    -------
    str
    """
    size = f"{of.size.value:+,.3g} ({of.size.low:+,.3g} to {of.size.high:+,.3g}) {of.unit}"
    spreads = f"{abs(of.spreads):.1f} standard deviations of the goods"
    limit = f"{of.measurement} {of.side}"
    share = f"{of.size.value:.1%} ({of.size.low:.1%} to {of.size.high:.1%})"
    words: dict[str, Any] = {
        "stations": lambda: (
            f"the machines differ: on the same parts {of.name} measures {of.measurement} {size} against "
            f"{of.against}{_ratio_words(of)} ({of.items:,} parts in {of.lots} lots); calibrate before moving limits"
        ),
        "unexplained": lambda: (
            f"{share} of the {of.items:,} recorded calls are not what the recipe makes of the "
            f"measurements, most at {of.measurement or 'no single measurement'}; find what the machine ran first"
        ),
        "flicker": lambda: (
            f"{share} of the calls of {limit} would not come again at a second inspection: the measurement "
            "does not repeat well enough for this limit; improve it before moving the limit"
        ),
        "moved": lambda: (
            f"the process moved: {of.measurement} by {size}, {spreads}, in steps from {', '.join(of.days)} on "
            f"({of.lots} lots); look at the process first"
        ),
        "drift": lambda: (
            f"the process drifts: {of.measurement} by {size} over this history, {spreads} ({of.lots} lots); "
            "look at the process first"
        ),
        "two populations": lambda: (
            f"two populations: {of.measurement} of {of.scope} {of.name} lies {size} from the rest, "
            f"{spreads} ({of.lots} lots)" + _way(of)
        ),
        "called more": lambda: (
            f"{of.scope} {of.name} makes {of.share:.0%} of the family's false calls, {_times(of)} as often called as "
            f"the rest: its {of.measurement} lies {size} off, {spreads} ({of.items:,} items in {of.lots} lots)"
            + _way(of)
        ),
        "useless": lambda: (
            f"{limit} never tells good from defect: of {of.items:,} reviewed calls that it alone makes, "
            f"{of.share:.0%} of the family's false calls, {share} are labelled defects, no more than misreading "
            "and their worth explain, and other defects lie hardly further out than goods; ask what it is for"
        ),
    }
    return str(words[of.kind]())


def _ratio_words(of: Cause) -> str:
    if of.ratio is None:
        return ""
    return f" and scatters {of.ratio.value:.2f} ({of.ratio.low:.2f} to {of.ratio.high:.2f}) times as much"


def _times(of: Cause) -> str:
    assert of.factor is not None
    return f"{of.factor.value:.1f} ({of.factor.low:.1f} to {of.factor.high:.1f}) times"


def _way(of: Cause) -> str:
    """Return what to do about something that stands apart."""
    if of.own_row:
        return "; the recipe has a row of its own for it"
    if of.scope in {"part", "designator"}:
        return "; look at it, or give it a row of its own, before the family's limits move"
    return f"; a recipe has no row for a {of.scope}: find the difference, calibrate"
