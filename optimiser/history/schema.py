"""The columns that result files really have, and SQL that turns them into the contract's."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from optimiser.errors import nearest
from optimiser.history.contract import COLUMNS, REQUIRED, Finding, refuse
from optimiser.history.stage import Staged
from optimiser.intake.translate import PLACE
from optimiser.plant.file import Plant
from optimiser.sql import quoted, text_literal
from optimiser.values import plain_unit

_WITH_UNIT = re.compile(r"^(?P<name>.*?)\s*\[(?P<unit>[^\]]*)\]$")
_TEXTUAL = ("VARCHAR",)
_NUMERIC = re.compile(r"^(U?(TINY|SMALL|BIG|HUGE)?INT(EGER)?|FLOAT|DOUBLE|DECIMAL\(.*\))$")
# DuckDB names a row's file and number so; a column of that name would hide them.
_TAKEN = ("filename", "file_row_number", "optimiser_file", "optimiser_row", "optimiser_rule", PLACE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Schema:
    """How the contract's columns are found in the files.

    ``columns`` maps a contract column to its names in the files (one may carry a unit, as
    in ``tilt [deg]``); ``types`` gives the type of each such name after DuckDB's union.
    """

    scan: str
    columns: Mapping[str, tuple[str, ...]]
    types: Mapping[str, str]
    findings: list[Finding] = field(default_factory=list)

    def _each(self, column: str) -> list[tuple[str, bool]]:
        return [(quoted(n), self.types[n] in _TEXTUAL) for n in self.columns.get(column, ())]

    def text(self, column: str) -> str:
        """Return SQL for a text column; blanks are NULL."""
        parts = [
            f"nullif(trim({n}), '')" if is_text else f"{n}::varchar"
            for n, is_text in self._each(column)
        ]
        return _first(parts, "varchar")

    def raw_text(self, column: str) -> str:
        """Return SQL for a column as it stands in the file."""
        return _first([f"{n}::varchar" for n, _ in self._each(column)], "varchar")

    def number(self, column: str) -> str:
        """Return SQL for a number column; NULL where it is no number.

        FLOAT stays FLOAT, all else becomes DOUBLE: converting back and forth would cost as
        much as reading.
        """
        return _first([self._number(n) for n in self.columns.get(column, ())], "double")

    def _number(self, name: str) -> str:
        if self.types[name] == "FLOAT":
            return quoted(name)
        if _NUMERIC.match(self.types[name]):
            return f"{quoted(name)}::double"
        return f"try_cast({quoted(name)} as double)"

    def is_float(self, column: str) -> bool:
        """Return whether ``number`` is FLOAT already."""
        return all(self.types[n] == "FLOAT" for n in self.columns.get(column, ()))

    def boolean(self, column: str) -> str:
        """Return SQL for a truth column; NULL where it is none."""
        return _first([f"try_cast({n} as boolean)" for n, _ in self._each(column)], "boolean")

    def given(self, column: str) -> str:
        """Return SQL that is true where the cell holds something."""
        parts = [
            f"({n} is not null and trim({n}) <> '')" if is_text else f"({n} is not null)"
            for n, is_text in self._each(column)
        ]
        return f"({' or '.join(parts)})" if parts else "false"

    @property
    def time(self) -> str:
        """SQL for the time as TIMESTAMP in UTC; the session's time zone is UTC."""
        return _first([self._timestamp(n) for n in self.columns.get("time", ())], "timestamp")

    def _timestamp(self, name: str) -> str:
        """Return SQL for one time column; only text needs the slow way over a time zone."""
        if self.types[name].startswith("TIMESTAMP") or self.types[name] == "DATE":
            return f"{quoted(name)}::timestamp"
        return f"try_cast(try_cast({quoted(name)} as timestamptz) as timestamp)"


def _first(parts: Sequence[str], kind: str) -> str:
    """Return SQL for the first part that is not NULL."""
    if not parts:
        return f"null::{kind}"
    return parts[0] if len(parts) == 1 else f"coalesce({', '.join(parts)})"


def read_schema(con: duckdb.DuckDBPyConnection, staged: Staged, plant: Plant) -> Schema:
    """Read every file's columns and compare them with the contract and the plant file.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
    staged : Staged
    plant : Plant

    Returns
    -------
    Schema
        Its findings hold missing columns, wrong units and columns nobody knows.

    Raises
    ------
    HistoryError
        If a file is not Parquet or is cut short.
    """
    files, origin = staged.files, staged.origin
    per_file = {
        f: _columns_of(con, f, origin[str(f)]) - ({PLACE} if str(f) in staged.shaped else set())
        for f in files
    }
    partitions = _partition_columns(files, per_file)
    listed = ", ".join(text_literal(f) for f in files)
    scan = (
        f"read_parquet([{listed}], union_by_name=true, can_have_nan=true, "
        f"hive_partitioning={str(bool(partitions)).lower()}, hive_types_autocast=false)"
    )
    try:
        described = con.execute(f"describe select * from {scan}").fetchall()
    except duckdb.Error as error:
        rule = f"the files' columns do not fit together ({str(error).splitlines()[0]})"
        way = "give each column one type in all files"
        raise refuse(
            [
                Finding(
                    level="error",
                    rule=rule,
                    file=str(plant.locate(plant.file.plant.history)),
                    way_out=way,
                )
            ]
        ) from error
    types = {str(name): str(kind) for name, kind, *_ in described}
    columns: dict[str, tuple[str, ...]] = {}
    for name in types:
        bare, _ = split_unit(name)
        columns[bare] = (*columns.get(bare, ()), name)
    findings = [
        f
        for path, names in per_file.items()
        for f in _missing(origin[str(path)], names | partitions, plant)
    ]
    findings += _name_findings(per_file, origin, plant)
    findings += _unit_findings(per_file, origin, plant)
    findings += _unknown(per_file, origin, plant)
    return Schema(scan=scan, columns=columns, types=types, findings=findings)


def split_unit(name: str) -> tuple[str, str | None]:
    """Return a header's name and its unit, if it carries one.

    Examples
    --------
    >>> split_unit("tilt [deg]")
    ('tilt', 'deg')
    >>> split_unit("tilt")
    ('tilt', None)
    """
    match = _WITH_UNIT.match(name)
    return (match["name"], match["unit"].strip()) if match else (name, None)


def _columns_of(con: duckdb.DuckDBPyConnection, path: Path, source: Path) -> set[str]:
    """Return the column names of one Parquet file."""
    try:
        rows = con.execute(
            f"describe select * from read_parquet({text_literal(path)}, hive_partitioning=false)"
        ).fetchall()
    except duckdb.Error as error:
        rule = f"not a whole Parquet file ({str(error).splitlines()[0]})"
        way = "copy the file again from its source, or move it out of the history"
        raise refuse([Finding(level="error", rule=rule, file=str(source), way_out=way)]) from error
    return {str(r[0]) for r in rows}


def _partition_columns(files: Sequence[Path], per_file: Mapping[Path, set[str]]) -> set[str]:
    """Return contract columns that stand in the folders' names and not in every file."""
    in_path = {part.partition("=")[0] for f in files for part in f.parts if "=" in part}
    in_files = set.intersection(*per_file.values())
    return {c for c in in_path if c in COLUMNS and c not in in_files}


def _missing(source: Path, names: set[str], plant: Plant) -> Iterable[Finding]:
    """Yield an error per required column that a file does not have."""
    bare = {split_unit(n)[0] for n in names}
    # Where verdicts stand in files of their own, the results need none.
    spared = ("verdict", "found_by") if plant.file.plant.verdicts is not None else ()
    for column in (*REQUIRED, *plant.file.measurements):
        if column not in bare and column not in spared:
            kind = "column" if column in REQUIRED else "measurement column"
            yield Finding(
                level="error",
                rule=f"{kind} {column!r} is missing",
                file=str(source),
                column=column,
                way_out="add it; " + nearest(column, bare).replace("known", "the file has"),
            )


def _name_findings(
    per_file: Mapping[Path, set[str]], origin: Mapping[str, Path], plant: Plant
) -> Iterable[Finding]:
    """Yield an error per name that stands for two things."""
    for name in plant.file.measurements:
        if name.casefold() in (*COLUMNS, "file", "row"):
            yield Finding(
                level="error",
                rule="a measurement has the name of a column of the contract",
                file=str(plant.path),
                column=name,
                way_out="rename it in plant.toml, in the recipe and in the results",
            )
    for path, names in per_file.items():
        for name in sorted(n for n in names if n.casefold() in _TAKEN):
            yield Finding(
                level="error",
                rule=f"column {name!r} has a name that reading needs for itself",
                file=str(origin[str(path)]),
                column=name,
                way_out="rename the column or leave it out",
            )


def _unit_findings(
    per_file: Mapping[Path, set[str]], origin: Mapping[str, Path], plant: Plant
) -> Iterable[Finding]:
    """Yield an error per header whose unit is not the plant file's."""
    for path, names in per_file.items():
        for name in sorted(names):
            bare, unit = split_unit(name)
            known = plant.file.measurements.get(bare)
            if (
                unit is not None
                and known is not None
                and plain_unit(unit) != plain_unit(known.unit)
            ):
                yield Finding(
                    level="error",
                    rule=f"{bare} must be in {known.unit!r}, as plant.toml says",
                    file=str(origin[str(path)]),
                    column=bare,
                    value=unit,
                    way_out="convert the column or correct its unit",
                )


def _unknown(
    per_file: Mapping[Path, set[str]], origin: Mapping[str, Path], plant: Plant
) -> Iterable[Finding]:
    """Yield a note per column that neither the contract nor the plant file names."""
    known = {*COLUMNS, *plant.file.measurements}
    seen: set[str] = set()
    for path, names in per_file.items():
        for name in sorted(names):
            bare, _ = split_unit(name)
            if bare not in known and bare not in seen:
                seen.add(bare)
                yield Finding(
                    level="note",
                    rule=f"column {bare!r} is not in the contract and not in plant.toml; it is not read",
                    file=str(origin[str(path)]),
                    column=bare,
                    way_out="name it under [measurements] if it is one; " + nearest(bare, known),
                )
