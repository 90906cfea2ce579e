"""What every panel is: its guard on top, its caution below, a line that says what was done."""

import itertools
from collections.abc import Sequence
from functools import cached_property
from html import escape

import ipywidgets as widgets

from optimiser.history.filters import Filter
from optimiser.proposal.session import Session
from optimiser.views.panels.guard import Guard
from optimiser.views.panels.parts import block
from optimiser.views.panels.words import caution, held, invented


class Panel(widgets.VBox):
    """A panel of some parts, from top to bottom.

    Parameters
    ----------
    parts : sequence of Widget
        ``self.status``, the line of ``say``, wherever among them it belongs.
    session : Session
        An invented plant is said to be so on top, and so is the filter that holds.
    filtered : str
        What of the panel is of the filtered items alone; blank where nothing is.
    """

    _answers = itertools.count(1)

    def __init__(
        self, parts: Sequence[widgets.Widget], session: Session, *, filtered: str = ""
    ) -> None:
        self.guard = Guard()
        file = session.plant.file.plant
        told = [widgets.HTML(invented(file.name))] if file.invented else []
        self._filtered_words, self._holds = filtered, block("opt-holds")
        super().__init__([self.guard, *told, self._holds, *parts, widgets.HTML(caution())])
        session.held.tell(self._say_held)
        self._say_held(session.held.value)
        self.add_class("opt-panel")

    @cached_property
    def status(self) -> widgets.HTML:
        """The line in which the panel says what was done."""
        return block("opt-status")

    def _say_held(self, wanted: Filter) -> None:
        """Say on top which filter holds, and of what."""
        self._holds.value = held(wanted, self._filtered_words)

    def say(self, text: str) -> None:
        """Show words in the panel's line; equal words twice are told apart."""
        self.status.value = (
            f'<div role="status" data-answer="{next(self._answers)}">{escape(text)}</div>'
        )
