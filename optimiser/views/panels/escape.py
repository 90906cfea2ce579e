"""A defect that escaped: what would have caught it, what is like it, and whether to keep it, from a notebook."""

from html import escape

import ipywidgets as widgets
import pandas as pd

from optimiser.errors import UsageError
from optimiser.ledger.ledger import refuse_unsigned
from optimiser.proposal.escape import Escape, keep, kept_name
from optimiser.proposal.session import Session
from optimiser.views.escape_tables import LIMITS_HEAD, head_words, limit_rows, verdict_words
from optimiser.views.panels import words
from optimiser.views.panels.confirm import Confirm
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.long_work import LongPanel
from optimiser.views.panels.parts import block, safely

_KEEP = {"Keep": "into the must-catch set: no proposal may miss it from then on"}


class EscapePanel(LongPanel):
    """What came nearest to calling an escape, and the cheapest settings that would have.

    Parameters
    ----------
    session : Session

    Attributes
    ----------
    found : Escape or None
        As it was shown.
    """

    def __init__(self, session: Session) -> None:
        self.found: Escape | None = None
        self._known = session.known_escapes()
        self.known = widgets.Dropdown(
            description="Known escapes",
            options=[("…", None), *_options(self._known)],
            style={"description_width": "110px"},
            layout=widgets.Layout(width="640px"),
        )
        self.board, self.designator, self.pin = (
            widgets.Text(description=name, layout=widgets.Layout(width="260px"))
            for name in ("Board", "Designator", "Pin")
        )
        self._stage: str | None = None
        for box in (self.board, self.designator, self.pin):
            box.observe(self._typed, "value")
        self.known.observe(safely(self._listed, self, "Cannot take it"), "value")
        self._head, self._limits, self._verdict = block(), block("opt-near"), block("opt-remedy")
        self.similar = Grid("similar_passed")
        self.confirm = Confirm(_KEEP, safely(self.ask, self, "NOT SAVED"))
        super().__init__(
            session,
            verb="What would have caught it",
            tooltip="at most some twenty seconds",
            asked=[
                self.known,
                widgets.HBox(
                    [self.board, self.designator, self.pin],
                    layout=widgets.Layout(flex_flow="row wrap"),
                ),
            ],
            shown=[self._head, self._limits, self._verdict, self.similar, self.confirm],
        )
        self.bar.max = 1
        self.bar.description = "Working"

    def __repr__(self) -> str:
        return f"<EscapePanel: {'none' if self.found is None else kept_name(self.found.item)}>"

    def _listed(self, change: dict[str, object]) -> None:
        """Put a known escape into the boxes."""
        row = change["new"]
        if not isinstance(row, int):
            return
        of = self._known.iloc[row]
        self.board.value, self.designator.value = str(of["board"]), str(of["designator"])
        self.pin.value = "" if pd.isna(of["pin"]) else str(of["pin"])
        self._stage = str(of["stage"])

    def _typed(self, _: object) -> None:
        """Forget the stage of the escape that was listed: another item is meant now."""
        self._stage = None

    def do(self) -> str:
        """Work out what would have caught the escape, and show it."""
        board, designator = self.board.value.strip(), self.designator.value.strip()
        if not board or not designator:
            msg = "name board and designator, or pick a known escape"
            raise UsageError(msg)
        self.say("Looking for the cheapest settings that call it …")
        found = self._session.escape(
            board=board,
            designator=designator,
            pin=self.pin.value.strip() or None,
            stage=self._stage,
        )
        self.heard()
        self._show(found)
        self.bar.value = 1
        return "Counted on this very history; no promise of what a change would bring."

    def _show(self, found: Escape) -> None:
        currency = self._session.plant.file.plant.currency
        self.confirm.clear()
        self.found = found
        self._head.value = "".join(
            f"<p>{escape(line)}</p>" for line in head_words(found).splitlines()
        )
        self._limits.value = words.table(LIMITS_HEAD, limit_rows(found))
        kept = f"must-catch set: {'belongs there' if found.belongs else 'no'}: {found.why}"
        self._verdict.value = "".join(
            f"<p>{escape(line)}</p>" for line in (*verdict_words(found, currency=currency), kept)
        )
        self.similar.show(found.similar, words="<p>Passed items most like it</p>")

    def ask(self, act: str) -> None:
        """Show what would be kept and signed.

        Parameters
        ----------
        act : str

        Raises
        ------
        OptimiserError
            If nothing is shown, or name or reason is blank; nothing was saved.
        """
        found = self.found
        if found is None:
            msg = "look at an escape first; nothing was saved"
            raise UsageError(msg)
        by, reason = self.confirm.name.value, self.confirm.reason.value
        refuse_unsigned(act.lower(), by, reason)
        values = ", ".join(f"{m} {x:g}" for m, x in found.item.values.items())
        question = (
            f"<p><strong>{escape(kept_name(found.item))} into the must-catch set, signed by {escape(by)}</strong>, "
            f"“{escape(reason)}”.</p><p>{escape(values)}</p>"
        )
        write = safely(self._write, self, "NOT SAVED")
        self.confirm.ask("Confirm keep", question, lambda: write(found, by, reason))
        self.say("Not saved yet: look at what would be kept, then confirm.")

    def _write(self, found: Escape, by: str, reason: str) -> None:
        session = self._session
        kept = keep(session.ledger, session.plant, found, by=by, reason=reason)
        before = f"; as it was before: {kept.backup}" if kept.backup else ""
        self.say(
            f"Saved: kept in {kept.path}, ledger entry {kept.entry.id}{before}. Run the notebook again to "
            "propose with it."
        )


def _options(known: pd.DataFrame) -> list[tuple[str, int]]:
    """Return known escapes for a list, each with its row."""
    found = []
    for n, row in enumerate(known.to_dict("records")):
        pin = "" if pd.isna(row["pin"]) else f" pin {row['pin']}"
        kind = row["defect"] if isinstance(row["defect"], str) else "defect"
        place = f"{row['board']} {row['designator']}{pin}"
        found.append(
            (f"{row['time']:%Y-%m-%d} · {row['family']} · {place} · {kind}, {row['found_by']}", n)
        )
    return found
