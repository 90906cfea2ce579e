"""How well a measurement of an earlier stage foretells a defect of a later one, judged on lots unseen.

Whoever looks for the best of many measurements finds one: so the side, the limit and the very choice
of the measurement are made on other lots than those that judge them, lots are the unit of every
interval, and a chance is worked out for each measurement, to be held against all that were asked
(`evidence/discoveries.py`).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata, t

from optimiser.evidence.intervals import Interval, share_by_lot

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEVEL = 0.90
FOLDS = 5
FEWEST_LOTS = 5
"""Lots with defects below which nothing is said."""
FEWEST_DEFECTS = 8
FEWEST_GOODS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """How far one measurement tells defects from goods.

    Attributes
    ----------
    area : Interval
        Area under the receiver operating characteristic: the chance that a defect lies beyond a
        good, ties a half; 90 %, lots as the unit.
    p_value : float
        That they cannot be told apart, two-sided.
    lots : int
        With defects.
    defects, goods : int
        Of which it was measured.
    """

    area: Interval
    p_value: float
    lots: int
    defects: int
    goods: int


def separation(x: Floats, bad: Bools, lot: Ints) -> Separation | None:
    """Return how far a measurement tells defects from goods, high values standing for defects.

    Parameters
    ----------
    x : ndarray, shape (n,)
        NaN where not measured.
    bad : ndarray of bool, shape (n,)
    lot : ndarray of int, shape (n,)

    Returns
    -------
    Separation or None
        None where too few defects, lots with defects, or goods were measured.

    Notes
    -----
    The variance is that of clustered data [1]_, lots as clusters, but never less than that of
    defects that are no different and independent, so that a full separation has an interval as
    well; Student's t over the lots with defects.

    References
    ----------
    .. [1] Obuchowski (1997), Nonparametric analysis of clustered ROC curve data, Biometrics 53.

    Examples
    --------
    >>> x, bad = np.r_[np.zeros(300), np.ones(10)], np.r_[np.zeros(300), np.ones(10)] > 0
    >>> separation(x, bad, np.arange(310) % 10).area.value
    1.0
    """
    held = ~np.isnan(x)
    x, bad, lot = x[held], bad[held], lot[held]
    defects, goods = int(bad.sum()), int((~bad).sum())
    lots = len(np.unique(lot[bad]))
    if defects < FEWEST_DEFECTS or lots < FEWEST_LOTS or goods < FEWEST_GOODS:
        return None
    place = placements(x, bad)
    area = float(place[bad].mean())
    error = _error(place, bad, lot)
    return Separation(
        area=_interval(area, error, lots),
        p_value=min(1.0, 2 * float(t.sf(abs(area - 0.5) / error, lots - 1))),
        lots=lots,
        defects=defects,
        goods=goods,
    )


def _error(place: Floats, bad: Bools, lot: Ints) -> float:
    """Return the standard error of an area from placements, lots as clusters."""
    defects, goods, lots = int(bad.sum()), int((~bad).sum()), len(np.unique(lot))
    lean = np.where(
        bad, (place - place[bad].mean()) / defects, (place - place[~bad].mean()) / goods
    )
    by_lot = np.bincount(lot, lean)
    clustered = lots / max(lots - 1, 1) * float(by_lot @ by_lot)
    alike = (defects + goods + 1) / (12 * defects * goods)
    return math.sqrt(max(clustered, alike))


def _interval(area: float, error: float, lots: int) -> Interval:
    reach = float(t.ppf((1 + LEVEL) / 2, lots - 1)) * error
    return Interval(value=area, low=max(area - reach, 0.0), high=min(area + reach, 1.0))


def placements(x: Floats, bad: Bools) -> Floats:
    """Return for each item the share of the other kind that it lies on the expected side of, ties a half.

    Parameters
    ----------
    x : ndarray, shape (n,)
    bad : ndarray of bool, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        Of a defect the share of goods below it, of a good the share of defects above it.
    """
    every = rankdata(x)
    own = np.empty(len(x))
    for kind in (bad, ~bad):
        own[kind] = rankdata(x[kind])
    others = every - own
    defects, goods = max(int(bad.sum()), 1), max(int((~bad).sum()), 1)
    return np.where(bad, others / goods, 1 - others / defects)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Foretold:
    """How well the best of some measurements foretells a defect, on lots that did not choose it.

    Attributes
    ----------
    best : int
        The measurement named.
    high : bool
        Whether defects lie high in it.
    limit : float
        Beyond which the stated share of goods lies, on all lots.
    area : Interval
        Chance that a defect lies beyond a good, measurement and side chosen on other lots.
    caught : Interval
        Share of the defects beyond the limit, measurement, side and limit chosen on other lots.
    caught_anew : Interval
        Of these only what the live recipe passes.
    called_anew : Interval
        Share of the goods beyond it that the live recipe passes.
    agreed : int
        Of FOLDS folds those that chose the same measurement.
    """

    best: int
    high: bool
    limit: float
    area: Interval
    caught: Interval
    caught_anew: Interval
    called_anew: Interval
    agreed: int


def foretell(
    values: Floats,
    bad: Bools,
    lot: Ints,
    called: Bools,
    *,
    share: float,
    best: int | None = None,
) -> Foretold:
    """Return how well the best measurement foretells a defect, everything chosen on other lots.

    Parameters
    ----------
    values : ndarray, shape (n, k)
        NaN where not measured: such an item is not called.
    bad : ndarray of bool, shape (n,)
    lot : ndarray of int, shape (n,)
        In order of time.
    called : ndarray of bool, shape (n,)
        By the live recipe already.
    share : float
        Of the goods that a limit may call, 0..1.
    best : int, optional
        The measurement to name; the one that tells apart best on all lots where not given. Folds
        choose for themselves among all of them.

    Returns
    -------
    Foretold
    """
    fold = _folds(bad, lot)
    k = values.shape[1]
    beyond, place, picked = np.zeros(len(bad), dtype=bool), np.full(len(bad), np.nan), []
    overall = [_oriented(values[:, m], bad) for m in range(k)]
    if best is None:
        best = max(range(k), key=lambda m: overall[m][0])
    for f in range(FOLDS):
        seen, judged = fold != f, fold == f
        areas = [_oriented(values[seen, m], bad[seen]) for m in range(k)]
        chosen = max(range(k), key=lambda m: areas[m][0])
        picked.append(chosen)
        sign = 1.0 if areas[chosen][1] else -1.0
        x = sign * values[:, chosen]
        beyond[judged] = x[judged] > _limit(x[seen & ~bad], share)
        held = judged & ~np.isnan(x)
        if bad[held].any() and (~bad[held]).any():
            place[held] = placements(x[held], bad[held])
    sign = 1.0 if overall[best][1] else -1.0
    anew = beyond & ~called
    return Foretold(
        best=best,
        high=overall[best][1],
        limit=sign * _limit(sign * values[~bad, best], share),
        area=_area(place, bad, lot),
        caught=_by_lot(beyond, bad, lot),
        caught_anew=_by_lot(anew, bad, lot),
        called_anew=_by_lot(anew, ~bad, lot),
        agreed=sum(m == best for m in picked),
    )


def _folds(bad: Bools, lot: Ints) -> Ints:
    """Return the fold of each item: lots dealt out in turn, those with defects apart."""
    lots = np.unique(lot)
    has = np.isin(lots, lot[bad])
    of = np.zeros(int(lots.max()) + 1, dtype=np.int64)
    for kind in (lots[has], lots[~has]):
        of[kind] = np.arange(len(kind)) % FOLDS
    return of[lot]


def _oriented(x: Floats, bad: Bools) -> tuple[float, bool]:
    """Return the area on the better side, and whether defects lie high; a half where it cannot be told."""
    held = ~np.isnan(x)
    if not bad[held].any() or bad[held].all():
        return 0.5, True
    area = float(placements(x[held], bad[held])[bad[held]].mean())
    return max(area, 1 - area), area >= 0.5


def _limit(goods: Floats, share: float) -> float:
    """Return the least value that at most a share of the goods exceed."""
    held = np.sort(goods[~np.isnan(goods)])
    if not len(held):
        return math.inf
    # Of n values at most the last share * n may lie beyond.
    return float(held[len(held) - 1 - math.floor(share * len(held))])


def _by_lot(events: Bools, of: Bools, lot: Ints) -> Interval:
    """Return the share of events among some items, lots as the unit."""
    counts = np.bincount(lot[of & events], minlength=int(lot.max()) + 1).astype(np.float64)
    sizes = np.bincount(lot[of], minlength=int(lot.max()) + 1).astype(np.float64)
    return share_by_lot(counts, sizes, level=LEVEL, icc_floor=0.0)


def _area(place: Floats, bad: Bools, lot: Ints) -> Interval:
    """Return the area from placements that were worked out fold by fold; 0 to 1 with too little."""
    held = ~np.isnan(place)
    place, bad, lot = place[held], bad[held], lot[held]
    lots = len(np.unique(lot[bad]))
    if lots < 2 or bad.all():
        return Interval(value=0.5, low=0.0, high=1.0)
    # Folds differ in their goods; a good's own mean is that of its fold.
    return _interval(float(place[bad].mean()), _error(place, bad, lot), lots)
