"""The shadow: what a candidate recipe would have called, beside the live one, file by file.

Nothing is applied. Each result file is read as a history of its own, through the same door,
and both recipes meet it item by item. What the machine recorded counts as the live call; only
where nothing was recorded is the live recipe replayed.
"""

import hashlib
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from optimiser.errors import InputError
from optimiser.history.limits import PlacedLimits, place_limits
from optimiser.history.read import SET_ASIDE, History, open_history
from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe
from optimiser.values import finite_only

KINDS = (".parquet", ".csv")
_NAMED = ("time", "stage", "product", "board", "lot", "designator", "pin", "part", "family")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShadowCount:
    """Whole items of one family, or of all, under both recipes.

    ``kept``, ``loosened`` and ``tightened`` are items called by both, by the live one only,
    and by the candidate only; never netted. Defects and goods are those whose label the
    files know; the rest nobody reviewed.
    """

    family: str
    items: int = 0
    kept: int = 0
    loosened: int = 0
    loosened_defects: int = 0
    loosened_goods: int = 0
    tightened: int = 0
    tightened_defects: int = 0
    tightened_goods: int = 0


_TESTS = {
    "items": "true",
    "kept": "live and candidate",
    "loosened": "live and not candidate",
    "loosened_defects": "live and not candidate and defect",
    "loosened_goods": "live and not candidate and good",
    "tightened": "candidate and not live",
    "tightened_defects": "candidate and not live and defect",
    "tightened_goods": "candidate and not live and good",
}


def add_counts(counts: Iterable[ShadowCount], family: str) -> ShadowCount:
    """Return the sum of counts under one name."""
    found = list(counts)
    return ShadowCount(family=family, **{n: sum(getattr(c, n) for c in found) for n in _TESTS})


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRead:
    """What one file showed.

    Attributes
    ----------
    path : Path
    families : tuple of ShadowCount
        Families with items, by name.
    differing : tuple of dict
        Items that only one of the recipes calls: key, ``live``, ``candidate``, ``verdict``.
    rows_set_aside : int
        Rows that break a rule; they are in no count.
    mismatch : int
        Items whose recorded call is not that of the live recipe file.
    """

    path: Path
    families: tuple[ShadowCount, ...]
    differing: tuple[dict[str, Any], ...]
    rows_set_aside: int
    mismatch: int

    @property
    def total(self) -> ShadowCount:
        """All families together."""
        return add_counts(self.families, "all")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShadowCounts:
    """What all files read so far showed.

    Attributes
    ----------
    live, candidate : str
        Revisions.
    files : tuple of str
    families : tuple of ShadowCount
    total : ShadowCount
    differing : tuple of dict
    skipped : mapping of str to str
        Files that could not be read, and why.
    rows_set_aside, mismatch : int
    """

    live: str
    candidate: str
    files: tuple[str, ...]
    families: tuple[ShadowCount, ...]
    total: ShadowCount
    differing: tuple[dict[str, Any], ...]
    skipped: Mapping[str, str]
    rows_set_aside: int
    mismatch: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        row: dict[str, Any] = finite_only(
            {f.name: getattr(self, f.name) for f in fields(self)}
            | {"families": [asdict(f) for f in self.families], "total": asdict(self.total)}
        )
        return row

    def __repr__(self) -> str:
        t = self.total
        return (
            f"<ShadowCounts {self.candidate} against {self.live}: {t.items} items, {t.kept} kept, "
            f"{t.loosened} loosened, {t.tightened} tightened>"
        )


@dataclass(slots=True)
class Shadow:
    """Counts that grow file by file.

    A file counts once by its content, whatever its name; one that has grown or was written
    again replaces what it counted before. Items that stand in two different files count twice.
    """

    plant: Plant
    live: Recipe
    candidate: Recipe
    read: dict[Path, FileRead] = field(default_factory=dict)
    skipped: dict[str, str] = field(default_factory=dict)
    _digests: dict[str, Path] = field(default_factory=dict)

    def take(self, path: Path) -> FileRead | None:
        """Read one file.

        Parameters
        ----------
        path : Path

        Returns
        -------
        FileRead or None
            None where its content was read before, or it cannot be read; then ``skipped``
            says why, until it can be.
        """
        try:
            digest = _digest(path)
            if self._digests.get(digest, path) != path:
                return None
            if path in self.read and digest in self._digests:
                return None
            found = _read(self.plant, self.live, self.candidate, path)
        except (InputError, OSError) as error:
            self.skipped[str(path)] = str(error).splitlines()[0]
            return None
        self._digests = {d: p for d, p in self._digests.items() if p != path} | {digest: path}
        self.skipped.pop(str(path), None)
        self.read[path] = found
        return found

    def counts(self) -> ShadowCounts:
        """Return the counts of all files read so far."""
        by_family: dict[str, list[ShadowCount]] = {}
        for found in self.read.values():
            for count in found.families:
                by_family.setdefault(count.family, []).append(count)
        families = tuple(add_counts(by_family[f], f) for f in sorted(by_family))
        return ShadowCounts(
            live=self.live.revision,
            candidate=self.candidate.revision,
            files=tuple(str(p) for p in self.read),
            families=families,
            total=add_counts(families, "all"),
            differing=tuple(x for found in self.read.values() for x in found.differing),
            skipped=dict(self.skipped),
            rows_set_aside=sum(f.rows_set_aside for f in self.read.values()),
            mismatch=sum(f.mismatch for f in self.read.values()),
        )


def result_files(folder: Path) -> list[Path]:
    """Return the result files below a folder, by path; hidden ones and our own are none."""
    return sorted(
        p
        for p in folder.rglob("*")
        if p.suffix.lower() in KINDS
        and not p.name.startswith((".", "_"))
        and p.name != SET_ASIDE
        and p.is_file()
    )


@dataclass(slots=True)
class Follower:
    """Which files of a folder are ready: those that have not changed for a while.

    A file that is still being written changes its size or time from look to look.

    Parameters
    ----------
    folder : Path
    settle_s : float
        Seconds without a change.
    """

    folder: Path
    settle_s: float
    _seen: dict[Path, tuple[tuple[int, int], float]] = field(default_factory=dict)
    _given: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def look(self, now: float) -> list[Path]:
        """Return files that are ready and were not given as they are now.

        Parameters
        ----------
        now : float
            Seconds of any clock that only goes forward.
        """
        there = {p: s for p in result_files(self.folder) if (s := _signature(p)) is not None}
        before = self._seen
        self._seen = {
            p: before[p] if p in before and before[p][0] == s else (s, now)
            for p, s in there.items()
        }
        ready = [
            p
            for p, (s, since) in self._seen.items()
            if now - since >= self.settle_s and self._given.get(p) != s
        ]
        self._given |= {p: there[p] for p in ready}
        return ready


def _signature(path: Path) -> tuple[int, int] | None:
    """Return size and time of a file, None where it went away meanwhile."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_size, found.st_mtime_ns


def _digest(path: Path) -> str:
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _read(plant: Plant, live: Recipe, candidate: Recipe, path: Path) -> FileRead:
    """Read one file as a history of its own, in a folder that leaves the plant's alone."""
    with tempfile.TemporaryDirectory(prefix="optimiser-shadow-") as aside:
        site = plant.file.plant.model_copy(
            update={"history": str(path.resolve()), "verdicts": None}
        )
        own = plant.model_copy(
            update={
                "path": Path(aside) / "plant.toml",
                "file": plant.file.model_copy(update={"plant": site}),
            }
        )
        with open_history(own) as history:
            limits = place_limits(history, "shadow_limits", {"live": live, "candidate": candidate})
            return _counted(history, limits, path)


def _counted(history: History, limits: PlacedLimits, path: Path) -> FileRead:
    replayed = limits.called("live")
    history.rows(
        f"""create temp table shadow as
            select i.{", i.".join(_NAMED)}, coalesce(i.called, {replayed}) as live,
              {limits.called("candidate")} as candidate,
              coalesce(i.verdict = 'defect', false) as defect,
              coalesce(i.verdict = 'good', false) as good,
              coalesce(i.called <> {replayed}, false) as mismatch
            from {limits.join()}"""
    )
    counts = ", ".join(f"count(*) filter (where {test})" for test in _TESTS.values())
    families = history.rows(f"select family, {counts} from shadow group by family order by family")
    differing = history.rows(
        f"""select {", ".join(_NAMED)}, live, candidate,
              case when defect then 'defect' when good then 'good' end
            from shadow where live <> candidate order by time, board, designator, pin"""
    )
    names = (*_NAMED, "live", "candidate", "verdict")
    return FileRead(
        path=path,
        families=tuple(
            ShadowCount(family=f, **dict(zip(_TESTS, n, strict=True))) for f, *n in families
        ),
        differing=tuple(
            {**dict(zip(names, row, strict=True)), "time": row[0].isoformat()} for row in differing
        ),
        rows_set_aside=history.rows_set_aside,
        mismatch=history.rows("select count(*) from shadow where mismatch")[0][0],
    )
