"""What every panel is: its guard on top, its caution below, a line that says what was done."""

import itertools
import weakref
from collections.abc import Iterator, Sequence
from functools import cached_property
from html import escape
from typing import Any, Protocol, runtime_checkable

import ipywidgets as widgets
from IPython.core.getipython import get_ipython

from optimiser.history.filters import Filter
from optimiser.proposal.session import Session
from optimiser.views.panels.guard import Guard
from optimiser.views.panels.parts import block, safely
from optimiser.views.panels.words import REPLACED, caution, held, invented


@runtime_checkable
class Fits(Protocol):
    """A part of a panel that is drawn otherwise on a phone."""

    def fit(self, *, narrow: bool) -> None:
        """Draw for a phone, or for a desk again."""


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
        _let_go_of_earlier(self, session)
        self.guard.observe(safely(self._fitted, self, "Cannot draw it"), "narrow")
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

    def _fitted(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        for part in [x for x in _tree(self) if isinstance(x, Fits)]:
            part.fit(narrow=change["new"])

    def say(self, text: str) -> None:
        """Show words in the panel's line; equal words twice are told apart."""
        self.status.value = (
            f'<div role="status" data-answer="{next(self._answers)}">{escape(text)}</div>'
        )

    def let_go(self, session: Session) -> None:
        """Follow the session's filter no more: the cell has made another panel in place of this one."""
        session.held.forget(list(_tree(self)))
        self._holds.value = REPLACED


def _let_go_of_earlier(panel: Panel, session: Session) -> None:
    """Let go of panels of the same kind that an earlier run of the same cell made."""
    place = _cell()
    if place is None:
        return
    cell, run = place
    kind = (type(panel).__name__, cell)
    before = session.places.get(kind, [])
    for earlier, made in before:
        old = made()
        if earlier != run and old is not None:
            old.let_go(session)
    same = [(earlier, made) for earlier, made in before if earlier == run]
    session.places[kind] = [*same, (run, weakref.ref(panel))]


def _cell() -> tuple[str, str] | None:
    """Return which cell runs and which run of it this is; None where nobody says."""
    parent: dict[str, dict[str, str]] = getattr(get_ipython(), "get_parent", dict)()
    cell = parent.get("metadata", {}).get("cellId")
    run = parent.get("header", {}).get("msg_id")
    return None if cell is None or run is None else (str(cell), str(run))


def _tree(widget: widgets.Widget) -> Iterator[widgets.Widget]:
    """Yield a widget and all that it holds."""
    yield widget
    for child in getattr(widget, "children", ()):
        yield from _tree(child)
