"""The grid: for each limit of a family its settable levels, tightest first.

Levels are multiples of the measurement's step, or observed values where it has none, and
always the live limit; only those between the rails' stops.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import PlantError, RecipeError
from optimiser.history.profile import Profile, profile
from optimiser.history.read import History
from optimiser.history.schema import quoted, text_literal
from optimiser.plant.file import SIDES, Plant, Rails, Side, off_limit
from optimiser.recipe.table import Recipe
from optimiser.tally.rails import (
    LimitFacts,
    Stop,
    first,
    is_settable,
    loose_stops,
    tight_stops,
    workmanship_z,
)

MOST_LEVELS = 4000
# Ranks are kept in sixteen bits; with the thinned levels and the live one they stay below.
MOST_RANK = 28_000


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
        If a limit would have more levels than can be told apart.
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
    step = facts.known.step
    z = _stepped(facts, low, high, step) if step else _observed(history, facts, low, high)
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
        spread=facts.profile.spread,
        repeatability=facts.known.repeatability,
        loose=loose,
        tight=tight,
        loose_binds=bool(loose) and loose[0].z < edge[1] + facts.step,
        tight_binds=bool(tight) and tight[0].z > edge[0] - facts.step,
    )


def _stepped(facts: LimitFacts, low: float, high: float, step: float) -> NDArray[np.float64]:
    """Return the multiples of the step between two stops, no further than the data.

    Where there are more than MOST_LEVELS only every so many are levels; each is counted exactly.
    """
    edge = facts.edge
    start = math.ceil(max(low, min(edge[0] - step, facts.live_z)) / step - 1e-9)
    stop = math.floor(min(high, max(edge[1] + step, _finite(facts.live_z, edge[1]))) / step + 1e-9)
    # Steps far finer than the goods' scatter: every second one, every third one, and so on.
    every = max(1, math.ceil((stop - start) / MOST_LEVELS))
    start, stop = math.ceil(start / every), math.floor(stop / every)
    # Twelve digits turn 3 * 0.1 back into 0.3, the number that a recipe would hold.
    values = [float(f"{k * every * step:.12g}") for k in range(start, stop + 1)]
    return np.array(values, dtype=np.float64)


def _finite(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) else otherwise


def _observed(history: History, facts: LimitFacts, low: float, high: float) -> NDArray[np.float64]:
    """Return the distinct observed values between two stops.

    More than MOST_LEVELS are thinned evenly by rank; every labelled defect's value stays, for
    only there can a looser limit begin to let one more escape. Each level is counted exactly.

    Raises
    ------
    PlantError
        With more than MOST_RANK distinct values of labelled defects.
    """
    x, family = quoted(facts.measurement), text_literal(facts.family)
    rows = history.rows(
        f"""select {x}, bool_or(coalesce(verdict = 'defect', false)) from items
            where family = {family} and {x} is not null group by 1 order by 1"""
    )
    values = np.array([float(str(np.float32(v))) for v, _ in rows], dtype=np.float64)
    defect = np.array([bool(label) for _, label in rows])
    z = facts.sign * values
    inside = (z >= low) & (z <= high)
    z, defect = z[inside], defect[inside]
    if len(z) > MOST_LEVELS:
        keep = defect.copy()
        if keep.sum() > MOST_RANK:
            msg = (
                f"{facts.family} {facts.measurement} {facts.side}: labelled defects have {keep.sum():,} distinct "
                f"values, at most {MOST_RANK:,} levels can be told apart; give measurements."
                f"{facts.measurement}.step in plant.toml, what the limit can be set in"
            )
            raise PlantError(msg)
        keep[np.linspace(0, len(z) - 1, MOST_LEVELS).astype(int)] = True
        z = z[keep]
    return z


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
