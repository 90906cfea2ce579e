"""Rows of the ledger and their one form as text, which hashes are taken over."""

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from typing import Any

from optimiser.errors import LedgerError, UsageError
from optimiser.ledger.schema import COLUMNS
from optimiser.ledger.standing import Entry
from optimiser.values import finite_only

FIELDS = ", ".join((*COLUMNS, "hash"))
UNSAVED = "; nothing was saved"


def canonical(value: Any) -> str:  # noqa: ANN401 - any JSON value
    """Return the one JSON text of a value; infinities and NaN are null.

    Raises
    ------
    UsageError
        If it is no JSON value.
    """
    try:
        return json.dumps(
            finite_only(value),
            sort_keys=True,
            separators=(",", ":"),
            allow_nan=False,
            default=lambda x: finite_only(x.item()),  # numpy's numbers
        )
    except (TypeError, ValueError, AttributeError, RecursionError) as error:
        msg = f"cannot be recorded as JSON ({error}): use texts, numbers, lists, mappings{UNSAVED}"
        raise UsageError(msg) from error


def digest(row: Sequence[object]) -> str:
    """Return the hash of a row: of its cells as a JSON list, in which null is not ''."""
    text = json.dumps(list(row), separators=(",", ":"), default=lambda x: {"blob": x.hex()})
    return hashlib.sha256(text.encode()).hexdigest()


def entry_of(cells: Sequence[Any]) -> Entry:
    """Return an entry from its cells, in the order of FIELDS."""
    return Entry(
        id=cells[0],
        at=cells[1],
        kind=cells[2],
        family=cells[3],
        proposal=cells[4],
        by=cells[5],
        reason=cells[6],
        body=json.loads(cells[7]),
        previous=cells[8],
        hash=cells[9],
    )


def rows_of(
    connection: sqlite3.Connection, where: str = "", values: Sequence[object] = ()
) -> list[Entry]:
    """Return entries in their order.

    Raises
    ------
    LedgerError
        If the body of one is no JSON.
    """
    cells = connection.execute(f"select {FIELDS} from entry {where} order by id", values)
    try:
        return [entry_of(row) for row in cells]
    except (TypeError, ValueError) as error:
        msg = f"an entry's body is no JSON ({error}): verify-ledger says which was changed"
        raise LedgerError(msg) from error
