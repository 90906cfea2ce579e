"""Charts: a table first, then the drawing of exactly that table."""

from collections.abc import Mapping
from typing import Any

import altair as alt
import pandas as pd

from optimiser.views.tables import interval_words

GOOD, DEFECT, GREY = (
    "#0072B2",
    "#D55E00",
    "#767676",
)  # blue, vermillion, grey: apart in grey print by shape
WIDTH, HEIGHT = 460, 300


def front_frame(front: Mapping[str, Any], live: Mapping[str, int]) -> pd.DataFrame:
    """Return the points of an exact front and the live recipe as a table.

    Parameters
    ----------
    front : mapping
        As ``decision.front.front_of`` gives it.
    live : mapping
        ``escapes`` and ``false_calls`` of the live recipe on the same history.

    Returns
    -------
    DataFrame
        ``escapes, false_calls, proved, what`` with ``what`` one of ``attainable``, ``live``.
    """
    points = [
        {"escapes": p["escapes"], "false_calls": p["false_calls"], "proved": p["proved"]}
        for p in front["points"]
    ]
    frame = pd.DataFrame(points).assign(what="attainable")
    now = pd.DataFrame([{**live, "proved": True, "what": "live"}])
    return pd.concat([frame, now], ignore_index=True)


def front_chart(frame: pd.DataFrame, *, title: str) -> alt.LayerChart:
    """Return the drawing of ``front_frame``: what was attainable, and where the live recipe is.

    Parameters
    ----------
    frame : DataFrame
    title : str
        Say from how much it was counted.

    Returns
    -------
    altair.LayerChart
        Restyle it as any other.
    """
    x = alt.X("escapes:Q", title="escapes among labelled defects", axis=alt.Axis(tickMinStep=1))
    y = alt.Y("false_calls:Q", title="false calls in the history", scale=alt.Scale(zero=False))
    tooltip = ["what:N", "escapes:Q", "false_calls:Q", "proved:N"]
    base = alt.Chart(frame).encode(x=x, y=y, tooltip=tooltip)
    attainable, live = alt.datum.what == "attainable", alt.datum.what == "live"
    steps = base.transform_filter(attainable).mark_line(
        interpolate="step-after", color=GREY, strokeWidth=1.5
    )
    points = (
        base.transform_filter(attainable)
        .mark_point(filled=True, color=GREY, size=45)
        .encode(description="escapes:N")
    )
    now = base.transform_filter(live).mark_point(
        filled=True, color=DEFECT, size=140, shape="diamond"
    )
    label = base.transform_filter(live).mark_text(
        text="live recipe", align="left", dx=10, color=DEFECT
    )
    return alt.LayerChart(layer=[steps, points, now, label]).properties(
        width=WIDTH, height=HEIGHT, title=alt.Title(title, anchor="start", fontWeight="normal")
    )


def proposals_frame(rows: list[Mapping[str, Any]], *, currency: str) -> pd.DataFrame:
    """Return proposals as a table, one row per family, with intervals in words.

    Parameters
    ----------
    rows : list of mappings
        As ``optimiser propose --json`` prints them; numbers are best read from there.
    currency : str

    Returns
    -------
    DataFrame
        Indexed by family; blank where no change is advised.
    """
    columns = {
        "saving_per_month": f"saving a month, {currency}",
        "false_calls_saved": "false calls saved",
        "escapes_added": "escapes added",
        "escapes_caught": "escapes caught",
    }
    return pd.DataFrame(
        [
            {"family": r["family"], "advice": r["advice"]}
            | {
                words: interval_words(r["promise"][k], 1 if k.startswith("escapes") else 0)
                if r["advice"] == "change"
                else ""
                for k, words in columns.items()
            }
            | {"defects": r["defects"], "lots": r["lots"], "items": f"{r['items']:,}"}
            for r in rows
        ]
    ).set_index("family")
