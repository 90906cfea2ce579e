"""The plan of the whole line, for the terminal and the notebook."""

import math

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.evidence.intervals import Interval
from optimiser.plant.file import PlantFile
from optimiser.proposal.line import FamilyPlan, LinePlan
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import change_words, saving_head, saving_words


def plan_text(plan: LinePlan, file: PlantFile) -> Group:
    """Return a plan: its sentence, its families, what it promises together, its front.

    Parameters
    ----------
    plan : LinePlan
    file : PlantFile

    Returns
    -------
    Group
    """
    currency = file.plant.currency
    parts: list[RenderableType] = [Text(line) for line in head_words(plan, currency)]
    parts += [Text(""), families_table(plan, currency), Text("")]
    parts += [Text(line) for line in left_words(plan)]
    parts += [Text(line) for line in together_words(plan, currency)]
    parts += [Text(""), front_table(plan, currency)]
    return Group(*parts)


def head_words(plan: LinePlan, currency: str) -> list[str]:
    """Return what a plan does, what it costs to have it, and what ends its hours."""
    proof = (
        "proved the best at these outcomes"
        if plan.gap <= 1e-6 * max(1.0, plan.by_limits)
        else f"at most {currency} {plan.gap:,.2f} a month above the best at these outcomes"
    )
    lines = [
        f"hours of review a day: {plan.hours_asked:.4g} asked for, {plan.hours:.2f} planned, now "
        f"{plan.hours_now:.2f}; {_end_words(plan)}; {proof}",
        f"escapes a month: limits {currency} {plan.by_limits:,.0f} (now {plan.by_limits_now:,.0f}), "
        f"passed by reviewers {currency} {plan.by_review:,.0f} (now {plan.by_review_now:,.0f}); scenario "
        f"'{plan.scenario}': they pass {plan.miss_rate:.1%} at {plan.true_share:.1%} true calls",
        f"one hour a day more saves {currency} {plan.one_more:,.0f} of escapes a month, "
        + (
            "none fewer can be had"
            if plan.one_fewer is None
            else f"one fewer costs {currency} {plan.one_fewer:,.0f}"
        )
        + f"; at the margin {currency} {plan.hour_price:,.0f} an hour; an hour of review a day itself "
        f"costs {currency} {plan.hour_cost:,.0f} a month",
    ]
    if plan.pace is not None:
        kept = "keeps pace" if plan.pace.held else "does NOT keep pace"
        lines.append(
            f"pace: {plan.pace.planned:.1f} s of review a board (now {plan.pace.live:.1f}), "
            f"{plan.pace.available:.1f} s available: {kept}"
        )
    return lines


def _end_words(plan: LinePlan) -> str:
    return {
        "hours": "the hours bind",
        "pace": "the pace of the line binds before the hours do",
        "": "more hours would save nothing",
    }[plan.binds]


LEFT = {
    "advice": "no change of it is advised",
    "calls unlike recipe": "its recorded calls are not the recipe's",
}


def left_words(plan: LinePlan) -> list[str]:
    """Return which families the plan leaves as they are, and how to let them move."""
    left = [f.family for f in plan.families if f.left]
    if not left:
        return []
    return [
        f"{len(left)} of {len(plan.families)} families stay as they are, for by itself no change of them is "
        f"advised ({', '.join(left)}); `optimiser plan --unadvised` lets them move"
    ]


def _most_moved(plan: LinePlan) -> list[FamilyPlan]:
    return sorted(plan.families, key=lambda f: -abs(f.hours - f.hours_now))


def families_frame(plan: LinePlan, currency: str) -> pd.DataFrame:
    """Return what the plan asks of each family as numbers, most hours moved first.

    Parameters
    ----------
    plan : LinePlan
    currency : str

    Returns
    -------
    DataFrame
        Savings are NaN where a family stays as it is, and where their end is unknown.
    """
    rows = []
    for row in _most_moved(plan):
        saving = row.promise.saving_per_month if row.promise else None
        ends = [math.nan] * 3 if saving is None else [saving.value, saving.low, saving.high]
        rows.append(
            {
                "family": row.family,
                "hours a day now": round(row.hours_now, 2),
                "hours a day planned": round(row.hours, 2),
                f"escapes now, {currency} a month": round(row.escapes_now),
                f"escapes planned, {currency} a month": round(row.escapes),
                **dict(zip(saving_head(currency), map(_or_blank, ends), strict=True)),
                "alone": row.advice,
                "limits that move": _moves(row),
            }
        )
    return pd.DataFrame(rows)


def _or_blank(x: float) -> float:
    return x if math.isfinite(x) else math.nan


def families_table(plan: LinePlan, currency: str) -> Table:
    """Return what the plan asks of each family, most hours moved first."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    head = (
        *("family", "h/day now", "planned", f"escapes now, {currency} a month", "planned"),
        *(f"saving a month, {currency} (90 %)", "alone", "limits that move"),
    )
    for n, column in enumerate(head):
        right = 0 < n < 6
        table.add_column(column, justify="right" if right else "left", no_wrap=n == 0)
    for row in _most_moved(plan):
        table.add_row(
            row.family,
            f"{row.hours_now:.2f}",
            f"{row.hours:.2f}",
            f"{row.escapes_now:,.0f}",
            f"{row.escapes:,.0f}",
            "" if row.promise is None else saving_words(row.promise.saving_per_month),
            row.advice,
            _moves(row),
        )
    return table


def _moves(row: FamilyPlan) -> str:
    if row.left:
        return f"stays: {LEFT[row.left]}"
    if not row.limits:
        return "stays"
    words = ", ".join(f"{m.measurement} {m.side} {_limit(m.proposed)}" for m in row.limits)
    certified = {True: "certified: ", False: "not certified: ", None: ""}[row.certified]
    return certified + words


def _limit(value: float) -> str:
    return f"{value:g}" if math.isfinite(value) else "off"


def together_words(plan: LinePlan, currency: str) -> list[str]:
    """Return what all changes of a plan promise together."""
    found, scale = plan.together, DAYS_PER_MONTH / plan.span_days
    if not found.families:
        return ["no limit moves within these hours, so nothing is promised"]
    added, caught = (x.times(scale) for x in (found.escapes_added, found.escapes_caught))
    shared = max(found.review_shared, found.escapes_shared)
    alike = (
        f"families share lots, which widens it {math.sqrt(shared):.1f} times" if shared > 1.01 else
        "families' lots show nothing in common"
    )  # fmt: skip
    return [
        f"{_all_changes(found.families)} {currency} {_interval(found.saving_per_month)} a "
        f"month against the live limits, judged on lots that neither limits nor plan have seen ({alike}):",
        f"  review {_interval(found.review_saving_per_month)}, escapes added "
        f"cost {_interval(found.added_cost_per_month)}, caught {_interval(found.caught_saving_per_month)}",
        f"  {change_words(found.false_calls_saved.times(scale))} false calls a month, escapes "
        f"added {_interval(added, 1)}, caught {_interval(caught, 1)}; "
        f"review {_interval(plan.hours_promised, 2)} hours a day",
        f"  choosing among outcomes flatters: {currency} {_interval(found.choosing)} a month are taken off, by "
        f"plans made without the lots they are judged on (chosen from: {currency} "
        f"{plan.chosen_saving_per_month:,.0f})",
        "  each family's limits keep to its rails; they are signed family by family",
    ]


def _all_changes(families: int) -> str:
    return (
        "the one change promises" if families == 1 else f"all {families} changes together promise"
    )


def _interval(of: Interval, digits: int = 0) -> str:
    return f"{of.value:,.{digits}f} ({of.low:,.{digits}f} to {of.high:,.{digits}f})"


def front_table(plan: LinePlan, currency: str, *, rows: int = 12) -> Group:
    """Return the front of the whole line, from the fewest hours to the most."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in (
        "hours a day",
        f"escapes {currency} a month",
        "of limits",
        "passed by reviewers",
    ):
        table.add_column(column, justify="right")
    last = len(plan.front) - 1
    kept = sorted({round(n * last / (rows - 1)) for n in range(rows)}) if last > 0 else [0]
    for point in (plan.front[n] for n in kept):
        table.add_row(
            f"{point.hours:.2f}",
            f"{point.cost:,.0f}",
            f"{point.by_limits:,.0f}",
            f"{point.by_review:,.0f}",
        )
    note = (
        "The front of the whole line: the least escapes for so many hours, outcomes on lots that no fit "
        "has seen; choosing among them is not taken off here, so it is somewhat hopeful and no promise."
    )
    return Group(table, Text(note))
