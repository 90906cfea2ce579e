"""The watch: bets against a promise, their published-form vectors, and what they say in time.

Vectors of the mixtures were worked out by quadrature, apart from this code (statistics.md 11.3).
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, gamma, poisson

from optimiser.evidence import watch as w
from optimiser.evidence.intervals import Interval


def e_rate(count, expected, above=True):
    found = w.log_bet_on_rate(np.array([float(count)]), np.array([float(expected)]), above=above)
    return math.exp(found[0])


@pytest.mark.parametrize(
    ("count", "value"), [(0, 0.036351), (20, 0.19949), (30, 2.81849), (45, 22413.7)]
)
def test_bet_on_a_higher_rate_has_its_vectors(count, value):
    assert e_rate(count, 20) == pytest.approx(value, rel=4e-5)


@pytest.mark.parametrize("count", [0, 3, 20, 31])
def test_bets_on_both_sides_agree_with_quadrature(count):
    prior = gamma(0.5, scale=2)

    def ratio(r):
        return poisson.pmf(count, 20 * r) / poisson.pmf(count, 20) * prior.pdf(r)

    above = quad(ratio, 1, np.inf)[0] / prior.sf(1)
    # Below, the prior has a pole at 0: integrate over its square root.
    below = quad(lambda s: ratio(s * s) * 2 * s, 0, 1)[0] / prior.cdf(1)
    assert e_rate(count, 20) == pytest.approx(above, rel=1e-6)
    assert e_rate(count, 20, above=False) == pytest.approx(below, rel=1e-6)


@pytest.mark.parametrize(
    ("k", "n", "p", "value"),
    [(6, 60, 0.05, 0.3913), (10, 60, 0.05, 28.893), (0, 60, 0.05, 0.02379), (3, 20, 0.02, 7.198)],
)
def test_bet_on_a_higher_share_has_its_vectors(k, n, p, value):
    assert math.exp(w.log_bet_on_share(k, n, p, above=True)) == pytest.approx(value, rel=2e-4)


def test_bet_on_a_share_is_fair_at_the_promise():
    fair = [
        sum(
            binom.pmf(k, 12, 0.1) * math.exp(w.log_bet_on_share(k, 12, 0.1, above=above))
            for k in range(13)
        )
        for above in (True, False)
    ]
    assert fair == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [(0, 60, 0.0, 0.0894), (3, 60, 0.0035, 0.1937), (120, 4000, 0.0208, 0.0415)],
)
def test_share_sequence_has_its_vectors(k, n, low, high):
    found = w.share_sequence(k, n)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize("above", [True, False])
def test_far_tails_join_the_near_ones(above):
    """Where the incomplete gamma functions underflow, the logs go on smoothly."""
    count = np.full(400, 50.0) if above else np.linspace(1200, 2400, 400)
    expected = np.linspace(500, 1200, 400) if above else np.full(400, 900.0)
    found = w.log_bet_on_rate(count, expected, above=above)
    assert np.isfinite(found).all()
    assert np.abs(np.diff(found, 2)).max() < 0.01
    assert found.min() < -2


def test_rate_sequence_holds_the_truth_and_narrows():
    wide, narrow = w.rate_sequence(12, 10), w.rate_sequence(1200, 1000)
    assert wide.low < 1 < wide.high
    assert 1.05 < narrow.low < 1.2 < narrow.high < 1.35
    assert w.rate_sequence(0, 20).low == 0
    assert w.rate_sequence(0, 0).high == math.inf


def test_weights_of_starts_never_exceed_the_whole_bet():
    for starts in (1, 2, 60, 5000):
        assert w.start_weights(starts).sum() < 1
    assert w.start_weights(5000).sum() == pytest.approx(1, abs=1e-3)


PROMISE = Interval(value=0.01, low=0.009, high=0.011)


def days_of(ratio, days=120, seed=3, late=0):
    """Return day counts of a plant of 1,000 items a day, the rate changed from a day on."""
    rng = np.random.default_rng(seed)
    rate = np.where(np.arange(days) < late, 0.01, 0.01 * ratio)
    return rng.poisson(1000 * rate).astype(float), np.full(days, 1000.0)


@pytest.mark.parametrize(
    ("ratio", "state"),
    [(1.0, "as promised"), (0.5, "better"), (2.0, "worse: look")],
)
def test_states_in_plain_words(ratio, state):
    assert w.watch_rate(*days_of(ratio), PROMISE, spread=0.0).state == state


def test_few_days_are_too_early():
    counts, items = days_of(1.0, days=2)
    assert w.watch_rate(counts, items, PROMISE, spread=0.0).state == "too early"
    nothing = w.watch_rate(np.zeros(0), np.zeros(0), PROMISE, spread=0.0)
    assert (nothing.state, nothing.evidence_worse) == ("too early", 1.0)


def test_without_days_before_nothing_is_ever_said():
    assert w.dispersion(np.ones(1), np.ones(1)) == math.inf
    found = w.watch_rate(*days_of(3.0), PROMISE, spread=math.inf)
    assert found.state == "too early"


def test_an_alarm_names_its_day_among_all_days():
    counts, items = days_of(2.0, days=80, late=40)
    counts, items = np.insert(counts, 0, np.zeros(5)), np.insert(items, 0, np.zeros(5))
    found = w.watch_rate(counts, items, PROMISE, spread=0.0)
    assert found.days == 80
    assert 45 < found.worse_since < 65


def test_a_late_change_is_found_although_the_start_was_good():
    counts, items = days_of(1.6, days=300, late=200)
    counts[:200] = 8.0  # comfortably below the promise
    found = w.watch_rate(counts, items, Interval(value=0.01, low=0.005, high=0.01), spread=0.0)
    alone = w.log_bet_on_rate(np.cumsum(counts), np.cumsum(items) * 0.01, above=True)
    assert 200 <= found.worse_since < 230
    assert np.flatnonzero(alone >= np.log(20))[0] > found.worse_since + 50


def test_dispersion_is_learned_and_high_where_days_are_few():
    rng = np.random.default_rng(5)
    rates = rng.gamma(4.0, 0.0025, 4000)
    counts, sizes = rng.poisson(2000 * rates).astype(float), np.full(4000, 2000.0)
    assert w.dispersion(counts, sizes) == pytest.approx(0.25, rel=0.1)
    few = [w.dispersion(counts[i : i + 8], sizes[:8]) for i in range(0, 4000, 8)]
    assert np.mean(few) > 0.3
    assert w.dispersion(np.full(30, 7.0), np.full(30, 100.0)) == 0.0
    assert w.dispersion(np.zeros(30), np.full(30, 100.0)) == 0.0


def test_escapes_beyond_the_promised_share_are_worse():
    promised = Interval(value=0.03, low=0.0, high=0.05)
    ones = np.ones(12)
    bad = w.watch_share(ones, 5 * ones, promised, effect=1.0)
    assert (bad.state, bad.count, bad.trials) == ("worse: look", 12, 60)
    assert w.watch_share(ones, 5 * ones, promised, effect=4.0).state == "too early"
    assert w.watch_share(0 * ones, 40 * ones, promised, effect=1.0).state == "as promised"
    nothing = w.watch_share(np.zeros(0), np.zeros(0), promised, effect=1.0)
    assert (nothing.state, nothing.share.high) == ("too early", 1.0)


def lots_at(rng, middle, spread=1.0, lots=30):
    return w.LotProfile(
        items=rng.integers(50, 400, lots).astype(float),
        middle=rng.normal(middle, 0.3, lots),
        spread=spread * rng.lognormal(0, 0.05, lots),
    )


def test_drift_counts_lots_not_items():
    rng = np.random.default_rng(2)
    unmoved = [w.drift(lots_at(rng, 5.0), lots_at(rng, 5.0), least=0.01).shown for _ in range(200)]
    assert sum(unmoved) <= 16  # two intervals at 99 %: 4 expected, more than 16 never
    moved = w.drift(lots_at(rng, 5.0), lots_at(rng, 6.0, 1.4), least=0.01)
    assert moved.shown
    assert moved.shift.low > 0.5
    assert moved.ratio.low > 1.2
    one = w.drift(lots_at(rng, 5.0), lots_at(rng, 9.0, lots=1), least=0.01)
    assert not one.shown
