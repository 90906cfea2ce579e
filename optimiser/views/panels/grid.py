"""A frame as a table to sort, search, filter and pick from, and to save whole."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import ipywidgets as widgets
import numpy as np
import pandas as pd
from itables.widget import ITable

from optimiser.views.panels.download import Download, csv_text
from optimiser.views.panels.parts import block

# So many columns fit a phone: what a row is called, and the figures that matter most.
FEW_COLUMNS = 3
# So many rows the browser holds; the file has all of them, and a filter reaches any.
MOST_ROWS = 20_000
_LAYOUT = {"topStart": "info", "topEnd": "search", "bottomStart": "pageLength"}


class Grid(widgets.VBox):
    """A table of a frame, drawn by DataTables without any network.

    Parameters
    ----------
    name : str
        Of the file to save, without its ending.
    on_pick : callable, optional
        Told the number of the row that is picked, in order of the frame.
    rows : int
        On one page.
    first : sequence of str
        Columns that a phone shows; by default the first ones.

    Attributes
    ----------
    frame : DataFrame
        What is shown.
    """

    children: tuple[widgets.Widget, ...]

    def __init__(
        self,
        name: str,
        on_pick: Callable[[int], object] | None = None,
        *,
        rows: int = 10,
        first: Sequence[str] = (),
    ) -> None:
        self._on_pick, self._rows, self._first = on_pick, rows, tuple(first)
        self._narrow = False
        self.more = widgets.ToggleButton(
            description="More columns",
            tooltip="those that a narrow screen leaves out",
            layout=widgets.Layout(width="auto"),
        )
        self.more.observe(lambda _: self._again(), "value")
        self._table: ITable | None = None
        self._told = block()
        self.frame, self._words = pd.DataFrame(), ""
        self._told_as: Mapping[str, Callable[[float], str]] = {}
        self.save = Download(f"{name}.csv", lambda: csv_text(self.frame))
        super().__init__()
        self.add_class("opt-grid")

    def show(
        self,
        frame: pd.DataFrame,
        *,
        words: str = "",
        told_as: Mapping[str, Callable[[float], str]] | None = None,
    ) -> None:
        """Show a frame; ``words`` stand above it, HTML.

        Parameters
        ----------
        frame : DataFrame
        words : str
        told_as : mapping, optional
            By column of numbers, what a cell says; the column is sorted by the numbers, and the
            file has them.
        """
        self.frame, self._words, self._told_as = frame, words, told_as or {}
        beyond = len(frame) - MOST_ROWS
        left_out = (
            f"<p class='soft'>The table holds the first {MOST_ROWS:,}; the file has all "
            f"{len(frame):,}, and a filter reaches the others.</p>"
            if beyond > 0
            else ""
        )
        self._told.value = words + left_out
        if not len(frame):
            # The table waits for rows: a new one each time would stay in the kernel.
            self.children = (self._told,)
            return
        shown = _readable(frame.head(MOST_ROWS), self._told_as)
        if self._table is None:
            self._table = self._made(shown)
        else:
            # Whatever is left out here falls back to the library's own, a cut of 64 KB among them.
            self._table.update(shown, selected_rows=[], **self._options())
        more = (self.more,) if self._left_out(every=True) else ()
        self.children = (self._told, *more, self._table, self.save)

    def fit(self, *, narrow: bool) -> None:
        """Show the columns that matter most on a narrow screen, all of them on a wide one."""
        if narrow != self._narrow:
            self._narrow = narrow
            self._again()

    def _again(self) -> None:
        if len(self.frame):
            self.show(self.frame, words=self._words, told_as=self._told_as)

    def _left_out(self, *, every: bool = False) -> list[int]:
        """Return the columns that are not shown; those that a button shows among them if wanted."""
        columns = [str(c) for c in self.frame.columns]
        if not self._narrow or (self.more.value and not every):
            return []
        first = [c for c in self._first if c in columns] or columns[:FEW_COLUMNS]
        return [n for n, c in enumerate(columns) if c not in first]

    def _by_numbers(self) -> list[dict[str, Any]]:
        """Return how columns told in words are sorted: each by its numbers, in a hidden column behind."""
        columns = list(self.frame.columns)
        worded = [n for n, c in enumerate(columns) if c in self._told_as]
        hidden = [len(columns) + k for k in range(len(worded))]
        return [
            *({"targets": [n], "orderData": [k]} for n, k in zip(worded, hidden, strict=True)),
            {"targets": hidden, "visible": False, "searchable": False, "type": "num"},
        ]

    def pick(self, row: int) -> None:
        """Pick a row as a click on it does."""
        if self._table is not None and len(self.frame):
            self._table.selected_rows = [row]

    def _made(self, shown: pd.DataFrame) -> ITable:
        table = ITable(shown, **self._options())
        table.observe(self._picked, "selected_rows")
        return table

    def _options(self) -> dict[str, Any]:
        return {
            "classes": "display compact nowrap",
            "style": "width:100%;margin:0",
            "select": "single" if self._on_pick else False,
            "showIndex": False,
            "maxBytes": 0,
            "maxColumns": 0,
            "pageLength": self._rows,
            "lengthMenu": [10, 25, 100],
            "layout": _LAYOUT,
            "order": [],
            "scrollX": True,
            "columnDefs": [
                {"targets": self._left_out(), "visible": False},
                *self._by_numbers(),
            ],
        }

    def _picked(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        if change["new"] and self._on_pick is not None:
            self._on_pick(int(change["new"][0]))


def _readable(frame: pd.DataFrame, told_as: Mapping[str, Callable[[float], str]]) -> pd.DataFrame:
    """Return a frame with words for a head, times to the minute, numbers as measured or in words.

    Behind it stand the numbers of what is told in words, in the order of the columns.
    """
    shown = frame.rename(columns=lambda c: str(c).replace("_", " "))
    worded = {str(c).replace("_", " "): say for c, say in told_as.items()}
    for column in list(shown.columns):
        kind = shown[column].dtype
        if column in worded:
            shown[f"{column}, by number"] = _places(shown[column])
            shown[column] = ["" if pd.isna(x) else worded[column](x) for x in shown[column]]
        elif pd.api.types.is_datetime64_any_dtype(kind):
            shown[column] = shown[column].dt.strftime("%Y-%m-%d %H:%M")
        elif pd.api.types.is_float_dtype(kind):
            shown[column] = _numbers(shown[column])
        elif not pd.api.types.is_numeric_dtype(kind):
            shown[column] = shown[column].astype(object).where(shown[column].notna(), "")
    return shown


def _places(column: pd.Series) -> pd.Series:
    """Return the place of each number among them, blanks before all, as whole numbers."""
    return column.astype(float).fillna(-np.inf).rank(method="dense").astype(int)


def _numbers(column: pd.Series) -> pd.Series:
    """Return floats with six digits; whole numbers, blanks between them or not, without a point."""
    known = column.dropna()
    whole = bool((known.mod(1) == 0).all() and (known.abs() < 1e15).all())
    told = ["" if pd.isna(v) else int(v) if whole else float(f"{v:.6g}") for v in column]
    return pd.Series(told, index=column.index, dtype=object)
