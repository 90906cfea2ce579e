"""What a handful of escapes lets expect, against integration, drawing and the limits of its law."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gamma, norm, poisson

from optimiser.evidence.escapes import added_after, added_beforehand, caught_after, real_among

SHAPE, APART = 1.9, 0.6


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
    # Twenty-one nodes stand for all plants.
    assert found.mean == pytest.approx(first / none, rel=0.02)
    assert found.variance == pytest.approx(second / none - (first / none) ** 2, rel=0.08)
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


@pytest.mark.parametrize("escaped", [0, 1, 4, 15])
@pytest.mark.parametrize("misread", [0.4, 3.0])
@pytest.mark.parametrize("beforehand", [0.1, 1.0, 6.0])
def test_of_escaped_labels_those_real_are_what_drawing_says(escaped, misread, beforehand):
    rng = np.random.default_rng(escaped)
    true = rng.poisson(plants(rng, 1_000_000, beforehand))
    seen = true + rng.poisson(misread, true.size)
    found = real_among(escaped, misread, beforehand=beforehand)
    if (here := seen == escaped).sum() > 1000:
        error = true[here].std() / np.sqrt(here.sum())
        assert found == pytest.approx(true[here].mean(), abs=4 * error + 0.03)
    assert 0 <= found <= escaped
    assert real_among(escaped, 0.0, beforehand=beforehand) == escaped


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
    assert added_beforehand(1.0, of=60) == 0.35
    assert added_beforehand(32.0, of=60) == pytest.approx(0.35 * 8)
    assert added_beforehand(1e9, of=60) == added_beforehand(np.inf, of=60) == 30
    assert added_beforehand(-3.0, of=60) == added_beforehand(0.05, of=60) > 0
    assert added_beforehand(5.0, of=0) == 0
    nothing = added_after(0, 0.0, beforehand=0.0)
    assert nothing.mean == nothing.variance == nothing.shape == 0
    assert real_among(3, 1.0, beforehand=0.0) == 3


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
    # Twenty-one nodes stand for all plants.
    assert found.mean == pytest.approx(first / none, rel=0.05)
    assert found.variance == pytest.approx(second / none - (first / none) ** 2, rel=0.15)
    nothing = caught_after(0.0, each=each, worth=worth)
    assert nothing.mean == nothing.variance == 0
    assert 0 < caught_after(0.4, each=0.4, worth=worth).mean < 1.2


def test_one_label_caught_by_chance_counts_for_less_than_many_or_than_one_that_was_paid_for():
    chance, dear = (caught_after(2.0, each=2.0, worth=w).mean for w in (0.05, 1.0))
    assert chance < 1 < dear < 2
    assert caught_after(20.0, each=2.0, worth=0.05).mean > 16
    free = [caught_after(2.0, each=2.0, worth=w).mean for w in (-1.0, 0.0, 0.05)]
    assert free == [chance] * 3
