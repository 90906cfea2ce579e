"""Verdicts that arrive later: rows of key and verdict, joined onto the items they speak of.

Test, audit and field speak days after the inspection. Their verdicts stand in files of their
own, so that the results stay as the machine wrote them. The key is looked up once, at the
door; from then on a verdict is tied to a row of a file, which costs a scan next to nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from optimiser.history.contract import FINDERS, KEY, VERDICTS, Finding
from optimiser.plant.file import Plant
from optimiser.plant.shape import FileShape
from optimiser.sql import quoted, text_literal

NEEDED = ("stage", "board", "designator", "time", "verdict", "found_by")
# What files may do without whose shape the plant file gives: then the rest of the key has to tell.
_SPARED = ("stage", "time")
COLUMNS = (*KEY, "verdict", "defect", "found_by", "weight")
LATER_STAGE = "later stage"
"""Who found what only a linked item of a later stage says; any verdict of an item's own stands over it,
but for a good that turned out to be a defect."""
LATER_STAGES_FILE = "later-stages.csv"
_TOLD = ("verdict", "defect", "found_by", "weight")
_UNKNOWN = "no item of the history has this stage, board, designator, pin and time"
_AS_TEXT = "write the key as the history has it; a spreadsheet must open its columns as text"
# Rule, column and way out, by the number that a broken row carries.
_RULES = (
    ("time must be a time in UTC", "time", "write it as 2026-01-31 08:00:00"),
    (f"verdict must be one of {', '.join(VERDICTS)}", "verdict", "fill the cell or drop the row"),
    (f"found_by must be one of {', '.join(FINDERS)}", "found_by", "say who gave the verdict"),
    ("weight must be a number >= 1 or blank", "weight", "give the inverse of the item's chance"),
    (_UNKNOWN, "board", _AS_TEXT),
    (
        "several items of the history have what this row gives of the key",
        "board",
        "give the time of the inspection, or the pin, as well",
    ),
)
_GIVES_WAY = f"""t.found_by = {text_literal(LATER_STAGE)} and (coalesce(t.recorded = 'defect', false)
    or exists (from told_before o where o.file = t.file and o.row = t.row
               and o.found_by <> {text_literal(LATER_STAGE)}))"""
_NO_ITEM, _SEVERAL = len(_RULES) - 2, len(_RULES) - 1
Rows = Callable[[str], list[tuple[Any, ...]]]


def shape_of_told(plant: Plant) -> Callable[[Path], FileShape | None]:
    """Return how a file of verdicts stands: as the plant file says, or as this program wrote it.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    callable
        From a path to a shape, None for the contract's columns.
    """
    return lambda path: None if path.name == LATER_STAGES_FILE else plant.file.verdict_files


def missing_columns(
    rows: Rows, staged: Mapping[str, Path], *, shaped: bool = False
) -> list[Finding]:
    """Return an error per column that a file of verdicts lacks.

    Parameters
    ----------
    rows : callable
        Runs a query and returns its rows.
    staged : mapping of str to Path
        Parquet files, and what each came from.
    shaped : bool
        Whether the plant file says how they stand; then they may lack stage and time.

    Returns
    -------
    list of Finding
    """
    findings = []
    for file, source in staged.items():
        known = {r[0] for r in rows(f"describe from read_parquet({text_literal(file)})")}
        findings += [
            Finding(
                level="error",
                rule=f"column {column!r} of the verdicts is missing",
                file=str(source),
                column=column,
                way_out=f"a file of verdicts has the columns {', '.join(COLUMNS)}",
            )
            for column in NEEDED
            if column not in known and not (shaped and column in _SPARED)
        ]
    return findings


def take_verdicts(rows: Rows, staged: Mapping[str, Path], recorded: str) -> list[Finding]:
    """Look up the item of every verdict, and make the table ``told``.

    Parameters
    ----------
    rows : callable
        Runs a query and returns its rows.
    staged : mapping of str to Path
        Parquet files in the order in which they speak, and what each came from.
    recorded : str
        Name of the view of the items as the results have them.

    Returns
    -------
    list of Finding
        What cannot be used, and notes on what was told twice or otherwise than recorded.

    Notes
    -----
    ``told``: ``file, row`` of an item and its verdict, one row an item; the last row of the
    last file stands. ``told_before`` holds every usable row; ``told_aside`` the others. Where the
    files lack a column of the key, the rest has to name one item, or one that was called.
    """
    given = read_told(rows, staged)
    key = " and ".join(f"r.{c} is not distinct from t.{c}" for c in given)
    rows(
        f"""create table told_before as
            select r.file, r.row, r.verdict as recorded, t.nth, t.place, {_named("t", _TOLD)}
            from {recorded} r join (from told_rows where broken is null) t on {key}"""
    )
    if len(given) < len(KEY):
        _keep_clear(rows, recorded)
    rows(
        f"""update told_rows set broken = {_NO_ITEM} where broken is null
            and not exists (from told_before b where b.nth = told_rows.nth and b.place = told_rows.place)"""
    )
    rows("create view told_aside as from told_rows where broken is not null")
    last = ", ".join(f"arg_max(t, (nth, place)).{c} as {c}" for c in _TOLD)
    rows(
        f"""create table told as select file, row, {last} from told_before t
            where not ({_GIVES_WAY}) group by file, row"""
    )
    return _findings(rows, list(staged.values()))


def _keep_clear(rows: Rows, recorded: str) -> None:
    """Set rows aside that speak of several items; of these the only one called is meant."""
    rows(
        f"""create temp table meant as
            select nth, place, count(*) as items, count(*) filter (r.called) as called
            from told_before b join {recorded} r using (file, row) group by all having count(*) > 1"""
    )
    rows(
        f"""delete from told_before b using meant m where b.nth = m.nth and b.place = m.place and
              (m.called <> 1 or exists (from {recorded} r where r.file = b.file and r.row = b.row
                                        and r.called is distinct from true))"""
    )
    rows(
        f"""update told_rows t set broken = {_SEVERAL} from meant m
            where t.nth = m.nth and t.place = m.place and m.called <> 1"""
    )
    rows("drop table meant")


def _named(table: str, columns: Sequence[str]) -> str:
    return ", ".join(f"{table}.{c}" for c in columns)


def read_told(rows: Rows, staged: Mapping[str, Path]) -> tuple[str, ...]:
    """Make the table ``told_rows``: cells, the file's rank, the row's place, the rule it breaks.

    Parameters
    ----------
    rows : callable
        Runs a query and returns its rows.
    staged : mapping of str to Path
        Parquet files in the order in which they speak, and what each came from.

    Returns
    -------
    tuple of str
        The columns of the key that the files have.
    """
    rows("create table told_files(file varchar, nth integer, name varchar)")
    for n, (file, source) in enumerate(staged.items()):
        rows(f"insert into told_files values ({text_literal(file)}, {n}, {text_literal(source)})")
    listed = ", ".join(text_literal(f) for f in staged)
    scan = (
        f"read_parquet([{listed}], union_by_name=true, hive_partitioning=false, filename=true, "
        "file_row_number=true)"
    )
    known = {r[0] for r in rows(f"describe from {scan}")}
    cells = ", ".join(
        f"nullif(trim({quoted(c)}::varchar), '') as {c}_cell"
        if c in known
        else f"null::varchar as {c}_cell"
        for c in COLUMNS
    )
    texts = ", ".join(f"{c}_cell as {c}" for c in COLUMNS if c not in ("time", "weight"))
    tests = (
        "time is null" if "time" in known else "false",
        f"not coalesce(verdict in ({_listed(VERDICTS)}), false)",
        f"not coalesce(found_by in ({_listed(FINDERS)}), false)",
        "weight_cell is not null and not coalesce(weight between 1 and 1e300, false)",
    )
    which = " ".join(f"when {test} then {n}" for n, test in enumerate(tests))
    rows(
        f"""create table told_rows as
            select *, case {which} end::integer as broken from (
              select {texts}, time_cell, weight_cell, nth, file_row_number as place,
                try_cast(try_cast(time_cell as timestamptz) as timestamp) as time,
                case when weight_cell is null then 1.0 else try_cast(weight_cell as double) end as weight
              from (select {cells}, filename, file_row_number from {scan})
              join told_files on told_files.file = filename)"""
    )
    return tuple(c for c in KEY if c in known or (c == "pin" and "time" in known))


def _listed(words: Sequence[str]) -> str:
    return ", ".join(text_literal(w) for w in words)


def _findings(rows: Rows, sources: Sequence[Path]) -> list[Finding]:
    """Return what was set aside by rule, then notes."""
    spoken = "concat_ws(' ', stage, board, designator, pin, time)"
    cells = f"[time_cell, verdict, found_by, weight_cell, {spoken}, {spoken}]"
    found = rows(
        f"""select broken, count(*), arg_min((nth, {_place()}, {cells}[broken + 1]), (nth, place))
            from told_aside t group by broken order by broken"""
    )
    findings = [
        Finding(
            level="set aside",
            rule=f"verdict: {_RULES[n][0]}",
            file=str(sources[first[0]]),
            row=int(first[1]),
            column=_RULES[n][1],
            value=first[2],
            count=count,
            way_out=_RULES[n][2],
        )
        for n, count, first in found
    ]
    return findings + _notes(rows, sources)


def _notes(rows: Rows, sources: Sequence[Path]) -> list[Finding]:
    """Return how many verdicts were taken, told more than once, and replace a recorded one."""
    taken, again, changed = rows(
        """select (select count(*) from told),
             (select count(*) - count(distinct (file, row)) from told_before),
             (select count(*) from told join (select distinct file, row, recorded from told_before) b
                using (file, row) where recorded <> told.verdict)"""
    )[0]
    where = str(sources[-1]) if len(sources) == 1 else str(sources[-1].parent)
    said = [
        (taken, "items take their verdict from here", "nothing to do"),
        (again, "verdicts were replaced by a later row on the same item", "nothing to do"),
        (
            changed,
            "verdicts differ from the one recorded in the results; these stand",
            "an item that was reviewed as good and is a defect is a reviewer's miss",
        ),
    ]
    return [
        Finding(level="note", rule=f"{n:,} {rule}", file=where, way_out=way)
        for n, rule, way in said
        if n
    ]


def _place() -> str:
    """Return SQL for a verdict's row in its file, from 1: lines refused before it count too."""
    return (
        "t.place + 1 + (select count(*) from refused join told_files f using (file) "
        "where f.nth = t.nth and refused.earlier <= t.place)"
    )


def aside_rows() -> str:
    """Return SQL of the verdicts set aside, in the form of the quarantine file."""
    words = " ".join(f"when {n} then {text_literal(r[0])}" for n, r in enumerate(_RULES))
    return (
        f"select f.name as set_aside_from, {_place()} as set_aside_row, "
        f"case broken {words} end as set_aside_for, stage, board, designator, pin, "
        "time_cell as time, verdict, defect, found_by, weight_cell as weight "
        "from told_aside t join told_files f using (nth)"
    )


def with_verdicts(recorded: str) -> str:
    """Return SQL of the items with what they were told in place of what was recorded.

    A good that a second look confirms stays as it was found: what a second look finds to be a good
    was called a defect before, so that reviewers' false alarms can be counted.
    """
    confirmed = "t.found_by = 'second look' and t.verdict = 'good' and r.verdict = 'good'"
    kept = {"found_by": f"t.row is null or ({confirmed})"}
    told = ", ".join(
        f"case when {kept.get(c, 't.row is null')} then r.{c} else t.{c} end as {c}" for c in _TOLD
    )
    return (
        f"select r.* replace ({told}) from {recorded} r "
        "left join told t on t.file = r.file and t.row = r.row"
    )
