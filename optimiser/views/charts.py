"""Charts: a table first, then the drawing of exactly that table.

A drawing is the user's to restyle. Goods, defects and what nobody reviewed are told apart by
colour and by shape, so that grey print works too.
"""

from collections.abc import Sequence
from datetime import date
from typing import Any, TypeVar

import pandas as pd

from optimiser.views.drawing import alt, unchecked

GOOD, DEFECT, GREY, INK = "#0072B2", "#D55E00", "#767676", "#1c1c1c"
WIDTH, HEIGHT = 375, 300
# On a phone, beside an axis with its words.
NARROW = 190
_DRAW = " (draw a stretch to look at it alone)"
PICK, DAYS = "pick", "days"
T = TypeVar("T", alt.LayerChart, alt.ConcatChart)


def lab_renderer() -> None:
    """Let JupyterLab draw plain charts with what it carries itself: no network is asked.

    A saved copy shows them without a kernel; where Lab cannot draw, a picture stands in.
    """

    def draw(spec: dict[str, Any], **_: object) -> dict[str, Any]:
        return {"application/vnd.vegalite.v5+json": spec, "text/plain": "<chart>"}

    alt.renderers.register("optimiser-lab", draw)
    alt.renderers.enable("optimiser-lab")


def themed(chart: T) -> T:
    """Put a chart on the page's own ground and return it; `guard` gives its inks the theme's colours."""
    chart.config = theme()
    return chart


def theme() -> alt.Config:
    """Return what every drawing has in common."""
    return alt.Config(
        background="transparent",
        view=alt.ViewConfig(stroke=None),
        axis=alt.AxisConfig(titleFontWeight="normal", gridOpacity=0.35),
    )


@unchecked()
def pareto_chart(
    frame: pd.DataFrame, *, by: str, most: int = 20, rates: bool = True, width: int = WIDTH
) -> alt.LayerChart:
    """Return bars of false calls, most first, with the rate of each.

    Parameters
    ----------
    frame : DataFrame
        As ``history.calls.false_calls_by`` gives it.
    by : str
        What a bar stands for, for the axis.
    most : int
        Bars drawn; the title says how many there are.
    rates : bool
        Whether the items are all that were inspected, so that there is a rate.
    width : int
        In pixels, axes left out; a narrow drawing cuts long names.

    Returns
    -------
    altair.LayerChart
    """
    shown = frame.head(most)
    order = shown["name"].tolist()
    title = f"{len(shown)} of {len(frame)} by {by}" if len(frame) > most else f"by {by}"
    pick = alt.selection_point(
        name=PICK, fields=["name"], on="click", toggle=False, clear=False, empty=False
    )
    base = alt.Chart(shown).encode(
        y=alt.Y(
            "name:N",
            sort=order,
            title=None,
            axis=alt.Axis(labelLimit=260 if width >= WIDTH else 90),
        )
    )
    top = float(shown["false_calls"].max()) if len(shown) else 1.0
    bars = (
        base.mark_bar(color=GOOD, height=11, cursor="pointer")
        .encode(
            x=alt.X(
                "false_calls:Q",
                title="false calls (bars)",
                scale=alt.Scale(domain=[0, max(top, 1.0)]),
            ),
            description="name:N",
            tooltip=[
                "name:N",
                alt.Tooltip("false_calls:Q", title="false calls", format=","),
                alt.Tooltip("items:Q", format=","),
                alt.Tooltip("per_million:Q", title="per million items", format=",.0f"),
                alt.Tooltip("share:Q", format=".1%"),
            ],
        )
        .add_params(pick)
    )
    marks = base.mark_point(
        color=DEFECT, shape="diamond", filled=True, size=38, opacity=0.9
    ).encode(
        x=alt.X(
            "per_million:Q",
            title="false calls per million inspected items (diamonds)",
            axis=alt.Axis(orient="top", grid=False, format="~s"),
            scale=alt.Scale(domainMin=0),
        )
    )
    drawn: alt.LayerChart = (
        alt.LayerChart(layer=[bars, marks] if rates else [bars])
        .resolve_scale(x="independent")
        .properties(
            width=width,
            height=alt.Step(17),
            title=alt.Title(title, anchor="start", fontWeight="normal"),
        )
    )
    return themed(drawn)


@unchecked()
def trend_chart(
    frame: pd.DataFrame,
    changes: Sequence[tuple[date, str | None, str]],
    *,
    period: str,
    rates: bool = True,
    width: int = WIDTH,
) -> alt.LayerChart:
    """Return false calls per million items over time, with the days when the recipe changed.

    Parameters
    ----------
    frame : DataFrame
        As ``history.calls.call_trend`` gives it, with a column ``what`` that names each line.
    changes : sequence of (date, line, revision)
    period : {'day', 'week'}
    rates : bool
        Whether the items are all that were inspected; else false calls are counted.
    width : int
        In pixels, axes left out.

    Returns
    -------
    altair.LayerChart
        The selection ``days`` is a stretch of time that a person draws.
    """
    days = alt.selection_interval(name=DAYS, encodings=["x"])
    kinds = list(dict.fromkeys(frame["what"]))
    base = alt.Chart(frame).encode(
        x=alt.X("start:T", title=f"{period}, UTC" + (_DRAW if width >= WIDTH else "")),
        y=alt.Y(
            "false_calls_per_million:Q" if rates else "false_calls:Q",
            title="false calls per million items" if rates else "false calls",
            scale=alt.Scale(zero=True),
        ),
        color=alt.Color(
            "what:N",
            title=None,
            scale=alt.Scale(domain=kinds, range=[GOOD, DEFECT][: len(kinds)]),
            legend=alt.Legend(orient="top", labelLimit=420) if len(kinds) > 1 else None,
        ),
    )
    lines = base.mark_line(strokeWidth=1.3).encode(
        strokeDash=alt.StrokeDash("what:N", scale=alt.Scale(domain=kinds), legend=None)
    )
    points = (
        base.mark_point(filled=True, size=36, opacity=1)
        .encode(
            shape=alt.Shape("what:N", scale=alt.Scale(domain=kinds), legend=None),
            tooltip=[
                alt.Tooltip("start:T", title=period),
                alt.Tooltip("false_calls:Q", title="false calls", format=","),
                alt.Tooltip("items:Q", format=","),
                alt.Tooltip("false_calls_per_million:Q", title="per million items", format=",.0f"),
                alt.Tooltip("true_calls:Q", title="true calls", format=","),
                alt.Tooltip("escapes:Q", title="escapes known", format=","),
            ],
        )
        .add_params(days)
    )
    layers = [lines, points, *_changes(changes)]
    drawn: alt.LayerChart = alt.LayerChart(layer=layers).properties(width=width, height=210)
    return themed(drawn)


def _changes(changes: Sequence[tuple[date, str | None, str]]) -> list[alt.Chart]:
    """Return a line and a word for each change of the recipe."""
    if not changes:
        return []
    marks = pd.DataFrame(
        [
            {"at": pd.Timestamp(day), "to": f"revision {name}" + (f", {line}" if line else "")}
            for day, line, name in changes
        ]
    )
    base = alt.Chart(marks).encode(x="at:T")
    return [
        base.mark_rule(color=INK, strokeDash=[2, 2]).encode(tooltip=["at:T", "to:N"]),
        base.mark_text(align="left", dx=3, color=INK, baseline="top").encode(
            y=alt.value(0), text="to:N"
        ),
    ]
