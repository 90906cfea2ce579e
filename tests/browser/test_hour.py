"""An engineer's hour: the worst designator of the worst limit, its items, a choice, a signature,
a revision and what followed; no code, no terminal."""

import re
from contextlib import contextmanager

import pytest
from browser.conftest import accept
from playwright.sync_api import expect

from optimiser.history.calls import false_calls_by
from optimiser.history.read import open_history
from optimiser.ledger.ledger import Ledger
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe

WIDER = """() => [...document.querySelectorAll('.opt-panel')]
  .filter((panel) => panel.scrollWidth > panel.clientWidth + 1).length"""
NAMELESS = """() => [...document.querySelectorAll('.opt-panel .noUi-handle, .opt-panel input, .opt-panel select')]
  .filter((node) => node.offsetParent && node.type !== 'hidden')
  .filter((node) => !(node.getAttribute('aria-label') || node.title || (node.labels || []).length))
  .map((node) => node.outerHTML.slice(0, 120))"""

PUSHED = """() => [...document.querySelectorAll('.opt-panel .opt-grid .dt-scroll-body')]
  .filter((table) => table.offsetParent && table.scrollWidth > table.clientWidth + 1).length"""
# Drawings that reach beyond their panel.
BEYOND = """() => [...document.querySelectorAll('.opt-panel .vega-embed > svg, .opt-panel .vega-embed svg.marks')]
  .filter((drawn) => drawn.getClientRects().length && drawn.getBoundingClientRect().right
    > drawn.closest('.opt-panel').getBoundingClientRect().right + 1).length"""
# Words and controls of a decision that lie beyond the panel's right edge; drawings are pushed sideways.
UNSEEN = """() => {
  const panel = document.querySelector('.opt-panel');
  const edge = panel.getBoundingClientRect().right + 1;
  return [...panel.querySelectorAll('.opt-row input, .opt-row .widget-html, .opt-why p, button, h2, h3')]
    .filter((node) => node.offsetParent && node.getBoundingClientRect().right > edge)
    .map((node) => node.outerHTML.slice(0, 120));
}"""
THEME = """(theme) => window.jupyterapp.commands.execute('apputils:change-theme',
  { theme: theme === 'dark' ? 'JupyterLab Dark' : 'JupyterLab Light' })"""
DARK_IS = "(dark) => (document.body.dataset.jpThemeLight === 'false') === dark"
TALL = 3400


def worst_bar(page, before=""):
    """Return the name of the topmost bar and click on it, once it is no longer the one before."""
    bars = page.locator('.opt-origins path[aria-roledescription="bar"]')
    expect(bars.first).not_to_have_attribute("aria-label", before)
    expect(bars.first).to_be_visible()
    name = bars.first.get_attribute("aria-label")
    bars.first.click()
    return name


@pytest.mark.slow
def test_an_hour_of_an_engineer(open_notebook, root, tmp_path):
    plant = read_plant(root / "demo-plant")
    live = read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)
    page = open_notebook("find.ipynb").page
    panel = page.locator(".opt-panel").first
    expect(panel.locator(".opt-headline")).to_contain_text(re.compile("advised|proposed"))
    trail = panel.locator(".opt-trail")
    family = worst_bar(page)
    expect(trail).to_contain_text(f"only family {family}")
    limit = worst_bar(page, family)
    expect(trail).to_contain_text(f"outside {limit}")
    place = worst_bar(page, limit)
    expect(trail).to_contain_text(f"designator {place}")
    with open_history(plant) as history:
        assert false_calls_by(history, live, "family")["name"][0] == family
    row = panel.locator(".opt-origins .dt-scroll-body table").last.locator("tbody tr").first
    row.locator("td").first.click()
    expect(panel.locator(".opt-item")).to_contain_text("decides")
    expect(panel.locator(".opt-neighbours")).to_contain_text("nearest in measurements")
    with page.expect_download() as saved:
        panel.locator(".opt-origins .opt-download").last.click()
    rows = saved.value.path().read_text(encoding="utf-8").splitlines()
    count = int(re.search(r"([\d,]+) called items: ", panel.inner_text())[1].replace(",", ""))
    assert len(rows) == count + 1
    panel.screenshot(path=tmp_path / "found.png")

    page = open_notebook("decide.ipynb").page
    panel = page.locator(".opt-panel")
    listed = panel.locator(".opt-families option", has_text=re.compile(rf"^{family}\s")).first
    panel.locator(".opt-families select").select_option(label=listed.inner_text())
    expect(panel.locator(".opt-head h2")).to_have_text(family, timeout=60_000)
    expect(panel).to_have_attribute("aria-busy", "false", timeout=60_000)
    assert page.evaluate(NAMELESS) == []
    field = panel.locator(".opt-number-0 input")
    field.fill("0")
    field.press("Tab")
    expect(panel.locator(".opt-says")).to_contain_text("Set by hand")
    panel.get_by_role("button", name="Pin to compare").click()
    panel.get_by_role("button", name="Undo").click()
    expect(panel.locator(".opt-compare")).to_contain_text("pinned: set by hand")
    panel.get_by_role("button", name="Best found").click()
    panel.get_by_label("Name").fill("Ada Fenn")
    panel.get_by_label("Reason").fill("an hour well spent")
    accept(panel, f"{family}: accept")
    expect(panel.locator(".opt-status")).to_contain_text("Saved as row")

    page = open_notebook("follow.ipynb").page
    waiting, export, watch, _, night = page.locator(".opt-panel").all()
    expect(waiting.locator(".dt-scroll-body table").last).to_contain_text("accepted")
    export.get_by_label("Name").fill("Ada Fenn")
    export.get_by_label("Reason").fill("released")
    export.get_by_role("button", name="Export", exact=True).click()
    expect(export.locator(".opt-question")).to_contain_text(family)
    export.get_by_role("button", name="Confirm export").click()
    expect(export.locator(".opt-status")).to_contain_text("Exported: revision")
    watch.get_by_role("button", name="See what followed").click()
    expect(watch.locator(".opt-watched")).to_contain_text(family, timeout=60_000)
    expect(night).to_contain_text("night")
    state = Ledger.of(plant).states()[-1]
    assert (state.entry.family, state.state) == (family, "exported")


@contextmanager
def themed(page, theme):
    """Show a page in a theme; the light one is back at the end."""
    page.evaluate(THEME, theme)
    page.wait_for_function(DARK_IS, arg=theme == "dark")
    page.locator("#jupyterlab-splash").wait_for(state="detached")  # it covers the page meanwhile
    try:
        yield
    finally:
        page.evaluate(THEME, "light")
        page.wait_for_function(DARK_IS, arg=False)


@pytest.mark.slow
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1920, 1280, 420])
def test_nothing_is_wider_than_its_panel(open_notebook, width, theme, tmp_path):
    for name in ("find", "decide", "follow"):
        page = open_notebook(f"{name}.ipynb", width=width, height=TALL).page
        with themed(page, theme):
            page.screenshot(path=tmp_path / f"{name}_{width}_{theme}.png")
            assert page.evaluate(WIDER) == 0, name
            if name == "decide":
                assert page.evaluate(UNSEEN) == []
            if name != "follow":
                page.wait_for_function(f"() => ({BEYOND})() === 0")
            if width < 500:
                page.wait_for_function(f"() => ({PUSHED})() === 0")
            # At a desk the table of the families stands whole; a phone shows its first columns.
            if name == "find" and width > 1000:
                assert page.evaluate(PUSHED) == 0
