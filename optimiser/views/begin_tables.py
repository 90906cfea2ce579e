"""What ``optimiser begin`` says in the terminal: what it saw, a preview, what stays open."""

import math
from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.begin.recognise import Recognised
from optimiser.begin.write import Begun
from optimiser.recipe.table import Row


def begun_table(begun: Begun) -> Group:
    """Return what was seen in an export, make by make, and what was written."""
    parts: list[RenderableType] = []
    for one in begun.found:
        parts += [Text(_make_words(one)), _columns_table(one), Text("")]
    live = begun.carried.recipes
    limits = f"{len(live[-1].rows):,} limits rows" if live else "no limits: none are carried"
    parts.append(
        Text(
            f"written: {begun.plant} ({len(begun.families):,} families), {begun.recipe} ({limits})"
        )
    )
    for at, recipe in zip(begun.carried.since, live[:-1], strict=False):
        words = f"limits changed at {at:%Y-%m-%d %H:%M}; as they were before: revision {recipe.revision}"
        parts.append(Text(words))
    return Group(*parts)


def _make_words(one: Recognised) -> str:
    make = one.make
    kind = "verdicts" if one.is_verdicts else "results"
    form = {"measurements": ", a row per measurement", "messages": ", IPC-2591 messages"}.get(
        one.shape.get("form", ""), ", a row per item"
    )
    read = [
        f"{k} {one.shape[k]!r}"
        for k in ("delimiter", "decimal", "encoding", "skip")
        if k in one.shape
    ]
    told = f" ({', '.join(read)})" if read else ""
    return f"{kind}: {make.pattern}, {len(make.files):,} files{form}{told}; looked at {make.rows:,} rows"


def _taken(one: Recognised) -> dict[str, list[str]]:
    """Return by column, or by word of the long form, what it was taken for."""
    taken: dict[str, list[str]] = {}
    for column, names in one.columns.items():
        for name in names:
            taken.setdefault(name, []).append(column)
    for measurement, shape in one.measurements.items():
        for name in shape["column"]:
            taken.setdefault(name, []).append(f"{measurement} [{shape['plant_unit']}]")
        for side in ("lower", "upper"):
            if side in shape:
                taken.setdefault(shape[side], []).append(f"{side} limit of {measurement}")
    return taken


def _columns_table(one: Recognised) -> Table:
    """Return a line per column: what it was taken for, and what it holds."""
    taken = _taken(one)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for head in ("column", "taken for", "filled", "e.g."):
        table.add_column(head, overflow="fold")
    for column in one.make.columns:
        share = f"{100 * column.filled / max(1, column.rows):.0f} %"
        meant = ", ".join(taken.pop(column.name, ["not read"]))
        table.add_row(*map(Text, (column.name, meant, share, ", ".join(column.examples))))
    for word, meanings in taken.items():
        saw = one.saw.get(f"measurements.{meanings[0].split(' [')[0]}", "")
        table.add_row(*map(Text, (word, ", ".join(meanings), "", saw)))
    return table


def preview_table(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> Table:
    """Return some items in the tool's terms, one column an item."""
    title = "items as they are read"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("", no_wrap=True)
    for _ in rows:
        table.add_column("", overflow="fold")
    for n, column in enumerate(columns):
        cells = [
            "" if row[n] is None else f"{row[n]:g}" if isinstance(row[n], float) else str(row[n])
            for row in rows
        ]
        if any(cells):
            table.add_row(*map(Text, (column, *cells)))
    return table


def open_lines(begun: Begun) -> Group:
    """Return what a person has to decide, each with its edit, then guesses to look at."""
    lines = [
        Text(f"decide {n}: {o.key}: {o.why}\n  edit: {o.edit}")
        for n, o in enumerate(begun.opens, 1)
    ]
    lines += [Text(f"look: {note}") for note in begun.notes]
    return Group(*lines)


def carried_table(found: Sequence[tuple[Row, Row | None]], doubts: Sequence[str]) -> Group:
    """Return the limits that results carry and the live recipe has otherwise."""
    if not found:
        return Group(Text("the results carry the limits of the live recipe"), *map(Text, doubts))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for head in ("scope", "name", "measurement", "unit", "in the recipe", "in the results"):
        table.add_column(head)
    for row, live in found:
        now = "no row" if live is None else _pair(live)
        cells = (row.scope, row.name, row.measurement, row.unit, now, _pair(row))
        table.add_row(*map(Text, cells))
    return Group(table, *map(Text, doubts))


def _pair(row: Row) -> str:
    low, high = ("none" if math.isinf(x) else f"{x:g}" for x in (row.lower, row.upper))
    return f"{low} to {high}"
