"""The trade of one family: a clickable front, and the same points as a list for the keyboard."""

import math
from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from optimiser.proposal.choice import Choice, Consequences, Point
from optimiser.views import trade_charts as charts
from optimiser.views.charts import NARROW
from optimiser.views.panels.live import LiveChart, live_chart
from optimiser.views.panels.parts import swap

HAND = "by hand"


class Trade(widgets.VBox):
    """The front as a drawing and as a list, both bound to one choice.

    Parameters
    ----------
    on_pick : callable
        Told the name of the point that a person picks.
    """

    children: tuple[widgets.Widget, ...]

    def __init__(self, on_pick: Callable[[str], None]) -> None:
        self._on_pick = on_pick
        self._drawn: LiveChart | None = None
        self._names: tuple[str, ...] = ()
        self._quiet, self._width = False, charts.TRADE_WIDTH
        self._last: tuple[Choice, Point | None, Consequences, Consequences | None] | None = None
        self.listed = widgets.Select(
            description="Point", rows=5, layout=widgets.Layout(width="480px", height="96px")
        )
        self.listed.add_class("opt-points")
        self.listed.observe(self._listed, "value")
        super().__init__()
        self.add_class("opt-trade")

    def show(
        self,
        choice: Choice,
        point: Point | None,
        done: Consequences,
        pinned: Consequences | None = None,
    ) -> None:
        """Show a choice's front and mark the chosen point, or where a hand-made setting lies.

        The drawing is made anew only where the points are others; else its marks move.
        """
        if not choice.points:
            self._drawn, self._names = None, ()
            swap(self, [], keep=[self.listed])
            return
        self._last = (choice, point, done, pinned)
        names = (choice.family, str(self._width), *(f"{p.name} {p.row}" for p in choice.points))
        values = _values(choice, point, done, pinned)
        if names != self._names or self._drawn is None:
            self._names = names
            # Values set before a drawing is on the screen would be lost, so it starts with them.
            self._drawn = live_chart(
                charts.trade_chart(
                    charts.trade_frame(choice),
                    currency=choice.currency,
                    values=values,
                    width=self._width,
                ),
                height=270,
            )
            self._drawn.selections.observe(self._clicked, charts.PICK)
            swap(self, [self._drawn, self.listed])
        else:
            with self._drawn.hold_sync():
                for name, value in values.items():
                    setattr(self._drawn.params, name, value)
        self._quiet = True
        try:
            lines = [*((_words(choice, p), p.name) for p in choice.points), ("set by hand", HAND)]
            if tuple(lines) != self.listed.options:
                self.listed.options = lines
            self.listed.value = point.name if point else HAND
        finally:
            self._quiet = False

    def fit(self, *, narrow: bool) -> None:
        """Draw for a phone, or for a desk again."""
        self._width = NARROW if narrow else charts.TRADE_WIDTH
        if self._last is not None:
            self.show(*self._last)

    def _clicked(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        picked = change["new"].value
        if picked:
            self._on_pick(str(picked[0]["name"]))

    def _listed(self, change: Any) -> None:  # noqa: ANN401
        if not self._quiet and change["new"] not in (None, HAND):
            self._on_pick(str(change["new"]))


def _words(choice: Choice, point: Point) -> str:
    """Return a point as a line of the list."""
    best = f" · {choice.best_words}" if point.recommended else ""
    escapes = f"{point.escapes_per_month:.1f}" if math.isfinite(point.escapes_per_month) else "?"
    calls = point.false_calls * choice.monthly
    return f"{point.name} · {calls:,.0f} false calls, {escapes} escapes a month{best}"


def _values(
    choice: Choice, point: Point | None, done: Consequences, pinned: Consequences | None
) -> dict[str, float | str]:
    """Return the values of the drawing's parameters."""
    most = max(p.review_per_month for p in choice.points)
    return {
        charts.MONEY: choice.problem.false_call_cost,
        charts.TOP: max(most * 1.08, 1e-6),
        charts.BEST: choice.recommended.name if choice.recommended else "",
        charts.BEST_WORDS: choice.best_words,
        charts.CHOSEN: point.name if point else "",
        charts.HAND_X: done.expected_escapes * choice.monthly,
        charts.HAND_Y: done.review_per_month,
        charts.HAND_ON: 0.0 if point else 1.0,
        charts.PIN_X: 0.0 if pinned is None else pinned.expected_escapes * choice.monthly,
        charts.PIN_Y: 0.0 if pinned is None else pinned.review_per_month,
        charts.PIN_ON: 0.0 if pinned is None else 1.0,
    }
