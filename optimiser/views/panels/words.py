"""The words and tables of the decision panel, as HTML; every value from outside is escaped."""

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import pandas as pd

from optimiser.caution import CAUTION
from optimiser.evidence.promise import Promise
from optimiser.history.calls import CallTotals
from optimiser.history.filters import NAMED, Filter
from optimiser.ledger.revision_file import limit_text
from optimiser.ledger.standing import State, still_to_sign
from optimiser.monitoring.watch import Watched
from optimiser.plant.file import Plant
from optimiser.proposal.choice import Choice, Consequences, Point, PriceSpan
from optimiser.proposal.item_limits import AgainstLimit
from optimiser.proposal.record import LimitMove, Line
from optimiser.proposal.relabel import Relabel
from optimiser.proposal.stated import Stated
from optimiser.tally.count import Outcome
from optimiser.tally.grid import GridLimit
from optimiser.values import DAYS_PER_MONTH
from optimiser.views import watch_tables
from optimiser.views.charts import DEFECT, GOOD, GREY, INK
from optimiser.views.figures import (
    change_span,
    change_words,
    interval_words,
    saving_span,
    saving_words,
    signed_words,
    span_words,
)
from optimiser.views.reasons import reason_words, why_words
from optimiser.views.relabel_tables import (
    HEAD,
    HOPEFUL,
    assumed_words,
    label_cells,
    standing_words,
)
from optimiser.views.sentences import added_words, all_escapes_words, proven_price_words

Fields = Mapping[str, Any]
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


def advice(of: str) -> str:
    """Return an advice in words."""
    return _ADVICE[of]


ALL_LIMITS = (
    "<p class='soft'>These are of all limits together; bars, days and items below are of the calls outside "
    "that one limit.</p>"
)


def totals(columns: Sequence[tuple[str, CallTotals]], *, rates: bool = True) -> str:
    """Return what the live recipe's calls amount to, each with its denominator, side by side.

    Parameters
    ----------
    columns : sequence of (str, CallTotals)
        Of what, and the totals; the first has its denominators beside it.
    rates : bool
        Whether the items are all that were inspected; else there is no yield and no rate.

    Returns
    -------
    str
    """
    rows = [(_rate_rows(of) if rates else []) + _count_rows(of) for _, of in columns]
    head = "".join(f"<th>{name}</th>" for name, _ in columns) if len(columns) > 1 else ""
    body = "".join(
        f"<tr><td class='word'>{escape(name)}</td>"
        + "".join(f"<td><strong>{escape(of[n][1])}</strong></td>" for of in rows)
        + f"<td class='word soft'>{escape(told)}</td></tr>"
        for n, (name, _, told) in enumerate(rows[0])
    )
    first = f"<thead><tr><th></th>{head}<th></th></tr></thead>" if head else ""
    return f"<table class='opt-wraps'>{first}<tbody>{body}</tbody></table>"


def _rate_rows(of: CallTotals) -> list[tuple[str, str, str]]:
    """Return name, figure and denominator of each rate."""
    return [
        (
            "first-pass yield",
            _share(of.first_pass_yield),
            f"{of.boards_without_call:,} boards without a call of {of.boards:,} board inspections",
        ),
        (
            "false calls per board inspection",
            "" if math.isnan(of.false_calls_per_board) else f"{of.false_calls_per_board:.2f}",
            f"{of.false_calls:,} called items that review found good, of {of.boards:,} board inspections",
        ),
        (
            "false calls per million",
            "" if math.isnan(of.false_calls_per_million) else f"{of.false_calls_per_million:,.0f}",
            f"of {of.items:,} inspected items; an item is one opportunity",
        ),
    ]


def _count_rows(of: CallTotals) -> list[tuple[str, str, str]]:
    """Return name, figure and ground of each count."""
    hours = of.review_hours * DAYS_PER_MONTH / of.days
    return [
        (
            "review",
            f"{hours:,.0f} h a month",
            f"{of.calls:,} calls in {of.days:.0f} days at the plant file's seconds per call",
        ),
        ("false calls", f"{of.false_calls:,}", f"of {of.calls:,} calls"),
        ("true calls", f"{of.true_calls:,}", f"of {of.calls:,} calls"),
        (
            "escapes known",
            f"{of.escapes:,}",
            "labelled defects that were not called; those nobody found are not among them",
        ),
    ]


def _share(of: float) -> str:
    return "" if math.isnan(of) else f"{of:.1%}"


def header(choice: Choice) -> str:
    """Return the family's name and from how much everything comes, the time once for all."""
    of = choice.proposal
    critical = " · critical: two signatures of two people" if of.critical else ""
    ground = (
        f"from {choice.tally.items:,} {_items_word(choice)}, {of.lots} lots, {of.defects} labelled defects, "
        f"{of.span_days:.0f} days; figures are a month of {DAYS_PER_MONTH:.1f} days unless they are counted"
    )
    return f"<h2>{escape(choice.family)}</h2><p class='soft'>{escape(ground + critical)}</p>"


def verdict(
    choice: Choice, point: Point | None, promised: Promise | None, *, live: bool, prices: str
) -> str:
    """Return in one line what advice, certificate and prices come to together.

    Parameters
    ----------
    choice : Choice
    point : Point or None
        That is shown; None for a hand-made setting.
    promised : Promise or None
        Its promise.
    live : bool
        Whether the live recipe is shown.
    prices : str
        ``plant`` for the plant file's, else where they come from.

    Returns
    -------
    str
    """
    at = "" if prices == "plant" else f" at {prices}"
    if live:
        best = choice.recommended
        if best is None or best.name == "live":
            return _line(f"Keep the limits as they are{at}: nothing better was found.", choice)
        does = "is recommended" if choice.advised else "is the best found, but not advised"
        return _line(f"This is the live recipe. Point {best.name} {does}{at}.", choice)
    if point is None or promised is None:
        return _line("Set by hand: counted, but nothing is promised of it.", choice)
    saving = promised.saving_per_month
    does = f"{choice.currency} {abs(saving.value):,.0f} a month {'saved' if saving.value >= 0 else 'lost'}"
    calls = signed_words(promised.false_calls_saved.value * choice.monthly)
    added = promised.escapes_added.value * choice.monthly
    figures = f"{does}, {calls} false calls and {added:,.1f} more escapes a month"
    if point.recommended:
        advice_ = "Recommended" if choice.advised else "The best found, but not advised"
        return _line(
            f"{advice_}{at}: {figures}; {_price_part(choice)}; {_proof_part(choice)}.", choice
        )
    found = choice.recommended.name if choice.recommended else ""
    return _line(
        f"Point {point.name} is yours, point {found} is the best found{at}: {figures}.", choice
    )


def _line(text: str, choice: Choice) -> str:
    """Return the verdict line, with what else is the matter; where nothing is advised, with the reasons."""
    told = choice.not_advised or choice.proposal.findings
    why = "; ".join(
        reason_words(r, currency=choice.currency, days=choice.case.span_days) for r in told
    )
    reasons = f"<p class='soft'>{escape(why[0].upper() + why[1:])}.</p>" if why else ""
    return f"<p class='lead opt-verdict'><strong>{escape(text)}</strong></p>{reasons}"


def _price_part(choice: Choice) -> str:
    """Return up to which price of an escape the recommended point stays."""
    span_ = choice.span
    if span_ is None:
        return "no price of an escape is known"
    now = f"{choice.currency} {span_.now:,.0f}"
    if math.isfinite(span_.high) and span_.low > 0:
        return (
            f"it stays so while an escape costs {span_.low:,.0f} to {span_.high:,.0f} (now {now})"
        )
    if math.isfinite(span_.high):
        return f"it stays so while an escape costs less than {span_.high:,.0f} (now {now})"
    if span_.low > 0:
        return f"it stays so while an escape costs more than {span_.low:,.0f} (now {now})"
    return f"it stays so whatever an escape costs (now {now})"


def _proof_part(choice: Choice) -> str:
    """Return whether later lots prove that few escapes are added."""
    proof = choice.proposal.proof
    if proof is None or proof.added is None:
        return "later lots prove nothing of the escapes it adds"
    added = proof.added
    if added.certified:
        return f"later lots certify at most {added.alpha:.0%} of known defects as added escapes"
    return (
        f"later lots do not certify {added.alpha:.0%} ({added.escapes} of {added.defects} defects would "
        f"escape; {added.more_needed} more clean ones are needed)"
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


def contradicted(stated: Stated) -> str:
    """Return which stated rates of reviewers the labels contradict or miss; nothing where they fit."""
    if not stated.is_notable:
        return ""
    said = "".join(f"<p><strong>{escape(line)}</strong></p>" for line in stated.words())
    return f"{said}<p class='soft'>What is promised of escapes rests on these rates.</p>"


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
        + escape("; ".join(why_words(choice.proposal, currency=choice.currency)))
        + ". Limits can be moved by hand below to see what would be called.</p>"
    )


def promise_words(
    choice: Choice, point: Point | None, promised: Promise | None, *, live: bool
) -> str:
    """Return what a point promises, all of it a month, or why a setting promises nothing."""
    if live:
        return "<p>Nothing changes, nothing is promised.</p>"
    if point is None or promised is None:
        return (
            "<p><strong>No promise.</strong> A hand-made setting was made after seeing every lot of this "
            "history; only lots to come can judge it. Counted on this history it is held beside the others.</p>"
        )
    ahead, monthly, unit = promised.next_span, choice.monthly, f" {choice.currency}"
    saving, calls = promised.saving_per_month, ahead.false_calls_saved.times(monthly)
    rows = [
        ("saving", saving_words(saving, unit=unit), saving_span(ahead.saving_per_month) + unit),
        (
            "false calls",
            change_words(promised.false_calls_saved.times(monthly)),
            change_span(calls),
        ),
        *(
            (name, interval_words(now.times(monthly), 1), span_words(then.times(monthly), 1))
            for name, now, then in (
                ("escapes added", promised.escapes_added, ahead.escapes_added),
                ("escapes caught", promised.escapes_caught, ahead.escapes_caught),
            )
        ),
    ]
    picked = (
        ""
        if point.recommended
        else " The limits were refitted without each lot, your pick of this point was not."
    )
    misread = (
        f", some {promised.added_misread:.1f} of them goods that reviewers misread, by their rate"
        if promised.added_misread
        else ""
    )
    others = len(choice.case.elsewhere)
    beside = (
        f" and what quick fits of the other families ({others} searched) release" if others else ""
    )
    note = (
        f"Judged on lots the limits were not fitted to, {promised.level:.0%} intervals; {promised.lots} lots, "
        f"{promised.defects_called} called and {promised.defects_passed} passed defects.{picked} "
        f"{promised.added_counted} of those called escaped there{misread}; what such changes release as a rule"
        f"{beside} has a part in the escapes added that are expected. Defects come in bursts (variance "
        f"{promised.bursts:.1f} times the mean), so one span scatters more than what is expected of it. "
        f"Chance of loss in the long run: {promised.chance_of_loss:.0%}."
    )
    head = [
        "promise, a month",
        "expected",
        f"the next {choice.case.span_days:.0f} days may bring, a month",
    ]
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


def comparison(
    choice: Choice,
    settings: Sequence[tuple[str, Consequences, Outcome]],
    wanted: Filter,
    *,
    on: int,
) -> str:
    """Return settings side by side: counted where a filter lets through, expected on the whole history.

    Parameters
    ----------
    choice : Choice
    settings : sequence of (str, Consequences, Outcome)
        Name, what it does to the whole history, what it counts of the items let through.
    wanted : Filter
    on : int
        The row that stands out.

    Returns
    -------
    str
    """
    rows = [
        (
            name,
            f"{counted.calls:,}",
            f"{counted.true_calls:,}",
            f"{counted.false_calls:,}",
            f"{counted.unreviewed_calls:,}",
            f"{counted.escapes:,}",
            f"{c.expected_escapes * choice.monthly:,.1f}",
            f"{c.review_per_month:,.0f}",
            f"{c.cost_per_month:,.0f}",
        )
        for name, c, counted in settings
    ]
    head = (
        "counted",
        "calls",
        "true calls",
        "false calls",
        "not reviewed",
        "escapes",
        "expected escapes a month",
        f"review, {choice.currency} a month",
        f"with escapes, {choice.currency} a month",
    )
    return table(head, rows, on=on) + (
        f"<p class='soft'>Counted are whole items, {filtered(wanted)}, so no promise; what is a month is of the "
        "whole history. Expected escapes: each labelled defect stands for its neighbours and for those that "
        "were not found.</p>"
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


def passing(frame: pd.DataFrame, wanted: Filter) -> str:
    """Return how many items would newly pass."""
    if not len(frame):
        return f"<p>No item would newly pass ({filtered(wanted)}).</p>"
    defects = int((frame["verdict"] == "defect").sum())
    return (
        f"<p>{len(frame):,} items would newly pass, {defects} of them labelled defects, which stand first "
        f"({filtered(wanted)}). A click on one shows it beside its limits.</p>"
    )


def called(frame: pd.DataFrame) -> str:
    """Return how many items are called, by what review found."""
    if not len(frame):
        return "<p>No item is called here.</p>"
    of = frame["verdict"]
    goods, bad = int((of == "good").sum()), int((of == "defect").sum())
    return (
        f"<p>{len(frame):,} called items: {goods:,} false calls, {bad:,} true calls, "
        f"{len(frame) - goods - bad:,} not reviewed. A click on one shows it beside its limits.</p>"
    )


def filtered(wanted: Filter) -> str:
    """Return what a filter lets through, in words; escaped."""
    if not wanted:
        return "all items of the history"
    parts = [
        f"{name} {getattr(wanted, name)}" for name in NAMED if getattr(wanted, name) is not None
    ]
    if wanted.hours is not None:
        parts.append(f"{wanted.hours[0]} to {wanted.hours[1]} h UTC")
    if wanted.since is not None:
        parts.append(f"from {wanted.since:%Y-%m-%d %H:%M}")
    if wanted.until is not None:
        parts.append(f"before {wanted.until:%Y-%m-%d %H:%M}")
    return f"only {escape(', '.join(parts))}"


REPLACED = "<p class='opt-held' role='note'>Its cell was run again: this panel follows no filter any more.</p>"


def held(wanted: Filter, what: str) -> str:
    """Return which filter holds in all panels, and what of a panel is of its items alone; blank without one.

    Parameters
    ----------
    wanted : Filter
    what : str
        Such as ``Counts``; blank where a panel shows nothing but whole histories.

    Returns
    -------
    str
        HTML.
    """
    if not wanted:
        return ""
    of = (
        f"{what} of these items alone; all else on this panel is of the whole history."
        if what
        else "What stands on this panel is of the whole history all the same."
    )
    return f"<p class='opt-held' role='note'><strong>Filter: {filtered(wanted)}.</strong> {escape(of)}</p>"


def escaped(text: object) -> str:
    """Return any text for HTML."""
    return escape(str(text))


def item_head(item: Fields) -> str:
    """Return which item it is and what is known of it."""
    names = ("product", "board", "designator", "pin")
    place = " / ".join(str(item[n]) for n in names if _is_given(item[n]))
    known = [str(item["verdict"]) if _is_given(item["verdict"]) else "never reviewed"]
    known += [str(item["defect"]).replace("_", " ")] if _is_given(item["defect"]) else []
    known += [f"found by {item['found_by']}"] if _is_given(item["found_by"]) else []
    return (
        f"<h3>{escape(place)}</h3><p><strong>{escape(', '.join(known))}</strong> · "
        f"{escape(str(item['family']))} · {item['time']:%Y-%m-%d %H:%M} UTC · lot {escape(str(item['lot']))}</p>"
    )


def _is_given(value: Any) -> bool:  # noqa: ANN401 - a cell of a frame
    return not bool(pd.isna(value))


def item_lines(lines: Sequence[AgainstLimit]) -> str:
    """Return each measurement of an item against its limits; the deciding limit stands out."""
    rows, on = [], -1
    for n, x in enumerate(lines):
        on = n if x.decides else on
        rows.append(
            (
                f"{x.measurement} {x.side}",
                "not measured" if math.isnan(x.value) else f"{x.value:.6g}",
                f"{value(x.live)}",
                f"{value(x.chosen)}",
                x.unit,
                _told(x, x.live),
                _told(x, x.chosen),
                "decides" if x.decides else "",
            )
        )
    head = ("limit", "measured", "now", "chosen", "unit", "now it is", "then it is", "")
    return table(head, rows, on=on)


def _told(line: AgainstLimit, limit: float) -> str:
    return "called" if line.called_by(limit) else "within"


def item_neighbours(near: pd.DataFrame, measurements: Sequence[str]) -> str:
    """Return the reviewed items that measure most like an item."""
    if not len(near):
        return "<p class='soft'>No reviewed item of this family measures like it.</p>"
    bad = int((near["verdict"] == "defect").sum())
    shown = near[["distance", "verdict", "defect", "product", "board", "designator", *measurements]]
    return (
        f"<p>Of the {len(near)} reviewed items nearest in measurements {bad} are defects. "
        "<span class='soft'>Distance: root mean square difference, in standard deviations of the goods."
        f"</span></p>{frame_table(shown.astype({m: object for m in measurements}), words=1)}"
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
    return f"<ul>{''.join(lines)}</ul>{_looking(found)}"


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
        f"{table(head, rows, words=8)}{_looking(found)}"
    )


def _looking(found: Relabel) -> str:
    assumed = "".join(f"{escape(line)} " for line in assumed_words(found))
    return (
        f"<p class='soft'>{assumed}{escape(HOPEFUL)} The sheet to fill in: "
        "<code>optimiser relabel PLANT</code>. Labels that nobody looks at are obeyed.</p>"
    )


def legend() -> str:
    """Return what the marks of the drawings mean, in words beside each mark."""

    def mark(svg: str, words: str) -> str:
        # The theme's inks, as the drawings have them.
        svg = svg.replace(INK, "var(--opt-ink)")
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
                mark(
                    f'<rect x="3" y="1" width="16" height="10" fill="{GOOD}"/>',
                    "reviewed goods, items",
                ),
                mark(line.format(GREY, 1.5, "4 2"), "never reviewed, items"),
                mark(f'<path d="M11 1 L17 11 L5 11 Z" fill="{DEFECT}"/>', "labelled defect"),
                mark(line.format(GREY, 1.5, "5 4"), "limit now"),
                mark(line.format(INK, 2, ""), "limit chosen"),
                mark(line.format(INK, 1.2, "1 2"), "limit pinned"),
                mark(line.format(DEFECT, 2, "1 3"), "workmanship bound, guard band shaded"),
            ]
        )
        + "</p>"
    )


def trade_legend() -> str:
    """Return what the marks of the trade mean."""
    marks = (
        ("●", GOOD, "held out: limits refitted without each lot"),
        ("┈", GREY, "the fewest false calls that any limits could have had, counted"),
        ("◆", DEFECT, "live recipe"),
        ("○", "var(--opt-ink)", "chosen"),
        ("✚", "var(--opt-ink)", "set by hand"),
        ("□", "var(--opt-ink)", "pinned"),
    )
    told = " ".join(
        f'<span style="margin-right:12px"><span style="color:{ink}" aria-hidden="true">{sign}</span> {means}</span>'
        for sign, ink, means in marks
    )
    return f"<p class='soft opt-narrow'>{told}</p>"


def ledger_limits(limits: Sequence[Fields]) -> str:
    """Return the limits of a proposal of the ledger, to their last digit."""
    rows = [
        (
            f"{x['measurement']} {x['side']}",
            limit_text(x["now"]),
            limit_text(x["proposed"]),
            x["unit"],
        )
        for x in limits
    ]
    return table(("limit", "now", "then", "unit"), rows)


def watched(found: Mapping[int, Watched], *, currency: str) -> str:
    """Return what was promised of exported changes and what followed, as `optimiser watch` says it."""
    if not found:
        return "<p>No exported change to watch: accept a proposal and export it first.</p>"
    why = "".join(
        f"<p>{escape(f'{number} {w.family}: {reason}')}</p>"
        for number, w in found.items()
        for reason in w.reasons
    )
    head, rows = watch_tables.watch_head(currency), watch_tables.watch_rows(found)
    return f"{table(head, rows, words=3)}{why}<p class='soft'>{escape(watch_tables.HOW)}</p>"


def invented(name: str) -> str:
    """Return the line that says that a plant is invented."""
    return f"<p class='opt-invented'>{escape(name)} is an invented plant: nothing here is about a real line.</p>"


def caution() -> str:
    """Return the caution that stands under every panel."""
    return f"<p class='opt-caution'>{escape(CAUTION)}</p>"
