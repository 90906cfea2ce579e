"""One family's choice of limits as arrays: all that the search sees.

It knows nothing of files, families' names, verdict words or rails' reasons: a rail has
already become the first and last level of a limit, or a must-catch row.

Shape letters, the same everywhere in this package: **m** limits, **s** signatures,
**d** defects, **c** must-catch items, **t** lots, **f** folds.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from optimiser.tally.count import is_called

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """One family's grid, its counted non-defects and its labelled defects.

    Every limit is one-sided in a coordinate ``z`` (``x`` for an upper limit, ``-x`` for a
    lower one). Level ``j`` of limit ``l`` calls an item iff ``z > levels[l][j]``. An item's
    *rank* at a limit is the number of levels that call it, so a setting ``j`` (one level
    index per limit, 0 the tightest) calls an item iff ``j[l] < rank[l]`` for any ``l``.

    Parameters
    ----------
    levels : tuple of m ndarrays, shapes (k_l,)
        Settable levels, ascending in z: tightest first. The last may be +inf (limit off).
    live : ndarray of int, shape (m,)
        Level index of the live recipe.
    last : ndarray of int, shape (m,)
        Loosest level index that may be set, >= `live`.
    spread : ndarray, shape (m,)
        Standard deviation of the goods at each limit's measurement, in its unit.
    repeatability : ndarray, shape (m,)
        Standard deviation of re-measuring one item, in the same unit.
    ranks : ndarray of int, shape (s, m)
        Distinct signatures of contested items that are not labelled defects.
    counts : csr_array of int, shape (s, t)
        How many such items each lot holds (reviewed goods and unreviewed together).
    always : ndarray of int, shape (t,)
        Non-defects that every setting calls, by lot.
    defect_ranks : ndarray of int, shape (d, m)
        Signatures of the labelled defects, one row each.
    defect_z : ndarray, shape (d, m)
        Their coordinates; -inf where not measured (that limit can never call it).
    defect_lot : ndarray of int, shape (d,)
        Lot index, 0..t-1. Lots are in order of time.
    defect_weight : ndarray, shape (d,)
        How many defects of its kind a labelled one stands for, > 0: one found downstream
        or by audit the inverse of the chance to be found there, a reviewed one the chance
        that it is a defect and no good that was misread.
    defect_price : ndarray, shape (d,)
        Cost of one escape of that defect type, money.
    defect_called : ndarray of bool, shape (d,)
        True when the label came from a call of the live limits, so that defects like it
        which the live limits passed had no chance to be labelled that way.
    kin_z, kin_price : ndarrays, shapes (b, m) and (b,)
        Defects of sibling families that may be borrowed, in this family's coordinates
        relative to its live limits; -inf where the sibling has no such measurement.
    must_ranks : ndarray of int, shape (c, m)
        Signatures (margin already taken off) of items that every setting must call.
    false_call_cost : float
        Cost of reviewing one false call, money.
    miss_rate : float
        Chance that a reviewer passes a called defect, 0..1.
    most_released : float
        Largest share, by weight, of the labelled defects which the live setting calls that a
        setting may no longer call, 0..1.
    stays_at_work : bool
        Whether a setting has to call at least one item where the live one calls any.
    """

    levels: tuple[Floats, ...]
    live: Ints
    last: Ints
    spread: Floats
    repeatability: Floats
    ranks: Ints
    counts: csr_array
    always: Ints
    defect_ranks: Ints
    defect_z: Floats
    defect_lot: Ints
    defect_weight: Floats
    defect_price: Floats
    defect_called: Bools
    kin_z: Floats
    kin_price: Floats
    must_ranks: Ints
    false_call_cost: float
    miss_rate: float
    most_released: float = 1.0
    stays_at_work: bool = False

    @property
    def m(self) -> int:
        """Number of limits."""
        return len(self.levels)

    @property
    def lots(self) -> int:
        """Number of lots."""
        return int(self.counts.shape[1])


def keeps_to_rails(problem: Problem, setting: Ints) -> bool:
    """Return whether a setting keeps to the two rails that concern it as a whole.

    Parameters
    ----------
    problem : Problem
    setting : ndarray of int, shape (m,)

    Returns
    -------
    bool
        False where it releases a larger share of the known defects than `most_released`, or
        where nothing is called any more though `stays_at_work` asks for it.
    """
    within = released_share(problem, setting) <= problem.most_released + TOLERANCE
    return within and not stops_work(problem, setting)


def released_share(problem: Problem, setting: Ints) -> float:
    """Return the share, by weight, of the defects called now that a setting releases, 0..1."""
    known = is_called(problem.live, problem.defect_ranks)
    released = known & ~is_called(setting, problem.defect_ranks)
    total = float(problem.defect_weight[known].sum())
    return float(problem.defect_weight[released].sum()) / total if total else 0.0


def stops_work(problem: Problem, setting: Ints) -> bool:
    """Return whether a setting calls nothing any more though it has to call something."""
    return (
        problem.stays_at_work
        and _calls_any(problem, problem.live)
        and not _calls_any(problem, setting)
    )


def _calls_any(problem: Problem, setting: Ints) -> bool:
    return bool(
        problem.always.any()
        or is_called(setting, problem.defect_ranks).any()
        or is_called(setting, problem.ranks[problem.counts.sum(axis=1) > 0]).any()
    )


def without_lots(problem: Problem, kept: Bools) -> Problem:
    """Return a problem as if some lots had never been: their items and labels left out.

    What was made of all lots beforehand (weights, rails, must-catch rows) stays as it is; where
    it comes from labels the problem has to be posed again without those lots instead.

    Parameters
    ----------
    problem : Problem
    kept : ndarray of bool, shape (t,)

    Returns
    -------
    Problem
        With the same t lots, those not kept empty.
    """
    own = kept[problem.defect_lot]
    return replace(
        problem,
        counts=csr_array(problem.counts.multiply(kept.astype(problem.counts.dtype)[None, :])),
        always=problem.always * kept,
        defect_ranks=problem.defect_ranks[own],
        defect_z=problem.defect_z[own],
        defect_lot=problem.defect_lot[own],
        defect_weight=problem.defect_weight[own],
        defect_price=problem.defect_price[own],
        defect_called=problem.defect_called[own],
    )
