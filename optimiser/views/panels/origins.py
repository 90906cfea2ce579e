"""Where the false calls come from: from a bar to the items that made it, under any filter."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import ipywidgets as widgets
import pandas as pd

from optimiser.history.calls import WAYS, By, Outside, Period
from optimiser.history.filters import Filter
from optimiser.proposal.session import Session
from optimiser.views.charts import DAYS, NARROW, PICK, WIDTH, pareto_chart, trend_chart
from optimiser.views.panels import words
from optimiser.views.panels.filter_bar import FilterBar
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.item_view import ItemView
from optimiser.views.panels.live import LiveChart, live_chart
from optimiser.views.panels.parts import Speaks, block, safely

_MEANS: dict[By, str] = {
    "family": "family",
    "limit": "limit (an item outside several counts for each)",
    "designator": "product and designator",
    "part": "part",
    "product": "product",
    "line": "line",
    "station": "station",
    "lot": "lot",
    "hour": "hour of the day, UTC",
}
# What one looks at next: a family's limits, a limit's designators, and then the items.
_NEXT: dict[By, By] = {"family": "limit", "limit": "designator"}
_ROW = widgets.Layout(flex_flow="row wrap", grid_gap="24px")


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What is looked at: which items, outside which limit if any, by what they are told apart."""

    wanted: Filter
    outside: Outside | None
    by: By


class Origins(widgets.VBox):
    """False calls by whatever tells items apart, over time, and one by one.

    A click on a family shows its limits, on a limit its designators, on a designator its items.

    Parameters
    ----------
    session : Session
    panel : Speaks
        Says what goes wrong.
    on_family : callable
        Told the family of the filter, None without one.
    """

    def __init__(
        self, session: Session, panel: Speaks, on_family: Callable[[str | None], object]
    ) -> None:
        self._session, self._panel, self._on_family = session, panel, on_family
        self._lock = threading.RLock()
        # A history of called items alone has no denominators.
        self._rates = not session.plant.file.plant.only_called
        self._frame = pd.DataFrame()
        self._outside: Outside | None = None
        self._past: list[Look] = []
        self._pinned: Look | None = None
        self._shown: Look | None = None
        self._quiet, self._width = False, WIDTH
        self._bars: LiveChart | None = None
        self._line: LiveChart | None = None
        self.filters = FilterBar(session)
        self.by = widgets.Dropdown(
            description="By",
            options=[(_MEANS[w], w) for w in WAYS],
            layout=widgets.Layout(width="380px"),
        )
        self.period = widgets.Dropdown(
            description="Over time by",
            options=["day", "week"],
            style={"description_width": "100px"},
            layout=widgets.Layout(width="200px"),
        )
        self.into = widgets.Dropdown(
            description="Look into",
            layout=widgets.Layout(width="380px"),
            tooltip="as a click on a bar",
        )
        self.back = widgets.Button(description="Back", tooltip="to what was shown before")
        self.pin = widgets.Button(
            description="Pin to compare", tooltip="hold what is shown beside what comes next"
        )
        self._told, self._totals = block("opt-trail"), block("opt-totals")
        self._drawing, self._trend = widgets.VBox(), widgets.VBox()
        self.table = Grid(
            "false_calls",
            safely(self.look_into, panel, "Cannot look into it"),
            first=("name", "false_calls", "per_million"),
        )
        self.items = ItemView(session, panel, "called_items")
        self._wire()
        super().__init__(
            [
                self.filters,
                self._told,
                self._totals,
                widgets.HBox(
                    [self.by, self.into, self.period, self.back, self.pin],
                    layout=widgets.Layout(flex_flow="row wrap"),
                ),
                widgets.HBox([self._drawing, self._trend], layout=_ROW),
                self.table,
                self.items,
            ]
        )
        self.add_class("opt-origins")
        self._told.value = "<p class='soft'>Counting where the false calls come from …</p>"

    def _wire(self) -> None:
        """Let the controls do what they say."""

        def heard(act: Callable[[Any], object]) -> Callable[[Any], object]:
            def unless_quiet(change: Any) -> None:  # noqa: ANN401 - a traitlets change
                if not self._quiet:
                    act(change["new"])

            return safely(unless_quiet, self._panel, "Cannot count it")

        self.filters.observe(heard(lambda new: self.show(self._look(wanted=new))), "value")
        self.by.observe(heard(lambda new: self.show(self._look(by=new))), "value")
        self.into.observe(heard(self._listed), "value")
        self.period.observe(heard(lambda _: self._draw_trend(self._look())), "value")
        self.back.on_click(lambda _: self.go_back())
        self.pin.on_click(lambda _: self.pin_it())

    def _look(self, **parts: Any) -> Look:  # noqa: ANN401 - fields of Look
        now = {"wanted": self.filters.value, "outside": self._outside, "by": self.by.value}
        return Look(**(now | parts))

    def show_by(self, by: By) -> pd.DataFrame:
        """Show the false calls by one way of looking at them.

        Parameters
        ----------
        by : str
            One of ``history.calls.WAYS``.

        Returns
        -------
        DataFrame
            What is drawn.
        """
        return self.show(self._look(by=by))

    def fit(self, *, narrow: bool) -> None:
        """Draw for a phone, or for a desk again."""
        with self._lock:
            self._width = NARROW if narrow else WIDTH
            if self._shown is not None:
                self._draw(self._shown)
                self._draw_trend(self._shown)

    def show_first(self) -> None:
        """Show the false calls by family, unless somebody was faster and looked elsewhere."""
        with self._lock:
            if self._shown is None:
                self.show_by("family")

    def show(self, look: Look, *, remember: bool = True) -> pd.DataFrame:
        """Show one look at the history.

        Parameters
        ----------
        look : Look
        remember : bool
            Whether ``go_back`` comes back to what is shown now.

        Returns
        -------
        DataFrame
            Of the bars.
        """
        with self._lock:
            # A limit of another family than the one looked at says nothing.
            family = look.wanted.family
            if look.outside is not None and family not in (None, look.outside.family):
                look = Look(wanted=look.wanted, outside=None, by=look.by)
            if remember and self._shown is not None and self._shown != look:
                self._past.append(self._shown)
            self._shown = look
            self._put(look)
            self._frame = self._session.false_calls_by(look.by, look.wanted, outside=look.outside)
            self._say(look)
            self._draw(look)
            self._draw_trend(look)
            self._list(look)
            self._on_family(family)
            frame = self._frame
        # Outside the lock: the other panels have locks of their own.
        self.filters.share()
        return frame

    def _put(self, look: Look) -> None:
        """Put the controls to what is shown without telling anybody."""
        self._quiet = True
        try:
            self._outside = look.outside
            self.filters.put(look.wanted)
            self.by.value = look.by
        finally:
            self._quiet = False
        self.back.disabled = not self._past

    def look_into(self, row: int) -> None:
        """Look into one bar: what it is made of comes next.

        Parameters
        ----------
        row : int
            Of the bars, from 0.
        """
        name = str(self._frame["name"].iloc[row])
        look = self._look()
        by, wanted = look.by, look.wanted
        if by == "limit":
            family, _, rest = name.rpartition(" · ")
            measurement, _, side = rest.rpartition(" ")
            outside = Outside(family=family, measurement=measurement, side=side)  # type: ignore[arg-type]
            self.show(Look(wanted=wanted.but(family=family), outside=outside, by="designator"))
            return
        if by == "hour":
            hour = int(name[:2])
            wanted = wanted.but(hours=(hour, hour + 1))
        else:
            wanted = wanted.but(**{by: name})
        self.show(Look(wanted=wanted, outside=look.outside, by=_NEXT.get(by, by)))

    def _listed(self, row: int | None) -> None:
        if row is not None:
            self.look_into(row)

    def go_back(self) -> None:
        """Show again what was shown before."""
        with self._lock:
            before = self._past.pop() if self._past else None
        if before is not None:
            self.show(before, remember=False)

    def pin_it(self) -> None:
        """Hold what is shown beside what comes next; what was pinned goes."""
        with self._lock:
            self._pinned = None if self._pinned == self._shown else self._shown
            self.pin.description = "Pin to compare" if self._pinned is None else "Pin this instead"
            look = self._look()
            self._say(look)
            self._draw_trend(look)

    def _say(self, look: Look) -> None:
        outside = f", outside {words.escaped(look.outside)}" if look.outside else ""
        self._told.value = f"<p><strong>{words.filtered(look.wanted)}{outside}</strong></p>"
        columns = [(_named(look), self._session.totals(wanted=look.wanted))]
        if self._pinned is not None:
            columns.append(
                (
                    f"pinned: {_named(self._pinned)}",
                    self._session.totals(wanted=self._pinned.wanted),
                )
            )
        also = "" if look.outside is None else words.ALL_LIMITS
        self._totals.value = words.totals(columns, rates=self._rates) + also

    def _draw(self, look: Look) -> None:
        """Draw the bars, and offer the same names to the keyboard."""
        frame = self._frame
        names = [
            (f"{x.name} · {x.false_calls:,}", n)
            for n, x in enumerate(frame.head(200).itertuples(index=False))
        ]
        self._quiet = True
        try:
            self.into.options = [("…", None), *names]
            self.into.value = None
        finally:
            self._quiet = False
        if not len(frame) or not frame["false_calls"].sum():
            self._drawing.children = ()
            self.table.show(frame, words="<p>No false call here: nothing to rank.</p>")
            return
        chart = pareto_chart(frame, by=look.by, rates=self._rates, width=self._width)
        if self._bars is None:
            self._bars = live_chart(chart, height=270)
        else:
            self._bars.chart = chart
        self._bars.selections.observe(
            safely(self._clicked, self._panel, "Cannot look into it"), PICK
        )
        self._drawing.children = (self._bars,)
        self.table.show(frame if self._rates else frame.drop(columns="per_million"))

    def _clicked(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        picked = change["new"].value
        if picked:
            names = self._frame["name"].astype(str).tolist()
            if str(picked[0]["name"]) in names:
                self.look_into(names.index(str(picked[0]["name"])))

    def _draw_trend(self, look: Look) -> None:
        """Draw the calls over time, those of the pinned look beside."""
        period: Period = self.period.value
        looks = [look]
        if self._pinned is not None and self._pinned != look:
            looks.append(self._pinned)
        parts = [
            self._session.trend(period, x.wanted, outside=x.outside).assign(what=_named(x))
            for x in looks
        ]
        frame = pd.concat(parts, ignore_index=True)
        if not len(frame):
            self._trend.children = ()
            return
        chart = trend_chart(
            frame,
            self._session.revision_changes(),
            period=period,
            rates=self._rates,
            width=self._width,
        )
        if self._line is None:
            self._line = live_chart(chart, height=270, wait=300)
        else:
            self._line.chart = chart
        self._line.selections.observe(safely(self._drawn, self._panel, "Cannot look at it"), DAYS)
        self._trend.children = (self._line,)

    def _drawn(self, change: Any) -> None:  # noqa: ANN401
        """Look at a stretch of time that a person drew, in whole days."""
        ends = (change["new"].value or {}).get("start")
        if not ends or len(ends) != 2:
            return
        first, last = (pd.Timestamp(x, unit="ms").floor("D").to_pydatetime() for x in ends)
        until: datetime = last + timedelta(days=1)
        self.show(self._look(wanted=self.filters.value.but(since=first, until=until)))

    def _list(self, look: Look) -> None:
        """List the items once it is known which are meant."""
        if not look.wanted and look.outside is None:
            hint = "<p class='soft'>A click on a bar, or a filter, lists the items behind it.</p>"
            self.items.show(pd.DataFrame({"family": []}), self._session.live, words=hint)
            return
        frame = self._session.called_items(look.wanted, outside=look.outside)
        self.items.show(frame, self._session.live, words=words.called(frame))


def _named(look: Look) -> str:
    """Return a short name of a look, for a column or a line."""
    told = words.filtered(look.wanted).removeprefix("only ")
    return (
        told
        if look.outside is None
        else f"{told}, outside {look.outside.measurement} {look.outside.side}"
    )
