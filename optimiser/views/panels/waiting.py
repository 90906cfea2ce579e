"""The proposals of the ledger: what waits for whom, signed, put aside or taken back here."""

import threading
from html import escape

import pandas as pd

from optimiser.errors import OptimiserError, UsageError
from optimiser.ledger.ledger import Ledger, State, refuse_unsigned
from optimiser.ledger.standing import still_to_sign
from optimiser.proposal.session import Session
from optimiser.proposal.signing import accept, changed_since
from optimiser.views import ledger_tables
from optimiser.views.panels import words
from optimiser.views.panels.confirm import Confirm
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.key_signature import KeySignature
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import block, safely

_ACTS = {
    "Accept": "the limits go into the next recipe revision",
    "Hold": "not now; may be accepted later",
    "Reject": "not these limits",
    "Withdraw": "take it back before it is exported",
}
COLUMNS = ("proposal", "family", "state", "to sign", "origin", "by", "at", "signed by", "revision")


class WaitingPanel(Panel):
    """Every proposal, those that wait first; the one that is picked is decided on.

    Parameters
    ----------
    session : Session

    Attributes
    ----------
    picked : State or None
        As it was shown.
    """

    def __init__(self, session: Session) -> None:
        self._session, self._lock = session, threading.RLock()
        self._ledger = Ledger.of(session.plant)
        self.picked: State | None = None
        self._states: list[State] = []
        self.table = Grid("proposals", safely(self._row_picked, self, "Cannot show it"))
        self._one = block("opt-proposal")
        self.confirm = Confirm(_ACTS, safely(self.ask, self, "NOT SAVED"))
        self.by_key = KeySignature(self)
        super().__init__([self.table, self._one, self.confirm, self.by_key, self.status], session)
        self.refresh()

    def __repr__(self) -> str:
        return f"<WaitingPanel of {len(self._states)} proposals>"

    def refresh(self) -> None:
        """Read the ledger again."""
        with self._lock:
            self._states = _in_order(self._ledger.states())
            waiting = [s for s in self._states if s.state in ledger_tables.WAITING]
            told = (
                f"<p>{len(waiting)} of {len(self._states)} proposals wait for a signature. A click on one "
                "shows it whole.</p>"
                if self._states
                else "<p>The ledger holds no proposal yet: the night or the notebook decide writes them.</p>"
            )
            rows = [self._row(s) for s in self._states]
            self.table.show(pd.DataFrame(rows, columns=list(COLUMNS)), words=told)
            self._show(None)

    def _row(self, state: State) -> tuple[object, ...]:
        entry = state.entry
        return (
            *(entry.id, entry.family, state.state, still_to_sign(state, self._session.plant) or ""),
            *(entry.body["origin"], entry.by, ledger_tables.time_text(entry.at)),
            *(", ".join(s.by for s in state.signatures), state.exported_in or ""),
        )

    def _row_picked(self, row: int) -> None:
        with self._lock:
            self._show(self._states[row])

    def _show(self, state: State | None) -> None:
        """Show one proposal whole: limits, what was known, what changed since."""
        self.confirm.clear()
        self.by_key.clear()
        self.picked = state
        self._one.value = "" if state is None else self._whole(state)

    def _whole(self, state: State) -> str:
        entry, plant = state.entry, self._session.plant
        changed = changed_since(state, plant, self._session.live)
        lines = [*ledger_tables.known_words(state, plant)]
        lines += [f"CHANGED since: {', '.join(changed)}"] if changed else []
        lines += [f"to sign: {still_to_sign(state, plant) or 'nothing is left'}"]
        told = "".join(f"<p>{escape(line)}</p>" for line in lines)
        return (
            f"<h3>Proposal {entry.id} · {escape(str(entry.family))} · {escape(state.state)}</h3>"
            + words.ledger_limits(entry.body["limits"])
            + told
        )

    def ask(self, act: str) -> None:
        """Show what would be written of the proposal that is picked.

        Parameters
        ----------
        act : str
            ``Accept``, ``Hold``, ``Reject`` or ``Withdraw``.

        Raises
        ------
        OptimiserError
            If none is picked, or name or reason is blank; nothing was saved.
        """
        with self._lock:
            state = self.picked
            if state is None:
                msg = "pick a proposal in the table first; nothing was saved"
                raise UsageError(msg)
            by, reason = self.confirm.name.value, self.confirm.reason.value
            refuse_unsigned(act.lower(), by, reason)
            question = (
                f"<p><strong>{escape(str(state.entry.family))}, proposal {state.entry.id}: {act.lower()}, signed "
                f"by {escape(by)}</strong>, “{escape(reason)}”.</p>{words.ledger_limits(state.entry.body['limits'])}"
            )
            write = safely(self._write, self, "NOT SAVED")
            self.confirm.ask(
                f"Confirm {act.lower()}", question, lambda: write(state, act.lower(), by, reason)
            )
            self.say("Not saved yet: look at what would be signed, then confirm.")

    def _write(
        self, state: State, act: str, by: str, reason: str, signature: str | None = None
    ) -> None:
        """Write the decision; the proposal's row of the ledger never changes, so it is what was shown."""
        with self._lock:
            number, plant = state.entry.id, self._session.plant
            if act == "accept" and signature is None and self._ledger.key_of(self._name(by)):
                self.by_key.ask(
                    state.entry,
                    plant,
                    by,
                    reason,
                    lambda s: self._write(state, act, by, reason, s),
                    instead={"Leave it as it is": lambda: self._left(state)},
                )
                self.say("Not saved yet: it is accepted by a signature of the text below.")
                return
            if act == "accept":
                accept(
                    self._ledger,
                    plant,
                    self._session.live,
                    number,
                    by=by,
                    reason=reason,
                    signature=signature,
                )
            else:
                self._ledger.decide(number, act, by=by, reason=reason)  # type: ignore[arg-type]
            self.refresh()
            after = next((s for s in self._states if s.entry.id == number), None)
            if after is None:
                msg = f"proposal {number} is no longer in the ledger"
                raise OptimiserError(msg)
            self._show(after)
            self.say(
                f"Saved: {act} proposal {number}, {state.entry.family}, by {by}. "
                + words.state_words(after, plant)
            )

    def _left(self, state: State) -> None:
        """Take the question back; nothing was written."""
        with self._lock:
            self.by_key.clear()
            self.say(f"Nothing was saved: proposal {state.entry.id} is {state.state}, as before.")

    def _name(self, by: str) -> str:
        return self._ledger.signer(by, "accept")


def _in_order(states: tuple[State, ...] | list[State]) -> list[State]:
    """Return proposals, those that wait first, then accepted and held ones, the newest first."""
    order = {**dict.fromkeys(ledger_tables.WAITING, 0), "accepted": 1, "held": 2}
    return sorted(states, key=lambda s: (order.get(s.state, 3), -s.entry.id))
