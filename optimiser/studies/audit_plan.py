"""Picking the items of an audit out of a history: strata by distance, chance by a seed.

Three scans, whatever the history's length: the spread of passed items, the size of every
stratum with its smallest tickets, the items of those tickets. A ticket is a number that
follows from the seed and the item's key alone, so that the same history and seed give the
same items on every machine, and nobody can choose.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from optimiser.defaults import STAGE
from optimiser.errors import UsageError
from optimiser.evidence.audit import BANDS, CUTS, Stratum, allocate
from optimiser.history.contract import KEY
from optimiser.history.limits import PlacedLimits, limit_column, place_limits
from optimiser.history.read import History
from optimiser.history.sheet import key_as_text
from optimiser.plant.file import SIDES
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal

MOST_ITEMS = 100_000
SHOWN = ("line", "product", "lot", "part", "family")


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditItem:
    """One passed item to inspect again: its key as text, where it was, its stratum."""

    key: tuple[str, ...]
    shown: tuple[str, ...]
    stratum: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditPlan:
    """Which passed items to inspect again.

    Attributes
    ----------
    seed : int
    stage : str
    revision : str
        Of the live recipe that passed them.
    first, last : datetime
        Time of the first and the last passed item that nobody judged.
    escapes : int
        Known escapes of the same stage, families and days: they come on top.
    strata : tuple of Stratum
    items : tuple of AuditItem
        In order of time, so that those of one board stand together.
    """

    seed: int
    stage: str
    revision: str
    first: datetime
    last: datetime
    escapes: int
    strata: tuple[Stratum, ...]
    items: tuple[AuditItem, ...]


def plan_audit(
    history: History,
    live: Recipe,
    *,
    items: int,
    seed: int,
    family: str | None = None,
    stage: str = STAGE,
    days: int | None = None,
) -> AuditPlan:
    """Pick passed items that nobody judged, at random within strata.

    Parameters
    ----------
    history : History
    live : Recipe
        Decides what passed.
    items : int
        How many to pick, at most 100,000; fewer where there are fewer.
    seed : int
        Same history, same seed: same items.
    family : str, optional
        Only this one.
    stage : str
        Only items of this stage: paste is gone after reflow.
    days : int, optional
        Only the last days of the history.

    Returns
    -------
    AuditPlan

    Raises
    ------
    UsageError
        If there is nothing to pick from, or too few or too many are asked for.
    """
    if items > MOST_ITEMS:
        msg = f"--items must be at most {MOST_ITEMS:,}, got {items:,}; people inspect them"
        raise UsageError(msg)
    limits = place_limits(history, "audit_limits", {"live": live})
    asked = _asked(history, family=family, stage=stage, days=days)
    passed = f"{asked} and i.verdict is null and not {limits.called('live')}"
    _write_units(history, limits, passed)
    source = _source(limits, passed, seed)
    strata = _strata(history, source, items, stage)
    span = history.rows(f"select min(i.time), max(i.time) from {limits.join()} where {passed}")[0]
    return AuditPlan(
        seed=seed,
        stage=stage,
        revision=live.revision,
        first=span[0],
        last=span[1],
        escapes=_known_escapes(history, limits, asked),
        strata=strata,
        items=_pick(history, source, strata),
    )


def _asked(history: History, *, family: str | None, stage: str, days: int | None) -> str:
    """Return SQL that holds for items ``i`` of the stage, family and days asked for."""
    tests = [f"i.stage = {text_literal(stage)}"]
    if family is not None:
        tests.append(f"i.family = {text_literal(family)}")
    if days is not None:
        last = history.rows("select max(time) from items")[0][0]
        tests.append(f"i.time > timestamp {text_literal(last)} - interval {int(days)} days")
    return " and ".join(tests)


def _known_escapes(history: History, limits: PlacedLimits, asked: str) -> int:
    escaped = f"{asked} and i.verdict = 'defect' and not {limits.called('live')}"
    return int(history.rows(f"select count(*) from {limits.join()} where {escaped}")[0][0])


def _limited(limits: PlacedLimits) -> list[int]:
    """Return the measurements that have a limit somewhere, by number."""
    return [
        n
        for n, m in enumerate(limits.measurements)
        if any(
            math.isfinite(row[m].lower) or math.isfinite(row[m].upper)
            for row in limits.rows.values()
            if m in row
        )
    ]


def _write_units(history: History, limits: PlacedLimits, passed: str) -> None:
    """Write the table ``audit_units``: per family what one unit of distance is.

    The standard deviation of its passed items, but at least the repeatability: nearer than
    that, measuring again decides which side an item lies on.
    """
    names = [limits.measurements[n] for n in _limited(limits)]
    spread = ", ".join(["i.family", *(f"stddev_samp(i.{quoted(m)}::double)" for m in names)])
    rows = history.rows(f"select {spread} from {limits.join()} where {passed} group by i.family")
    table: dict[str, Any] = {"family": np.array([r[0] for r in rows], dtype=object)}
    for column, (n, m) in enumerate(zip(_limited(limits), names, strict=True), 1):
        known = history.plant.file.measurements[m]
        floor = known.repeatability or known.step or 1.0
        table[f"unit_{n}"] = np.array([max(r[column] or 0.0, floor) for r in rows], dtype=float)
    history.put("audit_units", pd.DataFrame(table))


def _source(limits: PlacedLimits, passed: str, seed: int) -> str:
    """Return SQL of passed items: key, place, family, band, ticket."""
    gaps = [
        f"{gap} / u.unit_{n}"
        for n in _limited(limits)
        for x in [f"i.{quoted(limits.measurements[n])}::double"]
        for low, high in [[f"b.{limit_column('live', n, side)}::double" for side in SIDES]]
        for gap in (f"({x} - {low})", f"({high} - {x})")
    ]
    distance = f"least({', '.join(gaps)})" if gaps else "null::double"
    band = f"case when {distance} < {CUTS[0]} then 0 when {distance} < {CUTS[1]} then 1 else 2 end"
    key = ", ".join(
        "epoch_us(i.time)::varchar" if c == "time" else f"coalesce(i.{c}, '')" for c in KEY
    )
    ticket = f"md5_number_lower(concat_ws(chr(31), '{int(seed)}', {key}))"
    columns = ", ".join(f"i.{c}" for c in (*KEY, *SHOWN))
    return (
        f"(select {columns}, {band} as band, {ticket} as ticket "
        f"from {limits.join()} join audit_units u on u.family = i.family where {passed})"
    )


def _strata(history: History, source: str, items: int, stage: str) -> tuple[Stratum, ...]:
    """Return the strata with the items to pick; their last tickets stand in ``audit_strata``."""
    history.rows(
        f"""create or replace temp table audit_tickets as
            select family, band, count(*) as items, min(ticket, {int(items)}) as tickets
            from {source} group by family, band"""
    )
    rows = history.rows("select family, band, items from audit_tickets order by family, band")
    if not rows:
        msg = (
            f"no passed {stage} item that nobody judged, so there is nothing to audit; name "
            "another --stage, more --days or another --family"
        )
        raise UsageError(msg)
    sizes, bands = (np.array([r[n] for r in rows], dtype=np.int64) for n in (2, 1))
    picked = allocate(sizes, bands, items=items)
    frame = pd.DataFrame(
        {
            "family": np.array([r[0] for r in rows], dtype=object),
            "band": bands,
            "picked": picked,
            "stratum": np.arange(len(rows)),
        }
    )
    history.put("audit_picked", frame)
    history.rows(
        """create or replace temp table audit_strata as
           select family, band, picked, stratum, tickets[picked] as last_ticket
           from audit_tickets join audit_picked using (family, band)"""
    )
    return tuple(
        Stratum(family=r[0], band=BANDS[r[1]], items=r[2], picked=int(n))
        for r, n in zip(rows, picked, strict=True)
    )


def _pick(history: History, source: str, strata: Sequence[Stratum]) -> tuple[AuditItem, ...]:
    """Return the items of the smallest tickets of every stratum."""
    key = ", ".join(key_as_text("p").values())
    shown = ", ".join(f"coalesce(p.{c}, '')" for c in SHOWN)
    rows = history.rows(
        f"""select [{key}], [{shown}], stratum
            from {source} p join audit_strata s
              on s.family = p.family and s.band = p.band and p.ticket <= s.last_ticket
            qualify row_number() over (partition by stratum order by ticket, {", ".join(KEY)}) <= picked
            order by time, board, designator, pin"""
    )
    found = tuple(AuditItem(key=tuple(r[0]), shown=tuple(r[1]), stratum=r[2]) for r in rows)
    if len(found) != sum(s.picked for s in strata):
        msg = "the history changed while items were being picked; run the command again"
        raise UsageError(msg)
    return found


def shares_by_band(strata: Sequence[Stratum]) -> Mapping[str, tuple[int, int]]:
    """Return items and picked items by band.

    Parameters
    ----------
    strata : sequence of Stratum

    Returns
    -------
    mapping of band to (items, picked)
    """
    return {
        band: (
            sum(s.items for s in strata if s.band == band),
            sum(s.picked for s in strata if s.band == band),
        )
        for band in BANDS
    }
