"""The data contract of a history: its columns, its words, and what a finding is."""

from dataclasses import asdict, dataclass
from typing import Any, Literal

from optimiser.errors import HistoryError

TEXT = (
    "line",
    "station",
    "stage",
    "product",
    "board",
    "lot",
    "designator",
    "pin",
    "part",
    "family",
    "verdict",
    "defect",
    "found_by",
)
COLUMNS = ("time", *TEXT, "called", "weight")
REQUIRED = ("time", "stage", "product", "board", "designator", "family", "verdict", "found_by")
KEY = ("stage", "board", "designator", "pin", "time")
STAGES = ("paste", "pre-reflow", "post-reflow")
VERDICTS = ("defect", "good")
FINDERS = ("review", "test", "audit", "field", "second look")

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
