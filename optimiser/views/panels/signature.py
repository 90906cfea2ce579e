"""The signature: who decides and why, what would be signed to the last digit, and the yes to it."""

from collections.abc import Callable
from html import escape

import ipywidgets as widgets

from optimiser.ledger.revision_file import limit_text
from optimiser.proposal.signing import Intent, Verdict
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import change_words, interval_words, saving_words
from optimiser.views.panels import words
from optimiser.views.panels.parts import block
from optimiser.views.reasons import reason_words

_VERDICTS: tuple[tuple[str, Verdict, str], ...] = (
    ("Accept", "accept", "the limits go into the next recipe revision"),
    ("Hold", "hold", "not now; may be accepted later"),
    ("Reject", "reject", "not these limits"),
)


class Signature(widgets.VBox):
    """Name, reason and verdict; then what exactly would be written, to be confirmed or not.

    Each question has buttons of its own: a click that was meant for an earlier one finds nobody.

    Parameters
    ----------
    on_verdict : callable
        Told the verdict that was pressed.
    on_confirm : callable
        Told the intent that was confirmed, and whether it is signed though it is not advised.

    Attributes
    ----------
    asked : Intent or None
        What waits for confirmation.
    """

    def __init__(
        self, on_verdict: Callable[[Verdict], object], on_confirm: Callable[[Intent, bool], object]
    ) -> None:
        self._on_confirm = on_confirm
        self.asked: Intent | None = None
        self.name = widgets.Text(
            description="Name", placeholder="who decides", layout=widgets.Layout(width="330px")
        )
        self.reason = widgets.Text(
            description="Reason", placeholder="why", layout=widgets.Layout(width="520px")
        )
        self.buttons: dict[Verdict, widgets.Button] = {}
        for label, verdict, meaning in _VERDICTS:
            button = widgets.Button(description=label, tooltip=meaning)
            button.on_click(lambda _, v=verdict: on_verdict(v))
            self.buttons[verdict] = button
        for field in (self.name, self.reason):
            field.observe(lambda _: self.clear(), "value")
        row = widgets.HBox([*self.buttons.values()])
        row.add_class("opt-verdicts")
        self._question = widgets.VBox()
        self._question.add_class("opt-question")
        super().__init__(
            [
                widgets.HTML("<h3>Decide</h3>"),
                widgets.HBox([self.name, self.reason], layout=widgets.Layout(flex_flow="row wrap")),
                row,
                self._question,
            ]
        )

    def ask(self, intent: Intent) -> None:
        """Show what would be written and wait for the yes.

        Parameters
        ----------
        intent : Intent
        """
        self.asked = intent
        yes = widgets.Button(description=f"Confirm {intent.verdict}", button_style="primary")
        no = widgets.Button(description="Back", tooltip="nothing is written")
        known = widgets.Checkbox(
            description="I sign although no change is advised",
            indent=False,
            layout=widgets.Layout(width="430px"),
        )
        yes.disabled = bool(intent.not_advised)
        known.observe(lambda change: setattr(yes, "disabled", not change["new"]), "value")
        # A question that was taken back meanwhile is refused in words, not passed over.
        yes.on_click(lambda _: self._on_confirm(intent, known.value))
        no.on_click(lambda _: self.clear())
        row = widgets.HBox([yes, no])
        row.add_class("opt-verdicts")
        text = block()
        text.value = question(intent)
        self.yes, self.although = yes, known
        self._question.children = (text, *((known,) if intent.not_advised else ()), row)

    def clear(self) -> None:
        """Take the question back: what it was about is no longer what is shown."""
        self.asked = None
        self._question.children = ()

    def able(self, verdicts: bool) -> None:
        """Let verdicts be pressed, or not."""
        for button in self.buttons.values():
            button.disabled = not verdicts


def question(intent: Intent) -> str:
    """Return what would be written, as HTML: every limit to its last digit, promise, signer.

    Parameters
    ----------
    intent : Intent

    Returns
    -------
    str
    """
    rows = [
        (
            f"{m.measurement} {m.side}",
            limit_text(m.as_dict()["now"]),
            limit_text(m.as_dict()["proposed"]),
            m.unit,
        )
        for m in intent.moves
    ]
    currency = str(intent.figures.get("currency", ""))
    days = float(intent.figures["span_days"])
    if intent.promise is None:
        promised = "Nothing was promised of these limits."
    else:
        saving = saving_words(intent.promise.saving_per_month)
        monthly = DAYS_PER_MONTH / days
        calls = change_words(intent.promise.false_calls_saved.times(monthly))
        added = interval_words(intent.promise.escapes_added.times(monthly), 1)
        promised = (
            f"Promised a month: saving {saving} {currency}, {calls} false calls, "
            f"escapes added {added}; from {days:.0f} days."
        )
    against = "".join(
        f"<p><strong>Not advised: {escape(reason_words(r, currency=currency, days=days))}.</strong></p>"
        for r in intent.not_advised
    )
    critical = " Critical family: two people must accept." if intent.critical else ""
    return (
        f"<p><strong>{escape(intent.family)}: {intent.verdict}, signed by {escape(intent.by)}</strong>, "
        f"“{escape(intent.reason)}”.{critical}</p>{against}"
        + words.table(("limit", "now", "then", "unit"), rows)
        + f"<p>{escape(promised)}</p>"
    )
