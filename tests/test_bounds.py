"""What a revision may never do, limit by limit: worked out by hand in float32, as a line compares."""

import math

import numpy as np
import pytest
from factories import make_plant, table

from optimiser.ledger.bounds import broken_bounds
from optimiser.plant.file import read_plant
from optimiser.recipe.table import Recipe, Row

UNITS = {"tilt": "deg", "offset": "um", "fill": "%"}
# Repeatabilities of the plant: tilt 0.1 deg, offset 2 um, fill 1 %; two of them guard a bound.
BOUNDS = {"offset": {"upper": 120.0}, "fill": {"lower": 50.0}, "tilt": {"lower": -9.0}}


@pytest.fixture
def plant(tmp_path):
    return plant_of(tmp_path)


def plant_of(folder, must_catch=(), **rails):
    chip = {"termination": "chip", "workmanship": BOUNDS}
    toml = table(families={"CHIP": chip}, rails={"guard_sigmas": 2.0} | rails)
    return read_plant(make_plant(folder, items=[], toml=toml, must_catch=must_catch))


def recipe(family="CHIP", **limits):
    """Return a recipe of one family: measurement=(lower, upper)."""
    rows = [
        Row(scope="family", name=family, measurement=m, lower=low, upper=high, unit=UNITS[m])
        for m, (low, high) in limits.items()
    ]
    return Recipe(revision="7", rows=tuple(rows))


def upper(value, name="offset"):
    return recipe(**{name: (-math.inf, value)})


def lower(value, name="fill"):
    return recipe(**{name: (value, math.inf)})


def broken(live, new, plant, family="CHIP"):
    return list(broken_bounds(live, new, family, plant))


def test_an_upper_limit_may_reach_its_bound_less_the_guard_band_and_not_one_digit_more(plant):
    live, edge = upper(60.0), np.float32(120.0 - 2 * 2.0)
    assert broken(live, upper(float(edge)), plant) == []
    assert len(broken(live, upper(float(np.nextafter(edge, np.float32(np.inf)))), plant)) == 1
    assert broken(live, upper(116.5), plant) == [
        "offset upper 116.5 um lies past its workmanship bound less the guard band, 116 um"
    ]


def test_a_lower_limit_may_reach_its_bound_more_the_guard_band_and_not_one_digit_less(plant):
    live, edge = lower(70.0), np.float32(50.0 + 2 * 1.0)
    assert broken(live, lower(float(edge)), plant) == []
    assert len(broken(live, lower(float(np.nextafter(edge, np.float32(-np.inf)))), plant)) == 1
    assert broken(live, lower(51.5), plant) == [
        "fill lower 51.5 % lies past its workmanship bound less the guard band, 52 %"
    ]


def test_a_limit_that_is_taken_off_lies_past_every_bound(plant):
    (told,) = broken(upper(60.0), upper(math.inf), plant)
    assert told.startswith("offset upper inf um")
    (told,) = broken(lower(70.0), lower(-math.inf), plant)
    assert told.startswith("fill lower -inf %")


def test_a_bound_of_below_zero_holds_as_well(plant):
    live = lower(-3.0, "tilt")
    assert broken(live, lower(-8.8, "tilt"), plant) == []
    assert broken(live, lower(-8.9, "tilt"), plant) == [
        "tilt lower -8.9 deg lies past its workmanship bound less the guard band, -8.8 deg"
    ]


def test_only_what_is_looser_than_live_is_refused(plant):
    live = upper(118.0)
    assert broken(live, live, plant) == []
    assert broken(live, upper(117.0), plant) == []
    assert len(broken(live, upper(118.5), plant)) == 1
    # The same number for a line that compares in float32.
    assert broken(live, upper(118.0 + 1e-9), plant) == []
    assert broken(lower(51.0), lower(51.5), plant) == []


def test_a_limit_that_the_live_recipe_has_not_is_held_to_its_bound(plant):
    live = lower(70.0)
    new = recipe(fill=(70.0, math.inf), offset=(-math.inf, 119.0))
    assert len(broken(live, new, plant)) == 1
    assert broken(live, recipe(fill=(70.0, math.inf), offset=(-math.inf, 110.0)), plant) == []


def test_every_limit_past_its_bound_is_told_and_other_sides_and_families_are_not(plant):
    live = recipe(offset=(-10.0, 60.0), fill=(70.0, 95.0), tilt=(-3.0, 3.0))
    new = recipe(offset=(-500.0, 119.0), fill=(50.0, 300.0), tilt=(-8.0, 90.0))
    assert [told.split(" ")[:2] for told in broken(live, new, plant)] == [
        ["offset", "upper"],
        ["fill", "lower"],
    ]
    assert broken(live, new, plant, family="SOT") == []
    assert broken(live, lower(70.0), plant) == []  # a measurement that no longer limits


def test_a_rail_that_the_plant_switches_off_is_not_asked(tmp_path):
    plant = plant_of(tmp_path, off=["workmanship"])
    assert broken(upper(60.0), upper(500.0), plant) == []


def test_without_a_guard_band_the_bound_itself_is_the_edge(tmp_path):
    plant = plant_of(tmp_path, guard_sigmas=0.0)
    assert broken(upper(60.0), upper(120.0), plant) == []
    assert len(broken(upper(60.0), upper(120.5), plant)) == 1


def test_a_measurement_without_a_repeatability_has_no_guard_band(tmp_path):
    chip = {"termination": "chip", "workmanship": BOUNDS}
    toml = table(families={"CHIP": chip}, measurements={"offset": {"unit": "um", "step": 5.0}})
    rows = [item(offset=100.0)]
    plant = read_plant(make_plant(tmp_path, items=[], toml=toml, must_catch=rows))
    assert broken(upper(60.0), upper(100.0), plant)[0].startswith("must-catch item KB-1")
    assert broken(upper(60.0), upper(99.5), plant) == []
    assert broken(upper(100.0), upper(120.0), plant) == []
    assert len(broken(upper(100.0), upper(120.5), plant)) == 1


def item(**values):
    return {"name": "KB-1", "family": "CHIP"} | values


def test_a_must_catch_item_stays_called_also_when_it_is_measured_again(tmp_path):
    """Its offset of 100 um may read 4 um less: a limit calls it surely below 96 um."""
    plant = plant_of(tmp_path, [item(offset=100.0)])
    told = ["must-catch item KB-1 would pass, which the live recipe calls"]
    assert broken(upper(60.0), upper(95.5), plant) == []
    assert broken(upper(60.0), upper(96.0), plant) == told
    assert broken(upper(60.0), upper(97.0), plant) == told
    assert broken(upper(96.0), upper(97.0), plant) == []  # the live recipe lets it pass as well
    assert broken(upper(60.0), lower(70.0), plant) == told  # its limit is gone


def test_a_must_catch_item_below_a_lower_limit_is_called(tmp_path):
    """Its fill of 55 % may read 2 % more: a limit calls it surely above 57 %."""
    plant = plant_of(tmp_path, [item(fill=55.0)])
    assert broken(lower(70.0), lower(57.5), plant) == []
    assert len(broken(lower(70.0), lower(57.0), plant)) == 1


def test_one_limit_is_enough_to_call_and_items_are_told_one_by_one(tmp_path):
    rows = [item(offset=100.0, fill=55.0), item(offset=100.0) | {"name": "KB-2"}]
    plant = plant_of(tmp_path, [*rows, item(offset=100.0) | {"name": "KB-3", "family": "SOT"}])
    live = recipe(offset=(-math.inf, 60.0), fill=(70.0, math.inf))
    new = recipe(offset=(-math.inf, 98.0), fill=(70.0, math.inf))
    assert [told.split(" ")[2] for told in broken(live, new, plant)] == ["KB-2"]
    none = recipe(offset=(-math.inf, 98.0), fill=(54.0, math.inf))
    assert [told.split(" ")[2] for told in broken(live, none, plant)] == ["KB-1", "KB-2"]
    assert broken(none, none, plant) == []
