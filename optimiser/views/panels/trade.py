"""The trade of one family: a clickable front, and the same points as a list for the keyboard."""

import math
from collections.abc import Callable
from typing import Any

import altair as alt
import ipywidgets as widgets

from optimiser.decision.choice import Choice, Consequences, Point
from optimiser.views import trade_charts as charts
from optimiser.views.panels.parts import live_chart

HAND = "by hand"


class Trade(widgets.HBox):
    """The front as a drawing and as a list, both bound to one choice.

    Parameters
    ----------
    on_pick : callable
        Told the name of the point that a person picks.
    """

    children: tuple[widgets.Widget, ...]

    def __init__(self, on_pick: Callable[[str], None]) -> None:
        self._on_pick = on_pick
        self._drawn: alt.JupyterChart | None = None
        self._names: tuple[str, ...] = ()
        self._quiet = False
        self.listed = widgets.Select(
            description="Point", rows=14, layout=widgets.Layout(width="330px", height="300px")
        )
        self.listed.add_class("opt-points")
        self.listed.observe(self._listed, "value")
        super().__init__(layout=widgets.Layout(flex_flow="row wrap", grid_gap="14px"))
        self.add_class("opt-trade")

    def show(self, choice: Choice) -> None:
        """Show a choice's front; the drawing is kept where only prices moved."""
        names = (
            choice.family,
            *(p.name for p in choice.points),
            *(str(p.row) for p in choice.points),
        )
        money = choice.problem.false_call_cost
        if not choice.points:
            self._drawn, self._names = None, ()
            self.children = ()
            return
        if names != self._names or self._drawn is None:
            chart = charts.trade_chart(
                charts.trade_frame(choice), currency=choice.currency, money=money
            )
            self._drawn = live_chart(chart, height=340)
            self._drawn.selections.observe(self._clicked, charts.PICK)
            self._names = names
            self.children = (self._drawn, self.listed)
        most = max(p.review_per_month for p in choice.points)
        recommended = choice.recommended
        self._set(
            {
                charts.MONEY: money,
                charts.TOP: max(most * 1.08, 1e-6),
                charts.BEST: recommended.name if recommended else "",
            }
        )
        self._quiet = True
        try:
            self.listed.options = [
                *((_words(p), p.name) for p in choice.points),
                ("set by hand", HAND),
            ]
        finally:
            self._quiet = False

    def mark(self, choice: Choice, point: Point | None, done: Consequences) -> None:
        """Mark the chosen point, or where a hand-made setting lies."""
        if self._drawn is None:
            return
        self._set(
            {
                charts.CHOSEN: point.name if point else "",
                charts.HAND_X: done.expected_escapes * choice.monthly,
                charts.HAND_Y: done.review_per_month,
                charts.HAND_ON: 0.0 if point else 1.0,
            }
        )
        self._quiet = True
        try:
            self.listed.value = point.name if point else HAND
        finally:
            self._quiet = False

    def _set(self, values: dict[str, Any]) -> None:
        assert self._drawn is not None
        with self._drawn.hold_sync():
            for name, value in values.items():
                setattr(self._drawn.params, name, value)

    def _clicked(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        picked = change["new"].value
        if picked:
            self._on_pick(str(picked[0]["name"]))

    def _listed(self, change: Any) -> None:  # noqa: ANN401
        if not self._quiet and change["new"] not in (None, HAND):
            self._on_pick(str(change["new"]))


def _words(point: Point) -> str:
    """Return a point as a line of the list."""
    best = " · recommended" if point.recommended else ""
    escapes = f"{point.escapes_per_month:.1f}" if math.isfinite(point.escapes_per_month) else "?"
    return f"{point.name} · {point.false_calls:,} false calls · {escapes} escapes a month{best}"
