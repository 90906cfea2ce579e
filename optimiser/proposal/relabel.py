"""Relabel: the labels that are worth a second look, over all families, and what that is worth.

A plant whose reviewers misread a few goods in a thousand has labelled defects that are none,
just outside the live limits, and every promise to release no known defect stands on them. An
hour at the microscope frees more than any search: this file says which labels, in which order.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimiser.evidence.stated_rates import Fit
from optimiser.proposal.propose import Case, problem_of, stable_seed, what_to_gather
from optimiser.proposal.stated import check_stated
from optimiser.search.misread import chance_to_be_true
from optimiser.search.problem import Problem
from optimiser.search.second_look import DefectLabels, SecondLook, expected_freed, look_again
from optimiser.values import DAYS_PER_MONTH

FIRSTS = (10, 20, 50)
Fields = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """One limit that calls an item: its value and the limit, in the unit."""

    measurement: str
    side: str
    unit: str
    value: float
    limit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtfulLabel:
    """One label worth a second look.

    Attributes
    ----------
    rank : int
        In the plant's list, from 1.
    family, stage, product, board, designator, pin, time, lot, part, defect : str
        Its key and what review said; empty where not given.
    beyond : tuple of Beyond
        The live limits that call it.
    chance_misread : float
        0..1.
    blocked : float
        False calls over the history that it holds.
    worth : float
        Money a month of these times the chance.
    critical : bool
    """

    rank: int
    family: str
    stage: str
    product: str
    board: str
    designator: str
    pin: str
    time: str
    lot: str
    part: str
    defect: str
    beyond: tuple[Beyond, ...]
    chance_misread: float
    blocked: float
    worth: float
    critical: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What looking at the first so many rows of the list is expected to bring.

    Attributes
    ----------
    rows : int
    minutes : float
        At the plant's seconds for a second look.
    misread : float
        DefectLabels expected to turn out misread.
    false_calls : float
        Expected fewer over the history, in the best setting that obeys or pays for what stands.
    money_per_month : float
        Of these false calls.
    """

    rows: int
    minutes: float
    misread: float
    false_calls: float
    money_per_month: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One family: how many labels stand between it and how many false calls.

    Attributes
    ----------
    labels : int
        Worth a second look.
    known : int
        All labelled defects that the live recipe calls.
    false_calls : int
        Of the best setting that obeys or pays for all labels, counted on the history.
    most : int
        False calls fewer if all of them were misread.
    expected : float
        By their chances.
    """

    family: str
    critical: bool
    labels: int
    known: int
    false_calls: int
    most: int
    expected: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Relabel:
    """The list, what it is worth, and what stands where.

    Attributes
    ----------
    rows : tuple of DoubtfulLabel
    worth : tuple of Worth
        Of the first 10, 20, 50 rows, as far as the list goes, and of all of it.
    families : tuple of Standing
        Most false calls first.
    assumed_rate : float or None
        The false alarm rate that labels fit, by which the list is made where the plant file knows none.
    assumed_from : int
        Called items just beyond the limits that it comes from.
    """

    rows: tuple[DoubtfulLabel, ...]
    worth: tuple[Worth, ...]
    families: tuple[Standing, ...]
    assumed_rate: float | None = None
    assumed_from: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked:
    """One family's list of labels worth a second look, and all that it is made from.

    Attributes
    ----------
    case : Case
    problem : Problem
        With the kept set alone as must-catch rows.
    labels : DefectLabels
    look : SecondLook
    score : ndarray, shape (n,)
        By which labels are ranked.
    """

    case: Case
    problem: Problem
    labels: DefectLabels
    look: SecondLook
    score: NDArray[np.float64]


def relabel(cases: Sequence[Case], *, minutes: float | None = None) -> Relabel:
    """Return the labels of a plant that are worth a second look, best first.

    Parameters
    ----------
    cases : sequence of Case
        One plant's families.
    minutes : float, optional
        At the microscope; the list ends there. All that is worth a look when not given.

    Returns
    -------
    Relabel
        Families with too little evidence to propose are left out.

    Notes
    -----
    Rows are ranked by money blocked times the chance of being misread. Expected figures come
    from draws of which labels are misread; what is not looked at is obeyed. They are counted on
    the history that the limits are fitted to, so somewhat hopeful, and no promise.
    """
    cases, assumed = in_doubt(cases)
    looked = [found for case in cases if (found := looked_at(case)) is not None]
    order = _ranked(looked)
    if minutes is not None and cases:
        review = cases[0].plant.file.review
        order = order[: math.floor(minutes * 60 / review.seconds_per_second_look)]
    firsts = [n for n in FIRSTS if n < len(order)] + ([len(order)] if order else [])
    return Relabel(
        rows=tuple(_row(looked[f], n, rank) for rank, (f, n) in enumerate(order, start=1)),
        worth=tuple(_worth(looked, order, firsts)),
        families=tuple(sorted((_standing(x) for x in looked), key=lambda s: (-s.most, s.family))),
        assumed_rate=None if assumed is None else assumed.found.value,
        assumed_from=0 if assumed is None else assumed.of,
    )


def in_doubt(cases: Sequence[Case]) -> tuple[list[Case], Fit | None]:
    """Return the cases as a list of labels to look at again wants them.

    Parameters
    ----------
    cases : sequence of Case
        One plant's families.

    Returns
    -------
    cases : list of Case
        Where the plant file knows no false alarm rate (0), with the one that the labels fit: without
        one no label could be doubted. Promises never rest on it.
    fit : Fit or None
        Of that rate; None where one is stated or labels show no goods among them.
    """
    if not cases or cases[0].plant.file.review.false_alarm_rate:
        return list(cases), None
    fit = check_stated(cases).false_alarms
    if fit is None or not fit.found.value:
        return list(cases), None
    plant = cases[0].plant
    review = plant.file.review.model_copy(update={"false_alarm_rate": fit.found.value})
    file = plant.file.model_copy(update={"review": review})
    doubting = plant.model_copy(update={"file": file})
    return [replace(case, plant=doubting) for case in cases], fit


def labels_of(case: Case, problem: Problem) -> DefectLabels:
    """Return what is known of a family's labels, for `search.second_look`.

    Parameters
    ----------
    case : Case
    problem : Problem
        From `problem_of`.

    Returns
    -------
    DefectLabels
    """
    defects = case.tally.defects
    free = ~defects.settled
    found_by = defects.frame["found_by"].to_numpy()[free]
    rate = case.plant.file.review_of(case.tally.family).false_alarm_rate
    doubtful = (found_by == "review") & problem.defect_called & (rate > 0)
    true = chance_to_be_true(case.tally, rate)[free]
    obeys = case.plant.file.obeys_labels(case.tally.family)
    obeyed = problem.defect_called if obeys else np.zeros(len(doubtful), dtype=np.bool_)
    cost = problem.false_call_cost or 1.0
    price = problem.defect_price * problem.defect_weight * (1 - problem.miss_rate) / cost
    return DefectLabels(
        doubtful=doubtful,
        misread=np.where(doubtful, 1 - true, 0.0),
        obeyed=obeyed,
        price=price,
    )


def looked_at(case: Case) -> Looked | None:
    """Return one family's list; None where nothing could be proposed.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Looked or None
    """
    must, impossible = problem_of(case)
    if impossible or not must.m or what_to_gather(case, must):
        return None
    # The kept set alone: labels are obeyed or not as the look goes.
    kept = len(must.must_ranks) - int(_obeyed_rows(case, must))
    problem = _with_must(must, kept)
    labels = labels_of(case, problem)
    per_look = case.plant.file.review.false_calls_per_second_look
    look = look_again(problem, labels, per_look=per_look)
    worth = look.blocked * labels.misread[look.defects] * problem.false_call_cost
    # A step is looked at before the next of its family, whatever the chances say.
    score = np.minimum.accumulate(worth) if len(worth) else worth
    return Looked(case=case, problem=problem, labels=labels, look=look, score=score)


def _obeyed_rows(case: Case, problem: Problem) -> int:
    """Return how many must-catch rows came from labels."""
    obeys = case.plant.file.obeys_labels(case.tally.family)
    return int(problem.defect_called.sum()) if obeys else 0


def _with_must(problem: Problem, rows: int) -> Problem:
    return replace(problem, must_ranks=problem.must_ranks[:rows])


def _ranked(looked: Sequence[Looked]) -> list[tuple[int, int]]:
    """Return (family, place in its list) of every label, best first."""
    pairs = [(f, n) for f, x in enumerate(looked) for n in range(len(x.look.defects))]
    return sorted(pairs, key=lambda p: (-looked[p[0]].score[p[1]] / looked[p[0]].case.span_days, p))


def _worth(
    looked: Sequence[Looked], order: Sequence[tuple[int, int]], firsts: Sequence[int]
) -> list[Worth]:
    """Return what the first rows of the list are expected to bring."""
    parts = []
    for f, x in enumerate(looked):
        own = [sum(g == f for g, _ in order[:first]) for first in firsts]
        seed = stable_seed(x.case.plant.file.plant.name, x.case.tally.family, "second look")
        parts.append(expected_freed(x.problem, x.labels, x.look, own, seed=seed))
    found = []
    for n, first in enumerate(firsts):
        review = looked[0].case.plant.file.review
        false_calls = sum(p[n][0] for p in parts)
        monthly = DAYS_PER_MONTH / looked[0].case.span_days
        found.append(
            Worth(
                rows=first,
                minutes=first * review.seconds_per_second_look / 60,
                misread=sum(p[n][1] for p in parts),
                false_calls=false_calls,
                money_per_month=false_calls * review.cost_per_call * monthly,
            )
        )
    return found


def _standing(x: Looked) -> Standing:
    family = x.case.tally.family
    seed = stable_seed(x.case.plant.file.plant.name, family, "second look")
    ((expected, _),) = expected_freed(x.problem, x.labels, x.look, [len(x.look.defects)], seed=seed)
    return Standing(
        family=family,
        critical=x.case.plant.file.families[family].critical,
        labels=len(x.look.defects),
        known=int(x.problem.defect_called.sum()),
        false_calls=x.look.false_calls,
        most=x.look.freed,
        expected=expected,
    )


def _row(x: Looked, n: int, rank: int) -> DoubtfulLabel:
    """Return one label with all that a person needs to find it and judge it."""
    tally, k = x.case.tally, int(x.look.defects[n])
    at = int(np.flatnonzero(~tally.defects.settled)[k])
    frame = tally.defects.frame.iloc[at]
    monthly = DAYS_PER_MONTH / x.case.span_days
    chance, blocked = float(x.labels.misread[k]), float(x.look.blocked[n])
    return DoubtfulLabel(
        rank=rank,
        family=tally.family,
        **{name: _text(frame[name]) for name in _KEY},
        time=str(frame["time"]),
        lot=tally.lots[int(tally.defects.lot[at])],
        beyond=_beyond(x.case, at),
        chance_misread=chance,
        blocked=blocked,
        worth=blocked * chance * x.problem.false_call_cost * monthly,
        critical=x.case.plant.file.families[tally.family].critical,
    )


_KEY = ("stage", "product", "board", "designator", "pin", "part", "defect")


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _beyond(case: Case, at: int) -> tuple[Beyond, ...]:
    """Return the live limits that call a labelled defect."""
    tally = case.tally
    live = tally.grid.live < tally.defects.ranks[at]
    frame = tally.defects.frame.iloc[at]
    return tuple(
        Beyond(
            measurement=limit.measurement,
            side=limit.side,
            unit=limit.unit,
            value=float(frame[limit.measurement]),
            limit=float(limit.values[limit.live]),
        )
        for limit, calls in zip(tally.grid.limits, live, strict=True)
        if calls
    )
