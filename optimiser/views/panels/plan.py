"""The hours of review shared out over all families of the line, from a notebook."""

from html import escape

import ipywidgets as widgets

from optimiser.defaults import SCENARIOS
from optimiser.evidence.reviewers import scenario
from optimiser.proposal.line import Line, LinePlan
from optimiser.proposal.session import Session
from optimiser.views.figures import saved_words, saving_head
from optimiser.views.line_charts import front_chart
from optimiser.views.line_tables import (
    families_frame,
    head_words,
    left_words,
    together_words,
)
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.live import live_chart
from optimiser.views.panels.long_work import LongPanel
from optimiser.views.panels.parts import block, swap


class PlanPanel(LongPanel):
    """One point per family within some hours of review a day, and the front of the whole line.

    Parameters
    ----------
    session : Session

    Attributes
    ----------
    plan : LinePlan or None
        What is shown.
    """

    def __init__(self, session: Session) -> None:
        self.plan: LinePlan | None = None
        self._line: Line | None = None
        self.hours = widgets.BoundedFloatText(
            description="Hours of review a day, all families",
            value=0.0,
            min=0.0,
            max=1e6,
            step=0.25,
            style={"description_width": "230px"},
            layout=widgets.Layout(width="340px"),
            tooltip="0: as many as now",
        )
        self.scenario = widgets.Dropdown(
            description="Reviewers miss",
            options=[
                ("as the plant file states", SCENARIOS[0]),
                *((f"more where calls are many: {name}", name) for name in SCENARIOS[1:]),
            ],
            style={"description_width": "110px"},
            layout=widgets.Layout(width="430px"),
        )
        self._head, self._together = block("opt-plan"), block("opt-plan-promise")
        self._drawing = widgets.VBox()
        self.table = Grid("plan")
        super().__init__(
            session,
            verb="Plan the line",
            tooltip="searches families that nobody searched yet, then shares the hours out",
            asked=[
                widgets.HBox(
                    [self.hours, self.scenario], layout=widgets.Layout(flex_flow="row wrap")
                )
            ],
            shown=[self._head, self._drawing, self.table, self._together],
        )

    def __repr__(self) -> str:
        told = "nothing planned yet" if self.plan is None else f"{self.plan.hours:.2f} hours a day"
        return f"<PlanPanel: {told}>"

    def do(self) -> str:
        """Search what is not kept, make the plan and show it."""
        if self._line is None:
            self.search()
            self._line = self._session.line()
        self.bar.value = self.bar.max
        self.say("Sharing the hours out …")
        miss_rate = self._session.plant.file.review.miss_rate
        plan = self._line.plan(
            self.hours.value or self._line.hours_now(),
            scenario(self.scenario.value, miss_rate=miss_rate),
        )
        self.heard()
        self._show(plan)
        return (
            f"Planned: {plan.hours:.2f} hours of review a day, now {plan.hours_now:.2f}. Limits are signed "
            "family by family, in the notebook decide; nothing is applied."
        )

    def _show(self, plan: LinePlan) -> None:
        currency = self._session.plant.file.plant.currency
        self.plan = plan
        self._head.value = _paragraphs(head_words(plan, currency))
        self._together.value = _paragraphs([*left_words(plan), *together_words(plan, currency)])
        chart = front_chart(plan, self._session.plant.file)
        swap(self._drawing, [live_chart(chart, height=340)])
        told = "<p class='soft'>Escapes as the plan was chosen by; at least and at most: the 90 % interval.</p>"
        self.table.show(
            families_frame(plan, currency),
            words=told,
            told_as=dict.fromkeys(saving_head(currency), saved_words),
        )


def _paragraphs(lines: list[str]) -> str:
    return "".join(f"<p>{escape(line.strip())}</p>" for line in lines)
