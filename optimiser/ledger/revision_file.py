"""A revision on disk: its name, its file written whole or not at all, its story in words."""

import hashlib
import re
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from optimiser.caution import CAUTION
from optimiser.errors import ConflictError, InputError, RecipeError
from optimiser.files import safe_name, write_whole
from optimiser.ledger.standing import State
from optimiser.recipe.table import Recipe, to_csv, to_json
from optimiser.values import DAYS_PER_MONTH

_PROMISED = ("saving_per_month", "false_calls_saved", "escapes_added", "escapes_caught")
Fields = Mapping[str, Any]


def next_name(live: str, taken: Collection[str] = ()) -> str:
    """Return the name of the revision after one: the trailing number, counted on.

    Parameters
    ----------
    live : str
    taken : collection of str
        Names in use.

    Returns
    -------
    str

    Examples
    --------
    >>> next_name("12"), next_name("R7"), next_name("pilot"), next_name("v-009")
    ('13', 'R8', 'pilot-2', 'v-010')
    >>> next_name("12", {"13", "14"})
    '15'
    """
    found = re.fullmatch(r"(.*?)([0-9]+)", live, re.DOTALL)
    stem, digits = found.groups() if found else (f"{live}-", "1")
    number = int(digits) + 1
    while (name := f"{stem}{number:0{len(digits)}d}") in taken:
        number += 1
    return name


def file_of(folder: Path, revision: str, ending: str = ".csv") -> Path:
    """Return where a revision lies; what no file name can hold becomes ``_``."""
    safe = safe_name(revision)
    return folder / f"{safe}{ending}"


def text_of(recipe: Recipe, path: Path) -> str:
    """Return a recipe as the text of a file, by its ending."""
    return to_json(recipe) if path.suffix == ".json" else to_csv(recipe)


def sha256(path: Path) -> str:
    """Return the hash of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def holds_other(path: Path, text: str) -> bool:
    """Return whether a file is there and holds something else."""
    return path.exists() and path.read_bytes() != text.encode()


def write_new(path: Path, text: str) -> None:
    """Write a file whole or not at all, and never over one of other contents.

    Parameters
    ----------
    path : Path
        Its folder is made.
    text : str

    Raises
    ------
    ConflictError
        If it is there with other contents. Who comes between the look and the writing is not
        noticed; the ledger's transaction keeps other exports out.
    InputError
        If it cannot be written.
    """
    try:
        if holds_other(path, text):
            msg = (
                f"{path}: is there already with other contents; it was left as it is. Move it away"
            )
            raise ConflictError(msg)
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, text)
    except OSError as error:
        raise _unwritten(path, error) from error


def write_over(path: Path, text: str) -> None:
    """Write a file whole or not at all, over what may be there.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text)
    except OSError as error:
        raise _unwritten(path, error) from error


def _unwritten(path: Path, error: OSError) -> InputError:
    return InputError(
        f"{path}: cannot be written ({error.strerror}), so no revision was made; make room or ask "
        "for write permission to its folder, then do the same again"
    )


def refuse_unnamed(recipe: Recipe, path: Path) -> None:
    """Raise if a recipe's revision has no name, so that nothing can follow it."""
    if not recipe.revision.strip() or not recipe.revision.isprintable():
        msg = (
            f"{path}, line 1: the revision has no name that can be counted on, got "
            f"{recipe.revision!r}; write one, for instance '# revision 1'"
        )
        raise RecipeError(msg)


def story(
    *, kind: str, by: str, reason: str, revision: str, base: str, difference: Sequence[Fields]
) -> list[str]:
    """Return a revision in words: who made it, why, and every limit that differs."""
    made = "Exported" if kind == "export" else "Rolled back"
    lines = [f"# Revision {revision}", "", f"{made} by {by}: {reason}", ""]
    lines += [f"## Limits that differ from revision {base}, live when it was made", ""]
    lines += ["| scope | name | measurement | side | unit | from | to | proposal |"]
    lines += ["|---|---|---|---|---|---|---|---|"]
    lines += [
        f"| {x['scope']} | {x['name']} | {x['measurement']} | {x['side']} | {x['unit']} "
        f"| {limit_text(x['from'])} | {limit_text(x['to'])} | {x['proposal'] or ''} |"
        for x in difference
    ]
    return lines if difference else [*lines[:-2], "None: every limit is as it was.", ""]


def limit_text(value: float | None) -> str:
    """Return a limit to its last digit; off where there is none.

    Examples
    --------
    >>> limit_text(60.0), limit_text(0.1 + 0.2), limit_text(None)
    ('60', '0.30000000000000004', 'off')
    """
    if value is None:
        return "off"
    short = f"{value:g}"
    return short if float(short) == value else repr(value)


def proposal_story(state: State, *, how: str) -> list[str]:
    """Return a proposal in words: how it stands here, who signed, what was promised."""
    entry, body = state.entry, state.entry.body
    lines = ["", f"## {entry.family}, proposal {entry.id}: {how}", ""]
    why = f": {entry.reason}" if entry.reason else ""
    lines += [f"- proposed by {entry.by}, {entry.at}, {body['origin']}{why}"]
    lines += [f"- signed by {s.by}, {s.at}: {s.reason}" for s in state.signatures]
    lines += [
        f"- {x['measurement']} {x['side']} stopped by {x['rail']}"
        for x in body["limits"]
        if x["rail"]
    ]
    return [*lines, *_promise_lines(body["figures"])]


def _promise_lines(figures: Fields) -> list[str]:
    promise = figures.get("promise")
    if not isinstance(promise, Mapping):
        return ["- no promise was made: these limits were not judged on lots unseen"]
    currency = f" {figures['currency']}" if figures.get("currency") else ""
    days = figures.get("span_days")
    over = " over the history" if not days else f" a month, from {days:.0f} days"
    found = []
    for name in _PROMISED:
        value = promise.get(name)
        if isinstance(value, Mapping):
            money = name == "saving_per_month"
            scale = DAYS_PER_MONTH / days if days and not money else 1.0
            unit, per = (currency, "") if money else ("", over)
            least, told, most = (_figure(value.get(end), scale) for end in ("low", "value", "high"))
            found.append(
                f"- promised {name.replace('_', ' ')}{per}: {told} ({least} to {most}){unit}"
            )
    return found


def _figure(value: object, scale: float) -> str:
    return f"{value * scale:,.1f}" if isinstance(value, int | float) else "unknown"


def ending() -> list[str]:
    """Return how every story ends."""
    return ["", CAUTION, ""]
