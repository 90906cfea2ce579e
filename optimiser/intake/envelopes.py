"""The messages of a file: one envelope, a list of them, or one a line; packed or not."""

import gzip
import json
import lzma
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

from optimiser.intake.text import kind_of, open_bytes

LINES = (".jsonl", ".ndjson")
_BREAKS_OFF = (EOFError, gzip.BadGzipFile, zlib.error, lzma.LZMAError)
_HALF = re.compile(r"\\u[dD][89a-fA-F]")
_BETWEEN = re.compile(r"[\s,]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One envelope of a file, or what cannot be read as one.

    Attributes
    ----------
    number : int
        Of the line, else of the envelope in the file; from 1.
    text : str
        As it stands; of an envelope that could be read it is empty.
    value : object
        The JSON value.
    reason : str
        Why it cannot be read; empty where it can.
    ends : bool
        Whether nothing after it could be read either.
    """

    number: int
    text: str = ""
    value: Any = None
    reason: str = ""
    ends: bool = False


def documents(path: Path) -> Iterator[Document]:
    """Yield the envelopes of a file in their order.

    Parameters
    ----------
    path : Path
        UTF-8, with or without a byte order mark. Lines are read one by one, so that a file of them
        may be larger than memory; a list or a single envelope is read whole.

    Yields
    ------
    Document
        What is not JSON, too, with the reason. A list that breaks off gives what stands before the
        break, and then the rest as one.

    Raises
    ------
    OSError
        If the file cannot be opened.
    """
    with open_bytes(path) as file:
        lines = _numbered(file)
        first = next((line for line in lines if line[1].strip()), None)
        if first is None:
            return
        if kind_of(path) in LINES or first[2] or _is_one_a_line(first[1]):
            yield from _of_lines(chain([first], lines))
        else:
            yield from _of_whole([first, *lines])


def _numbered(file: Any) -> Iterator[tuple[int, bytes, str]]:  # noqa: ANN401 - any binary file
    """Yield number and bytes of each line; where the archive breaks off, why, and end."""
    number = 0
    try:
        for number, raw in enumerate(file, 1):
            line = raw.removeprefix(b"\xef\xbb\xbf") if number == 1 else raw
            yield number, line, ""
    except _BREAKS_OFF as error:
        why = f"the archive breaks off or is damaged ({str(error) or type(error).__name__})"
        yield number + 1, b"?", why


def _is_one_a_line(first: bytes) -> bool:
    """Return whether a file's first line is an envelope of its own, however damaged within."""
    line = first.strip()
    if line.startswith(b"{"):
        return line.endswith(b"}") and len(line) > 2
    try:
        return isinstance(json.loads(line), list)
    except (ValueError, RecursionError):
        return False


def _of_lines(lines: Iterator[tuple[int, bytes, str]]) -> Iterator[Document]:
    for number, raw, broken in lines:
        if broken:
            yield Document(number=number, reason=broken, ends=True)
        elif raw.strip():
            yield from _of_line(number, raw)


def _of_line(number: int, raw: bytes) -> Iterator[Document]:
    try:
        text = raw.decode("utf-8").strip()
        value, end = _decoded(text, 0)
        if _BETWEEN.sub("", text[end:]):
            msg = f"something follows the message: {text[end : end + 40]!r}"
            raise ValueError(msg)
    except (ValueError, RecursionError) as error:
        text = raw.decode("utf-8", errors="backslashreplace").strip()
        yield Document(number=number, text=text, reason=_why(error))
        return
    for one in value if isinstance(value, list) else (value,):
        yield Document(number=number, value=one)


def _of_whole(lines: list[tuple[int, bytes, str]]) -> Iterator[Document]:
    """Yield the envelopes of a list, or such as follow one another."""
    broken = lines[-1][2]
    raw = b"".join(line for _, line, why in lines if not why)
    number = 0
    try:
        text = raw.decode("utf-8").strip()
    except UnicodeDecodeError as error:
        text = raw.decode("utf-8", errors="backslashreplace")
        yield Document(number=1, text=text, reason=_why(error), ends=True)
        return
    listed = text.startswith("[")
    at, stop = int(listed), len(text) - int(listed and text.endswith("]"))
    while (at := _after(text, at)) < stop:
        number += 1
        try:
            value, end = _decoded(text, at)
        except (ValueError, RecursionError) as error:
            why = broken or _why(error)
            yield Document(number=number, text=text[at:], reason=why, ends=True)
            return
        yield Document(number=number, value=value)
        at = end
    if broken or (listed and stop == len(text)):
        why = broken or "the list does not end"
        yield Document(number=number + 1, text=text[at:], reason=why, ends=True)


def _after(text: str, at: int) -> int:
    found = _BETWEEN.match(text, at)
    return found.end() if found else at


def _decoded(text: str, at: int) -> tuple[Any, int]:
    """Return the JSON value that stands at a place, and where it ends."""
    value, end = _DECODER.raw_decode(text, at)
    if _HALF.search(text, at, end):
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    return value, end


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object whose names stand once each."""
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        msg = f"{twice!r} stands twice in one object"
        raise ValueError(msg)
    return found


# NaN and Infinity are no JSON: they stay texts, and whatever wants a number refuses them.
_DECODER = json.JSONDecoder(object_pairs_hook=_once, parse_constant=str)


def _why(error: Exception) -> str:
    if isinstance(error, json.JSONDecodeError):
        return f"not JSON ({error.msg} at character {error.pos + 1})"
    if isinstance(error, UnicodeEncodeError):
        return "half of a character (a lone surrogate)"
    if isinstance(error, UnicodeDecodeError):
        return f"not UTF-8 (byte {error.start + 1})"
    if isinstance(error, RecursionError):
        return "nested too deep"
    return str(error)
