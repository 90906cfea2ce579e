"""Shrinkage over families: the rat tumours, exact identities, and where it must not be trusted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import betaln
from scipy.stats import beta, betabinom

from optimiser.errors import UsageError
from optimiser.evidence.shrink import (
    Prior,
    fit_prior,
    point_shown,
    shrink,
)

# Tumours in groups of female rats: Tarone, Biometrics 38:215, 1982; Gelman and others, Bayesian
# Data Analysis, chapter 5. (events, trials, groups)
RATS = [
    *[(0, 20, 7), (0, 19, 4), (0, 18, 2), (0, 17, 1), (1, 20, 4), (1, 19, 2), (1, 18, 2)],
    *[(3, 27, 1), (2, 25, 1), (2, 24, 1), (2, 23, 1), (2, 20, 6), (1, 10, 1), (5, 49, 1)],
    *[(2, 19, 1), (5, 46, 1), (2, 17, 1), (7, 49, 1), (7, 47, 1), (3, 20, 2), (2, 13, 1)],
    *[(9, 48, 1), (10, 50, 1), (4, 20, 7), (10, 48, 1), (4, 19, 3), (5, 22, 1), (11, 46, 1)],
    *[(12, 49, 1), (5, 20, 2), (6, 23, 1), (5, 19, 1), (6, 22, 1), (6, 20, 3), (16, 52, 1)],
    *[(15, 46, 1), (15, 47, 1), (9, 24, 1), (4, 14, 1)],
]
EVENTS = np.array([y for y, _, times in RATS for _ in range(times)], dtype=float)
TRIALS = np.array([n for _, n, times in RATS for _ in range(times)], dtype=float)


def log_likelihood(a, b):
    return float((betaln(a + EVENTS, b + TRIALS - EVENTS) - betaln(a, b)).sum())


def test_rats_are_all_there():
    assert (len(EVENTS), EVENTS.sum(), TRIALS.sum()) == (71, 267, 1739)


def test_rat_tumours_by_maximum_likelihood():
    prior = fit_prior(EVENTS, TRIALS)
    # Recomputed; the textbook's full Bayes means are 2.4 and 14.3.
    assert prior.a == pytest.approx(2.34161, abs=2e-4)
    assert prior.b == pytest.approx(14.11481, abs=1e-3)
    assert prior.mean == pytest.approx(0.14229, abs=6e-6)
    assert log_likelihood(prior.a, prior.b) == pytest.approx(-730.33845, abs=6e-6)
    assert prior.families == 71


def test_rat_tumours_pulled_together():
    found = shrink(
        np.array([0, 4, 16, 5.0]),
        np.array([20, 14, 52, 49.0]),
        fit_prior(EVENTS, TRIALS),
        level=0.95,
    )
    assert found.mean == pytest.approx([0.0642, 0.2082, 0.2679, 0.1122], abs=6e-5)
    assert found.low[:2] == pytest.approx([0.010, 0.086], abs=6e-4)
    assert found.high[:2] == pytest.approx([0.162, 0.366], abs=6e-4)


def test_current_rats_under_the_textbook_prior():
    # BDA chapter 5 (from memory, recomputed): Beta(5.4, 18.6), mean .225 (.223 printed).
    found = shrink(np.array([4.0]), np.array([14.0]), Prior(a=1.4, b=8.6, families=70), level=0.95)
    assert found.mean == pytest.approx([0.225])
    assert beta(5.4, 18.6).std() == pytest.approx(0.0835, abs=6e-5)
    assert [found.low[0], found.high[0]] == pytest.approx(beta(5.4, 18.6).interval(0.95))


@given(st.floats(-0.2, 0.2), st.floats(-0.5, 0.5))
def test_no_other_prior_is_likelier(shift, stretch):
    prior = fit_prior(EVENTS, TRIALS)
    mean, size = prior.mean * np.exp(shift), (prior.a + prior.b) * np.exp(stretch)
    best = log_likelihood(prior.a, prior.b)
    assert log_likelihood(mean * size, (1 - mean) * size) <= best + 1e-7


def test_prior_is_found_again():
    rng = np.random.default_rng(3)
    trials = np.full(4000, 30.0)
    events = betabinom(30, 1.5, 28.5).rvs(4000, random_state=rng).astype(float)
    prior = fit_prior(events, trials)
    assert prior.mean == pytest.approx(0.05, rel=0.05)
    assert prior.a + prior.b == pytest.approx(30, rel=0.25)


families = st.lists(
    st.integers(0, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=1,
    max_size=15,
).map(lambda rows: tuple(np.array(rows, dtype=float).T))


@given(families)
def test_shares_lie_between_their_own_and_the_prior(found):
    events, trials = found
    if not trials.sum():
        return
    prior = fit_prior(events, trials)
    assert np.isfinite([prior.a, prior.b]).all()
    assert min(prior.a, prior.b) > 0
    shrunk = shrink(events, trials, prior)
    own = np.where(trials > 0, events / np.maximum(trials, 1), prior.mean)
    assert (shrunk.mean >= np.minimum(own, prior.mean) - 1e-12).all()
    assert (shrunk.mean <= np.maximum(own, prior.mean) + 1e-12).all()
    assert shrunk.mean == pytest.approx(shrunk.weight * own + (1 - shrunk.weight) * prior.mean)
    assert (shrunk.low < shrunk.high).all()


def test_a_family_without_trials_is_the_prior():
    prior = Prior(a=2.0, b=18.0, families=9)
    found = shrink(np.zeros(1), np.zeros(1), prior, level=0.9)
    assert found.mean == pytest.approx([0.1])
    assert [found.low[0], found.high[0]] == pytest.approx(beta(2, 18).interval(0.9))


def test_families_all_alike_hardly_move():
    # Without spread between families the prior weighs as much as all trials together.
    prior = fit_prior(np.full(10, 2.0), np.full(10, 20.0))
    assert prior.a + prior.b == pytest.approx(200, rel=1e-3)
    assert prior.mean == pytest.approx(0.1, abs=3e-3)


@pytest.mark.parametrize("events", [np.zeros(5), np.full(5, 8.0)], ids=["none", "all"])
def test_without_a_contrast_families_count_as_alike(events):
    # Half an event in 40 trials, weighing as much as they all: no friendlier than that.
    prior = fit_prior(events, np.full(5, 8.0))
    least = min(prior.a, prior.b)
    assert least / (prior.a + prior.b) == pytest.approx(0.5 / 41)
    assert prior.a + prior.b == pytest.approx(40)


def test_point_shown_is_shrunk_only_where_trials_are_few():
    prior = Prior(a=2.0, b=18.0, families=9)
    events, trials = np.array([3.0, 3.0, 0.0]), np.array([19.0, 20.0, 0.0])
    assert point_shown(events, trials, prior) == pytest.approx([5 / 39, 3 / 20, 0.1])


@pytest.mark.parametrize(
    ("events", "trials", "message"),
    [
        ([1.0], [1.0, 2.0], "they have 1 and 2"),
        ([0.0], [0.0], "at least one family must have a trial"),
        ([1.0, 3.0], [2.0, 2.0], "row 1 has 3 of 2"),
        ([-1.0], [2.0], "row 0 has -1 of 2"),
    ],
)
def test_errors_say_rule_and_value(events, trials, message):
    with pytest.raises(UsageError, match=message):
        fit_prior(np.array(events), np.array(trials))


def test_intervals_are_no_guarantee_for_the_worst_families():
    """Better on the whole than each family's own share, yet wrong for the very worst."""
    rng = np.random.default_rng(11)
    truth = rng.beta(1.5, 28.5, (200, 60))
    trials = np.tile([0.0, 3, 8, 15, 40, 120], 10)
    wrong, bad, error_own, error_shrunk, held = 0, 0, 0.0, 0.0, 0
    for share in truth:
        events = rng.binomial(trials.astype(int), share).astype(float)
        found = shrink(events, trials, fit_prior(events, trials), level=0.90)
        worst = share > 0.12
        wrong, bad = wrong + int((found.high[worst] < share[worst]).sum()), bad + int(worst.sum())
        some = trials > 0
        held += int(some.sum())
        error_own += float(((events[some] / trials[some] - share[some]) ** 2).sum())
        error_shrunk += float(((found.mean[some] - share[some]) ** 2).sum())
    assert (error_shrunk / held) ** 0.5 < 0.6 * (error_own / held) ** 0.5
    # One-sided 95 % limits that fail for a third and more of those that matter most.
    assert wrong / bad > 1 / 3
