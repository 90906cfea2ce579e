"""What many tests share: one small demo plant, written once."""

import os
import tempfile
from pathlib import Path

import hypothesis
import pytest

from optimiser.demo.write import write_demo

# Files of the most seconds, the most first: workers take whole files in this order, and whoever
# takes the last one should not work on for long when the others have ended.
LONGEST = (
    *("test_lab", "test_digest", "test_panels", "test_whole_loop", "test_learn", "test_nightly"),
    *("test_start", "test_causes", "test_damage", "test_propose", "test_notebooks", "test_stages"),
    *("test_open_data", "test_study", "test_stated_rates", "test_begin", "test_relabel"),
    # Those of the slow tests that run in CI as well.
    *("test_strangers", "test_honesty", "test_watch", "test_robust"),
)

# The seal's key of whoever runs the tests is none of theirs.
os.environ["OPTIMISER_SEAL_KEY"] = str(Path(tempfile.mkdtemp(prefix="optimiser-tests-")) / "key")


# Property tests that ask for no number themselves; --hypothesis-profile=thorough takes its time.
hypothesis.settings.register_profile("house", max_examples=40, deadline=None)
hypothesis.settings.register_profile("thorough", max_examples=1_000, deadline=None)
hypothesis.settings.load_profile("house")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; within a file the order stays."""
    place = {name: n for n, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))


@pytest.fixture(scope="session")
def demo_plant(tmp_path_factory) -> Path:
    """A demo of 24 days with 10,000 items each; read it, do not change it."""
    folder = tmp_path_factory.mktemp("demo") / "plant"
    write_demo(folder, days=24, items_per_day=10_000, seed=7)
    return folder
