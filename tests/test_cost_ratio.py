"""Cost ratios: the hull by brute force, exact intervals of its ends, words."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.stats import binomtest, chi2

from optimiser.errors import UsageError
from optimiser.evidence.cost_ratio import (
    Called,
    dispersion,
    in_money,
    lower_hull,
    price_ranges,
    ratio_of_counts,
)
from optimiser.views.sentences import price_words as words

# Recomputed and checked by brute force over ratios: intervals (0, 12.5) (12.5, 37.5)
# (37.5, 300) (300, 400) (400, inf); the point (120, 5) is best at no price.
FALSE_CALLS = [0, 50, 120, 200, 500, 900]
ESCAPES = [10, 6, 5, 2, 1, 0]


def ladder(false_calls=FALSE_CALLS, escapes=ESCAPES, *, lots=1, nested=True):
    """Settings along one limit that call so many; item by item, spread evenly over lots."""
    steps = np.arange(len(false_calls))
    most, worst = max(false_calls), max(escapes)
    goods = np.arange(most) < np.array(false_calls)[:, None]
    defects = np.arange(worst) >= np.array(escapes)[:, None]
    lot = np.arange(most) % lots
    settings = -steps[:, None] if nested else np.column_stack([-steps, steps])
    return Called(
        settings=settings,
        goods=goods,
        counts=csr_array((np.ones(most, int), (np.arange(most), lot)), shape=(most, lots)),
        always=0,
        items=np.full(lots, 1000.0),
        defects=defects,
        lot=np.arange(worst) % lots,
    )


# --- the hull ---------------------------------------------------------------------------


def test_ranges_of_the_example():
    found = price_ranges(ladder(lots=10), icc_floor=0.0)
    assert [(r.false_calls, r.escapes) for r in found] == [
        (0, 10), (50, 6), (200, 2), (500, 1), (900, 0),
    ]  # fmt: skip
    assert [r.setting for r in found] == [0, 1, 3, 4, 5]
    assert [r.below.price.value for r in found[:-1]] == [12.5, 37.5, 300, 400]
    assert [r.above.price.value for r in found[1:]] == [12.5, 37.5, 300, 400]
    assert found[0].above is None
    assert found[-1].below is None
    assert [(r.below.false_calls, r.below.defects) for r in found[:-1]] == [
        (50, 4), (150, 4), (300, 1), (400, 1),
    ]  # fmt: skip


points = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 12)), min_size=1, max_size=15)


@given(points, st.integers(1, 60), st.integers(1, 12))
def test_hull_holds_the_best_at_every_price(found, above, under):
    false_calls, escapes = (np.array(c) for c in zip(*found, strict=True))
    price = above / under
    hull = lower_hull(false_calls, escapes)
    cost = false_calls + price * escapes
    assert cost[hull].min() == pytest.approx(cost.min())


@given(points)
def test_each_point_of_the_hull_is_best_between_its_ends_and_only_there(found):
    false_calls, escapes = (np.array(c, dtype=float) for c in zip(*found, strict=True))
    hull = lower_hull(false_calls, escapes)
    ends = [
        (false_calls[j] - false_calls[i]) / (escapes[i] - escapes[j]) for i, j in pairwise(hull)
    ]
    assert ends == sorted(set(ends))
    for row, low, high in zip(hull, [0.0, *ends], [*ends, math.inf], strict=True):
        inside = low + 1 if high == math.inf else (low + high) / 2
        best = (false_calls + inside * escapes).min()
        assert false_calls[row] + inside * escapes[row] == pytest.approx(best)
        for outside in (low * 0.9 - 1e-9, high * 1.1):
            if 0 < outside < math.inf:
                cost = false_calls + outside * escapes
                assert cost[row] > cost.min()


def test_collinear_and_equal_points_are_no_corners():
    assert lower_hull([0, 10, 20, 0], [4, 2, 0, 4]) == [0, 2]
    assert lower_hull([5], [3]) == [0]
    assert lower_hull([5, 5, 7], [3, 2, 2]) == [1]


# --- intervals --------------------------------------------------------------------------


# Clopper-Pearson of the false calls among all changed items, as odds; recomputed.
@pytest.mark.parametrize(
    ("false_calls", "defects", "low", "high"),
    [
        (50, 4, 4.59, 47.66),
        (150, 4, 14.35, 139.42),
        (300, 1, 53.4, 11_888),
        (400, 1, 71.4, 15_838),
        (300, 0, 80.8, math.inf),
    ],
)
def test_intervals_of_the_example(false_calls, defects, low, high):
    found = ratio_of_counts(false_calls, defects, level=0.95)
    assert found.low == pytest.approx(low, rel=2e-3)
    assert found.high == pytest.approx(high, rel=2e-3)
    assert found.value == (false_calls / defects if defects else math.inf)


@given(st.integers(0, 400), st.integers(0, 40), st.floats(0.5, 0.99))
def test_interval_is_the_exact_binomial_one_as_odds(f, e, level):
    if not f + e:
        assert ratio_of_counts(f, e, level=level).high == math.inf
        return
    share = binomtest(f, f + e).proportion_ci(level, method="exact")
    found = ratio_of_counts(f, e, level=level)
    assert found.low == pytest.approx(share.low / (1 - share.low), rel=1e-7)
    if e:
        assert found.high == pytest.approx(share.high / (1 - share.high), rel=1e-5)
    else:
        assert found.high == math.inf


@given(st.integers(1, 400), st.integers(1, 40))
def test_turned_round_it_is_the_price_of_the_other(f, e):
    one, other = ratio_of_counts(f, e), ratio_of_counts(e, f)
    assert one.low == pytest.approx(1 / other.high)
    assert one.high == pytest.approx(1 / other.low)


@given(st.integers(1, 400), st.integers(1, 40), st.floats(1, 9), st.floats(1, 9))
def test_lots_only_widen(f, e, goods, defects):
    plain = ratio_of_counts(f, e)
    wide = ratio_of_counts(f, e, spread_false_calls=goods, spread_defects=defects)
    assert wide.low <= plain.low * (1 + 1e-9)
    assert wide.high >= plain.high * (1 - 1e-9)
    assert wide.value == plain.value


def test_ranges_carry_these_intervals():
    # Ten defects in ten lots and evenly spread goods: nothing to inflate.
    ends = [r.below for r in price_ranges(ladder(lots=10))[:-1]]
    assert all(end.nested for end in ends)
    assert ends[0].price.low == pytest.approx(4.59, abs=5e-3)
    assert ends[0].price.high == pytest.approx(47.66, abs=5e-3)
    assert ends[2].price.low == pytest.approx(53.4, abs=5e-2)
    assert ends[2].price.high == pytest.approx(11_888, rel=1e-4)


def test_two_lots_widen_and_one_lot_proves_nothing():
    ten, two, one = (price_ranges(ladder(lots=t))[0].below.price for t in (10, 2, 1))
    assert two.low < ten.low
    assert two.high > ten.high
    assert (one.value, one.low, one.high) == (12.5, 0.0, math.inf)


def test_settings_that_cross_get_wider_intervals():
    nested = price_ranges(ladder(lots=10))
    crossed = price_ranges(ladder(lots=10, nested=False))
    for one, other in zip(nested[:-1], crossed[:-1], strict=True):
        assert not other.below.nested
        assert other.below.price.value == one.below.price.value
        # The low ends come by two methods; in the high one lies what may cross back unseen.
        assert other.below.price.low == pytest.approx(one.below.price.low, rel=0.02)
        assert other.below.price.high == math.inf


def crossing(more_calls, less_calls, more_caught, less_caught, *, lots=40):
    """Two settings of which each calls items that the other does not."""
    goods = np.repeat([[0, 1], [1, 0]], [less_calls, more_calls], axis=1)[::-1].astype(bool)
    defects = np.repeat([[0, 1], [1, 0]], [less_caught, more_caught], axis=1)[::-1].astype(bool)
    n, d = goods.shape[1], defects.shape[1]
    return Called(
        settings=np.array([[0, 1], [1, 0]]),
        goods=goods[::-1],
        counts=csr_array((np.ones(n, int), (np.arange(n), np.arange(n) % lots)), shape=(n, lots)),
        always=7,
        items=np.full(lots, 100.0),
        defects=defects[::-1],
        lot=np.arange(d) % lots,
    )


def test_crossing_settings_count_both_ways():
    low, high = price_ranges(crossing(4000, 400, 40, 4), icc_floor=0.0)
    assert (low.false_calls, high.false_calls) == (407, 4007)
    assert (low.escapes, high.escapes) == (40, 4)
    assert low.below == high.above
    assert (low.below.false_calls, low.below.defects) == (4400, 44)
    assert low.below.price.value == 100
    assert 0 < low.below.price.low < 100 < low.below.price.high < math.inf


def poisson(k, tail=0.025):
    return chi2.ppf(tail, 2 * k) / 2 if k else 0.0, chi2.ppf(1 - tail, 2 * k + 2) / 2


def difference(one, other):
    (low, high), (other_low, other_high) = poisson(one), poisson(other)
    net = one - other
    return (
        net,
        net - math.hypot(one - low, other_high - other),
        net + math.hypot(high - one, other - other_low),
    )


@pytest.mark.parametrize("counts", [(4000, 400, 40, 4), (120, 80, 90, 10), (50, 2, 30, 0)])
def test_crossing_interval_is_the_closed_form(counts):
    # Donner and Zou, Statistical Methods in Medical Research 21, 2012: limits of a ratio from
    # those of its two parts (formula from memory).
    found = price_ranges(crossing(*counts), icc_floor=0.0)[0].below.price
    n, n_low, n_high = difference(*counts[:2])
    m, m_low, m_high = difference(*counts[2:])
    low = n * m - math.sqrt((n * m) ** 2 - n_low * m_high * (2 * n - n_low) * (2 * m - m_high))
    high = n * m + math.sqrt((n * m) ** 2 - n_high * m_low * (2 * n - n_high) * (2 * m - m_low))
    if n_low > 0:
        assert found.low == pytest.approx(low / (m_high * (2 * m - m_high)))
    else:
        assert found.low == 0
    assert found.high == pytest.approx(high / (m_low * (2 * m - m_low)))


def test_crossing_settings_with_few_defects_have_no_upper_end():
    found = price_ranges(crossing(400, 40, 3, 2))
    assert found[0].below.price.high == math.inf
    assert "or more" in words(found[0])


def test_dispersion_of_the_example():
    # Recomputed: phi 4.05.
    f, n = np.array([3.0, 0, 5, 1, 12, 2]), np.array([1000.0, 800, 1200, 900, 1100, 1000])
    assert dispersion(f, n) == pytest.approx(4.05, abs=5e-3)
    assert dispersion(np.append(f, 0), np.append(n, 0)) == dispersion(f, n)
    assert dispersion(f[:1], n[:1]) == 1.0
    assert dispersion(np.zeros(6), n) == 1.0


# --- money and words --------------------------------------------------------------------


def test_money_is_a_factor():
    found = price_ranges(ladder(lots=10))
    money = in_money(found[1], false_call_cost=0.4)
    assert money.above.price.value == pytest.approx(5.0)
    assert money.below.price.value == pytest.approx(15.0)
    assert money.above.price.low == pytest.approx(0.4 * found[1].above.price.low)
    assert in_money(found[0], false_call_cost=0.4).above is None
    assert found[1].above.price.value == 12.5


def test_words_of_ranges():
    first, _, third, _, last = price_ranges(ladder(lots=10))
    assert words(third) == (
        "Best if one escape costs between 38 and 300 false calls "
        "(the 38 rests on 4 defects: 14–139; the 300 rests on 1 defect: 53–11,900)."
    )
    assert words(first).startswith("Best if one escape costs less than 13 false calls (the 13 ")
    assert words(last).startswith("Best if one escape costs more than 400 false calls (the 400 ")
    assert words(in_money(first, false_call_cost=0.4), unit="EUR") == (
        "Best if one escape costs less than 5.0 EUR (the 5.0 rests on 4 defects: 1.8–19)."
    )


def test_a_point_alone_is_best_at_any_price():
    (only,) = price_ranges(ladder([5], [3], lots=2))
    assert words(only) == "Best whatever an escape costs."


def test_shapes_must_fit():
    good = ladder(lots=2)
    with pytest.raises(
        UsageError, match=r"fit settings, counts and lot: \(6, 900\), \(6, 10\) and 2"
    ):
        Called(
            settings=good.settings,
            goods=good.goods,
            counts=good.counts,
            always=0,
            items=np.ones(3),
            defects=good.defects,
            lot=good.lot,
        )
