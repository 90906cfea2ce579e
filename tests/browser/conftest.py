"""One JupyterLab and one Chromium for all browser tests; a folder with notebooks and plants."""

import json
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from browser.lab import CHROMIUM, FLAGS, PATIENCE_MS, Guarded, running_lab
from factories import make_demo, make_items, make_plant
from playwright.sync_api import expect, sync_playwright

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
TRIALS = 8
FAMILIES = (
    *("CAP-0402", "CAP-0603", "CON-10", "PASTE-CHIP"),
    *("PASTE-FINE", "QFP-32", "RES-0402", "SOT-6"),
)
# Who may sign in the demo plant: by their name, and by a key alone.
BY_NAME, BY_KEY = "Ada Fenn", "Ivy Lane"
QUIET = {"fetchNews": "false", "checkForUpdates": False}


@pytest.fixture(scope="session")
def root(tmp_path_factory) -> Path:
    """A folder with the notebooks, their searches short, and a small demo plant beside them."""
    folder = tmp_path_factory.mktemp("root")
    for path in NOTEBOOKS.glob("*.ipynb"):
        text = path.read_text(encoding="utf-8")
        text = text.replace("open_session(PLANT)", f"open_session(PLANT, trials={TRIALS})")
        (folder / path.name).write_text(text, encoding="utf-8")
    plant = make_demo(folder / "demo-plant", FAMILIES, days=20, items_per_day=12_000)
    key = folder / "a-key"
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "a key", "-f", str(key)]
    subprocess.run(command, check=True)
    public = key.with_suffix(".pub").read_text().strip()
    with (plant / "plant.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[signers."{BY_NAME}"]\n\n[signers."{BY_KEY}"]\nkey = "{public}"\n')
    return folder


@pytest.fixture(scope="session")
def lab(root, tmp_path_factory):
    """The address of a JupyterLab of our own."""
    home = tmp_path_factory.mktemp("home")
    settings = home / "JUPYTERLAB_SETTINGS_DIR" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    (settings / "notification.jupyterlab-settings").write_text(json.dumps(QUIET))
    with running_lab(root, home) as address:
        yield address


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium; where it is missing the test fails, it is never skipped."""
    if not Path(CHROMIUM).exists():
        pytest.fail(f"no {CHROMIUM}: apt-get install chromium")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield found
        found.close()


@pytest.fixture
def open_notebook(browser, lab):
    """Return a function that runs a notebook in a guarded page.

    At the end no foreign address was asked for, and the console holds no error.
    """
    opened = []

    def run(
        notebook: str, *, width: int = 1280, height: int = 2600, as_stored: bool = False
    ) -> Guarded:
        guarded = Guarded(browser, lab, width=width, height=height)
        opened.append(guarded)
        (guarded.look if as_stored else guarded.run)(notebook)
        return guarded

    yield run
    for guarded in opened:
        guarded.close()
        assert guarded.foreign == []
        assert guarded.errors == []


def notebook_on(root: Path, name: str, plant: str, family: str, *, trials: int = TRIALS) -> str:
    """Write a notebook that shows one family of one plant; return its name."""
    book = json.loads((NOTEBOOKS / "decide.ipynb").read_text())
    for cell in book["cells"]:
        text = "".join(cell["source"])
        text = text.replace('Path("demo-plant")', f'Path("{plant}")')
        text = text.replace("open_session(PLANT)", f"open_session(PLANT, trials={trials})")
        cell["source"] = text.replace(
            "DecisionPanel(session)", f'DecisionPanel(session, "{family}")'
        )
    (root / name).write_text(json.dumps(book))
    return name


def plant_without_defects(folder: Path) -> Path:
    """Write a plant where one family has no labelled defect."""
    items = make_items()
    for item in items:
        if item["family"] == "SOT" and item["verdict"] == "defect":
            item["verdict"] = "good" if item["called"] else None
            item["defect"] = None
            item["found_by"] = "review" if item["called"] else None
    return make_plant(folder, items=items)


def plant_with_many_measurements(folder: Path, *, measurements: int = 40) -> Path:
    """Write a plant whose one family has a lower and an upper limit on each of 40 measurements."""
    rng = np.random.default_rng(5)
    names = [f"quantity_{n + 1:02d}" for n in range(measurements)]
    size = 4000
    values = rng.normal(100, 6, (size, measurements)).round(1)
    bad = rng.random(size) < 0.02
    which = rng.integers(0, measurements, size)
    values[bad, which[bad]] += 30
    frame = pd.DataFrame(values, columns=names)
    called = ((values < 80) | (values > 120)).any(axis=1)
    frame = frame.assign(
        time=pd.Timestamp("2026-03-02") + pd.to_timedelta(np.arange(size) * 120, unit="s"),
        stage="post-reflow",
        product="LARK",
        board=[f"B{n // 8:05d}" for n in range(size)],
        lot=[f"L{n // 250:02d}" for n in range(size)],
        designator=[f"U{n % 8 + 1}" for n in range(size)],
        family="WIDE-80",
        called=called,
        verdict=np.where(called, np.where(bad, "defect", "good"), None),
        defect=np.where(called & bad, "lifted", None),
        found_by=np.where(called, "review", None),
    )
    recipe = [("family", "WIDE-80", name, "80", "120", "um") for name in names]
    toml = {
        "plant": {"name": "Heron Yard (invented)"},
        "measurements": {n: {"unit": "um", "step": 1.0, "repeatability": 0.5} for n in names},
        "families": {"WIDE-80": {}},
    }
    path = make_plant(folder, items=[], toml=toml, recipe=recipe, must_catch=None)
    (path / "history").mkdir(exist_ok=True)
    frame.to_csv(path / "history" / "results.csv", index=False)
    return path


def accept(panel, asked: str) -> None:
    """Accept what a panel shows, by mouse, once it asks about what is meant."""
    panel.get_by_role("button", name="Accept", exact=True).click()
    expect(panel.locator(".opt-question")).to_contain_text(asked)
    tick = panel.get_by_label("I sign although no change is advised")
    if tick.count():
        tick.check()
    panel.get_by_role("button", name="Confirm accept").click()
