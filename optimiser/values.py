"""Plain values: what JSON can hold, and the hash that stands for a text."""

import hashlib
import math
import re
from collections.abc import Mapping
from datetime import date
from typing import Any

# The horizon that every figure is told on: a month of production.
DAYS_PER_MONTH = 365.25 / 12
FORMULA = r"^[=+@\t\r]|^-[^0-9.]"
INFINITE = ("-inf", "-infinity")
_FORMULA = re.compile(FORMULA)


def finite_only(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    """Return a JSON value: infinities and NaN become None, tuples lists, days ISO 8601 text."""
    if isinstance(value, Mapping):
        return {k: finite_only(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [finite_only(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.isoformat() if isinstance(value, date) else value


def cell(text: str) -> str:
    """Return a text as a CSV cell that no spreadsheet takes for a formula.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        With an apostrophe before what would begin a formula; numbers stay numbers.

    Examples
    --------
    >>> cell("=1+1"), cell("-cmd"), cell("-1.5"), cell("U7")
    ("'=1+1", "'-cmd", '-1.5', 'U7')
    """
    return f"'{text}" if _is_formula(text) else text


def of_cell(cell: str) -> str:
    """Return the text that a cell stands for: `cell` undone."""
    return cell[1:] if cell.startswith("'") and _is_formula(cell[1:]) else cell


def _is_formula(text: str) -> bool:
    return bool(_FORMULA.match(text)) and text.casefold() not in INFINITE


def plain_unit(unit: object) -> str:
    """Return a unit without blanks around it, both micro signs written u."""
    return str(unit).strip().replace("µ", "u").replace("μ", "u")  # U+00B5, U+03BC


def hash_of(text: str) -> str:
    """Return the SHA-256 that stands for a text, in hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()
