"""Risks of deciding on a reading: consumer's and producer's risk, guard bands.

After JCGM 106. *Specific* risks are of one item with a known reading; *global* risks are of
items as the process makes them. Global risks are **joint** probabilities per item inspected:
the share of all items that are nonconforming *and* accepted. An escape rate is
**conditional**: the share of the nonconforming items that is accepted. The two differ by a
factor of ten and more, so they have different names here, and both are always given.
"""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import norm

from optimiser.errors import UsageError
from optimiser.plant.file import Bound

Floats = NDArray[np.float64]
KnownBy = Literal["true value", "one reading"]

_FAR = 8.0
"""Standard deviations beyond which a normal error is left out: 1e-15 of them."""


class Distribution(Protocol):
    """How true values are distributed: any frozen continuous distribution of scipy.stats."""

    def pdf(self, x: float, /) -> Any:  # noqa: ANN401 - scipy returns float or array
        """Return the density at a value."""
        ...

    def cdf(self, x: float, /) -> Any:  # noqa: ANN401
        """Return the share at or below a value."""
        ...

    def ppf(self, q: float, /) -> Any:  # noqa: ANN401
        """Return the value with a share at or below it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """What inspection does to items as the process makes them.

    Attributes
    ----------
    consumer, producer : float
        Joint, of all items inspected: nonconforming and accepted; conforming and rejected.
    nonconforming, accepted : float
        Shares of all items inspected.
    """

    consumer: float
    producer: float
    nonconforming: float
    accepted: float

    @property
    def escape_rate(self) -> float:
        """Conditional: the share of nonconforming items that is accepted."""
        return _share(self.consumer, self.nonconforming)

    @property
    def false_call_rate(self) -> float:
        """Conditional: the share of conforming items that is rejected."""
        return _share(self.producer, 1 - self.nonconforming)

    @property
    def outgoing_nonconforming(self) -> float:
        """Conditional: the share of accepted items that is nonconforming."""
        return _share(self.consumer, self.accepted)


def _share(part: float, whole: float) -> float:
    return part / whole if whole > 0 else 0.0


# One item ------------------------------------------------------------------------------------


# Guard bands ---------------------------------------------------------------------------------


def guard_band(repeatability: float, risk: float, *, known_by: KnownBy = "true value") -> float:
    """Return how far inside an edge a limit must lie so that crossing it is rarely missed.

    Parameters
    ----------
    repeatability : float
        Standard deviation of one reading, >= 0.
    risk : float
        Wanted probability, 0 < risk < 1, that an item right at the edge is not called.
    known_by : "true value" or "one reading"
        How the edge is known. A workmanship bound is a true value; where a defect lies is
        known by one reading, whose own error counts too (a factor of √2).

    Returns
    -------
    float
        In the unit of the repeatability; negative where the risk is above one half.

    Raises
    ------
    UsageError
        If the risk or the repeatability is out of range.

    Examples
    --------
    >>> round(guard_band(1.0, 0.05), 3), round(guard_band(1.0, 0.05, known_by="one reading"), 3)
    (1.645, 2.326)
    """
    if not 0 < risk < 1 or not 0 <= repeatability < math.inf:
        msg = (
            "0 < risk < 1 and 0 <= repeatability must hold, got "
            f"risk={risk:g}, repeatability={repeatability:g}; a risk of 0 has no finite guard band"
        )
        raise UsageError(msg)
    return float(norm.isf(risk)) * repeatability * _error_factor(known_by)


def _error_factor(known_by: KnownBy) -> float:
    return 1.0 if known_by == "true value" else math.sqrt(2.0)


def guard_bound(tolerance: Bound, width: float) -> Bound:
    """Return the acceptance limits: the tolerance drawn in by a guard band on each side.

    Parameters
    ----------
    tolerance : Bound
    width : float
        Negative to widen.

    Returns
    -------
    Bound

    Raises
    ------
    UsageError
        If nothing is left to accept.
    """
    low, high = _edges(tolerance)
    if low + width >= high - width:
        msg = (
            f"a guard band must be below half the tolerance, got {width:g} on each side of "
            f"{low:g} to {high:g}; measure better or accept a larger risk"
        )
        raise UsageError(msg)
    return Bound(
        lower=None if tolerance.lower is None else tolerance.lower + width,
        upper=None if tolerance.upper is None else tolerance.upper - width,
    )


# All items -----------------------------------------------------------------------------------


def process_of_readings(mean: float, deviation: float, uncertainty: float) -> Distribution:
    """Return the normal process behind normal readings: their spread less the gauge's own.

    Parameters
    ----------
    mean, deviation : float
        Of the readings.
    uncertainty : float
        Standard deviation of one reading's error.

    Returns
    -------
    Distribution

    Raises
    ------
    UsageError
        If the gauge alone spreads as far as the readings do.
    """
    if not deviation > uncertainty >= 0:
        msg = (
            "readings must spread further than the gauge alone, got "
            f"{deviation:g} against {uncertainty:g}; nothing can be said of the process"
        )
        raise UsageError(msg)
    process: Distribution = norm(mean, math.sqrt(deviation**2 - uncertainty**2))
    return process


def global_risk(
    process: Distribution, uncertainty: float, tolerance: Bound, acceptance: Bound | None = None
) -> GlobalRisk:
    """Return consumer's and producer's risk over all items of a process.

    Parameters
    ----------
    process : Distribution
        Of the true values.
    uncertainty : float
        Standard deviation of a reading's normal error, > 0.
    tolerance : Bound
        What conforms.
    acceptance : Bound, optional
        What is accepted, judged on the reading; by default the tolerance.

    Returns
    -------
    GlobalRisk

    Raises
    ------
    UsageError
        If the uncertainty is not above 0.

    Examples
    --------
    >>> risk = global_risk(norm(0, 0.12), 0.04, Bound(lower=-0.2, upper=0.2))
    >>> round(risk.consumer, 4), round(risk.producer, 4), round(risk.escape_rate, 3)
    (0.0189, 0.0372, 0.198)
    """
    _refuse_no_error(uncertainty)
    low, high = _edges(tolerance)
    accept_low, accept_high = _edges(tolerance if acceptance is None else acceptance)

    def accepted(true: float) -> float:
        above = ndtr((accept_high - true) / uncertainty)
        return float(above - ndtr((accept_low - true) / uncertainty))

    edges = _panels(process, uncertainty, (low, high, accept_low, accept_high))
    consumer = producer = passed = 0.0
    for left, right in pairwise(edges):
        mass = float(process.cdf(right) - process.cdf(left))
        part = _mean_over(accepted, process, left, right)
        passed += part
        if low <= (left + right) / 2 <= high:
            producer += max(mass - part, 0.0)
        else:
            consumer += part
    conforming = float(process.cdf(high) - process.cdf(low))
    return GlobalRisk(
        consumer=consumer, producer=producer, nonconforming=1 - conforming, accepted=passed
    )


def _edges(bound: Bound) -> tuple[float, float]:
    """Return the two sides, infinite where open."""
    return (
        -math.inf if bound.lower is None else bound.lower,
        math.inf if bound.upper is None else bound.upper,
    )


def _panels(process: Distribution, uncertainty: float, edges: tuple[float, ...]) -> list[float]:
    """Return where the integrand bends: limits, the reach of the error, the process's shape."""
    shares = (1e-13, 1e-6, 1e-3, 0.05, 0.25, 0.5, 0.75, 0.95, 1 - 1e-3, 1 - 1e-6, 1 - 1e-13)
    shape = [float(process.ppf(q)) for q in shares]
    bends = [e + r * uncertainty for e in edges for r in (-_FAR, -2.0, 0.0, 2.0, _FAR)]
    inside = {b for b in bends if shape[0] < b < shape[-1]}
    edges_in_order = sorted(inside.union(shape))
    # Two bends that all but coincide are one: no quadrature can work between them.
    apart = [b for a, b in pairwise(edges_in_order) if b - a > 1e-9 * uncertainty]
    return [edges_in_order[0], *apart]


def _mean_over(accepted: Any, process: Distribution, left: float, right: float) -> float:  # noqa: ANN401
    """Return the mass of the accepted items whose true value lies between two values."""
    return float(quad(lambda x: accepted(x) * float(process.pdf(x)), left, right, epsabs=1e-13)[0])


def _refuse_no_error(uncertainty: float) -> None:
    if not 0 < uncertainty < math.inf:
        msg = (
            f"uncertainty must be a finite number above 0, got {uncertainty:g}; "
            "a gauge study gives it: optimiser gauge FILE"
        )
        raise UsageError(msg)
