"""The manager's page: one HTML file, no script, no network, printable; and the same as CSV."""

import csv
import io
import math
from importlib.resources import files
from typing import Any

import altair as alt
import pandas as pd
from jinja2 import Environment, StrictUndefined

from optimiser.monitoring.account import Account, Figure
from optimiser.values import cell
from optimiser.views.charts import GOOD, INK
from optimiser.views.sentences import headline_words
from optimiser.views.shown import svg

_GROUPS = {
    "waiting": "expected from changes that are advised and wait for a decision",
    "signed": "expected from signed changes that are not exported yet",
    "live": "expected from exported changes",
}


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
        "between": lambda i: f"{_whole(_get(i, 'low'))} to {_whole(_get(i, 'high'))}",
        "interval": _interval,
        "figure": _figure,
    }
    template = page.from_string(files("optimiser.views").joinpath("report.html").read_text("utf-8"))
    return template.render(
        a=account,
        words=_GROUPS,
        together=_together(account),
        summary=_summary(account),
        alarms=[f"{c['family']}: {c['reason']}" for c in account.changes if "look" in c["state"]],
        weeks_svg=_weeks(account),
        savings_svg=_savings(account),
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
    money = f"{account.currency} a month"
    for group in account.head:
        of = group.saving
        writer.writerow(
            ("saving", group.name, of.value, of.low, of.high, money, f"{group.families} families")
        )
    for name, found in (("realised", account.realised), ("promised", account.promised)):
        if found is not None:
            writer.writerow(("live", name, found.value, found.low, found.high, money, ""))
    for f in account.figures:
        writer.writerow(("quality", f.name, f.value, f.low, f.high, f.unit, f.basis))
    for week in account.by_week:
        for key in ("items", "calls", "false_calls", "first_pass_yield", "false_calls_per_million"):
            writer.writerow(("week", f"{week['week']} {key}", week[key], "", "", "", ""))
    for row in account.families:
        saving = row["saving"] or {"value": "", "low": "", "high": ""}
        ends = (saving["value"], saving["low"], saving["high"])
        basis = f"{row['items']} items, {row['lots']} lots, {row['defects']} labelled defects"
        writer.writerow(("family", cell(row["family"]), *ends, money, basis))
    return out.getvalue()


def _summary(account: Account) -> str:
    """Return the page in three sentences."""
    advised = sum(f["advice"] == "change" for f in account.families)
    gather = sum(f["advice"] == "gather" for f in account.families)
    first = f"Of {len(account.families)} families, {advised} have a change advised"
    first += f" and {gather} have too little evidence yet." if gather else "."
    look = [f["family"] for f in account.families if f.get("findings")]
    first += (
        f" The process or a machine should be looked at first: {', '.join(look)}." if look else ""
    )
    second = (
        f"{len(account.waiting)} proposals wait for a signature"
        f"{', ' + str(len(account.decided)) + ' were decided on.' if account.decided else '.'}"
    )
    states: dict[str, int] = {}
    for change in account.changes:
        states[change["state"]] = states.get(change["state"], 0) + 1
    third = (
        "Live changes: " + ", ".join(f"{n} {state}" for state, n in sorted(states.items())) + "."
        if states
        else ""
    )
    return " ".join(x for x in (first, second, third) if x)


def _get(of: Any, key: str) -> Any:  # noqa: ANN401 - an Interval or its dict
    return of[key] if isinstance(of, dict) else getattr(of, key)


def _whole(value: float | None) -> str:
    return "unknown" if value is None or not math.isfinite(value) else f"{value:,.0f}"


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
    digits = 2 if abs(of.value) < 10 and of.value != int(of.value) else 0
    if of.low is None or of.high is None:
        return f"{of.value:,.{digits}f}"
    return _interval({"value": of.value, "low": of.low, "high": of.high})


def _weeks(account: Account) -> str:
    """Return the drawing of false calls per million by week; empty with fewer than two weeks."""
    if len(account.by_week) < 2:
        return ""
    frame = pd.DataFrame(account.by_week)
    x = alt.X("week:O", title="week of", axis=alt.Axis(labelAngle=0, labelOverlap=True))
    y = alt.Y("false_calls_per_million:Q", title="false calls per million items")
    line = alt.Chart(frame).mark_line(color=GOOD, strokeWidth=1.5).encode(x=x, y=y)
    marks = alt.Chart(frame).mark_point(color=GOOD, filled=True, size=42).encode(x=x, y=y)
    return svg(_plain(alt.LayerChart(layer=[line, marks]).properties(width=760, height=150)))


def _savings(account: Account) -> str:
    """Return the drawing of promised savings with their intervals; empty without any."""
    rows = [
        {"family": f["family"], **f["saving"]}
        for f in account.families
        if f["saving"] and f["saving"]["low"] is not None and f["saving"]["high"] is not None
    ]
    if not rows:
        return ""
    frame = pd.DataFrame(rows)
    y = alt.Y("family:N", sort=frame["family"].tolist(), title=None)
    x = alt.X("low:Q", title=f"saving a month, {account.currency}")
    rules = alt.Chart(frame).mark_rule(color=INK, strokeWidth=1.2).encode(y=y, x=x, x2="high:Q")
    marks = alt.Chart(frame).mark_point(color=GOOD, filled=True, size=60, opacity=1)
    return svg(
        _plain(
            alt.LayerChart(layer=[rules, marks.encode(y=y, x="value:Q")]).properties(
                width=640, height=alt.Step(19)
            )
        )
    )


def _plain(chart: alt.LayerChart) -> alt.LayerChart:
    drawn: alt.LayerChart = chart.configure_axis(
        titleFontWeight="normal", gridColor="#e6e6e6"
    ).configure_view(stroke=None)
    return drawn
