"""Read a gauge study from a CSV file: one row per reading."""

import csv
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from optimiser.errors import InputError, UsageError, nearest
from optimiser.evidence.gauge import Study

_ROLES = {"item": "item", "part": "item", "operator": "operator", "repeat": "repeat"}


def read_studies(path: Path, *, measurement: str | None = None) -> tuple[Study, ...]:
    """Read a study from a CSV file: one row per reading.

    Parameters
    ----------
    path : Path
        Columns ``item`` (or ``part``), ``operator`` and ``repeat`` where they exist, and one
        column per measurement.
    measurement : str, optional
        Read this column only.

    Returns
    -------
    tuple of Study

    Raises
    ------
    UsageError
        If there is no such file or no such measurement.
    InputError
        If a column is missing, a cell is not a number, or not every operator measured every
        item equally often: file, line, value, way out.
    """
    header, rows = _read_rows(path)
    roles, columns = _columns(path, header)
    if measurement is not None:
        if measurement not in columns:
            msg = f"{path}: no measurement {measurement!r}; {nearest(measurement, columns)}"
            raise UsageError(msg)
        columns = {measurement: columns[measurement]}
    cells = _cells(path, rows, roles)
    shape = _shape(path, cells)
    order = [row for name in sorted(cells) for row in cells[name]]
    return tuple(
        Study(
            measurement=name,
            values=np.array(
                [_number(path, rows[r][0], name, rows[r][1][column]) for r in order]
            ).reshape(shape),
        )
        for name, column in columns.items()
    )


Line = tuple[int, list[str]]


def _read_rows(path: Path) -> tuple[list[str], list[Line]]:
    """Return the header and the rows that are not empty, each with its line in the file."""
    if not path.is_file():
        msg = f"no study at {path}; name a CSV file with one row per reading"
        raise UsageError(msg)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            lines = [(reader.line_num, [c.strip() for c in row]) for row in reader]
    except (UnicodeDecodeError, csv.Error) as error:
        msg = f"{path}: not a CSV file in UTF-8 ({error}); save it as one"
        raise InputError(msg) from error
    lines = [line for line in lines if any(line[1])]
    if len(lines) < 2:
        msg = f"{path}: no readings; write a header and one row per reading"
        raise InputError(msg)
    header = lines[0][1]
    if len(header) == 1 and ";" in header[0]:
        msg = f"{path}: columns must be separated by commas, got {header[0]!r}; save it so"
        raise InputError(msg)
    for number, row in lines[1:]:
        if len(row) != len(header):
            msg = (
                f"{path}, line {number}: must have as many cells as the header, {len(header)}, "
                f"got {len(row)}; correct the line"
            )
            raise InputError(msg)
    return header, lines[1:]


def _columns(path: Path, header: list[str]) -> tuple[dict[str, int], dict[str, int]]:
    """Return where item, operator and repeat stand, and where each measurement does."""
    roles: dict[str, int] = {}
    columns: dict[str, int] = {}
    for place, name in enumerate(header):
        role = _ROLES.get(name.casefold())
        held, key = (columns, name) if role is None else (roles, role)
        if not name or key in held:
            msg = (
                f"{path}: every column needs one name of its own (item and part are one), "
                f"got {name!r} in column {place + 1}; rename or remove it"
            )
            raise InputError(msg)
        held[key] = place
    if "item" not in roles:
        msg = f"{path}: no column 'item' or 'part'; name the one that says what was measured"
        raise InputError(msg + f" ({nearest('item', columns)})")
    if not columns:
        msg = f"{path}: no measurement beside {', '.join(header)}; add a column of readings"
        raise InputError(msg)
    return roles, columns


def _cells(
    path: Path, rows: Sequence[Line], roles: Mapping[str, int]
) -> dict[tuple[str, str], list[int]]:
    """Return the rows of each item and operator, in the order of the file."""
    cells: dict[tuple[str, str], list[int]] = defaultdict(list)
    seen: dict[tuple[str, ...], int] = {}
    for place, (line, row) in enumerate(rows):
        for role, column in roles.items():
            if not row[column]:
                msg = f"{path}, line {line}: {role} must not be empty; fill it in"
                raise InputError(msg)
        key = (row[roles["item"]], row[roles["operator"]] if "operator" in roles else "")
        cells[key].append(place)
        if "repeat" in roles:
            reading = (*key, row[roles["repeat"]])
            if reading in seen:
                msg = (
                    f"{path}, line {line}: {_who(key)}, repeat {reading[-1]} stands in line "
                    f"{seen[reading]} already; number the repeats or remove one line"
                )
                raise InputError(msg)
            seen[reading] = line
    return dict(cells)


def _shape(path: Path, cells: Mapping[tuple[str, str], Sequence[int]]) -> tuple[int, int, int]:
    """Return items, operators, repeats; raise where the study is not crossed and balanced."""
    items = sorted({item for item, _ in cells})
    operators = sorted({operator for _, operator in cells})
    counts = {(i, o): len(cells.get((i, o), ())) for i in items for o in operators}
    # The commonest count is taken for the wanted one, so that the message names the odd cell.
    values = list(counts.values())
    usual = max(sorted(set(values), reverse=True), key=values.count)
    odd = [key for key, count in counts.items() if count != usual]
    if odd:
        more = f" (and {len(odd) - 1} more)" if len(odd) > 1 else ""
        msg = (
            f"{path}: every item must be measured equally often"
            + (" by every operator" if len(operators) > 1 else "")
            + f", got {counts[odd[0]]} readings of {_who(odd[0])}{more} where others have {usual}; "
            "measure what is missing or leave the item out"
        )
        raise InputError(msg)
    if usual < 2 or len(items) < 2:
        msg = (
            f"{path}: a study needs at least 2 items, each measured at least twice"
            + (" by each operator" if len(operators) > 1 else "")
            + f", got {len(items)} items × {usual}; measure more"
        )
        raise InputError(msg)
    return len(items), len(operators), usual


def _who(key: tuple[str, str]) -> str:
    return f"item {key[0]!r}" + (f", operator {key[1]!r}" if key[1] else "")


def _number(path: Path, line: int, column: str, cell: str) -> float:
    """Return a cell as a finite number."""
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        hint = "use a decimal point" if "," in cell else "correct it or leave the item out"
        msg = (
            f"{path}, line {line}: {column} must be a finite number, got {cell!r}; {hint}, or name "
            "the column to read with --measurement"
        )
        raise InputError(msg)
    return value
