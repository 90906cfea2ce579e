"""One family's choice of limits as arrays: all that the search sees.

It knows nothing of files, families' names, verdict words or rails' reasons: a rail has
already become the first and last level of a limit, or a must-catch row.

Shape letters, the same everywhere in this package: **m** limits, **s** signatures,
**d** defects, **c** must-catch items, **t** lots, **f** folds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


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
    """

    levels: tuple[Floats, ...]
    live: Ints
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

    @property
    def m(self) -> int:
        """Number of limits."""
        return len(self.levels)

    @property
    def lots(self) -> int:
        """Number of lots."""
        return int(self.counts.shape[1])


def is_called(setting: Ints, ranks: Ints | NDArray[np.int16]) -> Bools:
    """Return which signatures a setting calls.

    Parameters
    ----------
    setting : ndarray of int, shape (m,) or (n, m)
        One level index per limit; for all signatures or one row for each.
    ranks : ndarray of int, shape (n, m)
        Signatures.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return np.asarray((setting < ranks).any(axis=1), dtype=np.bool_)
