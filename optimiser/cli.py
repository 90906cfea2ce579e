"""The command line: ``optimiser COMMAND``.

Exit codes: 0 done and usable, 1 the input cannot be used, 2 called wrongly, 130 stopped
with Ctrl-C (what was found is kept).
"""

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, get_args

from tqdm import tqdm

from optimiser import __version__
from optimiser.decision.proposal import finite_only
from optimiser.decision.run import FOLDER, TRIALS, make_cases, propose_all
from optimiser.errors import HistoryError, OptimiserError, RecipeError, UsageError, nearest
from optimiser.history.contract import Finding, findings_of
from optimiser.history.demo import write_demo
from optimiser.history.read import SET_ASIDE, History, open_history
from optimiser.history.replay import replay
from optimiser.plant.file import Plant, RailName, read_plant
from optimiser.recipe.table import Recipe, read_recipe
from optimiser.tally.check import check
from optimiser.views import tables

FRONT_SECONDS = 60.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; by default the process's own.

    Returns
    -------
    int
    """
    try:
        parsed = _parser().parse_args(arguments)
        command: Callable[[argparse.Namespace], int] = parsed.command
        return command(parsed)
    except OptimiserError as error:
        print(f"optimiser: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("optimiser: stopped", file=sys.stderr)
        return 130
    except OSError as error:
        print(f"optimiser: {error.filename or 'file'}: {error.strerror}", file=sys.stderr)
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="optimiser",
        description="Inspection limits from labelled history: proposals that are safe and proven.",
    )
    parser.add_argument("--version", action="version", version=__version__)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    demo = commands.add_parser("demo", help="write an invented plant, check it, propose on it")
    demo.add_argument("folder", nargs="?", default="demo-plant", type=Path)
    demo.add_argument("--days", type=_positive, default=60)
    demo.add_argument("--items-per-day", type=_positive, default=25_000)
    demo.add_argument("--seed", type=int, default=7)
    demo.set_defaults(command=_demo)

    _plant_command(
        commands, "check", "say whether history, recipe and plant file are usable", _check
    )
    replaying = _plant_command(commands, "replay", "say what a recipe does to the history", _replay)
    replaying.add_argument("--recipe", type=Path, help="recipe to replay (default: the live one)")
    front = _plant_command(
        commands, "front", "print the fewest false calls for each number of escapes", _front
    )
    front.add_argument("--family", required=True)
    front.add_argument("--time-limit", type=_seconds, default=FRONT_SECONDS, metavar="SECONDS")
    proposing = _plant_command(commands, "propose", "propose limits per family", _propose)
    proposing.add_argument("--family", help="only this family")
    proposing.add_argument("--trials", type=_positive, default=TRIALS)
    proposing.add_argument("--workers", type=_positive, default=os.cpu_count() or 1)
    return parser


def _plant_command(
    commands: Any,  # noqa: ANN401 - argparse's own type is private
    name: str,
    words: str,
    command: Callable[[argparse.Namespace], int],
) -> argparse.ArgumentParser:
    """Add a command that reads a plant."""
    parser: argparse.ArgumentParser = commands.add_parser(name, help=words)
    parser.add_argument("plant", type=Path, metavar="PLANT", help="plant.toml or its folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument(
        "--without-rail",
        action="append",
        default=[],
        choices=get_args(RailName),
        help="switch one rail off, for analysis only",
    )
    parser.set_defaults(command=command)
    return parser


def _positive(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        msg = f"must be a whole number of at least 1, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        msg = f"must be a number of seconds above 0, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return value


def _read(parsed: argparse.Namespace) -> tuple[Plant, Recipe, Path]:
    """Return the plant, its live recipe and where that lies."""
    plant = read_plant(parsed.plant)
    off = tuple(dict.fromkeys((*plant.file.rails.off, *parsed.without_rail)))
    rails = plant.file.rails.model_copy(update={"off": off})
    plant = plant.model_copy(update={"file": plant.file.model_copy(update={"rails": rails})})
    path = plant.locate(plant.file.plant.recipe)
    return plant, read_recipe(path, plant.file.measurements), path


def _check(parsed: argparse.Namespace) -> int:
    findings: list[Finding]
    used = aside = 0
    try:
        plant, live, path = _read(parsed)
        with open_history(plant) as history:
            findings = check(history, live, path)
            used, aside = history.rows_used, history.rows_set_aside
    except HistoryError as error:
        findings = list(findings_of(error))
        aside = sum(f.count for f in findings if f.level == "set aside")
    except UsageError:
        raise
    except OptimiserError as error:
        findings = [
            Finding(level="error", rule=str(error), file=str(parsed.plant), way_out="correct it")
        ]
    usable = not any(f.level == "error" for f in findings)
    if parsed.json:
        rows = [f.as_dict() for f in findings]
        _print_json(
            {"usable": usable, "rows_used": used, "rows_set_aside": aside, "findings": rows}
        )
    else:
        shown = tables.findings_table(findings, rows_used=used, rows_set_aside=aside, usable=usable)
        print(tables.show(shown), end="")
    return 0 if usable else 1


def _replay(parsed: argparse.Namespace) -> int:
    plant, live, _ = _read(parsed)
    candidate = live
    if parsed.recipe is not None:
        if not parsed.recipe.is_file():
            msg = f"no recipe at {parsed.recipe}; name a CSV or JSON recipe"
            raise UsageError(msg)
        candidate = read_recipe(parsed.recipe, plant.file.measurements)
    with open_history(plant) as history:
        _refuse_foreign(history, candidate, parsed.recipe or plant.file.plant.recipe)
        rows = replay(history, candidate, live)
        _say_set_aside(history)
    if parsed.json:
        _print_json([r.as_dict() for r in rows])
    else:
        print(tables.show(tables.replay_table(rows)), end="")
    return 0


def _front(parsed: argparse.Namespace) -> int:
    from optimiser.decision.front import front_of

    plant, live, path = _read(parsed)
    _refuse_unknown(parsed.family, plant)
    with open_history(plant) as history:
        _refuse_foreign(history, live, path)
        _say_set_aside(history)
        cases = make_cases(history, live, family=parsed.family)
    row = front_of(_only(cases, parsed.family), time_limit_s=parsed.time_limit)
    if parsed.json:
        _print_json(row)
    else:
        print(tables.show(tables.front_table(row)), end="")
    return 0


def _propose(parsed: argparse.Namespace) -> int:
    plant, live, path = _read(parsed)
    if parsed.family is not None:
        _refuse_unknown(parsed.family, plant)
    with open_history(plant) as history:
        _refuse_foreign(history, live, path)
        _refuse_errors(check(history, live, path))
        _say_set_aside(history)
        cases = make_cases(history, live, family=parsed.family, trials=parsed.trials)
    if parsed.family is not None:
        cases = [_only(cases, parsed.family)]
    rows, interrupted = _run(cases, plant, parsed.workers)
    if parsed.json:
        _print_json(rows)
    else:
        print(tables.show(tables.proposals_table(rows, currency=plant.file.plant.currency)), end="")
    if interrupted:
        print(
            f"optimiser: stopped; {len(rows)} of {len(cases)} families are done, run again for the rest",
            file=sys.stderr,
        )
        return 130
    return 0


def _run(cases: Sequence[Any], plant: Plant, workers: int) -> tuple[list[dict[str, Any]], bool]:
    """Return all proposals, with a bar on standard error while they are made."""
    with tqdm(total=len(cases), unit="family", file=sys.stderr, disable=None) as bar:

        def on_done(family: str) -> None:
            bar.set_postfix_str(family)
            bar.update()

        return propose_all(cases, folder=plant.folder / FOLDER, workers=workers, on_done=on_done)


def _demo(parsed: argparse.Namespace) -> int:
    started = time.monotonic()
    if (parsed.folder / "plant.toml").exists():
        print(f"{parsed.folder}: a plant is there already; it is used as it is")
    else:
        summary = write_demo(
            parsed.folder, days=parsed.days, items_per_day=parsed.items_per_day, seed=parsed.seed
        )
        print(
            f"{parsed.folder}: wrote {summary.rows:,} items, {summary.labelled_defects:,} labelled defects"
        )
    plant = str(parsed.folder)
    for arguments in (["check", plant], ["propose", plant]):
        print(f"\n$ optimiser {' '.join(arguments)}")
        code = main(arguments)
        if code:
            return code
    print(f"\nfrom bare folder to proposals in {time.monotonic() - started:.0f} s")
    return 0


def _refuse_unknown(family: str, plant: Plant) -> None:
    if family not in plant.file.families:
        msg = f"unknown family {family!r}; {nearest(family, plant.file.families)}"
        raise UsageError(msg)


def _only(cases: Sequence[Any], family: str) -> Any:  # noqa: ANN401
    """Return the one case of a family."""
    for case in cases:
        if case.tally.family == family:
            return case
    msg = f"the history has no items of family {family!r}; with items: " + ", ".join(
        c.tally.family for c in cases
    )
    raise UsageError(msg)


def _refuse_foreign(history: History, recipe: Recipe, path: object) -> None:
    """Raise if a recipe has limits for no family of the history."""
    present = {str(r[0]) for r in history.rows("select distinct family from items")}
    if not recipe.families() & present:
        msg = (
            f"{path}: has limits for none of the {len(present)} families of the history: it is another "
            f"product's recipe; name this history's recipe ({nearest('', present)})"
        )
        raise RecipeError(msg)


def _refuse_errors(findings: Sequence[Finding]) -> None:
    errors = [f for f in findings if f.level == "error"]
    if errors:
        raise HistoryError("\n".join(str(f) for f in errors[:5]))


def _say_set_aside(history: History) -> None:
    """Say on standard error how many rows were not used."""
    if history.rows_set_aside or history.findings:
        where = history.plant.folder / SET_ASIDE
        unwritten = str(where) in {f.file for f in history.findings}
        see = f" (see {where})" if history.rows_set_aside and not unwritten else ""
        print(
            f"optimiser: {history.rows_used:,} rows used, {history.rows_set_aside:,} set aside{see}",
            file=sys.stderr,
        )


def _print_json(value: Any) -> None:  # noqa: ANN401
    print(json.dumps(finite_only(value), indent=1, ensure_ascii=False))
