"""Result files by content: which belong together, which verdicts speak of them.

Files that share an item are read together, so that the door sets the later row aside as it
does in the whole history. Only files whose times overlap can share one, for the time is part
of an item's key.
"""

import hashlib
import json
import tempfile
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from optimiser.history.contract import KEY, refuse
from optimiser.history.digest.known import Content, Known
from optimiser.history.digest.make import VERSION
from optimiser.history.read import History, find_verdicts, open_history
from optimiser.history.verdicts import missing_columns, read_told, shape_of_told
from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """Files that are digested together, by path, and their content hashes."""

    files: tuple[Path, ...]
    contents: tuple[str, ...]

    @property
    def name(self) -> str:
        """A short name that follows from the contents."""
        return hashlib.sha256(" ".join(self.contents).encode()).hexdigest()[:16]


def ground_of(plant: Plant, revisions: Sequence[Recipe]) -> str:
    """Return a hash of what every digest rests on beside its files and verdicts.

    Parameters
    ----------
    plant : Plant
    revisions : sequence of Recipe
        The live one and those before; their overrides count.
    """
    table = [
        VERSION,
        {name: known.unit for name, known in plant.file.measurements.items()},
        sorted(plant.file.families),
        list(plant.file.line.stages),
        str(plant.file.plant.history_from),
        [shape.model_dump_json() for shape in plant.file.results],
        sorted({repr(row) for recipe in revisions for row in recipe.overrides}),
    ]
    return hashlib.sha256(json.dumps(table).encode()).hexdigest()


def unit_key(ground: str, contents: Sequence[str], told: str) -> str:
    """Return the key of a unit's digest.

    Parameters
    ----------
    ground : str
        ``ground_of``.
    contents : sequence of str
    told : str
        ``Told.within``.
    """
    return hashlib.sha256(" ".join((ground, *contents, told)).encode()).hexdigest()


class Told:
    """Verdicts that arrived later, by the time of the item they speak of.

    Attributes
    ----------
    usable, broken : int
        Rows that can be used if their item is found, and rows that cannot.
    """

    def __init__(self, rows: Sequence[tuple[Any, ...]], broken: int) -> None:
        self._timeless = [r for r in rows if r[0] is None]
        self._rows = sorted((r for r in rows if r[0] is not None), key=lambda r: (r[0], *r[1:3]))
        self._times = [r[0] for r in self._rows]
        self.usable, self.broken = len(rows), broken

    def within(self, first: datetime, last: datetime) -> str:
        """Return a hash of the verdicts on items between two times, in the order they speak."""
        found = self._rows[bisect_left(self._times, first) : bisect_right(self._times, last)]
        found += self._timeless
        spoken = sorted(found, key=lambda r: r[1:3])
        said = [[str(r[0]), *r[3:]] for r in spoken]
        return hashlib.sha256(json.dumps(said).encode()).hexdigest()


def open_told(plant: Plant) -> Told:
    """Read the verdicts that arrived later.

    Raises
    ------
    HistoryError
        If they are named and missing, not readable, or lack a column.
    """
    files = find_verdicts(plant)
    if not files:
        return Told([], 0)
    with (
        tempfile.TemporaryDirectory(prefix="optimiser-") as name,
        History(plant, files, _Workspace(name)) as history,
    ):
        staged = history.stage(files, "told", shape_of_told(plant)).origin
        shaped = plant.file.verdict_files is not None
        errors = missing_columns(history.rows, staged, shaped=shaped)
        if errors:
            raise refuse(errors)
        read_told(history.rows, staged)
        rows = history.rows(
            """select time, nth, place, stage, board, designator, pin, verdict, defect, found_by, weight
               from told_rows where broken is null"""
        )
        broken = history.rows("select count(*) from told_rows where broken is not null")[0][0]
    return Told(rows, broken)


@dataclass(frozen=True, slots=True)
class _Workspace:
    """A temporary folder that somebody else removes."""

    name: str

    def cleanup(self) -> None:
        """Do nothing."""


def units_of(
    plant: Plant, contents: Mapping[Path, str], known: Known, tell: Callable[..., None]
) -> list[Unit]:
    """Return the files by what has to be read together.

    Parameters
    ----------
    plant : Plant
    contents : mapping of Path to str
        Content hashes of usable files; all in ``known.contents``.
    known : Known
        Told which pairs share an item.
    tell : callable
        Told of files that are read together.

    Returns
    -------
    list of Unit
        Sorted by path.
    """
    if _speaks_without_time(plant) and contents:
        # Which item such a verdict means, only all items together can tell.
        tell("together", files=len(contents), why="verdicts come without the time of their item")
        files = tuple(sorted(contents))
        return [Unit(files=files, contents=tuple(contents[f] for f in files))]
    close = list(_overlapping(contents, known.contents))
    _find_shared(plant, contents, close, known)
    tied = [(a, b) for a, b in close if _shares(contents[a], contents[b], known)]
    units = [
        Unit(files=files, contents=tuple(contents[f] for f in files))
        for files in _together(contents, tied)
    ]
    for unit in units:
        if len(unit.files) > 1:
            tell("duplicates", files=[str(f) for f in unit.files], kept="the first of equal rows")
    return units


def _speaks_without_time(plant: Plant) -> bool:
    shape = plant.file.verdict_files
    return shape is not None and "time" not in shape.columns


def _shares(one: str, other: str, known: Known) -> bool:
    return one == other or known.pairs[frozenset((one, other))]


def _overlapping(
    contents: Mapping[Path, str], facts: Mapping[str, Content]
) -> Iterable[tuple[Path, Path]]:
    """Yield the pairs of files whose times overlap, in the order of their paths."""
    by_time = sorted(contents, key=lambda p: (facts[contents[p]].first, p))
    running: list[Path] = []
    for path in by_time:
        first = facts[contents[path]].first
        running = [p for p in running if facts[contents[p]].last >= first]
        yield from ((min(p, path), max(p, path)) for p in running)
        running.append(path)


def _find_shared(
    plant: Plant, contents: Mapping[Path, str], close: Sequence[tuple[Path, Path]], known: Known
) -> None:
    """Find out of pairs that were never compared whether they share an item.

    Files read together lose rows to each other only if they share items, so one reading of
    all tells.
    """
    new = [
        (a, b)
        for a, b in close
        if contents[a] != contents[b] and frozenset((contents[a], contents[b])) not in known.pairs
    ]
    for files in _together({f for pair in new for f in pair}, new):
        sharing = _sharing(plant, _first_of_each(files, contents), contents, known)
        for a, b in new:
            if a in files:
                pair = frozenset((contents[a], contents[b]))
                known.pairs[pair] = pair in sharing


def _first_of_each(files: Sequence[Path], contents: Mapping[Path, str]) -> list[Path]:
    """Return one file of each content."""
    return list({contents[f]: f for f in reversed(files)}.values())


def _sharing(
    plant: Plant, files: Sequence[Path], contents: Mapping[Path, str], known: Known
) -> set[frozenset[str]]:
    """Return which contents share an item, by reading some files together.

    The key of a row set aside for standing twice is its value; keys that only look the same
    as text tie two files together without need, which does no harm.
    """
    with (
        tempfile.TemporaryDirectory(prefix="optimiser-") as name,
        open_history(plant, sorted(files), set_aside=Path(name, "set_aside.csv")) as history,
    ):
        if history.rows_used == sum(known.contents[contents[f]].rows for f in files):
            return set()
        key = f"concat_ws(' ', {', '.join(KEY)})"
        pairs = history.rows(
            f"""with twice as (select file, value from aside where rule = -1
                               union select file, {key} as value from recorded
                               where {key} in (select value from aside where rule = -1))
                select distinct one.name, other.name from twice a join twice b using (value)
                join origin one on one.file = a.file join origin other on other.file = b.file
                where a.file < b.file"""
        )
    return {frozenset((contents[Path(a)], contents[Path(b)])) for a, b in pairs}


def _together(files: Iterable[Path], pairs: Sequence[tuple[Path, Path]]) -> list[tuple[Path, ...]]:
    """Return files in groups that pairs tie together, sorted by path."""
    group = {f: {f} for f in files}
    for a, b in pairs:
        if group[a] is not group[b]:
            merged = group[a] | group[b]
            group |= dict.fromkeys(merged, merged)
    return sorted({tuple(sorted(g)) for g in group.values()})
