"""Digests on disk: one folder each, written whole or not at all, checked before use.

``digests/KEY-REACH/`` holds ``rows.parquet``, ``counts.parquet``, ``sample.parquet``, its rest
``more.parquet`` and ``meta.json`` with a checksum of each. KEY is a hash of all that the digest
rests on (content of its files, plant file, overrides, verdicts, versions), REACH of how tight a
level it serves. Digests of a month lie folded together, ``fold.py``.
"""

import hashlib
import json
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from optimiser.files import sync
from optimiser.seal import read_sealed, write_sealed

TABLES = ("rows", "counts", "sample", "more")
META = "meta.json"
_DRAFT = ".draft-"
_BLOCK = 1 << 20
# By family, measurement and side: items beyond this z are kept one by one.
Reach = Mapping[tuple[str, str, str], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Meta:
    """What a digest says of itself.

    Attributes
    ----------
    key : str
    ground : str
        Hash of what it rests on beside its files and verdicts.
    contents : tuple of str
        Content hashes of its files, in the order in which the door read them.
    first, last : datetime
        Of its items, UTC.
    rows_used, rows_set_aside : int
    findings : tuple of dict
        Of its files, in short; paths relative to the plant file.
    told : int
        Rows of verdicts that found their item here.
    reach : tuple of (family, measurement, side, z)
        For every measurement that was measured; non-defects beyond z are kept one by one.
    sampled : dict of family to tuple of int
        How many of its sampled items have a level of at least 0, 1, 2, ...
    boards : tuple of (date, line, product, stage, number)
        Distinct boards.
    files : dict of table to (bytes, sha256)
    """

    key: str
    ground: str
    contents: tuple[str, ...]
    first: datetime
    last: datetime
    rows_used: int
    rows_set_aside: int
    findings: tuple[dict[str, Any], ...]
    told: int
    reach: tuple[tuple[str, str, str, float], ...]
    sampled: dict[str, tuple[int, ...]]
    boards: tuple[tuple[str, str | None, str, str, int], ...]
    files: dict[str, tuple[int, str]]

    @property
    def reaches(self) -> dict[tuple[str, str, str], float]:
        """The reach by family, measurement and side."""
        return {(f, m, s): z for f, m, s, z in self.reach}


@dataclass(frozen=True, slots=True, kw_only=True)
class Digest:
    """A digest on disk: a folder of its own, or one member of a folder that holds several."""

    folder: Path
    meta: Meta
    member: int | None = None

    @property
    def name(self) -> str:
        """The name of its own folder, also where it lies folded with others."""
        return digest_name(self.meta.key, self.meta.reaches)

    def table(self, name: str) -> Path:
        """Return the file of one table."""
        return self.folder / f"{name}.parquet"


def digest_name(key: str, reach: Reach) -> str:
    """Return the name of a digest's folder."""
    listed = json.dumps(sorted((*k, z) for k, z in reach.items()))
    return f"{key[:32]}-{hashlib.sha256(listed.encode()).hexdigest()[:8]}"


def write_meta(folder: Path, meta: Meta) -> None:
    """Write what a digest says of itself; equal contents give equal bytes."""
    write_sealed(folder / META, meta_to_table(meta))


def meta_to_table(meta: Meta) -> dict[str, Any]:
    """Return what a digest says of itself as plain values."""
    table = asdict(meta) | {"first": meta.first.isoformat(), "last": meta.last.isoformat()}
    found: dict[str, Any] = json.loads(json.dumps(table, sort_keys=True))
    return found


def read_digest(folder: Path) -> Digest:
    """Read what a digest says of itself; its tables are not looked at.

    Raises
    ------
    ValueError, KeyError, TypeError, OSError
        If it cannot be read.
    """
    return Digest(folder=folder, meta=meta_from_table(read_sealed(folder / META)))


def meta_from_table(table: dict[str, Any]) -> Meta:
    """Return what `meta_to_table` made plain.

    Raises
    ------
    ValueError, KeyError, TypeError
        If a part is missing or of another form.
    """
    table = table | {
        "contents": tuple(table["contents"]),
        "first": datetime.fromisoformat(table["first"]),
        "last": datetime.fromisoformat(table["last"]),
        "findings": tuple(table["findings"]),
        "reach": tuple(tuple(row) for row in table["reach"]),
        "sampled": {f: tuple(n) for f, n in table["sampled"].items()},
        "boards": tuple(tuple(row) for row in table["boards"]),
        "files": {name: (int(size), str(sha)) for name, (size, sha) in table["files"].items()},
    }
    return Meta(**table)


def is_whole(digest: Digest, sha_of: Callable[[Path], str]) -> bool:
    """Return whether a digest's tables are what was written.

    Parameters
    ----------
    digest : Digest
    sha_of : callable
        Returns a file's content hash; it may remember one.
    """
    try:
        return set(digest.meta.files) == set(TABLES) and all(
            digest.table(name).stat().st_size == size and sha_of(digest.table(name)) == sha
            for name, (size, sha) in digest.meta.files.items()
        )
    except OSError:
        return False


def sha_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's content."""
    found = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


@contextmanager
def draft_folder(folder: Path, name: str) -> Iterator[Path]:
    """Give a folder to fill; it takes its name when all in it is safely on disk.

    Parameters
    ----------
    folder : Path
        Where it will lie.
    name : str
        An older one of this name is replaced.
    """
    # Two workers may be at the same one, where the first was thought lost.
    draft = folder / f"{_DRAFT}{name}-{secrets.token_hex(4)}"
    draft.mkdir(parents=True)
    try:
        yield draft
        for path in (*sorted(draft.iterdir()), draft):
            sync(path)
        shutil.rmtree(folder / name, ignore_errors=True)
        try:
            draft.rename(folder / name)
        except OSError:
            if not (folder / name / META).exists():
                raise
        sync(folder)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def remove_drafts(folder: Path) -> None:
    """Remove what a run that broke off left half written."""
    for draft in folder.glob(f"{_DRAFT}*"):
        if draft.is_dir():
            shutil.rmtree(draft, ignore_errors=True)
        else:
            draft.unlink(missing_ok=True)
