"""Name, reason, what exactly would be done, and the yes to it: nothing is done that was not shown."""

from collections.abc import Callable, Mapping

import ipywidgets as widgets

from optimiser.views.panels.parts import block


class Confirm(widgets.VBox):
    """Buttons that ask first; a question that is no longer what is shown finds no yes.

    Parameters
    ----------
    acts : mapping of str to str
        Name and meaning of each button.
    on_ask : callable
        Told the button's name.

    Attributes
    ----------
    asked : str
        What waits for the yes, as HTML; blank without a question.
    """

    def __init__(self, acts: Mapping[str, str], on_ask: Callable[[str], object]) -> None:
        self.asked = ""
        self.name = widgets.Text(
            description="Name", placeholder="who decides", layout=widgets.Layout(width="330px")
        )
        self.reason = widgets.Text(
            description="Reason", placeholder="why", layout=widgets.Layout(width="520px")
        )
        self.buttons: dict[str, widgets.Button] = {}
        for label, meaning in acts.items():
            button = widgets.Button(description=label, tooltip=meaning)
            button.on_click(lambda _, act=label: on_ask(act))
            self.buttons[label] = button
        for field in (self.name, self.reason):
            field.observe(lambda _: self.clear(), "value")
        row = widgets.HBox([*self.buttons.values()], layout=widgets.Layout(flex_flow="row wrap"))
        row.add_class("opt-verdicts")
        self._question = widgets.VBox()
        self._question.add_class("opt-question")
        super().__init__(
            [
                widgets.HBox([self.name, self.reason], layout=widgets.Layout(flex_flow="row wrap")),
                row,
                self._question,
            ]
        )

    def ask(self, label: str, question: str, act: Callable[[], object]) -> None:
        """Show what would be done and wait for the yes.

        Parameters
        ----------
        label : str
            Of the button that says yes.
        question : str
            HTML.
        act : callable
            Done once, at the yes to this very question.
        """
        self.asked = question
        self.yes = widgets.Button(description=label, button_style="primary")
        no = widgets.Button(description="Back", tooltip="nothing is written")

        def said_yes(_: object) -> None:
            if self.asked is question:
                self.clear()
                act()

        self.yes.on_click(said_yes)
        no.on_click(lambda _: self.clear())
        row = widgets.HBox([self.yes, no])
        row.add_class("opt-verdicts")
        text = block()
        text.value = question
        self._question.children = (text, row)

    def clear(self) -> None:
        """Take the question back."""
        self.asked = ""
        self._question.children = ()
