"""The second look: lists against brute force, sheets there and back, what a perfect look brings."""

import csv
import itertools
import json
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from factories import RECIPE, make_items, make_plant, read_rows, table, write_rows
from scipy.sparse import csr_array
from stranger_judge import judge, live_false_calls
from stranger_plants import make_stranger

from optimiser.caution import CAUTION
from optimiser.cli import main
from optimiser.errors import HistoryError, UsageError
from optimiser.history.calls import calls_by_day
from optimiser.history.contract import KEY
from optimiser.history.read import open_history
from optimiser.ledger.ledger import LEDGER, Ledger
from optimiser.monitoring.account import make_account
from optimiser.plant.file import read_plant
from optimiser.proposal import relabel as relabelling
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import problem_of
from optimiser.proposal.relabel import Beyond, Relabel, relabel
from optimiser.proposal.relabel_sheet import (
    COLUMNS,
    SecondLooks,
    beyond_words,
    refuse_filled,
    sheet_text,
    take_second_look,
)
from optimiser.proposal.session import open_plant
from optimiser.proposal.stated import check_stated
from optimiser.recipe.table import read_recipe
from optimiser.search.misread import chance_to_be_true
from optimiser.search.problem import Problem
from optimiser.search.second_look import (
    DEAREST,
    DefectLabels,
    expected_freed,
    look_again,
    prices_of_a_look,
)
from optimiser.tally.count import is_called
from optimiser.views.panels.decision import DecisionPanel
from optimiser.views.panels.overview import OverviewPanel
from optimiser.views.relabel_tables import (
    HOPEFUL,
    assumed_words,
    looked_words,
    nothing_words,
    standing_words,
)

# --- the list, against every setting there is

PER_LOOK = 24.7  # no multiple of it is a count, so that no two settings cost the same


def tiny(seed: int, *, critical: bool) -> tuple[Problem, DefectLabels]:
    """Return a family of one to three limits with a handful of levels and labels."""
    rng = np.random.default_rng(seed)
    m, k, d, s = (int(rng.integers(*ends)) for ends in ((1, 4), (3, 6), (2, 7), (3, 14)))
    ranks = np.unique(rng.integers(0, k + 1, (s, m)), axis=0)
    ranks = ranks[ranks.any(axis=1) & (ranks < k).all(axis=1)]
    live = rng.integers(0, max(1, k // 2), m)
    defect_ranks = rng.integers(0, k + 1, (d, m))
    called = is_called(live, defect_ranks)
    problem = Problem(
        levels=tuple(np.arange(k, dtype=float) for _ in range(m)),
        live=live,
        last=np.maximum(live, rng.integers(k // 2, k, m)),
        spread=np.ones(m),
        repeatability=np.zeros(m),
        ranks=ranks,
        counts=csr_array(rng.integers(1, 400, (len(ranks), 1))),
        always=np.array([7], dtype=np.int64),
        defect_ranks=defect_ranks,
        defect_z=defect_ranks.astype(float),
        defect_lot=np.zeros(d, dtype=np.int64),
        defect_weight=np.ones(d),
        defect_price=np.ones(d),
        defect_called=called,
        kin_z=np.empty((0, m)),
        kin_price=np.empty(0),
        must_ranks=np.empty((0, m), dtype=np.int64),
        false_call_cost=1.0,
        miss_rate=0.0,
    )
    doubtful = called & (rng.random(d) < 0.8)
    labels = DefectLabels(
        doubtful=doubtful,
        misread=np.where(doubtful, rng.uniform(0.05, 0.95, d), 0.0),
        obeyed=called if critical else np.zeros(d, dtype=bool),
        price=rng.uniform(1, 900, d),
    )
    return problem, labels


def cheapest(problem, price, obeyed) -> tuple[int, np.ndarray]:
    """Return false calls and called labels of the cheapest setting, by trying every one."""
    totals = problem.counts.toarray().sum(axis=1)
    best = (np.inf, 0, None)
    for setting in itertools.product(*(range(int(n) + 1) for n in problem.last)):
        called = (np.array(setting) < problem.defect_ranks).any(axis=1)
        if (obeyed & ~called).any():
            continue
        goods = (np.array(setting) < problem.ranks).any(axis=1)
        count = int(totals[goods].sum() + problem.always.sum())
        cost = count + price[~called].sum()
        if cost < best[0]:
            best = (cost, count, called)
    return best[1], best[2]


def brute(problem, labels) -> tuple[list[int], list[float], int, int]:
    """Return the list, what each label holds, the false calls and those freed."""
    count, known = cheapest(problem, labels.price, labels.obeyed)
    order, blocked, before, price = [], [], count, PER_LOOK
    ladder = [PER_LOOK]
    while ladder[-1] < DEAREST:
        ladder.append(ladder[-1] * 2)
    for price in ladder[::-1]:
        at = labels.price.copy()
        for n in np.flatnonzero(labels.doubtful):
            at[n] = price if labels.obeyed[n] else min(at[n], price)
        now, called = cheapest(problem, at, labels.obeyed & ~labels.doubtful)
        new = [n for n in np.flatnonzero(known & labels.doubtful & ~called) if n not in order]
        if new:
            order += sorted(new, key=lambda n: -labels.misread[n])
            blocked += [max(0, before - now) / len(new)] * len(new)
            before = min(before, now)
    return order, blocked, count, count - before


@pytest.mark.parametrize(("critical", "least"), [(True, 0.99), (False, 0.92)])
def test_listed_are_exactly_the_labels_that_a_cheapest_setting_releases(critical, least):
    """Descent from a few starts is no proof: on a few tiny problems in a hundred it ends short."""
    alike, listed = [], 0
    for seed in range(150):
        problem, labels = tiny(seed, critical=critical)
        order, blocked, count, freed = brute(problem, labels)
        look = look_again(problem, labels, per_look=PER_LOOK)
        same = (
            look.defects.tolist() == order
            and look.blocked.tolist() == pytest.approx(blocked)
            and (look.false_calls, look.freed) == (count, freed)
        )
        alike.append(same)
        listed += len(order)
        # What holds of every list, however it was found.
        assert labels.doubtful[look.defects].all()
        assert len(set(look.defects.tolist())) == len(look.defects)
        assert look.blocked.sum() == pytest.approx(look.freed)
    assert listed > 80
    assert np.mean(alike) >= least


def freed_by(problem, labels, look, misread) -> int:
    """Return by brute force what a look at the first labels frees if some are misread."""
    seen = look.defects[: len(misread)]
    price, obeyed = labels.price.copy(), labels.obeyed.copy()
    for n, gone in zip(seen, misread, strict=True):
        price[n] = 0.0 if gone else price[n] / (1 - labels.misread[n])
        obeyed[n] &= not gone
    return look.false_calls - cheapest(problem, np.where(obeyed, 0.0, price), obeyed)[0]


def test_expected_freed_is_the_mean_over_all_ways_the_look_may_end():
    """A sure look has one end; its value is the difference of two counts by brute force."""
    alike = []
    for seed in range(120):
        problem, labels = tiny(seed, critical=True)
        look = look_again(problem, labels, per_look=PER_LOOK)
        n = len(look.defects)
        if not n:
            continue
        rng = np.random.default_rng(seed)
        sure = np.zeros(len(labels.misread))
        sure[look.defects] = rng.random(n) < 0.6
        firsts = [0, max(1, n // 2), n]
        found = expected_freed(problem, replace(labels, misread=sure), look, firsts, seed=1)
        assert found[0] == (0.0, 0.0)
        for first, (freed, misread) in zip(firsts[1:], found[1:], strict=True):
            gone = sure[look.defects[:first]] > 0
            assert misread == gone.sum()
            alike.append(freed == freed_by(problem, replace(labels, misread=0 * sure), look, gone))
            assert 0 <= freed <= max(look.freed, freed_by(problem, labels, look, gone))
    assert len(alike) > 60
    assert np.mean(alike) >= 0.98


def test_draws_agree_with_the_sum_over_all_ends_by_their_chances():
    told, true = 0.0, 0.0
    for seed in range(60):
        problem, labels = tiny(seed, critical=True)
        look = look_again(problem, labels, per_look=PER_LOOK)
        chance = labels.misread[look.defects]
        ((freed, misread),) = expected_freed(problem, labels, look, [len(chance)], seed=seed)
        assert misread == pytest.approx(chance.sum())
        told += freed
        for end in itertools.product((True, False), repeat=len(chance)):
            weight = np.prod(np.where(end, chance, 1 - chance))
            true += weight * freed_by(problem, labels, look, np.array(end, dtype=bool))
    assert told == pytest.approx(true, rel=0.08)


def test_with_every_label_real_nothing_is_freed():
    for seed in range(60):
        problem, labels = tiny(seed, critical=seed % 2 == 0)
        none = replace(labels, misread=np.zeros(len(labels.misread)))
        look = look_again(problem, none, per_look=PER_LOOK)
        found = expected_freed(problem, none, look, [len(look.defects)], seed=seed)
        assert found == [(0.0, 0.0)]
        sure = replace(labels, doubtful=np.zeros(len(labels.misread), dtype=bool))
        look = look_again(problem, sure, per_look=PER_LOOK)
        assert (len(look.defects), look.freed) == (0, 0)


def test_a_step_that_frees_more_comes_first():
    problem, labels = two_limits([60, 900], [1e6, 1e6], [0.9, 0.5], obeyed=True)
    look = look_again(problem, labels, per_look=25.0)
    assert look.defects.tolist() == [1, 0]
    assert look.blocked.tolist() == [900.0, 60.0]
    assert (look.false_calls, look.freed) == (967, 960)
    # A look that has to free more than the small limit holds leaves that label alone.
    assert look_again(problem, labels, per_look=61.0).defects.tolist() == [1]
    # What is not obeyed and cheaper than a look is released outright: no look is worth it.
    cheap = replace(labels, obeyed=np.zeros(2, dtype=bool), price=np.array([5.0, 1e6]))
    look = look_again(problem, cheap, per_look=25.0)
    assert (look.defects.tolist(), look.false_calls, look.freed) == ([1], 907, 900)


def two_limits(counts, price, misread, *, obeyed) -> tuple[Problem, DefectLabels]:
    """Return two limits with one doubtful label each, which holds that limit's goods."""
    problem = replace(
        tiny(0, critical=True)[0],
        levels=(np.arange(3.0), np.arange(3.0)),
        live=np.array([0, 0]),
        last=np.array([2, 2]),
        spread=np.ones(2),
        repeatability=np.zeros(2),
        ranks=np.array([[1, 0], [0, 1]]),
        counts=csr_array(np.array(counts)[:, None]),
        defect_ranks=np.array([[1, 0], [0, 1]]),
        defect_lot=np.zeros(2, dtype=np.int64),
        defect_called=np.ones(2, dtype=bool),
        must_ranks=np.empty((0, 2), dtype=np.int64),
    )
    labels = DefectLabels(
        doubtful=np.ones(2, dtype=bool),
        misread=np.array(misread),
        obeyed=np.full(2, obeyed),
        price=np.array(price),
    )
    return problem, labels


def test_what_is_expected_of_the_first_rows_is_theirs_alone():
    problem, labels = two_limits([60, 900], [1e6, 1e6], [0.9, 0.9], obeyed=True)
    look = look_again(problem, labels, per_look=25.0)
    (one, _), (both, _) = expected_freed(problem, labels, look, [1, 2], seed=2)
    assert one / 900 == pytest.approx(0.9, abs=0.15)
    assert 0.7 * 960 < both < 960
    sure = replace(labels, misread=np.ones(2))
    found = expected_freed(problem, sure, look, [1, 2], seed=2)
    assert found == [(900.0, 1.0), (960.0, 2.0)]


def test_a_label_found_real_is_paid_for_in_full():
    """At 70 in doubt it is called rather than paid for; found real it costs 140, and still is."""
    problem, labels = two_limits([60, 5], [70.0, 1e6], [0.5, 0.5], obeyed=False)
    look = look_again(problem, labels, per_look=25.0)
    assert (look.defects.tolist(), look.blocked.tolist()) == ([0], [60.0])
    ((freed, _),) = expected_freed(problem, labels, look, [1], seed=2)
    assert freed / 60 == pytest.approx(0.5, abs=0.25)


def test_a_cheap_look_is_never_dearer_than_no_look():
    """On this problem descent from live, loose and eased starts alone ends dearer."""
    rng = np.random.default_rng(166)
    m, k, d, s = 5, 8, 30, 120
    ranks = rng.integers(0, k, (s, m)) * (rng.random((s, m)) < 0.4)
    ranks = np.unique(ranks, axis=0)
    ranks = ranks[ranks.any(axis=1)]
    live = np.ones(m, dtype=np.int64)
    defect_ranks = rng.integers(0, k + 1, (d, m)) * (rng.random((d, m)) < 0.4)
    called = is_called(live, defect_ranks)
    problem = replace(
        tiny(166, critical=True)[0],
        levels=tuple(np.arange(k, dtype=float) for _ in range(m)),
        live=live,
        last=np.full(m, k - 1),
        spread=np.ones(m),
        repeatability=np.zeros(m),
        ranks=ranks,
        counts=csr_array(rng.integers(1, 60, (len(ranks), 1))),
        defect_ranks=defect_ranks,
        defect_lot=np.zeros(d, dtype=np.int64),
        defect_called=called,
        must_ranks=np.empty((0, m), dtype=np.int64),
    )
    doubtful = called & (rng.random(d) < 0.8)
    labels = DefectLabels(
        doubtful=doubtful,
        misread=np.where(doubtful, rng.uniform(0.05, 0.95, d), 0.0),
        obeyed=called,
        price=rng.uniform(1, 900, d),
    )

    def cost(setting) -> float:
        price = np.where(labels.doubtful, PER_LOOK, labels.price)
        goods = is_called(setting, problem.ranks) @ problem.counts.toarray().sum(axis=1)
        return float(goods + price[~is_called(setting, problem.defect_ranks)].sum())

    base, looked = look_again(problem, labels, per_look=PER_LOOK).feet
    assert cost(looked) <= cost(base)


def test_prices_of_a_look_halve_down_to_the_last():
    prices = prices_of_a_look(25.0)
    assert prices[-1] == 25.0
    assert np.all(prices[:-1] == 2 * prices[1:])
    assert prices[1] < DEAREST <= prices[0]
    assert prices_of_a_look(5000.0).tolist() == [5000.0]


# --- a plant's list

DOUBT = {
    "false_alarm_rate": 0.45,
    "false_calls_per_second_look": 1.0,
    "miss_rate": 0.1,
    "seconds_per_second_look": 90.0,
}


def misread_items() -> list[dict]:
    """Return five tiny plants' items, the defects of one, every fifth called good misread."""
    items, seen = [], 0
    for seed in range(3, 8):
        for item in make_items(seed):
            item["board"] = f"{item['board']}-{seed}"
            if item["verdict"] == "defect" and seed > 3:
                continue
            if item["called"] and item["verdict"] == "good":
                seen += 1
                if seen % 5 == 0:
                    item |= {"verdict": "defect", "defect": "shifted"}
            items.append(item)
    return items


def doubtful_plant(folder, *, critical=("CHIP",), verdicts="verdicts", **review):
    toml = table(review={**DOUBT, **review})
    if verdicts:
        toml["plant"]["verdicts"] = verdicts
    for name in critical:
        toml["families"][name]["critical"] = True
    return make_plant(folder, toml=toml, items=misread_items())


def cases_of(folder, **more):
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        return make_cases(history, live, trials=5, **more)


@pytest.fixture(scope="module")
def cases(tmp_path_factory):
    return cases_of(doubtful_plant(tmp_path_factory.mktemp("doubt") / "plant", verdicts=None))


@pytest.fixture(scope="module")
def found(cases) -> Relabel:
    return relabel(cases)


def test_rows_are_what_the_results_say_of_them(found):
    by_key = {(i["board"], i["designator"]): i for i in misread_items()}
    assert len(found.rows) > 5
    for row in found.rows:
        item = by_key[row.board, row.designator]
        assert item["called"]
        assert (item["verdict"], item["found_by"]) == ("defect", "review")
        same = ("family", "stage", "product", "lot", "part", "defect")
        assert [getattr(row, n) for n in same] == [item[n] for n in same]
        assert row.time == str(item["time"])
        assert row.critical == (row.family == "CHIP")
        assert row.beyond
        for x in row.beyond:
            assert x.value == pytest.approx(item[x.measurement])
            assert x.value > x.limit if x.side == "upper" else x.value < x.limit
        assert 0 < row.chance_misread < 1


def test_ranked_by_money_and_a_step_stays_in_its_order(cases, found):
    assert [r.rank for r in found.rows] == [*range(1, len(found.rows) + 1)]
    cost = cases[0].plant.file.review.cost_per_call
    for row in found.rows:
        monthly = 365.25 / 12 / cases[0].span_days
        assert row.worth == pytest.approx(row.blocked * row.chance_misread * cost * monthly)
    # The least of those before it in its family's list is what a row is ranked by.
    least: dict[str, float] = {}
    scores = []
    for row in found.rows:
        least[row.family] = min(least.get(row.family, np.inf), row.worth)
        scores.append(least[row.family])
    assert scores == sorted(scores, reverse=True)
    for case in cases:
        looked = relabelling.looked_at(case)
        boards = case.tally.defects.frame.loc[~case.tally.defects.settled, "board"].to_numpy()
        own = [r.board for r in found.rows if r.family == case.tally.family]
        assert own == boards[looked.look.defects].tolist()


def test_steps_keep_their_order_whatever_the_chances_say(cases, monkeypatch):
    """A later step may hold more a label than the one before; it cannot be freed without it."""

    def rising(*args, **more):
        look = look_again(*args, **more)
        return replace(look, blocked=np.arange(len(look.defects)) ** 2.0 + 1)

    monkeypatch.setattr(relabelling, "look_again", rising)
    rows = relabel(cases).rows
    for family in ("CHIP", "SOT"):
        own = [r.blocked for r in rows if r.family == family]
        assert own == sorted(own)
        assert len(own) > 1


def test_limits_beyond_are_those_of_the_recipe_on_their_side(cases):
    seen = set()
    for case in cases:
        frame = case.tally.defects.frame
        # What every setting calls is beyond all limits by its signature, and never listed.
        fixed = (case.tally.defects.ranks == [len(x.z) for x in case.tally.grid.limits]).all(axis=1)
        for at in np.flatnonzero(frame["live_called"] & ~case.tally.defects.settled & ~fixed):
            for x in relabelling._beyond(case, int(at)):
                (row,) = (r for r in RECIPE if r[1:3] == (case.tally.family, x.measurement))
                assert x.limit == float(row[3] if x.side == "lower" else row[4])
                assert x.value == frame[x.measurement][at]
                assert x.value > x.limit if x.side == "upper" else x.value < x.limit
                seen.add(x.side)
    assert seen == {"lower", "upper"}


def test_a_critical_family_obeys_its_labels_and_its_kept_set(cases):
    """What stands in the list's problem: the kept set alone; labels are obeyed apart."""
    for case in cases:
        looked = relabelling.looked_at(case)
        must, _ = problem_of(case)
        critical = case.tally.family == "CHIP"
        called = must.defect_called
        assert looked.labels.obeyed.tolist() == (called & critical).tolist()
        assert len(must.must_ranks) - len(looked.problem.must_ranks) == critical * called.sum()
        assert len(looked.problem.must_ranks) == len(case.must_catch)
        found_by = case.tally.defects.frame["found_by"].to_numpy()[~case.tally.defects.settled]
        assert looked.labels.doubtful.tolist() == ((found_by == "review") & called).tolist()
        rate = case.plant.file.review.false_alarm_rate
        true = chance_to_be_true(case.tally, rate)[~case.tally.defects.settled]
        doubt = looked.labels.misread[looked.labels.doubtful]
        assert doubt == pytest.approx(1 - true[looked.labels.doubtful])
        assert not looked.labels.misread[~looked.labels.doubtful].any()
        full = must.defect_price * must.defect_weight * (1 - must.miss_rate) / must.false_call_cost
        assert looked.labels.price == pytest.approx(full)


@pytest.mark.parametrize("finder", ["review", "second look", "test"])
def test_only_what_one_reviewer_called_a_defect_is_doubted(cases, finder):
    for case in cases:
        defects = case.tally.defects
        frame = defects.frame.assign(found_by=finder)
        told = replace(case, tally=replace(case.tally, defects=replace(defects, frame=frame)))
        problem = problem_of(told)[0]
        assert not problem.defect_called.all()
        labels = relabelling.labels_of(told, problem)
        assert labels.doubtful.tolist() == (problem.defect_called & (finder == "review")).tolist()


def test_figures_of_the_whole_list_and_of_its_beginning(cases, found):
    worth = found.worth[-1]
    review = cases[0].plant.file.review
    monthly = 365.25 / 12 / cases[0].span_days
    assert [w.rows for w in found.worth] == [
        n for n in (10, 20, 50, len(found.rows)) if n <= len(found.rows)
    ]
    for part in found.worth:
        assert part.minutes == part.rows * 1.5
        assert part.misread == pytest.approx(sum(r.chance_misread for r in found.rows[: part.rows]))
        assert part.money_per_month == pytest.approx(
            part.false_calls * review.cost_per_call * monthly
        )
    assert worth.false_calls == pytest.approx(sum(s.expected for s in found.families))
    assert 0 < worth.false_calls < sum(s.most for s in found.families)
    for s in found.families:
        own = [r for r in found.rows if r.family == s.family]
        assert s.labels == len(own)
        assert sum(r.blocked for r in own) == pytest.approx(s.most)
        assert 0 <= s.expected <= s.most <= s.false_calls
        assert s.labels <= s.known
    assert [s.most for s in found.families] == sorted(
        (s.most for s in found.families), reverse=True
    )


def test_minutes_cut_the_list(cases, found):
    for minutes, rows in ((1.4, 0), (1.5, 1), (7.4, 4), (7.5, 5), (1e6, len(found.rows))):
        cut = relabel(cases, minutes=minutes)
        assert cut.rows == found.rows[:rows]
        assert [w.rows for w in cut.worth][-1:] == [rows][: bool(rows)]
    assert [w.rows for w in relabel(cases, minutes=15).worth] == [10]
    assert relabel([]).rows == ()


def with_rate(cases, rate):
    """Return the cases of a plant whose file states another false alarm rate."""
    file = cases[0].plant.file
    review = file.review.model_copy(update={"false_alarm_rate": rate})
    plant = cases[0].plant.model_copy(update={"file": file.model_copy(update={"review": review})})
    return [replace(case, plant=plant) for case in cases]


def test_where_nobody_states_a_rate_the_list_takes_the_one_that_labels_fit(cases, found):
    assert found.assumed_rate is None
    unknown = with_rate(cases, 0.0)
    fitted = check_stated(unknown).false_alarms
    fit = fitted.found.value
    assert fit > 0
    assumed = relabel(unknown)
    stated = relabel(with_rate(cases, fit))
    assert assumed.rows
    assert assumed == replace(stated, assumed_rate=fit, assumed_from=fitted.of)
    assert f"from {fitted.of:,} called items" in assumed_words(assumed)[0]
    assert (assumed_words(assumed), assumed_words(stated)) != ([], [])
    assert f"{fit:.2%}" in assumed_words(assumed)[0]
    assert assumed_words(stated) == []
    # Nothing else takes it: labels are obeyed as before until a person states a rate.
    assert all(case.plant.file.review.false_alarm_rate == 0.0 for case in unknown)


def test_labels_without_goods_among_them_leave_nothing_to_look_at(cases):
    """Test found them all: no reviewer can have misread one."""
    sure = []
    for case in with_rate(cases, 0.0):
        frame = case.tally.defects.frame.assign(found_by="test")
        defects = replace(case.tally.defects, frame=frame)
        sure.append(replace(case, tally=replace(case.tally, defects=defects)))
    nothing = relabel(sure)
    assert (nothing.rows, nothing.worth, nothing.assumed_rate) == ((), (), None)
    assert {s.labels for s in nothing.families} == {0}
    assert "optimiser agreement FILE" in nothing_words(nothing, sure[0].plant, minutes=None)


# --- the sheet and the command, there and back


def words_of(capsys) -> str:
    return " ".join(capsys.readouterr().out.split())


@pytest.fixture
def plant(tmp_path):
    return doubtful_plant(tmp_path / "plant")


@pytest.fixture(scope="module")
def listed(tmp_path_factory):
    """A plant whose folder of verdicts holds nothing yet, and its sheet; copy it, do not change it."""
    folder = doubtful_plant(tmp_path_factory.mktemp("listed") / "plant", verdicts=None)
    assert main(["relabel", str(folder)]) == 0
    doubtful_plant(folder)
    return folder


@pytest.fixture
def unread(listed, tmp_path):
    return shutil.copytree(listed, tmp_path / "plant", copy_function=shutil.copy2)


def fill(sheet, verdict, *, by="Ada Fenn", note="") -> list[dict[str, str]]:
    """Fill in a sheet: a verdict by row, "" where nobody looked."""
    rows = read_rows(sheet)
    for row in rows:
        row["verdict_again"] = verdict(row)
        row |= {"by": by, "note": note} if row["verdict_again"] else {}
    write_rows(sheet, COLUMNS, rows)
    return rows


def every_other(row) -> str:
    return ("good", "defect", "")[int(row["rank"]) % 3]


def labels_now(folder) -> dict:
    with open_history(read_plant(folder)) as history:
        rows = history.rows("select board, designator, verdict, defect, found_by from items")
    return {r[:2]: r[2:] for r in rows}


def test_there_and_back_into_the_history(unread, capsys):
    sheet = unread / "relabel.csv"
    before = labels_now(doubtful_plant(unread, verdicts=None))
    doubtful_plant(unread)
    rows = fill(sheet, every_other, note="seen, at 40x")
    capsys.readouterr()
    assert main(["relabel", str(unread), "--read", str(sheet), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    count = {v: sum(r["verdict_again"] == v for r in rows) for v in ("good", "defect", "")}
    assert (told["misread"], told["confirmed"], told["not_looked"]) == tuple(count.values())
    looked = [r for r in rows if r["verdict_again"]]
    assert told["expected_misread"] == pytest.approx(
        sum(float(r["chance_misread"]) for r in looked)
    )
    assert told["held_found"] == pytest.approx(
        sum(float(r["false_calls_held"]) for r in looked if r["verdict_again"] == "good")
    )
    assert told["caution"] == CAUTION
    (written,) = (unread / "verdicts").iterdir()
    assert str(written) == told["verdicts"]
    assert re.fullmatch(r"second-look-\d{8}T\d{6}\.csv", written.name)
    for row, one in zip(looked, read_rows(written), strict=True):
        assert [one[c] for c in KEY] == [row[c] for c in KEY]
        assert (one["by"], one["note"], one["verdict_before"]) == (
            *("Ada Fenn", "seen, at 40x", "defect review"),
        )
    wanted = dict(before)
    for row in looked:
        good = row["verdict_again"] == "good"
        said = ("good", None) if good else ("defect", row["defect"])
        wanted[row["board"], row["designator"]] = (*said, "second look")
    assert labels_now(unread) == wanted
    # The door takes it: nothing is set aside, check is content, review's own word is kept.
    assert main(["check", str(unread)]) == 0
    assert "0 set aside" in words_of(capsys)
    with open_history(read_plant(unread)) as history:
        kept = dict(history.rows("select board || designator, verdict from recorded"))
    assert {kept[r["board"] + r["designator"]] for r in looked} == {"defect"}
    # What was looked at is listed no more: misread ones are goods, confirmed ones obeyed.
    sheet.unlink()
    assert main(["relabel", str(unread), "--json"]) == 0
    again = {(r["board"], r["designator"]) for r in json.loads(capsys.readouterr().out)["rows"]}
    assert not again & {(r["board"], r["designator"]) for r in looked}


def test_a_sheet_read_twice_does_no_harm_and_may_grow(unread, capsys):
    sheet, folder = unread / "relabel.csv", unread / "verdicts"
    read = ["relabel", str(unread), "--read", str(sheet)]
    fill(sheet, lambda r: "good" if r["rank"] == "1" else "")
    assert main(read) == 0
    assert "1 labels looked at: 1 misread" in words_of(capsys)
    (first,) = folder.iterdir()
    text = first.read_text()
    assert main(read) == 0
    assert "Read already" in words_of(capsys)
    assert [*folder.iterdir()] == [first]
    assert first.read_text() == text
    fill(sheet, lambda r: {"1": "good", "2": "Defect "}.get(r["rank"], ""))
    assert main(read) == 0
    shown = words_of(capsys)
    assert "2 labels looked at: 1 misread" in shown
    assert "(1 rows, 1 were read before)" in shown
    assert "Next: optimiser check" in shown
    assert CAUTION in shown
    files = sorted(folder.iterdir())
    assert [len(read_rows(f)) for f in files] == [1, 1]
    assert files[0] == first


def test_the_new_file_stands_over_older_ones_on_these_items_only(unread, capsys):
    sheet = unread / "relabel.csv"
    one, other = read_rows(sheet)[:2]
    columns = (*KEY, "verdict", "defect", "found_by")
    old = {**one, "verdict": "defect", "defect": one["defect"], "found_by": "review"}
    elsewhere = {**other, "verdict": "defect", "defect": other["defect"], "found_by": "review"}
    write_rows(unread / "verdicts" / "zz.csv", columns, [elsewhere])
    write_rows(unread / "verdicts" / "test.csv", columns, [old])
    fill(sheet, lambda r: "good" if r["rank"] == "1" else "")
    assert main(["relabel", str(unread), "--read", str(sheet)]) == 0
    names = sorted(p.name for p in (unread / "verdicts").iterdir())
    assert names[0] == "test.csv"
    assert names[1].startswith("zsecond-look-")
    assert names[2] == "zz.csv"
    assert labels_now(unread)[one["board"], one["designator"]] == ("good", None, "second look")


def test_two_readings_within_a_second_are_two_files(unread):
    sheet, now = unread / "relabel.csv", datetime(2026, 11, 26, 10, 15, 59, tzinfo=UTC)
    for filled in (("1",), ("1", "2")):
        fill(sheet, lambda r, f=filled: "good" if r["rank"] in f else "")
        named = (unread / "verdicts").exists()
        folder = unread if named else doubtful_plant(unread, verdicts=None)
        with open_history(read_plant(folder)) as history:
            take_second_look(history, sheet, unread / "verdicts", now=now)
        doubtful_plant(unread)
    names = sorted(p.name for p in (unread / "verdicts").iterdir())
    assert names == ["second-look-20261126T101559.csv", "second-look-20261126T101600.csv"]


REFUSALS = [
    ({"verdict_again": "ok"}, "verdict_again must be one of defect, good", "ok"),
    ({"by": " "}, "by is missing", None),
    ({"board": "B9999"}, "key, defect or verdict_before changed", "mark"),
    ({"pin": "1"}, "key, defect or verdict_before changed", "mark"),
    ({"time": "02.03.2026 06:00"}, "key, defect or verdict_before changed", "mark"),
    ({"defect": "bridge"}, "key, defect or verdict_before changed", "mark"),
    ({"verdict_before": "good"}, "key, defect or verdict_before changed", "mark"),
    ({"mark": ""}, "key, defect or verdict_before changed", None),
    ({"chance_misread": "many"}, "chance_misread must be a number from 0 to 1", "many"),
    ({"chance_misread": "1.5"}, "chance_misread must be a number from 0 to 1", "1.5"),
    ({"false_calls_held": "-1"}, "false_calls_held must be a number of at least 0", "-1"),
]


def refused(folder, sheet) -> list:
    """Read a sheet that must be refused; return the findings. Nothing is written."""
    plant = read_plant(doubtful_plant(folder, verdicts=None))
    with open_history(plant) as history, pytest.raises(HistoryError) as error:
        take_second_look(
            history, sheet, folder / "verdicts", now=datetime(2026, 11, 26, tzinfo=UTC)
        )
    assert not (folder / "verdicts").exists()
    assert all(
        f.level == "error" and f.way_out and f.file == str(sheet) for f in error.value.args[1]
    )
    return list(error.value.args[1])


@pytest.mark.parametrize(("change", "rule", "value"), REFUSALS)
def test_a_changed_row_is_refused_with_place_value_and_way_out(unread, change, rule, value):
    sheet = unread / "relabel.csv"
    rows = fill(sheet, lambda _: "good")
    rows[2] |= change
    write_rows(sheet, COLUMNS, rows)
    (finding,) = refused(unread, sheet)
    assert rule in finding.rule
    assert finding.row == 3
    assert finding.value == (rows[2]["mark"] if value == "mark" else value)


@pytest.mark.parametrize(
    ("misread", "expected", "far_off"),
    [(61, 13.8, True), (38, 32.0, False), (20, 10.0, True), (19, 10.0, False), (0, 10.0, True)],
)
def test_a_second_look_far_from_what_was_expected_names_the_rate_to_correct(
    misread, expected, far_off
):
    found = SecondLooks(
        misread=misread,
        confirmed=2,
        not_looked=0,
        read_before=0,
        expected_misread=expected,
        held_expected=1.0,
        held_found=1.0,
        verdicts=None,
    )
    words = " ".join(looked_words(found, plant="here"))
    assert ("review.false_alarm_rate" in words) == far_off
    assert ("optimiser reviewers here" in words) == far_off


def test_a_row_nobody_looked_at_may_be_anything(unread):
    sheet = unread / "relabel.csv"
    rows = fill(sheet, lambda r: "good" if r["rank"] == "1" else "")
    rows[1] |= {"board": "B9999", "chance_misread": "?"}
    write_rows(sheet, COLUMNS, rows)
    assert main(["relabel", str(unread), "--read", str(sheet)]) == 0


def test_a_row_twice_is_refused_where_the_verdicts_differ(unread, capsys):
    sheet = unread / "relabel.csv"
    rows = fill(sheet, lambda r: "good" if r["rank"] == "4" else "")
    write_rows(sheet, COLUMNS, [*rows, {**rows[3], "verdict_again": "defect"}])
    (finding,) = refused(unread, sheet)
    assert (finding.row, finding.value) == (len(rows) + 1, "defect")
    assert "row 4 says 'good' of the same item" in finding.rule
    doubtful_plant(unread)
    write_rows(sheet, COLUMNS, [*rows, rows[3]])
    assert main(["relabel", str(unread), "--read", str(sheet), "--json"]) == 0
    told = json.loads(capsys.readouterr().out.partition("{")[2].join(("{", "")))
    assert (told["misread"], told["confirmed"]) == (1, 0)
    assert told["not_looked"] == len(rows) - 1


def test_an_item_judged_anew_in_the_meantime_is_refused(unread, capsys):
    sheet = unread / "relabel.csv"
    first = read_rows(sheet)[0]
    fill(sheet, lambda r: "good" if r["rank"] in "12" else "")
    columns = (*KEY, "verdict", "defect", "found_by")
    later = [
        {"verdict": "defect", "defect": first["defect"], "found_by": "test"},
        {"verdict": "defect", "defect": first["defect"], "found_by": "second look"},
        {"verdict": "defect", "defect": "bridge", "found_by": "review"},
        {"verdict": "good", "defect": "", "found_by": "audit"},
    ]
    for told in later:
        write_rows(unread / "verdicts" / "a.csv", columns, [{**first, **told}])
        assert main(["relabel", str(unread), "--read", str(sheet)]) == 1
        shown = capsys.readouterr().err
        assert "row 1: the sheet was written for 'defect shifted' by review" in shown
        assert f"{told['verdict']} {told['defect']}".strip() + f"' by {told['found_by']}" in shown
        assert "got 'good'" in shown
        assert "take the row out of the sheet" in shown
        assert [p.name for p in (unread / "verdicts").iterdir()] == ["a.csv"]


def test_an_item_of_another_plant_is_unknown(unread, tmp_path):
    sheet = unread / "relabel.csv"
    first = fill(sheet, lambda r: "good" if r["rank"] == "1" else "")[0]
    others = [i for i in misread_items() if i["board"] != first["board"]]
    plant = read_plant(make_plant(tmp_path / "other", items=others))
    with open_history(plant) as history, pytest.raises(HistoryError, match="no such item") as error:
        take_second_look(history, sheet, tmp_path / "v", now=datetime(2026, 11, 26, tzinfo=UTC))
    assert first["board"] in str(error.value)


def test_sheets_without_a_verdict_or_a_column_are_refused(unread, tmp_path):
    sheet = unread / "relabel.csv"
    (finding,) = refused(unread, sheet)
    assert finding.rule == "no row has a verdict_again"
    write_rows(sheet, [c for c in COLUMNS if c != "mark"], read_rows(sheet))
    (finding,) = refused(unread, sheet)
    assert "column 'mark' of the sheet is missing" in finding.rule


def test_a_sheet_through_another_spreadsheet_reads_alike(unread, capsys):
    sheet = unread / "relabel.csv"
    fill(sheet, every_other)
    with sheet.open(newline="") as file:
        head, *rows = csv.reader(file)
    at = [COLUMNS.index(c) for c in ("chance_misread", "false_calls_held")]
    for row in rows:
        for n in at:
            row[n] = row[n].replace(".", ",")
    with sheet.open("w", newline="", encoding="utf-8-sig") as out:
        csv.writer(out, delimiter=";").writerows([head, *rows])
    capsys.readouterr()
    assert main(["relabel", str(unread), "--read", str(sheet), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    chances = [float(r[at[0]].replace(",", ".")) for r in rows if r[COLUMNS.index("by")]]
    assert told["expected_misread"] == pytest.approx(sum(chances))


def test_without_a_folder_for_verdicts_the_line_to_add_is_said(tmp_path, capsys):
    folder = doubtful_plant(tmp_path / "plant", verdicts=None)
    assert main(["relabel", str(folder)]) == 0
    sheet = folder / "relabel.csv"
    fill(sheet, every_other)
    read = ["relabel", str(folder), "--read", str(sheet)]
    assert main(read) == 1
    assert 'add this line under [plant]: verdicts = "verdicts"' in capsys.readouterr().err
    doubtful_plant(folder, verdicts="told.csv")
    assert main(read) == 1
    shown = capsys.readouterr().err
    assert "plant.verdicts must be a folder" in shown
    assert "got 'told.csv'" in shown
    doubtful_plant(folder)
    assert main(read) == 0
    assert "holds no verdicts yet" in capsys.readouterr().err


def test_a_filled_sheet_is_never_overwritten_a_blank_one_is_renewed(unread, capsys):
    sheet = unread / "relabel.csv"
    doubtful_plant(unread, verdicts=None)
    text = sheet.read_text()
    sheet.write_text("\n".join(text.splitlines()[:3]) + "\n")
    assert main(["relabel", str(unread)]) == 0
    assert sheet.read_text() == text
    for column in ("verdict_again", "by", "note"):
        rows = read_rows(sheet)
        rows[-1][column] = "good"
        write_rows(sheet, COLUMNS, rows)
        filled = sheet.read_text()
        assert main(["relabel", str(unread)]) == 2
        assert "is there already and may hold verdicts" in capsys.readouterr().err
        assert sheet.read_text() == filled
        sheet.write_text(text)
    for other in ("board,note\nB1,\n", "", "anything"):
        sheet.write_text(other)
        with pytest.raises(UsageError, match="name another with --out"):
            refuse_filled(sheet)
    sheet.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError):
        refuse_filled(sheet)


def test_the_list_in_words(unread, found, capsys):
    doubtful_plant(unread, verdicts=None)
    assert main(["relabel", str(unread)]) == 0
    shown = words_of(capsys)
    first = found.rows[0]
    for part in (first.board, first.lot, first.time[:10], beyond_words(first.beyond)):
        assert part in shown
    assert f"{first.chance_misread:.0%}" in shown
    assert "no promise" in HOPEFUL
    assert HOPEFUL in shown
    for s in found.families:
        assert standing_words(s) in shown
    assert CAUTION in shown
    assert f"--read {unread / 'relabel.csv'}" in shown
    assert main(["relabel", str(unread), "--family", "SOT", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {r["family"] for r in told["rows"]} == {"SOT"} == {f["family"] for f in told["families"]}
    assert len(read_rows(unread / "relabel.csv")) == len(told["rows"])
    assert main(["relabel", str(unread), "--minutes", "3", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["rows"]) == 2
    assert main(["relabel", str(unread), "--family", "SOP"]) == 2


def test_words_where_there_is_nothing_to_look_at(tmp_path, capsys):
    for n, (review, words, minutes) in enumerate(
        [
            ({"false_calls_per_second_look": 4000.0}, "No label is worth a second look", []),
            (
                {"seconds_per_second_look": 90.0},
                "1 minutes are too few for one look",
                ["--minutes", "1"],
            ),
        ]
    ):
        folder = doubtful_plant(tmp_path / f"p{n}", verdicts=None, **review)
        assert main(["relabel", str(folder), *minutes]) == 0
        shown = words_of(capsys)
        assert words in shown
        assert CAUTION in shown
        assert not (folder / "relabel.csv").exists()
        assert main(["relabel", str(folder), *minutes, "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
        assert (told["rows"], told["sheet"]) == ([], None)
        assert words in told["why_none"]


def test_the_page_to_print_lists_the_same_rows_and_asks_for_nothing(unread, found, capsys):
    doubtful_plant(unread, verdicts=None)
    page = unread / "look.html"
    assert main(["relabel", str(unread), "--out", str(page)]) == 0
    text = page.read_text()
    rows = read_rows(unread / "look.csv")
    assert [r["board"] for r in rows] == [r.board for r in found.rows]
    body = re.findall(r"<tr>(.*?)</tr>", text.split("<tbody>")[1].split("</tbody>")[0])
    assert len(body) == len(rows)
    for row, cells in zip(rows, body, strict=True):
        assert cells.count('class="box"') == 2
        assert all(f">{row[c]}<" in cells for c in ("rank", "board", "lot", "defect"))
    assert CAUTION in text
    assert "look.csv" in text
    # Whoever looks is not told what is hoped for.
    assert not re.search(r"\d%|a month|misread|holds", text.split("</style>")[1])
    assert not re.search(r"<script|src=|href=|url\(|@import", text)
    # Written again over a blank sheet; never over a page that is none.
    assert main(["relabel", str(unread), "--out", str(page)]) == 0
    page.write_text("<html>the manager's page</html>")
    assert main(["relabel", str(unread), "--out", str(page)]) == 2
    assert "is no sheet of labels" in capsys.readouterr().err


def test_text_from_outside_is_escaped_on_the_page(cases, found):
    from optimiser.views.relabel_page import relabel_page

    bad = replace(found, rows=(replace(found.rows[0], board="<b>1</b>&"), *found.rows[1:]))
    text = relabel_page(bad, cases[0].plant, sheet="<x>.csv")
    assert "<b>1" not in text
    assert "&lt;b&gt;1&lt;/b&gt;&amp;" in text
    assert "<x>" not in text


def test_values_are_told_from_their_limits():
    def said(value, limit, side="upper"):
        x = Beyond(measurement="tilt", side=side, unit="deg", value=value, limit=limit)
        return beyond_words((x,))

    assert said(3.9, 3.5) == "tilt 3.9 > 3.5 deg"
    assert said(50.0004, 50.0) == "tilt 50.0004 > 50 deg"
    assert said(69.999, 70.0, "lower") == "tilt 69.999 < 70 deg"
    assert said(float(np.nextafter(np.float32(3.5), np.float32(4))), 3.5).startswith(
        "tilt 3.5000002"
    )


def test_a_key_is_written_so_that_it_reads_back(found):
    rows = list(csv.DictReader(sheet_text(found.rows).splitlines()))
    assert tuple(rows[0]) == COLUMNS
    for row, one in zip(found.rows, rows, strict=True):
        assert one["time"] == row.time.replace(" ", "T")
        assert one["verdict_before"] == "defect"
        assert {one[c] for c in ("verdict_again", "by", "note")} == {""}
    assert len({r["mark"] for r in rows}) == len(rows)


def test_the_night_reads_a_second_look_as_the_history_does(unread, capsys):
    from test_digest import assert_same, stored, whole

    sheet = unread / "relabel.csv"
    doubtful_plant(unread, verdicts=None)
    stored(unread)
    doubtful_plant(unread)
    fill(sheet, every_other)
    assert main(["relabel", str(unread), "--read", str(sheet)]) == 0
    night = stored(unread)
    assert night.made == 1
    assert not night.problems
    assert_same(night, whole(unread))
    finders = {f for c in night.cases for f in c.tally.defects.frame["found_by"]}
    assert "second look" in finders
    assert all("stage" in c.tally.defects.frame for c in night.cases)
    assert main(["nightly", str(unread), "--trials", "2", "--workers", "1"]) == 0


# --- notebook and page


@pytest.fixture
def session(tmp_path):
    found = open_plant(doubtful_plant(tmp_path / "plant", verdicts=None), trials=2)
    yield found
    found.close()


def test_panels_say_what_stands_before_a_family_when_asked(session, found):
    overview = OverviewPanel(session)
    assert session.relabelled is None
    assert overview._looks.value == ""
    overview.look.click()
    by_family = {s.family: s for s in found.families}
    assert standing_words(by_family["CHIP"], between="you") in overview._looks.value
    assert "optimiser relabel" in overview._looks.value
    # Not critical, and nothing has been proposed that was turned down.
    assert "SOT" not in overview._looks.value
    assert session.relabel() is session.relabelled
    session.proposals["SOT"] = replace(session.choice("SOT").proposal, advice="keep")
    overview.refresh()
    assert standing_words(by_family["SOT"], between="you") in overview._looks.value
    panel = DecisionPanel(session, "CHIP")
    assert panel.details.doubtful.value == ""
    panel.details.selected_index = 3
    own = [r for r in found.rows if r.family == "CHIP"]
    for row in own[:10]:
        assert row.board in panel.details.doubtful.value
    assert panel.details.doubtful.value.count("<tr") == 1 + min(10, len(own))
    assert standing_words(by_family["CHIP"], between="you") in panel.details.doubtful.value
    assert HOPEFUL in panel.details.doubtful.value


def test_the_manager_is_told_in_one_line(session, found, tmp_path):
    def raises(relabelled) -> tuple[str, ...]:
        return make_account(
            session.plant,
            calls_by_day(session.history, session.live),
            [],
            Ledger(tmp_path / LEDGER),
            {},
            made_at=datetime(2026, 4, 1, tzinfo=UTC).isoformat(),
            backtested=True,
            relabelled=relabelled,
        ).raises

    with_list, without = raises(found), raises(None)
    assert with_list[1:] == without == raises(replace(found, worth=()))
    worth = found.worth[-1]
    for part in (
        f"{worth.rows} labelled defects",
        f"{worth.minutes:,.0f} minutes",
        f"free {worth.false_calls:,.0f} false calls",
        f"EUR {worth.money_per_month:,.0f} a month",
        "expected and counted on this history, no promise",
        "optimiser relabel",
    ):
        assert part in with_list[0]
    assert main(["report", str(session.plant.folder)]) == 0
    assert with_list[0] in (session.plant.folder / "report.html").read_text()


# --- a plant whose truth is known

SHARE = 0.10


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 4])
def test_an_hour_at_the_microscope_frees_what_the_list_said(tmp_path, seed):
    stranger = make_stranger(tmp_path / "plant", "misread", seed)
    folder = stranger.folder
    cases = cases_of(folder)
    labelled = sum(len(c.tally.defects.frame) for c in cases)
    review = cases[0].plant.file.review
    first = int(SHARE * labelled)
    listed = relabel(cases, minutes=first * review.seconds_per_second_look / 60)
    assert len(listed.rows) == first
    truth = stranger.truth.set_index(["family", "board", "designator"])["is_defect"]
    before = judge(stranger, trials=30, best=False)
    (folder / "plant.toml").write_text(
        (folder / "plant.toml").read_text().replace("[plant]", '[plant]\nverdicts = "verdicts"', 1)
    )
    sheet = folder / "relabel.csv"
    sheet.write_text(sheet_text(listed.rows))
    real = lambda r: bool(truth.loc[r["family"], r["board"], r["designator"]])  # noqa: E731
    rows = fill(sheet, lambda r: "defect" if real(r) else "good")
    assert main(["relabel", str(folder), "--read", str(sheet)]) == 0
    after = judge(stranger, trials=30, best=False)

    def saved(judged, name) -> float:
        changes = [j for j in judged if j["advice"] == "change"]
        return sum(j["promise"][name]["value"] if name != "true" else j["saved"] for j in changes)

    misread = sum(r["verdict_again"] == "good" for r in rows)
    worth = listed.worth[-1]
    # Counted: what the best setting that obeys or pays for all labels calls, now and then.
    then = relabel(cases_of(folder))
    counted = sum(s.false_calls for s in listed.families) - sum(
        s.false_calls for s in then.families
    )
    # A label that turned out misread is a good that may be called.
    print(
        f"seed {seed}: {labelled} labels, {first} looked at, {misread} misread "
        f"({worth.misread:.1f} expected), false calls freed {counted} counted, "
        f"{worth.false_calls:.0f} expected; true saved {saved(before, 'true'):.0f} before, "
        f"{saved(after, 'true'):.0f} after ({saved(after, 'false_calls_saved'):.0f} promised), true "
        f"escapes added {sum(j['added'] for j in after if j['advice'] == 'change'):.1f} "
        f"({saved(after, 'escapes_added'):.1f} promised)"
    )
    spread = np.sqrt(sum(r.chance_misread * (1 - r.chance_misread) for r in listed.rows))
    assert abs(misread - worth.misread) < 3 * spread + 0.15 * first
    assert worth.false_calls / 2.5 < counted < worth.false_calls * 2.5
    assert saved(after, "true") > saved(before, "true") + worth.false_calls / 3
    # Measured 63 and 68 % of these two plants, 63.8 % over eight (DEVELOPERS.md).
    assert saved(after, "true") > 0.58 * live_false_calls(stranger)
    # No defect that is still known, looked at or not, passes the limits that are advised.
    for judged, case in zip(
        after, sorted(cases_of(folder), key=lambda c: c.tally.family), strict=True
    ):
        lines = judged["row"]["lines"]
        assert judged["family"] == case.tally.family
        assert lines["loosened"]["defects"] == 0
