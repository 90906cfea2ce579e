"""Risks and guard bands against JCGM 106, published risk tables, identities and simulation."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import binom, expon, gamma, multivariate_normal, norm, uniform

from optimiser.errors import UsageError
from optimiser.evidence.conformance import (
    global_risk,
    guard_band,
    guard_bound,
    process_of_readings,
)
from optimiser.plant.file import Bound


def within(half: float) -> Bound:
    return Bound(lower=-half, upper=half)


# One item: after JCGM 106, inputs from memory, values recomputed (outside-checks.md 1a) ----------


@pytest.mark.parametrize(
    ("probability", "z"),
    [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)],
)
def test_one_sided_guard_bands_are_table_1_of_jcgm_106(probability, z):
    assert guard_band(1.0, 1 - probability) == pytest.approx(z, abs=6e-3)


# Guard bands ---------------------------------------------------------------------------------


def test_guard_bands_of_round_risks():
    """Half of z at 95, 97.5, 99 % (recomputed); statistics.md 10: known value and one reading."""
    for risk, half in ((0.05, 0.8224268), (0.025, 0.9799820), (0.01, 1.1631739)):
        assert guard_band(1.0, risk) / 2 == pytest.approx(half, abs=1e-7)
    for risk, true, reading in ((0.10, 1.282, 1.812), (0.05, 1.645, 2.326), (0.01, 2.326, 3.290)):
        assert guard_band(1.0, risk) == pytest.approx(true, abs=5e-4)
        assert guard_band(1.0, risk, known_by="one reading") == pytest.approx(reading, abs=5e-4)


@given(st.floats(-5, 5), st.floats(0.01, 3))
def test_at_the_guarded_limit_the_specific_risk_is_the_wanted_one(bound, u):
    limit = guard_bound(Bound(upper=bound), guard_band(u, 0.02)).upper
    # JCGM 106, 7.3: the chance that the item whose reading lies there conforms.
    assert norm.cdf((bound - limit) / u) == pytest.approx(0.98)


# All items (outside-checks.md 1b) --------------------------------------------------------------

BEARINGS = gamma(4, scale=0.25)


@pytest.mark.parametrize(
    ("process", "u", "tolerance", "acceptance", "risks", "conditional"),
    [
        # ball bearings, JCGM 106 9.5.4: 4.2 % nonconforming, R_C 0.8 % (read)
        (BEARINGS, 0.25, Bound(upper=2), None,
         (0.008019112, 0.0174446), (0.189219, 0.018217, 0.008457)),
        # the same with R_C held to 0.1 %: accepted up to 1.671828772 (read)
        (BEARINGS, 0.25, Bound(upper=2), Bound(upper=1.671828772),
         (0.0010000, 0.0754939), (0.023596, 0.078835, 0.001132)),
        # Deaver 1993 (read in suncal's tests): 0.008 and 0.015
        (norm(0, 1), 0.25, within(2), None,
         (0.0080061, 0.0148509), (0.175957, 0.015559, 0.008448)),
        # Deaver, wider: 0.0025
        (norm(0, 1), 0.25, within(2.5), None,
         (0.0024453, 0.0053194), (0.196899, 0.005386, 0.002483)),
        # Deaver, p. 10, guard factor 0.91: 0.008 and 0.066
        (norm(0, 1), 0.5, within(2), within(1.82),
         (0.0080516, 0.0661065), (0.176957, 0.069258, 0.008982)),
        # resistors: inputs from memory, values recomputed
        (norm(0, 0.12), 0.04, within(0.2), None,
         (0.018942, 0.037208), (0.19818, 0.04114, None)),
        (norm(0, 0.12), 0.04, within(0.2), within(0.18),
         (0.009878, 0.069027), (0.10335, 0.07632, None)),
        (norm(0, 0.12), 0.04, within(0.2), within(0.16),
         (0.004334, 0.114657), (0.04535, 0.12677, None)),
        # statistics.md 10
        (norm(0, 0.12), 0.04, within(0.2), within(0.12),
         (0.00047, 0.24767), (None, None, None)),
    ],
)  # fmt: skip
def test_global_risks(process, u, tolerance, acceptance, risks, conditional):
    found = global_risk(process, u, tolerance, acceptance)
    digits = 6e-6 if conditional[0] is None else 6e-7
    assert (found.consumer, found.producer) == pytest.approx(risks, abs=digits)
    rates = (found.escape_rate, found.false_call_rate, found.outgoing_nonconforming)
    for rate, expected in zip(rates, conditional, strict=True):
        assert expected is None or rate == pytest.approx(expected, abs=6e-6)


def test_joint_and_conditional_risks_are_not_the_same():
    """The trap of the ball bearings: 0.8 % of all items, but 18.9 % of the nonconforming ones."""
    found = global_risk(BEARINGS, 0.25, Bound(upper=2))
    assert found.nonconforming == pytest.approx(0.042380112, abs=1e-8)
    assert found.escape_rate > 20 * found.consumer
    rejecting_below_zero = global_risk(BEARINGS, 0.25, Bound(upper=2), Bound(lower=0, upper=2))
    assert rejecting_below_zero.producer == pytest.approx(0.031310, abs=6e-7)
    assert rejecting_below_zero.consumer == pytest.approx(found.consumer, abs=1e-9)


@pytest.mark.parametrize(
    ("within_percent", "joint", "conditional"),
    [
        (60, 4.83860326, 8.26008199),
        (70, 3.92234109, 5.72322042),
        (80, 2.85583037, 3.63227145),
        (90, 1.59995312, 1.79880430),
        (95, 0.87100925, 0.92389664),
        (99, 0.19991684, 0.20243866),
    ],
)
def test_rp_19_draft_table(within_percent, joint, conditional):
    """RP-19's draft table as in suncal's tests (read): in tolerance %, ratio of deviations 4."""
    sigma = 1 / norm.ppf((1 + within_percent / 100) / 2)
    found = global_risk(norm(0, sigma), sigma / 4, within(1))
    assert 100 * found.consumer == pytest.approx(joint, abs=5e-6)
    assert 100 * found.outgoing_nonconforming == pytest.approx(conditional, abs=5e-6)


def test_worst_case_over_processes():
    """A tolerance 4.6 times U keeps the consumer's risk at 2 % (Harben and Reese, from memory)."""
    u = 1 / (1.96 * 4.6)
    worst = minimize_scalar(
        lambda s: -global_risk(norm(0, s), u, within(1)).consumer, bounds=(0.1, 5), method="bounded"
    )
    assert -worst.fun == pytest.approx(0.0200232, abs=1e-6)


@settings(deadline=None)
@example(sigma=2.0, u=1.0, half=1.0, guard=1e-13, mean=1.0)  # bends that all but coincide
@given(
    st.floats(0.05, 2),
    st.floats(0.01, 1),
    st.floats(0.2, 4),
    st.floats(-0.5, 0.5),
    st.floats(-2, 2),
)
def test_global_risk_is_the_bivariate_normal(sigma, u, half, guard, mean):
    """A second way to the same: true value and reading are jointly normal."""
    guard = min(guard, 0.9 * half)
    found = global_risk(norm(mean, sigma), u, within(half), within(half - guard))
    both = multivariate_normal(
        [mean, mean], [[sigma**2, sigma**2], [sigma**2, sigma**2 + u**2]], allow_singular=True
    )
    reach = half - guard
    good_and_accepted = both.cdf([half, reach], lower_limit=[-half, -reach])
    read = norm(mean, math.hypot(sigma, u))
    accepted = read.cdf(reach) - read.cdf(-reach)
    true = norm(mean, sigma)
    conforming = true.cdf(half) - true.cdf(-half)
    assert found.accepted == pytest.approx(accepted, abs=1e-8)
    assert found.consumer == pytest.approx(accepted - good_and_accepted, abs=2e-5)
    assert found.producer == pytest.approx(conforming - good_and_accepted, abs=2e-5)
    # every item is one of four
    assert found.accepted - found.consumer + found.producer == pytest.approx(
        1 - found.nonconforming, abs=1e-9
    )


@settings(deadline=None)
@given(st.floats(0.02, 1), st.floats(-1, 0.9), st.floats(0.001, 0.5))
def test_guarding_trades_the_consumers_risk_for_the_producers(u, width, more):
    width = min(width, 0.4)
    wide, tight = (
        global_risk(norm(0.1, 0.7), u, within(1), guard_bound(within(1), w))
        for w in (width, width + more)
    )
    assert tight.consumer <= wide.consumer + 1e-12
    assert tight.producer >= wide.producer - 1e-12


def test_processes_with_edges():
    """Against plain sums over a fine grid: densities that jump are no trouble."""
    for process in (uniform(-1.5, 3), expon(scale=0.5)):
        found = global_risk(process, 0.05, within(1))
        x = np.linspace(-2, 20, 2_200_001)
        mass = process.pdf(x) * (x[1] - x[0])
        accepted = norm.cdf((1 - x) / 0.05) - norm.cdf((-1 - x) / 0.05)
        assert found.consumer == pytest.approx(
            mass[np.abs(x) > 1] @ accepted[np.abs(x) > 1], abs=2e-5
        )
        assert found.accepted == pytest.approx(mass @ accepted, abs=2e-5)


@pytest.mark.slow
def test_stated_risks_happen():
    """A million items: each share lies within chance of one in a million of the stated one."""
    rng, n = np.random.default_rng(12), 1_000_000
    true = BEARINGS.rvs(n, random_state=rng)
    read = true + rng.normal(0, 0.25, n)
    for w in (0.0, 0.328171228):  # the width at which one item in a thousand is accepted and bad
        found = global_risk(BEARINGS, 0.25, Bound(upper=2), Bound(upper=2 - w))
        bad, passed = true > 2, read <= 2 - w
        for count, total, share in (
            ((bad & passed).sum(), n, found.consumer),
            ((~bad & ~passed).sum(), n, found.producer),
            ((bad & passed).sum(), bad.sum(), found.escape_rate),
            ((~bad & ~passed).sum(), (~bad).sum(), found.false_call_rate),
            ((bad & passed).sum(), passed.sum(), found.outgoing_nonconforming),
        ):
            low, high = binom.ppf([5e-7, 1 - 5e-7], total, share)
            assert low <= count <= high


@pytest.mark.slow
def test_stated_guard_bands_miss_as_often_as_stated():
    rng, n = np.random.default_rng(13), 400_000
    for risk in (0.10, 0.05, 0.01):
        edge = np.zeros(n)
        reading = edge + rng.normal(0, 0.3, n)
        limit = edge - guard_band(0.3, risk)  # the bound is known; the item lies on it
        missed = (reading <= limit).sum()
        first = rng.normal(0, 0.3, n)  # the defect's stored reading; its true value is 0
        limit = first - guard_band(0.3, risk, known_by="one reading")
        missed_again = (rng.normal(0, 0.3, n) <= limit).sum()
        low, high = binom.ppf([5e-7, 1 - 5e-7], n, risk)
        assert low <= missed <= high
        assert low <= missed_again <= high


def test_process_behind_readings():
    process = process_of_readings(10, 5, 3)
    assert (process.ppf(0.5), process.cdf(14)) == pytest.approx((10, norm.cdf(1)))
    with pytest.raises(UsageError, match=r"further than the gauge alone, got 0.3 against 0.4"):
        process_of_readings(0, 0.3, 0.4)


def test_bad_arguments_are_named():
    with pytest.raises(UsageError, match="uncertainty must be a finite number above 0, got inf"):
        global_risk(norm(), math.inf, within(1))
    with pytest.raises(UsageError, match=r"0 < risk < 1 .* got risk=0"):
        guard_band(1, 0)
    with pytest.raises(UsageError, match="repeatability=-1"):
        guard_band(-1, 0.1)
    with pytest.raises(UsageError, match="below half the tolerance, got 1 on each side of -1 to 1"):
        guard_bound(within(1), 1)
