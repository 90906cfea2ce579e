"""From a family's tally and the plant's prices to the arrays that the search sees."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from optimiser.plant.file import Plant
from optimiser.search.misread import chance_to_be_true
from optimiser.search.problem import Floats, Ints, Problem
from optimiser.tally.count import Defects, FamilyTally, sum_by_row


def pose(
    tally: FamilyTally,
    siblings: Sequence[FamilyTally],
    plant: Plant,
    must_ranks: NDArray[np.int64],
    lots: NDArray[np.bool_] | None = None,
) -> Problem:
    """Return a family's problem.

    Parameters
    ----------
    tally : FamilyTally
    siblings : sequence of FamilyTally
        Families of the same termination, whose defects may be borrowed; of the same lots.
    plant : Plant
        Prices and shares.
    must_ranks : ndarray of int, shape (c, m)
        Signatures that every setting must call.
    lots : ndarray of bool, shape (t,), optional
        Lots that exist for this problem; every one when not given. Weights, must-catch rows,
        siblings' defects and the two rails that rest on labels come from these alone.

    Returns
    -------
    Problem
        Of a critical family every labelled defect that the live recipe calls is a
        must-catch item as well, unless that rail is off.
    """
    last = np.array([len(limit.z) - 1 for limit in tally.grid.limits], dtype=np.int64)
    if lots is not None:
        tally = tally.only(lots)
        siblings = [sibling.only(lots) for sibling in siblings]
        last = loosest_levels(tally, plant)
    levels = np.array([len(limit.z) for limit in tally.grid.limits], dtype=np.int64)
    ranks, counts, always = _contested(tally, levels)
    free = ~tally.defects.settled
    defects = tally.defects
    frame = defects.frame[free]
    weight = label_weights(defects, plant.file.labels.test_coverage)
    review = plant.file.review_of(tally.family)
    weight *= chance_to_be_true(tally, review.false_alarm_rate)
    called = defects.frame["live_called"].to_numpy(dtype=bool)
    rails = plant.file.rails
    if plant.file.obeys_labels(tally.family):
        known = defects.ranks[free & called].astype(np.int64)
        must_ranks = np.concatenate([must_ranks, known])
    kin_z, kin_price = _borrowed(tally, siblings, plant)
    return Problem(
        levels=tuple(limit.z.astype(np.float64) for limit in tally.grid.limits),
        live=tally.grid.live,
        last=last,
        spread=np.array([limit.spread for limit in tally.grid.limits], dtype=np.float64),
        repeatability=np.array([limit.repeatability for limit in tally.grid.limits]),
        ranks=ranks,
        counts=counts,
        always=always,
        defect_ranks=defects.ranks[free].astype(np.int64),
        defect_z=defects.z[free],
        defect_lot=defects.lot[free].astype(np.int64),
        defect_weight=weight[free],
        defect_price=np.array(
            [plant.file.escape_price(_word(d)) for d in frame["defect"]], dtype=np.float64
        ),
        defect_called=called[free],
        kin_z=kin_z,
        kin_price=kin_price,
        must_ranks=must_ranks,
        false_call_cost=plant.file.review.cost_per_call,
        miss_rate=review.miss_rate,
        most_released=rails.released_share if rails.holds("released-share") else 1.0,
        stays_at_work=rails.holds("working-limit"),
    )


def loosest_levels(tally: FamilyTally, plant: Plant) -> Ints:
    """Return the loosest level of each limit that a tally's own lots support, shape (m,).

    Two rails rest on labels: a limit that no labelled defect ever tested stays where it is, and
    none goes further than the furthest reviewed good. A grid has them from the whole history;
    here they are read off the lots of the tally alone, to the width of one level.

    Parameters
    ----------
    tally : FamilyTally
    plant : Plant
        For the rails in force.
    """
    rails, bounds = plant.file.rails, plant.file.families[tally.family].workmanship
    found = []
    for n, limit in enumerate(tally.grid.limits):
        last, live = len(limit.z) - 1, limit.live
        bound = bounds.get(limit.measurement)
        bounded = bound is not None and bound.side(limit.side) is not None
        tested = (tally.defects.ranks[:, n] > live).any() or (
            bounded and rails.holds("workmanship")
        )
        if rails.holds("furthest-good"):
            good = int(tally.cells.ranks[tally.cells.reviewed, n].max(initial=0))
            guard = rails.guard_sigmas * limit.repeatability
            furthest = float(limit.z[min(good, last)]) + guard
            last = int(np.searchsorted(limit.z, furthest, side="right")) - 1 if good else live
        if rails.holds("untested") and not tested:
            last = live
        found.append(max(live, min(last, len(limit.z) - 1)))
    return np.array(found, dtype=np.int64)


def _word(defect: object) -> str | None:
    return defect if isinstance(defect, str) else None


def _contested(tally: FamilyTally, levels: Ints) -> tuple[Ints, csr_array, Ints]:
    """Return contested signatures, their counts by lot, and the always called by lot."""
    cells, lots = tally.cells, len(tally.lots)
    is_always = cells.settled | (cells.ranks == levels).any(axis=1)
    is_contested = ~is_always & (cells.ranks > 0).any(axis=1)
    always = np.bincount(cells.lot[is_always], cells.count[is_always], minlength=lots)
    keys = np.column_stack([cells.ranks, cells.lot])[is_contested].astype(np.int32)
    keys, count = sum_by_row(keys, cells.count[is_contested])
    first = np.ones(len(keys), dtype=bool)
    first[1:] = (keys[1:, :-1] != keys[:-1, :-1]).any(axis=1)
    signature = np.cumsum(first) - 1
    shape = (int(first.sum()), lots)
    counts: csr_array = coo_array((count, (signature, keys[:, -1])), shape=shape).tocsr()
    return keys[first, :-1].astype(np.int64), counts, np.rint(always).astype(np.int64)


def label_weights(defects: Defects, coverage: float) -> Floats:
    """Return how many defects of its kind each labelled defect stands for.

    A defect that the live limits called is known with near certainty and stands for itself.
    One that they passed became known through test with the chance ``coverage``, or through
    an audit with the chance 1/weight, or both; it stands for the inverse of the chance that
    at least one of them found it [1]_. One that review found while another recipe was live
    stands for itself, as one found in the field does: what the field will find later is
    already represented by those that test found. One that a later stage found stands for what its
    weight says, called here or not: that is what could be linked and seen (`history/later_verdicts.py`).

    Parameters
    ----------
    defects : Defects
    coverage : float
        Share of escapes that test finds, 0..1.

    Returns
    -------
    ndarray, shape (d,)
        Each >= 1.

    References
    ----------
    .. [1] Kalton and Anderson (1986), Sampling rare populations, J. R. Statist. Soc. A 149
       (weights for units that several frames can reach).
    """
    found_by = defects.frame["found_by"].to_numpy()
    audited = np.where(found_by == "audit", 1.0 / defects.frame["weight"].to_numpy(float), 0.0)
    chance = 1.0 - (1.0 - coverage) * (1.0 - audited)
    alone = defects.frame["live_called"].to_numpy(dtype=bool) | np.isin(
        found_by, ["field", "review", "second look"]
    )
    own = np.where(alone, 1.0, 1.0 / chance)
    later = found_by == "later stage"
    return np.where(later, np.maximum(defects.frame["weight"].to_numpy(float), 1.0), own)


def _borrowed(
    tally: FamilyTally, siblings: Sequence[FamilyTally], plant: Plant
) -> tuple[Floats, Floats]:
    """Return siblings' defects, moved so that their live limits lie on this family's.

    A distance from a live limit is carried over in standard deviations of the goods.
    """
    own = tally.grid.limits
    rows, prices = [np.zeros((0, len(own)))], [np.zeros(0)]
    for sibling in siblings:
        theirs = {(limit.measurement, limit.side): n for n, limit in enumerate(sibling.grid.limits)}
        z = np.full((len(sibling.defects.z), len(own)), -np.inf)
        for n, limit in enumerate(own):
            k = theirs.get((limit.measurement, limit.side))
            if k is None:
                continue
            their = sibling.grid.limits[k]
            live, their_live = float(limit.z[limit.live]), float(their.z[their.live])
            if np.isfinite([live, their_live]).all() and their.spread > 0:
                z[:, n] = (
                    live + (sibling.defects.z[:, k] - their_live) * limit.spread / their.spread
                )
        known = np.isfinite(z).any(axis=1) & ~sibling.defects.settled
        rows.append(z[known])
        names = sibling.defects.frame["defect"][known]
        prices.append(np.array([plant.file.escape_price(_word(d)) for d in names], dtype=float))
    return np.concatenate(rows), np.concatenate(prices)
