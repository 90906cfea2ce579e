"""The grid: for each limit of a family its settable levels, tightest first.

Levels are multiples of the measurement's step, or observed values where it has none, and
always the live limit; only those between the rails' stops.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import RecipeError
from optimiser.history.profile import Profile, profile
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Plant, Rails, Side, off_limit
from optimiser.recipe.table import Recipe
from optimiser.tally.levels import settable
from optimiser.tally.rails import (
    LimitFacts,
    Stop,
    first,
    is_settable,
    loose_stops,
    tight_stops,
    workmanship_z,
)

# Where the limit of a check stands that is on, and what an item measures that fails it.
ON, FAILS = 0.5, 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridLimit:
    """One limit's levels.

    Attributes
    ----------
    values : ndarray of float64, shape (k,)
        Settable limits in x, tightest first, as they would stand in a recipe; ±inf is off.
    z : ndarray of float32, shape (k,)
        The same in z, ascending: what items are compared with.
    live : int
        Index of the live limit.
    spread : float
        Standard deviation of the items, in the measurement's unit.
    loose, tight : tuple of Stop
        The rails' stops, the binding one first.
    loose_binds, tight_binds : bool
        Whether it is the first stop that ends the levels, and not the data.
    """

    measurement: str
    side: Side
    unit: str
    values: NDArray[np.float64]
    z: NDArray[np.float32]
    live: int
    spread: float
    repeatability: float
    loose: tuple[Stop, ...]
    tight: tuple[Stop, ...]
    loose_binds: bool
    tight_binds: bool

    @property
    def sign(self) -> int:
        """``z = sign * x``."""
        return 1 if self.side == "upper" else -1

    @property
    def lowest(self) -> float:
        """The z that no level can be tighter than, as the rails have it."""
        return min(first(self.tight, -math.inf), self.sign * float(self.values[self.live]))

    def touched(self, level: int) -> Stop | None:
        """Return the rail that stops a level from moving further the way it moved."""
        if level > self.live and level == len(self.z) - 1 and self.loose_binds:
            return self.loose[0]
        if level < self.live and level == 0 and self.tight_binds:
            return self.tight[0]
        return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """All settable limits of one family."""

    family: str
    limits: tuple[GridLimit, ...]

    @property
    def live(self) -> NDArray[np.int64]:
        """Level indexes of the live recipe, shape (m,)."""
        return np.array([limit.live for limit in self.limits], dtype=np.int64)

    def values(self, setting: Sequence[int] | NDArray[np.int64]) -> dict[tuple[str, Side], float]:
        """Return a setting's limits in x by measurement and side."""
        return {
            (limit.measurement, limit.side): float(limit.values[level])
            for limit, level in zip(self.limits, setting, strict=True)
        }

    def same_levels(self, other: "Grid") -> bool:
        """Return whether two grids have the same limits and levels."""
        return len(self.limits) == len(other.limits) and all(
            (a.measurement, a.side) == (b.measurement, b.side) and np.array_equal(a.z, b.z)
            for a, b in zip(self.limits, other.limits, strict=True)
        )


def make_grids(history: History, live: Recipe) -> dict[str, Grid]:
    """Return the grid of every family that has items and limits.

    Parameters
    ----------
    history : History
    live : Recipe

    Returns
    -------
    dict of family to Grid

    Raises
    ------
    RecipeError
        If a live limit is looser than its workmanship bound.
    PlantError
        If a limit would need more levels than ranks can hold.
    """
    rails = history.plant.file.rails
    profiles = profile(history, share=rails.call_load_share)
    beyond = _defects_beyond(history, live)
    grids: dict[str, Grid] = {}
    for family in sorted({f for f, _ in profiles}):
        facts = [
            f
            for f in _facts(history.plant, live, family, profiles, beyond)
            if is_settable(f, rails)
        ]
        grids[family] = Grid(family=family, limits=tuple(_limit(history, f, rails) for f in facts))
    return grids


def _facts(
    plant: Plant,
    live: Recipe,
    family: str,
    profiles: Mapping[tuple[str, str], Profile],
    beyond: Mapping[tuple[str, str, Side], int],
) -> list[LimitFacts]:
    """Return what the rails need to know of every measured side of a family."""
    rows = live.family_rows(family)
    return [
        LimitFacts(
            family=family,
            measurement=m,
            side=side,
            live=rows[m].limit(side) if m in rows else off_limit(side),
            known=plant.file.measurements[m],
            profile=profiles[family, m],
            rules=plant.file.families[family],
            defects_beyond=beyond.get((family, m, side), 0),
            only_called=plant.file.plant.only_called,
        )
        for m in plant.file.measurements
        if (family, m) in profiles
        for side in SIDES
    ]


def _defects_beyond(history: History, live: Recipe) -> dict[tuple[str, str, Side], int]:
    """Return how many labelled defects lie beyond each family limit."""
    frame = history.connection.execute(f"from {history.defects}").df()
    found: dict[tuple[str, str, Side], int] = {}
    for row in (r for r in live.rows if r.scope == "family"):
        x = frame.loc[frame["family"] == row.name, row.measurement].to_numpy(dtype=np.float32)
        found[row.name, row.measurement, "lower"] = int((x < np.float32(row.lower)).sum())
        found[row.name, row.measurement, "upper"] = int((x > np.float32(row.upper)).sum())
    return found


def _limit(history: History, facts: LimitFacts, rails: Rails) -> GridLimit:
    """Return one limit's levels between its rails."""
    _refuse_loose_live(facts, rails)
    loose, tight = loose_stops(facts, rails), tight_stops(facts, rails)
    # A rail stops a move; it does not move a limit that already stands beyond its stop.
    low = min(first(tight, -math.inf), facts.live_z)
    high = max(first(loose, math.inf), facts.live_z)
    if facts.known.check:
        # Off calls nobody: it is settable where an item that fails may pass.
        high = math.inf if high >= FAILS else high
        z = np.array([ON])
    else:
        z = settable(history, facts, low, high)
    if math.isfinite(facts.live):
        z = np.append(z, facts.live_z)
    if high == math.inf:
        z = np.append(z, math.inf)
    return _assemble(facts, z, low, high, tuple(loose), tuple(tight))


def _assemble(
    facts: LimitFacts,
    z: NDArray[np.float64],
    low: float,
    high: float,
    loose: tuple[Stop, ...],
    tight: tuple[Stop, ...],
) -> GridLimit:
    """Return the limit with its levels sorted, distinct as float32, none beyond a stop."""
    z = z[(z >= low) & (z <= high)]
    edge = facts.edge
    compared, where = np.unique(z.astype(np.float32), return_index=True)
    values = facts.sign * z[where]
    live = int(np.searchsorted(compared, np.float32(facts.live_z)))
    # The live value itself is kept to the letter, so that an unmoved limit reads unchanged.
    values[live] = facts.live
    return GridLimit(
        measurement=facts.measurement,
        side=facts.side,
        unit=facts.known.unit,
        values=values + 0.0,
        z=compared,
        live=live,
        spread=0.0 if facts.known.check else facts.profile.spread,
        repeatability=facts.known.repeatability,
        loose=loose,
        tight=tight,
        loose_binds=bool(loose) and loose[0].z < edge[1] + facts.step,
        tight_binds=bool(tight) and tight[0].z > edge[0] - facts.step,
    )


def _refuse_loose_live(facts: LimitFacts, rails: Rails) -> None:
    """Raise if the live limit already lies beyond the workmanship bound."""
    bound = workmanship_z(facts)
    if bound is None or not rails.holds("workmanship") or not math.isfinite(facts.live):
        return
    if facts.live_z > bound:
        msg = (
            f"the live {facts.side} limit of {facts.family} {facts.measurement}, {facts.live:g}, is looser "
            f"than its workmanship bound {facts.word(bound)}; tighten it on the machine, correct the "
            "bound in plant.toml, or switch the rail workmanship off for analysis"
        )
        raise RecipeError(msg)
