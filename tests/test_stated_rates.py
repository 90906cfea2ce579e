"""Whether the reviewers' stated rates fit the labels: exact tests, and plants of known truth."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, binom, poisson
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


def zones(labels_near=10, labels_far=4, goods_near=4000, goods_far=500):
    return Zones(
        labels_near=labels_near, labels_far=labels_far, goods_near=goods_near, goods_far=goods_far
    )


def test_items_fall_into_zones_by_how_far_they_exceed():
    found = zones_of(
        np.array([0.0, 0.49, 0.5, 0.99, 1.0]), np.array([0.1, 0.6, 2.0]), np.array([7, 5, 3])
    )
    assert found == zones(2, 2, 7, 5)
    assert found + found == zones(4, 4, 14, 10)


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


@pytest.mark.parametrize("rate", [0.0005, 0.002, 0.01])
@pytest.mark.parametrize("real", [0.0, 3.0, 25.0])
def test_a_right_rate_is_contradicted_as_rarely_as_stated(rate, real):
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
    fits = fit_words(false_alarms(zones(9, 3, 6000, 900), 0.001), None)
    assert fits[0].startswith("The stated rates of reviewers fit the labels (from 6,009")
    assert "no called defect" in fits[1].lower()


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
