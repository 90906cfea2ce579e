"""Reviewers, agreement and flicker as commands; what they print is what the functions say."""

import json

import numpy as np
import pytest
from factories import make_plant

from optimiser.cli import main
from optimiser.evidence.flicker import REACH, flicker
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.studies.double_reviews import judge_reviews, read_reviews


def write(path, rows, header="item,reviewer,decision,truth"):
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def run(capsys, *arguments):
    code = main([str(a) for a in arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def test_agreement_of_two_reviewers_with_and_without_truth(tmp_path, capsys):
    # 20 / 5 / 10 / 15: the usual textbook table of Cohen's kappa, 0.4 (common practice).
    pairs = ["defect,defect"] * 20 + ["defect,good"] * 5 + ["good,defect"] * 10 + ["good,good"] * 15
    rows = []
    for n, pair in enumerate(pairs):
        a, b = pair.split(",")
        rows += [f"{n},A,{a},{a}", f"{n},B,{b},{a}"]
    code, out, _ = run(capsys, "agreement", write(tmp_path / "r.csv", rows), "--json")
    found = json.loads(out)
    assert code == 0
    assert found["pairs"][0]["kappa"]["value"] == pytest.approx(0.4)
    assert found["pairs"][0]["agree"] == pytest.approx(35 / 50)
    by = {a["reviewer"]: a for a in found["appraisals"]}
    assert by["A"]["effectiveness"]["value"] == 1.0
    assert by["B"]["miss_rate"]["value"] == pytest.approx(5 / 25)
    assert by["B"]["false_alarm_rate"]["value"] == pytest.approx(10 / 25)
    bare = [r.rpartition(",")[0] for r in rows]
    path = write(tmp_path / "bare.csv", bare, "item,reviewer,decision")
    code, out, _ = run(capsys, "agreement", path)
    assert code == 0
    assert "0.40" in out
    assert "whether they are right is not known" in out


@pytest.mark.parametrize(
    ("rows", "header", "words"),
    [
        (
            ["1,A,maybe,"],
            "item,reviewer,decision,truth",
            "line 2: decision must be one of defect, good",
        ),
        (["1,,good,"], "item,reviewer,decision,truth", "line 2: reviewer is blank"),
        (["1,A,good"], "item,reviewr,decision", "column 'reviewer' is missing"),
        (["1,A,good,", "2,A,good,", "1,B,good,"], "item,reviewer,decision,truth", "item '2': 0"),
        (["1,A,good,good", "1,B,good,defect"], "item,reviewer,decision,truth", "given otherwise"),
        (["1,A,good,good", "2,A,good,"], "item,reviewer,decision,truth", "not for '2'"),
        ([], "item,reviewer,decision", "none"),
    ],
)
def test_broken_reviews_are_named(tmp_path, capsys, rows, header, words):
    code, out, err = run(capsys, "agreement", write(tmp_path / "r.csv", rows, header))
    assert (code, out) == (1, "")
    assert words in err


def test_no_such_reviews_is_a_wrong_use(tmp_path, capsys):
    assert run(capsys, "agreement", tmp_path / "none.csv")[0] == 2


def test_single_looks_have_no_fleiss(tmp_path):
    found = judge_reviews(read_reviews(write(tmp_path / "r.csv", ["1,A,good,good"])))
    assert found["fleiss"] is None
    assert found["pairs"] == []


def test_reviewers_start_from_the_live_recipe_and_find_the_fewest(demo_plant, capsys):
    code, out, _ = run(capsys, "reviewers", demo_plant, "--family", "RES-0402", "--json")
    (row,) = json.loads(out)["families"]
    assert code == 0
    assert row["live"] == row["points"][0]
    assert row["fewest"]["total"] == min(p["total"] for p in row["points"])
    for p in row["points"]:
        assert p["total"] == pytest.approx(p["missed_by_limits"] + p["missed_by_review"])
        assert p["calls"] * p["true_share"] == pytest.approx(row["defects"] - p["missed_by_limits"])
    _, out, _ = run(
        capsys, "reviewers", demo_plant, "--family", "RES-0402", "--scenario", "constant", "--json"
    )
    (constant,) = json.loads(out)["families"]
    rate = read_plant(demo_plant).file.review.miss_rate
    assert all(p["miss_rate"] == pytest.approx(rate) for p in constant["points"] if p["calls"])
    assert (
        run(capsys, "reviewers", demo_plant, "--family", "RES-0402")[1].count("fewest in all") == 1
    )


def test_flicker_of_a_limit_is_that_of_its_readings(demo_plant, capsys):
    code, out, _ = run(capsys, "flicker", demo_plant, "--family", "RES-0402", "--json")
    rows = json.loads(out)
    assert code == 0
    row = next(r for r in rows if (r["measurement"], r["side"]) == ("side_overhang", "upper"))
    plant = read_plant(demo_plant)
    with open_history(plant) as history:
        table = history.connection.execute(
            f"""select side_overhang::double as x, lot_id from items join {history.lots} using (lot)
                where family = 'RES-0402'"""
        ).df()
    sizes = np.bincount(table["lot_id"])
    held = table.dropna()
    calls = float((held["x"].astype(np.float32) > np.float32(row["limit"])).sum())
    expected = flicker(
        held["x"].to_numpy(),
        held["lot_id"].to_numpy().astype(np.int64),
        sizes.astype(float),
        limit=row["limit"],
        repeatability=plant.file.measurements["side_overhang"].repeatability,
        calls=calls,
    )
    assert row["calls"] == calls
    assert row["unrepeated"]["value"] == pytest.approx(expected.unrepeated.value)
    assert row["share"]["value"] == pytest.approx(expected.share.value)
    assert REACH > 3
    # A recipe beside the live one gives each limit twice.
    _, out, _ = run(
        capsys,
        "flicker",
        demo_plant,
        "--family",
        "RES-0402",
        "--recipe",
        demo_plant / "recipe.csv",
        "--json",
    )
    assert len(json.loads(out)) == 2 * len(rows)


def test_flicker_without_repeatability_says_nothing(tmp_path, capsys):
    plant = make_plant(tmp_path)
    assert run(capsys, "flicker", plant, "--recipe", tmp_path / "none.csv")[0] == 2
    assert run(capsys, "flicker", plant)[0] == 0


def test_risk_of_limits_against_their_bounds(demo_plant, capsys):
    code, out, _ = run(capsys, "risk", demo_plant, "--risk", "0.05", "--json")
    rows = json.loads(out)
    assert code == 0
    assert rows
    for row in rows:
        # A guard band of 1.645 repeatabilities holds 5 % at the bound (JCGM 106, one side).
        assert row["needed"] == pytest.approx(1.6449 * row["repeatability"], rel=1e-4)
        assert 0 <= row["consumer"] <= row["escape_rate"] <= 1
        assert 0 <= row["producer"] <= row["false_call_rate"] <= 1
    assert "Joint" in run(capsys, "risk", demo_plant)[1]
    assert run(capsys, "risk", demo_plant, "--risk", "2")[0] == 2
