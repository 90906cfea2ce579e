"""The filter that holds in every panel of a session: times, shift, places and lots, as one frozen value."""

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from typing import Any

import ipywidgets as widgets
import traitlets

from optimiser.errors import OptimiserError, nearest
from optimiser.history.filters import NAMED, Filter, Named
from optimiser.proposal.session import Session
from optimiser.views.panels import words
from optimiser.views.panels.parts import block

ANY = "(any)"
# More names than these are typed, with what fits offered.
MOST_LISTED = 40
_WIDE = widgets.Layout(width="250px")


class FilterBar(widgets.VBox):
    """Controls of the session's filter, shown when they are asked for; all bars of a session agree.

    Parameters
    ----------
    session : Session
    fields : sequence of str
        What may be named beside times; what else the session's filter names holds elsewhere and not here.

    Attributes
    ----------
    value : Filter
        Observed by whatever shows a part of the history; may be set.
    """

    value = traitlets.Instance(Filter)

    def __init__(self, session: Session, fields: Sequence[Named] = NAMED) -> None:
        self._session, self._quiet, self._fields = session, False, tuple(fields)
        self.toggle = widgets.ToggleButton(
            description="Filter", tooltip="show the filter's controls"
        )
        self.clear = widgets.Button(description="All items", tooltip="take the filter away")
        self._said = block("opt-filtered")
        self._more = widgets.HBox(layout=widgets.Layout(flex_flow="row wrap", display="none"))
        self.named: dict[Named, widgets.Dropdown | widgets.Combobox] = {}
        super().__init__(value=self._own(session.held.value))
        self.children = (widgets.HBox([self.toggle, self.clear, self._said]), self._more)
        self.add_class("opt-filter")
        self.toggle.observe(lambda _: self._open(), "value")
        self.clear.on_click(lambda _: setattr(self, "value", Filter()))
        self.observe(lambda _: self._show(), "value")
        self.observe(lambda _: self.share(), "value")
        self._following = False
        session.held.tell(self._follow)
        self._show()

    def _own(self, wanted: Filter) -> Filter:
        """Return the part of the session's filter that this bar can name."""
        return wanted.but(**{name: None for name in NAMED if name not in self._fields})

    def _follow(self, wanted: Filter) -> None:
        """Take over what another bar of the session holds."""
        self._following = True
        try:
            self.value = self._own(wanted)
        finally:
            self._following = False

    def put(self, wanted: Filter) -> None:
        """Set the value; the session's other bars follow at the next ``share``."""
        self._follow(wanted)

    def share(self) -> None:
        """Let every panel of the session hold this filter."""
        if self._following:
            return
        held = self._session.held
        elsewhere = {n: getattr(held.value, n) for n in NAMED if n not in self._fields}
        held.hold(self.value.but(**elsewhere))

    def _open(self) -> None:
        """Make the controls at first use: their names are asked of the history."""
        if not self._more.children:
            self._make()
        self._more.layout.display = "" if self.toggle.value else "none"

    def _make(self) -> None:
        first, last = self._session.days()
        self.since = widgets.DatePicker(description="From", min=first, max=last, layout=_WIDE)
        self.to = widgets.DatePicker(description="To, with", min=first, max=last, layout=_WIDE)
        self.hours = tuple(
            widgets.BoundedIntText(description=d, min=0, max=24, value=0, layout=_WIDE)
            for d in ("Hour from", "to, UTC")
        )
        for control in self.hours:
            control.tooltip = "a shift in UTC, 22 to 6 past midnight; equal ends are the whole day"
        self.named = {name: self._named(name) for name in self._fields}
        controls = (self.since, self.to, *self.hours, *self.named.values())
        for control in controls:
            control.observe(self._changed, "value")
        self._more.children = controls
        self._show()

    def _named(self, name: Named) -> "widgets.Dropdown | widgets.Combobox":
        names = self._session.names(name)
        if len(names) <= MOST_LISTED:
            return widgets.Dropdown(
                description=name.capitalize(), options=[ANY, *names], value=ANY, layout=_WIDE
            )
        return widgets.Combobox(
            description=name.capitalize(),
            options=names,
            placeholder=ANY,
            continuous_update=False,
            layout=_WIDE,
        )

    def _changed(self, _change: Any) -> None:  # noqa: ANN401 - a traitlets change
        if self._quiet:
            return
        try:
            self.value = self._read()
        except OptimiserError as error:
            self._said.value = f"<strong>{words.escaped(error)}; nothing was changed</strong>"

    def _read(self) -> Filter:
        """Return the filter that the controls show.

        Raises
        ------
        OptimiserError
            If they show none that can be.
        """
        asked: dict[str, Any] = {name: self._name(name) for name in self._fields}
        first, stop = (h.value for h in self.hours)
        until = self.to.value + timedelta(days=1) if self.to.value else None
        return Filter(
            since=datetime.combine(self.since.value, time()) if self.since.value else None,
            until=datetime.combine(until, time()) if until else None,
            hours=None if first == stop else (first, stop),
            **asked,
        )

    def _name(self, name: Named) -> str | None:
        value = str(self.named[name].value).strip()
        if value in ("", ANY):
            return None
        known = self._session.names(name)
        plain = value.rpartition("/")[2] if name == "designator" else value
        if plain not in known and value not in known:
            msg = f"no {name} {value!r}; {nearest(plain, known)}"
            raise OptimiserError(msg)
        return value

    def _show(self) -> None:
        """Put the controls to the value, and say in words what it lets through."""
        self._said.value = words.filtered(self.value)
        self.clear.disabled = not self.value
        if not self._more.children:
            return
        self._quiet = True
        try:
            of = self.value
            self.since.value = of.since.date() if of.since else None
            self.to.value = (of.until - timedelta(microseconds=1)).date() if of.until else None
            for control, hour in zip(self.hours, of.hours or (0, 0), strict=True):
                control.value = hour
            for name, control in self.named.items():
                self._put(control, getattr(of, name))
        finally:
            self._quiet = False

    def _put(self, control: "widgets.Dropdown | widgets.Combobox", value: str | None) -> None:
        if not isinstance(control, widgets.Dropdown):
            control.value = value or ""
            return
        wanted = value or ANY
        if wanted not in control.options:
            # A designator on one product stands in no list of designators.
            control.options = [*control.options, wanted]
        control.value = wanted
