"""Agreement against the published attribute study, textbook kappas, exact tables, simulation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import binom

from optimiser.errors import UsageError
from optimiser.evidence.agreement import (
    appraise,
    cohen,
    cross_table,
    exact_share,
    fleiss,
    looks_of,
    symmetry,
)

# outside-checks.md 4a: the AIAG attribute study, 50 items × A B C × 3 looks, 1 = accepted.
# From memory, but it reproduces every published margin and kappa.
ALL_ACCEPTED = [1, 2, 8, 10, 11, 13, 15, 16, 17, 18, 19, 20, 23, 24, 27, 28, 29, 31, 32, 33, 35, 38,
                40, 41, 44, 46, 47, 49]  # fmt: skip
ALL_REJECTED = [3, 4, 5, 9, 25, 37, 39, 42, 45, 48, 50]
MIXED = {
    6: ("110110100", 1), 7: ("111111101", 1), 12: ("000000010", 0), 14: ("110111100", 1),
    21: ("110101010", 1), 22: ("001010110", 0), 26: ("010000001", 0), 30: ("000001000", 0),
    34: ("001001011", 0), 36: ("110111101", 1), 43: ("101111110", 1),
}  # fmt: skip


@pytest.fixture(scope="module")
def aiag():
    """Return decisions (50, 3 reviewers, 3 looks) and truth, True where a defect is said."""
    accepted, truth = np.zeros((50, 9), bool), np.zeros(50, bool)
    for item in ALL_ACCEPTED:
        accepted[item - 1], truth[item - 1] = True, True
    for item, (looks, reference) in MIXED.items():
        accepted[item - 1], truth[item - 1] = [x == "1" for x in looks], reference == 1
    assert len(ALL_ACCEPTED) + len(ALL_REJECTED) + len(MIXED) == 50
    return ~accepted.reshape(50, 3, 3), ~truth


@pytest.mark.parametrize(
    ("pair", "table", "published", "kappa", "error"),
    [
        ((0, 1), [44, 6, 3, 97], 0.86, 0.862944, 0.044198),
        ((1, 2), [42, 5, 9, 94], 0.79, 0.788007, 0.053702),
        ((0, 2), [43, 7, 8, 92], 0.78, 0.776119, 0.054671),
    ],
)
def test_reviewers_against_each_other(aiag, pair, table, published, kappa, error):
    """AIAG MSA (kappas from memory; margins of A and B read), errors recomputed."""
    first, second = (aiag[0][:, r].ravel() for r in pair)
    found = cross_table(~first, ~second)  # the study's order: rejected first
    assert found.ravel().tolist() == table
    interval = cohen(found, level=0.95)
    assert interval.value == pytest.approx(kappa, abs=5e-7)
    assert round(interval.value, 2) == published
    assert (interval.high - interval.low) / 2 == pytest.approx(1.959964 * error, abs=2e-6)
    assert cohen(cross_table(first, second)).value == pytest.approx(interval.value)


@pytest.mark.parametrize(
    ("reviewer", "right", "low", "high", "miss", "alarm", "kappa"),
    [
        (0, 42, 0.7089, 0.9283, 3 / 48, 5 / 102, 0.878788),
        (1, 45, 0.7819, 0.9667, 3 / 48, 2 / 102, 0.922982),
        (2, 40, 0.6628, 0.8997, 6 / 48, 9 / 102, 0.773960),
    ],
)
def test_reviewers_against_the_truth(aiag, reviewer, right, low, high, miss, alarm, kappa):
    """AIAG MSA: 42, 45, 40 of 50 read; intervals, 6.3 6.3 12.5 %, 4.9 2.0 8.8 % from memory.

    Kappas 0.88, 0.92, 0.77 from memory; their further digits follow from the published
    cross-tables 45 5 3 97, 45 2 3 100 and 42 9 6 93.
    """
    found = appraise(aiag[0][:, reviewer], aiag[1], level=0.95)
    assert found.effectiveness.value == found.repeats.value == right / 50
    assert (found.effectiveness.low, found.effectiveness.high) == pytest.approx(
        (low, high), abs=5e-5
    )
    assert found.miss_rate.value == pytest.approx(miss)
    assert found.false_alarm_rate.value == pytest.approx(alarm)
    assert found.kappa.value == pytest.approx(kappa, abs=5e-7)
    assert found.verdict == "unacceptable"
    # looks at one item are alike: the interval is wider than that of 48 independent looks
    assert found.miss_rate.high > exact_share(round(48 * miss), 48, level=0.95).high


def test_all_nine_looks(aiag):
    """System effectiveness 39 of 50 from memory; Fleiss's kappas recomputed."""
    decisions, truth = aiag
    right = (decisions.reshape(50, 9) == truth[:, None]).all(axis=1)
    assert right.sum() == 39
    assert fleiss(looks_of(decisions.reshape(50, 9))) == pytest.approx(0.793606, abs=5e-7)
    within = [fleiss(looks_of(decisions[:, r])) for r in range(3)]
    assert within == pytest.approx([0.760000, 0.845073, 0.702911], abs=5e-7)


def test_verdicts():
    """AIAG: 90 / 2 / 5 % acceptable, 80 / 5 / 10 % marginal (read)."""
    truth = np.arange(100) < 50
    for wrong_defects, wrong_goods, verdict in (
        (1, 2, "acceptable"),
        (2, 2, "marginal"),
        (2, 5, "marginal"),
        (3, 0, "unacceptable"),
        (0, 6, "unacceptable"),
    ):
        said = truth.copy()
        said[:wrong_defects] = False
        said[50 : 50 + wrong_goods] = True
        assert appraise(said[:, None], truth).verdict == verdict


def test_textbook_kappas():
    """Cohen 0.40 from memory, error recomputed; Fleiss 0.210, 10 subjects × 14, from memory."""
    found = cohen(np.array([[20, 5], [10, 15]]), level=0.95)
    assert found.value == pytest.approx(0.40)
    assert (found.high - found.low) / 2 == pytest.approx(1.959964 * 0.126996, abs=2e-6)
    counts = np.array([
        [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
    ])  # fmt: skip
    assert fleiss(counts) == pytest.approx(0.209930, abs=1e-6)


def test_bowker():
    """ISO 22514-7 table 12 (read): 8.603, 3 degrees of freedom, beyond 7.815."""
    statistic, freedom, p = symmetry(np.array([[7, 3, 1], [10, 4, 7], [2, 1, 5]]))
    assert (statistic, freedom) == (pytest.approx(8.603, abs=5e-4), 3)
    assert p < 0.05
    assert symmetry(np.array([[7, 3, 0], [10, 4, 7], [0, 1, 5]]))[1] == 2
    assert symmetry(np.array([[7, 0], [0, 4]])) == (0, 0, 1)


@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [
        # outside-checks.md 4d: agreement of 15 parts (read), %
        (7, 15, 0.21267, 0.73414),
        (9, 15, 0.32287, 0.83664),
        (11, 15, 0.44900, 0.92213),
        (12, 15, 0.51911, 0.95669),
        (14, 15, 0.68052, 0.99831),
        # outside-checks.md 6: Clopper and Pearson, 95 %
        (0, 10, 0, 0.308497),
        (0, 300, 0, 0.012221),
        (1, 20, 0.001265, 0.248733),
        (4, 20, 0.057334, 0.436614),
        (5, 100, 0.016432, 0.112835),
    ],
)
def test_exact_shares(events, trials, low, high):
    found = exact_share(events, trials, level=0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-6)
    turned = exact_share(trials - events, trials, level=0.95)
    assert (1 - turned.high, 1 - turned.low) == pytest.approx((found.low, found.high))


# Identities ----------------------------------------------------------------------------------

TABLES = arrays(np.int64, st.sampled_from([(2, 2), (3, 3)]), elements=st.integers(0, 30))


@given(TABLES)
def test_kappa_by_its_definition(table):
    found = cohen(table)
    n = table.sum()
    if n == 0 or table.max() == n == table.trace():
        assert math.isnan(found.value)
        return
    agreed = table.trace() / n
    chance = table.sum(axis=0) @ table.sum(axis=1) / n**2
    assert found.value == pytest.approx((agreed - chance) / (1 - chance))
    assert -1 <= found.low <= found.value + 1e-12
    assert found.value <= found.high + 1e-12 <= 1 + 2e-12
    assert found.low < found.high
    turned = cohen(table.T)
    assert (turned.low, turned.high) == pytest.approx((found.low, found.high))


@given(arrays(bool, st.tuples(st.integers(1, 12), st.integers(1, 4))), st.data())
def test_one_look_per_item_has_exact_intervals_and_more_looks_wider_ones(decisions, data):
    truth = data.draw(arrays(bool, len(decisions)))
    one = appraise(decisions[:, :1], truth)
    missed = (~decisions[truth, 0]).sum()
    exact = exact_share(int(missed), int(truth.sum()))
    assert (one.miss_rate.low, one.miss_rate.high) == pytest.approx((exact.low, exact.high))
    assert one.repeats.value == 1
    found = appraise(decisions, truth)
    assert found.effectiveness.value <= found.repeats.value
    mirrored = appraise(~decisions, ~truth)
    assert mirrored.miss_rate == found.false_alarm_rate
    assert mirrored.effectiveness == found.effectiveness


def test_nothing_to_tell_apart():
    alike = np.ones((4, 2), bool)
    assert math.isnan(fleiss(looks_of(alike)))
    found = appraise(alike, np.ones(4, bool))
    assert math.isnan(found.kappa.value)
    assert (found.false_alarm_rate.low, found.false_alarm_rate.high) == (0, 1)
    perfect = cohen(np.array([[5, 0], [0, 5]]))
    assert perfect.value == perfect.high == 1
    # 10 of 10 agree: 74.1 % at least (0.05 ** 0.1), chance one half
    assert perfect.low == pytest.approx((0.05**0.1 - 0.5) / 0.5)


def test_wrong_reviews_are_named():
    with pytest.raises(UsageError, match="must judge the same items, got 2 and 3 verdicts"):
        cross_table(np.zeros(2, int), np.zeros(3, int))
    with pytest.raises(UsageError, match="equally many looks, two at least, got 2 to 3"):
        fleiss(np.array([[1, 1], [2, 1]]))
    with pytest.raises(UsageError, match="got 2 items × 1 looks, 3 truths"):
        appraise(np.zeros((2, 1), bool), np.zeros(3, bool))


# Two searches --------------------------------------------------------------------------------


# Simulation ----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_rates_hold_their_level_with_looks_that_are_alike(level):
    """Items differ in difficulty (beta, correlation 0.3); the miss rate's interval holds."""
    rng, runs, missed, rate, rho = np.random.default_rng(21), 2000, 0, 0.1, 0.3
    spread = (1 - rho) / rho
    for _ in range(runs):
        hard = rng.beta(rate * spread, (1 - rate) * spread, 40)
        said = rng.random((40, 3)) >= hard[:, None]
        found = appraise(said, np.ones(40, bool), level=level).miss_rate
        missed += not found.low <= rate <= found.high
    assert missed <= binom.isf(1e-6, runs, 1 - level)


@pytest.mark.slow
def test_kappas_interval_holds_its_level():
    """Large-sample: it may miss by a point and a half more than stated at 150 items."""
    rng, runs, missed, level = np.random.default_rng(22), 2000, 0, 0.9
    cells = np.array([0.25, 0.06, 0.05, 0.64])
    agreed, table = cells[0] + cells[3], cells.reshape(2, 2)
    chance = table.sum(axis=0) @ table.sum(axis=1)
    kappa = (agreed - chance) / (1 - chance)
    for counts in rng.multinomial(150, cells, runs):
        found = cohen(counts.reshape(2, 2), level=level)
        missed += not found.low <= kappa <= found.high
    assert missed <= binom.isf(1e-6, runs, 1 - level + 0.015)
