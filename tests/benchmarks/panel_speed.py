"""Seconds from a long history to a panel on the screen, and per slider step.

Run alone: ``python tests/benchmarks/panel_speed.py [ROWS] [FOLDER]`` prints the figures, those
to the eye in a real JupyterLab and Chromium. ``python tests/benchmarks/panel_speed.py demo [FOLDER]
[TIMES]`` does the same for the notebooks of the demo plant (60 days of 25,000 items, all families
proposed), the least and the median of several times, with the machine's load beside them.
"""

import json
import os
import shutil
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from browser.conftest import NOTEBOOKS, notebook_on
from browser.lab import CHROMIUM, FLAGS, KERNEL_IDLE, Guarded, running_lab
from playwright.sync_api import sync_playwright
from speed import live_recipe, write

from optimiser.cli import main
from optimiser.proposal.session import open_plant
from optimiser.recipe.table import write_recipe
from optimiser.views.panels.decision import DecisionPanel

FAMILY = "F3"
STEPS = 40


def in_the_kernel(plant: Path) -> dict[str, float]:
    """Return seconds of the panel and of slider steps, without a browser."""
    found: dict[str, float] = {}
    begins = time.perf_counter()
    session = open_plant(plant)
    found["read, check and tally"] = time.perf_counter() - begins
    begins = time.perf_counter()
    session.choice(FAMILY)
    found["search the family once"] = time.perf_counter() - begins
    begins = time.perf_counter()
    panel = DecisionPanel(session, FAMILY)
    found["panel made, kept search"] = time.perf_counter() - begins
    for opened, name in ((None, "slider step"), (0, "slider step, list of items open")):
        panel.details.selected_index = opened
        seconds = []
        for n in range(STEPS):
            control = panel.by_hand.controls[n % len(panel.by_hand.controls)]
            begins = time.perf_counter()
            control.value = (control.value + 1) % len(control.options)
            seconds.append(time.perf_counter() - begins)
        found[f"{name}, median"] = statistics.median(seconds)
        found[f"{name}, slowest"] = max(seconds)
    begins = time.perf_counter()
    prices = panel.choice.prices
    panel.price(replace(prices, cost_per_hour=prices.cost_per_hour * 2))
    found["price changed"] = time.perf_counter() - begins
    session.close()
    return found


def to_the_eye(plant: Path) -> dict[str, float]:
    """Return seconds until a browser shows the panel, and a slider's new counts."""
    found: dict[str, float] = {}
    home = Path(tempfile.mkdtemp())
    notebook_on(plant.parent, "decide.ipynb", plant.name, FAMILY)
    with running_lab(plant.parent, home) as lab, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        guarded = Guarded(browser, lab)
        guarded.run("decide.ipynb")
        page = guarded.page
        begins = time.perf_counter()
        page.locator(".opt-families select").last.select_option(index=_where(page, "not proposed"))
        page.wait_for_function(
            f"() => !document.querySelector('.opt-head h2').textContent.startsWith('{FAMILY} ')",
            timeout=120_000,
        )
        found["another family, not searched yet, to the eye"] = time.perf_counter() - begins
        begins = time.perf_counter()
        page.locator(".opt-families select").last.select_option(index=_where(page, f"{FAMILY} "))
        page.wait_for_function(
            f"() => document.querySelector('.opt-head h2').textContent.startsWith('{FAMILY} ')"
            " && document.querySelectorAll('.opt-panel svg').length > 1",
            timeout=60_000,
        )
        found["panel of a kept family, to the eye"] = time.perf_counter() - begins
        seconds = []
        handle = page.locator(".opt-limit-0 .noUi-handle")
        handle.focus()
        page.keyboard.press("Home")
        page.wait_for_timeout(1000)
        for n in range(16):
            seconds.append(page.evaluate(_STEP, "ArrowRight" if n < 8 else "ArrowLeft"))
        found["slider step to the eye, median"] = statistics.median(seconds) / 1000
        found["slider step to the eye, slowest"] = max(seconds) / 1000
        browser.close()
    return found


_STEP = """(key) => new Promise((done, fail) => {
  setTimeout(() => fail(new Error('no new counts within 10 s')), 10000);
  const table = document.querySelector('.opt-compare');
  const handle = document.querySelector('.opt-limit-0 .noUi-handle');
  const begins = performance.now();
  const watch = new MutationObserver(() => {
    watch.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - begins)));
  });
  watch.observe(table, { childList: true, subtree: true, characterData: true });
  handle.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
})"""


# Milliseconds from Run All to whatever is seen first of each; the sign says that the plant is read.
_RUN = """(wanted) => new Promise((done, fail) => {
  setTimeout(() => fail(new Error('not all was seen within 900 s')), 900000);
  const begins = performance.now();
  const found = {};
  const look = () => {
    for (const [name, [css, words]] of Object.entries(wanted)) {
      if (name in found) continue;
      const node = [...document.querySelectorAll(css)].find((x) => x.textContent.includes(words));
      if (node) found[name] = performance.now() - begins;
    }
    if (Object.keys(found).length === Object.keys(wanted).length) done(found);
    else requestAnimationFrame(look);
  };
  window.jupyterapp.commands.execute('notebook:run-all-cells');
  look();
})"""
# Milliseconds from a change of a control until a place of the panel is another, and drawn.
_CHANGE = """([control, value, place, before]) => new Promise((done, fail) => {
  setTimeout(() => fail(new Error('nothing changed within 60 s')), 60000);
  const node = document.querySelector(control);
  const begins = performance.now();
  const panel = node.closest('.opt-panel');
  const look = () => {
    const told = panel.querySelector(place).textContent;
    if (told !== before && panel.getAttribute('aria-busy') !== 'true')
      requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - begins)));
    else requestAnimationFrame(look);
  };
  if (node.tagName === 'SELECT') node.selectedIndex = value; else node.value = value;
  node.dispatchEvent(new Event('input', { bubbles: true }));
  node.dispatchEvent(new Event('change', { bubbles: true }));
  look();
})"""
_FIND = {
    "sign of life": [".opt-opening", "Reading"],
    "the plant in one sentence": [".opt-headline", "a month"],
    "bars of false calls": [".opt-origins svg", ""],
}
_DECIDE = {
    "sign of life": [".opt-opening", "Reading"],
    "verdict of a family": [".opt-says", "a month"],
    "drawings": [".opt-spread svg", ""],
}
_OUT = ".jp-OutputArea-output"
_TRUST = {
    "sign of life": [".opt-opening", "Reading"],
    "risks at the workmanship bounds": [_OUT, "Risks at the workmanship bounds"],
    "calls that do not repeat": [_OUT, "Calls that do not repeat"],
    "the audit plan": [_OUT, "Audit plan"],
    "promised and followed, the last": [_OUT, "Promised and followed"],
}


def notebooks_of_the_demo(plant: Path, times: int) -> dict[str, list[float]]:
    """Return seconds to the eye of what is waited for most, each time in a kernel of its own."""
    found: dict[str, list[float]] = {}

    def note(name: str, milliseconds: float) -> None:
        found.setdefault(name, []).append(milliseconds / 1000)

    root = plant.parent
    for name in ("find", "decide", "trust"):
        shutil.copy(NOTEBOOKS / f"{name}.ipynb", root / f"{name}.ipynb")
        text = (root / f"{name}.ipynb").read_text().replace("demo-plant", plant.name)
        (root / f"{name}.ipynb").write_text(text)
    with (
        running_lab(root, Path(tempfile.mkdtemp())) as lab,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        for _ in range(times):
            for name, wanted in (("find", _FIND), ("decide", _DECIDE), ("trust", _TRUST)):
                guarded = Guarded(browser, lab)
                guarded.look(f"{name}.ipynb")
                page = guarded.page
                page.wait_for_function(KERNEL_IDLE)
                for what, ms in page.evaluate(_RUN, wanted).items():
                    note(f"{name}: Run All to {what}", ms)
                if name == "decide":
                    _switches(page, note)
                page.evaluate(_SHUT)
                guarded.close()
        browser.close()
    return found


_SHUT = """async () => {
  await window.jupyterapp.shell.currentWidget.sessionContext.shutdown();
}"""


def _switches(page, note) -> None:
    """Time a few families and a few prices."""
    page.wait_for_timeout(3000)
    families = page.locator(".opt-families select option").count()
    for n in range(1, min(families, 6)):
        before = page.evaluate("() => document.querySelector('.opt-head').textContent")
        note(
            "another kept family",
            page.evaluate(_CHANGE, [".opt-families select", n, ".opt-head", before]),
        )
    for value in ("17", "52", "33"):
        before = page.evaluate("() => document.querySelector('.opt-span').textContent")
        control = ".opt-prices input[type=number]"
        note("a price", page.evaluate(_CHANGE, [control, value, ".opt-span", before]))


def demo(folder: Path, times: int) -> None:
    """Print the least and the median of each figure, and the machine's load."""
    if not (folder / "plant.toml").exists():
        main(["demo", str(folder)])
    main(["propose", str(folder)])
    begins = os.getloadavg()
    found = notebooks_of_the_demo(folder, times)
    print(f"load {begins} before, {os.getloadavg()} after, {os.cpu_count()} cores")
    for name, seconds in found.items():
        print(f"{name}: least {min(seconds):.2f} s, median {statistics.median(seconds):.2f} s")


def _where(page, words: str) -> int:
    """Return the place of the first family in the list whose line holds some words."""
    options = page.locator(".opt-families select option").all_text_contents()
    return next(n for n, o in enumerate(options) if words in o.replace("\xa0", " "))


def measure(folder: Path) -> dict[str, float]:
    """Return all figures of a plant written by ``speed.write``."""
    write_recipe(live_recipe(), folder / "recipe.csv")
    kernel = in_the_kernel(folder)
    print(json.dumps(kernel, indent=1), file=sys.stderr)
    return kernel | to_the_eye(folder)


if __name__ == "__main__" and sys.argv[1:2] == ["demo"]:
    place = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(tempfile.mkdtemp()) / "demo-plant"
    demo(place, int(sys.argv[3]) if len(sys.argv) > 3 else 3)
elif __name__ == "__main__":
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    where = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(tempfile.mkdtemp()) / "long"
    if not where.exists():
        write(where, rows)
    print(json.dumps(measure(where), indent=1))
