"""How quick this machine is at this moment, so that a bound on time holds on any machine.

A bound in seconds fails on a slow or busy machine and says nothing on a fast one. Here a piece of
work is timed beside a yardstick of like operations, in processor time, and the bound is a multiple.
"""

import time
from collections.abc import Callable

import numpy as np


def yardstick() -> None:
    """Do a fixed amount of work: small numpy steps and plain Python, as a descent does them."""
    rng = np.random.default_rng(1)
    values, total = rng.random((200, 60)), 0.0
    for n in range(20_000):
        total += float((values[:, n % 60] * values[:, (n + 7) % 60]).sum())
        total += float(values[n % 200].cumsum()[-1])
    for n in range(500_000):
        total += n % 7
    assert total > 0


def seconds(work: Callable[[], object], *, clock: Callable[[], float] = time.process_time) -> float:
    """Return what one run of a piece of work takes on a clock."""
    started = clock()
    work()
    return clock() - started


def in_yardsticks(
    work: Callable[[], object],
    *,
    runs: int = 1,
    clock: Callable[[], float] = time.process_time,
) -> float:
    """Return the quickest of some runs over the yardstick taken before and after them."""
    before = seconds(yardstick, clock=clock)
    quickest = min(seconds(work, clock=clock) for _ in range(runs))
    return quickest / max(before, seconds(yardstick, clock=clock))
