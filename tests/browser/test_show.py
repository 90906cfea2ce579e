"""The notebooks as screens: served by the command as its user starts it, guarded, without code."""

import json
import os
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from contextlib import contextmanager

import pytest
from browser.lab import Guarded
from factories import make_plant
from playwright.sync_api import expect

from optimiser.cli import main

ENDS_S = 30


@contextmanager
def shown(plant, home, *words):
    """Start ``optimiser show``; yield its process and what it printed."""
    names = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    command = [sys.executable, "-m", "optimiser", "show", str(plant), "--port", "0", "--json"]
    with (home / "show.log").open("wb") as log:
        server = subprocess.Popen(
            [*command, "--no-browser", *words],
            env={**os.environ, **{n: str(home / n) for n in names}},
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
            # A test run in the background would hand its ignored Ctrl-C down.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        )
    try:
        told = ""
        while not told.endswith("}\n"):
            line = server.stdout.readline()
            assert line, (home / "show.log").read_text()
            told += line
        yield server, json.loads(told)
    finally:
        server.terminate()
        server.wait(ENDS_S)
        server.stdout.close()


@pytest.fixture(scope="module")
def plant(tmp_path_factory):
    folder = make_plant(tmp_path_factory.mktemp("show") / "plant")
    assert main(["propose", str(folder), "--workers", "1"]) == 0
    return folder


@pytest.fixture(scope="module")
def screens(plant, tmp_path_factory):
    with shown(plant, tmp_path_factory.mktemp("home")) as (_, told):
        yield told


def test_nobody_without_the_token_sees_a_screen(screens):
    address, _, token = screens["address"].partition("?token=")
    assert len(token) >= 32
    with urllib.request.urlopen(address) as answer:
        assert answer.url.split("?")[0].endswith("/login")
    kernels = f"{address.split('/voila/')[0]}/voila/render/find.ipynb?token=wrong"
    with urllib.request.urlopen(kernels) as answer:
        assert answer.url.split("?")[0].endswith("/login")


@pytest.mark.slow  # two kernels and two screens: half a minute
def test_the_screens_show_the_plant_and_no_code(browser, plant, screens, tmp_path):
    """One visit from link to link: the headline, panels that answer, no cell of code, no foreign address."""
    guarded = Guarded(browser, "", width=1280, height=1400)
    page = guarded.page
    page.goto(screens["address"], timeout=60_000)
    expect(page.locator(".opt-panel").first).to_be_visible(timeout=60_000)
    expect(page.locator("body")).to_contain_text("families", timeout=60_000)
    expect(page.locator("body")).to_contain_text("a month", timeout=60_000)
    assert page.locator(".jp-CodeCell .jp-InputArea, .jp-CodeMirrorEditor, .highlight").count() == 0
    assert "Run this notebook" not in page.inner_text("body")
    assert "import" not in page.inner_text("body").split()
    assert "licensed to set" in page.inner_text("body")
    page.screenshot(path=tmp_path / "find.png")
    page.get_by_role("link", name="Decide").click()
    panel = page.locator(".opt-panel").first
    expect(panel.locator(".opt-head h2")).to_be_visible(timeout=60_000)
    expect(page.get_by_role("link", name="Decide")).to_have_attribute("aria-current", "page")
    expect(panel.get_by_role("button", name="Accept", exact=True)).to_be_visible()
    page.screenshot(path=tmp_path / "decide.png")
    assert guarded.foreign == []
    assert guarded.errors == []
    guarded.close()


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_when_told_and_leaves_nothing_running(plant, tmp_path, sent):
    with shown(plant, tmp_path) as (server, told):
        server.send_signal(sent)
        assert server.wait(ENDS_S) == 130
        with pytest.raises(urllib.error.URLError):
            urllib.request.urlopen(told["address"], timeout=2)
