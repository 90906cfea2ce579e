"""What to learn next: labels to look at again and passed items to audit, by worth per hour.

Worth is expected, counted on the history and somewhat hopeful, with the error of its own
simulation; no promise. A look that can change no decision is worth nothing and not listed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from optimiser.errors import UsageError
from optimiser.evidence.learning import Value, mean_of, value_of_audit
from optimiser.evidence.promise import DAYS_PER_MONTH
from optimiser.history.read import History
from optimiser.proposal.propose import Case, Found, problem_of, stable_seed
from optimiser.proposal.relabel import Looked, looked_at
from optimiser.recipe.table import Recipe
from optimiser.search.allocate import Offer, allocate
from optimiser.search.second_look import best_now, cost_with_labels, value_of_look
from optimiser.studies.audit_plan import AuditPlan, plan_audit
from optimiser.tally.contested import contested_items
from optimiser.tally.count import is_called
from optimiser.values import finite_only

Kind = Literal["second look", "audit"]
LADDER = (5, 10, 20, 40, 80, 160)
DRAWS, AUDIT_DRAWS = 200, 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One thing to look at.

    Attributes
    ----------
    kind : str
    family : str
    items : int
        Labels, or passed items.
    hours : float
    worth, error : float
        Expected, money a month, and the standard error of its simulation.
    why : mapping
        What the worth rests on: numbers for the words.
    """

    kind: Kind
    family: str
    items: int
    hours: float
    worth: float
    error: float
    why: Mapping[str, float]

    @property
    def per_hour(self) -> float:
        """Money a month for an hour of looking."""
        return self.worth / self.hours

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return {**asdict(self), "per_hour": self.per_hour}


def looks_of(
    history: History,
    live: Recipe,
    families: Sequence[tuple[Case, Found | None]],
    *,
    seed: int = 1,
) -> list[list[Look]]:
    """Return what may be looked at: for each kind and family a ladder of sizes.

    Parameters
    ----------
    history : History
    live : Recipe
    families : sequence of (Case, Found or None)
    seed : int
        Of the audits' picks.

    Returns
    -------
    list of lists of Look
        Only looks worth something.
    """
    ladders = []
    for case, found in families:
        ladders.append(_second_looks(case))
        if found is not None:
            ladders.append(_audits(history, live, case, found, seed))
    return [worth for ladder in ladders if (worth := [x for x in ladder if x.worth > 0])]


def best_within(ladders: Sequence[Sequence[Look]], hours: float) -> list[Look]:
    """Return the looks that are worth most together within some hours, dearest hour first.

    Parameters
    ----------
    ladders : sequence of sequences of Look
        At most one of each is taken.
    hours : float

    Returns
    -------
    list of Look
    """
    if not ladders:
        return []
    offers = [
        Offer(
            hours=np.array([0.0, *(x.hours for x in ladder)]),
            cost=np.array([0.0, *(-x.worth for x in ladder)]),
            slack=np.zeros(len(ladder) + 1),
        )
        for ladder in ladders
    ]
    found = allocate(offers, hours)
    assert found is not None  # nothing at all takes no hours
    taken = [ladder[n - 1] for ladder, n in zip(ladders, found.picks, strict=True) if n]
    return sorted(taken, key=lambda x: -x.per_hour)


def _second_looks(case: Case) -> list[Look]:
    """Return the ladder of second looks at a family's labels."""
    looked = looked_at(case)
    if looked is None or not len(looked.look.defects):
        return []
    listed = len(looked.look.defects)
    return [_second_look(looked, n) for n in sorted({min(n, listed) for n in LADDER})]


def _second_look(looked: Looked, first: int) -> Look:
    case = looked.case
    seed = stable_seed(case.plant.file.plant.name, case.tally.family, "learn")
    draws = value_of_look(looked.problem, looked.labels, looked.look, first, draws=DRAWS, seed=seed)
    money = (looked.problem.false_call_cost or 1.0) * DAYS_PER_MONTH / case.span_days
    found = mean_of(draws * money)
    misread = looked.labels.misread[looked.look.defects[:first]]
    return Look(
        kind="second look",
        family=case.tally.family,
        items=first,
        hours=first * case.plant.file.review.seconds_per_second_look / 3600,
        worth=found.value,
        error=found.error,
        why={"misread": float(misread.sum()), "held": float(looked.look.blocked[:first].sum())},
    )


def _audits(history: History, live: Recipe, case: Case, found: Found, seed: int) -> list[Look]:
    """Return the ladder of audits of what a tighter setting would newly call."""
    problem, _ = problem_of(case)
    setting = np.minimum(found.study.setting, problem.live)
    if (setting == problem.live).all():
        return []
    contested = contested_items(history, case.tally.grid, live)
    newly = contested.called(setting) & ~contested.called(problem.live)
    unknown = contested.frame[newly & contested.frame["verdict"].isna().to_numpy()]
    if unknown.empty:
        return []
    keys = set(zip(*(unknown[c].fillna("").astype(str) for c in _KEY), strict=True))
    coverage = case.plant.file.labels.test_coverage
    caught = is_called(setting, problem.defect_ranks) & ~is_called(
        problem.live, problem.defect_ranks
    )
    price = case.plant.file.escape_price(None) if not caught.any() else float(
        problem.defect_price[caught].mean()
    )  # fmt: skip
    monthly = DAYS_PER_MONTH / case.span_days
    ladder = []
    for items in LADDER:
        plan = _picked(history, live, case, items, seed)
        if plan is None:
            continue
        inside = sum((x.key[1], x.key[2], x.key[3]) in keys for x in plan.items)
        value = value_of_audit(
            found=float(caught.sum()),
            coverage=coverage,
            seen=inside / len(keys),
            money=price * (1 - problem.miss_rate) * monthly,
            rest=-len(keys) * problem.false_call_cost * monthly,
            draws=AUDIT_DRAWS,
            seed=stable_seed(case.plant.file.plant.name, case.tally.family, "audit"),
        )
        ladder.append(_audit(case, value, len(plan.items), inside, len(keys)))
    return ladder


_KEY = ("board", "designator", "pin")


def _picked(history: History, live: Recipe, case: Case, items: int, seed: int) -> AuditPlan | None:
    """Return the audit of a family that the command would plan; None where it refuses."""
    stage = str(case.tally.defects.frame["stage"].iloc[0])
    try:
        return plan_audit(
            history, live, items=items, seed=seed, family=case.tally.family, stage=stage
        )
    except UsageError:
        return None


def _audit(case: Case, value: Value, items: int, inside: int, newly: int) -> Look:
    # Twice the simulation's error: what cannot be told from nothing is worth nothing.
    worth = value.value if value.value > 2 * value.error else 0.0
    return Look(
        kind="audit",
        family=case.tally.family,
        items=items,
        hours=items * case.plant.file.review.seconds_per_second_look / 3600,
        worth=worth,
        error=value.error,
        why={"inside": float(inside), "newly_called": float(newly)},
    )


def audit_of(history: History, live: Recipe, case: Case, items: int) -> AuditPlan | None:
    """Return the audit that a look stands for; None where nothing is left to pick."""
    return _picked(history, live, case, items, 1)


# --- afterwards -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """What looking at a family's labels was worth in fact.

    Attributes
    ----------
    family : str
    promised, error : float
        Expected beforehand, money a month.
    misread_expected : float
    misread : int
        Labels that are goods now.
    worth : float
        Money a month: what the best setting that obeys or pays for the labels cost before, with
        today's labels at their prices, less what the best one costs now. Counted.
    """

    family: str
    promised: float
    error: float
    misread_expected: float
    misread: int
    worth: float

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return asdict(self)


def standing(cases: Sequence[Case]) -> dict[str, dict[str, Any]]:
    """Return where each family's labels stand now, for a comparison later.

    Parameters
    ----------
    cases : sequence of Case

    Returns
    -------
    dict
        By family: the limits of the setting that is best with the labels as they stand, and how
        many labels there are.
    """
    found = {}
    for case in cases:
        looked = looked_at(case)
        if looked is None:
            continue
        setting = best_now(looked.problem, looked.labels, looked.look)
        limits = [
            [limit.measurement, limit.side, float(limit.values[level]), int(level)]
            for limit, level in zip(case.tally.grid.limits, setting, strict=True)
        ]
        found[case.tally.family] = {
            "limits": finite_only(limits),
            "labels": len(case.tally.defects.frame),
        }
    return found


def in_fact(cases: Sequence[Case], record: Mapping[str, Any]) -> list[Fact]:
    """Return what second looks that were listed earlier were worth, on the labels of today.

    Parameters
    ----------
    cases : sequence of Case
        With the verdicts that were read since.
    record : mapping
        As ``learn.json`` holds it: ``looks`` and ``standing``.

    Returns
    -------
    list of Fact
    """
    by_family = {c.tally.family: c for c in cases}
    found = []
    for look in record["looks"]:
        case = by_family.get(look["family"])
        before = record["standing"].get(look["family"])
        looked = None if case is None or look["kind"] != "second look" else looked_at(case)
        if looked is None or before is None:
            continue
        found.append(_fact(looked, look, before))
    return found


def _fact(looked: Looked, look: Mapping[str, Any], before: Mapping[str, Any]) -> Fact:
    case, problem = looked.case, looked.problem
    old = np.array(
        [
            _level(limit.values, limit.side, value)
            for limit, (_, _, value, _) in zip(
                case.tally.grid.limits, before["limits"], strict=True
            )
        ],
        dtype=np.int64,
    )
    now = best_now(problem, looked.labels, looked.look)
    money = (problem.false_call_cost or 1.0) * DAYS_PER_MONTH / case.span_days
    gained = cost_with_labels(problem, looked.labels, old) - cost_with_labels(
        problem, looked.labels, now
    )
    return Fact(
        family=case.tally.family,
        promised=float(look["worth"]),
        error=float(look["error"]),
        misread_expected=float(look["why"]["misread"]),
        misread=int(before["labels"]) - len(case.tally.defects.frame),
        worth=gained * money,
    )


def _level(values: np.ndarray[Any, np.dtype[np.float64]], side: str, value: float | None) -> int:
    """Return the level nearest to a limit of before; a grid may have other levels now."""
    if value is None:
        value = -np.inf if side == "lower" else np.inf
    same = np.flatnonzero(values == value)
    if len(same):
        return int(same[0])
    finite = np.where(np.isfinite(values), values, np.sign(values) * 1e30)
    return int(np.argmin(np.abs(finite - np.clip(value, -1e30, 1e30))))
