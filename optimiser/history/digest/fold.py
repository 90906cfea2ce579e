"""Digests folded together: one folder for a month, so that a night opens few files.

A fold holds the very rows of its members, each marked with its member's number, and what each
said of itself; nothing is summed, so whatever is read from it is what its members gave. A member
whose files changed, or that has to reach further, is left out when the fold is read, and the next
fold is written without it. It is sealed like any digest, and its members stay until it is whole.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

import duckdb

from optimiser.errors import HistoryError
from optimiser.history.digest.store import (
    META,
    TABLES,
    Digest,
    draft_folder,
    meta_from_table,
    meta_to_table,
    sha_of_file,
)
from optimiser.seal import read_sealed, write_sealed
from optimiser.sql import text_literal

FOLD = "fold-"
MEMBER = "optimiser_member"
# The running month is folded when more than so many of its digests lie by themselves.
LOOSE = 8


def to_fold(digests: Iterable[Digest]) -> dict[str, list[Digest]]:
    """Return per month (``YYYY-MM``, of a digest's last item) the digests that had better be folded.

    A month that is over is one folder; the running one grows a few by themselves first.

    Parameters
    ----------
    digests : iterable of Digest
        All that serve.

    Returns
    -------
    dict of str to list of Digest
        Only months in which something changes; sorted by the digests' own names.
    """
    by_month: dict[str, list[Digest]] = {}
    for digest in digests:
        by_month.setdefault(f"{digest.meta.last:%Y-%m}", []).append(digest)
    newest = max(by_month, default="")
    return {
        month: sorted(found, key=lambda d: d.name)
        for month, found in sorted(by_month.items())
        if _is_scattered(found, is_over=month < newest)
    }


def _is_scattered(found: Sequence[Digest], *, is_over: bool) -> bool:
    folders = {d.folder for d in found}
    loose = sum(d.member is None for d in found)
    return len(folders) > 1 if is_over else loose > LOOSE


def write_fold(folder: Path, month: str, digests: Sequence[Digest]) -> list[Digest]:
    """Write digests into one folder; equal digests give equal bytes.

    Parameters
    ----------
    folder : Path
        Where digests lie; those folded stay.
    month : str
    digests : sequence of Digest
        Of files that share no item; themselves members of folds, or not.

    Returns
    -------
    list of Digest
        The same, in the same order, as they lie in the fold.

    Raises
    ------
    HistoryError
        If a table of one of them cannot be read to its end.
    """
    listed = json.dumps([d.name for d in digests])
    name = f"{FOLD}{month}-{hashlib.sha256(listed.encode()).hexdigest()[:16]}"
    with draft_folder(folder, name) as draft:
        with duckdb.connect() as con:
            con.execute("set TimeZone = 'UTC'")
            for table in TABLES:
                parts = " union all by name ".join(
                    f"(select {k}::integer as {MEMBER}, {only_own(d, table)})"
                    for k, d in enumerate(digests)
                )
                target = text_literal(draft / f"{table}.parquet")
                try:
                    con.execute(f"copy ({parts}) to {target} (format parquet, compression zstd)")
                except duckdb.Error as error:
                    msg = f"digests of {month} cannot be folded: {str(error).splitlines()[0]}"
                    raise HistoryError(msg) from error
        files = {p.stem: (p.stat().st_size, sha_of_file(p)) for p in sorted(draft.iterdir())}
        write_sealed(draft / META, _to_table([d.meta for d in digests], files))
    return read_fold(folder / name)


def only_own(digest: Digest, table: str) -> str:
    """Return SQL, less its ``select``, of the rows of one table that are one digest's."""
    scan = f"from read_parquet({text_literal(digest.table(table))}, hive_partitioning=false)"
    if digest.member is None:
        return f"* {scan}"
    return f"* exclude ({MEMBER}) {scan} where {MEMBER} = {digest.member}"


def read_fold(folder: Path) -> list[Digest]:
    """Read what the members of a fold say of themselves; its tables are not looked at.

    Raises
    ------
    ValueError, KeyError, TypeError, OSError
        If it cannot be read.
    """
    table = read_sealed(folder / META)
    files = {name: (int(size), str(sha)) for name, (size, sha) in table["files"].items()}
    reaches = [tuple(tuple(row) for row in reach) for reach in table["reaches"]]
    # Most members reach equally far, so that is said once for all of them.
    return [
        Digest(
            folder=folder,
            member=k,
            meta=replace(
                meta_from_table({**said, "reach": (), "files": {}}),
                reach=reaches[said["reach"]],
                files=files,
            ),
        )
        for k, said in enumerate(table["members"])
    ]


def _to_table(metas: Sequence[Any], files: Mapping[str, tuple[int, str]]) -> dict[str, Any]:
    reaches: list[Any] = []
    members = []
    for meta in metas:
        said = meta_to_table(replace(meta, files={}))
        if said["reach"] not in reaches:
            reaches.append(said["reach"])
        members.append({**said, "reach": reaches.index(said["reach"])})
    return {"files": {k: list(v) for k, v in files.items()}, "members": members, "reaches": reaches}


def by_folder(digests: Iterable[Digest]) -> list[list[Digest]]:
    """Return digests by the folder in which they lie."""
    return [
        list(found) for _, found in groupby(sorted(digests, key=_place), key=lambda d: d.folder)
    ]


def _place(digest: Digest) -> tuple[Path, int]:
    return digest.folder, digest.member or 0
