"""What a plant's other families say of how many defects its changes release.

One quick fit per family and fold of lots, by the way that is best before any outcome is known, judged on
the lots it has not seen: a fraction of a second a family, the same in a notebook, at night and in a test,
and nothing of the family itself goes into what its promise is told of the others.
"""

from collections.abc import Mapping

import numpy as np

from optimiser.evidence.escapes import Released
from optimiser.evidence.promise import released_of
from optimiser.proposal.propose import Case, outcomes_of, posed_by, problem_of, what_to_gather
from optimiser.search.crossfit import fit, fold_lots
from optimiser.search.study import prior_way


def elsewhere(family: str, released: Mapping[str, Released | None]) -> tuple[Released, ...]:
    """Return what a family is told: what was released in the plant's others.

    Parameters
    ----------
    family : str
    released : mapping of family to (Released or None)

    Returns
    -------
    tuple of Released
        Without its own, and without those that say nothing.
    """
    return tuple(x for name, x in released.items() if x is not None and name != family)


def quickly_released(case: Case) -> Released | None:
    """Return what one quick fit of a family releases on lots that it has not seen.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Released or None
        None where the family is not searched at all, or the fit loosens nothing.
    """
    problem, impossible = problem_of(case)
    if what_to_gather(case, problem) or not problem.m or impossible:
        return None
    lot_fold = fold_lots(problem)
    parts = [posed_by(case, lot_fold != fold) for fold in range(int(lot_fold.max()) + 1)]
    settings = np.stack([fit(part, prior_way(part)) for part in parts])
    found = outcomes_of(case, problem, lot_fold, settings)
    return released_of(found) if found.loosens else None
