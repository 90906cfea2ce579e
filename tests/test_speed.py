"""The tally's speed against DuckDB's own reading, in a process of its own."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent / "benchmarks" / "speed.py"


def measure(rows: int, folder: Path) -> dict:
    command = [sys.executable, str(SCRIPT), str(rows), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=600)
    return json.loads(done.stdout)


@pytest.mark.slow
def test_ten_million_items(tmp_path):
    found = measure(10_000_000, tmp_path)
    assert found["rows"] == 10_000_000
    # The aim is 3; measured 2.8 on a busy machine, 3.0 to 3.4 on a quiet one (DEVELOPERS.md).
    assert found["ratio"] <= 3.5
    assert found["peak_gb"] < 2.0
    assert found["signature_replay_ms"] < 0.2
    assert found["outcome_ms"] < 0.2


def test_a_setting_is_replayed_in_no_time(tmp_path):
    found = measure(500_000, tmp_path)
    # Processor time, many times the 0.07 ms measured: a look at 500,000 items would take longer yet.
    assert found["outcome_ms"] < 3.0


OPENED = """
import sys, time
from pathlib import Path
from optimiser.proposal.session import open_plant
begins = time.process_time()
with open_plant(Path(sys.argv[1])) as session:
    print(time.process_time() - begins, session._history is None)
"""


def test_a_plant_whose_opening_is_kept_opens_in_no_time(demo_plant, tmp_path):
    plant = tmp_path / "plant"
    shutil.copytree(demo_plant, plant)
    command = [sys.executable, "-c", OPENED, str(plant)]
    times = [
        subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
        for _ in range(3)
    ]
    assert [kept for _, kept in times] == ["False", "True", "True"]
    first, *again = (float(seconds) for seconds, _ in times)
    # Processor seconds: 4.7 and 0.35 with 1.5 million items (DEVELOPERS.md).
    assert min(again) < first / 3
