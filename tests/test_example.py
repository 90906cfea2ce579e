"""The README's block and the example plant do what is said of them."""

import shutil
from pathlib import Path

import pytest

import optimiser

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def copied(tmp_path_factory):
    """The example plant where it may be written to."""
    root = tmp_path_factory.mktemp("example")
    shutil.copytree(
        ROOT / "data/example", root / "data/example", ignore=shutil.ignore_patterns("proposals")
    )
    return root


def test_the_readmes_block_runs_and_says_what_data_readme_says(copied, monkeypatch, capsys):
    block = (ROOT / "README.md").read_text(encoding="utf-8").split("```python\n")[1].split("```")[0]
    monkeypatch.chdir(copied)
    exec(compile(block, "README.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    told = {tuple(line.split()[:2]) for line in lines if "labelled defects" in line}
    assert told == {("CON-10", "change"), ("SOT-6", "keep"), ("ELCO-8", "gather")}
    assert any(" -> " in line and line.split()[2] != line.split()[4] for line in lines)
    assert lines[-2:] == ["0 entries in the ledger", "revision 1"]


def test_the_example_is_what_the_demo_writes(copied, tmp_path):
    """Items, limits and labels, family by family, as a demo of the same seed has them."""
    optimiser.write_demo(tmp_path / "demo", days=40, items_per_day=12_000, seed=7)
    with (
        optimiser.open_plant(copied / "data/example") as small,
        optimiser.open_plant(tmp_path / "demo") as whole,
    ):
        assert set(small.cases) == {"CON-10", "SOT-6", "ELCO-8"}
        for family, case in small.cases.items():
            tally, other = case.tally, whole.case(family).tally
            assert tally.items == other.items
            assert len(tally.defects.frame) == len(other.defects.frame)
            for one, two in zip(tally.grid.limits, other.grid.limits, strict=True):
                assert (one.measurement, one.side) == (two.measurement, two.side)
                assert one.values.tolist() == two.values.tolist()
            assert (tally.cells.count.sum(), len(tally.lots)) == (
                other.cells.count.sum(),
                len(other.lots),
            )
