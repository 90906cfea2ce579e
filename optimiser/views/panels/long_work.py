"""Long work from a notebook: a progress bar, a stop that works, results that are kept."""

import threading
from collections.abc import Sequence

import ipywidgets as widgets

from optimiser.proposal.session import Session
from optimiser.views.panels.overview import headline_html
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import block, words_of


class LongPanel(Panel):
    """Work in a thread, so that the kernel answers, its progress is seen and Stop is heard.

    Who inherits says in ``do`` what is done; the families searched on the way move the bar.

    Parameters
    ----------
    session : Session
    verb : str
        Of the button that starts.
    tooltip : str
    asked, shown : sequences of Widget
        What stands above the buttons, and below.
    """

    def __init__(
        self,
        session: Session,
        *,
        verb: str,
        tooltip: str,
        asked: Sequence[widgets.Widget] = (),
        shown: Sequence[widgets.Widget] = (),
    ) -> None:
        self._session = session
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._done: list[str] = []
        self.bar = widgets.IntProgress(
            max=len(session.cases), description="Families", layout=widgets.Layout(width="430px")
        )
        self.bar.style.bar_color = "#0072B2"
        self.start = widgets.Button(
            description=verb, tooltip=tooltip, layout=widgets.Layout(width="auto")
        )
        self.halt = widgets.Button(
            description="Stop", tooltip="what is done is kept", disabled=True
        )
        self.start.on_click(lambda _: self.run())
        self.halt.on_click(lambda _: self.stop())
        buttons = widgets.HBox([self.start, self.halt, self.bar])
        super().__init__([*asked, buttons, self.status, *shown], session)

    def run(self) -> None:
        """Start; does nothing while it runs."""
        if self._thread is not None and self._thread.is_alive():
            return
        self._stop.clear()
        self._done = []
        self.bar.value = 0
        self.start.disabled, self.halt.disabled = True, False
        self.say("Searching …")
        self._thread = threading.Thread(target=self._work, name=self.start.description, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ask the work to end at its next step."""
        self._stop.set()
        self.say("Stopping at the next trial …")

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until the work has ended; return whether it has."""
        if self._thread is not None:
            self._thread.join(seconds)
            return not self._thread.is_alive()
        return True

    def do(self) -> str:
        """Do the work and show it; return what is said at its end.

        Raises
        ------
        KeyboardInterrupt
            Where Stop was heard.
        """
        raise NotImplementedError

    def ended(self) -> None:
        """Tidy up once the work has ended in whatever way."""

    def heard(self, _: object = None) -> None:
        """Raise KeyboardInterrupt where Stop was pressed; told of every trial."""
        if self._stop.is_set():
            raise KeyboardInterrupt

    def search(self) -> None:
        """Search every family that is not kept.

        Raises
        ------
        KeyboardInterrupt
            Where Stop was heard; what is done is kept.
        """
        _, interrupted = self._session.propose(on_done=self.on_done, on_trial=self.heard)
        if interrupted:
            raise KeyboardInterrupt

    def on_done(self, family: str) -> None:
        """Move the bar by a family that is done."""
        self._done.append(family)
        self.bar.value = len(self._done)
        self.say(f"{len(self._done)} of {self.bar.max} families, last {family}")

    def _work(self) -> None:
        try:
            self.say(self.do())
        except KeyboardInterrupt:
            self.say("Stopped; families that were searched are kept, the next start goes on.")
        except Exception as error:
            self.say(f"Could not go on, what was done is kept: {words_of(error)}")
        finally:
            self.ended()
            self.start.disabled, self.halt.disabled = False, True


class ProposePanel(LongPanel):
    """Proposals for every family, in a thread, so that Stop is heard at the next trial.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._result = block("opt-proposals")
        super().__init__(
            session, verb="Propose", tooltip="search every family", shown=[self._result]
        )

    def __repr__(self) -> str:
        return f"<ProposePanel {self.bar.value} of {self.bar.max} families>"

    def do(self) -> str:
        """Search every family."""
        made, interrupted = self._session.propose(on_done=self.on_done, on_trial=self.heard)
        kept = sum(not of.interrupted for of in made)
        return (
            f"Stopped: {kept} of {self.bar.max} families are done and kept; Propose goes on with the rest."
            if interrupted
            else f"Done: {kept} families, kept in {self._session.folder}."
        )

    def ended(self) -> None:
        """Show the plant in one sentence."""
        self._result.value = headline_html(self._session)
