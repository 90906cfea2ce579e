"""The watch over a signed change: what was promised against what follows once it is live.

The saving needs no before and after: both recipes are replayed on the very same new items,
so a process that moved changes both sides alike. False calls are held against the promised
rate, and escapes against the promised share, by bets that may be looked at every day
(`optimiser.evidence.watch`).
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from optimiser.defaults import LABEL_DAYS
from optimiser.evidence.intervals import (
    ZERO,
    Interval,
    add_up,
    design_effect,
    for_span,
    next_total,
    ratio_total,
    weighted_total,
)
from optimiser.evidence.promise import LEVEL
from optimiser.evidence.watch import (
    BAND,
    RateWatch,
    ShareWatch,
    State,
    dispersion,
    watch_rate,
    watch_share,
)
from optimiser.history.read import History
from optimiser.ledger.ledger import Ledger
from optimiser.monitoring.watch_drift import DriftedMeasurement, moved_measurements, moved_words
from optimiser.monitoring.watch_facts import (
    Change,
    Facts,
    change_of,
    column,
    find_live_since,
    placed_limits,
    recipes_of,
    sums_by,
    timestamp,
)
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal
from optimiser.tally.must_catch import KeptItem, read_must_catch
from optimiser.values import DAYS_PER_MONTH, finite_only

_UNSEEN = (
    "called items alone are exported, so what the old limits would have called of the same items "
    "nobody can count: export passed items as well"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedDay:
    """One day of a change that is live: what it saved and what was promised of as many items.

    Attributes
    ----------
    date : str
        ISO.
    items : int
    realised, promised : float
        Money; the days add up to the saving a month times the months since.
    """

    date: str
    items: int
    realised: float
    promised: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedPlace:
    """One product on one line since a change is live: what it saved there, and what was promised.

    Attributes
    ----------
    line, product : str or None
    items : int
    realised, promised : float
        Money; the places add up to what the days add up to.
    """

    line: str | None
    product: str | None
    items: int
    realised: float
    promised: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What was promised of a change and what followed.

    Attributes
    ----------
    family : str
    state : State
    reasons : tuple of str
        Why, in words, the weightiest first.
    since : datetime or None
        From when the change is live, UTC; None where it is not.
    until : datetime or None
        The last item looked at.
    days, items, lots : int
        From how much, since then; days with items.
    false_calls : RateWatch or None
        None where the change is not live.
    false_calls_per_month, promised_false_calls_per_month : Interval
        At the volume of the days since; the first right at all times together (95 %).
    false_calls_before_per_month : float
        What the old limits would have called of the same new items.
    escapes : ShareWatch or None
        Of the defects that the old limits would have called: those found by test, whose
        labels are final. None where the change adds none by construction.
    escapes_known, escapes_other, caught : int
        All escapes known so far that the old limits would have called; escapes that neither
        calls; true calls that only the new limits made.
    expected_escapes : Interval
        To be found by test among final labels: what as many items as came since may bring,
        promised times test coverage.
    saving_per_month, promised_saving_per_month : Interval
        Money, 90 %, lots as the unit; realised is exact item by item but for escapes, promised
        is what as many items may bring.
    missed : tuple of str
        Must-catch items that the live limits did not call.
    moved : tuple of DriftedMeasurement
    mismatch_share : float
        Of the items since, those whose recorded call is not that of the new limits.
    months : float
        Since the change is live, by calendar.
    by_day : tuple of SavedDay
        Days with items.
    by_place : tuple of SavedPlace
        Lines and products with items.
    """

    family: str
    state: State
    reasons: tuple[str, ...]
    since: datetime | None
    until: datetime | None = None
    days: int = 0
    items: int = 0
    lots: int = 0
    false_calls: RateWatch | None = None
    false_calls_per_month: Interval = ZERO
    promised_false_calls_per_month: Interval = ZERO
    false_calls_before_per_month: float = 0.0
    escapes: ShareWatch | None = None
    escapes_known: int = 0
    escapes_other: int = 0
    caught: int = 0
    expected_escapes: Interval = ZERO
    saving_per_month: Interval = ZERO
    promised_saving_per_month: Interval = ZERO
    missed: tuple[str, ...] = ()
    moved: tuple[DriftedMeasurement, ...] = ()
    mismatch_share: float = 0.0
    months: float = 0.0
    by_day: tuple[SavedDay, ...] = ()
    by_place: tuple[SavedPlace, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; times as ISO text, infinities None."""
        row = asdict(self)
        for key in ("since", "until"):
            row[key] = None if row[key] is None else row[key].isoformat()
        finite: dict[str, Any] = finite_only(row)
        return finite

    def __repr__(self) -> str:
        since = "not live" if self.since is None else f"since {self.since:%Y-%m-%d}"
        return f"<Watched {self.family}: {self.state}, {since}, {self.items} items>"


def watch(
    history: History,
    recipe: Recipe,
    change: Change,
    *,
    live_since: datetime | None = None,
    until: datetime | None = None,
    label_days: float = LABEL_DAYS,
) -> Watched:
    """Hold a signed change against what its history shows since it is live.

    Parameters
    ----------
    history : History
        Days before and after the change; those before say how days scatter.
    recipe : Recipe
        Any revision, for the limits that do not move.
    change : Change
    live_since : datetime, optional
        UTC without a zone; by default `find_live_since`.
    until : datetime, optional
        Look no further, for instance because a later change is live from then on.
    label_days : float
        Days after inspection on which a label is final.

    Returns
    -------
    Watched

    Raises
    ------
    RecipeError
        If the recipe has no row for a limit that moves.
    """
    since = live_since or find_live_since(history, recipe, change)
    if since is None:
        why = "no recorded call shows the new limits at work yet"
        return Watched(family=change.family, state="too early", reasons=(why,), since=None)
    limits = placed_limits(history, recipe, change)
    facts = Facts(history, limits, change, since, until)
    if facts.now.empty:
        why = "no item of the family since the change is live"
        return Watched(family=change.family, state="too early", reasons=(why,), since=since)
    return _judge(facts, recipe, label_days)


def watch_exported(
    history: History,
    recipe: Recipe,
    ledger: Ledger,
    *,
    family: str | None = None,
    live_since: datetime | None = None,
    label_days: float = LABEL_DAYS,
) -> dict[int, Watched]:
    """Watch every change that the ledger says is exported.

    Parameters
    ----------
    history : History
    recipe : Recipe
        Any revision, for the limits that do not move.
    ledger : Ledger
    family : str, optional
        Only this one.
    live_since : datetime, optional
        UTC without a zone; by default found in the recorded calls since the export.
    label_days : float

    Returns
    -------
    dict of int to Watched
        By the proposal's number in the ledger.

    Raises
    ------
    LedgerError
        If the ledger cannot be read.
    RecipeError
        If the recipe has no row for a limit that moved.
    """
    written = _written(ledger)
    found = {}
    for state in ledger.states():
        entry = state.entry
        if state.state != "exported" or family not in (None, entry.family):
            continue
        if history.plant.file.plant.only_called:
            found[entry.id] = Watched(
                family=str(entry.family), state="too early", reasons=(_UNSEEN,), since=None
            )
            continue
        row = {"family": entry.family, "limits": entry.body["limits"], **entry.body["figures"]}
        change = change_of({**row, "applied": written.get(state.exported_in)})
        found[entry.id] = watch(
            history, recipe, change, live_since=live_since, label_days=label_days
        )
    return found


def exported_since(ledger: Ledger) -> datetime | None:
    """Return when the oldest change that is still exported went out, UTC without a zone.

    Parameters
    ----------
    ledger : Ledger

    Returns
    -------
    datetime or None
        None where nothing is exported.
    """
    written = _written(ledger)
    found = [
        datetime.fromisoformat(written[s.exported_in])
        for s in ledger.states()
        if s.state == "exported" and s.exported_in in written
    ]
    return min(found).replace(tzinfo=None) if found else None


def _written(ledger: Ledger) -> dict[Any, str]:
    """Return when each revision was written; a rollback may bring an older change back."""
    return {
        e.body.get("revision"): e.at
        for kind in ("export", "rollback")
        for e in ledger.entries(kind=kind)
    }


def _judge(facts: Facts, recipe: Recipe, label_days: float) -> Watched:
    change, now = facts.change, facts.now
    promised = _promised_rate(facts)
    days, past = sums_by(now, "day"), sums_by(facts.past, "day")
    rate = watch_rate(
        column(days, "called"),
        column(days, "items"),
        promised,
        spread=dispersion(column(past, "after"), column(past, "items")),
    )
    items = float(now["items"].sum())
    volume = items / facts.months
    expected, escapes = _escapes(facts, label_days)
    moved = moved_measurements(facts, promised.value, volume)
    missed = _missed(facts, recipe)
    called, old = facts.defects.called.astype(bool), facts.defects.before.astype(bool)
    found = Watched(
        family=change.family,
        state=_state(rate, escapes, missed),
        reasons=(),
        since=facts.since,
        until=facts.last,
        days=len(days),
        items=int(items),
        lots=int(now.lot.nunique()),
        false_calls=rate,
        false_calls_per_month=rate.ratio.times(promised.value * volume),
        promised_false_calls_per_month=promised.times(volume),
        false_calls_before_per_month=float(now.before.sum()) / facts.months,
        escapes=escapes,
        escapes_known=int((~called & old).sum()),
        escapes_other=int((~called & ~old).sum()),
        caught=int((called & ~old).sum()),
        expected_escapes=expected,
        saving_per_month=_saving(facts),
        promised_saving_per_month=_promised_saving(change, items).times(
            volume / (change.items / change.span_days * DAYS_PER_MONTH)
        ),
        missed=missed,
        moved=moved,
        mismatch_share=float(now.mismatch.sum()) / items,
        months=facts.months,
    )
    found = replace(found, by_day=_by_day(facts, found), by_place=_by_place(facts, found))
    return replace(found, reasons=_reasons(found, facts, promised))


def _promised_saving(change: Change, items: float) -> Interval:
    """Return the saving a month that so many items may bring: the promise's, and their scatter."""
    ratio = max(items / change.items, 1e-9)
    return for_span(change.saving_per_month, ratio).times(1 / ratio)


def _promised_rate(facts: Facts) -> Interval:
    """Return false calls per item as promised: those of then, less the saving.

    The promise's interval is that of the saving. The rate of coming lots scatters beyond it
    where both recipes move together, so each end reaches at least as far as the same lots
    replayed under the new limits do.
    """
    change, past = facts.change, facts.past
    live = change.live_false_calls
    if live is None:
        share = past.before.sum() / past["items"].sum() if len(past) else np.nan
        live = float(share) * change.items
    if not np.isfinite(live):
        # No record and no days before: nothing can be held against anything.
        return Interval(value=1 / change.items, low=0.0, high=np.inf)
    saved = change.false_calls_saved
    lots = sums_by(past, "lot")
    own = ratio_total(column(lots, "after"), column(lots, "items"), level=LEVEL)
    scale = change.items / max(float(past["items"].sum()), 1.0)
    below = max(saved.high - saved.value, (own.value - own.low) * scale)
    above = max(saved.value - saved.low, (own.high - own.value) * scale)
    # Half a call, so that a promise of none can be held against anything at all.
    middle = max(live - saved.value, 0.5)
    return Interval(value=middle, low=max(0.0, middle - below), high=middle + above).times(
        1 / change.items
    )


def _escapes(facts: Facts, label_days: float) -> tuple[Interval, ShareWatch | None]:
    """Return the escapes to expect among final labels, and what those found say.

    Trials are the known defects that the old limits would have called: still called, or
    escaped and found by test. A share of them does not move with the number of defects.
    """
    change, plant = facts.change, facts.history.plant.file
    if change.escapes_added.high <= 0 or not change.promised:
        return ZERO, None
    final = facts.last - timedelta(days=label_days)
    old = facts.defects[facts.defects.before.astype(bool) & (facts.defects.time <= final)]
    called = old.called.astype(bool)
    by_test = ~called & (old.found_by == "test")
    days = old.time.dt.date if len(old) else pd.Series(dtype=object)
    trials, events = (
        held.groupby(days).sum().astype(float) for held in (called | by_test, by_test)
    )
    items = facts.history.rows(
        f"select count(*) from {facts.source} where live and time <= {timestamp(final)}"
    )[0][0]
    coverage = plant.labels.test_coverage
    # Of those that test finds: a count thinned by its coverage comes in smaller bursts.
    expected = next_total(
        change.escapes_added.value * coverage,
        spread=max(1.0, change.bursts * coverage),
        effect=1 + (change.bursts - 1) * coverage,
        ratio=max(items / change.items, 1e-9),
        level=LEVEL,
    )
    sizes = column(sums_by(facts.past, "lot"), "kept")
    return expected, watch_share(
        events.to_numpy(dtype=np.float64),
        trials.to_numpy(dtype=np.float64),
        _known_share(change, coverage, plant.review_of(change.family).miss_rate),
        effect=design_effect(np.zeros(len(sizes)), sizes),
    )


def _known_share(change: Change, coverage: float, miss_rate: float) -> Interval:
    """Return the promised share of escapes among the known defects that old limits call.

    An escape is known with test's coverage, a called defect unless its reviewer passed it.
    """
    total = change.defects_called / (1 - miss_rate)

    def share(added: float) -> float:
        added = min(max(added, 0.0), total)
        known = added * coverage
        of = known + (total - added) * (1 - miss_rate)
        return known / of if of else 1.0

    added = change.escapes_added
    return Interval(value=share(added.value), low=share(added.low), high=share(added.high))


def _saving(facts: Facts) -> Interval:
    """Return the realised saving a month in money, from both recipes on the same items."""
    plant = facts.history.plant.file
    lots = sums_by(facts.now, "lot")
    saved = ratio_total(
        column(lots, "before") - column(lots, "called"), column(lots, "items"), level=LEVEL
    )
    review = saved.times(plant.review.cost_per_call)
    defects = facts.defects
    called, old = defects.called.astype(bool), defects.before.astype(bool)
    # One that test found stands for those that it does not find; a reviewer passes a few.
    could = facts.change.escapes_added.high > 0
    lost = _money(facts, defects[~called & old], 1 / plant.labels.test_coverage, could=could)
    gained = _money(facts, defects[called & ~old], 1.0, could=bool((called & ~old).any()))
    lost = lost.times(1 - plant.review_of(facts.change.family).miss_rate)
    return add_up(review, lost.negated(), gained).times(1 / facts.months)


def _by_day(facts: Facts, found: Watched) -> tuple[SavedDay, ...]:
    """Return the realised saving day by day, and of the promise each day's share of the items."""
    days = sums_by(facts.now, "day")
    money = (days["before"] - days["called"]) * facts.history.plant.file.review.cost_per_call
    by_day = _gains(facts).groupby(pd.to_datetime(facts.defects.time).dt.date).sum()
    told = zip(pd.to_datetime(days.index).date, money, days["items"], strict=True)
    return tuple(
        SavedDay(
            date=day.isoformat(),
            items=int(items),
            realised=float(saved + by_day.get(day, 0.0)),
            promised=float(_promised_per_item(found) * items),
        )
        for day, saved, items in told
    )


def _by_place(facts: Facts, found: Watched) -> tuple[SavedPlace, ...]:
    """Return the realised saving by line and product, and of the promise each one's share of the items."""
    cost = facts.history.plant.file.review.cost_per_call
    gains: dict[tuple[str | None, str | None], float] = {}
    for line, product, gain in zip(
        _named(facts.defects.line), _named(facts.defects["product"]), _gains(facts), strict=True
    ):
        gains[line, product] = gains.get((line, product), 0.0) + gain
    places = facts.placed()
    told = zip(
        _named(places.line),
        _named(places["product"]),
        places["items"],
        (places.before - places.called) * cost,
        strict=True,
    )
    return tuple(
        SavedPlace(
            line=line,
            product=product,
            items=int(items),
            realised=float(saved + gains.get((line, product), 0.0)),
            promised=float(_promised_per_item(found) * items),
        )
        for line, product, items, saved in told
    )


def _named(column: pd.Series) -> list[str | None]:
    return [None if pd.isna(name) else str(name) for name in column]


def _gains(facts: Facts) -> pd.Series:
    """Return what the change brought or cost in money at each known defect since."""
    plant, defects = facts.history.plant.file, facts.defects
    called, old = defects.called.astype(bool), defects.before.astype(bool)
    kept = 1 - plant.review_of(facts.change.family).miss_rate
    could = facts.change.escapes_added.high > 0
    lost = kept / plant.labels.test_coverage if could else 0.0
    price = pd.Series([plant.escape_price(d) for d in defects.defect], defects.index, dtype=float)
    found: pd.Series = price * ((called & ~old) * 1.0 - (~called & old) * lost)
    return found


def _promised_per_item(found: Watched) -> float:
    return found.promised_saving_per_month.value * found.months / found.items


def _money(facts: Facts, defects: pd.DataFrame, weight: float, *, could: bool) -> Interval:
    """Return what some defects cost; where there could be any, as if one more could have been."""
    if not could:
        return ZERO
    plant = facts.history.plant.file
    price = [plant.escape_price(d) for d in (*defects.defect, None)]
    by_lot = np.unique(defects.lot, return_counts=True)[1].astype(np.float64)
    return weighted_total(
        np.append(np.ones(len(defects)), 0.0),
        np.array(price, dtype=np.float64) * weight,
        level=LEVEL,
        effect=design_effect(np.zeros(len(by_lot)), by_lot),
    )


def _missed(facts: Facts, recipe: Recipe) -> tuple[str, ...]:
    """Return the must-catch items that the live limits let pass, in words."""
    kept = [k for k in read_must_catch(facts.history.plant) if k.family == facts.change.family]
    _, after = recipes_of(recipe, facts.change)
    rows = after.family_rows(facts.change.family)
    found = [
        f"must-catch item {item.name}: the live limits do not call it"
        for item in kept
        if not any(
            np.float32(x) < np.float32(rows[m].lower) or np.float32(x) > np.float32(rows[m].upper)
            for m, x in item.values.items()
            if m in rows
        )
    ]
    return (*found, *(words for item in kept for words in _run_again(facts, item)))


def _run_again(facts: Facts, item: KeptItem) -> list[str]:
    """Return in words where a known-bad item came by since and was not called.

    It is known by its board's serial, of which some item must be called at every stage, or
    by measurements that are all equal to the kept ones.
    """
    frame = pd.DataFrame({m: np.array([x], dtype=np.float32) for m, x in item.values.items()})
    facts.history.put("watch_kept", frame)
    equal = " and ".join(f"s.{quoted(m)} = k.{quoted(m)}" for m in item.values) or "false"
    rows = facts.history.rows(
        f"""select board, stage, min(time), 'board ' || board || ' ran again' from {facts.source}
            where live and board = {text_literal(item.name)} group by board, stage, time::date
            having not bool_or(coalesce(called, by_new))
            union all
            select board, stage, time, 'board ' || board || ', ' || designator || ' measures the same'
            from {facts.source} s cross join watch_kept k
            where live and {equal} and not coalesce(called, by_new)
            order by 3, 1, 4"""
    )
    return [
        f"must-catch item {item.name}: {words} on {time:%Y-%m-%d %H:%M} at {stage}, not called"
        for _, stage, time, words in rows
    ]


def _state(rate: RateWatch, escapes: ShareWatch | None, missed: Sequence[str]) -> State:
    """Return the state of all together: a missed must-catch item is an alarm at once."""
    if missed or (escapes is not None and escapes.state == "worse: look"):
        return "worse: look"
    return rate.state


def _reasons(found: Watched, facts: Facts, promised: Interval) -> tuple[str, ...]:
    """Return why, in words, alarms first."""
    now, days = facts.now, sorted(set(facts.now.day))
    words = [*found.missed, *_escape_words(found.escapes)]
    words += _rate_words(found, promised, days, made=facts.change.promised)
    words.append(
        f"on the same items the old limits would have made {now.before.sum():,.0f} false calls, "
        f"the new ones made {now.called.sum():,.0f}"
    )
    words += [moved_words(m) for m in found.moved if m.material]
    allowed = facts.history.plant.file.rails.mismatch_share
    if found.mismatch_share > allowed:
        words.append(
            f"{found.mismatch_share:.2%} of the recorded calls are not those of the new limits "
            f"({allowed:.2%} allowed): a line may still run the old ones, or another change is live"
        )
    return tuple(words)


def _rate_words(
    found: Watched, promised: Interval, days: Sequence[date], *, made: bool
) -> list[str]:
    """Return what the false calls say."""
    rate = found.false_calls
    if not made:
        return [
            "signed without a promise, so nothing can be held against it; only counts are given"
        ]
    if rate is None or not np.isfinite([promised.high, rate.scale]).all():
        return [
            "no state can be given: the history holds fewer than two days or lots before the "
            "change, so how its days scatter is unknown; keep them in the history"
        ]
    seen = f"{rate.count:,.0f} false calls, {rate.expected:,.0f} promised for as many items"
    most = f"{BAND:g} times the promise's upper end"
    if rate.worse_since is not None:
        return [f"more false calls than promised, shown on {days[rate.worse_since]}: {seen}"]
    if rate.better_since is not None:
        return [f"fewer false calls than promised, shown on {days[rate.better_since]}: {seen}"]
    words = {
        "as promised": f"{seen}; a rate {most} is ruled out",
        "too early": f"{seen}; neither a broken promise nor a rate below {most} is shown yet",
    }
    return [words[rate.state]]


def _escape_words(escapes: ShareWatch | None) -> list[str]:
    """Return what the escapes say."""
    if escapes is None:
        return []
    seen = (
        f"{escapes.count:,.0f} of {escapes.trials:,.0f} known defects that the old limits call "
        f"escaped and were found by test; at most {escapes.promised.high:.1%} promised"
    )
    words = {
        "worse: look": f"more escapes than promised: {seen}",
        "as promised": f"escapes as promised: {seen}",
        "too early": f"escapes, too early to tell: {seen}",
    }
    return [words[escapes.state]]
