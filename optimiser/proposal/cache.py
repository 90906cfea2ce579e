"""Proposals that are kept: each with all that its search looked at, under a key of its ground.

A changed history, recipe, price, rail or version makes another key, so what is found under a
key is what would be computed again. A proposal is JSON; the study beside it is plain arrays, from
which the choice is made again at whatever prices are asked for.
"""

import hashlib
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass
from functools import singledispatch
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser import __version__
from optimiser.files import write_whole, writing_whole
from optimiser.plant.file import Plant
from optimiser.proposal.propose import Case, Found, posed
from optimiser.proposal.record import Proposal
from optimiser.search.exact import ExactFront, FrontPoint
from optimiser.search.study import Folds, Trials, choose

Arrays = Mapping[str, NDArray[Any]]
_TRIALS = tuple(f.name for f in fields(Trials) if f.name not in ("origin", "ways"))
_POINT = ("escapes", "false_calls", "bound", "proved")


def case_key(case: Case) -> str:
    """Return a hash of all that a proposal rests on.

    Parameters
    ----------
    case : Case

    Returns
    -------
    str
        Equal for equal contents, whatever the files' names and dates.
    """
    return hashlib.sha256(__version__.encode() + _plain(case)).hexdigest()


@singledispatch
def _plain(value: object) -> bytes:
    """Return the bytes that stand for a value in a hash: its content, never its place."""
    if is_dataclass(value):
        return b"".join(_plain(getattr(value, field.name)) for field in fields(value))
    return repr(value).encode()


@_plain.register
def _(value: np.ndarray) -> bytes:
    return repr((value.dtype, value.shape)).encode() + np.ascontiguousarray(value).tobytes()


@_plain.register
def _(value: pd.DataFrame) -> bytes:
    return value.to_csv(index=False).encode()


@_plain.register
def _(value: Plant) -> bytes:
    return value.file.ground().encode()


@_plain.register
def _(value: tuple) -> bytes:  # type: ignore[type-arg]
    return repr(len(value)).encode() + b"".join(_plain(part) for part in value)


def _path(folder: Path, case: Case) -> Path:
    safe = "".join(c if c.isalnum() or c in "-_." else "_" for c in case.tally.family)
    return folder / f"{safe}-{case_key(case)[:16]}.json"


def read_proposal(folder: Path | None, case: Case) -> Proposal | None:
    """Return a kept proposal, or None where there is none that can be read.

    Parameters
    ----------
    folder : Path or None
    case : Case

    Returns
    -------
    Proposal or None
        A file with a field too few, too many, of another kind or of another family counts as
        none: it is made again.
    """
    if folder is None:
        return None
    try:
        found = Proposal.from_json(_path(folder, case).read_bytes())
    except (OSError, ValueError):
        return None
    return found if found.family == case.tally.family else None


def read_found(folder: Path, case: Case) -> Found | None:
    """Return what the search of a kept proposal looked at.

    Parameters
    ----------
    folder : Path
    case : Case

    Returns
    -------
    Found or None
        None where nothing was searched, or what was kept cannot be read.
    """
    try:
        with (
            _path(folder, case).with_suffix(".npz").open("rb") as file,
            np.load(file, allow_pickle=False) as arrays,
        ):
            return _found(case, arrays)
    except (OSError, ValueError, KeyError, zipfile.BadZipFile):
        return None


def keep(folder: Path | None, case: Case, proposal: Proposal, found: Found | None) -> None:
    """Keep a proposal; a half-written file is never seen, a read-only folder keeps none.

    Parameters
    ----------
    folder : Path or None
        None keeps nothing.
    case : Case
    proposal : Proposal
    found : Found or None
    """
    if folder is None:
        return
    target = _path(folder, case)
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        if found is not None:
            with writing_whole(target.with_suffix(".npz")) as out:
                np.savez_compressed(out, allow_pickle=False, **_arrays(found))
        # The proposal comes last: where it is, the study is.
        write_whole(target, proposal.to_json())


def _arrays(found: Found) -> dict[str, NDArray[Any]]:
    """Return a search as plain arrays."""
    trials, points = found.study.trials, found.front.points
    arrays = {name: getattr(trials, name) for name in _TRIALS}
    arrays |= {f"point_{name}": np.array([getattr(p, name) for p in points]) for name in _POINT}
    arrays |= {
        "origin": np.array(trials.origin),
        "lot_fold": found.study.folds.lot_fold,
        "fold_weight": found.study.folds.weight,
        "pull": found.study.pull,
        "point_setting": np.array([p.setting for p in points]),
    }
    return arrays


def _found(case: Case, arrays: Arrays) -> Found:
    """Return a search from plain arrays; the ways of its trials are not kept."""
    trials = Trials(
        origin=tuple(str(o) for o in arrays["origin"]),
        ways=(None,) * len(arrays["origin"]),
        **{name: arrays[name] for name in _TRIALS},
    )
    points = zip(*(arrays[f"point_{n}"].tolist() for n in _POINT), strict=True)
    front = tuple(
        FrontPoint(escapes=e, false_calls=f, bound=b, proved=p, setting=setting)
        for (e, f, b, p), setting in zip(points, arrays["point_setting"], strict=True)
    )
    problem, _ = posed(case)
    folds = Folds(lot_fold=arrays["lot_fold"], weight=arrays["fold_weight"])
    study = choose(problem, trials, folds=folds, pull=arrays["pull"])
    return Found(front=ExactFront(points=front, proved=all(p.proved for p in front)), study=study)
