"""Plain values: what JSON can hold, and the hash that stands for a text."""

import hashlib
import math
from collections.abc import Mapping
from datetime import date
from typing import Any


def finite_only(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    """Return a JSON value: infinities and NaN become None, tuples lists, days ISO 8601 text."""
    if isinstance(value, Mapping):
        return {k: finite_only(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [finite_only(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.isoformat() if isinstance(value, date) else value


def plain_unit(unit: object) -> str:
    """Return a unit without blanks around it, both micro signs written u."""
    return str(unit).strip().replace("µ", "u").replace("μ", "u")  # U+00B5, U+03BC


def hash_of(text: str) -> str:
    """Return the SHA-256 that stands for a text, in hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()
