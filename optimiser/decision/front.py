"""The exact front of one family as plain values."""

import math
from typing import Any

from optimiser.decision.propose import Case, posed
from optimiser.errors import InputError
from optimiser.search.exact import FrontPoint, exact_front
from optimiser.search.problem import Problem
from optimiser.tally.count import FamilyTally


def front_of(case: Case, *, time_limit_s: float) -> dict[str, Any]:
    """Return the least number of false calls for every number of escapes.

    Parameters
    ----------
    case : Case
    time_limit_s : float
        For all points together; points not proved by then say so and give their bound.

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
    """
    problem = front_problem(case)
    front = exact_front(problem, time_limit_s=time_limit_s)
    return {
        "family": case.tally.family,
        "points": [_point(case.tally, p) for p in front.points],
        "proved": front.proved,
        "defects": len(case.tally.defects.frame),
        "items": case.tally.items,
        "lots": len(set(case.tally.cells.lot.tolist())),
    }


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
