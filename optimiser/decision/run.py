"""All families of a plant: cases from the history, proposals on the cores there are.

A proposal is kept as its family ends, so that an interrupted run goes on with the families
that are left. It is kept under a key of all it rests on: a changed history, recipe, price,
rail or version makes a new one.
"""

import hashlib
import json
import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import fields, is_dataclass
from functools import singledispatch
from multiprocessing import get_context
from multiprocessing.synchronize import Event
from pathlib import Path
from threading import current_thread, main_thread
from typing import Any

import numpy as np
import pandas as pd

from optimiser import __version__
from optimiser.decision.proof import EARLY_SHARE
from optimiser.decision.propose import Case, propose
from optimiser.decision.shares import with_shares
from optimiser.errors import HistoryError
from optimiser.history.read import History
from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe
from optimiser.tally.count import FamilyTally, tally_history
from optimiser.tally.grid import make_grids
from optimiser.tally.must_catch import read_must_catch

TRIALS = 60
PROOF_TRIALS = 30
FOLDER = "proposals"
POLL_SECONDS = 0.2
Row = dict[str, Any]
_stop: Event | None = None


def make_cases(
    history: History,
    live: Recipe,
    *,
    family: str | None = None,
    trials: int = TRIALS,
    proof: bool = False,
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

    Returns
    -------
    list of Case

    Raises
    ------
    HistoryError
        If the whole history is one lot: no setting could be judged on a lot it has not seen.
    """
    plant = history.plant
    tallies = tally_history(history, make_grids(history, live), live)
    lots = max((len(t.lots) for t in tallies.values()), default=0)
    if lots < 2:
        msg = (
            f"{plant.locate(plant.file.plant.history)}: holds {lots} lot; a promise needs at least "
            "2, better 5, so that a setting is judged on lots it has not seen: add results of "
            "other lots, or fill the column lot"
        )
        raise HistoryError(msg)
    kept, span = read_must_catch(plant), history.span_days
    apart = _apart(history, live, family, trials) if proof else {}
    cases = [
        Case(
            tally=tally,
            siblings=_siblings(tally, tallies, plant),
            plant=plant,
            must_catch=tuple(k for k in kept if k.family == name),
            span_days=span,
            trials=trials,
            early=apart.get(name, (None, None))[0],
            later=apart.get(name, (None, None))[1],
        )
        for name, tally in tallies.items()
        if family in (None, name)
    ]
    return sorted(cases, key=lambda c: -len(c.tally.cells.count) * len(c.tally.defects.z))


def _apart(
    history: History, live: Recipe, family: str | None, trials: int
) -> dict[str, tuple[Case, FamilyTally]]:
    """Return per family the case of the earlier lots and the tally of the later ones.

    Grid and rails come from the earlier lots alone.
    """
    (lots,) = history.rows("select count(distinct lot) from items")[0]
    cut = round(EARLY_SHARE * lots)
    if not 2 <= cut < lots:
        return {}
    try:
        history.look_at(0, cut)
        early = make_cases(history, live, family=family, trials=min(trials, PROOF_TRIALS))
        history.look_at(cut)
        grids = {c.tally.family: c.tally.grid for c in early}
        later = tally_history(history, grids, live)
    finally:
        history.look_at()
    return {c.tally.family: (c, later[c.tally.family]) for c in early}


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
    on_done: Callable[[str], None] = lambda family: None,
) -> tuple[list[Row], bool]:
    """Return the proposals of all cases as rows, and whether the run was interrupted.

    Parameters
    ----------
    cases : sequence of Case
    folder : Path or None
        Where proposals are kept as they end, and found again; None keeps none.
    workers : int
        Processes; 1 works in this one.
    on_done : callable
        Told each family as it ends.

    Returns
    -------
    rows : list of dict
        ``Proposal.as_dict`` of every family that ended, largest saving first.
    interrupted : bool
        True after Ctrl-C: families under way give what they have found, waiting ones are
        left for the next run.
    """
    rows, todo = [], []
    for case in cases:
        row = _read_kept(folder, case)
        if row is None:
            todo.append(case)
        else:
            rows.append(row)
            on_done(case.tally.family)
    interrupted = False
    run = _in_processes(todo, workers) if workers > 1 and len(todo) > 1 else _here(todo)
    for case, row, stopped in run:
        interrupted = interrupted or stopped
        if row is not None:
            rows.append(row)
            if not row["interrupted"]:
                _keep(folder, case, row)
            on_done(case.tally.family)
    ranked = with_shares(sorted(rows, key=_by_saving))
    return ranked, interrupted or len(rows) < len(cases)


def _by_saving(row: Row) -> tuple[float, str]:
    return -row["promise"]["saving_per_month"]["value"], row["family"]


def _here(cases: Sequence[Case]) -> Iterator[tuple[Case, Row | None, bool]]:
    """Yield each case with its proposal, computed in this process."""
    for case in cases:
        try:
            row = propose(case).as_dict()
        except KeyboardInterrupt:
            yield case, None, True
            return
        yield case, row, row["interrupted"]
        if row["interrupted"]:
            return


def _in_processes(cases: Sequence[Case], workers: int) -> Iterator[tuple[Case, Row | None, bool]]:
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
    """Let Ctrl-C set an event, whenever it comes, instead of breaking off in the middle.

    Only the main thread may listen for it; elsewhere Ctrl-C stays what it was.
    """
    if current_thread() is not main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, lambda *_: stop.set())
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _taken(
    waiting: dict[Future[Row], Case], done: set[Future[Row]]
) -> Iterator[tuple[Future[Row], Case]]:
    for future in done:
        yield future, waiting.pop(future)


def _start_worker(stop: Event) -> None:
    """Set a worker up: one thread, deaf to Ctrl-C, which the event stands for."""
    global _stop
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _work(case: Case) -> Row:
    return propose(case, on_trial=_stop_if_told).as_dict()


def _stop_if_told(trials: int) -> None:
    if _stop is not None and _stop.is_set():
        raise KeyboardInterrupt


def case_key(case: Case) -> str:
    """Return a hash of all that a proposal rests on.

    Parameters
    ----------
    case : Case

    Returns
    -------
    str
        Equal for equal contents, whatever the files' names and dates.
    """
    return hashlib.sha256(__version__.encode() + _plain(case)).hexdigest()


@singledispatch
def _plain(value: object) -> bytes:
    """Return the bytes that stand for a value in a hash: its content, never its place."""
    if is_dataclass(value):
        return b"".join(_plain(getattr(value, field.name)) for field in fields(value))
    return repr(value).encode()


@_plain.register
def _(value: np.ndarray) -> bytes:
    return repr((value.dtype, value.shape)).encode() + np.ascontiguousarray(value).tobytes()


@_plain.register
def _(value: pd.DataFrame) -> bytes:
    return value.to_csv(index=False).encode()


@_plain.register
def _(value: Plant) -> bytes:
    return value.file.model_dump_json().encode()


@_plain.register
def _(value: tuple) -> bytes:  # type: ignore[type-arg]
    return repr(len(value)).encode() + b"".join(_plain(part) for part in value)


def _path(folder: Path, case: Case) -> Path:
    safe = "".join(c if c.isalnum() or c in "-_." else "_" for c in case.tally.family)
    return folder / f"{safe}-{case_key(case)[:16]}.json"


def _read_kept(folder: Path | None, case: Case) -> Row | None:
    """Return a kept proposal, or None where there is none that can be read."""
    if folder is None:
        return None
    try:
        row: Row = json.loads(_path(folder, case).read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError):
        return None
    return row


def _keep(folder: Path | None, case: Case, row: Row) -> None:
    """Keep a proposal; a half-written file is never seen, a read-only folder keeps none."""
    if folder is None:
        return
    target = _path(folder, case)
    draft = target.with_suffix(f".{os.getpid()}.tmp")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        draft.write_text(json.dumps(row), encoding="utf-8")
        draft.replace(target)
    except OSError:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
