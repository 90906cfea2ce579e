"""A candidate recipe beside the live one, on results that it has not seen, before it is applied."""

import threading
from dataclasses import asdict
from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from optimiser.errors import UsageError
from optimiser.monitoring.shadow import Shadow, ShadowCounts, result_files
from optimiser.proposal.session import Session
from optimiser.recipe.past import FOLDER
from optimiser.recipe.table import read_recipe
from optimiser.views.panels import words
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import block, safely

MOST_ITEMS = 60
_WIDE = widgets.Layout(width="560px")


class ShadowPanel(Panel):
    """Running counts of what a candidate would have called; each file is read once.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session, self._lock = session, threading.RLock()
        self._shadow: Shadow | None = None
        self._asked: tuple[str, str] | None = None
        self._stop, self._thread = threading.Event(), threading.Thread()
        kept = sorted(str(p) for p in (session.plant.folder / FOLDER).glob("*.csv"))
        self.recipe = widgets.Combobox(
            description="Candidate",
            options=kept,
            placeholder="a recipe file, CSV or JSON",
            layout=_WIDE,
        )
        self.folder = widgets.Text(
            description="Results in",
            value=str(session.plant.locate(session.plant.file.plant.history)),
            layout=_WIDE,
        )
        self.button = widgets.Button(description="Read what is there")
        self.halt = widgets.Button(
            description="Stop", tooltip="what is read is kept", disabled=True
        )
        self.button.on_click(lambda _: self.start())
        self.halt.on_click(lambda _: self._stop.set())
        buttons = widgets.HBox([self.button, self.halt])
        buttons.add_class("opt-stays")
        self.status.add_class("opt-stays")
        self._table, self._items = block(), block("opt-items")
        self._items.layout.max_height = "420px"
        self._items.add_class("opt-scroll")
        super().__init__(
            [
                self.recipe,
                self.folder,
                buttons,
                self.status,
                self._table,
                self._items,
            ],
            session,
        )

    def __repr__(self) -> str:
        counted = self._shadow.counts() if self._shadow is not None else "nothing read yet"
        return f"<ShadowPanel: {counted!r}>"

    def start(self) -> None:
        """Read in a thread, so that the kernel answers and Stop is heard; once at a time."""
        if self._thread.is_alive():
            return
        self.button.disabled, self.halt.disabled = True, False
        self.guard.busy = "Reading result files …"
        self._thread = threading.Thread(target=self._work, name="shadow", daemon=True)
        self._thread.start()

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until what was started has ended; return whether it has."""
        if self._thread.is_alive():
            self._thread.join(seconds)
        return not self._thread.is_alive()

    def _work(self) -> None:
        try:
            self.read()
        finally:
            self._stop.clear()
            self.guard.busy = ""
            self.button.disabled, self.halt.disabled = False, True

    def read(self) -> ShadowCounts | None:
        """Read the files that are new since the last time.

        Returns
        -------
        ShadowCounts or None
            None where the candidate or the folder cannot be used; the panel says why.
        """
        with self._lock:
            return safely(self._read, self, "Nothing was read")()

    def _read(self) -> ShadowCounts:
        path, folder = Path(self.recipe.value), Path(self.folder.value)
        if not path.is_file():
            msg = f"no recipe at {self.recipe.value!r}; name a CSV or JSON recipe"
            raise UsageError(msg)
        if not folder.is_dir():
            msg = f"no folder at {self.folder.value!r}; name the one where result files arrive"
            raise UsageError(msg)
        asked = (str(path), str(folder))
        if self._shadow is None or asked != self._asked:
            plant = self._session.plant
            candidate = read_recipe(path, plant.file.measurements)
            self._shadow, self._asked = Shadow(plant, self._session.live, candidate), asked
        files = result_files(folder)
        for n, file in enumerate(files, start=1):
            if self._stop.is_set():
                break
            self._shadow.take(file)
            self.say(f"{n} of {len(files)} files read")
        counts = self._shadow.counts()
        self._show(counts)
        return counts

    def _show(self, counts: ShadowCounts) -> None:
        stopped = "Stopped; " if self._stop.is_set() else ""
        skipped = f"; skipped: {'; '.join(counts.skipped.values())}" if counts.skipped else ""
        self.say(
            f"{stopped}{len(counts.files)} files, {counts.total.items:,} items, "
            f"{counts.rows_set_aside:,} rows set aside{skipped}"
        )
        frame = pd.DataFrame([asdict(x) for x in (*counts.families, counts.total)])
        self._table.value = words.frame_table(frame) + (
            "<p class='soft'>kept: called by both; loosened: by the live recipe only; tightened: by the candidate "
            "only, mostly never reviewed. Whole items of these files.</p>"
        )
        shown = pd.DataFrame(counts.differing[:MOST_ITEMS])
        more = f", the first {MOST_ITEMS} shown" if len(counts.differing) > MOST_ITEMS else ""
        self._items.value = (
            f"<p>{len(counts.differing):,} items that only one of the two calls{more}.</p>"
            + (words.frame_table(shown) if len(shown) else "")
        )
