"""The exact front against brute force, a mixed-integer solver and known optima."""

import itertools
import signal
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array
from sklearn.datasets import load_breast_cancer

from optimiser.errors import InputError
from optimiser.search.exact import ExactFront, best_at_price, draw_in, exact_front
from optimiser.search.problem import Problem
from optimiser.tally.count import is_called

# statistics.md 9.5: an item is called iff its value reaches the level.
TINY_DEFECTS = [[5, 1, 0], [4, 4, 1], [1, 6, 2], [0, 3, 5], [2, 2, 3]]
TINY_GOODS = [
    [6, 0, 0], [4, 0, 0], [3, 3, 0], [0, 5, 0], [0, 4, 1], [1, 3, 3],
    [0, 0, 4], [2, 1, 2], [1, 1, 1], [0, 0, 6], [5, 5, 0], [0, 2, 3],
]  # fmt: skip


def problem_of(sizes, good_ranks, defect_ranks, counts=None, must_ranks=None, always=0):
    m, d = len(sizes), len(defect_ranks)
    counts = np.ones(len(good_ranks), dtype=np.int64) if counts is None else np.asarray(counts)
    lots = np.stack([counts // 2, counts - counts // 2], axis=1)
    return Problem(
        levels=tuple(np.arange(k, dtype=float) for k in sizes),
        live=np.zeros(m, dtype=np.int64),
        last=np.array(sizes) - 1,
        spread=np.ones(m),
        repeatability=np.zeros(m),
        ranks=np.asarray(good_ranks, dtype=np.int64).reshape(-1, m),
        counts=csr_array(lots),
        always=np.array([always, 0]),
        defect_ranks=np.asarray(defect_ranks, dtype=np.int64).reshape(-1, m),
        defect_z=np.zeros((d, m)),
        defect_lot=np.zeros(d, dtype=np.int64),
        defect_weight=np.ones(d),
        defect_price=np.ones(d),
        defect_called=np.ones(d, dtype=bool),
        kin_z=np.zeros((0, m)),
        kin_price=np.zeros(0),
        must_ranks=np.zeros((0, m), dtype=np.int64) if must_ranks is None else must_ranks,
        false_call_cost=1.0,
        miss_rate=0.0,
    )


def measured_problem(good_z, defect_z, counts=None):
    """Levels are all values seen and off; level j calls z iff z > levels[j]."""
    levels = [
        np.append(np.unique(np.concatenate([good_z[:, i], defect_z[:, i]])), np.inf)
        for i in range(good_z.shape[1])
    ]

    def ranks(z):
        return np.stack([np.searchsorted(v, z[:, i]) for i, v in enumerate(levels)], axis=1)

    return problem_of([len(v) for v in levels], ranks(good_z), ranks(defect_z), counts)


def random_measurements(seed, goods, defects, limits, shift=1.5):
    """Normal goods; each defect is out by `shift` on one or two measurements."""
    rng = np.random.default_rng(seed)
    good_z, defect_z = rng.normal(size=(goods, limits)), rng.normal(size=(defects, limits))
    for row in defect_z:
        row[rng.choice(limits, rng.integers(1, 3), replace=False)] += shift
    return good_z, defect_z


def tiny_problem():
    # Level j lies just below the value j, so that z > level iff z >= j; the last is off.
    return problem_of([8] * 3, np.array(TINY_GOODS) + 1, np.array(TINY_DEFECTS) + 1)


def front_of(problem, escapes=None, time_limit_s=30.0):
    front = exact_front(problem, time_limit_s=time_limit_s, escapes=escapes)
    assert front.proved
    return {p.escapes: p.false_calls for p in front.points}


def weights_of(problem):
    return np.asarray(problem.counts.sum(axis=1)).reshape(-1)


def false_calls(problem, setting):
    called = is_called(setting, problem.ranks)
    return int(weights_of(problem)[called].sum() + problem.always.sum())


def check_points(problem: Problem, front: ExactFront):
    """Every point is what it says it is, whether proved or not."""
    for p in front.points:
        assert p.setting.shape == (problem.m,)
        assert all(0 <= j < len(v) for j, v in zip(p.setting, problem.levels, strict=True))
        assert false_calls(problem, p.setting) == p.false_calls
        assert (~is_called(p.setting, problem.defect_ranks)).sum() <= p.escapes
        assert is_called(p.setting, problem.must_ranks).all()
        assert p.bound <= p.false_calls
        assert p.proved == (p.bound == p.false_calls)
    calls = [p.false_calls for p in front.points]
    assert calls == sorted(calls, reverse=True)


def brute_force(problem):
    """Fewest false calls at each number of escapes, by trying every setting."""
    best = {}
    for choice in itertools.product(*(range(len(v)) for v in problem.levels)):
        setting = np.array(choice)
        if is_called(setting, problem.must_ranks).all():
            missed = int((~is_called(setting, problem.defect_ranks)).sum())
            calls = false_calls(problem, setting)
            best[missed] = min(calls, best.get(missed, calls))
    least = np.inf
    for missed in sorted(best):
        least = best[missed] = min(least, best[missed])
    most = len(problem.defect_ranks)
    return {k: best[max(q for q in best if q <= k)] for k in range(min(best), most + 1)}


@st.composite
def problems(draw):
    m = draw(st.integers(1, 4))
    sizes = draw(st.lists(st.integers(1, 5), min_size=m, max_size=m))
    # Rank 0 (not measured) is drawn often; the rank k_l is called by every level.
    row = st.tuples(*(st.one_of(st.just(0), st.integers(0, k)) for k in sizes))
    goods = draw(st.lists(row, max_size=20))
    counts = draw(st.lists(st.sampled_from([0, 1, 2, 7, 30_000]), min_size=len(goods),
                           max_size=len(goods)))  # fmt: skip
    defects = draw(st.lists(row, max_size=7))
    musts = draw(st.lists(row.filter(any), max_size=2))
    must_ranks = np.array(musts, dtype=np.int64).reshape(-1, m)
    always = draw(st.integers(0, 3))
    return problem_of(
        sizes, goods, defects, np.array(counts, dtype=np.int64), must_ranks, always
    )  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(problems())
def test_agrees_with_brute_force(problem):
    front = exact_front(problem, time_limit_s=30)
    assert front.proved
    check_points(problem, front)
    want = brute_force(problem)
    found = {p.escapes: p.false_calls for p in front.points}
    floor = min(want.values())
    end = min(k for k, calls in want.items() if calls == floor)
    assert found == {k: calls for k, calls in want.items() if k <= end}


@settings(max_examples=100, deadline=None)
@given(problems(), st.data())
def test_one_more_good_or_defect_never_lowers_the_front(problem, data):
    row = np.array([[data.draw(st.integers(0, len(v))) for v in problem.levels]])
    ks = range(len(problem.defect_ranks) + 1)
    before = front_of(problem, ks)
    more_goods = replace(
        problem,
        ranks=np.concatenate([problem.ranks, row]),
        counts=csr_array(np.concatenate([problem.counts.toarray(), [[1, 0]]])),
    )
    more_defects = replace(problem, defect_ranks=np.concatenate([problem.defect_ranks, row]))
    assert all(calls >= before[k] for k, calls in front_of(more_goods, ks).items())
    assert all(calls >= before[k] for k, calls in front_of(more_defects, ks).items())


def test_tiny_front_is_known():
    problem = tiny_problem()
    front = exact_front(problem, time_limit_s=10)
    check_points(problem, front)
    assert [p.false_calls for p in front.points] == [6, 4, 3, 1, 0]
    assert front_of(problem, [5]) == {5: 0}
    assert front_of(problem, [3, 0, 3]) == {0: 6, 3: 1}


@pytest.mark.parametrize(("price", "cost"), [(0.5, 2), (1, 4), (1.5, 5.5), (2, 6), (3, 6)])
def test_tiny_price_sweep_is_known(price, cost):
    front = exact_front(tiny_problem(), time_limit_s=10)
    point = best_at_price(front, false_calls_per_escape=price)
    assert point.false_calls + price * point.escapes == cost


def test_equal_cost_goes_to_fewer_escapes():
    front = exact_front(tiny_problem(), time_limit_s=10)
    # At two false calls per escape both (0, 6) and (1, 4) cost 6.
    assert best_at_price(front, false_calls_per_escape=2).escapes == 0


def highs(problem, escapes, time_limit_s):
    """Threshold binaries (statistics.md 9.2, A), written down from the ranks alone."""
    sizes = [len(v) for v in problem.levels]
    start = np.concatenate([[0], np.cumsum(sizes)])
    s, d = len(problem.ranks), len(problem.defect_ranks)
    n = start[-1] + s + d
    rows, low = [], []
    for i, k in enumerate(sizes):  # u[i, j]: the limit stands at level j or tighter
        rows += [{start[i] + j + 1: 1, start[i] + j: -1} for j in range(k - 1)]
        rows.append({start[i] + k - 1: 1})
        low += [0] * (k - 1) + [1]
    for g, ranks in enumerate(problem.ranks):
        rows += [{start[-1] + g: 1, start[i] + r - 1: -1} for i, r in enumerate(ranks) if r > 0]
    low += [0] * (len(rows) - len(low))
    for q, ranks in enumerate(problem.defect_ranks):
        hits = {start[i] + r - 1: 1 for i, r in enumerate(ranks) if r > 0}
        rows.append({**hits, start[-1] + s + q: -1})
        low.append(0)
    rows.append({start[-1] + s + q: 1 for q in range(d)})
    low.append(d - escapes)
    where = [(a, b, v) for a, row in enumerate(rows) for b, v in row.items()]
    a, b, v = (np.array(x) for x in zip(*where, strict=True))
    cost = np.zeros(n)
    cost[start[-1] : start[-1] + s] = weights_of(problem)
    return milp(
        cost,
        constraints=LinearConstraint(coo_array((v, (a, b)), shape=(len(rows), n)).tocsr(), low),
        bounds=Bounds(0, 1),
        integrality=np.arange(n) < start[-1],
        options={"time_limit": time_limit_s},
    )


def check_against_highs(problem, escapes, time_limit_s):
    """Equal when HiGHS finishes; otherwise between its bound and its best."""
    calls = front_of(problem, [escapes])[escapes]
    solved = highs(problem, escapes, time_limit_s)
    assert solved.mip_dual_bound <= calls + 1e-3
    assert solved.x is None or calls <= round(solved.fun)
    assert solved.status != 0 or calls == round(solved.fun)
    return solved.status == 0


def test_agrees_with_highs():
    finished = 0
    for seed, limits, shift, escapes, goods, defects in [
        (0, 4, 2.0, 0, 600, 25),
        (1, 5, 2.0, 2, 600, 25),
        (2, 6, 1.5, 4, 400, 20),
        (3, 3, 1.0, 3, 600, 25),
        (4, 8, 2.5, 6, 600, 30),
        (5, 8, 2.2, 3, 1000, 30),
    ]:
        good_z, defect_z = random_measurements(seed, goods, defects, limits, shift)
        counts = np.random.default_rng(seed).integers(1, 50, goods)
        # Rounding makes ties between goods and defects.
        problem = measured_problem(good_z.round(1), defect_z.round(1), counts)
        finished += check_against_highs(problem, escapes, time_limit_s=8)
    # A slow machine may lose some; an oracle that never speaks is none.
    assert finished >= 3


@pytest.fixture(scope="module")
def breast_cancer():
    data = load_breast_cancer()
    z = data.data.astype(np.float32).astype(float)
    z = np.concatenate([z, -z], axis=1)
    return measured_problem(z[data.target == 1], z[data.target == 0])


def test_breast_cancer_optima_are_proved(breast_cancer):
    front = exact_front(breast_cancer, time_limit_s=60)
    check_points(breast_cancer, front)
    assert front.proved
    calls = {p.escapes: p.false_calls for p in front.points}
    assert calls[0] == 60
    assert calls[10] == 15


@pytest.mark.slow
@pytest.mark.parametrize("escapes", [0, 2, 5, 10, 16, 25, 32])
def test_breast_cancer_agrees_with_highs(breast_cancer, escapes):
    check_against_highs(breast_cancer, escapes, time_limit_s=60)


def test_time_limit_leaves_honest_bounds(breast_cancer):
    optimum = front_of(breast_cancer)
    for time_limit_s in (0.0, 0.05):
        front = exact_front(breast_cancer, time_limit_s=time_limit_s)
        check_points(breast_cancer, front)
        for p in front.points:
            assert p.bound <= optimum[p.escapes] <= p.false_calls
    assert not exact_front(breast_cancer, time_limit_s=0.0).proved


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="needs interval timers")
def test_interrupt_comes_through():
    def interrupt(_number, _frame):
        raise KeyboardInterrupt

    problem = measured_problem(*random_measurements(0, 2000, 60, 30))
    before = signal.signal(signal.SIGALRM, interrupt)
    signal.setitimer(signal.ITIMER_REAL, 0.5)
    try:
        with pytest.raises(KeyboardInterrupt):
            exact_front(problem, time_limit_s=20)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def test_front_of_forty_defects():
    problem = measured_problem(*random_measurements(0, 3000, 40, 8))
    front = exact_front(problem, time_limit_s=30)
    check_points(problem, front)
    assert front.proved
    assert front.points[0].escapes == 0
    again = exact_front(problem, time_limit_s=30)
    for p, q in zip(front.points, again.points, strict=True):
        np.testing.assert_array_equal(p.setting, q.setting)


def test_must_catch_that_no_setting_calls_is_named():
    musts = np.array([[1, 0], [0, 0]])
    problem = problem_of([2, 2], [[1, 1]], [[1, 1]], must_ranks=musts)
    with pytest.raises(InputError, match=r"row 1 of must_ranks: its rank is 0 at all 2 limits"):
        exact_front(problem, time_limit_s=1)


def test_must_catch_is_paid_even_when_all_defects_may_escape():
    problem = problem_of([3], [[2], [1]], [[2]], [5, 7], np.array([[1]]), always=2)
    assert front_of(problem) == {0: 14}


def test_defect_out_of_reach_is_always_an_escape():
    problem = problem_of([3], [[1]], [[0], [1]], [4])
    assert front_of(problem) == {1: 4, 2: 0}
    assert front_of(problem, [0, 1]) == {1: 4}


def test_settings_are_drawn_in():
    problem = measured_problem(*random_measurements(3, 200, 10, 4))
    for p in exact_front(problem, time_limit_s=10).points:
        for limit in np.flatnonzero(p.setting):
            tighter = p.setting.copy()
            tighter[limit] -= 1
            assert false_calls(problem, tighter) > p.false_calls
        np.testing.assert_array_equal(draw_in(problem, p.setting), p.setting)


def test_nothing_measured_at_all():
    problem = problem_of([2, 3], [], [])
    front = exact_front(problem, time_limit_s=1)
    assert [(p.escapes, p.false_calls) for p in front.points] == [(0, 0)]
    np.testing.assert_array_equal(front.points[0].setting, [0, 0])


def test_problem_is_left_as_it_was():
    problem = tiny_problem()
    copies = [problem.ranks.copy(), problem.defect_ranks.copy(), problem.counts.toarray()]
    exact_front(problem, time_limit_s=5)
    np.testing.assert_array_equal(problem.ranks, copies[0])
    np.testing.assert_array_equal(problem.defect_ranks, copies[1])
    np.testing.assert_array_equal(problem.counts.toarray(), copies[2])
