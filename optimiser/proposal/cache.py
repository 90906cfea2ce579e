"""Proposals that are kept: each with all that its search looked at, under a key of its ground.

A changed history, recipe, price, rail or version makes another key, so what is found under a
key is what would be computed again. A proposal is JSON; the study beside it is plain arrays, from
which the choice is made again at whatever prices are asked for.
"""

import hashlib
import io
import json
import logging
import zipfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass, replace
from functools import singledispatch
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser import __version__
from optimiser.files import safe_name, write_whole, writing_whole
from optimiser.plant.file import Plant
from optimiser.proposal.propose import Case, Found, problem_of, three_lines
from optimiser.proposal.record import Proposal
from optimiser.seal import is_sealed, key_file, seal_of
from optimiser.search.exact import ExactFront, FrontPoint
from optimiser.search.study import Folds, Trials, choose
from optimiser.tally.count import FamilyTally

FOLDER = "proposals"
Arrays = Mapping[str, NDArray[Any]]
_TRIALS = tuple(f.name for f in fields(Trials) if f.name not in ("origin", "ways"))
_KEPT = ("seal", "study", "proposal")
_log = logging.getLogger("optimiser")
_written: WeakKeyDictionary[FamilyTally, bytes] = WeakKeyDictionary()
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
    return _of_fields(value) if is_dataclass(value) else repr(value).encode()


def _of_fields(value: Any) -> bytes:  # noqa: ANN401 - any dataclass
    return b"".join(_plain(getattr(value, field.name)) for field in fields(value))


@_plain.register
def _(value: np.ndarray) -> bytes:
    return repr((value.dtype, value.shape)).encode() + np.ascontiguousarray(value).tobytes()


@_plain.register
def _(value: pd.DataFrame) -> bytes:
    return value.to_csv(index=False).encode()


@_plain.register
def _(value: FamilyTally) -> bytes:
    # Every sibling's case holds it as well, and a table takes long to write.
    found = _written.get(value)
    if found is None:
        found = _written[value] = _of_fields(value)
    return found


@_plain.register
def _(value: Plant) -> bytes:
    return value.file.ground().encode()


@_plain.register
def _(value: tuple) -> bytes:  # type: ignore[type-arg]
    return repr(len(value)).encode() + b"".join(_plain(part) for part in value)


def _path(folder: Path, case: Case) -> Path:
    safe = safe_name(case.tally.family)
    return folder / f"{safe}-{case_key(case)[:16]}.json"


def read_proposal(
    folder: Path | None, case: Case, *, on_refused: Callable[[str], None] | None = None
) -> Proposal | None:
    """Return a kept proposal, or None where there is none that can be believed.

    Parameters
    ----------
    folder : Path or None
    case : Case
    on_refused : callable, optional
        Told which file is not believed and why; by default a warning is logged.

    Returns
    -------
    Proposal or None
        A file without this machine's seal, with a field too few, too many, of another kind, of
        another family, with limits that are no levels between the rails or counts that are not
        the tally's counts as none: it is made again.
    """
    if folder is None:
        return None
    path = _path(folder, case)
    try:
        found, _ = read_kept(path)
        _refuse_contradiction(found, case)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        (on_refused or _log.warning)(f"{path}: not believed, {error}; it is made again")
        return None
    return found


def read_kept(path: Path) -> tuple[Proposal, str]:
    """Return what a file keeps, if it bears this machine's seal.

    Parameters
    ----------
    path : Path

    Returns
    -------
    proposal : Proposal
    study : str
        Hash of the search beside it; empty where nothing was searched.

    Raises
    ------
    OSError
        If it cannot be read.
    ValueError
        If it is damaged, bears no seal or another one.
    """
    try:
        kept = json.loads(path.read_bytes())
        seal, study, text = kept["seal"], kept["study"], kept["proposal"]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        msg = "it is damaged, or of an earlier version"
        raise ValueError(msg) from error
    if not all(isinstance(x, str) for x in (seal, study, text)) or set(kept) != set(_KEPT):
        msg = "it is damaged, or of an earlier version"
        raise ValueError(msg)
    if not is_sealed(seal, path.name, study, text):
        msg = f"it was altered, or kept by somebody with another key than {key_file()}"
        raise ValueError(msg)
    return Proposal.from_json(text), study


def kept_trials(folder: Path) -> list[int]:
    """Return with how many trials anything that is kept was searched, the most first.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of int
        Files that are not believed are passed over.
    """
    found = set()
    for path in sorted(folder.glob("*.json")):
        with suppress(OSError, ValueError):
            found.add(read_kept(path)[0].trials)
    return sorted(found - {0}, reverse=True)


def _refuse_contradiction(found: Proposal, case: Case) -> None:
    """Raise ValueError where a kept proposal contradicts the tally."""
    wrong = _contradiction(found, case)
    if wrong:
        raise ValueError(wrong)


def _contradiction(found: Proposal, case: Case) -> str:
    """Return how a kept proposal contradicts the tally, in words; empty where it does not."""
    if found.family != case.tally.family:
        return f"it is of family {found.family}"
    for limits in (found.limits, found.considered.limits if found.considered else ()):
        for move, limit in zip(limits, case.tally.grid.limits, strict=False):
            same = (move.measurement, move.side) == (limit.measurement, limit.side)
            if (
                not same
                or move.now != limit.values[limit.live]
                or move.proposed not in limit.values
            ):
                return f"{move.measurement} {move.side} {move.proposed:g} is no level between the rails"
    if len(found.limits) != len(case.tally.grid.limits):
        return "its limits are not this family's"
    setting = [
        int(np.flatnonzero(limit.values == move.proposed)[0])
        for move, limit in zip(found.limits, case.tally.grid.limits, strict=True)
    ]
    if three_lines(case.tally, setting) != found.lines:
        return "its counts are not those of the tally"
    return ""


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
    path = _path(folder, case)
    try:
        _, study = read_kept(path)
        content = path.with_suffix(".npz").read_bytes()
        if hashlib.sha256(content).hexdigest() != study:
            return None
        with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
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
    target, study = _path(folder, case), ""
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        if found is not None:
            content = io.BytesIO()
            np.savez_compressed(content, allow_pickle=False, **_arrays(found))
            study = hashlib.sha256(content.getvalue()).hexdigest()
            with writing_whole(target.with_suffix(".npz")) as out:
                out.write(content.getvalue())
        text = replace(proposal, escape_share=None).to_json()
        seal = seal_of(target.name, study, text)
        # The proposal comes last: where it is, the study is.
        write_whole(target, json.dumps(dict(zip(_KEPT, (seal, study, text), strict=True))))


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
    problem, _ = problem_of(case)
    folds = Folds(lot_fold=arrays["lot_fold"], weight=arrays["fold_weight"])
    study = choose(problem, trials, folds=folds, pull=arrays["pull"])
    return Found(front=ExactFront(points=front, proved=all(p.proved for p in front)), study=study)
