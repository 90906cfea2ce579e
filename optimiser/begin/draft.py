"""The plant file that ``optimiser begin`` writes: every guess with what it rests on."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from optimiser.begin.recognise import OPEN, Recognised
from optimiser.intake.units import factor
from optimiser.plant.package import read_package

_HEAD = """\
# Written by `optimiser begin` from {files}. What stands behind # says what a guess rests
# on. Look at every line; "?" has to be decided. Paths are relative to this file.

[plant]
name = {name}
currency = "EUR"              # of every cost below: say yours
history = {history}
recipe = "recipe.csv"         # the limits the machines run now
{verdicts}
# Prices decide what is proposed: put in what these cost at your plant.
[review]
seconds_per_call = 30.0       # a person's time for one called item
cost_per_hour = 40.0          # of that person
miss_rate = 0.0               # share of called defects that the reviewer passes; 0: nobody knows yet
false_alarm_rate = 0.0        # share of called goods that the reviewer calls defects; 0: nobody knows yet

[escape_cost]
default = 50.0                # of one defect that no inspection caught

[escape_cost.by_defect]       # kinds that cost more or less
{defects}
"""
_MEASUREMENTS = """\
# unit; step = what a limit can be set in (without it any observed value); repeatability = standard
# deviation of measuring one item again (optimiser gauge finds it)
"""
_ONLY_CALLED = """\
only_called = true            # the export seems to hold called items alone: no limit is tightened
# inspected = "inspected.csv" # how many there were in all: lot, family, items
"""
_PLAIN = (
    *("files", "form", "delimiter", "decimal", "thousands", "encoding", "skip"),
    *("time_format", "time_zone", "parts_list"),
)
_FAMILIES = """\
# class = of the product, 1 to 3; critical = no known escape may be added, two signatures;
# [families."NAME".workmanship] MEASUREMENT = { lower = …, upper = … } = bounds a limit may never pass
"""


def plant_text(
    name: str,
    history: str,
    found: Sequence[Recognised],
    families: Mapping[str, int],
    defects: Mapping[str, int],
    *,
    verdicts: str | None,
    only_called: bool = False,
) -> str:
    """Return the text of a plant file.

    Parameters
    ----------
    name : str
        The plant's.
    history : str
        Where the export lies, relative to the plant file.
    found : sequence of Recognised
    families : mapping of str to int
        Items by family.
    defects : mapping of str to int
        Rows by type of defect.
    verdicts : str or None
        Where files of verdicts lie.
    only_called : bool
        Whether the export seems to hold called items alone.

    Returns
    -------
    str
        TOML.
    """
    files = sum(len(f.make.files) for f in found)
    told = f"verdicts = {_text(verdicts)}\n" if verdicts is not None else ""
    told += _ONLY_CALLED if only_called else ""
    prices = "".join(f"# {_key(d)} = 50.0   # {n:,} rows\n" for d, n in defects.items())
    units = plant_units(found)
    parts = [
        _HEAD.format(
            files=f"{files} file{'' if files == 1 else 's'}",
            name=_text(name),
            history=_text(history),
            verdicts=told,
            defects=prices or "# no type of defect was seen\n",
        ),
        _MEASUREMENTS,
        "[measurements]\n" + "".join(_measurement_line(n, u, found) for n, u in units.items()),
        *(_results_table(one, units) for one in found),
        _FAMILIES,
        *(_family_table(f, n) for f, n in families.items()),
    ]
    return "\n".join(parts)


def plant_units(found: Sequence[Recognised]) -> dict[str, str]:
    """Return the plant's measurements and their units: the first unit that files name."""
    units: dict[str, str] = {}
    for one in found:
        for name, table in one.measurements.items():
            if units.get(name, "1") == "1":
                units[name] = table["plant_unit"]
    return units


def _measurement_line(name: str, unit: str, found: Sequence[Recognised]) -> str:
    saw = next((o.saw[k] for o in found if (k := f"measurements.{name}") in o.saw), "")
    check = any(one.measurements.get(name, {}).get("words") for one in found)
    return (
        f"{_key(name)} = {{ unit = {_text(unit)}{', check = true' if check else ''} }}"
        + _comment(saw)
    )


def _comment(words: str) -> str:
    return f"  # {words}\n" if words else "\n"


def _results_table(one: Recognised, units: Mapping[str, str]) -> str:
    """Return the table of one make of files."""
    head = "verdict_files" if one.is_verdicts else "results"
    lines = [f"[{head}]\n" if one.is_verdicts else f"[[{head}]]\n"]
    lines += [
        f"{key} = {_value(one.shape[key])}" + _comment(_ask(one, key))
        for key in _PLAIN
        if key in one.shape
    ]
    lines.append(f"[{head}.columns]\n")
    lines += [
        f"{column} = {_value(names)}" + _comment(one.saw.get(f"columns.{column}", ""))
        for column, names in one.columns.items()
    ]
    if one.shape.get("constants"):
        lines.append(f"[{head}.constants]\n")
        lines += [f"{c} = {_text(v)}\n" for c, v in one.shape["constants"].items()]
    for column, table in one.shape.get("words", {}).items():
        lines.append(f"[{head}.words.{column}]" + _comment(one.saw.get(f"words.{column}", "")))
        lines += [f"{_key(word)} = {_value(alike)}\n" for word, alike in table.items()]
    lines += _measurement_tables(one, head, units)
    return "".join(lines)


def _measurement_tables(one: Recognised, head: str, units: Mapping[str, str]) -> Iterable[str]:
    for name, table in one.measurements.items():
        shown = {k: v for k, v in table.items() if k not in ("plant_unit", "words")}
        unit = table["plant_unit"]
        if unit != "1" and factor(unit, units[name]) is not None:
            shown["unit"] = unit
        words = "".join(f", words.{k} = {_value(v)}" for k, v in table.get("words", {}).items())
        inner = ", ".join(f"{k} = {_value(v)}" for k, v in shown.items())
        yield f"[{head}.measurements]\n" if name == next(iter(one.measurements)) else ""
        yield f"{_key(name)} = {{ {inner}{words} }}\n"


def _ask(one: Recognised, key: str) -> str:
    """Return what has to be decided, where a key stays open."""
    if one.shape[key] != OPEN:
        return ""
    return next((f"{o.why}: {o.edit}" for o in one.opens if o.key.endswith(key)), "decide")


def _family_table(family: str, items: int) -> str:
    package = read_package(family)
    said = f"{items:,} items"
    if package is not None:
        said += f"; reads as {package.family}" if package.family != family else ""
        said += f"; {package.doubt}" if package.doubt else ""
    termination = (
        f"termination = {_text(package.termination)}\n" if package and package.termination else ""
    )
    return f"[families.{_text(family)}]  # {said}\nclass = 2\n{termination}"


def _text(text: str) -> str:
    """Return a text as TOML has it; JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False)


def _key(text: str) -> str:
    bare = text.replace("_", "").replace("-", "")
    return text if bare.isascii() and bare.isalnum() else _text(text)


def _value(value: Any) -> str:  # noqa: ANN401 - any value of a shape
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, tuple):
        return _text(value[0]) if len(value) == 1 else f"[{', '.join(map(_text, value))}]"
    return str(value)
