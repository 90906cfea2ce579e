"""One panel through what happens to a page: reloaded, visited again, shown twice, zoomed, without a mouse."""

import json
import re

import pytest
from browser.conftest import BY_KEY, accept, notebook_on
from browser.lab import KERNEL_IDLE, PATIENCE_MS, Guarded
from browser.test_lab import CUT_OFF, OVERLAP
from playwright.sync_api import expect

from optimiser.ledger.ledger import LEDGER, Ledger

FAMILY = "CON-10"
NAME = "robust.ipynb"
SAVE = "() => window.jupyterapp.commands.execute('docmanager:save')"
MOST_TABS = 150


@pytest.fixture(scope="module")
def guarded(browser, lab, root):
    """One notebook with one panel that two cells show, run once for all tests here."""
    notebook_on(root, NAME, "demo-plant", FAMILY)
    book = json.loads((root / NAME).read_text())
    made = next(n for n, c in enumerate(book["cells"]) if "DecisionPanel(" in "".join(c["source"]))
    again = book["cells"][made] | {"id": "again", "source": "panel"}
    book["cells"].insert(made + 1, again)
    (root / NAME).write_text(json.dumps(book))
    found = Guarded(browser, lab, width=1280, height=2600)
    found.run(NAME)
    yield found
    found.close()


@pytest.fixture
def page(guarded):
    yield guarded.page
    assert guarded.foreign == []
    assert guarded.errors == []


def move(page, panel, key):
    """Move a slider of a view, one that stands between its ends, by a key; return what the view says then."""
    says = panel.locator(".opt-moves")
    before = says.inner_text()
    panel.locator(".opt-limit-2 .noUi-handle").focus()
    page.keyboard.press(key)
    expect(says).not_to_have_text(before, use_inner_text=True)
    return says.inner_text()


def tab_to(page, wanted):
    """Press Tab until a selector has the focus, as somebody without a mouse does."""
    for _ in range(MOST_TABS):
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", wanted):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{wanted} is not reached within {MOST_TABS} tabs")


@pytest.mark.slow
def test_two_views_of_a_panel_are_one_panel(page):
    first, second = page.locator(".opt-panel").all()
    point = first.locator(".opt-figures strong").first.inner_text()
    said = move(page, first, "ArrowRight")
    expect(second.locator(".opt-moves")).to_have_text(said, use_inner_text=True)
    for view in (first, second):
        expect(view.locator(".opt-figures")).to_contain_text("Set by hand")
    # The way back ends at the point itself.
    said = move(page, second, "ArrowLeft")
    expect(first.locator(".opt-moves")).to_have_text(said, use_inner_text=True)
    for view in (first, second):
        expect(view.locator(".opt-figures strong").first).to_have_text(point)
    second.get_by_label("Name").fill("Ada Fenn")
    second.get_by_label("Name").press("Tab")
    expect(first.get_by_label("Name")).to_have_value("Ada Fenn")
    # Each view greys and speaks for itself, and both answer.
    for view in (first, second):
        expect(view).to_have_attribute("aria-busy", "false")
        assert not view.locator(".opt-banner span").inner_text()


@pytest.mark.slow
@pytest.mark.ci
def test_without_a_mouse_to_a_signed_decision(page, root):
    panel = page.locator(".opt-panel").first
    panel.locator(".opt-families select").focus()
    tab_to(page, ".opt-limit-2 .noUi-handle")
    page.keyboard.press("ArrowRight")
    expect(panel.locator(".opt-figures")).to_contain_text("Set by hand")
    tab_to(page, ".opt-panel input[placeholder='who decides']")
    page.keyboard.press("Control+A")
    page.keyboard.type("Ada Fenn")
    page.keyboard.press("Tab")
    page.keyboard.type("no mouse at hand")
    # A name or reason that reaches the kernel after the question takes it back.
    for _ in range(2):
        page.wait_for_timeout(500)
        page.wait_for_function(KERNEL_IDLE, timeout=PATIENCE_MS)
    tab_to(page, ".opt-verdicts button")
    expect(page.locator(":focus")).to_have_text("Accept")
    page.keyboard.press("Enter")
    question = panel.locator(".opt-question")
    expect(question).to_contain_text(f"{FAMILY}: accept, signed by Ada Fenn")
    told = question.inner_text()
    tick = panel.get_by_label("I sign although no change is advised")
    if tick.count():
        tab_to(page, ".opt-question input[type=checkbox]")
        page.keyboard.press("Space")
    tab_to(page, ".opt-question .opt-verdicts button")
    expect(page.locator(":focus")).to_have_text("Confirm accept")
    page.keyboard.press("Enter")
    expect(panel.locator(".opt-status")).to_contain_text("Saved as row")
    proposal, decision = Ledger(root / "demo-plant" / LEDGER).entries()[-2:]
    assert (decision.kind, decision.by, decision.reason) == (
        *("accept", "Ada Fenn", "no mouse at hand"),
    )
    assert all(x["measurement"] in told for x in proposal.body["limits"])


@pytest.mark.slow
def test_at_125_percent_nothing_is_cut_and_the_mouse_hits(page, browser, lab, tmp_path):
    """What a browser's zoom does to a window of 1280 pixels: fewer and larger ones."""
    page.evaluate(SAVE)
    zoomed = Guarded(browser, lab, width=1024, height=2100, scale=1.25)
    zoomed.look(NAME)
    own = zoomed.page
    panel = own.locator(".opt-panel").first
    expect(panel.locator(".opt-trade svg").first).to_be_visible()
    expect(panel.locator(".opt-spread svg").first).to_be_visible()
    own.screenshot(path=tmp_path / "zoomed.png")
    assert own.evaluate("() => window.devicePixelRatio") == 1.25
    assert own.evaluate(CUT_OFF) == []
    assert own.evaluate(OVERLAP) == 0
    mark = panel.locator('.opt-trade path[aria-roledescription="point"][aria-label]')
    names = {m.get_attribute("aria-label") for m in mark.all()}
    # The last one lies apart; others may cover one another.
    name = max(n for n in names if re.fullmatch(r"\d\d", n))
    point = f'.opt-trade path[aria-roledescription="point"][aria-label="{name}"]'
    panel.locator(point).first.click()
    expect(panel.locator(".opt-points select")).to_have_value(re.compile(f"^{name} "))
    assert zoomed.foreign == []
    assert zoomed.errors == []
    zoomed.close()


def revisited(page, said):
    """A page that has just been opened on a living kernel shows what was shown, and answers."""
    page.wait_for_function(KERNEL_IDLE, timeout=PATIENCE_MS)
    panel = page.locator(".opt-panel").first
    expect(panel.locator(".opt-head h2")).to_contain_text(FAMILY)
    expect(panel.locator(".opt-moves")).to_have_text(said, use_inner_text=True)
    expect(panel.locator(".opt-trade svg").first).to_be_visible()
    assert "model not found" not in page.inner_text("body")
    assert move(page, panel, "ArrowRight") != said
    return move(page, panel, "ArrowLeft")


@pytest.mark.slow
def test_a_reload_and_a_second_visit_find_the_panel_as_it_was(guarded, page, browser, lab):
    said = move(page, page.locator(".opt-panel").first, "ArrowRight")
    page.evaluate(SAVE)
    page.reload()
    page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=PATIENCE_MS)
    said = revisited(page, said)
    page.evaluate(SAVE)
    other = Guarded(browser, lab, width=1280, height=2600)
    other.look(NAME)
    revisited(other.page, said)
    assert other.foreign == []
    assert other.errors == []
    other.close()


# Runs the cell that makes the panel once more.
RUN_AGAIN = """async () => {
  const notebook = window.jupyterapp.shell.currentWidget.content;
  notebook.activeCellIndex = notebook.widgets.findIndex((cell) =>
    cell.model.sharedModel.getSource().includes('DecisionPanel('));
  await window.jupyterapp.commands.execute('notebook:run-cell');
}"""


def named(panel, name, reason):
    """Say who decides and why, and wait until the kernel has heard it: later it takes a question back."""
    page = panel.page
    panel.get_by_label("Name").fill(name)
    panel.get_by_label("Reason").fill(reason)
    page.keyboard.press("Tab")
    page.wait_for_timeout(500)
    page.wait_for_function(KERNEL_IDLE, timeout=PATIENCE_MS)


def put_forward(panel):
    """Accept what is shown by somebody whose key has to sign."""
    accept(panel, f"signed by {BY_KEY}")
    expect(panel.locator(".opt-key")).to_contain_text("Until then it waits")
    expect(panel.locator(".opt-status")).to_contain_text("is in the ledger and waits")


@pytest.mark.slow
@pytest.mark.ci
def test_what_a_key_has_not_signed_is_left_waiting_or_withdrawn(page, root):
    panel = page.locator(".opt-panel").first
    ledger = Ledger(root / "demo-plant" / LEDGER)
    move(page, panel, "ArrowRight")
    named(panel, BY_KEY, "the key is at home")
    put_forward(panel)
    panel.get_by_role("button", name="Leave it waiting").click()
    expect(panel.locator(".opt-key .widget-html")).to_have_count(0)
    expect(panel.locator(".opt-status")).to_contain_text("waits unsigned")
    last = ledger.states()[-1]
    assert (last.entry.family, last.state) == (FAMILY, "waiting")
    put_forward(panel)
    panel.get_by_role("button", name="Withdraw it").click()
    expect(panel.locator(".opt-status")).to_contain_text(f"is withdrawn by {BY_KEY}")
    expect(panel.locator(".opt-key .widget-html")).to_have_count(0)
    expect(panel.locator(".opt-head")).to_contain_text("Withdrawn")
    last = ledger.states()[-1]
    assert (last.state, last.last.by) == ("withdrawn", BY_KEY)
    assert not [e for e in ledger.entries(kind="accept") if e.by == BY_KEY]


@pytest.mark.slow
@pytest.mark.ci
def test_a_cell_that_is_run_again_lets_the_earlier_panel_go(page):
    """The second cell goes on showing the panel that the first one has replaced."""
    new, old = page.locator(".opt-panel").first, page.locator(".opt-panel").nth(1)
    expect(old.locator(".opt-holds")).not_to_contain_text("Its cell was run again")
    page.evaluate(RUN_AGAIN)
    expect(old.locator(".opt-holds")).to_contain_text("Its cell was run again")
    expect(new.locator(".opt-trade svg").first).to_be_visible()
    expect(new.locator(".opt-holds")).not_to_contain_text("Its cell was run again")
    new.locator(".opt-filter").get_by_role("button", name="Filter", exact=True).click()
    new.get_by_label("Hour from").fill("6")
    new.get_by_label("to, UTC").fill("14")
    new.get_by_label("to, UTC").press("Tab")
    expect(new.locator(".opt-filtered")).to_contain_text("6")
    held = new.locator(".opt-filtered").inner_text()
    assert held != old.locator(".opt-filtered").inner_text()
    expect(old.locator(".opt-holds")).to_contain_text("Its cell was run again")
