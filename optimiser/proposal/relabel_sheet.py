"""The sheet of a second look: written for a person to fill in, read back into verdicts.

Only rows with a ``verdict_again`` count. They become a file of verdicts of their own, found by
"second look"; the results keep what review said first. A row whose item was judged anew in the
meantime is refused; a row that was read already is passed over, so a sheet may be read as it grows.
"""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from optimiser.errors import PlantError, UsageError
from optimiser.files import write_whole
from optimiser.history.contract import KEY, VERDICTS, Finding, refuse
from optimiser.history.read import History
from optimiser.history.sheet import mark_of, read_cells
from optimiser.history.verdicts import COLUMNS as TOLD_COLUMNS
from optimiser.plant.file import Plant
from optimiser.proposal.relabel import Beyond, DoubtfulLabel
from optimiser.values import cell

FILLED = ("verdict_again", "by", "note")
EXPECTED = ("chance_misread", "false_calls_held")
COLUMNS = (
    *("rank", "family", *KEY, "product", "lot", "part", "defect", "beyond"),
    *(*EXPECTED, "worth_a_month", "verdict_before", *FILLED, "mark"),
)
TOLD = (*TOLD_COLUMNS, "by", "note", "verdict_before")
SECOND_LOOK = "second look"
# Only what one reviewer called a defect is ever listed.
BEFORE = ("defect", "review")
Cells = Mapping[str, str]
Key = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """One row of a filled sheet, validated.

    Attributes
    ----------
    row : int
        In the sheet, from 1.
    key : tuple of str
    verdict : {'defect', 'good'}
    defect : str
        Its type, as review said.
    by, note : str
    chance_misread, false_calls_held : float
        What the list had expected of it.
    """

    row: int
    key: Key
    verdict: Literal["defect", "good"]
    defect: str
    by: str
    note: str
    chance_misread: float
    false_calls_held: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A filled sheet: the rows that were looked at, and how many were not."""

    looked: tuple[Looked, ...]
    not_looked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondLooks:
    """What a second look found.

    Attributes
    ----------
    misread, confirmed, not_looked : int
        Rows of the sheet.
    read_before : int
        Of those looked at, how many an earlier reading took into the history.
    expected_misread : float
        Of those looked at, by their chances.
    held_expected, held_found : float
        False calls held by those expected to be misread, and by those that were.
    verdicts : str or None
        The file written; None where nothing was new.
    """

    misread: int
    confirmed: int
    not_looked: int
    read_before: int
    expected_misread: float
    held_expected: float
    held_found: float
    verdicts: str | None

    @property
    def is_far_off(self) -> bool:
        """Whether half as many again were misread as expected, or half, and ten at least apart."""
        apart = abs(self.misread - self.expected_misread)
        return apart >= max(10.0, self.expected_misread / 2)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def beyond_words(beyond: Sequence[Beyond]) -> str:
    """Return what an item exceeds, as ``tilt 3.9 > 3.5 deg``.

    Parameters
    ----------
    beyond : sequence of Beyond

    Returns
    -------
    str
        With as many digits as tell the value from the limit.
    """
    return ", ".join(_beyond(x) for x in beyond)


def _beyond(x: Beyond) -> str:
    sign = ">" if x.side == "upper" else "<"
    limit = f"{x.limit:.6g}"
    value = next(
        (v for d in range(4, 10) if (v := f"{x.value:.{d}g}") != limit and float(v) != x.limit),
        f"{x.value:.9g}",
    )
    return f"{x.measurement} {value} {sign} {limit} {x.unit}"


def sheet_text(rows: Sequence[DoubtfulLabel]) -> str:
    """Return the sheet as CSV, one row a label, what a person fills in blank.

    Parameters
    ----------
    rows : sequence of DoubtfulLabel

    Returns
    -------
    str
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        # With a T between, a spreadsheet leaves the time as it is.
        cells = {**_texts(row), "time": row.time.replace(" ", "T", 1)}
        shown = {name: cell(text) for name, text in cells.items()}
        writer.writerow({**shown, "mark": _mark(cells)})
    return out.getvalue()


def _texts(row: DoubtfulLabel) -> dict[str, str]:
    same = ("family", *KEY, "product", "lot", "part", "defect")
    return {
        "rank": str(row.rank),
        **{name: getattr(row, name) for name in same},
        "beyond": beyond_words(row.beyond),
        "chance_misread": f"{row.chance_misread:.3f}",
        "false_calls_held": f"{row.blocked:.1f}",
        "worth_a_month": f"{row.worth:.2f}",
        "verdict_before": BEFORE[0],
        **dict.fromkeys(FILLED, ""),
    }


def _mark(cells: Cells) -> str:
    """Return a digest of what must not change in a row."""
    return mark_of(*_key(cells), cells["defect"], cells["verdict_before"])


def _key(cells: Cells) -> Key:
    return tuple(cells[c] for c in KEY)


def refuse_filled(path: Path) -> None:
    """Raise if a sheet may not be written here: what lies there is filled in, or no sheet.

    Parameters
    ----------
    path : Path

    Raises
    ------
    UsageError
    """
    if not path.exists():
        return
    if not _is_blank(path):
        msg = (
            f"{path}: is there already and may hold verdicts; read it with "
            f"optimiser relabel PLANT --read {path}, or name another with --out"
        )
        raise UsageError(msg)


def _is_blank(path: Path) -> bool:
    """Return whether a file is a sheet of labels that nobody has written into."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            rows = list(csv.DictReader(lines))
        # A file without rows tells nothing of what it is.
        return bool(rows) and not any((r[c] or "").strip() for r in rows for c in FILLED)
    except (OSError, UnicodeDecodeError, csv.Error, KeyError):
        return False


def verdicts_folder(plant: Plant) -> Path:
    """Return the folder of the plant's verdicts; it need not exist yet.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    Path

    Raises
    ------
    PlantError
        If the plant file names none, or names one file.
    """
    named = plant.file.plant.verdicts
    add = 'verdicts = "verdicts"'
    if named is None:
        msg = (
            f"{plant.path}: [plant] names no folder of verdicts, so nothing that was found later "
            f"can reach the history; add this line under [plant]: {add}"
        )
        raise PlantError(msg)
    where = plant.locate(named)
    if where.is_file() or where.suffix.lower() in (".csv", ".parquet"):
        msg = (
            f"{plant.path}: plant.verdicts must be a folder to take another file, got {named!r}; make a "
            f"folder, move the file into it, and write: {add}"
        )
        raise PlantError(msg)
    return where


def read_filled(path: Path) -> Filled:
    """Read a filled sheet and check every row that has a verdict.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Filled

    Raises
    ------
    UsageError
        If there is no such file.
    HistoryError
        With a finding per broken rule: row, value, way out.
    InputError
        If it is not text.
    """
    needed = (*KEY, "defect", *EXPECTED, "verdict_before", *FILLED[:2], "mark")
    cells = read_cells(path, needed, write="optimiser relabel PLANT")
    filled = [(n, row) for n, row in enumerate(cells, 1) if row["verdict_again"]]
    findings = [f for n, row in filled for f in _row_findings(path, n, row)]
    findings = findings or list(_twice(path, filled))
    if not filled:
        way = "write defect or good into verdict_again for every label that was looked at"
        findings = [_finding(path, "no row has a verdict_again", way)]
    if findings:
        raise refuse(findings)
    looked = {_key(row): _looked(n, row) for n, row in reversed(filled)}
    blank = {_key(row) for row in cells} - set(looked)
    return Filled(looked=tuple(sorted(looked.values(), key=lambda x: x.row)), not_looked=len(blank))


def _finding(path: Path, rule: str, way_out: str, **more: Any) -> Finding:  # noqa: ANN401
    return Finding(level="error", rule=rule, file=str(path), way_out=way_out, **more)


def _number(text: str) -> float:
    """Return a number as a spreadsheet may have written it; NaN where it is none."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return float("nan")


def _looked(n: int, row: Cells) -> Looked:
    return Looked(
        row=n,
        key=_key(row),
        verdict=row["verdict_again"].lower(),  # type: ignore[arg-type] # checked by _row_findings
        defect=row["defect"],
        by=row["by"],
        note=row.get("note", ""),
        chance_misread=_number(row["chance_misread"]),
        false_calls_held=_number(row["false_calls_held"]),
    )


def _row_findings(path: Path, n: int, row: Cells) -> Iterable[Finding]:
    """Yield what is wrong with one row that has a verdict."""

    def wrong(rule: str, column: str, way_out: str) -> Finding:
        return _finding(path, rule, way_out, row=n, column=column, value=row[column] or None)

    copy = "copy the row from the sheet as it was written"
    if row["verdict_again"].lower() not in VERDICTS:
        allowed = ", ".join(VERDICTS)
        yield wrong(
            f"verdict_again must be one of {allowed}",
            "verdict_again",
            "correct the cell or blank it",
        )
    if not row["by"]:
        yield wrong("by is missing", "by", "say who looked")
    if row["mark"] != _mark(row):
        yield wrong(
            f"key, defect or verdict_before changed since the sheet was written ({' '.join(_key(row))})",
            "mark",
            f"{copy}; a spreadsheet must open its columns as text",
        )
    if not 0 <= _number(row["chance_misread"]) <= 1:
        yield wrong("chance_misread must be a number from 0 to 1", "chance_misread", copy)
    if not _number(row["false_calls_held"]) >= 0:
        yield wrong("false_calls_held must be a number of at least 0", "false_calls_held", copy)


def _twice(path: Path, filled: Sequence[tuple[int, Cells]]) -> Iterable[Finding]:
    """Yield the rows that say of an item what an earlier row denies."""
    first: dict[Key, tuple[int, Cells]] = {}
    for n, row in filled:
        before, other = first.setdefault(_key(row), (n, row))
        if row["verdict_again"].lower() != other["verdict_again"].lower():
            rule = f"row {before} says {other['verdict_again']!r} of the same item"
            value = row["verdict_again"]
            way = "look once more and leave one verdict"
            yield _finding(path, rule, way, row=n, column="verdict_again", value=value)


def take_second_look(history: History, path: Path, folder: Path, *, now: datetime) -> SecondLooks:
    """Read a filled sheet and write its verdicts into the plant's folder of verdicts.

    Parameters
    ----------
    history : History
        With all verdicts that stand by now.
    path : Path
        The sheet.
    folder : Path
        ``verdicts_folder``; made when missing.
    now : datetime
        Names the file.

    Returns
    -------
    SecondLooks

    Raises
    ------
    UsageError
        If there is no such sheet.
    HistoryError
        If a row breaks a rule; nothing is written then.
    """
    filled = read_filled(path)
    recorded = _recorded(history, filled.looked)
    findings = [f for x in filled.looked for f in _refused(path, x, recorded.get(x.row))]
    if findings:
        raise refuse(findings)
    new = [x for x in filled.looked if recorded[x.row][:2] == BEFORE]
    target = None
    if new:
        folder.mkdir(parents=True, exist_ok=True)
        target = _place(history, folder, now)
        write_whole(target, _told_text(new))
    misread = [x for x in filled.looked if x.verdict == "good"]
    return SecondLooks(
        misread=len(misread),
        confirmed=len(filled.looked) - len(misread),
        not_looked=filled.not_looked,
        read_before=len(filled.looked) - len(new),
        expected_misread=sum(x.chance_misread for x in filled.looked),
        held_expected=sum(x.chance_misread * x.false_calls_held for x in filled.looked),
        held_found=sum(x.false_calls_held for x in misread),
        verdicts=str(target) if target else None,
    )


def _recorded(history: History, looked: Sequence[Looked]) -> dict[int, tuple[str, str, str]]:
    """Return verdict, finder and type of defect as they stand now, by row of the sheet."""
    frame = pd.DataFrame(
        {c: np.array([x.key[k] for x in looked], dtype=object) for k, c in enumerate(KEY)}
    )
    history.put("relabel_keys", frame.assign(n=[x.row for x in looked]))
    same = " and ".join(
        "i.time = try_cast(k.time as timestamp)" if c == "time" else f"coalesce(i.{c}, '') = k.{c}"
        for c in KEY
    )
    history.rows(
        f"""create or replace table relabel_items as
            select k.n, i.file, i.row, coalesce(i.verdict, '') as verdict,
              coalesce(i.found_by, '') as found_by, coalesce(i.defect, '') as defect
            from items i join relabel_keys k on {same}"""
    )
    found = history.rows("select n, verdict, found_by, defect from relabel_items")
    return {int(n): (verdict, found_by, defect) for n, verdict, found_by, defect in found}


def _refused(path: Path, looked: Looked, now: tuple[str, str, str] | None) -> Iterable[Finding]:
    """Yield why a row cannot be taken: its item is unknown, or was judged anew."""
    if now is None:
        yield _finding(
            path,
            "no such item in the history",
            "name the plant that the sheet was written for, with the results of those days",
            row=looked.row,
            value=" ".join(x for x in looked.key if x),
        )
        return
    defect = looked.defect if looked.verdict == "defect" else ""
    is_read = now == (looked.verdict, SECOND_LOOK, defect)
    if now != (*BEFORE, looked.defect) and not is_read:
        standing = " ".join(x for x in (now[0] or "no verdict", now[2]) if x)
        yield _finding(
            path,
            f"the sheet was written for {' '.join((BEFORE[0], looked.defect)).strip()!r} by {BEFORE[1]}, "
            f"but the verdict that stands now is {standing!r} by {now[1] or 'nobody'}",
            "take the row out of the sheet; if the verdict that stands is wrong, put the right one into "
            "a later file of the verdicts folder",
            row=looked.row,
            column="verdict_again",
            value=looked.verdict,
        )


def _place(history: History, folder: Path, now: datetime) -> Path:
    """Return a new file's path; it sorts after every file that speaks of these items so far.

    It need not sort after files on other items: what test and field say of an item later on
    has to stand over a second look.
    """
    before = _speaking(history)
    prefix = ""
    while True:
        path = folder / f"{prefix}second-look-{now:%Y%m%dT%H%M%S}.csv"
        if path.exists():
            now += timedelta(seconds=1)
        elif before and path <= max(before):
            if len(prefix) > 8:
                msg = f"{max(before)}: speaks after any file that could be written; rename it"
                raise UsageError(msg)
            prefix += "z"
        else:
            return path


def _speaking(history: History) -> list[Path]:
    """Return the files of verdicts that speak of the items looked at."""
    tables = {name for (name,) in history.rows("select table_name from duckdb_tables()")}
    if "told_before" not in tables:
        return []
    return [
        Path(name)
        for (name,) in history.rows(
            """select distinct f.name from told_before b join told_files f on f.nth = b.nth
               join relabel_items i on i.file = b.file and i.row = b.row"""
        )
    ]


def _told_text(rows: Sequence[Looked]) -> str:
    """Return verdicts in the form that ``plant.verdicts`` takes, who looked and what stood before."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(TOLD)
    for x in rows:
        defect = x.defect if x.verdict == "defect" else ""
        writer.writerow(
            [*x.key, x.verdict, defect, SECOND_LOOK, "", x.by, x.note, " ".join(BEFORE)]
        )
    return out.getvalue()
