"""The sheet of an audit: written for a person to fill in, read back with every row checked.

A row carries its stratum's size and number of picked items, from which its weight follows,
and a mark: a digest of its key and these numbers. A spreadsheet that turned a serial into a
number, or a hand that changed a weight, is seen at once, and the sheet needs no file beside it.
"""

import csv
import io
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from optimiser.evidence.audit import BANDS, FAR, Estimate, Judged, estimate
from optimiser.history.contract import KEY, Finding, refuse
from optimiser.history.limits import place_limits
from optimiser.history.read import History
from optimiser.history.sheet import TIME_FORMAT, mark_of, read_cells, write_new
from optimiser.history.verdicts import COLUMNS as TOLD_COLUMNS
from optimiser.recipe.table import Recipe
from optimiser.studies.audit_plan import SHOWN, AuditPlan
from optimiser.values import cell

VERDICTS = ("defect", "good", "gone")
COLUMNS = (
    *KEY,
    *SHOWN,
    "verdict",
    "defect",
    "stratum",
    "stratum_items",
    "stratum_picked",
    "weight",
    "mark",
)
_WEIGHT_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetRow:
    """One row of a filled sheet, validated."""

    key: tuple[str, ...]
    verdict: Literal["defect", "good", "gone"]
    defect: str
    stratum: str
    items: int
    picked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """What an audit found.

    Attributes
    ----------
    strata : tuple of Judged
    all : Estimate
    near : Estimate
        Without the strata far from every limit.
    rows : tuple of SheetRow
    called_now : int
        Items that the live recipe calls by now: they no longer are escapes.
    """

    strata: tuple[Judged, ...]
    all: Estimate
    near: Estimate
    rows: tuple[SheetRow, ...]
    called_now: int


def write_sheet(plan: AuditPlan, path: Path) -> None:
    """Write the sheet that a person fills in: one row an item, verdict and defect blank.

    Parameters
    ----------
    plan : AuditPlan
    path : Path
        CSV to make.

    Raises
    ------
    UsageError
        If it is there already: it may hold verdicts.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for item in plan.items:
        stratum = plan.strata[item.stratum]
        size = (stratum.name, str(stratum.items), str(stratum.picked))
        mark = _mark(item.key, *size)
        texts = [cell(x) for x in (*item.key, *item.shown)]
        writer.writerow([*texts, "", "", *map(cell, size), repr(stratum.weight), mark])
    write_new(path, out.getvalue())


def write_verdicts(audited: Audited, path: Path) -> None:
    """Write the verdicts of an audit in the form that ``plant.verdicts`` takes.

    Items that were gone are left out; the weight is the stratum's size over those judged.

    Parameters
    ----------
    audited : Audited
    path : Path
        CSV to make.

    Raises
    ------
    UsageError
        If it is there already.
    """
    weight = {s.name: s.weight for s in audited.strata}
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(TOLD_COLUMNS)
    for row in audited.rows:
        if row.verdict != "gone":
            told = (row.verdict, row.defect, "audit", repr(weight[row.stratum]))
            writer.writerow([*row.key, *told])
    write_new(path, out.getvalue())


def _mark(key: Sequence[str], stratum: str, items: str, picked: str) -> str:
    """Return a digest of what must not change in a row."""
    return mark_of(*key, stratum, items, picked)


def read_sheet(path: Path) -> tuple[SheetRow, ...]:
    """Read a filled sheet and check every row.

    Parameters
    ----------
    path : Path

    Returns
    -------
    tuple of SheetRow

    Raises
    ------
    UsageError
        If there is no such file.
    HistoryError
        With a finding per broken rule: row, value, way out.
    InputError
        If it is not text.
    """
    needed = (*COLUMNS[: len(KEY)], *COLUMNS[-7:])
    cells = read_cells(path, needed, write="optimiser audit PLANT --items N")
    findings = [f for n, row in enumerate(cells, 1) for f in _row_findings(path, n, row)]
    findings = findings or list(_whole_findings(path, cells))
    if findings:
        raise refuse(findings)
    return tuple(_row(c) for c in cells)


def _finding(path: Path, rule: str, *, way_out: str, **more: Any) -> Finding:  # noqa: ANN401
    return Finding(level="error", rule=rule, file=str(path), way_out=way_out, **more)


def _key(row: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(row[c] for c in KEY)


def _row(row: Mapping[str, str]) -> SheetRow:
    return SheetRow(
        key=_key(row),
        verdict=row["verdict"].lower(),  # type: ignore[arg-type] # checked by _row_findings
        defect=row["defect"],
        stratum=row["stratum"],
        items=int(row["stratum_items"]),
        picked=int(row["stratum_picked"]),
    )


def _row_findings(path: Path, n: int, row: Mapping[str, str]) -> Iterable[Finding]:
    """Yield what is wrong with one row."""

    def wrong(rule: str, column: str, way_out: str) -> Finding:
        value = row[column] or None
        return _finding(path, rule, way_out=way_out, row=n, column=column, value=value)

    allowed = ", ".join(VERDICTS)
    if not row["verdict"]:
        yield wrong(
            f"verdict is missing: {allowed}", "verdict", "'gone' if the board is not at hand"
        )
    elif row["verdict"].lower() not in VERDICTS:
        yield wrong(f"verdict must be one of {allowed}", "verdict", "correct the cell")
    elif row["defect"] and row["verdict"].lower() != "defect":
        yield wrong("a type of defect needs the verdict defect", "defect", "correct one of the two")
    size = (row["stratum"], row["stratum_items"], row["stratum_picked"])
    if row["mark"] != _mark(_key(row), *size):
        way = "copy the row from the sheet as written; a spreadsheet must open its columns as text"
        yield wrong("key or stratum changed since the sheet was written", "mark", way)
    elif not _is_weight(row["weight"], int(size[1]) / int(size[2])):
        way = f"write {int(size[1]) / int(size[2])!r}, the stratum's items over those picked"
        yield wrong("weight changed since the sheet was written", "weight", way)


def _is_weight(text: str, weight: float) -> bool:
    try:
        return abs(float(text.replace(",", ".")) / weight - 1) <= _WEIGHT_TOLERANCE
    except ValueError:
        return False


def _whole_findings(path: Path, cells: Sequence[Mapping[str, str]]) -> Iterable[Finding]:
    """Yield what is wrong with the sheet as a whole: repeated and missing rows."""
    if not cells:
        yield _finding(path, "the sheet has no row", way_out="fill in the sheet as it was written")
    first: dict[tuple[str, ...], int] = {}
    for n, row in enumerate(cells, 1):
        if (before := first.setdefault(_key(row), n)) != n:
            value = " ".join(c for c in _key(row) if c)
            rule = f"the item stands in row {before} already"
            yield _finding(path, rule, way_out="remove one of the two", row=n, value=value)
    yield from _stratum_findings(path, Counter(_stratum(row) for row in cells))


def _stratum_findings(path: Path, held: Counter[tuple[str, str, str]]) -> Iterable[Finding]:
    """Yield what is wrong with the rows of a stratum: some are missing, or of another sheet."""
    sheets = Counter(name for name, _, _ in held)
    for (name, items, picked), count in held.items():
        rule, way = "", ""
        if count < int(picked):
            rule = f"stratum {name} of {items} items has {count} of {picked} rows"
            way = "put the others back, with verdict 'gone' where the board is not at hand"
        if count > int(picked) or sheets[name] > 1:
            rule = f"stratum {name} holds rows of more than one sheet"
            way = "read one sheet at a time, the next after the first was taken into the history"
        if rule:
            yield _finding(path, rule, way_out=way, column="stratum")


def _stratum(row: Mapping[str, str]) -> tuple[str, str, str]:
    return row["stratum"], row["stratum_items"], row["stratum_picked"]


def read_audit(history: History, live: Recipe, path: Path) -> Audited:
    """Read a filled sheet and estimate the escapes among all passed items.

    Parameters
    ----------
    history : History
    live : Recipe
    path : Path

    Returns
    -------
    Audited

    Raises
    ------
    HistoryError
        If a row breaks a rule, or its item is not in the history.
    """
    rows = read_sheet(path)
    called_now = _refuse_unknown(history, live, rows, path)
    strata = _judged(rows)
    return Audited(
        strata=strata,
        all=estimate(strata),
        near=estimate([s for s in strata if not s.far]),
        rows=rows,
        called_now=called_now,
    )


def _judged(rows: Sequence[SheetRow]) -> tuple[Judged, ...]:
    """Return the strata of a sheet, in order of family and distance."""
    counts = Counter((r.stratum, r.items, r.picked, r.verdict) for r in rows)
    names = {(r.stratum, r.items, r.picked) for r in rows}
    return tuple(
        Judged(
            name=name,
            far=_band(name) == FAR,
            items=items,
            picked=picked,
            judged=counts[name, items, picked, "defect"] + counts[name, items, picked, "good"],
            found=counts[name, items, picked, "defect"],
        )
        for name, items, picked in sorted(
            names, key=lambda s: (s[0].rpartition(", ")[0], _band(s[0]))
        )
    )


def _band(stratum: str) -> int:
    return BANDS.index(stratum.rpartition(", ")[2])


def _refuse_unknown(history: History, live: Recipe, rows: Sequence[SheetRow], path: Path) -> int:
    """Raise for items that the history does not have; return how many are called by now."""
    frame = pd.DataFrame(
        {c: np.array([r.key[k] for r in rows], dtype=object) for k, c in enumerate(KEY)}
    )
    history.put("audit_keys", frame.assign(n=np.arange(len(rows))))
    limits = place_limits(history, "audit_limits", {"live": live})
    same = " and ".join(
        f"i.time = strptime(k.time, '{TIME_FORMAT}')"
        if c == "time"
        else f"coalesce(i.{c}, '') = k.{c}"
        for c in KEY
    )
    found = dict(
        history.rows(
            f"select k.n, {limits.called('live')} from {limits.join()} join audit_keys k on {same}"
        )
    )
    way = "name the plant that the sheet was written for, with the results of those days"
    unknown = [
        _finding(path, "no such item in the history", way_out=way, row=n + 1, value=" ".join(r.key))
        for n, r in enumerate(rows)
        if n not in found
    ]
    if unknown:
        raise refuse(unknown)
    return sum(found.values())
