"""The ledger: an append-only record of proposals and decisions, in one SQLite file.

Each entry carries the hash of the one before, and the file remembers the hash of the last.

What ``verify`` finds: an entry that was edited, removed, inserted or moved, entries cut off at
the end, guards taken out of the file, decisions that break a rule. What it cannot find alone:
a file that somebody with the means to write it has rewritten throughout, every hash and the
head computed anew, or replaced by an older copy of itself. Against that, write the head's hash
down elsewhere from time to time (``optimiser verify-ledger`` prints it); ``verify`` with such a
noted hash says whether the chain still holds it.

The clock is believed and never corrected: after it was set back, an entry's time is earlier
than that of the entry before. Such an entry is marked (``clock_back`` in its body) and
``verify`` notes it; the order of entries is that of their numbers.

The file is kept in SQLite's WAL mode, which needs a disk of this machine: no network drive.
"""

import json
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

from optimiser.errors import ConflictError, LedgerError, UsageError, nearest
from optimiser.ledger.chain import Fault, Verified, check_chain, check_on
from optimiser.ledger.rows import FIELDS, UNSAVED, canonical, digest, entry_of, rows_of
from optimiser.ledger.schema import GENESIS, append, read
from optimiser.ledger.signatures import is_signed, text_to_sign
from optimiser.ledger.standing import (
    BY_NIGHT,
    UNEXPORTED,
    Entry,
    Signature,
    State,
    standings,
)
from optimiser.plant.file import Act, Plant
from optimiser.plant.names import is_reserved, listed_spelling, skeleton
from optimiser.values import finite_only

__all__ = [
    "LEDGER",
    "Basis",
    "Entry",
    "Fault",
    "Ledger",
    "Origin",
    "Signature",
    "State",
    "Verdict",
    "Verified",
    "Written",
]

Verdict = Literal["accept", "hold", "reject", "withdraw"]
Origin = Literal["recommended", "front", "hand"]
Written = Literal["export", "rollback"]
Result = TypeVar("Result")
Make = Callable[[Sequence[Entry]], Mapping[str, Any] | None]
LEDGER = "ledger.sqlite"
TIMEOUT_S = 5.0
_LIMIT = ("measurement", "side", "unit", "now", "proposed", "rail")


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What a proposal rests on: hashes of history, recipe and plant file, version, seed."""

    history: str
    recipe: str
    plant: str
    version: str
    seed: int


def utc_now() -> datetime:
    """Return the time of this machine's clock, UTC."""
    return datetime.now(UTC)


class Ledger:
    """The record of one plant.

    Parameters
    ----------
    path : Path
        Made with the first entry; its folder must exist.
    plant : Plant, optional
        Says who may sign and which families are critical; without it names are unchecked and a
        family is critical where its proposal says so.
    unattended : bool
        Whether no person but the night writes, under its own name.
    now : callable
        Returns the time, with a time zone; injected to replay a night.
    timeout_s : float
        How long to wait for another process, seconds.
    """

    def __init__(
        self,
        path: Path,
        *,
        plant: Plant | None = None,
        unattended: bool = False,
        now: Callable[[], datetime] = utc_now,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self.path, self.now, self.timeout_s = Path(path), now, timeout_s
        self.plant, self.unattended = plant, unattended
        self._sound: tuple[int, str] | None = None

    @classmethod
    def of(
        cls, plant: Plant, *, unattended: bool = False, now: Callable[[], datetime] = utc_now
    ) -> "Ledger":
        """Return a plant's ledger.

        Parameters
        ----------
        plant : Plant
        unattended : bool
        now : callable

        Returns
        -------
        Ledger
        """
        return cls(plant.folder / LEDGER, plant=plant, unattended=unattended, now=now)

    def __repr__(self) -> str:
        return f"<Ledger {self.path}>"

    def signer(self, by: str, act: Act) -> str:
        """Return the name under which somebody signs.

        Parameters
        ----------
        by : str
        act : str
            What is to be signed.

        Returns
        -------
        str
            As the plant lists it; as given where the plant lists nobody.

        Raises
        ------
        UsageError
            If the name is reserved, not listed, or may not sign this; nothing was saved then.
        """
        if self.unattended and by == BY_NIGHT and act == "withdraw":
            return by
        name = self.person(by)
        signers = self.plant.file.signers if self.plant is not None else {}
        may = signers[name].may if name in signers else ()
        if may and act not in may:
            msg = f"{name} may not sign {act}, only {', '.join(may)} (plant.toml, signers){UNSAVED}"
            raise UsageError(msg)
        return name

    def key_of(self, name: str) -> str | None:
        """Return the public key by which somebody accepts; None where a name is enough.

        Parameters
        ----------
        name : str
            As ``signer`` gives it.

        Returns
        -------
        str or None
        """
        signers = self.plant.file.signers if self.plant is not None else {}
        return signers[name].key if name in signers else None

    def person(self, by: str) -> str:
        """Return a person's name, whatever they may sign.

        Parameters
        ----------
        by : str

        Returns
        -------
        str
            As the plant lists it; as given where the plant lists nobody.

        Raises
        ------
        UsageError
            If the name is reserved or not listed; nothing was saved then.
        """
        _refuse_odd_name(by)
        if is_reserved(by):
            msg = f"{by!r} is no person's name; decisions are signed by people{UNSAVED}"
            raise UsageError(msg)
        signers = self.plant.file.signers if self.plant is not None else {}
        if not signers:
            return by.strip()
        name = listed_spelling(by, signers)
        if name is None:
            msg = (
                f"{by.strip()!r} is not among this plant's signers; {nearest(by, signers)}{UNSAVED}"
            )
            raise UsageError(msg)
        return name

    def propose(
        self,
        family: str,
        limits: Sequence[Mapping[str, Any]],
        *,
        by: str,
        reason: str,
        origin: Origin,
        critical: bool,
        basis: Basis,
        figures: Mapping[str, Any],
    ) -> Entry:
        """Append a proposal, or find the open one of the same content.

        Parameters
        ----------
        family : str
        limits : sequence of mapping
            ``LimitMove.as_dict()`` of every limit that moves.
        by, reason : str
            Who or what proposes; the reason may be blank.
        origin : {'recommended', 'front', 'hand'}
        critical : bool
            Whether two people must sign.
        basis : Basis
        figures : mapping
            Promise, three lines, counts: any JSON.

        Returns
        -------
        Entry
            That of the family's latest proposal not yet decided against or exported, if
            family, limits, origin, basis and figures are the same; nothing is appended then.

        Raises
        ------
        UsageError
            If an argument cannot be recorded.
        LedgerError
            If nothing could be saved.
        """
        _refuse_odd_name(by)
        _refuse_odd_reason(reason)
        if not family.strip() or origin not in get_args(Origin):
            msg = f"a proposal needs a family and an origin: {nearest(origin, get_args(Origin))}"
            raise UsageError(msg + UNSAVED)
        moves = [_limit(x) for x in limits]
        _refuse_odd_moves(family, moves)
        content = {
            "limits": moves,
            "origin": origin,
            "critical": bool(critical),
            "basis": asdict(basis),
            "figures": dict(figures),
        }
        content = json.loads(canonical(content))
        if not family.isprintable():
            msg = f"family {family!r} has characters that cannot be printed{UNSAVED}"
            raise UsageError(msg)

        def work(connection: sqlite3.Connection) -> Entry:
            past = standings(_family_entries(connection, family))
            open_ones = [s for s in past.states.values() if s.state in UNEXPORTED]
            if open_ones and _same(open_ones[-1].entry.body, content):
                return open_ones[-1].entry
            return self._append(connection, ("proposal", family, None), by, reason, content)

        return self._write(work)

    def decide(
        self,
        proposal_id: int,
        verdict: Verdict,
        *,
        by: str,
        reason: str,
        body: Mapping[str, Any] | None = None,
        signature: str | None = None,
    ) -> Entry:
        """Append a decision on a proposal.

        The rules (``optimiser.ledger.standing``) are held in the transaction that appends,
        so that of two processes that decide at once the second meets what the first did.

        Parameters
        ----------
        proposal_id : int
        verdict : {'accept', 'hold', 'reject', 'withdraw'}
        by, reason : str
            Not blank.
        body : mapping, optional
            What else belongs to the decision: any JSON.
        signature : str, optional
            Of `signatures.text_to_sign`; needed to accept where the plant file has the signer's
            key.

        Returns
        -------
        Entry

        Raises
        ------
        UsageError
            If there is no such proposal or verdict, or name or reason is blank.
        ConflictError
            If a rule forbids the decision as the proposal stands.
        LedgerError
            If nothing could be saved.
        """
        if verdict not in get_args(Verdict):
            raise UsageError(
                f"unknown verdict {verdict!r}; {nearest(verdict, get_args(Verdict))}{UNSAVED}"
            )
        refuse_unsigned(verdict, by, reason)
        name = self.signer(by, verdict)
        content = {**json.loads(canonical(dict(body or {}))), "names": self._names}

        def work(connection: sqlite3.Connection) -> Entry:
            family = _family_of(connection, proposal_id)
            past = standings(_family_entries(connection, family))
            if verdict == "accept":
                content["critical"] = self._is_critical(family)
            refused = past.refusal(verdict, proposal_id, name, content)
            if refused is not None:
                raise ConflictError(f"{refused}{UNSAVED}")
            if verdict == "accept":
                content.update(self._proven(past.states[proposal_id].entry, name, signature))
            return self._append(connection, (verdict, family, proposal_id), name, reason, content)

        if self._is_absent():
            raise UsageError(_no_proposal(proposal_id, []))
        return self._write(work)

    def _proven(self, proposal: Entry, name: str, signature: str | None) -> dict[str, str]:
        """Return what proves who accepts, where the plant file has the signer's key."""
        key = self.key_of(name)
        if key is None:
            return {}
        if signature is None:
            msg = (
                f"{name} accepts by a signature (plant.toml has the key): optimiser waiting PLANT "
                f"--to-sign {proposal.id}, sign it with ssh-keygen -Y sign -n optimiser, then accept with "
                f"--signature FILE{UNSAVED}"
            )
            raise ConflictError(msg)
        if not is_signed(text_to_sign(proposal), signature, key):
            msg = f"the signature is not by {name}'s key, or of another proposal{UNSAVED}"
            raise ConflictError(msg)
        return {"signature": signature, "key": key}

    @property
    def _names(self) -> str:
        """How names are compared: by the plant's list, or by what they look like alone."""
        return "listed" if self.plant is not None and self.plant.file.signers else "unchecked"

    def _is_critical(self, family: str) -> bool:
        """Whether a family is critical as the plant file stands now."""
        families = self.plant.file.families if self.plant is not None else {}
        return family in families and families[family].critical

    def write(
        self,
        kind: Written,
        *,
        by: str,
        reason: str,
        body: Mapping[str, Any] | Make,
    ) -> Entry | None:
        """Append that a revision was written, and write it while nobody else can decide.

        Parameters
        ----------
        kind : {'export', 'rollback'}
        by, reason : str
            Not blank.
        body : mapping or callable
            The ``revision`` and the ids of ``proposals`` exported or taken back, ``carried``
            on from an earlier revision that is not live, ``replaced`` by a newer proposal of
            their family, ``restored`` by a rollback. A callable is given all entries inside
            the transaction, writes the revision and returns this, or None where there is
            nothing to write. Should the transaction fail, it may be called again, so it must
            bear finding its own files.

        Returns
        -------
        Entry or None

        Raises
        ------
        UsageError
            If name or reason is blank.
        ConflictError
            If a proposal does not stand as the body says, or the revision was written before.
        LedgerError
            If nothing could be saved.
        """
        refuse_unsigned(kind, by, reason)
        name = self.signer(by, kind)

        def work(connection: sqlite3.Connection) -> Entry | None:
            past = rows_of(connection)
            made = body(past) if callable(body) else body
            if made is None:
                return None
            content = json.loads(canonical(dict(made)))
            _refuse_unfounded(past, kind, content)
            return self._append(connection, (kind, None, None), name, reason, content)

        return self._write(work)

    def watch(
        self,
        family: str,
        *,
        by: str,
        reason: str,
        body: Mapping[str, Any],
        proposal: int | None = None,
    ) -> Entry:
        """Append an alarm: a promise that is not kept, or anything else worth keeping.

        Parameters
        ----------
        family : str
        by, reason : str
            Who or what watches; the reason may be blank.
        body : mapping
            Any JSON.
        proposal : int, optional
            The family's proposal that it speaks of.

        Returns
        -------
        Entry

        Raises
        ------
        UsageError
            If an argument cannot be recorded.
        LedgerError
            If nothing could be saved.
        """
        _refuse_odd_name(by)
        _refuse_odd_reason(reason)
        content = json.loads(canonical(dict(body)))

        def work(connection: sqlite3.Connection) -> Entry:
            return self._append(connection, ("watch", family, proposal), by, reason, content)

        return self._write(work)

    def keep_item(self, family: str, *, by: str, reason: str, body: Make) -> Entry:
        """Append that a known-bad item was taken into the must-catch set, and take it there.

        Parameters
        ----------
        family : str
        by, reason : str
            Not blank.
        body : callable
            Given all entries inside the transaction, while nobody else can decide: it writes the
            must-catch file and returns what is recorded of the item.

        Returns
        -------
        Entry

        Raises
        ------
        UsageError
            If name or reason is blank, or the name may not sign this.
        LedgerError
            If nothing could be recorded.
        """
        refuse_unsigned("keep", by, reason)
        name = self.signer(by, "keep")

        def work(connection: sqlite3.Connection) -> Entry:
            made = body(rows_of(connection))
            content = json.loads(canonical(dict(made or {})))
            return self._append(connection, ("keep", family, None), name, reason, content)

        return self._write(work)

    def entries(
        self, *, family: str | None = None, kind: str | None = None, since: int = 0
    ) -> list[Entry]:
        """Return entries in their order; none where no file was made yet.

        Parameters
        ----------
        family, kind : str, optional
            Only those.
        since : int
            Only entries with a higher number.

        Raises
        ------
        LedgerError
            If the file cannot be read.
        """
        where = "where id > ? and (? is null or family = ?) and (? is null or kind = ?)"
        values = (since, family, family, kind, kind)
        if self._is_absent():
            return []

        def work(connection: sqlite3.Connection) -> list[Entry]:
            self._refuse_unsound(connection)
            return rows_of(connection, where, values)

        return read(self.path, work, timeout_s=self.timeout_s)

    def states(self) -> list[State]:
        """Return where every proposal stands, in their order.

        Raises
        ------
        LedgerError
            If the file cannot be read.
        """
        return list(standings(self.entries()).states.values())

    def verify(self, *, heads: Sequence[str] = ()) -> Verified:
        """Check the whole chain.

        Parameters
        ----------
        heads : sequence of str
            Heads' hashes that were noted earlier; each must still be in the chain.

        Returns
        -------
        Verified

        Raises
        ------
        LedgerError
            If the file cannot be read, or there is none.
        """
        if self._is_absent():
            msg = (
                f"{self.path}: there is no ledger; a plant without any proposal has none yet, "
                "otherwise put it back from a backup"
            )
            raise LedgerError(msg)
        return read(self.path, partial(check_chain, noted=heads), timeout_s=self.timeout_s)

    def _write(self, work: Callable[[sqlite3.Connection], Result]) -> Result:
        """Append inside a transaction, to a chain that is sound."""

        def checked(connection: sqlite3.Connection) -> Result:
            self._refuse_unsound(connection)
            return work(connection)

        return append(self.path, checked, timeout_s=self.timeout_s)

    def _refuse_unsound(self, connection: sqlite3.Connection) -> None:
        """Raise where the chain is not as it was written; whoever believes it believes anything."""
        before = self._sound
        faults = check_on(connection, before) if before else check_chain(connection).faults
        if faults:
            self._sound = None
            msg = (
                f"{self.path}: not valid: {faults[0].words}"
                + (f", and {len(faults) - 1} faults more" if len(faults) > 1 else "")
                + "; nothing was done with it. optimiser verify-ledger names every fault; put the "
                "ledger back from a backup"
            )
            raise LedgerError(msg)
        self._sound = connection.execute(
            "select id, hash from entry order by id desc limit 1"
        ).fetchone() or (0, GENESIS)

    def _is_absent(self) -> bool:
        """Whether nothing was ever written: no file, or one that a crash left empty."""
        try:
            return not self.path.stat().st_size
        except FileNotFoundError:
            return True
        except OSError as error:
            msg = f"{self.path}: the ledger cannot be opened here ({error.strerror})"
            raise LedgerError(msg) from error

    def _append(
        self,
        connection: sqlite3.Connection,
        what: tuple[str, str | None, int | None],
        by: str,
        reason: str,
        body: Mapping[str, Any],
    ) -> Entry:
        """Append one row inside a transaction; ``what`` is its kind, family and proposal."""
        last = connection.execute(
            "select id, at, hash from entry order by id desc limit 1"
        ).fetchone() or (0, "", GENESIS)
        at = _stamp(self.now())
        marked = {**body, "clock_back": last[1]} if at < last[1] else dict(body)
        row = (
            last[0] + 1,
            at,
            *what,
            by.strip(),
            reason.strip(),
            canonical(marked),
            last[2],
        )
        cells = (*row, digest(row))
        connection.execute(
            f"insert into entry ({FIELDS}) values ({', '.join('?' * len(cells))})", cells
        )
        return entry_of(cells)


def _stamp(moment: datetime) -> str:
    """Return a time as text whose order is that of time."""
    if moment.tzinfo is None:
        msg = f"the ledger's clock must tell its time zone, got {moment.isoformat()}{UNSAVED}"
        raise UsageError(msg)
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def _family_entries(connection: sqlite3.Connection, family: str) -> list[Entry]:
    """Return the entries that decide where a family's proposals stand."""
    mine = rows_of(connection, "where family = ?", (family,))
    known = {e.id for e in mine}
    return sorted(
        (
            *mine,
            *(_only(e, known) for e in rows_of(connection, "where kind in ('export', 'rollback')")),
        ),
        key=lambda e: e.id,
    )


def _only(entry: Entry, known: set[int]) -> Entry:
    """Return an export or rollback with the proposals of one family alone."""
    body = {k: [i for i in v if i in known] if k in _LISTS else v for k, v in entry.body.items()}
    return Entry(**{**{f: getattr(entry, f) for f in Entry.__slots__}, "body": body})


_LISTS = ("proposals", "carried", "replaced", "restored")


def _refuse_unfounded(past: Sequence[Entry], kind: Written, body: dict[str, Any]) -> None:
    """Raise if a revision cannot have been written from where the proposals stand."""
    written = {e.body.get("revision") for e in past if e.kind in get_args(Written)}
    refused = standings(past).unwritable(kind, body)
    if body.get("revision") in written:
        refused = f"revision {body['revision']} was written before"
    if refused is not None:
        raise ConflictError(f"{refused}{UNSAVED}")


def _family_of(connection: sqlite3.Connection, proposal: int) -> str:
    rows = connection.execute(
        "select family from entry where id = ? and kind = 'proposal'",
        (min(proposal, 2**63 - 1),),  # SQLite holds no larger number
    ).fetchone()
    if rows is None:
        known = connection.execute(
            "select id from entry where kind = 'proposal' order by id desc limit 9"
        )
        raise UsageError(_no_proposal(proposal, [str(i) for (i,) in known]))
    return str(rows[0])


def _no_proposal(proposal: int, known: Sequence[str]) -> str:
    listed = f"the latest are {', '.join(known)}" if known else "the ledger holds none yet"
    return f"there is no proposal {proposal}; {listed}{UNSAVED}"


def _limit(move: Mapping[str, Any]) -> dict[str, Any]:
    missing = [key for key in _LIMIT if key not in move]
    if missing:
        msg = f"a limit needs {', '.join(_LIMIT)}; {missing[0]!r} is missing{UNSAVED}"
        raise UsageError(msg)
    return {key: move[key] for key in _LIMIT}


def _refuse_odd_moves(family: str, limits: Sequence[Mapping[str, Any]]) -> None:
    """Raise unless limits move, each once."""
    names = [(x["measurement"], x["side"]) for x in limits]
    odd = [x for x in limits if finite_only(x["now"]) == finite_only(x["proposed"])]
    if (
        not limits
        or odd
        or len(set(names)) < len(names)
        or {s for _, s in names} - {"lower", "upper"}
    ):
        what = f"{odd[0]['measurement']} {odd[0]['side']} stays" if odd else f"got {names}"
        msg = f"{family}: a proposal names each limit that moves once, lower or upper; {what}{UNSAVED}"
        raise UsageError(msg)


def _same(body: Mapping[str, Any], content: Mapping[str, Any]) -> bool:
    """Return whether a proposal says the same, whatever the order of its limits."""
    return all(
        body[key] == content[key] for key in ("origin", "basis", "figures")
    ) and _sorted_limits(body) == _sorted_limits(content)


def _sorted_limits(body: Mapping[str, Any]) -> list[Any]:
    return sorted(body["limits"], key=lambda x: (x["measurement"], x["side"]))


def refuse_unsigned(kind: str, by: str, reason: str) -> None:
    """Raise UsageError if a name or reason is blank or unreadable."""
    _refuse_odd_name(by)
    _refuse_odd_reason(reason)
    if not reason.strip():
        msg = f"{kind} needs a reason, got a blank one; say why in a few words{UNSAVED}"
        raise UsageError(msg)


def _refuse_odd_name(by: str) -> None:
    # A character that nobody sees would make two people of one.
    if not skeleton(by) or not by.strip().isprintable():
        msg = f"a name is needed, without characters that cannot be printed, got {by!r}{UNSAVED}"
        raise UsageError(msg)


def _refuse_odd_reason(reason: str) -> None:
    if not all(c.isprintable() or c in "\n\t" for c in reason):
        msg = f"a reason is text without characters that cannot be printed, got {reason!r}{UNSAVED}"
        raise UsageError(msg)


def family_history(ledger: Ledger, family: str) -> tuple[list[Entry], list[State]]:
    """Return a family's entries and where its proposals stand.

    Parameters
    ----------
    ledger : Ledger
    family : str

    Returns
    -------
    entries : list of Entry
        With the exports and rollbacks that speak of its proposals.
    states : list of State

    Raises
    ------
    LedgerError
        If the file cannot be read.
    """
    every = ledger.entries()
    states = [s for s in standings(every).states.values() if s.entry.family == family]
    mine = {s.entry.id for s in states}
    return [e for e in every if e.family == family or mine & _spoken_of(e)], states


def _spoken_of(entry: Entry) -> set[int]:
    """Return the proposals that an export or rollback speaks of."""
    if entry.kind not in get_args(Written):
        return set()
    return {i for key in _LISTS for i in entry.body.get(key, ())}
