"""The manager's page: one HTML file, no script, no network, printable; and the same as CSV."""

import csv
import io
import math
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined

from optimiser.defaults import TRIALS
from optimiser.evidence.intervals import Interval
from optimiser.monitoring.account import Account, Figure
from optimiser.proposal.month import Month
from optimiser.values import cell
from optimiser.views.figures import saved_words, saving_span, saving_words
from optimiser.views.report_charts import money_pictures, saving_pictures, week_pictures
from optimiser.views.sentences import headline_words, hours_words, month_cells

MOST_NAMED = 4
"""Waiting proposals named on the first screen; all stand in the table below it."""


def report_page(account: Account) -> str:
    """Return the page.

    Parameters
    ----------
    account : Account

    Returns
    -------
    str
        HTML that asks for nothing: no script, no font, no picture from elsewhere.
    """
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    page.filters |= {
        "whole": _whole,
        "percent": lambda x: "–" if x is None or math.isnan(x) else f"{x:.1%}",
        "between": lambda of: saving_span(_as_interval(of)),
        "saving": lambda of: saving_words(_as_interval(of)),
        "saved": saved_words,
        "interval": _interval,
        "figure": _figure,
        "month": lambda row: month_cells(Month.from_dict(row)),
    }
    template = page.from_string(files("optimiser.views").joinpath("report.html").read_text("utf-8"))
    said = _together(account)
    return template.render(
        a=account,
        sentence=said[0] if said else "No family has been proposed yet: run optimiser propose.",
        more=said[1:],
        m=account.headline.month if account.headline else None,
        hours=hours_words(account.headline.month) if account.headline else None,
        summary=_summary(account),
        alarms=[f"{c['family']}: {c['reason']}" for c in account.changes if "look" in c["state"]],
        named=account.waiting[:MOST_NAMED],
        unnamed=len(account.waiting[MOST_NAMED:]),
        money=money_pictures(account),
        savings=saving_pictures(account),
        weeks=week_pictures(account),
    )


def _together(account: Account) -> list[str]:
    """Return all proposals of the plant together, as sentences."""
    if account.headline is None:
        return []
    return headline_words(account.headline, currency=account.currency)


def report_csv(account: Account) -> str:
    """Return every figure of the page as rows: ``part, name, value, low, high, unit, basis``.

    Parameters
    ----------
    account : Account

    Returns
    -------
    str
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("part", "name", "value", "low", "high", "unit", "basis"))
    writer.writerows(_money_rows(account))
    for f in account.figures:
        writer.writerow(("quality", f.name, f.value, f.low, f.high, f.unit, f.basis))
    writer.writerows(_count_rows(account))
    writer.writerows(_family_rows(account))
    return out.getvalue()


Row = tuple[Any, ...]


def _money_rows(account: Account) -> list[Row]:
    """Return what is saved and promised, a month and to date."""
    money = f"{account.currency} a month"
    rows: list[Row] = [
        ("saving", g.name, *_ends(g.saving), money, f"{g.families} families") for g in account.head
    ]
    for name, found in (("realised", account.realised), ("promised", account.promised)):
        if found is not None:
            rows.append(("live", name, *_ends(found), money, ""))
    if account.to_date is not None:
        t = account.to_date
        basis = f"since {t.since}, {t.changes} changes, {t.items} items"
        rows.append(("to date", "realised", *_ends(t.realised), account.currency, basis))
        rows.append(("to date", "promised", *_ends(t.promised), account.currency, basis))
    for day in account.by_day:
        for key in ("realised", "promised", "realised_total", "promised_total"):
            rows.append(("day", f"{day['date']} {key}", day[key], "", "", account.currency, ""))
    return rows


def _count_rows(account: Account) -> list[Row]:
    """Return calls and yield by week, stage, line and product."""
    weekly = ("items", "calls", "false_calls", "first_pass_yield", "false_calls_per_million")
    rows: list[Row] = [
        ("week", f"{week['week']} {key}", week[key], "", "", "", "")
        for week in account.by_week
        for key in weekly
    ]
    rows += [
        ("stage", f"{r['stage']} first_pass_yield", r["first_pass_yield"], "", "", "share", "")
        for r in account.stages
    ]
    placed = ("false_calls_per_month", "review_hours_per_month", "first_pass_yield")
    for part, places in (("line", account.lines), ("product", account.products)):
        rows += [
            (part, f"{cell(r['name'])} {key}", r[key], "", "", "", f"{r['items']} items")
            for r in places
            for key in placed
        ]
        rows += [
            (part, f"{cell(r['name'])} {key} to date", r[key], "", "", account.currency, "")
            for r in places
            for key in ("realised", "promised")
            if r[key] is not None
        ]
    return rows


def _family_rows(account: Account) -> list[Row]:
    """Return every family's month."""
    rows: list[Row] = []
    for row in account.families:
        basis = f"{row['items']} items, {row['lots']} lots, {row['defects']} labelled defects"
        saving = row["saving"] or {"value": "", "low": "", "high": ""}
        name = cell(row["family"])
        rows.append(("family", name, *_ends(saving), f"{account.currency} a month", basis))
        month = row["month"]
        for key in ("false_calls_now", "false_calls_after", "review_hours_saved"):
            unit = "hours a month" if "hours" in key else "a month"
            rows.append(("family", f"{name} {key}", month[key], "", "", unit, basis))
    return rows


def _ends(of: Any) -> tuple[Any, Any, Any]:  # noqa: ANN401 - an Interval or its dict
    """Return value, low and high."""
    return _get(of, "value"), _get(of, "low"), _get(of, "high")


def _summary(account: Account) -> str:
    """Return where things stand in two sentences."""
    gather = sum(f["advice"] == "gather" for f in account.families)
    look = ", ".join(f["family"] for f in account.families if f.get("findings"))
    states: dict[str, int] = {}
    for change in account.changes:
        states[change["state"]] = states.get(change["state"], 0) + 1
    live = ", ".join(f"{n} {state}" for state, n in sorted(states.items()))
    parts = (
        f"{gather} of {len(account.families)} families {'has' if gather == 1 else 'have'} too little evidence yet."
        * (gather > 0),
        f"The process or a machine should be looked at first: {look}." if look else "",
        f"Live changes: {live}." if live else "",
        f"{len(account.decided)} {_proposals(len(account.decided))} decided on."
        if account.decided
        else "",
        _trials(account),
    )
    return " ".join(x for x in parts if x)


def _trials(account: Account) -> str:
    """Say with how many trials was searched, where it is another number than usual."""
    found = sorted({f["trials"] for f in account.families} - {0, TRIALS})
    if not found:
        return ""
    few = [f for f in account.families if f["trials"] in found]
    return (
        f"Searched with {', '.join(map(str, found))} trials instead of {TRIALS}: "
        f"{len(few)} of {len(account.families)} families."
    )


def _proposals(number: int) -> str:
    return "proposal was" if number == 1 else "proposals were"


def _get(of: Any, key: str) -> Any:  # noqa: ANN401 - an Interval or its dict
    return of[key] if isinstance(of, Mapping) else getattr(of, key)


def _whole(value: float | None) -> str:
    return "unknown" if value is None or not math.isfinite(value) else f"{value:,.0f}"


def _as_interval(of: Any) -> Interval:  # noqa: ANN401 - an Interval or its dict
    """Return an interval; an end that is null is unknown."""
    value, low, high = (_get(of, k) for k in ("value", "low", "high"))
    ends = {"low": -math.inf if low is None else low, "high": math.inf if high is None else high}
    return Interval(value=value, **ends)


def _interval(of: Any, digits: int = 0) -> str:  # noqa: ANN401
    value, low, high = (_get(of, k) for k in ("value", "low", "high"))
    ends = [
        "unknown" if x is None or not math.isfinite(x) else f"{x:,.{digits}f}" for x in (low, high)
    ]
    return f"{value:,.{digits}f} ({ends[0]} to {ends[1]})"


def _figure(of: Figure) -> str:
    """Return a figure rounded to what it is."""
    if of.unit.startswith("share"):
        return f"{of.value:.1%}"
    if of.low is None and 0 < abs(of.value) < 0.05:
        return f"{of.value:.2g}"  # two decimals would say 0.00 of what is not nothing
    digits = 2 if abs(of.value) < 10 and of.value != int(of.value) else 0
    if of.low is None or of.high is None:
        return f"{of.value:,.{digits}f}"
    return _interval({"value": of.value, "low": of.low, "high": of.high}, digits)
