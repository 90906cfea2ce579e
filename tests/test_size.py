"""Families with hundreds of limits, limits with ever so many levels: counted to the last item."""

import json
from dataclasses import replace

import duckdb
import numpy as np
import pytest
from factories import make_items, make_plant, table
from hypothesis import given, settings
from hypothesis import strategies as st
from stranger_plants import KINDS, make_stranger

from optimiser.cli import main
from optimiser.decision.propose import propose
from optimiser.decision.run import make_cases
from optimiser.errors import PlantError
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe
from optimiser.tally import grid as grid_file
from optimiser.tally.count import outcome, sum_by_row, tally_history
from optimiser.tally.grid import MOST_LEVELS, make_grids


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


def fine_items(count=None):
    """The tiny plant's items, ``fill`` with as many distinct values as there are items."""
    items = make_items()[:count]
    return [
        {**item, "fill": float(np.float32(85 + 0.01 * n - (n % 7)))} for n, item in enumerate(items)
    ]


def grids_of(folder):
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        grids = make_grids(history, live)
        return grids, tally_history(history, grids, live)


def test_a_step_far_finer_than_the_goods_is_thinned_and_counted_exactly(tmp_path, monkeypatch):
    monkeypatch.setattr(grid_file, "MOST_LEVELS", 300)
    off = ["furthest-good", "untested", "call-load"]
    toml = table(
        measurements={"tilt": {"unit": "deg", "step": 0.001, "repeatability": 0.1}},
        rails={"off": off, "largest_move_spreads": 2.0},
    )
    grids, tallies = grids_of(make_plant(tmp_path, toml=toml, must_catch=None))
    limit = next(x for x in grids["CHIP"].limits if (x.measurement, x.side) == ("tilt", "upper"))
    assert 100 < len(limit.z) <= 302
    assert limit.values[limit.live] == 3.5
    steps = limit.values / 0.001
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
    setting = grids["CHIP"].live
    setting[grids["CHIP"].limits.index(limit)] = 7
    items = [i for i in make_items() if i["family"] == "CHIP" and i["verdict"] == "defect"]
    assert outcome(tallies["CHIP"], setting).true_calls + outcome(
        tallies["CHIP"], setting
    ).escapes == len(items)


def test_fine_steps_do_not_freeze_a_limit(tmp_path):
    """With neither steps nor spreads given, the wider of twelve steps and one spread."""
    toml = table(
        measurements={"tilt": {"unit": "deg", "step": 0.001, "repeatability": 0.1}},
        rails={"off": ["furthest-good", "untested", "call-load"]},
    )
    grids, _ = grids_of(make_plant(tmp_path, toml=toml, must_catch=None))
    limit = next(x for x in grids["CHIP"].limits if (x.measurement, x.side) == ("tilt", "upper"))
    assert limit.values.max() - 3.5 == pytest.approx(limit.spread, abs=0.002)
    assert "1 standard deviations of the goods" in limit.loose[0].reason


def test_of_many_observed_values_those_of_defects_stay(tmp_path, monkeypatch):
    monkeypatch.setattr(grid_file, "MOST_LEVELS", 20)
    off = ["furthest-good", "largest-move", "untested", "call-load"]
    folder = make_plant(
        tmp_path, items=fine_items(), toml=table(rails={"off": off}), must_catch=None
    )
    grids, tallies = grids_of(folder)
    limit = next(x for x in grids["CHIP"].limits if x.measurement == "fill" and x.side == "lower")
    bad = {np.float32(x) for x in tallies["CHIP"].defects.frame["fill"].dropna()}
    assert bad <= {np.float32(v) for v in limit.values}
    assert len(limit.z) <= 20 + len(bad) + 2


def test_more_levels_than_can_be_told_apart_are_refused_with_a_way_out(tmp_path, monkeypatch):
    monkeypatch.setattr(grid_file, "MOST_LEVELS", 5)
    monkeypatch.setattr(grid_file, "MOST_RANK", 3)
    off = ["furthest-good", "largest-move", "untested", "call-load"]
    folder = make_plant(
        tmp_path, items=fine_items(), toml=table(rails={"off": off}), must_catch=None
    )
    with pytest.raises(
        PlantError,
        match=r"fill .*: labelled defects have \d+ distinct values, .*measurements.fill.step",
    ):
        grids_of(folder)
    assert grid_file.MOST_RANK < MOST_LEVELS < np.iinfo(np.int16).max


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
