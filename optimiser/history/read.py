"""The door of the history: files in, one clean relation ``items`` out.

DuckDB scans Parquet where it lies; CSV is staged once as text in Parquet in a temporary
folder. Whatever the files hold, ``items`` has the contract's columns and types:
measurements FLOAT with NULL for not measured (NaN never passes this door, see ``_number``),
text VARCHAR, ``time`` TIMESTAMP in UTC. Rows that break a rule are left out of ``items``,
counted, and written to ``set_aside.csv`` beside the history.
"""

import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb

from optimiser.errors import HistoryError
from optimiser.history.contract import (
    COLUMNS,
    FINDERS,
    KEY,
    REQUIRED,
    STAGES,
    TEXT,
    VERDICTS,
    Finding,
    refuse,
)
from optimiser.history.schema import Schema, quoted, read_schema, text_literal
from optimiser.plant.file import Plant

SET_ASIDE = "set_aside.csv"
_FLOAT_MAX = "3.4028234e38"
_UNREADABLE = (duckdb.InvalidInputException, duckdb.IOException, duckdb.SerializationException)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule on one row: SQL that is true where it is broken, and the words."""

    broken: str
    words: str
    way_out: str
    column: str
    value: str


class History:
    """An open history: a DuckDB connection with the view ``items``.

    Use it as a context manager; closing it removes the staged files.

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
    """

    def __init__(self, plant: Plant, files: Sequence[Path], workspace: Any) -> None:  # noqa: ANN401
        self.plant = plant
        self.files = tuple(files)
        self.measurements = tuple(plant.file.measurements)
        self.findings: tuple[Finding, ...] = ()
        self.rows_used = 0
        self.rows_set_aside = 0
        self._workspace = workspace
        self.connection = duckdb.connect(
            config={"temp_directory": str(Path(workspace.name) / "spill"), "memory_limit": "1500MB"}
        )
        self.connection.execute("set TimeZone = 'UTC'")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection and remove the staged files."""
        self.connection.close()
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
        except _UNREADABLE as error:
            raise _broken_file(self.files, error) from error

    @property
    def span_days(self) -> float:
        """Days from the first to the last item, at least one."""
        (seconds,) = self.rows("select epoch(max(time)) - epoch(min(time)) from items")[0]
        return max(1.0, (seconds or 0.0) / 86400.0)


def open_history(plant: Plant) -> History:
    """Open the history that a plant file names, and check every row at the door.

    Parameters
    ----------
    plant : Plant

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
    files = find_files(plant)
    workspace = tempfile.TemporaryDirectory(prefix="optimiser-")
    history = History(plant, files, workspace)
    try:
        _open(history)
    except BaseException:
        history.close()
        raise
    return history


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
    if where.is_dir():
        found = [p for kind in ("*.parquet", "*.csv") for p in where.rglob(kind)]
    else:
        found = list(plant.folder.glob(plant.file.plant.history))
    files = sorted(p for p in found if not _is_ours_or_hidden(p))
    if not files:
        way = "put result files (.parquet or .csv) there, or correct plant.history in plant.toml"
        raise refuse([Finding(level="error", rule="no result files", file=str(where), way_out=way)])
    return files


def _is_ours_or_hidden(path: Path) -> bool:
    return path.name == SET_ASIDE or path.name.startswith((".", "_"))


def _open(history: History) -> None:
    """Stage, validate the columns, set rows aside, make the view."""
    parquet, origin, findings = _stage(history)
    schema = read_schema(history.connection, parquet, origin, history.plant)
    findings += schema.findings
    if any(f.level == "error" for f in findings):
        raise refuse([f for f in findings if f.level == "error"])
    con = history.connection
    con.execute("set preserve_insertion_order = false")
    con.execute(
        f"create view raw as select *, filename as file, file_row_number as row from {schema.scan}"
    )
    con.execute("create table origin(file varchar, name varchar)")
    con.executemany("insert into origin values (?, ?)", [[s, str(o)] for s, o in origin.items()])
    rules = _rules(schema, history)
    _set_aside(history, rules)
    _set_duplicates_aside(history, schema)
    _make_items(history, schema)
    total = history.rows("select count(*) from raw")[0][0]
    history.rows_set_aside = history.rows("select count(*) from aside")[0][0]
    history.rows_used = total - history.rows_set_aside
    findings += _aside_findings(history, rules)
    history.findings = tuple(findings)
    if history.rows_set_aside:
        write_set_aside(history)
    if not history.rows_used:
        none = Finding(
            level="error",
            rule="no usable row",
            file=str(history.plant.locate(history.plant.file.plant.history)),
            way_out="see the rows set aside",
        )
        raise refuse([none, *findings])


def _stage(history: History) -> tuple[list[Path], dict[str, Path], list[Finding]]:
    """Return the Parquet files to scan, what each came from, and the rows a CSV reader refused."""
    con, staged, origin, findings = history.connection, [], {}, []
    for n, path in enumerate(history.files):
        target = path
        if path.suffix.lower() == ".csv":
            target = Path(history._workspace.name) / f"staged-{n:05d}.parquet"
            findings += _stage_csv(con, path, target)
        staged.append(target)
        origin[str(target)] = path
    return staged, origin, findings


def _stage_csv(con: duckdb.DuckDBPyConnection, path: Path, target: Path) -> list[Finding]:
    """Copy one CSV as text to Parquet; return a finding where lines do not fit the header."""
    way = "write the file again as UTF-8 CSV with one header line and as many cells in every row"
    read = (
        f"read_csv({text_literal(path)}, all_varchar=true, header=true, store_rejects=true, "
        "rejects_table='rejected', rejects_scan='rejected_scan', nullstr='')"
    )
    try:
        con.execute(f"copy (from {read}) to {text_literal(target)} (format parquet)")
        lines = con.execute(
            "select min(line), arg_min(csv_line, line), count(distinct line) from rejected"
        ).fetchone()
        con.execute("drop table rejected")
        con.execute("drop table rejected_scan")
    except duckdb.Error as error:
        rule = f"not readable as CSV ({str(error).splitlines()[0]})"
        raise refuse([Finding(level="error", rule=rule, file=str(path), way_out=way)]) from error
    if lines is None or not lines[2]:
        return []
    row, value, count = int(lines[0]) - 1, str(lines[1]), int(lines[2])
    rule = "cells do not fit the header"
    return [
        Finding(
            level="set aside",
            rule=rule,
            file=str(path),
            row=row,
            value=value,
            count=count,
            way_out=way,
        )
    ]


def _rules(schema: Schema, history: History) -> list[Rule]:
    """Return the rules on a row, first the one that names a broken row."""
    families = ", ".join(text_literal(f) for f in history.plant.file.families)
    rules = [r for m in history.measurements for r in _number_rules(schema, m)]
    rules.append(_rule("time is needed", "time", f"{schema.time} is null", schema))
    for column in REQUIRED[1:6]:
        rules.append(_rule(f"{column} is needed", column, f"{schema.text(column)} is null", schema))
    rules += [
        _one_of("stage", STAGES, schema),
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
            f"{schema.given('weight')} and coalesce({schema.double('weight')} < 1, true)",
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
    double = schema.double(measurement)
    yield _rule(
        f"{measurement} must be a number or blank",
        measurement,
        f"{schema.given(measurement)} and {double} is null",
        schema,
    )
    yield _rule(
        f"{measurement} must be finite",
        measurement,
        f"coalesce(abs({double}) > {_FLOAT_MAX} and not isnan({double}), false)",
        schema,
        way_out="leave the cell blank where nothing was measured",
    )


def _one_of(column: str, words: Sequence[str], schema: Schema) -> Rule:
    allowed = ", ".join(text_literal(w) for w in words)
    rule = f"{column} must be one of {', '.join(words)}"
    return _rule(rule, column, f"coalesce({schema.text(column)} not in ({allowed}), false)", schema)


def _rule(
    words: str, column: str, broken: str, schema: Schema, *, way_out: str = "correct the cell"
) -> Rule:
    return Rule(
        broken=broken, words=words, way_out=way_out, column=column, value=schema.raw_text(column)
    )


def _set_aside(history: History, rules: list[Rule]) -> None:
    """Make the table ``aside``: file, row, rule number, value of every broken row."""
    which = " ".join(f"when {r.broken} then {n}" for n, r in enumerate(rules))
    values = " ".join(f"when {n} then {r.value}" for n, r in enumerate(rules))
    history.rows(
        f"""create table aside as
            select file, row, rule, case rule {values} end as value
            from (select *, case {which} end::integer as rule from raw) where rule is not null"""
    )


def _set_duplicates_aside(history: History, schema: Schema) -> None:
    """Add every row whose key an earlier row already has; the first is kept.

    Keys are compared by a 64-bit hash first, so that the large grouping holds one number a
    row; only rows whose hash repeats are compared in full.
    """
    key = ", ".join(schema.time if c == "time" else schema.text(c) for c in KEY)
    history.rows(
        f"""create temp table repeated as
            select h from (select hash({key}) as h from raw) group by h having count(*) > 1"""
    )
    if history.rows("select count(*) from repeated")[0][0]:
        shown = f"concat_ws(' ', {key})"
        history.rows(
            f"""insert into aside
                select file, row, -1, {shown} from raw semi join repeated on hash({key}) = h
                where not exists (from aside a where a.file = raw.file and a.row = raw.row)
                qualify row_number() over (partition by {key} order by file, row) > 1"""
        )
    history.rows("drop table repeated")


def _make_items(history: History, schema: Schema) -> None:
    """Make the view ``items`` of the rows that are used, in the contract's types."""
    columns = [f"{schema.time} as time"]
    columns += [f"{schema.text(c)} as {c}" for c in TEXT if c != "lot"]
    columns.append(f"coalesce({schema.text('lot')}, strftime({schema.time}, '%Y-%m-%d')) as lot")
    columns += [f"{_number(schema, m)} as {quoted(m)}" for m in history.measurements]
    columns.append(f"{schema.boolean('called')} as called")
    columns.append(f"coalesce({schema.double('weight')}, 1.0) as weight")
    source = "raw"
    if history.rows("select count(*) from aside")[0][0]:
        source = "raw anti join aside on raw.file = aside.file and raw.row = aside.row"
    history.rows(
        f"create view items as select {', '.join(columns)}, raw.file as file, raw.row as row from {source}"
    )


def _number(schema: Schema, measurement: str) -> str:
    """Return SQL for one measurement as FLOAT, NULL where not measured.

    NaN becomes NULL here and nowhere else: DuckDB sorts NaN above every number, so that an
    unguarded ``x > upper`` would call every item that was not measured.
    """
    double = schema.double(measurement)
    return f"case when isnan({double}) then null else {double}::float end"


def _aside_findings(history: History, rules: list[Rule]) -> list[Finding]:
    """Return a finding per rule that set rows aside, with its first case."""
    found = history.rows(
        """select rule, count(*), arg_min((o.name, a.row, a.value), (o.name, a.row))
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
            row=int(first[1]) + 1,
            column=rule.column,
            value=first[2],
            count=count,
            way_out=rule.way_out,
        )
        for n, count, first in found
    ]


def write_set_aside(history: History) -> Path | None:
    """Write the rows set aside, whole, to ``set_aside.csv`` in the plant's folder.

    Returns
    -------
    Path or None
        None where the folder cannot be written; the rows are still in their files.
    """
    target = history.plant.folder / SET_ASIDE
    try:
        history.rows(
            f"""copy (select o.name as set_aside_from, raw.row + 1 as set_aside_row,
                        aside.value as set_aside_for, raw.* exclude (file, row)
                 from raw join aside on raw.file = aside.file and raw.row = aside.row
                 join origin o on o.file = raw.file order by 1, 2)
                to {text_literal(target)} (header)"""
        )
    except HistoryError:
        return None
    return target


def _broken_file(files: Sequence[Path], error: Exception) -> HistoryError:
    """Return the error of a scan that broke off, naming the file where the engine does."""
    words = str(error).splitlines()[0]
    name = next((str(f) for f in files if str(f) in words), "the history")
    finding = Finding(
        level="error",
        rule=f"cannot be read to its end ({words})",
        file=name,
        way_out="copy the file again from its source",
    )
    return refuse([finding])


def known_columns(plant: Plant) -> set[str]:
    """Return every column that a history of this plant may have."""
    return {*COLUMNS, *plant.file.measurements}
