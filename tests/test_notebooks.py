"""Every notebook runs top to bottom on a demo plant, is stored without outputs, names its kernel."""

import os
import shutil
from pathlib import Path

import nbformat
import pytest
from factories import make_demo
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_stored_clean(path):
    book = nbformat.read(path, as_version=4)
    assert book.metadata["kernelspec"]["name"] == "python3"
    assert "Run All" in book.cells[0].source
    code = [c for c in book.cells if c.cell_type == "code"]
    assert all(not c.outputs and c.execution_count is None for c in code)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    families = ("CAP-0402", "CON-10", "PASTE-CHIP", "PASTE-FINE", "QFP-32", "RES-0402")
    folder = tmp_path_factory.mktemp("written") / "plant"
    return make_demo(folder, families, days=16, items_per_day=5_000, seed=11)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # zmq's and jupyter_client's own
def test_runs_top_to_bottom(path, written, tmp_path, monkeypatch):
    for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
        monkeypatch.setenv(name, str(tmp_path / name))
    shutil.copytree(written, tmp_path / "demo-plant")
    book = nbformat.read(path, as_version=4)
    client = NotebookClient(
        book,
        timeout=600,
        store_widget_state=False,
        resources={"metadata": {"path": str(tmp_path)}},
    )
    client.execute(env={**os.environ, "MPLBACKEND": "agg"})
    shown = [o for c in book.cells if c.cell_type == "code" for o in c.outputs]
    assert not [o for o in shown if o.output_type == "error"]
    tables = [o for o in shown if "text/html" in o.get("data", {})]
    assert len(tables) >= {"trust": 4}.get(path.stem, 0)
    views = [o for o in shown if "application/vnd.jupyter.widget-view+json" in o.get("data", {})]
    assert len(views) >= {"find": 3, "decide": 1, "trust": 2, "follow": 5}[path.stem]
