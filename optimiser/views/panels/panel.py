"""What every panel is: its guard on top, its caution below, a line that says what was done."""

import itertools
from collections.abc import Sequence
from functools import cached_property
from html import escape

import ipywidgets as widgets

from optimiser.plant.file import Plant
from optimiser.views.panels.guard import Guard
from optimiser.views.panels.parts import block
from optimiser.views.panels.words import caution, invented


class Panel(widgets.VBox):
    """A panel of some parts, from top to bottom.

    Parameters
    ----------
    parts : sequence of Widget
        ``self.status``, the line of ``say``, wherever among them it belongs.
    plant : Plant
        An invented one is said to be so on top.
    """

    _answers = itertools.count(1)

    def __init__(self, parts: Sequence[widgets.Widget], plant: Plant) -> None:
        self.guard = Guard()
        told = [widgets.HTML(invented(plant.file.plant.name))] if plant.file.plant.invented else []
        super().__init__([self.guard, *told, *parts, widgets.HTML(caution())])
        self.add_class("opt-panel")

    @cached_property
    def status(self) -> widgets.HTML:
        """The line in which the panel says what was done."""
        return block("opt-status")

    def say(self, text: str) -> None:
        """Show words in the panel's line; equal words twice are told apart."""
        self.status.value = (
            f'<div role="status" data-answer="{next(self._answers)}">{escape(text)}</div>'
        )
