"""The proposal of one family: what an engineer signs or refuses."""

import json
import math
from dataclasses import asdict, dataclass
from datetime import date
from functools import cache
from typing import Any, Literal

from pydantic import TypeAdapter

from optimiser.evidence.certificate import Certificate
from optimiser.evidence.cost_ratio import PriceRange
from optimiser.evidence.intervals import Interval
from optimiser.evidence.promise import Promise
from optimiser.plant.file import Side
from optimiser.proposal.reasons import Reason
from optimiser.studies.causes import Cause
from optimiser.values import finite_only

Advice = Literal["change", "keep", "gather", "investigate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitMove:
    """One limit now and proposed, in its unit; ±inf is no limit.

    ``rail`` says which rule stops it from moving further, empty where none does.
    """

    measurement: str
    side: Side
    unit: str
    now: float
    proposed: float
    rail: str = ""

    @property
    def moves(self) -> bool:
        """Whether the limit changes."""
        return self.now != self.proposed

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name; no limit is None."""
        row = asdict(self)
        for key in ("now", "proposed"):
            row[key] = row[key] if math.isfinite(row[key]) else None
        return row


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Items on one side of the change, by what is known of them."""

    calls: int
    defects: int
    goods: int
    unreviewed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreeLines:
    """Items called by both recipes, by the live one only, by the proposed one only.

    Whole items of this history under the setting fitted on all of it; never netted.
    """

    kept: Line
    loosened: Line
    tightened: Line


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Limits that were found, with their promise."""

    limits: tuple[LimitMove, ...]
    promise: Promise


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """One setting that the earlier lots brought forth, on the later lots.

    Attributes
    ----------
    limits : tuple of LimitMove
        Those that move.
    certified_added : bool
        Whether at most ``proof.ALPHA`` of the defects that the live recipe calls escape, with
        confidence 1 - ``proof.DELTA``.
    added, escapes : int
        Later defects that the live recipe calls and this one does not; all that it misses.
    false_calls_saved : int
        In the later lots.
    best_between, best_between_money : PriceRange or None
        Prices of an escape between which it is best, in false calls and in money; None where it
        is best at none.
    """

    limits: tuple[LimitMove, ...]
    certified_added: bool
    added: int
    escapes: int
    false_calls_saved: int
    best_between: PriceRange | None
    best_between_money: PriceRange | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Forward:
    """One step forward in time: what the earlier lots promised of the later, and what followed.

    Attributes
    ----------
    false_calls_saved, escapes_added : Interval
        Promised for the later lots, with predictive intervals.
    followed_false_calls_saved, followed_escapes_added : int
        Counted on the later lots' labels.
    """

    false_calls_saved: Interval
    escapes_added: Interval
    followed_false_calls_saved: int
    followed_escapes_added: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What the later lots prove.

    Attributes
    ----------
    added : Certificate or None
        Of the setting that would have been proposed: escapes added. None where the live recipe
        calls no later defect.
    escapes, escapes_now : int
        Labelled later defects that that setting misses, and that the live recipe misses; counts,
        no certificate.
    price : PriceRange or None
        Prices of an escape, in money, between which that setting is best; None where it is best
        at none.
    first, last : date
        Days of the later defects.
    coverage : float
        Share of escapes that test finds, 0..1, as the plant file states it.
    settings : tuple of Tested
        In the order they were tested, from the safest.
    forward : Forward
        Of the setting that would have been proposed.
    early_lots, later_lots, later_defects : int
    """

    added: Certificate | None
    escapes: int
    escapes_now: int
    price: PriceRange | None
    first: date
    last: date
    coverage: float
    settings: tuple[Tested, ...]
    forward: Forward
    early_lots: int
    later_lots: int
    later_defects: int

    @property
    def added_bound(self) -> float:
        """Largest share of escapes added that is not ruled out; 1 where nothing is certified."""
        return self.added.bound if self.added is not None else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EscapeShare:
    """Which share of called defects a change would let escape, beside the other families'.

    For ranking and for the point shown; never a bound.

    Attributes
    ----------
    counted, of : int
        Held-out labelled defects that the live recipe calls: those the change would not, all.
    shown, low, high : float
        Share pulled towards the other families, with its interval, 0..1.
    weight : float
        Of the family's own count, 0..1.
    """

    counted: int
    of: int
    shown: float
    low: float
    high: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One family's advice, limits, promise and the ground they rest on.

    Attributes
    ----------
    family : str
    advice : {'change', 'keep', 'gather', 'investigate'}
    reasons : tuple of Reason
    limits : tuple of LimitMove
        Every limit of the family; none moves unless the advice is ``change``.
    promise : Promise
        Of the proposed limits, over ``span_days``; exactly nothing where none moves.
    considered : Change or None
        The best change found, where it is not advised.
    lines : ThreeLines
    attainable_per_month : float or None
        Saving of hindsight's best setting between the rails on this very history, money;
        None where the exact front was not computed. In-sample: a yardstick, no promise.
    share_reached : float or None
        Promised saving over attainable.
    front_proved : bool
    rails_touched : tuple of str
    items, lots, defects : int
        From how much it was computed.
    span_days : float
    trials : int
    interrupted : bool
    critical : bool
        Two signatures are needed.
    proof : Proof or None
        Certificate and price ranges; None where the earlier lots are too few to search.
    escape_share : EscapeShare or None
        Known once all families of a plant are seen together; never kept in a file.
    findings : tuple of Cause
        What else than a limit is the matter, said before the reasons; never kept in a file.
    """

    family: str
    advice: Advice
    reasons: tuple[Reason, ...]
    limits: tuple[LimitMove, ...]
    promise: Promise
    considered: Change | None
    lines: ThreeLines
    attainable_per_month: float | None
    share_reached: float | None
    front_proved: bool
    rails_touched: tuple[str, ...]
    items: int
    lots: int
    defects: int
    span_days: float
    trials: int
    interrupted: bool
    critical: bool
    proof: Proof | None = None
    escape_share: EscapeShare | None = None
    findings: tuple[Cause, ...] = ()

    @property
    def moves(self) -> tuple[LimitMove, ...]:
        """The limits that the proposal moves."""
        return tuple(limit for limit in self.limits if limit.moves)

    @property
    def waits(self) -> bool:
        """Whether a finding must be cured before any limit of the family can be judged."""
        return any(cause.comes_first for cause in self.findings)

    @property
    def change(self) -> Change | None:
        """The best change found, advised or only considered; None where there is none."""
        if self.advice == "change":
            return Change(limits=self.limits, promise=self.promise)
        return self.considered

    def to_json(self) -> str:
        """Return the proposal as it is kept: every number as it is, infinite ones included."""
        return json.dumps(asdict(self), default=date.isoformat)

    @classmethod
    def from_json(cls, text: str | bytes) -> "Proposal":
        """Return a proposal that was kept.

        Parameters
        ----------
        text : str or bytes
            From `to_json`.

        Returns
        -------
        Proposal
            Equal to the one that was written.

        Raises
        ------
        ValueError
            If a field is missing, of another kind or unknown: which, and where.
        """
        found = _reader().validate_json(text, strict=True)
        # Whatever is left over would be lost without a word.
        if json.loads(found.to_json()) != json.loads(text):
            msg = "a proposal that was kept holds fields that no proposal has"
            raise ValueError(msg)
        return found

    def as_dict(self) -> dict[str, Any]:
        """Return the proposal as plain values for JSON; no limit and infinity are None."""
        row = asdict(self)
        row["limits"] = [limit.as_dict() for limit in self.limits]
        if self.considered is not None:
            row["considered"]["limits"] = [limit.as_dict() for limit in self.considered.limits]
        finite: dict[str, Any] = finite_only(row)
        return finite

    def __repr__(self) -> str:
        moved = sum(limit.moves for limit in self.limits)
        saving = self.promise.saving_per_month
        return (
            f"<Proposal {self.family}: {self.advice}, {moved} limits move, "
            f"{saving.value:.0f} ({saving.low:.0f} to {saving.high:.0f}) a month, "
            f"from {self.items} items, {self.defects} labelled defects>"
        )


@cache
def _reader() -> TypeAdapter[Proposal]:
    """Return what reads and checks a proposal, made once and only where one is read."""
    return TypeAdapter(Proposal)
