"""What a plant's other families say of how many defects its changes release.

One quick fit per family and fold of lots, by the way that is best before any outcome is known, judged on
the lots it has not seen: a fraction of a second a family, the same in a notebook, at night and in a test,
and nothing of the family itself goes into what its promise is told of the others.
"""

from collections.abc import Mapping

import numpy as np

from optimiser.evidence.escapes import Released
from optimiser.evidence.promise import HeldOut, released_of
from optimiser.proposal.propose import (
    Case,
    Ints,
    items_by_lot,
    misread_among,
    posed_by,
    problem_of,
    released_goods,
    what_to_gather,
)
from optimiser.search.crossfit import fit, fold_lots
from optimiser.search.problem import Floats, Problem
from optimiser.search.study import prior_way
from optimiser.tally.count import is_called


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
    if not (settings > problem.live).any():
        return None
    return released_of(_held_out(case, problem, lot_fold, settings))


def _held_out(case: Case, problem: Problem, lot_fold: Ints, settings: Ints) -> HeldOut:
    """Return the outcomes of the folds' settings, shape (f, m), on the lots they have not seen."""
    escaped = ~is_called(settings[lot_fold[problem.defect_lot]], problem.defect_ranks)
    goods, calls, newly = (np.zeros(problem.lots) for _ in range(3))
    live = is_called(problem.live, problem.ranks)
    for fold, setting in enumerate(settings):
        of = lot_fold == fold
        called = is_called(setting, problem.ranks)
        goods[of] = released_goods(case, setting)[of]
        calls[of] = (_by_lot(problem, called) + problem.always)[of]
        newly[of] = _by_lot(problem, called & ~live)[of]
    return HeldOut(
        items=items_by_lot(case.tally),
        live_false_calls=_by_lot(problem, live) + problem.always,
        false_calls=calls,
        false_calls_error=0.0,
        newly_called=newly,
        loosens=True,
        tightens=bool((settings < problem.live).any()),
        lot=problem.defect_lot,
        escape=escaped.astype(np.float64),
        live_called=problem.defect_called,
        weight=problem.defect_weight,
        price=problem.defect_price,
        false_call_cost=problem.false_call_cost,
        miss_rate=problem.miss_rate,
        passed_weight=1.0 / case.plant.file.labels.test_coverage,
        span_days=case.span_days,
        misread=misread_among(case, problem, escaped & problem.defect_called, float(goods.sum())),
        limits=problem.m,
        obeys=case.plant.file.obeys_labels(case.tally.family),
    )


def _by_lot(problem: Problem, which: np.ndarray) -> Floats:
    """Return how many of some non-defects each lot holds, shape (t,)."""
    return np.asarray(which.astype(np.float64) @ problem.counts, dtype=np.float64)
