"""All families of a plant: cases from the history, proposals on the cores there are.

A proposal is kept as its family ends, so that an interrupted run goes on with the families
that are left. It is kept under a key of all it rests on: a changed history, recipe, price,
rail or version makes a new one.
"""

import signal
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing import get_context
from multiprocessing.synchronize import Event
from pathlib import Path
from threading import current_thread, main_thread
from types import MappingProxyType

import numpy as np

from optimiser.defaults import TRIALS
from optimiser.errors import HistoryError
from optimiser.evidence.bursts import Arrivals, bursts_of
from optimiser.evidence.escapes import Released
from optimiser.history.read import History
from optimiser.plant.file import Plant
from optimiser.proposal.cache import keep, kept_trials, read_proposal
from optimiser.proposal.calibration import read_calibration, widening
from optimiser.proposal.causes import read_causes, with_causes
from optimiser.proposal.elsewhere import elsewhere, quickly_released
from optimiser.proposal.opening import Opening, Tallied, tally_all
from optimiser.proposal.proof import Unseen
from optimiser.proposal.propose import Case, Found, items_by_lot, propose_with_study
from optimiser.proposal.record import Proposal
from optimiser.proposal.shares import with_shares
from optimiser.recipe.table import Recipe
from optimiser.studies.causes import Cause
from optimiser.tally.count import FamilyTally
from optimiser.tally.must_catch import KeptItem, read_must_catch

PROOF_TRIALS = 30
POLL_SECONDS = 0.2
Made = tuple[Proposal, Found | None]
_stop: Event | None = None


def make_cases(
    history: History,
    live: Recipe,
    *,
    family: str | None = None,
    trials: int = TRIALS,
    proof: bool = False,
    promises: bool = True,
    unlike_recipe: Collection[str] = (),
) -> list[Case]:
    """Tally a history and return a case per family, the heaviest first.

    Parameters
    ----------
    history : History
    live : Recipe
    family : str, optional
        Only this one; its siblings are tallied too.
    trials : int
    proof : bool
        Tally the earlier and the later lots apart as well, for certificates.
    promises : bool
        Whether anything is to be promised: what a plant's other families release is counted for that alone.
    unlike_recipe : collection of str
        Families whose recorded calls are not the recipe's (`doubtful_families` of a check).

    Returns
    -------
    list of Case

    Raises
    ------
    HistoryError
        If the whole history is one lot: no setting could be judged on a lot it has not seen.
    """
    tallied = tally_all(history, live, proof=proof)
    return pose_all(
        history.plant,
        tallied,
        family=family,
        trials=trials,
        released=count_released(history.plant, tallied, but=family) if promises else {},
        unlike_recipe=unlike_recipe,
    )


def open_whole(history: History, live: Recipe, unlike_recipe: Iterable[str]) -> Opening:
    """Tally a history that was found usable, its earlier and later lots apart, and fit it quickly.

    Parameters
    ----------
    history : History
    live : Recipe
    unlike_recipe : iterable of str
        Families whose recorded calls are not the recipe's (`doubtful_families` of a check).

    Returns
    -------
    Opening
    """
    tallied = tally_all(history, live, proof=True)
    return Opening(
        tallied=tallied,
        unlike_recipe=tuple(unlike_recipe),
        rows_used=history.rows_used,
        rows_set_aside=history.rows_set_aside,
        released=count_released(history.plant, tallied),
    )


def count_released(
    plant: Plant, tallied: Tallied, *, but: str | None = None
) -> dict[str, Released | None]:
    """Return what a quick fit of each family releases, for the others' sake.

    Parameters
    ----------
    plant : Plant
    tallied : Tallied
    but : str, optional
        A family that is asked for alone: what it releases is told to nobody.

    Returns
    -------
    dict of family to (Released or None)
        None where it is not searched (`elsewhere.quickly_released`).
    """
    cases = _posed(_ground_of(plant), tallied.whole, tallied.span_days, trials=0)
    return {name: quickly_released(case) for case in cases if (name := case.tally.family) != but}


def pose_all(
    plant: Plant,
    tallied: Tallied,
    *,
    family: str | None = None,
    trials: int = TRIALS,
    released: Mapping[str, Released | None],
    unlike_recipe: Collection[str] = (),
) -> list[Case]:
    """Return a case per family of a history that is tallied; all as `make_cases` has it.

    Parameters
    ----------
    plant : Plant
    tallied : Tallied
    family : str, optional
    trials : int
    released : mapping of family to (Released or None)
        Of `count_released`; empty where nothing is to be promised.
    unlike_recipe : collection of str

    Returns
    -------
    list of Case
    """
    lots = max((len(t.lots) for t in tallied.whole.values()), default=0)
    if lots < 2:
        msg = (
            f"{plant.locate(plant.file.plant.history)}: holds {lots} lot; a promise needs at least "
            "2, better 5, so that a setting is judged on lots it has not seen: add results of "
            "other lots, or fill the column lot"
        )
        raise HistoryError(msg)
    ground = _ground_of(plant)
    early = {}
    if tallied.early:
        few = min(trials, PROOF_TRIALS)
        posed = _posed(ground, tallied.early, tallied.early_span_days, trials=few)
        early = {c.tally.family: c for c in posed}
    # Calls that are not the recipe's say nothing of what its changes release.
    told = {name: found for name, found in released.items() if name not in unlike_recipe}
    cases = [
        replace(
            case,
            elsewhere=elsewhere(name, told),
            unlike_recipe=name in unlike_recipe,
            early=early.get(name),
            later=Unseen(tallied.later[name]) if name in early else None,
        )
        for case in _posed(ground, tallied.whole, tallied.span_days, trials=trials)
        if family in (None, name := case.tally.family)
    ]
    return sorted(cases, key=lambda c: -len(c.tally.cells.count) * len(c.tally.defects.z))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """What all cases of a plant rest on beside their tallies."""

    plant: Plant
    kept: tuple[KeptItem, ...]
    widen: float


def _ground_of(plant: Plant) -> _Ground:
    return _Ground(
        plant=plant, kept=read_must_catch(plant), widen=widening(read_calibration(plant.folder))
    )


def _posed(
    ground: _Ground, tallies: Mapping[str, FamilyTally], span_days: float, *, trials: int
) -> list[Case]:
    """Return a case per family, each beside the others."""
    bursts = bursts_of([arrivals(t) for t in tallies.values()])
    return [
        Case(
            tally=tally,
            siblings=_siblings(tally, tallies, ground.plant),
            plant=ground.plant,
            must_catch=tuple(k for k in ground.kept if k.family == name),
            span_days=span_days,
            trials=trials,
            bursts=burst,
            widen=ground.widen,
        )
        for (name, tally), burst in zip(tallies.items(), bursts, strict=True)
    ]


def with_trials(case: Case, trials: int) -> Case:
    """Return the same case searched with another number of trials."""
    early = case.early
    if early is not None:
        early = replace(early, trials=min(trials, PROOF_TRIALS))
    return replace(case, trials=trials, early=early)


def read_any_proposals(folder: Path, cases: Sequence[Case]) -> dict[str, Proposal]:
    """Return what is kept of the families, with however many trials it was searched.

    Parameters
    ----------
    folder : Path
    cases : sequence of Case
        Their own number of trials is looked for first, then those of whatever is kept, the most first.

    Returns
    -------
    dict of family to Proposal
        Of this very history, recipe and plant file; families without any are left out.
    """
    found: dict[str, Proposal] = {}
    others = kept_trials(folder)
    for case in cases:
        for trials in dict.fromkeys((case.trials, *others)):
            of = read_proposal(folder, with_trials(case, trials))
            if of is not None:
                found[case.tally.family] = of
                break
    return found


def arrivals(tally: FamilyTally) -> Arrivals:
    """Return a family's labelled defects by lot and board; those that review or a later stage found."""
    found = (
        tally.defects.frame["found_by"].isin(["review", "second look", "later stage"]).to_numpy()
    )
    lots, boards = len(tally.lots), tally.defects.frame.loc[found, "board"].astype(str)
    return Arrivals(
        defects=np.bincount(tally.defects.lot[found], minlength=lots).astype(np.float64),
        items=items_by_lot(tally),
        on_board=np.unique(boards, return_counts=True)[1].astype(np.float64),
    )


def _siblings(
    tally: FamilyTally, tallies: Mapping[str, FamilyTally], plant: Plant
) -> tuple[FamilyTally, ...]:
    """Return the tallies of the families with the same termination."""
    families = plant.file.families
    termination = families[tally.family].termination
    return tuple(
        other
        for name, other in tallies.items()
        if termination and name != tally.family and families[name].termination == termination
    )


def propose_all(
    cases: Sequence[Case],
    *,
    folder: Path | None,
    workers: int,
    on_done: Callable[[str], None] = lambda _: None,
    on_trial: Callable[[int], None] | None = None,
    on_refused: Callable[[str], None] | None = None,
) -> tuple[list[Proposal], bool]:
    """Return the proposals of all cases, and whether the run was interrupted.

    Parameters
    ----------
    cases : sequence of Case
    folder : Path or None
        Where proposals are kept as they end, and found again; None keeps none.
    workers : int
        Processes; 1 works in this one.
    on_done : callable
        Told each family as it ends.
    on_trial : callable, optional
        With one worker told of every trial; a KeyboardInterrupt it raises stops the run.
    on_refused : callable, optional
        Told which kept proposal is not believed and why.

    Returns
    -------
    proposals : list of Proposal
        Of every family that ended, largest saving first.
    interrupted : bool
        True after Ctrl-C: families under way give what they have found, waiting ones are
        left for the next run.
    """
    made, todo = [], []
    for case in cases:
        kept = read_proposal(folder, case, on_refused=on_refused)
        if kept is None:
            todo.append(case)
        else:
            made.append(kept)
            on_done(case.tally.family)
    interrupted = False
    run = _in_processes(todo, workers) if workers > 1 and len(todo) > 1 else _here(todo, on_trial)
    for case, one, stopped in run:
        interrupted = interrupted or stopped
        if one is not None:
            proposal, found = one
            made.append(proposal)
            if not proposal.interrupted:
                keep(folder, case, proposal, found)
            on_done(case.tally.family)
    causes = read_causes(cases[0].plant) if cases else {}
    return rank_by_saving(made, causes), interrupted or len(made) < len(cases)


def rank_by_saving(
    proposals: Iterable[Proposal], causes: Mapping[str, Sequence[Cause]] = MappingProxyType({})
) -> list[Proposal]:
    """Return a plant's proposals, the largest saving first, each beside the others.

    Parameters
    ----------
    proposals : iterable of Proposal
    causes : mapping of family to sequence of Cause
        What else than a limit is the matter, as `read_causes` gives it.

    Returns
    -------
    list of Proposal
        With their ``escape_share`` and their findings.
    """
    return with_shares(
        sorted(
            with_causes(proposals, causes),
            key=lambda p: (-p.promise.saving_per_month.value, p.family),
        )
    )


def _here(
    cases: Sequence[Case], on_trial: Callable[[int], None] | None
) -> Iterator[tuple[Case, Made | None, bool]]:
    """Yield each case with its proposal, computed in this process."""
    for case in cases:
        try:
            proposal, found = _made(case, on_trial)
        except KeyboardInterrupt:
            yield case, None, True
            return
        yield case, (proposal, found), proposal.interrupted
        if proposal.interrupted:
            return


def _in_processes(cases: Sequence[Case], workers: int) -> Iterator[tuple[Case, Made | None, bool]]:
    """Yield each case with its proposal, computed in a few processes.

    Ctrl-C sets an event; the studies under way end at their next trial and are kept.
    """
    context = get_context("spawn")
    stop = context.Event()
    with (
        _told_by_ctrl_c(stop),
        ProcessPoolExecutor(
            workers, mp_context=context, initializer=_start_worker, initargs=(stop,)
        ) as pool,
    ):
        waiting = {pool.submit(_work, case): case for case in cases}
        while waiting:
            done, _ = wait(waiting, timeout=POLL_SECONDS, return_when=FIRST_COMPLETED)
            yield from ((c, f.result(), stop.is_set()) for f, c in _taken(waiting, done))
            if stop.is_set():
                waiting = {f: c for f, c in waiting.items() if not f.cancel()}


@contextmanager
def _told_by_ctrl_c(stop: Event) -> Iterator[None]:
    """Let Ctrl-C, or a request to end, set an event, whenever it comes, instead of breaking off in the middle.

    Only the main thread may listen for it; elsewhere Ctrl-C stays what it was.
    """
    if current_thread() is not main_thread():
        yield
        return
    ends = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(end, lambda *_: stop.set()) for end in ends]
    try:
        yield
    finally:
        for end, was in zip(ends, before, strict=True):
            signal.signal(end, was)


def _taken(
    waiting: dict[Future[Made], Case], done: set[Future[Made]]
) -> Iterator[tuple[Future[Made], Case]]:
    for future in done:
        yield future, waiting.pop(future)


def _start_worker(stop: Event) -> None:
    """Set a worker up: one thread, deaf to Ctrl-C, which the event stands for."""
    global _stop
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _work(case: Case) -> Made:
    return _made(case, _stop_if_told)


def _made(case: Case, on_trial: Callable[[int], None] | None) -> Made:
    return propose_with_study(case, on_trial=on_trial)


def _stop_if_told(_: int) -> None:
    if _stop is not None and _stop.is_set():
        raise KeyboardInterrupt
