"""The manager's page in a browser: without a network, with scripts on and off, on paper."""

import re

import pytest
from browser.lab import Guarded
from factories import make_plant

from optimiser.cli import main

WIDER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = make_plant(tmp_path_factory.mktemp("page") / "plant")
    assert main(["propose", str(folder), "--trials", "2", "--workers", "1"]) == 0
    assert main(["report", str(folder)]) == 0
    return folder / "report.html"


@pytest.mark.parametrize("width", [1920, 1280, 420])
def test_page_fits_and_asks_for_nothing(browser, page_file, width):
    guarded = Guarded(browser, "", width=width, height=900)
    asked = []
    guarded.page.on("request", lambda request: asked.append(request.url))
    guarded.page.goto(page_file.as_uri())
    assert guarded.page.evaluate(WIDER) <= 0
    assert asked == [page_file.as_uri()]
    assert guarded.errors == []
    guarded.close()


def test_scripts_off_says_the_same(browser, page_file):
    texts = []
    for scripts in (True, False):
        context = browser.new_context(java_script_enabled=scripts)
        page = context.new_page()
        page.goto(page_file.as_uri())
        texts.append(page.inner_text("body"))
        context.close()
    assert texts[0] == texts[1]
    assert "licensed to set" in texts[0]


def test_paper_is_a4(browser, page_file):
    page = browser.new_page()
    page.goto(page_file.as_uri())
    sheet = page.pdf(prefer_css_page_size=True)
    page.close()
    boxes = re.findall(rb"/MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)\]", sheet)
    assert boxes
    # 210 mm by 297 mm (ISO 216) in points.
    for width, height in boxes:
        assert float(width) == pytest.approx(210 / 25.4 * 72, abs=1)
        assert float(height) == pytest.approx(297 / 25.4 * 72, abs=1)
