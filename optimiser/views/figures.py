"""Figures in words: intervals, what becomes fewer or more, what is saved or lost; signs are words."""

import math

from optimiser.evidence.intervals import Interval


def interval_words(of: Interval, digits: int = 0, unit: str = "") -> str:
    """Return ``value (low to high)``, rounded, with its unit; an end that is infinite is unknown.

    Parameters
    ----------
    of : Interval
    digits : int
        After the point.
    unit : str

    Returns
    -------
    str

    Examples
    --------
    >>> interval_words(Interval(value=1234.0, low=-2.0, high=math.inf), unit=" EUR")
    '1,234 EUR (-2 to unknown)'
    """
    value = f"{of.value:,.{digits}f}{unit}"
    # What follows from how a change is made, and was not estimated, has no interval.
    return value if of.low == of.high else f"{value} ({span_words(of, digits)})"


def span_words(of: Interval, digits: int = 0) -> str:
    """Return between what a figure may lie: ``low to high``, rounded.

    Parameters
    ----------
    of : Interval
    digits : int
        After the point.

    Returns
    -------
    str
    """
    low, high = (f"{x:,.{digits}f}" if math.isfinite(x) else "unknown" for x in (of.low, of.high))
    return f"{low} to {high}"


def change_words(of: Interval, digits: int = 0) -> str:
    """Return how much fewer a figure becomes, or how much more, with its interval in words.

    Parameters
    ----------
    of : Interval
        What is saved: below zero is more.
    digits : int
        After the point.

    Returns
    -------
    str

    Examples
    --------
    >>> change_words(Interval(value=360.0, low=307.0, high=414.0))
    '360 fewer (307 to 414)'
    >>> change_words(Interval(value=-129.0, low=-140.0, high=20.0))
    '129 more (140 more to 20 fewer)'
    """
    word = signed_words(of.value, digits)
    if (of.low < 0) == (of.high < 0) == (of.value < 0):
        low, high = sorted(abs(x) for x in (of.low, of.high))
        return f"{word} ({span_words(Interval(value=0, low=low, high=high), digits)})"
    return f"{word} ({signed_words(of.low, digits)} to {signed_words(of.high, digits)})"


def saving_words(of: Interval, digits: int = 0, unit: str = "") -> str:
    """Return a saving with its interval; what is below zero is lost, in words.

    Parameters
    ----------
    of : Interval
    digits : int
        After the point.
    unit : str

    Returns
    -------
    str

    Examples
    --------
    >>> saving_words(Interval(value=120.0, low=-12.0, high=math.inf), unit=" EUR")
    '120 EUR (12 lost to unknown)'
    """
    value = saved_words(of.value, digits, unit)
    return value if of.low == of.high else f"{value} ({saving_span(of, digits)})"


def saving_span(of: Interval, digits: int = 0) -> str:
    """Return between what a saving may lie; what is below zero is lost, the lesser loss first.

    Examples
    --------
    >>> saving_span(Interval(value=-2.0, low=-3.0, high=-1.0))
    '1 to 3 lost'
    """
    if math.isfinite(of.low) and round(of.high, digits) < 0:
        return f"{-of.high:,.{digits}f} to {saved_words(of.low, digits)}"
    return f"{saved_words(of.low, digits)} to {saved_words(of.high, digits)}"


def saving_head(currency: str) -> tuple[str, str, str]:
    """Return what stands over a saving and the ends of its interval in a table of numbers."""
    return f"saving a month, {currency}", "at least", "at most"


def saved_words(saved: float, digits: int = 0, unit: str = "") -> str:
    """Return a saving as it is, a loss as lost.

    Examples
    --------
    >>> saved_words(-129.0), saved_words(1234.5, 1), saved_words(-0.2)
    ('129 lost', '1,234.5', '0')
    """
    if not math.isfinite(saved):
        return "unknown"
    return f"{abs(saved):,.{digits}f}{unit}{' lost' if round(saved, digits) < 0 else ''}"


def signed_words(saved: float, digits: int = 0) -> str:
    """Return a figure that is saved as fewer, one that is added as more.

    Examples
    --------
    >>> signed_words(-129.0), signed_words(12.0), signed_words(0.0)
    ('129 more', '12 fewer', '0 fewer')
    """
    if not math.isfinite(saved):
        return "unknown"
    return f"{abs(saved):,.{digits}f} {'more' if round(saved, digits) < 0 else 'fewer'}"


def change_span(of: Interval) -> str:
    """Return between what a change may lie, each end as fewer or more; the lesser change first."""
    if (of.low < 0) == (of.high < 0):
        low, high = sorted(abs(x) for x in (of.low, of.high))
        word = "more" if of.low < 0 else "fewer"
        return f"{span_words(Interval(value=low, low=low, high=high))} {word}"
    return f"{signed_words(of.low)} to {signed_words(of.high)}"
