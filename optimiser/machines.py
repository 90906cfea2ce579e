"""Work spread over processes, or over machines: one pure function, many jobs, results as they end.

joblib spreads it over processes here, Dask's client over whatever listens at the address that the
plant file gives under ``[machines]``. A worker that dies costs the job that it dies of and no other.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any, TypeVar

from optimiser.errors import UsageError

SECONDS_TO_ANSWER = 10
J = TypeVar("J")
R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Lost:
    """A job that no worker ended, and why in words."""

    words: str


def spread(
    work: Callable[[J], R], jobs: Sequence[J], *, workers: int, scheduler: str | None = None
) -> Iterator[tuple[int, R | Lost]]:
    """Yield each job's number and result as it ends, in no particular order.

    Parameters
    ----------
    work : callable
        A function of a module; done twice, it does the same. What it raises is raised here.
    jobs : sequence
        Each can be pickled.
    workers : int
        Processes here; 1 works in this one. Not used with a scheduler.
    scheduler : str, optional
        Address of a Dask scheduler, as in ``tcp://host:8786``.

    Yields
    ------
    tuple of int and R or Lost
        Every job once.

    Raises
    ------
    UsageError
        If the scheduler does not answer, or nothing here can speak to one.
    """
    if scheduler is None and (workers < 2 or len(jobs) < 2):
        for number, job in enumerate(jobs):
            yield number, work(job)
        return
    if scheduler is not None:
        yield from _at(scheduler, work, jobs)
        return
    yield from _over_processes(work, jobs, workers)


def _over_processes(
    work: Callable[[J], R], jobs: Sequence[J], workers: int
) -> Iterator[tuple[int, R | Lost]]:
    """Yield the numbered results of processes; what a dead one left undone is done again alone."""
    waiting = dict(enumerate(jobs))
    try:
        for number, result in _here(work, waiting, workers):
            del waiting[number]
            yield number, result
    except BrokenProcessPool:
        pass
    # Whose worker died nobody says: what is left is done again, each job by itself.
    for number in list(waiting):
        try:
            ((_, alone),) = _here(work, {number: waiting[number]}, workers)
        except BrokenProcessPool as error:
            yield number, _lost(error)
        else:
            yield number, alone


def _lost(error: BaseException) -> Lost:
    return Lost(f"its worker died ({type(error).__name__}); run again to retry")


def _here(work: Callable[[J], R], jobs: dict[int, J], workers: int) -> Iterator[tuple[int, R]]:
    """Return the numbered results of processes of this machine as they end."""
    from joblib import Parallel, delayed

    # Not all at once, or each job's worth of arguments would wait in memory.
    pool = Parallel(n_jobs=max(workers, 2), return_as="generator_unordered", batch_size=1)
    found: Iterator[tuple[int, R]] = pool(
        delayed(_numbered)(work, n, j) for n, j in list(jobs.items())
    )
    return found


def _numbered(work: Callable[[J], R], number: int, job: J) -> tuple[int, R]:
    return number, work(job)


def _at(
    scheduler: str, work: Callable[[J], R], jobs: Sequence[J]
) -> Iterator[tuple[int, R | Lost]]:
    """Yield the numbered results of a scheduler's workers as they end.

    By the scheduler's own futures: joblib's backend waits for ever for a job whose workers died.
    """
    client, killed = _connect(scheduler)
    from distributed import as_completed

    with client:
        numbers = {client.submit(work, job, pure=False): n for n, job in enumerate(jobs)}
        for future in as_completed(list(numbers), loop=client.loop):
            try:
                result = future.result()
            except (killed, CancelledError) as error:
                yield numbers[future], _lost(error)
            else:
                yield numbers[future], result


def _connect(scheduler: str) -> tuple[Any, type[BaseException]]:
    """Return a client of a Dask scheduler, and the error of a job that kills its workers."""
    try:
        from distributed import Client
        from distributed.scheduler import KilledWorker
    except ImportError as error:
        msg = "machines.scheduler needs an extra: pip install 'optimiser[cluster]'"
        raise UsageError(msg) from error
    try:
        client: Any = Client
        return client(scheduler, timeout=SECONDS_TO_ANSWER, set_as_default=False), KilledWorker
    except (OSError, TimeoutError, ValueError) as error:
        msg = (
            f"machines.scheduler: nothing answers at {scheduler!r} within {SECONDS_TO_ANSWER} s; start it "
            "(dask scheduler), correct the address, or take it out of plant.toml to work on this machine"
        )
        raise UsageError(msg) from error
