"""What no revision may do, whatever was signed: checked again when it is signed and goes out.

A proposal's limits were held to the rails when it was made. A plant file edited since, a forged
proposal, an edited ledger: none of them may bring a limit past a workmanship bound or let a
must-catch item pass that the live recipe calls.
"""

from collections.abc import Iterator

import numpy as np

from optimiser.plant.file import SIDES, Plant
from optimiser.recipe.table import Recipe, Row
from optimiser.tally.must_catch import KeptItem, read_must_catch


def broken_bounds(live: Recipe, new: Recipe, family: str, plant: Plant) -> Iterator[str]:
    """Yield what a family's new limits break that its live ones do not.

    Parameters
    ----------
    live, new : Recipe
    family : str
    plant : Plant
        Rails that its file switches off are not asked.

    Yields
    ------
    str
        The limit or item, the value, the bound.
    """
    before, after = live.family_rows(family), new.family_rows(family)
    if plant.file.rails.holds("workmanship"):
        yield from _past_workmanship(before, after, family, plant)
    for item in read_must_catch(plant):
        if item.family == family and _calls(before, item, plant) and not _calls(after, item, plant):
            yield f"must-catch item {item.name} would pass, which the live recipe calls"


def _past_workmanship(
    before: dict[str, Row], after: dict[str, Row], family: str, plant: Plant
) -> Iterator[str]:
    """Yield limits that are looser than live and past the workmanship bound less its guard band."""
    for name, bound in plant.file.families[family].workmanship.items():
        for side in SIDES:
            edge = bound.side(side)
            if edge is None or name not in after:
                continue
            sign = 1 if side == "upper" else -1
            guarded = np.float32(sign * edge - _margin(name, plant))
            z = np.float32(sign * after[name].limit(side))
            looser = name not in before or z > np.float32(sign * before[name].limit(side))
            if looser and z > guarded:
                unit = plant.file.measurements[name].unit
                yield (
                    f"{name} {side} {after[name].limit(side):g} {unit} lies past its workmanship "
                    f"bound less the guard band, {sign * float(guarded):g} {unit}"
                )


def _calls(rows: dict[str, Row], item: KeptItem, plant: Plant) -> bool:
    """Return whether limits call an item also when it is measured again, margin taken off."""
    return any(
        np.float32(sign * value - _margin(name, plant))
        > np.float32(sign * rows[name].limit("upper" if sign > 0 else "lower"))
        for name, value in item.values.items()
        if name in rows
        for sign in (1, -1)
    )


def _margin(measurement: str, plant: Plant) -> float:
    known = plant.file.measurements.get(measurement)
    return plant.file.rails.guard_sigmas * (known.repeatability or 0.0) if known else 0.0
