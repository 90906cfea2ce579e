"""What the commands share: reading a plant, refusing bad arguments, printing."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING, Any, get_args

from tqdm import tqdm

from optimiser.errors import HistoryError, RecipeError, UsageError, nearest
from optimiser.plant.file import Plant, RailName, read_plant
from optimiser.recipe.table import Recipe, read_recipe
from optimiser.values import finite_only

if TYPE_CHECKING:
    from optimiser.history.contract import Finding
    from optimiser.history.read import History
    from optimiser.proposal.propose import Case


# A reading that takes longer is shown, and how often it is looked at.
MOMENT = 2.0
POLL_SECONDS = 0.25


def add_plant(parser: argparse.ArgumentParser) -> None:
    """Add what every command takes that reads a plant."""
    parser.add_argument("plant", type=Path, metavar="PLANT", help="plant.toml or its folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument(
        "--without-rail",
        action="append",
        default=[],
        choices=get_args(RailName),
        help="switch one rail off, for analysis only",
    )


def positive(text: str) -> int:
    """Return a whole number of at least 1, for argparse."""
    return _whole(text, 1)


def not_negative(text: str) -> int:
    """Return a whole number of at least 0, for argparse."""
    return _whole(text, 0)


def _whole(text: str, least: int) -> int:
    if not text.isdecimal() or int(text) < least:
        msg = f"must be a whole number of at least {least}, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def seconds(text: str) -> float:
    """Return a finite number of seconds above 0, for argparse."""
    return _above_nothing(text, "seconds")


def hours(text: str) -> float:
    """Return a finite number of hours above 0, for argparse."""
    return _above_nothing(text, "hours")


def items(text: str) -> float:
    """Return a finite number of items above 0, for argparse."""
    return _above_nothing(text, "items")


def _above_nothing(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        msg = f"must be a number of {what} above 0, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return value


def read_inputs(parsed: argparse.Namespace) -> tuple[Plant, Recipe, Path]:
    """Return the plant, its live recipe and where that lies."""
    plant = read_plant(parsed.plant)
    off = tuple(dict.fromkeys((*plant.file.rails.off, *parsed.without_rail)))
    rails = plant.file.rails.model_copy(update={"off": off})
    plant = plant.model_copy(update={"file": plant.file.model_copy(update={"rails": rails})})
    path = plant.locate(plant.file.plant.recipe)
    return plant, read_recipe(path, plant.file.measurements), path


def refuse_unknown_family(family: str, plant: Plant) -> None:
    """Raise UsageError for a family that the plant file does not name."""
    if family not in plant.file.families:
        msg = f"unknown family {family!r}; {nearest(family, plant.file.families)}"
        raise UsageError(msg)


def refuse_without_passed(plant: Plant, what: str) -> None:
    """Raise where something rests on passed items and the plant exports called ones alone."""
    if plant.file.plant.only_called:
        msg = (
            f"{what} rests on items that passed, and this plant's results hold called items alone "
            "(plant.only_called); export passed items as well"
        )
        raise UsageError(msg)


def only(cases: Sequence[Any], family: str) -> Any:  # noqa: ANN401
    """Return the one case of a family."""
    for case in cases:
        if case.tally.family == family:
            return case
    msg = f"the history has no items of family {family!r}, so nothing can be said of it"
    raise UsageError(msg)


def with_verdicts_so_far(plant: Plant, folder: Path) -> Plant:
    """Return the plant, reading no verdicts where the folder named for them is empty yet."""
    if any(any(folder.rglob(kind)) for kind in ("*.csv", "*.parquet")):
        return plant
    say(f"{folder}: holds no verdicts yet")
    site = plant.file.plant.model_copy(update={"verdicts": None})
    return plant.model_copy(update={"file": plant.file.model_copy(update={"plant": site})})


@contextmanager
def open_for_command(
    plant: Plant, recipe: Recipe, path: Path, *, checked: bool = False
) -> Iterator[History]:
    """Open a plant's history for a command, and say how many rows of it are used.

    Parameters
    ----------
    plant : Plant
    recipe : Recipe
        Refused if it has limits for no family of the history.
    path : Path
        Where the recipe lies; for messages.
    checked : bool
        Refuse a history that a check finds unusable, as everything does that proposes.

    Yields
    ------
    History
    """
    from optimiser.history.read import open_history

    with reading_bar() as watch:
        opened = open_history(plant, on_start=watch)
    with opened as history:
        refuse_foreign_recipe(history, recipe, path)
        if checked:
            with working_bar(history, "checking"):
                refuse_unusable_history(history, recipe, path)
        say_set_aside(history)
        yield history


def pose_cases(
    history: History,
    live: Recipe,
    path: Path,
    *,
    trials: int,
    family: str | None = None,
    state: str | None = None,
) -> list[Case]:
    """Return what proposals rest on, of a history that can be used; a bar on a terminal meanwhile.

    Parameters
    ----------
    history : History
    live : Recipe
    path : Path
        Where the recipe lies; for messages.
    trials : int
    family : str, optional
        This one alone, and its siblings.
    state : str, optional
        Of the plant's files before the history was opened: what was counted is kept for screens.

    Returns
    -------
    list of Case
        Those say so whose recorded calls are not the recipe's.

    Raises
    ------
    HistoryError
        If a check finds the history unusable.
    """
    from optimiser.history.replay import doubtful_families
    from optimiser.proposal.all_families import open_whole, pose_all
    from optimiser.proposal.opening import keep_opening

    with working_bar(history, "checking and tallying"):
        unlike = doubtful_families(refuse_unusable_history(history, live, path))
        opening = open_whole(history, live, unlike)
    keep_opening(history.plant, state, opening, history)
    return pose_all(
        history.plant,
        opening.tallied,
        family=family,
        trials=trials,
        released=opening.released,
        unlike_recipe=unlike,
    )


@contextmanager
def reading_bar() -> Iterator[Callable[[History], None]]:
    """Draw a bar of rows read on a terminal, with rows a second and what is left, while a history opens.

    Yields
    ------
    callable
        Given the history as its reading starts.
    """
    ended = Event()

    def watch(history: History) -> None:
        thread.append(Thread(target=_draw, args=(history, ended), daemon=True))
        thread[0].start()

    thread: list[Thread] = []
    try:
        yield watch
    finally:
        ended.set()
        for one in thread:
            one.join()


def _draw(history: History, ended: Event) -> None:
    """Draw until the reading has ended; nothing where it takes no longer than a moment."""
    with tqdm(
        unit=" rows", unit_scale=True, desc="reading", delay=MOMENT, file=sys.stderr, disable=None
    ) as bar:
        while not ended.wait(POLL_SECONDS) and not bar.disable:
            bar.total = history.rows_found or None
            bar.n = max(bar.n, history.rows_read)
            bar.refresh()


@contextmanager
def working_bar(history: History, doing: str) -> Iterator[None]:
    """Draw on a terminal how many rows the query that runs has passed, with rows a second and what is left.

    Whatever counts a history passes its rows several times: each query that takes longer than a moment
    begins the bar anew. Nothing is drawn where standard error is no terminal.

    Parameters
    ----------
    history : History
    doing : str
        Such as ``checking``.
    """
    ended = Event()
    thread = Thread(target=_draw_query, args=(history, doing, ended), daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _draw_query(history: History, doing: str, ended: Event) -> None:
    with tqdm(
        total=history.rows_used or None,
        unit=" rows",
        unit_scale=True,
        desc=doing,
        delay=MOMENT,
        leave=False,
        file=sys.stderr,
        disable=None,
    ) as bar:
        while not ended.wait(POLL_SECONDS) and not bar.disable:
            # Below 0 while no query of this connection runs.
            part = max(float(history.connection.query_progress()), 0.0) / 100
            passed = round(part * history.rows_used)
            if passed < bar.n:
                bar.reset()
            bar.n = passed
            bar.refresh()


def refuse_foreign_recipe(history: History, recipe: Recipe, path: object) -> None:
    """Raise if a recipe has limits for no family of the history."""
    present = history.families
    if not recipe.families() & present:
        msg = (
            f"{path}: has limits for none of the {len(present)} families of the history: it is "
            "another product's recipe; name this history's recipe "
            f"({nearest('', present)})"
        )
        raise RecipeError(msg)


def refuse_unusable_history(history: History, recipe: Recipe, path: Path) -> list[Finding]:
    """Raise if a check finds that a history cannot be used; else return all that was found."""
    from optimiser.tally.check import check

    findings = check(history, recipe, path)
    refuse_errors(findings)
    return findings


def refuse_errors(findings: Sequence[Finding]) -> None:
    """Raise if a check found that the history cannot be used."""
    errors = [f for f in findings if f.level == "error"]
    if errors:
        raise HistoryError("\n".join(str(f) for f in errors[:5]))


def say_set_aside(history: History) -> None:
    """Say on standard error how many rows were used and how many were not."""
    from optimiser.history.read import SET_ASIDE

    if history.rows_set_aside or history.findings:
        where = history.plant.folder / SET_ASIDE
        unwritten = str(where) in {f.file for f in history.findings}
        see = f" (see {where})" if history.rows_set_aside and not unwritten else ""
        say(f"{history.rows_used:,} rows used, {history.rows_set_aside:,} set aside{see}")


def say(words: str) -> None:
    """Say something beside the result, on standard error."""
    print(f"optimiser: {words}", file=sys.stderr)


def print_json(value: Any) -> None:  # noqa: ANN401
    """Print a value as JSON on standard output; infinities and NaN become null."""
    print(json.dumps(finite_only(value), indent=1, ensure_ascii=False))
