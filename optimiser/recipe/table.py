"""A recipe: the limits in force, overrides included, and its CSV and JSON forms.

A row holds both limits of one measurement for one scope: a family, a part, or a
designator. A designator's row beats a part's, a part's beats the family's; the winning
row decides both sides of its measurement. A blank limit means none on that side.

Limits are compared as float32, because measurements are stored as float32: an item is
called iff ``x < lower`` or ``x > upper``; an item at its limit is not called; a
measurement that is null never calls.
"""

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from optimiser.errors import RecipeError, nearest
from optimiser.plant.file import Measurement, Side
from optimiser.values import plain_unit

Scope = Literal["family", "part", "designator"]
SCOPES: tuple[Scope, ...] = ("family", "part", "designator")
COLUMNS = ("scope", "name", "measurement", "lower", "upper", "unit")
FLOAT_MAX = float(np.finfo(np.float32).max)
_REVISION = "# revision "


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Both limits of one measurement in one scope, in the measurement's unit.

    ``lower`` is -inf and ``upper`` +inf where there is no limit.
    """

    scope: Scope
    name: str
    measurement: str
    lower: float
    upper: float
    unit: str

    def limit(self, side: Side) -> float:
        """Return the limit on one side."""
        return self.lower if side == "lower" else self.upper


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """All limits in force, with their revision."""

    revision: str
    rows: tuple[Row, ...]

    def family_rows(self, family: str) -> dict[str, Row]:
        """Return the rows of one family by measurement."""
        return {r.measurement: r for r in self.rows if r.scope == "family" and r.name == family}

    @property
    def overrides(self) -> tuple[Row, ...]:
        """The rows of parts and designators."""
        return tuple(r for r in self.rows if r.scope != "family")

    def families(self) -> set[str]:
        """Return the families that have limits."""
        return {r.name for r in self.rows if r.scope == "family"}

    def with_limits(self, family: str, limits: Mapping[tuple[str, Side], float]) -> "Recipe":
        """Return the recipe with some limits of a family replaced.

        Parameters
        ----------
        family : str
        limits : mapping of (measurement, side) to float
            New limits in the measurement's unit; ±inf takes a limit off.

        Returns
        -------
        Recipe
            Same revision, same order of rows.
        """
        rows = tuple(
            replace(
                r,
                lower=limits.get((r.measurement, "lower"), r.lower),
                upper=limits.get((r.measurement, "upper"), r.upper),
            )
            if r.scope == "family" and r.name == family
            else r
            for r in self.rows
        )
        return replace(self, rows=rows)


def resolve(recipe: Recipe, item: "Place") -> dict[str, Row]:
    """Return the row that decides each measurement of an item.

    Parameters
    ----------
    recipe : Recipe
    item : Place
        Family, part, product and designator of the item.

    Returns
    -------
    dict of measurement to Row
    """
    deciding = recipe.family_rows(item.family)
    for rank in (_by_part, _by_designator, _by_product_designator):
        deciding |= {r.measurement: r for r in recipe.rows if rank(r, item)}
    return deciding


@dataclass(frozen=True, slots=True)
class Place:
    """What decides which rows of a recipe apply to an item."""

    family: str
    part: str | None
    product: str | None
    designator: str | None


def _by_part(row: Row, item: Place) -> bool:
    return row.scope == "part" and row.name == item.part


def _by_designator(row: Row, item: Place) -> bool:
    return row.scope == "designator" and row.name == item.designator


def _by_product_designator(row: Row, item: Place) -> bool:
    return row.scope == "designator" and row.name == f"{item.product}/{item.designator}"


def read_recipe(path: Path, measurements: Mapping[str, Measurement]) -> Recipe:
    """Read a recipe from CSV or JSON and validate it against the plant's measurements.

    Parameters
    ----------
    path : Path
        ``.csv`` or ``.json``.
    measurements : mapping of name to Measurement
        From the plant file; units must agree.

    Returns
    -------
    Recipe

    Raises
    ------
    RecipeError
        Naming file, line, value, rule and way out.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read as text ({error}); name a recipe in CSV or JSON"
        raise RecipeError(msg) from error
    revision, cells = _json_cells(path, text) if path.suffix == ".json" else _csv_cells(path, text)
    try:
        rows = tuple(_row(f"{path}, {place}", cell, measurements) for place, cell in cells)
    except csv.Error as error:
        msg = f"{path}: not readable as CSV ({error}); write it again with one row per line"
        raise RecipeError(msg) from error
    if not rows:
        msg = f"{path}: holds no limits; a recipe needs a row per family and measurement"
        raise RecipeError(msg)
    _refuse_repeats(path, rows)
    return Recipe(revision=revision, rows=rows)


def _csv_cells(path: Path, text: str) -> tuple[str, Iterable[tuple[str, Mapping[str, Any]]]]:
    """Return the revision and the rows of the CSV form."""
    first, _, rest = text.partition("\n")
    if not first.startswith(_REVISION):
        msg = f"{path}, line 1: must be '{_REVISION}NAME', got {first[:40]!r}"
        raise RecipeError(msg)
    reader = csv.DictReader(io.StringIO(rest))
    missing = [c for c in COLUMNS if c not in (reader.fieldnames or ())]
    if missing:
        msg = f"{path}, line 2: column {missing[0]!r} is missing; needed: {', '.join(COLUMNS)}"
        raise RecipeError(msg)
    return first.removeprefix(_REVISION).strip(), (
        (f"line {reader.line_num + 1}", cell) for cell in reader
    )


def _json_cells(path: Path, text: str) -> tuple[str, Iterable[tuple[str, Mapping[str, Any]]]]:
    """Return the revision and the rows of the JSON form."""
    try:
        table = json.loads(text)
        revision, rows = str(table["revision"]), list(table["limits"])
    except (json.JSONDecodeError, KeyError, TypeError) as error:
        msg = f'{path}: must be {{"revision": NAME, "limits": [...]}} ({error})'
        raise RecipeError(msg) from error
    for n, row in enumerate(rows, 1):
        if not isinstance(row, dict) or any(c not in row for c in COLUMNS):
            msg = f"{path}, limit {n}: needs the keys {', '.join(COLUMNS)}"
            raise RecipeError(msg)
    return revision, ((f"limit {n}", row) for n, row in enumerate(rows, 1))


def _row(place: str, cell: Mapping[str, Any], measurements: Mapping[str, Measurement]) -> Row:
    """Return one validated row."""
    _refuse_misfit(place, cell)
    scope, name, measurement = cell["scope"], cell["name"], cell["measurement"]
    if scope not in SCOPES:
        msg = f"{place}: scope must be one of {', '.join(SCOPES)}, got {scope!r}"
        raise RecipeError(msg)
    if not name:
        msg = f"{place}: name is blank; name the {scope}"
        raise RecipeError(msg)
    if measurement not in measurements:
        msg = f"{place}: unknown measurement {measurement!r}; {nearest(measurement, measurements)}"
        raise RecipeError(msg)
    unit = measurements[measurement].unit
    if plain_unit(cell["unit"]) != plain_unit(unit):
        msg = f"{place}: {measurement} is in {unit!r} in plant.toml, got unit {cell['unit']!r}"
        raise RecipeError(msg)
    lower = _limit(f"{place}: lower", cell["lower"], -math.inf)
    upper = _limit(f"{place}: upper", cell["upper"], math.inf)
    if lower > upper:
        msg = (
            f"{place}: lower <= upper must hold for {name} {measurement}, got {lower:g} > {upper:g}"
        )
        raise RecipeError(msg)
    return Row(scope=scope, name=name, measurement=measurement, lower=lower, upper=upper, unit=unit)


def _refuse_misfit(place: str, cell: Mapping[Any, Any]) -> None:
    """Raise if a row has more or fewer cells than the header, or words that are not text."""
    if None in cell:
        msg = f"{place}: has more cells than the header, the last {cell[None]!r}; a decimal point is '.'"
        raise RecipeError(msg)
    for column in ("scope", "name", "measurement", "unit"):
        if not isinstance(cell[column], str):
            msg = f"{place}: {column} must be text, got {cell[column]!r}; fill all of {', '.join(COLUMNS)}"
            raise RecipeError(msg)


def _limit(place: str, text: object, none: float) -> float:
    """Return a limit from its cell; a blank means none."""
    if text is None or text == "":
        return none
    try:
        value = float(str(text))
    except ValueError:
        value = math.nan
    if not abs(value) <= FLOAT_MAX:
        msg = f"{place} must be a finite number or blank for no limit, got {text!r}"
        raise RecipeError(msg)
    return value


def _refuse_repeats(path: Path, rows: Iterable[Row]) -> None:
    """Raise if a scope, name and measurement stand twice."""
    seen: set[tuple[str, str, str]] = set()
    for row in rows:
        key = (row.scope, row.name, row.measurement)
        if key in seen:
            msg = f"{path}: {row.scope} {row.name} {row.measurement} stands twice; keep one row"
            raise RecipeError(msg)
        seen.add(key)


def write_recipe(recipe: Recipe, path: Path) -> None:
    """Write a recipe as CSV or JSON, by the file's ending; reading it back gives it again.

    Parameters
    ----------
    recipe : Recipe
    path : Path
        ``.csv`` or ``.json``.
    """
    path.write_text(to_json(recipe) if path.suffix == ".json" else to_csv(recipe), encoding="utf-8")


def to_csv(recipe: Recipe) -> str:
    """Return the CSV form; numbers in the shortest form that reads back exactly."""
    out = io.StringIO()
    out.write(f"{_REVISION}{recipe.revision}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(_cells(r) for r in recipe.rows)
    return out.getvalue()


def to_json(recipe: Recipe) -> str:
    """Return the JSON form; null for no limit."""
    limits = [
        dict(zip(COLUMNS, (c if c != "" else None for c in _cells(r)), strict=True))
        for r in recipe.rows
    ]
    return json.dumps({"revision": recipe.revision, "limits": limits}, indent=1, ensure_ascii=False)


def _cells(row: Row) -> Iterator[object]:
    """Yield a row's cells in column order."""
    yield from (row.scope, row.name, row.measurement)
    for limit in (row.lower, row.upper):
        yield limit if math.isfinite(limit) else ""
    yield row.unit
