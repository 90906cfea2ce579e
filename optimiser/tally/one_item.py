"""One item of a history: who it is, what the limits see of it, and which passed items are like it.

Everything is asked of the history itself, so nothing here depends on how far a grid reaches.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.errors import UsageError, nearest
from optimiser.history.limits import PlacedLimits, place_limits
from optimiser.history.read import History
from optimiser.recipe.table import Recipe, Row
from optimiser.sql import quoted, text_literal
from optimiser.tally.count import Ranks, is_settled, signatures
from optimiser.tally.grid import Grid

PLACE = ("time", "line", "stage", "lot", "product", "board", "designator", "pin", "part", "family")
LABEL = ("verdict", "defect", "found_by", "called")
# A median absolute deviation times this is the standard deviation of normal readings.
MAD_TO_SIGMA = 1.4826
# A neighbour must have at least this share of the measurements that the item has.
LEAST_SHARED = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneItem:
    """One item as it stands in the history.

    Attributes
    ----------
    place : mapping
        ``time, line, stage, lot, product, board, designator, pin, part, family``.
    label : mapping
        ``verdict, defect, found_by, called`` (as recorded), None where there is none.
    values : mapping of measurement to float
        Those that were measured.
    overridden : mapping of measurement to Row
        Limits of a part or designator that decide instead of the family's.
    live_called : bool
        Whether the live recipe calls it.
    """

    place: Mapping[str, Any]
    label: Mapping[str, Any]
    values: Mapping[str, float]
    overridden: Mapping[str, Row]
    live_called: bool

    @property
    def family(self) -> str:
        """The item's family."""
        return str(self.place["family"])

    def columns(self) -> dict[str, NDArray[np.float32]]:
        """Return its measurements as columns of one row, as signatures want them."""
        found = {m: np.array([x], dtype=np.float32) for m, x in self.values.items()}
        return found or {"": np.array([np.nan], dtype=np.float32)}

    def ranks(self, grid: Grid) -> Ranks:
        """Return its signature over a grid of its family, shape (m,)."""
        columns = self.columns()
        for limit in grid.limits:
            columns.setdefault(limit.measurement, np.array([np.nan], dtype=np.float32))
        for measurement in self.overridden:
            columns.setdefault(measurement, np.array([np.nan], dtype=np.float32))
        found: Ranks = signatures(grid, columns, self.overridden)[0]
        return found

    @property
    def settled(self) -> bool:
        """Whether an override's own limits call it, whatever the family's setting."""
        columns = self.columns()
        own = {m: row for m, row in self.overridden.items() if m in columns}
        return bool(own) and bool(is_settled(columns, own)[0])


def find_item(
    history: History,
    live: Recipe,
    *,
    board: str,
    designator: str,
    pin: str | None,
    stage: str | None,
) -> OneItem:
    """Return the one item of a board, designator and pin.

    Parameters
    ----------
    history : History
    live : Recipe
    board, designator : str
    pin, stage : str, optional
        Needed where a designator has several.

    Returns
    -------
    OneItem
        Inspected more than once at a stage, the last time counts.

    Raises
    ------
    UsageError
        If there is none, or more than one.
    """
    limits = place_limits(history, "one_item_limits", {"live": live})
    columns = ", ".join(f"i.{quoted(c)}" for c in (*PLACE, *LABEL, *history.measurements))
    wanted = [
        f"i.{column} = {text_literal(text)}"
        for column, text in (
            ("board", board),
            ("designator", designator),
            ("pin", pin),
            ("stage", stage),
        )
        if text is not None
    ]
    frame = history.connection.execute(
        f"""select b.place as limits_of, {limits.called("live")} as live_called, {columns}
            from {limits.join()} where {" and ".join(wanted)}
            qualify row_number() over (partition by i.stage, i.product, i.pin order by i.time desc) = 1
            order by i.stage, i.product, i.pin"""
    ).df()
    if frame.empty:
        raise UsageError(_not_there(history, board, designator, pin, stage))
    if len(frame) > 1:
        raise UsageError(_several(frame))
    return _item(frame.iloc[0], limits, history.measurements)


def _item(row: Any, limits: PlacedLimits, measurements: Sequence[str]) -> OneItem:  # noqa: ANN401
    rows = limits.rows["live", str(row["limits_of"])]
    values = {m: float(row[m]) for m in measurements if not pd.isna(row[m])}
    return OneItem(
        place={c: _plain(row[c]) for c in PLACE},
        label={c: _plain(row[c]) for c in LABEL},
        values=values,
        overridden={m: r for m, r in rows.items() if r.scope != "family"},
        live_called=bool(row["live_called"]),
    )


def _plain(value: Any) -> Any:  # noqa: ANN401 - a cell
    if pd.isna(value):
        return None
    return bool(value) if isinstance(value, np.bool_) else value


def _not_there(
    history: History, board: str, designator: str, pin: str | None, stage: str | None
) -> str:
    """Return why an item is not found, and what there is instead."""
    on_board = f"from items where board = {text_literal(board)}"
    names = [str(x) for (x,) in history.rows(f"select distinct designator {on_board}")]
    if not names:
        close = history.rows(
            f"""select board from items group by board
                order by damerau_levenshtein(board, {text_literal(board)}), board limit 3"""
        )
        known = ", ".join(str(x) for (x,) in close)
        return f"no board {board!r} in the history; nearest: {known}. Rows set aside count as none"
    if designator not in names:
        return f"board {board} has no designator {designator!r}; {nearest(designator, names)}"
    found = history.rows(
        f"select distinct stage, pin {on_board} and designator = {text_literal(designator)} order by all"
    )
    wanted = " ".join(f"--{k} {v}" for k, v in (("pin", pin), ("stage", stage)) if v is not None)
    return f"{board} {designator} has nothing at {wanted}; known: {_listed(found)}"


def _several(frame: pd.DataFrame) -> str:
    found = [(r["stage"], _plain(r["pin"])) for _, r in frame.iterrows()]
    return (
        f"{frame['board'][0]} {frame['designator'][0]} stands for {len(frame)} items: {_listed(found)}; "
        "name one with --pin or --stage"
    )


def _listed(found: Sequence[tuple[Any, Any]]) -> str:
    words = [f"{stage}" + (f" pin {pin}" if pin is not None else "") for stage, pin in found]
    return ", ".join(words[:12]) + (f" and {len(words) - 12} more" if len(words) > 12 else "")


def goods_beyond(history: History, item: OneItem, grid: Grid) -> list[tuple[int, int]]:
    """Return for each limit how many goods lie as far out as an item, and how many are measured.

    Parameters
    ----------
    history : History
    item : OneItem
    grid : Grid
        Of the item's family.

    Returns
    -------
    list of (int, int)
        Items of the family that are no known defects: those that any limit which calls the item
        calls too, and all that have the measurement. (0, 0) where the item was not measured.
    """
    parts = []
    for limit in grid.limits:
        value = item.values.get(limit.measurement)
        column = f"i.{quoted(limit.measurement)}"
        if value is None:
            parts += ["count(null)", "count(null)"]
            continue
        side = ">=" if limit.side == "upper" else "<="
        parts += [
            f"count(*) filter (where {column} {side} {np.float32(value)!s}::float)",
            f"count({column})",
        ]
    if not parts:
        return []
    (row,) = history.rows(
        f"""select {", ".join(parts)} from items i where i.family = {text_literal(grid.family)}
            and i.verdict is distinct from 'defect'"""
    )
    numbers = [int(n or 0) for n in row]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def passed_like(history: History, live: Recipe, item: OneItem, *, number: int) -> pd.DataFrame:
    """Return the passed items of a family that are nearest to an item.

    Parameters
    ----------
    history : History
    live : Recipe
    item : OneItem
    number : int
        How many at most.

    Returns
    -------
    DataFrame
        ``distance, shared``, place, label and measurements, nearest first.

    Notes
    -----
    Distance is the root mean square difference over the measurements that both have, each in
    robust standard deviations of the family's goods (1.4826 times the median absolute
    deviation; the plain standard deviation where more than half of the readings are equal). An
    item with fewer than half of the measurements is left out; `shared` says how many it has.
    """
    scales = _scales(history, item)
    if not scales:
        return pd.DataFrame(columns=["distance", "shared", *PLACE, *LABEL, *history.measurements])
    limits = place_limits(history, "similar_limits", {"live": live})
    squares, present = [], []
    for m, scale in scales.items():
        column = f"i.{quoted(m)}"
        squares.append(f"coalesce(pow(({column} - {item.values[m]!r}) / {scale!r}, 2), 0)")
        present.append(f"({column} is not null)::int")
    shared = " + ".join(present)
    columns = ", ".join(f"i.{quoted(c)}" for c in (*PLACE, *LABEL, *history.measurements))
    key = " and ".join(
        f"i.{c} is not distinct from {_literal(item.place[c])}"
        for c in ("stage", "product", "board", "designator", "pin")
    )
    return history.connection.execute(
        f"""select sqrt(({" + ".join(squares)}) / ({shared})) as distance, {shared} as shared, {columns}
            from {limits.join()}
            where i.family = {text_literal(item.family)} and not ({key})
              and ({shared}) >= {max(1, math.ceil(LEAST_SHARED * len(scales)))}
              and not {limits.called("live")}
            order by distance, i.time, i.board, i.designator, i.pin limit {number}"""
    ).df()


def _literal(value: Any) -> str:  # noqa: ANN401 - a cell
    return "null" if value is None else text_literal(str(value))


def _scales(history: History, item: OneItem) -> dict[str, float]:
    """Return the robust scatter of the family's goods in each measurement that the item has."""
    measured = list(item.values)
    if not measured:
        return {}
    parts = ", ".join(
        f"mad(i.{quoted(m)}::double), stddev_samp(i.{quoted(m)}::double)" for m in measured
    )
    (row,) = history.rows(
        f"""select {parts} from items i where i.family = {text_literal(item.family)}
            and i.verdict is distinct from 'defect'"""
    )
    found = {}
    for m, mad, sd in zip(measured, row[::2], row[1::2], strict=True):
        scale = MAD_TO_SIGMA * float(mad or 0.0) or float(sd or 0.0)
        if math.isfinite(scale) and scale > 0:
            found[m] = scale
    return found
