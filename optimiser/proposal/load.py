"""Call load: what limits lose and what tired reviewers lose, together, along the front."""

from dataclasses import dataclass

import numpy as np

from optimiser.evidence.reviewers import MissCurve, TotalEscapes, total_escapes
from optimiser.proposal.front import front_problem
from optimiser.proposal.propose import Case
from optimiser.search.exact import exact_front
from optimiser.tally.count import is_called
from optimiser.tally.grid import Grid

FRONT_SECONDS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CallLoad:
    """One family's settings by call load, the live recipe first.

    Attributes
    ----------
    family : str
    grid : Grid
    settings : tuple of p ndarrays, shape (m,)
    totals : TotalEscapes
        Of the p settings; counted on this history.
    defects : float
        All defects that the labels stand for.
    labelled, items : int
        From how much.
    """

    family: str
    grid: Grid
    settings: tuple[np.ndarray, ...]
    totals: TotalEscapes
    defects: float
    labelled: int
    items: int


def call_load(case: Case, curve: MissCurve) -> CallLoad | None:
    """Return total escapes against call load for the live recipe and the exact front.

    Parameters
    ----------
    case : Case
    curve : MissCurve
        The scenario of reviewers.

    Returns
    -------
    CallLoad or None
        None without any labelled defect.

    Raises
    ------
    InputError
        If a must-catch item cannot be called.
    """
    problem = front_problem(case)
    if not len(problem.defect_weight):
        return None
    front = exact_front(problem, time_limit_s=FRONT_SECONDS)
    settings = (problem.live, *(p.setting for p in front.points))
    counts = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    always = float(problem.always.sum())
    false_calls = np.array([counts @ is_called(s, problem.ranks) + always for s in settings])
    escapes = np.array(
        [problem.defect_weight @ ~is_called(s, problem.defect_ranks) for s in settings]
    )
    defects = float(problem.defect_weight.sum())
    return CallLoad(
        family=case.tally.family,
        grid=case.tally.grid,
        settings=settings,
        # Sums of floats may exceed their total by a rounding error.
        totals=total_escapes(
            np.minimum(escapes, defects), false_calls, defects=defects, curve=curve
        ),
        defects=defects,
        labelled=len(problem.defect_weight),
        items=case.tally.items,
    )
