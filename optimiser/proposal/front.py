"""The exact front of one family as plain values."""

import math
from typing import Any

from optimiser.errors import InputError, UsageError
from optimiser.proposal.propose import Case, problem_of
from optimiser.search.exact import FrontPoint, exact_front, least_escapes
from optimiser.search.problem import Problem
from optimiser.tally.count import FamilyTally


def front_of(case: Case, *, time_limit_s: float, escapes: int | None = None) -> dict[str, Any]:
    """Return the least number of false calls for every number of escapes, or for one.

    Parameters
    ----------
    case : Case
    time_limit_s : float
        For all points together; points not proved by then say so and give their bound.
    escapes : int, optional
        The one number of escapes that is asked for.

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
        If ``escapes`` is below the least possible or above the number of labelled defects.
    """
    problem = front_problem(case)
    if escapes is not None:
        _refuse_out_of_range(escapes, case, problem)
    wanted = None if escapes is None else [escapes]
    front = exact_front(problem, time_limit_s=time_limit_s, escapes=wanted)
    return {
        "family": case.tally.family,
        "points": [_point(case.tally, p) for p in front.points],
        "proved": front.proved,
        "defects": len(case.tally.defects.frame),
        "items": case.tally.items,
        "lots": len(set(case.tally.cells.lot.tolist())),
    }


def _refuse_out_of_range(escapes: int, case: Case, problem: Problem) -> None:
    """Raise if no setting lets so few labelled defects escape, or there are not so many."""
    least, most = least_escapes(problem), len(case.tally.defects.frame)
    if least <= escapes <= most:
        return
    reach = f", {least} of which no setting between the rails calls" if least else ""
    msg = (
        f"--escapes must lie between {least} and {most}, got {escapes}: {case.tally.family} has "
        f"{most} labelled defects{reach}"
    )
    raise UsageError(msg)


def front_problem(case: Case) -> Problem:
    """Return a family's problem.

    Raises
    ------
    InputError
        If a must-catch item cannot be called by any setting between the rails.
    """
    problem, impossible = problem_of(case)
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
