"""Clouds: identities by hand, and properties that must hold for any defect."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_plant import make_history, make_plant
from scipy.stats import norm

from optimiser.search.blur import (
    Blur,
    called_chance,
    cloud_widths,
    escape_chance,
    escapes_live,
    make_clouds,
    narrowed,
    own_tables,
    pass_tables,
    widths,
)
from optimiser.search.crossfit import near_tables

INF = np.inf


@pytest.fixture(scope="module")
def problem():
    return make_history(make_plant(3), 3, defects=12, goods=4_000, lots=6).problem


def with_kin(problem, n=4):
    kin = np.full((n, problem.m), -INF)
    kin[:, 0] = 5.0
    return replace(problem, kin_z=kin, kin_price=np.arange(1.0, n + 1))


def test_escape_is_the_product_of_normal_chances_over_limits():
    levels = (np.array([1.0, 2.0, INF]), np.array([0.0, 3.0]))
    z, width = np.array([[1.5, -INF], [2.5, 1.0]]), np.array([0.5, 2.0])
    chance = escape_chance(np.array([1, 1]), pass_tables(levels, z, width))
    by_hand = [norm.cdf(1.0), norm.cdf(-1.0) * norm.cdf(1.0)]
    np.testing.assert_allclose(chance, by_hand)


def test_a_limit_that_is_off_and_a_missing_measurement_call_nothing():
    (table,) = pass_tables((np.array([1.0, INF]),), np.array([[9.0], [-INF]]), np.array([1.0]))
    np.testing.assert_array_equal(table[1], [1.0, 1.0])
    assert table[0, 1] == 1.0


def test_a_cloud_without_width_is_the_count(problem):
    sharp = replace(problem, repeatability=np.zeros(problem.m))
    tables = pass_tables(sharp.levels, sharp.defect_z, widths(sharp, 0.0))
    chance = escape_chance(sharp.live, tables)
    np.testing.assert_array_equal(chance == 1.0, escapes_live(sharp))
    np.testing.assert_array_equal(chance, chance.round())


@given(
    st.lists(st.integers(0, 51), min_size=6, max_size=6),
    st.integers(0, 5),
    st.floats(0.3, 4.0),
)
@settings(max_examples=60, deadline=None)
def test_loosening_a_limit_never_lowers_the_chance_to_escape(setting, limit, width):
    problem = make_history(make_plant(3), 3, defects=6, goods=200, lots=2).problem
    tables = pass_tables(problem.levels, problem.defect_z, widths(problem, width))
    looser = np.array(setting)
    looser[limit] = min(looser[limit] + 3, 51)
    assert (escape_chance(looser, tables) >= escape_chance(np.array(setting), tables)).all()


def test_width_never_falls_below_repeatability(problem):
    coarse = replace(problem, repeatability=np.full(problem.m, 0.9))
    np.testing.assert_array_equal(widths(coarse, 0.5), np.full(problem.m, 0.9))
    np.testing.assert_array_equal(widths(coarse, 2.0), 2.0 * problem.spread)


def test_where_a_defect_measures_like_a_good_its_cloud_is_narrow(problem):
    known = replace(
        problem,
        levels=(np.array([10.0, 12.0]),) * problem.m,
        spread=np.full(problem.m, 2.0),
        repeatability=np.full(problem.m, 0.7),
    )
    z = np.full((1, problem.m), 20.0)
    z[0, :5] = 10.0, 9.0, 8.0, 3.0, -INF
    np.testing.assert_allclose(
        cloud_widths(known, z, 1.5)[0],
        [3.0, 3.0 * 0.65, 0.9, 0.9, 0.9, *[3.0] * (problem.m - 5)],
    )
    # Never narrower than what re-measuring scatters.
    np.testing.assert_allclose(cloud_widths(known, z, 1.0)[0, 3], 0.7)
    # A check has no scatter: its defects stay where they are.
    check = replace(known, spread=np.zeros(problem.m), repeatability=np.zeros(problem.m))
    passing = pass_tables(check.levels, z, cloud_widths(check, z, 1.5))
    np.testing.assert_array_equal(escape_chance(np.zeros(problem.m, np.int64), passing), [0.0])
    np.testing.assert_array_equal(passing[3], [[1.0], [1.0]])


def by_hand(problem, z, factor):
    """Chances of clouds inside each level: as wide as said outside the tightest level, 0.3 of it among goods."""
    found = []
    for i, level in enumerate(problem.levels):
        out = np.clip(1 + (z[:, i] - level[0]) / problem.spread[i], 0, 1)
        wide = np.maximum((0.3 + 0.7 * out) * factor * problem.spread[i], problem.repeatability[i])
        found.append(norm.cdf((level[:, None] - z[:, i]) / wide))
    return found


def test_what_a_fit_and_a_comparison_see_are_clouds_that_are_narrow_among_goods(problem):
    d = problem.defect_lot.size
    kin = with_kin(problem)
    number = d**-0.25 * 10**0.25
    own = by_hand(kin, np.vstack([kin.defect_z, kin.kin_z]), 1.2 * number)
    for found, wanted in zip(own_tables(kin, Blur(bandwidth=1.2, borrowed=0.5)), own, strict=True):
        np.testing.assert_allclose(found, wanted, atol=1e-12)
    near = by_hand(problem, problem.defect_z, number)
    for found, wanted in zip(near_tables(problem), near, strict=True):
        np.testing.assert_allclose(found, wanted, atol=1e-12)
    # Some of the defects do measure like goods at some limits, so that it matters.
    tightest = np.array([level[0] for level in problem.levels])
    assert (problem.defect_z < tightest - problem.spread).any()


@pytest.mark.parametrize("called_by", [0, 3])
def test_limits_that_have_nothing_to_do_with_a_defect_do_not_seem_to_catch_it(called_by):
    """With 30 limits a cloud as wide everywhere would lie beyond one of them more often than not."""
    one = make_history(make_plant(3), 3, defects=12, goods=4_000, lots=6).problem
    m, level = 30, np.array([2.3, INF])
    rng = np.random.default_rng(called_by)
    z = np.minimum(rng.standard_normal((40, m)), 2.2)
    z[:, called_by] = 5.0
    many = replace(
        one, levels=(level,) * m, spread=np.ones(m), repeatability=np.zeros(m), defect_z=z
    )
    freed = np.zeros(m, dtype=np.int64)
    freed[called_by] = 1  # the one limit that catches them is off
    chance = escape_chance(freed, pass_tables(many.levels, z, cloud_widths(many, z, 1.0)))
    assert chance.mean() > 0.6
    everywhere = escape_chance(freed, pass_tables(many.levels, z, widths(many, 1.0)))
    assert everywhere.mean() < 0.3


def test_more_labels_narrow_the_bandwidth_by_the_fourth_root():
    assert narrowed(np.ones(810), 1.5) == pytest.approx(0.5)
    uneven = np.r_[np.ones(639), 1e6]
    assert narrowed(uneven, 1.5) > 1.5 * 1.4  # one heavy label is hardly more than one label


def test_a_called_label_is_weighted_by_its_clouds_chance_to_be_called(problem):
    called = replace(problem, defect_called=~escapes_live(problem))
    blur = Blur(damping=1.0, unseen=0.0)
    tables = own_tables(called, blur)
    chance = called_chance(called, tables)
    every = np.ones(called.defect_lot.size, dtype=bool)
    plain = make_clouds(called, replace(blur, damping=0.0), tables, every).cost
    np.testing.assert_allclose(make_clouds(called, blur, tables, every).cost * chance, plain)
    assert (chance[called.defect_called] >= 0.5).all()
    assert (chance[~called.defect_called] == 1.0).all()


def test_borrowed_defects_lend_places_and_no_mass(problem):
    kin = with_kin(problem)
    every = np.ones(kin.defect_lot.size, dtype=bool)
    for share in (0.0, 0.3, 0.9):
        blur = Blur(borrowed=share, unseen=0.0)
        clouds = make_clouds(kin, blur, own_tables(kin, blur), every)
        assert clouds.cost.sum() == pytest.approx(kin.defect_price.sum())
        assert clouds.cost[clouds.lot < 0].sum() == pytest.approx(share * clouds.cost.sum())


def test_borrowed_defects_speak_where_the_family_has_none_of_its_own(problem):
    kin = with_kin(problem)
    blur = Blur(borrowed=0.5)
    none = np.zeros(kin.defect_lot.size, dtype=bool)
    clouds = make_clouds(kin, blur, own_tables(kin, blur), none)
    assert clouds.cost.sum() == pytest.approx(0.5 * kin.kin_price.mean())


def test_unseen_kinds_weigh_alike_on_every_limit_and_touch_one_each(problem):
    blur = Blur(unseen=2.0)
    every = np.ones(problem.defect_lot.size, dtype=bool)
    clouds = make_clouds(problem, blur, own_tables(problem, blur), every)
    unseen = clouds.lot < 0
    assert clouds.cost[unseen].sum() == pytest.approx(2.0 * problem.defect_price.mean())
    touched = np.array([(table[0, unseen] < 1.0) for table in clouds.passing])
    np.testing.assert_array_equal(touched.sum(axis=0), 1)
    np.testing.assert_array_equal(touched.sum(axis=1), unseen.sum() / problem.m)


def test_clouds_of_a_fold_know_nothing_of_defects_left_out(problem):
    kept = problem.defect_lot != 0
    moved = problem.defect_z.copy()
    moved[~kept] += 3.0
    blur = Blur(damping=0.5)
    seen = make_clouds(problem, blur, own_tables(problem, blur), kept)
    # Neither where they lie nor what they cost.
    dearer = np.where(kept, problem.defect_price, 7 * problem.defect_price + 3)
    other = replace(problem, defect_z=moved, defect_price=dearer)
    also = make_clouds(other, blur, own_tables(other, blur), kept)
    np.testing.assert_array_equal(seen.cost, also.cost)
    for one, two in zip(seen.passing, also.passing, strict=True):
        np.testing.assert_array_equal(one, two)


def test_limits_that_are_off_for_good_and_unmeasured_defects_break_nothing(problem):
    levels = (np.array([INF]), *problem.levels[1:])
    off = replace(problem, levels=levels, live=np.r_[0, problem.live[1:]], spread=np.zeros(6))
    every = np.ones(off.defect_lot.size, dtype=bool)
    clouds = make_clouds(off, Blur(), own_tables(off, Blur()), every)
    assert all(np.isfinite(table).all() for table in clouds.passing)
    assert np.isfinite(clouds.cost).all()
    blind = replace(off, defect_z=np.full_like(off.defect_z, -INF))
    clouds = make_clouds(blind, Blur(), own_tables(blind, Blur()), every)
    assert clouds.cost.size == off.defect_lot.size
    assert all((table == 1.0).all() for table in clouds.passing)
