"""Limits as a FLOAT table that is joined to items: the one way a recipe meets a history.

Limits are never literals or bound parameters: ``float32(0.1) > 0.1`` is true or false
depending on how 0.1 reaches the engine. No limit is ±inf, never NULL.

An item's *place* is the key of that table: its family, or, where an override of any recipe
may apply, family, part, product and designator together.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd

from optimiser.plant.file import SIDES, Plant, Side, off_limit
from optimiser.recipe.table import Place, Recipe, Row, resolve
from optimiser.sql import quoted, text_literal

_SEPARATOR = "\x1f"


class HoldsItems(Protocol):
    """What limits are joined to: a table ``items`` in the contract's types, in whatever engine."""

    @property
    def plant(self) -> Plant:
        """The plant whose items they are."""

    @property
    def measurements(self) -> tuple[str, ...]:
        """Columns of ``items``."""

    @property
    def counts(self) -> str:
        """Name of the table that is counted."""

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Return all rows of a query."""

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Replace a table by a frame; float32 columns become FLOAT."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedLimits:
    """A table of limits by place, and the SQL to use it.

    Attributes
    ----------
    table : str
        Name of the table: ``place, place_id, family`` and the limits as FLOAT.
    place : str
        SQL that gives an item's place.
    scopes : mapping of place to str
        ``""`` for a family's own limits, else the override in words.
    rows : mapping of (tag, place) to mapping of measurement to Row
        The deciding rows.
    measurements : tuple of str
    """

    table: str
    place: str
    scopes: Mapping[str, str]
    families: Mapping[str, str]
    rows: Mapping[tuple[str, str], Mapping[str, Row]]
    measurements: tuple[str, ...]

    def called(self, tag: str, items: str = "i", limits: str = "b") -> str:
        """Return SQL: true where one recipe calls an item, false where it does not.

        A measurement that is NULL compares to NULL and so never calls.
        """
        return f"coalesce({self.outside(tag, items, limits)}, false)"

    def _tests(self, tag: str, items: str, limits: str) -> list[str]:
        return [
            f"{items}.{quoted(m)} {sign} {limits}.{limit_column(tag, n, side)}"
            for n, m in enumerate(self.measurements)
            for side, sign in zip(SIDES, "<>", strict=True)
            if self._in_use(tag, m, side)
        ] or ["false"]

    def _in_use(self, tag: str, measurement: str, side: Side) -> bool:
        """Return whether any place has this limit; the others need no comparison."""
        rows = (self.rows[tag, place].get(measurement) for place in self.scopes)
        return any(row is not None and math.isfinite(row.limit(side)) for row in rows)

    def outside(self, tag: str, items: str = "i", limits: str = "b") -> str:
        """Return SQL that holds where one recipe calls an item; for WHERE, NULL is no."""
        return " or ".join(self._tests(tag, items, limits))

    def join(self, table: str = "items") -> str:
        """Return SQL of items ``i`` joined with their limits ``b``."""
        return f"{table} i join {self.table} b on b.place = {self.place.replace('{i}', 'i')}"


def limit_column(tag: str, n: int, side: Side) -> str:
    """Return the name of the column of one limit."""
    return f"{side}_{tag}_{n}"


def place_limits(history: HoldsItems, table: str, recipes: Mapping[str, Recipe]) -> PlacedLimits:
    """Make the table of limits of some recipes for every place of a history.

    Parameters
    ----------
    history : HoldsItems
        A History, or a table in another engine.
    table : str
        Name of the temporary table to make.
    recipes : mapping of tag to Recipe
        Recipes to hold side by side; tags become part of column names.

    Returns
    -------
    PlacedLimits
    """
    overridden = [row for recipe in recipes.values() for row in recipe.overrides]
    places = {f: Place(f, None, None, None) for f in history.plant.file.families}
    where = may_be_overridden(overridden)
    if where:
        for row in history.rows(
            f"""select distinct family, part, product, designator from {history.counts} i
                where {where.replace("{i}", "i")} order by 1, 2, 3, 4"""
        ):
            places[_key(Place(*row))] = Place(*row)
    rows = {
        (tag, key): resolve(recipe, p)
        for tag, recipe in recipes.items()
        for key, p in places.items()
    }
    scopes = {key: _scope(recipes, rows, key) for key in places}
    _write(history, table, places, rows, tuple(recipes))
    return PlacedLimits(
        table=table,
        place=_place_sql(where),
        scopes=scopes,
        families={key: p.family for key, p in places.items()},
        rows=rows,
        measurements=history.measurements,
    )


def _key(place: Place) -> str:
    return _SEPARATOR.join(
        (place.family, place.part or "", place.product or "", place.designator or "")
    )


def may_be_overridden(rows: Sequence[Row]) -> str:
    """Return SQL that is true for items that an override may concern; empty without any."""
    parts = {r.name for r in rows if r.scope == "part"}
    designators = {r.name.rpartition("/")[2] for r in rows if r.scope == "designator"}
    designators |= {r.name for r in rows if r.scope == "designator"}
    tests = [f"{{i}}.part in ({_listed(parts)})"] if parts else []
    tests += [f"{{i}}.designator in ({_listed(designators)})"] if designators else []
    return f"coalesce({' or '.join(tests)}, false)" if tests else ""


def _listed(names: Iterable[str]) -> str:
    return ", ".join(text_literal(n) for n in sorted(names))


def _place_sql(where: str) -> str:
    if not where:
        return "{i}.family"
    parts = ", ".join(
        (
            "{i}.family",
            "coalesce({i}.part, '')",
            "coalesce({i}.product, '')",
            "coalesce({i}.designator, '')",
        )
    )
    return f"case when {where} then concat_ws('{_SEPARATOR}', {parts}) else {{i}}.family end"


def _scope(
    recipes: Mapping[str, Recipe], rows: Mapping[tuple[str, str], Mapping[str, Row]], key: str
) -> str:
    """Return the overrides that decide at a place, in words; empty where there is none."""
    found = {
        f"{row.scope} {row.name}"
        for tag in recipes
        for row in rows[tag, key].values()
        if row.scope != "family"
    }
    return " + ".join(sorted(found))


def _write(
    history: HoldsItems,
    table: str,
    places: Mapping[str, Place],
    rows: Mapping[tuple[str, str], Mapping[str, Row]],
    tags: Sequence[str],
) -> None:
    """Write the table; every limit column is FLOAT."""
    columns: dict[str, object] = {
        "place": list(places),
        "place_id": np.arange(len(places), dtype=np.int32),
        "family": [p.family for p in places.values()],
    }
    for tag in tags:
        for n, measurement in enumerate(history.measurements):
            for side in SIDES:
                limits = [
                    row.limit(side) if (row := rows[tag, key].get(measurement)) else off_limit(side)
                    for key in places
                ]
                columns[limit_column(tag, n, side)] = np.array(limits, dtype=np.float32)
    history.put(table, pd.DataFrame(columns))
