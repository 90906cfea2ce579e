"""Gauge studies: how far a measurement repeats, and how much of what it shows is itself.

A crossed study measures every item the same number of times, by every operator or on one
machine alone. What comes out is split into standard deviations: repeatability (the same
item measured again), reproducibility (operators, and operators with items), and the items.

The sums of squares are three means and a subtraction on a balanced array; a formula
language would first need the array laid out in long form and gives sums, not components.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import chi2, f, studentized_range

from optimiser.errors import InputError, UsageError
from optimiser.evidence.intervals import Interval

Floats = NDArray[np.float64]
Method = Literal["anova", "range"]

LEVEL = 0.90
POOL_ABOVE = 0.25
"""Operators with items is dropped from the model where its p-value is above this."""

GOOD, MARGINAL, CATEGORIES = 0.10, 0.30, 5
"""Bounds on the gauge's share of the total and the distinct categories (AIAG)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """The readings of one measurement: i items × o operators × k repeats.

    Attributes
    ----------
    measurement : str
    values : ndarray, shape (i, o, k)
        In the measurement's unit; o is 1 for a study on one machine without operators.
    """

    measurement: str
    values: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One line of an analysis of variance; ``f`` and ``p`` are None where nothing is tested."""

    name: str
    squares: float
    freedom: int
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.squares / self.freedom


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What a gauge study found; standard deviations are in the measurement's unit.

    Attributes
    ----------
    measurement, method : str
        The method in words: results of different methods are not comparable.
    items, operators, repeats : int
    repeatability, operator, interaction, between_items : float
        Standard deviations. By average and range the interaction cannot be told apart and
        is 0.
    repeatability_interval, gauge_interval, share_interval : Interval or None
        Two-sided at ``level``; None where no standard one exists for the method.
    anova : tuple of Source
        Empty for average and range.
    notes : tuple of str
        What limits the meaning of the figures, in words.
    """

    measurement: str
    method: str
    items: int
    operators: int
    repeats: int
    level: float
    repeatability: float
    operator: float
    interaction: float
    between_items: float
    repeatability_interval: Interval | None = None
    gauge_interval: Interval | None = None
    share_interval: Interval | None = None
    anova: tuple[Source, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def reproducibility(self) -> float:
        """Standard deviation of operators and of operators with items."""
        return math.hypot(self.operator, self.interaction)

    @property
    def gauge(self) -> float:
        """Standard deviation of repeatability and reproducibility together (GRR)."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """Standard deviation of gauge and items together; above 0."""
        return math.hypot(self.gauge, self.between_items)

    @property
    def share(self) -> float:
        """Gauge over total, 0..1 (% GRR of the total variation)."""
        return self.gauge / self.total

    @property
    def categories(self) -> float:
        """Categories of items the gauge can tell apart (ndc), not yet cut to a whole number."""
        return 1.41 * self.between_items / self.gauge if self.gauge > 0 else math.inf

    @property
    def verdict(self) -> str:
        """``good``, ``marginal`` or ``not acceptable`` after the AIAG bounds."""
        if self.share > MARGINAL:
            return "not acceptable"
        return "good" if self.share < GOOD and self.categories >= CATEGORIES else "marginal"

    def as_dict(self) -> dict[str, Any]:
        """Return the record and what follows from it as a JSON value."""
        row = asdict(self)
        row["anova"] = [asdict(s) | {"mean_square": s.mean_square} for s in self.anova]
        for name in ("reproducibility", "gauge", "total", "share", "categories", "verdict"):
            row[name] = getattr(self, name)
        return row


def measure_gauge(
    study: Study,
    *,
    method: Method = "anova",
    level: float = LEVEL,
    pool_above: float = POOL_ABOVE,
) -> Gauge:
    """Return repeatability, reproducibility and what share of the total they are.

    Parameters
    ----------
    study : Study
        At least 2 items and 2 repeats.
    method : "anova" or "range"
        Analysis of variance, or average and range (the shop-floor form: no interaction, no
        interval).
    level : float
        Two-sided, of the intervals.
    pool_above : float
        The interaction joins the repeatability where its p-value is above this.

    Returns
    -------
    Gauge

    Raises
    ------
    UsageError
        If there are fewer than 2 items, no operator, or fewer than 2 repeats.
    InputError
        If all readings are equal.

    References
    ----------
    .. [1] AIAG, Measurement Systems Analysis.
    .. [2] ISO 22514-7, Capability of measurement processes.
    .. [3] Graybill and Wang (1980), Confidence intervals on nonnegative linear combinations
       of variances, JASA 75.

    Examples
    --------
    >>> values = np.array([[[1.0, 1.2]], [[2.1, 1.9]], [[3.0, 3.0]]])
    >>> found = measure_gauge(Study(measurement="tilt", values=values))
    >>> round(found.repeatability, 4), found.verdict, found.method
    (0.1155, 'marginal', 'analysis of variance, one way')
    """
    i, o, k = study.values.shape
    if i < 2 or o < 1 or k < 2:
        msg = (
            f"{study.measurement}: a study needs at least 2 items, each measured at least twice "
            f"by each operator, got {i} items, {o} operators, {k} repeats; measure more"
        )
        raise UsageError(msg)
    if np.ptp(study.values) == 0:
        msg = (
            f"{study.measurement}: all {study.values.size} readings are "
            f"{study.values.flat[0]:g}; a study needs items that differ"
        )
        raise InputError(msg)
    if method == "range":
        return _by_range(study, level)
    return _one_way(study, level) if o == 1 else _two_way(study, level, pool_above)


def range_moments(size: int) -> tuple[float, float]:
    """Return mean and mean square of the range of normal readings, in standard deviations.

    Parameters
    ----------
    size : int
        Readings per range, >= 2.

    Returns
    -------
    tuple of float
        ``d2`` and the square of ``d2*`` for a single range.

    Examples
    --------
    >>> mean, square = range_moments(3)
    >>> round(1 / mean, 4), round(square**-0.5, 4)
    (0.5908, 0.5231)
    """
    return _range_moments(size)


@cache
def _range_moments(size: int) -> tuple[float, float]:
    def beyond(width: float) -> float:
        return float(studentized_range.sf(width, size, np.inf))

    mean = quad(beyond, 0, np.inf, epsabs=1e-10)[0]
    square = quad(lambda w: 2 * w * beyond(w), 0, np.inf, epsabs=1e-10)[0]
    return float(mean), float(square)


# Analysis of variance ------------------------------------------------------------------------


def _one_way(study: Study, level: float) -> Gauge:
    """Items × repeats on one machine."""
    i, _, k = study.values.shape
    values = study.values[:, 0, :]
    means = values.mean(axis=1)
    within = _squares(values - means[:, None])
    between = k * _squares(means - values.mean())
    error = Source(name="repeats", squares=within, freedom=i * (k - 1))
    ratio = _ratio(between / (i - 1), error.mean_square)
    items = Source(
        name="items", squares=between, freedom=i - 1, f=ratio, p=_tail(ratio, i - 1, error.freedom)
    )
    repeatability = error.mean_square**0.5
    spread = _deviation_interval(repeatability, error.freedom, level)
    return Gauge(
        measurement=study.measurement,
        method="analysis of variance, one way",
        items=i,
        operators=1,
        repeats=k,
        level=level,
        repeatability=repeatability,
        operator=0.0,
        interaction=0.0,
        between_items=_root((items.mean_square - error.mean_square) / k),
        repeatability_interval=spread,
        gauge_interval=spread,
        share_interval=_share_interval(ratio, i - 1, error.freedom, k, level),
        anova=(items, error),
        notes=_notes(study),
    )


def _two_way(study: Study, level: float, pool_above: float) -> Gauge:
    """Items × operators × repeats; the interaction pooled where it does not show."""
    i, o, k = study.values.shape
    items, operators, crossed, repeats = _sums(study.values)
    p = crossed.p
    pooled = p is not None and p > pool_above
    if pooled:
        base = Source(
            name="repeats and operators with items",
            squares=crossed.squares + repeats.squares,
            freedom=crossed.freedom + repeats.freedom,
        )
        error = base
    else:
        base, error = crossed, repeats
    tested = tuple(_against(s, base) for s in (items, operators))
    combination = [(operators, 1 / (i * k)), (base, 1 / k - 1 / (i * k)), (error, 1 - 1 / k)]
    if pooled:  # one mean square, drawn once
        combination = [combination[0], (base, 1 - 1 / (i * k))]
    operator = _root((operators.mean_square - base.mean_square) / (i * k))
    interaction = _root((base.mean_square - error.mean_square) / k)
    repeatability = error.mean_square**0.5
    return Gauge(
        measurement=study.measurement,
        method="analysis of variance, two way, interaction "
        + (f"pooled (p = {p:.2f})" if pooled else "kept"),
        items=i,
        operators=o,
        repeats=k,
        level=level,
        repeatability=repeatability,
        operator=operator,
        interaction=interaction,
        between_items=_root((items.mean_square - base.mean_square) / (o * k)),
        repeatability_interval=_deviation_interval(repeatability, error.freedom, level),
        gauge_interval=_combined_interval(
            math.hypot(repeatability, operator, interaction), combination, level
        ),
        anova=(*tested, crossed, repeats, *((base,) if pooled else ())),
        notes=_notes(study),
    )


def _sums(values: Floats) -> tuple[Source, Source, Source, Source]:
    """Return items, operators, operators with items (tested against repeats), repeats."""
    i, o, k = values.shape
    middle = values.mean()
    cells = values.mean(axis=2)
    item, operator = cells.mean(axis=1), cells.mean(axis=0)
    crossed = k * _squares(cells - item[:, None] - operator[None, :] + middle)
    repeats = Source(
        name="repeats", squares=_squares(values - cells[:, :, None]), freedom=i * o * (k - 1)
    )
    interaction = Source(name="operators with items", squares=crossed, freedom=(i - 1) * (o - 1))
    return (
        Source(name="items", squares=o * k * _squares(item - middle), freedom=i - 1),
        Source(name="operators", squares=i * k * _squares(operator - middle), freedom=o - 1),
        _against(interaction, repeats),
        repeats,
    )


def _against(source: Source, error: Source) -> Source:
    """Return a source with its F ratio and p-value against an error term."""
    ratio = _ratio(source.mean_square, error.mean_square)
    return Source(
        name=source.name,
        squares=source.squares,
        freedom=source.freedom,
        f=ratio,
        p=_tail(ratio, source.freedom, error.freedom),
    )


def _squares(values: Floats) -> float:
    return float(np.sum(values**2))


def _root(variance: float) -> float:
    """Return a standard deviation; a variance estimated below 0 counts as 0."""
    return math.sqrt(max(variance, 0.0))


def _ratio(above: float, below: float) -> float:
    if below > 0:
        return above / below
    return math.inf if above > 0 else 0.0


def _tail(ratio: float, above: int, below: int) -> float:
    return float(f.sf(ratio, above, below))


def _deviation_interval(value: float, freedom: float, level: float) -> Interval:
    """Return a standard deviation with its chi-square interval."""
    tail = (1 - level) / 2
    low, high = (value * (freedom / chi2.ppf(q, freedom)) ** 0.5 for q in (1 - tail, tail))
    return Interval(value=value, low=float(low), high=float(high))


def _combined_interval(
    value: float, parts: Sequence[tuple[Source, float]], level: float
) -> Interval:
    """Return a standard deviation with the interval of Graybill and Wang.

    ``value²`` is the sum of factor × mean square; the factors are not negative.
    """
    tail = (1 - level) / 2
    variance = below = above = 0.0
    for source, factor in parts:
        part = factor * source.mean_square
        variance += part
        below += (part * (1 - source.freedom / chi2.ppf(1 - tail, source.freedom))) ** 2
        above += (part * (source.freedom / chi2.ppf(tail, source.freedom) - 1)) ** 2
    low, high = _root(variance - math.sqrt(below)), _root(variance + math.sqrt(above))
    return Interval(value=value, low=min(low, value), high=max(high, value))


def _share_interval(ratio: float, items: int, repeats: int, k: int, level: float) -> Interval:
    """Return the gauge's share of the total with its exact interval (one way)."""
    tail = (1 - level) / 2

    def share(against: float) -> float:
        return float((1 + max(ratio / against - 1, 0.0) / k) ** -0.5)

    low, high = (share(float(f.ppf(q, items, repeats))) for q in (tail, 1 - tail))
    return Interval(value=share(1.0), low=low, high=high)


# Average and range ---------------------------------------------------------------------------


def _by_range(study: Study, level: float) -> Gauge:
    """Mean ranges over the factors that make them standard deviations.

    A mean of many ranges is divided by ``d2``, a single range by ``d2*``, as in the
    manual's tables of constants.
    """
    i, o, k = study.values.shape
    repeatability = float(np.ptp(study.values, axis=2).mean()) / range_moments(k)[0]
    operator = 0.0
    if o > 1:
        apart = float(np.ptp(study.values.mean(axis=(0, 2))))
        operator = _root(apart**2 / range_moments(o)[1] - repeatability**2 / (i * k))
    items = float(np.ptp(study.values.mean(axis=(1, 2)))) / range_moments(i)[1] ** 0.5
    return Gauge(
        measurement=study.measurement,
        method="average and range",
        items=i,
        operators=o,
        repeats=k,
        level=level,
        repeatability=repeatability,
        operator=operator,
        interaction=0.0,
        between_items=items,
        notes=_notes(study),
    )


def _notes(study: Study) -> tuple[str, ...]:
    """Return what limits the meaning of a study."""
    i, o, k = study.values.shape
    notes = []
    if i < 10:
        notes.append(f"{i} items: their spread, and every share of the total, is known coarsely")
    if i * o * (k - 1) < 20:
        notes.append(
            f"repeatability rests on {i * o * (k - 1)} degrees of freedom; 20 or more are usual"
        )
    if 1 < o < 3:
        notes.append(f"{o} operators: reproducibility is known coarsely")
    if np.ptp(study.values, axis=2).max() == 0:
        notes.append("repeats do not differ at all: readings are rounded too coarsely to judge")
    return tuple(notes)
