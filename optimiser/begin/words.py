"""The names and words of ``words.toml``, as they are compared."""

import re
import tomllib
import unicodedata
from collections.abc import Iterable
from importlib.resources import files

_TABLE = tomllib.loads(files("optimiser.begin").joinpath("words.toml").read_text(encoding="utf-8"))


def plain(word: str) -> str:
    """Return a word as words are compared: no case, blanks or punctuation.

    Examples
    --------
    >>> plain("Serial No."), plain("n. i. O.")
    ('serialno', 'nio')
    """
    return re.sub(r"[\W_]", "", unicodedata.normalize("NFC", word).casefold())


def _all(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(plain(w) for w in words)


COLUMNS: dict[str, tuple[str, ...]] = {c: _all(names) for c, names in _TABLE["columns"].items()}
STAGES: dict[str, tuple[str, ...]] = {s: _all(names) for s, names in _TABLE["stages"].items()}
FINDERS: dict[str, tuple[str, ...]] = {f: _all(names) for f, names in _TABLE["finders"].items()}
BAD = frozenset(_all(_TABLE["said"]["bad"]))
GOOD = frozenset(_all(_TABLE["said"]["good"]))
FALSE_CALL = frozenset(_all(_TABLE["said"]["false_call"]))
NOTHING = frozenset(_all(_TABLE["said"]["nothing"])) | {""}
YES = frozenset(_all(_TABLE["said"]["yes"]))
NO = frozenset(_all(_TABLE["said"]["no"]))
PASTE = _all(_TABLE["measures"]["paste"])
TIME_FORMATS: tuple[str, ...] = tuple(_TABLE["time"]["formats"])
