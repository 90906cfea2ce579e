"""Stated rates: whether what the plant file says of its reviewers fits the labels they gave.

Every figure that rests on labels takes the reviewers' rates from the plant file. Labels can
contradict them. Goods pile up just beyond a limit and real defects do not, so labels in excess
there are misread goods; and a called defect that test finds later was missed by its reviewer.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import beta, binomtest, chi2, poisson

from optimiser.evidence.intervals import Interval

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Zones beyond a live limit, in standard deviations of the goods: near, and further out.
ZONE = 0.5
# Real defects are taken to lie at most so many times as densely in the near zone as further out.
# Mechanisms centred beyond a limit lie less densely there, broad ones hardly more.
DENSEST = 1.5
# Chance that a right rate is said to be contradicted, each way.
DELTA = 0.01
LEVEL = 0.90


@dataclass(frozen=True, slots=True, kw_only=True)
class Zones:
    """First labels of review and reviewed goods beyond live limits, near and further out.

    Attributes
    ----------
    labels_near : int
        In the near zone, those left out that a second look confirmed: what may be misread there.
    labels_far : int
        Further out, those left out that a second look found misread: what may be real there.
    misread, confirmed : int
        What a second look found, anywhere beyond the limits.
    confirmed_far, misread_far : int
        Of these, further out.
    goods_near, goods_far, goods : int
        Reviewed goods in the two zones, and all that the live limits call.
    """

    labels_near: int
    labels_far: int
    goods_near: int
    goods_far: int
    goods: int
    misread: int = 0
    confirmed: int = 0
    misread_far: int = 0
    confirmed_far: int = 0

    def __add__(self, other: "Zones") -> "Zones":
        return Zones(**{n: k + getattr(other, n) for n, k in asdict(self).items()})


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """One stated rate beside what labels say of it.

    Attributes
    ----------
    stated : float
    found : Interval
        The rate that the labels fit, 90 %.
    too_low, too_high : float
        p-values of the stated rate against a higher and against a lower one.
    events, of : int
        From how much.
    """

    stated: float
    found: Interval
    too_low: float
    too_high: float
    events: int
    of: int

    @property
    def contradicted(self) -> bool:
        """Whether the labels contradict the stated rate."""
        return min(self.too_low, self.too_high) < DELTA


def zones_of(labels: Floats, is_real: Floats, goods: Floats, count: NDArray[np.int64]) -> Zones:
    """Return labels and goods by zone.

    Parameters
    ----------
    labels : ndarray, shape (n,)
        How far each first label of review exceeds a live limit, largest over limits, in standard
        deviations of the goods.
    is_real : ndarray, shape (n,)
        1 and 0 where a second look says so, NaN elsewhere.
    goods : ndarray, shape (k,)
        The same of reviewed goods.
    count : ndarray of int, shape (k,)
        How many goods each stands for.

    Returns
    -------
    Zones
    """

    def inside(x: Floats, zone: int) -> Bools:
        return np.asarray((x >= zone * ZONE) & (x < (zone + 1) * ZONE))

    near, far, misread, sure = inside(labels, 0), inside(labels, 1), is_real == 0, is_real == 1
    return Zones(
        labels_near=int((near & ~sure).sum()),
        labels_far=int((far & ~misread).sum()),
        goods_near=int(count[inside(goods, 0)].sum()),
        goods_far=int(count[inside(goods, 1)].sum()),
        goods=int(count.sum()),
        misread=int(misread.sum()),
        confirmed=int(sure.sum()),
        misread_far=int((far & misread).sum()),
        confirmed_far=int((far & sure).sum()),
    )


def false_alarms(zones: Zones, stated: float, *, fitted: float | None = None) -> Fit | None:
    """Return how the stated rate of misread goods fits the labels.

    Parameters
    ----------
    zones : Zones
        Of a family, or the sum over families.
    stated : float
        0..1.
    fitted : float, optional
        The rate that labels fit of which some were looked at again
        (`search.misread.fitted_false_alarm_rate`); from the zones alone when not given.

    Returns
    -------
    Fit or None
        None without goods in the near zone.

    Notes
    -----
    With rate f the near zone holds a Poisson number of labels with mean ``f g + D r`` at most,
    where g are the goods there and the labels, which may be misread goods, r the real defects of
    the far zone and D is DENSEST; the far zone holds ``f g' + r``, g' its goods, at least. That f
    is too low is tested at the largest r that the far zone's labels allow, with the chance of a
    larger one added [1]_. What a second look found misread is a part of what reviewers misread,
    whatever was looked at: that f is too low is tested on it as well, each of the two tests at half
    the level. That f is too high is tested on all labels of both zones that may be misread: there
    can be no fewer than misread goods alone.

    References
    ----------
    .. [1] Berger and Boos (1994), P values maximized over a confidence set for the nuisance
       parameter, J. Am. Statist. Assoc. 89.
    """
    if not zones.goods_near:
        return None
    of = zones.goods_near + zones.labels_near
    tail = (1 - LEVEL) / 2
    most = max(_most(zones.labels_near, tail) / of, _most(zones.misread, tail) / zones.goods)
    high = min(most, 1.0)
    low = 0.0
    if _too_low(zones, high) < tail:
        # More misread than goods that the limits call: an override's own limits called the others.
        low = high
    elif _too_low(zones, 0.0) < tail:
        low = float(brentq(lambda f: _too_low(zones, f) - tail, 0.0, high))
    excess = zones.labels_near - zones.labels_far
    goods = max(zones.goods_near - zones.goods_far, 1)
    value = min(max(low, excess / goods if fitted is None else fitted), high)
    labels = zones.labels_near + zones.labels_far + zones.misread_far - zones.confirmed_far
    expected = stated * (zones.goods_near + zones.goods_far + labels)
    return Fit(
        stated=stated,
        found=Interval(value=value, low=low, high=high),
        too_low=_too_low(zones, stated),
        too_high=float(poisson.cdf(labels, expected)) if stated else 1.0,
        events=zones.labels_near,
        of=of,
    )


def _most(count: int, tail: float) -> float:
    """Return the largest mean of a Poisson variable that lets a count be so low."""
    return float(chi2.ppf(1 - tail, 2 * count + 2)) / 2


def _too_low(zones: Zones, rate: float) -> float:
    """Return the p-value of a rate of misread goods against a higher one."""
    by_zones = _too_low_near(zones, rate)
    if not zones.misread:
        return by_zones
    known = float(poisson.sf(zones.misread - 1, rate * zones.goods))
    return min(1.0, 2 * min(by_zones, known))


def _too_low_near(zones: Zones, rate: float) -> float:
    """Return the same from labels in excess just beyond the limits."""
    share = DELTA / 10
    real = max(0.0, _most(zones.labels_far, share) - rate * zones.goods_far)
    # Labels there may be misread goods all of them: the rate is one of theirs too.
    mean = rate * (zones.goods_near + zones.labels_near) + DENSEST * real
    return min(1.0, float(poisson.sf(zones.labels_near - 1, mean)) + share)


def misses(
    found_later: int, found_by_review: float, *, coverage: float, stated: float
) -> Fit | None:
    """Return how the stated rate of missed defects fits the labels.

    Parameters
    ----------
    found_later : int
        Called defects that their reviewer passed and that test found.
    found_by_review : float
        Called defects that review found, misread goods taken off.
    coverage : float
        Share of escapes that test finds, 0..1.
    stated : float
        0..1.

    Returns
    -------
    Fit or None
        None where no called defect was ever found by test: the results may not say.

    Notes
    -----
    Of the called defects that are known, those that test found are a binomial share
    ``m c / (m c + 1 - m)`` with m the miss rate and c the coverage; exact test, and the interval
    of Clopper and Pearson turned into one of m.
    """
    reviewed = round(found_by_review)
    total = found_later + reviewed
    if not found_later or not reviewed:
        return None
    known = stated * coverage / (stated * coverage + 1 - stated)
    tail = (1 - LEVEL) / 2
    ends = (
        float(beta.ppf(tail, found_later, total - found_later + 1)),
        float(beta.ppf(1 - tail, found_later + 1, total - found_later)),
    )
    low, value, high = (_miss(p, coverage) for p in (ends[0], found_later / total, ends[1]))
    return Fit(
        stated=stated,
        found=Interval(value=value, low=low, high=high),
        too_low=float(binomtest(found_later, total, known, alternative="greater").pvalue),
        too_high=float(binomtest(found_later, total, known, alternative="less").pvalue),
        events=found_later,
        of=total,
    )


def _miss(share: float, coverage: float) -> float:
    """Return the miss rate at which a share of the known called defects is found by test."""
    return share / (share + coverage * (1 - share))


def fit_words(
    alarms: Fit | None,
    missed: Fit | None,
    where: Sequence[str] = (),
    *,
    looked: tuple[int, int] = (0, 0),
) -> list[str]:
    """Return what the labels say of the stated rates, as sentences.

    Parameters
    ----------
    alarms, missed : Fit or None
        Over the plant.
    where : sequence of str
        Families whose labels contradict the rate of misread goods by themselves.
    looked : tuple of int
        Labels that a second look found misread, of how many.

    Returns
    -------
    list of str
        Contradictions first; one short line where there are none.
    """
    lines = []
    if alarms is not None and alarms.contradicted:
        way_out = "" if looked[1] else ", or have labels looked at again (optimiser relabel)"
        lines.append(
            f"Labels contradict review.false_alarm_rate = {alarms.stated:.2%}: {_seen(alarms, looked)}, "
            f"which fits a rate of {_percent(alarms.found)}. Correct the rate{way_out}."
        )
    elif alarms is not None and not alarms.stated and alarms.found.value:
        lines.append(
            "Nobody has said how often reviewers misread goods (review.false_alarm_rate = 0): "
            f"{_seen(alarms, looked)}, "
            f"which fits a rate of {_percent(alarms.found)}. Until it is stated every label counts as a defect; "
            "have labels looked at again (optimiser relabel)."
        )
    if missed is not None and missed.contradicted:
        lines.append(
            f"Labels contradict review.miss_rate = {missed.stated:.1%}: test found {missed.events:,} of {missed.of:,} "
            f"known defects among called items, which fits a miss rate of {_percent(missed.found)}. Correct the rate."
        )
    if where:
        lines.append(f"By family they contradict the rate of misread goods in {', '.join(where)}.")
    if not lines and alarms is not None:
        lines.append(
            f"The stated rates of reviewers fit the labels (from {alarms.of:,} called items near limits)."
        )
    if missed is None:
        lines.append(
            "No called defect was ever found by test, so the labels say nothing of review.miss_rate."
        )
    return lines


def _seen(alarms: Fit, looked: tuple[int, int]) -> str:
    near = f"{alarms.events:,} of {alarms.of:,} called items just beyond the limits are labelled defects"
    if not looked[1]:
        return near
    again = f"of {looked[1]:,} labels looked at again {looked[0]:,} were misread"
    return f"{again}, and {near} that no second look confirmed"


def _percent(of: Interval) -> str:
    return f"{of.value:.2%} ({of.low:.2%} to {of.high:.2%})"
