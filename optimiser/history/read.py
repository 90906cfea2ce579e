"""The door of the history: files in, one clean relation ``items`` out.

DuckDB scans Parquet where it lies; CSV is staged once as text in Parquet in a temporary
folder. Whatever the files hold, ``items`` has the contract's columns and types:
measurements FLOAT with NULL for not measured (NaN never passes this door, see ``_number``),
text VARCHAR, ``time`` TIMESTAMP in UTC. Rows that break a rule are left out of ``items``,
counted, and written to ``set_aside.csv`` beside the history.
"""

import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from copy import copy
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import pandas as pd

from optimiser.errors import HistoryError, UsageError
from optimiser.history.contract import (
    FINDERS,
    KEY,
    REQUIRED,
    TEXT,
    VERDICTS,
    Finding,
    production_days,
    refuse,
)
from optimiser.history.filters import Filter
from optimiser.history.schema import Schema, read_schema
from optimiser.history.stage import ShapeOf, Staged, stage
from optimiser.history.verdicts import (
    aside_rows,
    missing_columns,
    shape_of_told,
    take_verdicts,
    with_verdicts,
)
from optimiser.intake.text import is_result
from optimiser.intake.translate import PLACE
from optimiser.plant.file import Plant
from optimiser.plant.shape import FileShape, shape_of
from optimiser.sql import quoted, text_literal
from optimiser.values import FORMULA, INFINITE

SET_ASIDE, NO_RESULTS = "set_aside.csv", "no result files"
# The door looks at every row for the rules and for duplicates.
PASSES = 2
# About so many of a family are sampled, at least half of them; 1 % of 8,192, a tail, is 80 items.
SAMPLE = 8192
_PARTS = count(1)
_AHEAD, _LATEST = timedelta(days=1), "a day from now"
HASH = "hash(i.board, i.designator, i.pin)"
_FLOAT_MAX = "3.4028234e38"
# No result file may have these, so that its own columns cannot be taken for ours.
_FILE, _ROW, _RULE = "optimiser_file", "optimiser_row", "optimiser_rule"
# Errors of the SQL rather than of the files; a damaged file raises nearly any other.
_OF_THE_SQL = (duckdb.ParserException, duckdb.BinderException, duckdb.CatalogException)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule on one row: SQL that is true where it is broken, and the words."""

    broken: str
    words: str
    way_out: str
    column: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one look through all rows tells: rows that break a rule, without a lot, and who holds NaN."""

    broken: int
    without_lot: int
    with_nan: frozenset[str]


class History:
    """An open history: a DuckDB connection with the view ``items``.

    Use it as a context manager; closing it removes the staged files, and a file that breaks
    off while it is open becomes a HistoryError.

    Attributes
    ----------
    connection : duckdb.DuckDBPyConnection
    plant : Plant
    measurements : tuple of str
        The plant's measurements, in its order; columns of ``items``.
    findings : tuple of Finding
        Rows set aside and notes.
    rows_used, rows_set_aside : int
    files : tuple of Path
    set_aside : Path
        Where rows that break a rule are written.
    rows_found : int
        Rows in the files; 0 until they have been looked into.
    is_part : bool
        Whether only some files are open: verdicts that find no item here may find one elsewhere.

    Notes
    -----
    Whoever only counts reads the table ``counts``, in which a row stands for ``number`` items,
    ``recorded`` of them with a recorded call. Here that is ``items`` itself; stored counts of a
    history stand in its place.
    """

    counts = "items"
    number = "count(*)"
    day = "time::date"
    recorded = "count(called)"
    first_time, last_time = "min(time)", "max(time)"
    by_lot: tuple[str, ...] = ("items",)

    def __init__(
        self,
        plant: Plant,
        files: Sequence[Path],
        workspace: Any,  # noqa: ANN401
        threads: int | None = None,
    ) -> None:
        self.plant = plant
        self.files = tuple(files)
        self.measurements = tuple(plant.file.measurements)
        self.findings: tuple[Finding, ...] = ()
        self.rows_used = 0
        self.rows_set_aside = 0
        self.set_aside = plant.folder / SET_ASIDE
        self.is_part = False
        self._workspace = workspace
        self._part = 0
        self.connection = duckdb.connect(
            config={"temp_directory": str(Path(workspace.name) / "spill"), "memory_limit": "1500MB"}
        )
        if threads is not None:
            self.connection.execute(f"set threads = {threads}")
        self.connection.execute("set TimeZone = 'UTC'")
        self.rows_found = self._passes = 0
        # In a notebook the engine would draw bars of its own into whatever cell is running.
        self.connection.execute("set enable_progress_bar = true")
        self.connection.execute("set enable_progress_bar_print = false")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
        if isinstance(error, duckdb.Error) and not isinstance(error, _OF_THE_SQL):
            raise _broken_file(self.files, error) from error

    def close(self) -> None:
        """Close the connection and remove the staged files; a part of a history only its own."""
        if self._part:
            with suppress(duckdb.Error):  # the whole history may be closed already
                self.connection.execute("set search_path = 'main'")
                self.connection.execute(f"drop schema {self._place} cascade")
        self.connection.close()
        if not self._part:
            self._workspace.cleanup()

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Return all rows of a query; broken files become a HistoryError.

        Raises
        ------
        HistoryError
            If a file cannot be read to its end.
        """
        try:
            return self.connection.execute(query).fetchall()
        except duckdb.Error as error:
            if isinstance(error, _OF_THE_SQL):
                raise
            raise _broken_file(self.files, error) from error

    @property
    def rows_read(self) -> int:
        """How many rows have passed the door so far; of ``rows_found``, asked from another thread."""
        if self._passes == PASSES:
            return self.rows_found
        part = max(float(self.connection.query_progress()), 0.0) / 100
        return round(self.rows_found * min((self._passes + part) / PASSES, 1.0))

    def passed(self) -> None:
        """Note that all rows were looked at once more."""
        self._passes += 1

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Replace a table by a frame; float32 columns become FLOAT."""
        self.connection.register("_frame", frame)
        self.connection.execute(f"create or replace table {table} as from _frame")
        self.connection.unregister("_frame")

    def stage(self, files: Sequence[Path], name: str, shape_of: ShapeOf) -> Staged:
        """Make files ready to be scanned, in the workspace, in a folder of this name."""
        self.rows(
            "create table if not exists refused(file varchar, row bigint, earlier bigint, line varchar)"
        )
        return stage(self.connection, files, Path(self._workspace.name, name), self.plant, shape_of)

    def between(self, first: int = 0, stop: int | None = None) -> Self:
        """Return some lots of this history as one of their own; this one stays what it is.

        Parameters
        ----------
        first, stop : int
            Lots ``first`` to ``stop - 1``, in order of their first item; None is to the last.

        Returns
        -------
        History
            To be closed like any other, before this one. Rows used and set aside, findings and
            the density of samples are the whole history's.
        """
        upper = "" if stop is None else f"and lot_id < {stop}"
        lots = f"(from {self._place}.{self.lots} where lot_id >= {first} {upper})"
        return self._part_of(
            {
                t: f"select t.* from {self._place}.{t} t semi join {lots} l using (lot)"
                for t in self.by_lot
            }
        )

    def only(self, wanted: Filter) -> Self:
        """Return the items that a filter lets through as a history of its own.

        Parameters
        ----------
        wanted : Filter

        Returns
        -------
        History
            As ``between`` gives it; it may have no item at all.

        Raises
        ------
        UsageError
            If only counts of this history are kept, which know nothing of places and hours.
        """
        if self.by_lot != ("items",):
            msg = "stored counts know no lines, places and hours: open the history itself to filter it"
            raise UsageError(msg)
        return self._part_of(
            {"items": f"select i.* from {self._place}.items i where {wanted.where('i')}"}
        )

    def _part_of(self, tables: Mapping[str, str]) -> Self:
        """Return a history whose tables are those queries; what it has not is the whole one's."""
        part = copy(self)
        part._part = next(_PARTS)
        part.connection = self.connection.cursor()
        place = f"part{part._part}"
        for query in (
            "set TimeZone = 'UTC'",
            "set enable_progress_bar = false",
            f"create schema {place}",
            *(f"create view {place}.{table} as {select}" for table, select in tables.items()),
            f"set search_path = '{place},main'",
        ):
            part.rows(query)
        return part

    @property
    def _place(self) -> str:
        """Name of the schema that holds this history's own tables."""
        return f"part{self._part}" if self._part else "main"

    @property
    def defects(self) -> str:
        """Name of a view of the labelled defects."""
        self.connection.execute(
            f"create view if not exists defects as from {self.looked_at} where verdict = 'defect'"
        )
        return "defects"

    @property
    def looked_at(self) -> str:
        """Name of a table of the labelled defects and of what a second look judged, made at first use.

        They are few. A second look is asked for labelled defects alone, so its goods were misread.
        """
        self.connection.execute(
            "create table if not exists looked_at as "
            "from items where verdict = 'defect' or found_by = 'second look'"
        )
        return "looked_at"

    @property
    def lots(self) -> str:
        """Name of a table of the lots, numbered in order of their first item.

        Made at first use: ``lot, lot_id, first, last``.
        """
        self.connection.execute(
            f"""create table if not exists lots as
                select lot, (row_number() over (order by {self.first_time}, lot) - 1)::integer as lot_id,
                  {self.first_time} as first, {self.last_time} as last from {self.counts} group by lot"""
        )
        return "lots"

    @property
    def families(self) -> set[str]:
        """The families that have items."""
        return {str(r[0]) for r in self.rows(f"select distinct family from {self.counts}")}

    def extremes(self, n: int) -> str:
        """Return SQL over ``counts``: of measurement n the count, extremes, extremes of goods."""
        x = quoted(self.measurements[n])
        good = "filter (where verdict = 'good')"
        return f"count({x}), min({x}), max({x}), min({x}) {good}, max({x}) {good}"

    @property
    def levels(self) -> str:
        """Name of a table of the share of each family that is sampled: one in ``2 ** level``.

        Made at first use, of the whole history, whatever part this is; at most SAMPLE
        items of a family are sampled, about.
        """
        self.connection.execute(
            f"""create table if not exists main.levels as
                select family, greatest(0, ceil(log2({self.number} / {SAMPLE})))::integer as level
                from main.{self.counts} group by family"""
        )
        return "levels"

    def boards(self) -> list[tuple[str, str, str | None, str, int]]:
        """Return the number of distinct boards by date (ISO), stage, line and product."""
        return [
            (str(date), stage, line, product, int(number))
            for date, stage, line, product, number in self.rows(
                """select time::date, stage, line, product, count(distinct board) from items
                   group by 1, 2, 3, 4 order by 1, 2, 3, 4"""
            )
        ]

    def sampled(self) -> str:
        """Return SQL of the sampled non-defects: family and measurements.

        An item's level is the number of zeros that its hash ends with, so that a sparser
        sample lies in every denser one.
        """
        if not self.rows(f"select coalesce(max(level), 0) from {self.levels}")[0][0]:
            return "(from items where verdict is distinct from 'defect')"
        return (
            f"(select i.* from items i join {self.levels} l using (family) "
            f"where i.verdict is distinct from 'defect' and ({HASH} & ((1::ubigint << l.level) - 1)) = 0)"
        )

    @property
    def span_days(self) -> float:
        """Days of production, as `production_days` counts them."""
        self.connection.execute(
            f"""create table if not exists production as
                select distinct {self.day} as day from {self.counts}"""
        )
        return production_days(d for (d,) in self.rows("select day from production"))


def open_history(
    plant: Plant,
    files: Sequence[Path] | None = None,
    *,
    set_aside: Path | None = None,
    threads: int | None = None,
    on_start: Callable[[History], None] = lambda _: None,
) -> History:
    """Open the history that a plant file names, and check every row at the door.

    Parameters
    ----------
    plant : Plant
    files : sequence of Path, optional
        Only these files of it.
    set_aside : Path, optional
        Where rows that break a rule are written; by default beside the plant file.
    threads : int, optional
        Of the engine; by default as many as there are cores.
    on_start : callable, optional
        Given the history before its rows are read; another thread may then ask for ``rows_read``.

    Returns
    -------
    History
        With the view ``items``: columns ``time``, text columns of the contract, the
        plant's measurements, ``called``, ``weight``, ``file``, ``row``.

    Raises
    ------
    HistoryError
        If there is no file, a file cannot be read, a column is missing or has the wrong
        unit, or no row is usable; it carries the findings.
    """
    found = find_files(plant) if files is None else files
    workspace = tempfile.TemporaryDirectory(prefix="optimiser-")
    history = History(plant, found, workspace, threads)
    history.set_aside, history.is_part = set_aside or history.set_aside, files is not None
    try:
        on_start(history)
        _open(history)
    except BaseException:
        history.close()
        raise
    return history


def rests_on_clock(history: History) -> bool:
    """Return whether rows are set aside for the day on which it is read: later ones may take them."""
    return any(f.level == "set aside" and f.rule.endswith(_LATEST) for f in history.findings)


def find_files(plant: Plant) -> list[Path]:
    """Return the history's files, sorted by path.

    Raises
    ------
    HistoryError
        If there is none.
    """
    where = plant.locate(plant.file.plant.history)
    if where.is_file():
        return [where]
    found = [where] if where.is_dir() else _glob(plant, plant.file.plant.history)
    told = set(find_verdicts(plant))
    files = sorted(
        {
            f
            for p in found
            for f in _files_in(p)
            if not _is_ours_or_hidden(f) and f not in told and _is_read(plant, f)
        },
    )
    if not files:
        way = (
            "put result files (.parquet or .csv) there, say under [[results]] how others stand "
            "(optimiser begin FOLDER proposes it), or correct plant.history in plant.toml"
        )
        raise refuse([Finding(level="error", rule=NO_RESULTS, file=str(where), way_out=way)])
    return files


def find_verdicts(plant: Plant) -> list[Path]:
    """Return the files of verdicts that arrived later, in the order in which they speak.

    Raises
    ------
    HistoryError
        If the plant file names some and there are none.
    """
    if plant.file.plant.verdicts is None:
        return []
    where = plant.locate(plant.file.plant.verdicts)
    shaped = plant.file.verdict_files is not None
    found = [where] if where.exists() else _glob(plant, plant.file.plant.verdicts)
    files = sorted(
        {f for p in found for f in _files_in(p) if shaped or f.suffix in (".csv", ".parquet")}
    )
    if not files:
        way = "put verdicts (.csv or .parquet) there, or take plant.verdicts out of plant.toml"
        if "stages" in plant.file.line.model_fields_set:
            way += f"; optimiser stages {plant.folder} --label writes what later stages say of earlier items"
        raise refuse([Finding(level="error", rule="no verdicts", file=str(where), way_out=way)])
    return files


def _raw(schema: Schema) -> str:
    """Return SQL that makes the view ``raw`` of all rows, each with its file and its place there."""
    place = "" if PLACE in schema.types else f", null::bigint as {PLACE}"
    named = f"filename as {_FILE}, file_row_number as {_ROW}{place}"
    return f"create view raw as select *, {named} from {schema.scan}"


def shape_of_result(plant: Plant, path: Path) -> FileShape | None:
    """Return how a result file stands; None for the contract's columns."""
    folder = plant.locate(plant.file.plant.history)
    place = path.relative_to(folder) if path.is_relative_to(folder) else Path(path.name)
    return shape_of(place.as_posix() if place.name else path.name, plant.file.results)


def _glob(plant: Plant, where: str) -> list[Path]:
    """Return the files and folders that a path of the plant file matches; it may be absolute."""
    pattern = plant.locate(where)
    try:
        return list(Path(pattern.anchor).glob(str(pattern.relative_to(pattern.anchor))))
    except ValueError as error:
        way = "correct plant.history in plant.toml; ** stands alone between slashes"
        rule = f"not a pattern of files ({error})"
        raise refuse([Finding(level="error", rule=rule, file=str(pattern), way_out=way)]) from error


def _files_in(path: Path) -> list[Path]:
    """Return a file itself, and of a folder the result files below it."""
    if not path.is_dir():
        return [path]
    return [p for p in path.rglob("*") if is_result(p) and p.is_file()]


def _is_read(plant: Plant, path: Path) -> bool:
    """Return whether a file is read: the two kinds that need no shape, and what a shape is for."""
    return path.suffix.lower() in (".parquet", ".csv") or shape_of_result(plant, path) is not None


def _is_ours_or_hidden(path: Path) -> bool:
    return path.name == SET_ASIDE or path.name.startswith((".", "_"))


def _open(history: History) -> None:
    """Stage, validate the columns, set rows aside, make the view."""
    plant = history.plant
    staged = history.stage(history.files, "staged", lambda path: shape_of_result(plant, path))
    findings = staged.findings
    schema = read_schema(history.connection, staged, plant)
    findings += schema.findings
    if any(f.level == "error" for f in findings):
        raise refuse([f for f in findings if f.level == "error"])
    con = history.connection
    con.execute("set preserve_insertion_order = false")
    con.execute(_raw(schema))
    con.execute("create table origin(file varchar, name varchar)")
    con.executemany(
        "insert into origin values (?, ?)", [[s, str(o)] for s, o in staged.origin.items()]
    )
    rules = _rules(schema, history)
    _judge(history, schema, rules)
    findings += _make_items(history)
    broken = history.rows("select count(*) from aside")[0][0]
    history.rows_used = history.rows_found - broken
    history.rows_set_aside = broken + history.rows("select count(*) from refused")[0][0]
    if _judges_verdicts(history):
        history.rows_set_aside += history.rows("select count(*) from told_aside")[0][0]
    findings += _aside_findings(history, rules)
    findings += write_set_aside(history)
    history.findings = tuple(findings)
    if not history.rows_used:
        none = Finding(
            level="error",
            rule="no usable row",
            file=str(history.plant.locate(history.plant.file.plant.history)),
            way_out="see the rows set aside",
        )
        raise refuse([none, *findings])


def _judge(history: History, schema: Schema, rules: list[Rule]) -> None:
    """Look at every row: set aside what breaks a rule, make a view of the others."""
    ((history.rows_found,),) = history.rows("select count(*) from raw")
    seen = _look_through(history, schema, rules)
    _set_aside(history, rules, any_broken=seen.broken > 0)
    history.passed()
    _set_duplicates_aside(history, schema)
    history.passed()
    _make_recorded(history, schema, seen)


def _rules(schema: Schema, history: History) -> list[Rule]:
    """Return the rules on a row, first the one that names a broken row."""
    families = ", ".join(text_literal(f) for f in history.plant.file.families)
    rules = [r for m in history.measurements for r in _number_rules(schema, m)]
    rules.append(
        _rule(
            "time must be a time in UTC",
            "time",
            f"{schema.time} is null",
            schema,
            way_out="write it as 2026-01-31 08:00:00",
        )
    )
    site = history.plant.file.plant
    latest = datetime.now(UTC).replace(tzinfo=None) + _AHEAD
    rules.append(
        _rule(
            f"time must lie between {site.history_from} (plant.history_from) and {_LATEST}",
            "time",
            f"{schema.time} < timestamp '{site.history_from}' or {schema.time} > timestamp '{latest}'",
            schema,
            way_out="correct the clock of the machine or the year; times are UTC",
        )
    )
    for column in REQUIRED[1:6]:
        rules.append(_rule(f"{column} is needed", column, f"{schema.text(column)} is null", schema))
    rules += [
        _one_of(
            "stage",
            history.plant.file.line.stages,
            schema,
            way_out="correct the cell, or list the stage under [line] in plant.toml, in the order of the line",
        ),
        _rule(
            "unknown family",
            "family",
            f"{schema.text('family')} not in ({families})",
            schema,
            way_out="add the family to plant.toml or correct the name",
        ),
        _one_of("verdict", VERDICTS, schema),
        _one_of("found_by", FINDERS, schema),
        _rule(
            "a verdict needs its source in found_by",
            "verdict",
            f"{schema.text('verdict')} is not null and {schema.text('found_by')} is null",
            schema,
            way_out=f"say who gave it: {', '.join(FINDERS)}",
        ),
        _rule(
            "weight must be a number >= 1",
            "weight",
            f"{schema.given('weight')} and "
            f"not coalesce({schema.number('weight')} between 1 and {_FLOAT_MAX}, false) "
            f"and not coalesce(isnan({schema.number('weight')}), false)",
            schema,
            way_out="give the inverse of the chance with which the item was picked",
        ),
        _rule(
            "called must be true, false or blank",
            "called",
            f"{schema.given('called')} and {schema.boolean('called')} is null",
            schema,
        ),
    ]
    return rules


def _number_rules(schema: Schema, measurement: str) -> Iterable[Rule]:
    """Yield the rules on one measurement's cell."""
    x = schema.number(measurement)
    yield _rule(
        f"{measurement} must be a number or blank",
        measurement,
        f"{schema.given(measurement)} and {x} is null",
        schema,
    )
    yield _rule(
        f"{measurement} must be finite",
        measurement,
        f"coalesce(abs({x}) > {_FLOAT_MAX} and not isnan({x}), false)",
        schema,
        way_out="leave the cell blank where nothing was measured",
    )


def _one_of(
    column: str, words: Sequence[str], schema: Schema, *, way_out: str = "correct the cell"
) -> Rule:
    allowed = ", ".join(text_literal(w) for w in words)
    rule = f"{column} must be one of {', '.join(words)}"
    broken = f"coalesce({schema.text(column)} not in ({allowed}), false)"
    return _rule(rule, column, broken, schema, way_out=way_out)


def _rule(
    words: str, column: str, broken: str, schema: Schema, *, way_out: str = "correct the cell"
) -> Rule:
    return Rule(
        broken=broken, words=words, way_out=way_out, column=column, value=schema.raw_text(column)
    )


def _first_broken(rules: list[Rule]) -> str:
    """Return SQL for the number of the first rule that a row breaks; NULL where it breaks none."""
    return f"case {' '.join(f'when {r.broken} then {n}' for n, r in enumerate(rules))} end"


def _look_through(history: History, schema: Schema, rules: list[Rule]) -> Seen:
    """Look at every row once, whatever is asked of it: reading is dearer than asking."""
    nan = (f"count(*) filter (where isnan({schema.number(m)}))" for m in history.measurements)
    asked = [
        f"count({_first_broken(rules)})",
        f"count(*) - count({schema.text('lot')})",
        *nan,
    ]
    ((broken, without_lot, *counts),) = history.rows(f"select {', '.join(asked)} from raw")
    with_nan = (m for m, n in zip(history.measurements, counts, strict=True) if n)
    return Seen(broken=broken, without_lot=without_lot, with_nan=frozenset(with_nan))


def _set_aside(history: History, rules: list[Rule], *, any_broken: bool) -> None:
    """Make the table ``aside``: file, row, rule number, value of every broken row."""
    if not any_broken:
        history.rows(
            "create table aside(file varchar, row bigint, rule integer, value varchar, place bigint)"
        )
        return
    values = " ".join(f"when {n} then {r.value}" for n, r in enumerate(rules))
    history.rows(
        f"""create table aside as
            select {_FILE} as file, {_ROW} as row, {_RULE} as rule, case {_RULE} {values} end as value,
              {PLACE} as place
            from (select *, {_first_broken(rules)}::integer as {_RULE} from raw)
            where {_RULE} is not null"""
    )


def _set_duplicates_aside(history: History, schema: Schema) -> None:
    """Add every row whose key an earlier row already has; the first is kept.

    Keys are compared by a 64-bit hash first, so that the large grouping holds one number a
    row; only rows whose hash repeats are compared in full. As many hashes as rows, and none does:
    counting them is cheaper than telling which.
    """
    key = ", ".join(schema.time if c == "time" else schema.text(c) for c in KEY)
    if history.rows(f"select count(distinct hash({key})) from raw")[0][0] == history.rows_found:
        return
    history.rows(
        f"""create temp table repeated as
            select h from (select hash({key}) as h from raw) group by h having count(*) > 1"""
    )
    shown = f"concat_ws(' ', {key})"
    history.rows(
        f"""insert into aside
            select {_FILE}, {_ROW}, -1, {shown}, {PLACE} from raw semi join repeated on hash({key}) = h
            where not exists (from aside a where a.file = {_FILE} and a.row = {_ROW})
            qualify row_number() over (partition by {key} order by {_FILE}, {_ROW}) > 1"""
    )
    history.rows("drop table repeated")


def _make_recorded(history: History, schema: Schema, seen: Seen) -> None:
    """Make the view ``recorded`` of the rows that are used, in the contract's types."""
    columns = [f"{schema.time} as time"]
    columns += [f"{schema.text(c)} as {c}" for c in TEXT if c != "lot"]
    columns.append(f"{_lot(schema, any_blank=seen.without_lot > 0)} as lot")
    columns += [
        f"{_number(schema, m, has_nan=m in seen.with_nan)} as {quoted(m)}"
        for m in history.measurements
    ]
    called = schema.boolean("called")
    if history.plant.file.plant.only_called:
        called = f"coalesce({called}, true)"
    columns.append(f"{called} as called")
    weight = schema.number("weight")
    columns.append(
        f"case when {weight} is null or isnan({weight}) then 1.0 else {weight} end as weight"
    )
    source = "raw"
    if history.rows("select count(*) from aside")[0][0]:
        source = f"raw anti join aside on {_FILE} = aside.file and {_ROW} = aside.row"
    history.rows(
        f"create view recorded as select {', '.join(columns)}, {_FILE} as file, {_ROW} as row from {source}"
    )


def _make_items(history: History) -> list[Finding]:
    """Make the view ``items``: what was recorded, and the verdicts that arrived later."""
    files, source = find_verdicts(history.plant), "from recorded"
    findings: list[Finding] = []
    if files:
        told = history.stage(files, "told", shape_of_told(history.plant))
        staged, findings = told.origin, told.findings
        history.connection.execute("set preserve_insertion_order = false")
        history.connection.executemany(
            "insert into origin values (?, ?)", [[s, str(o)] for s, o in staged.items()]
        )
        shaped = history.plant.file.verdict_files is not None
        errors = missing_columns(history.rows, staged, shaped=shaped)
        if errors:
            raise refuse(errors)
        findings += take_verdicts(history.rows, staged, "recorded")
        source = with_verdicts("recorded")
        if not _judges_verdicts(history):
            findings = [f for f in findings if f.level != "set aside"]
            history.rows("delete from refused where file in (select file from told_files)")
    history.rows(f"create view items as {source}")
    return findings


def _judges_verdicts(history: History) -> bool:
    """Return whether verdicts that cannot be used are to be said so."""
    return history.plant.file.plant.verdicts is not None and not history.is_part


def _lot(schema: Schema, *, any_blank: bool) -> str:
    """Return SQL for the lot; the day stands in where it is blank."""
    lot = schema.text("lot")
    return f"coalesce({lot}, strftime({schema.time}, '%Y-%m-%d'))" if any_blank else lot


def _number(schema: Schema, measurement: str, *, has_nan: bool) -> str:
    """Return SQL for one measurement as FLOAT, NULL where not measured.

    NaN becomes NULL here and nowhere else: DuckDB sorts NaN above every number, so that an
    unguarded ``x > upper`` would call every item that was not measured.
    """
    x = schema.number(measurement)
    # A value beyond FLOAT has been set aside; the cast may meet it before the join drops it.
    as_float = x if schema.is_float(measurement) else f"try_cast({x} as float)"
    return f"case when isnan({x}) then null else {as_float} end" if has_nan else as_float


def _aside_findings(history: History, rules: list[Rule]) -> list[Finding]:
    """Return a finding per rule that set rows aside, with its first case."""
    found = history.rows(
        f"""select rule, count(*), arg_min((o.name, {_place("a")}, a.value), (o.name, a.row))
            from aside a join origin o using (file) group by rule order by rule"""
    )
    duplicate = Rule(
        broken="",
        words="a row with the same stage, board, designator, pin and time came before",
        way_out="the first was kept; remove the others",
        column="time",
        value="",
    )
    return [
        Finding(
            level="set aside",
            rule=(rule := duplicate if n < 0 else rules[n]).words,
            file=str(first[0]),
            row=int(first[1]),
            column=rule.column,
            value=first[2],
            count=count,
            way_out=rule.way_out,
        )
        for n, count, first in found
    ]


def _place(aside: str) -> str:
    """Return SQL for the number in its file of a row of ``aside``: lines refused before it count too."""
    before = (
        f"select count(*) from refused r where r.file = {aside}.file and r.earlier <= {aside}.row"
    )
    return f"coalesce({aside}.place, {aside}.row + 1 + ({before}))"


def write_set_aside(history: History) -> list[Finding]:
    """Write the rows set aside, whole, to ``set_aside.csv`` in the plant's folder.

    A line that no CSV reader can part into cells stands whole under ``set_aside_for``. The
    file of an earlier run goes where nothing is set aside now.

    Returns
    -------
    list of Finding
        A note where the folder cannot be written; the rows are still in their files.
    """
    target = history.set_aside
    told = f"union all by name {aside_rows()}" if _judges_verdicts(history) else ""
    try:
        if not history.rows_set_aside:
            target.unlink(missing_ok=True)
            return []
        formula = f"regexp_matches(x::varchar, {text_literal(FORMULA)}) and lower(x::varchar) not in {INFINITE}"
        history.rows(
            f"create or replace temp macro shown(x) as if({formula}, chr(39) || x, x::varchar)"
        )
        history.rows(
            f"""copy (select shown(columns(*)) as '\\0' from (
                   select o.name as set_aside_from, {_place("aside")} as set_aside_row,
                     aside.value as set_aside_for, raw.* exclude ({_FILE}, {_ROW}, {PLACE})
                   from raw join aside on {_FILE} = aside.file and {_ROW} = aside.row
                   join origin o on o.file = aside.file
                   union all by name
                   select o.name as set_aside_from, refused.row as set_aside_row,
                     refused.line as set_aside_for from refused join origin o using (file)
                   {told}
                 ) order by set_aside_from, set_aside_row)
                to {text_literal(target)} (header)"""
        )
    except (HistoryError, OSError):
        rule = "the rows set aside cannot be written here"
        way = "make the folder writable; the rows are still in their files"
        return [Finding(level="note", rule=rule, file=str(target), way_out=way)]
    return []


def _broken_file(files: Sequence[Path], error: Exception) -> HistoryError:
    """Return the error of a scan that broke off, naming the file where the engine does."""
    words = str(error).splitlines()[0]
    named = files if len(files) == 1 else [f for f in files if str(f) in words]
    name = str(named[0]) if named else f"one of the history's {len(files)} files"
    way = "copy the file again from its source"
    if isinstance(error, duckdb.ConversionException):
        way = "give each column one type in all files"
    elif isinstance(error, duckdb.OutOfMemoryException):
        way = "give more memory or more room for temporary files"
    rule = f"cannot be read to its end ({words})"
    return refuse([Finding(level="error", rule=rule, file=name, way_out=way)])
