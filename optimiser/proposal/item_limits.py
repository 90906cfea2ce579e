"""One item beside its limits, and beside the items that lie nearest to it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.plant.file import Side, off_limit
from optimiser.recipe.table import Place, Recipe, Row, resolve
from optimiser.tally.grid import GridLimit


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstLimit:
    """One measurement of one item against one limit.

    Attributes
    ----------
    measurement, side, unit : str
    value : float
        NaN where it was not measured.
    live, chosen : float
        Limits in force at the item's place; infinite where there is none.
    spread : float
        Standard deviation of the family's goods, in the unit: the one scale.
    decides : bool
        Whether the item lies further outside this live limit, in spreads, than outside any other.
    """

    measurement: str
    side: Side
    unit: str
    value: float
    live: float
    chosen: float
    spread: float
    decides: bool = False

    def beyond(self, limit: float) -> float:
        """Return how far the item lies outside a limit, in spreads; negative is inside."""
        sign = 1.0 if self.side == "upper" else -1.0
        return sign * (self.value - limit) / self.spread

    def called_by(self, limit: float) -> bool:
        """Return whether a limit calls the item, float32 against float32 as the replay does."""
        x, at = np.float32(self.value), np.float32(limit)
        return bool(x > at) if self.side == "upper" else bool(x < at)


def against_limits(
    item: Mapping[str, Any], limits: Sequence[GridLimit], live: Recipe, chosen: Recipe
) -> list[AgainstLimit]:
    """Return one item's measurements against the limits in force at its place.

    Parameters
    ----------
    item : mapping
        ``family, part, product, designator`` and the measurements.
    limits : sequence of GridLimit
        Of the item's family.
    live, chosen : Recipe

    Returns
    -------
    list of AgainstLimit
        One per limit, in order of ``limits``.
    """
    place = Place(
        str(item["family"]), *(_text(item.get(n)) for n in ("part", "product", "designator"))
    )
    now, then = resolve(live, place), resolve(chosen, place)
    found = [
        AgainstLimit(
            measurement=x.measurement,
            side=x.side,
            unit=x.unit,
            value=_number(item.get(x.measurement)),
            live=_limit(now, x),
            chosen=_limit(then, x),
            spread=x.spread or 1.0,
        )
        for x in limits
    ]
    return _with_deciding(found)


def _limit(rows: Mapping[str, Row], of: GridLimit) -> float:
    row = rows.get(of.measurement)
    return row.limit(of.side) if row is not None else off_limit(of.side)


def _number(value: Any) -> float:  # noqa: ANN401 - a cell of a frame
    return math.nan if value is None or pd.isna(value) else float(value)


def _with_deciding(lines: Sequence[AgainstLimit]) -> list[AgainstLimit]:
    outside = [n for n, x in enumerate(lines) if x.called_by(x.live)]
    if not outside:
        return list(lines)
    most = max(outside, key=lambda n: lines[n].beyond(lines[n].live))
    return [replace(x, decides=n == most) for n, x in enumerate(lines)]


def _text(value: Any) -> str | None:  # noqa: ANN401 - a cell of a frame
    return None if value is None or pd.isna(value) else str(value)


def neighbours(
    items: pd.DataFrame, item: Mapping[str, Any], spreads: Mapping[str, float], *, most: int = 8
) -> pd.DataFrame:
    """Return the reviewed items that measure most like one item, the nearest first.

    Parameters
    ----------
    items : DataFrame
        Of the item's family, with ``verdict`` and the measurements.
    item : mapping
        One of them or not; itself is left out.
    spreads : mapping of measurement to float
        Standard deviations of the goods: a distance is the root mean square of differences in
        spreads, over the measurements that both have.
    most : int

    Returns
    -------
    DataFrame
        Rows of ``items`` with ``distance`` in front, in spreads.
    """
    known = items[items["verdict"].notna()]
    names = [m for m in spreads if item.get(m) is not None and not pd.isna(item[m])]
    known = known[~_is_same(known, item)]
    if not names or not len(known):
        return known.head(0).assign(distance=[])
    here = np.array([float(item[m]) / spreads[m] for m in names])
    there = known[names].to_numpy(dtype=np.float64, na_value=np.nan) / [spreads[m] for m in names]
    apart = _root_mean_square(there - here)
    order = np.argsort(apart, kind="stable")[:most]
    order = order[np.isfinite(apart[order])]
    nearest = known.iloc[order]
    nearest.insert(0, "distance", apart[order])
    return nearest


def _root_mean_square(difference: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the root mean square of each row over what is not NaN, infinite without any."""
    held = np.isfinite(difference)
    sums = np.where(held, difference, 0.0) ** 2
    number = held.sum(axis=1)
    return np.where(number > 0, np.sqrt(sums.sum(axis=1) / np.maximum(number, 1)), np.inf)


def _is_same(items: pd.DataFrame, item: Mapping[str, Any]) -> NDArray[np.bool_]:
    key = [c for c in ("time", "board", "designator", "pin") if c in items.columns]
    same = np.ones(len(items), dtype=bool)
    for column in key:
        value = item.get(column)
        same &= (
            items[column].isna().to_numpy()
            if value is None or pd.isna(value)
            else (items[column] == value).to_numpy(dtype=bool, na_value=False)
        )
    return same
