"""The texts of the demo's plant.toml, recipe.csv and must_catch.csv."""

import numpy as np

from optimiser.demo import streams
from optimiser.demo.families import FAMILIES, FamilyPlan
from optimiser.demo.labels import REVIEW_FALSE, REVIEW_MISS, TEST_COVERAGE
from optimiser.demo.measurements import ESCAPE_COST, MEASUREMENTS
from optimiser.demo.plan import DemoPlant, Plan, family_limits
from optimiser.demo.process import Singles, draw_items, widen
from optimiser.errors import UsageError

PLANT_NAME = "Saltmarsh Works (invented)"


def plant_text() -> str:
    """Return the plant file, the template a user copies."""
    measurements = "\n".join(
        f'{name} = {{ unit = "{m.unit}", step = {m.step}, repeatability = {m.repeatability},'
        f' about = "{m.about}" }}'
        for name, m in MEASUREMENTS.items()
    )
    costs = "\n".join(f"{kind} = {cost}" for kind, cost in ESCAPE_COST.items())
    families = "\n".join(_family_text(family) for family in FAMILIES)
    return _PLANT_TEMPLATE.format(
        name=PLANT_NAME,
        miss=REVIEW_MISS,
        alarm=REVIEW_FALSE,
        coverage=TEST_COVERAGE,
        measurements=measurements,
        costs=costs,
        families=families,
    )


def _family_text(family: FamilyPlan) -> str:
    """Return a family's tables of the plant file."""
    lines = [
        f'[families."{family.name}"]',
        f"class = {family.grade}",
        f"critical = {str(family.critical).lower()}",
        f'termination = "{family.termination}"',
    ]
    if family.package:
        sizes = ", ".join(f"{name} = {mm}" for name, mm in family.package.items())
        lines.append(f"package = {{ {sizes} }}")
    if family.bounds:
        lines.append(f'[families."{family.name}".workmanship]')
    for name, (lower, upper) in family.bounds.items():
        sides = [("lower", lower), ("upper", upper)]
        inner = ", ".join(f"{side} = {float(b)}" for side, b in sides if b is not None)
        lines.append(f"{name} = {{ {inner} }}")
    return "\n".join([*lines, ""])


_PLANT_TEMPLATE = """\
# What the tool must know of a plant. Everything in this example is invented.
# Paths are relative to this file.

[plant]
name = "{name}"
currency = "EUR"                # of every cost below
invented = true                 # a demo: every panel and page says so
history = "history"             # a file, or a folder of day=YYYY-MM-DD folders
recipe = "recipe.csv"           # the limits the machines run now
must_catch = "must_catch.csv"   # known-bad items that every proposal has to call

[review]
seconds_per_call = 25.0         # a person's time for one called item
cost_per_hour = 38.0            # of that person
miss_rate = {miss}                # share of called defects that the reviewer passes
false_alarm_rate = {alarm}        # share of called goods that the reviewer calls defects

[escape_cost]
default = 15.0                  # of one escape whose kind is not listed below

[escape_cost.by_defect]         # by kind of defect, found at the next stage
{costs}

[escape_cost.by_finder]         # times so much, by where it is found
test = 1.0
field = 2.5

[labels]
test_coverage = {coverage}             # share of escapes that test finds

# unit; step = what a limit can be set in; repeatability = standard deviation of measuring
# the same item again; about = what it is
[measurements]
{measurements}

# class = of the product, 1 to 3; critical = no known escape may be added, two signatures;
# termination = families of one termination lend each other defects; workmanship = the
# acceptance bounds beyond which a limit may never go; package = dimensions of the termination, mm,
# by which first limits of a new family are scaled
{families}
[rails]
guard_sigmas = 2.0              # repeatabilities to keep from a workmanship bound
largest_move_steps = 12         # furthest a limit moves in one revision
minimum_defects = 8             # fewer labelled ones: gather, do not change
mismatch_share = 0.001          # replay may disagree with the machine on so many items
released_share = 0.5            # largest share of the known defects a change may release

[advice]                        # when a change that was found is advised
smallest_saving = 0.0           # a month, expected
largest_chance_of_loss = 0.15   # in the long run, as far as the history can tell
"""


def recipe_text(plant: DemoPlant) -> str:
    """Return the live recipe as the lines of a file."""
    rows = [row for plan in plant.plans for row in plan.rows]
    rows.sort(key=lambda row: ("family", "part", "designator").index(row.scope))
    lines = ["# revision 1", "scope,name,measurement,lower,upper,unit"]
    for row in rows:
        sides = f"{_shown(row.lower)},{_shown(row.upper)}"
        unit = MEASUREMENTS[row.measurement].unit
        lines.append(f"{row.scope},{row.name},{row.measurement},{sides},{unit}")
    return "\n".join(lines) + "\n"


def _shown(value: float | None) -> str:
    """Return a number as it reads back, nothing for none."""
    return "" if value is None or np.isnan(value) else repr(round(value, 6))


def must_catch_text(plant: DemoPlant) -> str:
    """Return known-bad boards: one or two kinds of some families, called with margin."""
    lines = [",".join(["name", "family", *MEASUREMENTS])]
    for index, plan in enumerate(plant.plans):
        rng = np.random.default_rng([plant.seed, streams.MUST, index])
        count = 0 if index % 4 == 3 else 1 + index % 2
        for kind in range(count):
            values = _known_bad(plan, kind, rng)
            name = f"KB-{len(lines):02d} {plan.process.kinds[kind]}"
            shown = [_shown(float(value)) for value in widen(plan.process, values[None, :])[0]]
            lines.append(",".join([name, plan.process.family.name, *shown]))
    return "\n".join(lines) + "\n"


def _known_bad(plan: Plan, kind: int, rng: np.random.Generator) -> Singles:
    """Return the first drawn defect that a live limit calls by twice the repeatability."""
    n, process = 500, plan.process
    values = draw_items(
        process,
        shifts=np.zeros((n, len(process.names))),
        kinds=np.full(n, kind),
        severity=np.exp(rng.normal(0.45, 0.2, n)),
        rng=rng,
    )
    margin = 2 * np.array([MEASUREMENTS[name].repeatability for name in process.names])
    lower, upper = family_limits(plan)
    clear = ((values < lower - margin) | (values > upper + margin)).any(axis=1)
    if not clear.any():
        message = (
            f"none of {n} drawn {process.kinds[kind]} of {process.family.name} is called with "
            "margin, so none can stand in must_catch.csv; choose another seed"
        )
        raise UsageError(message)
    first: Singles = values[int(np.argmax(clear))]
    return first
