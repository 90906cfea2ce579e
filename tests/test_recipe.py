"""Recipes: both forms read back exactly, the nearest override decides, errors name the line."""

import json
import math

import numpy as np
import pytest
from factories import RECIPE, TOML, recipe_text
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.errors import RecipeError
from optimiser.plant.file import Measurement
from optimiser.recipe.table import (
    Place,
    Recipe,
    Row,
    read_recipe,
    resolve,
    to_csv,
    to_json,
    write_recipe,
)

MEASUREMENTS = {name: Measurement(**row) for name, row in TOML["measurements"].items()}
GREATEST = float(np.finfo(np.float32).max)
finite = st.floats(-GREATEST, GREATEST, allow_nan=False)
names = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1
)


@st.composite
def recipes(draw) -> Recipe:
    keys = draw(
        st.lists(
            st.tuples(
                st.sampled_from(("family", "part", "designator")),
                names,
                st.sampled_from(sorted(MEASUREMENTS)),
            ),
            min_size=1,
            max_size=6,
            unique=True,
        )
    )
    rows = []
    for scope, name, measurement in keys:
        low, high = sorted(draw(st.tuples(finite, finite)))
        rows.append(
            Row(
                scope=scope,
                name=name,
                measurement=measurement,
                lower=low if draw(st.booleans()) else -math.inf,
                upper=high if draw(st.booleans()) else math.inf,
                unit=MEASUREMENTS[measurement].unit,
            )
        )
    return Recipe(revision=draw(names).strip(), rows=tuple(rows))


@pytest.mark.parametrize("form", ["csv", "json"])
@given(recipe=recipes())
@settings(max_examples=150, deadline=None)
def test_a_recipe_reads_back_exactly(tmp_path_factory, form, recipe):
    path = tmp_path_factory.getbasetemp() / f"round.{form}"
    write_recipe(recipe, path)
    again = read_recipe(path, MEASUREMENTS)
    assert again == recipe
    # Equal floats may still differ in the sign of zero.
    signs = [[math.copysign(1, r.limit(s)) for s in ("lower", "upper")] for r in again.rows]
    assert signs == [
        [math.copysign(1, r.limit(s)) for s in ("lower", "upper")] for r in recipe.rows
    ]


def test_both_forms_of_one_recipe_are_one_recipe(tmp_path):
    (tmp_path / "a.csv").write_text(recipe_text(RECIPE))
    recipe = read_recipe(tmp_path / "a.csv", MEASUREMENTS)
    (tmp_path / "a.json").write_text(to_json(recipe))
    assert read_recipe(tmp_path / "a.json", MEASUREMENTS) == recipe
    assert recipe.revision == "7"
    assert recipe.families() == {"CHIP", "SOT"}
    assert [r.name for r in recipe.overrides] == ["R-9", "R7"]
    (tmp_path / "bom.csv").write_text("\ufeff" + to_csv(recipe), encoding="utf-8")
    assert read_recipe(tmp_path / "bom.csv", MEASUREMENTS) == recipe


def row(scope, name, measurement, lower, upper) -> Row:
    unit = MEASUREMENTS[measurement].unit
    return Row(scope=scope, name=name, measurement=measurement, lower=lower, upper=upper, unit=unit)


@given(order=st.permutations(range(6)))
@settings(max_examples=30, deadline=None)
def test_the_nearest_override_decides_both_sides_whatever_the_order(order):
    rows = [
        row("family", "CHIP", "tilt", -3.0, 3.0),
        row("family", "CHIP", "offset", -math.inf, 60.0),
        row("part", "R-9", "tilt", -math.inf, 4.0),
        row("designator", "R7", "tilt", -math.inf, 5.0),
        row("designator", "P1/R7", "tilt", -6.0, math.inf),
        row("family", "SOT", "tilt", -1.0, 1.0),
    ]
    recipe = Recipe(revision="1", rows=tuple(rows[n] for n in order))

    def tilt(*place) -> tuple[float, float]:
        found = resolve(recipe, Place(*place))
        return found["tilt"].lower, found["tilt"].upper

    assert tilt("CHIP", "R-1", "P1", "R1") == (-3.0, 3.0)
    assert tilt("CHIP", None, None, None) == (-3.0, 3.0)
    # A blank side of the winning row is no limit; the family's does not shine through.
    assert tilt("CHIP", "R-9", "P1", "R1") == (-math.inf, 4.0)
    assert tilt("CHIP", "R-9", "P2", "R7") == (-math.inf, 5.0)
    assert tilt("CHIP", "R-9", "P1", "R7") == (-6.0, math.inf)
    # A measurement without an override keeps the family's row.
    assert resolve(recipe, Place("CHIP", "R-9", "P1", "R7"))["offset"].upper == 60.0


def test_replacing_limits_leaves_overrides_and_other_families(tmp_path):
    (tmp_path / "a.csv").write_text(recipe_text(RECIPE))
    recipe = read_recipe(tmp_path / "a.csv", MEASUREMENTS)
    moved = recipe.with_limits("CHIP", {("tilt", "upper"): 4.0, ("offset", "upper"): math.inf})
    changed = [(a, b) for a, b in zip(recipe.rows, moved.rows, strict=True) if a != b]
    assert [(b.name, b.measurement, b.upper) for _, b in changed] == [
        ("CHIP", "tilt", 4.0),
        ("CHIP", "offset", math.inf),
    ]


HEAD = "# revision 1\nscope,name,measurement,lower,upper,unit\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("scope,name\n", ["line 1", "# revision NAME"]),
        ("# revision 1\nscope,name,measurement,lower,upper\n", ["line 2", "'unit' is missing"]),
        (HEAD, ["holds no limits"]),
        (HEAD + "family,CHIP,tilt,5,3,deg\n", ["line 3", "lower <= upper", "5 > 3"]),
        (HEAD + "family,CHIP,tlit,,3,deg\n", ["line 3", "'tlit'", "did you mean 'tilt'"]),
        (HEAD + "family,CHIP,tilt,,3,rad\n", ["line 3", "'deg'", "'rad'"]),
        (HEAD + "family,CHIP,tilt,,three,deg\n", ["line 3", "upper", "finite number", "'three'"]),
        (HEAD + "family,CHIP,tilt,,inf,deg\n", ["line 3", "upper", "'inf'"]),
        (HEAD + "family,CHIP,tilt,nan,,deg\n", ["line 3", "lower", "'nan'"]),
        (HEAD + "family,CHIP,tilt,,1e39,deg\n", ["line 3", "upper", "'1e39'"]),
        (HEAD + "familly,CHIP,tilt,,3,deg\n", ["line 3", "scope must be one of", "'familly'"]),
        (HEAD + "family,,tilt,,3,deg\n", ["line 3", "name is blank"]),
        (HEAD + "family,CHIP\n", ["line 3", "measurement must be text"]),
        (HEAD + "family,CHIP,tilt,,3,5,deg\n", ["line 3", "more cells than the header"]),
        (
            HEAD + "family,A,tilt,,3,deg\nfamily,B,tilt,,3,deg\nfamily,A,tilt,,4,deg\n",
            ["family A tilt", "stands twice"],
        ),
        (HEAD + f"family,{'x' * 200_000},tilt,,3,deg\n", ["not readable as CSV", "field limit"]),
    ],
)
def test_a_broken_csv_recipe_names_line_value_and_rule(tmp_path, text, words):
    path = tmp_path / "recipe.csv"
    path.write_text(text)
    with pytest.raises(RecipeError) as caught:
        read_recipe(path, MEASUREMENTS)
    assert str(path) in str(caught.value)
    for word in words:
        assert word in str(caught.value)


GOOD = dict(scope="family", name="CHIP", measurement="tilt", lower=None, upper=3, unit="deg")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("{", ["must be"]),
        ([], ["must be"]),
        ({"revision": "1"}, ["'limits'"]),
        ({"revision": "1", "limits": []}, ["holds no limits"]),
        ({"revision": "1", "limits": [3]}, ["limit 1", "needs the keys"]),
        ({"revision": "1", "limits": [GOOD, {**GOOD, "name": 5}]}, ["limit 2", "name", "got 5"]),
        ({"revision": "1", "limits": [{**GOOD, "measurement": ["tilt"]}]}, ["limit 1", "text"]),
        ({"revision": "1", "limits": [{**GOOD, "lower": True}]}, ["limit 1", "lower", "True"]),
        ({"revision": "1", "limits": [{**GOOD, "lower": 4}]}, ["limit 1", "lower <= upper"]),
    ],
)
def test_a_broken_json_recipe_names_limit_value_and_rule(tmp_path, value, words):
    path = tmp_path / "recipe.json"
    path.write_text(value if isinstance(value, str) else json.dumps(value))
    with pytest.raises(RecipeError) as caught:
        read_recipe(path, MEASUREMENTS)
    for word in (str(path), *words):
        assert word in str(caught.value)


def test_a_recipe_that_is_missing_or_not_text_is_named(tmp_path):
    (tmp_path / "latin.csv").write_bytes(b"# revision \xb5\n")
    for name in ("none.csv", "latin.csv"):
        with pytest.raises(RecipeError, match=f"{name}: cannot be read as text"):
            read_recipe(tmp_path / name, MEASUREMENTS)


@pytest.mark.parametrize("unit", ["um", "µm", "μm"])
def test_a_micrometre_may_be_written_three_ways(tmp_path, unit):
    path = tmp_path / "recipe.csv"
    path.write_text(HEAD + f"family,CHIP,offset,,60,{unit}\n", encoding="utf-8")
    assert read_recipe(path, MEASUREMENTS).rows[0].upper == 60.0
