"""The proof: what later lots say of settings that earlier lots alone brought forth.

The promise of a proposal rests on all lots, held out in turn. A certificate wants more:
defects that neither the limits, nor the rails' ends, nor the choice of ways ever saw. So the
whole line is run on the earlier lots only, and its settings are tested on the later ones, in
an order fixed before, from the safest.
"""

from collections.abc import Sequence
from typing import NewType

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from optimiser.evidence import certificate, cost_ratio
from optimiser.evidence.intervals import for_span, next_total
from optimiser.evidence.promise import Promise
from optimiser.proposal.record import Forward, LimitMove, Proof, Tested
from optimiser.search.problem import Problem
from optimiser.search.study import StudyResult
from optimiser.tally.count import FamilyTally, is_called

Searched = NewType("Searched", FamilyTally)
"""A tally of lots that a search looked at."""
Unseen = NewType("Unseen", FamilyTally)
"""A tally of later lots that no search, grid or rail has looked at: only it can prove anything."""

ALPHA = DELTA = 0.10
EARLY_SHARE = 0.6
Ints = NDArray[np.int64]


def prove(
    early: Searched,
    problem: Problem,
    study: StudyResult,
    later: Unseen,
    moves: Sequence[tuple[LimitMove, ...]],
    *,
    promised: Promise,
    coverage: float,
) -> Proof | None:
    """Test the settings that the earlier lots brought forth on the later lots.

    Parameters
    ----------
    early : Searched
    problem : Problem
        Of the earlier lots.
    study : StudyResult
        On that problem.
    later : Unseen
        The later lots over the earlier lots' grid.
    moves : sequence of tuples of LimitMove
        One per row of ``shortlist(study)``.
    promised : Promise
        Of the study's choice, from the earlier lots.
    coverage : float
        Share of escapes that test finds, 0..1.

    Returns
    -------
    Proof or None
        None where the later lots hold no labelled defect.

    Notes
    -----
    With confidence 1 - DELTA all certified settings keep to ALPHA together, so one may be
    chosen after looking; per family. Only escapes *added* are certified: they rest on reviewed
    labels. All escapes are not, for what nobody found is in no label: on plants of known truth
    a certificate made from the labels that test found was wrong for a third of the families.
    """
    rows = shortlist(study)
    settings = study.trials.settings[rows]
    defects = ~later.defects.settled
    if not defects.any():
        return None
    ranks, lot = (
        later.defects.ranks[defects].astype(np.int64),
        later.defects.lot[defects].astype(np.int64),
    )
    live = is_called(problem.live, ranks)
    missed = np.array([~is_called(s, ranks) for s in settings])
    calls = _false_calls(later, settings)
    tuning = study.trials.escape_cost[rows]
    times = later.defects.frame.loc[defects, "time"]
    own = int(np.flatnonzero(rows == study.recommended)[0])
    found = (
        certificate.certify_front(
            missed[:, live], lot[live], false_calls=calls, tuning=tuning, alpha=ALPHA, delta=DELTA
        )
        if live.any()
        else None
    )
    ranges = _ranges(later, settings, ranks, lot)
    money = {
        n: cost_ratio.in_money(r, false_call_cost=problem.false_call_cost)
        for n, r in ranges.items()
    }
    before = int(_false_calls(later, problem.live[None, :])[0])
    order = np.lexsort((-calls, tuning))
    return Proof(
        added=found.certificates[own] if found else None,
        escapes=int(missed[own].sum()),
        escapes_now=int((~live).sum()),
        price=money.get(own),
        first=times.min().date(),
        last=times.max().date(),
        coverage=coverage,
        settings=tuple(
            Tested(
                limits=tuple(m for m in moves[i] if m.moves),
                certified_added=bool(found and i in found.certified),
                added=int(missed[i][live].sum()),
                escapes=int(missed[i].sum()),
                false_calls_saved=before - int(calls[i]),
                best_between=ranges.get(int(i)),
                best_between_money=money.get(int(i)),
            )
            for i in order
        ),
        forward=Forward(
            false_calls_saved=for_span(promised.false_calls_saved, ratio := _ratio(early, later)),
            escapes_added=next_total(
                promised.escapes_added.value,
                spread=promised.bursts,
                effect=promised.bursts,
                ratio=ratio,
                level=promised.level,
            ),
            followed_false_calls_saved=before - int(calls[own]),
            followed_escapes_added=int(missed[own][live].sum()),
        ),
        early_lots=len(early.lots),
        later_lots=len(later.lots),
        later_defects=len(lot),
    )


def _ratio(early: Searched, later: Unseen) -> float:
    """Return non-defects of the later lots over those of the earlier ones."""
    return float(later.cells.count.sum()) / max(float(early.cells.count.sum()), 1.0)


def shortlist(study: StudyResult) -> Ints:
    """Return the rows of a study that are tested: its front, its choice, the live setting."""
    rows = np.unique([0, study.recommended, *study.front.tolist()])
    _, first = np.unique(study.trials.settings[rows], axis=0, return_index=True)
    kept = set(rows[np.sort(first)].tolist())
    same = (study.trials.settings == study.setting).all(axis=1)
    # The choice itself stays, whichever of equal rows came first.
    kept = {r for r in kept if not same[r]} | {study.recommended}
    return np.array(sorted(kept), dtype=np.int64)


def _false_calls(tally: FamilyTally, settings: Ints) -> NDArray[np.float64]:
    """Return how many non-defects each setting calls, shape (p,)."""
    cells = tally.cells
    return np.array(
        [float(cells.count[cells.settled | is_called(s, cells.ranks)].sum()) for s in settings]
    )


def _ranges(
    later: Unseen, settings: Ints, ranks: Ints, lot: Ints
) -> dict[int, cost_ratio.PriceRange]:
    """Return for each supported setting the prices between which it is best."""
    cells = later.cells
    free = ~cells.settled
    seen, place = np.unique(cells.ranks[free], axis=0, return_inverse=True)
    shape = (len(seen), len(later.lots))
    counts: csr_array = coo_array(
        (cells.count[free], (place.ravel(), cells.lot[free])), shape=shape
    ).tocsr()
    items = np.bincount(cells.lot, cells.count, minlength=len(later.lots)).astype(np.float64)
    called = cost_ratio.Called(
        settings=settings,
        goods=np.array([is_called(s, seen) for s in settings]),
        counts=counts,
        always=int(cells.count[cells.settled].sum()),
        items=items,
        defects=np.array([is_called(s, ranks) for s in settings]),
        lot=lot,
    )
    return {r.setting: r for r in cost_ratio.price_ranges(called)}
