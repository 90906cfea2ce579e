"""Promises of the demo plant's proposals against the truth the plant was drawn from."""

import numpy as np
import pytest
from demo_truth_judge import covers, judge
from scipy.stats import binom

PARTS = {"false_calls_saved": "saved", "escapes_added": "added", "saving_per_month": "money"}


def misses(judged, key):
    return sum(not covers(j.promise[key], getattr(j, PARTS[key])) for j in judged)


def assert_honest(judged):
    for key in PARTS:
        count = misses(judged, key)
        stated = 1 - judged[0].promise["level"]
        chance = binom.sf(count - 1, len(judged), stated)
        assert chance > 1e-6, f"{key}: {count} of {len(judged)} not covered, {stated:.0%} stated"
    promised = np.array([j.promise["saving_per_month"]["value"] for j in judged])
    delivered = np.array([j.money for j in judged])
    error = np.std(delivered - promised, ddof=1) * len(judged) ** 0.5
    # In sum the tool may not promise more than the truth delivers, chance aside.
    assert promised.sum() <= delivered.sum() + 4 * error


@pytest.mark.slow
@pytest.mark.ci
def test_one_demo_keeps_its_promises(tmp_path):
    judged = judge(tmp_path / "plant", seed=11, days=60, items_per_day=25_000, trials=20)
    assert len(judged) >= 10
    assert any(j.advice == "change" for j in judged)
    assert_honest(judged)
    # Changes that are advised do save in truth.
    assert sum(j.money for j in judged if j.advice == "change") > 0


@pytest.mark.slow
def test_several_demos_keep_their_promises(tmp_path):
    judged = [
        j
        for seed in range(21, 27)
        for j in judge(tmp_path / str(seed), seed=seed, days=60, items_per_day=25_000)
    ]
    assert len(judged) >= 80
    assert_honest(judged)
    changed = [j for j in judged if j.advice == "change"]
    assert sum(j.money < 0 for j in changed) <= binom.ppf(1 - 1e-6, len(changed), 0.05)
