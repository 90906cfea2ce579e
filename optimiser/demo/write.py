"""Write an invented plant: its files, its history and, apart from it, the truth."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import numpy as np

from optimiser.demo.effects import draw_lots
from optimiser.demo.families import FAMILIES
from optimiser.demo.files import must_catch_text, plant_text, recipe_text
from optimiser.demo.items import Items, draw_day
from optimiser.demo.labels import DrawnLabels, label_day
from optimiser.demo.lots import FIRST_DAY
from optimiser.demo.parquet import register_places, write_day
from optimiser.demo.plan import DemoPlant, build_plant
from optimiser.demo.process import GOOD, Ints
from optimiser.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyCount:
    """What the demo history holds of one family."""

    family: str
    items: int
    called: int
    true_defects: int
    true_called: int
    labelled_defects: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSummary:
    """What `write_demo` wrote.

    `true_called` counts the true defects among the called items; `labelled_defects` the
    items whose verdict is ``defect``, the few wrongly labelled goods included.
    """

    rows: int
    called: int
    true_defects: int
    true_called: int
    labelled_defects: int
    families: tuple[FamilyCount, ...]


def write_demo(
    folder: Path,
    *,
    days: int = 60,
    items_per_day: int = 25_000,
    seed: int = 7,
    lines: int = 2,
    first_day: date = FIRST_DAY,
) -> DemoSummary:
    """Write an invented plant with its history and its truth.

    Parameters
    ----------
    folder : Path
        Made when missing. Receives ``plant.toml``, ``recipe.csv``, ``must_catch.csv``,
        ``history/day=YYYY-MM-DD/part.parquet`` and ``truth/day=YYYY-MM-DD/part.parquet``.
    days, lines : int
        Length of the history and number of lines, at least 1.
    items_per_day : int
        Over all lines, about: lots hold whole boards.
    seed : int
        Same arguments, same values.
    first_day : date
        Day of the first lot; times are UTC.

    Returns
    -------
    DemoSummary
        Counts of what was written.

    Raises
    ------
    UsageError
        If a number is too small or the folder already holds a history.
    """
    if (folder / "history").exists() or (folder / "truth").exists():
        message = f"{folder} already holds a history; choose another folder or remove it"
        raise UsageError(message)
    plant = build_plant(
        seed=seed, days=days, items_per_day=items_per_day, lines=lines, first_day=first_day
    )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(plant_text(), encoding="utf-8")
    (folder / "recipe.csv").write_text(recipe_text(plant), encoding="utf-8")
    (folder / "must_catch.csv").write_text(must_catch_text(plant), encoding="utf-8")
    return _write_days(plant, folder)


def _write_days(plant: DemoPlant, folder: Path) -> DemoSummary:
    """Draw, label and write day after day; return what was written."""
    effects, counts = draw_lots(plant)
    tally = np.zeros((len(plant.plans), 5), dtype=np.int64)
    with duckdb.connect() as connection:
        register_places(connection, plant)
        for day in range(plant.days):
            items = draw_day(plant, day, effects, counts)
            labels = label_day(plant, day, items)
            write_day(connection, plant, folder, day=day, items=items, labels=labels)
            tally += _count_day(items, labels, len(plant.plans))
    return _summarise(tally)


def _count_day(items: Items, labels: DrawnLabels, families: int) -> Ints:
    """Return items, called, true, true and called, labelled; shape (families, 5)."""
    bad = items.kind != GOOD
    masks = (np.ones_like(bad), items.called, bad, bad & items.called, labels.verdict == 1)
    return np.stack([np.bincount(items.family[mask], minlength=families) for mask in masks], axis=1)


def _summarise(tally: Ints) -> DemoSummary:
    """Return the counts as a record."""
    families = tuple(
        FamilyCount(
            family=family.name,
            items=int(row[0]),
            called=int(row[1]),
            true_defects=int(row[2]),
            true_called=int(row[3]),
            labelled_defects=int(row[4]),
        )
        for family, row in zip(FAMILIES, tally, strict=True)
    )
    rows, called, true, true_called, labelled = (int(total) for total in tally.sum(axis=0))
    return DemoSummary(
        rows=rows,
        called=called,
        true_defects=true,
        true_called=true_called,
        labelled_defects=labelled,
        families=families,
    )
