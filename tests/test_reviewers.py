"""Reviewers: published miss rates and figures of detection, the minimum, corrected labels."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from optimiser.defaults import SCENARIOS
from optimiser.errors import UsageError
from optimiser.evidence.reviewers import (
    LABORATORY,
    MissCurve,
    constant_curve,
    fit_curve,
    scenario,
    total_escapes,
    true_share,
)

# Curves --------------------------------------------------------------------------------------


def test_wolfe_points_and_fit():
    """Wolfe et al. 2005: 7, 16, 30 % at 50, 10, 1 % (figures from memory); statistics.md 4.1."""
    assert LABORATORY == ((0.50, 0.07), (0.10, 0.16), (0.01, 0.30))
    curve = scenario("laboratory", miss_rate=0.05)
    assert (curve.intercept, curve.slope) == pytest.approx((-1.4666, -0.2069), abs=5e-5)
    shares = np.array([0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001, 0.0001, 0.0])
    expected = [0.0712, 0.119, 0.1558, 0.196, 0.254, 0.3029, 0.355, 0.40, 0.40, 0.40]
    assert curve.miss_rate(shares) == pytest.approx(np.array(expected), abs=6e-4)
    assert curve.miss_rate(np.array([1.0]))[0] == 0


def test_expert_curve():
    """Evans et al. 2013: 12 % at one half, 30 % in screening; slope -0.11 to -0.14 at 0.3 to 1 %."""
    curve = scenario("expert", miss_rate=0.05)
    assert curve.intercept == pytest.approx(-1.175, abs=5e-4)
    assert curve.miss_rate(np.array([0.5, 0.005])) == pytest.approx([0.12, 0.30])
    for share, slope in ((0.01, -0.14), (0.003, -0.11)):
        other = fit_curve("expert", ((0.5, 0.12), (share, 0.30)))
        assert other.slope == pytest.approx(slope, abs=6e-3)
    assert -0.14 < curve.slope < -0.11


def test_guns_and_knives():
    """Wolfe and Van Wert 2010 (press account): 7 % at 50 %, 30 % at 2 %: slope -0.244."""
    assert fit_curve("guns", ((0.5, 0.07), (0.02, 0.30))).slope == pytest.approx(-0.244, abs=5e-4)


@given(st.floats(-3, 0), st.floats(-0.5, -0.01), st.floats(0.02, 0.4), st.floats(0.45, 0.95))
def test_two_call_loads_fix_the_curve(intercept, slope, low, high):
    """statistics.md 4.2: b = (probit m1 - probit m2) / (logit pi1 - logit pi2)."""
    truth = MissCurve(name="own", intercept=intercept, slope=slope, cap=1.0)
    points = [(x, float(truth.miss_rate(np.array([x]))[0])) for x in (low, high)]
    found = fit_curve("own", points, cap=1.0)
    assert (found.intercept, found.slope) == pytest.approx((intercept, slope), abs=1e-6)


@given(st.floats(0, 0.99), st.sampled_from(SCENARIOS))
def test_curves_never_rise_with_the_share(rate, name):
    found = scenario(name, miss_rate=rate).miss_rate(np.linspace(0, 1, 201))
    assert np.all(np.diff(found) <= 0)
    assert np.all((found >= 0) & (found < 1))
    if name == "constant":
        assert found == pytest.approx(np.full(201, rate), abs=1e-12)
    else:
        assert found.max() == 0.40


def test_wrong_curves_are_named():
    with pytest.raises(UsageError, match=r"unknown scenario 'expret'.*did you mean 'expert'"):
        scenario("expret", miss_rate=0)
    with pytest.raises(UsageError, match="0 <= miss rate < 1 must hold, got 1"):
        constant_curve(1.0)
    for points in ([(0.5, 0.1)], [(0.5, 0.1), (0.5, 0.2)], [(0.5, 0.0), (0.1, 0.2)], []):
        with pytest.raises(UsageError, match="two call loads or more"):
            fit_curve("own", points)
    with pytest.raises(UsageError, match="must not rise with the share"):
        fit_curve("own", [(0.5, 0.3), (0.01, 0.1)])


# Total escapes -------------------------------------------------------------------------------

DEFECTS = 200e-6  # statistics.md 4.2: defects N(5, 1), goods N(0, 1), called above t


def at(t, curve):
    t = np.atleast_1d(np.asarray(t, float))
    return total_escapes(
        DEFECTS * norm.cdf(t - 5), (1 - DEFECTS) * norm.sf(t), defects=DEFECTS, curve=curve
    )


@pytest.fixture
def laboratory():
    return scenario("laboratory", miss_rate=0.0)


@pytest.mark.parametrize(
    ("t", "calls", "share", "miss", "limits", "total"),
    [
        (2.5, 6407, 0.031, 0.225, 0.006, 0.230),
        (3.0, 1545, 0.126, 0.143, 0.023, 0.163),
        (3.44, 479, None, 0.084, 0.059, 0.139),
        (3.8, 249, 0.710, 0.049, 0.115, 0.159),
        (4.2, 171, 0.922, 0.024, 0.212, 0.231),
    ],
)
def test_interior_optimum_table(laboratory, t, calls, share, miss, limits, total):
    found = at(t, laboratory)
    assert 1e6 * found.calls[0] == pytest.approx(calls, abs=0.6)
    assert share is None or found.true_share[0] == pytest.approx(share, abs=6e-4)
    assert found.miss_rate[0] == pytest.approx(miss, abs=6e-4)
    assert found.missed_by_limits[0] / DEFECTS == pytest.approx(limits, abs=6e-4)
    assert found.total[0] / DEFECTS == pytest.approx(total, abs=6e-4)


def test_total_escapes_have_a_least_call_load(laboratory):
    """3.44 and 479 ppm of calls; a reviewer of constant rate would tighten for ever."""
    t = np.arange(2.0, 5.0, 0.01)
    found = at(t, laboratory)
    assert t[found.least] == pytest.approx(3.44, abs=0.011)
    assert 1e6 * found.calls[found.least] == pytest.approx(479, abs=15)
    for rate in (0.0, 0.2):
        assert t[at(t, constant_curve(rate)).least] == 2.0


@pytest.mark.parametrize(
    ("price", "perfect", "perfect_calls", "real", "real_calls"),
    [(100, 3.28, 710, 3.56, 370), (1000, 2.82, 2598, 3.46, 458), (10_000, 2.36, 9335, 3.44, 479)],
)
def test_cheapest_limits(laboratory, price, perfect, perfect_calls, real, real_calls):
    """statistics.md 4.2: dearer escapes loosen nothing any more once reviewers tire."""
    for curve, where, calls in (
        (constant_curve(0.0), perfect, perfect_calls),
        (laboratory, real, real_calls),
    ):
        best = minimize_scalar(
            lambda t, c=curve: 1e6 * (price * at(t, c).total[0] + at(t, c).calls[0]),
            bounds=(2, 4.5),
            method="bounded",
        ).x
        assert best == pytest.approx(where, abs=0.006)
        assert 1e6 * at(where, curve).calls[0] == pytest.approx(calls, rel=0.03)


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 5000)), min_size=1, max_size=8),
    st.sampled_from(SCENARIOS),
    st.floats(0.001, 1000),
)
def test_totals_add_up_and_do_not_depend_on_the_unit(points, name, unit):
    escapes, false_calls = np.array(points, float).T
    curve = scenario(name, miss_rate=0.07)
    found = total_escapes(escapes, false_calls, defects=40.0, curve=curve)
    assert found.scenario == name
    assert found.total == pytest.approx(found.missed_by_limits + found.missed_by_review)
    assert np.all((found.total >= escapes) & (found.total <= 40))
    assert found.total[found.least] == found.total.min()
    scaled = total_escapes(unit * escapes, unit * false_calls, defects=unit * 40.0, curve=curve)
    assert scaled.total == pytest.approx(unit * found.total)


def test_of_equal_totals_the_fewest_calls():
    found = total_escapes(
        np.array([0.0, 0.0, 4.0]), np.array([9.0, 5.0, 0.0]), defects=4.0, curve=constant_curve(0)
    )
    assert found.least == 1
    assert (found.calls[2], found.true_share[2], found.total[2]) == (0, 0, 4)


def test_wrong_points_are_named():
    with pytest.raises(UsageError, match=r"0 <= escapes <= defects .* got 1 settings, 4 defects"):
        total_escapes(np.array([5.0]), np.array([1.0]), defects=4, curve=constant_curve(0))
    with pytest.raises(UsageError, match="got 0 settings"):
        total_escapes(np.zeros(0), np.zeros(0), defects=4, curve=constant_curve(0))


# Signal detection ----------------------------------------------------------------------------


# Labels --------------------------------------------------------------------------------------


def test_rogan_gladen():
    """statistics.md 4.3: .05 seen with sensitivity .9 and specificity .98 is .03409."""
    found = true_share(0.05, miss_rate=0.1, false_alarm_rate=0.02)
    assert found == pytest.approx(0.03409, abs=5e-6)
    assert true_share(0.01, miss_rate=0.1, false_alarm_rate=0.02) == 0
    assert true_share(0.95, miss_rate=0.1, false_alarm_rate=0.02) == 1


@given(st.floats(0, 1), st.floats(0, 0.45), st.floats(0, 0.45))
def test_correction_undoes_the_errors(share, miss, alarm):
    seen = share * (1 - miss) + (1 - share) * alarm
    assert true_share(seen, miss_rate=miss, false_alarm_rate=alarm) == pytest.approx(
        share, abs=1e-9
    )


def test_wrong_labels_are_named():
    with pytest.raises(UsageError, match=r"below 1 together, got 0.6 and 0.4"):
        true_share(0.1, miss_rate=0.6, false_alarm_rate=0.4)
    with pytest.raises(UsageError, match=r"must not be negative .* got -0.1 and 0"):
        true_share(0.1, miss_rate=-0.1, false_alarm_rate=0)
    assert math.isclose(true_share(0.5, miss_rate=0, false_alarm_rate=0), 0.5)
