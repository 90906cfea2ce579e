"""Tallies as bytes and back: the same to the last bit, and nothing in them can be run."""

import io
import json
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from optimiser.tally.count import Cells, Defects, FamilyTally, Misread
from optimiser.tally.grid import Grid, GridLimit
from optimiser.tally.rails import Stop

_ALIGNED = 16
_ARRAYS = ("values", "z")
_STOPS = ("loose", "tight")
Fields = dict[str, Any]


class _Pack:
    """Arrays laid one behind the other, each known by its number."""

    def __init__(self) -> None:
        self.table: list[tuple[str, tuple[int, ...], int]] = []
        self._parts: list[bytes] = []
        self._end = 0

    def put(self, array: NDArray[Any]) -> int:
        """Add an array and return its number."""
        self.table.append((array.dtype.str, array.shape, self._end))
        content = np.ascontiguousarray(array).tobytes()
        content += bytes(-len(content) % _ALIGNED)
        self._parts.append(content)
        self._end += len(content)
        return len(self.table) - 1

    def content(self) -> bytes:
        """Return all arrays."""
        return b"".join(self._parts)


class _Unpack:
    """What `_Pack` laid down."""

    def __init__(self, table: list[list[Any]], content: bytearray) -> None:
        self._table, self._content = table, content

    def get(self, number: int) -> NDArray[Any]:
        """Return an array; nobody else has its bytes."""
        dtype, shape, start = self._table[number]
        count = int(np.prod(shape, dtype=np.int64))
        flat = np.frombuffer(self._content, dtype=np.dtype(dtype), count=count, offset=start)
        return flat.reshape(shape)


def pack(tallies: Mapping[str, Mapping[str, FamilyTally]]) -> bytes:
    """Return groups of tallies as bytes.

    Parameters
    ----------
    tallies : mapping of group to mapping of family to FamilyTally

    Returns
    -------
    bytes
        Plain arrays, tables and texts.
    """
    arrays = _Pack()
    tree = {name: [_plain(t, arrays) for t in group.values()] for name, group in tallies.items()}
    head = json.dumps({"tree": tree, "arrays": arrays.table}).encode()
    return len(head).to_bytes(8, "little") + head + arrays.content()


def unpack(content: bytes) -> dict[str, dict[str, FamilyTally]]:
    """Return what `pack` was given; the content is to be trusted.

    Parameters
    ----------
    content : bytes

    Returns
    -------
    dict of group to dict of family to FamilyTally

    Raises
    ------
    ValueError
        If the content is no pack.
    """
    size = int.from_bytes(content[:8], "little")
    try:
        head = json.loads(content[8 : 8 + size])
        arrays = _Unpack(head["arrays"], bytearray(content[8 + size :]))
        tallies = {n: [_tally(t, arrays) for t in group] for n, group in head["tree"].items()}
    except (KeyError, TypeError, IndexError, AttributeError, pa.ArrowException) as error:
        msg = f"no tallies ({type(error).__name__}: {error})"
        raise ValueError(msg) from error
    return {name: {t.family: t for t in group} for name, group in tallies.items()}


def _plain(tally: FamilyTally, arrays: _Pack) -> Fields:
    """Return a tally as plain values, its arrays as numbers."""
    defects = {f.name: getattr(tally.defects, f.name) for f in fields(Defects)}
    return {
        "family": tally.family,
        "scopes": tally.scopes,
        "lots": tally.lots,
        "looked_again": tally.looked_again,
        "misread": {f.name: arrays.put(getattr(tally.misread, f.name)) for f in fields(Misread)},
        "grid": [_plain_limit(limit, arrays) for limit in tally.grid.limits],
        "cells": {f.name: arrays.put(getattr(tally.cells, f.name)) for f in fields(Cells)},
        "defects": {
            name: arrays.put(_bytes_of(value) if name == "frame" else value)
            for name, value in defects.items()
        },
    }


def _plain_limit(limit: GridLimit, arrays: _Pack) -> Fields:
    found: Fields = {f.name: getattr(limit, f.name) for f in fields(GridLimit)}
    found |= {name: arrays.put(found[name]) for name in _ARRAYS}
    return found | {n: [[s.rail, s.z, s.reason] for s in found[n]] for n in _STOPS}


def _bytes_of(frame: pd.DataFrame) -> NDArray[np.uint8]:
    """Return a table as Arrow writes it."""
    table, target = pa.Table.from_pandas(frame), io.BytesIO()
    with pa.ipc.new_stream(target, table.schema) as stream:
        stream.write_table(table)
    return np.frombuffer(target.getvalue(), dtype=np.uint8)


def _tally(plain: Fields, arrays: _Unpack) -> FamilyTally:
    """Return a tally from plain values."""
    family, defects = plain["family"], {n: arrays.get(a) for n, a in plain["defects"].items()}
    frame = pa.ipc.open_stream(defects.pop("frame").data).read_pandas()
    return FamilyTally(
        family=family,
        grid=Grid(family=family, limits=tuple(_limit(x, arrays) for x in plain["grid"])),
        scopes=tuple(plain["scopes"]),
        lots=tuple(plain["lots"]),
        cells=Cells(**{name: arrays.get(a) for name, a in plain["cells"].items()}),
        defects=Defects(frame=frame, **defects),
        misread=Misread(**{name: arrays.get(a) for name, a in plain["misread"].items()}),
        looked_again=plain["looked_again"],
    )


def _limit(plain: Fields, arrays: _Unpack) -> GridLimit:
    stops = {
        name: tuple(Stop(rail=rail, z=z, reason=why) for rail, z, why in plain[name])
        for name in _STOPS
    }
    return GridLimit(**plain | stops | {name: arrays.get(plain[name]) for name in _ARRAYS})
