"""A defect that escaped: what came nearest, what would have caught it, and at what price.

Everything here is counted on this very history with the escape known. It says what catching
this one item would have cost, and never promises what a change would bring.
"""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.errors import ConflictError, UsageError
from optimiser.history.read import History
from optimiser.ledger.ledger import Entry, Ledger
from optimiser.plant.file import Plant, Side
from optimiser.proposal.propose import Case, limit_moves, problem_of
from optimiser.proposal.record import LimitMove
from optimiser.recipe.table import Recipe
from optimiser.search.blur import escape_prices
from optimiser.search.catch import Catch, fewest_calls, least_money, money_of
from optimiser.search.problem import Problem, keeps_to_rails
from optimiser.tally.count import is_called
from optimiser.tally.grid import GridLimit
from optimiser.tally.must_catch import KeptItem, add_kept, kept_file, rank_kept
from optimiser.tally.one_item import OneItem, goods_beyond, passed_like
from optimiser.values import DAYS_PER_MONTH, cell, hash_of

Ints = NDArray[np.int64]
Hopeless = Literal["", "not measured", "overridden", "among goods"]
NEIGHBOURS = 20
# Found by these nobody doubts that it is a defect; a review misreads goods now and then.
SURE = ("test", "audit", "field", "second look")


@dataclass(frozen=True, slots=True, kw_only=True)
class NearLimit:
    """How near one limit came to calling the escape.

    Attributes
    ----------
    measurement, side, unit : str
    value : float or None
        Of the item; None where it was not measured.
    live : float
        The limit that decides now; an override's own where one does. ±inf is off.
    gap : float or None
        From the item to the limit in the measurement's unit, >= 0 inside; None where not measured.
    steps, spreads, repeatabilities : float or None
        The gap in settable steps, in standard deviations of the goods, and of re-measuring one
        item; None where there is no such unit.
    needed : float or None
        The loosest settable limit that calls the item; None where none between the rails does.
    rail : str
        What ends the levels before they reach the item, in words.
    alone : int or None
        False calls more, counted, were this limit alone moved to `needed`.
    goods_beyond, goods : int
        Items that are no known defect: those at least as far out as the item, which any limit
        on this measurement that calls it calls too, and all that were measured.
    """

    measurement: str
    side: Side
    unit: str
    value: float | None
    live: float
    gap: float | None
    steps: float | None
    spreads: float | None
    repeatabilities: float | None
    needed: float | None
    rail: str
    alone: int | None
    goods_beyond: int
    goods: int

    @property
    def share_beyond(self) -> float | None:
        """Share of the goods that a limit which calls the item would call, 0..1."""
        return self.goods_beyond / self.goods if self.goods else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """A setting that calls the escape and every must-catch item, counted on this history.

    Attributes
    ----------
    limits : tuple of LimitMove
        Those that move.
    false_calls, live_false_calls : int
        Called items that are no known defect, reviewed or not.
    escapes, live_escapes : int
        Labelled defects not called, this one included while it is.
    money, live_money : float
        A month, of false calls and of escapes at their prices.
    bound : float
        No allowed setting has fewer false calls, or costs less a month, whichever it is best in.
    proved : bool
    within_rails : bool
        Whether it keeps to the rails on the setting as a whole.
    """

    limits: tuple[LimitMove, ...]
    false_calls: int
    live_false_calls: int
    escapes: int
    live_escapes: int
    money: float
    live_money: float
    bound: float
    proved: bool
    within_rails: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Escape:
    """What is known of one escape.

    Attributes
    ----------
    item : OneItem
    limits : tuple of NearLimit
        Nearest first.
    hopeless : str
        Why no limit between the rails could have caught it; empty where one could.
    fewest, cheapest : Remedy or None
        With the fewest false calls among settings that give up no known defect called now, and
        with the least money; None where it is hopeless.
    price : float
        Of one such escape beyond the reviewers' misses, money.
    own_money : float
        What this escape is of the live recipe's money a month, its weight included; 0 while it is
        no labelled defect.
    similar : DataFrame
        Passed items nearest to it.
    belongs : bool
        Whether it belongs in the must-catch set.
    why : str
        In words.
    items, lots, defects, span_days : int, int, int, float
        From how much.
    """

    item: OneItem
    limits: tuple[NearLimit, ...]
    hopeless: Hopeless
    fewest: Remedy | None
    cheapest: Remedy | None
    price: float
    own_money: float
    similar: pd.DataFrame
    belongs: bool
    why: str
    items: int
    lots: int
    defects: int
    span_days: float

    @property
    def pays_from(self) -> float | None:
        """Escapes like it a month from which the cheapest remedy pays; None where hopeless."""
        if self.cheapest is None or not self.price:
            return None
        # What it costs beyond the live recipe, were there no such escape at all.
        worse = self.cheapest.money - (self.cheapest.live_money - self.own_money)
        return max(0.0, worse) / self.price

    def as_dict(self) -> dict[str, Any]:
        """Return all of it as plain values."""
        return {
            "item": {**self.item.place, **self.item.label, "measurements": dict(self.item.values)},
            "limits": [{**asdict(x), "share_beyond": x.share_beyond} for x in self.limits],
            "hopeless": self.hopeless,
            "fewest_false_calls": _remedy_row(self.fewest),
            "least_money": _remedy_row(self.cheapest),
            "price_of_one": self.price,
            "pays_from_a_month": self.pays_from,
            "similar_passed": [
                {k: _plain(v) for k, v in row.items()} for row in self.similar.to_dict("records")
            ],
            "belongs_in_must_catch": self.belongs,
            "why": self.why,
            "items": self.items,
            "lots": self.lots,
            "defects": self.defects,
            "span_days": self.span_days,
        }


def _plain(value: Any) -> Any:  # noqa: ANN401 - a cell
    if pd.isna(value):
        return None
    return value.isoformat() if isinstance(value, pd.Timestamp) else value


def _remedy_row(remedy: Remedy | None) -> dict[str, Any] | None:
    if remedy is None:
        return None
    return {**asdict(remedy), "limits": [x.as_dict() for x in remedy.limits]}


def escape_of(
    history: History,
    live: Recipe,
    case: Case,
    item: OneItem,
    *,
    time_limit_s: float,
    neighbours: int = NEIGHBOURS,
) -> Escape:
    """Return what came nearest to calling an escape, and what would have called it.

    Parameters
    ----------
    history : History
    live : Recipe
    case : Case
        Of the item's family.
    item : OneItem
    time_limit_s : float
        For both remedies together; what is not proved by then says so.
    neighbours : int
        Similar passed items to list.

    Returns
    -------
    Escape

    Raises
    ------
    UsageError
        If the live recipe calls the item.
    """
    if item.live_called:
        verdict = item.label["verdict"] or "blank"
        msg = (
            f"{item.place['board']} {item.place['designator']}: the live limits call it, so no limit "
            f"let it escape (verdict {verdict}); if it is a defect a reviewer passed it: optimiser "
            "reviewers, optimiser agreement"
        )
        raise UsageError(msg)
    problem, impossible = problem_of(case)
    ranks = item.ranks(case.tally.grid).astype(np.int64)
    near = _near_limits(case, problem, item, ranks, goods_beyond(history, item, case.tally.grid))
    hopeless = _hopeless(item, near, ranks)
    fewest = cheapest = None
    if not hopeless and not impossible:
        counted = _Counted(case, problem, item)
        fewest = counted.remedy(
            fewest_calls(problem, ranks, time_limit_s=time_limit_s / 2), in_money=False
        )
        cheapest = counted.remedy(
            least_money(problem, ranks, time_limit_s=time_limit_s / 2), in_money=True
        )
    belongs, why = _belongs(case, item, hopeless)
    file = case.plant.file
    return Escape(
        item=item,
        limits=near,
        hopeless=hopeless,
        fewest=fewest,
        cheapest=cheapest,
        price=file.escape_price(item.label["defect"]) * (1 - problem.miss_rate),
        own_money=_own_money(case, problem, item),
        similar=passed_like(history, live, item, number=neighbours),
        belongs=belongs,
        why=why,
        items=case.tally.items,
        lots=len(set(case.tally.cells.lot.tolist())),
        defects=len(case.tally.defects.frame),
        span_days=case.span_days,
    )


def as_kept(item: OneItem, *, name: str) -> KeptItem:
    """Return an item as a row of the must-catch set."""
    return KeptItem(name=name, family=item.family, values=dict(item.values))


def kept_name(item: OneItem) -> str:
    """Return the name under which an item stands in the must-catch set."""
    place = item.place
    where = [place["board"], place["designator"], place["pin"] and f"pin {place['pin']}"]
    return " ".join(str(x) for x in (*where, item.label["defect"]) if x)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An item taken into the must-catch set: the ledger's entry, and the file as it was before."""

    entry: Entry
    path: Path
    backup: Path | None


def keep(ledger: Ledger, plant: Plant, found: Escape, *, by: str, reason: str) -> Kept:
    """Take an escape into the must-catch set, signed.

    Parameters
    ----------
    ledger : Ledger
    plant : Plant
    found : Escape
    by, reason : str

    Returns
    -------
    Kept

    Raises
    ------
    ConflictError
        If it does not belong there; nothing was written then.
    """
    item = as_kept(found.item, name=kept_name(found.item))
    path = kept_file(plant)
    if not found.belongs:
        msg = f"{item.name} is not taken into the must-catch set: {found.why}; nothing was written"
        raise ConflictError(msg)
    backups: list[Path | None] = []

    def write(_: Sequence[Entry]) -> dict[str, Any]:
        if not backups:  # the transaction may be tried again
            backups.append(add_kept(plant, item))
        return {
            "name": item.name,
            "values": dict(item.values),
            "item": {k: _plain(v) for k, v in {**found.item.place, **found.item.label}.items()},
            "file": path.name,
            "file_hash": hash_of(path.read_text(encoding="utf-8-sig")),
        }

    entry = ledger.keep_item(item.family, by=by, reason=reason, body=write)
    return Kept(entry=entry, path=path, backup=backups[0])


def _near_limits(
    case: Case, problem: Problem, item: OneItem, ranks: Ints, beyond: Sequence[tuple[int, int]]
) -> tuple[NearLimit, ...]:
    """Return every limit of the family, the nearest to the item first."""
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    by_live = is_called(problem.live, problem.ranks)
    found = []
    for n, (limit, (outside, goods)) in enumerate(zip(case.tally.grid.limits, beyond, strict=True)):
        own = item.overridden.get(limit.measurement)
        needed, alone = None, None
        if own is None and ranks[n] > 0:
            needed = float(limit.values[ranks[n] - 1])
            moved = np.array(problem.live)
            moved[n] = ranks[n] - 1
            newly = is_called(moved, problem.ranks) & ~by_live
            alone = int(totals[newly].sum()) - _own_count(item)
        now = float(limit.values[limit.live]) if own is None else own.limit(limit.side)
        found.append(
            replace(
                _gap(case, limit, item.values.get(limit.measurement), now),
                needed=needed,
                rail=_rail(limit, own is not None, needed),
                alone=alone,
                goods_beyond=outside,
                goods=goods,
            )
        )
    return tuple(sorted(found, key=lambda x: math.inf if x.spreads is None else x.spreads))


def _own_count(item: OneItem) -> int:
    """Return 1 where the item itself is counted among the non-defects."""
    return int(item.label["verdict"] != "defect")


def _own_money(case: Case, problem: Problem, item: OneItem) -> float:
    """Return what an item's own escape is of the live recipe's money, a month."""
    frame = case.tally.defects.frame[~case.tally.defects.settled].reset_index(drop=True)
    here = np.ones(len(frame), dtype=bool)
    for column in ("stage", "product", "board", "designator", "pin", "time"):
        wanted = item.place[column]
        same = frame[column].isna() if wanted is None else frame[column] == wanted
        here &= same.to_numpy(dtype=bool)
    return float(escape_prices(problem)[here].sum()) * DAYS_PER_MONTH / case.span_days


def _gap(case: Case, limit: GridLimit, value: float | None, now: float) -> NearLimit:
    """Return how far a value lies inside a limit."""
    measurement = case.plant.file.measurements[limit.measurement]
    gap = None if value is None else limit.sign * (now - value)

    def over(unit: float | None) -> float | None:
        return gap / unit if gap is not None and unit else None

    return NearLimit(
        measurement=limit.measurement,
        side=limit.side,
        unit=limit.unit,
        value=value,
        live=now,
        gap=gap,
        steps=over(measurement.step),
        spreads=over(limit.spread),
        repeatabilities=over(limit.repeatability),
        needed=None,
        rail="",
        alone=None,
        goods_beyond=0,
        goods=0,
    )


def _rail(limit: GridLimit, overridden: bool, needed: float | None) -> str:
    """Return why no level of a limit calls the item, in words."""
    if overridden:
        return "a limit of this part or designator decides instead of the family's"
    if needed is not None:
        return ""
    return limit.tight[0].reason if limit.tight else "no settable level lies further in"


def _hopeless(item: OneItem, near: Sequence[NearLimit], ranks: Ints) -> Hopeless:
    if (ranks > 0).any():
        return ""
    measured = [x for x in near if x.value is not None]
    if not measured:
        return "not measured"
    if all(x.measurement in item.overridden for x in measured):
        return "overridden"
    return "among goods"


class _Counted:
    """What settings do to a case's history, with an item's own count taken off."""

    def __init__(self, case: Case, problem: Problem, item: OneItem) -> None:
        self.case, self.problem, self.item = case, problem, item
        self.monthly = DAYS_PER_MONTH / case.span_days

    def remedy(self, found: Catch, *, in_money: bool) -> Remedy:
        """Return a setting in whole items and money a month."""
        # Called, the item is no false call although nobody has labelled it a defect yet.
        own = _own_count(self.item)
        money_off = own * self.problem.false_call_cost
        scale = self.monthly if in_money else 1.0
        setting = found.setting
        return Remedy(
            limits=tuple(x for x in limit_moves(self.case.tally, setting) if x.moves),
            false_calls=self._false_calls(setting) - own,
            live_false_calls=self._false_calls(self.problem.live),
            escapes=self._escapes(setting),
            live_escapes=self._escapes(self.problem.live) + own,
            money=(money_of(self.problem, setting) - money_off) * self.monthly,
            live_money=money_of(self.problem, self.problem.live) * self.monthly,
            bound=(found.bound - (money_off if in_money else own)) * scale,
            proved=found.proved,
            within_rails=keeps_to_rails(self.problem, setting),
        )

    def _false_calls(self, setting: Ints) -> int:
        totals = np.asarray(self.problem.counts.sum(axis=1), dtype=np.int64).ravel()
        called = is_called(setting, self.problem.ranks)
        return int(totals[called].sum()) + int(self.problem.always.sum())

    def _escapes(self, setting: Ints) -> int:
        return int((~is_called(setting, self.problem.defect_ranks)).sum())


def _belongs(case: Case, item: OneItem, hopeless: Hopeless) -> tuple[bool, str]:
    """Return whether an item belongs in the must-catch set, and why."""
    kept = next((k for k in case.must_catch if _same(k, item)), None)
    if kept is not None:
        return False, f"it is there already, as {kept.name}"
    against = _against(case, item, hopeless)
    if against:
        return False, against
    return True, (
        f"a defect that {item.label['found_by']} found and that some setting calls with room to spare; "
        "in the set, every proposal has to call it"
    )


def _against(case: Case, item: OneItem, hopeless: Hopeless) -> str:
    """Return what speaks against keeping an item, in words; empty where nothing does."""
    if hopeless == "overridden" or item.overridden:
        return (
            "a limit of its part or designator decides, and the must-catch set binds the family's"
        )
    if hopeless:
        return (
            "no setting between the rails calls it: in the must-catch set it would only stop every "
            "proposal of its family"
        )
    guard = case.plant.file.rails.guard_sigmas
    if rank_kept([as_kept(item, name="")], case.tally.grid, guard_sigmas=guard)[1]:
        return f"no setting calls it with {guard:g} repeatabilities to spare, as the set asks for"
    finder, verdict = item.label["found_by"], item.label["verdict"]
    if verdict != "defect":
        return f"its verdict is {verdict or 'blank'}: record first that it is a defect, and who found it"
    who = f"only a {finder}" if finder == "later stage" else "only review"
    return "" if finder in SURE else f"{who} says that it is a defect; look at it again first"


def _same(kept: KeptItem, item: OneItem) -> bool:
    """Return whether a kept item has an item's very values."""
    own = {m: np.float32(x) for m, x in item.values.items()}
    theirs = {m: np.float32(x) for m, x in kept.values.items()}
    return kept.family == item.family and own == theirs


def similar_text(found: Escape) -> str:
    """Return the similar passed items as CSV that no spreadsheet takes for formulas."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    columns = list(found.similar.columns)
    writer.writerow(columns)
    for row in found.similar.to_dict("records"):
        writer.writerow(
            ["" if _plain(row[c]) is None else cell(str(_plain(row[c]))) for c in columns]
        )
    return out.getvalue()
