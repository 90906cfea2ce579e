"""Items one by one: a table of all of them, and the one that is picked beside limits and neighbours."""

from collections.abc import Mapping
from html import escape
from typing import Any

import ipywidgets as widgets
import pandas as pd

from optimiser.proposal.item_limits import AgainstLimit, against_limits, neighbours
from optimiser.proposal.session import Session, measurements_of
from optimiser.recipe.table import Recipe
from optimiser.views.charts import NARROW
from optimiser.views.item_chart import WIDTH, item_chart, item_frame
from optimiser.views.panels import words
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.live import LiveChart, live_chart
from optimiser.views.panels.parts import Speaks, block, safely, swap

FIRST = (
    *("time", "family", "product", "board", "designator", "pin", "verdict", "defect", "found_by"),
    *("line", "station", "stage", "lot", "part"),
)


class ItemView(widgets.VBox):
    """A table of items; a click on one shows it beside its limits.

    Parameters
    ----------
    session : Session
    panel : Speaks
        Says what goes wrong.
    name : str
        Of the file that the items are saved in.

    Attributes
    ----------
    lines : list of AgainstLimit
        Of the item that is shown.
    """

    def __init__(self, session: Session, panel: Speaks, name: str) -> None:
        self._session = session
        self._chosen: Recipe = session.live
        self._drawn: LiveChart | None = None
        self._narrow = False
        self.lines: list[AgainstLimit] = []
        self.grid = Grid(name, safely(self.show_item, panel, "Cannot show the item"))
        self._head, self._near = block("opt-item"), block("opt-neighbours")
        self._drawing = widgets.VBox()
        self._one = widgets.HBox(layout=widgets.Layout(flex_flow="row wrap", grid_gap="24px"))
        super().__init__([self.grid, self._one])

    def fit(self, *, narrow: bool) -> None:
        """Draw the next item for a phone, or for a desk."""
        self._narrow = narrow

    def show(self, frame: pd.DataFrame, chosen: Recipe, *, words: str) -> None:
        """Show items; none of them is picked.

        Parameters
        ----------
        frame : DataFrame
            With the columns of ``history.calls.called_items``.
        chosen : Recipe
            Held beside the live one.
        words : str
            Above the table, HTML.
        """
        self._chosen = chosen
        self._show_one([])
        limited = {
            m
            for family in frame["family"].unique()
            if family in self._session.cases
            for m in measurements_of(self._session.case(str(family)))
        }
        measured = [m for m in self._session.history.measurements if m in limited]
        first = [c for c in FIRST if c in frame.columns]
        self.grid.show(frame[[*first, *measured]].reset_index(drop=True), words=words)

    def show_item(self, row: int) -> None:
        """Show one item of the table beside its limits and its nearest neighbours.

        Parameters
        ----------
        row : int
            In order of the table's frame.
        """
        item: Mapping[str, Any] = {
            str(name): value for name, value in self.grid.frame.iloc[row].to_dict().items()
        }
        family = str(item["family"])
        limits = self._session.case(family).tally.grid.limits
        self.lines = against_limits(item, limits, self._session.live, self._chosen)
        spreads = {x.measurement: x.spread or 1.0 for x in limits}
        near = neighbours(self._session.contested(family).frame, item, spreads)
        self._head.value = words.item_head(item) + words.item_lines(self.lines)
        self._near.value = words.item_neighbours(near, list(spreads))
        chart = item_chart(item_frame(self.lines, near), width=NARROW if self._narrow else WIDTH)
        if self._drawn is None:
            self._drawn = live_chart(chart, height=200)
            self._drawing.children = (self._drawn,)
        else:
            self._drawn.chart = chart
        legend = widgets.HTML(
            "<p class='soft'>Dashed: the limit now. Bar: the limit chosen. Diamond: the limit that "
            f"this item lies furthest outside. {escape('Beyond ten standard deviations: at the edge.')}</p>"
        )
        self._show_one(
            [widgets.VBox([self._head, self._near]), widgets.VBox([self._drawing, legend])]
        )

    def _show_one(self, parts: list[widgets.Widget]) -> None:
        """Show one item's parts; the lines and the drawing are kept for the next."""
        swap(self._one, parts, keep=[self._head, self._near, self._drawing])
