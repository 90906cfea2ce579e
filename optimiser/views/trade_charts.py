"""The two live drawings of a decision: the trade, and how the measurements are spread.

What moves with a click, a price or a slider is bound to named parameters, so that it moves
without the drawing being made again.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from optimiser.history.distribution import Window
from optimiser.proposal.choice import Choice
from optimiser.tally.grid import GridLimit
from optimiser.views.charts import DEFECT, GOOD, GREY, INK, theme, themed
from optimiser.views.drawing import Spec, alt, unchecked

PICK, CHOSEN, BEST, MONEY, TOP = "pick", "chosen", "best", "money", "top"
BEST_WORDS = "best_words"
HAND_X, HAND_Y, HAND_ON = "hand_x", "hand_y", "hand_on"
PIN_X, PIN_Y, PIN_ON = "pin_x", "pin_y", "pin_on"
ZOOM = "zoom"
TRADE_WIDTH = 390
WIDTH, HEIGHT = 285, 92
Plain = dict[str, Any]
_NOTHING = alt.InlineData([{}])
# Where a line is put that is not to be seen.
AWAY = 1e30


def trade_frame(choice: Choice) -> pd.DataFrame:
    """Return the front as a table, the exact counted front behind it.

    Parameters
    ----------
    choice : Choice

    Returns
    -------
    DataFrame
        ``name, false_calls, escapes, moved, what``; per month. ``what`` is ``held out`` or
        ``counted``; counted points have no name.
    """
    rows = [
        {
            "name": p.name,
            "false_calls": p.false_calls * choice.monthly,
            "escapes": p.escapes_per_month,
            "moved": p.moved,
            "what": "held out",
        }
        for p in choice.points
    ]
    if choice.found is not None:
        rows += [
            {
                "name": "",
                "false_calls": p.false_calls * choice.monthly,
                "escapes": p.escapes * choice.monthly,
                "moved": 0,
                "what": "counted",
            }
            for p in choice.found.front.points
        ]
    return pd.DataFrame(rows, columns=["name", "false_calls", "escapes", "moved", "what"])


@unchecked()
def trade_chart(
    frame: pd.DataFrame,
    *,
    currency: str,
    values: Mapping[str, float | str],
    width: int = TRADE_WIDTH,
) -> alt.LayerChart:
    """Return the drawing of ``trade_frame``.

    Parameters
    ----------
    frame : DataFrame
    currency : str
    values : mapping of str to float or str
        First values of the parameters.
    width : int
        In pixels, axes left out.

    Returns
    -------
    altair.LayerChart
        Parameters ``chosen`` and ``best`` name points, ``best_words`` says what the latter
        is, ``money`` and ``top`` scale the review cost, ``hand_x``, ``hand_y``, ``hand_on`` place a hand-made setting.
    """
    held = frame[frame["what"] == "held out"]
    widest = float(held["escapes"].max()) * 1.15 if len(held) else 1.0
    params = [alt.param(name=name, value=value) for name, value in values.items()]
    pick = alt.selection_point(
        name=PICK, fields=["name"], on="click", toggle=False, clear=False, empty=False
    )
    x = alt.X(
        "escapes:Q",
        title="expected escapes a month",
        scale=alt.Scale(domain=[0, max(widest, 1e-3)], nice=False),
    )
    y = alt.Y(
        "review:Q",
        title=f"review of false calls, {currency} a month",
        scale=alt.Scale(domainMin=0, domainMax=alt.ExprRef(TOP), nice=False),
    )
    base = alt.Chart(frame).transform_calculate(review=f"datum.false_calls * {MONEY}")
    held_out = base.transform_filter(alt.datum.what == "held out").encode(x=x, y=y)
    counted = (
        base.transform_filter(alt.datum.what == "counted")
        .mark_line(
            interpolate="step-after", color=GREY, strokeWidth=1, strokeDash=[2, 2], clip=True
        )
        .encode(x=x, y=y)
    )
    drawn: alt.LayerChart = _trade_layers(held_out, counted, params, pick).properties(
        width=width, height=230
    )
    return themed(drawn)


def _trade_layers(
    held_out: alt.Chart,
    counted: alt.Chart,
    params: Sequence[alt.Parameter],
    pick: alt.Parameter,
) -> alt.LayerChart:
    """Return the layers: counted front, held-out front, its marks, a hand-made setting."""
    chosen = held_out.transform_filter(f"datum.name === {CHOSEN}").mark_point(
        size=330, color=INK, strokeWidth=1.6, shape="circle", filled=False
    )
    best = held_out.transform_filter(f"datum.name === {BEST}").mark_text(
        text=alt.ExprRef(BEST_WORDS), align="left", dx=13, dy=-9, color=GOOD, fontWeight=600
    )
    points = (
        held_out.transform_filter("datum.name !== 'live'")
        .mark_point(filled=True, color=GOOD, size=95, opacity=1, cursor="pointer")
        .encode(
            description="name:N",
            tooltip=[
                alt.Tooltip("name:N", title="point"),
                alt.Tooltip("review:Q", format=",.0f", title="review a month"),
                alt.Tooltip("escapes:Q", format=".1f", title="expected escapes a month"),
                alt.Tooltip("moved:Q", title="limits moved"),
            ],
        )
        .add_params(pick)
    )
    live = held_out.transform_filter("datum.name === 'live'")
    now = live.mark_point(filled=True, color=DEFECT, size=150, shape="diamond", opacity=1)
    label = live.mark_text(text="live recipe", align="left", dx=12, dy=2, color=DEFECT)
    hand = _placed("cross", HAND_X, HAND_Y, HAND_ON, filled=True)
    pinned = _placed("square", PIN_X, PIN_Y, PIN_ON, filled=False)
    front = (
        held_out.transform_filter("datum.name !== 'live'")
        .mark_line(color=GOOD, strokeWidth=1, opacity=0.55)
        .encode(order="review:Q")
    )
    drawn: alt.LayerChart = alt.LayerChart(
        layer=[counted, front, chosen, points, now, label, best, hand, pinned]
    ).add_params(*params)
    return drawn


def _placed(shape: str, x: str, y: str, on: str, *, filled: bool) -> alt.Chart:
    """Return a mark whose place and presence are parameters."""
    drawn: alt.Chart = (
        alt.Chart(_NOTHING)
        .mark_point(shape=shape, size=190, color=INK, filled=filled, clip=True)
        .encode(
            x=alt.XDatum(alt.expr(x), type="quantitative"),
            y=alt.YDatum(alt.expr(y), type="quantitative"),
            opacity=alt.value(alt.expr(on)),
        )
    )
    return drawn


def pin_param(n: int) -> str:
    """Return the name of the parameter that holds one limit of the pinned setting."""
    return f"pinned_{n}"


def limit_param(n: int) -> str:
    """Return the name of the parameter that holds one limit of the chosen setting."""
    return f"limit_{n}"


def spread_chart(
    frame: pd.DataFrame,
    windows: Sequence[Window],
    limits: Sequence[GridLimit],
    defects: pd.DataFrame,
    bounds: Mapping[tuple[str, str], tuple[float, float]],
    setting: Sequence[int],
    *,
    pinned: Sequence[int] | None = None,
    columns: int = 3,
    width: int = WIDTH,
) -> Spec:
    """Return how some measurements are spread, with the limits now and chosen.

    Parameters
    ----------
    frame : DataFrame
        As ``history.distribution.distributions`` gives it.
    windows : sequence of Window
        The measurements to draw, in this order.
    limits : sequence of m GridLimit
        All limits of the family; parameter ``limit_N`` moves the chosen value of the Nth.
    defects : DataFrame
        The labelled defects; each is a mark.
    bounds : mapping of (measurement, side) to (bound, with guard band)
        Workmanship bounds.
    setting : sequence of m int
        Chosen at first.
    pinned : sequence of m int, optional
        Held beside it at first; parameter ``pinned_N`` moves it.
    columns : int
    width : int
        Of one measurement, in pixels, axes left out.

    Returns
    -------
    Spec
    """
    cells = [
        _spread_cell(
            frame[frame["measurement"] == w.measurement],
            w,
            [(n, x) for n, x in enumerate(limits) if x.measurement == w.measurement],
            defects,
            bounds,
        )
        | {"width": width}
        for w in windows
    ]
    params = [
        alt.param(name=name, value=AWAY if levels is None else place(x, int(levels[n])))
        for n, x in enumerate(limits)
        if x.measurement in {w.measurement for w in windows}
        for name, levels in ((limit_param(n), setting), (pin_param(n), pinned))
    ]
    held: list[Any] = [p.param for p in params]
    return Spec(
        concat=cells,
        columns=columns,
        spacing=14,
        params=held,
        config=theme(),
    )


def place(limit: GridLimit, level: int) -> float:
    """Return where a limit is drawn: far outside where it is off."""
    value = float(limit.values[level])
    return value if math.isfinite(value) else math.copysign(AWAY, value)


def _spread_cell(
    frame: pd.DataFrame,
    window: Window,
    limits: Sequence[tuple[int, GridLimit]],
    defects: pd.DataFrame,
    bounds: Mapping[tuple[str, str], tuple[float, float]],
) -> Plain:
    """Return one measurement: goods as bars, unreviewed as a line, each defect a triangle."""
    unit = limits[0][1].unit
    low, high = _stretch(frame, window, limits)
    scale = {"domain": [low, high], "nice": False}
    counts = frame.assign(middle=(frame["low"] + frame["high"]) / 2)
    title = f"{window.measurement}, {unit}"
    y = _count_axis(int(frame["count"].max()) if len(frame) else 0)
    good = {
        **_rows(counts[counts["known"] == "good"][["low", "high", "count"]]),
        "mark": {"type": "bar", "color": GOOD, "opacity": 0.75, "clip": True},
        "encoding": {
            "x": {**_quantity("low", scale), "bin": "binned", "title": title},
            "x2": {"field": "high"},
            "y": y,
            "tooltip": [_quantity(name) for name in ("low", "high", "count")],
        },
        "params": [
            {
                "name": f"{ZOOM}_{limits[0][0]}",
                "select": {"type": "interval", "encodings": ["x"]},
                "bind": "scales",
            }
        ],
    }
    unreviewed = {
        **_rows(counts[counts["known"] == "unreviewed"][["middle", "count"]]),
        "mark": {
            "type": "line",
            "color": GREY,
            "interpolate": "step",
            "strokeDash": [4, 2],
            "strokeWidth": 1.3,
            "clip": True,
        },
        "encoding": {"x": _quantity("middle", scale), "y": y},
    }
    values = defects[[window.measurement]].dropna().rename(columns={window.measurement: "value"})
    bad = {
        **_rows(values.clip(low, high)),
        "mark": {
            "type": "point",
            "shape": "triangle-up",
            "filled": True,
            "color": DEFECT,
            "size": 42,
            "opacity": 0.8,
        },
        "encoding": {
            "x": _quantity("value", scale),
            "y": {"value": HEIGHT - 2},
            "tooltip": [_quantity("value")],
        },
    }
    layers = [*_bounds(bounds, window, scale), good, unreviewed, bad]
    for n, limit in limits:
        layers.append(_line(place(limit, limit.live), scale, dash=[5, 4], color=GREY, width=1.4))
        layers.append(_moving(pin_param(n), scale, width=1.2, dash=[1, 2]))
        layers.append(_moving(limit_param(n), scale))
    return {"layer": layers, "height": HEIGHT}


def _quantity(field: str, scale: Plain | None = None) -> Plain:
    """Return the encoding of a number."""
    found: Plain = {"field": field, "type": "quantitative"}
    return found if scale is None else {**found, "scale": scale}


def _count_axis(most: int) -> Plain:
    """Return the axis of items: a bar of 21 and one of 22,000 are told apart, and both are seen."""
    top = max(10, most) * 1.5
    return {
        **_quantity("count", {"type": "symlog", "constant": 1, "domain": [0, top], "nice": False}),
        "title": "items (log)",
        "axis": {"values": [0, *(10**n for n in range(8) if 10**n <= top)], "format": ",d"},
    }


def _rows(frame: pd.DataFrame) -> Plain:
    """Return a frame as a drawing's own data."""
    return {"data": {"values": frame.to_dict("records")}}


def _stretch(
    frame: pd.DataFrame, window: Window, limits: Sequence[tuple[int, GridLimit]]
) -> tuple[float, float]:
    """Return the part of a window that holds items or levels."""
    levels = [v for _, x in limits for v in x.values.tolist() if math.isfinite(v)]
    held = frame[frame["count"] > 0]
    low = min([*levels, held["low"].min()], default=window.low)
    high = max([*levels, held["high"].max()], default=window.high)
    return (low, high) if low < high else (window.low, window.high)


def _line(at: float, scale: Plain, *, dash: Sequence[int], color: str, width: float) -> Plain:
    mark = {"type": "rule", "color": color, "strokeDash": list(dash), "strokeWidth": width}
    return {
        "data": {"values": [{"at": at}]},
        "mark": {**mark, "clip": True},
        "encoding": {"x": _quantity("at", scale)},
    }


def _moving(param: str, scale: Plain, *, width: float = 2.0, dash: Sequence[int] = (1, 0)) -> Plain:
    mark = {"type": "rule", "color": INK, "strokeWidth": width, "strokeDash": list(dash)}
    at = {"datum": {"expr": param}, "type": "quantitative", "scale": scale}
    return {"data": {"values": [{}]}, "mark": {**mark, "clip": True}, "encoding": {"x": at}}


def _bounds(
    bounds: Mapping[tuple[str, str], tuple[float, float]], window: Window, scale: Plain
) -> list[Plain]:
    """Return the workmanship bounds of a measurement, each with its guard band shaded."""
    layers: list[Plain] = []
    for (measurement, _), (bound, guarded) in bounds.items():
        if measurement != window.measurement:
            continue
        low, high = sorted((bound, guarded))
        layers.append(
            {
                "data": {"values": [{"low": low, "high": high}]},
                "mark": {"type": "rect", "color": DEFECT, "opacity": 0.16, "clip": True},
                "encoding": {
                    "x": _quantity("low", scale),
                    "x2": {"field": "high"},
                },
            }
        )
        layers.append(_line(bound, scale, dash=[1, 3], color=DEFECT, width=2))
    return layers
