"""What becomes known of the items of a day, and who finds it."""

from dataclasses import dataclass

import numpy as np

from optimiser.demo import streams
from optimiser.demo.items import Items
from optimiser.demo.plan import DemoPlant
from optimiser.demo.process import GOOD, Floats, Ints, global_kinds

REVIEW_MISS, REVIEW_FALSE, UNREVIEWED = 0.05, 0.002, 0.005
TEST_COVERAGE, FIELD_COVERAGE = 0.30, 0.03
FOUND_BY = ("review", "test", "audit", "field")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnLabels:
    """What is known of the items of a day: codes, -1 for nothing, and weights."""

    verdict: Ints
    kind: Ints
    found_by: Ints
    weight: Floats


def label_day(plant: DemoPlant, day: int, items: Items) -> DrawnLabels:
    """Return the labels of a day: review, then audit, then what test and field find."""
    rng = np.random.default_rng([plant.seed, streams.LABELS, day])
    n, bad = len(items.kind), items.kind != GOOD
    luck = rng.random((5, n))
    verdict, found_by = np.full(n, -1), np.full(n, -1)
    reviewed = items.called & (luck[0] >= UNREVIEWED)
    says_defect = np.where(bad, luck[1] >= REVIEW_MISS, luck[1] < REVIEW_FALSE)
    verdict[reviewed], found_by[reviewed] = says_defect[reviewed], FOUND_BY.index("review")
    chance = np.array([plan.process.family.audit for plan in plant.plans])[items.family]
    audited = ~items.called & (luck[2] < chance)
    verdict[audited], found_by[audited] = bad[audited], FOUND_BY.index("audit")
    escaped = bad & (verdict != 1)
    tested = escaped & (luck[3] < TEST_COVERAGE)
    returned = escaped & ~tested & (luck[4] < FIELD_COVERAGE)
    verdict[tested | returned] = 1
    found_by[tested], found_by[returned] = FOUND_BY.index("test"), FOUND_BY.index("field")
    kind = np.where(verdict == 1, items.kind, -1)
    mistaken = np.flatnonzero((verdict == 1) & ~bad)
    for row in mistaken:
        kind[row] = rng.choice(global_kinds(plant.plans[items.family[row]].process))
    return DrawnLabels(
        verdict=verdict,
        kind=kind,
        found_by=found_by,
        weight=np.where(audited, 1.0 / chance, 1.0),
    )
