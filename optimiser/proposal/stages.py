"""What following items through the stages found, kept beside the plant file: for the page, and from night to night.

It needs the rows of a whole history. `optimiser stages` and the night find it; whoever shows it reads what is
kept for this very recipe and plant file.
"""

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any

from optimiser.evidence.intervals import Interval
from optimiser.history.later_verdicts import write_labels
from optimiser.history.links import MISSING, forget_stops
from optimiser.history.read import History, open_history
from optimiser.history.verdicts import LATER_STAGES_FILE
from optimiser.plant.file import Plant
from optimiser.proposal.causes import ground_of
from optimiser.recipe.table import Recipe
from optimiser.seal import take_sealed, write_sealed
from optimiser.studies.foretell import Foreteller, Stages, follow_stages

_log = logging.getLogger(__name__)
STAGES = "stages.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class StagePair:
    """How many items of an earlier stage could be followed to a later one.

    Attributes
    ----------
    stage, other : str
    items, linked, missing, ambiguous : int
    unchecked : bool
        Whether a board read under another's serial would not be seen on some line.
    """

    stage: str
    other: str
    items: int
    linked: int
    missing: int
    ambiguous: int
    unchecked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """The earlier measurement that foretells a kind of defect best.

    Attributes
    ----------
    kind, found_at : str
        Of the later defect.
    family, stage, measurement, side, unit : str
        Of the earlier measurement.
    limit : float
    caught : Interval
        Share of the defects beyond the limit, chosen on other lots.
    defects, lots : int
        From how much.
    net : Interval
        Worth of stopping them there less what it costs, money a month.
    """

    kind: str
    found_at: str
    family: str
    stage: str
    measurement: str
    side: str
    unit: str
    limit: float
    caught: Interval
    defects: int
    lots: int
    net: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStages:
    """What following items through the stages found.

    Attributes
    ----------
    until : str
        Date of the last item followed.
    pairs : tuple of StagePair
        In the order of the line.
    foretold : tuple of Foretold
        Largest net worth first.
    labels : int or None
        Written into the plant's folder of verdicts; None where nobody asked for any.
    """

    until: str
    pairs: tuple[StagePair, ...]
    foretold: tuple[Foretold, ...]
    labels: int | None = None


def keep_stages(history: History, found: Stages, *, labels: int | None = None) -> KeptStages:
    """Keep what was found beside the plant file, and return it.

    Parameters
    ----------
    history : History
    found : Stages
    labels : int, optional
        Written.

    Returns
    -------
    KeptStages
    """
    (last,) = history.rows("select max(time) from items")[0]
    kept = KeptStages(
        until=str(last)[:10],
        pairs=tuple(_pair(found, *pair) for pair in combinations(found.links.stages, 2)),
        foretold=tuple(_foretold(row) for row in found.foretellers),
        labels=labels,
    )
    # A folder that cannot be written keeps none.
    with suppress(OSError):
        table = {"ground": ground_of(history.plant), **asdict(kept)}
        write_sealed(history.plant.folder / STAGES, table)
    return kept


def _pair(found: Stages, one: str, other: str) -> StagePair:
    links = found.links
    every, linked = links.items(one, other), links.items(one, other, "linked")
    missing = links.items(one, other, *MISSING)
    return StagePair(
        stage=one,
        other=other,
        items=every,
        linked=linked,
        missing=missing,
        ambiguous=every - linked - missing,
        unchecked=any((u.stage, u.other) == (one, other) for u in links.unchecked),
    )


def _foretold(row: Foreteller) -> Foretold:
    return Foretold(
        kind=row.trail.kind,
        found_at=row.trail.found_at,
        family=row.trail.family,
        stage=row.trail.stage,
        measurement=row.measurement,
        side=row.side,
        unit=row.unit,
        limit=row.limit,
        caught=row.caught,
        defects=row.defects,
        lots=row.lots,
        net=row.price.net,
    )


def read_stages(
    plant: Plant, *, on_refused: Callable[[str], None] | None = None
) -> KeptStages | None:
    """Return what is kept for this recipe and plant file; None without any.

    Parameters
    ----------
    plant : Plant
    on_refused : callable, optional
        Told of a file that is there and not believed; by default the log is.

    Returns
    -------
    KeptStages or None
    """
    return take_sealed(
        plant.folder / STAGES,
        lambda table: _kept(table) if table["ground"] == ground_of(plant) else None,
        then="follow the items again: optimiser stages",
        on_refused=on_refused or _log.warning,
    )


def _kept(table: Mapping[str, Any]) -> KeptStages:
    return KeptStages(
        until=table["until"],
        pairs=tuple(StagePair(**row) for row in table["pairs"]),
        foretold=tuple(
            Foretold(**{**row, "caught": Interval(**row["caught"]), "net": Interval(**row["net"])})
            for row in table["foretold"]
        ),
        labels=table["labels"],
    )


def follow_again(plant: Plant, live: Recipe) -> KeptStages | None:
    """Follow items anew and keep what is found; None where the plant file lists no stages to follow.

    Parameters
    ----------
    plant : Plant
    live : Recipe

    Returns
    -------
    KeptStages or None

    Raises
    ------
    OptimiserError
        If the history cannot be read.

    Notes
    -----
    Labels of later stages are written over only where somebody has had them written before: they change
    what proposals rest on.
    """
    site = plant.file.plant
    if "stages" not in plant.file.line.model_fields_set or site.only_called:
        return None
    with open_history(plant) as history:
        if len(history.rows("select distinct stage from items")) < 2:
            return None
        found = follow_stages(history, live)
        labels = None
        if site.verdicts is not None:
            folder = plant.locate(site.verdicts)
            if (folder / LATER_STAGES_FILE).exists():
                labels = write_labels(history, folder)[1]
        kept = keep_stages(history, found, labels=labels)
        forget_stops(history)
    return kept
