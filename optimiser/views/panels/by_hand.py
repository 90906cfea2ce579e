"""Every limit of a family with a control in its own step, between its rails."""

from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets
import numpy as np
from numpy.typing import NDArray

from optimiser.proposal.choice import Choice
from optimiser.tally.grid import GridLimit
from optimiser.views.panels import words
from optimiser.views.panels.parts import swap

MOST_STOPS = 400
_SLIDER = widgets.Layout(width="170px", flex="0 0 auto")
_NOTE = widgets.Layout(flex="1 1 60px", min_width="60px")


class ByHand(widgets.VBox):
    """Sliders from tight (left) to loose (right); what a rail stops cannot be reached.

    Parameters
    ----------
    on_move : callable
        Told the setting, shape (m,), whenever a person moves a limit.
    """

    def __init__(self, on_move: Callable[[NDArray[np.int64]], object]) -> None:
        self._on_move = on_move
        self._quiet = False
        self._limits: tuple[GridLimit, ...] = ()
        self.controls: list[widgets.SelectionSlider | widgets.BoundedFloatText] = []
        self.numbers: list[widgets.Text] = []
        self._notes: list[widgets.HTML] = []
        self._shown: list[str] = []
        super().__init__()
        self.add_class("opt-by-hand")

    def load(self, choice: Choice) -> None:
        """Make a row per limit of a family."""
        self._limits = choice.tally.grid.limits
        self.controls = [self._control(n, limit) for n, limit in enumerate(self._limits)]
        self.numbers = [self._number(n, limit) for n, limit in enumerate(self._limits)]
        self._notes = [widgets.HTML(layout=_NOTE) for _ in self._limits]
        self._shown = [""] * len(self._limits)
        rows = [
            widgets.HBox(
                [_label(limit), control, number, note],
                layout=widgets.Layout(align_items="center"),
            ).add_class("opt-row")
            for limit, control, number, note in zip(
                self._limits, self.controls, self.numbers, self._notes, strict=True
            )
        ]
        inner = widgets.VBox(rows, layout=widgets.Layout(max_height="380px", flex="0 0 auto"))
        inner.add_class("opt-scroll")
        swap(self, [inner])

    def set(
        self, setting: NDArray[np.int64], best: NDArray[np.int64] | None, *, best_words: str
    ) -> None:
        """Put the controls to a setting without telling anybody.

        Parameters
        ----------
        setting : ndarray of int, shape (m,)
        best : ndarray of int, shape (m,), or None
            The best that was found, said beside each control as ``best_words``.
        best_words : str
        """
        self._quiet = True
        try:
            for n, (control, level) in enumerate(zip(self.controls, setting, strict=True)):
                wanted = (
                    int(level)
                    if isinstance(control, widgets.SelectionSlider)
                    else float(self._limits[n].values[level])
                )
                if control.value != wanted:
                    control.value = wanted
                self.numbers[n].value = words.value(float(self._limits[n].values[level]))
                note = _note(
                    self._limits[n],
                    int(level),
                    None if best is None else int(best[n]),
                    best_words,
                )
                if note != self._shown[n]:
                    self._shown[n] = self._notes[n].value = note
        finally:
            self._quiet = False

    def setting(self) -> NDArray[np.int64]:
        """Return the setting that the controls show, shape (m,)."""
        return np.array(
            [
                control.value
                if isinstance(control, widgets.SelectionSlider)
                else nearest_level(limit, control.value)
                for control, limit in zip(self.controls, self._limits, strict=True)
            ],
            dtype=np.int64,
        )

    def _control(
        self, n: int, limit: GridLimit
    ) -> "widgets.SelectionSlider | widgets.BoundedFloatText":
        """Return a slider over the levels, or a number where there are too many of them."""
        finite = limit.values[np.isfinite(limit.values)]
        if len(limit.values) <= MOST_STOPS or not len(finite):
            control = widgets.SelectionSlider(
                options=[(words.value(float(v)), k) for k, v in enumerate(limit.values)],
                value=limit.live,
                continuous_update=True,
                readout=False,
                layout=_SLIDER,
            )
        else:
            control = widgets.BoundedFloatText(
                value=float(limit.values[limit.live]),
                min=float(finite.min()),
                max=float(finite.max()),
                step=float(np.median(np.diff(np.sort(finite)))),
                layout=_SLIDER,
            )
        control.description_allow_html = False
        control.tooltip = f"{limit.measurement} {limit.side}: {words.stops(limit)}"
        control.add_class(f"opt-limit-{n}")
        control.observe(self._moved, "value")
        return control

    def _number(self, n: int, limit: GridLimit) -> widgets.Text:
        """Return a field for the number itself; what is no level goes to the nearest."""
        field = widgets.Text(
            value=words.value(float(limit.values[limit.live])),
            continuous_update=False,
            layout=widgets.Layout(width="78px", flex="0 0 auto"),
        )
        field.tooltip = "a number, or off; the nearest level is taken"
        field.add_class(f"opt-number-{n}")
        field.observe(lambda change: self._typed(n, str(change["new"])), "value")
        return field

    def _typed(self, n: int, text: str) -> None:
        if self._quiet:
            return
        level = level_of(self._limits[n], text)
        setting = self.setting()
        if level is not None:
            setting[n] = level
        # Told also where nothing moves, so that the field shows a level again.
        self._on_move(setting)

    def _moved(self, _change: Any) -> None:  # noqa: ANN401 - a traitlets change
        if not self._quiet:
            self._on_move(self.setting())


def nearest_level(limit: GridLimit, value: float) -> int:
    """Return the level whose value is nearest to a number, on equal distance the tighter."""
    return int(np.argmin(np.abs(np.where(np.isfinite(limit.values), limit.values, np.inf) - value)))


def level_of(limit: GridLimit, text: str) -> int | None:
    """Return the level that a person typed, the nearest one; None for what is no number.

    Parameters
    ----------
    limit : GridLimit
    text : str
        A number with a point or a comma, or ``off`` where the limit may be off.
    """
    if text.strip().casefold() == "off":
        off = np.flatnonzero(~np.isfinite(limit.values))
        return int(off[0]) if len(off) else None
    try:
        return nearest_level(limit, float(text.strip().replace(",", ".")))
    except ValueError:
        return None


def _label(limit: GridLimit) -> widgets.HTML:
    text = f"<b>{escape(limit.measurement)}</b> {limit.side}, {escape(limit.unit)}"
    label = widgets.HTML(text, layout=widgets.Layout(width="150px", flex="0 0 auto"))
    return label.add_class("opt-name")


def _note(limit: GridLimit, level: int, best: int | None, best_words: str) -> str:
    """Return where the limit is now, the best that was found, and the rail it touches."""
    now = f"now {words.value(float(limit.values[limit.live]))}"
    found = (
        "" if best is None else f", {escape(best_words)} {words.value(float(limit.values[best]))}"
    )
    stop = limit.touched(level)
    rail = f" · <strong>stopped:</strong> {escape(stop.reason)}" if stop else ""
    return f"<span class='soft' title='{escape(words.stops(limit))}'>{now}{found}{rail}</span>"
