"""The tally: exact counts of a history over a grid, however long the history.

Each limit calls an item at every level tighter than some level and at none looser, so an
item is to every setting what its *signature* is: per limit the number of levels that call
it (its rank). Items with one signature cannot be told apart by any setting, so counting
signatures loses nothing. Counts add up over parts of a history, and are kept apart by
override scope, lot and whether the item was reviewed. Labelled defects are kept one by one.

Ranks compare float32 with float32, strictly: an item at a limit is not called, a
measurement that is NULL has rank 0.
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.history.limits import PlacedLimits, place_limits
from optimiser.history.read import History
from optimiser.plant.file import off_limit
from optimiser.recipe.table import Recipe, Row
from optimiser.sql import quoted, text_literal
from optimiser.tally.grid import Grid

Ranks = NDArray[np.int16]
Columns = Mapping[str, NDArray[Any]]
ROWS_AT_ONCE = 30_000_000
LARGEST = 2**62


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Counts of non-defects by signature, scope, lot and review; n rows.

    Attributes
    ----------
    ranks : ndarray of int16, shape (n, m)
        All 0 where no setting calls, all k_l where every setting does.
    scope, lot : ndarrays of int32, shape (n,)
        Indexes into the tally's ``scopes`` and ``lots``.
    reviewed : ndarray of bool, shape (n,)
        True for reviewed goods, False for items never reviewed.
    settled : ndarray of bool, shape (n,)
        True where an override's own limits call the items, whatever the family's setting.
    count : ndarray of int64, shape (n,)
    """

    ranks: Ranks
    scope: NDArray[np.int32]
    lot: NDArray[np.int32]
    reviewed: NDArray[np.bool_]
    settled: NDArray[np.bool_]
    count: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Defects:
    """The labelled defects one by one; d rows.

    Attributes
    ----------
    frame : DataFrame
        ``time, stage, product, board, designator, pin, part, defect, found_by, weight, live_called``
        and the measurements, as in the history.
    ranks : ndarray of int16, shape (d, m)
    z : ndarray of float64, shape (d, m)
        Coordinates; -inf where not measured or where an override decides.
    settled : ndarray of bool, shape (d,)
        True where an override's limit calls the defect, whatever the family's setting.
    scope, lot : ndarrays of int32, shape (d,)
    """

    frame: pd.DataFrame
    ranks: Ranks
    z: NDArray[np.float64]
    settled: NDArray[np.bool_]
    scope: NDArray[np.int32]
    lot: NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Misread:
    """Goods that review called defects, by a second look at them; r rows, in the cells as well.

    Attributes
    ----------
    ranks : ndarray of int16, shape (r, m)
    lot : ndarray of int32, shape (r,)
    """

    ranks: Ranks
    lot: NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class FamilyTally:
    """One family's history as counts over its grid.

    ``scopes[0]`` is ``""``, the family's own limits; the others are overrides in words.
    ``lots`` are in order of their first item. ``looked_again`` says whether labels of the plant
    were looked at a second time, so that misread goods no longer lie among them as they came.
    """

    family: str
    grid: Grid
    scopes: tuple[str, ...]
    lots: tuple[str, ...]
    cells: Cells
    defects: Defects
    misread: Misread
    looked_again: bool = False

    @property
    def items(self) -> int:
        """Number of items, defects included."""
        return int(self.cells.count.sum()) + len(self.defects.frame)

    def only(self, lots: NDArray[np.bool_]) -> "FamilyTally":
        """Return the tally of some lots, shape (t,), over the same grid; the others are empty."""
        cells, defects = self.cells, self.defects
        kept, known, looked = lots[cells.lot], lots[defects.lot], lots[self.misread.lot]
        return replace(
            self,
            cells=Cells(**{f.name: getattr(cells, f.name)[kept] for f in fields(Cells)}),
            defects=Defects(**{f.name: getattr(defects, f.name)[known] for f in fields(Defects)}),
            misread=Misread(ranks=self.misread.ranks[looked], lot=self.misread.lot[looked]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one setting does to a tallied history, in whole items."""

    calls: int
    true_calls: int
    false_calls: int
    unreviewed_calls: int
    escapes: int


def outcome(tally: FamilyTally, setting: Sequence[int] | NDArray[np.int64]) -> Outcome:
    """Return what a setting would have called; equals a row-by-row replay.

    Parameters
    ----------
    tally : FamilyTally
    setting : array-like of int, shape (m,)
        One level index per limit.

    Returns
    -------
    Outcome
        ``false_calls`` counts reviewed goods; called items that nobody reviewed are apart.
    """
    levels = np.asarray(setting)
    called = tally.cells.settled | is_called(levels, tally.cells.ranks)
    count, reviewed = tally.cells.count, tally.cells.reviewed
    false_calls = int(count[called & reviewed].sum())
    unreviewed = int(count[called & ~reviewed].sum())
    defects = tally.defects
    caught = int((defects.settled | is_called(levels, defects.ranks)).sum())
    return Outcome(
        calls=false_calls + unreviewed + caught,
        true_calls=caught,
        false_calls=false_calls,
        unreviewed_calls=unreviewed,
        escapes=len(tally.defects.ranks) - caught,
    )


def is_called(
    setting: NDArray[np.int64], ranks: NDArray[np.int64] | NDArray[np.int16]
) -> NDArray[np.bool_]:
    """Return which signatures a setting calls: the one place that says so over levels.

    Parameters
    ----------
    setting : ndarray of int, shape (m,) or (n, m)
        One level index per limit; for all signatures or one row for each.
    ranks : ndarray of int, shape (n, m)
        Signatures.

    Returns
    -------
    ndarray of bool, shape (n,)
        An item that an override settles is called besides, whatever the setting.
    """
    return np.asarray((setting < ranks).any(axis=1), dtype=np.bool_)


def add(one: FamilyTally, other: FamilyTally) -> FamilyTally:
    """Return the tally of two parts of a history together.

    Parameters
    ----------
    one, other : FamilyTally
        Over the same grid; no item in both.

    Returns
    -------
    FamilyTally

    Raises
    ------
    ValueError
        If the grids differ.
    """
    if one.family != other.family or not one.grid.same_levels(other.grid):
        msg = f"tallies add over one grid, got two grids of {one.family} and {other.family}"
        raise ValueError(msg)
    scopes = tuple(dict.fromkeys((*one.scopes, *other.scopes)))
    lots = tuple(dict.fromkeys((*one.lots, *other.lots)))
    parts = [_reindexed(t, scopes, lots) for t in (one, other)]
    return replace(
        one,
        scopes=scopes,
        lots=lots,
        cells=_merged([p.cells for p in parts]),
        defects=_joined([p.defects for p in parts]),
    )


def _reindexed(tally: FamilyTally, scopes: Sequence[str], lots: Sequence[str]) -> FamilyTally:
    """Return the tally with its scope and lot indexes pointing into other lists."""
    scope_of = np.array([scopes.index(s) for s in tally.scopes], dtype=np.int32)
    number = {lot: n for n, lot in enumerate(lots)}
    lot_of = np.array([number[lot] for lot in tally.lots], dtype=np.int32)
    cells = replace(tally.cells, scope=scope_of[tally.cells.scope], lot=lot_of[tally.cells.lot])
    defects = replace(
        tally.defects, scope=scope_of[tally.defects.scope], lot=lot_of[tally.defects.lot]
    )
    return replace(tally, cells=cells, defects=defects)


def _merged(parts: Sequence[Cells]) -> Cells:
    """Return cells with equal keys summed."""
    ranks = np.concatenate([p.ranks for p in parts])
    keys = np.column_stack(
        [
            np.concatenate([p.scope for p in parts]),
            np.concatenate([p.lot for p in parts]),
            np.concatenate([p.reviewed for p in parts]),
            np.concatenate([p.settled for p in parts]),
            ranks,
        ]
    ).astype(np.int32)
    count = np.concatenate([p.count for p in parts])
    unique, total = sum_by_row(keys, count)
    return Cells(
        scope=unique[:, 0],
        lot=unique[:, 1],
        reviewed=unique[:, 2].astype(bool),
        settled=unique[:, 3].astype(bool),
        ranks=np.asfortranarray(unique[:, 4:], dtype=np.int16),
        count=total,
    )


def _joined(parts: Sequence[Defects]) -> Defects:
    return Defects(
        frame=pd.concat([p.frame for p in parts], ignore_index=True),
        ranks=np.concatenate([p.ranks for p in parts]),
        z=np.concatenate([p.z for p in parts]),
        settled=np.concatenate([p.settled for p in parts]),
        scope=np.concatenate([p.scope for p in parts]),
        lot=np.concatenate([p.lot for p in parts]),
    )


def sum_by_row(
    keys: NDArray[np.int32], count: NDArray[np.int64]
) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Return the distinct rows of an array, sorted, and the sum of counts of each.

    Parameters
    ----------
    keys : ndarray of int32, shape (n, q)
        Values >= 0.
    count : ndarray of int64, shape (n,)

    Returns
    -------
    unique : ndarray of int32, shape (u, q)
    total : ndarray of int64, shape (u,)
    """
    if not len(keys):
        return keys, count
    packed = _packed(keys)
    order = np.argsort(packed)
    starts = np.flatnonzero(np.r_[True, np.diff(packed[order]) != 0])
    return keys[order[starts]], np.add.reduceat(count[order], starts)


def _packed(keys: NDArray[np.int32]) -> NDArray[np.int64]:
    """Return one number a row, in the order of the rows and equal where these are equal.

    Sorting it is many times faster than sorting by all columns. Where the numbers would grow
    too large, they are replaced by their places among the distinct ones, so that there may be
    any number of columns.
    """
    packed = np.zeros(len(keys), dtype=np.int64)
    values = 1
    for column, span in zip(keys.T, (keys.max(axis=0).astype(np.int64) + 1).tolist(), strict=True):
        if span == 1:
            continue
        if values > LARGEST // span:
            packed, values = _places(packed)
            if values == len(keys):
                break  # No two rows are equal, and their order is known.
        packed *= span
        packed += column
        values *= span
    return packed


def _places(numbers: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Return each number's place among the distinct ones, and how many these are."""
    order = np.argsort(numbers)
    ascending = numbers[order]
    places = np.empty(len(numbers), dtype=np.int64)
    places[order] = np.cumsum(np.r_[False, ascending[1:] != ascending[:-1]])
    return places, int(places[order[-1]]) + 1


def tally_history(
    history: History, grids: Mapping[str, Grid], live: Recipe
) -> dict[str, FamilyTally]:
    """Count a history over the grids of its families.

    One scan finds the items outside any tightest level (the others are one number per lot),
    one cheap scan counts all items by lot.

    Parameters
    ----------
    history : History
    grids : mapping of family to Grid
    live : Recipe
        Its overrides decide the measurements they name, whatever the family's setting.

    Returns
    -------
    dict of family to FamilyTally
    """
    limits = place_limits(history, "tally_limits", {"tight": tightest(live, grids), "live": live})
    places = list(limits.scopes)
    lots = tuple(str(r[0]) for r in history.rows(f"select lot from {history.lots} order by lot_id"))
    totals = _totals(history, limits)
    looked_at = _looked_at(history, limits)
    hot: dict[int, list[Columns]] = {}
    for files in _batches(history):
        for place, columns in _hot(history, limits, files):
            hot.setdefault(place, []).append(columns)
    counted = Counted(
        limits=limits, places=places, lots=lots, totals=totals, hot=hot, looked_at=looked_at
    )
    return tallies_of(grids, counted)


def tallies_of(grids: Mapping[str, Grid], counted: "Counted") -> dict[str, FamilyTally]:
    """Return the tallies of all families from what the scans brought, in whatever engine."""
    families = counted.limits.families
    own = {f: [n for n, p in enumerate(counted.places) if families[p] == f] for f in grids}
    # Sorting and searching let other threads run, so families need not wait for each other.
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        tallies = pool.map(lambda f: _family_tally(grids[f], own[f], counted), grids)
        return dict(zip(grids, tallies, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Counted:
    """What the scans brought, for all families.

    ``looked_at`` holds the labelled defects and what a second look judged, one row an item.
    """

    limits: PlacedLimits
    places: Sequence[str]
    lots: tuple[str, ...]
    totals: pd.DataFrame
    hot: Mapping[int, list[Columns]]
    looked_at: pd.DataFrame


def tightest(live: Recipe, grids: Mapping[str, Grid]) -> Recipe:
    """Return the recipe whose family limits all stand at their tightest level."""
    rows = list(live.overrides)
    for family, grid in grids.items():
        tight = grid.values(np.zeros(len(grid.limits), dtype=np.int64))
        units = {limit.measurement: limit.unit for limit in grid.limits}
        rows += [
            Row(
                scope="family",
                name=family,
                measurement=m,
                lower=tight.get((m, "lower"), off_limit("lower")),
                upper=tight.get((m, "upper"), off_limit("upper")),
                unit=unit,
            )
            for m, unit in units.items()
        ]
    return Recipe(revision="tightest", rows=tuple(rows))


def _totals(history: History, limits: PlacedLimits) -> pd.DataFrame:
    """Return the number of non-defects by place, lot and review."""
    return history.connection.execute(
        f"""select b.place_id, l.lot_id, t.reviewed, t.n::bigint as n from
              (select {limits.place.replace("{i}", "i")} as place, i.lot,
                 i.verdict is not null as reviewed, {history.number} as n
               from {history.counts} i where i.verdict is distinct from 'defect' group by all) t
            join {limits.table} b using (place) join {history.lots} l using (lot) order by 1, 2, 3"""
    ).df()


def _batches(history: History) -> list[list[str]]:
    """Return the scanned files in batches of at most ROWS_AT_ONCE rows; [[]] for all at once."""
    if history.rows_used <= ROWS_AT_ONCE or history.counts != "items":
        return [[]]
    sizes = history.rows("select file, count(*) from items group by file order by file")
    batches: list[list[str]] = [[]]
    filled = 0
    for file, rows in sizes:
        if filled and filled + rows > ROWS_AT_ONCE:
            batches.append([])
            filled = 0
        batches[-1].append(file)
        filled += rows
    return batches


def _hot(
    history: History, limits: PlacedLimits, files: Sequence[str]
) -> Iterator[tuple[int, Columns]]:
    """Yield by place the non-defects outside any tightest level: lot, review, measurements."""
    measured = ", ".join(f"i.{quoted(m)}" for m in history.measurements)
    only = f"and i.file in ({', '.join(text_literal(f) for f in files)})" if files else ""
    found = history.connection.execute(
        f"""select h.* exclude (lot), l.lot_id from
              (select b.place_id, i.lot, i.verdict is not null as reviewed, {measured}
               from {limits.join()}
               where i.verdict is distinct from 'defect' {only} and ({limits.outside("tight")})) h
            join {history.lots} l using (lot)"""
    ).fetchnumpy()
    columns = {name: _plain(np.asanyarray(values)) for name, values in found.items()}
    yield from by_place(columns, len(limits.scopes))


def by_place(columns: Columns, places: int) -> Iterator[tuple[int, Columns]]:
    """Yield columns by place, from columns of which one is ``place_id``, below ``places``."""
    # Sixteen bits are sorted by radix, many times faster; places are few.
    few = places <= np.iinfo(np.uint16).max
    place_id = columns["place_id"].astype(np.uint16) if few else columns["place_id"]
    order = np.argsort(place_id, kind="stable")
    columns = {name: values[order] for name, values in columns.items()}
    present, starts = np.unique(columns["place_id"], return_index=True)
    stops = np.append(starts, len(order))[1:]
    for place, start, stop in zip(present, starts, stops, strict=True):
        yield int(place), {name: values[start:stop] for name, values in columns.items()}


def _plain(values: NDArray[Any]) -> NDArray[Any]:
    """Return a fetched column with NaN where it was NULL."""
    return values.filled(np.nan) if isinstance(values, np.ma.MaskedArray) else values


def _looked_at(history: History, limits: PlacedLimits) -> pd.DataFrame:
    """Return labelled defects and second looks with place, lot and what the live recipe does."""
    measured = ", ".join(f"i.{quoted(m)}" for m in history.measurements)
    return history.connection.execute(
        f"""select b.place_id, l.lot_id, i.time, i.stage, i.product, i.board, i.designator, i.pin, i.part,
              i.verdict, i.defect, i.found_by, i.weight, {limits.called("live")} as live_called, {measured}
            from {limits.join(history.looked_at)} join lots l on l.lot = i.lot
            order by i.time, i.board, i.designator, i.pin, i.stage"""
    ).df()


def _family_tally(grid: Grid, places: Sequence[int], counted: Counted) -> FamilyTally:
    """Return one family's tally from what the scans brought."""
    named = [counted.limits.scopes[counted.places[p]] for p in places]
    scopes = tuple(dict.fromkeys(["", *named]))
    scope_of = {p: scopes.index(name) for p, name in zip(places, named, strict=True)}
    parts = [
        _cells_of_place(grid, p, scope_of[p], counted)
        for p in places
        if p in set(counted.totals["place_id"])
    ]
    looked_at = counted.looked_at[counted.looked_at["place_id"].isin(places)]
    labelled, misread = (
        _defects(grid, looked_at[looked_at["verdict"] == verdict], scope_of, counted)
        for verdict in ("defect", "good")
    )
    return FamilyTally(
        family=grid.family,
        grid=grid,
        scopes=scopes,
        lots=counted.lots,
        cells=_joined_cells(parts, len(grid.limits)),
        defects=labelled,
        misread=Misread(ranks=misread.ranks, lot=misread.lot),
        looked_again=bool((counted.looked_at["found_by"] == "second look").any()),
    )


def _joined_cells(parts: Sequence[Cells], m: int) -> Cells:
    """Return the cells of a family's places together."""
    if len(parts) == 1:
        return parts[0]
    return _merged(parts) if parts else _no_cells(m)


def _no_cells(m: int) -> Cells:
    empty = np.zeros(0, dtype=np.int32)
    return Cells(
        ranks=np.zeros((0, m), dtype=np.int16),
        scope=empty,
        lot=empty,
        reviewed=empty.astype(bool),
        settled=empty.astype(bool),
        count=empty.astype(np.int64),
    )


def _cells_of_place(grid: Grid, place: int, scope: int, counted: Counted) -> Cells:
    """Return the cells of one place: its hot items by signature, the rest by lot alone."""
    total = counted.totals[counted.totals["place_id"] == place]
    rest = np.zeros((len(counted.lots), 2), dtype=np.int64)
    rest[total["lot_id"], total["reviewed"].astype(int)] = total["n"]
    overridden = _overridden(counted, place)
    found = [_hot_keys(grid, columns, overridden) for columns in counted.hot.get(place, [])]
    m = len(grid.limits)
    hot = np.concatenate(found) if len(found) > 1 else (found or [_no_keys(m)])[0]
    hot, n = sum_by_row(hot, np.ones(len(hot), dtype=np.int64))
    # Hot items were counted with the others too; what is left lies inside every level.
    np.subtract.at(rest, (hot[:, 0], hot[:, 1]), n)
    lot, reviewed = np.nonzero(rest)
    return Cells(
        ranks=np.asfortranarray(
            np.concatenate([np.zeros((len(lot), m), dtype=np.int32), hot[:, 3:]]), dtype=np.int16
        ),
        scope=np.full(len(lot) + len(n), scope, dtype=np.int32),
        lot=np.concatenate([lot, hot[:, 0]]).astype(np.int32),
        reviewed=np.concatenate([reviewed, hot[:, 1]]).astype(bool),
        settled=np.concatenate([np.zeros(len(lot)), hot[:, 2]]).astype(bool),
        count=np.concatenate([rest[lot, reviewed], n]),
    )


def _no_keys(m: int) -> NDArray[np.int32]:
    return np.zeros((0, 3 + m), dtype=np.int32)


def _hot_keys(grid: Grid, columns: Columns, overridden: Mapping[str, Row]) -> NDArray[np.int32]:
    """Return lot, review, whether an override calls, and ranks of hot items, shape (n, 3 + m)."""
    # Column after column, as it is filled and later packed.
    keys = np.empty((len(columns["lot_id"]), 3 + len(grid.limits)), dtype=np.int32, order="F")
    keys[:, 0], keys[:, 1] = columns["lot_id"], columns["reviewed"]
    keys[:, 2] = is_settled(columns, overridden)
    keys[:, 3:] = signatures(grid, columns, overridden)
    return keys


def _overridden(counted: Counted, place: int) -> dict[str, Row]:
    """Return the rows of overrides that decide measurements at a place."""
    rows = counted.limits.rows["live", counted.places[place]]
    return {m: row for m, row in rows.items() if row.scope != "family"}


def signatures(grid: Grid, columns: Columns, overridden: Mapping[str, Row]) -> Ranks:
    """Return the signatures of items.

    Parameters
    ----------
    grid : Grid
    columns : mapping of measurement to ndarray, shape (n,)
        NaN where not measured; at least one column of any name.
    overridden : mapping of measurement to Row
        Limits that decide instead of the family's; they call at every setting or at none.

    Returns
    -------
    ndarray of int16, shape (n, m)
        All k_l for items that every setting calls.
    """
    levels = np.array([len(limit.z) for limit in grid.limits], dtype=np.int16)
    size = len(next(iter(columns.values())))
    ranks = np.zeros((size, len(levels)), dtype=np.int16, order="F")
    always = is_settled(columns, overridden)
    for n, limit in enumerate(grid.limits):
        if limit.measurement not in overridden:
            ranks[:, n] = rank(limit.z, limit.sign * _float32(columns, limit.measurement))
            always |= ranks[:, n] == levels[n]
    ranks[always] = levels
    return ranks


def is_settled(columns: Columns, overridden: Mapping[str, Row]) -> NDArray[np.bool_]:
    """Return which items an override's own limits call, shape (n,)."""
    settled = np.zeros(len(next(iter(columns.values()))), dtype=bool)
    for measurement, row in overridden.items():
        x = _float32(columns, measurement)
        settled |= (x < np.float32(row.lower)) | (x > np.float32(row.upper))
    return settled


def _float32(columns: Columns, measurement: str) -> NDArray[np.float32]:
    return np.asarray(columns[measurement], dtype=np.float32)


def rank(levels: NDArray[np.float32], z: NDArray[np.float32]) -> NDArray[np.int16]:
    """Return how many levels call each item: those strictly below its z; NaN gives 0.

    Parameters
    ----------
    levels : ndarray of float32, shape (k,)
        Ascending.
    z : ndarray of float32, shape (n,)

    Returns
    -------
    ndarray of int16, shape (n,)
    """
    found = np.searchsorted(levels, z, side="left")
    found[np.isnan(z)] = 0
    return found.astype(np.int16)


def _defects(
    grid: Grid, frame: pd.DataFrame, scope_of: Mapping[int, int], counted: Counted
) -> Defects:
    """Return a family's labelled items with their signatures and coordinates."""
    frame = frame.reset_index(drop=True)
    ranks = np.zeros((len(frame), len(grid.limits)), dtype=np.int16)
    z = np.full((len(frame), len(grid.limits)), -np.inf)
    settled = np.zeros(len(frame), dtype=bool)
    place_ids = frame["place_id"].to_numpy()
    for place in np.unique(place_ids):
        here = place_ids == place
        overridden = _overridden(counted, int(place))
        columns = {str(name): column.to_numpy()[here] for name, column in frame.items()}
        ranks[here] = signatures(grid, columns, overridden)
        settled[here] = is_settled(columns, overridden)
        for n, limit in enumerate(grid.limits):
            if limit.measurement not in overridden:
                x = limit.sign * _float32(columns, limit.measurement).astype(np.float64)
                z[here, n] = np.where(np.isnan(x), -np.inf, x)
    return Defects(
        frame=frame.drop(columns=["place_id", "lot_id", "verdict"]),
        ranks=ranks,
        z=z,
        settled=settled,
        scope=np.array([scope_of[int(p)] for p in place_ids], dtype=np.int32),
        lot=frame["lot_id"].to_numpy(dtype=np.int32),
    )
