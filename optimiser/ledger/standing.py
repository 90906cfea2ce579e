"""Where each proposal stands: the ledger's entries read in order, one rule for all who ask.

The rules of deciding:

- A proposal is accepted by one signature, of a critical family by two, by different people:
  critical is what the plant file says when it is signed, or said when it was proposed. Whoever
  proposed may sign as one of the two, but only by a signature of their own: the proposal itself
  is none. Names are compared as ``plant/names.py`` says; signatures of before that were compared
  without case and surplus blanks, and count as they did.
- ``hold`` puts a proposal aside and takes its signatures away: what was doubted is signed anew.
- ``reject`` and ``withdraw`` end a proposal. So does, unless it was exported, the acceptance
  of a newer proposal of its family; it stays superseded even if the newer one falls later.
- An exported proposal is not decided again; a rollback takes it back, and the export of a
  newer one of its family replaces it.
"""

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from optimiser.plant.file import Plant
from optimiser.plant.names import clearly_different, skeleton

Standing = Literal[
    "waiting",
    "one signature of two",
    "accepted",
    "held",
    "rejected",
    "withdrawn",
    "superseded",
    "exported",
    "rolled back",
]
BY_NIGHT = "night"
"""Who signs what the unattended run writes."""
DECISIONS = ("accept", "hold", "reject", "withdraw")
OPEN: tuple[Standing, ...] = ("waiting", "one signature of two", "held")
UNEXPORTED: tuple[Standing, ...] = (*OPEN, "accepted")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row of the ledger.

    Attributes
    ----------
    id : int
        1, 2, 3 … without gaps.
    at : str
        UTC, ISO 8601 with microseconds: what the clock said.
    kind : str
        ``proposal``, ``accept``, ``hold``, ``reject``, ``withdraw``, ``export``, ``rollback``
        or ``watch``.
    family : str or None
        None for export and rollback.
    proposal : int or None
        The proposal that it speaks of.
    by, reason : str
    body : dict
        What else belongs to it. ``clock_back`` is the time of the entry before, where the
        clock had been set back.
    previous, hash : str
        Hash of the entry before, or zeros; hash of everything above and ``previous``.
    """

    id: int
    at: str
    kind: str
    family: str | None
    proposal: int | None
    by: str
    reason: str
    body: dict[str, Any]
    previous: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who accepted, when (UTC, ISO 8601) and why.

    ``names`` is how the name was checked: ``listed`` by the plant, ``unchecked``, None of before.
    """

    by: str
    at: str
    reason: str
    names: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Where one proposal stands.

    Attributes
    ----------
    entry : Entry
        The proposal.
    state : str
        In words; see ``Standing``.
    signatures : tuple of Signature
        Those that count.
    last : Entry or None
        The last decision on it.
    decided_at : str or None
        When that was.
    exported_in : str or None
        The newest revision that holds it, or held it before a rollback.
    signed_critical : bool
        Whether the family was critical when it was signed, if not yet when it was proposed.
    """

    entry: Entry
    state: Standing
    signatures: tuple[Signature, ...] = ()
    last: Entry | None = None
    exported_in: str | None = None
    signed_critical: bool = False

    @property
    def decided_at(self) -> str | None:
        """When the last decision was made."""
        return self.last.at if self.last else None

    @property
    def critical(self) -> bool:
        """Whether two people must sign."""
        return self.signed_critical or bool(self.entry.body.get("critical"))


@dataclass(slots=True)
class Standings:
    """Where every proposal stands after the entries taken so far."""

    states: dict[int, State] = field(default_factory=dict)

    def take(self, entry: Entry) -> str | None:
        """Take the next entry; one that breaks a rule changes nothing.

        Parameters
        ----------
        entry : Entry

        Returns
        -------
        str or None
            The rule it breaks, in words.
        """
        if entry.kind == "proposal":
            self.states[entry.id] = State(entry=entry, state="waiting")
            return None
        if entry.kind in DECISIONS:
            refused = self.refusal(entry.kind, entry.proposal, entry.by, entry.body)
            if refused is None:
                self._decide(entry)
            return refused
        if entry.kind in ("export", "rollback"):
            refused = self.unwritable(entry.kind, entry.body)
            if refused is None:
                self._write(entry)
            return refused
        return None

    def refusal(
        self, kind: str, proposal: int | None, by: str, body: Mapping[str, Any]
    ) -> str | None:
        """Return why a decision is refused, and the way out; None where it is not.

        Parameters
        ----------
        kind : str
        proposal : int or None
        by : str
        body : mapping
            ``names`` is how the name was checked: ``listed``, ``unchecked``, or not at all.

        Returns
        -------
        str or None
        """
        state = self.states.get(proposal or 0)
        if state is None:
            return f"entry {proposal} is no proposal"
        if state.state == "exported":
            return (
                f"proposal {proposal} was exported in revision {state.exported_in} and is not "
                "decided again; take it back with: optimiser rollback PLANT --to REVISION"
            )
        if state.state not in UNEXPORTED:
            return f"proposal {proposal} is {state.state}, which is final; make a new proposal"
        return _signing_refusal(state, by, body) if kind == "accept" else None

    def _decide(self, entry: Entry) -> None:
        state = self.states[entry.proposal or 0]
        if entry.kind == "accept":
            signature = Signature(
                by=entry.by, at=entry.at, reason=entry.reason, names=entry.body.get("names")
            )
            critical = state.critical or bool(entry.body.get("critical"))
            after: Standing = "accepted"
            if critical and not state.signatures:
                after = "one signature of two"
            signed = (*state.signatures, signature)
            self._set(state, after, signed, last=entry, critical=critical)
            if after == "accepted":
                self._supersede(state)
        else:
            ends: dict[str, Standing] = {
                "hold": "held",
                "reject": "rejected",
                "withdraw": "withdrawn",
            }
            self._set(state, ends[entry.kind], (), last=entry)

    def _supersede(self, newer: State) -> None:
        """End the older proposals of a family whose newer one was accepted."""
        for older in list(self.states.values()):
            same = older.entry.family == newer.entry.family and older.entry.id < newer.entry.id
            if same and older.state in UNEXPORTED:
                self._set(older, "superseded", older.signatures, last=older.last)

    def unwritable(self, kind: str, body: Mapping[str, Any]) -> str | None:
        """Return why an export or a rollback is refused; None where it is not."""
        allowed: dict[str, tuple[Standing, ...]] = {
            "proposals": ("accepted",) if kind == "export" else ("exported",),
            "carried": ("exported",),
            "replaced": ("exported",),
            "restored": ("rolled back", "superseded"),
        }
        for key, wanted in allowed.items():
            for proposal in body.get(key, ()):
                found = self.states.get(proposal)
                if found is None or found.state not in wanted:
                    stands = "no proposal" if found is None else found.state
                    return (
                        f"proposal {proposal} must be {' or '.join(wanted)} for this {kind}, "
                        f"it is {stands}"
                    )
        return None

    def _write(self, entry: Entry) -> None:
        """Take what a revision brings in, carries on, replaces and takes out."""
        revision = str(entry.body.get("revision"))
        after: Standing = "exported" if entry.kind == "export" else "rolled back"
        ends: tuple[tuple[str, Standing], ...] = (
            ("proposals", after),
            ("carried", "exported"),
            ("replaced", "superseded"),
            ("restored", "exported"),
        )
        for key, end in ends:
            for proposal in entry.body.get(key, ()):
                state = self.states[proposal]
                held = revision if end == "exported" else state.exported_in
                self._set(state, end, state.signatures, last=state.last, revision=held)

    def _set(
        self,
        state: State,
        standing: Standing,
        signatures: tuple[Signature, ...],
        *,
        last: Entry | None,
        revision: str | None = None,
        critical: bool = False,
    ) -> None:
        self.states[state.entry.id] = State(
            entry=state.entry,
            state=standing,
            signatures=signatures,
            last=last,
            exported_in=revision or state.exported_in,
            signed_critical=critical or state.signed_critical,
        )


def still_to_sign(state: State, plant: Plant) -> str:
    """Return who must still accept a proposal, in words; empty where nobody has to.

    Parameters
    ----------
    state : State
    plant : Plant

    Returns
    -------
    str
    """
    if state.state not in OPEN:
        return ""
    signed = [s.by for s in state.signatures]
    may = [n for n, s in plant.file.signers.items() if not s.may or "accept" in s.may]
    left = [n for n in may if skeleton(n) not in {skeleton(s) for s in signed}]
    critical = state.critical or (
        state.entry.family in plant.file.families
        and plant.file.families[state.entry.family].critical
    )
    people = "a second, different person" if signed else "two people" if critical else "one person"
    return f"{people} of {', '.join(left)}" if may else people


def _signing_refusal(state: State, by: str, body: Mapping[str, Any]) -> str | None:
    proposal = state.entry.id
    names = ", ".join(s.by for s in state.signatures)
    if state.state == "accepted":
        return f"proposal {proposal} is accepted already, by {names}; nothing is left to sign"
    before = next((s for s in state.signatures if _may_be_one(s, by, body.get("names"))), None)
    if before is None:
        return None
    same = f"{by} has signed" if before.by == by else f"{by} may be {before.by}, who has signed"
    way = "" if before.by == by else "; list who may sign in plant.toml, [signers]"
    return (
        f"{same} proposal {proposal} already; {state.entry.family} is critical and needs a second, "
        f"different person{way}"
    )


def _may_be_one(signature: Signature, by: str, names: str | None) -> bool:
    """Return whether a name may be that of somebody who has signed."""
    how = {signature.names, names}
    if "unchecked" in how:
        return not clearly_different(signature.by, by)
    if "listed" in how:
        return skeleton(signature.by) == skeleton(by)
    return same_person(signature.by) == same_person(by)


def same_person(name: str) -> str:
    """Return what was equal for two spellings of one name in ledgers of before.

    Examples
    --------
    >>> same_person("  Ada  QUILL ") == same_person("ada quill")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def standings(entries: Iterable[Entry]) -> Standings:
    """Return where every proposal stands after some entries, in their order."""
    found = Standings()
    for entry in entries:
        found.take(entry)
    return found
