"""One family's open choice: counts against replay, prices, lists, where calls come from."""

import itertools
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from optimiser.errors import UsageError
from optimiser.evidence.escapes import Released
from optimiser.history.calls import WAYS
from optimiser.history.replay import replay
from optimiser.proposal.cache import read_found
from optimiser.proposal.choice import Choice, _last, by_place, newly_passing
from optimiser.proposal.prices import Prices, prices_of
from optimiser.proposal.propose import limit_moves, propose_with_study, three_lines
from optimiser.proposal.reasons import TooFewLots
from optimiser.proposal.session import open_plant
from optimiser.search.blur import escape_chance
from optimiser.search.crossfit import near_tables
from optimiser.search.study import recommended_at
from optimiser.studies.causes import Cause
from optimiser.views.panels.words import promise_words

EXAMPLE = Path(__file__).parents[1] / "data/example"
FAMILY = "CON-10"


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    plant = tmp_path_factory.mktemp("choice") / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    with open_plant(plant, trials=12) as found:
        yield found


@pytest.fixture(scope="module")
def choice(session):
    return session.choice(FAMILY)


def random_settings(choice, count, seed=0):
    rng = np.random.default_rng(seed)
    sizes = [len(limit.values) for limit in choice.tally.grid.limits]
    return [np.array([rng.integers(k) for k in sizes]) for _ in range(count)]


def replayed(session, choice, setting):
    limits = choice.tally.grid.values(setting)
    recipe = session.live.with_limits(choice.family, limits)
    return next(
        r for r in replay(session.history, recipe, session.live) if r.family == choice.family
    )


def test_every_hand_made_setting_counts_as_replay_does(session, choice):
    for setting in random_settings(choice, 6):
        done, truth = choice.consequences(setting), replayed(session, choice, setting)
        assert done.counted.calls == truth.calls
        assert done.counted.false_calls == truth.false_calls
        assert done.counted.unreviewed_calls == truth.unreviewed_calls
        assert done.counted.escapes == truth.escapes
        assert done.lines.kept.calls == truth.kept
        assert done.lines.loosened.defects == truth.loosened_defects
        assert done.lines.tightened.goods == truth.tightened_goods


def test_lists_add_up_to_the_counts(session, choice):
    contested, live = session.contested(FAMILY), choice.tally.grid.live
    loosest = np.array([len(limit.values) - 1 for limit in choice.tally.grid.limits])
    assert replayed(session, choice, loosest).loosened_defects > 0
    for setting in (loosest, *random_settings(choice, 3, seed=1)):
        truth = replayed(session, choice, setting)
        passing = newly_passing(contested, live, setting)
        assert len(passing) == truth.loosened
        assert (passing["verdict"] == "defect").sum() == truth.loosened_defects
        kinds = passing["verdict"].fillna("").tolist()
        assert kinds == sorted(kinds, key=["defect", "", "good"].index)
        for table in (
            by_place(contested, live, setting, column="designator"),
            by_place(contested, live, setting, column="part"),
            choice.by_lot(setting),
        ):
            assert table["change"].sum() == truth.tightened - truth.loosened
            assert table["defects_passing"].sum() == truth.loosened_defects
            assert table["change"].abs().is_monotonic_decreasing


def test_front_holds_the_proposal_and_its_promise(choice):
    best = choice.recommended
    assert best is not None
    assert sum(p.recommended for p in choice.points) == 1
    assert [p.review_per_month for p in choice.points] == sorted(
        p.review_per_month for p in choice.points
    )
    told = choice.proposal.change.promise
    promised = choice.promised(best)
    assert promised.saving_per_month.value == pytest.approx(told.saving_per_month.value)
    assert promised.false_calls_saved.low == pytest.approx(told.false_calls_saved.low)
    assert choice.promised(choice.point("live")) is None


def test_a_promise_says_from_how_many_labels_and_families_its_escapes_are_expected(choice):
    point = next(p for p in choice.points if p.recommended)
    promised = choice.promised(point)
    said = promise_words(choice, point, promised, live=False)
    assert f"{promised.defects_called} called and {promised.defects_passed} passed defects" in said
    assert f"{promised.added_counted} of those called escaped there" in said
    assert "other families" not in said
    told = f"escaped there, some {promised.added_misread:.1f} of them goods that reviewers misread"
    assert (told in said) == (promised.added_misread > 0)
    some = replace(promised, added_misread=1.26)
    assert "some 1.3 of them goods" in promise_words(choice, point, some, live=False)
    other = Released(escaped=1, misread=0.0, beforehand=0.5)
    among = Choice(replace(choice.case, elsewhere=(other,) * 3), choice.proposal, None)
    said = promise_words(among, point, promised, live=False)
    assert "quick fits of the other families (3 searched)" in said


def test_a_kept_search_gives_the_same_choice(session, choice):
    again = session.choice(FAMILY)
    assert [p.name for p in again.points] == [p.name for p in choice.points]
    for one, other in zip(again.points, choice.points, strict=True):
        assert np.array_equal(one.setting, other.setting)
        assert one.escapes_per_month == pytest.approx(other.escapes_per_month)
    case = session.case(FAMILY)
    _, found = propose_with_study(case)
    kept = read_found(session.folder, case)
    assert kept.study.recommended == found.study.recommended
    assert np.array_equal(kept.study.chosen, found.study.chosen)
    assert kept.study.optimism == found.study.optimism
    assert [p.false_calls for p in kept.front.points] == [p.false_calls for p in found.front.points]


def test_a_damaged_search_is_made_anew(session, choice):
    (file,) = session.folder.glob("CON-10-*.npz")
    file.write_bytes(file.read_bytes()[:200])
    assert read_found(session.folder, session.case(FAMILY)) is None
    assert len(session.choice(FAMILY).points) == len(choice.points)
    assert read_found(session.folder, session.case(FAMILY)) is not None


def test_dearer_escapes_ask_for_fewer_of_them(choice):
    base = choice.prices
    seen = []
    for factor in (0.02, 0.2, 1, 5, 50):
        by_defect = {k: v * factor for k, v in base.by_defect.items()}
        prices = replace(base, escape_default=base.escape_default * factor, by_defect=by_defect)
        seen.append(choice.at(prices).recommended.escapes_per_month)
    assert seen[0] > seen[-1]
    assert all(b <= a * 1.25 + 1e-9 for a, b in itertools.pairwise(seen)), seen


def test_the_recommended_point_stays_between_the_prices_it_names(choice):
    span, best = choice.span, choice.recommended
    assert span.low <= span.now <= span.high

    def at(price):
        factor = price / span.now
        base = choice.prices
        by_defect = {k: v * factor for k, v in base.by_defect.items()}
        prices = replace(base, escape_default=base.escape_default * factor, by_defect=by_defect)
        return choice.at(prices).recommended.setting

    for price in np.geomspace(
        max(span.low, span.now / 60) * 1.01, min(span.high, span.now * 60) * 0.99, 5
    ):
        assert np.array_equal(at(price), best.setting)
    beyond = [p for p in (span.low * 0.98, span.high * 1.02) if 0 < p < np.inf]
    assert beyond, "no end was found within 64 times the price"
    assert all(not np.array_equal(at(p), best.setting) for p in beyond)


def test_a_review_that_costs_twice_moves_money_and_not_counts(choice):
    dear = choice.at(replace(choice.prices, cost_per_hour=choice.prices.cost_per_hour * 2))
    live = choice.tally.grid.live
    assert dear.consequences(live).counted == choice.consequences(live).counted
    assert dear.consequences(live).review_per_month == pytest.approx(
        2 * choice.consequences(live).review_per_month
    )


def test_reviewers_that_tire_make_a_called_defect_worth_less(choice):
    tired = choice.at(replace(choice.prices, reviewers="laboratory"))
    assert tired.problem.miss_rate > choice.problem.miss_rate
    live = choice.tally.grid.live
    assert tired.consequences(live).escape_per_month < choice.consequences(live).escape_per_month


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"cost_per_hour": -1.0}, "hourly rate"),
        ({"seconds_per_call": 0.0}, "seconds per call"),
        ({"escape_default": float("nan")}, "price of an escape"),
        ({"by_defect": {"lifted": float("inf")}}, "price of lifted"),
    ],
)
def test_prices_that_mean_nothing_are_refused(change, words):
    fine = {"seconds_per_call": 20.0, "cost_per_hour": 30.0, "escape_default": 40.0}
    with pytest.raises(UsageError, match=words):
        Prices(**(fine | change))


def test_prices_come_from_the_plant_file(session):
    prices, file = prices_of(session.plant), session.plant.file
    assert prices.seconds_per_call == file.review.seconds_per_call
    assert prices.by_defect == file.escape_cost.by_defect


def test_where_the_calls_come_from_adds_up(session):
    live = replay(session.history, session.live, session.live)
    totals = session.totals()
    assert totals.items == sum(r.items for r in live)
    assert totals.calls == sum(r.calls for r in live)
    assert totals.false_calls == sum(r.false_calls for r in live)
    assert totals.escapes == sum(r.escapes for r in live)
    boards = session.history.rows(
        "select count(*) from (select distinct stage, product, board from items)"
    )
    assert totals.boards == boards[0][0]
    without = session.history.rows(
        """select count(*) from (select stage, product, board from items
           group by all having count(*) filter (where called) = 0)"""
    )
    assert totals.boards_without_call == without[0][0]
    for by in WAYS:
        frame = session.false_calls_by(by)
        if by == "limit":
            assert (frame["alone"] <= frame["false_calls"]).all()
            assert frame["alone"].sum() <= totals.false_calls <= frame["false_calls"].sum()
        else:
            assert frame["false_calls"].sum() == totals.false_calls
            assert frame["cumulative"].iloc[-1] == pytest.approx(1.0)
    assert session.totals(FAMILY).calls == next(r.calls for r in live if r.family == FAMILY)


def test_distributions_count_every_measured_item(session):
    frame, windows = session.distributions(FAMILY)
    for window in windows:
        counted = frame.loc[frame["measurement"] == window.measurement, "count"].sum()
        measured = session.history.rows(
            f"select count(\"{window.measurement}\") from items where family = '{FAMILY}'"
        )[0][0]
        assert counted == measured
    assert set(frame["known"]) == {"good", "defect", "unreviewed"}
    assert isinstance(frame, pd.DataFrame)


def test_unknown_family_is_named(session):
    with pytest.raises(UsageError, match="CON-10"):
        session.choice("CON-1")


def test_items_and_calls_of_a_lot_are_those_of_its_rows(session, choice):
    (setting,) = random_settings(choice, 1, seed=3)
    found = choice.by_lot(setting).set_index("lot")
    assert len(found) > 5
    family = f"from items where family = '{choice.family}' group by lot"
    items = dict(session.history.rows(f"select lot, count(*) {family}"))
    assert found["items"].to_dict() == {lot: items[lot] for lot in found.index}
    calls = dict(session.history.rows(f"select lot, count(*) filter (where called) {family}"))
    agree_ = sum(found["calls_now"][lot] == calls[lot] for lot in found.index)
    # The machine now and then records another call than its recipe makes.
    assert agree_ >= 0.9 * len(found)
    now, then = found["calls_now"].sum(), found["calls_then"].sum()
    truth = replayed(session, choice, setting)
    assert then - now == truth.calls - replayed(session, choice, choice.tally.grid.live).calls


def test_a_price_span_ends_at_the_last_step_at_which_the_point_stays():
    assert [_last(np.array(x, dtype=bool)) for x in ([1, 1, 0, 1], [1, 1, 1], [1, 0])] == [1, 2, 0]


# Every figure of the choice, worked out anew ---------------------------------------------------


def test_points_are_the_front_the_live_recipe_and_the_best_each_setting_once(choice):
    trials, study = choice.study.trials, choice.study
    monthly = 365.25 / 12 / choice.case.span_days
    assert choice.monthly == pytest.approx(monthly)
    best = study.recommended
    rows = {0, best, *study.front.tolist()}
    settings = {tuple(trials.settings[r]) for r in rows}
    points = choice.points
    assert len(points) == len(settings)
    assert {tuple(p.setting) for p in points} == settings
    assert [p.row for p in points] == sorted(
        (p.row for p in points), key=lambda r: (trials.review_cost[r], r)
    )
    others = [p for p in points if p.name != "live"]
    assert [p.name for p in others] == [f"{n:02d}" for n in range(1, len(points))]
    assert choice.point("live").row == 0
    live = trials.settings[0]
    for p in points:
        assert choice.point(p.name) is p
        assert tuple(p.setting) == tuple(trials.settings[p.row])
        assert p.review_per_month == pytest.approx(trials.review_cost[p.row] * monthly)
        escapes = sum(
            e * w
            for e, w in zip(trials.near_escape[p.row], choice.problem.defect_weight, strict=True)
        )
        assert p.escapes_per_month == pytest.approx(escapes * monthly)
        assert p.false_calls == trials.false_calls[p.row].sum()
        assert p.moved == sum(a != b for a, b in zip(p.setting, live, strict=True))
        assert p.recommended == (p.row == best)
    assert choice.recommended.row == best


def test_of_rows_with_one_setting_the_best_and_the_live_one_stand_for_it(choice, monkeypatch):
    """The front may hold the recommended setting, or the live one, under another row."""
    study, trials = choice.study, choice.study.trials
    best = study.recommended
    fields = {f: getattr(trials, f) for f in ("settings", "review_cost", "moved", "false_calls")}
    fields["near_escape"] = trials.near_escape
    doubled = {name: np.concatenate([x, x]) for name, x in fields.items()}
    n = len(trials.settings)
    both = replace(
        study,
        trials=replace(trials, **doubled),
        front=np.array([best + n, n, *study.front.tolist()]),
    )
    again = Choice(choice.case, choice.proposal, choice.found)
    again.study = both
    assert [p.setting.tolist() for p in again.points] == [p.setting.tolist() for p in choice.points]
    assert {0, best} <= {p.row for p in again.points}
    again = Choice(choice.case, choice.proposal, choice.found)
    again.study = replace(both, front=np.array([best + n, n]))
    assert {p.row for p in again.points} == {0, best}
    assert sum(p.recommended for p in again.points) == 1
    again = Choice(choice.case, choice.proposal, choice.found)
    again.study = replace(both, recommended=best + n)
    assert again.recommended.row == best + n
    assert [
        p.row for p in again.points if p.setting.tolist() == trials.settings[best].tolist()
    ] == [best + n]


def test_what_a_setting_does_is_counted_and_expected_at_the_prices(choice):
    problem, monthly = choice.problem, choice.monthly
    call = 25.0 / 3600 * 38.0  # seconds and rate of the example's plant file
    near = near_tables(problem)
    for setting in random_settings(choice, 3, seed=5):
        done = choice.consequences(setting)
        counted = done.counted
        assert done.setting is setting
        assert done.moves == limit_moves(choice.tally, setting)
        assert done.lines == three_lines(choice.tally, setting)
        calls = counted.calls - counted.true_calls
        assert done.review_per_month == pytest.approx(calls * call * monthly)
        chance = escape_chance(setting, near)
        assert done.expected_escapes == pytest.approx(float(chance @ problem.defect_weight))
        free = choice.tally.defects.frame[~choice.tally.defects.settled]
        price = [choice.case.plant.file.escape_price(word) for word in free["defect"]]
        money = sum(
            0.95 * c * p * w  # a reviewer misses 5 %
            for c, p, w in zip(chance, price, problem.defect_weight, strict=True)
        )
        assert done.escape_per_month == pytest.approx(money * monthly)
        total = done.review_per_month + done.escape_per_month
        assert done.cost_per_month == pytest.approx(total)


def test_without_a_labelled_defect_no_escape_is_expected(choice):
    again = Choice(choice.case, choice.proposal, choice.found)
    none = {name: getattr(again.problem, name)[:0] for name in _OF_DEFECTS}
    again.problem = replace(again.problem, **none)
    done = again.consequences(choice.tally.grid.live)
    assert (done.expected_escapes, done.escape_per_month) == (0.0, 0.0)
    assert again.span is None


_OF_DEFECTS = (
    *("defect_ranks", "defect_z", "defect_lot", "defect_weight", "defect_price", "defect_called"),
)


def test_other_prices_change_money_and_never_labels(choice):
    prices = Prices(
        seconds_per_call=50.0, cost_per_hour=60.0, escape_default=11.0, by_defect={"shifted": 3.0}
    )
    other = choice.at(prices)
    assert (other.prices, other.proposal, other.found) == (prices, choice.proposal, choice.found)
    assert other.problem.false_call_cost == pytest.approx(50.0 / 3600 * 60.0)
    assert other.problem.miss_rate == pytest.approx(0.05)
    assert choice.problem.miss_rate == 0.05
    free = choice.tally.defects.frame[~choice.tally.defects.settled]
    # Test finds 30 % of escapes at the price, the field the rest at two and a half of it.
    factor = 0.3 * 1.0 + 0.7 * 2.5
    wanted = [(3.0 if word == "shifted" else 11.0) * factor for word in free["defect"]]
    assert other.problem.defect_price.tolist() == pytest.approx(wanted)
    np.testing.assert_array_equal(other.problem.defect_weight, choice.problem.defect_weight)
    np.testing.assert_array_equal(other.study.trials.settings, choice.study.trials.settings)
    assert other.study.folds is choice.study.folds
    back = other.at(choice.prices)
    assert back.recommended.row == choice.recommended.row
    assert back.problem.defect_price.tolist() == choice.problem.defect_price.tolist()


def test_tired_reviewers_miss_by_the_share_of_true_calls(choice):
    """The scenario's miss rate at the live recipe's own share of true calls."""
    from optimiser.evidence.reviewers import scenario

    done = choice.consequences(choice.tally.grid.live).counted
    share = (done.true_calls + 0.5) / (done.calls + 1.0)
    curve = scenario("laboratory", miss_rate=0.05)
    tired = choice.at(replace(choice.prices, reviewers="laboratory"))
    assert tired.problem.miss_rate == pytest.approx(float(curve.miss_rate(np.array([share]))[0]))


def test_a_search_that_was_interrupted_stays_so_at_any_price(choice):
    cut = replace(choice.found, study=replace(choice.found.study, interrupted=True))
    again = Choice(choice.case, choice.proposal, cut)
    assert again.study.interrupted is again.at(choice.prices).study.interrupted is True
    assert choice.study.interrupted is False


def test_a_family_with_a_miss_rate_of_its_own_is_priced_by_it(choice):
    file = choice.case.plant.file
    own = file.families[FAMILY].model_copy(update={"miss_rate": 0.31})
    stated = file.model_copy(update={"families": {**file.families, FAMILY: own}})
    plant = choice.case.plant.model_copy(update={"file": stated})
    other = Choice(replace(choice.case, plant=plant), choice.proposal, choice.found)
    assert (other.problem.miss_rate, choice.problem.miss_rate) == (0.31, 0.05)
    live = choice.tally.grid.live
    assert other.consequences(live).escape_per_month == pytest.approx(
        choice.consequences(live).escape_per_month * 0.69 / 0.95
    )


def test_the_price_span_is_where_the_same_setting_stays_best(choice):
    """Step by step along the prices, from the plant's own outwards."""
    span, study = choice.span, choice.study
    weights = choice.problem.defect_weight
    now = float((choice.problem.defect_price * weights).sum() / weights.sum())
    assert span.now == pytest.approx(now)
    assert span.per_false_call == choice.problem.false_call_cost
    ladder = np.array([64.0 ** (k / 600 - 1) for k in range(1201)])
    settings = study.trials.settings[recommended_at(study, ladder)]
    best = study.trials.settings[study.recommended].tolist()
    low = high = 600
    while low > 0 and settings[low - 1].tolist() == best:
        low -= 1
    while high < 1200 and settings[high + 1].tolist() == best:
        high += 1
    assert span.low == pytest.approx(now * ladder[low] if low else 0.0)
    assert span.high == pytest.approx(now * ladder[high] if high < 1200 else np.inf)
    assert span.low <= span.now <= span.high
    assert span.low < span.high


def test_a_price_span_without_an_end_says_so(choice, monkeypatch):
    again = Choice(choice.case, choice.proposal, choice.found)
    always = lambda study, ladder: np.full(len(ladder), study.recommended)  # noqa: E731
    monkeypatch.setattr("optimiser.proposal.choice.recommended_at", always)
    assert (again.span.low, again.span.high) == (0.0, np.inf)


@pytest.fixture
def unsearched(choice):
    """The choice of a family with too little to search."""
    return Choice(choice.case, choice.proposal, None)


def finding(*, first):
    """Return a finding that must be cured before limits are judged, or one that need not."""
    words = dict.fromkeys(Cause.__dataclass_fields__) | {"family": FAMILY}
    found = Cause(**(words | {"kind": "stations" if first else "useless"}))
    assert found.comes_first is first
    return found


def test_where_nothing_was_searched_there_is_no_point_and_the_reasons_stand(
    choice, unsearched, monkeypatch
):
    why = (TooFewLots(found=3, needed=8),)
    held = (finding(first=False),)
    monkeypatch.setattr(
        unsearched, "proposal", replace(choice.proposal, reasons=why, findings=held)
    )
    assert (unsearched.points, unsearched.recommended, unsearched.span) == ((), None, None)
    assert unsearched.promised(choice.recommended) is None
    assert unsearched.not_advised == (*held, *why)
    assert not unsearched.advised
    assert unsearched.best_words == "best found, not advised"
    assert unsearched.prices == prices_of(choice.case.plant)


def again_with(choice, **changed):
    return Choice(choice.case, replace(choice.proposal, **changed), choice.found)


def test_what_is_advised_is_what_the_rule_advises_of_the_promise(choice, monkeypatch):
    plain = again_with(choice, findings=())
    assert (plain.not_advised, plain.advised, plain.best_words) == ((), True, "recommended")
    other = again_with(choice, findings=(finding(first=False),))
    assert other.not_advised == ()
    cured = (finding(first=True),)
    waits = again_with(choice, findings=cured)
    assert (waits.not_advised, waits.advised) == (cured, False)
    assert waits.best_words == "best found, not advised"
    why = (TooFewLots(found=1, needed=8),)
    asked = []

    def keep(promised, moves, case):
        asked.append((promised, moves, case))
        return why

    monkeypatch.setattr("optimiser.proposal.choice.reasons_to_keep", keep)
    doubted = again_with(choice, findings=())
    assert doubted.not_advised == why
    ((promised, moves, case),) = asked
    assert promised == choice.promised(choice.recommended)
    assert moves == limit_moves(choice.tally, choice.recommended.setting)
    assert case is doubted.case


def test_where_the_live_recipe_is_best_nothing_better_was_found(choice):
    again = Choice(choice.case, choice.proposal, choice.found)
    again.study = replace(again.study, recommended=0)
    assert again.recommended.name == "live"
    assert again.best_words == "nothing better found"
    assert again.not_advised == (*choice.proposal.findings, *choice.proposal.reasons)


def test_another_point_of_the_front_is_promised_as_one_that_was_stood_by(choice, monkeypatch):
    asked = []
    monkeypatch.setattr(
        "optimiser.proposal.choice.stand_by",
        lambda problem, study, row: asked.append((problem, study, row)) or study,
    )
    other = next(p for p in choice.points if p.row and not p.recommended)
    assert choice.promised(other) is not None
    assert asked == [(choice.problem, choice.study, other.row)]
    choice.promised(choice.recommended)
    assert len(asked) == 1


def test_a_setting_that_breaks_a_rail_on_the_whole_is_told(choice):
    again = Choice(choice.case, choice.proposal, choice.found)
    live = choice.tally.grid.live
    loosest = choice.problem.last
    plain = replace(choice.problem, must_ranks=choice.problem.must_ranks[:0], most_released=1.0)
    again.problem = replace(plain, stays_at_work=False)
    assert again.violations(loosest) == again.violations(live) == ()
    must = np.stack([live + 1, live, loosest])
    again.problem = replace(again.problem, must_ranks=must)
    kept = "known-bad items of the kept set would pass: this setting cannot be accepted"
    assert (loosest > live).any()
    assert again.violations(live) == (f"1 {kept}",)
    assert again.violations(np.maximum(loosest, live + 1)) == (f"3 {kept}",)
    again.proposal = replace(choice.proposal, critical=True)
    assert again.violations(live)[0].startswith(
        "1 known-bad items or known defects of a critical family would pass"
    )
    # The share of the known defects, by weight, that the live recipe calls and this releases.
    weight, ranks = choice.problem.defect_weight, choice.problem.defect_ranks
    known = (ranks > live).any(axis=1)
    gone = known & ~(ranks > loosest).any(axis=1)
    share = float(weight[gone].sum() / weight[known].sum())
    assert share > 0
    again.problem = replace(plain, stays_at_work=False, most_released=share)
    assert again.violations(loosest) == ()
    again.problem = replace(again.problem, most_released=share * 0.99)
    assert again.violations(loosest) == (
        f"{share:.0%} of the known defects would be released, more than the rail released-share "
        f"allows ({share * 0.99:.0%}): this setting cannot be accepted",
    )


def test_a_setting_that_calls_nothing_is_told(choice):
    again = Choice(choice.case, choice.proposal, choice.found)
    problem = choice.problem
    far = np.array([len(levels) for levels in problem.levels])
    again.problem = replace(
        problem,
        must_ranks=problem.must_ranks[:0],
        most_released=1.0,
        stays_at_work=True,
        always=np.zeros_like(problem.always),
    )
    assert again.violations(far) == (
        "no limit would call anything any more: the rail working-limit stands against it",
    )


def called_by(tally, setting, ranks, settled):
    """Return whether a setting or an override calls one item."""
    return bool(settled) or any(r > s for r, s in zip(ranks, setting, strict=True))


def test_a_lots_calls_are_those_of_its_items_one_by_one(choice):
    tally, live = choice.tally, choice.tally.grid.live
    for setting in random_settings(choice, 2, seed=7):
        counts = Counter()
        for ranks, settled, lot, n in zip(
            *(tally.cells.ranks, tally.cells.settled, tally.cells.lot, tally.cells.count),
            strict=True,
        ):
            counts["items", lot] += n
            counts["now", lot] += n * called_by(tally, live, ranks, settled)
            counts["then", lot] += n * called_by(tally, setting, ranks, settled)
        bad = tally.defects
        for ranks, settled, lot in zip(bad.ranks, bad.settled, bad.lot, strict=True):
            now = called_by(tally, live, ranks, settled)
            then = called_by(tally, setting, ranks, settled)
            counts["items", lot] += 1
            counts["now", lot] += now
            counts["then", lot] += then
            counts["passing", lot] += now and not then
        rows = []
        for n, name in enumerate(tally.lots):
            items, now, then = (counts[what, n] for what in ("items", "now", "then"))
            rows.append((name, items, now, then, then - now, counts["passing", n]))
        rows = [row for row in rows if row[4] or row[5]]
        rows.sort(key=lambda row: -abs(row[4]))
        found = choice.by_lot(setting)
        assert list(found) == [
            *("lot", "items", "calls_now", "calls_then", "change", "defects_passing")
        ]
        assert list(found.itertuples(index=False, name=None)) == rows
        assert all(found[name].dtype == np.int64 for name in list(found)[1:])
        assert found.index.tolist() == list(range(len(rows)))


def test_a_last_lot_without_any_item_of_the_family_is_in_no_table(choice):
    again = Choice(choice.case, choice.proposal, choice.found)
    again.tally = replace(choice.tally, lots=(*choice.tally.lots, "LATER-1", "LATER-2"))
    (setting,) = random_settings(choice, 1, seed=7)
    pd.testing.assert_frame_equal(again.by_lot(setting), choice.by_lot(setting))


@pytest.mark.parametrize("loosest", [False, True])
@pytest.mark.parametrize("column", ["designator", "part", "lot"])
def test_a_places_calls_are_those_of_its_items_one_by_one(session, choice, column, loosest):
    contested, live = session.contested(FAMILY), choice.tally.grid.live
    frame = contested.frame.copy()
    frame.loc[frame.index[::7], "part"] = None
    contested = replace(contested, frame=frame)
    if loosest:
        setting = np.array([len(limit.values) - 1 for limit in choice.tally.grid.limits])
    else:
        (setting,) = random_settings(choice, 1, seed=9)
    counts, names = Counter(), set()
    for item, ranks, settled in zip(
        frame.to_dict("records"), contested.ranks, contested.settled, strict=True
    ):
        name = item[column] if isinstance(item[column], str) else "(none)"
        name = f"{item['product']}/{name}" if column == "designator" else name
        now, then = (called_by(choice.tally, s, ranks, settled) for s in (live, setting))
        names.add(name)
        counts["now", name] += now
        counts["then", name] += then
        counts["passing", name] += now and not then and item["verdict"] == "defect"
    rows = {
        n: (
            counts["now", n],
            counts["then", n],
            counts["then", n] - counts["now", n],
            counts["passing", n],
        )
        for n in names
    }
    rows = {n: row for n, row in rows.items() if row[2] or row[3]}
    assert (column != "part") or "(none)" in rows
    # At random one or the other limit is so tight that no known defect passes.
    assert any(row[3] for row in rows.values()) == loosest
    found = by_place(contested, live, setting, column=column)
    assert list(found) == [column, "calls_now", "calls_then", "change", "defects_passing"]
    told = {row[0]: tuple(map(int, row[1:])) for row in found.itertuples(index=False, name=None)}
    assert told == rows
    changes = found["change"].abs().tolist()
    assert changes == sorted(changes, reverse=True)
    # Of equal changes the names come in their order.
    for _, same in found.groupby(found["change"].abs()):
        assert same[column].tolist() == sorted(same[column])


def test_items_that_would_pass_are_listed_defects_first_and_by_time(session, choice):
    contested, live = session.contested(FAMILY), choice.tally.grid.live
    far = np.array([len(limit.z) for limit in choice.tally.grid.limits])
    frame = contested.frame
    rank = {"defect": 0, "good": 2}
    expected = []
    for n, (ranks, settled) in enumerate(zip(contested.ranks, contested.settled, strict=True)):
        if called_by(choice.tally, live, ranks, settled) and not settled:
            item = frame.iloc[n]
            expected.append((rank.get(item["verdict"], 1), item["time"], item["board"]))
    found = newly_passing(contested, live, far)
    assert list(found) == list(frame)
    told = [
        (rank.get(v, 1), t, b)
        for v, t, b in zip(found["verdict"], found["time"], found["board"], strict=True)
    ]
    assert sorted(told) == sorted(expected)
    assert [x[:2] for x in told] == sorted(x[:2] for x in told)
    assert {x[0] for x in told} == {0, 1, 2} or {x[0] for x in told} == {0, 2}


def test_a_choice_tells_how_large_it_is(choice):
    tally = choice.tally
    items = int(tally.cells.count.sum()) + len(tally.defects.frame)
    assert repr(choice) == (
        f"<Choice CON-10: {len(choice.points)} points, {len(tally.grid.limits)} limits, from "
        f"{items} items, {len(tally.defects.frame)} labelled defects>"
    )
    assert (choice.family, choice.currency) == ("CON-10", "EUR")
