"""Flicker against exact integrals, the published vectors and simulated second inspections."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm

from optimiser.errors import UsageError
from optimiser.evidence.conformance import guard_band
from optimiser.evidence.flicker import REACH, flicker

# statistics.md 10, goods N(0, 1): limit, repeatability, exact, from true and observed density,
# share of calls that do not repeat.
VECTORS = [
    (2, 0.1, 0.006168, 0.006092, 0.006183, 0.13),
    (2, 0.3, 0.020265, 0.018277, 0.020649, 0.37),
    (3, 0.1, 0.000517, 0.000500, 0.000520, 0.18),
    (3, 0.3, 0.001982, 0.001500, 0.002084, 0.49),
]


def chance_beyond(past, error):
    """The chance to read beyond a limit that a value lies past by so much."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(error > 0, norm.cdf(past / error), past > 0)


def call_probability(values, lower, upper, repeatability, *, known_by="true value"):
    """The chance that another inspection calls each item, by any limit; an oracle of its own."""
    error = repeatability * (math.sqrt(2.0) if known_by == "one reading" else 1.0)
    beyond = chance_beyond(values - upper, error) + chance_beyond(lower - values, error)
    return 1 - (1 - np.clip(np.where(np.isnan(values), 0.0, beyond), 0.0, 1.0)).prod(axis=1)


def flip_probability(call):
    """The chance that two inspections differ, each calling with the chance given."""
    return 2 * call * (1 - call)


def flicker_of_density(density, sigma):
    """The share that flickers from the density at the limit: 2 σ/√π times it."""
    return 2 / math.sqrt(math.pi) * density * sigma


def one_limit(x, limit, sigma, **options):
    return call_probability(
        np.reshape(x, (-1, 1)).astype(float),
        np.array([-np.inf]),
        np.array([float(limit)]),
        np.array([sigma]),
        **options,
    )


@pytest.mark.parametrize(("limit", "sigma", "exact", "true", "observed", "unrepeated"), VECTORS)
def test_vectors(limit, sigma, exact, true, observed, unrepeated):
    def flips(x):
        return norm.pdf(x) * flip_probability(one_limit(x, limit, sigma))[0]

    integral = quad(flips, limit - 12 * sigma, limit + 12 * sigma, epsabs=1e-12)[0]
    assert integral == pytest.approx(exact, abs=6e-7)
    assert flicker_of_density(norm.pdf(limit), sigma) == pytest.approx(true, abs=6e-7)
    readings = norm(0, math.hypot(1, sigma))
    from_readings = flicker_of_density(readings.pdf(limit), sigma)
    assert from_readings == pytest.approx(observed, abs=6e-7)
    assert from_readings == pytest.approx(exact, rel=0.06)
    assert exact / (2 * readings.sf(limit)) == pytest.approx(unrepeated, abs=0.006)


@pytest.mark.parametrize(("limit", "sigma", "exact", "_true", "observed", "_u"), VECTORS)
def test_the_estimate_is_nearer_than_the_density(limit, sigma, exact, _true, observed, _u):
    """A sample without chance: readings at even quantiles, so the estimate is its expectation."""
    n = 400_000
    y = norm(0, math.hypot(1, sigma)).ppf((np.arange(n) + 0.5) / n)
    found = flicker(
        y, np.arange(n) % 4, np.full(4, n / 4), limit=limit, repeatability=sigma, calls=1.0
    )
    error = abs(found.share.value / exact - 1)
    assert error < 0.03
    assert error < abs(observed / exact - 1)


def test_catching_again():
    """statistics.md 10: a limit at the reading catches again half of the time; so do guard bands."""
    assert one_limit([2.0], 2.0, 0.3, known_by="one reading")[0] == 0.5
    for risk in (0.10, 0.05, 0.01):
        limit = 2.0 - guard_band(0.3, risk, known_by="one reading")
        assert one_limit([2.0], limit, 0.3, known_by="one reading")[0] == pytest.approx(1 - risk)


def drawn(rng, n, sigma, lots=20):
    true = rng.standard_normal(n)
    return true, true + rng.normal(0, sigma, n), np.arange(n) % lots


@pytest.mark.parametrize(("limit", "sigma", "exact", "_t", "_o", "unrepeated"), VECTORS)
def test_estimate_from_stored_readings(limit, sigma, exact, _t, _o, unrepeated):
    """A million readings: within four standard errors, and 3 % for what the kernel leaves."""
    rng = np.random.default_rng(4)
    _, y, lot = drawn(rng, 1_000_000, sigma)
    near = np.abs(y - limit) <= REACH * sigma
    found = flicker(
        y[near], lot[near], np.full(20, 50_000.0),
        limit=limit, repeatability=sigma, calls=(y > limit).sum(), level=0.68,
    )  # fmt: skip
    error = (found.share.high - found.share.low) / 2
    assert abs(found.share.value - exact) <= 4 * error + 0.03 * exact
    assert found.unrepeated.value == pytest.approx(unrepeated, abs=0.03)
    everything = flicker(
        y, lot, np.full(20, 50_000.0),
        limit=limit, repeatability=sigma, calls=(y > limit).sum(), level=0.68,
    )  # fmt: skip
    assert everything.share.value == pytest.approx(found.share.value, rel=1e-12)


@pytest.mark.slow
def test_a_second_inspection_differs_as_often_as_stated():
    """Real second readings of 4 million items, goods with a heavy tail of bad places."""
    rng, n, sigma, limit = np.random.default_rng(6), 4_000_000, 0.2, 2.5
    true = np.where(rng.random(n) < 0.02, rng.normal(1.5, 1.2, n), rng.standard_normal(n))
    first, second = (true + rng.normal(0, sigma, n) for _ in range(2))
    differs = (first > limit) != (second > limit)
    lot = np.arange(n) % 40
    found = flicker(
        first, lot, np.full(40, n / 40), limit=limit, repeatability=sigma,
        calls=(first > limit).sum(),
    )  # fmt: skip
    assert found.share.value == pytest.approx(differs.mean(), rel=0.03)
    lost = (differs & (first > limit)).sum() / (first > limit).sum()
    assert found.unrepeated.value == pytest.approx(lost, rel=0.03)


@pytest.mark.slow
def test_a_caught_defect_is_caught_again_as_often_as_stated():
    """Over defects of any true value, judged by one stored reading at a wide flat spread."""
    rng, n, sigma = np.random.default_rng(7), 400_000, 0.3
    true = rng.uniform(-30, 30, n)
    first, second = (true + rng.normal(0, sigma, n) for _ in range(2))
    close = np.abs(first - 1.0) < 1.0
    stated = one_limit(first[close], 1.0, sigma, known_by="one reading").sum()
    caught = (second[close] > 1.0).sum()
    low, high = binom.ppf([5e-7, 1 - 5e-7], close.sum(), stated / close.sum())
    assert low <= caught <= high


@pytest.mark.slow
def test_the_interval_holds_its_level():
    """600 histories of 30 lots whose process wanders; misses beyond one in a million fail."""
    rng, missed, runs = np.random.default_rng(9), 0, 600
    limit, sigma, wander = 2.0, 0.2, 0.15
    spread = math.hypot(1, wander)

    def flips(x):
        return norm.pdf(x / spread) / spread * flip_probability(one_limit(x, limit, sigma))[0]

    exact = quad(flips, limit - 3, limit + 3)[0]
    for _ in range(runs):
        middle = rng.normal(0, wander, 30)
        y = rng.normal(middle[:, None], math.hypot(1, sigma), (30, 800))
        found = flicker(
            y.ravel(), np.repeat(np.arange(30), 800), np.full(30, 800.0),
            limit=limit, repeatability=sigma, calls=(y > limit).sum(), level=0.9,
        )  # fmt: skip
        missed += not found.share.low <= exact <= found.share.high
    assert missed <= binom.isf(1e-6, runs, 0.1)


def test_nothing_near_and_nothing_called():
    none = np.zeros(0)
    found = flicker(
        none, none.astype(int), np.array([10.0, 10.0]), limit=1, repeatability=0.1, calls=0
    )
    assert (found.share.value, found.unrepeated.low, found.unrepeated.high) == (0, 0, 1)
    assert found.items == 20


def test_bad_arguments_are_named():
    y, lot = np.zeros(2), np.array([0, 2])
    with pytest.raises(UsageError, match=r"lots must be 0..1, got 0..2"):
        flicker(y, lot, np.ones(2), limit=0, repeatability=1, calls=1)
    with pytest.raises(UsageError, match="repeatability must be a finite number above 0, got 0"):
        flicker(y, lot, np.ones(3), limit=0, repeatability=0, calls=1)
