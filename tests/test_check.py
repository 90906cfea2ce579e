"""Bad input: every broken rule is named with place, value and way out, counted, never dropped."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from factories import (
    COLUMNS,
    RECIPE,
    make_items,
    make_plant,
    read_rows,
    recipe_text,
    table,
    write_csv,
    write_parquet,
)

from optimiser.cli import main
from optimiser.history.read import open_history
from optimiser.history.replay import agree
from optimiser.plant.file import read_plant
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import read_recipe, write_recipe
from optimiser.tally.check import check

Report = dict[str, Any]


@pytest.fixture
def report(capsys) -> Callable[[Path, int], Report]:
    """Return a function that checks a plant and returns what ``--json`` says."""

    def run(folder: Path, code: int, *options: str) -> Report:
        assert main(["check", str(folder), "--json", *options]) == code
        out, err = capsys.readouterr()
        assert err == ""
        found: Report = json.loads(out)
        assert set(found) == {"usable", "rows_used", "rows_set_aside", "findings"}
        assert found["usable"] == (code == 0)
        for finding in found["findings"]:
            assert set(finding) == {
                *("level", "rule", "file", "row", "column", "value", "count", "way_out")
            }
            assert finding["rule"]
            assert finding["file"] or finding["level"] == "error"
            assert finding["way_out"]
        return found

    return run


def as_csv(folder: Path, items) -> Path:
    return write_csv(folder / "items.csv", items)


def items_with(changes: dict[int, dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the items with some cells of some rows (from 1) replaced."""
    return [{**i, **changes.get(n, {})} for n, i in enumerate(make_items(), 1)]


def test_a_whole_plant_is_usable_without_a_finding(tmp_path, report):
    found = report(make_plant(tmp_path), 0)
    assert found == {"usable": True, "rows_used": 480, "rows_set_aside": 0, "findings": []}
    assert not (tmp_path / "set_aside.csv").exists()


@pytest.mark.parametrize("usable", [True, False])
def test_the_table_says_what_the_json_says(tmp_path, report, capsys, usable):
    items = items_with({2: {"tilt": "x"}, 3: {"offset": "inf"}, 4: {"family": "?"}})
    items = [{**i, "lot": i["lot"] if usable else "only"} for i in items]
    folder = make_plant(tmp_path, items=items, write=as_csv)
    found = report(folder, int(not usable))
    assert main(["check", str(folder)]) == int(not usable)
    words = "".join(capsys.readouterr().out.split())
    assert words.startswith(("" if usable else "not") + "usable:477rowsused,3setaside")
    assert len(found["findings"]) == 3 + (not usable)
    for finding in found["findings"]:
        place = finding["file"] + (f", row {finding['row']}" if finding["row"] else "")
        line = f"{finding['level']}: {place}: {finding['rule']}"
        assert "".join(line.split()) in words
        assert "".join(finding["way_out"].split()) in words


# Rows set aside ------------------------------------------------------------------------------

ROWS = {
    "text in a number column": ({"tilt": "steep"}, "tilt must be a number or blank", "steep"),
    "a decimal comma": ({"offset": "3,5"}, "offset must be a number or blank", "3,5"),
    "an infinite value": ({"offset": "inf"}, "offset must be finite", "inf"),
    "minus infinity": ({"offset": "-Infinity"}, "offset must be finite", "-Infinity"),
    "a value beyond float32": ({"fill": "1e39"}, "fill must be finite", "1e39"),
    "an unknown family": ({"family": "CHIPP"}, "unknown family", "CHIPP"),
    "a blank family": ({"family": " "}, "family is needed", " "),
    "a blank board": ({"board": None}, "board is needed", None),
    "a time that is none": ({"time": "yesterday"}, "time must be a time in UTC", "yesterday"),
    "an unknown stage": ({"stage": "oven"}, "stage must be one of paste, pre-reflow", "oven"),
    "an unknown verdict": (
        {"verdict": "bad", "found_by": "review"},
        "verdict must be one of defect, good",
        "bad",
    ),
    "a verdict without a source": (
        {"verdict": "good", "found_by": None},
        "a verdict needs its source in found_by",
        "good",
    ),
    "an unknown source": ({"found_by": "rumour"}, "found_by must be one of review", "rumour"),
    "a weight below 1": ({"weight": 0.5}, "weight must be a number >= 1", "0.5"),
    "a weight that is text": ({"weight": "many"}, "weight must be a number >= 1", "many"),
    "an infinite weight": ({"weight": "inf"}, "weight must be a number >= 1", "inf"),
    "a call that is neither": ({"called": "maybe"}, "called must be true, false or blank", "maybe"),
}


@pytest.mark.parametrize("case", ROWS)
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_broken_row_is_set_aside_whole(tmp_path, report, case, form):
    change, rule, value = ROWS[case]

    def write(folder: Path, items) -> Path:
        if form == "csv":
            return as_csv(folder, items)
        return write_parquet(
            folder / "items.parquet", items, types=dict.fromkeys(COLUMNS, "VARCHAR")
        )

    items = items_with({17: change, 40: change})
    found = report(make_plant(tmp_path, items=items, write=write), 0)
    assert (found["rows_used"], found["rows_set_aside"]) == (478, 2)
    (finding,) = found["findings"]
    assert finding["level"] == "set aside"
    assert rule in finding["rule"]
    assert (finding["row"], finding["count"], finding["value"]) == (17, 2, value)
    assert Path(finding["file"]).parent == tmp_path / "history"
    assert finding["column"] in change
    rows = read_rows(tmp_path / "set_aside.csv")
    assert [r["set_aside_row"] for r in rows] == ["17", "40"]
    for row, number in zip(rows, (17, 40), strict=True):
        whole = {c: "" if (x := items[number - 1].get(c)) is None else str(x) for c in COLUMNS}
        assert {c: row[c] for c in COLUMNS} == whole
        assert row["set_aside_for"] == (value or "")
        assert row["set_aside_from"] == finding["file"]


def test_a_number_column_of_infinities_in_parquet(tmp_path, report):
    items = items_with({5: {"fill": float("inf")}, 9: {"fill": float("-inf")}})
    found = report(make_plant(tmp_path, items=items), 0)
    (finding,) = found["findings"]
    assert (finding["rule"], finding["row"], finding["count"]) == ("fill must be finite", 5, 2)


def test_a_duplicate_key_keeps_the_first(tmp_path, report):
    items = make_items()
    items += [{**items[4], "tilt": 99.0}, {**items[4], "tilt": 98.0}, items[30]]
    found = report(make_plant(tmp_path, items=items, write=as_csv), 0)
    assert (found["rows_used"], found["rows_set_aside"]) == (480, 3)
    (finding,) = found["findings"]
    assert "came before" in finding["rule"]
    assert (finding["row"], finding["count"]) == (481, 3)
    assert items[4]["board"] in finding["value"]
    rows = read_rows(tmp_path / "set_aside.csv")
    assert [r["tilt"] for r in rows[:2]] == ["99.0", "98.0"]


def test_a_broken_first_row_does_not_make_its_repeat_a_duplicate(tmp_path, report):
    items = items_with({3: {"tilt": "steep"}})
    items.append({**make_items()[2]})
    found = report(make_plant(tmp_path, items=items, write=as_csv), 0)
    assert (found["rows_used"], found["rows_set_aside"]) == (480, 1)
    assert found["findings"][0]["rule"] == "tilt must be a number or blank"


def test_rules_are_counted_apart_and_a_row_once(tmp_path, report):
    items = items_with({2: {"tilt": "x", "offset": "y"}, 3: {"offset": "z"}, 4: {"family": "?"}})
    found = report(make_plant(tmp_path, items=items, write=as_csv), 0)
    assert (found["rows_used"], found["rows_set_aside"]) == (477, 3)
    assert [(f["column"], f["row"], f["count"]) for f in found["findings"]] == [
        ("tilt", 2, 1),
        ("offset", 3, 1),
        ("family", 4, 1),
    ]


def test_a_ragged_line_and_a_line_in_another_encoding_are_counted(tmp_path, report):
    def write(folder: Path, items) -> None:
        lines = as_csv(folder, items).read_bytes().splitlines(keepends=True)
        lines[10:10] = [b"2026-03-02,short\n"]
        lines[20] = lines[20].replace(b"AOI-1", b"AOI-\xe9")
        (folder / "items.csv").write_bytes(b"".join(lines))

    found = report(make_plant(tmp_path, write=write), 0)
    assert (found["rows_used"], found["rows_set_aside"]) == (479, 2)
    (finding,) = found["findings"]
    assert (finding["row"], finding["count"]) == (10, 2)
    assert finding["value"] == "2026-03-02,short"
    assert [r["set_aside_row"] for r in read_rows(tmp_path / "set_aside.csv")] == ["10", "20"]


def test_without_a_usable_row_the_counts_and_rules_are_still_said(tmp_path, report):
    items = [{**i, "family": "NONE"} for i in make_items()]
    found = report(make_plant(tmp_path, items=items), 1)
    assert (found["rows_used"], found["rows_set_aside"]) == (0, 480)
    assert [f["rule"] for f in found["findings"]] == ["no usable row", "unknown family"]
    assert len(read_rows(tmp_path / "set_aside.csv")) == 480


def test_where_the_quarantine_file_cannot_be_written_that_is_said(tmp_path, report):
    """A folder of its name stands in the way, as a read-only folder would (root may write those)."""
    (tmp_path / "set_aside.csv").mkdir()
    folder = make_plant(tmp_path, items=items_with({17: {"tilt": "steep"}}), write=as_csv)
    found = report(folder, 0)
    assert found["rows_set_aside"] == 1
    note = next(f for f in found["findings"] if f["level"] == "note")
    assert note["file"] == str(tmp_path / "set_aside.csv")
    assert "cannot be written" in note["rule"]
    assert "writable" in note["way_out"]


# Columns and files ---------------------------------------------------------------------------


@pytest.mark.parametrize("column", ["verdict", "board", "fill"])
@pytest.mark.parametrize("write", [write_csv, write_parquet])
def test_a_missing_column_is_an_error(tmp_path, report, column, write):
    rest = [c for c in COLUMNS if c != column]
    suffix = "csv" if write is write_csv else "parquet"
    folder = make_plant(tmp_path, write=lambda f, i: write(f / f"a.{suffix}", i, columns=rest))
    found = report(folder, 1)
    (finding,) = found["findings"]
    assert finding["level"] == "error"
    assert f"{column!r} is missing" in finding["rule"]
    assert finding["column"] == column
    assert finding["file"] == str(tmp_path / "history" / f"a.{suffix}")


def test_a_column_missing_in_one_of_two_files_names_that_file(tmp_path, report):
    def write(folder: Path, items) -> None:
        write_parquet(folder / "a.parquet", items[:200])
        write_csv(folder / "b.csv", items[200:], columns=[c for c in COLUMNS if c != "found_by"])

    found = report(make_plant(tmp_path, write=write), 1)
    (finding,) = found["findings"]
    assert finding["file"].endswith("b.csv")


def test_a_misspelt_column_is_named_with_the_nearest(tmp_path, report):
    heads = {c: "filll" if c == "fill" else c for c in COLUMNS}
    rows = [{heads[c]: i.get(c) for c in COLUMNS} for i in make_items()]
    folder = make_plant(
        tmp_path, items=rows, write=lambda f, i: write_csv(f / "a.csv", i, list(heads.values()))
    )
    finding = report(folder, 1)["findings"][0]
    assert "measurement column 'fill' is missing" in finding["rule"]
    assert "did you mean 'filll'" in finding["way_out"]


def test_a_wrong_unit_in_the_header_is_an_error(tmp_path, report):
    rows = [{**i, "tilt [rad]": i["tilt"]} for i in make_items()]
    heads = ["tilt [rad]" if c == "tilt" else c for c in COLUMNS]
    folder = make_plant(tmp_path, items=rows, write=lambda f, i: write_csv(f / "a.csv", i, heads))
    (finding,) = report(folder, 1)["findings"]
    assert (finding["column"], finding["value"]) == ("tilt", "rad")
    assert "'deg'" in finding["rule"]


def test_a_column_nobody_knows_is_a_note(tmp_path, report):
    rows = [{**i, "humidity": 40} for i in make_items()]
    folder = make_plant(
        tmp_path, items=rows, write=lambda f, i: write_csv(f / "a.csv", i, (*COLUMNS, "humidity"))
    )
    (finding,) = report(folder, 0)["findings"]
    assert (finding["level"], finding["column"]) == ("note", "humidity")


@pytest.mark.parametrize("data", [b"", b"PAR1", b"time,stage\n"])
@pytest.mark.parametrize("name", ["z.csv", "z.parquet"])
def test_an_empty_or_foreign_file_is_an_error(tmp_path, report, data, name):
    folder = make_plant(tmp_path)
    (folder / "history" / name).write_bytes(data)
    found = report(folder, 1)
    assert all(f["file"].endswith(name) for f in found["findings"])


def test_an_empty_folder_is_an_error(tmp_path, report):
    (finding,) = report(make_plant(tmp_path, items=[]), 1)["findings"]
    assert finding["rule"] == "no result files"
    assert finding["file"] == str(tmp_path / "history")
    assert "plant.history" in finding["way_out"]


@pytest.mark.parametrize("kept", [0.0005, 0.3, 0.6, 0.9, 0.9995])
def test_a_parquet_file_cut_short_is_named(tmp_path, report, kept):
    def write(folder: Path, items) -> None:
        write_parquet(folder / "a.parquet", items[:200])
        whole = write_parquet(folder / "b.parquet", items[200:])
        data = whole.read_bytes()
        whole.write_bytes(data[: int(len(data) * kept)])

    (finding,) = report(make_plant(tmp_path, write=write), 1)["findings"]
    assert finding["file"] == str(tmp_path / "history" / "b.parquet")
    assert "not a whole Parquet file" in finding["rule"]
    assert "copy the file again" in finding["way_out"]


@pytest.mark.parametrize("place", [0.02, 0.2, 0.4, 0.6])
def test_a_parquet_file_with_a_hole_in_the_middle_is_an_error(tmp_path, report, place):
    """The footer is whole, so that only reading the pages shows it."""

    def write(folder: Path, items) -> None:
        whole = write_parquet(folder / "a.parquet", items)
        data = bytearray(whole.read_bytes())
        start = int(len(data) * place)
        data[start : start + 600] = b"\xff" * 600
        whole.write_bytes(bytes(data))

    (finding,) = report(make_plant(tmp_path, write=write), 1)["findings"]
    assert finding["file"] == str(tmp_path / "history" / "a.parquet")
    assert "cannot be read to its end" in finding["rule"]


def test_a_column_of_two_kinds_in_two_files_is_refused(tmp_path, report):
    def write(folder: Path, items) -> None:
        write_parquet(folder / "a.parquet", items[:200])
        broken = [{**i, "fill": "2026-01-01"} for i in items[200:]]
        write_parquet(folder / "b.parquet", broken, types={"fill": "TIMESTAMP"})

    found = report(make_plant(tmp_path, write=write), 1)
    assert found["rows_used"] == 0
    assert "fill" in found["findings"][0]["rule"]
    assert "one type in all files" in found["findings"][0]["way_out"]


# Plant file, recipe, must-catch set ----------------------------------------------------------


def error_of(found: Report) -> str:
    (finding,) = found["findings"]
    assert finding["level"] == "error"
    return f"{finding['file']} {finding['rule']} {finding['way_out']}"


def test_a_typo_in_the_plant_file_is_an_error(tmp_path, report):
    words = error_of(report(make_plant(tmp_path, toml=table(rails={"guard_sigma": 1})), 1))
    assert "rails.guard_sigma: no such key" in words
    assert "did you mean 'guard_sigmas'" in words


def test_contradictory_limits_are_an_error(tmp_path, report):
    recipe = [("family", "CHIP", "tilt", "5", "3", "deg"), *RECIPE[1:]]
    words = error_of(report(make_plant(tmp_path, recipe=recipe), 1))
    assert "recipe.csv, line 3: lower <= upper must hold" in words
    assert "5 > 3" in words


def test_a_missing_recipe_is_an_error(tmp_path, report):
    folder = make_plant(tmp_path, toml=table(plant={"recipe": "none.csv"}))
    assert "none.csv: cannot be read as text" in error_of(report(folder, 1))


def test_another_products_recipe_is_an_error(tmp_path, report):
    recipe = [("family", "BGA", "tilt", "", "3", "deg")]
    found = report(make_plant(tmp_path, recipe=recipe), 1)
    assert [f["level"] for f in found["findings"]] == ["error", "error"]
    assert "another product's recipe" in found["findings"][0]["rule"]
    assert "CHIP, SOT" in found["findings"][0]["way_out"]
    assert found["findings"][1]["value"] == "BGA"


def test_a_family_too_many_or_without_limits_is_a_note(tmp_path, report):
    items = [{**i, "called": None} for i in make_items()]
    recipe = [*RECIPE[:3], ("family", "BGA", "tilt", "", "3", "deg")]
    found = report(make_plant(tmp_path, items=items, recipe=recipe), 0)
    assert [(f["level"], f["value"]) for f in found["findings"][:2]] == [
        ("note", "BGA"),
        ("note", "SOT"),
    ]
    assert "no recorded call" in found["findings"][2]["rule"]


def test_one_lot_is_an_error(tmp_path, report):
    items = [{**i, "lot": "only"} for i in make_items()]
    words = error_of(report(make_plant(tmp_path, items=items), 1))
    assert "holds one lot; a promise needs at least 2" in words
    assert "add results of other lots" in words


def test_a_live_limit_beyond_the_workmanship_bound_is_an_error(tmp_path, report):
    recipe = [RECIPE[0], ("family", "CHIP", "offset", "", "130", "um"), *RECIPE[2:]]
    items = [{**i, "called": None} for i in make_items()]
    folder = make_plant(tmp_path, items=items, recipe=recipe)
    found = report(folder, 1)
    error = next(f for f in found["findings"] if f["level"] == "error")
    for word in ("CHIP offset, 130", "workmanship bound 120 um", "tighten it on the machine"):
        assert word in error["rule"]
    assert error["file"] == str(tmp_path / "recipe.csv")
    # Only analysis may go on without that rail.
    assert report(folder, 0, "--without-rail", "workmanship")["usable"]


def test_a_step_too_small_to_count_in_names_the_plant_file(tmp_path, report):
    toml = table(
        measurements={"tilt": {"unit": "deg", "step": 0.0001}}, rails={"off": ["largest-move"]}
    )
    assert report(make_plant(tmp_path / "fine", toml=toml), 0)["usable"]
    toml = table(measurements={"tilt": {"unit": "deg", "step": 5e-324}})
    found = report(make_plant(tmp_path, toml=toml), 1)
    error = next(f for f in found["findings"] if f["level"] == "error")
    assert error["file"] == str(tmp_path / "plant.toml")
    assert "raise measurements.tilt.step" in error["rule"]


def test_an_impossible_must_catch_item_is_named_with_the_limit_needed(tmp_path, report):
    must_catch = [{"name": "KB-9", "family": "CHIP", "offset": 20.0}]
    (finding,) = report(make_plant(tmp_path, must_catch=must_catch), 0)["findings"]
    assert finding["level"] == "note"
    assert finding["value"] == "KB-9"
    assert finding["file"] == str(tmp_path / "must_catch.csv")
    # 20 um less two repeatabilities of 2 um.
    assert "offset upper would have to stand below 16 um" in finding["rule"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"name,family,tilt\nKB-1,CHIPP,9\n", ["line 2", "'CHIPP'", "did you mean 'CHIP'"]),
        (b"name,family,tilt\nKB-1,CHIP,steep\n", ["line 2: tilt", "finite number", "'steep'"]),
        (b"name,family,tilt\nKB-1,CHIP,inf\n", ["line 2: tilt", "'inf'"]),
        (b"name,family,tlit\nKB-1,CHIP,9\n", ["line 2", "'tlit'", "did you mean 'tilt'"]),
        (b"name,family,tilt\nKB-1,CHIP,9,5\n", ["line 2", "more cells than the header"]),
        (b"name,family,tilt\n\xb5,CHIP,9\n", ["cannot be read as CSV in UTF-8"]),
        (None, ["cannot be read", "plant.must_catch"]),
    ],
)
def test_a_broken_must_catch_file_is_an_error(tmp_path, report, text, words):
    folder = make_plant(tmp_path)
    if text is None:
        (folder / "must_catch.csv").unlink()
    else:
        (folder / "must_catch.csv").write_bytes(text)
    said = error_of(report(folder, 1))
    for word in ("must_catch.csv", *words):
        assert word in said
    # Without its rail the file is not needed.
    assert report(folder, 0, "--without-rail", "must-catch")["findings"] == []


# Agreement with the past ---------------------------------------------------------------------


def test_calls_that_the_recipe_does_not_reproduce_are_blamed(tmp_path, report):
    recipe = [("family", "CHIP", "tilt", "", "1.5", "deg"), *RECIPE[1:]]
    found = report(make_plant(tmp_path, recipe=recipe), 1)
    assert {f["level"] for f in found["findings"]} == {"error"}
    (finding,) = found["findings"]
    assert "recorded call of CHIP, tilt" in finding["rule"]
    assert "0.10% allowed" in finding["rule"]
    items = [i for i in make_items() if i["family"] == "CHIP" and i["part"] != "R-9"]
    assert finding["count"] == sum(not i["called"] and i["tilt"] > 1.5 for i in items)


def test_both_families_are_blamed_each_for_its_measurement(tmp_path, report):
    recipe = [
        RECIPE[0],
        ("family", "CHIP", "offset", "", "30", "um"),
        RECIPE[2],
        ("family", "SOT", "tilt", "-2", "4", "deg"),
        *RECIPE[4:],
    ]
    found = report(make_plant(tmp_path, recipe=recipe), 1)
    named = {
        (f["rule"].split(" call of ")[1].split(" (")[0], f["level"]) for f in found["findings"]
    }
    assert named == {("CHIP, offset", "error"), ("SOT, tilt", "error")}


def test_a_missed_call_is_blamed_on_the_nearest_measurement(tmp_path, report):
    """The machine called; the looser recipe does not: the measurement that it lets through."""
    recipe = [("family", "CHIP", "tilt", "", "", "deg"), *RECIPE[1:]]
    found = report(make_plant(tmp_path, recipe=recipe), 1)
    assert found["findings"]
    assert all("call of CHIP" in f["rule"] for f in found["findings"])


def test_a_share_of_disagreement_within_bounds_is_a_note(tmp_path, report):
    items = items_with({n: {"called": True} for n in (2, 3)})
    changed = sum(not i["called"] for i in (make_items()[n - 1] for n in (2, 3)))
    assert changed == 2
    toml = table(rails={"mismatch_share": 0.01})
    found = report(make_plant(tmp_path, items=items, toml=toml), 0)
    assert {f["level"] for f in found["findings"]} == {"note"}
    assert sum(f["count"] for f in found["findings"]) == 2
    assert (
        "of the family's items disagree and 0.42% of all, 1.00% allowed"
        in found["findings"][0]["rule"]
    )


def test_without_recorded_calls_that_is_a_note(tmp_path, report):
    items = [{**i, "called": None} for i in make_items()]
    (finding,) = report(make_plant(tmp_path, items=items), 0)["findings"]
    assert (finding["level"], finding["column"]) == ("note", "called")


def test_a_revision_line_is_needed(tmp_path, report):
    text = recipe_text(RECIPE).partition("\n")[2]
    assert "line 1: must be '# revision NAME'" in error_of(
        report(make_plant(tmp_path, recipe=text), 1)
    )


def test_results_of_an_earlier_revision_are_no_mismatch(tmp_path):
    """After a change is live, old results still agree with what was live when they were called."""
    folder = make_plant(tmp_path)
    plant = read_plant(folder)
    old = read_recipe(folder / "recipe.csv", plant.file.measurements)
    new = replace(old.with_limits("CHIP", {("tilt", "upper"): 4.5}), revision="8")
    (folder / "revisions").mkdir()
    write_recipe(old, folder / "revisions" / "7.csv")
    write_recipe(new, folder / "recipe.csv")
    with open_history(plant) as history:
        lone, both = agree(history, new), agree(history, new, past_revisions(plant, new))
        findings = check(history, new, folder / "recipe.csv")
    assert lone.disagree > 0
    assert both.disagree == 0
    assert both.latest == "7"
    assert not [f for f in findings if f.level == "error"]
    (note,) = [f for f in findings if "called by revision 7" in f.rule]
    assert "0 days" in note.rule


def test_each_day_is_held_against_the_revision_that_ran(tmp_path):
    folder = make_plant(tmp_path, items=[])
    plant = read_plant(folder)
    old = read_recipe(folder / "recipe.csv", plant.file.measurements)
    new = replace(old.with_limits("CHIP", {("tilt", "upper"): 4.5}), revision="8")
    items = make_items()
    half = items[240]["time"]
    changed = 0
    for item in items:
        mine = (
            item["family"] == "CHIP" and item["part"] != "R-9" and item["time"].date() > half.date()
        )
        widest = 45 if item["designator"] == "R7" else 60
        others = (item["offset"] or 0) > widest or (item["fill"] or 100) < 70
        if mine and item["called"] and 3.5 < (item["tilt"] or 0) <= 4.5 and not others:
            item["called"] = False
            changed += 1
    assert changed
    write_parquet(folder / "history" / "items.parquet", items)
    with open_history(plant) as history:
        assert agree(history, old).disagree == changed
        found = agree(history, new, [old])
        assert found.disagree == 0
        assert found.latest == "8"
        assert set(found.ran) == {"7", "8"}
