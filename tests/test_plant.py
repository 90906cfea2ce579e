"""The plant file: a typo, a wrong value or a missing key is named with what is allowed."""

import pytest
from factories import TOML, make_plant, table, to_toml

from optimiser.errors import PlantError, UsageError
from optimiser.plant.file import RAILS, Plant, read_plant


def read(tmp_path, toml) -> Plant:
    path = tmp_path / "plant.toml"
    path.write_text(toml if isinstance(toml, str) else to_toml(toml), encoding="utf-8")
    return read_plant(path)


def test_a_plant_is_found_by_its_folder_and_by_its_file(tmp_path):
    folder = make_plant(tmp_path, items=[])
    by_folder, by_file = read_plant(folder), read_plant(folder / "plant.toml")
    assert by_folder == by_file
    assert by_folder.folder == folder
    assert by_folder.locate("recipe.csv").is_file()
    assert list(by_folder.file.measurements) == ["tilt", "offset", "fill"]
    assert by_folder.file.measurements["fill"].step is None
    assert by_folder.file.families["CHIP"].workmanship["offset"].side("upper") == 120.0
    assert by_folder.file.families["CHIP"].workmanship["offset"].side("lower") is None


def test_without_a_file_the_way_out_is_said(tmp_path):
    with pytest.raises(UsageError, match=r"no plant file at .*plant\.toml .*near.*; name a folder"):
        read_plant(tmp_path)


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        (table(rails={"guard_sigma": 2.0}), ["rails.guard_sigma", "did you mean 'guard_sigmas'"]),
        (table(plant={"curency": "EUR"}), ["plant.curency", "did you mean 'currency'"]),
        (table(plant={"currency": "euro"}), ["plant.currency", "'euro'"]),
        (table(review={"miss_rate": 1.0}), ["review.miss_rate", "less than 1", "1.0"]),
        (table(review={"seconds_per_call": 0}), ["review.seconds_per_call", "greater than 0"]),
        (table(labels={"test_coverage": 0.0}), ["labels.test_coverage", "greater than 0"]),
        (table(rails={"largest_move_steps": 0}), ["rails.largest_move_steps", "got 0"]),
        (table(rails={"largest_move_spreads": 0}), ["rails.largest_move_spreads", "got 0"]),
        (table(rails={"largest_move_spreads": "1 mm"}), ["rails.largest_move_spreads", "1 mm"]),
        (table(rails={"largest_move_spread": 1}), ["did you mean 'largest_move_spreads'"]),
        (table(rails={"off": ["guesswork"]}), ["rails.off", "'workmanship'", "'guesswork'"]),
        (table(measurements={"tilt": {"step": 0.5}}), ["measurements.tilt.unit", "missing"]),
        (table(measurements={"tilt": {"unit": "deg", "step": -1}}), ["tilt.step", "got -1"]),
        (table(families={"CHIP": {"class": 4}}), ["families.CHIP.class", "got 4"]),
        (
            table(families={"CHIP": {"workmanship": {"tlit": {"upper": 3.0}}}}),
            ["families.CHIP.workmanship.tlit", "did you mean 'tilt'"],
        ),
        (
            table(families={"CHIP": {"workmanship": {"tilt": {"lower": 3.0, "upper": 1.0}}}}),
            ["families.CHIP.workmanship.tilt", "lower < upper must hold", "lower=3"],
        ),
        (
            table(families={"CHIP": {"workmanship": {"tilt": {"uper": 3.0}}}}),
            ["families.CHIP.workmanship.tilt.uper", "did you mean 'upper'"],
        ),
        ({k: v for k, v in TOML.items() if k != "families"}, ["families: missing"]),
        ("[plant\nname = 1", ["not valid TOML", "line 1"]),
        ("plant = 3\n", ["plant"]),
        ("", ["plant: missing", "measurements: missing"]),
    ],
)
def test_a_broken_rule_names_file_key_and_value(tmp_path, toml, words):
    with pytest.raises(PlantError) as caught:
        read(tmp_path, toml)
    message = str(caught.value)
    assert str(tmp_path / "plant.toml") in message
    for word in words:
        assert word in message


@pytest.mark.parametrize("number", ["inf", "nan"])
def test_a_bound_is_finite(tmp_path, number):
    text = to_toml(TOML).replace("120.0", number)
    with pytest.raises(PlantError, match=r"families\.CHIP\.workmanship\.offset\.upper.*finite"):
        read(tmp_path, text)


def test_text_that_is_not_utf8_is_named(tmp_path):
    (tmp_path / "plant.toml").write_bytes(b'[plant]\nname = "\xb5"\n')
    with pytest.raises(PlantError, match="not valid TOML"):
        read_plant(tmp_path)


def test_more_than_three_broken_rules_are_counted(tmp_path):
    toml = table(rails={"a": 1, "b": 2}, review={"c": 3}, labels={"d": 4, "e": 5})
    with pytest.raises(PlantError, match="… and 2 more"):
        read(tmp_path, toml)


@pytest.mark.parametrize("rail", RAILS)
def test_each_rail_is_switched_off_by_its_name(tmp_path, rail):
    rails = read(tmp_path, table(rails={"off": [rail]})).file.rails
    assert [r for r in RAILS if not rails.holds(r)] == [rail]


def test_a_plant_file_is_frozen(tmp_path):
    plant = read(tmp_path, TOML)
    with pytest.raises(ValueError, match="frozen"):
        plant.file.rails.guard_sigmas = 0.0


def test_the_price_of_an_escape_weighs_where_it_is_found(tmp_path):
    toml = table(
        escape_cost={
            "default": 10.0,
            "by_defect": {"bridge": 30.0},
            "by_finder": {"test": 1.0, "field": 5.0},
        },
        labels={"test_coverage": 0.75},
    )
    file = read(tmp_path, toml).file
    assert file.escape_price("bridge") == pytest.approx(30 * (0.75 + 0.25 * 5))
    assert file.escape_price(None) == file.escape_price("unheard of") == pytest.approx(20.0)
    assert file.review.cost_per_call == pytest.approx(0.3)
