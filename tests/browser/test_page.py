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
    assert main(["propose", str(folder), "--workers", "1"]) == 0
    assert main(["report", str(folder)]) == 0
    return folder / "report.html"


# Text that is hardly told from its ground: contrast as WCAG 2.2 works it out (success criterion 1.4.3).
FAINT = """() => {
  const parts = (text) => text.match(/[0-9.]+/g).map(Number);
  const light = (rgb) => rgb.slice(0, 3).map((x) => x / 255)
    .map((x) => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4)
    .reduce((sum, x, n) => sum + x * [0.2126, 0.7152, 0.0722][n], 0);
  const ground = (of) => {
    for (let at = of; at; at = at.parentElement) {
      const rgb = parts(getComputedStyle(at).backgroundColor);
      if (rgb.length === 3 || rgb[3] > 0) return rgb;
    }
    return [255, 255, 255];
  };
  const faint = [];
  for (const of of document.querySelectorAll('body *')) {
    const own = [...of.childNodes].some((x) => x.nodeType === 3 && x.textContent.trim());
    if (!own || of.closest('style, script') || !of.getClientRects().length) continue;
    const drawn = of.closest('svg') ? getComputedStyle(of).fill : getComputedStyle(of).color;
    const [a, b] = [light(parts(drawn)), light(ground(of))].sort((x, y) => y - x);
    if ((a + 0.05) / (b + 0.05) < 4.5) faint.push(of.textContent.trim().slice(0, 40));
  }
  return faint;
}"""
# Right edges of what a phone would have to be pushed sideways to see.
CUT = """() => [...document.querySelectorAll('td, th, p, .card, svg')].filter((of) => {
  const box = of.getBoundingClientRect();
  return box.width > 1 && box.right > document.documentElement.clientWidth + 1;
}).length"""


@pytest.mark.parametrize(
    ("width", "scheme"), [(1920, "light"), (1280, "dark"), (420, "light"), (420, "dark")]
)
def test_page_fits_and_asks_for_nothing(browser, page_file, width, scheme):
    guarded = Guarded(browser, "", width=width, height=900)
    asked = []
    guarded.page.on("request", lambda request: asked.append(request.url))
    guarded.page.emulate_media(color_scheme=scheme)
    guarded.page.goto(page_file.as_uri())
    assert guarded.page.evaluate(WIDER) <= 0
    assert guarded.page.evaluate(CUT) == 0
    assert guarded.page.evaluate(FAINT) == []
    ground = guarded.page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", ground)[:3])) < 200) == (scheme == "dark")
    assert asked == [page_file.as_uri()]
    assert guarded.errors == []
    guarded.close()


def test_a_phone_shows_the_value_before_the_words(browser, page_file):
    """The row of a table becomes its name, then the figure that matters, then all else, each with its label."""
    guarded = Guarded(browser, "", width=420, height=900)
    page = guarded.page
    page.goto(page_file.as_uri())
    row = page.locator("section", has_text="What each family would save").locator("tbody tr").first
    tops = {
        name: row.locator(name).first.bounding_box()["y"]
        for name in ("td.name", "td[data-l=labels]")
    }
    assert tops["td.name"] < tops["td[data-l=labels]"]
    assert page.locator("table thead").first.bounding_box()["height"] <= 1
    label = page.evaluate(
        "() => getComputedStyle(document.querySelector('td[data-l]'), '::before').content"
    )
    assert label.strip('"')
    quality = page.locator("section", has_text="Quality and effort").locator("tbody tr").first
    figure, words = (quality.locator(x).bounding_box()["y"] for x in ("td.first", "td.basis"))
    assert figure < words
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


def test_paper_has_tables_with_heads_and_none_is_cut(browser, page_file):
    """A sheet is hardly wider than a phone, and is none: rows stay rows under their heads."""
    page = browser.new_page(viewport={"width": 703, "height": 1000})
    page.goto(page_file.as_uri())
    page.emulate_media(media="print")
    assert page.evaluate(CUT) == 0
    assert page.evaluate(WIDER) <= 0
    heads = page.locator("table thead").all()
    assert len(heads) > 4
    for head in heads:
        assert head.bounding_box()["height"] > 5
    row = page.locator("section", has_text="What each family would save").locator("tbody tr").first
    tops = {round(cell.bounding_box()["y"]) for cell in row.locator("td").all()}
    assert len(tops) == 1
    page.close()


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
