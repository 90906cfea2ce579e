"""How tight a level a digest has to serve: items beyond its reach are kept one by one.

Tomorrow's grid depends on tomorrow's data: a limit that no defect has tested may be tested then, and may
move. So a digest reaches to where the rails can bring a level as far as its own items tell, and to where
last night's grids asked for; both with room to spare, and never looser than the live limit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimiser.history.digest.store import Reach
from optimiser.history.profile import Profile, profile
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Rails, Side, off_limit
from optimiser.recipe.table import Recipe
from optimiser.tally.grid import Grid
from optimiser.tally.rails import LimitFacts, is_settable

# A file's own tail of so many times the share that the rail call-load allows in all files.
ROOM = 2.0
# A family with fewer items in a file says too little of its tail: all of it is kept.
FEWEST = 300
# Spreads beyond what a grid needed, so that not every night has to reach a little further.
MARGIN = 0.25


def reach_of(
    history: History, revisions: Sequence[Recipe], known: Reach, wider: Reach | None = None
) -> Reach:
    """Return the z beyond which items of a history's files are to be kept one by one.

    Parameters
    ----------
    history : History
        Of some files.
    revisions : sequence of Recipe
        The live one and those before.
    known : mapping of (family, measurement, side) to float
        What grids ask for, where that is known.
    wider : mapping of (family, measurement, side) to float, optional
        Reaches at least so tight.

    Returns
    -------
    dict of (family, measurement, side) to float
        For everything measured; float32, -inf keeps all items, +inf none.
    """
    live, before = revisions[0], limits_of(revisions[1:])
    rails, plant = history.plant.file.rails, history.plant
    profiles = profile(history, share=min(0.5, ROOM * rails.call_load_share))
    found: dict[tuple[str, str, str], float] = {}
    for (family, measurement), seen in profiles.items():
        row = live.family_rows(family).get(measurement)
        for side in SIDES:
            facts = LimitFacts(
                family=family,
                measurement=measurement,
                side=side,
                live=row.limit(side) if row else off_limit(side),
                known=plant.file.measurements[measurement],
                profile=seen,
                rules=plant.file.families[family],
                defects_beyond=0,
                only_called=plant.file.plant.only_called,
            )
            key = family, measurement, side
            own = _own(facts, seen, side, rails)
            z = min(known.get(key, own), own, facts.live_z, before.get(key, math.inf))
            z = min(z, (wider or {}).get(key, math.inf))
            # Just below, so that an item at the reach itself is kept.
            found[key] = float(np.nextafter(np.float32(z), np.float32(-np.inf)))
    return found


def limits_of(revisions: Sequence[Recipe]) -> Reach:
    """Return the tightest z of each family's limits over some revisions."""
    found: dict[tuple[str, str, str], float] = {}
    for row in (row for recipe in revisions for row in recipe.rows if row.scope == "family"):
        for side, z in (("lower", -row.lower), ("upper", row.upper)):
            key = row.name, row.measurement, side
            found[key] = min(z, found.get(key, math.inf))
    return found


def _own(facts: LimitFacts, seen: Profile, side: Side, rails: Rails) -> float:
    """Return the reach that a file's own items ask for."""
    if not is_settable(facts, rails):
        return math.inf
    move = load = -math.inf
    if rails.holds("largest-move"):
        steps, spreads = rails.largest_move
        # A spread, and with it a step where none is set, follows all files and not this one.
        by_steps = (steps + 0.5) * (1.0 if facts.known.step else 1.5) * facts.step
        move = facts.live_z - max(by_steps, 1.5 * spreads * seen.spread)
    if rails.holds("call-load") and seen.measured >= FEWEST:
        load = facts.sign * (seen.few_high if side == "upper" else seen.few_low)
    return min(facts.live_z, max(move, load))


@dataclass(frozen=True, slots=True)
class WantedLimit:
    """What grids ask of one limit: the tightest z that the rails allow, and that with room."""

    z: float
    with_room: float


def asked(
    *several: Mapping[str, Grid], before: Sequence[Recipe] = ()
) -> dict[tuple[str, str, str], WantedLimit]:
    """Return per limit what some grids and the revisions before the live one ask for."""
    found = {k: WantedLimit(z, z) for k, z in limits_of(before).items() if math.isfinite(z)}
    for grids in several:
        for family, grid in grids.items():
            for limit in grid.limits:
                key = family, limit.measurement, limit.side
                so_far = found.get(key, WantedLimit(math.inf, math.inf))
                room = limit.lowest - MARGIN * limit.spread
                found[key] = WantedLimit(min(limit.lowest, so_far.z), min(room, so_far.with_room))
    return found


def falls_short(
    reach: Reach, wanted: Mapping[tuple[str, str, str], WantedLimit]
) -> dict[tuple[str, str, str], float]:
    """Return the limits for which a digest's reach is too loose, and how tight it should be.

    Parameters
    ----------
    reach : mapping of (family, measurement, side) to float
    wanted : mapping of (family, measurement, side) to WantedLimit

    Returns
    -------
    dict of (family, measurement, side) to float
        Empty where the digest serves. What a digest never measured it need not reach.
    """
    return {
        key: limit.with_room
        for key, limit in wanted.items()
        if key in reach and reach[key] != -math.inf and not reach[key] < limit.z
    }
