"""Flicker of every limit of some recipes, from the readings of a history."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimiser.evidence.flicker import REACH, flicker
from optimiser.evidence.intervals import Interval
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Side
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal


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
    found = []
    for tag, recipe in recipes.items():
        for row in recipe.rows:
            known = history.plant.file.measurements[row.measurement]
            if row.scope != "family" or family not in (None, row.name) or row.name not in sizes:
                continue
            for side in SIDES:
                limit = row.limit(side)
                if np.isfinite(limit) and known.repeatability:
                    found.append(_one(history, tag, row.name, row.measurement, side, limit, sizes))
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


def _one(  # noqa: PLR0917 - what names a limit
    history: History,
    tag: str,
    family: str,
    measurement: str,
    side: Side,
    limit: float,
    sizes: Mapping[str, np.ndarray],
) -> LimitFlicker:
    """Return the flicker of one limit."""
    known = history.plant.file.measurements[measurement]
    x, reach = quoted(measurement), REACH * known.repeatability
    here = f"family = {text_literal(family)}"
    beyond = ">" if side == "upper" else "<"
    # The limit is compared as FLOAT, as it is everywhere.
    at = f"{float(np.float32(limit))!r}::float"
    (calls,) = history.rows(f"select count(*) from items where {here} and {x} {beyond} {at}")[0]
    near = history.connection.execute(
        f"""select {x}::double as x, lot_id from items join {history.lots} using (lot)
            where {here} and abs({x}::double - {limit!r}) <= {reach!r}"""
    ).fetchnumpy()
    found = flicker(
        np.asarray(near["x"], dtype=np.float64),
        np.asarray(near["lot_id"], dtype=np.int64),
        sizes[family],
        limit=limit,
        repeatability=known.repeatability,
        calls=float(calls),
    )
    return LimitFlicker(
        recipe=tag,
        family=family,
        measurement=measurement,
        side=side,
        unit=known.unit,
        limit=limit,
        repeatability=known.repeatability,
        items=int(sizes[family].sum()),
        calls=int(calls),
        share=found.share,
        unrepeated=found.unrepeated,
    )
