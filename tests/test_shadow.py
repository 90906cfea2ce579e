"""The shadow: every item of every file once, and no file that is not whole."""

import json
import shutil
import signal
import sys
import time

import pytest
from factories import RECIPE, called, make_items, make_plant, recipe_text, write_csv, write_parquet
from processes import ended, started

from optimiser import cli
from optimiser.monitoring.shadow import Follower, Shadow, result_files
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe

LOOSER = tuple((*row[:4], {"3.5": "4.5", "4": "3"}.get(row[4], row[4]), row[5]) for row in RECIPE)


@pytest.fixture
def plant(tmp_path):
    """A plant whose candidate loosens CHIP's tilt and tightens SOT's, and an empty inbox."""
    folder = make_plant(tmp_path / "plant")
    (folder / "candidate.csv").write_text(recipe_text(LOOSER, revision="8"))
    (tmp_path / "inbox").mkdir()
    return folder


def shadow_counts(plant, live, candidate, files):
    """What a candidate would have called in some files."""
    shadow = Shadow(plant, live, candidate)
    for path in files:
        shadow.take(path)
    return shadow.counts()


def opened(folder):
    plant = read_plant(folder)
    known = plant.file.measurements
    return (
        plant,
        read_recipe(folder / "recipe.csv", known),
        read_recipe(folder / "candidate.csv", known),
    )


def counted(items):
    """Return the counts in plain Python; the record says what the live recipe called."""
    pairs = [(i["called"], called(i, LOOSER), i["verdict"]) for i in items]
    return {
        "items": len(items),
        "kept": sum(a and b for a, b, _ in pairs),
        "loosened": sum(a and not b for a, b, _ in pairs),
        "loosened_defects": sum(a and not b and v == "defect" for a, b, v in pairs),
        "loosened_goods": sum(a and not b and v == "good" for a, b, v in pairs),
        "tightened": sum(b and not a for a, b, _ in pairs),
        "tightened_defects": sum(b and not a and v == "defect" for a, b, v in pairs),
        "tightened_goods": sum(b and not a and v == "good" for a, b, v in pairs),
    }


def numbers(count):
    return {name: getattr(count, name) for name in counted([])}


def test_counts_are_those_of_plain_python(plant, tmp_path):
    items, inbox = make_items(), tmp_path / "inbox"
    write_parquet(inbox / "a.parquet", items[:200])
    write_csv(inbox / "deep" / "b.csv", items[200:])
    found = shadow_counts(*opened(plant), result_files(inbox))
    assert numbers(found.total) == counted(items)
    assert found.total.loosened > 0
    assert found.total.tightened > 0
    for row in found.families:
        assert numbers(row) == counted([i for i in items if i["family"] == row.family])
    assert (found.mismatch, found.rows_set_aside, found.skipped) == (0, 0, {})


def test_differing_items_are_named_one_by_one(plant, tmp_path):
    items, inbox = make_items(), tmp_path / "inbox"
    write_parquet(inbox / "a.parquet", items)
    found = shadow_counts(*opened(plant), result_files(inbox))
    wanted = {(i["board"], i["designator"]) for i in items if i["called"] != called(i, LOOSER)}
    assert {(x["board"], x["designator"]) for x in found.differing} == wanted
    assert all(x["live"] != x["candidate"] for x in found.differing)
    json.dumps(found.as_dict())
    assert "loosened" in repr(found)


def test_what_was_recorded_is_the_live_call(plant, tmp_path):
    items = make_items()
    told = [{**items[0], "called": not items[0]["called"]}, {**items[1], "called": None}]
    write_parquet(tmp_path / "inbox" / "a.parquet", [*told, *items[2:]])
    found = shadow_counts(*opened(plant), result_files(tmp_path / "inbox"))
    assert numbers(found.total) == counted([told[0], *items[1:]])
    assert found.mismatch == 1


def test_each_content_counts_once_and_a_grown_file_replaces_itself(plant, tmp_path):
    items, inbox = make_items(), tmp_path / "inbox"
    path = write_csv(inbox / "a.csv", items[:100])
    shadow = Shadow(*opened(plant))
    assert shadow.take(path).total.items == 100
    assert shadow.take(path) is None
    shutil.copy(path, inbox / "copy.csv")
    assert shadow.take(inbox / "copy.csv") is None
    write_csv(path, items[:300])
    assert shadow.take(path).total.items == 300
    assert shadow.counts().total.items == 300
    assert shadow.take(inbox / "copy.csv").total.items == 100  # its content is no longer counted
    assert len(shadow.counts().files) == 2


def test_a_broken_file_is_named_skipped_and_read_once_whole(plant, tmp_path):
    inbox = tmp_path / "inbox"
    whole = write_parquet(tmp_path / "whole.parquet", make_items())
    half = inbox / "half.parquet"
    half.write_bytes(whole.read_bytes()[:1500])
    shadow = Shadow(*opened(plant))
    assert shadow.take(half) is None
    assert "half.parquet" in shadow.counts().skipped[str(half)]
    shutil.copy(whole, half)
    assert shadow.take(half).total.items == 480
    assert shadow.counts().skipped == {}


def test_rows_that_break_a_rule_are_counted_and_the_plants_own_file_stays(plant, tmp_path):
    kept = plant / "set_aside.csv"
    kept.write_text("of the history\n")
    items = make_items()
    items[0]["family"] = "UNKNOWN"
    write_csv(tmp_path / "inbox" / "a.csv", items)
    found = shadow_counts(*opened(plant), result_files(tmp_path / "inbox"))
    assert (found.rows_set_aside, found.total.items) == (1, 479)
    assert kept.read_text() == "of the history\n"


def test_only_files_that_settled_are_ready(tmp_path):
    follower, path = Follower(tmp_path, 2.0), tmp_path / "a.csv"
    path.write_text("half")
    (tmp_path / ".hidden.csv").write_text("x")
    (tmp_path / "notes.txt").write_text("x")
    assert follower.look(0.0) == []
    assert follower.look(1.0) == []
    path.write_text("half and half")
    assert follower.look(2.5) == []
    assert follower.look(4.0) == []
    assert follower.look(4.6) == [path]
    assert follower.look(9.0) == []
    path.write_text("written once more")
    assert follower.look(10.0) == []
    assert follower.look(12.0) == [path]
    path.unlink()
    assert follower.look(15.0) == []


def test_the_command_reads_what_is_there_once(plant, tmp_path, capsys):
    items, inbox = make_items(), tmp_path / "inbox"
    write_parquet(inbox / "a.parquet", items)
    (inbox / "broken.parquet").write_bytes(b"PAR1 and no more")
    call = ["shadow", str(plant), "--recipe", str(plant / "candidate.csv"), "--follow", str(inbox)]
    assert cli.main([*call, "--once"]) == 0
    told = capsys.readouterr()
    assert "broken.parquet" in told.out
    assert "skipped" in told.err
    assert "480" in told.out
    assert cli.main([*call, "--once", "--json"]) == 0
    row = json.loads(capsys.readouterr().out)
    assert {k: row["total"][k] for k in counted([])} == counted(items)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [(("--recipe", "none.csv"), "no recipe at"), (("--follow", "nowhere"), "no folder at")],
)
def test_the_command_says_what_is_missing(plant, tmp_path, wrong, words, capsys):
    told = {"--recipe": str(plant / "candidate.csv"), "--follow": str(tmp_path / "inbox")}
    told |= dict([wrong])
    arguments = [word for pair in told.items() for word in pair]
    assert cli.main(["shadow", str(plant), *arguments, "--once"]) == 2
    assert words in capsys.readouterr().err


@pytest.mark.parametrize(
    ("poll", "end"),
    [([], signal.SIGINT), (["--poll"], signal.SIGINT), ([], signal.SIGTERM)],
    ids=["told", "polling", "in the background"],
)
def test_it_follows_a_folder_until_ctrl_c(plant, tmp_path, poll, end):
    items, inbox = make_items(), tmp_path / "inbox"
    whole = write_parquet(tmp_path / "whole.parquet", items).read_bytes()
    command = ["shadow", str(plant), "--recipe", str(plant / "candidate.csv"), "--follow"]
    command += [str(inbox), "--json", "--settle", "0.4", *poll]
    running = started([sys.executable, "-u", "-m", "optimiser", *command], hears=end)
    assert "following" in running.stderr.readline()
    with (inbox / "a.parquet").open("wb") as out:
        out.write(whole[:2000])
        out.flush()
        time.sleep(0.2)
        out.write(whole[2000:])
    assert "a.parquet: 480 items" in running.stderr.readline()
    out, _ = ended(running, end)
    assert running.returncode == 130
    row = json.loads(out)
    assert {k: row["total"][k] for k in counted([])} == counted(items)
    assert row["skipped"] == {}
