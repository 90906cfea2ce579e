"""What one measurement of a message says: names, values, units and limits.

Kinds, fields and their units: IPC-2591, `CFX.Structures` (SDK at 880255d, Apache-2.0).
"""

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, NamedTuple

from optimiser.intake.refused import WrongError, list_of, record_of, shown, text_of
from optimiser.intake.units import factor
from optimiser.values import plain_unit

_OFFSETS = {"DX": "mm", "DY": "mm", "DZ": "mm", "RXY": "deg", "RZX": "deg", "RZY": "deg"}
_PASTE = (
    dict.fromkeys(("X", "EX", "Y", "EY", "Z", "EZ", "DX", "DY", "PX", "PY"), "mm")
    | dict.fromkeys(("Vol", "EVol"), "ml")
    | dict.fromkeys(("A", "EA"), "mm2")
    | {"RXY": "deg", "AR": "1"}
)
# Before 1.3 a deposit's sizes were numbers with limits of their own.
_PASTE_BEFORE = (
    *("PasteXSize", "PasteYSize", "PasteXOffset", "PasteYOffset", "PasteHeight", "PasteVolume"),
)


class Reading(NamedTuple):
    """One value: numbers as text, limits in the value's own unit."""

    name: str
    value: str | None
    unit: str | None = None
    lower: str | None = None
    upper: str | None = None
    outside: bool = False


def readings_of(node: Mapping[str, Any], otherwise: str | None) -> list[Reading]:
    """Return what a measurement says.

    Parameters
    ----------
    node : mapping
    otherwise : str or None
        Its name where it has none of its own.

    Returns
    -------
    list of Reading
        Several of an offset and of a deposit: one per field that is filled.

    Raises
    ------
    WrongError
        If its kind is unknown, a value is no number, or limits contradict each other or cannot be
        told in the value's unit.
    """
    kind = _kind_of(node)
    if kind == "OffsetMeasurement":
        return _fields(node, _OFFSETS)
    if kind == "SolderPasteMeasurement":
        before = [
            _numeric(record_of(node[f], f), f) for f in _PASTE_BEFORE if node.get(f) is not None
        ]
        return before + _fields(node, _PASTE)
    name = text_of(node, "MeasurementName") or otherwise
    if name is None:
        msg = "neither the measurement nor its inspection has a name"
        raise WrongError(msg)
    if kind == "NumericMeasurement":
        value = node.get("MeasuredValue")
        blank = Reading(name, None)
        return [blank if value is None else _numeric(record_of(value, "MeasuredValue"), name)]
    return [Reading(name, _flag(node) if kind == "BooleanMeasurement" else text_of(node, "Value"))]


def _flag(node: Mapping[str, Any]) -> str | None:
    """Return true or false as text."""
    value = node.get("Value")
    if value is not None and not isinstance(value, bool):
        msg = f"Value is neither true nor false, got {shown(value)}"
        raise WrongError(msg)
    return None if value is None else str(value).lower()


def _kind_of(node: Mapping[str, Any]) -> str:
    """Return the kind by its type, or by the fields that only one kind has."""
    said = text_of(node, "$type")
    if said is not None:
        kind = said.partition(",")[0].rpartition(".")[2].strip()
    elif "MeasuredValue" in node:
        kind = "NumericMeasurement"
    elif "RZX" in node:
        kind = "OffsetMeasurement"
    elif {"Vol", *_PASTE_BEFORE} & node.keys():
        kind = "SolderPasteMeasurement"
    else:
        value = node.get("Value")
        kind = "BooleanMeasurement" if isinstance(value, bool) else "TextMeasurement"
        kind = "without $type" if "Value" not in node else kind
    if kind not in _KINDS:
        msg = f"a measurement of a kind that is not known, got {kind!r}"
        raise WrongError(msg)
    return kind


_KINDS = (
    "NumericMeasurement",
    "BooleanMeasurement",
    "TextMeasurement",
    "OffsetMeasurement",
    "SolderPasteMeasurement",
)


def _number(node: Mapping[str, Any], key: str) -> float | None:
    """Return a finite number; None where it is absent or null."""
    value = node.get(key)
    if value is None:
        return None
    try:
        good = isinstance(value, int | float) and not isinstance(value, bool)
        if good and math.isfinite(float(value)):
            return float(value)
    except OverflowError:
        pass
    msg = f"{key} is no finite number, got {shown(value)}"
    raise WrongError(msg)


def _fields(node: Mapping[str, Any], units: Mapping[str, str]) -> list[Reading]:
    found = ((name, _number(node, name), unit) for name, unit in units.items())
    return [Reading(name, repr(x), unit) for name, x, unit in found if x is not None]


def _numeric(node: Mapping[str, Any], name: str) -> Reading:
    """Return a number with its limits in its own unit."""
    value, unit = _number(node, "Value"), text_of(node, "ValueUnits")
    low, high = _limits(node, unit)
    if low is not None and high is not None and low > high:
        msg = (
            f"MinimumAcceptableValue {float(low):g} is larger than MaximumAcceptableValue "
            f"{float(high):g}"
        )
        raise WrongError(msg)
    x = None if value is None else Fraction(repr(value))
    outside = x is not None and ((low is not None and x < low) or (high is not None and x > high))
    said = None if value is None else repr(value)
    return Reading(name, said, unit, _plain(low), _plain(high), outside)


def _plain(x: Fraction | None) -> str | None:
    return None if x is None else repr(float(x))


def _limits(node: Mapping[str, Any], unit: str | None) -> tuple[Fraction | None, Fraction | None]:
    """Return the limits in the unit of the value."""
    lower, upper = (_number(node, f"{side}AcceptableValue") for side in ("Minimum", "Maximum"))
    said = [text_of(node, f"{side}AcceptableValueUnits") for side in ("Minimum", "Maximum")]
    bare = [x for x, u in ((lower, said[0]), (upper, said[1])) if x is not None and u is None]
    implied = _implied(node, unit, lower, upper, said) if bare else None
    low, high = (
        None if x is None else _in_unit(x, u or implied, unit)
        for x, u in ((lower, said[0]), (upper, said[1]))
    )
    return low, high


def _implied(
    node: Mapping[str, Any],
    unit: str | None,
    lower: float | None,
    upper: float | None,
    said: list[str | None],
) -> str | None:
    """Return the unit of limits that say none: the value's, or the expected value's.

    Before 2.0 limits had no unit of their own. Where value and expectation differ in theirs, that
    one is meant in which the expected value lies between the limits; where it does in neither or in
    both, nobody can tell.
    """
    expected, other = _number(node, "ExpectedValue"), text_of(node, "ExpectedValueUnits")
    if other is None or (unit is not None and plain_unit(other) == plain_unit(unit)):
        return unit
    if unit is None:
        return other
    fits = []
    for one in (unit, other):
        low, high = (
            None if x is None else _in_unit(x, u or one, unit)
            for x, u in ((lower, said[0]), (upper, said[1]))
        )
        middle = None if expected is None else _in_unit(expected, other, unit)
        above = middle is not None and (low is None or low <= middle)
        if above and middle is not None and (high is None or middle <= high):
            fits.append(one)
    if len(fits) == 1:
        return fits[0]
    msg = f"its limits say no unit and may be in {unit!r} or in {other!r}"
    raise WrongError(msg)


def _in_unit(x: float, unit: str | None, into: str | None) -> Fraction:
    """Return a number in another unit, exactly."""
    exact = Fraction(repr(x))
    if unit is None or unit == into:
        return exact
    by = None if into is None else factor(unit, into)
    if by is None:
        msg = f"a limit in {unit!r} cannot be told in the value's unit {into!r}"
        raise WrongError(msg)
    return exact * by


class Place(NamedTuple):
    """What on a board an item is."""

    designator: str
    pin: str | None


def place_of(name: str | None) -> Place | None:
    """Return designator and pin of a reference designator.

    Examples
    --------
    >>> place_of("U2.11"), place_of("C34"), place_of("U2.1,2")
    (Place(designator='U2', pin='11'), Place(designator='C34', pin=None), Place(designator='U2', pin='1,2'))
    """
    designator, _, pin = (name or "").strip().partition(".")
    return Place(designator.strip(), pin.strip() or None) if designator.strip() else None


def place_of_measurement(node: Mapping[str, Any]) -> Place | None:
    """Return the place that a measurement names itself: a text, or a list of them.

    Raises
    ------
    WrongError
        If it names it by anything else.
    """
    listed = node.get("CRDs")
    if isinstance(listed, list):
        if not all(isinstance(one, str) for one in listed):
            msg = f"CRDs is no list of texts, got {shown(listed)}"
            raise WrongError(msg)
        return place_of(",".join(listed))
    found = text_of(node, "CRDs") or text_of(node, "ComponentPad")
    if found is None:
        parts = [record_of(c, "Components") for c in list_of(node, "Components")]
        found = ",".join(filter(None, (text_of(c, "ReferenceDesignator") for c in parts)))
    return place_of(found)
