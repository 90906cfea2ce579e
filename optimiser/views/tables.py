"""Tables for the terminal: what the records say, rounded to what they know."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.caution import CAUTION
from optimiser.history.contract import Finding
from optimiser.history.replay import Replayed
from optimiser.monitoring.backtest import Fold
from optimiser.plant.file import PlantFile
from optimiser.proposal.headline import headline
from optimiser.proposal.month import month_of
from optimiser.proposal.record import EscapeShare, LimitMove, Proof, Proposal
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import (
    change_span,
    change_words,
    interval_words,
    saved_words,
    saving_span,
    saving_words,
    signed_words,
    span_words,
)
from optimiser.views.reasons import why_words
from optimiser.views.sentences import (
    added_words,
    all_escapes_words,
    finding_words,
    headline_words,
    month_cells,
    proven_price_words,
)

Fields = Mapping[str, Any]
WIDTH = 120


def show(*parts: RenderableType) -> str:
    """Return renderables as text for a terminal of any kind, without colour codes."""
    console = Console(width=WIDTH, no_color=True, highlight=False, force_terminal=False)
    with console.capture() as capture:
        for part in parts:
            console.print(part)
    return capture.get()


def _table(title: str, columns: Sequence[str], *, left: int = 1) -> Table:
    """Return an empty table; the first ``left`` columns are words, the others numbers."""
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(columns):
        table.add_column(column, justify="left" if n < left else "right", no_wrap=n == 0)
    return table


def findings_table(
    findings: Sequence[Finding], *, rows_used: int, rows_set_aside: int, usable: bool
) -> Group:
    """Return what a check found, errors first."""
    verdict = "usable" if usable else "not usable"
    head = Text(f"{verdict}: {rows_used:,} rows used, {rows_set_aside:,} set aside")
    order = {"error": 0, "set aside": 1, "note": 2}
    lines = [Text(f"{f.level}: {f}") for f in sorted(findings, key=lambda f: order[f.level])]
    return Group(head, *lines)


def replay_table(rows: Sequence[Replayed]) -> Table:
    """Return what a recipe does to each family, with a line of totals."""
    names = (
        "items",
        "calls",
        "true_calls",
        "false_calls",
        "unreviewed_calls",
        "escapes",
        "kept",
        "loosened",
        "tightened",
    )
    table = _table("", ["family", *(n.replace("_", " ") for n in names)])
    for row in rows:
        table.add_row(row.family, *(f"{getattr(row, n):,}" for n in names))
    table.add_section()
    table.add_row("all", *(f"{sum(getattr(r, n) for r in rows):,}" for n in names))
    return table


def front_table(row: Fields) -> Group:
    """Return the exact front of one family, the limits of each point beside it."""
    table = _table("", ["escapes at most", "false calls", "proved", "limits"], left=0)
    table.columns[-1].justify = "left"
    for point in row["points"]:
        proved = "yes" if point["proved"] else f"no, at least {point['bound']:,}"
        limits = ", ".join(limit_words(x) for x in point["limits"] if x["value"] != x["now"])
        table.add_row(
            str(point["escapes"]), f"{point['false_calls']:,}", proved, limits or "as live"
        )
    note = (
        f"{row['family']}: fewest false calls for each number of escapes among "
        f"{row['defects']} labelled defects, {row['items']:,} items, {row['lots']} lots. "
        "Counted on this very history: what was attainable, no promise. Items that nobody "
        "reviewed count as false calls. Limits that stay as they are are not shown."
    )
    return Group(Text(note), table)


def limit_words(limit: Fields) -> str:
    """Return a limit as ``tilt upper 3.5``; off where there is none."""
    value = "off" if limit["value"] is None else f"{limit['value']:g}"
    return f"{limit['measurement']} {limit['side']} {value}"


def proposals_table(
    proposals: Sequence[Proposal],
    *,
    plant: PlantFile,
    past: Sequence[Fields] = (),
    notes: Sequence[str] = (),
    details: bool = False,
) -> Group:
    """Return the plant in one sentence and a line a family, largest saving first.

    Parameters
    ----------
    proposals : sequence of Proposal
    plant : PlantFile
    past : sequence of mapping
        How promises of the last backtest fared.
    notes : sequence of str
        What else is to be known before the figures are believed.
    details : bool
        Intervals, how promises fared, and every family's limits, lines, rails and reasons below.
    """
    if not proposals:
        return Group(Text("no family has been proposed yet"))
    currency, found = plant.plant.currency, headline(proposals, plant.review)
    said = headline_words(found, currency=currency) if found else []
    parts: list[RenderableType] = [Text(line) for line in said[: None if details else 1]]
    parts += [Text(""), _month_table(proposals, plant), Text(f"\n{_BASIS}")]
    if details:
        parts += [Text(_past_words(past)), *(Text(line) for line in notes)]
        parts += [proposal_text(p, currency=currency) for p in proposals]
    else:
        parts += [Text(line) for line in notes]
        parts += [Text(line) for line in finding_words(proposals)]
        parts.append(Text("Limits, intervals and reasons: --family NAME, or --details for all."))
    return Group(*parts, Text(f"\n{CAUTION}"))


def unsettled_words(proposals: Sequence[Proposal], *, plant: str) -> list[str]:
    """Return where to read what would settle the families that are left as they are.

    Parameters
    ----------
    proposals : sequence of Proposal
    plant : str
        As the command named it.

    Returns
    -------
    list of str
        None where every family has a change.
    """
    left = sum(of.advice != "change" for of in proposals)
    if not left:
        return []
    families = "1 family is" if left == 1 else f"{left:,} families are"
    return [
        f"{families} left without a change; which looks would settle most: optimiser learn {plant}"
    ]


_BASIS = (
    "All a month of production, as expected on lots that no limit was fitted to (false calls now: counted, items that "
    "nobody reviewed included). Labels: labelled defects that the figures come from."
)


def _month_table(proposals: Sequence[Proposal], plant: PlantFile) -> Table:
    """Return a line a family: what a month looks like now and after its change."""
    table = _table(
        "",
        [
            "family",
            "advice",
            "false calls now",
            "after",
            "fewer",
            "review hours fewer",
            f"{plant.plant.currency} saved",
            "escapes added",
            "caught",
            "labels",
        ],
        left=2,
    )
    for of in proposals:
        cells = month_cells(month_of(of, plant.review))
        table.add_row(of.family, of.advice, *cells, f"{of.defects:,}")
    return table


def _past_words(past: Sequence[Fields]) -> str:
    """Return how promises of the last backtest fared."""
    told = [r for r in past if r["promises"] and r["promised"]]
    if not told:
        return "How promises fared in the past is not known: run optimiser backtest once."
    return "Past promises (last backtest): " + "; ".join(
        f"{r['figure'].replace('_', ' ')} followed {r['followed']:,.0f} of {r['promised']:,.0f}, "
        f"{r['inside']:.0%} of {r['promises']} inside their interval"
        for r in told
    )


def proposal_text(of: Proposal, *, currency: str) -> Group:
    """Return one family's limits, three lines, rails and reasons."""
    head = (
        f"\n{of.family}: {of.advice}"
        + (" (stopped early)" if of.interrupted else "")
        + f" · from {of.items:,} items, {of.lots} lots, {of.defects} labelled defects"
    )
    parts: list[RenderableType] = [Text(head)]
    parts += [Text(f"  {line}") for line in why_words(of, currency=currency)]
    if of.advice == "change":
        parts += _change_parts(of)
        parts.append(Text(f"  {_promise_words(of, currency)}"))
        parts.append(Text(f"  {next_words(of, currency=currency)}"))
    if of.escape_share is not None:
        parts.append(Text(f"  {_share_words(of.escape_share)}"))
    if of.proof is not None:
        parts += [Text(f"  {line}") for line in _proof_words(of.proof, currency=currency)]
    if of.considered is not None:
        moved = ", ".join(_move_words(x) for x in of.considered.limits if x.moves)
        parts.append(
            Text(
                f"  considered, not advised: {moved}; saving a month, {currency}: "
                f"{saving_words(of.considered.promise.saving_per_month)}"
            )
        )
    return Group(*parts)


def _promise_words(of: Proposal, currency: str) -> str:
    """Return what is expected of a change, with intervals, as its signer will be shown it."""
    told, scale = of.promise, DAYS_PER_MONTH / of.span_days
    added, caught = (x.times(scale) for x in (told.escapes_added, told.escapes_caught))
    reached = (
        f"; {of.share_reached:.0%} of what hindsight's best setting would have saved on this very history"
        if of.share_reached is not None
        else ""
    )
    return (
        f"promise, a month ({told.level:.0%} intervals, lots as the unit; from {of.span_days:.0f} days): "
        f"{change_words(told.false_calls_saved.times(scale))} false calls, escapes added {interval_words(added, 1)}, "
        f"caught {interval_words(caught, 1)}; saving {currency} {saving_words(told.saving_per_month)}{reached}"
    )


def next_words(of: Proposal, *, currency: str) -> str:
    """Return what one span to come may bring of a change, beside what is expected of it."""
    promise, ahead = of.promise, of.promise.next_span
    scale = DAYS_PER_MONTH / of.span_days
    calls, added = (x.times(scale) for x in (ahead.false_calls_saved, ahead.escapes_added))
    return (
        f"the next {of.span_days:.0f} days may bring, a month (predictive, bursts of defects included: variance "
        f"{promise.bursts:.1f} × mean): {change_span(calls)} false calls, escapes added {span_words(added, 1)}, "
        f"saving {currency} "
        f"{saving_span(ahead.saving_per_month)}; chance of loss in the long run {promise.chance_of_loss:.0%}"
    )


def _share_words(share: EscapeShare) -> str:
    """Return the share of called defects that would escape, beside the other families'."""
    return (
        f"held out, {share.counted} of {share.of} called defects would escape; beside the other "
        f"families {share.shown:.1%} ({share.low:.1%} to {share.high:.1%}), for ranking and no bound"
    )


def _proof_words(proof: Proof, *, currency: str) -> list[str]:
    """Return the certificate of later lots, and the best setting that it certifies."""
    lines = [
        f"had the first {proof.early_lots} lots alone decided, the {proof.later_lots} after them say:",
        f"  escapes added: {added_words(proof)}",
        f"  all escapes: {all_escapes_words(proof)}",
        f"  price of an escape: {proven_price_words(proof, currency=currency)}",
    ]
    certified = [s for s in proof.settings if s.certified_added and s.limits]
    if certified:
        best = max(certified, key=lambda s: s.false_calls_saved)
        moved = ", ".join(_move_words(x) for x in best.limits)
        lines.append(
            f"  certified for 10 % added at 90 % confidence: {moved}; "
            f"{best.false_calls_saved:,} false calls fewer in the later lots"
        )
    return lines


def _change_parts(of: Proposal) -> Iterable[RenderableType]:
    table = _table("", ["  limit", "now", "proposed", "unit", "stopped by"], left=1)
    table.columns[3].justify = table.columns[4].justify = "left"
    for limit in of.moves:
        table.add_row(
            f"  {limit.measurement} {limit.side}",
            _value(limit.now),
            _value(limit.proposed),
            limit.unit,
            limit.rail.partition(": ")[2],
        )
    yield table
    for name, line, what in (
        ("kept", of.lines.kept, "called by both"),
        ("loosened", of.lines.loosened, "no longer called"),
        ("tightened", of.lines.tightened, "newly called"),
    ):
        yield Text(
            f"  {name}: {line.calls:,} items {what} "
            f"({line.defects} defects, {line.goods:,} goods, {line.unreviewed:,} not reviewed)"
        )


def _value(value: float) -> str:
    return f"{value:g}" if math.isfinite(value) else "off"


def _move_words(limit: LimitMove) -> str:
    return f"{limit.measurement} {limit.side} {_value(limit.now)} → {_value(limit.proposed)}"


def backtest_table(calibration: Sequence[Fields], folds: Sequence[Fold], *, currency: str) -> Group:
    """Return how promises fared in sum, then every fold."""
    if not folds:
        return Group(Text("no change was found at any cut, so nothing was promised"))
    total = _table("", ["figure", "promises", "inside their interval", "promised", "followed"])
    for row in calibration:
        total.add_row(
            row["figure"].replace("_", " "),
            str(row["promises"]),
            f"{row['inside']:.0%}",
            f"{row['promised']:,.0f}",
            f"{row['followed']:,.0f}",
        )
    columns = [
        "family",
        "advice",
        "lots before + after",
        "false calls",
        "followed",
        "escapes added",
        "followed",
        f"saving, {currency}",
        "followed",
        "hindsight",
    ]
    each = _table("", columns, left=2)
    for fold in folds:
        each.add_row(
            fold.family,
            fold.advice,
            f"{fold.past_lots} + {fold.next_lots}",
            change_words(fold.false_calls_saved),
            signed_words(fold.followed_false_calls_saved),
            interval_words(fold.escapes_added, 1),
            str(fold.followed_escapes_added),
            saving_words(fold.saving),
            saved_words(fold.followed_saving),
            saved_words(fold.hindsight_saving),
        )
    note = (
        "At each cut only the lots before it existed for the tool; figures are for the lots up to "
        "the next cut, with 90% predictive intervals, against the live recipe. Families where a "
        "change was found, advised or not. 'hindsight' is the best setting of those lots themselves."
    )
    return Group(total, Text(""), each, Text(note))
