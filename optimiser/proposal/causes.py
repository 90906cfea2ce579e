"""Findings of why a family is called, kept beside the plant file and said with every proposal.

They need the rows of a whole history, which a night does not read: whoever reads them (`investigate`,
`propose`, a session) keeps them, and proposals carry what is kept for this very recipe and plant file.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from typing import Any

from optimiser.evidence.intervals import Interval
from optimiser.evidence.promise import no_change
from optimiser.history.read import History
from optimiser.plant.file import Plant
from optimiser.proposal.record import Change, Line, Proposal, ThreeLines
from optimiser.recipe.table import Recipe
from optimiser.seal import take_sealed, write_sealed
from optimiser.studies.causes import Cause, Causes, find_causes
from optimiser.values import hash_of

_log = logging.getLogger(__name__)
CAUSES = "causes.json"


def investigate(history: History, live: Recipe) -> Causes:
    """Return why families are called, and keep it beside the plant file.

    Parameters
    ----------
    history : History
    live : Recipe
        The plant's own.

    Returns
    -------
    Causes
    """
    found = find_causes(history, live)
    (last,) = history.rows("select max(time) from items")[0]
    table = {
        "ground": ground_of(history.plant),
        "until": str(last)[:10],
        "causes": [asdict(c) for c in found.found],
    }
    # A folder that cannot be written keeps none.
    with suppress(OSError):
        write_sealed(history.plant.folder / CAUSES, table)
    return found


def read_causes(
    plant: Plant, *, on_refused: Callable[[str], None] | None = None
) -> dict[str, tuple[Cause, ...]]:
    """Return the kept findings by family; empty without any for this recipe and plant file.

    Parameters
    ----------
    plant : Plant
    on_refused : callable, optional
        Told of a file that is there and not believed; by default the log is.

    Returns
    -------
    dict of str to tuple of Cause
    """
    causes = take_sealed(
        plant.folder / CAUSES,
        lambda table: (
            [_cause(row) for row in table["causes"]] if table["ground"] == ground_of(plant) else []
        ),
        then="find them again: optimiser investigate",
        on_refused=on_refused or _log.warning,
    )
    found: dict[str, tuple[Cause, ...]] = {}
    for cause in causes or ():
        found[cause.family] = (*found.get(cause.family, ()), cause)
    return found


def ground_of(plant: Plant) -> str:
    """Return what findings rest on beside the history: recipe and plant file as they lie there.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    str
    """
    files = (plant.locate(plant.file.plant.recipe), plant.path)
    return hash_of("\x1f".join(path.read_text(encoding="utf-8") for path in files))


def _cause(row: Mapping[str, Any]) -> Cause:
    """Return a finding from its plain values."""
    intervals = {
        key: Interval(**row[key]) if row[key] is not None else None
        for key in ("size", "ratio", "factor")
    }
    return Cause(**{**row, **intervals, "days": tuple(row["days"])})


def with_causes(
    proposals: Iterable[Proposal], causes: Mapping[str, Sequence[Cause]]
) -> list[Proposal]:
    """Return proposals that say first what else than a limit is the matter with their family.

    Parameters
    ----------
    proposals : iterable of Proposal
    causes : mapping of family to sequence of Cause

    Returns
    -------
    list of Proposal
        A change stays advised with the findings said before its reasons, unless one of them must be
        cured before a limit of the family can be judged: then, and where no change was advised,
        the advice is ``investigate`` and the change found stands as considered.
    """
    return [_with(of, causes.get(of.family, ())) for of in proposals]


def _with(of: Proposal, causes: Sequence[Cause]) -> Proposal:
    """Return one proposal with its family's findings."""
    # What the recipe allows for already is no reason to wait.
    told = tuple(c for c in causes if not c.own_row)
    if not told or of.findings:
        return of
    said = replace(of, findings=told)
    if of.advice != "change":
        return replace(said, advice="investigate")
    return _withheld(said) if said.waits else said


def _withheld(of: Proposal) -> Proposal:
    """Return a proposal whose change is no longer advised, only considered."""
    kept, loosened = of.lines.kept, of.lines.loosened
    called = Line(**{k: getattr(kept, k) + getattr(loosened, k) for k in Line.__slots__})
    none = Line(calls=0, defects=0, goods=0, unreviewed=0)
    promise = of.promise
    return replace(
        of,
        advice="investigate",
        limits=tuple(replace(x, proposed=x.now, rail="") for x in of.limits),
        promise=no_change(
            lots=promise.lots,
            defects_called=promise.defects_called,
            defects_passed=promise.defects_passed,
        ),
        considered=Change(limits=of.limits, promise=promise),
        lines=ThreeLines(kept=called, loosened=none, tightened=none),
        share_reached=0.0 if of.share_reached is not None else None,
        rails_touched=(),
    )
