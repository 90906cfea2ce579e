"""How the measurements of one family are spread: counts by bin, by what is known of an item."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.history.read import History
from optimiser.sql import quoted, text_literal

BINS = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The stretch of one measurement that is drawn, in its unit; low < high."""

    measurement: str
    low: float
    high: float


def distributions(
    history: History, family: str, windows: list[Window], *, bins: int = BINS
) -> pd.DataFrame:
    """Return the number of items by measurement, bin and what is known of them.

    Parameters
    ----------
    history : History
    family : str
    windows : list of Window
    bins : int
        Per window, of equal width.

    Returns
    -------
    DataFrame
        ``measurement, known, low, high, count``; ``known`` is one of ``good``,
        ``unreviewed``, ``defect``. Items outside a window stand in its first or last bin;
        items not measured are not counted.
    """
    known = "case when verdict is null then 'unreviewed' else verdict end"
    parts = []
    for n, w in enumerate(windows):
        x = f"{quoted(w.measurement)}::double"
        place = f"floor(({x} - {w.low!r}) / {(w.high - w.low) / bins!r})"
        parts.append(
            f"select {n} as n, {known} as known, greatest(0, least({bins - 1}, {place}))::integer as bin, "
            f"count(*) as count from own where {quoted(w.measurement)} is not null group by all"
        )
    if not parts:
        return pd.DataFrame(columns=["measurement", "known", "low", "high", "count"])
    measured = ", ".join(quoted(w.measurement) for w in windows)
    rows = history.rows(
        f"""with own as materialized (
              select verdict, {measured} from items where family = {text_literal(family)})
            from ({" union all ".join(parts)}) order by all"""
    )
    table = pd.DataFrame(rows, columns=["n", "known", "bin", "count"])
    low = np.array([w.low for w in windows])[table["n"]]
    width = np.array([(w.high - w.low) / bins for w in windows])[table["n"]]
    return pd.DataFrame(
        {
            "measurement": [windows[n].measurement for n in table["n"]],
            "known": table["known"],
            "low": low + table["bin"] * width,
            "high": low + (table["bin"] + 1) * width,
            "count": table["count"],
        }
    )
