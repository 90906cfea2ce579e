"""Items followed through the stages, in words and tables: terminal and notebook."""

from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.evidence.discoveries import RATE
from optimiser.evidence.foretelling import FEWEST_DEFECTS, FEWEST_LOTS, FOLDS
from optimiser.history.links import MISSING, REASONS
from optimiser.plant.file import PlantFile
from optimiser.studies.foretell import Foreteller, Silent, Stages
from optimiser.views.figures import interval_words

PINS = "pins on one side only"


def stages_text(of: Stages, file: PlantFile) -> Group:
    """Return links by reason, labels, and what foretells which defect at what price.

    Parameters
    ----------
    of : Stages
    file : PlantFile

    Returns
    -------
    Group
    """
    parts: list[RenderableType] = [links_table(of), Text("")]
    lines = (*reason_words(of), *shared_words(of), *unchecked_words(of))
    parts += [Text(line) for line in lines]
    parts += [Text(""), labels_table(of), *(Text(line) for line in unlinked_words(of)), Text("")]
    if of.foretellers:
        parts += [foretold_table(of), Text(""), price_table(of, file.plant.currency), Text("")]
    parts += [Text(line) for line in foretold_words(of)]
    return Group(*parts, Text(""))


def links_table(of: Stages) -> Table:
    """Return how many items of each stage could be followed to each other one."""
    table = _table("from", "to", "items", "linked", "missing", "ambiguous", left=2)
    for one in of.links.stages:
        for other in of.links.stages:
            every = of.links.items(one, other)
            if not every:
                continue
            linked = of.links.items(one, other, "linked")
            missing = of.links.items(one, other, *MISSING)
            table.add_row(
                one, other, f"{every:,}", _of(linked, every), _of(missing, every),
                _of(every - linked - missing, every),
            )  # fmt: skip
    return table


def reason_words(of: Stages) -> list[str]:
    """Return why items of a stage could not be followed to a later one, most frequent reason first."""
    lines, stages = [], of.links.stages
    for n, one in enumerate(stages):
        for other in stages[n + 1 :]:
            counts = [(of.links.items(one, other, reason), reason) for reason in REASONS[1:]]
            found = [
                f"{reason} {items:,}" for items, reason in sorted(counts, reverse=True) if items
            ]
            if found:
                lines.append(f"{one} to {other}, items not linked: {'; '.join(found)}")
    return lines + _pin_words(of)


def _pin_words(of: Stages) -> list[str]:
    """Return what to do where one stage has pins and the other has none."""
    found = {f"{c.family} ({c.stage})" for c in of.links.counts if c.reason == PINS}
    if not found:
        return []
    return [
        f"{PINS}: {', '.join(sorted(found))}; where an item without a pin stands for a whole component, list its "
        "family in line.whole_components of plant.toml"
    ]


def shared_words(of: Stages) -> list[str]:
    """Return which links are not one to one, as the plant declares it."""
    return [
        f"{n:,} links from {one} to {two} join the pins of a designator to one whole component, as "
        "line.whole_components says; what is found of one holds for all of them"
        for one, two, n in of.links.shared
    ]


_BLIND = {
    "order": "boards do not keep their order ({share:.0%} of neighbours change places)",
    "sample": "{share:.0%} of the boards have no record at one of the two",
}


def unchecked_words(of: Stages) -> list[str]:
    """Return where a board read under another's serial would not be seen."""
    return [
        f"{u.stage} to {u.other}{f', line {u.line}' if u.line else ''}: {_BLIND[u.why].format(share=u.share)}, "
        "so that a board read under the serial of another whose own record is missing would not be seen there"
        for u in of.links.unchecked
    ]


def labels_table(of: Stages) -> Table:
    """Return what later stages say of earlier items."""
    table = _table(
        "stage", "family", "found at", "new defects", "reviewed good", "known before",
        "calls turned good", "each stands for", "hours after (9 of 10)", left=3,
    )  # fmt: skip
    for row in of.labels:
        hours = f"{row.hours[0]:.1f} ({row.hours[1]:.1f})" if row.defects + row.known else ""
        table.add_row(
            row.stage, row.family, row.found_at, f"{row.defects:,}", f"{row.reviewed_good:,}",
            f"{row.known:,}", f"{row.goods:,}", f"{row.weight:.2f}" if row.defects else "", hours,
        )  # fmt: skip
    return table


def unlinked_words(of: Stages) -> list[str]:
    """Return which share of the later defects could not be followed back."""
    return [
        f"of {u.defects:,} labelled defects at {u.found_at} {u.missing + u.ambiguous:,} ({u.share:.1%}) could not "
        f"be linked to {u.stage}: {u.missing:,} without an item there, {u.ambiguous:,} not certain"
        for u in of.unlinked
    ]


def foretold_table(of: Stages) -> Table:
    """Return the best foreteller of each kind of defect."""
    table = _table(
        "defect", "found at", "foretold by", "of", "limit", "tells apart (90 %)", "caught (90 %)", "from",
        left=4,
    )  # fmt: skip
    for row in of.foretellers:
        caught = row.caught
        table.add_row(
            row.trail.kind, row.trail.found_at, f"{row.measurement} {row.side}",
            f"{row.trail.family}, {row.trail.stage}", f"{row.limit:g} {row.unit}",
            interval_words(row.area, 2), f"{caught.value:.0%} ({caught.low:.0%} to {caught.high:.0%})",
            f"{row.defects} in {row.lots} lots",
        )  # fmt: skip
    return table


def price_table(of: Stages, currency: str) -> Table:
    """Return what stopping each kind at the earlier stage costs and is worth, a month of production."""
    table = _table(
        "a month", "at", "stopped", "false calls", "review h", f"costs {currency}", f"worth {currency}",
        f"net {currency} (90 %)", left=2,
    )  # fmt: skip
    for row in of.foretellers:
        price = row.price
        table.add_row(
            row.trail.kind, row.trail.stage, interval_words(price.stopped, 1),
            interval_words(price.false_calls), f"{price.hours:.1f}", f"{price.cost.value:,.0f}",
            f"{price.worth.value:,.0f}", interval_words(price.net),
        )  # fmt: skip
    return table


def foretold_words(of: Stages) -> list[str]:
    """Return how far what is foretold can be trusted, and what nothing foretells."""
    asked = len(of.asked)
    if not asked:
        return [
            "no pair of a kind of defect and an earlier measurement could be asked",
            *(silent_words(row) for row in of.silent),
        ]
    lines = [
        f"{asked:,} pairs of a kind of defect and an earlier measurement were asked; of those said here at most "
        f"{RATE:.0%} are expected to be false (Benjamini and Yekutieli), lots as the unit. Caught, stopped and false "
        f"calls: limits that call {of.share:.2%} of the goods, a month of production; measurement, side and limit "
        "were chosen on other lots than those counted. Intervals are of the shares: how many defects a month "
        "brings scatters besides. Goods and defects are linked ones; what could not be linked may differ."
    ]
    lines += [
        f"{row.trail.kind}: {row.agreed} of {FOLDS} parts of the lots choose {row.measurement}; the limit named "
        "is no longer the best known"
        for row in of.foretellers
        if row.agreed < FOLDS
    ]
    lines += [
        f"{row.trail.kind} at {row.trail.found_at} is foretold by {', '.join(row.others)} of {row.trail.family} as well"
        for row in of.foretellers
        if row.others
    ]
    return lines + [silent_words(row) for row in of.silent]


def silent_words(row: Silent) -> str:
    """Return that nothing foretells a kind of defect, or that nothing could be asked."""
    trail = row.trail
    what = (
        f"{trail.kind} at {trail.found_at}, {row.defects} linked to {trail.family} at {trail.stage}"
    )
    if not row.asked:
        return f"{what}: not asked, fewer than {FEWEST_DEFECTS} measured defects or {FEWEST_LOTS} lots with any"
    if row.asked == 1:
        return f"{what}: its one measurement is not believed to foretell it"
    return f"{what}: none of {row.asked} measurements is believed to foretell it"


def label_words(of: Stages, written: tuple[Path, int] | None, *, plant: str) -> list[str]:
    """Return what was written for the history, or how to have it written."""
    if written is None:
        labels = sum(row.defects + row.goods for row in of.labels)
        if not labels:
            return []
        return [
            f"{labels:,} labels for earlier items are not part of the history yet: optimiser stages {plant} --label"
        ]
    path, number = written
    return [
        f"written: {path}, {number:,} labels of earlier items; propose on those stages rests on them from now on: "
        f"optimiser propose {plant}"
    ]


def foretold_frame(of: Sequence[Foreteller]) -> pd.DataFrame:
    """Return what foretells later defects as a frame, a month of production."""
    return pd.DataFrame(
        [
            {
                "defect": row.trail.kind,
                "found at": row.trail.found_at,
                "foretold by": f"{row.measurement} {row.side}",
                "family": row.trail.family,
                "stage": row.trail.stage,
                "limit": row.limit,
                "unit": row.unit,
                "tells apart": row.area.value,
                "caught": row.caught.value,
                "caught, low": row.caught.low,
                "caught, high": row.caught.high,
                "defects": row.defects,
                "lots": row.lots,
                "stopped": row.price.stopped.value,
                "false calls": row.price.false_calls.value,
                "review hours": row.price.hours,
                "net": row.price.net.value,
                "net, low": row.price.net.low,
                "net, high": row.price.net.high,
            }
            for row in of
        ]
    )


def _of(number: int, every: int) -> str:
    return f"{number:,} ({number / every:.1%})"


def _table(*columns: str, left: int) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(columns):
        table.add_column(column, justify="left" if n < left else "right")
    return table
