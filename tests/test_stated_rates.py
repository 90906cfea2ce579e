"""Whether the reviewers' stated rates fit the labels: exact tests, and plants of known truth."""

import html
import re
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.second_look_table import look
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, binom, binomtest, poisson
from stranger_plants import KINDS, make_stranger

from optimiser.evidence.stated_rates import (
    DELTA,
    DENSEST,
    Zones,
    false_alarms,
    fit_words,
    misses,
    zones_of,
)
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.stated import check_stated
from optimiser.recipe.table import read_recipe
from optimiser.search.misread import chance_to_be_true, first_labels, fitted_false_alarm_rate
from optimiser.views.panels.decision import DecisionPanel
from optimiser.views.panels.opening import open_session
from optimiser.views.panels.overview import OverviewPanel


def zones(labels_near=10, labels_far=4, goods_near=4000, goods_far=500, goods=None, **looked):
    return Zones(
        labels_near=labels_near,
        labels_far=labels_far,
        goods_near=goods_near,
        goods_far=goods_far,
        goods=goods_near + goods_far if goods is None else goods,
        **looked,
    )


def test_items_fall_into_zones_by_how_far_they_exceed():
    labels, goods = np.array([0.0, 0.49, 0.5, 0.99, 1.0]), np.array([0.1, 0.6, 2.0])
    nobody = np.full(5, np.nan)
    found = zones_of(labels, nobody, goods, np.array([7, 5, 3]))
    assert found == zones(2, 2, 7, 5, goods=15)
    assert found + found == zones(4, 4, 14, 10, goods=30)


def test_what_was_looked_at_again_counts_for_what_it_may_still_be():
    labels = np.array([0.1, 0.2, 0.3, 0.6, 0.7, 0.8, 0.9, 3.0])
    # Near: one misread, one real, one nobody knows; further out one misread, two real, one unknown.
    is_real = np.array([0.0, 1.0, np.nan, 0.0, 1.0, 1.0, np.nan, 0.0])
    found = zones_of(labels, is_real, np.array([0.1, 0.6]), np.array([7, 5]))
    assert found == zones(2, 3, 7, 5, misread=3, confirmed=3, misread_far=1, confirmed_far=2)
    # Misread they may be, of both zones: the two near, of the far ones the misread and the unknown.
    assert false_alarms(found, 0.5).too_high == pytest.approx(poisson.cdf(4, 0.5 * (12 + 4)))


@given(misread=st.integers(1, 60), rate=st.sampled_from([0.0005, 0.002, 0.01]))
@settings(max_examples=40, deadline=None)
def test_misread_goods_that_were_found_are_a_part_of_all(misread, rate):
    """More of them than the rate makes of all called goods contradict it, wherever they lie."""
    plain, looked = zones(goods=9000), zones(goods=9000, misread=misread)
    known = poisson.sf(misread - 1, rate * 9000)
    by_zones = false_alarms(plain, rate).too_low
    assert false_alarms(looked, rate).too_low == pytest.approx(min(1, 2 * min(known, by_zones)))


def test_the_rate_that_labels_fit_stays_within_what_they_allow():
    made = zones(60, 10, 6000, 900, misread=30)
    within = false_alarms(made, 0.002, fitted=0.007).found
    assert within.low < within.value == 0.007 < within.high
    assert false_alarms(made, 0.002, fitted=0.9).found.value == within.high
    assert false_alarms(made, 0.002, fitted=0.0).found.value == within.low > 0


@given(
    rate=st.sampled_from([0.0, 0.001, 0.01]),
    far=st.integers(0, 30),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=60, deadline=None)
def test_p_values_and_interval_belong_together(rate, far, seed):
    rng = np.random.default_rng(seed)
    made = zones(int(rng.poisson(rate * 4000 + 2)), far)
    found = false_alarms(made, 0.004)
    assert 0 <= found.found.low <= found.found.value <= found.found.high <= 1
    at_low, below = false_alarms(made, found.found.low), false_alarms(made, found.found.low * 0.9)
    assert below.too_low <= at_low.too_low + 1e-12
    if found.found.low > 0:
        assert at_low.too_low == pytest.approx(0.05, abs=1e-6)


@pytest.fixture
def no_root(monkeypatch):
    """Thousands of tests whose interval nobody asks for: its lower end is not searched."""
    monkeypatch.setattr("optimiser.evidence.stated_rates.brentq", lambda *_: 0.0)


@pytest.mark.parametrize("rate", [0.0005, 0.002, 0.01])
@pytest.mark.parametrize("real", [0.0, 3.0, 25.0])
def test_a_right_rate_is_contradicted_as_rarely_as_stated(rate, real, no_root):
    rng = np.random.default_rng([int(rate * 1e5), int(real)])
    goods_near, goods_far, wrong = 6000, 900, 0
    for _ in range(1500):
        # The hardest allowed case: real defects as dense near the limit as may be.
        made = zones(
            int(rng.poisson(rate * goods_near + DENSEST * real)),
            int(rng.poisson(rate * goods_far + real)),
            goods_near,
            goods_far,
        )
        wrong += false_alarms(made, rate).contradicted
    assert binom.sf(wrong - 1, 1500, 2 * DELTA) > 1e-6


@pytest.mark.parametrize("rate", [0.0005, 0.002, 0.01])
@pytest.mark.parametrize("seen", [0.5, 1.0])
def test_a_right_rate_is_contradicted_as_rarely_after_the_doubtful_were_looked_at(
    rate, seen, no_root
):
    """Whoever looks finds misread ones first: a part of them, or all, near and further out."""
    rng = np.random.default_rng([int(rate * 1e5), int(seen * 10)])
    wrong = 0
    for _ in range(1500):
        misread = rng.poisson([rate * 6000, rate * 900, rate * 2100])
        real = rng.poisson([DENSEST * 3.0, 3.0])
        found = np.ceil(misread * seen).astype(int)
        sure = rng.binomial(real, 0.3)
        made = zones(
            int(misread[0] + real[0] - sure[0]),
            int(misread[1] - found[1] + real[1]),
            6000,
            900,
            goods=9000,
            misread=int(found.sum()),
            confirmed=int(sure.sum()),
            misread_far=int(found[1]),
            confirmed_far=int(sure[1]),
        )
        wrong += false_alarms(made, rate).contradicted
    assert binom.sf(wrong - 1, 1500, 2 * DELTA) > 1e-6


# Largest mean of a Poisson count, 95 % one-sided: Garwood (1936), as in any table of exact limits.
GARWOOD_HIGH = {0: 2.996, 1: 4.744, 2: 6.296, 5: 10.513, 10: 16.962, 60: 74.390}


@pytest.mark.parametrize(("near", "high"), GARWOOD_HIGH.items())
def test_the_highest_rate_is_the_tables_limit_of_the_labels_over_all_items_there(near, high):
    found = false_alarms(zones(near, 4), 0.002)
    assert found.found.high == pytest.approx(high / (4000 + near), rel=2e-4)
    assert (found.events, found.of, found.stated) == (near, 4000 + near, 0.002)
    # What a second look found misread among all called goods may allow more.
    looked = false_alarms(zones(near, 4, goods=2000, misread=60), 0.002)
    assert looked.found.high == pytest.approx(max(high / (4000 + near), 74.390 / 2000), rel=2e-4)


def test_without_a_second_look_the_rate_is_the_excess_over_the_goods_in_excess():
    # 50 labels more in the near zone than further out, on 5,100 goods more.
    assert false_alarms(zones(60, 10, 6000, 900), 0.002).found.value == pytest.approx(50 / 5100)
    # No more goods than further out: one label too many is taken for one of one, and the end holds it.
    few = false_alarms(zones(2, 1, 5, 5), 0.002).found
    assert few.value == few.high == pytest.approx(6.296 / 7, rel=2e-4)
    assert false_alarms(zones(2, 1, 1, 0), 0.002).found.high == 1
    fewer = false_alarms(zones(4, 10, 4000, 500), 0.002).found
    assert (fewer.low, fewer.value) == (0, 0)
    assert false_alarms(zones(3, 2, goods_near=0), 0.002) is None
    assert false_alarms(zones(3, 2, goods_near=1), 0.002) is not None


@pytest.mark.parametrize(
    ("near", "far", "goods_far", "real"),
    [
        # Chi-square tables, 0.999 at 10 and at 2 degrees of freedom: 29.588 and 13.816, half of them
        # the most real defects; a thousandth of the goods further out taken off.
        (33, 4, 500, 29.588 / 2 - 0.5),
        (20, 0, 2000, 13.816 / 2 - 2.0),
        # All labels further out may be misread: none real is left.
        (9, 0, 20_000, 0.0),
    ],
)
def test_too_low_is_what_the_densest_real_defects_leave(near, far, goods_far, real):
    mean = (4000 + near) / 1000 + 1.5 * real
    found = false_alarms(zones(near, far, 4000, goods_far), 0.001)
    assert found.too_low == pytest.approx(poisson.sf(near - 1, mean) + 0.001, rel=1e-3)
    assert 0.001 < found.too_low < 0.9


@given(
    near=st.integers(0, 400),
    far=st.integers(0, 60),
    goods_near=st.integers(1, 400),
    goods_far=st.integers(0, 100),
    misread=st.integers(0, 400),
    stated=st.sampled_from([0.0, 0.002, 0.4, 1.0]),
    fitted=st.sampled_from([None, 0.0, 0.3, 1.0]),
)
@settings(max_examples=200, deadline=None)
def test_a_small_family_may_have_more_labels_than_goods(
    near, far, goods_near, goods_far, misread, stated, fitted
):
    goods = goods_near + goods_far
    made = zones(near, far, goods_near, goods_far, misread=min(misread, near, goods))
    found = false_alarms(made, stated, fitted=fitted)
    assert 0 <= found.found.low <= found.found.value <= found.found.high <= 1
    assert 0 <= found.too_low <= 1
    if found.found.low > 0:
        at_low = false_alarms(made, found.found.low)
        assert at_low.too_low == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("rate", [0.1, 0.375, 0.8])
def test_where_many_goods_are_misread_the_right_rate_is_left_alone(rate):
    """A family of 160 goods near its limit and no real defect: so many of them are labels."""
    labels = np.random.default_rng(11).binomial(160, rate, 400).tolist()
    found = [false_alarms(zones(n, 0, 160 - n, 50), rate) for n in labels]
    wrong = sum(f.too_low < DELTA for f in found)
    assert binom.sf(wrong - 1, 400, DELTA) > 1e-3
    above = sum(f.found.low > rate for f in found)
    assert binom.sf(above - 1, 400, 0.05) > 1e-3


def test_a_rate_of_nothing_is_never_too_high_and_p_values_end_at_one():
    found = false_alarms(zones(0, 4), 0.0)
    assert (found.too_low, found.too_high) == (1, 1)
    assert not found.contradicted
    assert false_alarms(zones(0, 4, misread=1, goods=10**7), 0.01).too_low == 1


def test_a_rate_is_contradicted_below_one_in_a_hundred_either_way():
    right = false_alarms(zones(), 0.002)
    for low, high in ((0.009, 0.5), (0.5, 0.009)):
        assert replace(right, too_low=low, too_high=high).contradicted
    assert not replace(right, too_low=0.01, too_high=0.01).contradicted


def test_a_rate_five_times_too_low_is_found():
    """Of a plant's families together: thirty thousand called goods near the limits."""
    rng = np.random.default_rng(3)
    near, far, real, rate = 30_000, 4_500, 25, 0.01
    found = []
    for _ in range(200):
        made = zones(
            int(rng.poisson(rate * near + real)), int(rng.poisson(rate * far + real)), near, far
        )
        found.append(false_alarms(made, 0.002).too_low < DELTA)
    assert np.mean(found) > 0.95


def test_fewer_labels_than_misread_goods_alone_contradict_too():
    found = false_alarms(zones(2, 1, 9000, 1000), 0.005)
    assert found.too_high == pytest.approx(poisson.cdf(3, 0.005 * 10_003))
    assert found.contradicted


def test_a_rate_never_lies_above_one():
    few = false_alarms(zones(9, 0, 1, 0, goods=2, misread=6), 0.5)
    assert (few.found.low, few.found.value, few.found.high) == (1.0, 1.0, 1.0)
    # Where nearly all goods lie near, one of them is still what labels in excess are over.
    assert false_alarms(zones(1, 0, 5, 5), 0.1).found.value <= 1.0


def test_misses_are_exact_binomial_tails_both_ways():
    stated, coverage = 0.06, 0.5
    known = stated * coverage / (stated * coverage + 1 - stated)
    for later, review in ((18, 120), (4, 120), (1, 300)):
        found, n = misses(later, float(review), coverage=coverage, stated=stated), later + review
        assert found.too_low == pytest.approx(binom.sf(later - 1, n, known))
        assert found.too_high == pytest.approx(binom.cdf(later, n, known))
        share = beta.ppf(0.95, later + 1, n - later)
        assert found.found.high == pytest.approx(share / (share + coverage * (1 - share)))


def test_misses_are_clopper_and_pearson_turned_round():
    found = misses(18, 120.0, coverage=0.5, stated=0.06)
    share = 18 / 138
    assert found.found.value == pytest.approx(share / (share + 0.5 * (1 - share)))
    low = beta.ppf(0.05, 18, 121)
    assert found.found.low == pytest.approx(low / (low + 0.5 * (1 - low)))
    assert found.contradicted
    # Identity: a miss rate m makes m·c of the called known to test, 1 - m to review.
    m, c = found.found.value, 0.5
    assert m * c / (m * c + 1 - m) == pytest.approx(share)
    assert not misses(4, 120.0, coverage=0.5, stated=0.06).contradicted
    assert misses(0, 50.0, coverage=0.5, stated=0.1) is None


@pytest.mark.parametrize(("later", "review"), [(18, 120.4), (2, 300.0), (1, 0.6), (40, 3.0)])
@pytest.mark.parametrize("coverage", [0.3, 1.0])
def test_misses_end_and_are_tested_as_the_share_that_test_found(later, review, coverage):
    found = misses(later, review, coverage=coverage, stated=0.1)
    of = later + round(review)
    share = 0.1 * coverage / (0.1 * coverage + 0.9)
    ends = binomtest(later, of).proportion_ci(0.90, method="exact")
    odds = [p / (1 - p) / coverage if p < 1 else np.inf for p in (ends.low, ends.high)]
    # Odds of being missed are those of being found by test, over its coverage.
    assert found.found.low / (1 - found.found.low) == pytest.approx(odds[0])
    assert found.found.high / (1 - found.found.high) == pytest.approx(odds[1])
    assert found.too_low == pytest.approx(binom.sf(later - 1, of, share))
    assert found.too_high == pytest.approx(binom.cdf(later, of, share))
    assert (found.stated, found.events, found.of) == (0.1, later, of)
    assert misses(later, 0.4, coverage=coverage, stated=0.1) is None


def test_a_right_miss_rate_is_contradicted_as_rarely_as_stated():
    rng = np.random.default_rng(7)
    wrong = 0
    for _ in range(1000):
        missed = rng.binomial(300, 0.06)
        later = rng.binomial(missed, 0.4)
        found = misses(int(later), 300.0 - missed, coverage=0.4, stated=0.06)
        wrong += found is not None and found.contradicted
    assert binom.sf(wrong - 1, 1000, 2 * DELTA) > 1e-6


def test_words_name_key_count_and_way_out():
    bad = false_alarms(zones(90, 6, 6000, 900), 0.002)
    late = misses(40, 160.0, coverage=0.5, stated=0.06)
    lines = fit_words(bad, late, ["F01"])
    assert "review.false_alarm_rate = 0.20%" in lines[0]
    assert "90 of 6,090" in lines[0]
    assert "optimiser relabel" in lines[0]
    assert "review.miss_rate = 6.0%" in lines[1]
    assert "F01" in lines[2]
    assert ", or have labels looked at again (optimiser relabel)." in lines[0]
    assert "in F01, F02." in fit_words(bad, late, ["F01", "F02"])[2]
    unknown = fit_words(false_alarms(zones(9, 3, 6000, 900), 0.0), late)
    assert unknown[0].startswith("Nobody has said how often reviewers misread goods")
    assert "9 of 6,009 called items just beyond" in unknown[0]
    assert not any("The stated rates" in line for line in unknown + lines)
    again = fit_words(bad, late, looked=(7, 9))[0]
    assert "of 9 labels looked at again 7 were misread, and 90 of 6,090" in again
    assert again.endswith("Correct the rate.")
    assert fit_words(None, late)[0].startswith("Labels contradict review.miss_rate")
    fits = fit_words(false_alarms(zones(9, 3, 6000, 900), 0.001), None)
    assert fits[0].startswith("The stated rates of reviewers fit the labels (from 6,009")
    assert "no called defect" in fits[1].lower()


def test_words_of_a_rate_that_nobody_stated():
    """Said where labels speak for misread goods, and not where they do not."""
    unstated = false_alarms(zones(20, 14), 0.0)
    assert not unstated.contradicted
    assert unstated.found.value > 0
    (said, _) = fit_words(unstated, None)
    assert said.startswith("Nobody has said how often reviewers misread goods")
    assert "20 of 4,020 called items" in said
    assert "a rate of 0.17% (0.00% to 0.72%)" in said
    nothing = false_alarms(zones(4, 10), 0.0)
    assert fit_words(nothing, None)[0].startswith("The stated rates of reviewers fit")
    assert len(fit_words(None, None)) == 1
    # Only one that is contradicted asks for its way out; a second look that was taken asks for none.
    bad = false_alarms(zones(90, 6, 6000, 900, misread=9), 0.002)
    assert fit_words(bad, None, looked=(9, 30))[0].endswith("Correct the rate.")
    assert "of 30 labels looked at again 9 were misread" in fit_words(bad, None, looked=(9, 30))[0]
    assert "looked at again (optimiser relabel)" in fit_words(bad, None)[0]
    right = misses(7, 120.0, coverage=0.5, stated=0.1)
    assert not right.contradicted
    assert fit_words(None, right) == []
    assert fit_words(None, right, ["F01", "F02"]) == [
        "By family they contradict the rate of misread goods in F01, F02."
    ]


def checked(folder, name, seed, **changed):
    made = make_stranger(folder, replace(KINDS[name], **changed), seed)
    plant = read_plant(made.folder)
    live = read_recipe(made.folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        return check_stated(make_cases(history, live, trials=1))


def test_reviewers_worse_than_stated_are_named(tmp_path):
    found = checked(tmp_path / "p", "careless", 5)
    assert found.contradicted
    assert found.false_alarms.too_low < DELTA
    assert found.misses.too_low < DELTA
    assert 0.17 < found.misses.found.value < 0.33
    words = " ".join(found.words())
    assert "review.false_alarm_rate" in words
    assert "review.miss_rate" in words


def looked_at(folder, name, seed, **changed):
    """Return the families after a second look, what is said of the rates, and what was found."""
    made = make_stranger(folder, replace(KINDS[name], **changed), seed)
    found = look(made)
    plant = read_plant(made.folder)
    live = read_recipe(made.folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=1)
        return cases, check_stated(cases), found


def test_a_second_look_tells_how_often_reviewers_misread(tmp_path):
    """Five times as often as stated; the labels looked at are a tenth, the most doubtful ones."""
    cases, stated, found = looked_at(tmp_path / "p", "careless", 9)
    assert (stated.misread, stated.looked_again) == (found["misread"], found["looked"])
    assert found["misread"] > 2 * found["expected"]
    rate = stated.false_alarms.found
    assert rate.low < 0.01 < rate.high
    assert rate.value == pytest.approx(0.01, rel=0.3)
    assert stated.false_alarms.too_low < DELTA
    words = stated.words()[0]
    assert "review.false_alarm_rate = 0.20%" in words
    assert f"of {found['looked']} labels looked at again {found['misread']} were misread" in words
    assert "Correct the rate." in words
    # With misread goods taken off at that rate the miss rate is the true one, a quarter.
    assert stated.misses.found.low < 0.25 < stated.misses.found.high
    # Both rest on all first labels of the plant, and not on those that are left near the limits.
    assert rate.value == fitted_false_alarm_rate([first_labels(case.tally) for case in cases])
    later = real = 0.0
    for tally in (case.tally for case in cases):
        by, called = tally.defects.frame["found_by"], tally.defects.frame["live_called"]
        later += (called & (by == "test")).sum()
        real += chance_to_be_true(tally, rate.value)[
            called & by.isin(["review", "second look"])
        ].sum()
    assert stated.misses.events == later
    assert stated.misses.of == later + round(real)


def test_the_notebooks_say_which_rates_labels_contradict_and_nothing_where_they_fit(tmp_path):
    made = make_stranger(tmp_path / "p", replace(KINDS["careless"], families=2), 5)
    with open_session(made.folder, trials=2) as session:
        overview, decision = OverviewPanel(session), DecisionPanel(session, "F00")
        assert session.stated is session.stated
        (said,) = [w for w in overview.children if "opt-stated-rates" in w._dom_classes]
        for line in session.stated.words():
            assert line in html.unescape(said.value)
            assert line in html.unescape(decision._head.value)
    path = made.folder / "plant.toml"
    found = session.stated.misses.found.value
    text = re.sub("^miss_rate = .*$", f"miss_rate = {found:.3f}", path.read_text(), flags=re.M)
    path.write_text(text)
    with open_session(made.folder, trials=2) as session:
        assert not session.stated.contradicted
        overview = OverviewPanel(session)
        (said,) = [w for w in overview.children if "opt-stated-rates" in w._dom_classes]
        assert not said.value


@pytest.mark.slow
def test_after_a_second_look_right_rates_are_left_alone(tmp_path):
    """The list picks the most doubtful labels: nearly all of them misread is what it expects."""
    wrong, off = [], []
    for name, seed in ((n, s) for n in ("skewed", "misread") for s in range(1, 7)):
        _, stated, _ = looked_at(tmp_path / f"{name}{seed}", name, seed, critical=True)
        wrong.append(stated.false_alarms.too_low < DELTA)
        off.append(stated.false_alarms.found.value / KINDS[name].false_alarm)
    assert binom.sf(sum(wrong) - 1, len(wrong), DELTA) > 1e-3, wrong
    assert 0.7 < np.mean(off) < 1.3, off


@pytest.mark.slow
def test_where_the_stated_rates_are_right_plants_are_left_alone(tmp_path):
    said = [
        (name, seed, found.words())
        for name in ("skewed", "suppliers", "misread", "thin", "bursts")
        for seed in range(1, 7)
        if (found := checked(tmp_path / f"{name}{seed}", name, seed))
        .words()[0]
        .startswith("Labels")
    ]
    assert binom.sf(len(said) - 1, 30, 0.04) > 1e-3, said


def test_a_family_may_state_its_own_rates(tmp_path):
    made = make_stranger(tmp_path / "p", replace(KINDS["thin"], families=2, lots=8, per_lot=60), 1)
    path = made.folder / "plant.toml"
    text = path.read_text(encoding="utf-8").replace(
        "[families.F01]", "[families.F01]\nmiss_rate = 0.31"
    )
    path.write_text(text, encoding="utf-8")
    file = read_plant(made.folder).file
    assert file.review_of("F01").miss_rate == 0.31
    assert file.review_of("F01").false_alarm_rate == file.review.false_alarm_rate
    assert file.review_of("F00") == file.review
