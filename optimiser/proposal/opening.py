"""What the opening of a plant works out, kept: checked, tallied, and quickly fitted for every family.

Reading every row, checking it and counting it three times is most of what a plant's opening
takes, and gives the same for the same files. So it is kept beside the proposals under this
machine's seal with the state of all the files that it rests on, each hashed whole. It is
believed while that is their state to the last byte; otherwise all of it is worked out anew.
"""

import hashlib
import json
import logging
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from optimiser.errors import OptimiserError
from optimiser.evidence.escapes import Released
from optimiser.files import writing_whole
from optimiser.history.read import History, rests_on_clock
from optimiser.plant.file import Plant
from optimiser.proposal.cache import FOLDER
from optimiser.proposal.proof import EARLY_SHARE
from optimiser.proposal.state import state_of
from optimiser.recipe.table import Recipe
from optimiser.seal import is_sealed, key_file, seal_of
from optimiser.tally.count import FamilyTally, tally_history
from optimiser.tally.grid import make_grids
from optimiser.tally.kept import pack, unpack

KEPT = "opening.kept"
Tallies = Mapping[str, FamilyTally]
_log = logging.getLogger("optimiser")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tallied:
    """The tallies of a history, and those of its earlier and later lots apart.

    Attributes
    ----------
    whole : mapping of family to FamilyTally
    span_days : float
    early : mapping of family to FamilyTally
        Of the earlier lots, grid and rails included; empty where nobody asked for certificates,
        or lots are too few.
    early_span_days : float
    later : mapping of family to FamilyTally
        Of the later lots over the earlier lots' grid.
    """

    whole: Tallies
    span_days: float
    early: Tallies = field(default_factory=dict)
    early_span_days: float = 0.0
    later: Tallies = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Opening:
    """What is known of a plant when it has been read, checked and tallied.

    Attributes
    ----------
    tallied : Tallied
    unlike_recipe : tuple of str
        Families whose recorded calls are not the recipe's.
    rows_used, rows_set_aside : int
    released : mapping of family to (Released or None)
        What a quick fit of each releases on lots that it has not seen; None where it is not searched.
    """

    tallied: Tallied
    unlike_recipe: tuple[str, ...]
    rows_used: int
    rows_set_aside: int
    released: Mapping[str, Released | None]


def early_lots(lots: int) -> int | None:
    """Return how many of so many lots are the earlier ones; None where they are too few."""
    cut = round(EARLY_SHARE * lots)
    return cut if 2 <= cut < lots else None


def tally_all(history: History, live: Recipe, *, proof: bool = False) -> Tallied:
    """Tally a history.

    Parameters
    ----------
    history : History
    live : Recipe
    proof : bool
        Tally the earlier and the later lots apart as well, for certificates.

    Returns
    -------
    Tallied
    """
    whole = tally_history(history, make_grids(history, live), live)
    cut = early_lots(history.rows(f"select count(*) from {history.lots}")[0][0]) if proof else None
    if cut is None:
        return Tallied(whole=whole, span_days=history.span_days)
    with history.between(0, cut) as past:
        early = tally_history(past, make_grids(past, live), live)
        early_span_days = past.span_days
    with history.between(cut) as rest:
        later = tally_history(rest, {name: t.grid for name, t in early.items()}, live)
    return Tallied(
        whole=whole,
        span_days=history.span_days,
        early=early,
        early_span_days=early_span_days,
        later=later,
    )


def state_or_none(plant: Plant, live: Recipe, shas: Mapping[Path, str] | None = None) -> str | None:
    """Return the state of a plant's files, None where it cannot be told: the door says why.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    shas : mapping of Path to str, optional
        Content hashes, of what was read; a file that is not among them came later.
    """
    try:
        return (
            state_of(plant, live) if shas is None else state_of(plant, live, sha=shas.__getitem__)
        )
    except (OptimiserError, OSError, KeyError):
        return None


def keep_opening(plant: Plant, state: str | None, opening: Opening, history: History) -> None:
    """Keep an opening; a folder that cannot be written keeps none.

    Parameters
    ----------
    plant : Plant
    state : str or None
        Of the files, as it was before they were read; None keeps nothing.
    opening : Opening
    history : History
        That it is of; where what is set aside rests on today's date, nothing is kept.
    """
    if state is None or rests_on_clock(history):
        return
    tallied = opening.tallied
    told = {
        "unlike_recipe": opening.unlike_recipe,
        "rows_used": opening.rows_used,
        "rows_set_aside": opening.rows_set_aside,
        "span_days": tallied.span_days,
        "early_span_days": tallied.early_span_days,
        "released": {n: None if r is None else asdict(r) for n, r in opening.released.items()},
    }
    content = pack({"whole": tallied.whole, "early": tallied.early, "later": tallied.later})
    path = _path(plant)
    seal = seal_of(*_sealed(path, state, told, content))
    head = json.dumps({"seal": seal, "state": state, "told": told})
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with writing_whole(path) as file:
            file.write(head.encode() + b"\n" + content)


def read_opening(plant: Plant, state: str | None) -> Opening | None:
    """Return the kept opening of files in this state.

    Parameters
    ----------
    plant : Plant
    state : str or None
        Of the files, right now.

    Returns
    -------
    Opening or None
        None where none is kept, or one of another state; a file that is damaged or bears no
        seal of this machine is named in a warning, and is none.
    """
    path = _path(plant)
    try:
        head, _, content = path.read_bytes().partition(b"\n")
        kept = json.loads(head)
        if state is None or kept["state"] != state:
            return None
        told = kept["told"]
        if not is_sealed(str(kept["seal"]), *_sealed(path, state, told, content)):
            msg = f"it was altered, or kept by somebody with another key than {key_file()}"
            raise ValueError(msg)
        tallies = unpack(content)
        released = {
            name: None if found is None else Released(**found)
            for name, found in told["released"].items()
        }
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        _log.warning(f"{path}: not believed, {error}; it is made again")
        return None
    return Opening(
        tallied=Tallied(
            span_days=told["span_days"], early_span_days=told["early_span_days"], **tallies
        ),
        unlike_recipe=tuple(told["unlike_recipe"]),
        rows_used=told["rows_used"],
        rows_set_aside=told["rows_set_aside"],
        released=released,
    )


def _path(plant: Plant) -> Path:
    return plant.folder / FOLDER / KEPT


def _sealed(path: Path, state: str, told: object, content: bytes) -> tuple[str, ...]:
    """Return the texts that the seal is of."""
    return (path.name, state, json.dumps(told), hashlib.sha256(content).hexdigest())
