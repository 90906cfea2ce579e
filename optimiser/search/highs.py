"""HiGHS, quiet: its C++ side prints a line of its own now and then, which is no output of ours."""

import ctypes
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp

from optimiser.search.problem import Floats, Ints


def solve(
    price: Floats,
    constraints: Sequence[LinearConstraint],
    whole: Ints,
    *,
    time_limit_s: float,
    gap: float,
) -> OptimizeResult:
    """Return what HiGHS finds for a least-price program with every variable in 0..1.

    Parameters
    ----------
    price : ndarray, shape (n,)
    constraints : sequence of LinearConstraint
    whole : ndarray of int, shape (n,)
        1 for variables that are whole numbers.
    time_limit_s, gap : float
        Seconds, and the relative gap at which a solution counts as proved.

    Returns
    -------
    OptimizeResult
        ``x`` is None where none was found; ``mip_dual_bound`` is what is proved.
    """
    with _nothing_printed():
        return milp(
            price,
            constraints=list(constraints),
            bounds=Bounds(0, 1),
            integrality=whole,
            options={"time_limit": time_limit_s, "mip_rel_gap": gap},
        )


@contextmanager
def _nothing_printed() -> Iterator[None]:
    """Send what C code prints on standard output nowhere."""
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError):  # no standard output at all
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        with suppress(OSError, AttributeError, TypeError):  # C's buffers, where there is a libc
            ctypes.CDLL(None).fflush(None)
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)
