"""SQL that turns rows of any shape into the contract's columns.

What cannot be read stays visible: the cell then says so in words before its text, so that the
door's own rule on that column sets the row aside with the value that stood there.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import duckdb

from optimiser.errors import nearest
from optimiser.intake.units import dimension_of, factor, scaled
from optimiser.plant.file import PlantFile
from optimiser.plant.shape import AS_WRITTEN, CHECK, FILLED, FileShape
from optimiser.sql import quoted
from optimiser.sql import text_literal as literal

PLACE = "optimiser_place"
"""The row of its file that an item comes from, from 1."""
Rows = Callable[[str], list[tuple[Any, ...]]]
_NO_NUMBER, _NO_TIME = "not a number: ", "not a time: "
_NO_ZONE, _SKIPPED = "no offset from UTC: ", "the clock skipped this hour: "
_TWICE, _NO_UNIT = "measured twice: ", "not in a unit that converts: "
_NUMERIC = frozenset(
    [
        "TINYINT",
        "SMALLINT",
        "INTEGER",
        "BIGINT",
        "HUGEINT",
        "UTINYINT",
        "USMALLINT",
        "UINTEGER",
        "UBIGINT",
        "UHUGEINT",
        "FLOAT",
        "DOUBLE",
        "DECIMAL",
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """What in a file does not fit what the plant file says of it.

    ``stops`` where nothing can be read; else it is worth a note.
    """

    rule: str
    column: str
    way_out: str
    stops: bool = True
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Translation:
    """A query of the contract's columns, and what did not fit."""

    query: str
    problems: tuple[Problem, ...]


class Source:
    """The rows of one file, and SQL of their cells.

    Parameters
    ----------
    rows : callable
        Runs a query and returns its rows.
    scan : str
        SQL of the rows; has the column ``optimiser_place``.
    shape : FileShape
    plant : PlantFile
    """

    def __init__(self, rows: Rows, scan: str, shape: FileShape, plant: PlantFile) -> None:
        self.rows, self.scan, self.shape, self.plant = rows, scan, shape, plant
        described = rows(f"describe select * from {scan}")
        self.types = {str(name): str(kind) for name, kind, *_ in described if name != PLACE}

    def names(self, wanted: Sequence[str]) -> list[str]:
        """Return which of some columns the file has."""
        return [n for n in wanted if n in self.types]

    def text(self, names: Sequence[str]) -> str:
        """Return SQL of the first cell that is filled, trimmed."""
        cells = [f"nullif(trim({quoted(n)}::varchar), '')" for n in self.names(names)]
        if not cells:
            return "null::varchar"
        return cells[0] if len(cells) == 1 else f"coalesce({', '.join(cells)})"

    def is_number(self, name: str) -> bool:
        """Return whether a column holds numbers as such."""
        return self.types[name].partition("(")[0] in _NUMERIC

    def worded(self, column: str, cell: str) -> str:
        """Return SQL of a cell in the contract's words."""
        words = self.shape.words.get(column, {})
        cases = [
            f"when lower({cell}) in ({_low(spoken)}) then {literal(word) if word else 'null'}"
            for word, spoken in words.items()
            if spoken
        ]
        return f"case {' '.join(cases)} else {cell} end" if cases else cell

    def number(self, names: Sequence[str], by: Fraction) -> str:
        """Return SQL of a number in the plant's unit; a text that is none says so."""
        parts = [self._number(n, by) for n in self.names(names)]
        if not parts:
            return "null::varchar"
        if len(parts) == 1:
            return parts[0]
        return f"coalesce({', '.join(f'({p})::varchar' for p in parts)})"

    def _number(self, name: str, by: Fraction) -> str:
        x = quoted(name)
        if self.is_number(name):
            return x if by == 1 else scaled(f"{x}::double", by)
        return self.number_of(f"nullif(trim({x}::varchar), '')", by)

    def number_of(self, cell: str, by: Fraction) -> str:
        """Return SQL of a number's text, from the text of a cell."""
        plain = plain_number(cell, self.shape)
        value = plain if by == 1 else f"({scaled(f'try_cast({plain} as double)', by)})::varchar"
        return (
            f"case when {cell} is null then null when try_cast({plain} as double) is null "
            f"then {literal(_NO_NUMBER)} || {cell} else {value} end"
        )


def _low(words: Iterable[str]) -> str:
    return ", ".join(literal(w.strip().lower()) for w in words)


def plain_number(cell: str, shape: FileShape) -> str:
    """Return SQL of a number with a decimal point and nothing between its digits, else NULL."""
    if shape.decimal == "." and not shape.thousands:
        return cell
    point = "[.]" if shape.decimal == "." else ","
    if not shape.thousands:
        return (
            f"case when regexp_full_match({cell}, '[-+]?[0-9]*({point}[0-9]*)?([eE][-+]?[0-9]+)?') "
            f"then replace({cell}, ',', '.') end"
        )
    gap = {".": "[.]", "'": "['']", " ": "[ ]", ",": ","}[shape.thousands]
    grouped = f"[-+]?([0-9]+|[0-9]{{1,3}}({gap}[0-9]{{3}})+)({point}[0-9]*)?([eE][-+]?[0-9]+)?"
    return (
        f"case when regexp_full_match({cell}, '{grouped}') then "
        f"replace(replace({cell}, {literal(shape.thousands)}, ''), ',', '.') end"
        if shape.decimal == ","
        else f"case when regexp_full_match({cell}, '{grouped}') then "
        f"replace({cell}, {literal(shape.thousands)}, '') end"
    )


def translate(
    rows: Rows,
    scan: str,
    shape: FileShape,
    plant: PlantFile,
    *,
    folder: Path,
    carries: bool = False,
) -> Translation:
    """Return the query that gives a file's rows in the contract's columns.

    Parameters
    ----------
    rows : callable
        Runs a query and returns its rows.
    scan : str
        SQL of the file's rows, with the column ``optimiser_place``.
    shape : FileShape
    plant : PlantFile
    folder : Path
        Of the plant file, where a list of parts lies.
    carries : bool
        Whether limits that the rows carry are wanted as well, as ``lower NAME`` and ``upper NAME``.

    Returns
    -------
    Translation
        Columns are text, or of the file's own type where nothing was to be changed.
    """
    source = Source(rows, scan, shape, plant)
    make = _of_items if shape.form == "items" else _of_measurements
    made = make(source, carries=carries)
    if shape.parts_list is None or not made.query:
        return made
    return _with_parts(source, made, folder / shape.parts_list)


def _with_parts(source: Source, made: Translation, path: Path) -> Translation:
    """Return a translation whose parts and families come from a list where the results say none."""
    listed = f"read_csv({literal(path)}, all_varchar=true, header=true, nullstr='')"
    key = "results.parts_list"
    try:
        known = {str(r[0]) for r in source.rows(f"describe from {listed}")}
    except duckdb.Error as error:
        words = f"{path} cannot be read ({str(error).splitlines()[0]})"
        return _stopped(made, key, words, "put a CSV of designator, part, family there")
    missing = [c for c in ("designator", "part", "family") if c not in known]
    if missing:
        words = f"{path} has no column {missing[0]!r}"
        return _stopped(made, key, words, "it needs designator, part, family, and may have product")
    columns = {str(r[0]) for r in source.rows(f"describe {made.query}")}
    by = "designator, product" if "product" in known and "product" in columns else "designator"
    twice = source.rows(
        f"""select designator from {listed} where designator is not null group by {by}
            having count(distinct (part, family)) > 1 limit 1"""
    )
    if twice:
        words = f"{path} gives designator {twice[0][0]} two parts or families"
        return _stopped(made, key, words, "name the product as well, or keep one row")
    filled = ", ".join(
        f"coalesce(m.{c}, p.{c}) as {c}" if c in columns else f"p.{c}" for c in ("part", "family")
    )
    kept = ", ".join(f"m.{quoted(c)}" for c in sorted(columns - {"part", "family"}))
    parts = f"(select distinct {by}, part, family from {listed})"
    query = f"select {kept}, {filled} from ({made.query}) m left join {parts} p using ({by})"
    return Translation(query=query, problems=made.problems)


def _stopped(made: Translation, key: str, rule: str, way_out: str) -> Translation:
    problem = Problem(rule=rule, column=key, way_out=way_out)
    return Translation(query="", problems=(*made.problems, problem))


def _wanted(source: Source, column: str) -> tuple[str, ...]:
    """Return the names under which a column of the contract may stand in the file."""
    return source.shape.columns.get(column, (column,))


def _missing(source: Source) -> Iterable[Problem]:
    """Yield a problem per column that the plant file names and the file lacks."""
    for column, names in source.shape.columns.items():
        gone = [n for n in names if n not in source.types]
        if gone and (column == "time" or len(gone) == len(names)):
            yield _lacks(f"results.columns.{column}", gone[0], source)


def _lacks(key: str, name: str, source: Source) -> Problem:
    return Problem(
        rule=f"column {name!r} is missing, which {key} names",
        column=name,
        way_out="correct the plant file; "
        + nearest(name, source.types).replace("known", "the file has"),
    )


def _contract(source: Source) -> dict[str, str]:
    """Return SQL by column of the contract, for those that the file or a constant fills."""
    found = {}
    for column in FILLED:
        names, constant = _wanted(source, column), source.shape.constants.get(column)
        if column in ("time", "weight") or (not source.names(names) and constant is None):
            continue
        cell = source.worded(column, source.text(names))
        if constant is not None and column != "found_by":
            cell = f"coalesce({cell}, {literal(constant)})"
        found[column] = cell
    if "verdict" in found:
        # Who found it is a constant only of what was found.
        constant = source.shape.constants.get("found_by")
        told = found.get("found_by", "null::varchar")
        if constant is not None:
            said = f"case when {found['verdict']} is not null then {literal(constant)} end"
            found["found_by"] = f"coalesce({told}, {said})"
    if source.names(_wanted(source, "weight")):
        found["weight"] = source.number(_wanted(source, "weight"), Fraction(1))
    return found


def _of_items(source: Source, *, carries: bool) -> Translation:
    """Return the translation of a file with a row per item."""
    problems = list(_missing(source))
    columns = _contract(source)
    if source.names(_wanted(source, "time")):
        columns["time"], more = _time(source)
        problems += more
    used = {n for names in source.shape.columns.values() for n in names} | set(columns) | {"time"}
    for name, known in source.plant.measurements.items():
        filled, more = _measurement(source, name, known.unit, carries=carries)
        columns |= filled
        problems += more
        shape = source.shape.measurements.get(name)
        used |= {name, *(shape.column if shape else ())}
        used |= {n for n in (shape.lower, shape.upper) if n} if shape else set()
    passed = _headed(source, columns)
    problems += _unread(source, used | set(passed))
    selected = ", ".join(f"{sql} as {quoted(c)}" for c, sql in (columns | passed).items())
    query = f"select {PLACE}, {selected} from {source.scan}"
    return Translation(query=query, problems=tuple(problems))


def _headed(source: Source, columns: Mapping[str, str]) -> dict[str, str]:
    """Return measurements whose header carries the unit, as in ``tilt [deg]``: the door knows these."""
    return {
        name: source.number((name,), Fraction(1))
        for name in source.types
        if name not in columns
        and name.endswith("]")
        and name.partition("[")[0].strip() in source.plant.measurements
        and name.partition("[")[0].strip() not in columns
    }


def _unread(source: Source, used: set[str]) -> Iterable[Problem]:
    """Yield a note per column that nobody reads."""
    for name in source.types:
        if name not in used:
            yield Problem(
                rule=f"column {name!r} is not in the contract and not in plant.toml; it is not read",
                column=name,
                way_out="name it under [results.columns] or [results.measurements] if it is needed",
                stops=False,
            )


def _measurement(
    source: Source, name: str, unit: str, *, carries: bool
) -> tuple[dict[str, str], list[Problem]]:
    """Return SQL of a measurement, and of the limits it carries, in the plant's unit."""
    shape = source.shape.measurements.get(name)
    if shape is None:
        by_name = source.names((name,))
        return ({name: source.number((name,), Fraction(1))} if by_name else {}), []
    if not source.names(shape.column):
        return {}, [_lacks(f"results.measurements.{name}.column", shape.column[0], source)]
    by = factor(shape.unit or unit, unit)
    if by is None:
        return {}, [_converts_not(name, shape.unit or unit, unit)]
    if shape.words:
        return {name: _checked(source.text(shape.column), shape.words)}, []
    found = {name: source.number(shape.column, by)}
    limits = [(s, c) for s, c in (("lower", shape.lower), ("upper", shape.upper)) if c is not None]
    key = f"results.measurements.{name}"
    problems = [_lacks(f"{key}.{s}", c, source) for s, c in limits if c not in source.types]
    if carries and not problems:
        found |= {f"{s} {name}": source.number((c,), by) for s, c in limits}
    return found, problems


def _converts_not(name: str, unit: str, into: str) -> Problem:
    known = dimension_of(unit)
    return Problem(
        rule=f"{name} cannot be converted from {unit!r} to {into!r}"
        + (f": one is a unit of {known}, the other not" if known else ": no such unit is known"),
        column=name,
        way_out="correct the unit in plant.toml, or name the plant's unit as the files have it",
    )


def _checked(cell: str, words: Mapping[Any, Sequence[str]]) -> str:
    """Return SQL of a check's cell: 0 where it passed, 1 where it failed."""
    cases = " ".join(
        f"when lower({cell}) in ({_low(spoken)}) then {literal(CHECK[said])}"
        for said, spoken in words.items()
        if spoken
    )
    return f"case {cases} when {cell} is null then null else {literal(_NO_NUMBER)} || {cell} end"


def _time(source: Source) -> tuple[str, list[Problem]]:
    """Return SQL of the time as text in UTC, and what could not be told of the clock."""
    names = source.names(_wanted(source, "time"))
    if not names:
        return "null::varchar", []
    shape, kind = source.shape, source.types[names[0]] if len(names) == 1 else ""
    if kind == "TIMESTAMP WITH TIME ZONE":
        return f"({quoted(names[0])} at time zone 'UTC')", []
    cells = [f"nullif(trim({quoted(n)}::varchar), '')" for n in names]
    raw = cells[0] if len(cells) == 1 else " || ' ' || ".join(cells)
    if shape.time_zone == AS_WRITTEN:
        return _with_offset(raw, shape), []
    local = _local(raw, shape) if kind != "TIMESTAMP" else quoted(names[0])
    if shape.time_zone != "UTC":
        return _of_zone(source, raw, local)
    return local if kind == "TIMESTAMP" else _said(raw, local, f"({local})::varchar"), []


def _local(raw: str, shape: FileShape) -> str:
    """Return SQL of the clock's time as TIMESTAMP, NULL where it is none."""
    if shape.time_format is None:
        return f"try_cast({raw} as timestamp)"
    return f"try_strptime({raw}, {literal(shape.time_format)})::timestamp"


def _said(raw: str, local: str, utc: str) -> str:
    """Return SQL of a time's text; where it is none, it says so."""
    return (
        f"case when {raw} is null then null when {local} is null "
        f"then {literal(_NO_TIME)} || {raw} else {utc} end"
    )


def _with_offset(raw: str, shape: FileShape) -> str:
    """Return SQL of a time that carries its own offset from UTC."""
    if shape.time_format is not None:
        at = f"try_strptime({raw}, {literal(shape.time_format)})"
    else:
        at = f"try_cast({raw} as timestamptz)"
    carries = f"regexp_matches({raw}, '(Z|z|UTC|GMT|[-+][0-9]{{2}}:?([0-9]{{2}})?)$')"
    utc = f"({at}::timestamptz at time zone 'UTC')::varchar"
    return (
        f"case when {raw} is null then null when not {carries} then {literal(_NO_ZONE)} || {raw} "
        f"when {at} is null then {literal(_NO_TIME)} || {raw} else {utc} end"
    )


def _of_zone(source: Source, raw: str, local: str) -> tuple[str, list[Problem]]:
    """Return SQL of the time by a clock that is put forward and back.

    An hour that the clock skipped is no time. Of an hour that it went through twice, a file whose
    times run on but for one step back says which is which; in any other the first one is meant, and
    a problem says so.
    """
    zone = literal(source.shape.time_zone)
    utc = f"timezone({zone}, {local})"
    skipped = f"timezone({zone}, {utc}) <> {local}"
    twice = f"timezone({zone}, {utc} - interval 1 hour) = {local}"
    counted = f"select count(*) filter ({twice}) from {source.scan}"
    first = f"({utc} - interval 1 hour)"
    chosen, problems = f"case when {twice} then {first} else {utc} end", []
    found = source.rows(counted)[0][0]
    if found:
        back = source.rows(
            f"""select count(*), max({PLACE}) from (
                  select {PLACE}, {local} - lag({local}) over (order by {PLACE}) as step from {source.scan}
                  where {twice}) where step < interval 0 seconds"""
        )[0]
        if back[0] == 1:
            chosen = f"case when {twice} and {PLACE} < {back[1]} then {first} else {utc} end"
        else:
            problems.append(_doubtful(found))
    text = f"(({chosen}) at time zone 'UTC')::varchar"
    skips = f"when {skipped} then {literal(_SKIPPED)} || {raw} "
    said = _said(raw, local, text)
    return said.replace("else ", skips + "else ", 1), problems


def _doubtful(found: int) -> Problem:
    return Problem(
        rule=f"{found:,} rows lie in an hour that the clock went through twice; the first is meant",
        column="time",
        way_out="nothing to do, or have the machine write UTC",
        stops=False,
        count=found,
    )


# What an item says in several rows: the worst of calls and verdicts, else its first row.
_FIRST = "arg_min({x}, {place}) filter ({x} is not null)"
_GATHERED = {
    "called": "max({x}::varchar)",
    "verdict": "case when bool_or({x} = 'defect') then 'defect' else max({x}) end",
    "time": "min({x})",
}


def _of_measurements(source: Source, *, carries: bool) -> Translation:
    """Return the translation of a file with a row per measurement of an item."""
    problems = list(_missing(source))
    columns = _contract(source)
    time, more = _time(source)
    problems += more
    item = source.text(_wanted(source, "item")) if "item" in source.shape.columns else "null"
    named = source.text(_wanted(source, "measurement"))
    if problems and any(p.stops for p in problems):
        return Translation(query="", problems=tuple(problems))
    units, more = _long_units(source, named)
    problems += more
    cells = {c: f"{sql} as {quoted(c)}" for c, sql in columns.items()}
    value = _by_unit(source, "value", named, units)
    limits = {s: _by_unit(source, s, named, units) for s in ("lower", "upper")} if carries else {}
    inner = ", ".join(
        (
            PLACE,
            f"{time} as time",
            *cells.values(),
            f"{item} as optimiser_item",
            f"{named} as optimiser_name",
            f"{value} as optimiser_value",
            *(f"{sql} as optimiser_{side}" for side, sql in limits.items()),
        )
    )
    key = ["optimiser_item"]
    if "item" not in source.shape.columns:
        key = ["time", *(c for c in ("stage", "board", "designator", "pin") if c in columns)]
    outer = [f"min({PLACE}) as {PLACE}"]
    outer += [
        f"{_gathered(c)} as {quoted(c)}" if c not in key else quoted(c) for c in ("time", *columns)
    ]
    for name in source.plant.measurements:
        outer += _pivoted(source, name, tuple(limits))
    query = f"select {', '.join(outer)} from (select {inner} from {source.scan}) group by {', '.join(key)}"
    return Translation(query=query, problems=tuple(problems))


def _gathered(column: str) -> str:
    form = _GATHERED.get(column, _FIRST)
    return form.format(x=quoted(column), place=PLACE)


def _called_by(source: Source, name: str) -> tuple[str, ...]:
    """Return the words that name a measurement in the long form."""
    shape = source.shape.measurements.get(name)
    return shape.column if shape else (name,)


def _pivoted(source: Source, name: str, limits: Sequence[str]) -> Iterable[str]:
    """Yield SQL of the columns of a measurement, gathered from an item's rows."""
    which = f"filter (lower(optimiser_name) in ({_low(_called_by(source, name))}))"
    number = "try_cast(optimiser_value as double)"
    least, most = f"min({number}) {which}", f"max({number}) {which}"
    none = f"max(optimiser_value) {which[:-1]} and {number} is null)"
    said = f"{literal(_TWICE)} || {least} || ' and ' || {most}"
    yield (
        f"case when {none} is not null then {none} when {least} <> {most} then {said} "
        f"else ({least})::varchar end as {quoted(name)}"
    )
    for side in limits:
        yield f"arg_min(optimiser_{side}, {PLACE}) {which} as {quoted(f'{side} {name}')}"


def _long_units(
    source: Source, named: str
) -> tuple[dict[tuple[str, str], Fraction | None], list[Problem]]:
    """Return the factor of every name and unit that the rows have, and names nobody reads."""
    unit = source.text(_wanted(source, "unit"))
    known = {
        word.strip().lower(): name
        for name in source.plant.measurements
        for word in _called_by(source, name)
    }
    found = source.rows(
        f"select lower({named}), coalesce({unit}, ''), count(*) from {source.scan} group by 1, 2 order by 1, 2"
    )
    factors: dict[tuple[str, str], Fraction | None] = {}
    unread: dict[str, int] = {}
    for word, said, number in found:
        name = known.get(str(word))
        if name is None:
            if word is not None:
                unread[str(word)] = unread.get(str(word), 0) + int(number)
            continue
        shape = source.shape.measurements.get(name)
        into = source.plant.measurements[name].unit
        factors[str(word), str(said)] = factor(str(said) or (shape and shape.unit) or into, into)
    problems = [
        Problem(
            rule=f"measurement {word!r} is not in plant.toml; it is not read",
            column=word,
            way_out="name it under [results.measurements] if it is needed; " + nearest(word, known),
            stops=False,
            count=number,
        )
        for word, number in unread.items()
    ]
    return factors, problems


def _by_unit(
    source: Source, column: str, named: str, units: Mapping[tuple[str, str], Fraction | None]
) -> str:
    """Return SQL of a cell of the long form as text in the plant's unit."""
    names = _wanted(source, column)
    cell = source.text(names)
    unit = source.text(_wanted(source, "unit"))
    cases = []
    for factors in sorted({f for f in units.values() if f is not None and f != 1}):
        pairs = " or ".join(
            f"(lower({named}) = {literal(w)} and coalesce({unit}, '') = {literal(u)})"
            for (w, u), f in units.items()
            if f == factors
        )
        cases.append(f"when {pairs} then {source.number_of(cell, factors)}")
    bad = [
        f"(lower({named}) = {literal(w)} and coalesce({unit}, '') = {literal(u)})"
        for (w, u), f in units.items()
        if f is None
    ]
    if bad:
        said = f"{literal(_NO_UNIT)} || {cell} || ' ' || {unit}"
        cases.insert(0, f"when {' or '.join(bad)} then {said}")
    checks = _long_checks(source, cell, named) if column == "value" else []
    plain = f"({source.number(names, Fraction(1))})::varchar"
    cases = checks + cases
    return f"case {' '.join(cases)} else {plain} end" if cases else plain


def _long_checks(source: Source, cell: str, named: str) -> list[str]:
    return [
        f"when lower({named}) in ({_low(shape.column)}) then {_checked(cell, shape.words)}"
        for shape in source.shape.measurements.values()
        if shape.words
    ]
