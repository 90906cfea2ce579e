"""The recipe that an export carries: limits beside its values, and how they changed."""

import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from optimiser.history.read import find_files, shape_of_result
from optimiser.history.stage import scan_of
from optimiser.intake.translate import translate
from optimiser.plant.file import SIDES, Plant, PlantFile, off_limit
from optimiser.plant.shape import FileShape
from optimiser.recipe.table import Recipe, Row
from optimiser.sql import quoted

Pair = tuple[float | None, float | None]
Place = tuple[str | None, str | None, str | None]
_START = datetime(1, 1, 1)  # noqa: DTZ001 - times of items are UTC without a zone


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """One pair of limits at one place: part, product, designator."""

    place: Place
    limits: Pair
    first: datetime
    last: datetime
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What an export says of its limits.

    Attributes
    ----------
    recipes : tuple of Recipe
        Revisions in the order in which they ran, the last one live; empty where it carries none.
    since : tuple of datetime
        First item under each but the first.
    doubts : tuple of str
        Families and measurements whose limits differ at one time.
    measured : dict of str to set of str
        Measurements by family.
    """

    recipes: tuple[Recipe, ...]
    since: tuple[datetime, ...]
    doubts: tuple[str, ...]
    measured: dict[str, set[str]]


def carried_limits(
    con: duckdb.DuckDBPyConnection,
    found: Sequence[tuple[str, FileShape]],
    plant: PlantFile,
    folder: Path,
) -> Carried:
    """Return the recipe that result files carry.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
    found : sequence of (str, FileShape)
        SQL of the rows of files as they are, and their shape.
    plant : PlantFile
    folder : Path
        Where the plant file lies, or will.

    Returns
    -------
    Carried
    """
    seen: dict[tuple[str, str], list[_Seen]] = defaultdict(list)
    measured: dict[str, set[str]] = defaultdict(set)
    for scan, shape in found:
        for family, name, row in _rows(con, scan, shape, plant, folder):
            measured[family].add(name)
            if row is not None:
                seen[family, name].append(row)
    timelines: dict[tuple[str, str], list[tuple[datetime, Pair]]] = {}
    overrides: list[Row] = []
    doubts: list[str] = []
    for (family, name), rows in sorted(seen.items()):
        timelines[family, name], more, doubt = _settle(family, name, rows, plant)
        overrides += more
        doubts += doubt
    since = sorted({at for line in timelines.values() for at, _ in line[1:]})
    recipes = [
        Recipe(revision=str(n + 1), rows=(*_family_rows(timelines, at, plant), *overrides))
        for n, at in enumerate([_START, *since])
    ]
    return Carried(
        recipes=tuple(recipes) if timelines else (),
        since=tuple(since),
        doubts=tuple(doubts),
        measured=dict(measured),
    )


def carried_of(plant: Plant) -> Carried:
    """Return the recipe that a plant's result files carry.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    Carried
        Without recipes where no ``[[results]]`` names columns of limits.
    """
    with tempfile.TemporaryDirectory(prefix="optimiser-") as name, duckdb.connect() as con:
        con.execute("set TimeZone = 'UTC'")
        con.execute("create table refused(file varchar, row bigint, earlier bigint, line varchar)")
        scans: list[list[str]] = [[] for _ in plant.file.results]
        for n, path in enumerate(find_files(plant)):
            shape = shape_of_result(plant, path)
            if shape is not None and _carries(shape):
                scan, _ = scan_of(con, path, Path(name, f"{n}.parquet"), shape)
                scans[plant.file.results.index(shape)].append(scan)
        pairs = [
            (f"({' union all by name '.join(f'from {s}' for s in some)})", shape)
            for some, shape in zip(scans, plant.file.results, strict=True)
            if some
        ]
        return carried_limits(con, pairs, plant.file, plant.folder)


def _carries(shape: FileShape) -> bool:
    """Return whether files of a shape carry limits."""
    wide = any(m.lower or m.upper for m in shape.measurements.values())
    return wide or shape.form == "messages" or bool({"lower", "upper"} & set(shape.columns))


def differences(carried: Recipe, live: Recipe) -> list[tuple[Row, Row | None]]:
    """Return the rows of a carried recipe that the live one does not have so, with what it has.

    Parameters
    ----------
    carried, live : Recipe

    Returns
    -------
    list of (Row, Row or None)
        Limits are compared as float32, as they are applied.
    """
    known = {(r.scope, r.name, r.measurement): r for r in live.rows}
    found = []
    for row in carried.rows:
        other = known.get((row.scope, row.name, row.measurement))
        if other is None or any(
            np.float32(row.limit(s)) != np.float32(other.limit(s)) for s in SIDES
        ):
            found.append((row, other))
    return found


def _rows(
    con: duckdb.DuckDBPyConnection,
    scan: str,
    shape: FileShape,
    plant: PlantFile,
    folder: Path,
) -> Iterable[tuple[str, str, _Seen | None]]:
    """Yield family, measurement and limits of every place, with their first and last time."""
    made = translate(
        lambda q: con.execute(q).fetchall(), scan, shape, plant, folder=folder, carries=True
    )
    if not made.query:
        return
    con.execute(f"create or replace temp view carried as {made.query}")
    columns = {str(r[0]) for r in con.execute("describe carried").fetchall()}
    place = ", ".join(c if c in columns else "null" for c in ("part", "product", "designator"))
    for name in plant.measurements:
        if name not in columns:
            continue
        limits = ", ".join(
            f"try_cast({quoted(f'{side} {name}')} as double)"
            if f"{side} {name}" in columns
            else "null"
            for side in ("lower", "upper")
        )
        for family, part, product, designator, low, high, first, last, n in con.execute(
            f"""select family, {place}, {limits}, min(try_cast(time as timestamp)),
                  max(try_cast(time as timestamp)), count(*)
                from carried where {quoted(name)} is not null and family is not null group by 1, 2, 3, 4, 5, 6"""
        ).fetchall():
            row = None
            if (low is not None or high is not None) and first is not None:
                at = (part, product, designator)
                row = _Seen(place=at, limits=(low, high), first=first, last=last, number=n)
            yield str(family), name, row


def _settle(
    family: str, name: str, rows: Sequence[_Seen], plant: PlantFile
) -> tuple[list[tuple[datetime, Pair]], list[Row], list[str]]:
    """Return the limits of a family over time, the overrides, and what does not fit together."""
    spans = _spans(rows)
    if not _overlap(spans):
        return [(first, limits) for limits, (first, _, _) in _in_order(spans)], [], []
    commonest = max(spans, key=lambda pair: spans[pair][2])
    by_place: dict[Place, set[Pair]] = defaultdict(set)
    for row in rows:
        by_place[row.place].add(row.limits)
    apart = {place: next(iter(p)) for place, p in by_place.items() if len(p) == 1}
    if len(apart) < len(by_place):
        latest = max(spans, key=lambda pair: (spans[pair][1], spans[pair][2]))
        words = "; ".join(f"{_pair(p)} on {spans[p][2]:,} items" for p in spans)
        doubt = f"{family} {name}: limits differ at one time ({words}); {_pair(latest)} is taken"
        return [(_START, latest)], [], [doubt]
    odd = {place: pair for place, pair in apart.items() if pair != commonest}
    return [(_START, commonest)], list(_overrides(name, odd, apart, plant)), []


def _spans(rows: Sequence[_Seen]) -> dict[Pair, tuple[datetime, datetime, int]]:
    spans: dict[Pair, tuple[datetime, datetime, int]] = {}
    for row in rows:
        first, last, n = spans.get(row.limits, (row.first, row.last, 0))
        spans[row.limits] = (min(first, row.first), max(last, row.last), n + row.number)
    return spans


def _in_order(
    spans: Mapping[Pair, tuple[datetime, datetime, int]],
) -> list[tuple[Pair, tuple[datetime, datetime, int]]]:
    return sorted(spans.items(), key=lambda item: item[1][0])


def _overlap(spans: Mapping[Pair, tuple[datetime, datetime, int]]) -> bool:
    """Return whether two pairs of limits were in force at one time."""
    order = _in_order(spans)
    return any(a[1][1] >= b[1][0] for a, b in pairwise(order))


def _overrides(
    name: str, odd: Mapping[Place, Pair], every: Mapping[Place, Pair], plant: PlantFile
) -> Iterable[Row]:
    """Yield the rows of places whose limits are not the family's: by part where a part is whole."""
    parts = defaultdict(set)
    for (part, _, _), pair in every.items():
        parts[part].add(pair)
    done = set()
    for (part, product, designator), pair in sorted(odd.items(), key=lambda i: str(i[0])):
        whole = part is not None and len(parts[part]) == 1
        scope = "part" if whole else "designator"
        where = part if whole else f"{product}/{designator}" if product else designator
        if where is None or (scope, where) in done:
            continue
        done.add((scope, where))
        yield _row(scope, where, name, pair, plant)


def _family_rows(
    timelines: Mapping[tuple[str, str], Sequence[tuple[datetime, Pair]]],
    at: datetime,
    plant: PlantFile,
) -> Iterable[Row]:
    """Yield the families' limits in force from a time on."""
    for (family, name), line in sorted(timelines.items()):
        pair = next((p for since, p in reversed(line) if since <= at), line[0][1])
        yield _row("family", family, name, pair, plant)


def _row(scope: Any, where: str, name: str, pair: Pair, plant: PlantFile) -> Row:  # noqa: ANN401 - a Scope
    low, high = pair
    return Row(
        scope=scope,
        name=where,
        measurement=name,
        lower=off_limit("lower") if low is None else low,
        upper=off_limit("upper") if high is None else high,
        unit=plant.measurements[name].unit,
    )


def _pair(pair: Pair) -> str:
    low, high = ("none" if x is None else f"{x:g}" for x in pair)
    return f"{low} to {high}"
