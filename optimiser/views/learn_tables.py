"""What to learn next, in words, and what it was worth afterwards."""

from collections.abc import Mapping, Sequence

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.plant.file import PlantFile
from optimiser.proposal.learn_record import Followed, Listed
from optimiser.proposal.learn_worth import MONTHS, Look

NOTE = (
    "Worth is expected: what a better decision brings, averaged over what the look may show, counted on "
    "the history or on lots held out, and somewhat hopeful; ± is the error of the simulation alone. No promise."
)
IN_FACT = (
    "In fact: what the limits decided when it was listed cost more than those decided now, both on what is "
    "known today; counted on the history. What else became known since is in it."
)
_READ = {
    "second look": "optimiser relabel {plant} --read {sheet}",
    "audit": "optimiser audit {plant} --read {sheet} --out VERDICTS.csv",
    "repeat": "optimiser gauge {sheet} --write {plant}",
    "gather": "optimiser learn {plant} --read {sheet}",
}


def learn_text(
    listed: Sequence[Listed],
    told: Sequence[Followed],
    *,
    plant: str,
    folder: str,
    file: PlantFile,
) -> Group:
    """Return what earlier looks were worth, and the ranked list with each sheet's way back.

    Parameters
    ----------
    listed : sequence of Listed
    told : sequence of Followed
    plant : str
        As the command was given it.
    folder : str
        Where the sheets' paths begin.
    file : PlantFile

    Returns
    -------
    Group
    """
    currency = file.plant.currency
    parts: list[RenderableType] = []
    if told:
        parts += [fact_table(told, currency=currency), Text("")]
    if not listed:
        return Group(*parts, Text(nothing_words(file)))
    for n, of in enumerate(listed, start=1):
        parts.append(Text(f"{n}. {look_words(of.look, currency)}"))
        read = read_words(of, plant=plant, folder=folder)
        parts.append(Text(f"   sheet {folder}/{of.sheet}; filled in: {read}"))
    return Group(*parts, Text(sum_words([x.look for x in listed], currency)), Text(""), Text(NOTE))


def read_words(of: Listed, *, plant: str, folder: str) -> str:
    """Return the command that reads a look's sheet back."""
    return _READ[of.look.kind].format(plant=plant, sheet=f"{folder}/{of.sheet}")


def nothing_words(file: PlantFile) -> str:
    """Return in words that no look is worth its hour, and what might make one."""
    words = (
        "no look is worth its hour: none that fits changes a decision by so much that it brings within "
        f"{MONTHS:.0f} months what it costs"
    )
    if not file.review.false_alarm_rate:
        words += "; state [review] false_alarm_rate and labels can be doubted at all"
    return words


def sum_words(looks: Sequence[Look], currency: str) -> str:
    """Return what some looks are worth together."""
    total, hours = sum(x.worth for x in looks), sum(x.hours for x in looks)
    return f"together {currency} {total:,.0f} a month for {hours:.1f} hours"


def best_words(looks: Sequence[Look], currency: str) -> str:
    """Return the one sentence of a page: what the hours are worth, and on what they go first."""
    items = sum(x.items for x in looks)
    first = looks[0]
    return (
        f"{_spent(sum(x.hours for x in looks))} on {items:,} labels, passed items, readings and defects to "
        f"write down are worth {currency} {sum(x.worth for x in looks):,.0f} a month, expected; first "
        f"{look_words(first, currency)}"
    )


def _spent(hours: float) -> str:
    return f"{hours:.1f} hours" if hours >= 1 else f"{hours * 60:.0f} minutes"


def look_words(look: Look, currency: str) -> str:
    """Return one look as a sentence."""
    worth = f"{currency} {look.worth:,.0f} a month (± {look.error:,.0f})"
    return {
        "second look": _second_look_words,
        "audit": _audit_words,
        "repeat": _repeat_words,
        "gather": _gather_words,
    }[look.kind](look, _spent(look.hours), worth)


def _second_look_words(look: Look, spent: str, worth: str) -> str:
    return (
        f"{spent} on {look.items:,} labels of {look.family} are worth {worth}, because some "
        f"{look.why['misread']:.1f} of them are expected to be misread goods and they hold "
        f"{look.why['held']:,.0f} false calls in this history"
    )


def _audit_words(look: Look, spent: str, worth: str) -> str:
    return (
        f"{spent} on {look.items:,} passed items of {look.family} are worth {worth}, because it is open "
        f"whether the {look.why['newly_called']:,.0f} items that a tighter setting would call hold enough "
        f"escapes, and {look.why['inside']:.0f} of them are among those to look at"
    )


def _repeat_words(look: Look, spent: str, worth: str) -> str:
    why = look.why
    if not why["stated"]:
        known = (
            f"no repeatability is stated, so no guard is kept from the bound at all; about {why['assumed']:.3g}, "
            "a fifth of what readings spread, is taken for what it may be"
        )
    else:
        from_what = (
            f"a study of {why['freedom']:.0f} degrees of freedom"
            if why["studied"]
            else f"nothing that the plant file names, taken as {why['freedom']:.0f} degrees of freedom"
        )
        known = f"the repeatability of {why['stated']:.3g} rests on {from_what}"
    calls = (
        f", and {why['flickering']:,.0f} calls would not repeat by it" if why["flickering"] else ""
    )
    return (
        f"{spent} on {why['parts']:.0f} parts of {look.family}, {look.measurement} read {why['readings']:.0f} times "
        f"each, are worth {worth}, because the guard band of {why['limits']:.0f} limits that would move hangs on "
        f"it: {known}{calls}"
    )


def _more_labels_words(why: Mapping[str, float]) -> str:
    """Return what further labels of a family that was searched change."""
    words = ["limits are then chosen from more"]
    if untested := why.get("untested", 0.0):
        which = "a limit" if untested == 1 else f"{untested:.0f} limits"
        words.append(f"{which} that no labelled defect has tested may come to move")
    if why["changes"] >= 0.005:
        words.append(f"the advice becomes another in {why['changes']:.0%} of the draws")
    return ", and ".join(words)


def _gather_words(look: Look, spent: str, worth: str) -> str:
    why = look.why
    because = (
        _more_labels_words(why)
        if "changes" in why
        else f"they are too few to search, and the plant's {why['sisters']:.0f} searched families save so large a "
        "share of their false calls' cost"
    )
    return (
        f"{look.items:,} further labelled defects of {look.family} (it has {why['labels']:.0f}; {spent} to find and "
        f"write down, at the present rate {why['months']:.1f} months to come) are worth {worth}, because {because}"
    )


FACTS = ("listed", "what", "asked", "answered", "came out", "expected", "in fact")


def fact_rows(told: Sequence[Followed]) -> list[tuple[str, ...]]:
    """Return what earlier looks were worth, as cells under `FACTS`."""
    return [
        (
            x.day,
            " ".join(w for w in (x.kind, x.family, x.measurement) if w),
            f"{x.asked:,}",
            f"{x.answered:,}",
            _came_out(x),
            f"{x.expected:,.0f} ± {x.error:,.0f}",
            f"{x.worth:,.0f}",
        )
        for x in told
    ]


def _came_out(x: Followed) -> str:
    return {
        "second look": f"{x.found:.0f} misread, {x.before:.1f} expected of all asked",
        "audit": f"{x.found:.0f} defects",
        "repeat": f"repeatability {x.before:.3g} → {x.found:.3g}",
        "gather": f"{x.before:.0f} → {x.found:.0f} labelled defects",
    }[x.kind]


def fact_table(told: Sequence[Followed], *, currency: str) -> Group:
    """Return what earlier looks were worth in fact, beside what was expected."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(FACTS):
        unit = f" ({currency} a month)" if n >= 5 else ""
        table.add_column(column + unit, justify="right" if n in (2, 3, 5, 6) else "left")
    for row in fact_rows(told):
        table.add_row(*row)
    total = (
        f"expected {sum(x.expected for x in told):,.0f}, in fact {sum(x.worth for x in told):,.0f}"
    )
    return Group(table, Text(f"together {total} {currency} a month. {IN_FACT}"))


def looks_frame(listed: Sequence[Listed], currency: str) -> pd.DataFrame:
    """Return a list of looks as a frame for a grid.

    Parameters
    ----------
    listed : sequence of Listed
    currency : str

    Returns
    -------
    DataFrame
    """
    return pd.DataFrame(
        [
            {
                "look": x.look.kind,
                "family": x.look.family,
                "measurement": x.look.measurement,
                "items": x.look.items,
                "hours": round(x.look.hours, 2),
                f"worth, {currency} a month": round(x.look.worth, 1),
                "±": round(x.look.error, 1),
                "an hour": round(x.look.per_hour, 1),
                "sheet": x.sheet,
            }
            for x in listed
        ]
    )
