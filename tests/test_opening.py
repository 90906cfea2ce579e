"""What an opening keeps: equal to the last bit, and believed only of the very files it is of."""

import json
import logging
import os
import shutil
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from factories import make_items, make_plant

import optimiser
from optimiser.cli import main
from optimiser.errors import ConflictError
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal import session as sessions
from optimiser.proposal.cache import FOLDER, case_key
from optimiser.proposal.opening import KEPT
from optimiser.proposal.state import state_of
from optimiser.recipe.table import read_recipe
from optimiser.seal import KEY
from optimiser.tally.kept import pack, unpack


@pytest.fixture
def plant(tmp_path):
    return make_plant(tmp_path / "plant")


def kept(plant):
    return plant / FOLDER / KEPT


def opened(plant):
    """Open a plant; return its session, closed, and whether its rows were read."""
    with optimiser.open_plant(plant, trials=2) as session:
        return session, session._history is not None


def keys(session):
    return {name: case_key(case) for name, case in session.cases.items()}


def test_the_second_opening_reads_no_row_and_knows_the_same(plant):
    first, read = opened(plant)
    assert read
    second, read = opened(plant)
    assert not read
    assert list(first.cases) == list(second.cases)
    assert keys(first) == keys(second)
    assert repr(first) == repr(second)
    for name, one in first.cases.items():
        other = second.cases[name]
        for a, b in ((one.tally, other.tally), (one.later, other.later)):
            if a is None:
                assert b is None
                continue
            pd.testing.assert_frame_equal(a.defects.frame, b.defects.frame, check_exact=True)
            np.testing.assert_array_equal(a.misread.ranks, b.misread.ranks)
            np.testing.assert_array_equal(a.misread.lot, b.misread.lot)
            assert a.cells.ranks.dtype == b.cells.ranks.dtype
            assert np.array_equal(a.cells.ranks, b.cells.ranks)


def test_what_is_packed_is_unpacked_and_may_be_written_to(plant):
    session, _ = opened(plant)
    tallies = {name: case.tally for name, case in session.cases.items()}
    again = unpack(pack({"whole": tallies}))["whole"]
    assert list(again) == list(tallies)
    cells = next(iter(again.values())).cells
    cells.count[:] = 0
    with pytest.raises(ValueError, match="no tallies"):
        unpack(pack({"whole": tallies}).replace(b'"scopes"', b'"scopez"'))


def items_again(plant, change):
    """Write the results anew with one value changed, under the same size and date."""
    path = next((plant / "history").glob("*.parquet"))
    was = path.stat()
    frame = pd.read_parquet(path)
    change(frame)
    frame.to_parquet(path, index=False)
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))


def text_again(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def lower_one(frame):
    column = next(c for c in frame.columns if frame[c].dtype == np.float32)
    frame.loc[0, column] = frame.loc[0, column] - np.float32(0.25)


CHANGES = {
    "a value in the results": lambda p: items_again(p, lower_one),
    "a new result file": lambda p: shutil.copy(
        next((p / "history").glob("*.parquet")), p / "history" / "zz.parquet"
    ),
    "the revision of the recipe": lambda p: text_again(
        p / "recipe.csv", "# revision 7", "# revision 8"
    ),
    "a step in the plant file": lambda p: text_again(
        p / "plant.toml", '"step" = 5.0', '"step" = 1.0'
    ),
    "the must-catch set": lambda p: (p / "must_catch.csv").write_text(
        "\n".join((p / "must_catch.csv").read_text().splitlines()[:-1]) + "\n"
    ),
}


@pytest.mark.parametrize("what", CHANGES)
def test_any_changed_file_is_read_anew(plant, what, caplog):
    opened(plant)
    CHANGES[what](plant)
    with caplog.at_level(logging.WARNING, "optimiser"):
        found, read = opened(plant)
    assert read
    assert not caplog.records  # an older state is no damage
    shutil.rmtree(plant / FOLDER)
    assert keys(found) == keys(opened(plant)[0])


def forged(content: bytes) -> bytes:
    head, _, rest = content.partition(b"\n")
    table = json.loads(head)
    table["told"]["rows_used"] += 1
    return json.dumps(table).encode() + b"\n" + rest


DAMAGE = {
    "a byte of a count": lambda c: c[:-40] + bytes([c[-40] ^ 1]) + c[-39:],
    "cut": lambda c: c[: len(c) // 2],
    "a figure of the head": forged,
    "a list": lambda c: b"[]\n" + c.partition(b"\n")[2],
    "no JSON": lambda c: b"\xff" + c,
}


@pytest.mark.parametrize("what", DAMAGE)
def test_what_is_damaged_or_forged_is_named_and_not_believed(plant, what, caplog):
    first, _ = opened(plant)
    kept(plant).write_bytes(DAMAGE[what](kept(plant).read_bytes()))
    with caplog.at_level(logging.WARNING, "optimiser"):
        second, read = opened(plant)
    assert read
    assert any("opening.kept: not believed" in r.message for r in caplog.records)
    assert keys(first) == keys(second)
    assert not opened(plant)[1]  # it was made again


def test_another_key_is_not_believed(plant, tmp_path, monkeypatch):
    opened(plant)
    monkeypatch.setenv(KEY, str(tmp_path / "other.key"))
    assert opened(plant)[1]


def test_another_program_counts_anew(plant, monkeypatch):
    opened(plant)
    monkeypatch.setattr("optimiser.proposal.state._program", lambda: "another")
    assert opened(plant)[1]


def test_a_moved_plant_is_read_anew(plant, tmp_path):
    opened(plant)
    shutil.copytree(plant, tmp_path / "copy")
    assert opened(tmp_path / "copy")[1]


def test_files_that_change_while_a_session_is_open_are_not_asked(plant):
    opened(plant)
    with optimiser.open_plant(plant, trials=2) as session:
        items_again(plant, lower_one)
        with pytest.raises(ConflictError, match="files changed since they were read"):
            session.totals()
    with optimiser.open_plant(plant, trials=2) as session:
        assert session.totals().calls >= 0


def test_files_that_change_while_they_are_read_are_not_kept(plant, monkeypatch):
    real = sessions.open_history

    def slow(plant_, *args, **kwargs):
        items_again(plant, lower_one)
        return real(plant_, *args, **kwargs)

    monkeypatch.setattr(sessions, "open_history", slow)
    opened(plant)
    monkeypatch.undo()
    found, read = opened(plant)
    assert read  # what was kept is under the state before
    shutil.rmtree(plant / FOLDER)
    assert keys(found) == keys(opened(plant)[0])


def test_rows_from_the_future_keep_nothing(tmp_path):
    items = make_items()
    items[3]["time"] = datetime.now(UTC).replace(tzinfo=None) + timedelta(days=3)
    plant = make_plant(tmp_path / "plant", items=items)
    opened(plant)
    assert not kept(plant).exists()
    assert opened(plant)[1]


def test_the_night_and_propose_keep_it_for_the_morning(plant, tmp_path):
    assert main(["nightly", str(plant), "--trials", "2", "--workers", "1"]) in (0, 4)
    by_night, read = opened(plant)
    assert not read
    kept(plant).unlink()
    assert main(["propose", str(plant), "--trials", "2", "--workers", "1"]) == 0
    by_command, read = opened(plant)
    assert not read
    kept(plant).unlink()
    assert keys(by_night) == keys(by_command) == keys(opened(plant)[0])


def test_a_file_that_came_during_the_night_is_not_in_what_it_kept(plant, monkeypatch):
    from optimiser import night

    real = night.close_store

    def arrive(store):
        shutil.copy(next((plant / "history").glob("*.parquet")), plant / "history" / "zz.parquet")
        real(store)

    monkeypatch.setattr(night, "close_store", arrive)
    assert main(["nightly", str(plant), "--trials", "2", "--workers", "1"]) in (0, 4)
    assert opened(plant)[1]


def test_the_state_is_of_every_file_that_is_read(plant):
    site = read_plant(plant)
    live = read_recipe(plant / "recipe.csv", site.file.measurements)
    seen = []

    def sha(path):
        seen.append(path)
        return "0"

    state_of(site, live, sha=sha)
    with open_history(site) as history:
        assert set(history.files) < set(seen)
    assert plant / "must_catch.csv" in seen


def test_a_folder_that_cannot_be_written_opens_all_the_same(plant, monkeypatch):
    def refuse(path):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("optimiser.proposal.opening.writing_whole", refuse)
    assert opened(plant)[1]
    assert not kept(plant).exists()
