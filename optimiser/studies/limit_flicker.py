"""Flicker of every limit of some recipes, from the readings of a history."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.evidence.flicker import REACH, flicker
from optimiser.evidence.intervals import Interval
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Side
from optimiser.recipe.table import Recipe, Row
from optimiser.sql import quoted


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitFlicker:
    """What does not repeat at one family limit of one recipe.

    Attributes
    ----------
    recipe : str
        The recipe's tag.
    family, measurement, unit : str
    side : {'lower', 'upper'}
    limit, repeatability : float
        In the measurement's unit.
    items, calls : int
        Inspected items of the family; those beyond this limit.
    share : Interval
        Share of all items whose call by this limit differs between two inspections.
    unrepeated : Interval
        Share of its calls that a second inspection would not make.
    """

    recipe: str
    family: str
    measurement: str
    side: Side
    unit: str
    limit: float
    repeatability: float
    items: int
    calls: int
    share: Interval
    unrepeated: Interval


def limit_flicker(
    history: History, recipes: Mapping[str, Recipe], *, family: str | None = None
) -> list[LimitFlicker]:
    """Return the flicker of every family limit whose measurement has a repeatability.

    Parameters
    ----------
    history : History
    recipes : mapping of tag to Recipe
    family : str, optional
        Only this one.

    Returns
    -------
    list of LimitFlicker
        By family and measurement; equal limits of two recipes stand once each.
    """
    sizes = _items_by_lot(history)
    wanted = [
        (tag, row, side)
        for tag, recipe in recipes.items()
        for row in recipe.rows
        for side in SIDES
        if row.scope == "family" and family in {None, row.name} and row.name in sizes
        if np.isfinite(row.limit(side))
        and history.plant.file.measurements[row.measurement].repeatability
    ]
    found = []
    for measurement, side in sorted({(row.measurement, side) for _, row, side in wanted}):
        asked = [
            (tag, row) for tag, row, s in wanted if (row.measurement, s) == (measurement, side)
        ]
        found += _of_side(history, measurement, side, asked, sizes)
    return sorted(found, key=lambda f: (f.family, f.measurement, f.side, f.recipe))


def _items_by_lot(history: History) -> dict[str, np.ndarray]:
    """Return the number of items of each family in each lot, shape (t,)."""
    (lots,) = history.rows(f"select count(*) from {history.lots}")[0]
    sizes: dict[str, np.ndarray] = {}
    for family, lot, n in history.rows(
        f"select family, lot_id, count(*) from items join {history.lots} using (lot) group by all"
    ):
        sizes.setdefault(str(family), np.zeros(lots))[lot] = n
    return sizes


def _of_side(
    history: History,
    measurement: str,
    side: Side,
    asked: Sequence[tuple[str, Row]],
    sizes: Mapping[str, np.ndarray],
) -> list[LimitFlicker]:
    """Return the flicker of all limits on one side of a measurement, in two passes over the items."""
    known = history.plant.file.measurements[measurement]
    x, reach = quoted(measurement), REACH * known.repeatability
    beyond = ">" if side == "upper" else "<"
    limits = [row.limit(side) for _, row in asked]
    table = pd.DataFrame(
        {
            "n": np.arange(len(asked)),
            "family": [row.name for _, row in asked],
            # The limit is compared as FLOAT, as it is everywhere.
            "at": np.array(limits, dtype=np.float32),
            "middle": np.array(limits, dtype=np.float64),
        }
    )
    history.put("flicker_limits", table)
    join = "items join flicker_limits f using (family)"
    calls = dict(history.rows(f"select n, count(*) from {join} where {x} {beyond} f.at group by n"))
    near = history.connection.execute(
        f"""select n, {x}::double as x, lot_id from {join} join {history.lots} using (lot)
            where abs({x}::double - f.middle) <= {reach!r}"""
    ).fetchnumpy()
    which = np.asarray(near["n"], dtype=np.int64)
    found = []
    for n, (tag, row) in enumerate(asked):
        of = flicker(
            np.asarray(near["x"], dtype=np.float64)[which == n],
            np.asarray(near["lot_id"], dtype=np.int64)[which == n],
            sizes[row.name],
            limit=row.limit(side),
            repeatability=known.repeatability,
            calls=float(calls.get(n, 0)),
        )
        found.append(
            LimitFlicker(
                recipe=tag,
                family=row.name,
                measurement=measurement,
                side=side,
                unit=known.unit,
                limit=row.limit(side),
                repeatability=known.repeatability,
                items=int(sizes[row.name].sum()),
                calls=int(calls.get(n, 0)),
                share=of.share,
                unrepeated=of.unrepeated,
            )
        )
    return found
