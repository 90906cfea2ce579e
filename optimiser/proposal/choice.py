"""One family's open choice: what every setting would do, and which is best at which prices.

Three kinds of figures, never mixed. *Counted*: whole items of this very history, exact and
in-sample. *Expected*: labelled defects spread as the search spreads them, over this history;
how settings are compared. *Promised*: judged on lots that the limits were not fitted to; only
settings that the study refitted in every fold have one, a hand-made setting has none.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.evidence.promise import Promise, promise
from optimiser.proposal.prices import Prices, plant_at, prices_of
from optimiser.proposal.propose import (
    Case,
    Found,
    held_out,
    limit_moves,
    problem_of,
    reasons_to_keep,
    three_lines,
)
from optimiser.proposal.reasons import Reason
from optimiser.proposal.record import LimitMove, Proposal, ThreeLines
from optimiser.search.blur import escape_chance, escape_prices
from optimiser.search.crossfit import near_tables
from optimiser.search.problem import Problem, released_share, stops_work
from optimiser.search.study import StudyResult, choose, recommended_at, stand_by
from optimiser.studies.causes import Cause
from optimiser.tally.contested import Contested
from optimiser.tally.count import FamilyTally, Outcome, is_called, outcome
from optimiser.values import DAYS_PER_MONTH

Ints = NDArray[np.int64]
# How far the price of an escape is varied when asked between which prices a point stays.
FURTHEST, STEPS = 64.0, 1201


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Point:
    """One setting of the front, with its held-out figures.

    Attributes
    ----------
    name : str
        ``live``, or a number by rising review cost: ``01``, ``02`` …
    row : int
        Of the study.
    setting : ndarray of int, shape (m,)
    review_per_month, escapes_per_month : float
        Money of reviewing false calls; expected escapes among the family's defects.
    false_calls : int
        Held out, over the history.
    moved : int
        Limits that differ from the live recipe.
    recommended : bool
        At the prices of the choice.
    """

    name: str
    row: int
    setting: Ints
    review_per_month: float
    escapes_per_month: float
    false_calls: int
    moved: int
    recommended: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Consequences:
    """What a setting does to this history, counted and expected; no promise.

    Attributes
    ----------
    setting : ndarray of int, shape (m,)
    moves : tuple of LimitMove
    counted : Outcome
    lines : ThreeLines
    expected_escapes : float
        Over the history, each labelled defect with its weight and spread as a cloud.
    review_per_month, escape_per_month : float
        Money: false calls counted; expected escapes at the prices of the choice.
    """

    setting: Ints
    moves: tuple[LimitMove, ...]
    counted: Outcome
    lines: ThreeLines
    expected_escapes: float
    review_per_month: float
    escape_per_month: float

    @property
    def cost_per_month(self) -> float:
        """Review and expected escapes together, money a month."""
        return self.review_per_month + self.escape_per_month


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceSpan:
    """Between which prices of an escape the recommended point stays the same.

    Attributes
    ----------
    now, low, high : float
        Mean money per escape; the ends where another point takes over. An end beyond
        ``FURTHEST`` times the price now is 0 or infinity: none was found there.
    per_false_call : float
        Money of one false call, so that ``now / per_false_call`` is the ratio.
    """

    now: float
    low: float
    high: float
    per_false_call: float


class Choice:
    """One family's open choice, at given prices.

    Parameters
    ----------
    case : Case
    proposal : Proposal
        The family's.
    found : Found or None
        What its search looked at; None where there was too little to search.
    prices : Prices, optional
        By default the plant file's.

    Attributes
    ----------
    points : tuple of Point
        The front, the live recipe and the recommended setting, by rising review cost.
    recommended : Point or None
    """

    def __init__(
        self,
        case: Case,
        proposal: Proposal,
        found: Found | None,
        *,
        prices: Prices | None = None,
    ) -> None:
        self.proposal, self.found, self.tally = proposal, found, case.tally
        self.prices = prices or prices_of(case.plant)
        plant = case.plant
        if prices is not None:
            plant = plant_at(plant, prices, true_share=_true_share(case.tally))
        self._first_case = case
        self.case = replace(case, plant=plant)
        self.problem: Problem = _priced(problem_of(case)[0], self.case)
        self.study: StudyResult | None = None
        if found is not None:
            study = found.study
            self.study = choose(
                self.problem,
                study.trials,
                folds=study.folds,
                pull=study.pull,
                interrupted=study.interrupted,
            )

    def __repr__(self) -> str:
        labelled = len(self.tally.defects.frame)
        return (
            f"<Choice {self.family}: {len(self.points)} points, {len(self.tally.grid.limits)} limits, "
            f"from {self.tally.items} items, {labelled} labelled defects>"
        )

    @property
    def family(self) -> str:
        """The family's name."""
        return self.tally.family

    @property
    def currency(self) -> str:
        """Of every amount of money."""
        return self.case.plant.file.plant.currency

    @property
    def monthly(self) -> float:
        """What an amount over the history is multiplied with to make it one a month."""
        return DAYS_PER_MONTH / self.case.span_days

    def at(self, prices: Prices) -> "Choice":
        """Return the same choice at other prices."""
        again = Choice(self._first_case, self.proposal, self.found, prices=prices)
        # Prices move no cloud: the tables of the slider stay.
        again.__dict__["_near"] = self._near
        return again

    @cached_property
    def points(self) -> tuple[Point, ...]:
        """The front, the live recipe and the recommended setting, by rising review cost."""
        if self.study is None:
            return ()
        trials = self.study.trials
        rows = np.unique([0, self.study.recommended, *self.study.front.tolist()])
        _, first = np.unique(trials.settings[rows], axis=0, return_index=True)
        kept = {int(r) for r in rows[first]} | {0, self.study.recommended}
        same = (trials.settings == trials.settings[self.study.recommended]).all(axis=1)
        kept -= {r for r in kept if same[r] and r not in (0, self.study.recommended)}
        order = sorted(kept, key=lambda r: (trials.review_cost[r], r))
        others = iter(range(1, len(order) + 1))
        return tuple(
            Point(
                name="live" if r == 0 else f"{next(others):02d}",
                row=r,
                setting=trials.settings[r],
                review_per_month=float(trials.review_cost[r]) * self.monthly,
                escapes_per_month=float(trials.near_escape[r] @ self.problem.defect_weight)
                * self.monthly,
                false_calls=int(trials.false_calls[r].sum()),
                moved=int(trials.moved[r]),
                recommended=r == self.study.recommended,
            )
            for r in order
        )

    @property
    def recommended(self) -> Point | None:
        """The point that is best at these prices; None where nothing was searched."""
        return next((p for p in self.points if p.recommended), None)

    @property
    def advised(self) -> bool:
        """Whether the recommended point is a change that the plant's rule advises, at these prices."""
        return not self.not_advised

    @cached_property
    def not_advised(self) -> tuple[Reason | Cause, ...]:
        """Why the recommended point is not advised, at these prices; empty where it is.

        Findings that must be cured before any limit of the family is judged come first.
        """
        best = self.recommended
        promised = self.promised(best) if best is not None else None
        if best is None or promised is None:
            return (*self.proposal.findings, *self.proposal.reasons)
        why = reasons_to_keep(promised, limit_moves(self.tally, best.setting), self.case)
        if why or self.proposal.waits:
            return (*self.proposal.findings, *why)
        return ()

    @property
    def best_words(self) -> str:
        """What the recommended point is called: only what the rule advises is recommended."""
        if self.recommended is not None and self.recommended.name == "live":
            return "nothing better found"
        return "recommended" if self.advised else "best found, not advised"

    def point(self, name: str) -> Point:
        """Return a point by its name."""
        return next(p for p in self.points if p.name == name)

    @cached_property
    def span(self) -> PriceSpan | None:
        """Between which prices of an escape the recommended point stays; None without one."""
        if self.study is None or not len(self.problem.defect_price):
            return None
        now = float(np.average(self.problem.defect_price, weights=self.problem.defect_weight))
        ladder = np.geomspace(1 / FURTHEST, FURTHEST, STEPS)
        rows = recommended_at(self.study, ladder)
        settings = self.study.trials.settings
        here = (settings[rows] == settings[self.study.recommended]).all(axis=1)
        middle = STEPS // 2
        low = _last(here[: middle + 1][::-1])
        high = _last(here[middle:])
        return PriceSpan(
            now=now,
            low=now * ladder[middle - low] if low < middle else 0.0,
            high=now * ladder[middle + high] if high < middle else np.inf,
            per_false_call=self.problem.false_call_cost,
        )

    def promised(self, point: Point) -> Promise | None:
        """Return a point's promise, judged on lots its limits were not fitted to.

        Parameters
        ----------
        point : Point

        Returns
        -------
        Promise or None
            None for the live recipe. For the recommended point the choosing was refitted in
            every fold as well; for another the limits were, the pick was not.
        """
        if self.study is None or point.row == 0:
            return None
        study = self.study
        if not point.recommended:
            study = stand_by(self.problem, study, point.row)
        return promise(held_out(self.case, self.problem, study))

    def consequences(self, setting: Ints) -> Consequences:
        """Return what a setting does to this history; a millisecond, however long the history.

        Parameters
        ----------
        setting : ndarray of int, shape (m,)
            One level index per limit.

        Returns
        -------
        Consequences
        """
        counted = outcome(self.tally, setting)
        false_calls = counted.false_calls + counted.unreviewed_calls
        escaped = escape_chance(setting, self._near) if len(self.problem.defect_z) else np.zeros(0)
        return Consequences(
            setting=setting,
            moves=limit_moves(self.tally, setting),
            counted=counted,
            lines=three_lines(self.tally, setting),
            expected_escapes=float(escaped @ self.problem.defect_weight),
            review_per_month=false_calls * self.problem.false_call_cost * self.monthly,
            escape_per_month=float(escaped @ escape_prices(self.problem)) * self.monthly,
        )

    @cached_property
    def _near(self) -> tuple[NDArray[np.float64], ...]:
        """Chance of each defect's cloud to lie inside each level of each limit."""
        return near_tables(self.problem)

    def violations(self, setting: Ints) -> tuple[str, ...]:
        """Return the rails on the whole setting that it breaks, in words; others end the grid."""
        found = []
        missed = int((~is_called(setting, self.problem.must_ranks)).sum())
        if missed:
            kind = (
                "known-bad items or known defects of a critical family"
                if self.proposal.critical
                else "known-bad items of the kept set"
            )
            found.append(f"{missed} {kind} would pass: this setting cannot be accepted")
        share = released_share(self.problem, setting)
        if share > self.problem.most_released:
            found.append(
                f"{share:.0%} of the known defects would be released, more than the rail released-share "
                f"allows ({self.problem.most_released:.0%}): this setting cannot be accepted"
            )
        if stops_work(self.problem, setting):
            found.append(
                "no limit would call anything any more: the rail working-limit stands against it"
            )
        return tuple(found)

    def by_lot(self, setting: Ints) -> pd.DataFrame:
        """Return how many calls each lot gains or loses under a setting.

        Parameters
        ----------
        setting : ndarray of int, shape (m,)

        Returns
        -------
        DataFrame
            ``lot, items, calls_now, calls_then, change, defects_passing``; lots that change
            only, largest change first.
        """
        cells, defects, lots = self.tally.cells, self.tally.defects, self.tally.lots
        calls = []
        for chosen in (self.tally.grid.live, setting):
            called = cells.settled | is_called(chosen, cells.ranks)
            bad = defects.settled | is_called(chosen, defects.ranks)
            calls.append((called, bad))
        size = len(lots)
        now, then = (
            np.bincount(cells.lot, cells.count * called, minlength=size)
            + np.bincount(defects.lot, bad, minlength=size)
            for called, bad in calls
        )
        passing = np.bincount(defects.lot, calls[0][1] & ~calls[1][1], minlength=size)
        items = np.bincount(cells.lot, cells.count, minlength=size) + np.bincount(
            defects.lot, minlength=size
        )
        table = pd.DataFrame(
            {
                "lot": lots,
                "items": items.astype(np.int64),
                "calls_now": now.astype(np.int64),
                "calls_then": then.astype(np.int64),
                "change": (then - now).astype(np.int64),
                "defects_passing": passing.astype(np.int64),
            }
        )
        return _largest_change(table)


def by_place(
    contested: Contested, live: Ints, setting: Ints, *, column: Literal["designator", "part", "lot"]
) -> pd.DataFrame:
    """Return how many calls each designator, part or lot gains or loses under a setting.

    Parameters
    ----------
    contested : Contested
    live, setting : ndarrays of int, shape (m,)
    column : {'designator', 'part', 'lot'}

    Returns
    -------
    DataFrame
        The column, ``calls_now, calls_then, change, defects_passing``; those that change only.
    """
    frame = contested.frame
    now, then = contested.called(live), contested.called(setting)
    bad = (frame["verdict"] == "defect").to_numpy()
    names = frame["product"] + "/" + frame[column] if column == "designator" else frame[column]
    table = (
        pd.DataFrame(
            {
                column: names.fillna("(none)"),
                "calls_now": now,
                "calls_then": then,
                "defects_passing": now & ~then & bad,
            }
        )
        .groupby(column, as_index=False)
        .sum()
    )
    table.insert(3, "change", table["calls_then"].astype(int) - table["calls_now"].astype(int))
    return _largest_change(table)


def newly_passing(contested: Contested, live: Ints, setting: Ints) -> pd.DataFrame:
    """Return the items that the live recipe calls and a setting does not, defects first.

    Parameters
    ----------
    contested : Contested
    live, setting : ndarrays of int, shape (m,)

    Returns
    -------
    DataFrame
        As ``contested.frame``.
    """
    passing = contested.frame[contested.called(live) & ~contested.called(setting)]
    rank = passing["verdict"].map({"defect": 0, "good": 2}).fillna(1)
    return passing.assign(_rank=rank).sort_values(["_rank", "time"]).drop(columns="_rank")


def _largest_change(table: pd.DataFrame) -> pd.DataFrame:
    changed = table[(table["change"] != 0) | (table["defects_passing"] != 0)]
    order = changed["change"].abs().sort_values(ascending=False, kind="stable").index
    return changed.loc[order].reset_index(drop=True)


def _true_share(tally: FamilyTally) -> float:
    """Return the share of true calls among all calls of the live recipe, kept inside 0..1."""
    now = outcome(tally, tally.grid.live)
    return (now.true_calls + 0.5) / (now.calls + 1.0)


def _priced(problem: Problem, case: Case) -> Problem:
    """Return a problem at the prices of a case's plant."""
    file = case.plant.file
    free = case.tally.defects.frame[~case.tally.defects.settled]
    names = [d if isinstance(d, str) else None for d in free["defect"]]
    return replace(
        problem,
        defect_price=np.array([file.escape_price(d) for d in names], dtype=np.float64),
        false_call_cost=file.review.cost_per_call,
        miss_rate=file.review_of(case.tally.family).miss_rate,
    )


def _last(here: NDArray[np.bool_]) -> int:
    """Return the index of the last True before the first False."""
    away = np.flatnonzero(~here)
    return int(away[0]) - 1 if len(away) else len(here) - 1
