"""Checking a ledger: numbers, hashes, links, the remembered head, the guards, the rules."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from optimiser.ledger.rows import FIELDS, digest, entry_of
from optimiser.ledger.schema import GENESIS, guards, guards_as_made
from optimiser.ledger.standing import Standings


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something wrong with the ledger: at which entry (None: the file), which rule, in words."""

    entry: int | None
    rule: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What a check of the whole chain found.

    Attributes
    ----------
    faults : tuple of Fault
    notes : tuple of str
        Not wrong, but worth knowing: a clock that was set back.
    entries : int
        Counted in the file.
    head : str
        Hash of the last entry as the file holds it; zeros where there is none.
    """

    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    entries: int
    head: str

    @property
    def valid(self) -> bool:
        """Whether no fault was found."""
        return not self.faults


def check_chain(connection: sqlite3.Connection, *, noted: Sequence[str] = ()) -> Verified:
    """Walk the chain from its start.

    Parameters
    ----------
    connection : sqlite3.Connection
    noted : sequence of str
        Heads' hashes noted earlier.

    Returns
    -------
    Verified
    """
    rows = connection.execute(f"select {FIELDS} from entry order by id").fetchall()
    heads = connection.execute("select id, hash from head").fetchall()
    faults = [*_guard_faults(connection), *_chain_faults(rows), *_head_faults(rows, heads)]
    # Where a hash is wrong the words are somebody else's; only sound chains are read further.
    if not faults:
        faults += _rule_faults(rows)
    here = {GENESIS, *(row[-1] for row in rows)}
    faults += [
        Fault(
            entry=None,
            rule="noted head",
            words=f"the noted head {head} is not in this chain: the ledger was rewritten, cut "
            "or replaced after it was noted, or is another plant's; compare with a backup",
        )
        for head in noted
        if head.strip().lower() not in here
    ]
    head = str(rows[-1][-1]) if rows else GENESIS
    return Verified(
        faults=tuple(faults), notes=tuple(_clock_notes(rows)), entries=len(rows), head=head
    )


def check_on(connection: sqlite3.Connection, sound: tuple[int, str]) -> list[Fault]:
    """Return the faults of what was appended to a chain that was found sound before.

    Parameters
    ----------
    connection : sqlite3.Connection
    sound : (int, str)
        Number and hash of the entry that was its last then; 0 and zeros of an empty one.

    Returns
    -------
    list of Fault
        Of numbers, hashes, links and head; what was sound is not looked at again.
    """
    rows = connection.execute(
        f"select {FIELDS} from entry where id >= ? order by id", (sound[0],)
    ).fetchall()
    if sound[0] and (not rows or (rows[0][0], rows[0][-1]) != sound):
        words = f"entry {sound[0]} is not what it was a moment ago: the file was altered meanwhile"
        return [Fault(entry=sound[0], rule="chain", words=words)]
    heads = connection.execute("select id, hash from head").fetchall()
    new = rows[1:] if sound[0] else rows
    return [*_chain_faults(new, sound), *_head_faults(rows, heads)]


def _guard_faults(connection: sqlite3.Connection) -> list[Fault]:
    here, made = guards(connection), guards_as_made()
    odd = sorted(name for name in here.keys() | made.keys() if here.get(name) != made.get(name))
    return [
        Fault(
            entry=None,
            rule="guards",
            words=f"{name} is {'changed or foreign' if name in here else 'missing'}: "
            "the file was altered by other means than this program",
        )
        for name in odd
    ]


def _chain_faults(
    rows: Sequence[Sequence[Any]], after: tuple[int, str] = (0, GENESIS)
) -> list[Fault]:
    """Return what is wrong with numbers, hashes and links, each at its entry."""
    faults, expected, before = [], after[0] + 1, after[1]
    for row in rows:
        number = row[0]
        if number != expected:
            one = number == expected + 1
            missing = f"entry {expected} is" if one else f"entries {expected} to {number - 1} are"
            faults.append(Fault(entry=expected, rule="numbers", words=f"{missing} missing"))
        if digest(row[:-1]) != row[-1]:
            faults.append(
                Fault(
                    entry=number,
                    rule="hash",
                    words=f"entry {number} is not what was written: its content and hash disagree",
                )
            )
        if row[-2] != before:
            faults.append(
                Fault(
                    entry=number,
                    rule="chain",
                    words=f"entry {number} does not follow the entry before it: something was "
                    "edited, removed, inserted or moved here",
                )
            )
        expected, before = number + 1, row[-1]
    return faults


def _head_faults(rows: Sequence[Sequence[Any]], heads: Sequence[Any]) -> list[Fault]:
    """Return whether the last entry is the one that the file remembers."""
    last = (rows[-1][0], rows[-1][-1]) if rows else (0, GENESIS)
    if list(heads) == [last]:
        return []
    known = f"entry {heads[0][0]}" if len(heads) == 1 else f"{len(heads)} heads"
    cut = len(heads) == 1 and isinstance(heads[0][0], int) and heads[0][0] > last[0]
    gone = f": entries {last[0] + 1} to {heads[0][0]} were cut off" if cut else ""
    return [
        Fault(
            entry=last[0] + 1 if cut else last[0],
            rule="head",
            words=f"the file remembers {known} as its last, the last found is entry {last[0]}{gone}",
        )
    ]


def _rule_faults(rows: Sequence[Sequence[Any]]) -> list[Fault]:
    """Return decisions that the rules forbid; only a foreign program can have written them."""
    past, faults = Standings(), []
    for row in rows:
        try:
            broken = past.take(entry_of(row))
        except (TypeError, ValueError) as error:
            broken = f"its body is no JSON ({error})"
        if broken is not None:
            faults.append(Fault(entry=row[0], rule="decision", words=f"entry {row[0]}: {broken}"))
    return faults


def _clock_notes(rows: Sequence[Sequence[Any]]) -> list[str]:
    return [
        f"entry {row[0]}: the clock had been set back, from {before[1]} to {row[1]}"
        for before, row in pairwise(rows)
        if str(row[1]) < str(before[1])
    ]
