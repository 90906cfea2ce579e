"""All that is fixed before the first item of the demo is drawn."""

from dataclasses import dataclass
from datetime import date

import numpy as np

from optimiser.demo import streams
from optimiser.demo.families import FAMILIES
from optimiser.demo.limits import DemoRow, limits_by_place, live_rows
from optimiser.demo.lots import Lots, drift_path, schedule_lots
from optimiser.demo.places import Places, items_per_board, lay_places, number_components
from optimiser.demo.process import DemoProcess, Floats, Singles, build_process
from optimiser.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """One family: process, places, its rows of the recipe and what they mean per place."""

    process: DemoProcess
    places: Places
    rows: tuple[DemoRow, ...]
    lower: Singles
    upper: Singles
    line_shift: Floats
    first_place: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoPlant:
    """Everything fixed before the first item is drawn."""

    seed: int
    days: int
    lines: int
    first_day: date
    plans: tuple[Plan, ...]
    lots: Lots
    drift: Floats


def refuse_below(least: int, **numbers: int) -> None:
    """Raise `UsageError` for a number below `least`, named as its argument."""
    for name, value in numbers.items():
        if value < least:
            message = f"{name} must be at least {least}, got {value}"
            raise UsageError(message)


def build_plant(
    *, seed: int, days: int, items_per_day: int, lines: int, first_day: date
) -> DemoPlant:
    """Return the plant of a seed; `UsageError` if a number is too small."""
    refuse_below(1, days=days, lines=lines, items_per_day=items_per_day)
    refuse_below(0, seed=seed)
    designators = number_components()
    per_board = items_per_board()
    plans: list[Plan] = []
    first = 0
    for index in range(len(FAMILIES)):
        process = build_process(index, seed=seed, items_per_board=float(per_board.mean()))
        plan = _plan_family(index, process, designators, seed=seed, lines=lines, first_place=first)
        first += len(plan.places.product)
        plans.append(plan)
    boards = max(1, round(items_per_day / lines / float(per_board.mean())))
    return DemoPlant(
        seed=seed,
        days=days,
        lines=lines,
        first_day=first_day,
        plans=tuple(plans),
        lots=schedule_lots(seed=seed, days=days, lines=lines, boards=boards, first_day=first_day),
        drift=drift_path(seed, days),
    )


def _plan_family(
    index: int,
    process: DemoProcess,
    designators: dict[str, list[list[str]]],
    *,
    seed: int,
    lines: int,
    first_place: int,
) -> Plan:
    """Return a family's plan."""
    rng = np.random.default_rng([seed, streams.PLACES, index])
    places = lay_places(process, designators[process.family.name], rng)
    rows = live_rows(process, places, np.random.default_rng([seed, streams.LIMITS, index]))
    lower, upper = limits_by_place(process, places, rows)
    return Plan(
        process=process,
        places=places,
        rows=rows,
        lower=lower,
        upper=upper,
        line_shift=rng.normal(0.0, 0.12, (lines, len(process.names))),
        first_place=first_place,
    )


def family_limits(plan: Plan) -> tuple[Singles, Singles]:
    """Return the family's own limits, shape (k,); its rows stand first."""
    rows = [row for row in plan.rows if row.scope == "family"]
    lower = [-np.inf if row.lower is None else row.lower for row in rows]
    upper = [np.inf if row.upper is None else row.upper for row in rows]
    return np.array(lower, dtype=np.float32), np.array(upper, dtype=np.float32)
