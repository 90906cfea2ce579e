"""From signed limits to the next revision, and what followed: export, watch, last night."""

import threading
from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets
from rich.console import RenderableType

from optimiser.errors import ConflictError, OptimiserError, UsageError
from optimiser.ledger.ledger import Ledger, State, refuse_unsigned
from optimiser.ledger.revision import Exported, export_revision
from optimiser.monitoring.watch import Watched, watch_exported
from optimiser.plant.file import Plant
from optimiser.proposal.session import Session
from optimiser.views import ledger_tables, tables
from optimiser.views.panels import words
from optimiser.views.panels.confirm import Confirm
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import block, safely


def said(what: RenderableType) -> str:
    """Return what a command prints, as HTML."""
    return f"<pre class='opt-said'>{escape(tables.show(what))}</pre>"


class ExportPanel(Panel):
    """All accepted proposals into the next revision of the recipe; the live recipe is not touched.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session, self._lock = session, threading.RLock()
        self._ledger = Ledger.of(session.plant)
        self._waits, self._done = block("opt-exportable"), block("opt-exported")
        self.again = widgets.Button(
            description="Read the ledger again", layout=widgets.Layout(width="auto")
        )
        self.again.on_click(lambda _: self.refresh())
        self.confirm = Confirm(
            {"Export": "writes the next revision beside the plant file"},
            safely(self.ask, self, "NOT EXPORTED"),
        )
        super().__init__([self._waits, self.again, self.confirm, self.status, self._done], session)
        self.refresh()

    def __repr__(self) -> str:
        return f"<ExportPanel: {len(self.accepted())} proposals wait for export>"

    def accepted(self) -> list[State]:
        """Return the proposals that wait for their export."""
        return [s for s in self._ledger.states() if s.state == "accepted"]

    def refresh(self) -> None:
        """Show what an export would take."""
        self.confirm.clear()
        self._waits.value = _exportable(self.accepted())

    def ask(self, _act: str = "Export") -> None:
        """Show what would be exported, and wait for the yes.

        Raises
        ------
        OptimiserError
            If nothing waits, or name or reason is blank.
        """
        with self._lock:
            states = self.accepted()
            if not states:
                msg = "no accepted proposal waits for its export; nothing was written"
                raise UsageError(msg)
            by, reason = self.confirm.name.value, self.confirm.reason.value
            refuse_unsigned("export", by, reason)
            ids = [s.entry.id for s in states]
            question = f"<p><strong>Export by {escape(by)}</strong>, “{escape(reason)}”.</p>{_exportable(states)}"
            export = safely(self._export, self, "NOT EXPORTED")
            self.confirm.ask("Confirm export", question, lambda: export(ids, by, reason))
            self.say("Nothing is written yet: look at what would be exported, then confirm.")

    def _export(self, shown: list[int], by: str, reason: str) -> Exported:
        with self._lock:
            if [s.entry.id for s in self.accepted()] != shown:
                self.refresh()
                msg = "what waits for export is no longer what was shown; nothing was written"
                raise ConflictError(msg)
            plant = self._session.plant
            path = plant.locate(plant.file.plant.recipe)
            found = export_revision(
                plant, self._session.live, path, self._ledger, by=by, reason=reason
            )
            self._done.value = said(ledger_tables.exported_table(found))
            name = found.revision.revision if found.revision else "nothing"
            self.refresh()
            self.say(f"Exported: revision {name}, {len(found.conflicts)} proposals left out.")
            return found


def _exportable(states: list[State]) -> str:
    """Return the accepted proposals with their limits, as HTML."""
    if not states:
        return "<p>No accepted proposal waits for its export.</p>"
    parts = [
        f"<p><strong>{escape(str(s.entry.family))}</strong>, proposal {s.entry.id}, signed by "
        f"{escape(', '.join(x.by for x in s.signatures))}</p>{words.ledger_limits(s.entry.body['limits'])}"
        for s in states
    ]
    return f"<p>{len(states)} accepted proposals wait for their export:</p>{''.join(parts)}"


class WatchPanel(Panel):
    """What was promised of exported changes, and what followed.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._thread: threading.Thread | None = None
        self.start = widgets.Button(
            description="See what followed",
            tooltip="holds every exported change against its promise",
            layout=widgets.Layout(width="200px"),
        )
        self.start.on_click(lambda _: self.run())
        self._result = block("opt-watched")
        self._result.add_class("opt-scroll")
        super().__init__([self.start, self.status, self._result], session)

    def __repr__(self) -> str:
        return f"<WatchPanel of {self._session!r}>"

    def run(self) -> None:
        """Start, in a thread of its own; does nothing while it runs."""
        if self._thread is not None and self._thread.is_alive():
            return
        self.start.disabled = True
        self.say("Counting what followed …")
        look = safely(self._look, self, "Cannot watch")
        self._thread = threading.Thread(target=look, name="watch", daemon=True)
        self._thread.start()

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until it is counted; return whether it is."""
        if self._thread is not None:
            self._thread.join(seconds)
            return not self._thread.is_alive()
        return True

    def _look(self) -> dict[int, Watched]:
        session = self._session
        try:
            with session.lock:
                found = watch_exported(session.history, session.live, Ledger.of(session.plant))
        finally:
            self.start.disabled = False
        currency = session.plant.file.plant.currency
        self._result.value = words.watched(found, currency=currency)
        self.say(f"{len(found)} exported changes." if found else "Nothing was exported yet.")
        return found


class NightPanel(Panel):
    """What the last night brought, changed and could not do, and who must still sign what.

    Parameters
    ----------
    session : Session
    last_night : callable
        ``optimiser.night.last_night``: what came of a plant's last night.
    """

    def __init__(self, session: Session, last_night: Callable[[Plant], dict[str, Any]]) -> None:
        self._session, self._last_night = session, last_night
        self._told = block("opt-night")
        self.again = widgets.Button(
            description="Read the log again", layout=widgets.Layout(width="auto")
        )
        self.again.on_click(lambda _: self.refresh())
        super().__init__([self._told, self.again, self.status], session)
        self.refresh()

    def __repr__(self) -> str:
        return f"<NightPanel of {self._session!r}>"

    def refresh(self) -> None:
        """Read the night's log and the ledger again."""
        plant = self._session.plant
        try:
            found, states = self._last_night(plant), Ledger.of(plant).states()
        except OptimiserError as error:
            self._told.value = f"<p>{escape(str(error))}</p>"
            return
        self._told.value = said(ledger_tables.last_night_table(found, states, plant))
