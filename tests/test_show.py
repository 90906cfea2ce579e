"""``optimiser show`` before a browser: what is refused and how it is said, what a screen leaves out."""

import json
import socket
import threading
import time
from pathlib import Path

import pytest
from factories import make_plant

from optimiser.cli import main
from optimiser.errors import UsageError
from optimiser.views import screen_files
from optimiser.views.panels import opening
from optimiser.views.screen_files import screen_of, write_screens


@pytest.fixture
def folder(tmp_path):
    return make_plant(tmp_path / "plant")


def show(capsys, *words):
    code = main(["show", *map(str, words), "--no-browser"])
    return code, capsys.readouterr().err


def test_a_wrong_path_is_named(capsys, tmp_path):
    code, said = show(capsys, tmp_path / "nowhere")
    assert code == 2
    assert str(tmp_path / "nowhere") in said


def test_a_port_in_use_is_named_with_the_way_out(capsys, folder):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, said = show(capsys, folder, "--port", port)
    assert code == 2
    assert f"port {port}" in said
    assert "--port 0" in said


def test_a_missing_extra_is_named(capsys, folder, monkeypatch):
    monkeypatch.setattr("optimiser.commands.show.find_spec", lambda name: None)
    code, said = show(capsys, folder)
    assert code == 2
    assert "pip install 'optimiser[show]'" in said


def test_notebooks_that_lie_nowhere_are_named(capsys, folder, monkeypatch, tmp_path):
    monkeypatch.setattr(screen_files, "__file__", str(tmp_path / "a" / "b" / "c.py"))
    monkeypatch.setattr(screen_files.sysconfig, "get_path", lambda name: str(tmp_path))
    code, said = show(capsys, folder, "--port", "0")
    assert code == 2
    assert "install the package again" in said


def test_a_screen_keeps_every_cell_and_says_nothing_of_running_cells(tmp_path):
    names = write_screens(tmp_path)
    assert names[:2] == ["find.ipynb", "decide.ipynb"]
    for name in names:
        whole = json.loads((screen_files.notebooks_folder() / name).read_text())
        shown = json.loads((tmp_path / "notebooks" / name).read_text())
        assert len(shown["cells"]) == len(whole["cells"])
        code = [
            [c["source"] for c in b["cells"] if c["cell_type"] == "code"] for b in (whole, shown)
        ]
        assert code[0] == code[1]
        assert "Run this" not in json.dumps(shown)
        assert "licensed to set" in json.dumps(shown)


def test_a_paragraph_that_only_mentions_running_stays():
    cell = {"cell_type": "markdown", "source": ["# Head\n", "\n", "A night job is run by cron."]}
    (kept,) = screen_of({"cells": [cell]})["cells"]
    assert kept["source"] == "# Head\n\nA night job is run by cron."


def test_the_environment_names_the_plant(monkeypatch):
    opened = []
    monkeypatch.setattr(opening, "_opened", lambda where, trials: opened.append(where))
    monkeypatch.setenv("OPTIMISER_PLANT", "/srv/plant")
    opening.open_session("demo-plant")
    monkeypatch.delenv("OPTIMISER_PLANT")
    opening.open_session("demo-plant")
    assert opened == [Path("/srv/plant"), Path("demo-plant")]


class Sign:
    """A line below a cell, as IPython hands it out."""

    def __init__(self):
        self.shown = []

    def update(self, what):
        self.shown.append(what.data)


@pytest.fixture
def sign(monkeypatch):
    made = Sign()
    monkeypatch.setattr(opening, "get_ipython", object)
    monkeypatch.setattr(opening, "TICK", 0.01)

    def display(what, **_):
        made.update(what)
        return made

    monkeypatch.setattr(opening, "display", display)
    return made


def test_a_plant_that_opens_says_so_while_it_does(sign):
    seen = []

    def work():
        while len(sign.shown) < 3:
            time.sleep(0.005)
        seen.append(threading.current_thread() is threading.main_thread())
        return "session"

    assert opening._with_sign("Reading <x>", work) == "session"
    assert seen == [False]  # the kernel's main thread hears the interrupt meanwhile
    assert all("Reading &lt;x&gt;" in line and "role='status'" in line for line in sign.shown[:-1])
    assert sign.shown[-1] == ""


def test_a_plant_that_does_not_open_says_why_and_takes_its_line_away(sign):
    def work():
        raise UsageError("no plant file")

    with pytest.raises(UsageError, match="no plant file"):
        opening._with_sign("Reading", work)
    assert sign.shown[-1] == ""
