"""The signature of somebody whose key stands in the plant file: the text, and three ways to sign it."""

import shlex
from collections.abc import Callable, Mapping
from html import escape
from pathlib import Path

import ipywidgets as widgets

from optimiser.errors import UsageError
from optimiser.ledger.signatures import NAMESPACE, sign_with, text_to_sign
from optimiser.ledger.standing import Entry
from optimiser.plant.file import Plant
from optimiser.views.panels.download import Download
from optimiser.views.panels.parts import Speaks, block, safely


class KeySignature(widgets.VBox):
    """What the signer's key has to sign, and a place for the signature.

    Parameters
    ----------
    panel : Speaks
        Says what goes wrong.
    """

    children: tuple[widgets.Widget, ...]

    def __init__(self, panel: Speaks) -> None:
        self._panel = panel
        self.text = ""
        super().__init__()
        self.add_class("opt-key")

    def ask(
        self,
        proposal: Entry,
        plant: Plant,
        by: str,
        reason: str,
        sign: Callable[[str], object],
        *,
        instead: Mapping[str, Callable[[], object]],
    ) -> None:
        """Show what is to be signed and wait for the signature.

        Parameters
        ----------
        proposal : Entry
            In the ledger.
        plant : Plant
        by, reason : str
        sign : callable
            Given the signature; raises where it is none of this text by this key.
        instead : mapping of str to callable
            What can be done instead of signing, by the words of its button.
        """
        self.text = text = text_to_sign(proposal)
        told, file = block("opt-to-sign"), f"proposal-{proposal.id}.txt"
        told.value = (
            f"<p><strong>{escape(by)} accepts by a signature: plant.toml has the key.</strong> This is signed:</p>"
            f"<pre>{escape(text)}</pre>"
            "<p>Until then it waits: nothing is accepted, nothing goes to a machine. It is not lost when this "
            "page is closed; the notebook <i>follow</i> and <code>optimiser waiting</code> list it.</p>"
        )
        self.key = widgets.Text(
            description="Key file",
            placeholder="private key on the machine that runs this notebook",
            layout=widgets.Layout(width="520px"),
        )
        self.by_key = widgets.Button(
            description="Sign with it", tooltip="ssh-keygen signs; the key is not kept"
        )
        self.sheet = widgets.FileUpload(
            description="Signature file", accept=".sig,.txt", layout=widgets.Layout(width="200px")
        )
        in_terminal = block()
        in_terminal.value = (
            f"<p>Or where the key is: save the text, <code>ssh-keygen -Y sign -n {NAMESPACE} -f KEY {file}</code>, "
            f"and choose <code>{file}.sig</code> above. Or all of it in a terminal:</p>"
            f"<pre>{escape(terminal_words(proposal, plant, by, reason))}</pre>"
        )

        def with_key() -> None:
            sign(sign_with(Path(self.key.value.strip()).expanduser(), text))

        def with_sheet(change: object) -> None:
            del change
            if self.sheet.value:
                sign(_ascii(bytes(self.sheet.value[0]["content"])))

        press = safely(with_key, self._panel, "NOT SIGNED")
        self.by_key.on_click(lambda _: press())
        self.sheet.observe(safely(with_sheet, self._panel, "NOT SIGNED"), "value")
        self.children = (
            told,
            widgets.HBox([self.key, self.by_key], layout=widgets.Layout(flex_flow="row wrap")),
            widgets.HBox(
                [Download(file, lambda: text, words="Save the text"), self.sheet],
                layout=widgets.Layout(flex_flow="row wrap"),
            ),
            in_terminal,
            widgets.HBox(
                [self._instead(label, act) for label, act in instead.items()],
                layout=widgets.Layout(flex_flow="row wrap"),
            ),
        )

    def _instead(self, label: str, act: Callable[[], object]) -> widgets.Button:
        """Return a button that ends the question without a signature."""
        made = widgets.Button(description=label, layout=widgets.Layout(width="auto"))
        guarded = safely(act, self._panel, "NOT SAVED")
        made.on_click(lambda _: guarded())
        return made

    def clear(self) -> None:
        """Take the question back."""
        self.text = ""
        self.children = ()


def terminal_words(proposal: Entry, plant: Plant, by: str, reason: str) -> str:
    """Return the commands that accept a proposal by a key in a terminal.

    Parameters
    ----------
    proposal : Entry
    plant : Plant
    by, reason : str

    Returns
    -------
    str
    """
    where, sheet = shlex.quote(str(plant.folder)), f"proposal-{proposal.id}.sig"
    return (
        f"optimiser waiting {where} --to-sign {proposal.id} | ssh-keygen -Y sign -n {NAMESPACE} -f KEY > {sheet}\n"
        f"optimiser accept {where} {proposal.id} --by {shlex.quote(by)} --reason {shlex.quote(reason)} "
        f"--signature {sheet}"
    )


def _ascii(content: bytes) -> str:
    try:
        return content.decode("ascii")
    except UnicodeDecodeError as error:
        msg = "that file is no signature: choose what ssh-keygen -Y sign wrote"
        raise UsageError(msg) from error
