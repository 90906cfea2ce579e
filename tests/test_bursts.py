"""Counts that come in bursts, and a process that moves: against closed forms, tables, a library."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson

from optimiser.evidence.bursts import Arrivals, bursts_of
from optimiser.evidence.intervals import count_total, next_total
from optimiser.evidence.moving import SIGNIFICANT, led_to, trend

# --- intervals --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # Exact 95 % limits of a Poisson mean: Pearson and Hartley, Biometrika Tables for
    # Statisticians, table 40; from memory, and equal to chi-square quantiles halved.
    [(0, 0.0, 3.69), (1, 0.0253, 5.57), (5, 1.62, 11.67), (10, 4.80, 18.39), (20, 12.22, 30.89)],
)
def test_a_count_has_the_tabled_limits(count, low, high):
    found = count_total(float(count), spread=1.0, level=0.95)
    assert found.low == pytest.approx(low, abs=0.006)
    assert found.high == pytest.approx(high, abs=0.006)


@given(st.integers(0, 60), st.floats(1.0, 12.0), st.floats(0.5, 0.99))
def test_bursts_scale_the_limits_and_nothing_has_width_zero(count, spread, level):
    found = count_total(count * spread, spread=spread, level=level)
    plain = count_total(float(count), spread=1.0, level=level)
    assert found.low == pytest.approx(plain.low * spread)
    assert found.high == pytest.approx(plain.high * spread)
    assert found.low <= count * spread < found.high


@pytest.mark.parametrize("count", [0, 1, 4, 17])
@pytest.mark.parametrize("ratio", [0.25, 1.0, 3.0])
def test_without_bursts_the_next_count_is_negative_binomial(count, ratio):
    """A gamma mean with shape k makes the count to come NB(k, 1/(1+r)): Nelson's exact limits."""
    found = next_total(float(count), spread=1.0, effect=1.0, ratio=ratio, level=0.90)
    assert found.high == pytest.approx(nbinom.ppf(0.95, count + 1, 1 / (1 + ratio)), abs=1)
    if count:
        low = min(nbinom.ppf(0.05, count, 1 / (1 + ratio)), count * ratio)
        assert found.low == pytest.approx(low, abs=1)
    else:
        assert found.low == 0


@given(st.floats(0, 40), st.floats(1, 9), st.floats(1, 9))
@settings(max_examples=40, deadline=None)
def test_the_next_count_is_less_certain_than_the_mean(total, one, two):
    level, low_effect, high_effect = 0.90, min(one, two), max(one, two)
    mean = count_total(total, spread=low_effect, level=level)
    ahead = next_total(total, spread=low_effect, effect=low_effect, level=level)
    wider = next_total(total, spread=high_effect, effect=high_effect, level=level)
    assert ahead.high - ahead.low >= mean.high - mean.low - 1.5
    assert wider.high >= ahead.high - 1
    assert ahead.low <= total <= ahead.high


def next_count_misses(rng, *, mean, effect, lots=30):
    """Whether the interval from one span misses the count of another with the same bursts."""

    def one():
        if effect == 1:
            return int(poisson.rvs(mean, random_state=rng))
        return int(nbinom.rvs(mean / (effect - 1), 1 / effect, random_state=rng))

    found = next_total(float(one()), spread=effect, effect=effect, level=0.90)
    return not found.low <= one() <= found.high


@pytest.mark.parametrize(("mean", "effect"), [(3, 1), (12, 1), (6, 4), (40, 8), (90, 8)])
def test_the_next_span_is_inside_as_often_as_stated(mean, effect):
    rng = np.random.default_rng([mean, effect])
    missed = sum(next_count_misses(rng, mean=mean, effect=effect) for _ in range(400))
    assert missed <= 0.10 * 400 + 4.5 * (400 * 0.09) ** 0.5


# --- bursts -----------------------------------------------------------------------------


def arrivals(rng, *, lots, rate, index, board):
    """Compound counts: gamma rates over lots, geometric sizes of bad boards."""
    boards = rng.poisson(rate * rng.gamma(index, 1 / index, lots))
    sizes = [rng.geometric(1 / board, n) for n in boards]
    return Arrivals(
        defects=np.array([s.sum() for s in sizes], dtype=float),
        items=np.full(lots, 500.0),
        on_board=np.concatenate([np.zeros(0), *sizes]).astype(float),
    )


@pytest.mark.parametrize(
    ("index", "board", "truth"),
    # c + m/s with c = (2 - p)/p of a geometric size and m = rate * size defects a lot.
    [(1e6, 1.0, 1.0), (1.0, 1.0, 3.0), (1.0, 3.0, 11.0), (1e6, 3.0, 5.0)],
)
def test_bursts_are_found_again(index, board, truth):
    rng = np.random.default_rng(int(truth))
    plants = [
        [arrivals(rng, lots=40, rate=2.0, index=index, board=board) for _ in range(8)]
        for _ in range(12)
    ]
    effects = np.array([[b.effect for b in bursts_of(plant)] for plant in plants])
    assert effects.mean() == pytest.approx(truth, rel=0.2)
    assert (effects >= 1).all()


def test_a_family_with_few_defects_is_drawn_to_the_plants_pattern():
    rng = np.random.default_rng(5)
    many = [arrivals(rng, lots=40, rate=3.0, index=0.7, board=3.0) for _ in range(8)]
    few = Arrivals(defects=np.r_[np.zeros(39), 1.0], items=np.full(40, 500.0), on_board=np.ones(1))
    alone, beside = bursts_of([few])[0], bursts_of([*many, few])[-1]
    assert alone.effect == pytest.approx(1.0, abs=0.05)
    assert beside.effect > 2.5
    assert beside.own == pytest.approx(alone.own)


def test_no_defect_and_one_lot_make_no_bursts():
    none = Arrivals(defects=np.zeros(3), items=np.ones(3), on_board=np.zeros(0))
    one = Arrivals(defects=np.array([5.0]), items=np.array([9.0]), on_board=np.full(5, 1.0))
    assert [b.effect for b in bursts_of([none, one])] == pytest.approx([1.0, 1.0])


# --- a process that moves ---------------------------------------------------------------


def test_a_trend_is_that_of_a_quasi_poisson_regression():
    """Against statsmodels' GLM with Pearson scale."""
    rng = np.random.default_rng(2)
    items = rng.integers(200, 900, 30).astype(float)
    place = (np.cumsum(items) - items / 2) / items.sum() - 0.5
    counts = rng.poisson(items * 0.05 * np.exp(0.8 * place) * rng.gamma(9, 1 / 9, 30)).astype(float)
    found = trend(counts, items)
    model = sm.GLM(
        counts, sm.add_constant(place), family=sm.families.Poisson(), offset=np.log(items)
    ).fit(scale="X2")
    assert found.growth == pytest.approx(model.params[1], abs=1e-8)
    assert found.error == pytest.approx(model.bse[1], rel=1e-6)


def test_a_process_that_stays_is_said_to_move_as_rarely_as_stated():
    rng = np.random.default_rng(8)
    items = np.full(25, 600.0)
    moved = [
        trend(rng.poisson(20 * rng.gamma(4, 0.25, 25)).astype(float), items).moves
        for _ in range(1500)
    ]
    assert np.mean(moved) <= SIGNIFICANT + 4 * (SIGNIFICANT / 1500) ** 0.5


def test_a_process_that_moves_is_found_and_led_to_where_it_goes():
    rng = np.random.default_rng(9)
    items, place = np.full(40, 600.0), (np.arange(40) + 0.5) / 40
    inside = 0
    for _ in range(200):
        counts = rng.poisson(15 * np.exp(1.2 * (place - 0.5))).astype(float)
        found = trend(counts, items)
        assert found.moves
        low, high = led_to(float(counts.sum()), found, level=0.90)
        inside += low <= (15 * np.exp(1.2 * (place + 0.5))).sum() <= high
    assert inside >= 0.85 * 200


def test_few_lots_and_no_events_have_no_trend():
    assert trend(np.ones(7), np.ones(7)) is None
    assert trend(np.zeros(30), np.ones(30)) is None
    assert trend(np.r_[np.ones(7), 0.0], np.r_[np.ones(7), 0.0]) is None
