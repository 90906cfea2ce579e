"""All that first limits of one family rest on, before any is chosen."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from optimiser.evidence.bursts import bursts_of
from optimiser.evidence.kinship import Wait, prior_of_few, wait_for
from optimiser.evidence.shrink import Shrunk, fit_prior, shrink
from optimiser.intake.units import factor
from optimiser.plant.file import SIDES, Plant, Side
from optimiser.plant.workmanship import Criterion, Uncomputed, criteria, dimensions_of
from optimiser.proposal.possible import Outlook, outlooks, usual_of
from optimiser.proposal.propose import FEWEST_LOTS
from optimiser.proposal.sighting import Sighting
from optimiser.proposal.start_record import (
    COUNTED_PER,
    LEVEL,
    Elsewhere,
    Evidence,
    Range,
    StartBound,
)

Key = tuple[str, Side]
Floats = NDArray[np.float64]

# A sibling with less has shown too little of itself.
FEWEST_ITEMS = 200
CERTIFICATES = ((0.10, 0.90, 22), (0.05, 0.95, 59))
"""Escapes added at most, confidence, labelled defects for it with none released (exact binomial)."""


def siblings_of(
    plant: Plant, family: str, seen: Mapping[str, Sighting], own: Sighting | None
) -> tuple[Sighting, ...]:
    """Return what was seen of the families of a family's termination, never of itself.

    Parameters
    ----------
    plant : Plant
    family : str
    seen : mapping of family to Sighting
    own : Sighting or None
        Says at which stage the family is inspected.

    Returns
    -------
    tuple of Sighting
        Of lots and items enough to say where a family's goods lie.
    """
    families = plant.file.families
    termination = dimensions_of(family, families[family])[1]
    if termination is None:
        return ()
    return tuple(
        s
        for name, s in sorted(seen.items())
        if name != family
        and dimensions_of(name, families[name])[1] == termination
        and s.lots >= FEWEST_LOTS
        and s.items >= FEWEST_ITEMS
        and (own is None or set(own.stages) & set(s.stages))
    )


def others_of(family: str, seen: Mapping[str, Sighting]) -> tuple[Sighting, ...]:
    """Return what was seen of all other families that have labelled defects, lots and items enough.

    A defect lies away from the goods whatever the part: in scatters of its own goods a family without
    siblings may be taken to fail as the plant's other families do. Where its goods lie no other kind
    says.

    Parameters
    ----------
    family : str
    seen : mapping of family to Sighting

    Returns
    -------
    tuple of Sighting
    """
    return tuple(
        s
        for name, s in sorted(seen.items())
        if name != family and s.lots >= FEWEST_LOTS and s.items >= FEWEST_ITEMS and s.labels
    )


def _other_kinds(
    plant: Plant, family: str, seen: Mapping[str, Sighting], termination: str | None
) -> list[list[Sighting]]:
    """Return the families of every other termination, kind by kind."""
    kinds: dict[str, list[Sighting]] = {}
    for name, sighting in sorted(seen.items()):
        kind = dimensions_of(name, plant.file.families[name])[1]
        if name != family and kind not in (None, termination) and sighting.lots >= FEWEST_LOTS:
            kinds.setdefault(str(kind), []).append(sighting)
    return list(kinds.values())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """All that first limits rest on, before any is chosen."""

    plant: Plant
    family: str
    termination: str | None
    sizes_words: str
    siblings: tuple[Sighting, ...]
    lenders: tuple[Sighting, ...]
    others: tuple[Sighting, ...]
    own: Sighting | None
    expected: Mapping[str, Outlook]
    bounds: Mapping[Key, StartBound]
    differing: tuple[tuple[StartBound, StartBound], ...]
    uncomputed: tuple[Uncomputed, ...]
    unmeasured: tuple[Criterion, ...]

    @classmethod
    def of(
        cls, plant: Plant, family: str, seen: Mapping[str, Sighting], own: Sighting | None
    ) -> "Known":
        """Gather it."""
        families = plant.file.families
        siblings = siblings_of(plant, family, seen, own)
        others = others_of(family, seen)
        lenders = siblings or (others if own is not None else ())
        sizes = {
            name: dimensions_of(name, families[name])[0].known()
            for name in (family, *(n for n in seen if n != family))
        }
        size, termination, words = dimensions_of(family, families[family])
        kinds = _other_kinds(plant, family, seen, termination)
        computed, uncomputed = criteria(termination, families[family].product_class, size)
        found, unmeasured = _computed_bounds(plant, computed)
        stated = _stated_bounds(plant, family)
        measurements = plant.file.measurements
        lengths = {m for m, x in measurements.items() if factor("mm", x.unit) is not None}
        return cls(
            plant=plant,
            family=family,
            termination=termination,
            sizes_words=words,
            siblings=siblings,
            lenders=lenders,
            others=others,
            own=own,
            expected=outlooks(
                siblings,
                own,
                sizes,
                family,
                usual_of(kinds, sizes, len(siblings), lengths),
                others=lenders,
                lengths=lengths,
            ),
            bounds={**found, **stated},
            differing=tuple(
                (stated[key], found[key])
                for key in stated.keys() & found.keys()
                if not math.isclose(stated[key].value, found[key].value, rel_tol=1e-3)
            ),
            uncomputed=uncomputed,
            unmeasured=unmeasured,
        )

    def sides(self) -> list[Key]:
        """Return what to limit: where siblings' recipes or its own have a limit, or a bound lies."""
        limited = {key for s in self.lenders for key in s.limited}
        if self.own is not None:
            limited |= self.own.limited
        wanted = {key for key in limited if key[0] in self.expected} | self.bounds.keys()
        return [
            (name, side)
            for name, m in self.plant.file.measurements.items()
            for side in SIDES
            if (name, side) in wanted and not m.check
        ]

    def rate(self) -> Shrunk | None:
        """Return the share of items that are defects, its own pulled towards siblings'."""
        return self._shrunk(own_weight)

    def bounds_elsewhere(self) -> Elsewhere | None:
        """Return what the plant's other families would show under nothing but their own bounds."""
        called, passed = [], []
        for s in self.others:
            bounds = _bounds_of(self.plant, s.family)
            if not any(s.measures(m) for m, _ in bounds):
                continue
            called.append(float(_beyond(s, s.goods, bounds).mean()))
            missed = ~_beyond(s, s.defects, bounds)
            passed.append(float(np.average(missed, weights=s.weight)) if s.weight.sum() else 0.0)
        if not called:
            return None
        return Elsewhere(
            families=len(called),
            called=(min(called), float(np.median(called)), max(called)),
            passed=(min(passed), float(np.median(passed)), max(passed)),
        )

    def defect_range(self) -> Range | None:
        """Return the defects to expect per COUNTED_PER items."""
        rate = self.rate()
        if rate is None:
            return None
        return Range(
            value=float(rate.mean[0]) * COUNTED_PER,
            low=float(rate.low[0]) * COUNTED_PER,
            high=float(rate.high[0]) * COUNTED_PER,
        )

    def _shrunk(self, events: Callable[[Sighting], float]) -> Shrunk | None:
        """Return the share of items that are such events, its own pulled towards its lenders'."""
        items, own = (float(self.own.items), events(self.own)) if self.own else (0.0, 0.0)
        # A few lots' events come in the plant's bursts: they say as much as fewer that come one by one.
        bursts = [b.effect for b in bursts_of([s.arrivals for s in self.lenders])]
        worth = 1 / max(1.0, float(np.mean(bursts))) if bursts else 1.0
        mine = np.array([worth * min(own, items)]), np.array([worth * items])
        if not self.lenders:
            if not own or not items:
                return None
            prior = fit_prior(np.array([round(own)], dtype=np.float64), np.array([items]))
            return shrink(np.zeros(1), np.zeros(1), prior, level=LEVEL)
        return shrink(
            *mine,
            prior_of_few(_rates(self.lenders, events), _rates(self.others, events)),
            level=LEVEL,
        )

    def evidence(self) -> tuple[Evidence, ...]:
        """Return how many items it takes until its own labels are enough."""
        there = self.own.labels if self.own else 0
        advice = self.plant.file.rails.minimum_defects
        asked: list[tuple[Literal["advice", "certificate"], float | None, float | None, int]] = [
            ("advice", None, None, advice),
            *(("certificate", share, sure, needed) for share, sure, needed in CERTIFICATES),
        ]
        return tuple(
            Evidence(
                what=what,
                share=share,
                confidence=sure,
                needed=needed,
                there=there,
                items=self._wait(max(0, needed - there)),
            )
            for what, share, sure, needed in asked
        )

    def _wait(self, labels: int) -> Wait | None:
        """Return the items until so many more labels, whoever gives them, have come."""
        seen = self._shrunk(lambda s: float(s.labels))
        if seen is None or not seen.mean[0] > 0:
            return None
        mean = float(seen.mean[0])
        # The gamma distribution with the mean and the spread of what is known of the rate.
        spread = float(seen.high[0] - seen.low[0]) / (2 * float(norm.ppf((1 + LEVEL) / 2)))
        events = (mean / spread) ** 2 if spread > 0 else 1e6
        bursts = [b.effect for b in bursts_of([s.arrivals for s in self.lenders])]
        return wait_for(
            labels,
            events=events,
            items=events / mean,
            bursts=float(np.mean(bursts)) if bursts else 1.0,
            level=LEVEL,
        )


def _rates(
    families: Sequence[Sighting], events: Callable[[Sighting], float]
) -> tuple[Floats, Floats]:
    """Return events and items of some families."""
    items = np.array([s.items for s in families], dtype=np.float64)
    return np.minimum(np.rint([events(s) for s in families]), items), items


def own_weight(own: Sighting | None) -> float:
    """Return how many real defects a family's own labels stand for; 0 without any."""
    return float(own.weight.sum()) if own is not None else 0.0


def guard(plant: Plant, measurement: str) -> float:
    """Return what a limit keeps from a bound: the rails' guard band, of the gauge's repeatability."""
    return plant.file.rails.guard_sigmas * plant.file.measurements[measurement].repeatability


def _beyond(seen: Sighting, values: Floats, bounds: Mapping[Key, StartBound]) -> NDArray[np.bool_]:
    """Return which items lie beyond any of some bounds less their guard, shape (n,)."""
    beyond = np.zeros(len(values), dtype=np.bool_)
    for (measurement, side), bound in bounds.items():
        x = values[:, seen.measurements.index(measurement)]
        beyond |= (x if side == "upper" else -x) > bound.z
    return beyond


def _bounds_of(plant: Plant, family: str) -> dict[Key, StartBound]:
    """Return a family's bounds, computed ones where the plant file states none."""
    record = plant.file.families[family]
    size, termination, _ = dimensions_of(family, record)
    computed, _ = criteria(termination, record.product_class, size)
    return {**_computed_bounds(plant, computed)[0], **_stated_bounds(plant, family)}


def _stated_bounds(plant: Plant, family: str) -> dict[Key, StartBound]:
    return {
        (name, side): StartBound(
            measurement=name, side=side, value=value, guard=guard(plant, name), computed=None
        )
        for name, bound in plant.file.families[family].workmanship.items()
        for side in SIDES
        if (value := bound.side(side)) is not None
    }


def _computed_bounds(
    plant: Plant, computed: Sequence[Criterion]
) -> tuple[dict[Key, StartBound], tuple[Criterion, ...]]:
    """Return computed bounds in the units of the plant's measurements, and those nothing measures."""
    found: dict[Key, StartBound] = {}
    unmeasured = []
    for criterion in computed:
        names = [
            (name, by)
            for name, m in plant.file.measurements.items()
            if (m.feature or name.replace("_", " ").replace("-", " ").casefold())
            == criterion.feature
            and (by := factor("mm", m.unit)) is not None
        ]
        if not names:
            unmeasured.append(criterion)
        for name, by in names:
            found[name, criterion.side] = StartBound(
                measurement=name,
                side=criterion.side,
                value=criterion.bound * float(by),
                guard=guard(plant, name),
                computed=criterion,
            )
    return found, tuple(unmeasured)


def rounded(plant: Plant, measurement: str, side: Side, value: float) -> float:
    """Return a limit on the measurement's steps, never looser than a value."""
    step = plant.file.measurements[measurement].step
    if step is None:
        return value
    turned = math.floor if side == "upper" else math.ceil
    # A value that is a step but for binary dust stays that step.
    return round(turned(value / step + (1e-9 if side == "upper" else -1e-9)) * step, 9)
