"""Rows of a database as typed columns."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from optimiser.errors import DatabaseError

_KINDS: Mapping[type, str] = {
    bool: "truth values",
    int: "whole numbers",
    float: "numbers",
    Decimal: "decimals",
    str: "texts",
    datetime: "times",
    date: "days",
    time: "times of day",
    UUID: "identifiers",
}
_SCALE = 12
"""Decimal places that a column of decimals has at least, so that its files have one type."""
_NUMBERS = ({int}, {float}, {Decimal}, {int, float}, {int, Decimal})
_EXACT = 2**53


def column(name: str, values: Sequence[Any], before: Any = None) -> Any:  # noqa: ANN401
    """Return the values of a column as an Arrow array.

    Parameters
    ----------
    name : str
    values : sequence
    before : pyarrow.DataType, optional
        Type of the same column in an earlier file; taken where no value says one.

    Returns
    -------
    pyarrow.Array

    Raises
    ------
    DatabaseError
        Bytes and documents, which are no results; kinds that do not go together; a number that no
        type holds exactly.
    """
    import pyarrow as pa

    kinds = {type(value) for value in values if value is not None}
    odd = next((kind for kind in kinds if kind not in _KINDS), None)
    if odd is not None:
        what = "bytes (BLOB)" if odd in (bytes, bytearray, memoryview) else odd.__name__
        msg = f"column {name!r} holds {what}, which is no result; leave it out: name the columns in a query"
        raise DatabaseError(msg)
    if len(kinds) > 1 and kinds not in _NUMBERS:
        both = " and ".join(sorted(_KINDS[kind] for kind in kinds))
        msg = f"column {name!r} holds {both}; cast it to one type in a query"
        raise DatabaseError(msg)
    try:
        return _array(values, kinds, before)
    except (pa.ArrowInvalid, OverflowError, ValueError) as error:
        msg = f"column {name!r}: {error}; cast it in a query, to double precision for instance"
        raise DatabaseError(msg) from None


def _array(values: Sequence[Any], kinds: set[type], before: Any) -> Any:  # noqa: ANN401
    import pyarrow as pa

    if not kinds:
        return pa.nulls(len(values), before or pa.string())
    if kinds == {UUID}:
        return pa.array([None if v is None else str(v) for v in values], pa.string())
    if Decimal in kinds:
        return _decimals(values)
    if kinds == {int, float}:
        if any(type(v) is int and abs(v) > _EXACT for v in values):
            msg = "a whole number beyond 2^53 stands among numbers with a fraction"
            raise ValueError(msg)
        values, kinds = [None if v is None else float(v) for v in values], {float}
    types = {
        bool: pa.bool_(),
        int: pa.int64(),
        float: pa.float64(),
        str: pa.string(),
        datetime: pa.timestamp("us", tz=_zone(values) if kinds == {datetime} else None),
        date: pa.date32(),
        time: pa.time64("us"),
    }
    (kind,) = kinds
    return pa.array(values, types[kind])


def _zone(values: Sequence[Any]) -> str | None:
    zoned = {v.tzinfo is not None for v in values if v is not None}
    if len(zoned) > 1:
        msg = "some times carry a zone and some do not"
        raise ValueError(msg)
    return "UTC" if zoned == {True} else None


def _decimals(values: Sequence[Any]) -> Any:  # noqa: ANN401
    import pyarrow as pa

    decimals = [None if v is None else Decimal(v) for v in values]
    if any(v is not None and not v.is_finite() for v in decimals):
        msg = "a decimal is no number (NaN) or infinite"
        raise ValueError(msg)
    places = (-int(v.as_tuple().exponent) for v in decimals if v is not None)
    return pa.array(decimals, pa.decimal128(38, max(_SCALE, *places)))
