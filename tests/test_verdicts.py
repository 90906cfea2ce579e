"""Verdicts that arrive later: joined by key, the last one stands, nothing dropped in silence."""

import re

import pytest
from factories import make_items, make_plant, read_rows, table, write_csv, write_rows

from optimiser.errors import HistoryError
from optimiser.history.contract import KEY, findings_of
from optimiser.history.read import find_files, open_history
from optimiser.plant.file import read_plant

COLUMNS = (*KEY, "verdict", "defect", "found_by", "weight")


def told(item, verdict="defect", found_by="field", **others) -> dict:
    row = {c: item.get(c) for c in KEY}
    return {**row, "verdict": verdict, "found_by": found_by, "defect": None, **others}


def plant_with(folder, rows, *, where="verdicts.csv", columns=COLUMNS, **make):
    """Write a plant whose verdicts lie in a file; return the plant."""
    named = "verdicts" if where.startswith("verdicts/") else where
    make_plant(folder, toml=table(plant={"verdicts": named}), **make)
    write_rows(folder / where, columns, rows)
    return read_plant(folder)


def labels(plant) -> tuple[dict, tuple]:
    """Return (verdict, defect, found_by, weight) by board and designator, and the findings."""
    with open_history(plant) as history:
        rows = history.rows(
            "select board, designator, verdict, defect, found_by, weight from items"
        )
        return {r[:2]: r[2:] for r in rows}, history.findings


def place(item) -> tuple[str, str]:
    return item["board"], item["designator"]


def rules(findings, level="set aside") -> dict[str, int]:
    return {f.rule: f.count for f in findings if f.level == level}


@pytest.mark.parametrize("kind", ["parquet", "csv"])
def test_a_verdict_lands_on_its_item_and_on_no_other(tmp_path, kind):
    items = make_items()
    first, second = [i for i in items if i["verdict"] is None][:2]
    rows = [
        told(first, defect="shifted"),
        told(second, "good", "audit", weight=12.5),
    ]
    write = (lambda where, x: write_csv(where / "a.csv", x)) if kind == "csv" else None
    found, findings = labels(plant_with(tmp_path, rows, write=write))
    recorded = {place(i): (i["verdict"], i["defect"], i["found_by"], 1.0) for i in items}
    recorded[place(first)] = ("defect", "shifted", "field", 1.0)
    recorded[place(second)] = ("good", None, "audit", 12.5)
    assert found == recorded
    assert rules(findings) == {}
    assert list(rules(findings, "note")) == ["2 items take their verdict from here"]


def test_a_pin_tells_two_items_apart(tmp_path):
    one, two = ({**make_items()[0], "pin": p} for p in ("1", "2"))
    plant = plant_with(tmp_path, [told(two)], items=[one, two])
    with open_history(plant) as history:
        rows = dict(history.rows("select pin, verdict from items"))
    assert rows == {"1": one["verdict"], "2": "defect"}


def test_the_last_row_of_the_last_file_stands_and_is_counted(tmp_path):
    item = next(i for i in make_items() if i["verdict"] == "good")
    plant = plant_with(tmp_path, [told(item, "defect", "test")], where="verdicts/b.csv")
    write_rows(tmp_path / "verdicts/a.csv", COLUMNS, [told(item, "good", "audit")])
    write_rows(
        tmp_path / "verdicts/c.csv",
        COLUMNS,
        [told(item, "good", "test"), told(item, "defect", "field", defect="bridge")],
    )
    found, findings = labels(plant)
    assert found[place(item)] == ("defect", "bridge", "field", 1.0)
    notes = list(rules(findings, "note"))
    assert notes[0] == "1 items take their verdict from here"
    assert notes[1].startswith("3 verdicts were replaced by a later row")
    assert notes[2].startswith("1 verdicts differ from the one recorded")


def test_a_good_that_a_second_look_confirms_stays_found_by_review(tmp_path):
    """What a second look finds to be a good counts as misread, so a good must not become one."""
    items = make_items()
    good, missed = [i for i in items if i["verdict"] == "good"][:2]
    wrong = next(i for i in items if i["verdict"] == "defect" and i["found_by"] == "review")
    rows = [
        told(good, "good", "second look"),
        told(missed, "defect", "second look"),
        told(wrong, "good", "second look"),
    ]
    found, _ = labels(plant_with(tmp_path, rows))
    assert found[place(good)] == ("good", None, "review", 1.0)
    assert found[place(missed)] == ("defect", None, "second look", 1.0)
    assert found[place(wrong)] == ("good", None, "second look", 1.0)


BROKEN = [
    ({"board": "B9999"}, "no item of the history has this stage", "post-reflow B9999"),
    ({"time": "yesterday"}, "time must be a time in UTC", "yesterday"),
    ({"verdict": ""}, "verdict must be one of defect, good", None),
    ({"verdict": "bad"}, "verdict must be one of defect, good", "bad"),
    ({"found_by": "luck"}, "found_by must be one of review, test, audit, field", "luck"),
    ({"weight": "0.5"}, "weight must be a number >= 1", "0.5"),
    ({"weight": "many"}, "weight must be a number >= 1", "many"),
]


@pytest.mark.parametrize(("change", "rule", "value"), BROKEN)
def test_a_broken_verdict_is_set_aside_with_row_and_value(tmp_path, change, rule, value):
    one, two = [i for i in make_items() if i["verdict"] is None][:2]
    plant = plant_with(tmp_path, [told(one), {**told(two), **change}])
    found, findings = labels(plant)
    assert found[place(one)][0] == "defect"
    assert found[place(two)][0] is None
    (finding,) = (f for f in findings if f.level == "set aside")
    assert rule in finding.rule
    assert (finding.row, finding.count) == (2, 1)
    assert finding.value is None if value is None else finding.value.startswith(value)
    assert finding.way_out
    (aside,) = read_rows(tmp_path / "set_aside.csv")
    assert aside["set_aside_row"] == "2"
    assert aside["set_aside_from"].endswith("verdicts.csv")


def test_a_line_that_does_not_fit_keeps_the_rows_after_it_numbered(tmp_path):
    one, two = [i for i in make_items() if i["verdict"] is None][:2]
    plant = plant_with(tmp_path, [told(one), {**told(two), "board": "B9999"}])
    path = tmp_path / "verdicts.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:2], lines[1] + ",a,b", lines[2], ""]))
    with open_history(plant) as history:
        aside = [f for f in history.findings if f.level == "set aside"]
        assert sorted(f.row for f in aside) == [2, 3]
        assert history.rows_set_aside == 2


def test_a_missing_column_is_an_error(tmp_path):
    plant = plant_with(
        tmp_path, [told(make_items()[0])], columns=[c for c in COLUMNS if c != "found_by"]
    )
    with pytest.raises(HistoryError, match="column 'found_by' of the verdicts is missing") as error:
        open_history(plant)
    assert findings_of(error.value)[0].file.endswith("verdicts.csv")


def test_named_verdicts_that_are_not_there_are_an_error(tmp_path):
    make_plant(tmp_path, toml=table(plant={"verdicts": "later.csv"}))
    with pytest.raises(HistoryError, match="no verdicts") as error:
        open_history(read_plant(tmp_path))
    assert "optimiser stages" not in str(error.value)


def test_who_names_stages_is_told_who_writes_the_verdicts_of_later_ones(tmp_path):
    toml = table(plant={"verdicts": "later.csv"}, line={"stages": ["paste", "post-reflow"]})
    make_plant(tmp_path, toml=toml)
    with pytest.raises(HistoryError, match=f"optimiser stages {re.escape(str(tmp_path))} --label"):
        open_history(read_plant(tmp_path))


def test_verdicts_beside_the_results_are_not_taken_for_results(tmp_path):
    plant = plant_with(tmp_path, [told(make_items()[0])], where="history/verdicts.csv")
    assert [p.name for p in find_files(plant)] == ["items.parquet"]
    assert labels(plant)[0][place(make_items()[0])][2] == "field"


def test_a_verdict_on_a_row_set_aside_finds_no_item(tmp_path):
    item = make_items()[0]
    plant = plant_with(
        tmp_path, [told(item)], items=[{**item, "family": "NONE"}, *make_items()[1:]]
    )
    assert any("no item of the history" in r for r in rules(labels(plant)[1]))
