"""From exports of any shape to one and the same history: `optimiser begin`, then reading."""

import io
import json
import shutil
import tomllib
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace

import duckdb
import exports
import pytest
import tomlkit

from optimiser.begin.look import encoding_of, read_of_text
from optimiser.cli import main
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases, propose_all
from optimiser.proposal.cache import case_key
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import read_recipe
from optimiser.tally.digested import open_store, open_stored
from optimiser.tally.grid import make_grids

COLUMNS = (
    "time, line, station, stage, product, board, lot, designator, pin, part, family, "
    + ", ".join(exports.MEASURED)
    + ", called, verdict, defect, found_by, weight"
)


def run(*words):
    """Return exit code, output and messages of a command."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(w) for w in words])
    return code, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def base():
    with exports.open_base() as con:
        yield con


@pytest.fixture(scope="module")
def begin(base, tmp_path_factory):
    """Return a function: a shape's name to its export, begun; what it said, and the plant's folder."""
    made = {}

    def of(name):
        if name not in made:
            folder = tmp_path_factory.mktemp(name) / "export"
            told = exports.SHAPES[name](base, folder)
            plant = folder.parent / "plant"
            code, out, err = run("begin", folder, "--into", plant, "--json", *told)
            assert err == "", err
            made[name] = code, json.loads(out), plant
        return made[name]

    return of


def settle(plant):
    """Put what begin says of the files into a copy of the example, as a user fills in prices and bounds."""
    begun = tomllib.loads((plant / "plant.toml").read_text(encoding="utf-8"))
    table = tomlkit.parse((exports.EXAMPLE / "plant.toml").read_text(encoding="utf-8"))
    for key in ("history", "verdicts", "only_called"):
        if key in begun["plant"]:
            table["plant"][key] = begun["plant"][key]
    for name in [m for m in table["measurements"] if m not in exports.MEASURED]:
        del table["measurements"][name]
        for family in table["families"].values():
            family.get("workmanship", {}).pop(name, None)
    for key in ("results", "verdict_files"):
        if key in begun:
            table[key] = begun[key]
    plant = plant.with_name("settled")
    plant.mkdir(exist_ok=True)
    (plant / "plant.toml").write_text(tomlkit.dumps(table), encoding="utf-8")
    for name in ("recipe.csv", "must_catch.csv"):
        shutil.copy(exports.EXAMPLE / name, plant)
    return plant


def items(plant, columns=COLUMNS):
    with open_history(read_plant(plant)) as history:
        assert history.rows_set_aside == 0, history.findings
        return history.rows(f"select {columns} from items order by all")


def expected(base, columns=COLUMNS, where="true"):
    return base.execute(f"select {columns} from base where {where} order by all").fetchall()


SAME = [
    # A file a day costs ten times one file of them all.
    pytest.param(name, marks=[pytest.mark.slow] if name == "packed_days" else [])
    for name in exports.SHAPES
    if name not in ("calls_only", "american_tabs", "messages")
]


@pytest.mark.parametrize("name", SAME)
def test_every_shape_reads_to_the_last_digit(begin, base, name):
    _, said, plant = begin(name)
    assert [d for d in said["decide"] if d["key"] != "recipe.csv"] == []
    assert items(settle(plant)) == expected(base)


def cases_of(plant):
    """Return plant and cases of a folder, tallied from its own rows."""
    known = read_plant(plant)
    live = read_recipe(plant / "recipe.csv", known.file.measurements)
    with open_history(known) as history:
        return known, make_cases(history, live, trials=3, proof=True)


@pytest.fixture(scope="module")
def own(base, tmp_path_factory):
    """The same history in files of the contract's own form: the plant, its cases."""
    plant = tmp_path_factory.mktemp("own") / "plant"
    plant.mkdir()
    base.execute(f"copy base to '{plant}/history.parquet' (format parquet)")
    (plant / "plant.toml").write_text('[plant]\nhistory = "../plant/history.parquet"\n')
    return cases_of(settle(plant))


@pytest.mark.parametrize(
    "name",
    # Equal items make equal cases; the others' are compared in the long run.
    [
        pytest.param(p.values[0], marks=[] if p.values[0] == "two_machines" else [pytest.mark.slow])
        for p in SAME
    ],
)
def test_every_shape_leads_to_the_same_proposals(begin, own, name):
    """All that a proposal rests on is equal, cell for cell; its computation asks nothing else."""
    known, wanted = own
    _, cases = cases_of(settle(begin(name)[2]))
    # Only where the files lie and how they stand may differ.
    cases = [replace(c, plant=known, early=replace(c.early, plant=known)) for c in cases]
    assert [case_key(case) for case in cases] == [case_key(case) for case in wanted]


def test_proposals_of_a_reshaped_export_are_the_own_files(begin, own):
    _, wanted = own
    _, cases = cases_of(settle(begin("a_row_per_measurement")[2]))
    found, expected_ = (propose_all(c, folder=None, workers=1)[0] for c in (cases, wanted))
    assert any(of.advice == "change" for of in found)
    assert found == expected_


def test_called_items_alone(begin, base):
    code, said, plant = begin("calls_only")
    assert any("called items alone" in note for note in said["look"])
    assert code == 1  # no limits are carried, so the recipe is blank
    assert items(settle(plant)) == expected(base, where="called")


def test_one_column_for_call_and_verdict(begin, base):
    # Who found a defect is not in this export; what review said is.
    _, _, plant = begin("american_tabs")
    columns = COLUMNS.replace(", found_by, weight", "")
    where = "found_by is distinct from 'audit' and (verdict is not null or not called)"
    assert items(settle(plant), columns) == expected(base, columns, where)


def test_messages_of_inspected_units(begin, base):
    # A message has no lot, and its verdicts are the review's.
    _, said, plant = begin("messages")
    assert [d["key"] for d in said["decide"]] == ["recipe.csv"]
    columns = COLUMNS.replace(" lot,", "").replace(", found_by, weight", "")
    where = f"found_by is distinct from 'audit' and {exports.SENT}"
    assert items(settle(plant), columns) == expected(base, columns, where)


def test_the_hour_that_the_clock_went_through_twice_is_told_apart(base):
    twice = base.execute(
        "select count(*) from base where time between '2025-10-26 00:00' and '2025-10-26 02:00'"
    ).fetchone()[0]
    assert twice > 0  # or the shape local_time shows nothing


def test_limits_carried_in_the_rows_become_the_recipe(begin):
    code, said, plant = begin("limits_in_rows")
    assert code == 0
    assert said["check"]["usable"]
    known = read_plant(plant).file.measurements
    found = read_recipe(plant / "recipe.csv", known)
    lines = (exports.EXAMPLE / "recipe.csv").read_text().splitlines()[2:]
    wanted = {tuple(line.split(",")[1:3]): line.split(",")[3:5] for line in lines}
    assert {r.unit for r in found.rows} == {"1"}  # no header carries a unit
    assert {(r.name, r.measurement) for r in found.rows} == set(wanted)
    for row in found.rows:
        low, high = (
            float(x or s)
            for x, s in zip(wanted[row.name, row.measurement], ("-inf", "inf"), strict=True)
        )
        assert (row.lower, row.upper) == (low, high)


def test_limits_that_changed_are_revisions(base, tmp_path):
    export = tmp_path / "export"
    exports.csv(
        base,
        """select *, case when time < '2025-11-01' then 3.5 else 4.0 end as "tilt max" from base""",
        export / "a.csv",
    )
    run("begin", export, "--into", tmp_path / "plant", "--time-zone", "UTC", "--json")
    plant = read_plant(tmp_path / "plant")
    live = read_recipe(tmp_path / "plant" / "recipe.csv", plant.file.measurements)
    assert live.revision == "2"
    assert {r.upper for r in live.rows if r.measurement == "tilt"} == {4.0}
    (before,) = past_revisions(plant, live)
    assert {r.upper for r in before.rows if r.measurement == "tilt"} == {3.5}


def test_limits_of_one_part_are_an_override(base, tmp_path):
    export = tmp_path / "export"
    part = base.execute("select min(part) from base where family = 'SOT-6'").fetchone()[0]
    exports.csv(
        base,
        f"""select *, case when part = '{part}' then 5.0 else 3.5 end as "tilt max" from base
            where family = 'SOT-6'""",
        export / "a.csv",
    )
    parts = base.execute("select count(distinct part) from base where family = 'SOT-6'").fetchone()[
        0
    ]
    run("begin", export, "--into", tmp_path / "plant", "--time-zone", "UTC", "--json")
    plant = read_plant(tmp_path / "plant")
    live = read_recipe(tmp_path / "plant" / "recipe.csv", plant.file.measurements)
    if parts == 1:
        assert not live.overrides
    else:
        assert [(r.scope, r.name, r.upper) for r in live.overrides] == [("part", part, 5.0)]


def test_a_zone_is_asked_for_and_never_assumed(base, tmp_path):
    export = tmp_path / "export"
    exports.csv(base, "select * from base limit 500", export / "a.csv")
    code, out, _ = run("begin", export, "--json")
    said = json.loads(out)
    assert code == 1
    assert [d["key"] for d in said["decide"] if "time" in d["key"]] == ["results.time_zone"]
    plant = tmp_path / "export-plant"
    assert run("check", plant, "--json")[0] == 1
    text = (plant / "plant.toml").read_text()
    assert 'time_zone = "?"' in text
    (plant / "plant.toml").write_text(text.replace('time_zone = "?"', 'time_zone = "Asia/Tokyo"'))
    with open_history(read_plant(plant)) as history:
        first = history.rows("select min(time) from items")[0][0]
    wanted = base.execute("select min(time) - interval 9 hours from base").fetchone()[0]
    assert first == wanted


def test_day_and_month_that_read_both_ways_are_asked_for(base, tmp_path):
    export = tmp_path / "export"
    exports.csv(
        base,
        "select * replace (strftime(time, '%d/%m/%Y %H:%M:%S') as time) from base where day(time) < 13",
        export / "a.csv",
    )
    code, out, _ = run("begin", export, "--time-zone", "UTC", "--json")
    assert code == 1
    assert "results.time_format" in {d["key"] for d in json.loads(out)["decide"]}
    code, out, _ = run("begin", export, "--time-zone", "UTC", "--day-first", "--again", "--json")
    assert "results.time_format" not in {d["key"] for d in json.loads(out)["decide"]}
    assert (tmp_path / "export-plant" / "plant.toml.bak").exists()


def test_a_word_that_nobody_knows_stays_open(base, tmp_path):
    export = tmp_path / "export"
    exports.csv(
        base,
        """select * replace (case when verdict = 'good' and hash(board) % 2 = 0 then 'gurke' else verdict end
             as verdict) from base""",
        export / "a.csv",
    )
    _, out, _ = run("begin", export, "--time-zone", "UTC", "--json")
    (asked,) = [d for d in json.loads(out)["decide"] if d["key"] == "results.words.verdict"]
    assert "'gurke'" in asked["why"]
    assert "'defect', 'good'" in asked["edit"]


def test_a_verdict_that_means_several_items_is_set_aside(begin, base):
    _, _, plant = begin("split_verdicts")
    plant = settle(plant)
    reviews = plant.parent / "export" / "reviews.csv"
    kept = reviews.read_text()
    board, designator = base.execute(
        "select board, designator from base where pin is not null limit 1"
    ).fetchone()
    try:
        reviews.write_text(kept + f"{board},{designator},7777,good,,review,1.0\n")
        with open_history(read_plant(plant)) as history:
            (finding,) = [f for f in history.findings if f.level == "set aside"]
        assert "no item of the history" in finding.rule
    finally:
        reviews.write_text(kept)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere"], "no such file or folder"),
        ([".", "--time-zone", "Berlin"], "no such zone, got 'Berlin'"),
        ([".", "--take", "board"], "must be COLUMN=NAME"),
        (["."], "no file that could hold results"),
    ],
)
def test_wrong_arguments(tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    code, _, err = run("begin", *words)
    assert code == 2
    assert said in err


def test_nothing_is_written_over(base, tmp_path):
    export = tmp_path / "export"
    exports.csv(base, "select * from base limit 500", export / "a.csv")
    plant = tmp_path / "plant"
    plant.mkdir()
    (plant / "plant.toml").write_text("mine")
    code, _, err = run("begin", export, "--into", plant)
    assert code == 2
    assert "is there already" in err
    assert (plant / "plant.toml").read_text() == "mine"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_encodings_are_told_by_their_bytes(encoding):
    text = "Seriennummer;Höhe\n" + "1;2,5\n" * 50
    assert encoding_of(text.encode(encoding)) in (encoding, "utf-8-sig")
    read, header = read_of_text(text.encode(encoding))
    assert header == ("Seriennummer", "Höhe")
    assert read.delimiter == ";"


def test_lines_before_the_header_are_skipped():
    read, header = read_of_text(b"Report of line 3\n\nmade: 2026-01-05\na,b,c\n" + b"1,2,3\n" * 40)
    assert (read.skip, header) == (3, ("a", "b", "c"))


def test_foreign_parquet_has_not_measured_as_nan(begin, base):
    _, _, plant = begin("foreign_parquet")
    file = next((plant.parent / "export").glob("*.parquet"))
    scan = f"read_parquet('{file}', can_have_nan=true)"
    with duckdb.connect() as con:
        found = con.execute(f"select count(*) from {scan} where isnan(fillet_height)").fetchone()
    assert found[0] > 0  # or this shape shows nothing


@pytest.mark.parametrize(
    "name",
    [pytest.param("packed_days", marks=pytest.mark.slow), "split_verdicts"],
)
def test_the_night_counts_what_the_door_reads(begin, name):
    """Digests of files of another shape are one history with the files themselves."""
    _, _, plant = begin(name)
    plant = read_plant(settle(plant))
    live = read_recipe(plant.folder / "recipe.csv", plant.file.measurements)
    query = "select family, verdict, count(*) from items where called group by all order by all"
    store = open_store(plant, live, plant.folder / "night", tell=lambda *_, **__: None)
    with open_history(plant) as whole, open_stored(store, lambda _: None) as merged:
        assert merged.rows_used == whole.rows_used
        assert merged.rows(query) == whole.rows(query)
        grids = make_grids(whole, live), make_grids(merged, live)
        assert grids[0].keys() == grids[1].keys()
        assert all(grids[0][f].same_levels(grids[1][f]) for f in grids[0])
    assert store.problems == {}


def test_limits_in_the_results_that_are_not_the_recipes(begin):
    _, _, plant = begin("limits_in_rows")
    assert run("recipe", plant)[0] == 0
    kept = (plant / "recipe.csv").read_text()
    (plant / "recipe.csv").write_text(kept.replace("tilt,,3.5", "tilt,,3.6", 1))
    code, out, _ = run("recipe", plant, "--json")
    (row,) = json.loads(out)["differs"]
    assert (code, row["measurement"], row["upper"], row["now"]) == (1, "tilt", 3.5, [None, 3.6])
    code, _, err = run("recipe", plant, "--write")
    assert code == 0
    assert "1-carried-1" in err
    assert run("recipe", plant)[0] == 0
    assert (plant / "revisions" / "1.csv").read_text() == kept.replace("tilt,,3.5", "tilt,,3.6", 1)


def test_results_without_limits_say_so(begin):
    code, _, err = run("recipe", begin("plain_csv")[2])
    assert code == 2
    assert "says where rows carry limits" in err
