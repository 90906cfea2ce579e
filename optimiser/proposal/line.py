"""The whole line: one point per family so that escapes cost least within the reviewers' hours.

What a fit has seen never judges it: every point's outcome is held out. But choosing among
held-out outcomes selects the lucky ones, and a plan chooses once a family. So the plan is made
again for every fold, from outcomes on the other folds alone, of settings fitted without that fold
and without the lot they are counted in; what is promised is what these plans do in the folds
that they have not seen: the chosen points' own promises, less what choosing flattered. That is
the cost of plans in the folds that they had not seen, beyond what the plan chosen from all lots
costs in the same folds, and is measured over all families together.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

from optimiser.errors import UsageError
from optimiser.evidence.intervals import ZERO, Interval
from optimiser.evidence.promise import LEVEL, HeldOut, Promise, promise
from optimiser.evidence.reviewers import MissCurve
from optimiser.evidence.sharing import Together, together_over_lots
from optimiser.history.read import History
from optimiser.proposal.propose import Case, Found, held_out, items_by_lot, limit_moves, problem_of
from optimiser.proposal.record import LimitMove, Proposal
from optimiser.search.allocate import Allocation, Offer, allocate, least_hours, supported
from optimiser.search.blur import escape_prices
from optimiser.search.problem import Problem, keeps_to_rails
from optimiser.search.study import StudyResult, chosen_elsewhere, plan_rows, seen_without
from optimiser.tally.count import is_called
from optimiser.values import DAYS_PER_MONTH

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Shares of true calls between which plans are first looked for where reviewers' misses depend on it.
FIRST_SHARES = 7
MOST_SHARES = 30
COUPLED_GAP, COUPLED_SECONDS = 1e-3, 0.5
MOST_POINTS = 60
Left = Literal["", "advice", "calls unlike recipe"]
"""Why a plan leaves a family as it is."""

PRICE_STEP_HOURS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """What one family's points do: p of them, the last the live limits.

    Attributes
    ----------
    false_calls, true_calls : ndarrays, shape (p,)
        Over the history; true calls as there are calls of them.
    escape_cost, defect_cost : ndarray, shape (p,); float
        Money a month: of the escapes of the limits before any reviewer, and of all defects.
    defects, caught : float; ndarray, shape (p,)
        Real defects over the history, and those that are called.
    miss_rate : float
        Of the family's reviewers as the plant file states it.
    """

    false_calls: Floats
    true_calls: Floats
    escape_cost: Floats
    defect_cost: float
    caught: Floats
    miss_rate: float

    def offer(self, hours_per_call: float, miss_rate: float, share: float) -> Offer:
        """Return them as hours a day and money a month, at a miss rate and a least share of true calls."""
        return Offer(
            hours=hours_per_call * (self.false_calls + self.true_calls),
            cost=(1 - miss_rate) * self.escape_cost,
            slack=self.caught - share * (self.caught + self.false_calls),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineFamily:
    """One family of a line as the plan sees it.

    Attributes
    ----------
    case : Case
    problem : Problem
    proposal : Proposal
    study : StudyResult or None
        None where nothing was searched: the live limits are its only point.
    rows : ndarray of int, shape (p,)
        Of the study; 0, the live limits, is the last.
    points : Points
    left : str
        Why it has no other point though more were found; empty where it has them all.
    """

    case: Case
    problem: Problem
    proposal: Proposal
    study: StudyResult | None
    rows: Ints
    points: Points
    left: Left

    @property
    def name(self) -> str:
        """The family's name."""
        return self.case.tally.family


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Seconds of review that a board asks for, against what it has.

    Attributes
    ----------
    available : float
        Seconds of review a board: time on the line times reviewers side by side.
    live, planned : float
    hours : float
        Hours a day that the pace allows.
    """

    available: float
    live: float
    planned: float
    hours: float

    @property
    def held(self) -> bool:
        """Whether the plan keeps pace."""
        return self.planned <= self.available * (1 + 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyPlan:
    """What the plan asks of one family.

    Attributes
    ----------
    family : str
    limits : tuple of LimitMove
        Those that move; empty where it stays as it is.
    hours_now, hours : float
        Of review, a day, on lots not seen.
    escapes_now, escapes : float
        Money a month of escapes of the limits, reviewers' misses beside; as the plan was chosen by.
    promise : Promise or None
        Its limits refitted in every fold, the pick not; None where it stays as it is.
    certified : bool or None
        Whether the later lots certify that these very limits add few escapes; None where these
        were not tested.
    points : int
        Points that the plan could choose from.
    advice : str
        Of the family by itself.
    left : str
        Why it stays as it is whatever it could offer: ``"advice"``, ``"calls unlike recipe"``; else empty.
    """

    family: str
    limits: tuple[LimitMove, ...]
    hours_now: float
    hours: float
    escapes_now: float
    escapes: float
    promise: Promise | None
    certified: bool | None
    points: int
    advice: str
    left: Left


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPoint:
    """A plan that is best at some price of an hour: hours a day, and money a month by part."""

    hours: float
    by_limits: float
    by_review: float

    @property
    def cost(self) -> float:
        """Escapes of limits and of reviewers, money a month."""
        return self.by_limits + self.by_review


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    """One point for every family.

    Attributes
    ----------
    hours_asked, hours, hours_now : float
        A day: asked for, planned on lots not seen, and now.
    binds : str
        What ends the hours: ``hours``, ``pace``, or empty where more would save nothing.
    pace : Pace or None
    scenario : str
        Of the reviewers; their miss rate and the share of true calls among calls that it is of.
    miss_rate, true_share : float
    by_limits, by_review : float
        Escapes of limits and of reviewers in the plan, money a month, as it was chosen.
    by_limits_now, by_review_now : float
    gap : float
        How far, at most, the plan lies above the best possible one, money a month; 0 is proved.
    hour_price, one_more, one_fewer : float, float, float or None
        Of an hour a day, money a month: at the margin; what one more would save; what one fewer
        would cost, None where no plan has so few.
    hour_cost : float
        What an hour of review a day costs, money a month.
    chosen_saving_per_month : float
        What the outcomes say that the plan was chosen from, money a month: held out from every
        fit, but not from the choice, so somewhat hopeful.
    together : Together
        What all changes of the plan promise together, nested: the figure to go by.
    hours_promised : Interval
        Of review a day, by the same promise.
    families : tuple of FamilyPlan
    front : tuple of FrontPoint
    lots, span_days : int, float
    """

    hours_asked: float
    hours: float
    hours_now: float
    binds: str
    pace: Pace | None
    scenario: str
    miss_rate: float
    true_share: float
    by_limits: float
    by_review: float
    by_limits_now: float
    by_review_now: float
    gap: float
    hour_price: float
    one_more: float
    one_fewer: float | None
    hour_cost: float
    chosen_saving_per_month: float
    together: Together
    hours_promised: Interval
    families: tuple[FamilyPlan, ...]
    front: tuple[FrontPoint, ...]
    lots: int
    span_days: float


MakeOffer = Callable[[Points, float, float], Offer]


class Line:
    """All families of a line, ready to be planned.

    Parameters
    ----------
    families : sequence of (Case, Proposal, Found or None)
    boards : int
        Distinct boards of the history.
    unadvised : bool
        Whether families may move of which the study by itself advises no change: what their points
        promise did not bear its own gate, or their limits are not what is the matter.
    """

    def __init__(
        self,
        families: Sequence[tuple[Case, Proposal, Found | None]],
        *,
        boards: int,
        unadvised: bool = False,
    ) -> None:
        if not families:
            msg = "a plan needs families; the history has items of none"
            raise UsageError(msg)
        self.families = tuple(_family(*f, unadvised=unadvised) for f in families)
        case = self.families[0].case
        self.plant, self.span_days, self.boards = case.plant, case.span_days, boards
        review = case.plant.file.review
        self.hours_per_call = review.seconds_per_call / 3600.0 / self.span_days

    def plan(self, hours: float, curve: MissCurve) -> LinePlan:
        """Return the plan within some hours of review a day.

        Parameters
        ----------
        hours : float
            > 0.
        curve : MissCurve
            Of the reviewers; a constant one stands for the rates of the plant file.

        Returns
        -------
        LinePlan

        Raises
        ------
        UsageError
            If no plan has so few hours.
        """
        budget, pace_hours = self._budget(hours)
        best = self._solve([f.points for f in self.families], budget, curve)
        if best is None:
            raise UsageError(self._too_few(hours, pace_hours))
        return self._told(best, curve, asked=hours, budget=budget)

    def front_hours(self) -> tuple[float, float]:
        """Return the fewest hours a day that a plan can have, and the most that any is worth."""
        points = [f.points for f in self.families]
        plans = supported([self._offer(p, p.miss_rate, 0.0) for p in points])
        return plans[0].hours, plans[-1].hours

    def hours_now(self) -> float:
        """Return the hours of review a day that the live limits take."""
        return sum(float(self._offer(f.points, 0.0, 0.0).hours[-1]) for f in self.families)

    # --- choosing ---------------------------------------------------------------------

    def _budget(self, hours: float) -> tuple[float, float]:
        """Return the hours that bind, and those that the pace of the line allows."""
        line = self.plant.file.line
        if line.seconds_per_board is None:
            return hours, np.inf
        seconds = line.seconds_per_board * line.reviewers
        allowed = self.boards / self.span_days * seconds / 3600.0
        return min(hours, allowed), allowed

    def _too_few(self, hours: float, pace_hours: float) -> str:
        least = least_hours([self._offer(f.points, 0.0, 0.0) for f in self.families])
        pace = f" and the pace of the line allows {pace_hours:.2f}" if pace_hours < hours else ""
        return (
            f"{hours:g} hours of review a day are asked for{pace}; the fewest that any points of these "
            f"families take together is {least:.2f}: ask for more, or let rails open further"
        )

    def _offer(self, points: Points, miss_rate: float, share: float) -> Offer:
        return points.offer(self.hours_per_call, miss_rate, share)

    def _solve(self, points: Sequence[Points], budget: float, curve: MissCurve) -> "_Chosen | None":
        """Return the best plan, its reviewers' misses those that its own calls imply."""
        if curve.slope == 0:
            offers = [self._offer(p, _own_rate(p, curve), 0.0) for p in points]
            found = allocate(offers, budget)
            return None if found is None else _Chosen(found, found.gap)
        return _Coupled(points, self._offer, budget, curve).run()

    # --- telling ----------------------------------------------------------------------

    def _told(self, best: "_Chosen", curve: MissCurve, *, asked: float, budget: float) -> LinePlan:
        """Return a plan with its promise, its prices and its front."""
        points = [f.points for f in self.families]
        now = np.array([len(f.rows) - 1 for f in self.families])
        planned, live = _sums(points, best.plan.picks, curve), _sums(points, now, curve)
        nested = self._nested(budget, curve)
        review = self.plant.file.review
        hour_cost = review.cost_per_hour * DAYS_PER_MONTH
        chosen_at = best.plan.price / hour_cost if hour_cost else 1.0
        outcomes = [
            _outcome(f, int(f.rows[pick]), chosen_at)
            for f, pick in zip(self.families, best.plan.picks, strict=True)
        ]
        moved = [(h, p) for h, p in outcomes if h is not None and p is not None]
        together = together_over_lots(
            [h for h, _ in moved],
            [p for _, p in moved],
            choosing=_flattered(self.families, best.plan.picks, nested),
        )
        hours = self.hours_per_call * planned.calls
        more, fewer = (
            self._solve(points, self._budget(asked + step)[0], curve)
            for step in (PRICE_STEP_HOURS, -PRICE_STEP_HOURS)
        )
        chosen = (live.total - planned.total) + self._review_money(live.calls - planned.calls)
        return LinePlan(
            hours_asked=asked,
            hours=hours,
            hours_now=self.hours_per_call * live.calls,
            binds=_binds(best.plan, budget, asked),
            pace=self._pace(live.calls, planned.calls),
            scenario=curve.name,
            miss_rate=planned.miss_rate,
            true_share=planned.share,
            by_limits=planned.by_limits,
            by_review=planned.by_review,
            by_limits_now=live.by_limits,
            by_review_now=live.by_review,
            gap=best.gap,
            hour_price=best.plan.price,
            one_more=0.0
            if more is None
            else max(0.0, planned.total - _sums(points, more.plan.picks, curve).total),
            one_fewer=None
            if fewer is None
            else max(0.0, _sums(points, fewer.plan.picks, curve).total - planned.total),
            hour_cost=hour_cost,
            chosen_saving_per_month=chosen,
            together=together,
            hours_promised=_less(self.hours_per_call * live.calls, together, self.hours_per_call),
            families=tuple(
                self._family_plan(f, int(pick), promised, curve)
                for f, pick, (_, promised) in zip(
                    self.families, best.plan.picks, outcomes, strict=True
                )
            ),
            front=self._front(curve),
            lots=max(int(np.count_nonzero(items_by_lot(f.case.tally))) for f in self.families),
            span_days=self.span_days,
        )

    def _review_money(self, calls: float) -> float:
        """Return what some calls cost to review, money a month."""
        return calls * self.plant.file.review.cost_per_call * DAYS_PER_MONTH / self.span_days

    def _nested(self, budget: float, curve: MissCurve) -> list[Ints | None]:
        """Return for each family the row that a plan made without each fold would choose."""
        folds = max((len(f.study.folds.weight) for f in self.families if f.study), default=0)
        rows = [
            None if f.study is None else np.zeros(len(f.study.folds.weight), dtype=np.int64)
            for f in self.families
        ]
        for fold in range(folds):
            points = [
                f.points
                if f.study is None
                else _points_without(f, fold % len(f.study.folds.weight))
                for f in self.families
            ]
            made = self._solve(points, budget, curve)
            for n, family in enumerate(self.families):
                own = rows[n]
                if own is None or fold >= len(own):
                    continue
                # Where the other folds see no plan within the hours: the point with the fewest.
                hours = self._offer(points[n], 0.0, 0.0).hours
                pick = int(np.argmin(hours)) if made is None else int(made.plan.picks[n])
                own[fold] = family.rows[pick]
        return rows

    def _pace(self, live_calls: float, planned_calls: float) -> Pace | None:
        line = self.plant.file.line
        if line.seconds_per_board is None:
            return None
        seconds = self.plant.file.review.seconds_per_call
        return Pace(
            available=line.seconds_per_board * line.reviewers,
            live=live_calls * seconds / self.boards,
            planned=planned_calls * seconds / self.boards,
            hours=self._budget(np.inf)[1],
        )

    def _family_plan(
        self, family: LineFamily, pick: int, promised: Promise | None, curve: MissCurve
    ) -> FamilyPlan:
        offer = self._offer(family.points, _own_rate(family.points, curve), 0.0)
        setting = _setting(family, int(family.rows[pick]))
        moves = tuple(m for m in limit_moves(family.case.tally, setting) if m.moves)
        return FamilyPlan(
            family=family.name,
            limits=moves,
            hours_now=float(offer.hours[-1]),
            hours=float(offer.hours[pick]),
            escapes_now=float(offer.cost[-1]),
            escapes=float(offer.cost[pick]),
            promise=promised,
            certified=_certified(family.proposal, moves),
            points=len(family.rows),
            advice=family.proposal.advice,
            left=family.left,
        )

    def _front(self, curve: MissCurve) -> tuple[FrontPoint, ...]:
        """Return the plans that are best at some price of an hour, at most MOST_POINTS of them."""
        points = [f.points for f in self.families]
        plans = supported([self._offer(p, _own_rate(p, curve), 0.0) for p in points])
        kept = np.unique(np.linspace(0, len(plans) - 1, MOST_POINTS).round().astype(int))
        found = []
        for n in kept:
            sums = _sums(points, plans[int(n)].picks, curve)
            found.append(
                FrontPoint(
                    hours=self.hours_per_call * sums.calls,
                    by_limits=sums.by_limits,
                    by_review=sums.by_review,
                )
            )
        return tuple(found)


# --- families ---------------------------------------------------------------------------


def _left(case: Case, proposal: Proposal) -> Left:
    """Return why a family should stay as it is; empty where a change of it is advised."""
    if case.unlike_recipe:
        return "calls unlike recipe"
    return "" if proposal.advice == "change" else "advice"


def _family(case: Case, proposal: Proposal, found: Found | None, *, unadvised: bool) -> LineFamily:
    """Return a family with the points that the plan may choose."""
    problem, _ = problem_of(case)
    study = None if found is None else found.study
    rows = np.zeros(1, dtype=np.int64)
    left: Left = "" if unadvised or study is None else _left(case, proposal)
    if study is not None and not left:
        able = [
            r
            for r in plan_rows(study)
            if r == 0
            or (
                keeps_to_rails(problem, study.trials.settings[r])
                and is_called(study.trials.settings[r], problem.must_ranks).all()
            )
        ]
        rows = np.array(able, dtype=np.int64)
    return LineFamily(
        case=case,
        problem=problem,
        proposal=proposal,
        study=study,
        rows=rows,
        points=_points(case, problem, study, rows),
        left=left,
    )


def _points(case: Case, problem: Problem, study: StudyResult | None, rows: Ints) -> Points:
    """Return what a family's points do on lots that their limits were not fitted to."""
    if study is None:
        totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
        called = is_called(problem.live, problem.ranks)
        false_calls = np.array([float(totals @ called) + float(problem.always.sum())])
        escape = (~is_called(problem.live, problem.defect_ranks)).astype(np.float64)[None, :]
    else:
        false_calls = study.trials.false_calls[rows].sum(axis=1).astype(np.float64)
        escape = study.trials.near_escape[rows]
    return _made(case, problem, false_calls, escape * problem.defect_weight, problem.defect_weight)


def _points_without(family: LineFamily, fold: int) -> Points:
    """Return what a choice made for a fold may know of a family's points, scaled to all lots."""
    assert family.study is not None
    study, items = family.study, items_by_lot(family.case.tally)
    false_calls, escape = seen_without(study, family.rows, fold)
    outside = float(items[study.lot_fold != fold].sum())
    scale = float(items.sum()) / outside if outside else 1.0
    weight = study.folds.weight[fold]
    return _made(family.case, family.problem, false_calls * scale, escape * scale, weight * scale)


def _made(
    case: Case, problem: Problem, false_calls: Floats, escape: Floats, weight: Floats
) -> Points:
    """Return points from false calls (p,), weighted escapes (p, d) and weights (d,)."""
    # A called label stands for the real defects among which reviewers missed some.
    miss = problem.miss_rate
    real = np.where(problem.defect_called, 1 / (1 - miss), 1.0)
    monthly = DAYS_PER_MONTH / case.span_days
    settled = float(case.tally.defects.settled.sum())
    caught = (weight - escape) @ real
    return Points(
        false_calls=false_calls,
        # What reviewers missed is among the goods that are called already.
        true_calls=(weight - escape).sum(axis=1) + settled,
        escape_cost=escape @ (real * problem.defect_price) * monthly,
        defect_cost=float(weight @ (real * problem.defect_price)) * monthly,
        caught=caught + settled,
        miss_rate=miss,
    )


def _setting(family: LineFamily, row: int) -> Ints:
    if family.study is None or row == 0:
        return family.problem.live
    setting: Ints = family.study.trials.settings[row]
    return setting


def _outcome(
    family: LineFamily, row: int, chosen_at: float
) -> tuple[HeldOut | None, Promise | None]:
    """Return a family's outcomes on lots that its limits were not fitted to, and their promise.

    The point is picked, so its limits are refitted in every fold and the pick is not: what the
    picking flattered is taken off the sum. It is picked at what an hour is worth to the plan: with hours
    to spare a plan calls what review alone would not pay for, and releases less.
    """
    if family.study is None or row == 0:
        return None, None
    chosen = np.full(len(family.study.folds.weight), row, dtype=np.int64)
    study = chosen_elsewhere(family.problem, family.study, recommended=row, chosen=chosen)
    held = replace(held_out(family.case, family.problem, study), chosen_at=chosen_at)
    return held, promise(held)


def _flattered(
    families: Sequence[LineFamily], picks: Ints, nested: Sequence[Ints | None]
) -> Interval:
    """Return what choosing among held-out outcomes flattered a plan by, money a month.

    In the lots of each fold: what the plan costs that had not seen them, less what the plan costs
    that was chosen from them too; settings refitted without the fold in both. Never below zero;
    its error is read off how far the folds differ.
    """
    count = max((len(n) for n in nested if n is not None), default=0)
    by_fold = np.zeros(count)
    for family, pick, rows in zip(families, picks, nested, strict=True):
        if family.study is None or rows is None:
            continue
        trials, study, problem = family.study.trials, family.study, family.problem
        worth = escape_prices(problem)
        monthly = DAYS_PER_MONTH / family.case.span_days
        final = int(family.rows[pick])
        for fold, row in enumerate(rows):
            lots = study.lot_fold == fold
            own = lots[problem.defect_lot]
            calls = trials.false_calls[row, lots].sum() - trials.false_calls[final, lots].sum()
            escapes = (trials.near_escape[row, own] - trials.near_escape[final, own]) @ worth[own]
            by_fold[fold] += (float(calls) * problem.false_call_cost + float(escapes)) * monthly
    if count < 2:
        return ZERO
    value = max(0.0, float(by_fold.sum()))
    reach = float(t.ppf((1 + LEVEL) / 2, count - 1) * by_fold.std(ddof=1) * np.sqrt(count))
    return Interval(value=value, low=value - reach, high=value + reach)


def _certified(proposal: Proposal, moves: Sequence[LimitMove]) -> bool | None:
    """Return whether these very limits were certified; None where they were not tested."""
    if proposal.proof is None or not moves:
        return None
    wanted = {(m.measurement, m.side, m.proposed) for m in moves}
    for tested in proposal.proof.settings:
        if {(m.measurement, m.side, m.proposed) for m in tested.limits if m.moves} == wanted:
            return tested.certified_added
    return None


def boards_of_line(history: History) -> int:
    """Return the boards that the line made: those of the stage that saw most of them.

    Parameters
    ----------
    history : History

    Returns
    -------
    int
        At least 1.
    """
    by_stage: dict[str, int] = {}
    for _, stage, _, _, number in history.boards():
        by_stage[stage] = by_stage.get(stage, 0) + number
    return max([1, *by_stage.values()])


# --- reviewers --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A plan and how far, at most, it lies above the best, money a month."""

    plan: Allocation
    gap: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sums:
    """What a plan amounts to: calls over the history, money a month."""

    calls: float
    share: float
    miss_rate: float
    by_limits: float
    by_review: float

    @property
    def total(self) -> float:
        """Escapes of limits and of reviewers, money a month."""
        return self.by_limits + self.by_review


def _own_rate(points: Points, curve: MissCurve) -> float:
    """Return a family's stated miss rate where the scenario is that of the plant file, else none."""
    return points.miss_rate if curve.slope == 0 else 0.0


def _sums(points: Sequence[Points], picks: Ints, curve: MissCurve) -> _Sums:
    """Return what a plan amounts to, the reviewers' misses those of its own call load."""
    false_calls = sum(float(p.false_calls[n]) for p, n in zip(points, picks, strict=True))
    caught = sum(float(p.caught[n]) for p, n in zip(points, picks, strict=True))
    calls = false_calls + sum(float(p.true_calls[n]) for p, n in zip(points, picks, strict=True))
    by_limits = np.array([float(p.escape_cost[n]) for p, n in zip(points, picks, strict=True)])
    every = np.array([p.defect_cost for p in points])
    share = caught / (caught + false_calls) if caught + false_calls else 0.0
    rate = np.array([p.miss_rate for p in points])
    if curve.slope != 0:
        rate = np.full(len(points), _rate_at(curve, share))
    missed = rate * (every - by_limits)
    seen = float((every - by_limits).sum())
    return _Sums(
        calls=calls,
        share=share,
        miss_rate=float(missed.sum()) / seen if seen else 0.0,
        by_limits=float(by_limits.sum()),
        by_review=float(missed.sum()),
    )


class _Coupled:
    """The search for the plan with the fewest escapes of limits and reviewers together.

    More false calls thin out the true ones, and reviewers miss more; the miss rate of a plan is
    that of its own share of true calls, so it is the fixed point of choosing and missing. The
    best one is found by demanding a least share: with at least s, the limits' escapes are a
    knapsack with one row more, and reviewers miss at most as much as at s. Between two shares
    nothing costs less than the escapes that the lower one allows with the misses of the higher
    one; the interval with the lowest such bound is halved until none lies below what is found.
    """

    def __init__(
        self, points: Sequence[Points], make_offer: MakeOffer, budget: float, curve: MissCurve
    ) -> None:
        self.points, self.make_offer, self.budget, self.curve = points, make_offer, budget, curve
        self.every = sum(p.defect_cost for p in points)
        self.best: Allocation | None = None
        self.cost = np.inf
        self.bounds: dict[float, float] = {}

    def run(self) -> _Chosen | None:
        """Return the best plan; None where none keeps to the budget."""
        top = max(_largest_share(p) for p in self.points)
        for share in (0.0, *np.geomspace(1e-3, max(2e-3, top), FIRST_SHARES)):
            self._look(float(share))
        while self.best is not None and len(self.bounds) < MOST_SHARES:
            bound, low, high = self._lowest()
            if bound >= self.cost * (1 - COUPLED_GAP) or high - low < 1e-6:
                break
            self._look((low + high) / 2)
        if self.best is None:
            return None
        # A plan that leaves hours unused is best with fewer calls, not for want of hours.
        used = self.best.hours >= 0.98 * self.budget
        price = _price_at(self.points, self.make_offer, self.budget) if used else 0.0
        gap = max(0.0, self.cost - self._lowest()[0])
        return _Chosen(replace(self.best, price=price), gap)

    def _look(self, share: float) -> None:
        """Find the plan with the fewest escapes of the limits among those with a least share."""
        offers = [self.make_offer(p, 0.0, share) for p in self.points]
        found = allocate(
            offers,
            self.budget,
            with_slack=share > 0,
            time_limit_s=COUPLED_SECONDS,
            gap=COUPLED_GAP / 2,
        )
        self.bounds[share] = np.inf if found is None else found.bound
        if found is None:
            return
        total = _sums(self.points, found.picks, self.curve).total
        if total < self.cost:
            self.best, self.cost = found, total

    def _lowest(self) -> tuple[float, float, float]:
        """Return the interval of shares that may hold the cheapest plan, its bound first."""
        marks = sorted(self.bounds)
        return min(
            (self.bounds[a] * (1 - rate) + rate * self.every, a, b)
            for a, b in pairwise([*marks, 1.0])
            for rate in (_rate_at(self.curve, b),)
        )


def _largest_share(points: Points) -> float:
    caught = float(points.caught.max())
    return caught / (caught + float(points.false_calls.min())) if caught else 0.0


def _rate_at(curve: MissCurve, share: float) -> float:
    return float(curve.miss_rate(np.array([min(max(share, 1e-9), 1 - 1e-9)]))[0])


def _price_at(points: Sequence[Points], make_offer: MakeOffer, budget: float) -> float:
    """Return the price of an hour at the margin, misses left as they are."""
    found = allocate([make_offer(p, 0.0, 0.0) for p in points], budget)
    return 0.0 if found is None else found.price


def _binds(plan: Allocation, budget: float, asked: float) -> str:
    """Return what ends the hours of a plan; empty where more would save nothing."""
    if plan.price <= 0:
        return ""
    return "pace" if budget < asked else "hours"


def _less(hours: float, together: Together, per_call: float) -> Interval:
    """Return some hours less those of the false calls saved."""
    saved = together.false_calls_saved
    return Interval(
        value=hours - saved.value * per_call,
        low=hours - saved.high * per_call,
        high=hours - saved.low * per_call,
    )
