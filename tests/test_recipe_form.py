"""A recipe in the machine's own form: what goes out is what was signed, or nothing goes out."""

import pytest
from factories import make_plant, table
from hypothesis import given, settings
from hypothesis import strategies as st
from test_revision import TILT, Bench

from optimiser.errors import PlantError, RecipeError
from optimiser.ledger.revision import altered_revisions
from optimiser.plant.file import RecipeForm, read_plant
from optimiser.recipe.form import read_form, write_form
from optimiser.recipe.table import Recipe, Row, read_recipe

XML = """<recipe rev="{{ revision }}">
{%- for row in rows %}
  <limit name="{{ row.name | named }}" of="{{ row.measurement | named }}"
         lo="{{ row.lower | number }}" hi="{{ row.upper | number }}"/>
{%- endfor %}
</recipe>
"""
BACK = (
    r'<limit name="(?P<name>[^"]*)" of="(?P<measurement>[^"]*)"\s+'
    r'lo="(?P<lower>[^"]*)" hi="(?P<upper>[^"]*)"/>'
)
FORM = {"template": "machine.xml.j2", "file": "recipe-{revision}.xml", "back": BACK, "none": "-"}


def bench_with(tmp_path, template=XML, **changed):
    form = {**FORM, **changed}
    bench = Bench(tmp_path, toml=table(recipe_form=form))
    (bench.folder / "machine.xml.j2").write_text(template, encoding="utf-8")
    return bench


def test_an_export_writes_the_form_and_the_ledger_knows_it(tmp_path):
    bench = bench_with(tmp_path, names={"tilt": "TILT_ANGLE"})
    bench.propose("CHIP", TILT)
    found = bench.export()
    text = found.revision.form.read_text()
    assert found.revision.form.parent.name == "machine"
    assert 'of="TILT_ANGLE"\n         lo="-" hi="4"' in text
    plant = read_plant(bench.folder)
    written = read_recipe(found.revision.path, plant.file.measurements)
    said = read_form(text, plant.file.recipe_form)
    assert {k: (v["lower"], v["upper"]) for k, v in said.items()} == {
        (r.name, r.measurement): (r.lower, r.upper) for r in written.rows
    }
    assert altered_revisions(bench.folder, bench.ledger.entries()) == []
    found.revision.form.write_text(text.replace('hi="4"', 'hi="9"'))
    (fault,) = altered_revisions(bench.folder, bench.ledger.entries())
    assert str(found.revision.form) in fault.words


@pytest.mark.parametrize(
    ("template", "words"),
    [
        (XML.replace("row.upper | number", "'%.0f' % row.upper"), "reads back as"),
        (XML.replace("rows %}", "rows[1:] %}"), "the recipe says"),
        (XML.replace("row.upper | number", "row.higher"), "the template fails"),
        (XML.replace("endfor", "endfoor"), "the template fails"),
        (XML.replace("</recipe>", '<limit name="A" of="B" lo="1" hi="2"/>'), "does not have"),
        (XML.replace("row.lower | number", "'x'"), "does not read back"),
    ],
)
def test_a_form_that_does_not_read_back_is_not_written(tmp_path, template, words):
    bench = bench_with(tmp_path, template)
    bench.propose("CHIP", {**TILT, "proposed": 4.25})
    with pytest.raises(RecipeError, match=words):
        bench.export()
    assert not list((bench.folder / "revisions").rglob("*.xml"))
    assert not bench.ledger.entries(kind="export")


def test_a_template_cannot_reach_the_machine_it_runs_on(tmp_path):
    bench = bench_with(tmp_path, "{{ rows.__class__.__mro__[1].__subclasses__() }}")
    bench.propose("CHIP", TILT)
    with pytest.raises(RecipeError, match="the template fails"):
        bench.export()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"back": "("}, "not a regular expression"),
        ({"back": "(?P<name>x)"}, "needs the groups"),
        ({"file": "recipe.xml"}, "recipe_form.file"),
        ({"file": "../{revision}.xml"}, "recipe_form.file"),
        ({"names": {"tilt": "A", "fill": "A"}}, "one and the same name"),
    ],
)
def test_a_form_that_cannot_be_is_refused_at_the_door(tmp_path, changed, words):
    folder = make_plant(tmp_path, items=[], toml=table(recipe_form={**FORM, **changed}))
    with pytest.raises(PlantError, match=words):
        read_plant(folder)


limit = st.none() | st.floats(-1e9, 1e9, allow_nan=False).map(lambda x: float(repr(x)))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(limit, limit), min_size=1, max_size=6))
def test_every_number_reads_back_to_the_last_digit(tmp_path_factory, pairs):
    folder = tmp_path_factory.mktemp("form")
    plant = read_plant(make_plant(folder, items=[], toml=table(recipe_form=FORM)))
    (folder / "machine.xml.j2").write_text(XML)
    rows = tuple(
        Row(
            scope="family",
            name=f"F{n}",
            measurement="tilt",
            lower=float("-inf") if low is None else min(low, low if high is None else high),
            upper=float("inf") if high is None else max(high, high if low is None else low),
            unit="deg",
        )
        for n, (low, high) in enumerate(pairs)
    )
    recipe = Recipe(revision="7", rows=rows)
    said = read_form(write_form(recipe, plant), plant.file.recipe_form)
    for row in rows:
        assert (said[row.name, "tilt"]["lower"], said[row.name, "tilt"]["upper"]) == (
            row.lower,
            row.upper,
        )


def test_a_form_of_one_side_a_line():
    form = RecipeForm(
        template="t",
        file="{revision}.txt",
        back=r"^(?P<name>\S+) (?P<measurement>\S+) (?P<side>MIN|MAX) (?P<limit>\S*)$",
        none="OFF",
    )
    text = "SOT tilt MAX 3.5\nSOT fill MIN 50\nSOT fill MAX OFF\n"
    assert read_form(text, form) == {
        ("SOT", "tilt"): {"upper": 3.5},
        ("SOT", "fill"): {"lower": 50.0, "upper": float("inf")},
    }
