"""Charts: a table first, then the drawing of exactly that table.

A drawing is the user's to restyle. Goods, defects and what nobody reviewed are told apart by
colour and by shape, so that grey print works too.
"""

from collections.abc import Mapping
from typing import Any

import altair as alt
import pandas as pd

from optimiser.views.tables import interval_words

GOOD, DEFECT, GREY, INK = "#0072B2", "#D55E00", "#767676", "#1c1c1c"
WIDTH, HEIGHT = 460, 300


def lab_renderer() -> None:
    """Let JupyterLab draw plain charts with what it carries itself: no network is asked.

    A saved copy shows them without a kernel; where Lab cannot draw, a picture stands in.
    """

    def draw(spec: dict[str, Any], **_: object) -> dict[str, Any]:
        return {"application/vnd.vegalite.v5+json": spec, "text/plain": "<chart>"}

    alt.renderers.register("optimiser-lab", draw)
    alt.renderers.enable("optimiser-lab")


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


def pareto_chart(frame: pd.DataFrame, *, by: str, most: int = 20) -> alt.LayerChart:
    """Return bars of false calls, most first, with their cumulative share.

    Parameters
    ----------
    frame : DataFrame
        As ``history.calls.false_calls_by`` gives it; with or without ``cumulative``.
    by : str
        What a bar stands for, for the axis.
    most : int
        Bars drawn; the title says how many there are.

    Returns
    -------
    altair.LayerChart
    """
    shown = frame.head(most)
    order = shown["name"].tolist()
    title = f"{len(shown)} of {len(frame)} by {by}" if len(frame) > most else f"by {by}"
    base = alt.Chart(shown).encode(
        y=alt.Y("name:N", sort=order, title=None, axis=alt.Axis(labelLimit=260))
    )
    top = float(shown["false_calls"].max()) if len(shown) else 1.0
    bars = base.mark_bar(color=GOOD, height=11).encode(
        x=alt.X(
            "false_calls:Q",
            title="false calls in the history",
            scale=alt.Scale(domain=[0, max(top, 1.0)]),
        ),
        tooltip=["name:N", "false_calls:Q", "items:Q", alt.Tooltip("share:Q", format=".1%")],
    )
    layers = [bars]
    if "cumulative" in shown:
        # The line has an axis of its own on top, from 0 to all.
        line = base.mark_line(color=INK, strokeWidth=1, point={"size": 16, "color": INK}).encode(
            x=alt.X(
                "cumulative:Q",
                title="share of all, added up",
                axis=alt.Axis(format=".0%", orient="top", grid=False),
                scale=alt.Scale(domain=[0, 1]),
            ),
            order=alt.Order("false_calls:Q", sort="descending"),
        )
        layers.append(line)
    drawn: alt.LayerChart = (
        alt.LayerChart(layer=layers)
        .resolve_scale(x="independent")
        .properties(
            width=WIDTH + 60,
            height=alt.Step(17),
            title=alt.Title(title, anchor="start", fontWeight="normal"),
        )
    )
    return drawn
