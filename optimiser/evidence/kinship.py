"""What siblings foretell of a family that has little or no history, and how its own few items count.

Siblings are families of one kind. What one number of a family will be (where its goods lie, how far
they scatter) is foretold from the siblings' numbers by whichever simple law foretells each sibling
best from the *others*; how far that misses is the foretelling's own spread. A family's own few items
then pull it towards themselves by their precision. Pure functions of numbers.

Shape letters: **g** siblings, **n** items, **t** lots.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import betaprime, norm
from scipy.stats import t as student

from optimiser.errors import UsageError
from optimiser.evidence.shrink import Prior, fit_prior

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# How far families of one kind usually differ: by this factor, as a logarithm, or by so many scatters
# of their goods, whichever is less (a coverage of 92 % does not differ by a third). That is worth so many
# degrees of freedom beside the siblings' own, and so many families beside a plant's other kinds.
USUAL_LOG, USUAL_SHIFT, USUAL_WEIGHT, USUAL_COUNT = 0.35, 1.5, 3.0, 3
# A power of a dimension has two unknowns; with fewer siblings it would be drawn through them.
FEWEST_FOR_POWER, LEAST_APART = 4, 0.1
# With fewer no law can be told from another by what it misses.
FEWEST_FOR_LAW = 3
# Shares at which far items are drawn in before centre and scatter are read off.
TRIM = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """One number of a family, foretold from siblings.

    Attributes
    ----------
    mean, deviation : float
        Of its logarithm where ``logarithm``, else in its own unit.
    logarithm : bool
    law : str
        ``"alike"``, ``"share of NAME"``, ``"power of NAME"``, or ``"between alike and share of …"``.
    by : str or None
        That name, where it is one.
    slope : float
        Of the logarithm over that name's; 0 where alike.
    siblings : int
    """

    mean: float
    deviation: float
    logarithm: bool
    law: str
    by: str | None
    slope: float
    siblings: int

    @property
    def value(self) -> float:
        """The middle of what is foretold, in the number's own unit."""
        return math.exp(self.mean) if self.logarithm else self.mean


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """Where one measurement of a family's goods lies and how far it scatters.

    Attributes
    ----------
    centre : float
    below, above : float
        Root mean square distance from the centre of the items on either side.
    between : float
        Scatter of lots' centres, as a share of the whole scatter.
    tails : float
        Kurtosis.
    items, lots : int
        Measured.
    """

    centre: float
    below: float
    above: float
    between: float
    tails: float
    items: int
    lots: int

    @property
    def scatter(self) -> float:
        """Root mean square of both sides."""
        return math.sqrt((self.below**2 + self.above**2) / 2)


def place(values: Floats, lot: Ints) -> Placed | None:
    """Return where goods lie and how far they scatter; None with fewer than two different values.

    Parameters
    ----------
    values : ndarray, shape (n,)
        nan where not measured.
    lot : ndarray of int, shape (n,)

    Returns
    -------
    Placed or None

    Notes
    -----
    The farthest `TRIM` on either side are drawn in first, so that a defect nobody found moves
    nothing. Means over many items are steady where machines show coarse digits; quantiles are not.
    """
    known = np.isfinite(values)
    x, lot = values[known], lot[known]
    if len(x) < 2 or x.min() == x.max():
        return None
    low, high = np.quantile(x, [TRIM, 1 - TRIM])
    # Where nearly all items are alike the ends would leave nothing to measure.
    x = np.clip(x, low, high) if low < high else x
    centre = float(x.mean())
    far = x - centre
    scatter = float(np.sqrt((far**2).mean()))
    sides = [far[far < 0], far[far > 0]]
    below, above = (float(np.sqrt((s**2).mean())) if s.size else scatter for s in sides)
    return Placed(
        centre=centre,
        below=below,
        above=above,
        between=_between(x, lot, scatter),
        tails=float((far**4).mean() / scatter**4),
        items=len(x),
        lots=len(np.unique(lot)),
    )


def _between(x: Floats, lot: Ints, scatter: float) -> float:
    """Return the scatter of lots' centres over the whole scatter, 0..1, by moments."""
    _, number, count = np.unique(lot, return_inverse=True, return_counts=True)
    if len(count) < 3:
        return 0.0
    means = np.bincount(number, x) / count
    within = np.bincount(number, (x - means[number]) ** 2).sum() / max(len(x) - len(count), 1)
    held = count >= 2
    spread = float(np.var(means[held], ddof=1)) if held.sum() > 2 else 0.0
    own = max(spread - within * float((1 / count[held]).mean()), 0.0) if held.any() else 0.0
    return min(1.0, math.sqrt(own) / scatter)


def foretell(
    values: Floats,
    scatters: Floats,
    given: Mapping[str, Floats],
    wanted: Mapping[str, float],
    *,
    usual: float = 1.0,
) -> Foretold | None:
    """Return what siblings' numbers foretell of a family's.

    Parameters
    ----------
    values : ndarray, shape (g,)
        The siblings' numbers.
    scatters : ndarray, shape (g,)
        What an error is measured in, so that laws can be compared; > 0.
    given : mapping of name to ndarray, shape (g,)
        What else is known of the siblings (dimensions, a centre); nan where not known.
    wanted : mapping of name to float
        The same of the family.
    usual : float
        How far families of one kind differ in this plant, of what is usual (`usual_difference`).

    Returns
    -------
    Foretold or None
        None without any sibling.

    Notes
    -----
    The law that foretells each sibling from the others with the least mean square error is
    taken: alike, a fixed share of one dimension, a power of it; a dimension that one of the siblings
    lacks is left out. Fewer than `FEWEST_FOR_LAW` siblings cannot tell: midway between alike and the
    shares then, and how far these lie apart belongs to the spread. The spread is the law's error over
    the siblings, which holds its own uncertainty, pooled with what is usual among families, worth
    `USUAL_WEIGHT` degrees of freedom, and wider by Student's factor for as many as there are.

    Examples
    --------
    >>> wide = np.array([0.5, 0.8, 1.2, 1.6])
    >>> told = foretell(0.1 * wide, np.full(4, 0.01), {"width": wide}, {"width": 1.0})
    >>> told.law, round(told.value, 3)
    ('share of width', 0.1)
    """
    if not len(values):
        return None
    logarithm = bool((values > 0).all())
    y = np.log(values) if logarithm else values
    laws = _laws(y, values, scatters, given, wanted, logarithm=logarithm)
    best = _best(laws, len(values))
    usual *= _unit(values, scatters) if logarithm else USUAL_SHIFT * float(np.mean(scatters))
    freedom = max(len(y) - 1 - best.law.startswith("power"), 0)
    seen = float((best.missed**2).mean())
    worth = USUAL_WEIGHT + freedom
    missing = (USUAL_WEIGHT * usual**2 + freedom * seen) / worth + best.open**2
    deviation = math.sqrt(missing) * _wider(worth)
    return Foretold(
        mean=best.mean,
        deviation=deviation,
        logarithm=logarithm,
        law=best.law,
        by=best.by,
        slope=best.slope,
        siblings=len(values),
    )


def _unit(values: Floats, scatters: Floats) -> float:
    """Return how far such numbers usually differ between families of one kind, as a logarithm."""
    return min(USUAL_LOG, USUAL_SHIFT * float((scatters / values).mean()))


def _wider(freedom: float) -> float:
    """Return by how much a spread of few degrees of freedom has to be taken wider (Student, 90 %)."""
    return float(student.ppf(0.95, freedom) / norm.ppf(0.95))


def usual_difference(
    groups: Sequence[tuple[Floats, Floats, Mapping[str, Floats]]],
    *,
    siblings: int = FEWEST_FOR_LAW,
    beside: float = 1.0,
) -> float:
    """Return how far families of one kind differ in a plant, of what is usual.

    Parameters
    ----------
    groups : sequence of (values, scatters, given)
        As `foretell` takes them, of families of one kind each; groups of fewer than three, or with a
        number that has no logarithm, are passed over.
    siblings : int
        How many foretell: fewer than `FEWEST_FOR_LAW` cannot show which law holds, so that families
        are missed by more than the best law would miss them.
    beside : float
        What is usual where nothing else is known.

    Returns
    -------
    float
        Root mean square by which each family of a group is missed by the others' law, over what
        is usual, with ``beside`` as heavy as `USUAL_COUNT` families.
    """
    missed = [np.full(USUAL_COUNT, beside)]
    for values, scatters, given in groups:
        if len(values) < 3 or not (values > 0).all():
            continue
        wanted = {name: 1.0 for name, x in given.items() if _all_known(x)}
        laws = _laws(np.log(values), values, scatters, given, wanted, logarithm=True)
        missed.append(_best(laws, siblings).missed / _unit(values, scatters))
    return float(np.sqrt((np.concatenate(missed) ** 2).mean()))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Law:
    """One law over all siblings, and by how much it misses each from the others."""

    law: str
    by: str | None
    mean: float
    slope: float
    missed: Floats
    error: float
    open: float = 0.0


def _best(laws: Iterable[_Law], siblings: int) -> _Law:
    """Return the law that misses least; midway between all where the siblings cannot tell."""
    if siblings >= FEWEST_FOR_LAW:
        return min(laws, key=lambda x: x.error)
    possible = [x for x in laws if not x.law.startswith("power")]
    if len(possible) == 1:
        return possible[0]
    by = [x.by for x in possible if x.by]
    means = np.array([x.mean for x in possible])
    missed = np.mean([x.missed for x in possible], axis=0)
    return _Law(
        law=f"between alike and share of {' or '.join(by)}",
        by=by[0] if len(by) == 1 else None,
        mean=float(means.mean()),
        slope=1 / len(possible) if len(by) == 1 else 0.0,
        missed=missed,
        error=float(np.sqrt((missed**2).mean())),
        open=float(means.std()),
    )


def _laws(
    y: Floats,
    values: Floats,
    scatters: Floats,
    given: Mapping[str, Floats],
    wanted: Mapping[str, float],
    *,
    logarithm: bool,
) -> Iterator[_Law]:
    """Yield every law that these numbers allow, the plainest first."""

    def law(kind: str, by: str | None, x: Floats, at: float, *, power: bool) -> _Law:
        missed = _left_out(y, x, power=power)
        back = np.exp(y - missed) if logarithm else y - missed
        slope, start = _line(y, x, power=power)
        return _Law(
            law=kind,
            by=by,
            mean=start + slope * at,
            slope=slope if by else 0.0,
            missed=missed,
            error=float(np.sqrt((((values - back) / scatters) ** 2).mean())),
        )

    yield law("alike", None, np.zeros(len(y)), 0.0, power=False)
    for name, x in given.items():
        if not logarithm or not wanted.get(name, 0.0) > 0 or not _all_known(x):
            continue
        logs, at = np.log(x), math.log(wanted[name])
        yield law(f"share of {name}", name, logs, at, power=False)
        if len(values) >= FEWEST_FOR_POWER and np.ptp(logs) > LEAST_APART:
            yield law(f"power of {name}", name, logs, at, power=True)


def _all_known(x: Floats) -> bool:
    return bool((np.isfinite(x) & (np.nan_to_num(x) > 0)).all())


def _line(y: Floats, x: Floats, *, power: bool) -> tuple[float, float]:
    """Return slope and start of y as a line over x: of slope 1, or fitted where it is a power."""
    slope = 1.0
    if power:
        from_mean = x - x.mean()
        slope = float(from_mean @ (y - y.mean()) / (from_mean @ from_mean))
    return slope, float((y - slope * x).mean())


def _left_out(y: Floats, x: Floats, *, power: bool) -> Floats:
    """Return by how much each number is missed by the line through the others, shape (g,)."""
    missed = np.zeros(len(y))
    if len(y) < 2:
        return missed
    for n in range(len(y)):
        kept = np.arange(len(y)) != n
        fitted = power and float(np.ptp(x[kept])) > 0
        slope, start = _line(y[kept], x[kept], power=fitted)
        missed[n] = y[n] - start - slope * x[n]
    return missed


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """One number, foretold and seen.

    Attributes
    ----------
    mean, deviation : float
        On the scale it was foretold on.
    own : float
        Share 0..1 of what the family itself showed in the mean.
    """

    mean: float
    deviation: float
    own: float


def pool(told: Foretold | None, seen: float | None, error: float) -> Pooled | None:
    """Return what is foretold and what was seen, weighed by their precisions.

    Parameters
    ----------
    told : Foretold or None
        None without siblings.
    seen : float or None
        In the number's own unit; None where the family has shown nothing.
    error : float
        Standard error of what was seen, on the scale of ``told`` (of the logarithm where that is
        one, or without ``told``).

    Returns
    -------
    Pooled or None
        None with neither.
    """
    if told is None:
        return None if seen is None else Pooled(mean=seen, deviation=error, own=1.0)
    if seen is None or (told.logarithm and seen <= 0):
        return Pooled(mean=told.mean, deviation=told.deviation, own=0.0)
    shown = math.log(seen) if told.logarithm else seen
    if told.deviation <= 0:
        return Pooled(mean=told.mean, deviation=0.0, own=0.0)
    own = 1.0 if error <= 0 else told.deviation**2 / (told.deviation**2 + error**2)
    return Pooled(
        mean=told.mean + own * (shown - told.mean),
        deviation=math.sqrt(1 - own) * told.deviation,
        own=own,
    )


def centre_error(own: Placed, between: float) -> float:
    """Return the standard error of a family's own centre, in the measurement's unit.

    Parameters
    ----------
    own : Placed
    between : float
        Scatter of lots' centres as a share of the scatter, as siblings (and this family's own
        lots, where they are many) have it: two lots say next to nothing of how lots differ.
    """
    return own.scatter * math.sqrt(1 / own.items + between**2 / own.lots)


def scatter_error(own: Placed, between: float, tails: float) -> float:
    """Return the standard error of the logarithm of a family's own scatter.

    Parameters
    ----------
    own : Placed
    between : float
        As for `centre_error`.
    tails : float
        Kurtosis, as siblings have it.

    Notes
    -----
    Variance of a sample's standard deviation, by moments, and that of the part of the scatter that
    lies between lots, of which there are few.
    """
    lots = between**4 / (2 * max(own.lots - 1, 0.5))
    return math.sqrt(max(tails - 1, 0.5) / (4 * own.items) + lots / 2)


def whole_scatter(own: Placed, between: float) -> float:
    """Return by how much a scatter seen in few lots has to be widened to hold all lots, >= 1.

    Items of a few lots scatter around these lots' own centre: the share ``1 / lots`` of what lies
    between lots is not seen.
    """
    return math.sqrt(1 / max(1 - between**2 / own.lots, 0.05))


def prior_of_few(lent: tuple[Floats, Floats], all_kinds: tuple[Floats, Floats]) -> Prior:
    """Return how a rate varies over families of one kind, as far as few of them can say.

    Parameters
    ----------
    lent, all_kinds : (events, trials), shape (g,) each
        Of the family's kin, and of all families of the plant.

    Returns
    -------
    Prior

    Notes
    -----
    The kin's mean. Their relative variance is pooled with that of all families, which is worth
    `USUAL_WEIGHT` degrees of freedom, and taken wider by Student's factor and by the error of a mean of
    g: a beta distribution fitted to three families speaks as if it knew how families differ.
    """
    kin = fit_prior(*lent)
    usual = fit_prior(*all_kinds) if len(all_kinds[1]) > len(lent[1]) else kin
    freedom = kin.families - 1
    worth = USUAL_WEIGHT + freedom
    relative = (USUAL_WEIGHT / usual.a + freedom / kin.a) / worth
    relative *= _wider(worth) ** 2 * (1 + 1 / kin.families)
    a = 1 / relative
    return Prior(a=a, b=a / kin.mean - a, families=kin.families)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Items until a number of labels has come: expected, and an interval."""

    labels: int
    middle: float
    low: float
    high: float
    level: float


def wait_for(
    labels: int, *, events: float, items: float, bursts: float = 1.0, level: float = 0.90
) -> Wait:
    """Return how many items pass until so many more labels have come.

    Parameters
    ----------
    labels : int
        Wanted beyond those there are, >= 0.
    events, items : float
        What is known of the rate, as a gamma distribution: ``events`` labels in ``items`` items, > 0.
    bursts : float
        Variance over mean of the number of labels in a stretch, >= 1.
    level : float
        Of the interval, two-sided.

    Returns
    -------
    Wait

    Raises
    ------
    UsageError
        If nothing is known of the rate.

    Notes
    -----
    Events of a constant rate are awaited for a gamma time; with the rate gamma as well, the time
    over ``items`` is a beta prime. Bursts leave the mean and make the labels count as fewer.

    Examples
    --------
    >>> wait = wait_for(8, events=40.0, items=1e6)
    >>> round(wait.low), round(wait.middle), round(wait.high)
    (96033, 193344, 354311)
    """
    if not events > 0 or not items > 0 or labels < 0:
        msg = (
            "a rate needs events and items above 0, and labels not below 0, got "
            f"events={events:g}, items={items:g}, labels={labels}"
        )
        raise UsageError(msg)
    if labels == 0:
        return Wait(labels=0, middle=0.0, low=0.0, high=0.0, level=level)
    waited = betaprime(labels / bursts, events, scale=items * bursts)
    tail = (1 - level) / 2
    return Wait(
        labels=labels,
        middle=float(waited.median()),
        low=float(waited.ppf(tail)),
        high=float(waited.ppf(1 - tail)),
        level=level,
    )


def share_of_few(own: float, siblings: float) -> float:
    """Return the share that a family's own few have beside its siblings' many, 0..1.

    Parameters
    ----------
    own : float
        Own defects, or own lots.
    siblings : float
        As how many the siblings' count together, > 0.
    """
    return own / (own + siblings)
