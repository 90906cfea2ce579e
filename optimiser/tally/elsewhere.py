"""The tally of items that live in another engine, by plain SQL: the same cells to the last item.

The engine counts by place and lot and finds the items outside any tightest level, which are few;
ranks, cells and defects are worked out here by the very code that `count.py` uses. The items come as
a table in the contract's columns and types, verdicts already in it; the door, with its rules on
every row, is not passed there. The grids come from a history that is read here: a month of it, say.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from optimiser.errors import HistoryError, nearest
from optimiser.history.elsewhere import defects_in_types
from optimiser.history.limits import PlacedLimits, place_limits
from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted
from optimiser.tally.count import Columns, Counted, FamilyTally, by_place, tallies_of, tightest
from optimiser.tally.engines import Engine
from optimiser.tally.grid import Grid

# Kept to what every engine reads alike: no "is distinct from", no "group by all", no "::".
_NO_DEFECT = "(i.verdict is null or i.verdict <> 'defect')"
_REVIEWED = "case when i.verdict is null then 0 else 1 end"
_TEXT = ("stage", "product", "board", "designator", "pin", "part", "verdict", "defect", "found_by")
LIMITS = "optimiser_limits"


class ItemsElsewhere:
    """A table of items in another engine.

    Parameters
    ----------
    engine : Engine
    plant : Plant
    table : str
        Name of the table or view: the contract's columns, ``lot`` filled, ``time`` in UTC, the
        plant's measurements as numbers, NULL or NaN where not measured.

    Raises
    ------
    HistoryError
        If it holds families that the plant file does not name, or no lot for some items.
    """

    def __init__(self, engine: Engine, plant: Plant, table: str) -> None:
        self.engine, self.plant = engine, plant
        self.measurements = tuple(plant.file.measurements)
        columns = ("time", "lot", "family", "weight", *_TEXT)
        measured = [
            f"case when isnan({quoted(m)}) then null else cast({quoted(m)} as float) end as {quoted(m)}"
            for m in self.measurements
        ]
        self.counts = f"(select {', '.join((*columns, *measured))} from {table})"
        found = {r[0] for r in self.rows(f"select distinct family from {self.counts} i")}
        odd = sorted(map(str, found - set(plant.file.families)))
        if odd:
            msg = (
                f"{table}: family {odd[0]!r} is not in plant.toml; {nearest(odd[0], plant.file.families)}; "
                "name it there, or leave its items out of the table"
            )
            raise HistoryError(msg)
        ((blank,),) = self.rows(f"select count(*) from {self.counts} i where i.lot is null")
        if blank:
            msg = f"{table}: {blank:,} items have no lot; fill it, for instance with the day"
            raise HistoryError(msg)

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Return all rows of a query."""
        table = self.engine.arrow(query)
        return list(zip(*(c.to_pylist() for c in table.columns), strict=True))

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Replace a table by a frame."""
        self.engine.put(table, frame)


def tally_elsewhere(
    items: ItemsElsewhere, grids: Mapping[str, Grid], live: Recipe
) -> dict[str, FamilyTally]:
    """Count items of another engine over the grids of their families.

    Parameters
    ----------
    items : ItemsElsewhere
    grids : mapping of family to Grid
    live : Recipe
        Its overrides decide the measurements they name, whatever the family's setting.

    Returns
    -------
    dict of family to FamilyTally
        Equal to what `tally_history` gives of the same items.
    """
    limits = place_limits(items, LIMITS, {"tight": tightest(live, grids), "live": live})
    times = items.rows(f"select i.lot, min(i.time) from {items.counts} i group by i.lot")
    lots = tuple(str(lot) for lot, _ in sorted(times, key=lambda r: (r[1], r[0])))
    number = {lot: n for n, lot in enumerate(lots)}
    hot: dict[int, list[Columns]] = {}
    for place, columns in by_place(_hot(items, limits, number), len(limits.scopes)):
        hot.setdefault(place, []).append(columns)
    counted = Counted(
        limits=limits,
        places=list(limits.scopes),
        lots=lots,
        totals=_totals(items, limits, number),
        hot=hot,
        looked_at=_looked_at(items, limits, number),
    )
    return tallies_of(grids, counted)


def _totals(items: ItemsElsewhere, limits: PlacedLimits, number: Mapping[str, int]) -> pd.DataFrame:
    """Return the number of non-defects by place, lot and review."""
    rows = items.rows(
        f"""select b.place_id, i.lot, {_REVIEWED} as reviewed, count(*) as n
            from {limits.join(items.counts)} where {_NO_DEFECT}
            group by b.place_id, i.lot, {_REVIEWED}"""
    )
    listed = sorted((place, number[lot], reviewed, n) for place, lot, reviewed, n in rows)
    found = pd.DataFrame(listed, columns=["place_id", "lot_id", "reviewed", "n"])
    return found.astype({"place_id": "int32", "lot_id": "int32", "reviewed": bool, "n": "int64"})


def _hot(items: ItemsElsewhere, limits: PlacedLimits, number: Mapping[str, int]) -> Columns:
    """Return the non-defects outside any tightest level: place, lot, review, measurements."""
    measured = ", ".join(f"i.{quoted(m)}" for m in items.measurements)
    table = items.engine.arrow(
        f"""select b.place_id, i.lot, {_REVIEWED} as reviewed, {measured}
            from {limits.join(items.counts)}
            where {_NO_DEFECT} and ({limits.outside("tight")})"""
    )
    found: dict[str, Any] = {
        "place_id": table["place_id"].to_numpy(),
        "lot_id": np.array([number[lot] for lot in table["lot"].to_pylist()], dtype=np.int32),
        "reviewed": table["reviewed"].to_numpy().astype(bool),
    }
    return found | {m: table[m].to_numpy() for m in items.measurements}


def _looked_at(
    items: ItemsElsewhere, limits: PlacedLimits, number: Mapping[str, int]
) -> pd.DataFrame:
    """Return labelled defects and second looks with place, lot and what the live recipe does."""
    measured = ", ".join(f"i.{quoted(m)}" for m in items.measurements)
    text = ", ".join(f"i.{c}" for c in _TEXT)
    found = items.engine.arrow(
        f"""select b.place_id, i.lot, i.time, i.weight, {limits.called("live")} as live_called, {text}, {measured}
            from {limits.join(items.counts)} where i.verdict = 'defect' or i.found_by = 'second look'"""
    )
    return defects_in_types(found, _TEXT, items.measurements, number)
