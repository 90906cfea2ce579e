"""The account: what was expected, what followed, what waits; every figure with its count and date.

The manager's page, its JSON and its CSV all say what stands here and nothing else.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import accumulate
from typing import Any

import numpy as np
import pandas as pd

from optimiser.caution import CAUTION
from optimiser.evidence.intervals import ZERO, Interval, add_up, weighted_total
from optimiser.evidence.promise import LEVEL
from optimiser.history.contract import production_days
from optimiser.ledger.ledger import Ledger
from optimiser.ledger.standing import BY_NIGHT, Entry, State, still_to_sign
from optimiser.monitoring.watch import Watched
from optimiser.plant.file import STAGES, Plant
from optimiser.proposal.headline import Headline, headline
from optimiser.proposal.learn_record import last_list
from optimiser.proposal.month import month_of
from optimiser.proposal.record import Proposal
from optimiser.proposal.relabel import Relabel
from optimiser.proposal.stages import KeptStages, read_stages
from optimiser.proposal.stated import Stated
from optimiser.values import DAYS_PER_MONTH, finite_only

Fields = Mapping[str, Any]
MILLION = 1_000_000
WAITING = ("waiting", "one signature of two", "held")
GROUPS = {"waiting": WAITING, "signed": ("accepted",), "live": ("exported",)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of the account.

    Attributes
    ----------
    name, unit : str
    value : float
    low, high : float or None
        Its interval; None where it is a count.
    basis : str
        From how much, in words: the denominator, the dates.
    """

    name: str
    unit: str
    value: float
    basis: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Money:
    """A group of changes and what they are expected to save together.

    Attributes
    ----------
    name : str
    families : int
    saving : Interval
        Money a month; families taken as independent.
    """

    name: str
    families: int
    saving: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class ToDate:
    """What changes have saved since they went live, and what was promised of as many items.

    Attributes
    ----------
    changes, items : int
        That are live; items inspected since, counted once for each change.
    since : str
        Date the first went live.
    realised, promised : Interval
        Money until the last item; families taken as independent.
    """

    changes: int
    items: int
    since: str
    realised: Interval
    promised: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """All that the manager's page says.

    Attributes
    ----------
    plant, currency : str
    made_at : str
        ISO time, UTC.
    first, last : str
        Dates of the history.
    head : tuple of Money
        Waiting, signed, live; what is live also as realised in ``realised``.
    realised : Interval or None
        Saving a month of the changes that are live, item by item; None where none is.
    promised : Interval or None
        Of the same changes, as promised.
    to_date : ToDate or None
        The same as sums since each went live; None where none is.
    by_day : tuple of dict
        ``date``, money ``realised`` and ``promised`` that day, and both added up since the first.
    figures : tuple of Figure
        Quality and effort, of the live recipe.
    stages : tuple of dict
        Yield by stage, then of the whole route (``stage`` is ``whole route, rolled``).
    lines, products : tuples of dict
        Board inspections, calls and effort a month, yield of the route, most false calls first;
        ``realised`` and ``promised`` money to date there, None where no change is live.
    by_week : tuple of dict
        ``week, items, boards, calls, false_calls, first_pass_yield,
        false_calls_per_million``.
    families : tuple of dict
        Every proposal: advice, saving and escapes with intervals, from how much.
    changes : tuple of dict
        Every change that is live: promised against realised, and its state in words.
    waiting, decided : tuples of dict
        Of what people decided; what the night took back itself is in the ledger.
    raises : tuple of str
        What would raise the confidence.
    invented : bool
        Whether the plant is a demo.
    headline : Headline or None
        All proposals of the plant together; None without any.
    stages_followed : KeptStages or None
        What earlier stages foretell, as it was last found; None where nobody followed items.
    """

    plant: str
    currency: str
    made_at: str
    first: str
    last: str
    head: tuple[Money, ...]
    realised: Interval | None
    promised: Interval | None
    to_date: ToDate | None
    by_day: tuple[Fields, ...]
    figures: tuple[Figure, ...]
    stages: tuple[Fields, ...]
    lines: tuple[Fields, ...]
    products: tuple[Fields, ...]
    by_week: tuple[Fields, ...]
    families: tuple[Fields, ...]
    changes: tuple[Fields, ...]
    waiting: tuple[Fields, ...]
    decided: tuple[Fields, ...]
    raises: tuple[str, ...]
    headline: Headline | None = None
    stages_followed: KeptStages | None = None
    invented: bool = False
    caution: str = CAUTION

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        found: dict[str, Any] = finite_only(asdict(self))
        return found


def make_account(
    plant: Plant,
    days: pd.DataFrame,
    proposals: Sequence[Proposal],
    ledger: Ledger,
    watched: Mapping[int, Watched],
    *,
    made_at: str,
    backtested: bool,
    relabelled: Relabel | None = None,
    stated: Stated | None = None,
) -> Account:
    """Return the account of a plant.

    Parameters
    ----------
    plant : Plant
    days : DataFrame
        As ``history.calls.calls_by_day`` gives it.
    proposals : sequence of Proposal
        Of all families.
    ledger : Ledger
    watched : mapping of int to Watched
        Changes that are live, by proposal.
    made_at : str
        ISO time.
    backtested : bool
        Whether past promises are known.
    stated : Stated, optional
        Whether reviewers' rates fit the labels; said where they do not.
    relabelled : Relabel, optional
        The labels worth a second look.

    Returns
    -------
    Account
    """
    states = ledger.states()
    live = [w for w in watched.values() if w.since is not None and w.items]
    file = plant.file.plant
    return Account(
        plant=file.name,
        invented=file.invented,
        currency=file.currency,
        made_at=made_at,
        first=str(days["date"].min()) if len(days) else "",
        last=str(days["date"].max()) if len(days) else "",
        head=_head(proposals, states),
        realised=add_up(*(w.saving_per_month for w in live)) if live else None,
        promised=add_up(*(w.promised_saving_per_month for w in live)) if live else None,
        to_date=_to_date(live),
        by_day=tuple(_by_day(live)),
        figures=tuple(quality(plant, days)),
        stages=tuple(by_stage(days, plant.file.line.stages)),
        lines=tuple(_with_money(by_place(plant, days, "line"), live, "line")),
        products=tuple(_with_money(by_place(plant, days, "product"), live, "product")),
        by_week=tuple(by_week(days)),
        families=tuple(_family(p, plant) for p in proposals),
        changes=tuple(_change(n, w) for n, w in watched.items()),
        waiting=tuple(_standing(s, plant, proposals) for s in states if s.state in WAITING),
        decided=tuple(
            _decision(s) for s in reversed(states) if s.last is not None and not _is_nights(s.last)
        ),
        raises=(
            *(stated.words() if stated is not None and stated.is_notable else ()),
            *_second_look(plant, relabelled),
            *_raises(plant, proposals, watched, backtested=backtested),
        ),
        headline=headline(proposals, plant.file.review),
        stages_followed=read_stages(plant),
    )


def _is_nights(entry: Entry) -> bool:
    """Whether the night took back itself what it had proposed; whatever else bears its name is shown."""
    return entry.by == BY_NIGHT and entry.kind == "withdraw"


def _head(proposals: Sequence[Proposal], states: Sequence[State]) -> tuple[Money, ...]:
    """Return what waits, what is signed, what is exported.

    What stands in the ledger goes by its own promise; an advised change that is in no
    standing there, and was not refused, waits too.
    """
    # Of a family the newest waits; exported changes of a family build on one another.
    groups: dict[str, dict[object, Interval]] = {name: {} for name in GROUPS}
    spoken = set()
    for state in states:
        group = next((name for name, known in GROUPS.items() if state.state in known), None)
        promise = state.entry.body.get("figures", {}).get("promise")
        if group is not None:
            spoken.add(state.entry.family)
            if promise:
                key = state.entry.id if group == "live" else state.entry.family
                groups[group][key] = _interval(_in_sum(promise))
    newest = {s.entry.family: s.state for s in states}
    for p in proposals:
        refused = newest.get(p.family) in ("rejected", "withdrawn")
        if p.advice == "change" and p.family not in spoken and not refused:
            own = finite_only(asdict(p.promise.in_sum.saving_per_month))
            groups["waiting"][p.family] = _interval(own)
    return tuple(
        Money(
            name=name,
            families=len(parts),
            saving=add_up(*parts.values()) if parts else ZERO,
        )
        for name, parts in groups.items()
    )


def _to_date(live: Sequence[Watched]) -> ToDate | None:
    """Return what changes have saved since they went live."""
    if not live:
        return None
    return ToDate(
        changes=len(live),
        items=sum(w.items for w in live),
        since=min(w.since for w in live if w.since is not None).date().isoformat(),
        realised=add_up(*(w.saving_per_month.times(w.months) for w in live)),
        promised=add_up(*(w.promised_saving_per_month.times(w.months) for w in live)),
    )


def _by_day(live: Sequence[Watched]) -> list[dict[str, Any]]:
    """Return money by day over all live changes, and added up."""
    realised: dict[str, float] = {}
    promised: dict[str, float] = {}
    for day in (d for w in live for d in w.by_day):
        realised[day.date] = realised.get(day.date, 0.0) + day.realised
        promised[day.date] = promised.get(day.date, 0.0) + day.promised
    dates = sorted(realised)
    totals = zip(
        accumulate(realised[d] for d in dates), accumulate(promised[d] for d in dates), strict=True
    )
    return [
        {
            "date": date,
            "realised": realised[date],
            "promised": promised[date],
            "realised_total": realised_total,
            "promised_total": promised_total,
        }
        for date, (realised_total, promised_total) in zip(dates, totals, strict=True)
    ]


def _in_sum(promise: Fields) -> Fields:
    """Return the saving as it goes into a sum; older records know only the family's own."""
    found: Fields = promise.get("in_sum", promise)["saving_per_month"]
    return found


def _interval(of: Fields) -> Interval:
    low, high = (math.nan if of[k] is None else float(of[k]) for k in ("low", "high"))
    value = float(of["value"])
    return Interval(
        value=value,
        low=value if math.isnan(low) else low,
        high=value if math.isnan(high) else high,
    )


def quality(plant: Plant, days: pd.DataFrame) -> list[Figure]:
    """Return yield, defects and effort of the live recipe, each with its denominator.

    Parameters
    ----------
    plant : Plant
    days : DataFrame
        As ``history.calls.calls_by_day`` gives it.

    Returns
    -------
    list of Figure

    Notes
    -----
    DPMO is defects over opportunities times a million [1]_. An opportunity here is one
    inspected item of the stage named; the standard counts components, placements and
    terminations apart, so figures compare with others only where items mean the same.

    References
    ----------
    .. [1] IPC-7912 (end item) and IPC-9261 (in process).
    """
    if not len(days):
        return []
    total = days[list(_SUMS)].sum()
    span = f"{days['date'].min()} to {days['date'].max()}"
    months = production_days(days["date"]) / DAYS_PER_MONTH
    produced = f"{months * DAYS_PER_MONTH:.0f} days of production, {span}"
    inspections, items = int(total["boards"]), int(total["items"])
    seconds = plant.file.review.seconds_per_call
    calls, false_calls = int(total["calls"]), int(total["false_calls"])
    most = days.groupby("stage")["boards"].sum()
    boards = int(most.max())
    route = by_stage(days, plant.file.line.stages)[-1]
    found = [
        Figure(
            name="review of all calls",
            unit="hours a month",
            value=calls * seconds / 3600 / months,
            basis=f"{calls:,} calls at {seconds:g} s, {produced}",
        ),
        Figure(
            name="false calls per board",
            unit="per board",
            value=false_calls / boards,
            basis=f"{false_calls:,} called items that review found good, over all stages; {boards:,} boards, counted "
            f"at {most.idxmax()}, the stage that inspects most",
        ),
        Figure(
            name="false calls per board inspection",
            unit="per board inspection",
            value=false_calls / inspections,
            basis=f"the same; {inspections:,} board inspections: a board counts once at each stage and day",
        ),
        Figure(
            name="false calls per million opportunities",
            unit="ppm",
            value=false_calls / items * MILLION,
            basis=f"{items:,} inspected items, each one opportunity, {span}",
        ),
        Figure(
            name="first-pass yield of the route, rolled",
            unit="share of boards",
            value=route["first_pass_yield"],
            basis=f"the product of the yields of {len(most)} stages; boards without any call count as passed",
        ),
        *_escapes(plant, total, months, produced),
    ]
    order = {stage: n for n, stage in enumerate(plant.file.line.stages)}
    stages = sorted(days["stage"].unique(), key=lambda stage: order.get(stage, len(order)))
    for stage in stages:
        part = days[days["stage"] == stage]
        defects = int(part["true_calls"].sum() + part["escapes"].sum())
        opportunities = int(part["items"].sum())
        found.append(
            Figure(
                name=f"DPMO, {stage}",
                unit="defects per million opportunities",
                value=defects / opportunities * MILLION,
                basis=f"{defects:,} labelled defects of {opportunities:,} inspected items of this stage, each one "
                "opportunity (defects over opportunities as in IPC-7912 and IPC-9261)",
            )
        )
    return found


def _escapes(plant: Plant, total: pd.Series, months: float, produced: str) -> list[Figure]:
    """Return known escapes a month, apart from labels whose call is lost, and their bound."""
    known, lost = int(total["escapes"]), int(total["lost_calls"])
    bounded = weighted_total(
        np.append(np.ones(known), 0.0),
        np.full(known + 1, 1.0 / plant.file.labels.test_coverage),
        level=LEVEL,
    ).times(1 / months)
    return [
        Figure(
            name="escapes known, at the limits now live",
            unit="a month",
            value=known / months,
            basis=f"{known:,} labelled defects that the limits now live do not call; of them {known - lost:,} found by "
            f"test, audit or field, and {lost:,} that older limits called and review found: their label stays, their "
            f"call is lost with the limits of now; {produced}",
        ),
        Figure(
            name="escapes that test would have found, bounded",
            unit="a month",
            value=bounded.value,
            low=bounded.low,
            high=bounded.high,
            basis=f"known escapes over a test coverage of {plant.file.labels.test_coverage:.0%}, {LEVEL:.0%} interval; "
            "what neither test nor field can see is in no figure: an audit bounds it",
        ),
    ]


ROUTE = "whole route, rolled"
NOWHERE = "(none)"
_SUMS = (
    *("items", "boards", "boards_without_call", "calls", "true_calls", "false_calls"),
    *("unreviewed_calls", "escapes", "lost_calls"),
)


def by_stage(days: pd.DataFrame, stages: Sequence[str] = STAGES) -> list[dict[str, Any]]:
    """Return the yield of each stage as a board meets it, then of the whole route.

    Parameters
    ----------
    days : DataFrame
        As ``history.calls.calls_by_day`` gives it.
    stages : sequence of str
        In the order in which a board meets them.

    Returns
    -------
    list of dict
        ``stage, boards, without_call, first_pass_yield``; the last is the route: its boards are those
        of the stage that inspects most, its yield the product of the stages' yields.

    Notes
    -----
    First-pass yield is what passes without rework over what enters: here boards without any call
    over board inspections. The rolled throughput yield of a route is the product of its steps'
    first-pass yields [1]_; where calls of one board at several stages hang together, more boards pass
    the whole route than it says.

    References
    ----------
    .. [1] ISO 13053-1:2011, rolled throughput yield among its measures (from memory).
    """
    found = [(stage, days[days["stage"] == stage]) for stage in stages]
    counted = [
        (stage, int(part["boards"].sum()), int(part["boards_without_call"].sum()))
        for stage, part in found
        if len(part)
    ]
    rows: list[dict[str, Any]] = [
        {
            "stage": stage,
            "boards": boards,
            "without_call": without,
            "first_pass_yield": _share(without, boards),
        }
        for stage, boards, without in counted
    ]
    if not rows:
        return []
    route = {
        "stage": ROUTE,
        "boards": max(boards for _, boards, _ in counted),
        "without_call": None,
        "first_pass_yield": math.prod(_share(without, boards) for _, boards, without in counted),
    }
    return [*rows, route]


def by_place(plant: Plant, days: pd.DataFrame, by: str) -> list[dict[str, Any]]:
    """Return calls, effort and yield by line or product, most false calls first.

    Parameters
    ----------
    plant : Plant
    days : DataFrame
        As ``history.calls.calls_by_day`` gives it.
    by : {'line', 'product'}

    Returns
    -------
    list of dict
        ``name, items, boards, calls, false_calls, escapes`` as counted, ``false_calls_per_month``,
        ``review_hours_per_month`` (of all calls), ``false_calls_per_million`` and the route's rolled
        ``first_pass_yield``. A name is ``(none)`` where the results give none.
    """
    if not len(days):
        return []
    months = production_days(days["date"]) / DAYS_PER_MONTH
    hours = plant.file.review.seconds_per_call / 3600
    found = []
    for name, part in days.assign(name=days[by].fillna(NOWHERE)).groupby("name"):
        total = part[list(_SUMS)].sum()
        route = by_stage(part, plant.file.line.stages)[-1]
        found.append(
            {
                "name": name,
                **{k: int(total[k]) for k in ("items", "calls", "false_calls", "escapes")},
                "boards": route["boards"],
                "false_calls_per_month": float(total["false_calls"] / months),
                "review_hours_per_month": float(total["calls"] * hours / months),
                "false_calls_per_million": float(total["false_calls"] / total["items"] * MILLION),
                "first_pass_yield": route["first_pass_yield"],
            }
        )
    return sorted(found, key=lambda r: (-r["false_calls"], r["name"]))


def _with_money(
    rows: Sequence[dict[str, Any]], live: Sequence[Watched], by: str
) -> list[dict[str, Any]]:
    """Return places with what live changes realised there to date, and what was promised of as many items."""
    realised: dict[str, float] = {}
    promised: dict[str, float] = {}
    for place in (p for w in live for p in w.by_place):
        name = getattr(place, by) or NOWHERE
        realised[name] = realised.get(name, 0.0) + place.realised
        promised[name] = promised.get(name, 0.0) + place.promised
    return [
        row | {"realised": realised.get(row["name"]), "promised": promised.get(row["name"])}
        for row in rows
    ]


def _share(part: float, whole: float) -> float:
    return float(part / whole) if whole else math.nan


def by_week(days: pd.DataFrame) -> list[dict[str, Any]]:
    """Return calls, yield and false calls per million by week.

    Parameters
    ----------
    days : DataFrame

    Returns
    -------
    list of dict
        ``week`` is the date of its Monday.
    """
    if not len(days):
        return []
    dates = pd.to_datetime(days["date"])
    monday = (dates - pd.to_timedelta(dates.dt.day_of_week, unit="D")).dt.date.astype(str)
    sums = days[list(_SUMS)].groupby(monday).sum()
    return [
        {
            "week": week,
            **{
                k: int(row[k])
                for k in ("items", "boards", "calls", "true_calls", "false_calls", "escapes")
            },
            "first_pass_yield": row["boards_without_call"] / row["boards"]
            if row["boards"]
            else math.nan,
            "false_calls_per_million": row["false_calls"] / row["items"] * MILLION,
        }
        for week, row in sums.iterrows()
    ]


def _family(of: Proposal, plant: Plant) -> dict[str, Any]:
    """Return one family's proposal as the account tells it."""
    promised = {
        "saving": of.promise.saving_per_month,
        "false_calls_saved": of.promise.false_calls_saved,
        "escapes_added": of.promise.escapes_added,
        "escapes_caught": of.promise.escapes_caught,
    }
    return {
        "family": of.family,
        "advice": of.advice,
        **{
            k: finite_only(asdict(v)) if of.advice == "change" else None
            for k, v in promised.items()
        },
        "month": finite_only(asdict(month_of(of, plant.file.review))),
        "items": of.items,
        "lots": of.lots,
        "defects": of.defects,
        "critical": of.critical,
        "trials": of.trials,
        "findings": [finite_only(asdict(cause)) for cause in of.findings],
        "reasons": [finite_only(asdict(reason)) for reason in of.reasons],
    }


def _change(number: int, of: Watched) -> dict[str, Any]:
    """Return one exported change: promised against realised; neither before it is live."""
    told = (
        {
            "promised": asdict(of.promised_saving_per_month),
            "realised": asdict(of.saving_per_month),
            "realised_to_date": asdict(of.saving_per_month.times(of.months)),
            "promised_to_date": asdict(of.promised_saving_per_month.times(of.months)),
            "escapes_expected": asdict(of.expected_escapes),
        }
        if of.since is not None
        else dict.fromkeys(
            ("promised", "realised", "realised_to_date", "promised_to_date", "escapes_expected")
        )
    )
    return {
        "proposal": number,
        "family": of.family,
        "state": of.state,
        "since": of.since.date().isoformat() if of.since else None,
        "days": of.days,
        "items": of.items,
        **told,
        "escapes_known": of.escapes_known,
        "reason": "; ".join(of.reasons),
    }


def _standing(state: State, plant: Plant, proposals: Sequence[Proposal]) -> dict[str, Any]:
    """Return one proposal that waits for a signature, and what was worked out of its family since."""
    entry = state.entry
    since = next((p for p in proposals if p.family == entry.family), None)
    promise = entry.body.get("figures", {}).get("promise")
    return {
        "proposal": entry.id,
        "family": entry.family,
        "state": state.state,
        "since": entry.at[:10],
        "by": entry.by,
        "limits": len(entry.body["limits"]),
        "saving": promise["saving_per_month"] if promise else None,
        "worked_out_since": _saving_since(promise, since),
        "to_sign": still_to_sign(state, plant),
        "signed_by": [s.by for s in state.signatures],
        "critical": state.critical,
    }


def _saving_since(promise: Fields | None, now: Proposal | None) -> Fields | None:
    """Return the saving a month as newer results have it, where that is not what waits."""
    if promise is None or now is None:
        return None
    found: Fields = finite_only(asdict(now.promise.saving_per_month))
    return None if found == promise["saving_per_month"] else found


def _decision(state: State) -> dict[str, Any]:
    """Return one decision: who, when, why."""
    assert state.last is not None
    return {
        "proposal": state.entry.id,
        "family": state.entry.family,
        "verdict": state.last.kind,
        "by": state.last.by,
        "at": state.last.at[:16].replace("T", " "),
        "reason": state.last.reason,
        "state": state.state,
        "revision": state.exported_in,
    }


def _second_look(plant: Plant, found: Relabel | None) -> list[str]:
    """Return what looking at doubtful labels again is expected to free, in one line."""
    if found is None or not found.worth:
        return []
    worth = found.worth[-1]
    return [
        f"A second look at {_count(worth.rows, 'labelled defect', 'labelled defects')} "
        f"({worth.minutes:,.0f} minutes) is expected to find {worth.misread:,.0f} misread and to free "
        f"{worth.false_calls:,.0f} false calls over this history, {plant.file.plant.currency} "
        f"{worth.money_per_month:,.0f} a month: expected and counted on this history, no promise "
        "(optimiser relabel)."
    ]


def _listed(plant: Plant) -> list[str]:
    """Return what the last list of looks is worth, and what earlier ones were, in one line."""
    last = last_list(plant)
    if last is None:
        return []
    currency = plant.file.plant.currency
    line = (
        f"{last.hours:.1f} hours on {last.items:,} labels, passed items, readings and defects to write down are "
        f"worth {currency} {last.worth:,.0f} a month, as listed on {last.day}: expected, no promise (optimiser learn)."
    )
    if last.followed:
        line += (
            f" {_count(last.followed, 'earlier look was', 'earlier looks were')} expected to be worth {currency} "
            f"{last.expected:,.0f} a month, and counted since {last.in_fact:,.0f}."
        )
    return [line]


def _raises(
    plant: Plant, proposals: Sequence[Proposal], watched: Mapping[int, Watched], *, backtested: bool
) -> list[str]:
    """Return what would raise the confidence, most useful first."""
    found = _listed(plant)
    if not backtested:
        found.append(
            "Past promises were never checked: run optimiser backtest, which walks forward in time."
        )
    thin = [p.family for p in proposals if p.advice == "gather"]
    if thin:
        found.append(
            f"{_count(len(thin), 'family has', 'families have')} too few labelled defects or lots "
            f"({', '.join(thin[:6])}{', …' if len(thin) > 6 else ''}): record what test and field find, "
            "and audit passed items (optimiser audit)."
        )
    early = [w.family for w in watched.values() if w.state == "too early"]
    if early:
        found.append(f"Too early to judge: {', '.join(early)}; more days will tell.")
    unknown = [m for m, known in plant.file.measurements.items() if not known.repeatability]
    if unknown:
        found.append(
            f"The repeatability of {', '.join(unknown[:6])} is not known: study repeated readings (optimiser gauge)."
        )
    if not plant.file.review.miss_rate:
        found.append(
            "Reviewers are taken to miss nothing: seed known defects among the calls and enter review.miss_rate."
        )
    uncertified = sum(p.advice == "change" and _uncertified(p) for p in proposals)
    if uncertified:
        found.append(
            f"{_count(uncertified, 'advised change rests', 'advised changes rest')} on a promise alone: later "
            "lots hold too few defects to certify that at most 10 % of called defects are added to the escapes "
            "(22 without an escape are needed)."
        )
    return found


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _uncertified(of: Proposal) -> bool:
    return of.proof is None or of.proof.added_bound > 0.10
