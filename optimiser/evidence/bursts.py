"""Bursts: how unevenly labelled defects come, lot by lot and board by board.

Were defects independent of one another, the number in a lot would scatter like a Poisson count,
variance equal to mean. They are not: one bad board holds several, and a bad lot many. How much
that inflates the scatter decides how far the next span may lie from what is expected of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Lots' worth of weight that the plant's common pattern has against a family's own scatter.
POOLED_LOTS = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrivals:
    """The labelled defects of one family by lot: t lots, d defects.

    Attributes
    ----------
    defects, items : ndarrays, shape (t,)
    on_board : ndarray, shape (b,)
        Defects of each board that holds any.
    """

    defects: Floats
    items: Floats
    on_board: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Bursts:
    """How unevenly one family's defects come.

    Attributes
    ----------
    effect : float
        Variance over mean of the number of defects in a lot, >= 1; shrunk.
    own : float
        The same from this family alone, unshrunk; 1 with nothing to go by.
    per_board : float
        Defects that share a board with a typical one, itself included, >= 1; shrunk.
    lots, defects : int
        From how much of this family.
    """

    effect: float
    own: float
    per_board: float
    lots: int
    defects: int


INDEPENDENT = Bursts(effect=1.0, own=1.0, per_board=1.0, lots=0, defects=0)


def bursts_of(families: Sequence[Arrivals]) -> list[Bursts]:
    """Return how unevenly the defects of each family of a plant come.

    Parameters
    ----------
    families : sequence of Arrivals

    Returns
    -------
    list of Bursts
        In the order given.

    Notes
    -----
    A lot's count is taken as a compound: bad boards arrive at a rate that differs from lot to
    lot with squared coefficient of variation ``1/s``, and hold several defects each. Its variance
    over its mean is then ``c + m/s`` with ``c = Σb²/Σb`` over boards and ``m`` the mean number in
    a lot. ``1/s`` is common to the plant, by moments over all families; ``c`` is each family's,
    with the plant's as heavy as ten boards of its own. What a family's own lots show beside that
    weighs as its lots times ``m / (1 + m)`` against `POOLED_LOTS`.

    Examples
    --------
    >>> one = Arrivals(defects=np.array([0, 6.0]), items=np.ones(2), on_board=np.array([3.0, 3]))
    >>> round(bursts_of([one])[0].per_board, 2)
    2.22
    """
    boards = np.concatenate([np.zeros(0), *(f.on_board for f in families)])
    common = _cluster(boards, 1.0)
    clusters = [_cluster(f.on_board, common) for f in families]
    index = _index(families, clusters)
    return [_family(f, c, index) for f, c in zip(families, clusters, strict=True)]


def _cluster(boards: Floats, common: float) -> float:
    """Return ``Σb²/Σb`` with the common value as heavy as ten boards."""
    prior = 10.0
    return float((boards**2).sum() + prior * common) / float(boards.sum() + prior)


def _expected(family: Arrivals) -> Floats:
    """Return the defects expected in each lot from its items, shape (t,)."""
    return np.asarray(
        family.items * float(family.defects.sum()) / max(float(family.items.sum()), 1.0)
    )


def _index(families: Sequence[Arrivals], clusters: Sequence[float]) -> float:
    """Return the plant's ``1/s`` by moments, >= 0."""
    excess, scale = 0.0, 0.0
    for family, cluster in zip(families, clusters, strict=True):
        held = family.items > 0
        mean, lots = _expected(family)[held], int(held.sum())
        if lots < 2:
            continue
        # One degree of freedom goes into the mean.
        squares = ((family.defects[held] - mean) ** 2).sum() * lots / (lots - 1)
        excess += float(squares) - cluster * float(mean.sum())
        scale += float((mean**2).sum())
    return max(0.0, excess / scale) if scale > 0 else 0.0


def _family(family: Arrivals, cluster: float, index: float) -> Bursts:
    """Return one family's bursts, its own scatter shrunk towards the plant's pattern."""
    held = family.items > 0
    mean, lots = _expected(family)[held], int(held.sum())
    total = float(mean.sum())
    own = 1.0
    if lots > 1 and total > 0:
        own = float(((family.defects[held] - mean) ** 2).sum()) * lots / (lots - 1) / total
    typical = float((mean**2).sum()) / total if total > 0 else 0.0
    pattern = cluster + index * typical
    # Lots that hold hardly any defect say hardly anything of how these scatter.
    weight = lots * typical / (1 + typical)
    effect = (POOLED_LOTS * pattern + weight * own) / (POOLED_LOTS + weight)
    return Bursts(
        effect=max(1.0, effect),
        own=own,
        per_board=cluster,
        lots=lots,
        defects=int(family.defects.sum()),
    )
