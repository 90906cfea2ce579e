"""Units that measurements come in, and exact factors between them.

A table of fractions and not a library of units: in this trade a mil is a thousandth of an inch
and never a thousandth of one, and a value in mm must become the same float32 as the one that the
machine next to it writes in um.
"""

import math
import re
from fractions import Fraction

from optimiser.values import plain_unit

_INCH = Fraction(254, 10_000)
# By dimension, in its SI unit. The international inch is 25.4 mm exactly (ISO 80000-3).
_LENGTH = {
    "nm": Fraction(1, 10**9),
    "um": Fraction(1, 10**6),
    "micron": Fraction(1, 10**6),
    "mm": Fraction(1, 1000),
    "cm": Fraction(1, 100),
    "m": Fraction(1),
    "mil": _INCH / 1000,
    "mils": _INCH / 1000,
    "thou": _INCH / 1000,
    "in": _INCH,
    "inch": _INCH,
}
_TABLE: dict[str, dict[str, Fraction]] = {
    "length": _LENGTH,
    "area": {f"{name}2": f**2 for name, f in _LENGTH.items()},
    "volume": {f"{name}3": f**3 for name, f in _LENGTH.items()}
    | {"ml": Fraction(1, 10**6), "ul": Fraction(1, 10**9), "nl": Fraction(1, 10**12)},
    "angle": {
        "deg": Fraction(1),
        "degree": Fraction(1),
        "degrees": Fraction(1),
        "°": Fraction(1),
        "rad": Fraction(180 / math.pi),
        "mrad": Fraction(180 / math.pi) / 1000,
    },
    "share": {
        "%": Fraction(1, 100),
        "percent": Fraction(1, 100),
        "pct": Fraction(1, 100),
        "1": Fraction(1),
        "ratio": Fraction(1),
        "ppm": Fraction(1, 10**6),
    },
    "time": {"s": Fraction(1), "ms": Fraction(1, 1000), "us": Fraction(1, 10**6)},
    "electric potential": {
        "v": Fraction(1),
        "mv": Fraction(1, 1000),
        "kv": Fraction(1000),
        "megv": Fraction(10**6),
    },
    "electric resistance": {
        "ohm": Fraction(1),
        "mohm": Fraction(1, 1000),
        "kohm": Fraction(1000),
        "megohm": Fraction(10**6),
    },
    "mass": {"mg": Fraction(1, 1000), "g": Fraction(1), "kg": Fraction(1000)},
    "force": {
        "n": Fraction(1),
        "mn": Fraction(1, 1000),
        "cn": Fraction(1, 100),
        "megn": Fraction(10**6),
    },
}
_POWERS = str.maketrans({"²": "2", "³": "3"})
_POWER = re.compile(r"\^|\*\*")


def _plain(unit: str) -> str:
    """Return a unit as the table has it: powers as digits, small letters."""
    plain = _POWER.sub("", plain_unit(unit).translate(_POWERS)).replace("Ω", "ohm")
    # Only these have both a milli and a mega that plants use; elsewhere case means nothing.
    mega = plain[:1] == "M" and plain[1:].casefold() in ("ohm", "n", "v")
    return f"meg{plain[1:]}".casefold() if mega else plain.casefold()


def dimension_of(unit: str) -> str | None:
    """Return what a unit measures, None for one that is not in the table.

    Examples
    --------
    >>> dimension_of("µm"), dimension_of("mm^2"), dimension_of("furlong")
    ('length', 'area', None)
    """
    plain = _plain(unit)
    return next((name for name, units in _TABLE.items() if plain in units), None)


def factor(unit: str, into: str) -> Fraction | None:
    """Return what a value in one unit is multiplied with to be in another.

    Parameters
    ----------
    unit, into : str

    Returns
    -------
    Fraction or None
        1 for one unit under two spellings; None where they do not measure the same.

    Examples
    --------
    >>> factor("mm", "um"), factor("mil", "mm"), factor("um", "deg")
    (Fraction(1000, 1), Fraction(127, 5000), None)
    """
    if plain_unit(unit) == plain_unit(into):
        return Fraction(1)
    dimension = dimension_of(unit)
    if dimension is None or dimension != dimension_of(into):
        return None
    units = _TABLE[dimension]
    return units[_plain(unit)] / units[_plain(into)]


def scaled(value: str, by: Fraction) -> str:
    """Return SQL of a value times a fraction.

    Divided where the factor is one over a whole number: then a whole number of um is in mm the very
    double that its text in mm reads as, and any other the same float32.
    """
    if by == 1:
        return value
    if by.denominator == 1:
        return f"{value} * {by.numerator}"
    if max(by.numerator, by.denominator) >= 2**53:
        return f"{value} * {float(by)!r}"
    product = value if by.numerator == 1 else f"{value} * {by.numerator}"
    return f"{product} / {by.denominator}::double"
