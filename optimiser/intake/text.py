"""Text files as they are: packed, in any encoding, with lines before the header."""

import bz2
import codecs
import gzip
import lzma
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

PACKED: dict[str, Callable[..., IO[Any]]] = {".gz": gzip.open, ".bz2": bz2.open, ".xz": lzma.open}
TEXTS = (".csv", ".tsv", ".txt")
MESSAGES = (".json", ".jsonl", ".ndjson")
TABLES = (".parquet",)
UNREADABLE = (OSError, EOFError, ValueError, RuntimeError, lzma.LZMAError, zlib.error)
"""What a damaged archive or text may raise."""
_BLOCK = 1 << 20
_BAD = "optimiser-bad-byte"
_PLAIN = ("utf-8", "ascii")


def kind_of(path: Path) -> str:
    """Return the ending that says what a file is, without the one of its packing.

    Examples
    --------
    >>> kind_of(Path("day.CSV.gz")), kind_of(Path("part.parquet")), kind_of(Path("notes"))
    ('.csv', '.parquet', '')
    """
    name = Path(path.name.lower())
    return Path(name.stem).suffix if name.suffix in PACKED else name.suffix


def is_result(path: Path) -> bool:
    """Return whether a file may hold results, by its name."""
    return kind_of(path) in (*TEXTS, *MESSAGES, *TABLES)


def open_bytes(path: Path) -> IO[bytes]:
    """Open a file, unpacked where its ending says that it is packed."""
    opened: IO[bytes] = PACKED.get(path.suffix.lower(), open)(path, "rb")
    return opened


def is_plain(path: Path, encoding: str, skip: int) -> bool:
    """Return whether a CSV reader can read the file where it lies."""
    return path.suffix.lower() not in PACKED and codecs.lookup(encoding).name in _PLAIN and not skip


def write_plain(path: Path, target: Path, *, encoding: str, skip: int) -> None:
    """Write a text again as UTF-8: unpacked, without the lines before its header.

    Parameters
    ----------
    path, target : Path
    encoding : str
    skip : int
        Lines.

    Raises
    ------
    UNREADABLE
        If it cannot be unpacked.

    Notes
    -----
    What its encoding cannot mean becomes the byte 0xFF, which is no UTF-8: the CSV reader then
    refuses that line and no other.
    """
    codecs.register_error(_BAD, _bad_byte)
    decoder = codecs.getincrementaldecoder(encoding)(errors=_BAD)
    with open_bytes(path) as source, target.open("wb") as out:
        left = skip
        ended = False
        while not ended:
            block = source.read(_BLOCK)
            ended = not block
            text = decoder.decode(block, final=ended)
            while left and "\n" in text:
                text, left = text.partition("\n")[2], left - 1
            if not left:
                out.write(text.encode("utf-8", errors="surrogateescape"))


def _bad_byte(error: UnicodeError) -> tuple[str, int]:
    """Stand a byte for what could not be decoded that UTF-8 cannot have."""
    if isinstance(error, UnicodeDecodeError):
        return "\udcff", error.end
    raise error
