"""The plan of the whole line: the knapsack against brute force, what it promises against truth."""

import itertools
import json
import shutil
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.stats import binom
from stranger_judge import judge_family, make_fresh
from stranger_plants import make_stranger
from test_promise import held_out

from optimiser.cli import main
from optimiser.evidence.intervals import Interval
from optimiser.evidence.promise import added_as_counted, promise
from optimiser.evidence.reviewers import LABORATORY, constant_curve, fit_curve
from optimiser.evidence.sharing import ByLot, sharing, sum_of, together_over_lots
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.line import Line, Points, _Coupled, _outcome, _sums, boards_of_line
from optimiser.proposal.propose import limit_moves, propose_with_study
from optimiser.proposal.session import open_plant
from optimiser.recipe.table import read_recipe
from optimiser.search.allocate import Offer, allocate, least_hours, supported
from optimiser.views.line_tables import families_frame, left_words, together_words

EXAMPLE = Path(__file__).parent.parent / "data" / "example"


@st.composite
def offered(draw):
    """Return two to four families of one to five points each."""
    figure = st.floats(0.0, 10.0).map(lambda x: round(x, 2))
    found = []
    for _ in range(draw(st.integers(2, 4))):
        n = draw(st.integers(1, 5))
        hours, cost = (draw(st.lists(figure, min_size=n, max_size=n)) for _ in range(2))
        slack = draw(st.lists(st.floats(-3, 3).map(lambda x: round(x, 2)), min_size=n, max_size=n))
        found.append(Offer(hours=np.array(hours), cost=np.array(cost), slack=np.array(slack)))
    return found


def every_plan(offers):
    for picks in itertools.product(*(range(len(o.hours)) for o in offers)):
        yield (
            picks,
            *(
                sum(float(getattr(o, name)[p]) for o, p in zip(offers, picks, strict=True))
                for name in ("hours", "cost", "slack")
            ),
        )


@given(offered(), st.floats(0, 40), st.booleans())
@settings(max_examples=150, deadline=None)
def test_the_plan_equals_brute_force(offers, budget, with_slack):
    allowed = [
        cost
        for _, hours, cost, slack in every_plan(offers)
        if hours <= budget + 1e-9 and (not with_slack or slack >= -1e-9)
    ]
    found = allocate(offers, budget, with_slack=with_slack)
    if not allowed:
        assert found is None
        return
    assert found.cost == pytest.approx(min(allowed), abs=1e-5)
    assert found.proved
    assert found.bound <= min(allowed) + 1e-5
    assert found.hours <= budget + 1e-6


@given(offered())
@settings(max_examples=60, deadline=None)
def test_every_supported_plan_is_best_for_its_hours(offers):
    for plan in supported(offers):
        best = min(cost for _, hours, cost, _ in every_plan(offers) if hours <= plan.hours + 1e-9)
        assert plan.cost == pytest.approx(best, abs=1e-6)


def many(seed, families, points):
    """Return families whose costs fall with hours, with noise."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(families):
        hours = np.sort(rng.gamma(1, 1, points)) * rng.uniform(0.01, 0.2)
        fall = np.exp(-np.linspace(0, 3, points)) * (1 + 0.1 * rng.standard_normal(points))
        found.append(Offer(hours=hours, cost=rng.uniform(10, 500) * fall, slack=np.zeros(points)))
    return found


def test_three_hundred_families_of_forty_points_within_five_seconds(capfd):
    for seed, more in ((0, 2.0), (1, 8.0), (2, 20.0)):
        offers = many(seed, 300, 40)
        begins = time.process_time()
        found = allocate(offers, least_hours(offers) + more)
        assert time.process_time() - begins < 5
        assert found.proved or found.gap <= 1e-4 * found.cost
    assert capfd.readouterr().out == ""


def test_the_price_of_an_hour_is_that_of_linear_programming_and_of_finite_differences():
    offers = many(5, 40, 12)
    sizes = [len(o.hours) for o in offers]
    hours, cost = (np.concatenate([getattr(o, k) for o in offers]) for k in ("hours", "cost"))
    one_each = np.zeros((len(offers), len(hours)))
    for n, end in enumerate(np.cumsum(sizes)):
        one_each[n, end - sizes[n] : end] = 1

    def relaxed(budget):
        return linprog(
            cost, A_ub=hours[None, :], b_ub=[budget], A_eq=one_each, b_eq=np.ones(len(offers))
        )

    for more in (0.3, 1.0, 2.5):
        budget = least_hours(offers) + more
        found = allocate(offers, budget)
        assert found.price == pytest.approx(-relaxed(budget).ineqlin.marginals[0], rel=1e-6)
        assert found.bound >= relaxed(budget).fun - 1e-6
        step = 1e-4
        left, right = (relaxed(budget + s).fun for s in (-step, step))
        assert (left - right) / (2 * step) == pytest.approx(found.price, rel=1e-3)


def some_points(seed, families=4, points=5):
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(families):
        defects = rng.uniform(10, 60)
        escaped = np.sort(rng.uniform(0, 0.9, points))[::-1] * defects
        price = rng.uniform(5, 40)
        caught = defects - escaped
        found.append(
            Points(
                false_calls=np.sort(rng.gamma(1.0, 400.0, points)),
                true_calls=caught,
                escape_cost=escaped * price,
                defect_cost=defects * price,
                caught=caught,
                miss_rate=0.05,
            )
        )
    return found


@pytest.mark.parametrize("seed", range(6))
def test_reviewers_who_miss_more_among_many_calls_are_planned_for(seed):
    points, curve = some_points(seed), fit_curve("laboratory", LABORATORY)

    def offer(p, miss, share):
        return p.offer(0.001, miss, share)

    every = list(itertools.product(*(range(len(p.caught)) for p in points)))
    hours = [
        sum(
            0.001 * float(p.false_calls[n] + p.true_calls[n])
            for p, n in zip(points, x, strict=True)
        )
        for x in every
    ]
    for budget in np.quantile(hours, (0.2, 0.6, 1.0)):
        allowed = [x for x, h in zip(every, hours, strict=True) if h <= budget + 1e-9]
        best = min(_sums(points, np.array(x), curve).total for x in allowed)
        found = _Coupled(points, offer, budget, curve).run()
        total = _sums(points, found.plan.picks, curve).total
        assert best - 1e-6 <= total <= best * 1.002
        assert total - found.gap <= best + 1e-6
    # With all hours in the world the most calls are not the best: total escapes have a minimum.
    constant = allocate([offer(p, 0.05, 0.0) for p in points], max(hours) + 1)
    most = _sums(points, constant.picks, curve).total
    assert (
        _sums(points, _Coupled(points, offer, max(hours) + 1, curve).run().plan.picks, curve).total
        <= most
    )


def covered(rng, common, runs=600, families=8, lots=40):
    """Return how often independent and lot-sharing intervals cover a sum that is truly zero."""
    apart = together = 0
    for _ in range(runs):
        x = rng.normal(0, 1, (families, lots)) + common * rng.normal(0, 1, lots)
        reach = 1.685 * np.sqrt(lots / (lots - 1) * ((x - x.mean(1, keepdims=True)) ** 2).sum(1))
        parts = [
            Interval(value=float(v), low=float(v - r), high=float(v + r))
            for v, r in zip(x.sum(1), reach, strict=True)
        ]
        wide = sharing([ByLot(amount=row, items=np.ones(lots)) for row in x])
        apart += sum_of(parts, 1.0).low <= 0 <= sum_of(parts, 1.0).high
        together += sum_of(parts, wide).low <= 0 <= sum_of(parts, wide).high
    return apart / runs, together / runs


def test_a_picked_point_is_promised_no_fewer_escapes_than_none():
    held = held_out()
    released = float(held.escape[held.live_called].sum())
    lucky = replace(held, misread=released + 5)  # fewer misread labels released than expected
    found = together_over_lots([lucky, held], [promise(lucky), promise(held)])
    alone = promise(lucky).escapes_added.value
    assert 0 < alone < promise(held).escapes_added.value
    assert found.escapes_added.value == pytest.approx(promise(held).escapes_added.value + alone)
    most = found.review_saving_per_month.value + found.caught_saving_per_month.value
    assert found.saving_per_month.value < most


def test_families_of_which_no_label_escapes_may_add_none_together():
    """What is expected before any label is counted is off for all of a plant alike."""
    held = [held_out(seed) for seed in range(6)]
    held = [replace(h, escape=np.where(h.live_called, 0.0, h.escape)) for h in held]
    promised = [promise(h) for h in held]
    found = together_over_lots(held, promised)
    as_independent = sum_of([p.escapes_added for p in promised], 1.0)
    assert found.escapes_added.value == pytest.approx(as_independent.value)
    assert as_independent.low > 0.4 * as_independent.value
    assert found.escapes_added.low == 0.0
    assert found.added_cost_per_month.low == 0.0
    money = sum_of([p.saving_per_month for p in promised], found.escapes_shared)
    assert found.saving_per_month.value == pytest.approx(money.value)
    assert found.saving_per_month.high > money.high
    # Where labels escape, the counts hold the ends that they held.
    many = [replace(h, escape=np.where(h.live_called, 1.0, h.escape)) for h in held]
    promised = [promise(h) for h in many]
    found = together_over_lots(many, promised)
    counted = sum_of([added_as_counted(h)[0] for h in many], found.escapes_shared)
    assert found.escapes_added.low <= counted.low
    assert counted.high <= found.escapes_added.high
    assert counted.value == pytest.approx(
        sum(float(h.escape[h.live_called].sum()) / (1 - h.miss_rate) for h in many)
    )


def test_families_that_share_lots_are_not_taken_as_independent():
    rng = np.random.default_rng(7)
    alone = covered(rng, 0.0)
    alike = covered(rng, 0.6)
    assert alone[1] >= 0.88
    assert alike[1] >= 0.88  # stated 0.90; 600 runs
    assert alike[0] < 0.75  # what ignoring the lots would have covered


@pytest.fixture(scope="module")
def line(tmp_path_factory):
    """The example as a line, searched with few trials; as a notebook asks for it."""
    folder = tmp_path_factory.mktemp("line") / "plant"
    shutil.copytree(EXAMPLE, folder)
    with open_plant(folder, trials=20) as plant:
        return plant.line()


def line_of(folder, trials):
    plant = read_plant(folder)
    live = read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=trials)
        boards = boards_of_line(history)
    return Line([(c, *propose_with_study(c)) for c in cases], boards=boards)


def test_a_plan_keeps_to_its_hours_and_says_what_ends_them(line):
    curve = constant_curve(0.05)
    free = line.plan(1000.0, curve)
    assert free.binds == ""
    assert free.one_more == 0
    least = line.front_hours()[0]
    tight = line.plan(least + 0.5 * (free.hours - least), curve)
    assert tight.hours <= tight.hours_asked + 1e-9
    assert tight.by_limits >= free.by_limits - 1e-9
    hours = [p.hours for p in free.front]
    costs = [p.by_limits for p in free.front]
    assert hours == sorted(hours)
    assert costs == sorted(costs, reverse=True)
    with pytest.raises(ValueError, match="the fewest that any points"):
        line.plan(least * 0.5, curve)


def test_escapes_are_expected_as_of_points_that_are_chosen_at_the_plans_own_price_of_an_hour(line):
    """What is expected before any label is counted rests on the price at which a setting is chosen."""
    least, most = line.front_hours()
    curve = constant_curve(0.05)
    seen = []
    for share in (0.1, 0.3, 0.6):
        plan = line.plan(least + share * (most - least), curve)
        at = plan.hour_price / plan.hour_cost
        for family, row in zip(line.families, plan.families, strict=True):
            if row.promise is None:
                continue
            wanted = {(m.measurement, m.side): m.proposed for m in row.limits}
            rows = [
                r
                for r in family.rows
                if {
                    (m.measurement, m.side): m.proposed
                    for m in limit_moves(family.case.tally, family.study.trials.settings[r])
                    if m.moves
                }
                == wanted
            ]
            expected = [_outcome(family, int(r), at)[1].escapes_added for r in rows]
            assert row.promise.escapes_added in expected
            by_review = [_outcome(family, int(r), 1.0)[1].escapes_added for r in rows]
            seen.append((at, row.promise.escapes_added.value, by_review[0].value))
    for at, mine, by_review in seen:
        assert (mine <= by_review) if at < 1 else (mine >= by_review)
    assert any(mine < 0.9 * by_review for at, mine, by_review in seen if at < 1)


def test_the_pace_of_the_line_is_a_limit_of_its_own(line):
    free = line.plan(1000.0, constant_curve(0.05))
    seconds = free.hours * 3600 * line.span_days / line.boards
    file = line.plant.file

    def paced(seconds_per_board):
        other = Line.__new__(Line)
        other.__dict__ |= line.__dict__
        row = file.line.model_copy(update={"seconds_per_board": seconds_per_board})
        other.plant = line.plant.model_copy(update={"file": file.model_copy(update={"line": row})})
        return other.plan(1000.0, constant_curve(0.05))

    slow = paced(2 * seconds)
    assert slow.pace.held
    assert slow.pace.planned == pytest.approx(seconds)
    least = line.front_hours()[0]
    quick = paced(seconds * (0.5 + 0.5 * least / free.hours))
    assert quick.binds == "pace"
    assert quick.pace.held
    assert quick.hours < free.hours


def test_the_plan_for_a_fold_does_not_look_at_the_fold(line):
    curve, budget = constant_curve(0.05), 1000.0
    line = Line(made_of(line), boards=line.boards, unadvised=True)
    before = line._nested(budget, curve)
    fold = 1
    spoiled = []
    for family in line.families:
        study = family.study
        if study is None:
            spoiled.append(family)
            continue
        trials = study.trials
        inside = study.lot_fold[family.problem.defect_lot] == fold
        near, nested = trials.near_escape.copy(), trials.nested_near_escape.copy()
        # In the fold every setting but the live one would let every defect escape, a thousand times.
        near[1:, inside] = 1000.0
        others = np.arange(nested.shape[1]) != fold
        nested[np.ix_(np.arange(1, len(nested)), others, inside)] = 1000.0
        changed = replace(trials, near_escape=near, nested_near_escape=nested)
        spoiled.append(replace(family, study=replace(study, trials=changed)))
    other = Line.__new__(Line)
    other.__dict__ |= line.__dict__
    other.families = tuple(spoiled)
    after = other._nested(budget, curve)
    pairs = [(a, b) for a, b in zip(before, after, strict=True) if a is not None]
    assert pairs
    assert all(a[fold] == b[fold] for a, b in pairs)
    # The other folds' plans may look there, and do: the spoiling is seen by whoever may see it.
    assert any((a != b).any() for a, b in pairs)


def made_of(line, *, kept=None) -> list:
    """What a line was made of, one family's advice made keep."""
    return [
        (
            f.case,
            replace(f.proposal, advice="keep") if f.name == kept else f.proposal,
            None if f.study is None else SimpleNamespace(study=f.study),
        )
        for f in line.families
    ]


def test_no_family_moves_that_the_study_advises_against(line):
    """One family's advice is made keep: it stays whatever its points promise, until it is asked for."""
    curve = constant_curve(0.05)
    least, most = line.front_hours()
    hours = least + 0.6 * (most - least)
    moved = [f for f in line.plan(hours, curve).families if f.limits]
    assert {f.advice for f in moved} == {"change"}
    kept = max(moved, key=lambda f: abs(f.hours_now - f.hours)).family
    made = made_of(line, kept=kept)
    plan = Line(made, boards=line.boards).plan(1000.0, curve)
    row = next(f for f in plan.families if f.family == kept)
    assert (row.left, row.limits, row.hours, row.points) == ("advice", (), row.hours_now, 1)
    assert kept in left_words(plan)[0]
    frame = families_frame(plan, "EUR").set_index("family")
    cells = dict(frame["limits that move"])
    assert "no change of it is advised" in cells[kept]
    free = Line(made, boards=line.boards, unadvised=True)
    assert len(next(f for f in free.families if f.name == kept).rows) > 1
    assert left_words(free.plan(1000.0, curve)) == []
    unlike = [(replace(c, unlike_recipe=c.tally.family == kept), p, f) for c, p, f in made]
    told = Line(unlike, boards=line.boards).plan(1000.0, curve)
    assert next(f for f in told.families if f.family == kept).left == "calls unlike recipe"


def test_a_plan_that_moves_nothing_promises_nothing():
    still = SimpleNamespace(together=SimpleNamespace(families=0), span_days=30.0)
    (said,) = together_words(still, "EUR")
    assert said == "no limit moves within these hours, so nothing is promised"


def test_the_command_says_it_and_draws_it(tmp_path, capsys):
    folder = tmp_path / "plant"
    shutil.copytree(EXAMPLE, folder)
    more = ("--trials", "20", "--workers", "1")
    chart = tmp_path / "front.svg"
    code = main(["plan", str(folder), "--review-hours", "9", *more, "--chart", str(chart)])
    out = capsys.readouterr().out
    assert code == 0
    assert "hours of review a day: " in out
    assert chart.read_text().startswith("<svg")
    assert main(["plan", str(folder), "--review-hours", "9", *more, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["gap"] <= 1e-6 * max(1.0, found["by_limits"])
    assert {f["family"] for f in found["families"]}
    assert main(["plan", str(folder), "--review-hours", "0.000001", *more]) == 2
    assert "ask for more" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["plan", str(folder), "--review-hours", "-1"])
    assert "must be a number of hours above 0" in capsys.readouterr().err


def promised_and_true(folder, kind, seed, share, trials):
    """Return what a stranger's plan promises together, and what fresh lots bring."""
    stranger = make_stranger(folder, kind, seed)
    line = line_of(stranger.folder, trials)
    curve = constant_curve(line.plant.file.review.miss_rate)
    hours = line.front_hours()
    plan = line.plan(hours[0] + share * (hours[1] - hours[0]), curve)
    cost = line.plant.file.review.cost_per_call
    true = 0.0
    for row in plan.families:
        family = next(f for f in stranger.families if f.name == row.family)
        fresh = make_fresh(family, seed, spans=1)
        true += judge_family(fresh, [m.as_dict() for m in row.limits], seed, cost)["money"]
    return plan, true


@pytest.mark.slow
@pytest.mark.parametrize(
    "seeds",
    [
        {"bursts": (31, 32), "skewed": (31, 34, 35), "suppliers": (31, 34), "restless": (31, 34)},
        # No seed of these had a part in how a plan's promise is made.
        {
            "bursts": (41, 42),
            "skewed": (41, 42, 43),
            "suppliers": (41, 42, 43),
            "restless": (41, 42),
            "thin": (41, 42),
        },
    ],
    ids=["chosen on", "fresh"],
)
def test_what_a_plan_promises_together_covers_the_truth_and_does_not_flatter(tmp_path, seeds):
    held, promised, followed = [], 0.0, 0.0
    for kind, seed in ((k, s) for k, of in seeds.items() for s in of):
        plan, true = promised_and_true(tmp_path / f"{kind}{seed}", kind, seed, 0.3, 30)
        saving = plan.together.saving_per_month
        held.append(saving.low <= true <= saving.high)
        promised, followed = promised + saving.value, followed + true
        print(kind, seed, saving, round(plan.chosen_saving_per_month), round(true))
    missed = held.count(False)
    assert binom.sf(missed - 1, len(held), 0.1) > 1e-3
    # Where escapes may count below nothing the first of these promises 14 % too much.
    assert 0.9 * followed < promised < 1.08 * followed
