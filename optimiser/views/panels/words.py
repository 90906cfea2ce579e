"""The words and tables of the decision panel, as HTML; every value from outside is escaped."""

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import pandas as pd

from optimiser.caution import CAUTION
from optimiser.evidence.intervals import Interval
from optimiser.evidence.promise import Promise
from optimiser.ledger.standing import State, still_to_sign
from optimiser.plant.file import Plant
from optimiser.proposal.choice import Choice, Consequences, Point, PriceSpan
from optimiser.proposal.record import LimitMove, Line
from optimiser.proposal.relabel import Relabel
from optimiser.tally.grid import GridLimit
from optimiser.views.charts import DEFECT, GOOD, GREY, INK
from optimiser.views.relabel_tables import HEAD, HOPEFUL, label_cells, standing_words
from optimiser.views.sentences import (
    added_words,
    all_escapes_words,
    interval_words,
    proven_price_words,
)

Fields = Mapping[str, Any]
MOST_ITEMS = 60
MOST_LABELS = 10
_ADVICE = {
    "change": "a change is advised",
    "keep": "keep the limits as they are",
    "gather": "not enough evidence yet",
    "investigate": "look at the process first",
}


def table(
    head: Sequence[str], rows: Iterable[Sequence[object]], *, words: int = 1, on: int = -1
) -> str:
    """Return an HTML table; the first ``words`` columns are text, row ``on`` stands out."""
    cells = "".join(
        f'<th class="{"word" if n < words else ""}">{escape(str(h))}</th>'
        for n, h in enumerate(head)
    )
    body = "".join(
        f'<tr class="{"on" if r == on else ""}">'
        + "".join(
            f'<td class="{"word" if n < words else ""}">{escape(str(v))}</td>'
            for n, v in enumerate(row)
        )
        + "</tr>"
        for r, row in enumerate(rows)
    )
    return f"<table><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table>"


def frame_table(frame: pd.DataFrame, *, words: int = 1) -> str:
    """Return a small frame as an HTML table, blanks for what is missing."""
    head = [str(c).replace("_", " ") for c in frame.columns]
    rows = [[_cell(v) for v in row] for row in frame.itertuples(index=False)]
    return table(head, rows, words=words)


def _cell(value: object) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, float):
        return f"{value:.4g}"
    return f"{value:,}" if isinstance(value, int) else str(value)


def _items_word(choice: Choice) -> str:
    return "called items" if choice.case.plant.file.plant.only_called else "items"


def header(choice: Choice) -> str:
    """Return the family's name, the advice and from how much it comes."""
    of = choice.proposal
    advice = _ADVICE[of.advice]
    reasons = " ".join(f"{escape(r[0].upper() + r[1:])}." for r in of.reasons)
    critical = " · critical: two signatures of two people" if of.critical else ""
    ground = (
        f"from {choice.tally.items:,} {_items_word(choice)}, {of.lots} lots, {of.defects} labelled defects, "
        f"{of.span_days:.0f} days"
    )
    return (
        f"<h2>{escape(choice.family)} · {escape(advice)}</h2>"
        f"<p class='lead'>{reasons}</p><p class='soft'>{escape(ground + critical)}</p>"
    )


def state_words(state: State, plant: Plant) -> str:
    """Return where a proposal stands and what is left to do."""
    left = still_to_sign(state, plant)
    after = {
        "accepted": "Accepted; it waits for its export into a revision.",
        "exported": f"Exported in revision {state.exported_in}.",
    }
    stands = f"{state.state[0].upper()}{state.state[1:]}."
    return f"{stands} To accept it is left: {left}." if left else after.get(state.state, stands)


def standing(states: Sequence[State], plant: Plant) -> str:
    """Return where the family's newest proposal stands, and who signed it."""
    if not states:
        return ""
    newest = states[-1]
    signed = (
        f", signed by {', '.join(s.by for s in newest.signatures)}" if newest.signatures else ""
    )
    unchecked = (
        "" if plant.file.signers else " Names are unchecked: the plant file lists no signers."
    )
    return (
        f"<p class='soft'>Proposal {newest.entry.id} of this family{escape(signed)}: "
        f"{escape(state_words(newest, plant))}{unchecked}</p>"
    )


def nothing_searched(choice: Choice) -> str:
    """Return why there is no front, in words."""
    if not len(choice.tally.defects.frame):
        return (
            "<p>No labelled defects in this family yet: nothing speaks for or against any limit, so "
            "there is no front and no promise. Limits can be moved by hand below to see what would "
            "be called; the audit plan (notebook <i>trust</i>) says which passed items to look at.</p>"
        )
    return (
        "<p>Nothing was searched for this family: "
        + escape("; ".join(choice.proposal.reasons))
        + ". Limits can be moved by hand below to see what would be called.</p>"
    )


def span(of: Interval, unit: str) -> str:
    """Return between what a figure may lie."""
    if not (math.isfinite(of.low) and math.isfinite(of.high)):
        return "unknown"
    return f"{of.low:,.0f} to {of.high:,.0f}{unit}"


def promise_words(
    choice: Choice, point: Point | None, promised: Promise | None, *, live: bool
) -> str:
    """Return what a point promises, or why a setting promises nothing."""
    if live:
        return "<p>Nothing changes, nothing is promised.</p>"
    if point is None or promised is None:
        return (
            "<p><strong>No promise.</strong> A hand-made setting was made after seeing every lot of this "
            "history; only lots to come can judge it. Below are counts of this history.</p>"
        )
    unit, ahead = f" {choice.currency}", promised.next_span
    rows = [
        (name, interval_words(expected, digits, unit=of), span(coming, of))
        for name, expected, coming, digits, of in (
            ("saving a month", promised.saving_per_month, ahead.saving_per_month, 0, unit),
            ("false calls saved", promised.false_calls_saved, ahead.false_calls_saved, 0, ""),
            ("escapes added", promised.escapes_added, ahead.escapes_added, 1, ""),
            ("escapes caught", promised.escapes_caught, ahead.escapes_caught, 1, ""),
        )
    ]
    picked = (
        ""
        if point.recommended
        else " The limits were refitted without each lot, your pick of this point was not."
    )
    note = (
        f"Judged on lots the limits were not fitted to, {promised.level:.0%} intervals, over "
        f"{choice.case.span_days:.0f} days; {promised.lots} lots, {promised.defects_called} called and "
        f"{promised.defects_passed} passed defects.{picked} Defects come in bursts (variance "
        f"{promised.bursts:.1f} times the mean), so one span scatters more than what is expected of it. Chance "
        f"of loss in the long run: {promised.chance_of_loss:.0%}."
    )
    head = ["promise", "expected", f"next {choice.case.span_days:.0f} days may bring"]
    return table(head, rows) + f"<p class='soft'>{escape(note)}</p>"


def three_lines(done: Consequences) -> str:
    """Return the three lines as a table, never netted."""

    def line(name: str, what: str, of: Line) -> tuple[str, str, str, str, str]:
        return name, what, f"{of.defects:,}", f"{of.goods:,}", f"{of.unreviewed:,}"

    rows = [
        line("kept", "called by both", done.lines.kept),
        line("loosened", "no longer called, labels known", done.lines.loosened),
        line("tightened", "newly called, mostly never reviewed", done.lines.tightened),
    ]
    return table(["counted", "", "defects", "goods", "not reviewed"], rows, words=2)


def certificate(choice: Choice) -> str:
    """Return what later lots prove, in words."""
    proof = choice.proposal.proof
    if proof is None:
        return (
            "<p class='soft'>No certificate: the earlier lots alone are too few to search, or the later "
            "ones hold no labelled defect.</p>"
        )
    return (
        f"<p><strong>Certificate.</strong> Escapes added: {escape(added_words(proof))} "
        f"All escapes: {escape(all_escapes_words(proof))}</p>"
        f"<p class='soft'>Of the setting that the first {proof.early_lots} lots alone brought forth, "
        f"tested on the {proof.later_lots} lots after them ({proof.later_defects} defects). "
        f"{escape(proven_price_words(proof, currency=choice.currency))}</p>"
    )


def price_words(span: PriceSpan | None, point: Point | None, currency: str) -> str:
    """Return between which prices the recommended point stays."""
    if span is None or point is None:
        return ""
    low = f"{span.low:,.1f}" if span.low > 0 else "any lower price"
    high = f"{span.high:,.1f}" if math.isfinite(span.high) else "any higher price"
    ratio = ""
    if span.per_false_call > 0:
        parts = [
            f"{x / span.per_false_call:,.0f}" if 0 < x < math.inf else "∞" if x else "0"
            for x in (span.low, span.high)
        ]
        ratio = f", that is while one escape is worth {parts[0]} to {parts[1]} false calls"
    return (
        f"<p>Point <strong>{escape(point.name)}</strong> stays the best found while one escape costs "
        f"{currency} {low} to {high} (now {span.now:,.1f} on average){ratio}.</p>"
    )


def moves(limits: Sequence[LimitMove]) -> str:
    """Return the limits that move, with the rail that stops each."""
    moved = [m for m in limits if m.moves]
    if not moved:
        return "<p class='soft'>No limit moves.</p>"
    rows = "".join(
        f"<tr><td class='word'>{escape(m.measurement)} {m.side}</td><td>{value(m.now)}</td>"
        f"<td>{value(m.proposed)}</td><td class='word'>{escape(m.unit)}</td>"
        f"<td class='long'>{escape(m.rail.partition(': ')[2])}</td></tr>"
        for m in moved
    )
    return (
        "<table><thead><tr><th class='word'>limit</th><th>now</th><th>then</th><th class='word'>unit</th>"
        f"<th class='word'>stopped by</th></tr></thead><tbody>{rows}</tbody></table>"
    )


def value(x: float) -> str:
    """Return a limit's value; off where there is none."""
    return f"{x:.6g}" if math.isfinite(x) else "off"


def comparison(choice: Choice, settings: Sequence[tuple[str, Consequences]]) -> str:
    """Return settings side by side: counted on this history, expected by spread defects."""
    rows = [
        (
            name,
            f"{c.counted.calls:,}",
            f"{c.counted.true_calls:,}",
            f"{c.counted.false_calls:,}",
            f"{c.counted.unreviewed_calls:,}",
            f"{c.counted.escapes:,}",
            f"{c.expected_escapes:,.1f}",
            f"{c.review_per_month:,.0f}",
            f"{c.cost_per_month:,.0f}",
        )
        for name, c in settings
    ]
    head = (
        "counted on this history",
        "calls",
        "true calls",
        "false calls",
        "not reviewed",
        "escapes",
        "expected escapes",
        f"review, {choice.currency}/month",
        f"with escapes, {choice.currency}/month",
    )
    return table(head, rows, on=len(rows) - 1) + (
        "<p class='soft'>Whole items of this history, so no promise. Expected escapes: each labelled defect "
        "stands for its neighbours and for those that were not found.</p>"
    )


def stops(limit: GridLimit) -> str:
    """Return both ends of a limit's levels with the rail that sets each, in words."""
    parts = []
    ends = (
        ("tighter", 0, limit.tight, limit.tight_binds),
        ("looser", -1, limit.loose, limit.loose_binds),
    )
    for word, at, rail, binds in ends:
        why = rail[0].reason if binds and rail else "the data end there"
        parts.append(f"{word} to {value(float(limit.values[at]))}: {why}")
    return "; ".join(parts)


def items(frame: pd.DataFrame, measurements: Sequence[str]) -> str:
    """Return the items that would newly pass, defects first, as many as can be read."""
    if not len(frame):
        return "<p>No item of this history would newly pass.</p>"
    shown = frame.head(MOST_ITEMS)
    columns = [
        "time",
        "lot",
        "product",
        "board",
        "designator",
        "pin",
        "verdict",
        "defect",
        "found_by",
    ]
    text = shown[[*columns, *measurements]].astype({c: object for c in measurements})
    defects = int((frame["verdict"] == "defect").sum())
    more = f", the first {MOST_ITEMS} shown" if len(frame) > MOST_ITEMS else ""
    return (
        f"<p>{len(frame):,} items would newly pass, {defects} of them labelled defects{more}.</p>"
        + frame_table(text, words=len(columns))
    )


def second_looks(found: Relabel, families: Sequence[str]) -> str:
    """Return how many labels stand before each of some families, most false calls first."""
    lines = [
        f"<li><strong>{escape(s.family)}</strong>{' (critical)' if s.critical else ''}: "
        f"{escape(standing_words(s, between='you'))}</li>"
        for s in found.families
        if s.labels and s.family in families
    ]
    if not lines:
        return "<p>No label that is worth a second look stands before any of these families.</p>"
    return f"<ul>{''.join(lines)}</ul>{_looking()}"


def doubtful_labels(found: Relabel, family: str, currency: str) -> str:
    """Return what stands before a family, and the first of its labels worth a second look."""
    own = [row for row in found.rows if row.family == family]
    if not own:
        return "<p>No label of this family is worth a second look.</p>"
    (standing,) = (s for s in found.families if s.family == family)
    more = f" The first {MOST_LABELS} of them:" if len(own) > MOST_LABELS else ""
    head = ("no.", *HEAD[1:-1], f"a month, {currency}")
    rows = [label_cells(row) for row in own[:MOST_LABELS]]
    return (
        f"<p>{escape(standing_words(standing, between='you'))}.{more}</p>"
        f"{table(head, rows, words=8)}{_looking()}"
    )


def _looking() -> str:
    return (
        f"<p class='soft'>{escape(HOPEFUL)} The sheet to fill in: "
        "<code>optimiser relabel PLANT</code>. Labels that nobody looks at are obeyed.</p>"
    )


def legend() -> str:
    """Return what the marks of the drawings mean, in words beside each mark."""

    def mark(svg: str, words: str) -> str:
        return (
            f'<span style="margin-right:16px;white-space:nowrap"><svg width="22" height="12" '
            f'role="img" aria-label="{words}">{svg}</svg> {words}</span>'
        )

    line = (
        '<line x1="1" x2="21" y1="6" y2="6" stroke="{}" stroke-width="{}" stroke-dasharray="{}"/>'
    )
    return (
        "<p class='soft'>"
        + "".join(
            [
                mark(f'<rect x="3" y="1" width="16" height="10" fill="{GOOD}"/>', "reviewed goods"),
                mark(line.format(GREY, 1.5, "4 2"), "never reviewed"),
                mark(f'<path d="M11 1 L17 11 L5 11 Z" fill="{DEFECT}"/>', "labelled defect"),
                mark(line.format(GREY, 1.5, "5 4"), "limit now"),
                mark(line.format(INK, 2, ""), "limit chosen"),
                mark(line.format(DEFECT, 2, "1 3"), "workmanship bound, guard band shaded"),
            ]
        )
        + "</p>"
    )


def invented(name: str) -> str:
    """Return the line that says that a plant is invented."""
    return f"<p class='opt-invented'>{escape(name)} is an invented plant: nothing here is about a real line.</p>"


def caution() -> str:
    """Return the caution that stands under every panel."""
    return f"<p class='opt-caution'>{escape(CAUTION)}</p>"
