"""Agreement of reviewers: with one another, with themselves, with what is known to be true.

Kappas come from statsmodels, exact binomial intervals from scipy. Several looks at one item
are not independent, so rates over looks are judged with the item as the unit; with a single
look per item their intervals are the exact ones.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest, chi2, norm
from statsmodels.stats.contingency_tables import SquareTable  # type: ignore[import-untyped]
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa  # type: ignore[import-untyped]

from optimiser.errors import UsageError
from optimiser.evidence.intervals import ICC_FLOOR, Interval, share_by_lot

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEVEL = 0.90

ACCEPTABLE, MARGINAL = (0.90, 0.02, 0.05), (0.80, 0.05, 0.10)
"""Least effectiveness, largest miss rate, largest false-alarm rate (AIAG)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Appraisal:
    """One reviewer against what is known to be true.

    Attributes
    ----------
    repeats, effectiveness : Interval
        Share of items judged alike at every look; and rightly at every look.
    miss_rate, false_alarm_rate : Interval
        Shares of looks: defects passed; goods called defects. 0 to 1 without any such item.
    kappa : Interval
        Cohen's, of all looks against the truth, counted as independent; NaN where only one verdict occurs.
    verdict : str
        ``acceptable``, ``marginal`` or ``unacceptable`` after the AIAG bounds, by the values
        themselves.
    """

    repeats: Interval
    effectiveness: Interval
    miss_rate: Interval
    false_alarm_rate: Interval
    kappa: Interval
    verdict: str


def exact_share(events: int, trials: int, *, level: float = LEVEL) -> Interval:
    """Return a share with its exact binomial interval (Clopper and Pearson).

    Parameters
    ----------
    events, trials : int
        Independent trials; without any, the share is unknown: 0 to 1.
    level : float
        Two-sided.

    Returns
    -------
    Interval

    Examples
    --------
    >>> found = exact_share(42, 50, level=0.95)
    >>> round(found.low, 4), round(found.high, 4)
    (0.7089, 0.9283)
    """
    if trials == 0:
        return Interval(value=0.0, low=0.0, high=1.0)
    exact = binomtest(events, trials).proportion_ci(level, method="exact")
    return Interval(value=events / trials, low=float(exact.low), high=float(exact.high))


def cross_table(first: Ints | Bools, second: Ints | Bools) -> Ints:
    """Return how often two reviewers gave each pair of verdicts.

    Parameters
    ----------
    first, second : ndarrays of int or bool, shape (n,)
        Verdicts on the same items, from 0.

    Returns
    -------
    ndarray of int, shape (v, v)
        Rows are the first reviewer's verdicts.

    Raises
    ------
    UsageError
        If they did not judge equally many items, or none.
    """
    if len(first) != len(second) or not len(first):
        msg = (
            f"two reviewers must judge the same items, got {len(first)} and {len(second)} verdicts; "
            "leave out items that only one of them judged"
        )
        raise UsageError(msg)
    verdicts = int(max(first.max(), second.max(), 1)) + 1
    table = np.zeros((verdicts, verdicts), dtype=np.int64)
    np.add.at(table, (first.astype(np.int64), second.astype(np.int64)), 1)
    return table


def cohen(table: Ints, *, level: float = LEVEL) -> Interval:
    """Return Cohen's kappa of two reviewers with its large-sample interval.

    Parameters
    ----------
    table : ndarray of int, shape (v, v)
        From `cross_table`.
    level : float
        Two-sided.

    Returns
    -------
    Interval
        NaN where both give one and the same verdict only: chance explains everything then,
        and kappa has no value. Where the large-sample error is 0 (no verdict differs, or one
        reviewer never varies) the interval is that of the exact share of agreement, at the
        chance agreement observed.

    Examples
    --------
    >>> round(cohen(np.array([[20, 5], [10, 15]])).value, 3)
    0.4
    """
    total = table.sum()
    if total == 0 or (table.max() == total and table.trace() == total):
        return Interval(value=math.nan, low=math.nan, high=math.nan)
    with np.errstate(invalid="ignore"):  # its z test divides 0 by 0 where one never varies
        found = cohens_kappa(table)
    value, reach = float(found.kappa), float(norm.isf((1 - level) / 2) * found.std_kappa)
    if reach > 0:
        return Interval(value=value, low=max(value - reach, -1.0), high=min(value + reach, 1.0))
    agreed = exact_share(int(table.trace()), int(total), level=level)
    chance = float(table.sum(axis=0) @ table.sum(axis=1)) / float(total) ** 2
    low, high = ((share - chance) / (1 - chance) for share in (agreed.low, agreed.high))
    return Interval(value=value, low=max(low, -1.0), high=high)


def fleiss(counts: Ints) -> float:
    """Return Fleiss's kappa of any number of looks per item.

    Parameters
    ----------
    counts : ndarray of int, shape (n, v)
        How many looks gave each verdict; equally many looks per item.

    Returns
    -------
    float
        NaN where only one verdict occurs.

    Raises
    ------
    UsageError
        If the looks per item differ, or are fewer than two.

    Examples
    --------
    >>> round(fleiss(np.array([[3, 0], [0, 3], [2, 1]])), 4)
    0.55
    """
    looks = counts.sum(axis=1)
    if not len(looks) or looks.min() != looks.max() or looks[0] < 2:
        spread = f"{looks.min()} to {looks.max()}" if len(looks) else "none"
        msg = f"every item needs equally many looks, two at least, got {spread}; leave others out"
        raise UsageError(msg)
    if np.count_nonzero(counts.sum(axis=0)) < 2:
        return math.nan
    return float(fleiss_kappa(counts))


def looks_of(decisions: Bools) -> Ints:
    """Return the looks per item that passed it and that called it, for `fleiss`.

    Parameters
    ----------
    decisions : ndarray of bool, shape (n, looks)
        True where a look called the item a defect.

    Returns
    -------
    ndarray of int, shape (n, 2)
    """
    called = decisions.sum(axis=1)
    return np.stack([decisions.shape[1] - called, called], axis=1)


def appraise(
    decisions: Bools, defect: Bools, *, level: float = LEVEL, icc_floor: float = ICC_FLOOR
) -> Appraisal:
    """Return how one reviewer repeats and how often they are right.

    Parameters
    ----------
    decisions : ndarray of bool, shape (n, k)
        k >= 1 looks at each of n >= 1 items: True where the reviewer said defect.
    defect : ndarray of bool, shape (n,)
        What the items are in truth.
    level : float
        Two-sided.
    icc_floor : float
        Least correlation assumed between looks at one item.

    Returns
    -------
    Appraisal

    Raises
    ------
    UsageError
        If there is no item or no look, or the truth is of other items.
    """
    n, k = decisions.shape
    if n < 1 or k < 1 or len(defect) != n:
        msg = (
            f"every item needs a look and a truth, got {n} items × {k} looks, "
            f"{len(defect)} truths; leave out items without one"
        )
        raise UsageError(msg)
    right = decisions == defect[:, None]
    alike = np.all(decisions == decisions[:, :1], axis=1)
    effectiveness = exact_share(int(right.all(axis=1).sum()), n, level=level)
    miss, alarm = (
        _rate_of_looks(~right[those], level=level, icc_floor=icc_floor)
        for those in (defect, ~defect)
    )
    return Appraisal(
        repeats=exact_share(int(alike.sum()), n, level=level),
        effectiveness=effectiveness,
        miss_rate=miss,
        false_alarm_rate=alarm,
        kappa=cohen(
            cross_table(decisions.ravel().astype(np.int64), np.repeat(defect, k).astype(np.int64)),
            level=level,
        ),
        verdict=_verdict(effectiveness.value, miss.value, alarm.value),
    )


def _rate_of_looks(wrong: Bools, *, level: float, icc_floor: float) -> Interval:
    """Return the share of wrong looks, items as the unit."""
    events = wrong.sum(axis=1).astype(np.float64)
    looks = np.full(len(wrong), float(wrong.shape[1]))
    return share_by_lot(events, looks, level=level, icc_floor=icc_floor)


def _verdict(effectiveness: float, miss: float, alarm: float) -> str:
    for word, bounds in (("acceptable", ACCEPTABLE), ("marginal", MARGINAL)):
        if effectiveness >= bounds[0] and miss <= bounds[1] and alarm <= bounds[2]:
            return word
    return "unacceptable"


def symmetry(table: Ints) -> tuple[float, int, float]:
    """Return whether one reviewer is stricter than the other (Bowker).

    Parameters
    ----------
    table : ndarray of int, shape (v, v)
        From `cross_table`.

    Returns
    -------
    tuple of float, int, float
        Chi-square, degrees of freedom, p-value. Pairs of verdicts that never differed count
        for nothing; where no verdict differed at all, 0, 0 and 1.
    """
    upper = np.triu(np.ones(table.shape, dtype=bool), 1)
    used = int(((table + table.T)[upper] > 0).sum())
    if used == 0:
        return 0.0, 0, 1.0
    statistic = float(SquareTable(table, shift_zeros=False).symmetry().statistic)
    return statistic, used, float(chi2.sf(statistic, used))
