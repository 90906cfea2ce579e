"""The exact front of one family as plain values."""

import math
from typing import Any

from optimiser.decision.propose import Case, posed
from optimiser.errors import InputError, UsageError
from optimiser.search.exact import FrontPoint, exact_front
from optimiser.search.problem import Problem
from optimiser.tally.count import FamilyTally


def front_of(case: Case, *, time_limit_s: float, escapes: int | None = None) -> dict[str, Any]:
    """Return the least number of false calls for every number of escapes.

    Parameters
    ----------
    case : Case
    time_limit_s : float
        For all points together; points not proved by then say so and give their bound.
    escapes : int, optional
        Only the point with at most so many escapes, which then has all the time.

    Returns
    -------
    dict
        ``family, points, proved, defects, items, lots``. Each point has ``escapes`` (at most
        so many), ``false_calls`` (called items that are not labelled defects, reviewed or not),
        ``bound``, ``proved`` and every limit with ``value`` and ``now`` (None is off).

    Raises
    ------
    InputError
        If a must-catch item cannot be called by any setting between the rails.
    UsageError
        If no setting has so few escapes, or there are not so many labelled defects.
    """
    problem = front_problem(case)
    if escapes is not None:
        _refuse_escapes(case, problem, escapes)
    asked = None if escapes is None else [escapes]
    front = exact_front(problem, time_limit_s=time_limit_s, escapes=asked)
    return {
        "family": case.tally.family,
        "points": [_point(case.tally, p) for p in front.points],
        "proved": front.proved,
        "defects": len(case.tally.defects.frame),
        "items": case.tally.items,
        "lots": len(set(case.tally.cells.lot.tolist())),
    }


def _refuse_escapes(case: Case, problem: Problem, escapes: int) -> None:
    """Raise if a number of escapes lies outside what settings between the rails can have."""
    least = int((problem.defect_ranks <= 0).all(axis=1).sum())
    most = len(problem.defect_ranks)
    if not least <= escapes <= most:
        msg = (
            f"--escapes must lie between {least} and {most} for {case.tally.family}, got {escapes}: of its {most} "
            f"labelled defects that a limit can decide {least} are called at no level between the rails"
        )
        raise UsageError(msg)


def front_problem(case: Case) -> Problem:
    """Return a family's problem.

    Raises
    ------
    InputError
        If a must-catch item cannot be called by any setting between the rails.
    """
    problem, impossible = posed(case)
    if impossible:
        raise InputError("\n".join(str(i) for i in impossible))
    return problem


def _point(tally: FamilyTally, point: FrontPoint) -> dict[str, Any]:
    """Return one point with its limits."""
    limits = [
        {
            "measurement": limit.measurement,
            "side": limit.side,
            "value": _finite(float(limit.values[level])),
            "now": _finite(float(limit.values[limit.live])),
        }
        for limit, level in zip(tally.grid.limits, point.setting, strict=True)
    ]
    return {
        "escapes": point.escapes,
        "false_calls": point.false_calls,
        "bound": point.bound,
        "proved": point.proved,
        "limits": limits,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
