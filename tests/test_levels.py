"""Many levels: merged where no item lies between them, thinned where no defect does, or refused."""

import math

import numpy as np
import pandas as pd
import pytest
from factories import make_items, make_plant, table
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_tally import counted, items_of, write_plant

from optimiser.errors import PlantError
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.propose import Case, problem_of
from optimiser.recipe.table import Recipe, Row, read_recipe
from optimiser.search.exact import exact_front
from optimiser.tally import levels
from optimiser.tally.count import outcome, tally_history
from optimiser.tally.grid import make_grids

FREE = ["furthest-good", "largest-move", "untested", "call-load"]


def toml_of(step: float | None, rails: str = f"off = {FREE}") -> str:
    steps = "" if step is None else f"step = {step}\n"
    return (
        '[plant]\nname = "Fine"\nhistory = "history.parquet"\n[review]\nfalse_alarm_rate = 0.01\n'
        f'[measurements.gap]\nunit = "um"\n{steps}[families.F]\n[rails]\n{rails}\n'
    )


def tally_of(folder, frame: pd.DataFrame, toml: str, upper: float = 3.0):
    """Return the plant, its recipe and the tally of its one family, of one upper limit."""
    row = Row(scope="family", name="F", measurement="gap", lower=-np.inf, upper=upper, unit="um")
    recipe = Recipe(revision="1", rows=(row,))
    folder.mkdir(exist_ok=True)
    write_plant(folder, frame, recipe, toml)
    plant = read_plant(folder)
    with open_history(plant) as history:
        return plant, tally_history(history, make_grids(history, recipe), recipe)["F"]


def upper_of(tally):
    (limit,) = (x for x in tally.grid.limits if x.side == "upper")
    return limit, tally.grid.limits.index(limit)


def assert_replays(tally, frame: pd.DataFrame, chosen) -> None:
    """Hold counts against a comparison of every item with the limit."""
    limit, n = upper_of(tally)
    x, verdict = frame["gap"].to_numpy(dtype=np.float32), frame["verdict"].to_numpy()
    for level in chosen:
        setting = tally.grid.live
        setting[n] = level
        truth = x > np.float32(limit.values[level])
        assert outcome(tally, setting) == counted(truth, verdict)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    seed=st.integers(0, 2**32 - 1),
    step=st.sampled_from([0.0007, 0.001, 1e-5, 3e-7]),
    digits=st.sampled_from([1, 3, 6]),
)
def test_steps_without_items_between_them_are_one_level(tmp_path_factory, seed, step, digits):
    rng = np.random.default_rng(seed)
    x = np.float32(np.round(rng.normal(0, 1, 40), digits))
    frame = items_of({"gap": x}, rng)
    _, tally = tally_of(tmp_path_factory.mktemp("fine") / "plant", frame, toml_of(step))
    limit, _ = upper_of(tally)
    seen = np.unique(x)
    # All multiples within reach of the items, each with the number of values that it passes.
    numbers = np.unique(
        np.concatenate([np.ceil(seen.astype(float) / step) + k for k in range(-9, 10)])
    )
    multiples = np.array([float(f"{k * step:.12g}") for k in numbers])
    passed = np.searchsorted(seen, multiples.astype(np.float32), side="right")
    inside = np.delete(limit.z, limit.live)
    found = np.searchsorted(seen, inside[np.isfinite(inside)], side="right")
    live = int(np.searchsorted(seen, limit.z[limit.live], side="right"))
    assert set(passed.tolist()) <= {*found.tolist(), 0, live}
    assert len(found) == len(set(found.tolist()))
    assert limit.values[limit.live] == 3.0
    for level, n in zip(inside, found, strict=False):
        assert n == 0 or level <= multiples.astype(np.float32)[passed == n].min(initial=np.inf)
    assert_replays(tally, frame, range(len(limit.z)))


def test_steps_a_thousandth_of_the_scatter_move_by_a_spread(tmp_path):
    """400 items; 1 spread is 1,000 steps either way, 6 spreads are merged."""
    rng = np.random.default_rng(1)
    frame = items_of({"gap": np.float32(rng.normal(0, 1, 400))}, rng)
    few = 'off = ["furthest-good", "untested", "call-load"]\n'
    _, tally = tally_of(tmp_path / "one", frame, toml_of(0.001, few), upper=2.0)
    limit, _ = upper_of(tally)
    assert limit.values[0] == pytest.approx(2.0 - limit.spread, abs=0.001)
    assert limit.values[-1] == pytest.approx(2.0 + limit.spread, abs=0.001)
    assert limit.tight[0].reason.startswith("at most 1 standard deviation of the goods (")
    assert limit.touched(0).rail == "largest-move"
    assert_replays(tally, frame, range(0, len(limit.z), 97))
    toml = toml_of(0.001, f"{few}largest_move_spreads = 6")
    _, tally = tally_of(tmp_path / "six", frame, toml, upper=2.0)
    limit, _ = upper_of(tally)
    assert len(limit.z) <= 400 + 3
    assert_replays(tally, frame, range(len(limit.z)))


def test_forty_thousand_labelled_values_do_not_overflow_a_rank(tmp_path):
    rng = np.random.default_rng(2)
    frame = items_of({"gap": np.unique(np.float32(rng.normal(0, 1, 41_000)))}, rng)
    frame["verdict"] = np.where(np.arange(len(frame)) % 50, "good", "defect")
    frame["found_by"] = "review"
    assert len(frame) > 40_000
    _, tally = tally_of(tmp_path, frame, toml_of(None))
    limit, _ = upper_of(tally)
    assert levels.MOST_LEVELS <= len(limit.z) <= levels.MOST_LEVELS + 1000
    assert_replays(tally, frame, [0, 1, len(limit.z) // 2, limit.live, len(limit.z) - 1])


@pytest.mark.parametrize("step", [None, 0.00001])
def test_thinned_levels_leave_the_front_as_it_is(tmp_path, monkeypatch, step):
    rng = np.random.default_rng(3)
    n = 400
    frame = items_of({"gap": np.float32(rng.normal(0, 1, n))}, rng)
    bad = rng.random(n) < 0.08
    frame["gap"] += np.float32(1.5 * bad)
    frame["verdict"], frame["found_by"] = np.where(bad, "defect", "good"), "review"
    fronts, sizes = [], []
    for most in (4000, 10):
        monkeypatch.setattr(levels, "MOST_LEVELS", most)
        plant, tally = tally_of(tmp_path / str(most), frame, toml_of(step))
        case = Case(tally=tally, siblings=(), plant=plant, must_catch=(), span_days=1.0, trials=1)
        front = exact_front(problem_of(case)[0], time_limit_s=20)
        assert front.proved
        fronts.append([(p.escapes, p.false_calls) for p in front.points])
        sizes.append(len(upper_of(tally)[0].z))
    assert fronts[0] == fronts[1]
    assert len(fronts[0]) > 10
    assert sizes[1] < sizes[0] / 5


def test_more_defects_than_ranks_are_refused_with_the_step_to_set(tmp_path, monkeypatch):
    rng = np.random.default_rng(4)
    frame = items_of({"gap": np.float32(rng.normal(0, 1, 60))}, rng)
    frame["verdict"], frame["found_by"] = "defect", "review"
    monkeypatch.setattr(levels, "MOST_LEVELS", 8)
    monkeypatch.setattr(levels, "MOST_RANKS", 20)
    with pytest.raises(PlantError) as refused:
        tally_of(tmp_path, frame, toml_of(None))
    words = str(refused.value)
    for part in ("F gap", "60 labelled defects", "at most 20", "set measurements.gap.step"):
        assert part in words
    advised = float(words.split("plant.toml to ")[1].split()[0])
    _, tally = tally_of(tmp_path, frame, toml_of(advised))
    assert all(len(limit.z) <= 11 for limit in tally.grid.limits)


def test_a_step_too_small_to_count_in_is_refused(tmp_path):
    toml = table(measurements={"tilt": {"unit": "deg", "step": 5e-324}})
    plant = read_plant(make_plant(tmp_path, toml=toml))
    live = read_recipe(plant.locate("recipe.csv"), plant.file.measurements)
    with (
        open_history(plant) as history,
        pytest.raises(PlantError, match=r"too small.*raise measurements\.tilt\.step"),
    ):
        make_grids(history, live)


def test_a_step_finer_than_float32_serves_as_well_as_any_value(tmp_path):
    toml = table(measurements={"tilt": {"unit": "deg", "step": 1e-12}}, rails={"off": FREE})
    plant = read_plant(make_plant(tmp_path, toml=toml))
    live = read_recipe(plant.locate("recipe.csv"), plant.file.measurements)
    with open_history(plant) as history:
        grid = make_grids(history, live)["CHIP"]
    (limit,) = (x for x in grid.limits if (x.measurement, x.side) == ("tilt", "upper"))
    seen = {np.float32(i["tilt"]) for i in make_items() if i["family"] == "CHIP"}
    assert seen <= set(limit.z) | {max(seen)}
    assert len(limit.z) <= len(seen) + 3
    assert limit.z[-1] == math.inf
