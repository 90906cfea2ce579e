"""IPC-2591 messages of inspected units: into rows of the long form, one per measurement of an item.

An item is one place (designator and pin) of one unit in one message, whatever number of inspections
of the message look at it; its time is the first one's.

How far damage and contradiction reach
--------------------------------------
message
    not JSON, not UTF-8, a name twice in one object, no envelope, no name, a text that is none.
unit
    no identifier, a position or a count that is none, an unknown word of verification.
inspection
    no time, an unknown word of result or verification, no component named at all.
defect
    no designator, an unknown word. The inspection's other defects and measurements stay.
measurement
    no designator that could be meant, a kind that is not known, a value that is no finite number, a
    minimum above the maximum, a limit whose unit does not convert or cannot be told, an identifier
    that another measurement has, `Result` Passed with a value outside the measurement's own limits
    where the item was called. The item stays, as not measured there.
item
    it passed though a value lies outside its own limits: neither the call nor the value can be
    believed, and without the value the item would count as a good one; one defect confirmed and one
    rejected at the same place; two part numbers at the same place.
verdict
    a unit or an inspection confirmed for several calls at once. The items stay, unlabelled.

What `Result` says is the machine's call. A verdict comes from `Verification` alone, and only for
what was called: the nearest one holds, the defect's before the inspection's before the unit's.
`OverallResult`, pictures, symptoms and regions are not read. Of several defects at one place the
first real one names the type.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimiser.intake.envelopes import Document, documents
from optimiser.intake.inspected_units import NAME, Row, Taken, read_units
from optimiser.intake.refused import Refused, What, WrongError, record_of, refuse, text_of

LONG = (
    "time",
    "line",
    "station",
    "stage",
    "product",
    "revision",
    "board",
    "lot",
    "designator",
    "pin",
    "part",
    "family",
    "called",
    "verdict",
    "defect",
    "found_by",
    "measurement",
    "value",
    "unit",
    "lower",
    "upper",
    "place",
)
"""Columns of what is written, all text. ``lot`` and ``family`` are in no message: they are null.
``place`` is the message's number: of its line, or in its file."""
_ROWS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Flattened:
    """What came of a file of messages.

    Attributes
    ----------
    messages, other_messages : int
        Of inspected units; of other kinds, which hold nothing of this. With those refused they are
        all that the file holds.
    units, items, measurements : int
        Taken. An offset or a deposit is one measurement and several rows.
    repeated : int
        Measurements that stand with the same identifier and content elsewhere in their unit.
    rows : int
        Written: one per value, and one per item that has none.
    inspected : mapping of str to int
        By board the sum of ``TotalInspectionCount``: how many were inspected where only calls are
        sent.
    refused : tuple of Refused
    """

    messages: int
    other_messages: int
    units: int
    items: int
    measurements: int
    repeated: int
    rows: int
    inspected: Mapping[str, int]
    refused: tuple[Refused, ...]


class _Sum:
    """What has come of the messages so far."""

    def __init__(self) -> None:
        self.messages = self.other = self.rows = 0
        self.taken = Taken()
        self.batch: list[Row] = []

    def add(self, document: Document) -> None:
        """Take one document; whatever it holds, nothing raises."""
        place = f"message {document.number}"
        if document.reason:
            what: What = "rest" if document.ends else "message"
            self.taken.refuse(place, what, document.reason, document.text)
            return
        try:
            envelope = record_of(document.value, "a message")
            if _name_of(envelope) != NAME:
                self.other += 1
                return
            one = read_units(envelope, place)
        except WrongError as error:
            self.taken.refused.append(refuse(place, "message", error, document.value))
            return
        self.messages += 1
        whole = self.taken
        whole.refused += one.refused
        whole.units += one.units
        whole.items += one.items
        whole.measurements += one.measurements
        whole.repeated += one.repeated
        for board, count in one.inspected.items():
            whole.inspected[board] = whole.inspected.get(board, 0) + count
        self.batch += [row | {"place": str(document.number)} for row in one.rows]


def _name_of(envelope: Mapping[str, Any]) -> str:
    """Return the name of a message; its body's type where the envelope has none."""
    name = text_of(envelope, "MessageName")
    body = envelope.get("MessageBody")
    if name is None and isinstance(body, dict):
        name = (text_of(body, "$type") or "").partition(",")[0].strip() or None
    if name is None:
        msg = "no MessageName: not an envelope of IPC-2591"
        raise WrongError(msg)
    return name


def flatten(path: Path, target: Path) -> Flattened:
    """Write the items of a file of messages as Parquet, a row per measurement.

    Parameters
    ----------
    path : Path
        ``.json``, ``.jsonl`` or ``.ndjson``, each also packed: an envelope, a list of envelopes, or
        one envelope a line (read line by line, in memory of one line), in UTF-8.
    target : Path
        Has the columns `LONG` afterwards, all text; without rows where nothing could be taken.

    Returns
    -------
    Flattened
        Counts and what was refused: what was read is in one of both.

    Raises
    ------
    OSError
        If the file cannot be opened, or the target not be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema([(name, pa.string()) for name in LONG])
    total = _Sum()

    def write(rows: list[Row]) -> None:
        columns = {name: [row.get(name) for row in rows] for name in LONG}
        writer.write_table(pa.table(columns, schema=schema))
        total.rows += len(rows)
        rows.clear()

    with pq.ParquetWriter(target, schema) as writer:
        for document in documents(path):
            total.add(document)
            if len(total.batch) >= _ROWS:
                write(total.batch)
        write(total.batch)
    taken = total.taken
    return Flattened(
        messages=total.messages,
        other_messages=total.other,
        units=taken.units,
        items=taken.items,
        measurements=taken.measurements,
        repeated=taken.repeated,
        rows=total.rows,
        inspected=taken.inspected,
        refused=tuple(taken.refused),
    )
