"""Write a file whole or not at all: the old content or the new one, never half of it."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO


def write_whole(path: Path, text: str) -> None:
    """Write a text in UTF-8 over what may be there.

    Parameters
    ----------
    path : Path
        Its folder must exist. The rights of a file that is there are kept.
    text : str

    Raises
    ------
    OSError
        If it cannot be written; what was there is left as it was.
    """
    with writing_whole(path) as file:
        file.write(text.encode())


@contextmanager
def writing_whole(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write to; it takes its name when all of it is on disk.

    Parameters
    ----------
    path : Path
        As `write_whole` wants it.
    """
    draft = path.with_name(f".draft-{os.getpid()}-{path.name}")
    try:
        with draft.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, draft)
        draft.replace(path)
    except BaseException:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
        raise
    sync(path.parent)


def safe_name(text: str) -> str:
    """Return a text as a file's name: what no file name can hold becomes ``_``."""
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in text)


def sync(path: Path) -> None:
    """Wait until a file or folder is on disk, where the system lets a folder be waited for."""
    with suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
