"""Promises on plants unlike the demo, against lots that nobody has seen.

Each kind of plant in `stranger_plants.KINDS` is drawn for several seeds, proposed for, and judged
in the long run and over single further spans. ``python tests/benchmarks/stranger_table.py`` prints
the whole table.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import stranger_judge
from benchmarks import second_look_table
from scipy.stats import binom
from stranger_judge import PARTS, in_sum, inside, judge, ratio_over_plants, summary
from stranger_plants import KINDS, make_stranger

STATED = 0.90
BEYOND_CHANCE = 1e-4
TRIALS = 30
# Where nothing is misstated and the process stays.
HONEST = ("skewed", "suppliers", "restless", "bursts", "wide", "thin")
SEEDS = (11, 12, 13)


def judged(tmp_path, name, seeds=SEEDS, **more):
    return [
        row
        for seed in seeds
        for row in judge(make_stranger(tmp_path / str(seed), name, seed), trials=TRIALS, **more)
    ]


def assert_covered(rows, promised, true):
    """Each figure's interval covers as often as stated; single spans of one family hang together."""
    changes = [r for r in rows if r["promise"]]
    assert changes
    for key, name in PARTS.items():
        missed = sum(not inside(promised(r)[key], x) for r in changes for x in [true(r, name)])
        chance = binom.sf(missed - 1, len(changes), 1 - STATED)
        assert chance > BEYOND_CHANCE, f"{name}: {missed} of {len(changes)} not covered"


def assert_spans_covered(rows, least=0.82):
    """The next span's interval, over twenty further spans of every family."""
    changes = [r for r in rows if r["promise"]]
    for key, name in PARTS.items():
        held = [
            inside(r["promise"]["next_span"][key], x) for r in changes for x in r[f"next_{name}"]
        ]
        assert np.mean(held) >= least, f"{name}: {np.mean(held):.3f} of spans inside"


def sums(rows, key):
    """What advised changes promise in sum and what they bring."""
    advised = [r for r in rows if r["advice"] == "change"]
    return sum(in_sum(r, key) for r in advised), sum(r[PARTS[key]] for r in advised)


@pytest.fixture(scope="module")
def honest(tmp_path_factory):
    """Judged plants of a kind, each judged once."""
    return cache(lambda name: judged(tmp_path_factory.mktemp(name), name))


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.ci) if n == "bursts" else n for n in HONEST],
)
def test_promises_hold_where_nothing_is_misstated(honest, name):
    rows = honest(name)
    assert_covered(rows, lambda r: r["promise"], lambda r, part: r[part])
    assert_spans_covered(rows)
    promised, came = sums(rows, "saving_per_month")
    assert promised == pytest.approx(came, rel=0.15)
    # No advised change loses more than small change.
    gained = sum(max(r["money"], 0.0) for r in rows if r["advice"] == "change")
    lost = -sum(min(r["money"], 0.0) for r in rows if r["advice"] == "change")
    assert lost <= 0.01 * gained
    # Measured 0.89 to 0.97 of the best attainable over eight plants and more, 0.69 to 0.96 over four
    # (DEVELOPERS.md): three plants may well be the harder ones.
    assert came >= 0.60 * sum(max(r["best"], 0.0) for r in rows)


@pytest.mark.slow
def test_sums_over_plants_of_every_kind_are_what_follows(honest):
    """Over eight fresh plants of each kind 1.00 in money and 1.03 in escapes (DEVELOPERS.md)."""
    rows = [row for name in HONEST for row in honest(name)]
    promised, came = sums(rows, "saving_per_month")
    assert promised == pytest.approx(came, rel=0.06)
    promised, came = sums(rows, "escapes_added")
    assert promised == pytest.approx(came, rel=0.2)


@pytest.mark.slow
def test_a_process_that_moves_is_said_to_and_its_next_span_is_inside(tmp_path):
    rows = judged(tmp_path, "moving", later=1.5, best=False)
    changes = [r for r in rows if r["promise"]]
    assert np.mean([r["promise"]["trend"] is not None for r in changes]) > 0.9
    assert_spans_covered(rows)
    told = [r["row"]["reasons"] for r in changes if r["advice"] == "change"]
    assert all(any(reason["kind"] == "process moves" for reason in reasons) for reasons in told)


@pytest.mark.slow
def test_critical_families_are_promised_what_lots_not_seen_bring(tmp_path):
    rows = judged(tmp_path, "misread", best=False)
    assert all(r["row"]["critical"] for r in rows)
    assert_covered(rows, lambda r: r["promise"], lambda r, part: r[part])
    assert_spans_covered(rows)
    # "No known escape" is not "none": the truth is above zero, and so is what is promised.
    assert sum(r["added"] for r in rows if r["promise"]) > 0
    assert sum(r["promise"]["escapes_added"]["high"] for r in rows if r["promise"]) > 0


@pytest.mark.slow
def test_where_changes_lose_few_are_advised_and_those_gain_together(tmp_path):
    rows = judged(tmp_path, "scant", seeds=(11, 12, 13, 14, 15, 16))
    changes = [r for r in rows if r["promise"]]
    assert any(r["money"] < 0 for r in changes), "the plant must tempt, or nothing is tested"
    advised = [r for r in changes if r["advice"] == "change"]
    assert sum(r["money"] for r in advised) > 0
    harmed = sum(r["money"] < 0 for r in advised)
    assert binom.sf(harmed - 1, max(len(advised), 1), 0.4) > BEYOND_CHANCE


@pytest.mark.slow
def test_careless_reviewers_cost_little_once_labels_were_looked_at_again():
    """A tenth of the labels looked at again, rates corrected as told: what was lost comes back."""
    found = second_look_table.one(("careless", 75))
    assert found["share before"] < 0.3
    assert found["false_alarms"] == pytest.approx(0.01, rel=0.35)
    assert found["looked"] <= 0.1 * found["labels"]
    assert found["share after"] > 0.7
    assert found["lose"] == 0
    assert found["money"] == pytest.approx(found["true money"], rel=0.2)


def test_every_kind_is_drawn_and_written_as_it_says(tmp_path):
    for name, kind in KINDS.items():
        small = type(kind)(**{**vars(kind), "families": 1, "lots": 8, "per_lot": 60})
        made = make_stranger(tmp_path / name, small, 1)
        assert (made.folder / "history" / "items.parquet").is_file()
        text = (made.folder / "plant.toml").read_text(encoding="utf-8")
        stated = kind.miss if kind.stated_miss is None else kind.stated_miss
        assert f"miss_rate = {stated}" in text


def test_what_a_found_change_truly_saves_is_counted_alike_in_both_ways(tmp_path, monkeypatch):
    """By limits on single items, and by levels on signatures; the best bounds what was tried."""
    monkeypatch.setattr(stranger_judge, "GOODS", 30_000)
    monkeypatch.setattr(stranger_judge, "DEFECTS", 4_000)
    kind = replace(KINDS["restless"], families=1, per_lot=400)
    rows = judge(make_stranger(tmp_path / "plant", kind, 1), trials=1)
    (row,) = rows
    assert row["money"] != 0
    assert row["best_trial"] == pytest.approx(max(row["money"], 0.0))
    assert row["best"] >= row["best_trial"]
    told = summary(rows)
    assert told["share"] == pytest.approx(row["money"] / row["best"])
    assert told["promised / true"][0] == pytest.approx(
        in_sum(row, "saving_per_month") / row["money"]
    )


def test_the_error_of_money_over_plants_is_that_of_plants_and_not_of_families():
    """Two plants of which one is promised all, the other twice that; families of each alike."""

    def row(seed, promised):
        added = {"in_sum": {"saving_per_month": {"value": promised}}}
        # By itself a family is never promised fewer than no escapes; in the sum it may be.
        return {"seed": seed, "money": 1.0, "promise": added | {"saving_per_month": {"value": 9.0}}}

    rows = [row(1, 1.0)] * 3 + [row(2, 2.0)] * 3
    ratio, error = ratio_over_plants(rows)
    assert ratio == pytest.approx(1.5)
    # Residuals -1.5 and 1.5 of two plants, over a true sum of six.
    assert error == pytest.approx(np.sqrt(2 * (1.5**2 + 1.5**2)) / 6)
    assert np.isnan(ratio_over_plants(rows[:3])[1])
    assert np.isnan(ratio_over_plants([])[0])
