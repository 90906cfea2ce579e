"""Charts: a table first, then the drawing of exactly that table.

A drawing is the user's to restyle. Goods, defects and what nobody reviewed are told apart by
colour and by shape, so that grey print works too.
"""

from typing import Any

import altair as alt
import pandas as pd

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
