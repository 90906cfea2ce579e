"""Items that every setting must call: the kept set, and a critical family's known defects."""

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import PlantError, nearest
from optimiser.plant.file import Plant
from optimiser.tally.grid import Grid


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
