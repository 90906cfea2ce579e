"""Families with hundreds of limits, limits with ever so many levels: counted to the last item."""

import json
from dataclasses import replace

import duckdb
import numpy as np
import pytest
from factories import make_plant
from hypothesis import given, settings
from hypothesis import strategies as st
from stranger_plants import KINDS, make_stranger

from optimiser.cli import main
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import propose
from optimiser.recipe.table import read_recipe
from optimiser.tally.count import outcome, sum_by_row


@given(
    rows=st.integers(0, 60),
    columns=st.sampled_from([1, 3, 31, 33, 63, 64, 65, 120, 300]),
    top=st.sampled_from([1, 2, 25, 2**20]),
    seed=st.integers(0, 999),
)
@settings(max_examples=80, deadline=None)
def test_rows_are_summed_whatever_their_width(rows, columns, top, seed):
    """Against numpy's own distinct rows."""
    rng = np.random.default_rng(seed)
    few = rng.integers(0, top, (max(rows // 3, 1), columns))
    keys = few[rng.integers(0, len(few), rows)].astype(np.int32)
    count = rng.integers(1, 9, rows)
    unique, total = sum_by_row(np.asfortranarray(keys), count)
    if rows:
        expected, place = np.unique(keys, axis=0, return_inverse=True)
        np.testing.assert_array_equal(unique, expected)
        np.testing.assert_array_equal(total, np.bincount(place.ravel(), count))
    assert total.sum() == count.sum()


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    """A family with some two hundred limits, its history open for a moment, its items."""
    kind = replace(KINDS["wide"], families=1, measurements=160, lots=8, per_lot=250, defects=60.0)
    made = make_stranger(tmp_path_factory.mktemp("wide") / "p", kind, 3)
    plant = read_plant(made.folder)
    live = read_recipe(made.folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=3)
    frame = duckdb.sql(f"from '{made.folder}/history/items.parquet'").df()
    return cases[0], frame


def by_row(case, frame, setting):
    """True calls and other calls of a setting, item by item, float32 against float32."""
    values = case.tally.grid.values(setting)
    called = np.zeros(len(frame), dtype=bool)
    for (measurement, side), limit in values.items():
        x = frame[measurement].to_numpy(dtype=np.float32)
        called |= x < np.float32(limit) if side == "lower" else x > np.float32(limit)
    bad = (frame["verdict"] == "defect").to_numpy()
    return int((called & bad).sum()), int((called & ~bad).sum())


def test_a_family_of_hundreds_of_limits_is_counted_as_row_by_row(wide):
    case, frame = wide
    limits = case.tally.grid.limits
    assert len(limits) > 150
    rng = np.random.default_rng(1)
    top = np.array([len(limit.z) for limit in limits])
    for setting in (
        case.tally.grid.live,
        np.zeros_like(top),
        top - 1,
        rng.integers(0, top),
        rng.integers(0, top),
    ):
        found = outcome(case.tally, setting)
        assert (found.true_calls, found.false_calls + found.unreviewed_calls) == by_row(
            case, frame, setting
        )


def test_a_family_of_hundreds_of_limits_is_proposed_for(wide):
    row = propose(wide[0]).as_dict()
    assert row["advice"] in ("change", "keep")
    assert len(row["limits"]) == len(wide[0].tally.grid.limits)


def test_one_number_of_escapes_is_asked_for_alone(tmp_path, capsys):
    folder = make_plant(tmp_path)
    assert main(["front", str(folder), "--family", "CHIP", "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    wanted = whole["points"][1]
    escapes = str(wanted["escapes"])
    assert main(["front", str(folder), "--family", "CHIP", "--escapes", escapes, "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert [p["escapes"] for p in alone["points"]] == [wanted["escapes"]]
    assert alone["points"][0]["false_calls"] == wanted["false_calls"]
    assert alone["proved"]


def test_a_number_of_escapes_that_nobody_can_have_is_refused(tmp_path, capsys):
    folder = make_plant(tmp_path)
    assert main(["front", str(folder), "--family", "CHIP", "--escapes", "9999"]) == 2
    words = capsys.readouterr().err
    assert "--escapes must lie between 0 and" in words
    assert "got 9999" in words
    with pytest.raises(SystemExit):
        main(["front", str(folder), "--family", "CHIP", "--escapes", "-1"])
