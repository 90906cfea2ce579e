"""What would have caught one escape, for the terminal and the notebook."""

import math

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.proposal.escape import Escape, NearLimit, Remedy

SHOWN, MEASURED = 10, 5


def escape_text(found: Escape, *, currency: str) -> Group:
    """Return all that is known of an escape.

    Parameters
    ----------
    found : Escape
    currency : str

    Returns
    -------
    Group
    """
    parts: list[RenderableType] = [Text(head_words(found)), Text(""), limits_table(found), Text("")]
    parts += [Text(line) for line in verdict_words(found, currency=currency)]
    parts += [
        Text(""),
        Text(f"must-catch set: {'belongs there' if found.belongs else 'no'}: {found.why}"),
    ]
    parts += [Text(""), similar_table(found)]
    return Group(*parts)


def head_words(found: Escape) -> str:
    """Return who escaped, and from how much this is told."""
    place, label = found.item.place, found.item.label
    pin = f" pin {place['pin']}" if place["pin"] else ""
    kind = f"{label['verdict'] or 'no verdict'}{' ' + label['defect'] if label['defect'] else ''}"
    by = f", found by {label['found_by']}" if label["found_by"] else ""
    return (
        f"{place['board']} {place['designator']}{pin}, {found.item.family}, {place['stage']}, lot "
        f"{place['lot']}, {place['time']:%Y-%m-%d %H:%M}: {kind}{by}\n"
        f"from {found.items:,} items, {found.lots} lots, {found.defects} labelled defects, "
        f"{found.span_days:.0f} days; every figure is counted on this very history and no promise"
    )


LIMITS_HEAD = (
    *("limit", "item", "limit now", "short of it by", "goods' scatter", "would call it at"),
    *("false calls more", "goods as far out"),
)


def limit_rows(found: Escape) -> list[tuple[str, ...]]:
    """Return the limits, nearest first, as cells under `LIMITS_HEAD`."""
    return [
        (
            f"{x.measurement} {x.side}",
            "not measured" if x.value is None else f"{x.value:g} {x.unit}",
            f"{x.live:g}" if math.isfinite(x.live) else "off",
            _gap_words(x),
            "" if x.spreads is None or not math.isfinite(x.spreads) else f"{x.spreads:.1f}",
            f"{x.needed:g}" if x.needed is not None else "none",
            "" if x.alone is None else f"{x.alone:,}",
            "" if x.share_beyond is None else f"{x.goods_beyond:,} ({x.share_beyond:.2%})",
        )
        for x in found.limits
    ]


def limits_table(found: Escape) -> Table:
    """Return the limits, nearest first."""
    table = _table(*LIMITS_HEAD)
    for row in limit_rows(found):
        table.add_row(*row)
    return table


def _gap_words(x: NearLimit) -> str:
    if x.gap is None or not math.isfinite(x.gap):
        return ""
    steps = f", {x.steps:.{0 if x.steps >= 1 else 1}f} steps" if x.steps is not None else ""
    return f"{x.gap:.4g}{steps}"


def verdict_words(found: Escape, *, currency: str) -> list[str]:
    """Return whether any limit could have caught it, and at what price."""
    if found.hopeless:
        return _hopeless_words(found)
    if found.fewest is None or found.cheapest is None:
        return [
            "a must-catch item of the family cannot be called between the rails: correct the set first"
        ]
    lines = ["settings that call it and every must-catch item:"]
    lines += _remedy_words(
        "fewest false calls, no known defect given up", found.fewest, currency=currency, money=False
    )
    lines += _remedy_words("least money a month", found.cheapest, currency=currency, money=True)
    if found.pays_from is not None:
        one = f"{currency} {found.price:,.0f}"
        lines.append(
            "the latter costs no more than the live limits would without any such escape"
            if found.pays_from == 0
            else f"the latter pays from {found.pays_from:.2g} escapes like it a month on (one costs {one})"
        )
    return lines


def _hopeless_words(found: Escape) -> list[str]:
    if found.hopeless == "not measured":
        return [
            "no limit could have caught it: nothing that the family has a limit for was measured on it; "
            "give one of its measurements a limit, or have it measured"
        ]
    if found.hopeless == "overridden":
        return [
            "no limit of the family could have caught it: a limit of its part or designator decides; "
            "correct that in the recipe"
        ]
    lines = ["no limit between the rails could have caught it: it lies among the goods"]
    measured = [x for x in found.limits if x.value is not None and x.share_beyond is not None]
    for x in measured[:3]:
        lines.append(
            f"  {x.measurement} {x.side}: a limit that calls it calls {x.goods_beyond:,} of {x.goods:,} "
            f"goods as well ({x.share_beyond:.1%}); stopped by: {x.rail or 'nothing'}"
        )
    lines.append("look for it with another measurement, another stage, or test")
    return lines


def _remedy_words(title: str, x: Remedy, *, currency: str, money: bool) -> list[str]:
    moves = ", ".join(
        f"{m.measurement} {m.side} {_limit(m.now)} -> {_limit(m.proposed)} {m.unit}"
        for m in x.limits
    )
    least = f"{currency} {x.bound:,.2f} a month" if money else f"{x.bound:,.0f} false calls"
    proof = "proved" if x.proved else f"not proved, no setting can do with less than {least}"
    rails = "" if x.within_rails else "; breaks a rail on the whole setting"
    return [
        f"  {title} ({proof}{rails}):",
        f"    {moves or 'no limit moves'}",
        f"    false calls {x.live_false_calls:,} -> {x.false_calls:,}, labelled escapes "
        f"{x.live_escapes} -> {x.escapes}, money a month {currency} {x.live_money:,.0f} -> {x.money:,.0f}",
    ]


def _limit(value: float) -> str:
    return f"{value:g}" if math.isfinite(value) else "off"


def similar_table(found: Escape) -> Group:
    """Return the nearest passed items."""
    limited = list(dict.fromkeys(x.measurement for x in found.limits if x.value is not None))
    measured = (limited or list(found.item.values))[:MEASURED]
    table = _table("passed item", "lot", "distance", "verdict", *measured)
    for row in found.similar.head(SHOWN).to_dict("records"):
        verdict = row["verdict"] if isinstance(row["verdict"], str) else "never reviewed"
        table.add_row(
            f"{row['board']} {row['designator']}"
            + (f".{row['pin']}" if isinstance(row["pin"], str) else ""),
            str(row["lot"]),
            f"{row['distance']:.2f}",
            verdict,
            *(
                ""
                if math.isnan(float(row[m] if row[m] is not None else math.nan))
                else f"{row[m]:.4g}"
                for m in measured
            ),
        )
    more = len(found.similar) - SHOWN
    note = (
        "Passed items nearest to it, distance in robust standard deviations of the goods a measurement"
        + (f"; {more} more with --out FILE" if more > 0 else "")
        + ". Look at those never reviewed."
    )
    return Group(table, Text(note))


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(columns):
        table.add_column(column, justify="right" if n else "left", no_wrap=not n)
    return table
