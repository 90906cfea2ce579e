"""Tables of reviewers: call load against escapes, agreement, calls that do not repeat."""

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

Fields = Mapping[str, Any]


def stated_table(stated: Fields, words: Sequence[str]) -> Group:
    """Return what the labels say of the reviewers' stated rates, family by family."""
    table = _table(
        "family", "stated to misread", "labels fit", "labels near limits", "of called there"
    )
    for family, fit in stated["families"].items():
        found = fit["found"]
        table.add_row(
            family,
            f"{fit['stated']:.2%}",
            f"{found['value']:.2%} ({found['low']:.2%} to {found['high']:.2%})",
            f"{fit['events']:,}",
            f"{fit['of']:,}",
        )
    note = (
        "Labels fit: misread goods pile up just beyond a limit as goods do, real defects do not. Where a family "
        "differs, state it: [families.NAME] false_alarm_rate = …, miss_rate = …"
    )
    return Group(*(Text(line) for line in words), table, Text(note))


def load_table(rows: Sequence[Fields], *, scenario: str) -> Group:
    """Return for each family the live recipe and the setting with the fewest escapes in all."""
    table = _table(
        "family",
        "setting",
        "calls",
        "true",
        "passed by review",
        "escapes: limits",
        "review",
        "in all",
        "of",
    )
    for row in rows:
        for name in ("live", "fewest"):
            at = row[name]
            table.add_row(
                row["family"] if name == "live" else "",
                "live" if name == "live" else "fewest in all",
                f"{at['calls']:,.0f}",
                f"{at['true_share']:.1%}",
                f"{at['miss_rate']:.0%}",
                f"{at['missed_by_limits']:.1f}",
                f"{at['missed_by_review']:.1f}",
                f"{at['total']:.1f}",
                f"{row['defects']:.0f}",
            )
    note = (
        f"Scenario '{scenario}': the share of called defects that a reviewer passes, by the share "
        "of true calls among all. A scenario, no measurement of these reviewers and no promise: "
        "limits are counted on this very history. Below the fewest, more calls would lose defects."
    )
    return Group(table, Text(note))


def flicker_table(rows: Sequence[Fields]) -> Group:
    """Return how many calls of each limit would not repeat."""
    table = _table(
        "family", "limit", "at", "calls", "of its calls do not repeat", "items that flicker, ppm"
    )
    for row in rows:
        unrepeated, share = row["unrepeated"], row["share"]
        table.add_row(
            row["family"],
            f"{row['measurement']} {row['side']} ({row['recipe']})",
            f"{row['limit']:g} {row['unit']}",
            f"{row['calls']:,}",
            f"{unrepeated['value']:.0%} ({unrepeated['low']:.0%} to {unrepeated['high']:.0%})",
            f"{share['value'] * 1e6:,.0f}",
        )
    note = (
        "Inspected again, so large a share of a limit's calls would not be made: the item lies "
        "within the gauge's own spread of the limit. 90 % intervals, lots as the unit."
    )
    return Group(table, Text(note))


def agreement_table(found: Fields) -> Group:
    """Return how far reviewers agree with each other and, where it is known, with the truth."""
    parts: list[Table | Text] = [
        Text(
            f"{found['items']} items, {found['reviewers']} reviewers, "
            f"looks of each at each item: {found['looks']}"
        )
    ]
    if found["fleiss"] is not None:
        parts.append(Text(f"all looks together: Fleiss's kappa {found['fleiss']:.2f}"))
    if found["pairs"]:
        table = _table("reviewers", "agree", "Cohen's kappa", "one is stricter, p")
        for row in found["pairs"]:
            kappa = row["kappa"]
            shown = "no value" if kappa["value"] is None else _interval(kappa, 2)
            table.add_row(row["pair"], f"{row['agree']:.0%}", shown, f"{row['stricter_p']:.2g}")
        parts.append(table)
    if found["appraisals"]:
        table = _table("reviewer", "repeats", "right", "passes defects", "calls goods", "verdict")
        for row in found["appraisals"]:
            rates = ("effectiveness", "miss_rate", "false_alarm_rate")
            repeats = _percent(row["repeats"]) if found["looks"] > 1 else "one look"
            told = [_percent(row[k]) for k in rates]
            table.add_row(row["reviewer"], repeats, *told, row["verdict"])
        parts.append(table)
    else:
        parts.append(Text("no column truth: whether they are right is not known"))
    return Group(*parts)


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(columns):
        table.add_column(column, justify="left" if n < 2 else "right", no_wrap=n < 2)
    return table


def _interval(interval: Fields, digits: int) -> str:
    return f"{interval['value']:.{digits}f} ({interval['low']:.{digits}f} to {interval['high']:.{digits}f})"


def _percent(interval: Fields) -> str:
    return f"{interval['value']:.0%} ({interval['low']:.0%} to {interval['high']:.0%})"


def risk_table(rows: Sequence[Fields], *, risk: float) -> Group:
    """Return the risks of limits that guard a workmanship bound, joint and conditional apart."""
    if not rows:
        return Group(Text("no live limit has both a workmanship bound and a repeatability"))
    table = _table(
        "family",
        "limit",
        "at",
        "bound",
        "inside by",
        f"needed for {risk:.3g}",
        "consumer, ppm",
        "producer, ppm",
        "escape rate",
        "false-call rate",
    )
    for row in rows:
        table.add_row(
            row["family"],
            f"{row['measurement']} {row['side']}",
            f"{row['limit']:g}",
            f"{row['bound']:g} {row['unit']}",
            f"{row['distance']:.4g}",
            f"{row['needed']:.3g}",
            f"{row['consumer'] * 1e6:.3g}",
            f"{row['producer'] * 1e6:,.0f}",
            f"{row['escape_rate']:.2g}",
            f"{row['false_call_rate']:.2g}",
        )
    note = (
        "Joint, of all items: consumer's risk is nonconforming and accepted, producer's is conforming "
        "and called. Conditional: escape rate is of the nonconforming, false-call rate of the "
        "conforming. The process is taken as normal; heavier tails have more at the bound. "
        "'needed' is the guard band for an item right at the bound."
    )
    return Group(table, Text(note))
