"""Certificate: published tables, exact identities, properties, words."""

from dataclasses import replace
from datetime import date
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import beta, binom, binomtest

from optimiser.errors import UsageError
from optimiser.evidence.certificate import (
    certify_front,
    defects_needed,
    fixed_sequence,
    lot_bound,
    lot_p_value,
    one_per_lot_bound,
    p_value,
)
from optimiser.evidence.intervals import design_effect, intraclass_correlation
from optimiser.views.sentences import certificate_words as words
from optimiser.views.sentences import percent_up, period

SPRING = date(2025, 3, 3), date(2025, 5, 2)
SIZES = np.array([4, 3, 5, 2, 6, 4, 3, 5.0])
THREE = np.array([0, 0, 1, 0, 2, 0, 0, 0.0])
NONE = np.zeros(8)


def alone(escapes, defects):
    """Escapes and sizes of lots with one defect each, so that lots play no part."""
    return (np.arange(defects) < escapes).astype(float), np.ones(defects)


def allowed_escapes(defects, *, alpha, delta):
    """The most escapes among independent defects that certify alpha, by counting up."""
    passing = [k for k in range(defects + 1) if binom.cdf(k, defects, alpha) <= delta]
    return max(passing, default=None)


def one_per_lot_p_value(escapes, sizes, *, alpha):
    """Twice the mean binomial p-value over all choices of one defect a lot, choice by choice."""
    chances = np.ones(1)
    for share in escapes / sizes:
        chances = np.append(chances, 0) * (1 - share) + np.append(0, chances) * share
    lots = len(sizes)
    return min(1.0, 2 * sum(c * binom.cdf(k, lots, alpha) for k, c in enumerate(chances)))


def certify(missed, lot, **kwargs):
    """The certificate of a setting tested by itself."""
    alone = {"false_calls": np.zeros(1), "tuning": np.zeros(1)}
    return certify_front(missed[np.newaxis], lot, **alone, **kwargs).certificates[0]


def one_certificate(escapes, sizes, **kwargs):
    """The certificate of lots with so many escapes and defects."""
    lot = np.repeat(np.arange(len(sizes)), np.asarray(sizes, int))
    missed = np.concatenate(
        [np.arange(m) < e for e, m in zip(escapes, np.asarray(sizes, int), strict=True)]
    )
    return certify(missed, lot, **kwargs)


# --- published tables -------------------------------------------------------------------


# Zero-failure sample sizes n = ceil(ln(1-C)/ln R): standard tables, from memory, recomputed.
# 59 for 95/95 and the rule itself: Tong, Feng and Li, Science Advances 4(2):eaao1659, 2018.
@pytest.mark.parametrize(
    ("delta", "needed"),
    [
        (0.50, (7, 14, 23, 35, 69, 139, 693)),
        (0.20, (16, 32, 53, 80, 161, 322, 1609)),
        (0.10, (22, 45, 76, 114, 230, 460, 2302)),
        (0.05, (29, 59, 99, 149, 299, 598, 2995)),
        (0.01, (44, 90, 152, 228, 459, 919, 4603)),
    ],
)
def test_defects_needed_without_an_escape(delta, needed):
    alphas = (0.10, 0.05, 0.03, 0.02, 0.01, 0.005, 0.001)
    assert tuple(defects_needed(0, alpha=a, delta=delta) for a in alphas) == needed


# Binomial reliability demonstration tables, from memory, recomputed.
@pytest.mark.parametrize(
    ("alpha", "delta", "needed"),
    [
        (0.05, 0.05, (59, 93, 124, 153, 181, 208)),
        (0.01, 0.05, (299, 473, 628, 773, 913, 1049)),
        (0.10, 0.10, (22, 38, 52, 65, 78, 91)),
        (0.05, 0.10, (45, 77, 105, 132, 158, 184)),
        (0.01, 0.10, (230, 388, 531, 667, 798, 926)),
        (0.02, 0.05, (149, 236, 313, 386, 456, 523)),
        (0.10, 0.05, (29, 46, 61, 76, 89, 103)),
        (0.20, 0.10, (11, 18, 25, 32, 38, 45)),
    ],
)
def test_defects_needed_with_escapes(alpha, delta, needed):
    assert tuple(defects_needed(k, alpha=alpha, delta=delta) for k in range(6)) == needed


# Order statistic k* of the Neyman-Pearson umbrella rule (Tong, Feng and Li 2018): recomputed.
@pytest.mark.parametrize(
    ("alpha", "delta", "stars"),
    [
        (0.05, 0.05, {59: 59, 60: 60, 93: 92, 100: 99, 124: 122, 150: 148, 200: 196, 1000: 962}),
        (0.05, 0.10, {80: 79, 100: 99, 150: 147, 200: 195}),
        (0.10, 0.05, {29: 29, 59: 58, 80: 77, 100: 96, 200: 188}),
        (0.10, 0.10, {22: 22, 40: 39, 60: 58, 100: 95, 200: 186}),
    ],
)
def test_order_statistic_of_the_umbrella_rule(alpha, delta, stars):
    for n, star in stars.items():
        assert n - allowed_escapes(n, alpha=alpha, delta=delta) == star
        assert binom.sf(star - 1, n, 1 - alpha) <= delta < binom.sf(star - 2, n, 1 - alpha)


def test_violation_probabilities_of_the_umbrella_rule():
    # Recomputed; the rule is Tong, Feng and Li 2018.
    at = [(59, 0), (93, 1), (100, 1), (200, 4), (1000, 38)]
    found = [p_value(k, n, alpha=0.05) for n, k in at]
    assert found == pytest.approx([0.04849, 0.04998, 0.03708, 0.02645, 0.04335], abs=6e-6)


# Clopper-Pearson one-sided 95 % upper limits: exact tables, recomputed.
@pytest.mark.parametrize(
    ("k", "n", "upper"),
    [
        (0, 10, 0.258866),
        (0, 20, 0.139108),
        (0, 30, 0.095034),
        (0, 59, 0.049508),
        (0, 100, 0.029513),
        (0, 299, 0.009969),
        (0, 300, 0.009936),
        (0, 1500, 0.001995),
        (1, 20, 0.216106),
        (4, 20, 0.401028),
        (5, 100, 0.102253),
        (10, 1000, 0.016903),
    ],
)
def test_exact_upper_limits(k, n, upper):
    assert lot_bound(*alone(k, n), delta=0.05) == pytest.approx(upper, abs=6e-7)
    exact = binomtest(k, n, alternative="less").proportion_ci(0.95, method="exact").high
    assert lot_bound(*alone(k, n), delta=0.05) == pytest.approx(exact, rel=1e-9)


# Newcombe, Statistics in Medicine 17:857, 1998, Table I (from memory, recomputed): the upper
# ends of two-sided 95 % limits.
@pytest.mark.parametrize(
    ("k", "n", "upper"), [(81, 263, 0.3676), (15, 148, 0.1617), (0, 20, 0.1684), (1, 29, 0.1776)]
)
def test_upper_limits_of_newcombe(k, n, upper):
    assert lot_bound(*alone(k, n), delta=0.025) == pytest.approx(upper, abs=6e-5)


def test_rule_of_three():
    # Hanley and Lippman-Hand, JAMA 249:1743, 1983 (from memory): 0 of n, at most 3/n.
    for n in (300, 1500):
        assert lot_bound(*alone(0, n), delta=0.05) == pytest.approx(3 / n, rel=0.01)
        assert lot_bound(*alone(0, n), delta=0.05) < 3 / n


# Effective counts of Korn and Graubard 1998 as in the survey package's svyciprop(method =
# "beta"), without its factor for degrees of freedom; vectors recomputed.
@pytest.mark.parametrize(
    ("escapes", "floor", "upper"),
    [(THREE, 0.0, 0.22482), (THREE, 0.2, 0.28050), (NONE, 0.0, 0.08937), (NONE, 0.2, 0.14513)],
)
def test_bounds_by_lots(escapes, floor, upper):
    bound = lot_bound(escapes, SIZES, delta=0.05, icc_floor=floor)
    assert bound == pytest.approx(upper, abs=6e-6)


def test_effective_counts_by_lots():
    found = one_certificate(THREE, SIZES, delta=0.05)
    assert intraclass_correlation(THREE, SIZES) == 0
    assert found.icc == 0.2
    assert found.effective_defects == pytest.approx(19.104, abs=6e-4)
    # "Any escape in a lot", 2 of 8, for comparison (recomputed).
    assert lot_bound(*alone(2, 8), delta=0.05) == pytest.approx(0.59969, abs=6e-6)


def test_many_settings_reject_in_order():
    # p-values of the fixed-sequence test in the tests of an open library for risk control:
    # from its single start it stops at the first above the level.
    p = np.array([0.001, 0.003, 0.01, 0.02, 0.2, 0.6])
    assert fixed_sequence(p, delta=0.1).tolist() == [True] * 4 + [False] * 2


# --- identities -------------------------------------------------------------------------

lots = st.lists(
    st.integers(1, 12).flatmap(lambda m: st.tuples(st.integers(0, m), st.just(m))),
    min_size=1,
    max_size=25,
).map(lambda rows: tuple(np.array(rows, dtype=float).T))
shares = st.floats(0.01, 0.6)
levels = st.floats(0.01, 0.45)


@given(lots, shares, levels, st.sampled_from([0.0, 0.1, 0.2, 0.5]))
def test_bound_and_p_value_say_the_same(found, alpha, delta, floor):
    escapes, sizes = found
    p = lot_p_value(escapes, sizes, alpha=alpha, icc_floor=floor)
    bound = lot_bound(escapes, sizes, delta=delta, icc_floor=floor)
    assume(abs(p - delta) > 1e-9)
    assert (p <= delta) == (bound <= alpha)


@given(lots, levels, st.sampled_from([0.0, 0.2]))
def test_bound_is_where_the_p_value_crosses(found, delta, floor):
    escapes, sizes = found
    bound = lot_bound(escapes, sizes, delta=delta, icc_floor=floor)
    if bound < 1:
        at = lot_p_value(escapes, sizes, alpha=bound, icc_floor=floor)
        assert at == pytest.approx(delta, rel=1e-6)


@given(st.integers(1, 300), st.data(), shares)
def test_without_lots_it_is_the_binomial_tail(n, data, alpha):
    k = data.draw(st.integers(0, n))
    exact = p_value(k, n, alpha=alpha)
    assert lot_p_value(*alone(k, n), alpha=alpha) == pytest.approx(exact, rel=1e-9, abs=1e-12)
    # However the defects lie in lots, without any correlation they count as they are.
    halves = np.array([k // 2, k - k // 2]), np.array([k // 2 + n, k - k // 2 + n])
    if intraclass_correlation(*(h.astype(float) for h in halves)) == 0:
        both = lot_p_value(*(h.astype(float) for h in halves), alpha=alpha, icc_floor=0.0)
        whole = p_value(k, k + 2 * n, alpha=alpha)
        assert both == pytest.approx(whole, rel=1e-9, abs=1e-12)


def test_exhaustive_counts_keep_the_level_exactly():
    # Summed over all outcomes, not simulated: an off-by-one anywhere breaks it.
    for n, alpha, delta in product((10, 22, 45, 59, 93), (0.02, 0.05, 0.1), (0.05, 0.1, 0.2)):
        most = allowed_escapes(n, alpha=alpha, delta=delta)
        certified = [lot_p_value(*alone(k, n), alpha=alpha) <= delta for k in range(n + 1)]
        count = -1 if most is None else most
        assert certified == [k <= count for k in range(n + 1)]
        assert binom.pmf(np.flatnonzero(certified), n, alpha).sum() <= delta
        assert binom.cdf(count + 1, n, alpha) > delta


@given(st.lists(st.integers(1, 60), min_size=1, max_size=12), shares, st.floats(0, 0.9), st.data())
def test_no_correlation_up_to_the_floor_leaves_no_escape_likelier(sizes, alpha, floor, data):
    """Zero escapes: exact for every mixture of two kinds of lots with ICC up to the floor."""
    sizes = np.array(sizes, dtype=float)
    icc = data.draw(st.floats(0, floor))
    tilt = data.draw(st.floats(0.01, 0.99))
    # Two kinds of lots with mean alpha and variance icc * alpha * (1 - alpha).
    reach = np.sqrt(icc * alpha * (1 - alpha))
    good, bad = (
        alpha - reach * np.sqrt(tilt / (1 - tilt)),
        alpha + reach * np.sqrt((1 - tilt) / tilt),
    )
    assume(good >= 0 and bad <= 1)
    chance = np.prod((1 - tilt) * (1 - good) ** sizes + tilt * (1 - bad) ** sizes)
    p = lot_p_value(np.zeros(len(sizes)), sizes, alpha=alpha, icc_floor=floor)
    assert p >= chance * (1 - 1e-9)


def test_clean_and_bad_lots_are_reached():
    # In large lots the extreme mixture is met exactly, so the bound there is no wider.
    sizes, alpha, icc = np.full(5, 80.0), 0.1, 0.2
    share = alpha + icc * (1 - alpha)
    chance = (1 - alpha / share * (1 - (1 - share) ** 80)) ** 5
    assert lot_p_value(np.zeros(5), sizes, alpha=alpha) == pytest.approx(chance)


@given(lots, shares)
def test_one_per_lot_averages_over_choices(found, alpha):
    escapes, sizes = found
    exact = one_per_lot_p_value(escapes, sizes, alpha=alpha)
    rng = np.random.default_rng(5)
    picks = rng.random((4000, len(sizes))) < escapes / sizes
    p = binom.cdf(picks.sum(axis=1), len(sizes), alpha)
    error = p.std() / len(p) ** 0.5
    assert exact == pytest.approx(min(1, 2 * p.mean()), abs=12 * error + 1e-9)


@given(lots, levels)
def test_one_per_lot_bound_is_where_its_p_value_crosses(found, delta):
    escapes, sizes = found
    bound = one_per_lot_bound(escapes, sizes, delta=delta)
    if bound < 1:
        assert one_per_lot_p_value(escapes, sizes, alpha=bound) == pytest.approx(delta, rel=1e-6)
    else:
        assert np.prod(escapes / sizes) > delta / 2


def test_one_per_lot_knows_nothing_of_lots_sizes_without_escapes():
    for count in (5, 29, 60):
        bound = one_per_lot_bound(np.zeros(count), np.arange(1.0, count + 1), delta=0.1)
        assert bound == pytest.approx(1 - 0.05 ** (1 / count))


# --- properties -------------------------------------------------------------------------


@given(lots, shares, st.data())
def test_one_escape_more_never_proves_more(found, alpha, data):
    escapes, sizes = found
    row = data.draw(st.integers(0, len(sizes) - 1))
    assume(escapes[row] < sizes[row])
    more = escapes + (np.arange(len(sizes)) == row)
    # At one correlation: its estimate may fall when an escape evens lots out.
    icc = max(0.2, intraclass_correlation(escapes, sizes), intraclass_correlation(more, sizes))
    before, after = (lot_p_value(e, sizes, alpha=alpha, icc_floor=icc) for e in (escapes, more))
    assert after >= before - 1e-12


@given(lots, shares, levels)
@settings(max_examples=50)
def test_nothing_more_is_needed_of_what_is_certified(found, alpha, delta):
    c = one_certificate(*found, alpha=alpha, delta=delta)
    assert (c.more_needed == 0) == c.certified


@given(st.integers(1, 80), st.data(), shares, levels)
@settings(max_examples=50)
def test_more_needed_is_the_table_less_what_is_there(n, data, alpha, delta):
    k = data.draw(st.integers(0, min(n, 10)))
    c = one_certificate(*alone(k, n), alpha=alpha, delta=delta)
    assert c.more_needed == max(0, defects_needed(k, alpha=alpha, delta=delta) - n)


@given(st.integers(1, 4), st.integers(1, 6), st.floats(0.01, 0.15), st.floats(0.01, 0.15))
@settings(max_examples=50)
def test_more_needed_arrives_in_lots_like_those_seen(count, size, alpha, delta):
    before = one_certificate(np.zeros(count), np.full(count, size), alpha=alpha, delta=delta)
    assume(before.more_needed)
    for extra, enough in (
        (-(-before.more_needed // size), True),
        ((before.more_needed - 1) // size, False),
    ):
        sizes = np.full(count + extra, size)
        after = one_certificate(np.zeros(len(sizes)), sizes, alpha=alpha, delta=delta)
        assert after.certified == enough


@given(lots, st.floats(0, 0.5), st.floats(0, 0.5))
def test_a_higher_floor_never_proves_more_without_escapes(found, one, other):
    _, sizes = found
    low, high = sorted((one, other))
    none = np.zeros(len(sizes))
    assert lot_bound(none, sizes, delta=0.1, icc_floor=low) <= (
        lot_bound(none, sizes, delta=0.1, icc_floor=high) + 1e-9
    )


# --- the front --------------------------------------------------------------------------


def front(rows, lot=None, **kwargs):
    escapes = np.array(rows, dtype=bool)
    given_ = {"false_calls": np.arange(len(rows))[::-1].astype(float)}
    given_["tuning"] = np.arange(len(rows)).astype(float)
    return certify_front(
        escapes, np.arange(escapes.shape[1]) if lot is None else lot, **(given_ | kwargs)
    )


def missing(k, n):
    return np.arange(n) < k


def test_front_stops_at_the_first_that_fails():
    n = 60
    found = front([missing(k, n) for k in (0, 2, 9, 1)])
    assert found.certified == (0, 1)
    assert found.cheapest == 1
    assert [c.certified for c in found.certificates] == [True, True, False, False]
    assert [c.stopped for c in found.certificates] == [False, False, False, True]
    assert all(c.tested == 4 for c in found.certificates)
    assert found.certificates[3].p_value <= 0.1


def test_front_is_tested_in_the_order_of_tuning_whatever_the_rows():
    n, rows = 60, [missing(k, 60) for k in (0, 2, 9, 1)]
    forward = front(rows)
    turned = front(
        rows[::-1], false_calls=np.arange(4.0), tuning=np.arange(4.0)[::-1], lot=np.arange(n)
    )
    assert turned.order == (3, 2, 1, 0)
    assert turned.certified == tuple(sorted(3 - i for i in forward.certified))


def test_ties_in_tuning_take_more_false_calls_first():
    found = front([missing(0, 60)] * 3, tuning=np.zeros(3), false_calls=np.array([5.0, 9.0, 7.0]))
    assert found.order == (1, 2, 0)
    assert found.cheapest == 0


def test_nothing_certified_has_no_cheapest():
    found = front([missing(5, 20), missing(0, 20)])
    assert found.certified == ()
    assert found.cheapest is None


@given(st.integers(30, 120), st.lists(st.integers(0, 8), min_size=1, max_size=8))
@settings(max_examples=40)
def test_nested_front_is_one_look_up(n, steps):
    # With nested settings the sequence is the order statistic of the umbrella rule.
    escapes = np.minimum(np.cumsum(steps), n)
    found = front([missing(k, n) for k in escapes])
    most = allowed_escapes(n, alpha=0.1, delta=0.1)
    expected = [] if most is None else [i for i, k in enumerate(escapes) if k <= most]
    assert list(found.certified) == expected


def test_a_setting_alone_is_a_front_of_one():
    lot = np.repeat(np.arange(10), 4)
    one = certify(missing(1, 40), lot)
    assert one.tested == 1
    assert front([missing(1, 40)], lot=lot).certificates == (one,)


def test_a_floor_that_is_given_is_the_floor_of_every_figure():
    low, high = (one_certificate(THREE, SIZES, icc_floor=f) for f in (0.1, 0.7))
    for c, floor in ((low, 0.1), (high, 0.7)):
        assert c.p_value == lot_p_value(THREE, SIZES, alpha=0.1, icc_floor=floor)
        assert c.bound == lot_bound(THREE, SIZES, delta=0.1, icc_floor=floor)
        assert c.icc == max(intraclass_correlation(THREE, SIZES), floor)
        effect = design_effect(THREE, SIZES, icc_floor=c.icc)
        assert c.effective_defects == pytest.approx(SIZES.sum() / effect)
    assert low.p_value < high.p_value
    assert low.bound < high.bound
    assert low.effective_defects > high.effective_defects


@pytest.mark.parametrize(("escapes", "floor"), [(0, 0.5), (1, 0.2), (1, 0.5), (3, 0.2)])
def test_more_needed_is_the_fewest_that_certify(escapes, floor):
    """Few defects a lot, so that the tail decides: against the beta quantile of Korn and Graubard."""
    sizes = np.full(12, 3.0)
    found = np.where(np.arange(12) < escapes, 1.0, 0.0)
    c = one_certificate(found, sizes, icc_floor=floor)
    effect = design_effect(found, sizes, icc_floor=c.icc)
    n = sizes.sum()

    def bound(more):
        k, m = escapes / effect, (n + more) / effect
        return beta.ppf(0.9, k + 1, m - k)

    assert bound(c.more_needed) <= 0.1 < bound(c.more_needed - 1)


def test_more_needed_in_large_lots_is_counted_in_lots_like_these():
    """Many defects a lot: the chance that every lot happens to be clean decides."""
    sizes = np.full(5, 80.0)
    c = one_certificate(np.zeros(5), sizes, alpha=0.05)
    assert c.more_needed > 80
    lots = 5 + c.more_needed / 80
    enough, too_few = (np.full(int(n), 80.0) for n in (np.ceil(lots), np.floor(lots) - 1))
    assert lot_p_value(np.zeros(len(enough)), enough, alpha=0.05) <= 0.1
    assert lot_p_value(np.zeros(len(too_few)), too_few, alpha=0.05) > 0.1


def test_more_needed_where_clean_lots_decide_follows_from_one_lot():
    """Three lots of 80 at a floor of .2: each is clean with a chance that the extreme mixture gives."""
    sizes, alpha, icc = np.full(3, 80.0), 0.1, 0.2
    c = one_certificate(np.zeros(3), sizes, alpha=alpha)
    share = alpha + icc * (1 - alpha)
    clean = 1 - alpha / share * (1 - (1 - share) ** 80)
    assert c.p_value == pytest.approx(clean**3)  # it decides, not the tail
    assert c.more_needed == np.ceil((np.log(0.1) / np.log(clean) - 3) * 80)


def test_inputs_stay_as_they_were():
    escapes, lot = np.array([missing(1, 40)]), np.arange(40) // 4
    kept = escapes.copy(), lot.copy()
    certify_front(escapes, lot, false_calls=np.zeros(1), tuning=np.zeros(1))
    assert np.array_equal(escapes, kept[0])
    assert np.array_equal(lot, kept[1])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: certify(missing(0, 5), np.arange(5), alpha=5.0), "alpha must lie between 0 and 1"),
        (lambda: certify(missing(0, 5), np.arange(5), delta=0.0), "delta must lie between 0 and 1"),
        (lambda: certify(missing(0, 5), np.arange(4)), r"ask for \(1, 4\), but escapes has \(1, 5"),
        (lambda: defects_needed(0, alpha=0.1, delta=1.0), "between 0 and 1, not 1.0: give 0.10"),
    ],
)
def test_errors_say_rule_and_value(call, message):
    with pytest.raises(UsageError, match=message):
        call()


# --- words ------------------------------------------------------------------------------


def test_words_of_a_certificate():
    # 62 defects of 19 lots (14 of three, 5 of four), none escapes, ICC floor .2.
    c = one_certificate(np.zeros(19), np.repeat([3, 4], [14, 5]))
    assert words(c, SPRING) == (
        "0 of 62 held-out defects (19 lots, 3 March – 2 May) escape. "
        "At most 5.3 % escape, 90 % confidence."
    )
    assert words(c, SPRING, kind="added") == (
        "0 of 62 held-out defects that the live recipe calls (19 lots, 3 March – 2 May) would "
        "escape. At most 5.3 % of such defects escape, 90 % confidence."
    )


def test_bound_of_the_wording_vector():
    # 62 defects at a design effect of 1.4526 (19 equal lots): .0525, recomputed.
    assert lot_bound(np.zeros(19), np.full(19, 62 / 19), delta=0.1) == pytest.approx(
        0.0525, abs=5e-5
    )


def test_words_with_too_few_defects():
    c = one_certificate(np.zeros(7), np.ones(7))
    assert words(c, SPRING) == (
        "Too few defects to certify (7): best provable 28 % at 90 %. "
        "15 more without an escape are needed for 10 %."
    )
    assert c.bound == pytest.approx(1 - 0.1 ** (1 / 7))


def test_words_with_too_few_defects_because_lots_repeat_themselves():
    c = one_certificate(np.zeros(3), np.full(3, 8))
    assert c.defects == 24
    assert not c.certified
    assert words(c, SPRING).startswith("Too few defects to certify (24): best provable 21 %")


def test_words_without_any_defect():
    c = certify(np.zeros(0, dtype=bool), np.zeros(0, dtype=np.int64))
    assert (c.bound, c.p_value, c.one_per_lot, c.lots) == (1.0, 1.0, 1.0, 0)
    assert words(c, SPRING) == (
        "Too few defects to certify (0): best provable 100 % at 90 %. "
        "22 more without an escape are needed for 10 %."
    )


def test_words_with_too_many_escapes():
    c = one_certificate(*alone(5, 40))
    text = words(c, SPRING)
    assert text.startswith("5 of 40 held-out defects (40 lots, 3 March – 2 May) escape. At most ")
    assert text.endswith(
        f"90 % confidence: not certified for 10 %. {c.more_needed} more without an escape are "
        "needed for 10 %."
    )
    assert c.more_needed == 91 - 40


def test_words_of_a_sequence_claim_alpha_only():
    found = front([missing(k, 60) for k in (0, 2, 9, 1)])
    assert words(found.certificates[0], SPRING) == (
        "0 of 60 held-out defects (60 lots, 3 March – 2 May) escape. At most 10 % escape, 90 % "
        "confidence, whichever certified one of the 4 settings tested is chosen."
    )
    assert words(found.certificates[3], SPRING).endswith(
        "Not certified for 10 %: a safer one of the 4 settings tested was not, so testing ended "
        "there."
    )


def test_words_in_the_singular():
    c = replace(one_certificate(np.zeros(1), np.array([21])), more_needed=1, effective_defects=30.0)
    assert "(1 lot, 3 March)" in words(c, (SPRING[0], SPRING[0]))
    assert words(c, SPRING).endswith("1 more without an escape is needed for 10 %.")


def test_periods_name_years_where_they_differ():
    assert period((date(2024, 12, 30), date(2025, 1, 4))) == "30 December 2024 – 4 January 2025"


@given(st.floats(1e-7, 1.0))
def test_a_bound_is_never_shown_smaller_than_three_digits_of_it(share):
    shown = float(percent_up(share).removesuffix(" %")) / 100
    assert shown >= float(f"{share:.2e}") * (1 - 1e-9)
    assert shown <= share * 1.11
