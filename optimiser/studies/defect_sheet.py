"""The sheet of defects to gather: what test, audit and field find of a family, read back as verdicts.

A blank row is one defect to come. Only rows with a board count; each has to name one item of the
history, of the sheet's family. They become a file of verdicts of their own.
"""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimiser.history.contract import KEY, Finding, refuse
from optimiser.history.read import History
from optimiser.history.sheet import key_as_text, read_cells, write_new
from optimiser.history.verdicts import COLUMNS as TOLD_COLUMNS
from optimiser.values import cell

FINDERS = ("test", "audit", "field")
FILLED = ("board", "designator", "pin", "time", "defect", "found_by", "by", "note")
COLUMNS = ("family", "stage", *FILLED)
Cells = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """One defect of a filled sheet, tied to its item."""

    key: tuple[str, ...]
    defect: str
    found_by: str
    by: str
    note: str


def write_defect_sheet(path: Path, *, family: str, stage: str, rows: int) -> None:
    """Write a blank sheet for the defects of one family.

    Parameters
    ----------
    path : Path
        CSV to make.
    family, stage : str
    rows : int

    Raises
    ------
    UsageError
        If it is there already.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([[cell(family), cell(stage), *[""] * len(FILLED)]] * rows)
    write_new(path, out.getvalue())


def read_gathered(history: History, path: Path) -> tuple[Gathered, ...]:
    """Read a filled sheet, every row tied to the one item that it means.

    Parameters
    ----------
    history : History
    path : Path

    Returns
    -------
    tuple of Gathered

    Raises
    ------
    UsageError
        If there is no such file.
    HistoryError
        With a finding per broken rule: row, value, way out.
    InputError
        If it is not text.
    """
    cells = read_cells(path, COLUMNS, write="optimiser learn PLANT")
    filled = [(n, row) for n, row in enumerate(cells, 1) if any(row[c] for c in FILLED)]
    if not filled:
        way = "write board, designator, found_by and by of every defect that was found"
        raise refuse([_finding(path, "no row is filled in", way)])
    findings = [f for n, row in filled for f in _row_findings(path, n, row)]
    if findings:
        raise refuse(findings)
    items = _items(history, [row for _, row in filled])
    findings = [
        f
        for k, (n, row) in enumerate(filled)
        for f in _item_findings(path, n, row, items.get(k, []))
    ] or list(_twice(path, [(n, items[k][0][0]) for k, (n, _) in enumerate(filled)]))
    if findings:
        raise refuse(findings)
    return tuple(
        Gathered(
            key=items[k][0][0],
            defect=row["defect"],
            found_by=row["found_by"].lower(),
            by=row["by"],
            note=row["note"],
        )
        for k, (_, row) in enumerate(filled)
    )


def take_gathered(rows: Sequence[Gathered], folder: Path, *, now: datetime) -> Path:
    """Write defects into the plant's folder of verdicts, in the form the history takes.

    Parameters
    ----------
    rows : sequence of Gathered
    folder : Path
        Made when missing.
    now : datetime
        Names the file.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        If a file of this second is there already.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*TOLD_COLUMNS, "by", "note"])
    for x in rows:
        # An audit that weighs its picks has a sheet of its own; here a defect stands for itself.
        writer.writerow([*x.key, "defect", x.defect, x.found_by, "", cell(x.by), cell(x.note)])
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"gathered-{now:%Y%m%dT%H%M%S}.csv"
    write_new(path, out.getvalue())
    return path


def _finding(path: Path, rule: str, way_out: str, **more: Any) -> Finding:  # noqa: ANN401
    return Finding(level="error", rule=rule, file=str(path), way_out=way_out, **more)


def _row_findings(path: Path, n: int, row: Cells) -> Iterable[Finding]:
    """Yield what is wrong with one row that somebody has written into."""
    for column in ("board", "designator", "by"):
        if not row[column]:
            yield _finding(path, f"{column} is missing", "fill it in", row=n, column=column)
    if row["found_by"].lower() not in FINDERS:
        yield _finding(
            path,
            f"found_by must be one of {', '.join(FINDERS)}",
            "say who found it; what review calls is in the results",
            row=n,
            column="found_by",
            value=row["found_by"] or None,
        )


Item = tuple[tuple[str, ...], str, str]
"""Key, family and verdict of an item."""


def _items(history: History, rows: Sequence[Cells]) -> dict[int, list[Item]]:
    """Return the items that each row may mean."""
    frame = pd.DataFrame({c: [row[c] for row in rows] for c in KEY}, dtype=object)
    history.put("gathered_keys", frame.assign(n=np.arange(len(rows))))
    key = ", ".join(key_as_text("i").values())
    found: dict[int, list[Item]] = {}
    for n, of, family, verdict in history.rows(
        f"""select k.n, [{key}], i.family, coalesce(i.verdict, '') from items i join gathered_keys k
              on i.board = k.board and i.designator = k.designator
            where i.stage = k.stage and (k.pin = '' or i.pin = k.pin)
              and (k.time = '' or i.time = try_cast(k.time as timestamp))"""
    ):
        found.setdefault(int(n), []).append((tuple(of), str(family), str(verdict)))
    return found


def _item_findings(path: Path, n: int, row: Cells, items: Sequence[Item]) -> Iterable[Finding]:
    """Yield why a row means no item, several, or one that it cannot speak of."""
    value = " ".join(row[c] for c in KEY if row[c])
    if len(items) != 1:
        several = "several items of the history have what this row gives of the key"
        yield _finding(
            path,
            several if items else "no item of the history has this board and designator",
            "give pin and time of the inspection as well"
            if items
            else "write both as the history has them; a spreadsheet must open its columns as text",
            row=n,
            value=value,
        )
    elif items[0][1] != row["family"]:
        yield _finding(
            path,
            f"the item is of family {items[0][1]}, the sheet of {row['family']}",
            "write it on that family's sheet",
            row=n,
            value=value,
        )
    elif items[0][2] == "defect":
        yield _finding(
            path,
            "the item is a labelled defect already",
            "take the row out: nothing new is known of it",
            row=n,
            value=value,
        )


def _twice(path: Path, rows: Sequence[tuple[int, tuple[str, ...]]]) -> Iterable[Finding]:
    """Yield the rows that name an item which an earlier row names."""
    first: dict[tuple[str, ...], int] = {}
    for n, key in rows:
        if (before := first.setdefault(key, n)) != n:
            yield _finding(
                path,
                f"the item stands in row {before} already",
                "remove one of the two",
                row=n,
                value=" ".join(x for x in key if x),
            )
