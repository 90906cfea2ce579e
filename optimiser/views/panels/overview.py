"""Where the false calls come from, and which family is worth the engineer's time."""

import threading
from html import escape
from typing import Any, Literal

import ipywidgets as widgets
import pandas as pd

from optimiser.evidence.promise import DAYS_PER_MONTH
from optimiser.history.calls import WAYS, By, CallTotals
from optimiser.proposal.headline import headline
from optimiser.proposal.record import Proposal
from optimiser.proposal.session import Session
from optimiser.views.charts import pareto_chart
from optimiser.views.panels import words
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import block, live_chart, safely
from optimiser.views.sentences import finding_words, headline_words, interval_words

Rank = Literal["saving_per_month", "escapes_added"]
_MEANS = {
    "family": "family",
    "limit": "limit (an item outside several counts for each)",
    "designator": "product and designator",
    "part": "part",
    "product": "product",
    "line": "line",
    "lot": "lot",
}


def families_frame(session: Session, *, rank: Rank = "saving_per_month") -> pd.DataFrame:
    """Return the families, ranked by what a change would save or by what it would risk.

    Parameters
    ----------
    session : Session
    rank : {'saving_per_month', 'escapes_added'}
        Largest first, advised changes before the others.

    Returns
    -------
    DataFrame
        Indexed by family; numbers, NaN where nothing was proposed or no change was found.
        Savings and escapes are held-out promises of the change found, advised or not.
    """
    rows = []
    for name, case in session.cases.items():
        of = session.proposals.get(name)
        change = of.change if of is not None else None
        rows.append(
            {
                "family": name,
                "advice": of.advice if of is not None else "not proposed yet",
                **{
                    key: getattr(change.promise, key).value if change else float("nan")
                    for key in ("saving_per_month", "false_calls_saved", "escapes_added")
                },
                "defects": len(case.tally.defects.frame),
                "items": case.tally.items,
            }
        )
    order = {"change": 0, "investigate": 1, "keep": 2, "gather": 3}
    frame = pd.DataFrame(rows).set_index("family")
    ranks = frame["advice"].map(order).fillna(4)
    return (
        frame.assign(_rank=ranks)
        .sort_values(["_rank", rank], ascending=[True, False])
        .drop(columns="_rank")
    )


def _promised(of: Proposal) -> list[str]:
    """Return what an advised change promises, in words."""
    return [
        interval_words(of.promise.saving_per_month),
        interval_words(of.promise.false_calls_saved),
        interval_words(of.promise.escapes_added, 1),
        interval_words(of.promise.escapes_caught, 1),
    ]


def families_html(session: Session, *, rank: Rank = "saving_per_month") -> str:
    """Return ``families_frame`` as words: values with their intervals."""
    currency = session.plant.file.plant.currency
    head = (
        "family",
        "advice",
        f"saving a month, {currency}",
        "false calls saved",
        "escapes added",
        "escapes caught",
        "defects",
        "items",
    )
    rows = []
    for name in families_frame(session, rank=rank).index:
        of, case = session.proposals.get(str(name)), session.cases[str(name)]
        cells = _promised(of) if of is not None and of.advice == "change" else [""] * 4
        advice = of.advice if of is not None else "not proposed yet"
        labelled = len(case.tally.defects.frame)
        rows.append((name, advice, *cells, f"{labelled:,}", f"{case.tally.items:,}"))
    note = (
        "Expected values, judged on lots that no proposal has seen, with 90 % intervals, over "
        f"{session.history.span_days:.0f} days; money a month. Families without an advised change have blanks."
    )
    of_all = headline(list(session.proposals.values()), session.plant.file.review)
    said = headline_words(of_all, currency=currency) if of_all else []
    said += finding_words(list(session.proposals.values()))
    together = "".join(f"<p>{escape(line)}</p>" for line in said)
    return together + words.table(head, rows, words=2) + f"<p class='soft'>{note}</p>"


def totals_html(totals: CallTotals) -> str:
    """Return what the live recipe's calls amount to, each with its denominator."""
    monthly = DAYS_PER_MONTH / totals.days
    rows = [
        (
            "first-pass yield",
            f"{totals.first_pass_yield:.1%}",
            f"{totals.boards_without_call:,} boards without a call of {totals.boards:,} board inspections",
        ),
        (
            "false calls per board",
            f"{totals.false_calls_per_board:.2f}",
            f"{totals.false_calls:,} called items that review found good, of {totals.boards:,} board inspections",
        ),
        (
            "false calls per million",
            f"{totals.false_calls_per_million:,.0f}",
            f"of {totals.items:,} inspected items; an item is one opportunity",
        ),
        (
            "review",
            f"{totals.review_hours * monthly:,.0f} h a month",
            f"{totals.calls:,} calls in {totals.days:.0f} days at the plant file's seconds per call",
        ),
        (
            "true calls",
            f"{totals.true_calls:,}",
            f"{totals.true_calls / max(1, totals.calls):.1%} of all calls",
        ),
        (
            "escapes known",
            f"{totals.escapes:,}",
            "labelled defects that were not called; those nobody found are not among them",
        ),
    ]
    body = "".join(
        f"<tr><td class='word'>{escape(a)}</td><td><strong>{escape(b)}</strong></td>"
        f"<td class='word soft'>{escape(c)}</td></tr>"
        for a, b, c in rows
    )
    return f"<table><tbody>{body}</tbody></table>"


def _held_up(session: Session) -> list[str]:
    """Return the families that are critical, or searched without a change to advise."""
    files = session.plant.file.families
    return [
        name
        for name in session.cases
        if files[name].critical or _is_kept(session.proposals.get(name))
    ]


def _is_kept(of: Proposal | None) -> bool:
    return of is not None and of.advice != "change"


class OverviewPanel(Panel):
    """The plant at a glance.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session, self._lock = session, threading.RLock()
        self._table = block("opt-pareto-table", max_height="380px")
        self._table.add_class("opt-scroll")
        self._drawing = widgets.VBox()
        self.by = widgets.Dropdown(
            description="By",
            options=[(_MEANS[w], w) for w in WAYS],
            layout=widgets.Layout(width="430px"),
        )
        self.by.observe(safely(self._picked, self, "Cannot count it"), "value")
        self._families = block("opt-family-table")
        self.rank = widgets.Dropdown(
            description="Ranked by",
            options=[
                ("what a change would save", "saving_per_month"),
                ("escapes it would add", "escapes_added"),
            ],
            layout=widgets.Layout(width="430px"),
        )
        self.rank.observe(safely(lambda _: self.refresh(), self, "Cannot rank them"), "value")
        self.again = widgets.Button(
            description="Read proposals again", layout=widgets.Layout(width="200px")
        )
        self.again.on_click(lambda _: self.refresh())
        self.look = widgets.Button(
            description="What a second look would free",
            tooltip="labels that stand before critical and blocked families; takes a few seconds",
            layout=widgets.Layout(width="260px"),
        )
        look = safely(self.show_second_looks, self, "Cannot work it out")
        self.look.on_click(lambda _: look())
        self._looks = block("opt-second-looks")
        name = escape(session.plant.file.plant.name)
        super().__init__(
            [
                widgets.HTML(
                    f"<h2>{name}</h2><p class='soft'>{session.history.rows_used:,} items used, "
                    f"{session.history.rows_set_aside:,} set aside, {len(session.cases)} families</p>"
                ),
                widgets.HTML(totals_html(session.totals())),
                widgets.HTML("<h3>Families: what a change would save and risk</h3>"),
                widgets.HBox([self.rank, self.again], layout=widgets.Layout(flex_flow="row wrap")),
                self._families,
                self.look,
                self._looks,
                widgets.HTML("<h3>Where the false calls come from</h3>"),
                self.by,
                widgets.HBox(
                    [self._drawing, self._table],
                    layout=widgets.Layout(flex_flow="row wrap", grid_gap="24px"),
                ),
                self.status,
            ],
            session.plant,
        )
        self.refresh()
        self.show_by("family")

    def __repr__(self) -> str:
        return f"<OverviewPanel of {self._session!r}>"

    def refresh(self) -> None:
        """Show the proposals that are kept by now."""
        self._families.value = families_html(self._session, rank=self.rank.value)
        if self._session.relabelled is not None:
            self.show_second_looks()

    def show_second_looks(self) -> None:
        """Say how many labels stand before critical and blocked families."""
        self._looks.value = "<p>Working it out …</p>"
        self._looks.value = words.second_looks(self._session.relabel(), _held_up(self._session))

    def show_by(self, by: By) -> pd.DataFrame:
        """Show the false calls by one way of looking at them.

        Parameters
        ----------
        by : str
            One of ``history.calls.WAYS``.

        Returns
        -------
        DataFrame
            What is drawn.
        """
        with self._lock:
            frame = self._session.false_calls_by(by)
            if not len(frame) or not frame["false_calls"].sum():
                self._drawing.children = ()
                self._table.value = "<p>No false call in this history: nothing to rank.</p>"
                return frame
            chart = live_chart(pareto_chart(frame, by=by), height=420)
            self._drawing.children = (chart,)
            shown = frame.head(100).copy()
            for column in ("share", "cumulative"):
                if column in shown:
                    shown[column] = [f"{v:.1%}" for v in shown[column]]
            self._table.value = words.frame_table(shown)
            return frame

    def _picked(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        self.show_by(change["new"])
