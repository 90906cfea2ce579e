"""One item on one scale: how far outside or inside each limit it lies, and its neighbours with it."""

import math
from collections.abc import Sequence

import pandas as pd

from optimiser.proposal.item_limits import AgainstLimit
from optimiser.views.charts import DEFECT, GOOD, GREY, INK, themed
from optimiser.views.drawing import alt, unchecked

# Spreads drawn to each side; what lies further is drawn at the edge.
FURTHEST = 10.0
WIDTH = 430
_KINDS = ("good", "defect", "this item", "this item, decides")


def item_frame(lines: Sequence[AgainstLimit], near: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return what the chart draws.

    Parameters
    ----------
    lines : sequence of AgainstLimit
    near : DataFrame, optional
        Neighbours with ``verdict`` and the measurements.

    Returns
    -------
    DataFrame
        ``limit, what, spreads, value``: by limit the item, its neighbours by verdict, and the chosen
        limit, in standard deviations of the goods outside the live limit. Where the live recipe has
        no such limit, outside the chosen one.
    """
    rows = []
    for line in lines:
        zero = line.live if math.isfinite(line.live) else line.chosen
        if not math.isfinite(zero) or math.isnan(line.value):
            continue
        sign = 1.0 if line.side == "upper" else -1.0
        name = f"{line.measurement} {line.side}"
        own = "this item, decides" if line.decides else "this item"
        marks = [(own, line.value), ("limit chosen", line.chosen)]
        if near is not None:
            pairs = zip(near["verdict"], near[line.measurement], strict=True)
            marks = [*((str(v), float(x)) for v, x in pairs if not pd.isna(x)), *marks]
        for what, value in marks:
            if math.isfinite(value):
                rows.append((name, what, sign * (value - zero) / line.spread, value, line.unit))
    return pd.DataFrame(rows, columns=["limit", "what", "spreads", "value", "unit"])


@unchecked()
def item_chart(frame: pd.DataFrame, *, width: int = WIDTH) -> alt.LayerChart:
    """Return the drawing of ``item_frame``.

    Parameters
    ----------
    frame : DataFrame
    width : int
        In pixels, axes left out; a narrow drawing cuts long names.

    Returns
    -------
    altair.LayerChart
    """
    wide = width >= WIDTH
    shown = frame.assign(spreads=frame["spreads"].clip(-FURTHEST, FURTHEST))
    order = list(dict.fromkeys(frame["limit"]))
    edge = max(2.0, float(shown["spreads"].abs().max())) if len(shown) else 2.0
    x = alt.X(
        "spreads:Q",
        title="inside (left) or outside (right) the limit now, standard deviations of the goods"
        if wide
        else "standard deviations beyond the limit",
        scale=alt.Scale(domain=[-edge, edge]),
    )
    y = alt.Y("limit:N", sort=order, title=None, axis=alt.Axis(labelLimit=220 if wide else 90))
    marks = alt.Chart(shown[shown["what"] != "limit chosen"])
    points = marks.mark_point(filled=True, opacity=0.9).encode(
        x=x,
        y=y,
        color=alt.Color(
            "what:N",
            title=None,
            scale=alt.Scale(domain=list(_KINDS), range=[GOOD, DEFECT, INK, INK]),
            legend=alt.Legend(orient="top", columns=4 if wide else 1, symbolLimit=4),
        ),
        shape=alt.Shape(
            "what:N",
            title=None,
            scale=alt.Scale(
                domain=list(_KINDS), range=["circle", "triangle-up", "square", "diamond"]
            ),
        ),
        size=alt.Size(
            "what:N", scale=alt.Scale(domain=list(_KINDS), range=[30, 45, 70, 220]), legend=None
        ),
        tooltip=[alt.Tooltip("what:N", title="what"), "value:Q", "unit:N", "spreads:Q"],
    )
    chosen = (
        alt.Chart(shown[shown["what"] == "limit chosen"])
        .mark_tick(color=INK, thickness=3, size=20)
        .encode(x=x, y=y, tooltip=[alt.Tooltip("value:Q", title="limit chosen"), "unit:N"])
    )
    now = (
        alt.Chart(alt.InlineData([{"at": 0.0}]))
        .mark_rule(color=GREY, strokeDash=[5, 4])
        .encode(x="at:Q")
    )
    drawn: alt.LayerChart = alt.LayerChart(layer=[now, chosen, points]).properties(
        width=width, height=alt.Step(26)
    )
    return themed(drawn)
