"""What many tests share: one small demo plant, written once."""

import os
import tempfile
from pathlib import Path

import hypothesis
import pytest

from optimiser.demo.write import write_demo

# The seal's key of whoever runs the tests is none of theirs.
os.environ["OPTIMISER_SEAL_KEY"] = str(Path(tempfile.mkdtemp(prefix="optimiser-tests-")) / "key")


# Property tests that ask for no number themselves; --hypothesis-profile=thorough takes its time.
hypothesis.settings.register_profile("house", max_examples=40, deadline=None)
hypothesis.settings.register_profile("thorough", max_examples=1_000, deadline=None)
hypothesis.settings.load_profile("house")


@pytest.fixture(scope="session")
def demo_plant(tmp_path_factory) -> Path:
    """A demo of 24 days with 10,000 items each; read it, do not change it."""
    folder = tmp_path_factory.mktemp("demo") / "plant"
    write_demo(folder, days=24, items_per_day=10_000, seed=7)
    return folder
