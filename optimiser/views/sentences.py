"""Sentences that terminal, panels and page say alike, made from numbers where they are shown."""

import math
from collections.abc import Sequence
from datetime import date
from typing import Literal

from optimiser.evidence.certificate import Certificate, defects_needed
from optimiser.evidence.cost_ratio import BreakEven, PriceRange
from optimiser.evidence.intervals import Interval
from optimiser.history.inspected import read_inspected
from optimiser.plant.file import Plant
from optimiser.proposal.headline import Headline, Walk
from optimiser.proposal.month import Month
from optimiser.proposal.record import Proof, Proposal
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import (
    change_span,
    interval_words,
    saved_words,
    saving_span,
    signed_words,
    span_words,
)
from optimiser.views.reasons import cause_words

Kind = Literal["all", "added"]
FEW_HOURS = 10

# --- all proposals of a plant -----------------------------------------------------------


def finding_words(proposals: Sequence[Proposal]) -> list[str]:
    """Return a line for each family where something else than a limit is the matter."""
    return [
        f"{of.family}: {cause_words(of.findings[0])}"
        + (f" (and {more} more)" if more else "")
        + "."
        for of in proposals
        if of.findings
        for more in (len(of.findings) - 1,)
    ]


def month_words(of: Month, *, currency: str) -> str:
    """Return a plant's proposals in one sentence: what a month looks like now and after.

    Parameters
    ----------
    of : Month
    currency : str

    Returns
    -------
    str
        Terminal, night, page and panels say this one.
    """
    ground = f"from {of.days:,.0f} days, {_counted_words(of.labels, 'labelled defect')}"
    now = f"{of.false_calls_now:,.0f}"
    if not of.advised:
        return (
            f"No change is advised for any of {_families(of.families)}: false calls stay at {now} a month, "
            f"{of.review_hours_now:,.0f} hours of review ({ground})."
        )
    return (
        f"{_counted_words(of.advised, 'change')} advised for {_families(of.families)}, expected a month: "
        f"{_calls_words(of)} ({now} → {of.false_calls_after:,.0f}), "
        f"{_hours_fewer(of)}, {_money_words(of.saving.value, currency)}; "
        f"{of.escapes_added.value:,.1f} escapes added, {of.escapes_caught.value:,.1f} caught ({ground})."
    )


def month_cells(of: Month) -> tuple[str, ...]:
    """Return a family's month as the cells of a table, in terminal and page alike.

    Returns
    -------
    tuple of str
        False calls now; where a change is advised after it, how many fewer, review hours fewer,
        money saved, escapes added and caught, else blanks. What is more, or lost, is said so.
    """
    now = f"{of.false_calls_now:,.0f}"
    if not of.advised:
        return (now, *[""] * 6)
    return (
        now,
        f"{of.false_calls_after:,.0f}",
        _share_cell(of),
        signed_words(of.review_hours_saved, 1).removesuffix(" fewer"),
        saved_words(of.saving.value),
        f"{of.escapes_added.value:z,.1f}",
        f"{of.escapes_caught.value:z,.1f}",
    )


def _families(number: int) -> str:
    return f"{number:,} family" if number == 1 else f"{number:,} families"


def _counted_words(number: int, one: str) -> str:
    return f"{number:,} {one}" if number == 1 else f"{number:,} {one}s"


def _multiple(of: Month) -> float | None:
    """Return how many times as many false calls there will be, past double; infinite from none."""
    if not of.false_calls_now and of.false_calls_after:
        return math.inf
    return 1 - of.share_saved if of.share_saved < -1 else None


def _share_cell(of: Month) -> str:
    """Return a change of false calls as a cell: past double as a multiple, from none as new."""
    times, saved = _multiple(of), of.share_saved
    if times is not None:
        return f"{times:,.1f} times" if math.isfinite(times) else "new"
    return f"{abs(saved):.0%}{' more' if round(saved, 2) < 0 else ''}"


def _calls_words(of: Month) -> str:
    """Return a change of false calls in words; nobody sees what "1,219% more" is."""
    times, saved = _multiple(of), of.share_saved
    if times is None:
        return f"{abs(saved):.0%} {'fewer' if saved >= 0 else 'more'} false calls"
    if math.isinf(times):
        return "false calls where there were none"
    return f"{times:,.1f} times the false calls"


def _hour_digits(of: Month) -> int:
    return 0 if of.review_hours_now >= FEW_HOURS else 1


def _hours_fewer(of: Month) -> str:
    """Return how many review hours fewer, or more; tenths where the whole of them are few."""
    return f"{signed_words(of.review_hours_saved, _hour_digits(of))} review hours"


def hours_words(of: Month) -> tuple[str, str]:
    """Return the hours of reviewing false calls now and after; tenths where they are few."""
    digits = _hour_digits(of)
    after = of.review_hours_now - of.review_hours_saved
    return f"{of.review_hours_now:,.{digits}f}", f"{after:,.{digits}f}"


def _money_words(value: float, currency: str) -> str:
    return f"{currency} {abs(value):,.0f} {'saved' if value >= 0 else 'lost'}"


def headline_words(of: Headline, *, currency: str) -> list[str]:
    """Return a plant's proposals together as sentences.

    Parameters
    ----------
    of : Headline
    currency : str

    Returns
    -------
    list of str
        The one sentence of `month_words`, then how sure it is, one step forward in time, and
        changes that were found and are not advised.
    """
    lines = [month_words(of.month, currency=currency)]
    if of.advised.families:
        lines.append(_sure_words(of, currency))
    if of.forward:
        lines.append(_walk_words(of.forward))
    rest = of.uncertain
    if rest.families:
        scale = DAYS_PER_MONTH / of.span_days
        money = _money_saved(rest.saving_per_month, currency)
        escapes = interval_words(rest.escapes_added.times(scale), 1)
        lines.append(
            f"Not advised are the best changes found for {rest.families} more; all of them together, a month: "
            f"{money}, {escapes} escapes added."
        )
    return lines


def _money_saved(of: Interval, currency: str) -> str:
    """Return money saved with its interval; where an end is a loss each figure says which it is."""
    if of.low >= 0:
        return f"{currency} {interval_words(of)} saved"
    low, high = (
        _money_words(x, currency) if math.isfinite(x) else "unknown" for x in (of.low, of.high)
    )
    return f"{_money_words(of.value, currency)} ({low} to {high})"


def _sure_words(of: Headline, currency: str) -> str:
    """Return the intervals of what is advised, and what a span to come may bring."""
    month, next_ = of.month, of.advised
    scale = DAYS_PER_MONTH / of.span_days
    return (
        f"90 % intervals, a month: {change_span(month.false_calls_saved)} false calls, {currency} "
        f"{saving_span(month.saving)} saved, escapes added {span_words(month.escapes_added, 1)}, caught "
        f"{span_words(month.escapes_caught, 1)}. The next {of.span_days:.0f} days may bring, a month, {currency} "
        f"{saving_span(next_.next_saving_per_month)} saved and "
        f"{span_words(next_.next_escapes_added.times(scale), 1)} escapes added."
    )


def _walk_words(walk: Walk) -> str:
    return (
        f"One step forward in time: from the earlier lots alone {signed_words(walk.promised)} false calls and "
        f"{walk.promised_escapes:.1f} escapes were promised of the later lots of {_families(walk.families)}; "
        f"{signed_words(walk.followed)} and {walk.followed_escapes:.0f} followed, inside the interval for "
        f"{walk.inside}."
    )


def only_called_words(plant: Plant) -> list[str]:
    """Return what a history of called items alone cannot say; nothing where it holds all items.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    list of str
    """
    if not plant.file.plant.only_called:
        return []
    known = sum(read_inspected(plant).values())
    of = f"of {known:,} items inspected" if known else "of an unknown number inspected"
    return [
        f"The results hold called items alone, {of}: items here are called items, no limit is tightened, no "
        "escape more can be caught, and nothing is said of items that passed."
    ]


# --- what later lots prove --------------------------------------------------------------


def added_words(proof: Proof) -> str:
    """Return the certificate of escapes added, in words.

    Parameters
    ----------
    proof : Proof

    Returns
    -------
    str
    """
    if proof.added is None:
        return "No later defect was called by the live recipe: nothing can be certified of them."
    return certificate_words(proof.added, (proof.first, proof.last), kind="added")


def all_escapes_words(proof: Proof) -> str:
    """Return what is known of all escapes; without an audit that is no certificate.

    Parameters
    ----------
    proof : Proof

    Returns
    -------
    str
    """
    return (
        f"{proof.escapes} of {proof.later_defects} labelled defects escape, {proof.escapes_now} do already. "
        f"Test finds {proof.coverage:.0%} of escapes and what nobody found is not among them: nothing is "
        "certified of all escapes; an audit of passed items bounds them (optimiser audit)."
    )


def proven_price_words(proof: Proof, *, currency: str) -> str:
    """Return at which price of an escape the proposed setting is best, in words.

    Parameters
    ----------
    proof : Proof
    currency : str

    Returns
    -------
    str
    """
    if proof.price is None:
        return (
            "Whatever an escape costs, another of the settings tested costs less on the later lots: these "
            "lots do not confirm the choice."
        )
    return price_words(proof.price, unit=currency)


def certificate_words(
    certificate: Certificate, dates: tuple[date, date], *, kind: Kind = "all"
) -> str:
    """Return a certificate in words that can be defended.

    Parameters
    ----------
    certificate : Certificate
    dates : tuple of date
        First and last day of the held-out defects.
    kind : str
        ``all``: escapes among all labelled defects. ``added``: escapes that the change adds,
        among defects that the live recipe calls.

    Returns
    -------
    str
        Bounds are worked out to three digits and rounded up to two; never "0 % escape".
    """
    c = certificate
    few = defects_needed(0, alpha=c.alpha, delta=c.delta)
    if not c.certified and c.escapes == 0 and c.effective_defects < few:
        return (
            f"Too few defects to certify ({c.defects}): best provable {percent_up(c.bound)} at "
            f"{_percent(1 - c.delta)}. {_more(c)}"
        )
    return f"{_counted(c, dates, kind)} {_proven(c, kind)}"


def _counted(c: Certificate, dates: tuple[date, date], kind: Kind) -> str:
    which = " that the live recipe calls" if kind == "added" else ""
    does = "would escape" if kind == "added" else "escape"
    lots = f"{c.lots} lot" if c.lots == 1 else f"{c.lots} lots"
    return f"{c.escapes} of {c.defects} held-out defects{which} ({lots}, {period(dates)}) {does}."


def _proven(c: Certificate, kind: Kind) -> str:
    at_most = c.alpha if c.certified and c.tested > 1 else c.bound
    shown = _percent(c.alpha) if c.certified and c.tested > 1 else percent_up(at_most)
    of_them = " of such defects" if kind == "added" else ""
    claim = f"At most {shown}{of_them} escape, {_percent(1 - c.delta)} confidence"
    if c.certified and c.tested > 1:
        return f"{claim}, whichever certified one of the {c.tested} settings tested is chosen."
    if c.certified:
        return f"{claim}."
    if c.p_value <= c.delta:
        return (
            f"Not certified for {_percent(c.alpha)}: a safer one of the {c.tested} settings tested "
            "was not, so testing ended there."
        )
    return f"{claim}: not certified for {_percent(c.alpha)}. {_more(c)}"


def _more(c: Certificate) -> str:
    verb = "is" if c.more_needed == 1 else "are"
    return f"{c.more_needed} more without an escape {verb} needed for {_percent(c.alpha)}."


def period(dates: tuple[date, date]) -> str:
    """Return a range of days in words; years only where they differ.

    Examples
    --------
    >>> period((date(2025, 3, 3), date(2025, 5, 2)))
    '3 March – 2 May'
    """
    first, last = dates
    year = " %Y" if first.year != last.year else ""
    names = [f"{day.day} {day:%B}" + day.strftime(year) for day in dates]
    return names[0] if first == last else " – ".join(names)


def percent_up(share: float) -> str:
    """Return a bound as a percentage: three digits, rounded up to two.

    Examples
    --------
    >>> percent_up(0.05252), percent_up(0.28031), percent_up(0.0504), percent_up(0.05)
    ('5.3 %', '28 %', '5.1 %', '5.0 %')
    """
    if share <= 0:
        return "0 %"
    three = float(f"{100 * share:.2e}")
    places = 1 - math.floor(math.log10(three))
    up = math.ceil(round(three * 10.0**places, 6)) / 10.0**places
    return f"{up:.{max(0, places)}f} %"


def _percent(share: float) -> str:
    return f"{round(100 * share, 6):g} %"


# --- prices of an escape ----------------------------------------------------------------


def price_words(found: PriceRange, *, unit: str = "false calls") -> str:
    """Return a range in words, with what each end rests on.

    Parameters
    ----------
    found : PriceRange
    unit : str
        ``false calls``, or the currency after `cost_ratio.in_money`.

    Returns
    -------
    str
        ``"Best if one escape costs between 38 and 300 false calls (the 38 rests on 4 defects:
        14–139; the 300 rests on 1 defect: 53–11,900)."``
    """
    if found.above and found.below:
        low, high = (_figure(end.price.value) for end in (found.above, found.below))
        between = f"between {low} and {high} {unit}"
    elif found.above:
        between = f"more than {_figure(found.above.price.value)} {unit}"
    elif found.below:
        between = f"less than {_figure(found.below.price.value)} {unit}"
    else:
        return "Best whatever an escape costs."
    rests = "; ".join(_rests(end) for end in (found.above, found.below) if end)
    return f"Best if one escape costs {between} ({rests})."


def _rests(end: BreakEven) -> str:
    defects = "1 defect" if end.defects == 1 else f"{end.defects} defects"
    low, high = _figure(end.price.low), _figure(end.price.high)
    reach = f"{low}–{high}" if math.isfinite(end.price.high) else f"{low} or more"
    return f"the {_figure(end.price.value)} rests on {defects}: {reach}"


def _figure(value: float) -> str:
    """Return a figure with two digits below 100, three above, half rounded up."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    size = math.floor(math.log10(value))
    unit = 10.0 ** (size - (1 if size < 2 else 2))
    rounded = math.floor(value / unit + 0.5) * unit
    return f"{rounded:,.{max(0, 1 - size)}f}"
