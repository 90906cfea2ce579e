"""Which passed items to inspect again, and what that proves.

Nobody reviews what the machine passes, so escapes are known only as far as somebody looks.
Looking at random proves little: 2,000 clean items of 980,000 still allow 1,465 escapes. So
items near a limit, where escapes gather, are picked more often; those far from every limit
keep a stated part, because what is never looked at stays unknown. Each picked item carries
its weight, the inverse of its chance, and the weights make the sum honest again.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import hypergeom

from optimiser.errors import UsageError
from optimiser.evidence.intervals import Interval, weighted_total

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BANDS = ("very near", "near", "far")
FAR = 2
CUTS = (0.5, 1.5)
"""Where ``near`` and ``far`` begin, in standard deviations of the family's passed items."""

ASSUMED = (1e-2, 1e-3)
"""Share of defects assumed in ``very near`` and ``near``: it steers the picking, no result."""

FAR_SHARE = 0.3
LEVEL = 0.95
LEAST = 2
"""Fewest items of a stratum: one alone says nothing of how a stratum varies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """Passed items of one family, about equally far from their nearest limit.

    Attributes
    ----------
    family, band : str
    items : int
        Passed items that nobody judged.
    picked : int
        How many of them are inspected again.
    """

    family: str
    band: str
    items: int
    picked: int

    @property
    def name(self) -> str:
        """Family and band."""
        return f"{self.family}, {self.band}"

    @property
    def weight(self) -> float:
        """How many passed items each picked one stands for."""
        return self.items / self.picked


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A stratum whose picked items have their verdicts.

    Attributes
    ----------
    name : str
        Family and band.
    far : bool
    items, picked, judged, found : int
        In the stratum; picked; judged, as boards may be gone; defects among the judged.
    """

    name: str
    far: bool
    items: int
    picked: int
    judged: int
    found: int

    @property
    def weight(self) -> float:
        """How many passed items each judged one stands for; infinite without any."""
        return self.items / self.judged if self.judged else math.inf

    @property
    def estimate(self) -> float:
        """Escapes estimated in the stratum; NaN where nothing was judged."""
        return self.weight * self.found if self.judged else math.nan

    def interval(self, level: float = LEVEL) -> Interval:
        """Return the escapes of the stratum with their exact two-sided interval."""
        tail = (1 + level) / 2
        return Interval(
            value=self.estimate,
            low=fewest_escapes(self.items, self.judged, self.found, level=tail),
            high=most_escapes(self.items, self.judged, self.found, level=tail),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Clean:
    """What it would prove if no picked item were a defect.

    Attributes
    ----------
    level : float
        One-sided confidence of every bound.
    strata : tuple of int
        Most escapes per stratum, in the order of the strata; exact.
    near, far, total : float
        Most escapes in the bands near a limit, far from it, and in all; NaN for no such items.
    far_ppm, total_ppm : float
        The same per million items.
    """

    level: float
    strata: tuple[int, ...]
    near: float
    far: float
    total: float
    far_ppm: float
    total_ppm: float

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Escapes among passed items, estimated from an audit.

    Attributes
    ----------
    level : float
        Two-sided.
    escapes : Interval
        Weighted sum of the defects found, with the interval of Fay and Feuer.
    error : float
        Standard error of the stratified sample; NaN where a stratum has one judged item.
    items, judged, found : int
        In the strata with a judged item.
    unseen : int
        Items of strata where nothing was judged: the estimate says nothing of them.
    """

    level: float
    escapes: Interval
    error: float
    items: int
    judged: int
    found: int
    unseen: int

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return asdict(self)


def most_escapes(items: int, picked: int, found: int, *, level: float) -> int:
    """Return the most defects that a random sample without replacement leaves possible.

    The largest D for which a sample with so few defects still has a chance above
    ``1 - level``: exact, from the hypergeometric distribution.

    Parameters
    ----------
    items, picked, found : int
        Items, items picked at random, defects among the picked.
    level : float
        One-sided confidence.

    Returns
    -------
    int
        All items where none was picked.

    Examples
    --------
    >>> most_escapes(1000, 300, 0, level=0.95)
    8
    >>> most_escapes(980_000, 2000, 0, level=0.95)
    1465
    """
    low, high = found, items - picked + found
    while low < high:
        middle = (low + high + 1) // 2
        possible = hypergeom.cdf(found, items, middle, picked) > 1 - level
        low, high = (middle, high) if possible else (low, middle - 1)
    return low


def fewest_escapes(items: int, picked: int, found: int, *, level: float) -> int:
    """Return the fewest defects that a random sample without replacement leaves possible.

    Parameters
    ----------
    items, picked, found : int
        Items, items picked at random, defects among the picked.
    level : float
        One-sided confidence.

    Returns
    -------
    int
        At least those found.

    Examples
    --------
    >>> fewest_escapes(2000, 800, 12, level=0.975)
    19
    """
    low, high = found, items - picked + found
    while low < high:
        middle = (low + high) // 2
        possible = hypergeom.sf(found - 1, items, middle, picked) > 1 - level
        low, high = (low, middle) if possible else (middle + 1, high)
    return low


def allocate(sizes: Ints, bands: Ints, *, items: int) -> Ints:
    """Return how many items to pick in each stratum.

    At least 30 % far from every limit, in proportion to size, so that all their weights are
    alike: the largest weight rules what a clean result proves. The rest near a limit, in
    proportion to ``N sqrt(p (1 - p))`` with the assumed shares of defects (Neyman). At least
    two of every stratum.

    Parameters
    ----------
    sizes : ndarray, shape (h,)
        Items per stratum, at least 1.
    bands : ndarray, shape (h,)
        Index into BANDS.
    items : int
        To pick in all.

    Returns
    -------
    ndarray, shape (h,)
        Sums to ``items``, or to all there are.

    Raises
    ------
    UsageError
        If there are too few for two of every stratum.
    """
    far = bands == FAR
    items = min(items, int(sizes.sum()))
    least = np.minimum(sizes, LEAST)
    for_near = _room_near(sizes, far, items)
    if for_near < least[~far].sum():
        needed = items
        while _room_near(sizes, far, needed) < least[~far].sum():
            needed += 1
        msg = (
            f"--items must be at least {needed} to look into each of {len(sizes)} strata, got "
            f"{items}; pick more, or name one family with --family"
        )
        raise UsageError(msg)
    share = np.array([*ASSUMED, 0.5])[bands]
    wanted = sizes * np.sqrt(share * (1 - share))
    picked = np.zeros(len(sizes), dtype=np.int64)
    for group, room in ((~far, for_near), (far, items - for_near)):
        picked[group] = _spread(sizes[group], wanted[group], least[group], room)
    return picked


def _room_near(sizes: Ints, far: NDArray[np.bool_], items: int) -> int:
    """Return how many of the items may be picked near a limit."""
    tenths = round(FAR_SHARE * 10)
    for_far = max(-(-tenths * items // 10), int(np.minimum(sizes[far], LEAST).sum()))
    for_far = min(for_far, int(sizes[far].sum()))
    return min(items - for_far, int(sizes[~far].sum()))


def _spread(sizes: Ints, wanted: Floats, least: Ints, room: int) -> Ints:
    """Return whole numbers between ``least`` and ``sizes``, nearly as wanted, that sum to room."""
    if not len(sizes):
        return sizes
    low, high = 0.0, float((sizes / wanted).max())
    for _ in range(200):
        middle = (low + high) / 2
        over = np.clip(middle * wanted, least, sizes).sum() > room
        low, high = (low, middle) if over else (middle, high)
    exact = np.clip(low * wanted, least, sizes)
    found = np.maximum(least, np.floor(exact)).astype(np.int64)
    # What rounding down leaves goes to the largest fractions; a full stratum takes no more.
    for n in np.argsort(found - exact, kind="stable").tolist() * len(sizes):
        if found.sum() >= room:
            break
        found[n] += found[n] < sizes[n]
    return found


def clean(strata: Sequence[Stratum], *, level: float = LEVEL) -> Clean:
    """Return what it would prove if no picked item were a defect.

    Parameters
    ----------
    strata : sequence of Stratum
    level : float
        One-sided confidence.

    Returns
    -------
    Clean

    Notes
    -----
    One stratum has its exact hypergeometric bound; several together the bound of Fay and
    Feuer without any event, ``W ln(1 / (1 - level))`` with the largest weight W: for one
    stratum the rule of three, ``3 N / n`` at 95 %. It holds for every spread of E escapes
    over the strata, because the chance to find none is at most ``exp(-E / W)``.
    """
    near = [s for s in strata if s.band != BANDS[FAR]]
    far = [s for s in strata if s.band == BANDS[FAR]]
    bounds = [_clean_bound(group, level) for group in (near, far, strata)]
    return Clean(
        level=level,
        strata=tuple(most_escapes(s.items, s.picked, 0, level=level) for s in strata),
        near=bounds[0],
        far=bounds[1],
        total=bounds[2],
        far_ppm=_ppm(bounds[1], far),
        total_ppm=_ppm(bounds[2], strata),
    )


def _clean_bound(strata: Sequence[Stratum], level: float) -> float:
    if not strata:
        return math.nan
    if len(strata) == 1:
        return most_escapes(strata[0].items, strata[0].picked, 0, level=level)
    weights = np.array([s.weight for s in strata])
    # The upper end of a two-sided interval with both tails of 1 - level.
    bound = weighted_total(np.zeros(len(strata)), weights, level=2 * level - 1).high
    return min(bound, float(sum(s.items for s in strata)))


def _ppm(escapes: float, strata: Sequence[Stratum]) -> float:
    return escapes / sum(s.items for s in strata) * 1e6 if strata else math.nan


def estimate(strata: Sequence[Judged], *, level: float = LEVEL) -> Estimate:
    """Return the escapes among passed items, from the verdicts of an audit.

    Parameters
    ----------
    strata : sequence of Judged
    level : float
        Two-sided.

    Returns
    -------
    Estimate
        Horvitz and Thompson's weighted sum, with Fay and Feuer's interval.

    Notes
    -----
    ``E = Σ N x / n``, ``Var = Σ N² (1 - n/N) p (1 - p) / (n - 1)``. The standard error is
    shown but makes no interval: with rare defects plus and minus two of it holds far too
    seldom.

    Examples
    --------
    >>> sizes, judged, found = (980_000, 18_000, 2_000), (2_000, 1_000, 800), (0, 1, 12)
    >>> strata = [
    ...     Judged(name=f"A, {b}", far=b == "far", items=N, picked=n, judged=n, found=x)
    ...     for b, N, n, x in zip(("far", "near", "very near"), sizes, judged, found)
    ... ]
    >>> all_of_them = estimate(strata)
    >>> round(all_of_them.escapes.value, 1), round(all_of_them.error, 2)
    (48.0, 18.72)
    >>> round(all_of_them.escapes.low, 1), round(all_of_them.escapes.high, 1)
    (17.2, 1834.7)
    """
    seen = [s for s in strata if s.judged]
    found = np.array([s.found for s in seen], dtype=float)
    weights = np.array([s.weight for s in seen], dtype=float)
    return Estimate(
        level=level,
        escapes=weighted_total(found, weights, level=level),
        error=math.sqrt(sum(_variance(s) for s in seen)),
        items=sum(s.items for s in seen),
        judged=sum(s.judged for s in seen),
        found=int(found.sum()),
        unseen=sum(s.items for s in strata if not s.judged),
    )


def _variance(stratum: Judged) -> float:
    """Return the variance of one stratum's weighted sum; NaN where one item cannot show it."""
    if stratum.judged == stratum.items:
        return 0.0
    if stratum.judged == 1:
        return math.nan
    share = stratum.found / stratum.judged
    spread = share * (1 - share) / (stratum.judged - 1)
    return stratum.items**2 * (1 - stratum.judged / stratum.items) * spread
