"""Make a digest: what any grid that the rails can bring will need of some history files.

Kept one by one are labelled defects, items that the machine called, and items beyond the
reach of any limit; all else is counts, extremes and a sample.
"""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from optimiser.history.contract import Finding
from optimiser.history.digest.store import (
    Digest,
    Meta,
    Reach,
    digest_name,
    draft_folder,
    read_digest,
    sha_of_file,
    write_meta,
)
from optimiser.history.limits import may_be_overridden, place_limits
from optimiser.history.read import HASH, History
from optimiser.plant.file import Side, off_limit
from optimiser.recipe.table import Recipe, Row
from optimiser.sql import quoted, text_literal

FORMAT = 3
# The sample's hash is DuckDB's own, which another version may compute otherwise.
VERSION = f"{FORMAT} {duckdb.__version__}"
# A night reads so many sampled items of a family in each file; only a short history asks for more.
HEAD = 192
_ORDER = "time, stage, board, designator, pin"
_COPY = "(format parquet, compression zstd)"


def make_digest(
    history: History,
    revisions: Sequence[Recipe],
    reach: Reach,
    *,
    key: str,
    ground: str,
    contents: Sequence[str],
    folder: Path,
) -> Digest:
    """Write the digest of an open history.

    Parameters
    ----------
    history : History
        Of the files that belong together; looking at all of its lots.
    revisions : sequence of Recipe
        The live one, of which only the overrides count, and those before.
    reach : mapping of (family, measurement, side) to float
        For every measurement that was measured; z beyond which items are kept one by one.
    key, ground : str
        What it is found by again, and what it rests on beside its files and verdicts.
    contents : sequence of str
        Content hashes of the files.
    folder : Path
        Where digests lie.

    Returns
    -------
    Digest
    """
    name = digest_name(key, reach)
    with draft_folder(folder, name) as draft:
        # Equal contents give equal bytes.
        history.rows("set preserve_insertion_order = true")
        _write_rows(history, revisions, reach, draft / "rows.parquet")
        _write_counts(history, revisions, draft / "counts.parquet")
        _write_sample(history, draft)
        first, last = time_range(history)
        meta = Meta(
            key=key,
            ground=ground,
            contents=tuple(contents),
            first=first,
            last=last,
            rows_used=history.rows_used,
            rows_set_aside=history.rows_set_aside,
            findings=tuple(_short(f, history) for f in history.findings if f.level == "set aside"),
            told=count_told(history),
            reach=tuple(sorted((*k, float(z)) for k, z in reach.items())),
            sampled=_sampled(history),
            boards=_boards(history),
            files={
                path.stem: (path.stat().st_size, sha_of_file(path))
                for path in sorted(draft.iterdir())
            },
        )
        write_meta(draft, meta)
    return read_digest(folder / name)


def time_range(history: History) -> tuple[datetime, datetime]:
    """Return the times of the first and the last item."""
    first, last = history.rows("select min(time), max(time) from items")[0]
    return first, last


def count_told(history: History) -> int:
    """Return how many rows of verdicts found their item."""
    if history.plant.file.plant.verdicts is None:
        return 0
    return int(history.rows("select count(*) from told_before")[0][0])


def _short(finding: Finding, history: History) -> dict[str, Any]:
    """Return a finding with its path as the plant file would name it."""
    path, folder = Path(finding.file), history.plant.folder
    inside = path.is_relative_to(folder)
    return finding.as_dict() | {"file": str(path.relative_to(folder)) if inside else str(path)}


def reach_recipe(live: Recipe, reach: Reach, plant_units: dict[str, str]) -> Recipe:
    """Return the recipe that calls what is kept: the live overrides, families at their reach."""
    limits: dict[tuple[str, str], dict[str, float]] = {}
    for (family, measurement, side), z in reach.items():
        limits.setdefault((family, measurement), {})[side] = z if side == "upper" else -z
    sides: tuple[Side, Side] = ("lower", "upper")
    rows = [
        Row(
            scope="family",
            name=family,
            measurement=m,
            unit=plant_units[m],
            **{side: found.get(side, off_limit(side)) for side in sides},
        )
        for (family, m), found in sorted(limits.items())
    ]
    return Recipe(revision="reach", rows=(*live.overrides, *rows))


def _write_rows(history: History, revisions: Sequence[Recipe], reach: Reach, target: Path) -> None:
    """Write the items that are kept one by one, whole."""
    units = {m: known.unit for m, known in history.plant.file.measurements.items()}
    recipe = reach_recipe(revisions[0], reach, units)
    # Levels may be values observed anywhere in a family, also where an override decides.
    family = Recipe(revision="family", rows=tuple(r for r in recipe.rows if r.scope == "family"))
    recipes = {"reach": recipe, "family": family}
    # What the machine recorded under a revision before is held against that one.
    recipes |= {f"past{n}": past for n, past in enumerate(revisions[1:])}
    limits = place_limits(history, "reach_limits", recipes)
    everything = [
        f"(i.family = {text_literal(f)} and i.{quoted(m)} is not null)"
        for f, m in sorted({(f, m) for (f, m, _), z in reach.items() if z == -float("inf")})
    ]
    beyond = [limits.outside(tag) for tag in recipes]
    kept = " or ".join(("i.verdict = 'defect'", "i.called", *beyond, *everything))
    history.rows(
        f"""copy (select i.* exclude (file, row) from {limits.join()} where {kept} order by {_ORDER})
            to {text_literal(target)} {_COPY}"""
    )


def _write_counts(history: History, revisions: Sequence[Recipe], target: Path) -> None:
    """Write counts and extremes by all that is ever counted apart.

    Part and designator are told apart only where an override may ask for them.
    """
    overrides = [row for recipe in revisions for row in recipe.overrides]
    where = may_be_overridden(overrides).replace("{i}", "i")
    apart = [
        f"case when {where} then i.{c} end as {c}" if where else f"null::varchar as {c}"
        for c in ("part", "designator")
    ]
    keys = ["time::date as date", "line", "stage", "product", "lot", "family", *apart]
    keys += ["verdict", "found_by"]
    found = [
        "count(*) as n",
        "count(called) as recorded",
        "min(time) as first",
        "max(time) as last",
    ]
    for k, m in enumerate(history.measurements):
        x = quoted(m)
        found.append(f"count({x}) as count_{k}, min({x}) as low_{k}, max({x}) as high_{k}")
    places = ", ".join(str(n + 1) for n in range(len(keys)))
    history.rows(
        f"""copy (select {", ".join((*keys, *found))} from items i group by {places} order by {places})
            to {text_literal(target)} {_COPY}"""
    )


def _write_sample(history: History, folder: Path) -> None:
    """Write the sample, of each family the sparsest first, so that its head is a sample too."""
    columns = ", ".join(quoted(m) for m in history.measurements)
    history.rows(
        f"""create or replace temp table sampled as
            select family, lot, {columns}, level,
              (row_number() over (partition by family order by level desc, h, {_ORDER}))::integer as nth
            from (select *, case when h = 0 then 64 else bit_count(xor(h, h - 1)) - 1 end::utinyint as level
                  from (select i.*, {HASH} as h from {history.sampled()} i))"""
    )
    for name, part in (("sample", "<="), ("more", ">")):
        history.rows(
            f"""copy (from sampled where nth {part} {HEAD} order by family, nth)
                to {text_literal(folder / f"{name}.parquet")} {_COPY}"""
        )


def _sampled(history: History) -> dict[str, tuple[int, ...]]:
    """Return per family how many sampled items have at least each level."""
    found: dict[str, list[int]] = {}
    rows = history.rows("select family, level, count(*) from sampled group by all order by all")
    for family, level, count in rows:
        numbers = found.setdefault(str(family), [])
        numbers += [0] * (level + 1 - len(numbers))
        for k in range(level + 1):
            numbers[k] += count
    return {family: tuple(numbers) for family, numbers in found.items()}


def _boards(history: History) -> tuple[tuple[str, str | None, str, str, int], ...]:
    """Return the number of distinct boards by day, line, product and stage."""
    rows = history.rows(
        """select time::date, line, product, stage, count(distinct board) from items
           group by 1, 2, 3, 4 order by 1, 2, 3, 4"""
    )
    return tuple((str(d), line, product, stage, int(n)) for d, line, product, stage, n in rows)
