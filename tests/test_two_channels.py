"""Capture and recapture of inspection and test: published figures, counts, and its limits."""

import numpy as np
import pytest
from factories import make_items, make_plant, table, write_rows
from hypothesis import given
from hypothesis import strategies as st

from optimiser.cli import main
from optimiser.errors import UsageError
from optimiser.evidence.two_channels import Channels, two_channels
from optimiser.history.contract import KEY
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.studies.channels import count_channels


def channels(first, second, both) -> Channels:
    return Channels(defect="bridge", inspection=first, test=second, both=both)


# (inspection, test, both), Lincoln-Petersen, Chapman, its standard error, Sadinle 95 %.
FIGURES = {
    # Encyclopaedia article "Mark and recapture", turtles: prints 28 and [22, 65]. From memory.
    "turtles": ((10, 15, 5), 30.0, 28.333, 5.909, (21.94, 64.67)),
    # Nahin's proofreading exercise: 30, 25 and 5 typos leave 100 that nobody saw. From memory.
    "proofreading": ((30, 25, 5), 150.0, 133.33, 39.99, (83.2, 317.8)),
    # The example inputs of the R package recapr; figures recomputed, not printed there.
    "recapr": ((100, 100, 20), 500.0, 484.762, 82.03, (363, 724)),
    # The example inputs of the R package fishmethods (mrN.single); figures recomputed.
    "fishmethods": ((948, 421, 167), 2389.87, 2382.80, 129.06, (2159, 2674)),
    # Recomputed only: channels that overlap much.
    "much overlap": ((200, 150, 120), 250.0, 249.835, 6.386, (240.4, 267.7)),
}


@pytest.mark.parametrize("name", FIGURES)
def test_published_figures(name):
    counts, plain, chapman, error, ends = FIGURES[name]
    found = two_channels(channels(*counts))
    assert found.plain == pytest.approx(plain, abs=0.005)
    assert found.defects.value == pytest.approx(chapman, abs=0.006)
    assert found.error == pytest.approx(error, abs=0.006)
    digits = 0.006 if name == "turtles" else 0.06 if isinstance(ends[0], float) else 0.6
    assert (found.defects.low, found.defects.high) == pytest.approx(ends, abs=digits)


def test_turtles_as_printed_and_typos_that_nobody_saw():
    turtles = two_channels(channels(10, 15, 5)).defects
    assert (round(turtles.value), round(turtles.low), round(turtles.high)) == (28, 22, 65)
    typos = two_channels(channels(30, 25, 5))
    assert typos.plain - typos.channels.seen == 100


@given(st.integers(1, 300), st.integers(0, 300), st.integers(0, 300))
def test_nothing_seen_is_ever_unseen_and_channels_are_alike(both, only_first, only_second):
    counts = channels(both + only_first, both + only_second, both)
    found = two_channels(counts)
    swapped = two_channels(channels(both + only_second, both + only_first, both))
    assert found.defects.value == pytest.approx(swapped.defects.value)
    assert found.defects.high == pytest.approx(swapped.defects.high)
    assert found.unseen.value >= -1e-9
    assert 0 <= found.unseen.low <= found.unseen.high
    assert found.defects.value <= found.plain + 1e-9


def test_a_test_that_sees_only_what_passed_tells_nothing():
    with pytest.raises(UsageError, match="no defect was found by both channels"):
        two_channels(channels(40, 12, 0))
    with pytest.raises(UsageError, match="0 <= both <= inspection, test must hold"):
        two_channels(channels(4, 12, 5))


def test_shared_difficulty_hides_misses():
    """statistics.md 3.4: with difficulty shared, it says fewer unseen than there are."""
    rng = np.random.default_rng(5)
    true, said = [], []
    for _ in range(300):
        hard = rng.normal(0, 2, size=400)
        found = [
            rng.random(400) < 1 / (1 + np.exp(-(np.log(q / (1 - q)) - hard))) for q in (0.9, 0.7)
        ]
        counts = channels(*(int(f.sum()) for f in found), int((found[0] & found[1]).sum()))
        true.append(400 - counts.seen)
        said.append(two_channels(counts).unseen.value)
    assert np.mean(said) < 0.5 * np.mean(true)


def test_independent_channels_are_estimated_without_bias():
    rng = np.random.default_rng(6)
    said = []
    for _ in range(2000):
        found = [rng.random(400) < q for q in (0.9, 0.7)]
        both = int((found[0] & found[1]).sum())
        said.append(two_channels(channels(*(int(f.sum()) for f in found), both)).defects.value)
    error = np.std(said) / np.sqrt(len(said))
    assert abs(np.mean(said) - 400) < 5 * error


@pytest.fixture
def tested(tmp_path):
    """A plant where test also judged items that inspection called."""
    items = make_items()
    reviewed = [i for i in items if i["found_by"] == "review" and i["verdict"] == "defect"]
    escaped = [i for i in items if i["found_by"] == "test"]
    assert len(reviewed) > 5
    assert escaped
    make_plant(tmp_path, items=items, toml=table(plant={"verdicts": "test.csv"}))
    rows = [
        {**{c: i[c] for c in KEY}, "verdict": "defect", "defect": "shifted", "found_by": "test"}
        for i in reviewed[:5]
    ]
    write_rows(tmp_path / "test.csv", (*KEY, "verdict", "defect", "found_by"), rows)
    return tmp_path, len(reviewed), len(escaped)


def test_counts_come_from_results_and_later_verdicts(tested):
    folder, reviewed, escaped = tested
    with open_history(read_plant(folder)) as history:
        (found,) = count_channels(history)
    assert (found.defect, found.inspection, found.test) == ("shifted", reviewed, escaped + 5)
    assert (found.both, found.seen) == (5, reviewed + escaped)


def test_the_command_calls_it_a_lower_bound(tested, tmp_path_factory, capsys):
    assert main(["audit", str(tested[0]), "--channels"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "both missed at least" in shown
    assert "A lower bound, never a proof" in shown
    plain = make_plant(tmp_path_factory.mktemp("plain"))
    assert main(["audit", str(plain), "--channels"]) == 0
    assert "unknown" in capsys.readouterr().out
