"""Every notebook runs top to bottom on a demo plant, is stored without outputs, names its kernel."""

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from optimiser.demo.write import write_demo

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


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # zmq's and jupyter_client's own
def test_runs_top_to_bottom(path, tmp_path, monkeypatch):
    for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
        monkeypatch.setenv(name, str(tmp_path / name))
    write_demo(tmp_path / "demo-plant", days=16, items_per_day=5_000, seed=11)
    book = nbformat.read(path, as_version=4)
    client = NotebookClient(
        book,
        timeout=240,
        store_widget_state=False,
        resources={"metadata": {"path": str(tmp_path)}},
    )
    client.execute(env={**os.environ, "MPLBACKEND": "agg"})
    shown = [o for c in book.cells if c.cell_type == "code" for o in c.outputs]
    assert not [o for o in shown if o.output_type == "error"]
    assert any("text/html" in o.get("data", {}) for o in shown)
    views = [o for o in shown if "application/vnd.jupyter.widget-view+json" in o.get("data", {})]
    assert len(views) >= {"find": 2, "decide": 1, "trust": 1}[path.stem]
