"""What goes wrong at night: each a message, nothing lost, and the next run completes."""

import json
import sqlite3
import subprocess
import sys

import pytest
from factories import make_plant

from optimiser.cli import main
from optimiser.ledger.ledger import LEDGER, Ledger

NOW = "2026-03-08T02:00:00"
ARGUMENTS = ("--now", NOW, "--trials", "2", "--workers", "1")
LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
from optimiser.cli import main
raise SystemExit(main(sys.argv[2:]))
"""


@pytest.fixture
def folder(tmp_path):
    return make_plant(tmp_path / "plant")


def night(capsys, folder, *more):
    code = main(["nightly", str(folder), *ARGUMENTS, *more])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def left(folder):
    """Return what a night leaves, without what tells when."""
    state = json.loads((folder / "night" / "state.json").read_text())
    ledger = Ledger(folder / LEDGER)
    entries = [(e.kind, e.family, e.reason) for e in ledger.entries()]
    return state["families"], entries, ledger.verify().valid


@pytest.mark.parametrize("most", [4_000, 12_000, 40_000])
def test_a_full_disk(folder, tmp_path, capsys, most):
    whole = make_plant(tmp_path / "whole")
    assert night(capsys, whole)[0] == 0
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(most), "nightly", str(folder), *ARGUMENTS],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert "Traceback" not in done.stderr, done.stderr[-2000:]
    assert done.returncode == (1 if most < 12_000 else done.returncode)
    assert done.returncode in (0, 1)
    assert bool(done.stderr.strip()) == bool(done.returncode)
    code, _, _ = night(capsys, folder)
    assert code == 0
    assert left(folder) == left(whole)


def test_a_folder_that_cannot_be_written(folder, capsys):
    (folder / "night").write_text("a file is in the way")
    code, _, err = night(capsys, folder)
    assert code == 1
    assert "night" in err
    assert (folder / "night").read_text() == "a file is in the way"
    (folder / "night").unlink()
    assert night(capsys, folder)[0] == 0


def test_a_ledger_that_another_holds(folder, capsys, monkeypatch):
    assert night(capsys, folder)[0] == 0
    before = left(folder)
    text = (folder / "plant.toml").read_text()
    # Reviews that cost a fortune make some change certain.
    assert "36.0" in text
    (folder / "plant.toml").write_text(text.replace("36.0", "90000.0"))
    # It need not wait long here to find that out.
    monkeypatch.setitem(Ledger.__init__.__kwdefaults__, "timeout_s", 0.2)
    holder = sqlite3.connect(folder / LEDGER, isolation_level=None)
    holder.execute("begin exclusive")
    code, out, err = night(capsys, folder)
    holder.execute("rollback")
    holder.close()
    monkeypatch.undo()
    assert "change: none" not in out
    assert code == 1
    assert "nothing was saved" in err
    assert left(folder)[1] == before[1]
    code, out, _ = night(capsys, folder)
    assert code == 0
    entries = left(folder)[1]
    assert entries[: len(before[1])] == before[1]
    assert len(entries) > len(before[1])
    assert left(folder)[2]


def test_a_clock_set_back(folder, capsys):
    assert night(capsys, folder)[0] == 0
    before = left(folder)
    code = main(["nightly", str(folder), "--now", "2026-03-01T02:00:00", *ARGUMENTS[2:]])
    capsys.readouterr()
    assert code == 0
    assert left(folder) == before


@pytest.mark.parametrize(
    ("name", "text", "code", "words"),
    [
        ("recipe.csv", None, 1, "recipe.csv"),
        ("recipe.csv", "not a recipe", 1, "recipe.csv"),
        ("plant.toml", "[plant\n", 1, "not valid TOML"),
        ("plant.toml", None, 2, "no plant file"),
    ],
)
def test_inputs_that_cannot_be_used(folder, capsys, name, text, code, words):
    assert night(capsys, folder)[0] == 0
    before, kept = left(folder), (folder / name).read_text()
    if text is None:
        (folder / name).unlink()
    else:
        (folder / name).write_text(text)
    found, _, err = night(capsys, folder)
    assert found == code
    assert words in err
    (folder / name).write_text(kept)
    assert night(capsys, folder)[0] == 0
    assert left(folder) == before
