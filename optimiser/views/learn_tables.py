"""What to learn next, in words."""

from collections.abc import Sequence
from pathlib import Path

from rich.console import Group
from rich.table import Table
from rich.text import Text

from optimiser.plant.file import PlantFile
from optimiser.proposal.learn import Fact, Look

NOTE = (
    "Worth is expected: what a better decision brings, averaged over what the look may show, counted on "
    "the history and somewhat hopeful; ± is the error of the simulation alone. No promise."
)


def learn_text(
    looks: Sequence[Look], sheets: Sequence[Path], *, plant: str, file: PlantFile
) -> Group:
    """Return the ranked list in words, with each sheet and how it is read back.

    Parameters
    ----------
    looks : sequence of Look
    sheets : sequence of Path
    plant : str
        As the command was given it.
    file : PlantFile

    Returns
    -------
    Group
    """
    if not looks:
        words = "no look is worth its hour: none that fits into it would change a decision"
        if not file.review.false_alarm_rate:
            words += "; state [review] false_alarm_rate and labels can be doubted at all"
        return Group(Text(words))
    lines = []
    for n, (look, sheet) in enumerate(zip(looks, sheets, strict=True), start=1):
        read = "relabel" if look.kind == "second look" else "audit"
        lines += [
            f"{n}. {look_words(look, file.plant.currency)}",
            f"   sheet {sheet}; filled in: optimiser {read} {plant} --read {sheet}",
        ]
    total = sum(x.worth for x in looks)
    hours = sum(x.hours for x in looks)
    lines.append(f"together {file.plant.currency} {total:,.0f} a month for {hours:.1f} hours")
    return Group(*(Text(line) for line in lines), Text(""), Text(NOTE))


def look_words(look: Look, currency: str) -> str:
    """Return one look as a sentence."""
    worth = f"{currency} {look.worth:,.0f} a month (± {look.error:,.0f})"
    spent = f"{look.hours:.1f} hours" if look.hours >= 1 else f"{look.hours * 60:.0f} minutes"
    head = f"{spent} on {look.items:,}"
    if look.kind == "second look":
        return (
            f"{head} labels of {look.family} are worth {worth}, because some {look.why['misread']:.1f} of "
            f"them are expected to be misread goods and they hold {look.why['held']:,.0f} false calls in "
            "this history"
        )
    return (
        f"{head} passed items of {look.family} are worth {worth}, because it is open whether the "
        f"{look.why['newly_called']:,.0f} items that a tighter setting would call hold enough escapes, "
        f"and {look.why['inside']:.0f} of them are among those to look at"
    )


def fact_table(found: Sequence[Fact], *, currency: str) -> Group:
    """Return what second looks were worth in fact beside what was expected."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(
        ("family", "misread: expected", "found", f"{currency} a month: expected", "in fact")
    ):
        table.add_column(column, justify="right" if n else "left")
    for row in found:
        table.add_row(
            row.family,
            f"{row.misread_expected:.1f}",
            f"{row.misread}",
            f"{row.promised:,.0f} ± {row.error:,.0f}",
            f"{row.worth:,.0f}",
        )
    note = (
        "In fact: what the setting that was best before costs with today's labels, less what the best one "
        "costs now; counted on the history. Labels that were not looked at stand as they stood."
    )
    return Group(table, Text(note))
