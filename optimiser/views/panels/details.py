"""Who gains and who loses under a setting: items, designators, lots, labels worth a second look."""

from typing import Any

import ipywidgets as widgets
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.history.filters import Filter
from optimiser.proposal.choice import Choice, by_place, newly_passing
from optimiser.proposal.session import Session
from optimiser.views.figures import signed_words
from optimiser.views.panels import words
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.item_view import ItemView
from optimiser.views.panels.parts import Speaks, block, safely

ITEMS, DESIGNATORS, LOTS, LABELS = range(4)


class Details(widgets.Accordion):
    """Four lists, each filled when it is opened; closed ones cost nothing.

    Parameters
    ----------
    session : Session
    panel : Speaks
        Says what goes wrong.
    """

    def __init__(self, session: Session, panel: Speaks) -> None:
        self._session = session
        self._shown: tuple[Choice, NDArray[np.int64], Filter] | None = None
        self.items = ItemView(session, panel, "newly_passing")
        self.designators, self.lots = Grid("designators"), Grid("lots")
        self.doubtful = block("opt-doubtful", max_height="420px")
        self.doubtful.add_class("opt-scroll")
        super().__init__(
            children=[self.items, self.designators, self.lots, self.doubtful],
            titles=(
                "Items that would newly pass",
                "Designators that gain or lose calls",
                "Lots that gain or lose calls",
                "Labels worth a second look",
            ),
            selected_index=None,
        )
        self.observe(safely(lambda _: self._fill(), panel, "Cannot list them"), "selected_index")

    def show(self, choice: Choice, setting: NDArray[np.int64], wanted: Filter) -> None:
        """Show what a setting does to the items that a filter lets through.

        Parameters
        ----------
        choice : Choice
        setting : ndarray of int, shape (m,)
        wanted : Filter
        """
        self._shown = (choice, setting, wanted)
        self._fill()

    def _fill(self) -> None:
        """Fill the open list."""
        fill: dict[int | None, Any] = {
            ITEMS: self._items,
            DESIGNATORS: self._designators,
            LOTS: self._lots,
            LABELS: self._labels,
        }
        act = fill.get(self.selected_index)
        if act is not None and self._shown is not None:
            act(*self._shown)

    def _items(self, choice: Choice, setting: NDArray[np.int64], wanted: Filter) -> None:
        contested = self._session.contested(choice.family, wanted)
        frame = newly_passing(contested, choice.tally.grid.live, setting)
        chosen = self._session.live.with_limits(choice.family, choice.tally.grid.values(setting))
        self.items.show(frame, chosen, words=words.passing(frame, wanted))

    def _designators(self, choice: Choice, setting: NDArray[np.int64], wanted: Filter) -> None:
        contested = self._session.contested(choice.family, wanted)
        table = by_place(contested, choice.tally.grid.live, setting, column="designator")
        self._counted(self.designators, table, wanted)

    def _lots(self, choice: Choice, setting: NDArray[np.int64], wanted: Filter) -> None:
        if wanted:
            contested = self._session.contested(choice.family, wanted)
            table = by_place(contested, choice.tally.grid.live, setting, column="lot")
        else:
            table = choice.by_lot(setting)
        self._counted(self.lots, table, wanted)

    def _counted(self, grid: Grid, table: pd.DataFrame, wanted: Filter) -> None:
        said = f"<p class='soft'>Counted, {words.filtered(wanted)}.</p>"
        grid.show(table, words=said, told_as={"change": lambda more: signed_words(-more)})

    def _labels(self, choice: Choice, _setting: NDArray[np.int64], _wanted: Filter) -> None:
        found = self._session.relabel()
        self.doubtful.value = words.doubtful_labels(found, choice.family, choice.currency)
