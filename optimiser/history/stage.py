"""Files made ready to be scanned: text becomes Parquet once, foreign shapes the contract's columns."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from optimiser.history.contract import Finding, refuse
from optimiser.intake.messages import flatten
from optimiser.intake.text import MESSAGES, TABLES, UNREADABLE, is_plain, kind_of, write_plain
from optimiser.intake.translate import PLACE, Problem, translate
from optimiser.plant.file import Plant
from optimiser.plant.shape import FileShape
from optimiser.sql import text_literal

_HEAD = 1 << 16
ShapeOf = Callable[[Path], FileShape | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Staged:
    """Parquet files to scan.

    Attributes
    ----------
    files : list of Path
    origin : dict of str to Path
        What each came from, by its path as text.
    shaped : set of str
        Those that were translated: they have the column ``optimiser_place``.
    findings : list of Finding
        On lines refused and on columns nobody reads.
    """

    files: list[Path] = field(default_factory=list)
    origin: dict[str, Path] = field(default_factory=dict)
    shaped: set[str] = field(default_factory=set)
    findings: list[Finding] = field(default_factory=list)


def stage(
    con: duckdb.DuckDBPyConnection,
    files: Sequence[Path],
    folder: Path,
    plant: Plant,
    shape_of: ShapeOf,
) -> Staged:
    """Make files ready to be scanned as Parquet with the contract's columns.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        With the table ``refused``, which takes the lines that a CSV reader refuses. Rows keep
        their order.
    files : sequence of Path
    folder : Path
        Staged files go below it.
    plant : Plant
    shape_of : callable
        How a file stands; None for the contract's columns.

    Returns
    -------
    Staged

    Raises
    ------
    HistoryError
        If a file cannot be read at all, or lacks what the plant file says it has.
    """
    staged = Staged()
    con.execute("set preserve_insertion_order = true")
    for n, path in enumerate(files):
        # The folders that name a partition stay above the file, as they do for Parquet.
        partition = [part for part in path.parent.parts if "=" in part]
        place = folder.joinpath(f"{n:05d}", *partition)
        shape = shape_of(path)
        if shape is not None:
            place.mkdir(parents=True)
            target = place / "part.parquet"
            staged.findings.extend(_translate(con, path, target, shape, plant))
            staged.shaped.add(str(target))
        elif path.suffix.lower() == ".csv":
            place.mkdir(parents=True)
            target = place / "part.parquet"
            staged.findings.extend(_stage_csv(con, path, path, target, None))
        else:
            target = path
        staged.files.append(target)
        staged.origin[str(target)] = path
    return staged


def _translate(
    con: duckdb.DuckDBPyConnection, path: Path, target: Path, shape: FileShape, plant: Plant
) -> list[Finding]:
    """Write a file of another shape as the contract's columns; return what did not fit."""
    scan, findings = scan_of(con, path, target, shape)
    try:
        made = translate(
            lambda q: con.execute(q).fetchall(), scan, shape, plant.file, folder=plant.folder
        )
        findings += [_finding(problem, path) for problem in made.problems]
        if any(f.level == "error" for f in findings):
            raise refuse([f for f in findings if f.level == "error"])
        con.execute(f"copy ({made.query}) to {text_literal(target)} (format parquet)")
    except duckdb.Error as error:
        rule = f"cannot be read in the shape that plant.toml says ({str(error).splitlines()[0]})"
        way = "compare [[results]] in plant.toml with the file, or run: optimiser begin FOLDER"
        raise refuse([Finding(level="error", rule=rule, file=str(path), way_out=way)]) from error
    return findings


def _finding(problem: Problem, path: Path) -> Finding:
    return Finding(
        level="error" if problem.stops else "note",
        rule=problem.rule,
        file=str(path),
        column=problem.column,
        count=problem.count,
        way_out=problem.way_out,
    )


def scan_of(
    con: duckdb.DuckDBPyConnection, path: Path, target: Path, shape: FileShape
) -> tuple[str, list[Finding]]:
    """Return SQL of a file's rows as they are, each with its place, and lines refused.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        With the table ``refused``.
    path, target : Path
        The file, and under what name its rows will be known; what has to be written on the way lies
        beside it.
    shape : FileShape

    Returns
    -------
    scan : str
    findings : list of Finding
    """
    if kind_of(path) in TABLES:
        return _placed(f"{text_literal(path)}, can_have_nan=true", "0"), []
    if kind_of(path) in MESSAGES:
        return _flattened(con, path, target)
    plain = path
    if not is_plain(path, shape.encoding, shape.skip):
        plain = target.with_suffix(".text")
        _write_plain(path, plain, shape)
    text = target.with_suffix(".cells")
    findings = _stage_csv(con, path, plain, text, shape)
    con.execute("update refused set file = ? where file = ?", [str(target), str(text)])
    (lost,) = con.execute(
        "select count(*) from refused where file = ?", [str(target)]
    ).fetchone() or (0,)
    before = (
        f"(select count(*) from refused r where r.file = {text_literal(target)} and r.earlier <= file_row_number)"
        if lost
        else "0"
    )
    return _placed(text_literal(text), before), findings


def _placed(file: str, before: str) -> str:
    """Return SQL of a Parquet file's rows, each with its place in the file it comes from."""
    scan = f"read_parquet({file}, file_row_number=true, hive_partitioning=false)"
    return f"(select * exclude (file_row_number), file_row_number + 1 + {before} as {PLACE} from {scan})"


def _flattened(
    con: duckdb.DuckDBPyConnection, path: Path, target: Path
) -> tuple[str, list[Finding]]:
    """Return SQL of the rows of a file of messages, a row per measurement, and what was refused."""
    flat = target.with_suffix(".long")
    refused = flatten(path, flat).refused
    for one in refused:
        said = f"{one.place}: {one.reason}: {one.text}"
        con.execute("insert into refused values (?, ?, 0, ?)", [str(target), one.number, said])
    findings = [
        Finding(
            level="set aside",
            rule=f"{what} refused: {some[0].reason}",
            file=str(path),
            row=some[0].number,
            value=some[0].text[:60],
            count=len(some),
            way_out="each is in set_aside.csv with its reason; have the machine's export corrected",
        )
        for what in dict.fromkeys(one.what for one in refused)
        if (some := [one for one in refused if one.what == what])
    ]
    scan = f"read_parquet({text_literal(flat)}, hive_partitioning=false)"
    return f"(select * exclude (place), place::bigint as {PLACE} from {scan})", findings


def _write_plain(path: Path, plain: Path, shape: FileShape) -> None:
    """Write a text as UTF-8 from its header on; an archive that breaks off is an error."""
    try:
        write_plain(path, plain, encoding=shape.encoding, skip=shape.skip)
    except UNREADABLE as error:
        rule = f"cannot be unpacked or read as {shape.encoding} ({error})"
        way = "copy the file again from its source, or correct results.encoding in plant.toml"
        raise refuse([Finding(level="error", rule=rule, file=str(path), way_out=way)]) from error


def _stage_csv(
    con: duckdb.DuckDBPyConnection, path: Path, plain: Path, target: Path, shape: FileShape | None
) -> list[Finding]:
    """Copy one CSV as text to Parquet; return a finding where lines do not fit the header.

    Lines refused go to the table ``refused``; ``earlier`` counts the rows staged before each,
    from which a staged row's place in the file follows.
    """
    way = "write the file again as UTF-8 CSV with one header line and as many cells in every row"
    if plain == path:
        _refuse_foreign_bytes(path)
    cells = (
        ""
        if shape is None or shape.delimiter is None
        else f"delim={text_literal(shape.delimiter)}, "
    )
    read = (
        f"read_csv({text_literal(plain)}, all_varchar=true, header=true, store_rejects=true, {cells}"
        "rejects_table='rejected', rejects_scan='rejected_scan', nullstr='', "
        "hive_partitioning=false)"
    )
    try:
        con.execute(f"copy (from {read}) to {text_literal(target)} (format parquet)")
        con.execute(
            f"""insert into refused
                select {text_literal(target)}, line - 1, line - 1 - row_number() over (order by line),
                  any_value(csv_line) from rejected group by line"""
        )
        con.execute("drop table rejected")
        con.execute("drop table rejected_scan")
        lines = con.execute(
            "select min(row), arg_min(line, row), count(*) from refused where file = ?",
            [str(target)],
        ).fetchone()
    except duckdb.Error as error:
        rule = f"not readable as CSV ({str(error).splitlines()[0]})"
        if _mixes_line_ends(path):
            rule, way = (
                "some lines end with CR LF and some with LF alone",
                "write all with one kind",
            )
        raise refuse([Finding(level="error", rule=rule, file=str(path), way_out=way)]) from error
    if lines is None or not lines[2]:
        return []
    row, value, count = int(lines[0]), str(lines[1]), int(lines[2])
    rule = "the line is not UTF-8, holds NUL bytes or its cells do not fit the header"
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


_MAGIC = {
    b"\x1f\x8b": ("is compressed with gzip", "unpack it: gunzip FILE"),
    b"PK\x03\x04": (
        "is a ZIP archive or a spreadsheet",
        "unpack it, or save the sheet as CSV UTF-8",
    ),
    b"\xd0\xcf\x11\xe0": ("is an old spreadsheet", "save the sheet as CSV UTF-8"),
    b"PAR1": ("is a Parquet file", "name it .parquet"),
    b"\xff\xfe": ("is text in UTF-16", "write it as UTF-8: iconv -f UTF-16 -t UTF-8 FILE"),
    b"\xfe\xff": ("is text in UTF-16", "write it as UTF-8: iconv -f UTF-16 -t UTF-8 FILE"),
}


def _refuse_foreign_bytes(path: Path) -> None:
    """Raise where a file is no text that a CSV reader could part, saying what it is instead."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        rule, way = f"cannot be read ({error.strerror})", "ask for permission, or move it away"
        raise refuse([Finding(level="error", rule=rule, file=str(path), way_out=way)]) from error
    what = next((told for magic, told in _MAGIC.items() if head.startswith(magic)), None)
    if what is None and not head.strip():
        what = ("is empty", "copy it again from its source, or move it away")
    if what is None and head[:400].count(0) > len(head[:400]) // 4:
        wide = head[1:400:2].count(0) > len(head[:400]) // 4
        what = _MAGIC[b"\xff\xfe"] if wide or head[0] == 0 else ("is no text", "move it away")
    if what is not None:
        finding = Finding(level="error", rule=what[0], file=str(path), way_out=what[1])
        raise refuse([finding])


def _mixes_line_ends(path: Path) -> bool:
    """Return whether some of a file's first lines end with CR LF and some with LF alone."""
    with path.open("rb") as file:
        head = file.read(_HEAD)
    both = head.count(b"\r\n")
    return 0 < both < head.count(b"\n")
