"""The plant at a glance, and which family is worth the engineer's time."""

import math
from collections.abc import Callable
from html import escape
from typing import Literal

import ipywidgets as widgets
import pandas as pd

from optimiser.history.calls import By
from optimiser.proposal.headline import headline
from optimiser.proposal.record import Proposal
from optimiser.proposal.session import Session
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import saved_words, saving_head, signed_words
from optimiser.views.panels import words
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.origins import Look, Origins
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import afterwards, block, safely
from optimiser.views.sentences import finding_words, headline_words

CALLS = "change of false calls a month"
Rank = Literal["saving_per_month", "escapes_added"]


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


def families_table(session: Session, *, rank: Rank = "saving_per_month") -> pd.DataFrame:
    """Return ``families_frame`` for a screen: what advised changes promise, all of it a month.

    Parameters
    ----------
    session : Session
    rank : {'saving_per_month', 'escapes_added'}

    Returns
    -------
    DataFrame
        Families without an advised change have blanks; the change of false calls is below zero
        where they become fewer.
    """
    currency = session.plant.file.plant.currency
    monthly = DAYS_PER_MONTH / session.opening.tallied.span_days
    rows = []
    for name, row in families_frame(session, rank=rank).iterrows():
        of = session.proposals.get(str(name))
        told = (
            _promised(of, monthly) if of is not None and of.advice == "change" else [math.nan] * 6
        )
        rows.append((name, row["advice"], *told, int(row["defects"]), int(row["items"])))
    head = (
        *("family", "advice", *saving_head(currency)),
        *(CALLS, "escapes added a month", "escapes caught a month"),
        *("labelled defects", "items"),
    )
    return pd.DataFrame(rows, columns=list(head))


def _told_as(currency: str) -> dict[str, Callable[[float], str]]:
    """Return in which words the changes of a table are told: what is lost, what is fewer or more."""
    calls: dict[str, Callable[[float], str]] = {CALLS: lambda more: signed_words(-more, 1)}
    return calls | dict.fromkeys(saving_head(currency), saved_words)


def _promised(of: Proposal, monthly: float) -> list[float]:
    """Return what an advised change promises: saving with its interval, then counts a month."""
    promise = of.promise
    saving = promise.saving_per_month
    fewer = promise.false_calls_saved.times(-1.0)
    counts = (fewer, promise.escapes_added, promise.escapes_caught)
    return [
        *(
            round(x) if math.isfinite(x) else math.nan
            for x in (saving.value, saving.low, saving.high)
        ),
        *(round(x.value * monthly, 1) for x in counts),
    ]


def headline_html(session: Session) -> str:
    """Return the plant in one sentence, what stands behind it to be opened."""
    of_all = headline(list(session.proposals.values()), session.plant.file.review)
    if of_all is None:
        return "<p class='lead'>Nothing is proposed yet: press Propose below.</p>"
    first, *rest = headline_words(of_all, currency=session.plant.file.plant.currency)
    rest += finding_words(list(session.proposals.values()))
    more = "".join(f"<p>{escape(line)}</p>" for line in rest)
    opened = f"<details><summary>What stands behind it</summary>{more}</details>" if more else ""
    return f"<p class='lead'><strong>{escape(first)}</strong></p>{opened}"


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
    """The plant at a glance: one sentence, the families by what a change saves, where calls come from.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._head, self._looks = block("opt-headline"), block("opt-second-looks")
        self._stated = block("opt-stated-rates")
        currency = session.plant.file.plant.currency
        self.families = Grid(
            "families",
            safely(self._family_picked, self, "Cannot show it"),
            first=("family", "advice", f"saving a month, {currency}"),
        )
        self.rank = widgets.Dropdown(
            description="Ranked by",
            options=[
                ("what a change would save", "saving_per_month"),
                ("escapes it would add", "escapes_added"),
            ],
            layout=widgets.Layout(width="380px"),
        )
        self.rank.observe(safely(lambda _: self.refresh(), self, "Cannot rank them"), "value")
        self.again = widgets.Button(
            description="Read proposals again", layout=widgets.Layout(width="auto")
        )
        self.again.on_click(lambda _: self.refresh())
        self.look = widgets.Button(
            description="What a second look would free",
            tooltip="labels that stand before critical and blocked families; takes a few seconds",
            layout=widgets.Layout(width="240px"),
        )
        look = safely(self.show_second_looks, self, "Cannot work it out")
        self.look.on_click(lambda _: look())
        self.origins = Origins(session, self, self._show_family)
        super().__init__(
            [
                widgets.HTML(_plant_words(session)),
                self._head,
                self._stated,
                widgets.HBox(
                    [self.rank, self.again, self.look], layout=widgets.Layout(flex_flow="row wrap")
                ),
                self.families,
                self._looks,
                self.status,
                widgets.HTML("<h3>Where the false calls come from</h3>"),
                self.origins,
            ],
            session,
            filtered="What stands under “Where the false calls come from” is",
        )
        self.refresh()
        afterwards(safely(self._show_rest, self, "Cannot count the false calls"), session)

    def __repr__(self) -> str:
        return f"<OverviewPanel of {self._session!r}>"

    def _show_rest(self) -> None:
        self.origins.show_first()
        self._stated.value = words.contradicted(self._session.stated)

    def refresh(self) -> None:
        """Show the proposals that are kept by now."""
        self._head.value = headline_html(self._session)
        note = (
            "<p class='soft'>Expected, judged on lots that no proposal has seen; at least and at most: the "
            f"90 % interval. From {self._session.opening.tallied.span_days:.0f} days. Families without an advised "
            "change have blanks. A click on a family shows where its false calls come from.</p>"
        )
        table = families_table(self._session, rank=self.rank.value)
        told_as = _told_as(self._session.plant.file.plant.currency)
        self.families.show(table, words=note, told_as=told_as)
        if self._session.relabelled is not None:
            self.show_second_looks()

    def show_second_looks(self) -> None:
        """Say how many labels stand before critical and blocked families."""
        self._looks.value = "<p>Working it out …</p>"
        self._looks.value = words.second_looks(self._session.relabel(), _held_up(self._session))

    def show_by(self, by: By) -> pd.DataFrame:
        """Show the false calls by one way of looking at them, as ``origins.show_by`` does."""
        return self.origins.show_by(by)

    def _family_picked(self, row: int) -> None:
        family = str(self.families.frame["family"].iloc[row])
        wanted = self.origins.filters.value.but(family=family)
        self.origins.show(Look(wanted=wanted, outside=None, by="limit"))

    def _show_family(self, family: str | None) -> None:
        """Say what is advised for the family that is looked at."""
        of = self._session.proposals.get(family) if family is not None else None
        if of is not None:
            self.say(f"{family}: {words.advice(of.advice)}. The notebook decide shows it whole.")


def _plant_words(session: Session) -> str:
    return (
        f"<h2>{escape(session.plant.file.plant.name)}</h2><p class='soft'>"
        f"{session.opening.rows_used:,} items used, {session.opening.rows_set_aside:,} set aside, "
        f"{len(session.cases)} families</p>"
    )
