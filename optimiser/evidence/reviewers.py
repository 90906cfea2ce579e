"""Reviewers: how many defects they pass, and what that makes of a call load.

A reviewer who sees one true call among a hundred passes more of the true ones than one who
sees one in two. So the defects that reach the customer, those no limit called and those a
reviewer passed, have a minimum at a finite call load: more calls than that lose defects. The
published figures come from search in X-ray images; a plant's own come from seeding known
defects. Which curve is used is a named scenario and belongs beside every figure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit
from scipy.stats import linregress, norm

from optimiser.defaults import SCENARIOS
from optimiser.errors import UsageError, nearest

Floats = NDArray[np.float64]
LEVEL = 0.90
CAP = 0.40
"""No published miss rate speaks for shares of true calls below 1 %: the curve stops here."""

LABORATORY = ((0.50, 0.07), (0.10, 0.16), (0.01, 0.30))
"""Share of targets and share missed: Wolfe, Horowitz and Kenner, Nature 435 (2005)."""

EXPERT = ((0.50, 0.12), (0.005, 0.30))
"""The same films read in a session and in screening: Evans, Birdwell and Wolfe, PLOS ONE 8 (2013).

The share in screening is not published with it; 0.3 to 1 % is usual, and 0.5 % stands here.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class MissCurve:
    """The share of true calls that a reviewer passes, by the share of true calls among all.

    ``Φ(intercept + slope × logit(share))``, at most ``cap``: a straight line in probit and logit,
    which is a reviewer who moves the criterion and sees as well as before.
    """

    name: str
    intercept: float
    slope: float
    cap: float = CAP

    def miss_rate(self, share: Floats) -> Floats:
        """Return the miss rate at shares of true calls among calls, 0..1.

        Parameters
        ----------
        share : ndarray

        Returns
        -------
        ndarray
        """
        if self.slope == 0:
            return np.full(np.shape(share), min(float(norm.cdf(self.intercept)), self.cap))
        return np.minimum(norm.cdf(self.intercept + self.slope * logit(share)), self.cap)


def constant_curve(miss_rate: float) -> MissCurve:
    """Return the reviewer who passes the same share at every call load.

    Parameters
    ----------
    miss_rate : float
        0 <= miss_rate < 1.

    Returns
    -------
    MissCurve

    Raises
    ------
    UsageError
        If the rate is out of range.
    """
    if not 0 <= miss_rate < 1:
        msg = f"0 <= miss rate < 1 must hold, got {miss_rate:g}; it is a share of the true calls"
        raise UsageError(msg)
    return MissCurve(name="constant", intercept=float(norm.ppf(miss_rate)), slope=0.0, cap=1.0)


def fit_curve(name: str, points: Sequence[tuple[float, float]], *, cap: float = CAP) -> MissCurve:
    """Return the least-squares curve through observed miss rates.

    Parameters
    ----------
    name : str
        Of the scenario.
    points : sequence of (share of true calls, miss rate)
        At least two call loads; all between 0 and 1. Two are met exactly.
    cap : float

    Returns
    -------
    MissCurve

    Raises
    ------
    UsageError
        If there are fewer than two call loads, a figure is not between 0 and 1, or the miss
        rate rises with the share.

    Examples
    --------
    >>> curve = fit_curve("laboratory", LABORATORY)
    >>> round(curve.intercept, 4), round(curve.slope, 4)
    (-1.4666, -0.2069)
    """
    table = np.array(points, dtype=np.float64).reshape(-1, 2)
    if len(set(table[:, 0])) < 2 or not np.all((table > 0) & (table < 1)):
        msg = (
            "a miss curve needs two call loads or more, shares and miss rates between 0 and 1, "
            f"got {[tuple(map(float, row)) for row in table]}; seed known defects at two call loads"
        )
        raise UsageError(msg)
    line = linregress(logit(table[:, 0]), norm.ppf(table[:, 1]))
    if line.slope > 0:
        msg = (
            "miss rates must not rise with the share of true calls, got slope "
            f"{line.slope:.3g}; the points are too few or too uncertain, use a constant"
        )
        raise UsageError(msg)
    return MissCurve(name=name, intercept=float(line.intercept), slope=float(line.slope), cap=cap)


def scenario(name: str, *, miss_rate: float) -> MissCurve:
    """Return the curve of a named scenario.

    Parameters
    ----------
    name : str
        ``constant`` (the plant's own rate), ``expert`` or ``laboratory``.
    miss_rate : float
        Of the plant file; used by ``constant`` alone.

    Returns
    -------
    MissCurve

    Raises
    ------
    UsageError
        If there is no such scenario.
    """
    if name == "constant":
        return constant_curve(miss_rate)
    if name == "expert":
        return fit_curve(name, EXPERT)
    if name == "laboratory":
        return fit_curve(name, LABORATORY)
    msg = f"unknown scenario {name!r}; {nearest(name, SCENARIOS)}"
    raise UsageError(msg)


# Total escapes -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TotalEscapes:
    """Defects lost by limits and by reviewers together, for p settings.

    Attributes
    ----------
    scenario : str
    calls, true_share, miss_rate, missed_by_limits, missed_by_review, total : ndarrays, shape (p,)
        Calls to review, the share of true ones among them, and defects, in the unit the
        inputs came in. Without any call the share is 0 and nothing is missed by review.
    least : int
        Index of the smallest total; of equals, the one with the fewest calls.
    """

    scenario: str
    calls: Floats
    true_share: Floats
    miss_rate: Floats
    missed_by_limits: Floats
    missed_by_review: Floats
    total: Floats
    least: int


def total_escapes(
    escapes: Floats, false_calls: Floats, *, defects: float, curve: MissCurve
) -> TotalEscapes:
    """Return what escapes limits and reviewers at each setting.

    Parameters
    ----------
    escapes, false_calls : ndarrays, shape (p,)
        Defects not called, and goods called, p >= 1: counts of one history, or shares of all
        items.
    defects : float
        All defects, in the same unit.
    curve : MissCurve

    Returns
    -------
    TotalEscapes

    Raises
    ------
    UsageError
        If there is no setting, or more escapes than defects.
    """
    if not len(escapes) or not np.all((escapes >= 0) & (escapes <= defects)):
        msg = (
            f"0 <= escapes <= defects must hold at one setting or more, got {len(escapes)} "
            f"settings, {defects:g} defects; give all defects of the same items"
        )
        raise UsageError(msg)
    true_calls = defects - escapes
    calls = true_calls + false_calls
    share = np.divide(true_calls, calls, out=np.zeros_like(calls), where=calls > 0)
    miss = curve.miss_rate(share)
    lost = true_calls * miss
    total = escapes + lost
    return TotalEscapes(
        scenario=curve.name,
        calls=calls,
        true_share=share,
        miss_rate=miss,
        missed_by_limits=escapes,
        missed_by_review=lost,
        total=total,
        least=int(np.lexsort((calls, total))[0]),
    )


# Signal detection ----------------------------------------------------------------------------


# Labels --------------------------------------------------------------------------------------


def true_share(apparent: float, *, miss_rate: float, false_alarm_rate: float) -> float:
    """Return the true share of defects behind an apparent one (Rogan and Gladen).

    Parameters
    ----------
    apparent : float
        Share labelled defect, 0..1.
    miss_rate, false_alarm_rate : float
        Of the reviewers; below 1 together.

    Returns
    -------
    float
        0..1: an apparent share below the false-alarm rate means none.

    Raises
    ------
    UsageError
        If the labels say nothing (error rates of 1 or more together).

    References
    ----------
    .. [1] Rogan and Gladen (1978), Estimating prevalence from the results of a screening test,
       American Journal of Epidemiology 107.

    Examples
    --------
    >>> round(true_share(0.05, miss_rate=0.1, false_alarm_rate=0.02), 5)
    0.03409
    """
    if min(miss_rate, false_alarm_rate) < 0 or miss_rate + false_alarm_rate >= 1:
        msg = (
            "miss rate and false-alarm rate must not be negative and below 1 together, got "
            f"{miss_rate:g} and {false_alarm_rate:g}; labels of such reviewers say nothing"
        )
        raise UsageError(msg)
    found = (apparent - false_alarm_rate) / (1 - miss_rate - false_alarm_rate)
    return min(max(found, 0.0), 1.0)
