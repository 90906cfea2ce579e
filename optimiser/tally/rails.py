"""Rails: how far one limit may move either way, each stop with its reason in words.

Everything here is in the coordinate ``z`` of a limit: ``z = x`` for an upper limit,
``z = -x`` for a lower one, so that larger is always looser. The two rails that concern a
whole setting, must-catch and critical, are in ``must_catch.py``.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from optimiser.history.profile import Profile
from optimiser.plant.file import Family, Measurement, RailName, Rails, Side

# What stops a limit and is no rule that could be switched off.
NoData = Literal["only-called"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Where one rail stops a limit, in z, and why."""

    rail: RailName | NoData
    z: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitFacts:
    """All that the rails of one limit rest on.

    Attributes
    ----------
    side : {'lower', 'upper'}
    live : float
        The live limit in x; ±inf where there is none.
    defects_beyond : int
        Labelled defects that this live limit calls.
    only_called : bool
        Whether the history holds called items alone.
    """

    family: str
    measurement: str
    side: Side
    live: float
    known: Measurement
    profile: Profile
    rules: Family
    defects_beyond: int
    only_called: bool = False

    @property
    def sign(self) -> int:
        """``z = sign * x``."""
        return 1 if self.side == "upper" else -1

    @property
    def live_z(self) -> float:
        """The live limit in z; +inf where there is none."""
        return self.sign * self.live

    @property
    def edge(self) -> tuple[float, float]:
        """The least and the largest z of the items."""
        low, high = sorted((self.sign * self.profile.low, self.sign * self.profile.high))
        return low, high

    @property
    def step(self) -> float:
        """The settable step; a tenth of the spread where any observed value may be set."""
        return self.known.step or self.profile.spread / 10 or 1.0

    def word(self, z: float) -> str:
        """Return a value of z as the measurement's value with its unit."""
        return f"{self.sign * z:.6g} {self.known.unit}"


def loose_stops(facts: LimitFacts, rails: Rails) -> list[Stop]:
    """Return the stops against loosening that are in force, tightest first.

    Parameters
    ----------
    facts : LimitFacts
    rails : Rails

    Returns
    -------
    list of Stop
        Empty where nothing stops the limit. A stop tighter than the live limit means that
        the limit may not be loosened; a live limit is never moved by a rail.
    """
    made = [_workmanship, _untested, _furthest_good, _largest_loosening]
    if facts.known.check:
        made.remove(_largest_loosening)  # from on to off is the only move there is
    stops = [stop for make in made if (stop := make(facts, rails)) and _holds(stop, rails)]
    return sorted(stops, key=lambda s: s.z)


def tight_stops(facts: LimitFacts, rails: Rails) -> list[Stop]:
    """Return the stops against tightening that are in force, loosest first.

    Parameters
    ----------
    facts : LimitFacts
    rails : Rails

    Returns
    -------
    list of Stop
    """
    stops = []
    if facts.only_called:
        reason = "only called items are in the history: what a tighter limit calls nobody can count"
        return [Stop(rail="only-called", z=facts.live_z, reason=reason)]
    if rails.holds("largest-move"):
        move, reason = _largest_move(facts, rails)
        stops.append(Stop(rail="largest-move", z=facts.live_z - move, reason=reason))
    if rails.holds("call-load"):
        few = facts.profile.few_high if facts.side == "upper" else facts.profile.few_low
        reason = f"beyond {few:.6g} {facts.known.unit} it alone would call {rails.call_load_share:.3g} of the items"
        stops.append(Stop(rail="call-load", z=min(facts.live_z, facts.sign * few), reason=reason))
    return sorted(stops, key=lambda s: -s.z)


def _holds(stop: Stop, rails: Rails) -> bool:
    # What no data can show is no rail, and cannot be switched off.
    return stop.rail == "only-called" or rails.holds(stop.rail)


def _workmanship(facts: LimitFacts, rails: Rails) -> Stop | None:
    bound = workmanship_z(facts)
    if bound is None:
        return None
    guard = rails.guard_sigmas * facts.known.repeatability
    reason = (
        f"workmanship bound {facts.word(bound)} (class {facts.rules.product_class}) "
        f"less a guard band of {guard:.3g} {facts.known.unit}"
    )
    return Stop(rail="workmanship", z=bound - guard, reason=reason)


def workmanship_z(facts: LimitFacts) -> float | None:
    """Return the workmanship bound in z, or None where there is none."""
    bound = facts.rules.workmanship.get(facts.measurement)
    value = bound.side(facts.side) if bound else None
    return None if value is None else facts.sign * value


def _untested(facts: LimitFacts, rails: Rails) -> Stop | None:
    if facts.defects_beyond or (workmanship_z(facts) is not None and rails.holds("workmanship")):
        return None
    reason = (
        "no labelled defect has ever tested this limit and no workmanship bound stands behind it"
    )
    return Stop(rail="untested", z=facts.live_z, reason=reason)


def _furthest_good(facts: LimitFacts, rails: Rails) -> Stop | None:
    good = facts.profile.good_high if facts.side == "upper" else facts.profile.good_low
    if good is None:
        return Stop(rail="furthest-good", z=facts.live_z, reason="no good was ever reviewed here")
    guard = rails.guard_sigmas * facts.known.repeatability
    reason = f"the furthest reviewed good lies at {good:.6g} {facts.known.unit}, guard {guard:.3g}"
    return Stop(rail="furthest-good", z=facts.sign * good + guard, reason=reason)


def _largest_loosening(facts: LimitFacts, rails: Rails) -> Stop | None:
    move, reason = _largest_move(facts, rails)
    return Stop(rail="largest-move", z=facts.live_z + move, reason=reason)


def _largest_move(facts: LimitFacts, rails: Rails) -> tuple[float, str]:
    """Return how far a limit may move in one revision, and what of steps and spreads says so."""
    # The scatter of what was called is not the goods'.
    spread = None if facts.only_called else facts.profile.spread
    return largest_move(rails, step=facts.step, spread=spread, unit=facts.known.unit)


def largest_move(
    rails: Rails, *, step: float, spread: float | None, unit: str
) -> tuple[float, str]:
    """Return how far a limit may move in one revision, and what of steps and spreads says so.

    Parameters
    ----------
    rails : Rails
    step : float
        That can be set.
    spread : float or None
        Standard deviation of the goods; None where it is not known.
    unit : str

    Returns
    -------
    (float, str)
    """
    steps, spreads = rails.largest_move
    if spread is None:
        steps, spread = steps or 12, 0.0
    by_steps, by_spreads = steps * step, spreads * spread
    if steps and by_steps >= by_spreads:
        words = f"{steps} {'step' if steps == 1 else 'steps'} of {step:.3g} {unit}"
        return by_steps, f"at most {words} in one revision"
    words = f"{spreads:g} standard {'deviation' if spreads == 1 else 'deviations'} of the goods"
    return by_spreads, f"at most {words} ({by_spreads:.3g} {unit}) in one revision"


def first(stops: Sequence[Stop], default: float) -> float:
    """Return where the binding stop lies, or a default without any."""
    return stops[0].z if stops else default


def is_settable(facts: LimitFacts, rails: Rails) -> bool:
    """Return whether a limit may be set at all.

    A limit that is not in force is not invented within one revision; with the rail
    largest-move off it may be.
    """
    return math.isfinite(facts.live) or not rails.holds("largest-move")
