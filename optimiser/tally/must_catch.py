"""Items that every setting must call: the kept set, and a critical family's known defects."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import PlantError, UsageError, nearest
from optimiser.files import write_whole
from optimiser.plant.file import Plant
from optimiser.plant.write import back_up
from optimiser.tally.grid import Grid
from optimiser.values import cell


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptItem:
    """A known-bad item of the must-catch file, with its measured values."""

    name: str
    family: str
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Impossible:
    """A must-catch item that no setting between the rails calls with its margin."""

    name: str
    family: str
    needed: str

    def __str__(self) -> str:
        return f"must-catch item {self.name} of {self.family} cannot be called: {self.needed}"


def read_must_catch(plant: Plant) -> tuple[KeptItem, ...]:
    """Read the must-catch file that the plant file names.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    tuple of KeptItem
        Empty where the plant names no file or the rail is off.

    Raises
    ------
    PlantError
        If the file is missing or a cell breaks a rule.
    """
    name = plant.file.plant.must_catch
    if name is None or not plant.file.rails.holds("must-catch"):
        return ()
    path = plant.locate(name)
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            reader = csv.DictReader(lines)
            rows = [(f"{path}, line {reader.line_num}", row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        msg = (
            f"{path}: must-catch file cannot be read as CSV in UTF-8 ({error}); correct the file "
            "or plant.must_catch"
        )
        raise PlantError(msg) from error
    return tuple(_kept_item(place, row, plant) for place, row in rows)


def _kept_item(place: str, row: Mapping[Any, str | None], plant: Plant) -> KeptItem:
    """Return one validated row."""
    if None in row:
        msg = f"{place}: has more cells than the header; a decimal point is '.'"
        raise PlantError(msg)
    name, family = row.get("name") or "", row.get("family") or ""
    if not name or family not in plant.file.families:
        msg = f"{place}: needs a name and a known family, got {name!r}, {family!r}; " + nearest(
            family, plant.file.families
        )
        raise PlantError(msg)
    values = {}
    for column, text in row.items():
        if column in ("name", "family") or not text:
            continue
        if column not in plant.file.measurements:
            msg = f"{place}: unknown measurement {column!r}; " + nearest(
                column, plant.file.measurements
            )
            raise PlantError(msg)
        values[column] = _number(f"{place}: {column}", text)
    return KeptItem(name=name, family=family, values=values)


def _number(place: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{place} must be a finite number or blank, got {text!r}"
        raise PlantError(msg)
    return value


def rank_kept(
    items: Sequence[KeptItem], grid: Grid, *, guard_sigmas: float
) -> tuple[NDArray[np.int64], list[Impossible]]:
    """Return the signatures of must-catch items with a margin taken off.

    The margin is ``guard_sigmas`` times the measurement's repeatability: an item caught
    with it is caught again when measured again.

    Parameters
    ----------
    items : sequence of KeptItem
        Of the grid's family.
    grid : Grid
    guard_sigmas : float

    Returns
    -------
    ranks : ndarray of int, shape (c, m)
        Of the items that some setting calls.
    impossible : list of Impossible
        The others, each with the limit that would be needed.
    """
    ranks, impossible = [], []
    for item in items:
        z = [
            limit.sign * item.values[limit.measurement] - guard_sigmas * limit.repeatability
            if limit.measurement in item.values
            else -math.inf
            for limit in grid.limits
        ]
        row = [
            int(np.searchsorted(limit.z, np.float32(value), side="left"))
            for limit, value in zip(grid.limits, z, strict=True)
        ]
        if any(row):
            ranks.append(row)
        else:
            impossible.append(
                Impossible(name=item.name, family=item.family, needed=_needed(grid, z))
            )
    return np.array(ranks, dtype=np.int64).reshape(len(ranks), len(grid.limits)), impossible


def _needed(grid: Grid, z: Sequence[float]) -> str:
    """Return the limit nearest to calling an item, in words."""
    gaps = [
        (float(limit.z[0]) - value) / (limit.spread or 1.0)
        for limit, value in zip(grid.limits, z, strict=True)
    ]
    if not gaps or not math.isfinite(min(gaps)):
        return "none of its measurements has a limit; give one of them a limit in the recipe"
    n = int(np.argmin(gaps))
    limit = grid.limits[n]
    rail = limit.tight[0].reason if limit.tight else "the data end there"
    comparison = "below" if limit.side == "upper" else "above"
    return (
        f"{limit.measurement} {limit.side} would have to stand {comparison} {limit.sign * z[n]:.6g} "
        f"{limit.unit}, the tightest that may be set is {limit.values[0]:.6g} ({rail})"
    )


# --- the file, written ------------------------------------------------------------------


def kept_file(plant: Plant) -> Path:
    """Return where the must-catch file lies that a plant names; it need not exist yet.

    Raises
    ------
    PlantError
        If the plant file names none.
    """
    name = plant.file.plant.must_catch
    if name is None:
        msg = (
            f"{plant.path}: [plant] names no must-catch file, so nothing can be kept in it; add this "
            'line under [plant]: must_catch = "must_catch.csv"'
        )
        raise PlantError(msg)
    return plant.locate(name)


def add_kept(plant: Plant, item: KeptItem) -> Path | None:
    """Write one item more into the must-catch file; every row of it stays as it is.

    Parameters
    ----------
    plant : Plant
    item : KeptItem

    Returns
    -------
    Path or None
        The file as it was before, beside it; None where there was none yet.

    Raises
    ------
    PlantError
        If the plant names no file, or the file breaks a rule; nothing is written then.
    UsageError
        If an item of that name is there already.
    """
    path = kept_file(plant)
    backup = None
    text = ""
    if path.exists():
        taken = {kept.name for kept in every_kept(plant)}
        if cell(item.name) in taken:
            msg = f"{path}: {item.name!r} is there already; nothing was written"
            raise UsageError(msg)
        text = path.read_bytes().decode("utf-8-sig")
    written = _with_item(text, item, plant)
    if path.exists():
        backup = back_up(path)
    write_whole(path, written)
    return backup


def every_kept(plant: Plant) -> tuple[KeptItem, ...]:
    """Return the must-catch file's items, whether or not the rail is on; see `read_must_catch`."""
    if not kept_file(plant).exists():
        return ()
    rails = plant.file.rails.model_copy(update={"off": ()})
    file = plant.file.model_copy(update={"rails": rails})
    return read_must_catch(plant.model_copy(update={"file": file}))


def _with_item(text: str, item: KeptItem, plant: Plant) -> str:
    """Return a must-catch file's text with a row more, and with the columns that it needs."""
    newline = "\r\n" if "\r\n" in text else "\n"
    rows = list(csv.reader(io.StringIO(text, newline=""))) if text.strip() else []
    header = rows[0] if rows else ["name", "family"]
    lacking = [m for m in plant.file.measurements if m in item.values and m not in header]
    cells = {
        "name": cell(item.name),
        "family": item.family,
        **{m: repr(float(np.float32(x))) for m, x in item.values.items()},
    }
    if not lacking and rows:
        # Only what is new is written, so that what people wrote stays to the last character.
        line = _csv_line([cells.get(c, "") for c in header], newline)
        return text + ("" if text.endswith(("\n", "\r")) else newline) + line
    columns = [*header, *lacking]
    old = [[*row, *[""] * (len(columns) - len(row))] for row in rows[1:] if row]
    new = [columns, *old, [cells.get(c, "") for c in columns]]
    return "".join(_csv_line(row, newline) for row in new)


def _csv_line(cells: Sequence[str], newline: str) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator=newline).writerow(cells)
    return out.getvalue()
