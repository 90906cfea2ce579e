"""Long work from a notebook: a progress bar, a stop that works, results that are kept."""

import threading

import ipywidgets as widgets

from optimiser.proposal.session import Session
from optimiser.views.panels.overview import headline_html
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import block, words_of


class ProposePanel(Panel):
    """Proposals for every family, in a thread, so that Stop is heard at the next trial.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.bar = widgets.IntProgress(
            max=len(session.cases), description="Families", layout=widgets.Layout(width="430px")
        )
        self.bar.style.bar_color = "#0072B2"
        self.start = widgets.Button(description="Propose", tooltip="search every family")
        self.halt = widgets.Button(
            description="Stop", tooltip="what is done is kept", disabled=True
        )
        self.start.on_click(lambda _: self.run())
        self.halt.on_click(lambda _: self.stop())
        self._result = block("opt-proposals")
        super().__init__(
            [
                widgets.HBox([self.start, self.halt, self.bar]),
                self.status,
                self._result,
            ],
            session.plant,
        )

    def __repr__(self) -> str:
        return f"<ProposePanel {self.bar.value} of {self.bar.max} families>"

    def run(self) -> None:
        """Start; does nothing while it runs."""
        if self._thread is not None and self._thread.is_alive():
            return
        self._stop.clear()
        self.bar.value = 0
        self.start.disabled, self.halt.disabled = True, False
        self.say("Searching …")
        self._thread = threading.Thread(target=self._work, name="propose", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ask the search to end at its next trial."""
        self._stop.set()
        self.say("Stopping at the next trial …")

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until the work has ended; return whether it has."""
        if self._thread is not None:
            self._thread.join(seconds)
            return not self._thread.is_alive()
        return True

    def _work(self) -> None:
        done: list[str] = []

        def on_done(family: str) -> None:
            done.append(family)
            self.bar.value = len(done)
            self.say(f"{len(done)} of {self.bar.max} families, last {family}")

        def on_trial(_: int) -> None:
            if self._stop.is_set():
                raise KeyboardInterrupt

        try:
            made, interrupted = self._session.propose(on_done=on_done, on_trial=on_trial)
            kept = sum(not of.interrupted for of in made)
            self.say(
                f"Stopped: {kept} of {self.bar.max} families are done and kept; Propose goes on with the rest."
                if interrupted
                else f"Done: {kept} families, kept in {self._session.folder}."
            )
        except Exception as error:
            self.say(f"Could not go on, what was done is kept: {words_of(error)}")
        finally:
            self._result.value = headline_html(self._session)
            self.start.disabled, self.halt.disabled = False, True
