"""What lies in an export: files of one make, and what each of their columns holds.

Only looked at, nothing decided: `recognise.py` says what a column means.
"""

import codecs
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from optimiser.errors import UsageError
from optimiser.history.stage import scan_of
from optimiser.intake.text import MESSAGES, TABLES, UNREADABLE, is_result, kind_of, open_bytes
from optimiser.intake.translate import PLACE
from optimiser.plant.shape import FileShape
from optimiser.sql import quoted, text_literal

_HEAD = 1 << 16
_DELIMITERS = ";\t,|"
# So many rows are looked at, of every file some: enough for a word that one row in a thousand has.
ROWS = 300_000
_SAMPLE = 200
_WORDS = 24
_INTEGER = re.compile(r"^[-+]?\d+$")
_BOM = {
    codecs.BOM_UTF8: "utf-8-sig",
    codecs.BOM_UTF16_LE: "utf-16",
    codecs.BOM_UTF16_BE: "utf-16",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What a column holds, in the rows looked at.

    Attributes
    ----------
    name, kind : str
        As the file has it; DuckDB's type, VARCHAR for all of a text file.
    rows, filled, distinct : int
    numbers, commas : int
        Cells that are numbers, with a decimal point or none; with a decimal comma.
    examples : tuple of str
        Up to three, the commonest.
    sample : tuple of str
        Up to 200 different cells.
    words : dict of str to int
        By cell how often, where there are few.
    """

    name: str
    kind: str
    rows: int
    filled: int
    distinct: int
    numbers: int
    commas: int
    examples: tuple[str, ...]
    sample: tuple[str, ...]
    words: dict[str, int]

    @property
    def is_number(self) -> bool:
        """Whether all but a few cells are numbers."""
        return self.filled > 0 and self.numbers + self.commas >= 0.98 * self.filled

    @property
    def is_whole(self) -> bool:
        """Whether the cells of the sample are whole numbers."""
        return all(_INTEGER.match(e) for e in self.sample)


@dataclass(frozen=True, slots=True, kw_only=True)
class Make:
    """Files of one make: the same kind, the same columns.

    Attributes
    ----------
    files : tuple of Path
    pattern : str
        That picks them, and none of another make, below the export's folder.
    read : FileShape
        How their cells are told apart; nothing of what they mean.
    columns : tuple of Column
    rows : int
        Looked at.
    scan : str
        SQL of all rows as they are.
    """

    files: tuple[Path, ...]
    pattern: str
    read: FileShape
    columns: tuple[Column, ...]
    rows: int
    scan: str

    def column(self, name: str) -> Column:
        """Return a column by its name."""
        return next(c for c in self.columns if c.name == name)


def look(con: duckdb.DuckDBPyConnection, folder: Path, workspace: Path) -> list[Make]:
    """Look at all result files in a folder.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
    folder : Path
        Or one file.
    workspace : Path
        For what is unpacked; somebody else removes it.

    Returns
    -------
    list of Make
        Largest first.

    Raises
    ------
    UsageError
        If there is no file that could hold results.
    """
    files = (
        [folder] if folder.is_file() else sorted(p for p in folder.rglob("*") if _is_one(p, folder))
    )
    if not files:
        msg = (
            f"{folder}: no file that could hold results (.csv, .tsv, .txt, .parquet, .json, .jsonl; "
            "packed with gz, bz2 or xz or not); name the folder with the export"
        )
        raise UsageError(msg)
    con.execute(
        "create table if not exists refused(file varchar, row bigint, earlier bigint, line varchar)"
    )
    made: dict[tuple[Any, ...], list[tuple[Path, FileShape]]] = {}
    for path in files:
        read, header = _read_of(con, path)
        made.setdefault((kind_of(path), header, read.encoding, read.delimiter), []).append(
            (path, read)
        )
    groups = [(tuple(p for p, _ in g), g[0][1]) for g in made.values()]
    every = [g for g, _ in groups]
    return [
        _make(con, members, read, _pattern(members, every, folder), workspace / str(n))
        for n, (members, read) in enumerate(sorted(groups, key=lambda g: -_size(g[0])))
    ]


def _is_one(path: Path, folder: Path) -> bool:
    hidden = any(part.startswith((".", "_")) for part in path.relative_to(folder).parts)
    return path.is_file() and is_result(path) and not hidden and path.stat().st_size > 0


def _size(files: Iterable[Path]) -> int:
    return sum(f.stat().st_size for f in files)


def _read_of(con: duckdb.DuckDBPyConnection, path: Path) -> tuple[FileShape, tuple[str, ...]]:
    """Return how a file's cells are told apart, and its header."""
    if kind_of(path) in TABLES:
        try:
            rows = con.execute(
                f"describe select * from read_parquet({text_literal(path)}, hive_partitioning=false)"
            ).fetchall()
        except duckdb.Error as error:
            msg = f"{path}: not a whole Parquet file ({str(error).splitlines()[0]}); copy it again"
            raise UsageError(msg) from error
        return FileShape(time_zone="UTC"), tuple(str(r[0]) for r in rows)
    if kind_of(path) in MESSAGES:
        return FileShape(time_zone="as written", form="messages"), ()
    return read_of_text(_head(path))


def _head(path: Path) -> bytes:
    try:
        with open_bytes(path) as file:
            return file.read(_HEAD)
    except UNREADABLE as error:
        msg = f"{path}: cannot be read ({error}); copy it again from its source"
        raise UsageError(msg) from error


def read_of_text(head: bytes) -> tuple[FileShape, tuple[str, ...]]:
    """Return encoding, delimiter and lines before the header of a text's first bytes, and the header.

    Parameters
    ----------
    head : bytes

    Returns
    -------
    read : FileShape
        Its other keys are the defaults.
    header : tuple of str
    """
    encoding = encoding_of(head)
    text = codecs.getincrementaldecoder(encoding)(errors="replace").decode(head)
    lines = [line for line in text.splitlines()[:200] if line.strip()]
    if not lines:
        return FileShape(time_zone="UTC", encoding=encoding), ()
    delimiter = max(_DELIMITERS, key=lambda d: _regular(lines, d))
    wide = _common([_cells(line, delimiter) for line in lines[-100:]])
    skip = next((n for n, line in enumerate(lines) if _cells(line, delimiter) == wide), 0)
    blank = text.splitlines()[: text.splitlines().index(lines[skip])]
    header = tuple(c.strip().strip('"') for c in lines[skip].split(delimiter))
    read = FileShape(time_zone="UTC", encoding=encoding, delimiter=delimiter, skip=len(blank))
    return read, header


def encoding_of(head: bytes) -> str:
    """Return the encoding of a text's first bytes: by its mark, else UTF-8 if it can be, else cp1252.

    Examples
    --------
    >>> encoding_of("höhe;1".encode("utf-16")), encoding_of("höhe;1".encode("cp1252"))
    ('utf-16', 'cp1252')
    """
    for mark, encoding in _BOM.items():
        if head.startswith(mark):
            return encoding
    if head[1:400:2].count(0) > len(head[:400]) // 4:
        return "utf-16-le"
    if head[0:400:2].count(0) > len(head[:400]) // 4:
        return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _cells(line: str, delimiter: str) -> int:
    """Return how many cells a line has; delimiters inside quotes part none."""
    return re.sub(r'"[^"]*"', "", line).count(delimiter) + 1


def _common(numbers: Sequence[int]) -> int:
    return max(set(numbers), key=lambda n: (numbers.count(n), n))


def _regular(lines: Sequence[str], delimiter: str) -> tuple[int, int]:
    """Return how many lines a delimiter parts into the commonest number of cells, and into how many."""
    counts = [_cells(line, delimiter) for line in lines]
    common = _common(counts)
    return (0, 0) if common == 1 else (counts.count(common), common)


def _pattern(files: Sequence[Path], every: Sequence[Sequence[Path]], folder: Path) -> str:
    """Return a pattern that picks these files and none of another make."""
    if folder.is_file():
        return folder.name
    names = [f.relative_to(folder).as_posix() for f in files]
    others = [f.relative_to(folder).as_posix() for g in every for f in g if f not in files]
    ending = (
        "".join(files[0].suffixes[-2:])
        if files[0].suffix in (".gz", ".bz2", ".xz")
        else files[0].suffix
    )
    parents = {n.rpartition("/")[0] for n in names}
    stems = [n.rpartition("/")[2] for n in names]
    start = _shared(stems)
    tries = ["*", f"*{ending}"]
    tries += [f"{p}/*" for p in parents if p] if len(parents) == 1 else []
    tries += [f"{start}*{ending}"] if start else []
    for pattern in tries:
        shape = FileShape(files=pattern, time_zone="UTC")
        if all(map(shape.fits, names)) and not any(map(shape.fits, others)):
            return pattern
    return names[0]


def _shared(names: Sequence[str]) -> str:
    """Return the letters that some names begin with."""
    low, high = min(names), max(names)
    for n, letter in enumerate(low):
        if n >= len(high) or letter != high[n]:
            return low[:n]
    return low


def _make(
    con: duckdb.DuckDBPyConnection,
    files: tuple[Path, ...],
    read: FileShape,
    pattern: str,
    workspace: Path,
) -> Make:
    """Look at some rows of some of the files."""
    workspace.mkdir(parents=True, exist_ok=True)
    scans = [scan_of(con, p, workspace / f"{n}.parquet", read)[0] for n, p in enumerate(files)]
    some = " union all by name ".join(f"(from {s} limit {ROWS // len(files) + 1})" for s in scans)
    con.execute(f"create or replace temp table looked as {some}")
    described = con.execute("describe looked").fetchall()
    columns = tuple(
        _column(con, str(name), str(kind)) for name, kind, *_ in described if name != PLACE
    )
    (rows,) = con.execute("select count(*) from looked").fetchone() or (0,)
    return Make(
        files=files,
        pattern=pattern,
        read=read,
        columns=columns,
        rows=int(rows),
        scan=f"({' union all by name '.join(f'from {s}' for s in scans)})",
    )


def _column(con: duckdb.DuckDBPyConnection, name: str, kind: str) -> Column:
    """Return what a column of the table ``looked`` holds."""
    cell = f"nullif(trim({quoted(name)}::varchar), '')"
    comma = f"regexp_full_match({cell}, '[-+]?[0-9.'' ]*,[0-9]+')"
    found = con.execute(
        f"""select count(*), count({cell}), count(distinct {cell}),
              count(*) filter (try_cast({cell} as double) is not null), count(*) filter ({comma})
            from looked"""
    ).fetchone() or (0, 0, 0, 0, 0)
    common = con.execute(
        f"""select {cell}, count(*) from looked where {cell} is not null group by 1
            order by 2 desc, 1 limit {_WORDS}"""
    ).fetchall()
    sample = con.execute(
        f"""select distinct c from (select {cell} as c from looked) where c is not null
            order by hash(c) limit {_SAMPLE}"""
    ).fetchall()
    rows, filled, distinct, numbers, commas = (int(x) for x in found)
    return Column(
        name=name,
        kind=kind,
        rows=rows,
        filled=filled,
        distinct=distinct,
        numbers=numbers,
        commas=commas,
        examples=tuple(str(word) for word, _ in common[:3]),
        sample=tuple(str(word) for (word,) in sample),
        words={str(word): int(n) for word, n in common} if distinct <= _WORDS else {},
    )
