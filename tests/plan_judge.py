"""Judges what a plan of the whole line promises together against what its limits truly bring."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from demo_truth_judge import deliver
from stranger_judge import judge_family, make_fresh
from stranger_plants import make_stranger

from optimiser.demo.truth import demo_truth
from optimiser.demo.write import write_demo
from optimiser.evidence.reviewers import constant_curve
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.line import FamilyPlan, Line, LinePlan, boards_of_line
from optimiser.proposal.propose import Case, Found, propose_with_study
from optimiser.proposal.record import Proposal
from optimiser.recipe.table import read_recipe

Searched = list[tuple[Case, Proposal, Found | None]]


@dataclass(frozen=True, kw_only=True)
class Planned:
    """One plan of one plant beside its truth; money a month, escapes over the history.

    ``escapes`` and ``money`` are promised value and true one.
    """

    kind: str
    seed: int
    unadvised: bool
    moved: int
    families: int
    money: tuple[float, float]
    inside: bool
    escapes: tuple[float, float]


def searched(folder: Path, trials: int) -> tuple[Searched, int]:
    """Return every family with its search, and the boards of the line; nothing is proved on later lots."""
    plant = read_plant(folder)
    live = read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)
    with open_history(plant) as history:
        cases = [
            replace(c, early=None, later=None) for c in make_cases(history, live, trials=trials)
        ]
        boards = boards_of_line(history)
    return [(c, *propose_with_study(c)) for c in cases], boards


def plan_of(made: Searched, boards: int, *, share: float, unadvised: bool) -> LinePlan:
    """Return the plan within hours that lie so far between the fewest and the most that any plan wants."""
    line = Line(made, boards=boards, unadvised=unadvised)
    least, most = line.front_hours()
    curve = constant_curve(line.plant.file.review.miss_rate)
    return line.plan(least + share * (most - least), curve)


def of_stranger(
    folder: Path, kind: str, seed: int, *, share: float = 0.3, trials: int = 30
) -> list[Planned]:
    """Plan a stranger's plant, advised families alone and all of them."""
    stranger = make_stranger(folder, kind, seed)
    made, boards = searched(stranger.folder, trials)
    fresh = {f.name: make_fresh(f, seed, spans=1) for f in stranger.families}
    call = made[0][0].plant.file.review.cost_per_call

    def true(row: FamilyPlan) -> tuple[float, float]:
        limits = [m.as_dict() for m in row.limits]
        found = judge_family(fresh[row.family], limits, seed, call)
        return found["money"], found["added"]

    return _beside(kind, seed, made, boards, share, true)


def of_demo(
    folder: Path,
    seed: int,
    *,
    share: float = 0.3,
    trials: int = 30,
    days: int = 60,
    items_per_day: int = 25_000,
) -> list[Planned]:
    """Plan a demo, advised families alone and all of them."""
    write_demo(folder, days=days, items_per_day=items_per_day, seed=seed)
    made, boards = searched(folder, trials)
    truth = demo_truth(seed=seed, days=days, items_per_day=items_per_day)
    case = made[0][0]

    def true(row: FamilyPlan) -> tuple[float, float]:
        limits = [m.as_dict() for m in row.limits]
        _, added, _, money = deliver(truth[row.family], limits, case.plant, case.span_days)
        return money, added

    return _beside("demo", seed, made, boards, share, true)


def _beside(
    kind: str,
    seed: int,
    made: Searched,
    boards: int,
    share: float,
    true: Callable[[FamilyPlan], tuple[float, float]],
) -> list[Planned]:
    rows = []
    for unadvised in (False, True):
        plan = plan_of(made, boards, share=share, unadvised=unadvised)
        moved = [f for f in plan.families if f.limits]
        came = [true(f) for f in moved]
        money = sum(m for m, _ in came)
        saving = plan.together.saving_per_month
        rows.append(
            Planned(
                kind=kind,
                seed=seed,
                unadvised=unadvised,
                moved=len(moved),
                families=len(plan.families),
                money=(saving.value, money),
                inside=saving.low <= money <= saving.high,
                escapes=(plan.together.escapes_added.value, sum(e for _, e in came)),
            )
        )
    return rows
