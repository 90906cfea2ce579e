"""What foretells a later defect: against reference code, and against lots that had no part in the choice."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, t
from sklearn.metrics import roc_auc_score

from optimiser.evidence.foretelling import FOLDS, foretell, placements, separation


@given(st.integers(0, 10_000))
def test_placements_are_counts_of_pairs(seed):
    rng = np.random.default_rng(seed)
    x, bad = rng.integers(0, 6, 30).astype(float), rng.random(30) < 0.4
    if not bad.any() or bad.all():
        return
    found = placements(x, bad)
    for i, value in enumerate(x):
        others = x[~bad] if bad[i] else x[bad]
        below = (others < value).mean() + (others == value).mean() / 2
        assert found[i] == pytest.approx(below if bad[i] else 1 - below)
    # Both kinds tell the same area: scikit-learn's roc_auc_score.
    area = roc_auc_score(bad, x)
    assert found[bad].mean() == pytest.approx(area)
    assert found[~bad].mean() == pytest.approx(area)


def test_the_variance_is_that_of_clustered_data():
    """Obuchowski (1997), Biometrics 53, written out: S10/M + S01/N + 2 S11/(MN) over clusters.

    Its three terms carry factors I/(I-1) of their own clusters; here all clusters hold both kinds, so that
    they are one.
    """
    rng = np.random.default_rng(3)
    lots, per = 24, 40
    lot = np.repeat(np.arange(lots), per)
    bad = np.tile(np.arange(per) < 4, lots)
    x = rng.normal(0, 1, lots * per) + (0.5 + rng.normal(0, 1.5, lots)[lot]) * bad
    x[rng.random(len(x)) < 0.05] = np.nan
    found = separation(x, bad, lot)
    held = ~np.isnan(x)
    goods, defects = x[held & ~bad], x[held & bad]
    m, n = len(defects), len(goods)
    v10 = np.array([(goods < d).mean() + (goods == d).mean() / 2 for d in defects])
    v01 = np.array([(defects > g).mean() + (defects == g).mean() / 2 for g in goods])
    area = v10.mean()
    one = np.bincount(lot[held & bad], v10 - area, lots)
    other = np.bincount(lot[held & ~bad], v01 - area, lots)
    scale = lots / (lots - 1)
    s10, s01, s11 = scale / m * one @ one, scale / n * other @ other, scale * one @ other
    variance = s10 / m + s01 / n + 2 * s11 / (m * n)
    assert found.area.value == pytest.approx(area)
    assert found.area.high - found.area.value == pytest.approx(
        t.ppf(0.95, lots - 1) * variance**0.5
    )


def drawn(rng, *, shift=0.0, lots=20, per=200, defects=30, lot_sd=0.6, bursts=True):
    """Items by lot: lots differ, and bad ones hold several defects."""
    lot = np.repeat(np.arange(lots), per)
    rate = rng.gamma(0.7, 1, lots) if bursts else np.ones(lots)
    counts = rng.multinomial(defects, rate / rate.sum())
    bad = np.concatenate([np.arange(per) < min(c, per // 2) for c in counts])
    x = rng.normal(0, lot_sd, lots)[lot] + rng.standard_normal(lots * per)
    return x + shift * bad, bad, lot


def test_what_foretells_nothing_is_believed_as_seldom_as_stated():
    """Defects in bursts, lots that differ: an unrelated measurement's chance is no smaller than it says."""
    rng = np.random.default_rng(11)
    p = [s.p_value for s in (separation(*drawn(rng)) for _ in range(600)) if s is not None]
    assert len(p) > 450
    for level in (0.01, 0.05, 0.2):
        assert sum(x <= level for x in p) <= binom.ppf(1 - 1e-4, len(p), level)


def test_the_area_is_covered():
    """True area of a shift of 1 within lots of 0.6 deviations, by one long draw."""
    rng = np.random.default_rng(12)
    x, bad, _ = drawn(rng, shift=1.0, lots=4000, per=100, defects=40_000, bursts=False)
    true = placements(x, bad)[bad].mean()
    found = [separation(*drawn(rng, shift=1.0)) for _ in range(300)]
    held = [s for s in found if s is not None]
    covered = sum(s.area.low <= true <= s.area.high for s in held)
    assert covered >= binom.ppf(1e-4, len(held), 0.90)


def test_no_interval_has_width_zero():
    x, bad, lot = drawn(np.random.default_rng(2), shift=50.0)
    found = separation(x, bad, lot)
    assert found.area.value == found.area.high == 1.0
    assert 0.8 < found.area.low < 0.97
    chosen = foretell(x[:, None], bad, lot, np.zeros(len(x), dtype=bool), share=0.01)
    assert chosen.area.low == pytest.approx(found.area.low)


def test_too_little_says_nothing():
    x, bad, lot = drawn(np.random.default_rng(1))
    assert separation(x, bad & (lot < 2), lot) is None
    assert separation(np.where(bad, np.nan, x), bad, lot) is None
    few = bad & (np.cumsum(bad) <= 7)
    assert separation(x, few, lot) is None


def noise(rng, k=30):
    _, bad, lot = drawn(rng, bursts=False)
    values = rng.normal(0, 0.4, (20, k))[lot] + rng.standard_normal((len(lot), k))
    return values, bad, lot


def test_the_choice_is_judged_on_lots_that_had_no_part_in_it():
    """Of 30 measurements that foretell nothing the best seems to: not on lots that did not choose it."""
    rng = np.random.default_rng(13)
    areas, caught, hopeful, called = [], [], [], []
    for _ in range(40):
        values, bad, lot = noise(rng)
        found = foretell(values, bad, lot, np.zeros(len(bad), dtype=bool), share=0.1)
        areas.append(found.area.value)
        caught.append(found.caught.value)
        x = values[:, found.best] * (1 if found.high else -1)
        hopeful.append(placements(x, bad)[bad].mean())
        called.append(found.called_anew.value)
    assert np.mean(hopeful) > 0.6
    assert np.mean(called) == pytest.approx(0.1, abs=0.01)
    assert abs(np.mean(areas) - 0.5) < 3 * np.std(areas) / np.sqrt(len(areas))
    error = np.std(caught) / np.sqrt(len(caught))
    assert abs(np.mean(caught) - 0.1) < 3 * error


def test_a_label_of_a_judged_lot_never_moves_its_own_limit():
    """One defect thrown far out: only what it says of itself changes, for its fold chose without it."""
    rng = np.random.default_rng(14)
    x, bad, lot = drawn(rng, shift=2.0, defects=60, bursts=False)
    values = np.column_stack([x, rng.standard_normal(len(x))])
    called = np.zeros(len(bad), dtype=bool)
    before = foretell(values, bad, lot, called, share=0.02)
    # All defects of the lots of one fold are laid on the other side.
    fold = lot % FOLDS == 2
    turned = values.copy()
    turned[fold & bad, 0] = -9.0
    after = foretell(turned, bad, lot, called, share=0.02)
    # Those of that fold are no longer caught: its own defects did not turn its side round.
    rest = (bad & ~fold).sum() / bad.sum()
    assert after.caught.value < before.caught.value
    assert after.caught.value <= rest
    assert after.high


def test_what_the_live_recipe_calls_is_not_stopped_anew():
    rng = np.random.default_rng(15)
    x, bad, lot = drawn(rng, shift=3.0, bursts=False)
    called = x > np.quantile(x, 0.99)
    found = foretell(x[:, None], bad, lot, called, share=0.05)
    assert found.caught.value > found.caught_anew.value > 0
    none = foretell(x[:, None], bad, lot, np.ones(len(x), dtype=bool), share=0.05)
    assert none.caught_anew.value == none.called_anew.value == 0.0


def test_the_limit_calls_no_more_than_the_stated_share_ties_included():
    x = np.r_[np.zeros(100), np.ones(100), np.full(10, 2.0)]
    bad = np.r_[np.zeros(200), np.ones(10)] > 0
    lot = np.arange(210) % 10
    found = foretell(x[:, None], bad, lot, np.zeros(210, dtype=bool), share=0.3)
    # Of 100 different goods five may lie beyond, and five do.
    apart = np.r_[np.arange(100.0), np.full(10, 200.0)]
    which = np.r_[np.zeros(100), np.ones(10)] > 0
    five = foretell(apart[:, None], which, np.arange(110) % 10, which & False, share=0.05)
    assert five.limit == 94.0
    # 100 of 200 lie at 1: a limit below it would call half of them.
    assert found.limit == 1.0
    assert found.called_anew.value == 0.0
    assert found.caught.value == 1.0
