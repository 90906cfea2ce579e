"""The cheapest setting that catches one item more: exact over the grid, or with its gap.

Two questions. *Keeping*: every labelled defect that is called now stays called, and so does
every must-catch item: how few false calls? The exact front answers it. *In money*: false calls
and escapes at their prices, any labelled defect may go that is worth less than it costs: a
mixed-integer program over the levels at which a target is about to be released, solved by HiGHS
within a time limit; what is not proved says how far the optimum may lie below.
"""

import time
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import LinearConstraint
from scipy.sparse import coo_array

from optimiser.search.bitsets import Cover, reduce_problem
from optimiser.search.blur import escape_prices
from optimiser.search.exact import draw_in, exact_front
from optimiser.search.highs import solve
from optimiser.search.problem import Floats, Ints, Problem
from optimiser.tally.count import is_called


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Catch:
    """One setting that calls the item and every must-catch item.

    Attributes
    ----------
    setting : ndarray of int, shape (m,)
        Drawn in: no tighter setting has the same false calls.
    cost : float
        False calls, or money over the history; counted, in-sample.
    bound : float
        No allowed setting costs less.
    proved : bool
        Whether cost and bound agree.
    """

    setting: Ints
    cost: float
    bound: float
    proved: bool


def fewest_calls(problem: Problem, item: Ints, *, time_limit_s: float) -> Catch:
    """Return the setting with the fewest false calls that catches an item and gives up nothing.

    Parameters
    ----------
    problem : Problem
    item : ndarray of int, shape (m,)
        Ranks of the item.
    time_limit_s : float

    Returns
    -------
    Catch
        Every must-catch item and every labelled defect that the live setting calls is called.

    Raises
    ------
    InputError
        If no setting calls the item or one of the must-catch items.
    """
    known = problem.defect_ranks[is_called(problem.live, problem.defect_ranks)]
    held = _without_defects(_with_musts(problem, np.vstack([known, np.atleast_2d(item)])))
    point = exact_front(held, time_limit_s=time_limit_s, escapes=[0]).points[0]
    return Catch(
        setting=point.setting,
        cost=float(point.false_calls),
        bound=float(point.bound),
        proved=point.proved,
    )


def least_money(problem: Problem, item: Ints, *, time_limit_s: float) -> Catch:
    """Return the setting that costs least money and catches an item and every must-catch item.

    Parameters
    ----------
    problem : Problem
    item : ndarray of int, shape (m,)
        Ranks of the item.
    time_limit_s : float

    Returns
    -------
    Catch
        Money over the history: false calls at the price of a review, escapes of the labelled
        defects at theirs, with their weights. The share of known defects that a setting may
        release is kept to.

    Raises
    ------
    InputError
        If no setting calls the item or one of the must-catch items.
    """
    begins = time.monotonic()
    start = fewest_calls(problem, item, time_limit_s=time_limit_s / 3)
    held = _with_musts(problem, np.atleast_2d(item))
    program = _program(held, reduce_problem(held))
    settings, bound = [start.setting], program.fixed
    if program.price.size:
        left = max(1.0, time_limit_s - (time.monotonic() - begins))
        rows = [LinearConstraint(program.rows, program.low, np.inf)]
        solved = solve(program.price, rows, program.whole, time_limit_s=left, gap=1e-9)
        if solved.x is not None:
            settings.append(draw_in(held, program.setting(solved.x)))
        bound += float(solved.mip_dual_bound or 0.0)
    best = min(settings, key=lambda s: money_of(problem, s))
    cost = money_of(problem, best)
    bound = min(cost, max(0.0, bound))
    # HiGHS works to 1e-6; what it calls equal is called equal here.
    proved = cost - bound <= 1e-6 * max(1.0, cost)
    return Catch(setting=best, cost=cost, bound=cost if proved else bound, proved=proved)


def money_of(problem: Problem, setting: Ints) -> float:
    """Return what a setting costs over the history, counted: false calls and escapes, money."""
    totals = np.asarray(problem.counts.sum(axis=1), dtype=np.float64).ravel()
    false_calls = float(totals @ is_called(setting, problem.ranks)) + float(problem.always.sum())
    escaped = ~is_called(setting, problem.defect_ranks)
    return problem.false_call_cost * false_calls + float(escape_prices(problem) @ escaped)


def _with_musts(problem: Problem, ranks: Ints) -> Problem:
    return replace(problem, must_ranks=np.concatenate([problem.must_ranks, ranks]))


def _without_defects(problem: Problem) -> Problem:
    none = np.zeros(0)
    return replace(
        problem,
        defect_ranks=problem.defect_ranks[:0],
        defect_z=problem.defect_z[:0],
        defect_lot=problem.defect_lot[:0],
        defect_weight=none,
        defect_price=none,
        defect_called=none.astype(bool),
    )


# --- the program ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Program:
    """The mixed-integer program: steps of the limits, goods called, defects escaped."""

    cover: Cover
    price: Floats
    whole: Ints
    rows: coo_array
    low: Floats
    fixed: float

    def setting(self, x: Floats) -> Ints:
        """Return the setting of a solution."""
        taken, levels = 0, []
        for kept in self.cover.levels:
            steps = x[taken : taken + len(kept) - 1] > 0.5
            levels.append(kept[int(steps.sum())])
            taken += len(kept) - 1
        return np.array(levels, dtype=np.int64)


def _program(problem: Problem, cover: Cover) -> _Program:
    """Return the program of a cover.

    Step p of a limit is 1 where it stands at position p or tighter, so steps fall along a limit.
    A group of goods is called where any limit has reached it, a defect escapes where none has.
    """
    offset = np.concatenate([[0], np.cumsum([len(k) - 1 for k in cover.levels])]).astype(int)
    goods, steps = len(cover.good_first), int(offset[-1])
    bits = cover.defects | cover.musts
    targets = [n for n in range(len(cover.options)) if bits >> n & 1]
    defects = [n for n in targets if cover.defects >> n & 1]
    escape_at = {n: steps + goods + i for i, n in enumerate(defects)}
    size = steps + goods + len(defects)
    wide = _Rows()
    for i, kept in enumerate(cover.levels):
        for p in range(len(kept) - 2):
            wide.add([(offset[i] + p, 1.0), (offset[i] + p + 1, -1.0)], 0.0)
    for g, first in enumerate(cover.good_first):
        for i, kept in enumerate(cover.levels):
            if 0 < first[i] < len(kept):
                wide.add([(steps + g, 1.0), (offset[i] + first[i] - 1, -1.0)], 0.0)
    for n in targets:
        reached = [(offset[i] + p - 1, 1.0) for i, p in cover.options[n]]
        wide.add([*reached, (escape_at[n], 1.0)] if n in escape_at else reached, 1.0)
    row_of = {n: n - len(problem.must_ranks) for n in defects}
    _limit_released(problem, wide, {escape_at[n]: row_of[n] for n in defects})
    worth = escape_prices(problem)
    price = np.concatenate(
        [
            np.zeros(steps),
            problem.false_call_cost * cover.good_weights.astype(np.float64),
            [worth[row_of[n]] for n in defects],
        ]
    )
    hopeless = (problem.defect_ranks <= 0).all(axis=1)
    return _Program(
        cover=cover,
        price=price,
        whole=np.concatenate([np.ones(steps), np.zeros(size - steps)]).astype(np.int64),
        rows=wide.matrix(size),
        low=np.array(wide.low or [0.0]),
        fixed=problem.false_call_cost * cover.floor + float(worth[hopeless].sum()),
    )


def _limit_released(problem: Problem, rows: "_Rows", escapes: dict[int, int]) -> None:
    """Add the rail on the share of the known defects that a setting releases."""
    known = is_called(problem.live, problem.defect_ranks)
    total = float(problem.defect_weight[known].sum())
    if problem.most_released >= 1.0 or not total:
        return
    taken = [
        (at, -float(problem.defect_weight[d]) / total) for at, d in escapes.items() if known[d]
    ]
    if taken:
        rows.add(taken, -problem.most_released)


class _Rows:
    """Rows of constraints as they are written: entries, and what their sum must reach."""

    def __init__(self) -> None:
        self.entries: list[tuple[int, int, float]] = []
        self.low: list[float] = []

    def add(self, entries: list[tuple[int, float]], low: float) -> None:
        """Add one row."""
        row = len(self.low)
        self.entries += [(row, int(column), value) for column, value in entries]
        self.low.append(low)

    def matrix(self, columns: int) -> coo_array:
        """Return all rows as a sparse matrix; one empty row where there is none."""
        row, column, value = zip(*self.entries, strict=True) if self.entries else ((), (), ())
        return coo_array((value, (row, column)), shape=(max(1, len(self.low)), columns))
