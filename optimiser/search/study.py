"""The study of one family: which way of choosing limits holds up on lots it has not seen.

Descent finds the limits; what descent cannot decide (the bandwidth of the clouds, how far
labels are weighted, what is borrowed, the worst lot, how many limits may move, the price
that traces the front) a study in memory tries out. Every trial's objectives are held-out
ones. This is the only file that knows optuna.

Public::

    run_study(problem, *, seed, trials=60, seeds=(), apart=None, on_trial=None) -> StudyResult
    choose, recommended_at, stand_by: the same candidates at other prices, or picked by hand
    Trials, Folds, StudyResult

Shape letters: **n** candidates (the live setting, the seeds, then the trials), **m** limits,
**d** defects, **t** lots, **f** folds.
"""

import math
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace

import numpy as np
import optuna

from optimiser.defaults import TRIALS
from optimiser.search.blur import Blur, escape_prices, escapes_live
from optimiser.search.crossfit import (
    Apart,
    Heldout,
    Way,
    Yardstick,
    crossfit,
    hold_out,
    make_yardstick,
)
from optimiser.search.problem import Bools, Floats, Ints, Problem
from optimiser.tally.count import is_called

# How much a way must gain on unseen lots for each unit of distance from the prior way, as a
# share of the prior way's cost at ten labels; the more labels, the less. Choosing by
# held-out cost alone made the choice worse than the prior way at every number of labels.
PULL = 0.2
LIVE_DISTANCE = 2.0
PULL_FROM = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trials:
    """All candidates that a study has looked at, one row each.

    Parameters
    ----------
    origin : tuple of n str
        ``"live"``, ``"seed"`` (a given setting, fitted elsewhere on all lots) or ``"trial"``.
    ways : tuple of n (Way or None)
        How a trial chose; None for the live setting and the seeds.
    settings : ndarray of int, shape (n, m)
        Fitted on all lots; the live setting and the seeds as given.
    fold_settings : ndarray of int, shape (n, f, m)
        Fitted without each fold; the live setting and the seeds f times.
    review_cost : ndarray, shape (n,)
        Held-out cost of reviewing false calls over the history, money. In-sample for seeds.
    escape_cost : ndarray, shape (n,)
        Held-out cost of escapes over the history, reviewers' misses left out, money; of
        draws from each labelled defect's cloud, which is what candidates are compared by.
    moved : ndarray of int, shape (n,)
        Limits that differ from the live setting.
    false_calls : ndarray of int, shape (n, t)
        Held-out false calls in each lot.
    escape : ndarray, shape (n, d)
        Held-out chance of each labelled defect to escape when measured again: the promise.
    near_escape : ndarray, shape (n, d)
        The same for a draw from its cloud: the comparison.
    nested_false_calls : ndarray of int, shape (n, f, t)
        What the choice made for each fold may see: false calls in each other lot, of the
        setting fitted without that fold and without the lot's. 0 in the fold's own lots, and
        everywhere of ways that could not be chosen at any cost.
    nested_near_escape : ndarray, shape (n, f, d)
        Likewise.
    counted_false_calls : ndarray of int, shape (n,)
        False calls of `settings` over all lots, in-sample.
    counted_escapes : ndarray, shape (n,)
        Weighted number of labelled defects that `settings` miss, in-sample.
    """

    origin: tuple[str, ...]
    ways: tuple[Way | None, ...]
    settings: Ints
    fold_settings: Ints
    review_cost: Floats
    escape_cost: Floats
    moved: Ints
    false_calls: Ints
    escape: Floats
    near_escape: Floats
    nested_false_calls: Ints
    nested_near_escape: Floats
    counted_false_calls: Ints
    counted_escapes: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Folds:
    """How the lots are cut, and what each label weighs to the choice made for a fold.

    Parameters
    ----------
    lot_fold : ndarray of int, shape (t,)
        Fold of each lot.
    weight : ndarray, shape (f, d)
        How many defects each label stands for, judged by the lots outside a fold alone; 0
        for the fold's own labels.
    """

    lot_fold: Ints
    weight: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyResult:
    """What a study found for one family.

    Parameters
    ----------
    trials : Trials
        Every candidate.
    recommended : int
        Row of the candidate to propose at the plant's prices; 0 is the live setting.
    front : ndarray of int, shape (p,)
        Rows that no other row beats on both held-out review cost and held-out escape cost,
        dearest review first. Seeds are left out: theirs are in-sample figures.
    counted_front : ndarray of int, shape (p,)
        The same on the in-sample counts, seeds included.
    folds : Folds
    pull : ndarray, shape (n,)
        Share of cost that each row must gain; inf for rows that are never recommended.
    chosen : ndarray of int, shape (f,)
        Row that would be recommended from the outcomes on the other folds only.
    false_calls : ndarray of int, shape (t,)
        Held-out false calls of the proposal in each lot: of row `chosen[v]`, fitted
        without fold v, in the lots of fold v.
    live_false_calls : ndarray of int, shape (t,)
        False calls of the live setting in each lot.
    setting_false_calls : ndarray of int, shape (t,)
        False calls of the recommended setting itself in each lot, in-sample.
    optimism : float
        Held-out false calls of the folds' settings, in all lots together, less those to be
        expected there from the lots they were fitted on. What `setting_false_calls` falls
        short of on lots not seen: adding it makes a promise for the recommended setting
        itself, without the scatter between the settings of the folds. A difference and no
        factor, so that a setting without a single false call in-sample is corrected too.
    optimism_error : float
        Standard error of `optimism`, from how far the folds differ.
    escape : ndarray, shape (d,)
        Held-out chance of each labelled defect to escape the proposal, likewise.
    live_escape : ndarray, shape (d,)
        Chance of each to escape the live setting when measured again.
    live_escapes : ndarray of bool, shape (d,)
        Whether the live setting let it escape.
    interrupted : bool
        True when the study was stopped before its last trial.
    """

    trials: Trials
    recommended: int
    front: Ints
    counted_front: Ints
    folds: Folds
    pull: Floats
    chosen: Ints
    false_calls: Ints
    live_false_calls: Ints
    setting_false_calls: Ints
    optimism: float
    optimism_error: float
    escape: Floats
    live_escape: Floats
    live_escapes: Bools
    interrupted: bool

    @property
    def lot_fold(self) -> Ints:
        """Fold of each lot, shape (t,)."""
        return self.folds.lot_fold

    @property
    def setting(self) -> Ints:
        """The recommended setting, shape (m,)."""
        setting: Ints = self.trials.settings[self.recommended]
        return setting


def run_study(
    problem: Problem,
    *,
    seed: int,
    trials: int = TRIALS,
    seeds: Sequence[Ints] = (),
    apart: Apart | None = None,
    on_trial: Callable[[int], None] | None = None,
) -> StudyResult:
    """Return what a study of one family finds.

    Parameters
    ----------
    problem : Problem
        The family.
    seed : int
        Seed of the sampler; from a stable hash of what identifies the family.
    trials : int
        Ways of choosing that are tried, >= 0.
    seeds : sequence of ndarrays of int, shape (m,)
        Settings that are looked at as they are, such as the exact front's.
    apart : callable, optional
        Poses the problem of some lots alone, as `crossfit.make_yardstick` wants it.
    on_trial : callable, optional
        Told how many trials are done after each.

    Returns
    -------
    StudyResult
        The same for the same arguments. A KeyboardInterrupt ends the study early and keeps
        what was found, with `interrupted` True.

    Raises
    ------
    ValueError
        If the history has fewer than two lots, or no setting calls a must-catch item.
    """
    board = _open(problem, apart)
    for setting in seeds:
        board.add("seed", None, _as_it_is(board, setting))
    try:
        _search(board, seed, trials, on_trial)
    except KeyboardInterrupt:
        return _result(board, interrupted=True)
    return _result(board, interrupted=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Board:
    """What a running study has looked at so far."""

    problem: Problem
    yardstick: Yardstick
    rows: list[tuple[str, Way | None, Heldout]] = field(default_factory=list)

    def add(self, origin: str, way: Way | None, outcome: Heldout) -> None:
        """Write down one candidate."""
        self.rows.append((origin, way, outcome))


def _open(problem: Problem, apart: Apart | None) -> _Board:
    """Open a board with the live setting on it."""
    board = _Board(problem=problem, yardstick=make_yardstick(problem, apart=apart))
    board.add("live", None, _as_it_is(board, problem.live))
    return board


def _as_it_is(board: _Board, setting: Ints) -> Heldout:
    """Outcome of a setting that is not fitted here."""
    folds = board.yardstick.folds
    same = np.broadcast_to(setting, (folds, folds, setting.size))
    return hold_out(board.problem, setting, same, board.yardstick)


def _search(board: _Board, seed: int, trials: int, on_trial: Callable[[int], None] | None) -> None:
    """Run the trials, each one written to the board before the next is asked for."""
    with _quiet():
        study = optuna.create_study(directions=["minimize"] * 3, sampler=_sampler(seed))
        for way in _first_ways(board.problem)[:trials]:
            study.enqueue_trial(_parameters(way, board.problem))
        for done in range(1, trials + 1):
            trial = study.ask()
            way_tried = _suggest(trial, board.problem)
            able = _pull_of(board.problem, way_tried) < 1.0
            outcome = crossfit(board.problem, way_tried, board.yardstick, nested=able)
            board.add("trial", way_tried, outcome)
            study.tell(trial, list(_objectives(board.problem, outcome)))
            if on_trial is not None:
                on_trial(done)


def _sampler(seed: int) -> optuna.samplers.BaseSampler:
    """Name the sampler: even cover, because held-out outcomes are too noisy to be chased."""
    return optuna.samplers.QMCSampler(
        qmc_type="sobol", scramble=True, seed=seed, warn_independent_sampling=False
    )


def _suggest(trial: optuna.Trial, problem: Problem) -> Way:
    """Read the way of choosing that the sampler wants tried."""
    kin, calls = problem.kin_z.shape[0] > 0, bool(problem.defect_called.any())
    blur = Blur(
        bandwidth=trial.suggest_float("bandwidth", 0.75, 3.0, log=True),
        damping=trial.suggest_float("damping", 0.0, 1.0) if calls else 0.0,
        borrowed=trial.suggest_float("borrowed", 0.0, 0.9) if kin else 0.0,
        unseen=trial.suggest_float("unseen", 0.25, 4.0, log=True),
        price=trial.suggest_float("price", 0.25, 4.0, log=True),
    )
    return Way(
        blur=blur,
        worst=trial.suggest_float("worst", 0.0, 0.5),
        most_moved=trial.suggest_int("most_moved", 1, problem.m),
    )


def _parameters(way: Way, problem: Problem) -> dict[str, float]:
    """Turn a way into what `_suggest` reads, without parameters the family has no use for."""
    values = asdict(way.blur) | {"worst": way.worst, "most_moved": way.most_moved}
    if not problem.defect_called.any():
        del values["damping"]
    if not problem.kin_z.shape[0]:
        del values["borrowed"]
    return values


def prior_way(problem: Problem) -> Way:
    """Return the way that is best before any held-out outcome is known.

    Parameters
    ----------
    problem : Problem
        The family.

    Returns
    -------
    Way
        The plant's prices, every limit free, widths measured as safe on the made-up plant.
    """
    return Way(
        blur=Blur(
            damping=0.5 if problem.defect_called.any() else 0.0,
            borrowed=0.3 if problem.kin_z.shape[0] else 0.0,
        ),
        most_moved=problem.m,
    )


def _first_ways(problem: Problem) -> list[Way]:
    """List the ways tried first: the prior way, other prices, then one thing changed each."""
    prior = prior_way(problem)
    blurs = [replace(prior.blur, price=price) for price in (1.0, 0.5, 2.0, 0.25, 4.0)]
    blurs += [replace(prior.blur, bandwidth=width) for width in (1.1, 2.0)]
    blurs += [replace(prior.blur, unseen=unseen) for unseen in (0.5, 2.0)]
    if problem.kin_z.shape[0]:
        blurs += [replace(prior.blur, borrowed=share) for share in (0.0, 0.6)]
    if problem.defect_called.any():
        blurs += [replace(prior.blur, damping=damping) for damping in (0.0, 1.0)]
    return [replace(prior, blur=blur) for blur in blurs]


def _distance(way: Way, prior: Way) -> float:
    """How far a way lies from the prior way, in units that each cost one pull."""
    logs = [
        2.0 * np.log(way.blur.bandwidth / prior.blur.bandwidth),
        np.log(way.blur.unseen / prior.blur.unseen),
        2.0 * np.log(way.blur.price / prior.blur.price),
    ]
    steps = [
        way.blur.damping - prior.blur.damping,
        way.blur.borrowed - prior.blur.borrowed,
        way.worst - prior.worst,
        1.0 - way.most_moved / prior.most_moved,
    ]
    return float(np.sum(np.square(logs + steps)))


def _objectives(problem: Problem, outcome: Heldout) -> tuple[float, float, float]:
    """Held-out review cost, held-out escape cost, limits moved."""
    review = problem.false_call_cost * float(outcome.false_calls.sum())
    escape = float(outcome.near_escape @ escape_prices(problem))
    return review, escape, float((outcome.setting != problem.live).sum())


def _result(board: _Board, *, interrupted: bool) -> StudyResult:
    """Read the board."""
    trials = _table(board)
    return choose(
        board.problem,
        trials,
        folds=_folds(board),
        pull=_pull(board.problem, trials),
        interrupted=interrupted,
    )


def _folds(board: _Board) -> Folds:
    """Read off what each label weighs to each fold's choice."""
    lot_fold, problem = board.yardstick.lot_fold, board.problem
    weight = np.zeros((board.yardstick.folds, problem.defect_lot.size))
    for fold, seen in enumerate(board.yardstick.apart):
        weight[fold, lot_fold[problem.defect_lot] != fold] = seen[fold].defect_weight
    return Folds(lot_fold=lot_fold, weight=weight)


def choose(
    problem: Problem, trials: Trials, *, folds: Folds, pull: Floats, interrupted: bool = False
) -> StudyResult:
    """Return the choice among candidates at a problem's prices.

    Parameters
    ----------
    problem : Problem
        Its prices and miss rate may differ from those of the study that found the candidates.
    trials : Trials
        Their held-out outcomes; costs in it are replaced by those at the problem's prices.
    folds : Folds
    pull : ndarray, shape (n,)
    interrupted : bool

    Returns
    -------
    StudyResult
        The recommendation and, nested, what each fold's lots left out would have recommended.
    """
    trials = replace(
        trials,
        review_cost=problem.false_call_cost * trials.false_calls.sum(axis=1).astype(np.float64),
        escape_cost=trials.near_escape @ escape_prices(problem),
    )
    chosen = np.array(
        [
            _recommend(_costs_without(problem, trials, folds, v), pull)
            for v in range(len(folds.weight))
        ]
    )
    recommended = _recommend(trials.review_cost + trials.escape_cost, pull)
    return _result_at(
        problem,
        trials,
        folds=folds,
        pull=pull,
        rows=(recommended, chosen),
        interrupted=interrupted,
    )


def chosen_elsewhere(
    problem: Problem, study: StudyResult, *, recommended: int, chosen: Ints
) -> StudyResult:
    """Return the study with rows that something else has chosen, such as a plan over families.

    Parameters
    ----------
    problem : Problem
    study : StudyResult
    recommended : int
        The row chosen from all lots.
    chosen : ndarray of int, shape (f,)
        The row chosen for each fold by whoever has not seen that fold.

    Returns
    -------
    StudyResult
    """
    return _result_at(
        problem,
        study.trials,
        folds=study.folds,
        pull=study.pull,
        rows=(recommended, chosen),
        interrupted=study.interrupted,
    )


def plan_rows(study: StudyResult) -> Ints:
    """Return the rows that a plan over families may pick, dearest review first.

    Parameters
    ----------
    study : StudyResult

    Returns
    -------
    ndarray of int, shape (p,)
        The live setting, and of the rows whose choice can be judged by folds that neither fit
        nor choice has seen those that no other beats on both held-out costs.
    """
    trials = study.trials
    able = np.array([origin == "trial" for origin in trials.origin]) & (study.pull < 1.0)
    rows = _front(trials.review_cost, trials.escape_cost, able)
    return np.append(rows, 0).astype(np.int64)


def seen_without(study: StudyResult, rows: Ints, fold: int) -> tuple[Floats, Floats]:
    """Return what a choice made for one fold may see of some rows.

    Parameters
    ----------
    study : StudyResult
    rows : ndarray of int, shape (p,)
    fold : int

    Returns
    -------
    false_calls : ndarray, shape (p,)
        In the lots outside the fold, of settings fitted without it and without the lot.
    escape : ndarray, shape (p, d)
        Chance of each labelled defect outside the fold to escape times the number it stands for,
        as those lots judge it; 0 of the fold's own.
    """
    trials = study.trials
    return (
        trials.nested_false_calls[rows, fold].sum(axis=1).astype(np.float64),
        np.asarray(trials.nested_near_escape[rows, fold] * study.folds.weight[fold]),
    )


def _result_at(
    problem: Problem,
    trials: Trials,
    *,
    folds: Folds,
    pull: Floats,
    rows: tuple[int, Ints],
    interrupted: bool,
) -> StudyResult:
    """Return a study's result at the rows chosen from all lots, and for each fold."""
    recommended, chosen = rows
    lot_fold, count = folds.lot_fold, len(folds.weight)
    lot_choice = chosen[lot_fold]
    defect_choice = lot_choice[problem.defect_lot]
    fitted_here = np.isfinite(pull)
    calls = _calls(problem, trials.settings[recommended])
    gaps = _gaps(problem, trials.fold_settings[chosen, np.arange(count)], lot_fold)
    return StudyResult(
        trials=trials,
        recommended=recommended,
        front=_front(trials.review_cost, trials.escape_cost, fitted_here),
        counted_front=_front(
            trials.counted_false_calls, trials.counted_escapes, np.ones_like(fitted_here)
        ),
        folds=folds,
        pull=pull,
        chosen=chosen,
        false_calls=trials.false_calls[lot_choice, np.arange(lot_choice.size)],
        live_false_calls=trials.false_calls[0],
        setting_false_calls=calls,
        optimism=float(gaps.sum()),
        optimism_error=float(np.std(gaps, ddof=1) * np.sqrt(gaps.size))
        if gaps.size > 1
        else np.inf,
        escape=trials.escape[defect_choice, np.arange(defect_choice.size)],
        live_escape=trials.escape[0],
        live_escapes=escapes_live(problem),
        interrupted=interrupted,
    )


def recommended_at(study: StudyResult, factors: Floats) -> Ints:
    """Return the row recommended when every escape costs some factor more or less.

    Parameters
    ----------
    study : StudyResult
        At the prices that the factors multiply.
    factors : ndarray, shape (g,)
        Each > 0.

    Returns
    -------
    ndarray of int, shape (g,)
    """
    trials = study.trials
    return np.array(
        [_recommend(trials.review_cost + f * trials.escape_cost, study.pull) for f in factors],
        dtype=np.int64,
    )


def stand_by(problem: Problem, study: StudyResult, row: int) -> StudyResult:
    """Return the study as if one row were recommended whatever the folds say.

    Parameters
    ----------
    problem : Problem
    study : StudyResult
    row : int
        A candidate picked by a person: its limits are refitted in every fold, the pick is not.

    Returns
    -------
    StudyResult
    """
    only = np.full(study.pull.size, np.inf)
    only[row] = 0.0
    return choose(
        problem, study.trials, folds=study.folds, pull=only, interrupted=study.interrupted
    )


def _table(board: _Board) -> Trials:
    """Turn the board into arrays."""
    problem, outcomes = board.problem, [outcome for _, _, outcome in board.rows]
    settings = np.array([outcome.setting for outcome in outcomes])
    objectives = np.array([_objectives(problem, outcome) for outcome in outcomes])
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.int64).ravel()
    called = np.array([is_called(setting, problem.ranks) for setting in settings])
    missed = np.array([~is_called(setting, problem.defect_ranks) for setting in settings])
    return Trials(
        origin=tuple(origin for origin, _, _ in board.rows),
        ways=tuple(way for _, way, _ in board.rows),
        settings=settings,
        fold_settings=np.array([outcome.fold_settings for outcome in outcomes]),
        review_cost=objectives[:, 0],
        escape_cost=objectives[:, 1],
        moved=objectives[:, 2].astype(np.int64),
        false_calls=np.array([outcome.false_calls for outcome in outcomes]),
        escape=np.array([outcome.escape for outcome in outcomes]),
        near_escape=np.array([outcome.near_escape for outcome in outcomes]),
        nested_false_calls=np.array([outcome.nested_false_calls for outcome in outcomes]),
        nested_near_escape=np.array([outcome.nested_near_escape for outcome in outcomes]),
        counted_false_calls=called @ totals + int(problem.always.sum()),
        counted_escapes=missed @ problem.defect_weight,
    )


def _costs_without(problem: Problem, trials: Trials, folds: Folds, fold: int) -> Floats:
    """Held-out cost of each candidate in the lots outside a fold, as these judge it; shape (n,).

    Nothing in it has seen the fold: neither the settings nor the labels' weights.
    """
    seen = replace(problem, defect_weight=folds.weight[fold])
    review = problem.false_call_cost * trials.nested_false_calls[:, fold].sum(axis=1)
    escape = trials.nested_near_escape[:, fold] @ escape_prices(seen)
    return np.asarray(review + escape, dtype=np.float64)


def _pull(problem: Problem, trials: Trials) -> Floats:
    """Share of cost each candidate must gain; inf for seeds.

    The live setting must gain as well: with a handful of defects it looks best by luck now
    and then, and whether to change at all is not decided here but by the promise.
    """
    pull = [_pull_of(problem, way) for way in trials.ways]
    return np.where([origin == "seed" for origin in trials.origin], np.inf, pull)


def _pull_of(problem: Problem, way: Way | None) -> float:
    """Share of the prior way's cost that a way must gain; from 1 on no cost is low enough."""
    strength = PULL * math.sqrt(PULL_FROM / max(problem.defect_lot.size, 1))
    return strength * (LIVE_DISTANCE if way is None else _distance(way, prior_way(problem)))


def _recommend(total: Floats, pull: Floats) -> int:
    """Find the cheapest row after the pull; shape (n,) each."""
    allowed = np.isfinite(pull)
    unpulled = float(total[pull == pull.min()].min())
    return int(
        np.argmin(np.where(allowed, total + np.where(allowed, pull, 0.0) * unpulled, np.inf))
    )


def _calls(problem: Problem, setting: Ints) -> Ints:
    """Count false calls by lot; shape (t,)."""
    return np.asarray(is_called(setting, problem.ranks) @ problem.counts, np.int64) + problem.always


def _gaps(problem: Problem, fold_settings: Ints, lot_fold: Ints) -> Floats:
    """Compare held-out with in-sample false calls of the same settings, by fold; shape (f,).

    How much more a fold's lots call than the other lots is read off one fixed setting, the
    live one; where that calls nothing the number of lots stands in.
    """
    live = _calls(problem, problem.live).astype(np.float64)
    weight = live if live.min(initial=1.0) > 0 else np.ones(lot_fold.size)
    gaps = np.zeros(len(fold_settings))
    for fold, setting in enumerate(fold_settings):
        inside, by_lot = lot_fold == fold, _calls(problem, setting)
        share = float(weight[inside].sum()) / max(float(weight[~inside].sum()), 1e-9)
        gaps[fold] = float(by_lot[inside].sum()) - float(by_lot[~inside].sum()) * share
    return gaps


def _front(first: Floats | Ints, second: Floats | Ints, allowed: Bools) -> Ints:
    """Rows that no other allowed row beats on both, dearest first objective first."""
    order = np.lexsort((first, second))
    order = order[allowed[order]]
    kept, least = [], np.inf
    for row in order:
        if first[row] < least:
            kept.append(row)
            least = first[row]
    return np.array(kept, dtype=np.int64)


@contextmanager
def _quiet() -> Iterator[None]:
    """Silence optuna's log and its notes on new parts, and put both back as they were."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
            yield
    finally:
        optuna.logging.set_verbosity(before)
