"""The backtest: had the tool run on some past day, what was promised and what followed.

At each cut the history before it is all that exists: rails, grid, spread, weights and study
are made from it alone. The proposal is then replayed on the lots that follow, up to the next
cut, beside the live recipe and beside hindsight's best setting there.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from optimiser.errors import HistoryError
from optimiser.evidence.intervals import Interval, for_span, next_total
from optimiser.evidence.promise import LEVEL, Promise
from optimiser.history.read import History
from optimiser.history.replay import Replayed, replay
from optimiser.plant.file import Plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import Case, attainable_per_month, propose
from optimiser.proposal.record import Proposal
from optimiser.recipe.table import Recipe
from optimiser.search.exact import exact_front
from optimiser.search.pose import pose
from optimiser.tally.count import tally_history
from optimiser.tally.grid import make_grids
from optimiser.values import DAYS_PER_MONTH

FEWEST_LOTS = 10
FIRST_SHARE = 0.4
FRONT_SECONDS = 1.0
Fields = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """One family at one cut: what was promised for the lots that follow, and what followed.

    Attributes
    ----------
    family, advice : str
        Without a change found, nothing is promised and the family is left out.
    past_lots, next_lots : int
    past_items, next_items, past_defects : int
    false_calls_saved, escapes_added, saving : Interval
        Promised for the lots that follow, with predictive intervals (``saving`` is money).
    followed_false_calls_saved, followed_escapes_added : int
        Counted on the labels of the lots that follow; items newly called that nobody
        reviewed count as false calls. A defect newly called stands for the inverse of
        the share that test finds.
    followed_saving, hindsight_saving : float
        Money over the lots that follow: of the proposal, and of the best setting there.
    """

    family: str
    advice: str
    cut: int
    past_lots: int
    next_lots: int
    past_items: int
    next_items: int
    past_defects: int
    false_calls_saved: Interval
    escapes_added: Interval
    saving: Interval
    followed_false_calls_saved: int
    followed_escapes_added: int
    followed_saving: float
    hindsight_saving: float


def cuts_of(lots: int, folds: int) -> list[tuple[int, int]]:
    """Return (first unseen lot, end of the lots that follow) of each fold.

    Parameters
    ----------
    lots : int
    folds : int

    Returns
    -------
    list of (int, int)
        The first cut leaves FIRST_SHARE of the lots as past.

    Raises
    ------
    HistoryError
        With fewer than FEWEST_LOTS lots.

    Examples
    --------
    >>> cuts_of(20, 3)
    [(8, 12), (12, 16), (16, 20)]
    """
    if lots < FEWEST_LOTS:
        msg = f"a backtest needs at least {FEWEST_LOTS} lots, the history has {lots}; add results"
        raise HistoryError(msg)
    edges = np.linspace(FIRST_SHARE * lots, lots, folds + 1).round().astype(int)
    return [(int(a), int(b)) for a, b in pairwise(edges) if b > a]


def backtest(
    history: History,
    live: Recipe,
    *,
    folds: int,
    trials: int,
    family: str | None = None,
    on_done: Callable[[str], None] = lambda _: None,
) -> list[Fold]:
    """Walk forward through a history.

    Parameters
    ----------
    history : History
    live : Recipe
    folds, trials : int
    family : str, optional
        Only this one.
    on_done : callable
        Told each family and cut as it ends.

    Returns
    -------
    list of Fold
        Families at cuts where a change was found, advised or not.

    Raises
    ------
    HistoryError
        With fewer than FEWEST_LOTS lots.
    """
    lots = history.rows("select count(distinct lot) from items")[0][0]
    found = []
    for cut, end in cuts_of(lots, folds):
        with history.between(0, cut) as past:
            cases = make_cases(past, live, family=family, trials=trials)
        proposals = [propose(case) for case in cases]
        for made in proposals:
            on_done(f"{made.family}, lot {cut}")
        with history.between(cut, end) as then:
            found += _followed(then, live, proposals, cases, (cut, end))
    return found


def _followed(
    history: History,
    live: Recipe,
    proposals: Sequence[Proposal],
    cases: Sequence[Case],
    window: tuple[int, int],
) -> list[Fold]:
    """Return what followed, from a history of the lots after the cut."""
    changed = [(p, p.change) for p in proposals if p.change is not None]
    recipe = live
    for made, change in changed:
        limits = {
            (x.measurement, x.side): x.proposed
            for x in change.limits
            if x.moves and math.isfinite(x.proposed)
        }
        recipe = recipe.with_limits(made.family, limits)
    replayed = {r.family: r for r in replay(history, recipe, live)}
    best = _hindsight(history, live, cases, {p.family for p, _ in changed})
    return [
        _fold(
            history.plant,
            made,
            change.promise,
            replayed[made.family],
            best.get(made.family, 0.0),
            window,
        )
        for made, change in changed
        if made.family in replayed
    ]


def _fold(
    plant: Plant,
    made: Proposal,
    promise: Promise,
    followed: Replayed,
    hindsight: float,
    window: tuple[int, int],
) -> Fold:
    """Return one family's fold."""
    ratio = followed.items / made.items
    misread = plant.file.review_of(made.family).false_alarm_rate * followed.loosened_goods
    saved = followed.loosened_goods - followed.tightened_goods - _unreviewed_tightened(followed)
    added = max(0.0, followed.loosened_defects - misread)
    caught = followed.tightened_defects / plant.file.labels.test_coverage
    money = saved * plant.file.review.cost_per_call
    months = made.span_days / DAYS_PER_MONTH
    money += caught * months * _price(promise.escapes_caught, promise.caught_saving_per_month)
    money -= added * months * _price(promise.escapes_added, promise.added_cost_per_month)
    return Fold(
        family=made.family,
        advice=made.advice,
        cut=window[0],
        past_lots=made.lots,
        next_lots=window[1] - window[0],
        past_items=made.items,
        next_items=followed.items,
        past_defects=made.defects,
        false_calls_saved=for_span(promise.false_calls_saved, ratio),
        escapes_added=_rare_ahead(promise, ratio, misread),
        saving=for_span(promise.saving_per_month, ratio).times(months),
        followed_false_calls_saved=saved,
        followed_escapes_added=followed.loosened_defects,
        followed_saving=money,
        hindsight_saving=hindsight,
    )


def _unreviewed_tightened(followed: Replayed) -> int:
    return followed.tightened - followed.tightened_goods - followed.tightened_defects


def _price(escapes: Interval, per_month: Interval) -> float:
    """Return money a month per escape of the span, as the promise reckoned it."""
    return per_month.high / escapes.high if 0 < escapes.high < math.inf else 0.0


def _rare_ahead(promise: Promise, ratio: float, misread: float) -> Interval:
    """Return the labelled escapes to expect in other lots, with a predictive interval.

    As the promise says of its own next span, for a span ``ratio`` times as long; and the misread
    goods expected among those released.
    """
    effect = promise.bursts
    coming = next_total(
        promise.escapes_added.value, spread=effect, effect=effect, ratio=ratio, level=LEVEL
    )
    return Interval(value=coming.value + misread, low=coming.low, high=coming.high + 2 * misread)


def _hindsight(
    history: History, live: Recipe, cases: Sequence[Case], families: set[str]
) -> dict[str, float]:
    """Return what the best setting of a history's own lots would have saved there, money."""
    past = {c.tally.family: c for c in cases}
    grids = {f: g for f, g in make_grids(history, live).items() if f in families}
    best = {}
    for family, tally in tally_history(history, grids, live).items():
        case = Case(
            tally=tally,
            siblings=(),
            plant=history.plant,
            must_catch=past[family].must_catch,
            span_days=DAYS_PER_MONTH,
            trials=0,
        )
        problem = pose(tally, (), history.plant, np.zeros((0, len(tally.grid.limits)), np.int64))
        front = exact_front(problem, time_limit_s=FRONT_SECONDS)
        best[family] = attainable_per_month(case, problem, [p.setting for p in front.points])
    return best


def calibrate(folds: Sequence[Fold]) -> list[Fields]:
    """Return the calibration table: how promises fared, per figure.

    Parameters
    ----------
    folds : sequence of Fold

    Returns
    -------
    list of dict
        ``figure, promises, inside, promised, followed, ratio, widen``; ``inside`` is the share
        of promises whose interval held what followed, ``ratio`` is followed over promised in
        sum (None where nothing was promised), ``widen`` the factor on the half-width at which
        LEVEL of them would have been inside (None where it cannot be told).
    """
    figures = {
        "false_calls_saved": "followed_false_calls_saved",
        "escapes_added": "followed_escapes_added",
        "saving": "followed_saving",
    }
    rows = []
    for figure, followed in figures.items():
        promised = [getattr(f, figure) for f in folds]
        came = [float(getattr(f, followed)) for f in folds]
        total = sum(p.value for p in promised)
        inside = [p.low <= c <= p.high for p, c in zip(promised, came, strict=True)]
        rows.append(
            {
                "figure": figure,
                "promises": len(folds),
                "inside": float(np.mean(inside)) if inside else None,
                "promised": total,
                "followed": sum(came),
                "ratio": sum(came) / total if total else None,
                "widen": _widen(promised, came),
            }
        )
    return rows


def _widen(promised: Sequence[Interval], came: Sequence[float]) -> float | None:
    """Return the factor on the half-widths at which LEVEL of the promises hold what came."""
    asked = []
    for p, c in zip(promised, came, strict=True):
        reach = p.high - p.value if c > p.value else p.value - p.low
        if math.isfinite(reach) and reach > 0:
            asked.append(abs(c - p.value) / reach)
    return float(np.quantile(asked, LEVEL)) if asked else None
