"""What the columns of an export mean: a shape for its files, what was seen, what stays open.

Every guess is written into the plant file with what it rests on; what cannot be told from the files
stays open, named with the edit that decides it. Nothing is guessed that could move a time or turn
a verdict round.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb

from optimiser.begin import words
from optimiser.begin.look import Column, Make
from optimiser.intake.units import dimension_of
from optimiser.plant.shape import FILLED
from optimiser.sql import quoted, text_literal

OPEN = "?"
"""What stands in the plant file for what a person has to decide."""
_UNIT = re.compile(r"^(?P<name>.*?)[\s_]*[\[(](?P<unit>[^\])]*)[\])]$")
_UNIT_BEHIND = re.compile(
    r"^(?P<name>.+)[_\s](?P<unit>um|µm|mm|mil|mils|deg|pct|percent|nl|mm2|um2|mm3|um3)$",
    re.IGNORECASE,
)
_LIMIT_BEHIND = re.compile(
    r"^(?P<name>.+?)[\s_.\-]*(?P<side>lower\s?limit|upper\s?limit|lsl|usl|ll|ul|lower|upper|min|max|low|high|lo|hi|"
    r"untergrenze|obergrenze)$",
    re.IGNORECASE,
)
_LIMIT_BEFORE = re.compile(
    r"^(?P<side>lower|upper|lsl|usl|min|max)[\s_.\-]+(?P<name>.+)$", re.IGNORECASE
)
_SAID = words.BAD | words.GOOD | words.FALSE_CALL | words.NOTHING | words.YES | words.NO
_LONG = ("measurement", "value", "unit", "lower", "upper", "item")
_OFFSET = re.compile(r"(Z|[-+]\d{2}:?(\d{2})?)$")
_PLACES = {"x", "y", "z", "posx", "posy", "posz", "rot", "rotation", "theta"}
_NUMBERS = {"row", "rowno", "no", "nr", "index", "idx", "id", "imageid"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a person says beforehand.

    Attributes
    ----------
    time_zone : str or None
    day_first : bool or None
    stage : str or None
    takes : mapping of str to str
        By column of the export the contract's column or the measurement it is.
    parts_list : Path or None
        A CSV of designator, part, family and maybe product.
    """

    time_zone: str | None = None
    day_first: bool | None = None
    stage: str | None = None
    takes: Mapping[str, str] = field(default_factory=dict)
    parts_list: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """What a person has to decide: where it stands in the plant file, why, and the edit."""

    key: str
    why: str
    edit: str


@dataclass(slots=True, kw_only=True)
class Recognised:
    """How files of one make are to be read; filled while they are looked at.

    Attributes
    ----------
    make : Make
    shape : dict of str to Any
        The keys of a ``[[results]]`` table.
    measurements : dict of str to dict
        The keys of its tables ``[results.measurements.NAME]``, and ``plant_unit``.
    saw : dict of str to str
        By key what it rests on.
    opens : list of Open
    notes : list of str
        Guesses that a person should look at.
    """

    make: Make
    shape: dict[str, Any] = field(default_factory=dict)
    measurements: dict[str, dict[str, Any]] = field(default_factory=dict)
    saw: dict[str, str] = field(default_factory=dict)
    opens: list[Open] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def columns(self) -> dict[str, tuple[str, ...]]:
        """The contract's columns by their names in the files."""
        found: dict[str, tuple[str, ...]] = self.shape["columns"]
        return found

    @property
    def is_verdicts(self) -> bool:
        """Whether these are verdicts on items that other files hold."""
        return not self.measurements and "verdict" in self.columns and "called" not in self.columns


def plain_header(name: str) -> str:
    """Return a name as names are compared: no case, blanks, accents on capitals, punctuation or unit.

    Examples
    --------
    >>> plain_header("Serial No."), plain_header("Höhe [µm]")
    ('serialno', 'höhe')
    """
    bare, _ = split_header(name)
    return words.plain(bare)


def split_header(header: str) -> tuple[str, str | None]:
    """Return a header's name and its unit, None where it carries none.

    Examples
    --------
    >>> split_header("Fillet Height (um)"), split_header("offset_mm"), split_header("tilt")
    (('Fillet Height', 'um'), ('offset', 'mm'), ('tilt', None))
    """
    for pattern in (_UNIT, _UNIT_BEHIND):
        match = pattern.match(header.strip())
        if match and dimension_of(match["unit"]):
            return match["name"].strip(), match["unit"].strip()
    match = _UNIT.match(header.strip())
    return (match["name"].strip(), match["unit"].strip()) if match else (header.strip(), None)


def recognise(con: duckdb.DuckDBPyConnection, make: Make, answers: Answers) -> Recognised:
    """Say what the columns of some files mean.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        On which they were looked at.
    make : Make
    answers : Answers

    Returns
    -------
    Recognised
    """
    found = Recognised(make=make, shape={"files": make.pattern})
    _say_how_read(found)
    _take_columns(found, answers)
    _say_form(found, answers)
    _say_clock(con, found, answers)
    _say_words(con, found)
    _say_constants(found, answers)
    if found.shape.get("form") is not None:
        _name_long(con, found, answers)
    else:
        _name_wide(found, answers)
    _say_decimal(found)
    return found


def _say_how_read(found: Recognised) -> None:
    """Write down how cells are told apart, where it is not the plainest way."""
    read = found.make.read
    for key, usual in (("delimiter", ","), ("encoding", "utf-8"), ("skip", 0)):
        value = getattr(read, key)
        if value not in (usual, None):
            found.shape[key] = value


def _take_columns(found: Recognised, answers: Answers) -> None:
    """Find the contract's columns by their names, the first known name first."""
    named = [c for c in found.make.columns if c.filled]
    taken: dict[str, tuple[str, ...]] = {}
    said = {answers.takes[c.name]: c.name for c in named if c.name in answers.takes}
    for column, alike in words.COLUMNS.items():
        if column in said:
            taken[column] = (said[column],)
            continue
        order = list(alike)
        fits = [c for c in named if plain_header(c.name) in order and c.name not in answers.takes]
        fits.sort(key=lambda c: order.index(plain_header(c.name)))
        if column == "weight":
            fits = [c for c in fits if c.is_number and c.distinct <= 24]
        if column == "time":
            taken[column] = tuple(c.name for c in fits)
        elif fits:
            taken[column] = (fits[0].name,)
    found.shape["columns"] = _untangled(found, taken)


def _untangled(found: Recognised, taken: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """Drop what only looks like a column of the contract."""
    if "value" not in taken or "measurement" not in taken:
        taken = {c: names for c, names in taken.items() if c not in _LONG}
    kept: dict[str, tuple[str, ...]] = {}
    used: set[str] = set()
    for column, names in taken.items():
        free = tuple(n for n in names if n not in used or column in ("called", "verdict"))
        if free and (column not in ("called", "verdict") or _speaks(found.make.column(free[0]))):
            kept[column] = free
            used |= set(free)
    if "called" in kept and "verdict" not in kept:
        said = {words.plain(w) for w in found.make.column(kept["called"][0]).words}
        if said & words.FALSE_CALL:
            # One column says both: what the machine called, and what review made of it.
            kept["verdict"] = kept["called"]
    return kept


def _speaks(column: Column) -> bool:
    """Return whether most of a column's cells are words of a verdict or a call."""
    known = _SAID
    told = sum(n for w, n in column.words.items() if not words.plain(w) or words.plain(w) in known)
    return bool(column.words) and told >= 0.5 * sum(column.words.values())


def _say_form(found: Recognised, answers: Answers) -> None:
    if found.make.read.form == "messages":
        found.shape["form"] = "messages"
        found.columns.clear()
        if answers.parts_list is None:
            found.columns["family"] = ("part",)
            found.notes.append(
                "messages name the part of called items alone: give a list of parts (--parts FILE: "
                "designator, part, family, maybe product), or items that passed have no family"
            )
    elif "measurement" in found.columns:
        found.shape["form"] = "measurements"


def _say_clock(con: duckdb.DuckDBPyConnection, found: Recognised, answers: Answers) -> None:
    """Find the time's columns, its format, and whether it carries its offset."""
    if found.shape.get("form") == "messages":
        found.shape["time_zone"] = "as written"
        return
    names = found.columns.get("time", ())
    clocks = _clock(con, [found.make.column(n) for n in names], answers.day_first)
    if not clocks:
        found.columns.pop("time", None)
        if not found.is_verdicts:
            found.opens.append(
                Open(
                    key="results.columns.time", why="no column holds times", edit='time = "COLUMN"'
                )
            )
        found.shape["time_zone"] = answers.time_zone or "UTC"
        return
    used, formats = clocks
    found.columns["time"] = used
    first = found.make.column(used[0])
    found.saw["columns.time"] = f"e.g. {' '.join(found.make.column(n).examples[0] for n in used)}"
    if len(formats) > 1:
        found.shape["time_format"] = OPEN
        why = f"the times read both ways: {' and '.join(str(f) for f in formats)} ({first.examples[0]})"
        edit = f"time_format = {str(formats[0])!r} or {str(formats[1])!r}; or --day-first, --month-first"
        found.opens.append(Open(key="results.time_format", why=why, edit=edit))
    elif formats[0] is not None:
        found.shape["time_format"] = formats[0]
    carries = first.kind == "TIMESTAMP WITH TIME ZONE" or (
        len(used) == 1 and all(_OFFSET.search(x[10:]) for x in first.sample)
    )
    found.shape["time_zone"] = "as written" if carries else answers.time_zone or OPEN
    if found.shape["time_zone"] == OPEN:
        example = " ".join(found.make.column(n).examples[0] for n in used)
        why = f"the times carry no offset from UTC ({example}); nobody can tell from the files"
        edit = 'time_zone = "Europe/Berlin" or "UTC"; or --time-zone'
        found.opens.append(Open(key="results.time_zone", why=why, edit=edit))


def _clock(
    con: duckdb.DuckDBPyConnection, candidates: Sequence[Column], day_first: bool | None
) -> tuple[tuple[str, ...], list[str | None]] | None:
    """Return which columns make the time, and the formats that read all of it."""
    for column in candidates:
        formats = _formats(con, column.sample, day_first)
        if (
            formats
            and column.kind not in ("DATE", "TIME")
            and _has_hours(con, column.sample, formats[0])
        ):
            return (column.name,), formats
    for one in candidates:
        for other in candidates:
            joined = [f"{d} {t}" for d, t in zip(one.sample, other.sample, strict=False)]
            formats = _formats(con, joined, day_first) if one is not other and joined else []
            if formats:
                return (one.name, other.name), formats
    for column in candidates:
        formats = _formats(con, column.sample, day_first)
        if formats:
            return (column.name,), formats
    return None


def _formats(
    con: duckdb.DuckDBPyConnection, sample: Sequence[str], day_first: bool | None
) -> list[str | None]:
    """Return the formats that read every cell of a sample; None is ISO 8601."""
    if not sample:
        return []
    listed = ", ".join(f"({text_literal(x)})" for x in sample)
    tries = [
        f for f in words.TIME_FORMATS if day_first is None or not _turned(f, day_first=day_first)
    ]
    tests = [
        "count(try_cast(x as timestamp))",
        *(f"count(try_strptime(x, {text_literal(f)}))" for f in tries),
    ]
    counts = con.execute(f"select {', '.join(tests)} from (values {listed}) t(x)").fetchone() or ()
    known: list[str | None] = [None, *tries]
    fits = [f for f, n in zip(known, counts, strict=True) if n == len(sample)]
    return fits[:1] if fits and fits[0] is None else fits


def _turned(pattern: str, *, day_first: bool) -> bool:
    """Return whether a format has day and month the other way round."""
    return pattern.startswith(("%m/", "%m-") if day_first else ("%d/", "%d-%m"))


def _has_hours(con: duckdb.DuckDBPyConnection, sample: Sequence[str], pattern: str | None) -> bool:
    """Return whether any time of a sample is not midnight."""
    listed = ", ".join(f"({text_literal(x)})" for x in sample)
    read = f"try_strptime(x, {text_literal(pattern)})" if pattern else "try_cast(x as timestamp)"
    (n,) = con.execute(
        f"select count(*) from (values {listed}) t(x) where {read}::time <> time '00:00'"
    ).fetchone() or (0,)
    return bool(n)


def _all_words(con: duckdb.DuckDBPyConnection, found: Recognised, name: str) -> dict[str, int]:
    """Return every word of a column in all rows, commonest first."""
    cell = f"nullif(trim({quoted(name)}::varchar), '')"
    rows = con.execute(
        f"""select {cell}, count(*) from {found.make.scan} where {cell} is not null
            group by 1 order by 2 desc, 1 limit 1000"""
    ).fetchall()
    return {str(w): int(n) for w, n in rows}


def _say_words(con: duckdb.DuckDBPyConnection, found: Recognised) -> None:
    """Sort the words of calls, verdicts, stages and finders under the contract's."""
    table: dict[str, dict[str, tuple[str, ...]]] = {}
    if found.shape.get("form") == "messages":
        table["stage"] = {"post-reflow": ("AOI", "AXI"), "paste": ("SPI",)}
        found.shape["words"] = table
        return
    both = found.columns.get("called") == found.columns.get("verdict")
    for column in ("called", "verdict", "stage", "found_by"):
        for name in found.columns.get(column, ()):
            spoken = _all_words(con, found, name)
            found.saw[f"words.{column}"] = ", ".join(
                f"{w} {n:,}" for w, n in list(spoken.items())[:8]
            )
            table[column] = _sorted_words(found, column, spoken, both=both)
    _doubt_verdicts(found, table, both=both)
    found.shape["words"] = {c: w for c, w in table.items() if w}


def _doubt_verdicts(
    found: Recognised, table: Mapping[str, Mapping[str, Sequence[str]]], *, both: bool
) -> None:
    """Say where verdicts stand beside most items: then good may only repeat the machine's pass."""
    for name in found.columns.get("verdict", ()):
        filled = found.make.column(name).filled
        if (
            not both
            and not found.is_verdicts
            and filled > 0.5 * found.make.rows
            and "good" in table.get("verdict", {})
        ):
            found.notes.append(
                f"{filled:,} of {found.make.rows:,} rows have a verdict in {name!r}: if it says good of items "
                'that nobody looked at, move that word to "" under words.verdict'
            )


def _sorted_words(
    found: Recognised, column: str, spoken: Mapping[str, int], *, both: bool
) -> dict[str, tuple[str, ...]]:
    """Return the words of a column under the contract's; what is not known stays open."""
    known = _meanings(column, both=both)
    table: dict[str, list[str]] = {}
    for word in spoken:
        meaning = next((m for m, alike in known.items() if words.plain(word) in alike), None)
        if meaning is None and word not in known:
            edit = f'put {word!r} under one of {", ".join(repr(m) for m in known if m)}, or under "" for nothing'
            found.opens.append(
                Open(
                    key=f"results.words.{column}",
                    why=f"{word!r} ({spoken[word]:,} rows) is not known",
                    edit=edit,
                )
            )
        elif meaning is not None and word != meaning:
            table.setdefault(meaning, []).append(word)
    return {meaning: tuple(alike) for meaning, alike in table.items()}


def _meanings(column: str, *, both: bool) -> dict[str, frozenset[str]]:
    """Return the contract's words of a column, and the plain words that mean each."""
    bad, good, false = words.BAD, words.GOOD, words.FALSE_CALL
    nothing = words.NOTHING
    if column == "called":
        return {
            "true": bad | false | words.YES,
            "false": good | words.NO,
            "": nothing,
        }
    if column == "verdict":
        return {
            "defect": bad,
            "good": false if both else false | good,
            "": nothing | (good if both else frozenset()),
        }
    known = words.STAGES if column == "stage" else words.FINDERS
    return {m: frozenset(alike) for m, alike in known.items()} | {"": nothing}


def _say_constants(found: Recognised, answers: Answers) -> None:
    """Fill what no column holds and may be the same everywhere."""
    if found.shape.get("form") == "messages":
        return
    constants = _finder(found)
    found.shape["constants"] = constants
    if found.is_verdicts:
        return
    if "stage" not in found.columns:
        constants["stage"] = answers.stage or _stage_of(found)
        if answers.stage is None:
            found.notes.append(f"no column says the stage; taken to be {constants['stage']}")
    if "product" not in found.columns:
        constants["product"] = "product"
        found.notes.append('no column says the product; all are called "product"')
    for column in ("board", "designator"):
        if column not in found.columns:
            _ask_for(found, column, f"no column seems to hold the {column}")
    _say_family(found, answers)


def _finder(found: Recognised) -> dict[str, str]:
    """Return who gave the verdicts, where no column says so."""
    if "verdict" not in found.columns or "found_by" in found.columns:
        return {}
    found.notes.append("verdicts are taken to be the review's (constants.found_by)")
    return {"found_by": "review"}


def _stage_of(found: Recognised) -> str:
    """Return the stage that the names of the columns speak of."""
    named = [plain_header(c.name) for c in found.make.columns]
    return "paste" if any(p in n for n in named for p in words.PASTE) else "post-reflow"


def _say_family(found: Recognised, answers: Answers) -> None:
    """Take the part for the family where nothing says the family."""
    if "family" in found.columns or answers.parts_list is not None:
        return
    if "part" not in found.columns:
        _ask_for(found, "family", "no column seems to hold the component family, package or part")
        return
    found.columns["family"] = found.columns["part"]
    found.notes.append("no column says the family or package; each part number is one of its own")


def _ask_for(found: Recognised, column: str, why: str) -> None:
    edit = f'{column} = "COLUMN"; or --take COLUMN={column}'
    found.opens.append(Open(key=f"results.columns.{column}", why=why, edit=edit))


def measurement_name(header: str) -> str:
    """Return a measurement's name from a header.

    Examples
    --------
    >>> measurement_name("Fillet Height (um)"), measurement_name("offsetX")
    ('fillet_height', 'offset_x')
    """
    bare, _ = split_header(header)
    split = re.sub(r"(?<=[a-zäöü0-9])(?=[A-ZÄÖÜ])", "_", bare)
    name = re.sub(r"\W+", "_", split.casefold()).strip("_") or "measurement"
    return f"{name}_value" if name in FILLED or name in ("file", "row") else name


def _name_wide(found: Recognised, answers: Answers) -> None:
    """Take the columns of numbers that are left as measurements, and their limits."""
    used = {n for names in found.columns.values() for n in names}
    left = [c for c in found.make.columns if c.name not in used and c.filled]
    numbers = [c for c in left if c.is_number]
    bases = {plain_header(c.name): c for c in numbers}
    limits = {c.name: m for c in left if (m := _limit_of(c.name, bases))}
    for column in numbers:
        if column.name in limits or _is_no_measurement(column, answers):
            continue
        name = answers.takes.get(column.name) or measurement_name(column.name)
        table: dict[str, Any] = {
            "column": (column.name,),
            "plant_unit": split_header(column.name)[1] or "1",
        }
        for side in ("lower", "upper"):
            of = [
                c
                for c, (base, s) in limits.items()
                if base == plain_header(column.name) and s == side
            ]
            if of:
                table[side] = of[0]
        found.measurements[name] = table
        found.saw[f"measurements.{name}"] = _range(column)
    for column in left:
        if not column.is_number and column.name not in limits and _is_check(column):
            name = answers.takes.get(column.name) or measurement_name(column.name)
            sorted_words = {
                said: tuple(w for w in column.words if words.plain(w) in alike)
                for said, alike in (
                    ("pass", words.GOOD | words.YES),
                    ("fail", words.BAD | words.NO),
                )
            }
            found.measurements[name] = {
                "column": (column.name,),
                "plant_unit": "1",
                "words": sorted_words,
            }
            found.saw[f"measurements.{name}"] = ", ".join(
                f"{w} {n:,}" for w, n in column.words.items()
            )


def _range(column: Column) -> str:
    unit = split_header(column.name)[1]
    blank = (
        f", blank in {column.rows - column.filled:,} of {column.rows:,}"
        if column.filled < column.rows
        else ""
    )
    return (
        f"{column.distinct:,} values, e.g. {', '.join(column.examples)}"
        + (f" {unit}" if unit else "; no unit in the header")
        + blank
    )


def _is_no_measurement(column: Column, answers: Answers) -> bool:
    """Return whether a column of numbers is a coordinate, a running number, or always the same."""
    if column.name in answers.takes:
        return answers.takes[column.name] in FILLED
    running = column.is_whole and column.distinct > 0.9 * column.filled and column.filled > 50
    return plain_header(column.name) in _PLACES | _NUMBERS or running or column.distinct < 2


def _is_check(column: Column) -> bool:
    """Return whether a column says pass or fail of something that was checked."""
    good, bad = words.GOOD | words.YES, words.BAD | words.NO
    known = {words.plain(w) for w in column.words}
    return bool(known) and known <= good | bad and bool(known & good) and bool(known & bad)


def _limit_of(header: str, bases: Mapping[str, Column]) -> tuple[str, str] | None:
    """Return which column's limit a header names, and the side."""
    bare, _ = split_header(header)
    for pattern in (_LIMIT_BEHIND, _LIMIT_BEFORE):
        match = pattern.match(bare)
        if match is None or plain_header(match["name"]) not in bases:
            continue
        side = match["side"].casefold()
        lower = side.startswith(("lo", "ls", "ll", "mi", "unter"))
        return plain_header(match["name"]), "lower" if lower else "upper"
    return None


def _name_long(con: duckdb.DuckDBPyConnection, found: Recognised, answers: Answers) -> None:
    """Take the words of the long form's measurement column as measurements."""
    messages = found.shape["form"] == "messages"
    name = "measurement" if messages else found.columns["measurement"][0]
    unit = ("unit",) if messages else found.columns.get("unit", ())
    said = f"nullif(trim({quoted(unit[0])}::varchar), '')" if unit else "null"
    rows = con.execute(
        f"""select nullif(trim({quoted(name)}::varchar), '') as word, mode({said}), count(*) from {found.make.scan}
            where word is not null group by 1 order by 3 desc limit 500"""
    ).fetchall()
    for word, unit_said, number in rows:
        bare, in_header = split_header(str(word))
        known = answers.takes.get(str(word)) or measurement_name(str(word))
        found.measurements[known] = {
            "column": (str(word),),
            "plant_unit": str(unit_said or in_header or "1"),
        }
        found.saw[f"measurements.{known}"] = f"{number:,} rows" + (
            f", {unit_said}" if unit_said else f" ({bare})"
        )


def _say_decimal(found: Recognised) -> None:
    """Say where numbers have a decimal comma."""
    names = {n for m in found.measurements.values() for n in m["column"]}
    if found.shape.get("form") == "measurements":
        names = set(found.columns.get("value", ()))
    columns = [c for c in found.make.columns if c.name in names]
    if any(c.commas > c.numbers for c in columns):
        found.shape["decimal"] = ","
        if any("." in e for c in columns for e in c.sample):
            found.shape["thousands"] = "."
