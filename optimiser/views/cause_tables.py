"""Findings of why families are called, in words: terminal and notebook."""

from collections.abc import Sequence

import pandas as pd
from rich.console import Group
from rich.text import Text

from optimiser.caution import CAUTION
from optimiser.evidence.discoveries import RATE
from optimiser.studies.causes import Cause, Causes
from optimiser.studies.overrides import Override
from optimiser.views.figures import interval_words, saving_words
from optimiser.views.reasons import cause_words


def asked_words(of: Causes) -> str:
    """Return how much was asked, and how far what is said can be trusted."""
    return (
        f"{of.asked:,} questions were put to {of.families} families; of what is said here at most {RATE:.0%} is "
        "expected to be false (Benjamini and Yekutieli), lots as the unit. What is not said is not ruled out."
    )


def cause_text(
    of: Causes, shown: Sequence[Cause], rows: Sequence[Override | None], *, currency: str
) -> Group:
    """Return the findings, a family after another, with the rows that are proposed.

    Parameters
    ----------
    of : Causes
    shown : sequence of Cause
    rows : sequence of Override or None
        For each of them.
    currency : str

    Returns
    -------
    rich.console.Group
    """
    parts: list[Text] = []
    family = ""
    for cause, row in zip(shown, rows, strict=True):
        if cause.family != family:
            family = cause.family
            parts.append(Text(f"\n{family}"))
        parts.append(Text(f"  {cause_words(cause)}"))
        if row is not None:
            parts += [Text(f"    {line}") for line in override_words(row, currency=currency)]
    if not parts:
        parts = [Text("nothing was found that says that a limit is not the problem")]
    return Group(*parts, Text(f"\n{asked_words(of)}"), Text(f"\n{CAUTION}"))


def override_words(of: Override, *, currency: str) -> list[str]:
    """Return a proposed row with its evidence, against moving the family's limits.

    Parameters
    ----------
    of : Override
    currency : str

    Returns
    -------
    list of str
    """
    row = of.row
    ends = f"{_end(row.lower)} to {_end(row.upper)} {row.unit}"
    stopped = f" (stopped by the {of.stopped})" if of.stopped else ""
    return [
        f"a row of its own: {row.scope},{row.name},{row.measurement} {ends} instead of "
        f"{_end(of.family_row.lower)} to {_end(of.family_row.upper)}{stopped}; one row more to keep up",
        f"  held out over {of.lots} lots: {interval_words(of.saved)} of its {of.calls:,} calls fewer, "
        f"{of.released} of its {of.defects} labelled defects released, "
        f"{currency} {saving_words(of.saving_per_month)} a month saved",
        f"  the family's limits moved as far instead, counted on this history: {of.family_saved:,} calls fewer, "
        f"{of.family_released} labelled defects released",
    ]


def _end(value: float) -> str:
    return "off" if abs(value) == float("inf") else f"{value:g}"


def cause_frame(shown: Sequence[Cause]) -> pd.DataFrame:
    """Return findings as a frame: ``family, finding, measurement, size, unit, spreads, lots, items``."""
    return pd.DataFrame(
        [
            {
                "family": c.family,
                "finding": c.kind,
                "measurement": f"{c.measurement} {c.side or ''}".strip(),
                "what": f"{c.scope} {c.name}".strip(),
                "size": c.size.value,
                "low": c.size.low,
                "high": c.size.high,
                "unit": c.unit,
                "lots": c.lots,
                "items": c.items,
            }
            for c in shown
        ]
    )
