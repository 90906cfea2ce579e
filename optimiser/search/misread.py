"""How many labelled defects are goods that reviewers misread, and which.

Reviewers call few goods defects, but they see many, nearly all of them just beyond a limit. What a
second look found tells more: how often they do it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from optimiser.search.problem import Bools, Floats, Ints
from optimiser.tally.count import FamilyTally, Ranks, is_called, sum_by_row
from optimiser.tally.grid import GridLimit

# Some doubt about the false alarm rate itself always remains.
LEAST_TRUE = 0.02
# Width of the kernel and labels' worth of real defects where none was seen: measured together on
# stranger plants, where both calibration and likelihood are best.
NEARNESS, UNSEEN_HERE = 0.4, 0.1
MOST_TURNS = 60
# How far the misread density may be scaled, either way, and the steps to find by how much.
MOST_SCALED, HALVINGS = 6.0, 12
# Turns in which the rate itself is found.
MOST_RATES = 300


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirstLabels:
    """What reviewers called defects at first, beyond the live limits of a family; n labels.

    Attributes
    ----------
    near : ndarray, shape (n, n)
        Kernel between labels.
    goods : ndarray, shape (n,)
        Reviewed goods around each label, by the same kernel.
    called : float
        Reviewed goods that the live recipe calls.
    is_real : ndarray, shape (n,)
        1 and 0 where a second look says so, NaN elsewhere.
    """

    near: Floats
    goods: Floats
    called: float
    is_real: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exceeded:
    """How far first labels and reviewed goods exceed the live limits, in deviations of the goods.

    Attributes
    ----------
    labels : ndarray, shape (n,)
        Largest over limits.
    is_real : ndarray, shape (n,)
        1 and 0 where a second look says so, NaN elsewhere.
    goods : ndarray, shape (k,)
    count : ndarray of int, shape (k,)
        How many goods each stands for.
    """

    labels: Floats
    is_real: Floats
    goods: Floats
    count: Ints


def chance_to_be_true(tally: FamilyTally, false_alarm_rate: float) -> Floats:
    """Return the chance that each reviewed defect is one and not a good that was misread.

    Reviewers call few goods defects, but they see many goods, nearly all of them just
    beyond a limit; a labelled defect that lies among many called goods is likelier one of
    these.

    Parameters
    ----------
    tally : FamilyTally
    false_alarm_rate : float
        0..1; with 0 every label is taken as true.

    Returns
    -------
    ndarray, shape (d,)
        LEAST_TRUE..1; 1 for defects that review did not find, or that every setting calls.

    Notes
    -----
    Where a label lies the density of misread goods is that of the reviewed goods times the
    reviewers' false alarm rate, the density of real defects that of the *other* labels, each
    weighed by its own chance to be one, plus a tenth of a label for none seen there yet. What a
    second look confirmed counts as one. The
    chance is the share of the second; it is found by expectation and maximisation in turns [1]_.
    Densities are normal kernels, NEARNESS standard deviations of the goods wide, over how far
    each limit of the live recipe is exceeded. Kernels blur the two apart only so far, so the
    density of misread goods is scaled until as many labels are expected to be misread as the
    false alarm rate makes of the goods that were called. Counting a label as its own neighbour
    would hide half of the misread ones (measured on plants of known truth).

    References
    ----------
    .. [1] Dempster, Laird and Rubin (1977), Maximum likelihood from incomplete data via the EM
       algorithm, J. R. Statist. Soc. B 39.
    """
    doubted = _by_review(tally, "review")
    chance = np.ones(len(doubted))
    goods = _called_goods(tally)
    if not false_alarm_rate or not doubted.any() or not goods.count.size:
        return chance
    labels = doubted | _by_review(tally, "second look")
    labelled = _exceeded(tally.grid.limits, tally.defects.ranks[labels].astype(np.int32))
    misread = false_alarm_rate * (_nearness(labelled, goods.exceeded) @ goods.count)
    near = _nearness(labelled, labelled)
    if tally.looked_again:
        # Fewer misread goods are left than came; how many is not known.
        share = _true_share(near, misread, np.where(doubted[labels], np.nan, 1.0))
    else:
        share = _balanced(near, misread, false_alarm_rate * float(goods.count.sum()))
    chance[labels] = np.clip(share, LEAST_TRUE, 1.0)
    return chance


def first_labels(tally: FamilyTally) -> FirstLabels:
    """Return what reviewers called defects at first, as a fit of their false alarm rate wants it.

    Parameters
    ----------
    tally : FamilyTally

    Returns
    -------
    FirstLabels
    """
    live, limits = tally.grid.live, tally.grid.limits
    doubted, sure = (_by_review(tally, by) for by in ("review", "second look"))
    misread = is_called(live, tally.misread.ranks) & ~_always(tally, tally.misread.ranks)
    ranks = [
        *(tally.defects.ranks[which] for which in (doubted, sure)),
        tally.misread.ranks[misread],
    ]
    labelled = _exceeded(limits, np.concatenate(ranks).astype(np.int32))
    goods = _called_goods(tally)
    return FirstLabels(
        near=_nearness(labelled, labelled),
        goods=_nearness(labelled, goods.exceeded) @ goods.count,
        called=float(goods.count.sum()),
        is_real=_looked(ranks),
    )


def fitted_false_alarm_rate(families: Sequence[FirstLabels]) -> float:
    """Return the false alarm rate that fits labels of which some were looked at again.

    Parameters
    ----------
    families : sequence of FirstLabels
        Families with one rate.

    Returns
    -------
    float
        0..1; NaN without goods that were called and reviewed.

    Notes
    -----
    The mixture of `chance_to_be_true` with the rate as a parameter too: labels nobody looked at
    again are misread with the chance that lies in the densities around them, those looked at are
    what the second look found; the rate is the expected number of misread ones over the goods that
    were called, in turns with the chances [1]_. Which labels were looked at may depend on where they
    lie, not on what they are.

    References
    ----------
    .. [1] Dempster, Laird and Rubin (1977), J. R. Statist. Soc. B 39.
    """
    called = sum(x.called for x in families)
    if not called:
        return float("nan")
    rate = sum(len(x.is_real) for x in families) / called / 2
    for _ in range(MOST_RATES):
        before = rate
        shares = (_true_share(x.near, rate * x.goods, x.is_real) for x in families)
        rate = sum(float((1 - share).sum()) for share in shares) / called
        if abs(rate - before) <= 1e-4 * before:
            break
    return min(rate, 1.0)


def exceedance(tally: FamilyTally) -> Exceeded:
    """Return how far first labels and reviewed goods exceed the live limits.

    Parameters
    ----------
    tally : FamilyTally

    Returns
    -------
    Exceeded
    """
    cells, defects, live = tally.cells, tally.defects, tally.grid.live
    called = cells.reviewed & ~cells.settled & is_called(live, cells.ranks)
    found_by, caught = defects.frame["found_by"], is_called(live, defects.ranks)
    ranks = [
        *(defects.ranks[caught & (found_by == by).to_numpy()] for by in ("review", "second look")),
        tally.misread.ranks[is_called(live, tally.misread.ranks)],
    ]
    labels, goods = (
        _exceeded(tally.grid.limits, r.astype(np.int32)).max(axis=1, initial=0.0)
        for r in (np.concatenate(ranks), cells.ranks[called])
    )
    return Exceeded(labels=labels, is_real=_looked(ranks), goods=goods, count=cells.count[called])


def _looked(ranks: Sequence[Ranks]) -> Floats:
    """Return NaN, 1 and 0 for doubted, confirmed and misread labels, in this order."""
    return np.repeat([np.nan, 1.0, 0.0], [len(r) for r in ranks])


@dataclass(frozen=True, slots=True, eq=False)
class _Goods:
    """Reviewed goods that the live recipe calls and some setting does not, by place; k rows."""

    exceeded: Floats
    count: Ints


def _called_goods(tally: FamilyTally) -> _Goods:
    cells = tally.cells
    called = cells.reviewed & is_called(tally.grid.live, cells.ranks) & ~_always(tally, cells.ranks)
    seen, count = sum_by_row(cells.ranks[called].astype(np.int32), cells.count[called])
    return _Goods(_exceeded(tally.grid.limits, seen), count)


def _by_review(tally: FamilyTally, found_by: str) -> Bools:
    """Return which labelled defects the live recipe calls and this look found, shape (d,).

    What every setting calls no setting releases: it is left as labelled.
    """
    ranks = tally.defects.ranks
    found = (tally.defects.frame["found_by"] == found_by).to_numpy(dtype=bool)
    return np.asarray(found & is_called(tally.grid.live, ranks) & ~_always(tally, ranks))


def _always(tally: FamilyTally, ranks: Ranks) -> Bools:
    """Return which items every setting calls, shape (n,)."""
    last = np.array([len(limit.z) for limit in tally.grid.limits])
    return np.asarray((ranks == last).all(axis=1))


def _balanced(nearness: Floats, misread: Floats, expected: float) -> Floats:
    """Return the chances with the misread density scaled until the expected number comes out."""
    low, high = 1 / MOST_SCALED, MOST_SCALED
    for _ in range(HALVINGS):
        middle = (low * high) ** 0.5
        if float((1 - _true_share(nearness, middle * misread)).sum()) < expected:
            low = middle
        else:
            high = middle
    return _true_share(nearness, (low * high) ** 0.5 * misread)


def _true_share(nearness: Floats, misread: Floats, is_real: Floats | None = None) -> Floats:
    """Return the share of real defects where each label lies, shape (n,); known ones stay as they are."""
    others = nearness - np.diag(np.diag(nearness))
    unknown = np.ones(len(misread), bool) if is_real is None else np.isnan(is_real)
    share = np.ones(len(misread)) if is_real is None else np.where(unknown, 1.0, is_real)
    for _ in range(MOST_TURNS):
        real = others @ share + UNSEEN_HERE
        before, share = share, np.where(unknown, real / (real + misread), share)
        if np.abs(share - before).max(initial=0.0) < 1e-4:
            break
    return share


def _exceeded(limits: Sequence[GridLimit], ranks: NDArray[np.int32]) -> Floats:
    """Return by how many standard deviations items exceed each live limit, shape (n, m)."""
    far = np.zeros(ranks.shape)
    for n, limit in enumerate(limits):
        z = limit.z.astype(np.float64)
        # A limit that is off is exceeded by nothing; its own level less itself is no number.
        from_live = np.subtract(z, z[limit.live], out=np.zeros(len(z)), where=np.isfinite(z))
        beyond = from_live / (limit.spread or 1.0)
        far[:, n] = np.maximum(0.0, beyond[np.maximum(ranks[:, n] - 1, 0)]) * (ranks[:, n] > 0)
    return far


def _nearness(one: Floats, other: Floats) -> Floats:
    """Return the normal kernel between two sets of points, shape (n, k)."""
    return np.asarray(np.exp(-0.5 * cdist(one / NEARNESS, other / NEARNESS, "sqeuclidean")))
