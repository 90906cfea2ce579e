"""A day's history and truth on disk, one Parquet file each."""

from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
from numpy.typing import NDArray

from optimiser.demo.families import PRODUCTS
from optimiser.demo.items import Items
from optimiser.demo.labels import FOUND_BY, DrawnLabels
from optimiser.demo.measurements import KINDS, MEASUREMENTS
from optimiser.demo.plan import DemoPlant

STATIONS = {"paste": ("PI", 0), "pre-reflow": ("PR", 4), "post-reflow": ("PO", 14)}
"""Per stage: the station's letters and the minutes after the board entered the line."""

_MICROSECONDS_PER_DAY = 86_400_000_000

_VERDICTS = "['good', 'defect']"
_KIND_LIST = f"[{', '.join(repr(kind) for kind in KINDS)}]"
_FOUND_LIST = f"[{', '.join(repr(found) for found in FOUND_BY)}]"
_MEASURED = ", ".join(
    f"case when isnan({name}) then null else {name} end as {name}" for name in MEASUREMENTS
)
# A list index of 0 gives null, so a code of -1 ("nothing") becomes null.
_HISTORY_QUERY = f"""
select boards.time + to_minutes(minutes) as time, line, letters || '-' || line as station,
    stage, product, serial as board, boards.lot, designator, pin, part, family,
    {_MEASURED},
    called, {_VERDICTS}[verdict + 1] as verdict, {_KIND_LIST}[label_kind + 1] as defect,
    {_FOUND_LIST}[found_by + 1] as found_by, weight
from items join places using (place) join boards on boards.number = items.board
order by time, line, place
"""

_TRUTH_QUERY = f"""
select boards.time + to_minutes(minutes) as time, stage, serial as board, designator, pin,
    family, boards.lot, {_KIND_LIST}[kind + 1] as true_defect,
    case when isnan(severity) then null else severity end as severity
from items join places using (place) join boards on boards.number = items.board
order by time, line, place
"""


def register_places(connection: duckdb.DuckDBPyConnection, plant: DemoPlant) -> None:
    """Make table `places`: what is the same for all items of a place."""
    rows = []
    for plan in plant.plans:
        family, places = plan.process.family, plan.places
        letters, minutes = STATIONS[family.stage]
        for i in range(len(places.product)):
            part = places.parts[places.part[i]] if family.stage != "paste" else family.part
            rows.append(
                (plan.first_place + i, family.name, family.stage, letters, minutes,
                 places.designator[i], places.pin[i], part)
            )  # fmt: skip
    columns = list(zip(*rows, strict=True))
    names = ("place", "family", "stage", "letters", "minutes", "designator", "pin", "part")
    arrays = {name: _column(values) for name, values in zip(names, columns, strict=True)}
    connection.register("place_arrays", arrays)
    connection.execute("create table places as select * from place_arrays")
    connection.unregister("place_arrays")


def _column(values: tuple[object, ...]) -> NDArray[np.generic]:
    """Return one column as an array duckdb reads: whole numbers or text with nulls."""
    if isinstance(values[0], int):
        return np.array(values, dtype=np.int32)
    return np.array(values, dtype=object)


def write_day(
    connection: duckdb.DuckDBPyConnection,
    plant: DemoPlant,
    folder: Path,
    *,
    day: int,
    items: Items,
    labels: DrawnLabels,
) -> None:
    """Write a day's history and truth."""
    stamp = plant.first_day + timedelta(days=day)
    connection.register("board_arrays", _board_arrays(plant, day, stamp))
    connection.execute(
        "create or replace temp table boards as select * replace (make_timestamp(time) as time)"
        " from board_arrays"
    )
    connection.register("items", _item_arrays(items, labels))
    for name, query in (("history", _HISTORY_QUERY), ("truth", _TRUTH_QUERY)):
        path = folder / name / f"day={stamp.isoformat()}" / "part.parquet"
        path.parent.mkdir(parents=True)
        quoted = str(path).replace("'", "''")
        connection.execute(f"copy ({query}) to '{quoted}' (format parquet, compression zstd)")


def _board_arrays(plant: DemoPlant, day: int, stamp: date) -> dict[str, NDArray[np.generic]]:
    """Return the boards of a day: evenly spaced from 06:00 to 22:00 UTC on each line."""
    lots = np.flatnonzero(plant.lots.day == day)
    lot = np.repeat(lots, plant.lots.boards[lots])
    line = plant.lots.line[lot]
    within = np.concatenate([np.arange(n) for n in np.bincount(line, minlength=plant.lines)])
    spacing = 16 * 3600 / np.bincount(line)[line]
    seconds = np.round(6 * 3600 + (within + 0.5) * spacing, 3)
    midnight = (stamp - date(1970, 1, 1)).days * _MICROSECONDS_PER_DAY
    product = [PRODUCTS[a] for a in plant.lots.product[lot]]
    serials = [
        f"{name[0]}{stamp:%y%m%d}{run + 1}{i + 1:05d}"
        for name, run, i in zip(product, line, within, strict=True)
    ]
    return {
        "number": np.arange(len(lot)),
        "time": midnight + np.round(seconds * 1e6).astype(np.int64),
        "line": np.array([f"L{i + 1}" for i in line], dtype=object),
        "product": np.array(product, dtype=object),
        "lot": np.array([plant.lots.name[t] for t in lot], dtype=object),
        "serial": np.array(serials, dtype=object),
    }


def _item_arrays(items: Items, labels: DrawnLabels) -> dict[str, NDArray[np.generic]]:
    """Return the items of a day as columns duckdb reads."""
    values = {name: np.ascontiguousarray(items.values[:, i]) for i, name in enumerate(MEASUREMENTS)}
    return {
        "place": items.place.astype(np.int32),
        "board": items.board,
        "kind": items.kind,
        "severity": items.severity.astype(np.float32),
        "called": items.called,
        "verdict": labels.verdict,
        "label_kind": labels.kind,
        "found_by": labels.found_by,
        "weight": labels.weight,
        **values,
    }
