"""Sheets that a person fills in: written once, never over somebody's work, read back as cells.

A sheet goes through a spreadsheet and comes back with other separators, a byte order mark, or
serials turned into numbers; a mark per row, a digest of what must not change, tells the last.
"""

import csv
import hashlib
import io
from collections.abc import Sequence
from pathlib import Path

from optimiser.errors import InputError, UsageError
from optimiser.history.contract import KEY, Finding, refuse
from optimiser.values import of_cell

TIME_FORMAT = "%Y-%m-%d %H:%M:%S.%f"


def key_as_text(item: str) -> dict[str, str]:
    """Return SQL for each cell of an item's key as a sheet has it; blank where it is unknown.

    Parameters
    ----------
    item : str
        Alias of the items' relation.

    Returns
    -------
    dict of column to SQL
    """
    return {
        c: f"strftime({item}.time, '{TIME_FORMAT}')" if c == "time" else f"coalesce({item}.{c}, '')"
        for c in KEY
    }


def mark_of(*cells: str) -> str:
    """Return a digest of the cells of a row that must not change."""
    return hashlib.blake2s("\x1f".join(cells).encode(), digest_size=4).hexdigest()


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet.

    Parameters
    ----------
    path : Path
    text : str

    Raises
    ------
    UsageError
        If it is there already: it may hold verdicts.
    """
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError as error:
        msg = f"{path}: is there already and may hold verdicts; move it, or name another with --out"
        raise UsageError(msg) from error


def read_cells(path: Path, needed: Sequence[str], *, write: str) -> list[dict[str, str]]:
    """Return the rows of a sheet as they were filled in, cells trimmed.

    Parameters
    ----------
    path : Path
        CSV, separated by commas or semicolons.
    needed : sequence of str
        Columns that it must have.
    write : str
        The command that writes such a sheet.

    Returns
    -------
    list of dict

    Raises
    ------
    UsageError
        If there is no such file.
    HistoryError
        If a column is missing.
    InputError
        If it is not text.
    """
    if not path.is_file():
        msg = f"no sheet at {path}; write one with: {write}"
        raise UsageError(msg)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"{path}: not UTF-8 text ({error}); save the sheet as CSV UTF-8"
        raise InputError(msg) from error
    header = text.partition("\n")[0]
    reader = csv.DictReader(io.StringIO(text), delimiter=";" if ";" in header else ",")
    missing = [c for c in needed if c not in (reader.fieldnames or ())]
    if missing:
        raise refuse(
            [
                Finding(
                    level="error",
                    rule=f"column {missing[0]!r} of the sheet is missing",
                    file=str(path),
                    way_out="fill in the sheet as it was written",
                )
            ]
        )
    return [
        {k: of_cell((v or "").strip()) for k, v in row.items() if isinstance(k, str)}
        for row in reader
    ]
