"""Held-out outcomes: no fold sees what it is scored on, and the folds are fair."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_plant import make_history, make_plant

from optimiser.search.blur import Blur, escape_chance, escapes_live, make_clouds, own_tables
from optimiser.search.crossfit import Way, crossfit, fit, fold_lots, hold_out, make_yardstick
from optimiser.search.descent import cost_of, make_terrain
from optimiser.search.problem import keeps_to_rails, released_share, stops_work
from optimiser.tally.count import is_called


@pytest.fixture(scope="module")
def problem():
    return make_history(make_plant(1), 1, defects=30, goods=8_000, lots=15).problem


def test_folds_are_runs_of_lots_in_time_that_share_defects_and_goods(problem):
    fold = fold_lots(problem)
    assert (np.diff(fold) >= 0).all()
    np.testing.assert_array_equal(np.unique(fold), np.arange(5))
    defects = np.bincount(fold[problem.defect_lot], minlength=5)
    assert defects.max() <= 12
    goods = np.bincount(fold, np.asarray(problem.counts.sum(axis=0)).ravel())
    assert goods.max() < 2 * goods.min()


@given(st.integers(2, 9), st.integers(0, 2**32))
@settings(max_examples=40, deadline=None)
def test_every_fold_holds_a_lot_however_the_defects_lie(lots, seed):
    rng = np.random.default_rng(seed)
    problem = make_history(make_plant(1), 1, defects=6, goods=200, lots=lots).problem
    problem = replace(problem, defect_lot=np.sort(rng.integers(0, rng.integers(1, lots + 1), 6)))
    fold = fold_lots(problem)
    assert fold.shape == (lots,)
    assert set(fold) == set(range(fold.max() + 1))
    assert 2 <= fold.max() + 1 <= 5


def test_an_order_of_lots_is_followed(problem):
    order = np.random.default_rng(0).permutation(problem.lots)
    fold = fold_lots(problem, order=order)
    assert (np.diff(fold[order]) >= 0).all()


def test_one_lot_is_refused_with_a_way_out(problem):
    one = replace(
        problem,
        counts=problem.counts[:, [0]],
        always=problem.always[:1],
        defect_lot=np.zeros_like(problem.defect_lot),
    )
    with pytest.raises(ValueError, match="at least 2 lots, got 1; name lots"):
        fold_lots(one)


@pytest.mark.parametrize("way", [Way(), Way(worst=0.3), Way(most_moved=2)])
def test_what_a_fold_holds_does_not_change_what_is_fitted_without_it(problem, way):
    yardstick = make_yardstick(problem)
    lots = yardstick.lot_fold == 2
    inside = lots[problem.defect_lot]
    counts = problem.counts.toarray()
    counts[:, lots] = counts[::-1, lots]
    z = problem.defect_z.copy()
    z[inside] += 2.0
    price = np.where(inside, 3.0, 1.0) * problem.defect_price
    other = replace(problem, counts=type(problem.counts)(counts), defect_z=z, defect_price=price)
    # The fold of a lot follows how much it holds, which stays.
    stranger = make_yardstick(other)
    np.testing.assert_array_equal(yardstick.lot_fold, stranger.lot_fold)
    one, two = crossfit(problem, way, yardstick), crossfit(other, way, stranger)
    np.testing.assert_array_equal(one.fold_settings[2], two.fold_settings[2])
    # Nor what the choice for that fold is made by.
    np.testing.assert_array_equal(one.nested_false_calls[2], two.nested_false_calls[2])
    np.testing.assert_array_equal(one.nested_near_escape[2], two.nested_near_escape[2])
    assert (one.nested_near_escape[1] != two.nested_near_escape[1]).any()


def test_crossfit_is_fit_without_each_fold(problem):
    way, yardstick = Way(blur=Blur(bandwidth=1.2)), make_yardstick(problem)
    outcome = crossfit(problem, way, yardstick)
    np.testing.assert_array_equal(outcome.setting, fit(problem, way, lot_fold=yardstick.lot_fold))
    for fold in range(yardstick.folds):
        alone = fit(problem, way, lot_fold=yardstick.lot_fold, without=(fold,))
        np.testing.assert_array_equal(outcome.fold_settings[fold], alone)
        called = is_called(alone, problem.ranks) @ problem.counts
        lots = yardstick.lot_fold == fold
        np.testing.assert_array_equal(outcome.false_calls[lots], called[lots])


@pytest.mark.parametrize("folds", [3, 5])
def test_a_choice_is_shown_fits_that_saw_neither_its_fold_nor_the_one_it_looks_at(problem, folds):
    way, yardstick = Way(blur=Blur(bandwidth=1.2)), make_yardstick(problem, folds=folds)
    assert yardstick.folds == folds
    outcome = crossfit(problem, way, yardstick)
    lot_fold, defect_fold = yardstick.lot_fold, yardstick.lot_fold[problem.defect_lot]
    seen_by_less = 0
    for own in range(yardstick.folds):
        assert not outcome.nested_false_calls[own, lot_fold == own].any()
        assert not outcome.nested_near_escape[own, defect_fold == own].any()
        for other in set(range(yardstick.folds)) - {own}:
            setting = fit(problem, way, lot_fold=lot_fold, without=(own, other))
            called = is_called(setting, problem.ranks) @ problem.counts + problem.always
            lots, defects = lot_fold == other, defect_fold == other
            np.testing.assert_array_equal(outcome.nested_false_calls[own, lots], called[lots])
            np.testing.assert_allclose(
                outcome.nested_near_escape[own, defects],
                escape_chance(setting, yardstick.near)[defects],
            )
            seen_by_less += (setting != outcome.fold_settings[other]).any()
    assert seen_by_less  # or fits without one fold would pass as well


def test_ways_that_no_choice_can_take_are_not_fitted_without_pairs(problem):
    yardstick = make_yardstick(problem)
    whole, short = (crossfit(problem, Way(), yardstick, nested=n) for n in (True, False))
    np.testing.assert_array_equal(whole.fold_settings, short.fold_settings)
    np.testing.assert_array_equal(whole.false_calls, short.false_calls)
    for name in ("nested_false_calls", "nested_near_escape"):
        told, left = getattr(whole, name), getattr(short, name)
        assert told.any()
        np.testing.assert_array_equal(left, 0 * told)
        assert left.dtype == told.dtype


def test_of_two_folds_neither_tells_the_choice_made_for_the_other_anything(problem):
    yardstick = make_yardstick(problem, folds=2)
    outcome = crossfit(problem, Way(), yardstick)
    now = is_called(problem.live, problem.ranks) @ problem.counts + problem.always
    for own in (0, 1):
        lots = yardstick.lot_fold != own
        np.testing.assert_array_equal(outcome.nested_false_calls[own, lots], now[lots])


def test_a_fixed_setting_held_out_is_its_count(problem):
    sharp = replace(problem, repeatability=np.zeros(problem.m), always=problem.always + 2)
    yardstick = make_yardstick(sharp)
    same = np.broadcast_to(sharp.live, (yardstick.folds, yardstick.folds, sharp.m))
    outcome = hold_out(sharp, sharp.live, same, yardstick)
    called = is_called(sharp.live, sharp.ranks) @ sharp.counts + 2
    np.testing.assert_array_equal(outcome.false_calls, called)
    np.testing.assert_array_equal(outcome.escape == 1.0, escapes_live(sharp))


def test_a_family_without_defects_is_opened_as_far_as_its_rails(problem):
    none = replace(
        problem,
        defect_ranks=problem.defect_ranks[:0],
        defect_z=problem.defect_z[:0],
        defect_lot=problem.defect_lot[:0],
        defect_weight=problem.defect_weight[:0],
        defect_price=problem.defect_price[:0],
        defect_called=problem.defect_called[:0],
    )
    outcome = crossfit(none, Way(), make_yardstick(none))
    assert not is_called(outcome.setting, none.ranks).any()
    tightest = is_called(np.zeros_like(none.live), none.ranks) @ none.counts
    assert outcome.false_calls.sum() < 0.02 * tightest.sum()
    assert outcome.escape.shape == (0,)


def test_no_more_limits_move_than_the_way_allows(problem):
    outcome = crossfit(problem, Way(most_moved=1), make_yardstick(problem))
    assert (outcome.fold_settings != problem.live).sum(axis=1).max() <= 1


@pytest.mark.parametrize("most", [0.0, 0.05, 0.2])
def test_no_setting_releases_more_of_the_known_defects_than_the_rail_allows(problem, most):
    cheap = replace(problem, defect_price=problem.defect_price / 300)
    free, held = (
        crossfit(p, Way(), make_yardstick(p)) for p in (cheap, replace(cheap, most_released=most))
    )
    assert released_share(cheap, free.setting) > 0.2
    assert released_share(cheap, held.setting) <= most
    yardstick = make_yardstick(replace(cheap, most_released=most))
    for fold, setting in enumerate(held.fold_settings):
        assert released_share(yardstick.apart[fold][fold], setting) <= most


def test_a_family_is_not_left_without_a_working_limit(problem):
    # Every defect looks like a good that is called now, so that catching one costs a false call.
    called = problem.ranks[is_called(problem.live, problem.ranks)]
    alike = called[np.arange(problem.defect_lot.size) % len(called)]
    z = np.array(
        [
            [level[max(r - 1, 0)] for level, r in zip(problem.levels, row, strict=True)]
            for row in alike
        ]
    )
    cheap = replace(
        problem, defect_ranks=alike, defect_z=z, defect_price=problem.defect_price * 1e-12
    )
    way = Way(blur=Blur(unseen=0.01))
    silent = crossfit(cheap, way, make_yardstick(cheap)).setting
    asked = replace(cheap, stays_at_work=True)
    assert stops_work(asked, silent)
    assert not stops_work(cheap, silent)
    outcome = crossfit(asked, way, make_yardstick(asked))
    assert keeps_to_rails(asked, outcome.setting)
    assert is_called(outcome.setting, asked.defect_ranks).any()


def test_levels_beyond_the_last_allowed_are_never_set(problem):
    tight = replace(problem, last=problem.live)
    outcome = crossfit(tight, Way(), make_yardstick(tight))
    assert (outcome.setting <= problem.live).all()
    assert (outcome.fold_settings <= problem.live).all()
    assert (crossfit(problem, Way(), make_yardstick(problem)).setting > problem.live).any()


# --- held-out outcomes, counted one by one ----------------------------------------------


@pytest.fixture(scope="module")
def uneven(problem):
    """The problem with items that are always called, no two lots alike."""
    return replace(problem, always=np.arange(problem.lots) % 4)


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_folds_weigh_goods_and_defects_alike(uneven, seed):
    if seed is not None:  # items that every setting calls outnumber the contested ones
        always = np.random.default_rng(seed).integers(0, 3_000, uneven.lots)
        uneven = replace(uneven, always=always)
    goods = np.asarray(uneven.counts.sum(axis=0)).ravel() + uneven.always
    defects = np.bincount(uneven.defect_lot, minlength=uneven.lots)
    load = goods / goods.sum() + defects / defects.sum()
    middle = (np.cumsum(load) - load / 2) / load.sum()
    wanted = np.unique(np.floor(3 * middle), return_inverse=True)[1]
    np.testing.assert_array_equal(fold_lots(uneven, folds=3), wanted)
    # Called whatever the setting: they count as items of their lot.
    heavy = replace(uneven, always=np.where(np.arange(uneven.lots) == 0, 20_000, 0))
    assert (fold_lots(heavy, folds=3) == 0).sum() == 1


def test_held_out_outcomes_are_those_of_each_lots_own_fit(uneven):
    yardstick = make_yardstick(uneven)
    rng = np.random.default_rng(2)
    count, fold = yardstick.folds, yardstick.lot_fold
    assert count == fold.max() + 1 == 5
    fitted = rng.integers(0, uneven.last + 1, size=(count, count, uneven.m))
    fitted = np.minimum(fitted, fitted.transpose(1, 0, 2))
    found = hold_out(uneven, uneven.live, fitted, yardstick)
    counts = uneven.counts.toarray()
    for lot in range(uneven.lots):
        for v in range(count):
            called = is_called(fitted[v, fold[lot]], uneven.ranks)
            calls = counts[called, lot].sum() + uneven.always[lot]
            shown = 0 if v == fold[lot] else calls
            assert found.nested_false_calls[v, lot] == shown
            if v == fold[lot]:
                assert found.false_calls[lot] == calls
    for d, lot in enumerate(uneven.defect_lot):
        own = fitted[fold[lot], fold[lot]]
        again = np.prod([table[k, d] for k, table in zip(own, yardstick.again, strict=True)])
        near = np.prod([table[k, d] for k, table in zip(own, yardstick.near, strict=True)])
        assert found.escape[d] == pytest.approx(again)
        assert found.near_escape[d] == pytest.approx(near)
        for v in range(count):
            other = fitted[v, fold[lot]]
            chance = np.prod([table[k, d] for k, table in zip(other, yardstick.near, strict=True)])
            shown = 0 if v == fold[lot] else chance
            assert found.nested_near_escape[v, d] == pytest.approx(shown)
    np.testing.assert_array_equal(found.fold_settings, [fitted[v, v] for v in range(count)])


@pytest.mark.parametrize("way", [Way(), Way(worst=0.3), Way(blur=Blur(bandwidth=1.0))])
def test_a_fit_without_folds_is_one_of_the_other_lots_alone(uneven, way):
    fold = fold_lots(uneven)
    for left_out in ((0,), (1, 3), (4,)):
        kept = ~np.isin(fold, left_out)
        others = np.flatnonzero(kept)
        within = kept[uneven.defect_lot]
        place = np.cumsum(kept) - 1
        alone = replace(
            uneven,
            counts=uneven.counts[:, others],
            always=uneven.always[others],
            defect_ranks=uneven.defect_ranks[within],
            defect_z=uneven.defect_z[within],
            defect_lot=place[uneven.defect_lot[within]],
            defect_weight=uneven.defect_weight[within],
            defect_price=uneven.defect_price[within],
            defect_called=uneven.defect_called[within],
        )
        np.testing.assert_array_equal(
            fit(uneven, way, lot_fold=fold, without=left_out),
            fit(alone, way, lot_fold=fold[others]),
        )
    np.testing.assert_array_equal(
        fit(uneven, way, lot_fold=fold), fit(uneven, way, lot_fold=fold, without=())
    )


def test_the_dearest_fold_counts_where_a_way_asks_for_it(uneven):
    """With all of the weight on the dearest group it matters how the lots are grouped."""
    fold = fold_lots(uneven)
    way = Way(worst=1.0)
    assert (fit(uneven, way, lot_fold=fold) != fit(uneven, way)).any()


def test_escapes_are_priced_up_until_the_setting_keeps_to_its_rails(problem):
    tight = replace(problem, most_released=0.02)
    way = Way(blur=Blur(bandwidth=1.5, price=0.02))
    free = fit(replace(problem, most_released=1.0), way)
    assert released_share(problem, free) > 0.02
    found = fit(tight, way)
    prices = (replace(way, blur=replace(way.blur, price=way.blur.price * 2**n)) for n in range(20))
    dearer = (fit(replace(problem, most_released=1.0), w) for w in prices)
    wanted = next(s for s in dearer if released_share(problem, s) <= 0.02)
    np.testing.assert_array_equal(found, wanted)


# --- what a fit is ----------------------------------------------------------------------


def reviewed(problem, setting):
    """Return the false calls of a setting over all lots."""
    return int((is_called(setting, problem.ranks) @ problem.counts).sum())


def one_limit_elsewhere(problem, setting, limits, *, tighter):
    """Yield the setting with one limit at each of its other levels, or the tighter ones."""
    for n in limits:
        for level in range(setting[n] if tighter else problem.last[n] + 1):
            other = setting.copy()
            other[n] = level
            yield other


@pytest.mark.parametrize("blur", [Blur(), Blur(bandwidth=1.5)])
def test_no_limit_of_a_fit_can_be_moved_to_a_cheaper_level(problem, blur):
    """Costs by what descent itself is tested with; the live recipe costs more."""
    setting = fit(problem, Way(blur=blur))
    tables = own_tables(problem, blur)
    clouds = make_clouds(problem, blur, tables, np.ones(problem.defect_lot.size, dtype=bool))
    terrain = make_terrain(problem, clouds)
    cost = cost_of(terrain, setting)
    assert cost < cost_of(terrain, problem.live) * 0.99
    others = one_limit_elsewhere(problem, setting, range(problem.m), tighter=False)
    assert all(cost_of(terrain, other) >= cost * (1 - 1e-9) for other in others)


@pytest.mark.parametrize("most", [1, 2, 1_000])
def test_a_fit_stands_as_tight_as_costs_no_more_false_calls(problem, most):
    """Of the limits that may move; the others stay at the live recipe's level."""
    setting = fit(problem, Way(most_moved=most))
    moved = np.flatnonzero(setting != problem.live)
    assert 0 < moved.size <= most
    limits = range(problem.m) if most > problem.m else moved
    calls = reviewed(problem, setting)
    others = one_limit_elsewhere(problem, setting, limits, tighter=True)
    assert all(reviewed(problem, other) > calls for other in others)


def test_where_every_limit_may_move_none_is_counted(problem):
    way = Way(most_moved=problem.m)
    np.testing.assert_array_equal(fit(problem, way), fit(problem, Way()))


@pytest.mark.parametrize("most", [1, 1_000])
def test_every_must_catch_item_is_called_by_every_fit(problem, most):
    """Items that the live recipe passes, each far beyond one limit alone."""
    must = np.zeros((2, problem.m), dtype=np.int64)
    must[0, 0], must[1, 1] = problem.live[0], problem.live[1]
    assert not is_called(problem.live, must).any()
    asked = replace(problem, must_ranks=must)
    outcome = crossfit(asked, Way(most_moved=most), make_yardstick(asked))
    for setting in (outcome.setting, *outcome.fold_settings):
        assert is_called(setting, must).all()


@pytest.mark.parametrize("limits", [(0, 1), (1, 2), (0, 3)])
def test_with_a_must_catch_item_a_fit_is_the_foot_of_what_is_left(problem, limits):
    """Cheaper than the foot drawn in at one limit alone: all the others settle anew."""
    free = fit(problem, Way())
    must = np.zeros((1, problem.m), dtype=np.int64)
    must[0, list(limits)] = np.maximum(free[list(limits)] // 2, 1)
    asked = replace(problem, must_ranks=must)
    assert not is_called(free, must).any()
    setting = fit(asked, Way())
    tables = own_tables(asked, Blur())
    clouds = make_clouds(asked, Blur(), tables, np.ones(asked.defect_lot.size, dtype=bool))
    terrain = make_terrain(asked, clouds)
    cost = cost_of(terrain, setting)
    others = one_limit_elsewhere(asked, setting, range(asked.m), tighter=False)
    allowed = [other for other in others if is_called(other, must).all()]
    assert allowed
    assert all(cost_of(terrain, other) >= cost * (1 - 1e-9) for other in allowed)
    for limit in limits:
        drawn = free.copy()
        drawn[limit] = must[0, limit] - 1
        assert cost <= cost_of(terrain, drawn) * (1 + 1e-9)
