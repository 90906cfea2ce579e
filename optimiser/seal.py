"""The seal on what is kept: only this program, with this machine's key, can have written it.

What the program keeps so as not to work it out again (proposals, digests, the night's state and
notes, a backtest's calibration) is a cache, never evidence. Who may write the folder it lies in
could put another limit, a better promise, other counts into it; so it bears a keyed hash (HMAC-
SHA256) over its name and content, and without it is made anew. The key lies outside every plant:
in ``OPTIMISER_SEAL_KEY``, a file, or by default in the configuration folder of whoever runs the
program. People and nights that shall believe each other's searches share one key file; without
the key a search is made again, nothing else.
"""

import hmac
import json
import os
import secrets
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from optimiser.files import write_whole

_T = TypeVar("_T")

KEY = "OPTIMISER_SEAL_KEY"
_LENGTH = 64


def seal_of(*parts: str) -> str:
    """Return the seal of some texts, in hexadecimal digits.

    Parameters
    ----------
    *parts : str

    Returns
    -------
    str
    """
    content = "\x1f".join(parts).encode()
    return hmac.new(_key(key_file()).encode(), content, "sha256").hexdigest()


def is_sealed(seal: str, *parts: str) -> bool:
    """Return whether a seal is that of some texts.

    Parameters
    ----------
    seal : str
    *parts : str

    Returns
    -------
    bool
    """
    return hmac.compare_digest(seal.encode(), seal_of(*parts).encode())


def write_sealed(path: Path, table: dict[str, Any]) -> None:
    """Write a table as JSON under a seal, whole or not at all; the same table gives the same bytes.

    Parameters
    ----------
    path : Path
    table : dict
        Plain values, no key ``seal``.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    sealed = {"seal": seal_of(path.name, _canonical(table)), **table}
    write_whole(path, json.dumps(sealed, indent=1) + "\n")


def read_sealed(path: Path) -> dict[str, Any]:
    """Return a table that `write_sealed` wrote.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict

    Raises
    ------
    OSError
        If it cannot be read.
    ValueError
        If it is damaged, was altered, or was sealed with another key.
    """
    try:
        table = json.loads(path.read_bytes())
        seal = table.pop("seal")
        sound = isinstance(seal, str) and is_sealed(seal, path.name, _canonical(table))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        msg = f"{path}: is damaged, or of an earlier version"
        raise ValueError(msg) from error
    if not sound:
        msg = f"{path}: was altered, or written by somebody with another key than {key_file()}"
        raise ValueError(msg)
    found: dict[str, Any] = table
    return found


def take_sealed(
    path: Path,
    take: Callable[[Mapping[str, Any]], _T],
    *,
    then: str,
    on_refused: Callable[[str], None],
) -> _T | None:
    """Return what is taken of a table that `write_sealed` wrote, where there is one to be believed.

    Parameters
    ----------
    path : Path
    take : callable
        Given the table; a table that lacks what it wants is not believed.
    then : str
        What follows from a file that is not believed, or what to do.
    on_refused : callable
        Told of such a file in words.

    Returns
    -------
    object or None
        None without a file, and where it is not believed.
    """
    try:
        return take(read_sealed(path))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, IndexError) as error:
        on_refused(f"{path}: not believed, {error}; {then}")
        return None


def _canonical(table: dict[str, Any]) -> str:
    return json.dumps(table, sort_keys=True, separators=(",", ":"))


def key_file() -> Path:
    """Return where the key lies, or will."""
    named = os.environ.get(KEY)
    if named:
        return Path(named)
    home = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    return Path(home) / "optimiser" / "seal.key"


@cache
def _key(path: Path) -> str:
    """Return the key of a file, made at first use; one of this run alone where none can be made."""
    with suppress(OSError):
        if not path.exists():
            _make(path)
        found = path.read_text(encoding="ascii", errors="replace").strip()
        if len(found) >= _LENGTH:
            return found
    return secrets.token_hex(_LENGTH // 2)


def _make(path: Path) -> None:
    """Write a new key that only its owner reads; of two at once, one stays."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile("w", dir=path.parent, encoding="ascii") as new:
        new.write(secrets.token_hex(_LENGTH // 2))
        new.flush()
        with suppress(FileExistsError):
            os.link(new.name, path)
