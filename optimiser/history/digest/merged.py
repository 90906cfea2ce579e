"""Digests read as one history: what counting, rails and checks ask of it, without its rows."""

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from optimiser.errors import HistoryError
from optimiser.history.contract import Finding
from optimiser.history.digest.fold import MEMBER, by_folder
from optimiser.history.digest.make import HEAD
from optimiser.history.digest.store import Digest
from optimiser.history.read import History
from optimiser.plant.file import Plant
from optimiser.sql import text_literal


class MergedHistory(History):
    """A history of which only digests are read.

    ``items`` holds labelled defects, items that the machine called and items beyond the reach
    of a limit; ``counted`` counts all. As long as no grid has a level tighter than the
    digests' reach, whatever is counted, profiled or checked is what the whole history gives.

    Attributes
    ----------
    digests : tuple of Digest
    """

    counts = "counted"
    number = "sum(n)"
    day = "date"
    recorded = "sum(recorded)"
    first_time, last_time = "min(first)", "max(last)"
    by_lot = ("items", "counted", "sample")

    def __init__(self, plant: Plant, digests: Sequence[Digest], workspace: Any) -> None:  # noqa: ANN401
        super().__init__(plant, sorted({d.table("rows") for d in digests}), workspace)
        self.digests = tuple(digests)
        self.rows_used = sum(d.meta.rows_used for d in digests)
        self.rows_set_aside = sum(d.meta.rows_set_aside for d in digests)
        self.findings = _findings(digests, plant)
        self._load("items", "*, '' as file, 0::bigint as row", [("rows", digests)])
        self._load("counted", "*", [("counts", digests)])
        needed = dict(self.rows(f"from {self.levels}"))
        heads = [_head(d, needed) for d in digests]
        more = [d for d, head in zip(digests, heads, strict=True) if head > HEAD]
        self._load(
            "sample", "*", [("sample", digests), ("more", more)], f"where nth <= {max(heads)}"
        )

    def _load(
        self,
        name: str,
        columns: str,
        tables: Sequence[tuple[str, Sequence[Digest]]],
        where: str = "",
    ) -> None:
        scans = [scan for table, digests in tables for scan in _scans(table, digests)]
        self.rows(
            f"""create table {name} as
                select {columns} from ({" union all by name ".join(scans)}) {where}"""
        )

    def extremes(self, n: int) -> str:
        """Return SQL over ``counts``: of measurement n the count, extremes, extremes of goods."""
        good = "filter (where verdict = 'good')"
        return (
            f"sum(count_{n})::bigint, min(low_{n}), max(high_{n}), "
            f"min(low_{n}) {good}, max(high_{n}) {good}"
        )

    def boards(self) -> list[tuple[str, str, str | None, str, int]]:
        """Return the number of distinct boards by date (ISO), stage, line and product.

        A board counts once a file.
        """
        found: dict[tuple[str, str, str | None, str], int] = {}
        for digest in self.digests:
            for date, line, product, stage, number in digest.meta.boards:
                at = (date, stage, line, product)
                found[at] = found.get(at, 0) + number
        return [(*at, number) for at, number in found.items()]

    def sampled(self) -> str:
        """Return SQL of the sampled non-defects: family and measurements."""
        return (
            f"(select s.* from sample s join {self.levels} l using (family) "
            "where s.level >= l.level)"
        )


def open_digests(plant: Plant, digests: Sequence[Digest]) -> MergedHistory:
    """Open digests as one history.

    Parameters
    ----------
    plant : Plant
    digests : sequence of Digest
        Of files that share no item.

    Returns
    -------
    MergedHistory

    Raises
    ------
    HistoryError
        If there is none, or a table cannot be read.
    """
    if not digests:
        msg = (
            f"{plant.locate(plant.file.plant.history)}: no result file of this history can be "
            "used; see what was said of each"
        )
        raise HistoryError(msg)
    workspace = tempfile.TemporaryDirectory(prefix="optimiser-")
    try:
        return MergedHistory(plant, digests, workspace)
    except BaseException:
        workspace.cleanup()
        raise


def _scans(table: str, digests: Sequence[Digest]) -> list[str]:
    """Return SQL of the rows of one table: of all digests by themselves, of each fold's members."""
    loose = [d.table(table) for d in digests if d.member is None]
    found = [f"(from {_read(loose)})"] if loose else []
    for members in by_folder(d for d in digests if d.member is not None):
        wanted = ", ".join(str(d.member) for d in members)
        found.append(
            f"(select * exclude ({MEMBER}) from {_read([members[0].table(table)])} "
            f"where {MEMBER} in ({wanted}))"
        )
    return found


def _read(files: Sequence[Path]) -> str:
    return f"read_parquet([{', '.join(map(text_literal, files))}], hive_partitioning=false)"


def _head(digest: Digest, needed: dict[str, int]) -> int:
    """Return how many sampled items of any one family have the level that is needed."""
    return max(
        (n[needed[f]] for f, n in digest.meta.sampled.items() if needed[f] < len(n)), default=0
    )


def _findings(digests: Sequence[Digest], plant: Plant) -> tuple[Finding, ...]:
    """Return the findings of all digests, one a rule, with the first case and the sum."""
    found: dict[tuple[str, str, str | None], Finding] = {}
    for finding in (Finding(**row) for d in digests for row in d.meta.findings):
        place = replace(finding, file=str(plant.locate(finding.file)))
        key = (place.level, place.rule, place.column)
        known = found.get(key)
        found[key] = replace(known, count=known.count + place.count) if known else place
    return tuple(found.values())
