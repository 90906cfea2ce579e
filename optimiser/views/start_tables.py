"""First limits of a family in words: each limit's reason, how sure it is, what to collect first."""

import math
from collections.abc import Iterator

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.evidence.kinship import Wait
from optimiser.plant.file import PlantFile
from optimiser.plant.workmanship import CHECK, Criterion
from optimiser.proposal.start_record import (
    COUNTED_PER,
    LEVEL,
    Elsewhere,
    FirstLimit,
    FirstLimits,
    Range,
    StartBound,
)

NOTE = (
    "First limits rest on other families and on bounds; no figure here was judged on lots of this family "
    "that it has not seen, so none is a promise."
)
SPANS_HELD = (
    "; take these spans for rather too narrow and false calls for rather too few, as on invented plants "
    "whose truth is known"
)
"""How far: DEVELOPERS.md, "What first limits cost"."""

PER = f"per {COUNTED_PER:,} items"
_GROUNDS = {
    "bound": "bound",
    "siblings": "siblings",
    "own goods": "own goods, siblings' defects",
    "other kinds": "own goods, other kinds' defects",
    "own history": "own history",
}


def start_text(found: FirstLimits, *, file: PlantFile) -> Group:
    """Return first limits with all that is said of them.

    Parameters
    ----------
    found : FirstLimits
    file : PlantFile

    Returns
    -------
    Group
    """
    parts: list[RenderableType] = [Text(head_words(found)), Text(""), limits_table(found), Text("")]
    lines = [
        *reason_lines(found),
        "",
        *expected_words(found, currency=file.plant.currency),
        "",
        *evidence_words(found),
        *bound_words(found),
    ]
    return Group(*parts, *(Text(line) for line in lines), Text(""), Text(NOTE))


def name_of(limit: FirstLimit | StartBound) -> str:
    """Return a limit's name."""
    return f"{limit.measurement} {limit.side}"


def head_words(found: FirstLimits) -> str:
    """Return whose limits these are, and from how much."""
    own = (
        f"its own {found.items:,} items on {found.boards:,} boards in {found.lots} "
        f"{'lot' if found.lots == 1 else 'lots'} with {found.labels} labelled "
        f"{'defect' if found.labels == 1 else 'defects'}"
        if found.items
        else "no item of its own"
    )
    kin = (
        f"{len(found.siblings)} {'sibling' if len(found.siblings) == 1 else 'siblings'} of termination "
        f"{found.termination} ({', '.join(found.siblings)})"
        if found.siblings
        else _without_siblings(found)
    )
    two = "; critical: two signatures are needed" if found.critical else ""
    return (
        f"{found.family}: first limits · class {found.product_class}{two}\n"
        f"from {kin} and {own}; {found.sizes}"
    )


def _without_siblings(found: FirstLimits) -> str:
    kind = (
        f"no family of termination {found.termination} with enough items"
        if found.termination
        else "no family known to be like it (the plant file states no termination)"
    )
    if found.others:
        return f"{len(found.others)} families of other kinds, which lend their defects ({kind}),"
    rest = "bounds and its own goods alone" if found.items else "bounds alone"
    return f"{kind}, so {rest},"


def limits_table(found: FirstLimits) -> Table:
    """Return the limits, one a row."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(
        ("limit", "first", f"{LEVEL:.0%} between", "unit", "rests on", "own share", "alone calls")
    ):
        table.add_column(column, justify="left" if n in (0, 3, 4) else "right", no_wrap=n == 0)
    for x in found.limits:
        table.add_row(
            name_of(x),
            f"{x.limit:g}",
            "" if x.low == x.high else f"{x.low:g} to {x.high:g}",
            x.unit,
            _GROUNDS[x.ground],
            "" if x.ground == "bound" and x.called is None else f"{x.own:.0%}",
            "unknown" if x.called is None else f"{x.called:.2%}",
        )
    return table


def limits_frame(found: FirstLimits) -> pd.DataFrame:
    """Return the limits with their reasons, one a row."""
    return pd.DataFrame(
        [
            {
                "limit": name_of(x),
                "first": f"{x.limit:g} {x.unit}",
                f"{LEVEL:.0%} between": "" if x.low == x.high else f"{x.low:g} to {x.high:g}",
                "own share, %": round(100 * x.own),
                "alone calls, %": None if x.called is None else round(100 * x.called, 2),
                "why": reason_words(x, found),
            }
            for x in found.limits
        ]
    )


def reason_lines(found: FirstLimits) -> list[str]:
    """Return why limits stand where they stand, those of one reason together."""
    by_reason: dict[str, list[str]] = {}
    for x in found.limits:
        by_reason.setdefault(reason_words(x, found), []).append(name_of(x))
    return [f"{', '.join(names)}: {words}" for words, names in by_reason.items()]


def reason_words(limit: FirstLimit, found: FirstLimits) -> str:
    """Return why a limit stands where it stands."""
    if limit.ground == "bound" and limit.bound is not None:
        return f"at the {stated_words(limit.bound)}{_too_close(limit)}"
    if not found.siblings and not found.others:
        return (
            "where its own goods end, with 90 % confidence all but 0.1 % of them; nothing is known of its "
            f"defects{_inside(limit)}"
        )
    where = {
        "siblings": f"its goods taken to lie as its siblings' do ({limit.law})",
        "own goods": "its goods where its own items lie",
        "other kinds": "its goods where its own items lie, its defects as far from them as other kinds' are",
        "own history": "its goods and defects where its own lie",
    }[limit.ground]
    return f"least expected cost: {where}, against defects by their distance from goods{_inside(limit)}"


def _inside(limit: FirstLimit) -> str:
    return "" if limit.bound is None else f"; inside the {stated_words(limit.bound)}"


def _too_close(limit: FirstLimit) -> str:
    if limit.called is None or limit.called < 0.005:
        return ""
    return f"; it cuts into the goods: {limit.called:.1%} of them would be called"


def stated_words(bound: StartBound) -> str:
    """Return a bound with its guard band, where it comes from and how sure it is."""
    guard = f" less a guard band of {bound.guard:.3g}" if bound.guard else ""
    if bound.computed is None:
        return f"workmanship bound {bound.value:g}{guard} (plant file)"
    return f"workmanship bound {bound.value:.4g}{guard}, {computed_words(bound.computed)}"


def computed_words(of: Criterion) -> str:
    """Return how a bound was computed, after what, how certain that is, and to check it."""
    note = f"; {of.note}" if of.note else ""
    return f"computed: {of.formula} ({of.source}; certainty {of.certainty}; {CHECK}{note})"


def _range_words(of: Range) -> str:
    value, low, high = (
        f"{x:,.0f}" if x >= 100 else f"{x:.2g}" for x in (of.value, of.low, of.high)
    )
    return f"{value} ({low} to {high})"


def expected_words(found: FirstLimits, *, currency: str) -> list[str]:
    """Return what is expected under these limits, and what to collect first."""
    if found.false_calls is None:
        return [
            "false calls and escapes under these limits: unknown, no family like it has been seen"
            + _elsewhere_words(found.elsewhere),
            "collect first: goods of this family on some lots (nobody has to review them), then every "
            "defect that review, test or field finds",
        ]
    judged = (
        f"judged on each {'sibling' if found.siblings else 'lender'} in turn, by limits that had not seen it"
        + SPANS_HELD
        if found.unseen
        else "reckoned on the one family that lends, which the limits saw, so too good"
    )
    line = f"expected {PER}: {_range_words(found.false_calls)} false calls"
    if found.escapes is not None and found.defects is not None:
        line += f", {_range_words(found.escapes)} escapes of {_range_words(found.defects)} defects"
    return [f"{line}; {judged}", _collect_words(found, currency)]


def _elsewhere_words(of: Elsewhere | None) -> str:
    """Return what bounds alone do where it can be counted."""
    if of is None:
        return ""
    called, passed = (
        f"{middle:.1%} ({low:.1%} to {high:.1%})" for low, middle, high in (of.called, of.passed)
    )
    return (
        f"; in {of.families} other families of this plant their own bounds alone would call {called} of the "
        f"goods and let {passed} of the labelled defects pass: bounds say what is scrap, not where goods end"
    )


def _collect_words(found: FirstLimits, currency: str) -> str:
    """Return what to collect first, and what not knowing it costs."""
    goods, defects = (found.not_knowing.get(gap, 0.0) for gap in ("goods", "defects"))
    costs = (
        f"not knowing where its goods lie is expected to cost {currency} {goods:,.2f} {PER}, not knowing its "
        f"defects {currency} {defects:,.2f}, of {currency} {found.cost or 0.0:,.2f} in all"
    )
    if found.collect_first is None:
        return f"to collect first: nothing stands out ({costs})"
    if found.collect_first == "goods":
        number = max(found.lots_needed, 3)
        return f"collect first goods: results of {number} more lots, which nobody has to review ({costs})"
    return (
        "collect first defects: review every call, record what test and field find, audit passed items "
        f"near the limits ({costs})"
    )


def evidence_words(found: FirstLimits) -> Iterator[str]:
    """Yield how long it takes until the tool may go by the family's own labels."""
    if all(e.items is None for e in found.evidence):
        needed = ", ".join(str(e.needed) for e in found.evidence[1:])
        yield (
            f"a change may be advised on its own evidence with {found.evidence[0].needed} labelled defects, "
            f"escapes certified with {needed}: how long that takes nobody knows, for no label and no sibling "
            "says how often defects come"
        )
        return
    for e in found.evidence:
        what = (
            f"a change may be advised on its own evidence with {e.needed} labelled defects"
            if e.what == "advice"
            else f"escapes added can be certified at most {e.share:.0%} with {e.confidence:.0%} confidence with "
            f"{e.needed} labelled defects, none of them released"
        )
        lots = (
            f" and {found.lots_needed} more lots"
            if e.what == "advice" and found.lots_needed
            else ""
        )
        yield f"{what}{lots}: {_wait_words(e.items, found)}"


def _wait_words(wait: Wait | None, found: FirstLimits) -> str:
    if wait is None:
        return (
            "how long that takes nobody knows: no label and no sibling says how often defects come"
        )
    if not wait.labels:
        return "they are there"
    if found.per_board:
        middle, low, high = (
            math.ceil(x / found.per_board) for x in (wait.middle, wait.low, wait.high)
        )
        return f"{wait.labels} more, some {_two(middle)} boards ({wait.level:.0%}: {_two(low)} to {_two(high)})"
    return (
        f"{wait.labels} more, some {_two(wait.middle)} items ({wait.level:.0%}: {_two(wait.low)} to "
        f"{_two(wait.high)}); in boards with --per-board"
    )


def _two(value: float) -> str:
    """Return a number to two digits."""
    return f"{float(f'{value:.2g}'):,.0f}"


def bound_words(found: FirstLimits) -> Iterator[str]:
    """Yield what the bounds leave to be done: suggestions, differences, what could not be computed."""
    suggested = [b for b in found.bounds if b.computed is not None]
    if suggested:
        yield ""
        yield f"bounds that plant.toml could state, computed; {CHECK}:"
        yield f'  [families."{found.family}".workmanship]'
        for measurement in dict.fromkeys(b.measurement for b in suggested):
            sides = ", ".join(
                f"{b.side} = {b.value:.6g}" for b in suggested if b.measurement == measurement
            )
            yield f"  {measurement} = {{ {sides} }}"
    for stated, computed in found.differing:
        yield f"{name_of(stated)}: plant.toml states {stated.value:g}, from {stated_words(computed)}"
    for x in found.uncomputed:
        yield f"{x.feature} {x.side}: no bound: {x.words}"
    for c in found.unmeasured:
        yield (
            f"{c.feature} {c.side}: bound {c.bound:.4g} mm, {computed_words(c)}, but no measurement is of it; "
            "state measurements.NAME.feature where one is"
        )
    for name in found.missed:
        yield f"must-catch item {name}: no first limit can call it with its margin; look at it"


def draft_words(found: FirstLimits, *, file: PlantFile, recipe: str, revision: str) -> str:
    """Return the story beside a draft of a recipe: every limit with its reason.

    Parameters
    ----------
    found : FirstLimits
    file : PlantFile
    recipe : str
        Name of the draft's file.
    revision : str
        Of the live recipe that it was written on.

    Returns
    -------
    str
        Markdown.
    """
    rows = "\n".join(
        f"| {name_of(x)} | {x.limit:g} {x.unit} | {x.low:g} to {x.high:g} | {reason_words(x, found)} |"
        for x in found.limits
    )
    rest = "\n".join(
        f"- {line}"
        for line in (
            *expected_words(found, currency=file.plant.currency),
            *evidence_words(found),
            *bound_words(found),
        )
        if line
    )
    signatures = "two different people have" if found.critical else "a person has"
    return (
        f"# First limits of {found.family}: a draft\n\n{head_words(found)}\n\n"
        f"`{recipe}` is revision {revision} with these limits added. Nobody has signed it; {signatures} to, "
        "as your change control has it, before it goes on a machine.\n\n"
        f"| limit | first | {LEVEL:.0%} between | why |\n|---|---|---|---|\n{rows}\n\n{rest}\n\n{NOTE}\n"
    )
