"""What looking is worth, family by family: the four kinds of looks, each as a ladder of sizes.

Labels to look at again, passed items to audit, parts to measure repeatedly, defects to gather.
Worth is expected, counted on the history or on lots held out, with the error of its own
simulation; no promise. A look that can change no decision is worth nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import UsageError
from optimiser.evidence.learning import (
    Candidates,
    Guarded,
    Standing,
    Untested,
    Value,
    mean_of,
    value_of_audit,
    value_of_gathering,
    value_of_study,
)
from optimiser.history.read import History
from optimiser.plant.file import Measurement, off_limit
from optimiser.proposal.propose import (
    Case,
    Found,
    allowed_chance,
    doubts,
    problem_of,
    stable_seed,
)
from optimiser.proposal.record import Proposal
from optimiser.proposal.relabel import Looked, in_doubt, looked_at
from optimiser.recipe.table import Recipe
from optimiser.search.blur import escape_prices
from optimiser.search.problem import Problem
from optimiser.search.second_look import value_of_look
from optimiser.studies.audit_plan import AuditPlan, plan_audit
from optimiser.studies.guarded_limits import Between, middles, readings_between
from optimiser.studies.limit_flicker import limit_flicker
from optimiser.tally.contested import contested_items
from optimiser.tally.count import is_called
from optimiser.tally.grid import GridLimit
from optimiser.values import DAYS_PER_MONTH

Kind = Literal["second look", "audit", "repeat", "gather"]
Searched = tuple[Case, Proposal, Found | None]
LADDER = (5, 10, 20, 40, 80, 160)
STUDIES = ((5, 3), (10, 3), (10, 5), (20, 5))
"""Parts, and readings of each."""

DEFECTS = (5, 10, 20, 40)
DRAWS, AUDIT_DRAWS, STUDY_DRAWS, DEFECT_DRAWS = 200, 20_000, 1_000, 1_000
UNSTUDIED = 5.0
"""Degrees of freedom of a repeatability that is stated without its study: right within about a half."""

USUAL_SHARE, USUAL_FREEDOM = 0.2, 3.0
"""Where none is stated: a fifth of what readings spread, between the bounds of the AIAG manual."""

FEWEST_SISTERS = 3
MONTHS = 12.0
"""Months within which a look has to bring what its hours cost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One thing to look at.

    Attributes
    ----------
    kind : str
        ``second look`` at labels, ``audit`` of passed items, ``repeat`` of readings, ``gather``
        labelled defects.
    family : str
        Of ``repeat`` the one whose parts are measured: its limits gain most.
    measurement : str
        Of ``repeat``; else empty.
    items : int
        Labels, passed items, readings or defects.
    hours : float
    worth, error : float
        Expected, money a month, and the standard error of its simulation.
    why : mapping
        What the worth rests on: numbers for the words.
    """

    kind: Kind
    family: str
    measurement: str = ""
    items: int
    hours: float
    worth: float
    error: float
    why: Mapping[str, float]

    @property
    def per_hour(self) -> float:
        """Money a month for an hour of looking."""
        return self.worth / self.hours

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return {**asdict(self), "per_hour": self.per_hour}


def looks_of(
    history: History,
    live: Recipe,
    families: Sequence[Searched],
    *,
    seed: int = 1,
    on_done: Callable[[str], None] = lambda _: None,
) -> list[list[Look]]:
    """Return what may be looked at: for each kind and family a ladder of sizes.

    Parameters
    ----------
    history : History
    live : Recipe
    families : sequence of (Case, Proposal, Found or None)
    seed : int
        Of the audits' picks.
    on_done : callable
        Told each family as it is weighed.

    Returns
    -------
    list of lists of Look
        Only looks that bring within `MONTHS` what their hours cost.
    """
    ladders = []
    doubted, _ = in_doubt([case for case, _, _ in families])
    for (case, proposal, found), doubting in zip(families, doubted, strict=True):
        ladders.append(second_looks(doubting))
        if found is None:
            ladders.append(_by_sisters(case, proposal, families))
        else:
            ladders.append(audits(history, live, case, found, seed))
            ladders.append(defects_to_gather(history, live, case, proposal, found))
        on_done(case.tally.family)
    ladders += repeats(history, live, families)
    cost = history.plant.file.review.cost_per_hour
    return [
        worth
        for ladder in ladders
        if (worth := [x for x in ladder if x.worth * MONTHS > x.hours * cost])
    ]


def _told(value: Value) -> float:
    """Return a worth that can be told from nothing by its own simulation, else 0."""
    return value.value if value.value > 2 * value.error else 0.0


def _hours(case: Case, looks: int) -> float:
    return looks * case.plant.file.review.seconds_per_second_look / 3600


def _monthly(case: Case) -> float:
    return DAYS_PER_MONTH / case.span_days


# --- labels to look at again ------------------------------------------------------------


def second_looks(case: Case) -> list[Look]:
    """Return the ladder of second looks at a family's labels.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Look
    """
    looked = looked_at(case)
    if looked is None or not len(looked.look.defects):
        return []
    listed = len(looked.look.defects)
    return [_second_look(looked, n) for n in sorted({min(n, listed) for n in LADDER})]


def _second_look(looked: Looked, first: int) -> Look:
    case = looked.case
    seed = stable_seed(case.plant.file.plant.name, case.tally.family, "learn")
    draws = value_of_look(looked.problem, looked.labels, looked.look, first, draws=DRAWS, seed=seed)
    found = mean_of(draws * (looked.problem.false_call_cost or 1.0) * _monthly(case))
    misread = looked.labels.misread[looked.look.defects[:first]]
    return Look(
        kind="second look",
        family=case.tally.family,
        items=first,
        hours=_hours(case, first),
        worth=found.value,
        error=found.error,
        why={"misread": float(misread.sum()), "held": float(looked.look.blocked[:first].sum())},
    )


# --- passed items to audit ----------------------------------------------------------------


def audits(history: History, live: Recipe, case: Case, found: Found, seed: int) -> list[Look]:
    """Return the ladder of audits of what a tighter setting would newly call.

    Parameters
    ----------
    history : History
    live : Recipe
    case : Case
    found : Found
    seed : int
        Of the picks.

    Returns
    -------
    list of Look
    """
    problem, _ = problem_of(case)
    setting = np.minimum(found.study.setting, problem.live)
    if (setting == problem.live).all():
        return []
    keys = _newly_called(history, live, case, setting, problem.live)
    if not keys:
        return []
    caught = caught_elsewhere(problem, found)
    price = (
        float(problem.defect_price[caught].mean())
        if caught.any()
        else case.plant.file.escape_price(None)
    )
    ladder = []
    for items in LADDER:
        plan = _picked(history, live, case, items, seed)
        if plan is None:
            continue
        inside = sum((x.key[1], x.key[2], x.key[3]) in keys for x in plan.items)
        value = value_of_audit(
            found=float(caught.sum()),
            coverage=case.plant.file.labels.test_coverage,
            seen=inside / len(keys),
            money=price * (1 - problem.miss_rate) * _monthly(case),
            rest=-len(keys) * problem.false_call_cost * _monthly(case),
            draws=AUDIT_DRAWS,
            seed=stable_seed(case.plant.file.plant.name, case.tally.family, "audit"),
        )
        ladder.append(
            Look(
                kind="audit",
                family=case.tally.family,
                items=len(plan.items),
                hours=_hours(case, len(plan.items)),
                worth=_told(value),
                error=value.error,
                why={"inside": float(inside), "newly_called": float(len(keys))},
            )
        )
    return ladder


def caught_elsewhere(problem: Problem, found: Found) -> NDArray[np.bool_]:
    """Return which labelled defects a tighter setting catches that was fitted without their lots.

    The setting itself is drawn around the labels that it catches: where 390 escapes were expected
    from those, 285 were there.

    Parameters
    ----------
    problem : Problem
    found : Found

    Returns
    -------
    ndarray of bool, shape (d,)
    """
    study, live = found.study, problem.live
    fold = study.lot_fold[problem.defect_lot]
    settings = np.minimum(study.trials.fold_settings[study.chosen[fold], fold], live)
    caught = is_called(settings, problem.defect_ranks) & ~is_called(live, problem.defect_ranks)
    return np.asarray(caught, dtype=np.bool_)


_KEY = ("board", "designator", "pin")


def _newly_called(
    history: History,
    live: Recipe,
    case: Case,
    setting: NDArray[np.int64],
    live_setting: NDArray[np.int64],
) -> set[tuple[str, ...]]:
    """Return the items without a verdict that a tighter setting calls and the live one does not."""
    contested = contested_items(history, case.tally.grid, live)
    newly = contested.called(setting) & ~contested.called(live_setting)
    unknown = contested.frame[newly & contested.frame["verdict"].isna().to_numpy()]
    return set(zip(*(unknown[c].fillna("").astype(str) for c in _KEY), strict=True))


def _picked(history: History, live: Recipe, case: Case, items: int, seed: int) -> AuditPlan | None:
    """Return the audit of a family that the command would plan; None where it refuses."""
    stage = str(case.tally.defects.frame["stage"].iloc[0])
    try:
        return plan_audit(
            history, live, items=items, seed=seed, family=case.tally.family, stage=stage
        )
    except UsageError:
        return None


def audit_of(history: History, live: Recipe, case: Case, items: int) -> AuditPlan | None:
    """Return the audit that a look stands for; None where nothing is left to pick."""
    return _picked(history, live, case, items, 1)


# --- parts to measure repeatedly ------------------------------------------------------------


def repeats(history: History, live: Recipe, families: Sequence[Searched]) -> list[list[Look]]:
    """Return for each measurement the ladder of studies of repeated readings.

    Parameters
    ----------
    history : History
    live : Recipe
    families : sequence of (Case, Proposal, Found or None)

    Returns
    -------
    list of lists of Look
        Of measurements whose repeatability holds a limit that guards a workmanship bound.
    """
    by_measurement: dict[str, list[tuple[Case, Guarded]]] = {}
    for case, limit, guarded in guarded_limits(history, live, families):
        by_measurement.setdefault(limit.measurement, []).append((case, guarded))
    # Which calls repeat rests on items that passed as well.
    asked = by_measurement and not history.plant.file.plant.only_called
    flickers = _flickering(history, live) if asked else {}
    return [_repeats(m, held, flickers.get(m, 0.0)) for m, held in sorted(by_measurement.items())]


def guarded_limits(
    history: History, live: Recipe, families: Sequence[Searched]
) -> list[tuple[Case, GridLimit, Guarded]]:
    """Return the limits that a guard band may hold, with the readings it decides about.

    Parameters
    ----------
    history : History
    live : Recipe
    families : sequence of (Case, Proposal, Found or None)
        What is proposed for each is what its limits would be set to.

    Returns
    -------
    list of (Case, GridLimit, Guarded)
    """
    held = [x for of in families for x in _held(*of)]
    if not held:
        return []
    seen = middles(history)
    wanted = []
    for case, limit, _, loosest in held:
        low, high = sorted((limit.sign * limit.z[limit.live].item(), limit.sign * loosest))
        wanted.append(
            Between(
                family=case.tally.family,
                measurement=limit.measurement,
                side=limit.side,
                low=low,
                high=high,
            )
        )
    found = []
    for (case, limit, bound, loosest), (x, items) in zip(
        held, readings_between(history, live, wanted), strict=True
    ):
        file, problem = case.plant.file, problem_of(case)[0]
        of = seen[case.tally.family, limit.measurement]
        guarded = Guarded(
            readings=limit.sign * x,
            items=items,
            middle=limit.sign * of.few_low,
            spread=of.spread or 1.0,
            bound=bound,
            live=limit.sign * float(limit.values[limit.live]),
            wanted=loosest,
            step=file.measurements[limit.measurement].step or 0.0,
            guard=file.rails.guard_sigmas,
            call=problem.false_call_cost * _monthly(case),
            escape=file.escape_price(None) * (1 - problem.miss_rate) * _monthly(case),
        )
        found.append((case, limit, guarded))
    return found


def _held(
    case: Case, proposal: Proposal, found: Found | None
) -> list[tuple[Case, GridLimit, float, float]]:
    """Return a family's limits that a guard band holds or may come to hold.

    With each its bound, and how loose it would be set without the band, in z.
    """
    rules, rails = case.plant.file.families[case.tally.family], case.plant.file.rails
    if found is None or proposal.advice != "change" or not rails.holds("workmanship"):
        return []
    held = []
    for limit, level in zip(case.tally.grid.limits, found.study.setting, strict=True):
        criterion = rules.workmanship.get(limit.measurement)
        bound = None if criterion is None else criterion.side(limit.side)
        if bound is None or level <= limit.live:
            continue
        edge = limit.sign * bound
        stop = limit.touched(int(level))
        loosest = limit.sign * float(limit.values[level])
        if stop is not None and stop.rail == "workmanship":
            loosest = min([edge, *(s.z for s in limit.loose if s.rail != "workmanship")])
        held.append((case, limit, edge, loosest))
    return held


def _flickering(history: History, live: Recipe) -> dict[str, float]:
    """Return how many calls would not repeat, by measurement, as the repeatability is stated."""
    found: dict[str, float] = {}
    for of in limit_flicker(history, {"live": live}):
        found[of.measurement] = found.get(of.measurement, 0.0) + of.unrepeated.value * of.calls
    return found


def known_repeatability(known: Measurement, spread: float) -> tuple[float, float]:
    """Return what is taken of a repeatability, and with how many degrees of freedom.

    Parameters
    ----------
    known : Measurement
    spread : float
        Of the readings; asked where no repeatability is stated.

    Returns
    -------
    (float, float)
    """
    if not known.repeatability:
        return USUAL_SHARE * spread, USUAL_FREEDOM
    return known.repeatability, float(known.repeatability_freedom or UNSTUDIED)


def _repeats(
    measurement: str, held: Sequence[tuple[Case, Guarded]], flickering: float
) -> list[Look]:
    """Return the ladder of studies of one measurement."""
    known = held[0][0].plant.file.measurements[measurement]
    assumed, freedom = known_repeatability(known, float(np.median([g.spread for _, g in held])))
    plant = held[0][0].plant.file.plant.name
    ladder = []
    for parts, readings in STUDIES:
        by_limit = [
            value_of_study(
                [guarded],
                stated=known.repeatability,
                freedom=freedom,
                assumed=assumed,
                more=parts * (readings - 1),
                draws=STUDY_DRAWS,
                seed=stable_seed(plant, measurement, "repeat"),
            )
            for _, guarded in held
        ]
        value = mean_of(np.sum(by_limit, axis=0))
        most = int(np.argmax([x.mean() for x in by_limit]))
        case = held[most][0]
        ladder.append(
            Look(
                kind="repeat",
                family=case.tally.family,
                measurement=measurement,
                items=parts * readings,
                hours=_hours(case, parts * readings),
                worth=_told(value),
                error=value.error,
                why={
                    "parts": float(parts),
                    "readings": float(readings),
                    "stated": known.repeatability,
                    "assumed": assumed,
                    "freedom": freedom,
                    "studied": float(bool(known.repeatability_freedom)),
                    "limits": float(len(held)),
                    "flickering": flickering,
                },
            )
        )
    return ladder


# --- defects to gather ------------------------------------------------------------------------


def candidates_of(case: Case, found: Found) -> Candidates:
    """Return what a family's search chooses from, on lots that no fit has seen, money a month.

    Parameters
    ----------
    case : Case
    found : Found

    Returns
    -------
    Candidates
    """
    study, problem = found.study, problem_of(case)[0]
    able = [
        n for n, origin in enumerate(study.trials.origin) if origin == "trial" and study.pull[n] < 1
    ]
    rows = np.array([0, *able], dtype=np.int64)
    monthly = _monthly(case)
    return Candidates(
        review=study.trials.review_cost[rows] * monthly,
        escape=study.trials.near_escape[rows] * escape_prices(problem) * monthly,
        pull=study.pull[rows],
    )


def defects_to_gather(
    history: History, live: Recipe, case: Case, proposal: Proposal, found: Found
) -> list[Look]:
    """Return the ladder of further labelled defects of a family that was searched.

    Parameters
    ----------
    history : History
    live : Recipe
    case : Case
    proposal : Proposal
    found : Found

    Returns
    -------
    list of Look
    """
    labels = len(case.tally.defects.frame)
    untested = untested_limits(history, live, case, found)
    ladder = []
    for more in DEFECTS:
        drawn = worth_of_defects(case, proposal, found, untested, more=more)
        if drawn is None:
            return []
        value, changes = drawn
        why = {
            "labels": float(labels),
            "changes": changes,
            "months": _months(case, more),
            "untested": float(len(untested)),
        }
        ladder.append(_gather(case, more, value, why))
    return ladder


def worth_of_defects(
    case: Case, proposal: Proposal, found: Found, untested: list[Untested], *, more: int
) -> tuple[Value, float] | None:
    """Return what so many further labelled defects are worth, and how often the advice changes.

    Parameters
    ----------
    case : Case
    proposal : Proposal
    found : Found
    untested : list of Untested
    more : int

    Returns
    -------
    (Value, float) or None
        None without a label, and where no label can change the advice.
    """
    of, standing = candidates_of(case, found), _standing(case, proposal)
    if standing is None or not of.escape.shape[1]:
        return None
    draws, changes = value_of_gathering(
        of,
        standing,
        untested,
        more=more,
        draws=DEFECT_DRAWS,
        seed=stable_seed(case.plant.file.plant.name, case.tally.family, "gather"),
    )
    return mean_of(draws), changes


def _standing(case: Case, proposal: Proposal) -> Standing | None:
    """Return how the change that was found stands; None where none may be made whatever it promises."""
    problem = problem_of(case)[0]
    change = proposal if proposal.advice == "change" else proposal.considered
    promised = proposal.promise if change is None else change.promise
    if change is not None and doubts(promised, case):
        return None
    price = escape_prices(problem)
    event = float(price.mean()) * _monthly(case) / (1 - problem.miss_rate) if price.size else 0.0
    if not event:
        return None
    return Standing(
        advised=proposal.advice == "change",
        sure=promised.review_saving_per_month.value + promised.caught_saving_per_month.value,
        escapes=promised.added_cost_per_month.value,
        event=event,
        asked=case.plant.file.advice.smallest_saving,
        allowed=allowed_chance(promised, case.plant),
    )


FARTHEST = 3e38
"""Beyond what any reading holds."""


def untested_limits(history: History, live: Recipe, case: Case, found: Found) -> list[Untested]:
    """Return the limits that stay where they are because no labelled defect has ever lain beyond them.

    Parameters
    ----------
    history : History
    live : Recipe
    case : Case
    found : Found

    Returns
    -------
    list of Untested
        What each would free is counted up to the next rail, of the goods that no other limit calls
        under the setting that was found, and as large a share of it as the tested limits' moves free
        of what they may.
    """
    problem, grid = problem_of(case)[0], case.tally.grid
    held = [x for x in grid.limits if x.loose and x.loose[0].rail == "untested"]
    if not held or not len(problem.defect_price):
        return []
    family = case.tally.family
    levels = zip(grid.limits, found.study.setting, strict=True)
    set_so = live.with_limits(
        family, {(x.measurement, x.side): float(x.values[n]) for x, n in levels}
    )
    alone = live.with_limits(
        family, {(x.measurement, x.side): off_limit(x.side) for x in grid.limits}
    )
    reach = _share_freed(case, found)
    money = problem.false_call_cost * _monthly(case)
    price = float(escape_prices(problem).mean()) * _monthly(case)
    rate = case.plant.file.review_of(family).false_alarm_rate
    limits = []
    for limit in held:
        next_stop = min((x.z for x in limit.loose if x.rail != "untested"), default=FARTHEST)
        called = _goods_beyond(history, alone, family, limit, FARTHEST)
        freed = _goods_beyond(history, set_so, family, limit, next_stop)
        limits.append(
            Untested(
                expected=(len(case.tally.defects.frame) / case.tally.items + rate) * called,
                gain=reach * freed * money,
                cost=price / len(grid.limits),
            )
        )
    return limits


def _goods_beyond(
    history: History, recipe: Recipe, family: str, limit: GridLimit, stop: float
) -> float:
    """Return the goods beyond a live limit, up to a stop in z, that a recipe's other limits let pass."""
    low, high = sorted((limit.sign * limit.z[limit.live].item(), limit.sign * min(stop, FARTHEST)))
    at = Between(family=family, measurement=limit.measurement, side=limit.side, low=low, high=high)
    return float(readings_between(history, recipe, [at])[0][1].sum())


def _share_freed(case: Case, found: Found) -> float:
    """Return what share of the false calls of the tested limits alone their moves free; all where none moves."""
    problem, setting = problem_of(case)[0], found.study.setting
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    before = after = 0.0
    for n, limit in enumerate(case.tally.grid.limits):
        if limit.loose and limit.loose[0].rail == "untested":
            continue
        moved = problem.live.copy()
        moved[n] = max(setting[n], problem.live[n])
        for at in (problem.live, moved):
            beyond = problem.ranks > at
            calls = float(totals @ (beyond[:, n] & (beyond.sum(axis=1) == 1)))
            before, after = (
                (before + calls, after) if at is problem.live else (before, after + calls)
            )
    return 1 - after / before if before else 1.0


def _gather(case: Case, more: int, value: Value, why: Mapping[str, float]) -> Look:
    return Look(
        kind="gather",
        family=case.tally.family,
        items=more,
        hours=_hours(case, more),
        worth=_told(value),
        error=value.error,
        why=why,
    )


def _months(case: Case, more: int) -> float:
    """Return the months in which so many labelled defects come at the present rate."""
    return more / (len(case.tally.defects.frame) * _monthly(case))


def _by_sisters(case: Case, proposal: Proposal, families: Sequence[Searched]) -> list[Look]:
    """Return what the defects that a family lacks are worth, as families with enough have fared.

    Its own outcomes cannot say: nothing was searched. What share of its false calls' cost a
    search saves is drawn from the plant's searched families, those with no change among them.
    """
    found = len(case.tally.defects.frame)
    missing = case.plant.file.rails.minimum_defects - found
    shares = [
        (p.promise.saving_per_month.value if p.advice == "change" else 0.0) / cost
        for c, p, f in families
        if f is not None and (cost := _review_cost(c)) > 0
    ]
    if proposal.advice != "gather" or missing <= 0 or not found or len(shares) < FEWEST_SISTERS:
        return []
    value = mean_of(np.maximum(shares, 0.0) * _review_cost(case))
    why = {"labels": float(found), "sisters": float(len(shares)), "months": _months(case, missing)}
    return [_gather(case, missing, value, why)]


def _review_cost(case: Case) -> float:
    """Return what reviewing a family's false calls costs now, money a month."""
    problem = problem_of(case)[0]
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    calls = float(totals @ is_called(problem.live, problem.ranks)) + float(problem.always.sum())
    return calls * problem.false_call_cost * _monthly(case)
