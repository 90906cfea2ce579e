"""The data contract of a history: its columns, its words, and what a finding is."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date
from itertools import pairwise
from typing import Any, Literal

from optimiser.errors import HistoryError
from optimiser.plant.shape import FILLED

COLUMNS = FILLED
TEXT = tuple(c for c in COLUMNS if c not in ("time", "called", "weight"))
REQUIRED = ("time", "stage", "product", "board", "designator", "family", "verdict", "found_by")
KEY = ("stage", "board", "designator", "pin", "time")
VERDICTS = ("defect", "good")
FINDERS = ("review", "test", "audit", "field", "second look", "later stage")

LONGEST_GAP = 7
Level = Literal["error", "set aside", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One rule that the input breaks, with place, value and way out.

    ``level`` is ``error`` (the history cannot be used), ``set aside`` (``count`` rows went
    to the quarantine file, the rest is used) or ``note``. ``row`` counts from 1, headers
    not counted; it and ``value`` are those of the first case.
    """

    level: Level
    rule: str
    file: str
    row: int | None = None
    column: str | None = None
    value: str | None = None
    count: int = 1
    way_out: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return asdict(self)

    def __str__(self) -> str:
        place = self.file + (f", row {self.row}" if self.row is not None else "")
        value = f", got {self.value!r}" if self.value is not None else ""
        times = f" ({self.count} rows)" if self.count > 1 else ""
        return f"{place}: {self.rule}{value}{times}; {self.way_out}"


def production_days(days: Iterable[date | str]) -> float:
    """Return how many days of production some days with items stand for.

    From the first to the last, weekends and short stops included, for a month has them too; of a
    gap of more than LONGEST_GAP days only so many count. So a line that stood still for a season,
    or one item with a wrong year, does not thin out every figure per month. All figures per month
    count days like this, 365.25 / 12 of them to a month.

    Parameters
    ----------
    days : iterable of date or str
        ISO 8601; in any order, also more than once.

    Returns
    -------
    float
        At least 1.

    Examples
    --------
    >>> production_days(["2026-03-02", "2026-03-06", "2026-03-09"])
    8.0
    >>> production_days(["1999-03-02", "2026-03-06", "2026-03-09"])
    11.0
    """
    known = sorted({date.fromisoformat(str(d)[:10]) for d in days})
    gaps = ((b - a).days for a, b in pairwise(known))
    return 1.0 + sum(min(gap, LONGEST_GAP) for gap in gaps)


def refuse(findings: list[Finding]) -> HistoryError:
    """Return the error that carries findings of level ``error``.

    Parameters
    ----------
    findings : list of Finding

    Returns
    -------
    HistoryError
        With a ``findings`` attribute; its words are the first five findings.
    """
    shown = [str(f) for f in findings[:5]]
    if len(findings) > 5:
        shown.append(f"… and {len(findings) - 5} more")
    return HistoryError("\n".join(shown), tuple(findings))


def findings_of(error: HistoryError) -> tuple[Finding, ...]:
    """Return the findings an error carries; one made from its words where it carries none."""
    if len(error.args) > 1 and isinstance(error.args[1], tuple):
        return error.args[1]
    return (Finding(level="error", rule=str(error), file="", way_out="correct the input"),)
