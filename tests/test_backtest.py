"""The backtest sees no future, and its books add up."""

import itertools
import json
import shutil

import duckdb
import pytest

from optimiser.cli import main
from optimiser.errors import HistoryError
from optimiser.history.read import open_history
from optimiser.monitoring.backtest import backtest, calibrate, cuts_of
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe

FAMILY, FOLDS = "RES-0402", 3  # enough labelled defects for a proposal at the first cut


def run(folder, trials=6):
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        return {
            f.cut: f for f in backtest(history, live, folds=FOLDS, trials=trials, family=FAMILY)
        }


def promised(fold):
    """What rests on the past alone; a promise is scaled by how many items happen to follow."""
    per_item = (fold.false_calls_saved.value / fold.next_items, fold.saving.value / fold.next_items)
    return fold.past_items, fold.past_defects, fold.advice, *(round(p, 12) for p in per_item)


@pytest.fixture
def plant(demo_plant, tmp_path):
    """A copy whose history is one file that can be changed."""
    folder = tmp_path / "plant"
    shutil.copytree(demo_plant, folder, ignore=shutil.ignore_patterns("history", "truth"))
    con = duckdb.connect()
    con.execute(
        f"""create table h as from read_parquet('{demo_plant}/history/**/*.parquet', hive_partitioning=false)
            where family = '{FAMILY}' or (family = 'CAP-1210' and designator = (select min(designator)
              from read_parquet('{demo_plant}/history/**/*.parquet') where family = 'CAP-1210'))"""
    )
    return folder, con


def write(folder, con):
    (folder / "history").mkdir(exist_ok=True)
    con.execute(f"copy h to '{folder / 'history' / 'all.parquet'}' (format parquet)")


def lots_of(con):
    return [
        r[0]
        for r in con.execute("select lot from h group by lot order by min(time), lot").fetchall()
    ]


def test_a_defect_moved_into_the_past_changes_only_the_folds_that_may_see_it(plant):
    folder, con = plant
    write(folder, con)
    before = run(folder)
    lots = lots_of(con)
    cuts = cuts_of(len(lots), FOLDS)
    second = lots[cuts[1][0] : cuts[1][1]]
    row = con.execute(
        f"""select lot, time, board, designator, pin from h where verdict = 'defect'
            and family = '{FAMILY}' and lot in ({", ".join(repr(x) for x in second)}) order by time limit 1"""
    ).fetchone()
    assert row, "the demo has a labelled defect in the second window"
    home = lots[cuts[0][0] + 1]  # a lot of the first window: the future of the first cut
    when = con.execute("select min(time) from h where lot = ?", [home]).fetchone()[0]
    con.execute(
        """update h set lot = ?, time = ? where lot = ? and time = ? and board = ?
           and designator = ? and pin is not distinct from ?""",
        [home, when, *row],
    )
    write(folder, con)
    after = run(folder)
    first, second_cut, third = (c for c, _ in cuts)
    assert promised(after[first]) == promised(before[first])
    assert after[second_cut].past_defects == before[second_cut].past_defects + 1
    assert promised(after[second_cut]) != promised(before[second_cut])
    assert after[third].past_defects == before[third].past_defects


def test_what_lies_after_the_last_cut_promises_nothing(plant):
    folder, con = plant
    write(folder, con)
    before = run(folder)
    lots = lots_of(con)
    last = cuts_of(len(lots), FOLDS)[-1][0]
    late = ", ".join(repr(x) for x in lots[last:])
    con.execute(f"delete from h where lot in ({late}) and verdict = 'defect'")
    write(folder, con)
    after = run(folder)
    assert {c: promised(f) for c, f in after.items()} == {c: promised(f) for c, f in before.items()}


def test_windows_follow_each_other_without_gap_or_overlap():
    for lots in (10, 17, 134):
        for folds in (1, 3, 5):
            cuts = cuts_of(lots, folds)
            assert cuts[-1][1] == lots
            assert all(a[1] == b[0] for a, b in itertools.pairwise(cuts))
            assert cuts[0][0] >= 4


def test_too_few_lots_is_said():
    with pytest.raises(HistoryError, match="at least 10 lots, the history has 9"):
        cuts_of(9, 3)


def test_calibration_is_the_sum_of_the_folds(demo_plant, tmp_path, capsys):
    folder = tmp_path / "plant"
    shutil.copytree(demo_plant, folder)
    arguments = ["backtest", str(folder), "--family", "RES-0402", "--folds", "2", "--trials", "6"]
    assert main([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    by_figure = {r["figure"]: r for r in found["calibration"]}
    assert by_figure["false_calls_saved"]["promises"] == len(found["folds"]) == 2
    followed = sum(f["followed_false_calls_saved"] for f in found["folds"])
    assert by_figure["false_calls_saved"]["followed"] == followed
    assert all(f["hindsight_saving"] >= 0 for f in found["folds"])
    assert calibrate([])[0]["inside"] is None
    assert main(arguments) == 0
    assert "hindsight" in capsys.readouterr().out
