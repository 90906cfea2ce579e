"""Possible families: what a family with little or no history may turn out to be, drawn from its siblings.

Shape letters: **g** siblings, **p** possible families, **n** items, **d** defects, **k** measurements.
"""

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimiser.evidence.kinship import (
    FEWEST_FOR_LAW,
    Foretold,
    Placed,
    Pooled,
    centre_error,
    foretell,
    place,
    pool,
    scatter_error,
    share_of_few,
    usual_difference,
    whole_scatter,
)
from optimiser.proposal.sighting import Sighting

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Group = tuple[Floats, Floats, Mapping[str, Floats]]
"""Numbers of the families of one kind, their scatters, their dimensions, as `foretell` takes them."""

# Items laid over each possible family.
GOODS_EACH, DEFECTS_EACH = 3_000, 240
# As many defects, or lots of goods, of its own weigh as much as all that siblings lend.
OWN_DEFECTS, OWN_LOTS = 12.0, 12.0
# A sibling with so many labels shows its defects half as well as one with any number.
LABELS_HALF = 10.0
# Between lots, before three have been seen: as a share of the whole scatter.
USUAL_BETWEEN, USUAL_TAILS = 0.3, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Where one measurement of the family is expected to lie and how far to scatter.

    Attributes
    ----------
    told : Foretold or None
        The siblings' word on the centre.
    centre : Pooled
        On the scale of ``told``; in its unit without it.
    below, above : Pooled
        Logarithms of the scatter on either side.
    below_slope, above_slope : float
        How the logarithm of a side follows that of the centre.
    """

    told: Foretold | None
    centre: Pooled
    below: Pooled
    above: Pooled
    below_slope: float
    above_slope: float

    @property
    def logarithm(self) -> bool:
        """Whether the centre is a logarithm."""
        return self.told is not None and self.told.logarithm

    @property
    def middle(self) -> float:
        """The centre in the measurement's unit."""
        return math.exp(self.centre.mean) if self.logarithm else self.centre.mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """How far families of one kind differ in centre and scatter, of what is usual."""

    centre: float = 1.0
    side: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Possible:
    """Goods and defects of p possible families, one after the other.

    Attributes
    ----------
    measurements : tuple of k str
    goods : ndarray, shape (n, k)
    goods_of : ndarray of int, shape (n,)
        Which possible family.
    defects : ndarray, shape (d, k)
    defects_of : ndarray of int, shape (d,)
    goods_from, defects_from : ndarrays of int, shapes (n,) and (d,)
        Which sibling lent an item, 0..g-1; -1 for its own.
    kind : tuple of d str or None
    """

    measurements: tuple[str, ...]
    goods: Floats
    goods_of: Ints
    defects: Floats
    defects_of: Ints
    goods_from: Ints
    defects_from: Ints
    kind: tuple[str | None, ...]


def usual_of(
    groups: Sequence[Sequence[Sighting]],
    sizes: Mapping[str, Mapping[str, float]],
    siblings: int = FEWEST_FOR_LAW,
    lengths: Container[str] = (),
) -> dict[str, Usual]:
    """Return how far families of one kind differ in a plant, by measurement.

    Parameters
    ----------
    groups : sequence of sequences of Sighting
        Families of one kind each; none of the family's own kind, none of the family.
    sizes : mapping of family to mapping of dimension to float
    siblings : int
        How many will foretell.
    lengths : container of str
        Measurements that may follow a package's dimensions.

    Returns
    -------
    dict of measurement to Usual
        Under ``""`` over all measurements, for one that no other kind has.
    """
    centres: dict[str, list[Group]] = {}
    sides: dict[str, list[Group]] = {}
    for group in groups:
        for measurement in group[0].measurements:
            seen = _placed(group, measurement)
            known = {d for f, _ in seen for d in sizes.get(f, {})}
            names = sorted(known) if _follows(measurement, siblings, lengths) else []
            given = {
                d: np.array([sizes.get(f, {}).get(d, math.nan) for f, _ in seen]) for d in names
            }
            middle, scatter, below, above = (
                np.array([getattr(p, part) for _, p in seen])
                for part in ("centre", "scatter", "below", "above")
            )
            centres.setdefault(measurement, []).append((middle, scatter, given))
            by = {**(given if siblings >= FEWEST_FOR_LAW else {}), "centre": middle}
            sides.setdefault(measurement, []).extend([(below, below, by), (above, above, by)])

    def differing(of: dict[str, list[Group]]) -> dict[str, float]:
        over_all = usual_difference([g for one in of.values() for g in one], siblings=siblings)
        by_one = {
            name: usual_difference(one, siblings=siblings, beside=over_all)
            for name, one in of.items()
        }
        return {"": over_all, **by_one}

    centre, side = differing(centres), differing(sides)
    return {name: Usual(centre=centre[name], side=side[name]) for name in centre}


def _follows(measurement: str, siblings: int, lengths: Container[str]) -> bool:
    """Return whether a measurement may follow dimensions; many siblings show it, of few a length may."""
    return siblings >= FEWEST_FOR_LAW or measurement in lengths


def outlooks(
    siblings: Sequence[Sighting],
    own: Sighting | None,
    sizes: Mapping[str, Mapping[str, float]],
    family: str,
    usual: "Mapping[str, Usual] | None" = None,
    *,
    others: Sequence[Sighting] = (),
    lengths: Container[str] = (),
) -> dict[str, Outlook]:
    """Return what is to be expected of every measurement that siblings or the family itself have.

    Parameters
    ----------
    siblings : sequence of Sighting
        Without the family itself.
    own : Sighting or None
    sizes : mapping of family to mapping of dimension to float
        mm; what is known of each family's package.
    family : str
    usual : mapping of measurement to Usual, optional
        How far families of one kind differ in this plant, as `usual_of` has it.
    others : sequence of Sighting
        Without siblings these say how far lots differ, while its own are few.
    lengths : container of str
        Measurements that may follow a package's dimensions.

    Returns
    -------
    dict of measurement to Outlook

    Raises
    ------
    ValueError
        If the family is among its own siblings: its later items would speak for its first limits.
    """
    if any(s.family == family for s in siblings):
        msg = f"a family must not be its own sibling, got {family}"
        raise ValueError(msg)
    first = [*siblings, *([own] if own is not None else [])]
    measurements = first[0].measurements if first else ()
    known = usual or {}
    found = {}
    for k, name in enumerate(measurements):
        seen = _placed(siblings, name)
        mine = None if own is None else place(own.goods[:, k], own.lot)
        like = seen or _placed(others, name)
        differing = known.get(name, known.get("", Usual()))
        follows = _follows(name, len(seen), lengths)
        of = {f: sizes.get(f, {}) if follows else {} for f in (family, *(f for f, _ in seen))}
        outlook = _outlook(seen, mine, of, family, (differing, _between(like, mine)))
        if outlook is not None:
            found[name] = outlook
    return found


def _placed(families: Sequence[Sighting], measurement: str) -> list[tuple[str, Placed]]:
    """Return where the goods of some families lie that have a measurement."""
    return [
        (s.family, p)
        for s in families
        if (p := place(s.goods[:, s.measurements.index(measurement)], s.lot)) is not None
    ]


def _outlook(
    seen: Sequence[tuple[str, Placed]],
    own: Placed | None,
    sizes: Mapping[str, Mapping[str, float]],
    family: str,
    usual: tuple[Usual, tuple[float, float]],
) -> Outlook | None:
    """Return what is to be expected of one measurement, None where nobody measures it."""
    if not seen and own is None:
        return None
    differing, (between, tails) = usual
    names = sizes.get(family, {})
    given = {d: np.array([sizes.get(f, {}).get(d, math.nan) for f, _ in seen]) for d in names}
    centres = np.array([p.centre for _, p in seen])
    scatters = np.array([p.scatter for _, p in seen])
    told = foretell(centres, scatters, given, names, usual=differing.centre)
    centre = _pooled_centre(told, own, between)
    assert centre is not None
    at = math.exp(centre.mean) if told is not None and told.logarithm else centre.mean
    sides, many = [], len(seen) >= FEWEST_FOR_LAW
    for side in ("below", "above"):
        values = np.array([getattr(p, side) for _, p in seen])
        foretold = foretell(
            values,
            values,
            {**(given if many else {}), "centre": centres},
            {**(names if many else {}), "centre": at},
            usual=differing.side,
        )
        sides.append(_pooled_side(foretold, own, side, between, tails))
    (below, below_slope), (above, above_slope) = sides
    return Outlook(
        told=told,
        centre=centre,
        below=below,
        above=above,
        below_slope=below_slope,
        above_slope=above_slope,
    )


def _between(seen: Sequence[tuple[str, Placed]], own: Placed | None) -> tuple[float, float]:
    """Return how far lots' centres scatter, as a share, and the tails; over all who have the lots."""
    all_seen = [p for _, p in seen] + ([own] if own is not None else [])
    many = [p for p in all_seen if p.lots >= 3]
    if not many:
        return USUAL_BETWEEN, USUAL_TAILS
    lots = np.array([p.lots for p in many], dtype=np.float64)
    between = np.average([p.between**2 for p in many], weights=lots)
    return math.sqrt(float(between)), float(np.average([p.tails for p in many], weights=lots))


def _pooled_centre(told: Foretold | None, own: Placed | None, between: float) -> Pooled | None:
    if own is None:
        return pool(told, None, 0.0)
    error = centre_error(own, between)
    if told is not None and told.logarithm and own.centre > 0:
        error /= own.centre
    return pool(told, own.centre, error)


def _pooled_side(
    told: Foretold | None, own: Placed | None, side: str, between: float, tails: float
) -> tuple[Pooled, float]:
    """Return the logarithm of one side's scatter, and how it follows the centre's."""
    slope = told.slope if told is not None and told.by == "centre" else 0.0
    if own is None:
        pooled = pool(told, None, 0.0)
        assert pooled is not None
        return pooled, slope
    value = getattr(own, side) * whole_scatter(own, between)
    # Either side holds half of the items.
    error = math.sqrt(2) * scatter_error(own, between, tails)
    if told is None:
        return Pooled(mean=math.log(value), deviation=error, own=1.0), slope
    pooled = pool(told, value, error)
    assert pooled is not None
    return pooled, slope * (1 - pooled.own)


def possible_families(
    siblings: Sequence[Sighting],
    own: Sighting | None,
    expected: Mapping[str, Outlook],
    number: int,
    rng: np.random.Generator,
    *,
    places: bool = True,
    lenders: bool = True,
) -> Possible:
    """Return goods and defects of so many families that the family may turn out to be.

    Parameters
    ----------
    siblings : sequence of Sighting
    own : Sighting or None
    expected : mapping of measurement to Outlook
        From `outlooks`.
    number : int
        How many, p.
    rng : Generator
    places : bool
        Whether they differ in where goods lie and how far they scatter.
    lenders : bool
        Whether they differ in whose goods and defects they are like.

    Returns
    -------
    Possible

    Notes
    -----
    A sibling's item is laid over a possible family by its distance from the sibling's centre in
    scatters of its side. Who lends how much is drawn anew for each (Bayesian bootstrap over
    siblings [1]_): whole families differ, not single items.

    References
    ----------
    .. [1] Rubin (1981), The Bayesian bootstrap, Ann. Statist. 9.
    """
    lent = [_Lent.of(s, expected) for s in siblings]
    mine = None if own is None else _Lent.of(own, expected)
    own_lots = 0.0 if own is None else share_of_few(own.lots, OWN_LOTS if lent else 0.0)
    goods: list[_Laid] = []
    defects: list[_Laid] = []
    for _ in range(number):
        at = _drawn(expected, rng, moves=places)
        of_goods, of_defects = _shares(siblings, rng, moves=lenders)
        goods.append(_lay_goods(lent, mine, (of_goods, own_lots), at, rng))
        defects.append(_lay_defects(lent, mine, of_defects, at, rng))
    return Possible(
        measurements=tuple(expected),
        goods=np.concatenate([x.values for x in goods]),
        goods_of=np.repeat(np.arange(number), [len(x.values) for x in goods]),
        goods_from=np.concatenate([x.lender for x in goods]),
        defects=np.concatenate([x.values for x in defects]),
        defects_of=np.repeat(np.arange(number), [len(x.values) for x in defects]),
        defects_from=np.concatenate([x.lender for x in defects]),
        kind=tuple(kind for x in defects for kind in x.kind),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Laid:
    """Items laid over one possible family, who lent each, and of defects their type."""

    values: Floats
    lender: Ints
    kind: tuple[str | None, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lent:
    """One family's items as distances from its centre, in scatters of the side; k expected measurements."""

    goods: Floats
    defects: Floats
    raw_defects: Floats
    weight: Floats
    kind: tuple[str | None, ...]

    @classmethod
    def of(cls, seen: Sighting, expected: Mapping[str, Outlook]) -> "_Lent":
        columns = [seen.measurements.index(m) for m in expected]
        goods, defects = seen.goods[:, columns], seen.defects[:, columns]
        placed = [place(seen.goods[:, k], seen.lot) for k in columns]
        centre, below, above = (
            np.array([math.nan if p is None else getattr(p, part) for p in placed])
            for part in ("centre", "below", "above")
        )

        def distance(x: Floats) -> Floats:
            return np.asarray((x - centre) / np.where(x > centre, above, below))

        return cls(
            goods=distance(goods),
            defects=distance(defects),
            raw_defects=defects,
            weight=seen.weight,
            kind=seen.kind,
        )


def _drawn(
    expected: Mapping[str, Outlook], rng: np.random.Generator, *, moves: bool
) -> tuple[Floats, Floats, Floats]:
    """Return centre and both scatters of every measurement of one possible family, shape (k,)."""
    rows = []
    for one in expected.values():
        shift, *sides = rng.standard_normal(3) if moves else np.zeros(3)
        mean = one.centre.mean + one.centre.deviation * shift
        centre = math.exp(mean) if one.logarithm else mean
        # A share of the centre moves with it.
        moved = one.centre.deviation * shift if one.logarithm else 0.0
        below = one.below.mean + one.below_slope * moved + one.below.deviation * sides[0]
        above = one.above.mean + one.above_slope * moved + one.above.deviation * sides[1]
        rows.append((centre, math.exp(below), math.exp(above)))
    centre, below, above = np.array(rows).reshape(len(rows), 3).T
    return centre, below, above


def _shares(
    siblings: Sequence[Sighting], rng: np.random.Generator, *, moves: bool
) -> tuple[Floats, Floats]:
    """Return which shares of goods and of defects each sibling lends, shape (g,) each."""
    if not siblings:
        return np.zeros(0), np.zeros(0)
    drawn = rng.standard_exponential(len(siblings)) if moves else np.ones(len(siblings))
    labels = np.array([s.weight.sum() for s in siblings])
    worth = labels / (labels + LABELS_HALF)
    by_defects = drawn * worth
    return drawn / drawn.sum(), by_defects / (by_defects.sum() or 1.0)


def _picked(rows: int, number: int, weight: Floats | None, rng: np.random.Generator) -> Ints:
    """Return so many row numbers; evenly spread, so that few picks stand for all rows."""
    if not rows or number <= 0:
        return np.zeros(0, dtype=np.int64)
    if weight is None:
        turns = np.concatenate([rng.permutation(rows) for _ in range(-(-number // rows))])
        return turns[:number].astype(np.int64)
    edges = np.cumsum(weight) / weight.sum()
    at = (np.arange(number) + rng.random()) / number
    return np.minimum(np.searchsorted(edges, at), rows - 1).astype(np.int64)


Place = tuple[Floats, Floats, Floats]
"""Centre and both scatters of one possible family, shape (k,) each."""


def _over(u: Floats, at: Place) -> Floats:
    """Return distances laid over a possible family."""
    centre, below, above = at
    return np.asarray(centre + u * np.where(u > 0, above, below))


def _lay_goods(
    lent: Sequence[_Lent],
    mine: _Lent | None,
    shares: tuple[Floats, float],
    at: Place,
    rng: np.random.Generator,
) -> _Laid:
    """Return goods of one possible family: siblings' and its own, by their distances."""
    siblings, own = shares
    number = round(GOODS_EACH * (1 - own))
    of_each = rng.multinomial(number, siblings) if lent else np.zeros(0, dtype=np.int64)
    pools = [*lent, *([mine] if mine is not None else [])]
    counts = [*of_each, *([GOODS_EACH - number] if mine is not None else [])]
    lenders = [*range(len(lent)), -1]
    picked = [
        x.goods[_picked(len(x.goods), int(n), None, rng)]
        for x, n in zip(pools, counts, strict=True)
    ]
    lender = np.repeat(lenders[: len(pools)], [len(x) for x in picked])
    return _Laid(values=_over(np.concatenate(picked), at), lender=lender.astype(np.int64))


def _lay_defects(
    lent: Sequence[_Lent],
    mine: _Lent | None,
    shares: Floats,
    at: Place,
    rng: np.random.Generator,
) -> _Laid:
    """Return defects of one possible family: siblings' laid over it, its own where they lie."""
    part = 0.0
    if mine is not None and len(mine.weight):
        part = share_of_few(float(mine.weight.sum()), OWN_DEFECTS if shares.sum() else 0.0)
    rows, lenders = [np.zeros((0, len(at[0])))], [np.zeros(0, dtype=np.int64)]
    kinds: list[str | None] = []
    if shares.sum() and part < 1:
        of_each = rng.multinomial(round(DEFECTS_EACH * (1 - part)), shares)
        for n, (one, number) in enumerate(zip(lent, of_each, strict=True)):
            picked = _picked(len(one.defects), int(number), one.weight, rng)
            rows.append(_over(one.defects[picked], at))
            lenders.append(np.full(len(picked), n))
            kinds += [one.kind[i] for i in picked]
    if part and mine is not None:
        picked = _picked(len(mine.raw_defects), round(DEFECTS_EACH * part), mine.weight, rng)
        rows.append(mine.raw_defects[picked])
        lenders.append(np.full(len(picked), -1))
        kinds += [mine.kind[i] for i in picked]
    return _Laid(values=np.concatenate(rows), lender=np.concatenate(lenders), kind=tuple(kinds))
