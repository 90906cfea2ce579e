"""From a family's tally to its proposal: the whole line, as code."""

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from optimiser.evidence.bursts import INDEPENDENT, Bursts
from optimiser.evidence.escapes import Released
from optimiser.evidence.promise import HeldOut, Promise, no_change, promise
from optimiser.plant.file import Plant
from optimiser.proposal.proof import Searched, Unseen, prove, shortlist
from optimiser.proposal.reasons import (
    CannotBeCalled,
    CriticalFamily,
    EscapesCaught,
    FewerFalseCalls,
    GivenUp,
    NothingBetter,
    NothingMayMove,
    ProcessMoves,
    Reason,
    SavingTooSmall,
    TooFewDefects,
    TooFewLots,
    TooUncertain,
    UnlikeRecipe,
    Unstable,
)
from optimiser.proposal.record import (
    Advice,
    Change,
    LimitMove,
    Line,
    Proof,
    Proposal,
    ThreeLines,
)
from optimiser.search.crossfit import fit
from optimiser.search.exact import ExactFront, best_at_price, exact_front
from optimiser.search.pose import pose
from optimiser.search.problem import (
    Problem,
    keeps_to_rails,
    released_share,
    stops_work,
)
from optimiser.search.study import StudyResult, run_study
from optimiser.tally.count import FamilyTally, is_called
from optimiser.tally.must_catch import Impossible, KeptItem, rank_kept
from optimiser.values import DAYS_PER_MONTH

FEWEST_LOTS = 5
FRONT_SECONDS = 3.0
UNSTABLE = 0.5
ONLY_TIGHTENS = 0.5
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """All that one family's proposal rests on; what a worker is handed.

    Attributes
    ----------
    tally : FamilyTally
    siblings : tuple of FamilyTally
        Families of the same termination.
    plant : Plant
    must_catch : tuple of KeptItem
        Of this family.
    span_days : float
    trials : int
    bursts : Bursts
        How unevenly the family's defects come, beside the plant's other families.
    elsewhere : tuple of Released
        What quick fits of the plant's other families release on lots that they have not seen.
    widen : float
        By how much the last backtest asks for wider intervals of the next span.
    unlike_recipe : bool
        Whether more of the family's recorded calls than the rails allow are not the recipe's.
    early : Case or None
        The same of the earlier lots only, rails and grid included.
    later : Unseen or None
        The later lots over the grid of ``early``.
    """

    tally: FamilyTally
    siblings: tuple[FamilyTally, ...]
    plant: Plant
    must_catch: tuple[KeptItem, ...]
    span_days: float
    trials: int
    bursts: Bursts = INDEPENDENT
    elsewhere: tuple[Released, ...] = ()
    widen: float = 1.0
    unlike_recipe: bool = False
    early: "Case | None" = None
    later: Unseen | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What the search of one family brought forth: the yardstick, and every candidate."""

    front: ExactFront
    study: StudyResult


def propose(case: Case, *, on_trial: Callable[[int], None] | None = None) -> Proposal:
    """Return a family's proposal.

    Parameters
    ----------
    case : Case
    on_trial : callable, optional
        Told how many trials are done; a KeyboardInterrupt it raises ends the study early.

    Returns
    -------
    Proposal
        ``gather`` where the evidence is too thin to search at all.
    """
    return propose_with_study(case, on_trial=on_trial)[0]


def propose_with_study(
    case: Case, *, on_trial: Callable[[int], None] | None = None
) -> tuple[Proposal, Found | None]:
    """Return a family's proposal and all that the search looked at.

    Parameters
    ----------
    case : Case
    on_trial : callable, optional

    Returns
    -------
    Proposal
    Found or None
        None where nothing was searched.
    """
    problem, impossible = problem_of(case)
    lacking = what_to_gather(case, problem)
    if lacking:
        return _unmoved(case, problem, "gather", (*_unlike(case), *lacking)), None
    if not problem.m or impossible:
        reasons = (*_unlike(case), *_why_stuck(impossible))
        return _unmoved(case, problem, "keep", reasons), None
    found = _search(case, problem, on_trial)
    proposal = _weigh(case, problem, found.front, found.study)
    if not proposal.interrupted:
        proposal = replace(proposal, proof=proof_of(case, on_trial=on_trial))
    return proposal, found


def problem_of(case: Case) -> tuple[Problem, list[Impossible]]:
    """Return a family's problem and the must-catch items that no setting calls."""
    must_ranks, impossible = _kept_set(case)
    return pose(case.tally, case.siblings, case.plant, must_ranks), impossible


def _kept_set(case: Case) -> tuple[Ints, list[Impossible]]:
    guard = case.plant.file.rails.guard_sigmas
    return rank_kept(case.must_catch, case.tally.grid, guard_sigmas=guard)


def posed_by(case: Case, lots: NDArray[np.bool_]) -> Problem:
    """Return the problem that some lots alone pose: what a fit sees that is judged on the rest.

    Parameters
    ----------
    case : Case
    lots : ndarray of bool, shape (t,)

    Returns
    -------
    Problem
    """
    return pose(case.tally, case.siblings, case.plant, _kept_set(case)[0], lots)


def _search(case: Case, problem: Problem, on_trial: Callable[[int], None] | None) -> Found:
    """Return the exact front of what was counted, and the study that it seeds."""
    front = exact_front(problem, time_limit_s=FRONT_SECONDS)
    study = run_study(
        problem,
        seed=stable_seed(case.plant.file.plant.name, case.tally.family),
        trials=case.trials,
        seeds=_seeds(front, problem),
        apart=partial(posed_by, case),
        on_trial=on_trial,
    )
    return Found(front=front, study=study)


def proof_of(case: Case, *, on_trial: Callable[[int], None] | None = None) -> Proof | None:
    """Return what the later lots prove of settings that the earlier lots brought forth.

    Parameters
    ----------
    case : Case
    on_trial : callable, optional

    Returns
    -------
    Proof or None
        None where the earlier lots are too few to search, or the later ones hold no defect.
    """
    if case.early is None or case.later is None:
        return None
    problem, impossible = problem_of(case.early)
    if what_to_gather(case.early, problem) or not problem.m or impossible:
        return None
    study = _search(case.early, problem, on_trial).study
    moves = [limit_moves(case.early.tally, study.trials.settings[r]) for r in shortlist(study)]
    return prove(
        Searched(case.early.tally),
        problem,
        study,
        case.later,
        moves,
        promised=promise(held_out(case.early, problem, study)),
        coverage=case.plant.file.labels.test_coverage,
    )


def stable_seed(*names: str) -> int:
    """Return a seed that is the same on every machine and in every process."""
    digest = hashlib.sha256("\x1f".join(names).encode()).digest()
    return int.from_bytes(digest[:4], "big")


def what_to_gather(case: Case, problem: Problem) -> tuple[Reason, ...]:
    """Return what evidence is missing; empty where there is enough."""
    needed = case.plant.file.rails.minimum_defects
    found = len(problem.defect_z)
    lots = int(np.count_nonzero(items_by_lot(case.tally)))
    reasons: list[Reason] = []
    if found < needed:
        reasons.append(TooFewDefects(found=found, needed=needed, items=case.tally.items))
    if lots < FEWEST_LOTS:
        reasons.append(TooFewLots(found=lots, needed=FEWEST_LOTS))
    return tuple(reasons)


def items_by_lot(tally: FamilyTally) -> NDArray[np.float64]:
    """Return the number of non-defects in each lot, shape (t,)."""
    counts = np.bincount(tally.cells.lot, tally.cells.count, minlength=len(tally.lots))
    return counts.astype(np.float64)


def _unlike(case: Case) -> tuple[Reason, ...]:
    """Return that a family's recorded calls are not the recipe's; empty where they are."""
    if not case.unlike_recipe:
        return ()
    return (UnlikeRecipe(allowed=case.plant.file.rails.mismatch_share),)


def _why_stuck(impossible: Sequence[Impossible]) -> tuple[Reason, ...]:
    stuck = tuple(CannotBeCalled(item=i.name, needed=i.needed) for i in impossible)
    return stuck or (NothingMayMove(),)


def whole_rails(problem: Problem, study: StudyResult) -> list[str]:
    """Return in words the rails on the whole setting without which it would have gone further."""
    way = study.trials.ways[study.recommended]
    if way is None:
        return []
    free = replace(problem, most_released=1.0, stays_at_work=False)
    further = fit(free, way, lot_fold=study.lot_fold)
    words = []
    if (share := released_share(problem, further)) > problem.most_released:
        words.append(
            f"released-share: at most {problem.most_released:.0%} of the known defects may be released, "
            f"the prices alone would release {share:.0%}"
        )
    if stops_work(problem, further):
        words.append("working-limit: no limit of this family would call anything any more")
    return words


def _seeds(front: ExactFront, problem: Problem) -> list[Ints]:
    """Return the front's best settings at the plant's price and at a few around it."""
    if not len(problem.defect_price) or not problem.false_call_cost:
        return [p.setting for p in front.points[:1]]
    ratio = float(problem.defect_price.mean()) / problem.false_call_cost
    chosen = [
        best_at_price(front, false_calls_per_escape=ratio * factor) for factor in (0.25, 1.0, 4.0)
    ]
    return [p.setting for p in {p.escapes: p for p in chosen}.values()]


def _weigh(case: Case, problem: Problem, front: ExactFront, study: StudyResult) -> Proposal:
    """Return the advice on a study's recommended setting."""
    held = held_out(case, problem, study)
    promised = promise(held)
    setting = study.setting
    moves = limit_moves(case.tally, setting)
    attainable = attainable_per_month(
        case, problem, [*study.trials.settings, *(p.setting for p in front.points)]
    )
    reasons = reasons_to_keep(promised, moves, case)
    advice: Advice = "keep" if reasons else "change"
    if advice == "keep":
        considered = Change(limits=moves, promise=promised) if any(m.moves for m in moves) else None
        moves, promised, setting = (
            limit_moves(case.tally, problem.live),
            _nothing(case, problem),
            problem.live,
        )
    else:
        considered = None
        reasons = (*_reasons_to_change(promised, case), *unstable(problem, study))
    saving = promised.saving_per_month.value
    return Proposal(
        family=case.tally.family,
        advice=advice,
        reasons=reasons,
        limits=moves,
        promise=promised,
        considered=considered,
        lines=three_lines(case.tally, setting),
        attainable_per_month=attainable,
        share_reached=saving / attainable if attainable else None,
        front_proved=front.proved,
        rails_touched=tuple(
            dict.fromkeys([*(m.rail for m in moves if m.rail), *whole_rails(problem, study)])
        ),
        items=case.tally.items,
        lots=promised.lots,
        defects=len(case.tally.defects.frame),
        span_days=case.span_days,
        trials=sum(origin == "trial" for origin in study.trials.origin),
        interrupted=study.interrupted,
        critical=case.plant.file.families[case.tally.family].critical,
    )


def held_out(case: Case, problem: Problem, study: StudyResult) -> HeldOut:
    """Return the study's outcomes on lots not seen, as the promise wants them.

    False calls are those of the setting itself, raised by how much more the settings of the
    folds call on their unseen lots than on the lots they were fitted to; the folds' own
    counts would add the scatter between their settings.
    Whether a labelled defect escapes is read off the setting fitted without its lot, as it
    was measured: a whole yes or no that anyone can count again.
    """
    settings = study.trials.fold_settings[study.chosen, np.arange(len(study.chosen))]
    released = problem.defect_called & ~is_called(study.setting, problem.defect_ranks)
    return replace(
        outcomes_of(case, problem, study.lot_fold, settings),
        false_calls=_on_unseen_lots(case.tally, study),
        false_calls_error=study.optimism_error,
        loosens=bool((study.setting > problem.live).any()),
        tightens=bool((study.setting < problem.live).any()),
        setting_escaped=int(released.sum()),
        elsewhere=case.elsewhere,
        bursts=case.bursts.effect,
        widen=case.widen,
    )


def outcomes_of(
    case: Case, problem: Problem, lot_fold: NDArray[np.int64], settings: Ints
) -> HeldOut:
    """Return what settings do, each in the lots of the fold that it was fitted without.

    Parameters
    ----------
    case : Case
    problem : Problem
    lot_fold : ndarray of int, shape (t,)
    settings : ndarray of int, shape (f, m)

    Returns
    -------
    HeldOut
        Of these settings alone: their own false calls, and nothing of bursts or of other families.
    """
    escaped = ~is_called(settings[lot_fold[problem.defect_lot]], problem.defect_ranks)
    by_live = is_called(problem.live, problem.ranks)
    goods, calls, newly = (np.zeros(problem.lots) for _ in range(3))
    for fold, setting in enumerate(settings):
        lots, by_new = lot_fold == fold, is_called(setting, problem.ranks)
        goods[lots] = _released_goods(case, setting)[lots]
        calls[lots] = (_by_lot(problem, by_new) + problem.always)[lots]
        newly[lots] = _by_lot(problem, by_new & ~by_live)[lots]
    return HeldOut(
        items=items_by_lot(case.tally),
        live_false_calls=_by_lot(problem, by_live) + problem.always,
        false_calls=calls,
        false_calls_error=0.0,
        newly_called=newly,
        loosens=bool((settings > problem.live).any()),
        tightens=bool((settings < problem.live).any()),
        lot=problem.defect_lot,
        escape=escaped.astype(np.float64),
        live_called=problem.defect_called,
        weight=problem.defect_weight,
        price=problem.defect_price,
        false_call_cost=problem.false_call_cost,
        miss_rate=problem.miss_rate,
        passed_weight=1.0 / case.plant.file.labels.test_coverage,
        span_days=case.span_days,
        misread=_misread(case, problem, escaped & problem.defect_called, float(goods.sum())),
        limits=problem.m,
        obeys=case.plant.file.obeys_labels(case.tally.family),
    )


def _by_lot(problem: Problem, which: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return how many of some contested non-defects each lot holds, shape (t,)."""
    return np.asarray(which.astype(np.float64) @ problem.counts, dtype=np.float64)


def _misread(case: Case, problem: Problem, released: NDArray[np.bool_], goods: float) -> float:
    """Return how many of some released labels are expected to be misread goods.

    As many as the reviewers' false alarm rate makes of the goods released with them; once labels
    were looked at again no more than there are labels in doubt.
    """
    expected = case.plant.file.review_of(case.tally.family).false_alarm_rate * goods
    if not case.tally.looked_again:
        return expected
    return min(expected, float((released & (problem.defect_weight < 1.0)).sum()))


def _released_goods(case: Case, setting: Ints) -> NDArray[np.float64]:
    """Return the reviewed goods that the live recipe calls and a setting does not, shape (t,)."""
    cells = case.tally.cells
    free = cells.reviewed & ~cells.settled
    goods = free & is_called(case.tally.grid.live, cells.ranks) & ~is_called(setting, cells.ranks)
    found = np.bincount(cells.lot[goods], cells.count[goods], minlength=len(case.tally.lots))
    return found.astype(np.float64)


def _on_unseen_lots(tally: FamilyTally, study: StudyResult) -> NDArray[np.float64]:
    """Return the proposed setting's false calls by lot as expected on lots not seen, shape (t,)."""
    items = items_by_lot(tally)
    # On lots not seen a setting does no better than on those that it was fitted to.
    raised = study.setting_false_calls + max(study.optimism, 0.0) * items / items.sum()
    return np.asarray(np.maximum(raised, 0.0), dtype=np.float64)


def is_advised(promised: Promise, plant: Plant) -> bool:
    """Return whether a promise meets the plant's rule for advising a change."""
    return (
        promised.saving_per_month.value > plant.file.advice.smallest_saving
        and promised.chance_of_loss <= allowed_chance(promised, plant)
    )


def allowed_chance(promised: Promise, plant: Plant) -> float:
    """Return the largest chance of loss at which a change is advised.

    Parameters
    ----------
    promised : Promise
    plant : Plant

    Returns
    -------
    float
        A change that only tightens costs reviews that are known and can release nothing: it may as
        well gain as lose.
    """
    may_release = promised.escapes_added.high > 0
    return plant.file.advice.largest_chance_of_loss if may_release else ONLY_TIGHTENS


def reasons_to_keep(
    promised: Promise, moves: Sequence[LimitMove], case: Case
) -> tuple[Reason, ...]:
    """Return why no change is advised, what keeping costs and what would settle it.

    Parameters
    ----------
    promised : Promise
        Of the change.
    moves : sequence of LimitMove
        Its limits.
    case : Case

    Returns
    -------
    tuple of Reason
        Empty where the change is advised.
    """
    if not any(m.moves for m in moves):
        return (NothingBetter(),)
    if first := doubts(promised, case):
        return first
    if is_advised(promised, case.plant):
        return ()
    return _too_little(promised, case)


def _too_little(promised: Promise, case: Case) -> tuple[Reason, ...]:
    """Return which part of the rule for advice a promise does not meet, and what keeping gives up."""
    saving, rule = promised.saving_per_month, case.plant.file.advice
    if saving.value <= rule.smallest_saving:
        return (SavingTooSmall(saving=saving, level=promised.level, asked=rule.smallest_saving),)
    short = TooUncertain(
        chance_of_loss=promised.chance_of_loss, allowed=allowed_chance(promised, case.plant)
    )
    return (short, _given_up(promised, case))


def doubts(promised: Promise, case: Case) -> tuple[Reason, ...]:
    """Return what forbids a change whatever it promises; empty where nothing does."""
    return _unlike(case) or _losing_trend(promised)


def _losing_trend(promised: Promise) -> tuple[Reason, ...]:
    """Return that what a trend may leave of the saving is worth less than the rest."""
    if promised.trend is None or not _trend_loses(promised):
        return ()
    return (_moving(promised, may_lose=True),)


def _trend_loses(promised: Promise) -> bool:
    """Return whether the false calls saved that a trend may leave are worth less than the rest."""
    saved = promised.false_calls_saved.value
    left = promised.next_span.false_calls_saved.low / saved if saved > 0 else 1.0
    rest = promised.caught_saving_per_month.value - promised.added_cost_per_month.value
    return left * promised.review_saving_per_month.value + rest < 0


def _moving(promised: Promise, *, may_lose: bool) -> ProcessMoves:
    """Return how a process moves; of a promise with a trend."""
    trend = promised.trend
    assert trend is not None
    return ProcessMoves(
        factor=math.exp(abs(trend.growth)),
        rises=trend.growth > 0,
        lots=trend.lots,
        may_lose=may_lose,
    )


def _given_up(promised: Promise, case: Case) -> GivenUp:
    """Return what keeping gives up, and how much more history would settle a saving of this size."""
    saving = promised.saving_per_month
    z_now = float(norm.ppf(1 - promised.chance_of_loss))
    z_asked = float(norm.ppf(1 - allowed_chance(promised, case.plant)))
    days = defects = None
    if z_now > 0.05 and saving.value > 0:
        further = (z_asked / z_now) ** 2 - 1
        days = math.ceil(case.span_days * further)
        defects = math.ceil(len(case.tally.defects.frame) * further)
    return GivenUp(saving=saving, level=promised.level, days=days, defects=defects)


def _reasons_to_change(promised: Promise, case: Case) -> tuple[Reason, ...]:
    """Return what speaks for a change, most money first."""
    parts: list[tuple[float, Reason]] = [
        (
            promised.review_saving_per_month.value,
            FewerFalseCalls(number=promised.false_calls_saved.value, days=case.span_days),
        ),
        (
            promised.caught_saving_per_month.value,
            EscapesCaught(number=promised.escapes_caught.value),
        ),
    ]
    reasons = [of for money, of in sorted(parts, key=lambda p: -p[0]) if money > 0]
    if promised.trend is not None:
        reasons.append(_moving(promised, may_lose=False))
    if case.plant.file.families[case.tally.family].critical:
        reasons.append(CriticalFamily())
    return tuple(reasons)


def unstable(problem: Problem, study: StudyResult) -> tuple[Reason, ...]:
    """Return that settings fitted without a fold differ widely; empty where they agree.

    Parameters
    ----------
    problem : Problem
    study : StudyResult

    Returns
    -------
    tuple of Reason
        Where the false calls that they save of this very history differ by more than UNSTABLE
        times what the proposed setting saves.
    """
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    folds = study.trials.fold_settings[study.chosen, np.arange(len(study.chosen))]
    live, own, *others = (
        float(is_called(s, problem.ranks) @ totals) for s in (problem.live, study.setting, *folds)
    )
    saved = sorted(live - other for other in others)
    if saved[-1] - saved[0] <= UNSTABLE * abs(live - own):
        return ()
    return (Unstable(least=saved[0], most=saved[-1], own=live - own),)


def _nothing(case: Case, problem: Problem) -> Promise:
    """Return the promise of moving no limit."""
    called = int(problem.defect_called.sum())
    return no_change(
        lots=int(np.count_nonzero(items_by_lot(case.tally))),
        defects_called=called,
        defects_passed=len(problem.defect_called) - called,
    )


def limit_moves(tally: FamilyTally, setting: Sequence[int] | Ints) -> tuple[LimitMove, ...]:
    """Return every limit of a family now and under a setting, with the rail it touches."""
    return tuple(
        LimitMove(
            measurement=limit.measurement,
            side=limit.side,
            unit=limit.unit,
            now=float(limit.values[limit.live]),
            proposed=float(limit.values[level]),
            rail=f"{limit.measurement} {limit.side}: {stop.reason}" if stop else "",
        )
        for limit, level in zip(tally.grid.limits, setting, strict=True)
        for stop in (limit.touched(int(level)),)
    )


def three_lines(tally: FamilyTally, setting: Sequence[int] | Ints) -> ThreeLines:
    """Return the items called by both, by the live recipe only, by the setting only."""
    cells, defects = tally.cells, tally.defects
    live, new = tally.grid.live, np.asarray(setting)
    by_live, by_new = (cells.settled | is_called(s, cells.ranks) for s in (live, new))
    bad_live, bad_new = (defects.settled | is_called(s, defects.ranks) for s in (live, new))

    def line(items: NDArray[np.bool_], bad: NDArray[np.bool_]) -> Line:
        goods = int(cells.count[items & cells.reviewed].sum())
        unreviewed = int(cells.count[items & ~cells.reviewed].sum())
        caught = int(bad.sum())
        return Line(
            calls=goods + unreviewed + caught, defects=caught, goods=goods, unreviewed=unreviewed
        )

    return ThreeLines(
        kept=line(by_live & by_new, bad_live & bad_new),
        loosened=line(by_live & ~by_new, bad_live & ~bad_new),
        tightened=line(~by_live & by_new, ~bad_live & bad_new),
    )


def attainable_per_month(case: Case, problem: Problem, settings: Sequence[Ints]) -> float:
    """Return what the best of some settings would have saved on this very history.

    Money a month, at the plant's prices, every labelled defect with its weight. In-sample:
    a yardstick for the promise and never one itself.
    """
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    price = problem.defect_weight * problem.defect_price * (1 - problem.miss_rate)

    def cost(setting: Ints) -> float:
        false_calls = float(totals @ is_called(setting, problem.ranks))
        escapes = ~is_called(setting, problem.defect_ranks)
        return problem.false_call_cost * false_calls + float(price @ escapes)

    allowed = [s for s in settings if keeps_to_rails(problem, s)]
    saving = cost(problem.live) - min(cost(s) for s in (problem.live, *allowed))
    return saving * DAYS_PER_MONTH / case.span_days


def _unmoved(case: Case, problem: Problem, advice: Advice, reasons: tuple[Reason, ...]) -> Proposal:
    """Return a proposal that leaves every limit where it is, without a search."""
    promised = _nothing(case, problem)
    return Proposal(
        family=case.tally.family,
        advice=advice,
        reasons=reasons,
        limits=limit_moves(case.tally, problem.live),
        promise=promised,
        considered=None,
        lines=three_lines(case.tally, problem.live),
        attainable_per_month=None,
        share_reached=None,
        front_proved=False,
        rails_touched=(),
        items=case.tally.items,
        lots=promised.lots,
        defects=len(case.tally.defects.frame),
        span_days=case.span_days,
        trials=0,
        interrupted=False,
        critical=case.plant.file.families[case.tally.family].critical,
    )
