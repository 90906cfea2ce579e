"""What was noted of files that were read before, so that they need not be read again.

All of it can be found out anew: it is a note, not a record. A file is taken to be unchanged
while its path, size, time of change (in ns) and inode are; a change that keeps all four is
seen only with ``rehash``.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Self

from optimiser.history.digest.store import sha_of_file
from optimiser.seal import read_sealed, write_sealed

_NAME = "known.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What is known of a file's content: times of its items, and how many are used."""

    first: datetime
    last: datetime
    rows: int


class Known:
    """Notes on files: content hashes, times, which pairs share an item.

    Parameters
    ----------
    folder : Path
        Where the notes lie.
    ground : str
        Hash of what rows are judged by; notes on contents under another are not used.
    rehash : bool
        Read every file again.

    Attributes
    ----------
    before : frozenset of str
        Paths that were noted last time.
    contents : dict of content hash to Content
    pairs : dict of two content hashes to bool
        Whether two contents share an item.
    asked : dict of (family, measurement, side) to float
        How far digests had to reach last time; new ones had better reach as far.
    read : int
        Bytes read to hash files.
    """

    def __init__(self, folder: Path, ground: str, *, rehash: bool) -> None:
        self._path = folder / _NAME
        self._ground = ground
        table = _read(self._path)
        self._files: dict[str, list[Any]] = table.get("files", {})
        self._trusted = {} if rehash else dict(self._files)
        self.before = frozenset(self._files)
        self._seen: set[str] = set()
        self.read = 0
        same = table.get("ground") == ground
        self.contents = {
            sha: Content(first=_time(a), last=_time(b), rows=n)
            for sha, (a, b, n) in (table.get("contents", {}) if same else {}).items()
        }
        self.asked: dict[tuple[str, str, str], float] = {
            (f, m, s): z for f, m, s, z in table.get("asked", [])
        }
        self.pairs: dict[frozenset[str], bool] = {
            frozenset(pair.split()): shared
            for pair, shared in (table.get("pairs", {}) if same else {}).items()
        }

    def sha(self, path: Path) -> str:
        """Return a file's content hash, remembered where the file seems unchanged.

        Raises
        ------
        OSError
            If it cannot be read.
        """
        mark = _mark(path)
        name = str(path)
        noted = self._trusted.get(name)
        if noted is None or noted[:3] != mark:
            self.read += mark[0]
            noted = [*mark, sha_of_file(path)]
        self._files[name] = self._trusted[name] = noted
        self._seen.add(name)
        return str(noted[3])

    def note(self, path: Path, sha: str) -> None:
        """Note the content hash of a file that was just written."""
        self._files[str(path)] = self._trusted[str(path)] = [*_mark(path), sha]
        self._seen.add(str(path))

    def keep(self, contents: set[str]) -> Self:
        """Write the notes, of files seen since and of contents that are still there.

        Parameters
        ----------
        contents : set of str
        """
        table = {
            "ground": self._ground,
            "files": {n: self._files[n] for n in sorted(self._seen) if Path(n).exists()},
            "contents": {
                sha: [c.first.isoformat(), c.last.isoformat(), c.rows]
                for sha, c in sorted(self.contents.items())
                if sha in contents
            },
            "pairs": {
                " ".join(sorted(pair)): shared
                for pair, shared in sorted(self.pairs.items(), key=lambda p: sorted(p[0]))
                if pair <= contents
            },
            "asked": sorted((*key, z) for key, z in self.asked.items()),
        }
        write_sealed(self._path, table)
        return self


def _mark(path: Path) -> list[int]:
    """Return what tells a file from another of its name: size, time of change, inode."""
    stat = path.stat()
    return [stat.st_size, stat.st_mtime_ns, stat.st_ino]


def _read(path: Path) -> dict[str, Any]:
    try:
        return read_sealed(path)
    except (OSError, ValueError):
        return {}


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)
