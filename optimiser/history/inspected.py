"""How many items were inspected, where an export holds only those that were called."""

import csv
from pathlib import Path

from optimiser.history.contract import Finding, refuse
from optimiser.plant.file import Plant

COLUMNS = ("lot", "family", "items")
Counts = dict[tuple[str, str], int]


def read_inspected(plant: Plant) -> Counts:
    """Return the numbers of items inspected, by lot and family; empty where the plant states none.

    Parameters
    ----------
    plant : Plant
        ``[plant] inspected`` names a CSV of ``lot, family, items``.

    Returns
    -------
    dict of (lot, family) to int

    Raises
    ------
    HistoryError
        If the file is missing, lacks a column, or a number is none.
    """
    name = plant.file.plant.inspected
    if name is None:
        return {}
    path = plant.locate(name)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            missing = [c for c in COLUMNS if c not in (reader.fieldnames or ())]
            if missing:
                raise _refused(path, None, missing[0], f"column {missing[0]!r} is missing")
            return _counts(path, reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise _refused(path, None, None, f"cannot be read ({error})") from error


def _counts(path: Path, reader: "csv.DictReader[str]") -> Counts:
    counts: Counts = {}
    for n, row in enumerate(reader, 1):
        text = (row["items"] or "").strip()
        if not text.isdecimal():
            raise _refused(path, n, "items", f"items must be a whole number, got {text!r}")
        key = ((row["lot"] or "").strip(), (row["family"] or "").strip())
        if key in counts:
            raise _refused(path, n, "lot", f"lot {key[0]} family {key[1]} stands twice")
        counts[key] = int(text)
    return counts


def _refused(path: Path, row: int | None, column: str | None, rule: str) -> Exception:
    way = f"write {', '.join(COLUMNS)}, one row per lot and family, or take plant.inspected out"
    return refuse(
        [Finding(level="error", rule=rule, file=str(path), row=row, column=column, way_out=way)]
    )
