"""What a handful of escapes lets expect, against integration, drawing and the limits of its law."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gamma, norm, poisson

from optimiser.evidence.escapes import (
    Released,
    added_after,
    added_beforehand,
    caught_after,
    plants_after,
)

SHAPE, APART = 1.8, 0.6


def plants(rng, count, beforehand):
    """True escapes of families on plants that differ: a gamma law around a log-normal mean."""
    middle = beforehand * np.exp(APART * rng.standard_normal(count))
    return rng.gamma(SHAPE, middle / SHAPE)


@pytest.mark.parametrize(("escaped", "misread"), [(0, 0.0), (1, 0.0), (4, 0.0), (0, 1.5), (3, 1.5)])
@pytest.mark.parametrize("beforehand", [0.06, 0.4, 3.0])
def test_what_is_expected_is_the_integral_over_plants_and_families(escaped, misread, beforehand):
    z = np.linspace(-5, 5, 401)[:, None]
    root = np.linspace(1e-4, np.sqrt(4 * escaped + 40), 2001)
    r = root**2
    law = gamma.pdf(r, SHAPE, scale=beforehand * np.exp(APART * z) / SHAPE) * norm.pdf(z)
    mass = law * poisson.pmf(escaped, r + misread) * 2 * root

    def moment(power):
        return np.trapezoid(np.trapezoid(mass * r**power, root, axis=1), z[:, 0])

    none, first, second = (moment(n) for n in range(3))
    found = added_after(escaped, misread, beforehand=beforehand)
    assert found.mean == pytest.approx(first / none, rel=2e-3)
    assert found.variance == pytest.approx(second / none - (first / none) ** 2, rel=0.02)
    assert found.shape == pytest.approx(found.mean**2 / found.variance)


def test_families_picked_by_their_counts_are_promised_what_follows():
    """Kept are the families that look best, as advice keeps them."""
    rng = np.random.default_rng(5)
    misread = 0.6
    true = plants(rng, 40_000, 0.8)
    seen = rng.poisson(true + misread)
    told = {k: added_after(k, misread, beforehand=0.8).mean for k in np.unique(seen).tolist()}
    for best in (seen <= 0, seen <= 1, seen >= 0, seen >= 3):
        assert sum(told[k] for k in seen[best].tolist()) == pytest.approx(
            true[best].sum(), rel=0.03
        )
    # What the count alone says of those picked is less than nothing.
    assert (seen - misread)[seen <= 0].sum() < 0


@pytest.mark.parametrize("misread", [0.0, 0.8])
def test_what_other_families_released_says_what_kind_of_plant_it_is(misread):
    """Against drawing: families of plants alike in what was counted elsewhere, real ones averaged."""
    rng = np.random.default_rng(11)
    middle = np.exp(APART * rng.standard_normal(1_000_000))
    first, second, own = (rng.gamma(SHAPE, middle * b / SHAPE) for b in (0.5, 3.0, 1.0))
    counts = [rng.poisson(true + misread) for true in (first, second, own)]
    for seen in ((0, 0, 0), (2, 7, 1), (0, 1, 3), (3, 9, 0)):
        here = np.all([c == n for c, n in zip(counts, seen, strict=True)], axis=0)
        elsewhere = tuple(
            Released(escaped=n, misread=misread, beforehand=b)
            for n, b in zip(seen[:2], (0.5, 3.0), strict=True)
        )
        found = added_after(seen[2], misread, beforehand=1.0, elsewhere=elsewhere)
        error = own[here].std() / np.sqrt(here.sum())
        assert here.sum() > 200
        assert found.mean == pytest.approx(own[here].mean(), abs=4 * error)
        assert found.variance == pytest.approx(own[here].var(), rel=0.25)


def test_plants_that_release_more_elsewhere_are_expected_to_release_more_here():
    def told(*escaped, of=2.0):
        seen = tuple(Released(escaped=n, misread=0.3, beforehand=of) for n in escaped)
        return added_after(1, 0.3, beforehand=1.0, elsewhere=seen).mean

    assert told(0, 0, 0) < told(2, 2, 2) < told(2, 2, 9) < told(9, 9, 9)
    # More families say it more surely, each in whatever order.
    assert told(9, 9) < told(*[9] * 12) == told(*[9] * 12)
    assert told(0, 4, 9) == pytest.approx(told(9, 0, 4))
    alone = added_after(1, 0.3, beforehand=1.0).mean
    # Some as many as expected beforehand, misread ones aside, say that it is a plant like others.
    assert told(*[1] * 12) < alone < told(*[4] * 12)
    # Where nothing was expected, nothing is said.
    assert told(5, 5, of=0.0) == alone
    assert np.exp(plants_after(())).sum() == pytest.approx(1.0)


@given(
    escaped=st.floats(0, 60),
    misread=st.floats(0, 30),
    more=st.floats(0.01, 5),
    beforehand=st.floats(0.02, 40),
)
@settings(max_examples=100, deadline=None)
def test_more_escapes_let_expect_more_and_more_misread_ones_fewer(
    escaped, misread, more, beforehand
):
    found = added_after(escaped, misread, beforehand=beforehand)
    assert 0 < found.mean <= escaped + SHAPE
    assert found.variance > 0
    assert added_after(escaped + more, misread, beforehand=beforehand).mean > found.mean
    fewer = added_after(escaped, misread + more, beforehand=beforehand)
    assert fewer.mean <= found.mean * (1 + 1e-12)
    dearer = added_after(escaped, misread, beforehand=beforehand * 1.1)
    assert dearer.mean > found.mean


def test_a_count_of_hundreds_speaks_for_itself():
    assert added_after(300, 0.0, beforehand=80.0).mean == pytest.approx(300, rel=0.01)
    assert added_after(300, 100.0, beforehand=80.0).mean == pytest.approx(200, rel=0.02)


def test_half_a_label_lies_midway():
    one, two = (added_after(n, 0.7, beforehand=1.0).mean for n in (1, 2))
    assert added_after(1.5, 0.7, beforehand=1.0).mean == pytest.approx((one + two) / 2)


def test_beforehand_goes_with_what_is_saved_and_never_beyond_half_of_the_known_defects():
    usual = {"of": 60, "left": 1.0, "limits": 8}
    assert added_beforehand(1.0, **usual) == 0.37
    assert added_beforehand(32.0, **usual) == pytest.approx(0.37 * 32**0.63)
    assert added_beforehand(1e9, **usual) == added_beforehand(np.inf, **usual) == 30
    assert added_beforehand(-3.0, **usual) == added_beforehand(0.05, **usual) > 0
    assert added_beforehand(5.0, **usual | {"of": 0}) == 0
    nothing = added_after(0, 0.0, beforehand=0.0)
    assert nothing.mean == nothing.variance == nothing.shape == 0


def test_beforehand_is_less_where_hardly_a_false_call_is_left_and_where_limits_are_many():
    usual = {"of": 60, "left": 1.0, "limits": 8}
    assert added_beforehand(1.0, **usual | {"left": 0.25}) == pytest.approx(0.37 * 0.25**0.35)
    assert added_beforehand(1.0, **usual | {"limits": 40}) == pytest.approx(0.37 * 5**-0.38)
    gone = [added_beforehand(1.0, **usual | {"left": x}) for x in (-0.2, 0.0, 0.01)]
    assert gone == [pytest.approx(0.37 * 0.01**0.35)] * 3
    # A change that calls more than before is no further from what it could save.
    assert added_beforehand(1.0, **usual | {"left": 1.7}) == 0.37


@pytest.mark.parametrize("labels", [1, 3, 12])
@pytest.mark.parametrize("worth", [0.05, 0.6, 9.0])
def test_escapes_caught_are_the_mean_after_so_many_labels(labels, worth):
    each = 2.5
    z = np.linspace(-5, 5, 401)[:, None]
    root = np.linspace(1e-4, np.sqrt(20 * labels + 150), 2001)
    r = root**2
    law = gamma.pdf(r, 2.0, scale=worth ** (2 / 3) * np.exp(1.5 * z) / 2.0) * norm.pdf(z)
    mass = law * poisson.pmf(labels, r / each) * 2 * root
    none, first, second = (
        np.trapezoid(np.trapezoid(mass * r**n, root, axis=1), z[:, 0]) for n in range(3)
    )
    found = caught_after(labels * each, each=each, worth=worth)
    assert found.mean == pytest.approx(first / none, rel=0.01)
    assert found.variance == pytest.approx(second / none - (first / none) ** 2, rel=0.05)
    nothing = caught_after(0.0, each=each, worth=worth)
    assert nothing.mean == nothing.variance == 0
    assert 0 < caught_after(0.4, each=0.4, worth=worth).mean < 1.2


def test_one_label_caught_by_chance_counts_for_less_than_many_or_than_one_that_was_paid_for():
    chance, dear = (caught_after(2.0, each=2.0, worth=w).mean for w in (0.05, 1.0))
    assert chance < 1 < dear < 2
    assert caught_after(20.0, each=2.0, worth=0.05).mean > 16
    free = [caught_after(2.0, each=2.0, worth=w).mean for w in (-1.0, 0.0, 0.05)]
    assert free == [chance] * 3
