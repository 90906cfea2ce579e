"""Why a proposal advises what it does: one record a reason, with its numbers; words are the views'."""

from dataclasses import dataclass
from typing import Literal

from optimiser.evidence.intervals import Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class TooFewDefects:
    """Fewer labelled defects, among so many items, than the rail asks for."""

    found: int
    needed: int
    items: int
    kind: Literal["too few defects"] = "too few defects"


@dataclass(frozen=True, slots=True, kw_only=True)
class TooFewLots:
    """Fewer lots than judging a setting on lots it has not seen takes."""

    found: int
    needed: int
    kind: Literal["too few lots"] = "too few lots"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnlikeRecipe:
    """More than ``allowed`` (0..1) of the recorded calls are no known recipe's."""

    allowed: float
    kind: Literal["calls unlike recipe"] = "calls unlike recipe"


@dataclass(frozen=True, slots=True, kw_only=True)
class CannotBeCalled:
    """A must-catch item that no setting between the rails calls; ``needed`` is the limit it takes."""

    item: str
    needed: str
    kind: Literal["cannot be called"] = "cannot be called"


@dataclass(frozen=True, slots=True, kw_only=True)
class NothingMayMove:
    """Every limit of the family is held by a rail."""

    kind: Literal["nothing may move"] = "nothing may move"


@dataclass(frozen=True, slots=True, kw_only=True)
class NothingBetter:
    """No setting between the rails did better on lots it had not seen."""

    kind: Literal["nothing better"] = "nothing better"


@dataclass(frozen=True, slots=True, kw_only=True)
class SavingTooSmall:
    """The best change saves no more than ``asked``; money a month, its interval at ``level``."""

    saving: Interval
    level: float
    asked: float
    kind: Literal["saving too small"] = "saving too small"


@dataclass(frozen=True, slots=True, kw_only=True)
class TooUncertain:
    """The chance of loss (0..1) lies above the one allowed."""

    chance_of_loss: float
    allowed: float
    kind: Literal["too uncertain"] = "too uncertain"


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenUp:
    """What keeping gives up, money a month, and how much more history would settle it.

    ``days`` and ``defects`` are None where no length of such a history would settle it soon.
    """

    saving: Interval
    level: float
    days: int | None
    defects: int | None
    kind: Literal["given up"] = "given up"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessMoves:
    """False calls change by a factor over the history; whether the change may lose if they go on so."""

    factor: float
    rises: bool
    lots: int
    may_lose: bool
    kind: Literal["process moves"] = "process moves"


@dataclass(frozen=True, slots=True, kw_only=True)
class FewerFalseCalls:
    """False calls fewer over the days of the history, promised."""

    number: float
    days: float
    kind: Literal["fewer false calls"] = "fewer false calls"


@dataclass(frozen=True, slots=True, kw_only=True)
class EscapesCaught:
    """Escapes that a later stage, test, audit or field found and that the change would catch, promised."""

    number: float
    kind: Literal["escapes caught"] = "escapes caught"


@dataclass(frozen=True, slots=True, kw_only=True)
class CriticalFamily:
    """No known escape may be added, and two people sign."""

    kind: Literal["critical family"] = "critical family"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unstable:
    """Settings fitted without a fold save ``least`` to ``most`` false calls here, the whole one ``own``."""

    least: float
    most: float
    own: float
    kind: Literal["unstable"] = "unstable"


Reason = (
    TooFewDefects
    | TooFewLots
    | UnlikeRecipe
    | CannotBeCalled
    | NothingMayMove
    | NothingBetter
    | SavingTooSmall
    | TooUncertain
    | GivenUp
    | ProcessMoves
    | FewerFalseCalls
    | EscapesCaught
    | CriticalFamily
    | Unstable
)
