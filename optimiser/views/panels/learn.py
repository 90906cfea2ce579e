"""What an hour of looking is worth, its sheets, and what earlier looks were worth, from a notebook."""

from datetime import UTC, datetime
from html import escape

import ipywidgets as widgets
import pandas as pd

from optimiser.proposal.learn_list import LearnList
from optimiser.proposal.session import Session
from optimiser.views.learn_page import learn_page
from optimiser.views.learn_tables import (
    FACTS,
    IN_FACT,
    NOTE,
    fact_rows,
    look_words,
    looks_frame,
    nothing_words,
    read_words,
    sum_words,
)
from optimiser.views.panels import words
from optimiser.views.panels.download import Download
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.long_work import LongPanel
from optimiser.views.panels.parts import block, safely


class LearnPanel(LongPanel):
    """Where some hours of looking are worth most; a click on a row says why, and its sheet's way back.

    Parameters
    ----------
    session : Session

    Attributes
    ----------
    found : LearnList or None
        What is shown.
    """

    def __init__(self, session: Session) -> None:
        self.found: LearnList | None = None
        self.hours = widgets.BoundedFloatText(
            description="Hours there are for looking",
            value=2.0,
            min=0.05,
            max=1e4,
            step=0.5,
            style={"description_width": "190px"},
            layout=widgets.Layout(width="300px"),
        )
        self._told, self._why, self._facts = (
            block("opt-looks"),
            block("opt-look"),
            block("opt-facts"),
        )
        self.table = Grid("looks", safely(self._picked, self, "Cannot show it"))
        self.page = Download("sheets.html", self._page)
        self.page.words = "Save the sheets to print"
        self._pages = widgets.VBox()
        super().__init__(
            session,
            verb="List what is worth looking at",
            tooltip="writes a sheet for each look into the plant's folder learn",
            asked=[self.hours],
            shown=[self._told, self.table, self._why, self._pages, self._facts],
        )

    def __repr__(self) -> str:
        listed = 0 if self.found is None else len(self.found.listed)
        return f"<LearnPanel: {listed} looks>"

    def do(self) -> str:
        """Search what is not kept, then list, write the sheets and show them."""
        self.search()
        self.bar.value = 0
        self._done = []
        self.say("Weighing what looking may bring …")
        found = self._session.learn(
            self.hours.value, day=f"{datetime.now(UTC):%Y-%m-%d}", on_done=self._weighed
        )
        self._show(found)
        folder = self._session.plant.folder / "learn"
        return f"{len(found.listed)} looks, their sheets in {folder}." if found.listed else "Done."

    def _weighed(self, family: str) -> None:
        self.heard()
        self.on_done(family)

    def _show(self, found: LearnList) -> None:
        file = self._session.plant.file
        currency = file.plant.currency
        self.found, self._why.value = found, ""
        looks = [x.look for x in found.listed]
        self._told.value = (
            f"<p class='lead'><strong>{escape(sum_words(looks, currency))}</strong></p>"
            f"<p class='soft'>{escape(NOTE)} A click on a row says why.</p>"
            if looks
            else f"<p>{escape(nothing_words(file))}</p>"
        )
        self.table.show(looks_frame(found.listed, currency))
        self._pages.children = (self.page,) if looks else ()
        self._facts.value = (
            "<h4>What earlier looks were worth</h4>"
            + words.frame_table(pd.DataFrame(fact_rows(found.followed), columns=list(FACTS)))
            + f"<p class='soft'>{currency} a month. {escape(IN_FACT)}</p>"
            if found.followed
            else ""
        )

    def _picked(self, row: int) -> None:
        """Say why a look is worth it, and how its sheet is read back."""
        if self.found is None:
            return
        of, plant = self.found.listed[row], self._session.plant
        read = read_words(of, plant=str(plant.folder), folder=str(plant.folder))
        self._why.value = (
            f"<p>{escape(look_words(of.look, plant.file.plant.currency))}.</p>"
            f"<p>Its sheet, filled in, is read with <code>{escape(read)}</code></p>"
        )

    def _page(self) -> str:
        found, plant = self.found, self._session.plant
        if found is None:
            return ""
        texts = [(plant.folder / x.sheet).read_text(encoding="utf-8") for x in found.listed]
        return learn_page(found.listed, texts, plant)
