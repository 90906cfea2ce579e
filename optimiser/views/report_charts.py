"""The pictures of the manager's page: plain SVG, drawn here, wide for a desk and narrow for a phone.

The colours are names for the page's own: its style sheet exchanges each for one of its theme, so that
the same drawing serves light, dark and paper.
"""

from collections.abc import Callable
from typing import Any

import pandas as pd

from optimiser.monitoring.account import Account
from optimiser.views.charts import GOOD, GREY, INK
from optimiser.views.drawing import alt
from optimiser.views.shown import svg

GRID = "#e6e6e6"
WIDE, HALF, NARROW = 980, 420, 290
Draw = Callable[[int], alt.LayerChart]


def money_pictures(account: Account) -> tuple[str, ...]:
    """Return realised against promised money since the first change went live, wide and narrow.

    Parameters
    ----------
    account : Account

    Returns
    -------
    tuple of str
        SVG; empty before a second day.
    """
    if account.to_date is None or len(account.by_day) < 2:
        return ()
    days, promised = account.by_day, account.to_date.promised
    frame = pd.DataFrame(
        [
            {"date": d["date"], "which": which, "money": d[f"{which}_total"]}
            for which in ("realised", "promised")
            for d in days
        ]
    )
    end = pd.DataFrame(
        [
            {
                "date": days[-1]["date"],
                "low": promised.low,
                "high": promised.high,
                "which": "promised",
            }
        ]
    )
    return _both(lambda width: _money(frame, end, account.currency, width))


def _money(frame: pd.DataFrame, end: pd.DataFrame, currency: str, width: int) -> alt.LayerChart:
    """Return two lines of money added up, and where the promise's interval ends."""
    x = alt.X(
        "date:T",
        title=None,
        scale=alt.Scale(type="utc"),
        axis=alt.Axis(format="%-d %b", tickCount=max(2, width // 110), grid=False),
    )
    which = ("realised", "promised")
    line = (
        alt.Chart(frame)
        .mark_line(strokeWidth=2.2)
        .encode(
            x=x,
            y=alt.Y("money:Q", title=f"{currency}, added up"),
            color=alt.Color(
                "which:N",
                title=None,
                scale=alt.Scale(domain=which, range=(GOOD, GREY)),
                legend=alt.Legend(orient="top", symbolType="stroke"),
            ),
            strokeDash=alt.StrokeDash(
                "which:N", scale=alt.Scale(domain=which, range=([1, 0], [5, 4])), legend=None
            ),
        )
    )
    rule = (
        alt.Chart(end)
        .mark_rule(color=GREY, strokeWidth=1.5)
        .encode(x=x, y=alt.Y("low:Q"), y2="high:Q")
    )
    return alt.LayerChart(layer=[line, rule]).properties(width=width, height=200)


def week_pictures(account: Account) -> tuple[str, ...]:
    """Return false calls per million by week, wide and narrow; empty with fewer than two weeks."""
    if len(account.by_week) < 2:
        return ()
    frame = pd.DataFrame(account.by_week)
    return _both(lambda width: _weeks(frame, width), wide=HALF)


def _weeks(frame: pd.DataFrame, width: int) -> alt.LayerChart:
    x = alt.X(
        "week:O",
        title="week of",
        axis=alt.Axis(labelAngle=0, labelOverlap=True, labelExpr="slice(datum.label, 5)"),
    )
    y = alt.Y(
        "false_calls_per_million:Q",
        title="false calls per million items",
        # Wide enough for six digits in whatever font the page has.
        axis=alt.Axis(minExtent=58),
    )
    line = alt.Chart(frame).mark_line(color=GOOD, strokeWidth=1.5).encode(x=x, y=y)
    marks = alt.Chart(frame).mark_point(color=GOOD, filled=True, size=42).encode(x=x, y=y)
    return alt.LayerChart(layer=[line, marks]).properties(width=width, height=150)


def saving_pictures(account: Account) -> tuple[str, ...]:
    """Return promised savings with their intervals, wide and narrow; empty without any."""
    rows = [
        {"family": f["family"], **f["saving"]}
        for f in account.families
        if f["saving"] and f["saving"]["low"] is not None and f["saving"]["high"] is not None
    ]
    if not rows:
        return ()
    frame = pd.DataFrame(rows)
    return _both(lambda width: _savings(frame, account.currency, width))


def _savings(frame: pd.DataFrame, currency: str, width: int) -> alt.LayerChart:
    y = alt.Y("family:N", sort=frame["family"].tolist(), title=None)
    axis = alt.Axis(tickCount=max(3, width // 110), labelFlush=False)
    x = alt.X("low:Q", title=f"saving a month, {currency}", axis=axis)
    rules = alt.Chart(frame).mark_rule(color=INK, strokeWidth=1.2).encode(y=y, x=x, x2="high:Q")
    marks = alt.Chart(frame).mark_point(color=GOOD, filled=True, size=60, opacity=1)
    layers = [rules, marks.encode(y=y, x="value:Q")]
    return alt.LayerChart(layer=layers).properties(width=width - 90, height=alt.Step(19))


def _both(draw: Draw, *, wide: int = WIDE) -> tuple[str, ...]:
    """Return a drawing twice: for a desk, and for a phone."""
    return tuple(svg(_themed(draw(width))) for width in (wide, NARROW))


def _themed(chart: alt.LayerChart) -> alt.LayerChart:
    """Return a drawing on no ground of its own, in the colours that the page exchanges."""
    axis: dict[str, Any] = {
        "titleFontWeight": "normal",
        "gridColor": GRID,
        "labelColor": INK,
        "titleColor": INK,
        "domainColor": GREY,
        "tickColor": GREY,
        "labelFontSize": 11,
        "titleFontSize": 11,
    }
    drawn: alt.LayerChart = (
        chart.properties(background="transparent")
        .configure_axis(**axis)
        .configure_legend(labelColor=INK, labelFontSize=12)
        .configure_view(stroke=None)
    )
    return drawn
