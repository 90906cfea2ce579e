"""What a second look is worth and what it found, in words and tables for the terminal."""

from collections.abc import Sequence

from rich.console import Group
from rich.table import Table
from rich.text import Text

from optimiser.caution import CAUTION
from optimiser.plant.file import Plant
from optimiser.proposal.relabel import DoubtfulLabel, Relabel, Standing, Worth
from optimiser.proposal.relabel_sheet import SecondLooks, beyond_words

MOST_ROWS = 50
HOPEFUL = "Expected, counted on this history, so somewhat hopeful; no promise."
HEAD = (
    *("", "family", "board", "place", "lot", "date", "defect", "beyond the limits"),
    *("misread", "holds", "a month"),
)


def standing_words(standing: Standing, *, between: str | None = None) -> str:
    """Return how many labels stand between a family and its false calls.

    Parameters
    ----------
    standing : Standing
    between : str, optional
        Whom they stand before; the family when not given.

    Returns
    -------
    str
    """
    labels = "1 label stands" if standing.labels == 1 else f"{standing.labels:,} labels stand"
    return (
        f"{labels} between {between or standing.family} and up to {standing.most:,} false calls "
        f"({standing.expected:,.0f} expected) of {standing.false_calls:,}"
    )


def label_cells(row: DoubtfulLabel) -> tuple[str, ...]:
    """Return one label as the cells under ``HEAD``.

    Parameters
    ----------
    row : DoubtfulLabel

    Returns
    -------
    tuple of str
    """
    return (
        str(row.rank),
        row.family,
        row.board,
        f"{row.designator}.{row.pin}" if row.pin else row.designator,
        row.lot,
        row.time[:10],
        row.defect,
        beyond_words(row.beyond),
        f"{row.chance_misread:.0%}",
        f"{row.blocked:,.0f}",
        f"{row.worth:,.2f}",
    )


def nothing_words(found: Relabel, plant: Plant, *, minutes: float | None = None) -> str:
    """Return why the list is empty, and what could be done.

    Parameters
    ----------
    found : Relabel
        Without rows.
    plant : Plant
    minutes : float, optional
        That were asked for.

    Returns
    -------
    str
    """
    review = plant.file.review
    if not review.false_alarm_rate and found.assumed_rate is None:
        return (
            "Nothing can be doubted: review.false_alarm_rate is 0, so reviewers are taken never to call "
            "a good a defect, and labels show no goods among them. To measure it, let two reviewers judge "
            "the same called items, blind, and run optimiser agreement FILE; put the rate that it finds under "
            "[review] in plant.toml. optimiser reviewers PLANT says what limits and reviewers lose together."
        )
    if any(s.labels for s in found.families):
        return (
            f"{minutes:g} minutes are too few for one look, which takes "
            f"{review.seconds_per_second_look:g} s (review.seconds_per_second_look)."
        )
    if not found.families:
        return (
            "No family has enough evidence to be proposed yet, so no label stands before anything; "
            "optimiser propose PLANT says what to gather."
        )
    return (
        "No label is worth a second look: none that one reviewer alone gave holds "
        f"{review.false_calls_per_second_look:g} false calls or more "
        "(review.false_calls_per_second_look)."
    )


def relabel_table(found: Relabel, plant: Plant) -> Group:
    """Return the list, what it is expected to bring, and what stands where.

    Parameters
    ----------
    found : Relabel
        With rows.
    plant : Plant

    Returns
    -------
    Group
    """
    currency = plant.file.plant.currency
    table = _table(*HEAD[:-1], f"a month, {currency}", words=8)
    for row in found.rows[:MOST_ROWS]:
        table.add_row(*label_cells(row))
    more = len(found.rows) - MOST_ROWS
    note = (
        "misread: chance that the label is a good that review misread; holds: false calls over this "
        "history that go if it is, shared by the labels that go with it; a month: both together in money."
    )
    lines = [f"… and {more:,} more in the sheet"] if more > 0 else []
    return Group(
        table,
        *(Text(line) for line in (*lines, note, *assumed_words(found))),
        Text("\nWhat looking is expected to bring"),
        _worth_table(found.worth, currency=currency, rows=len(found.rows)),
        Text(HOPEFUL),
        Text(""),
        *(Text(line) for line in family_words(found)),
    )


def assumed_words(found: Relabel) -> list[str]:
    """Return by which rate a list is made where nobody has stated one; nothing where it is stated.

    Parameters
    ----------
    found : Relabel

    Returns
    -------
    list of str
    """
    if found.assumed_rate is None:
        return []
    return [
        "Nobody has said how often reviewers misread goods (review.false_alarm_rate = 0): this list takes "
        f"{found.assumed_rate:.2%} of the called ones, which labels just beyond the limits fit (from "
        f"{found.assumed_from:,} called items there). What the look finds says which rate holds (optimiser reviewers)."
    ]


def family_words(found: Relabel) -> list[str]:
    """Return a line for every family that labels stand before, most false calls first.

    Parameters
    ----------
    found : Relabel

    Returns
    -------
    list of str
    """
    return [
        standing_words(s) + (" · critical" if s.critical else "")
        for s in found.families
        if s.labels
    ]


def _worth_cells(worth: Worth, *, rows: int) -> tuple[str, ...]:
    return (
        f"all {rows:,}" if worth.rows == rows else f"first {worth.rows:,}",
        f"{worth.minutes:,.0f}",
        f"{worth.misread:,.1f}",
        f"{worth.false_calls:,.0f}",
        f"{worth.money_per_month:,.0f}",
    )


def _worth_table(worth: Sequence[Worth], *, currency: str, rows: int) -> Table:
    table = _table("rows", "minutes", "misread", "false calls fewer", f"{currency} a month")
    for part in worth:
        table.add_row(*_worth_cells(part, rows=rows))
    return table


def _table(*columns: str, words: int = 1) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for n, column in enumerate(columns):
        left = 0 < n < words or (n == 0 and words == 1)
        # What a person copies must not be broken over two lines.
        table.add_column(
            column, justify="left" if left else "right", no_wrap=n < 6, overflow="fold"
        )
    return table


def looked_words(found: SecondLooks, *, plant: str) -> list[str]:
    """Return what a second look found, and what to run next.

    Parameters
    ----------
    found : SecondLooks
    plant : str
        As the command named it.

    Returns
    -------
    list of str
    """
    looked = found.misread + found.confirmed
    lines = [
        f"{looked:,} labels looked at: {found.misread:,} misread, so goods from now on; "
        f"{found.confirmed:,} confirmed; {found.not_looked:,} not looked at, which stand as they are.",
        f"The list had expected {found.expected_misread:,.1f} of these {looked:,} to be misread, and "
        f"{found.held_expected:,.0f} false calls held by them; those misread held "
        f"{found.held_found:,.0f}.",
    ]
    if found.is_far_off:
        lines.append(
            "That is far off: reviewers misread goods more or less often than review.false_alarm_rate "
            f"says. Which rate fits: optimiser reviewers {plant}. Correct it before the next proposal."
        )
    if found.verdicts is None:
        lines.append("Read already: every verdict stands in the history, so nothing was written.")
    else:
        again = f", {found.read_before:,} were read before" if found.read_before else ""
        lines.append(
            f"Verdicts written: {found.verdicts} ({looked - found.read_before:,} rows{again}). What "
            "review said first stays in the results."
        )
    lines.append(f"Next: optimiser check {plant}, then optimiser propose {plant}.")
    lines.append(CAUTION)
    return lines
