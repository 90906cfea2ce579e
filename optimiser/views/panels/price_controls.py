"""Prices as controls, so that one can ask what if a review or an escape cost something else."""

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from optimiser.defaults import SCENARIOS
from optimiser.proposal.choice import Choice
from optimiser.proposal.prices import Prices, prices_of
from optimiser.views.panels.parts import swap

_WORDS = {
    "constant": "as the plant file says, whatever the call load",
    "expert": "experts, more misses the rarer a true call (Evans 2013)",
    "laboratory": "laboratory searchers, likewise (Wolfe 2005)",
}
_WIDE = widgets.Layout(width="330px")
_STYLE = {"description_width": "220px"}


class PriceControls(widgets.VBox):
    """Review rate, review time, price of an escape by defect type, reviewers.

    Parameters
    ----------
    on_change : callable
        Told the prices whenever a person changes one; None for the plant file's.
    """

    def __init__(self, on_change: Callable[[Prices | None], None]) -> None:
        self._on_change = on_change
        self._quiet = False
        self._types: dict[str, widgets.BoundedFloatText] = {}
        self._kept: dict[str, float] = {}
        self.seconds = _number("seconds per call", 0.1, 3600.0, 1.0)
        self.rate = _number("review, per hour", 0.0, 1e6, 1.0)
        self.default = _number("an escape, else", 0.0, 1e9, 5.0)
        self.reviewers = widgets.Dropdown(
            description="reviewers pass",
            options=[(_WORDS[name], name) for name in SCENARIOS],
            style=_STYLE,
            layout=widgets.Layout(width="600px"),
        )
        self.reset = widgets.Button(description="Plant's own prices", layout=_WIDE)
        for control in (self.seconds, self.rate, self.default, self.reviewers):
            control.observe(self._changed, "value")
        self.reset.on_click(lambda _: self._on_change(None))
        super().__init__()
        self.add_class("opt-prices")

    def load(self, choice: Choice) -> None:
        """Show the plant's prices, and one control per defect type of the family."""
        found = choice.tally.defects.frame["defect"].dropna().unique().tolist()
        self._types = {
            str(name): _number(f"an escape: {str(name).replace('_', ' ')}", 0.0, 1e9, 5.0)
            for name in sorted(found)
        }
        for control in self._types.values():
            control.observe(self._changed, "value")
        currency = choice.currency
        self.rate.description = f"review, {currency} per hour"
        first = widgets.HBox([self.seconds, self.rate], layout=widgets.Layout(flex_flow="row wrap"))
        rest = widgets.HBox(
            [*self._types.values(), self.default], layout=widgets.Layout(flex_flow="row wrap")
        )
        swap(self, [first, rest, widgets.HBox([self.reviewers, self.reset])])
        self.set(choice, prices_of(choice.case.plant))

    def set(self, choice: Choice, prices: Prices) -> None:
        """Put the controls to some prices without telling anybody."""
        self._quiet = True
        try:
            self._kept = dict(prices.by_defect)
            self.seconds.value = prices.seconds_per_call
            self.rate.value = prices.cost_per_hour
            self.default.value = prices.escape_default
            self.reviewers.value = prices.reviewers
            for name, control in self._types.items():
                control.value = prices.by_defect.get(name, prices.escape_default)
                control.tooltip = f"{choice.currency} per escape, before where it is found"
        finally:
            self._quiet = False

    def prices(self) -> Prices:
        """Return the prices that the controls show."""
        by_type = {name: control.value for name, control in self._types.items()}
        return Prices(
            seconds_per_call=self.seconds.value,
            cost_per_hour=self.rate.value,
            escape_default=self.default.value,
            by_defect=self._kept | by_type,
            reviewers=self.reviewers.value,
        )

    def _changed(self, _change: Any) -> None:  # noqa: ANN401 - a traitlets change
        if not self._quiet:
            self._on_change(self.prices())


def _number(words: str, low: float, high: float, step: float) -> widgets.BoundedFloatText:
    return widgets.BoundedFloatText(
        description=words, min=low, max=high, step=step, value=low, style=_STYLE, layout=_WIDE
    )
