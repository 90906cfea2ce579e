"""Which labels are misread goods: as many as stated, where goods are dense, and known again."""

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from stranger_plants import KINDS, make_stranger

from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.recipe.table import read_recipe
from optimiser.search.misread import LEAST_TRUE, chance_to_be_true
from optimiser.tally.count import is_called

KIND = replace(KINDS["misread"], families=4, lots=30, false_alarm=0.006, critical=False)


@pytest.fixture(scope="module")
def plants(tmp_path_factory):
    """Tallies of three plants with, for every labelled defect, whether it is one."""
    found = []
    for seed in (1, 2, 3):
        made = make_stranger(tmp_path_factory.mktemp("plant") / "p", KIND, seed)
        plant = read_plant(made.folder)
        live = read_recipe(made.folder / "recipe.csv", plant.file.measurements)
        with open_history(plant) as history:
            cases = make_cases(history, live, trials=1)
        truth = made.truth.set_index(["family", "board", "designator"])["is_defect"]
        for case in cases:
            frame = case.tally.defects.frame
            keys = zip(frame["board"], frame["designator"], strict=True)
            real = np.array([bool(truth.loc[(case.tally.family, *key)]) for key in keys])
            found.append((case.tally, real))
    return found


def judged(tally):
    """Labels that review gave and that some setting releases: those in doubt."""
    last = np.array([len(limit.z) for limit in tally.grid.limits])
    beyond = (tally.defects.ranks == last).all(axis=1)
    return (tally.defects.frame["found_by"] == "review").to_numpy() & ~beyond


def called_goods(tally):
    cells = tally.cells
    last = np.array([len(limit.z) for limit in tally.grid.limits])
    free = ~(cells.ranks == last).all(axis=1)
    return int(cells.count[cells.reviewed & free & is_called(tally.grid.live, cells.ranks)].sum())


def test_as_many_labels_are_expected_misread_as_the_rate_makes_of_called_goods(plants):
    doubted = [float((1 - chance_to_be_true(t, KIND.false_alarm)).sum()) for t, _ in plants]
    expected = [KIND.false_alarm * called_goods(t) for t, _ in plants]
    assert sum(doubted) == pytest.approx(sum(expected), rel=0.05)
    # Family by family as well, but for one with fewer labels in doubt than that.
    near = np.isclose(doubted, expected, rtol=0.05, atol=0.3)
    assert near.mean() > 0.8
    assert all(a < b + 0.3 for a, b in zip(doubted, expected, strict=True))


def test_chances_are_those_of_the_truth(plants):
    chance = np.concatenate([chance_to_be_true(t, KIND.false_alarm)[judged(t)] for t, _ in plants])
    real = np.concatenate([r[judged(t)] for t, r in plants])
    assert (~real).sum() > 100
    edges = [0.0, 0.25, 0.5, 0.75, 1.01]
    for low, high in pairwise(edges):
        held = (chance >= low) & (chance < high)
        error = (0.25 / max(held.sum(), 1)) ** 0.5
        assert real[held].mean() == pytest.approx(chance[held].mean(), abs=0.12 + 2.5 * error)
    # Who is told apart: a misread good is doubted more than a real defect.
    assert chance[~real].mean() < chance[real].mean() - 0.2


def test_a_label_looked_at_twice_is_not_doubted(plants):
    tally, _ = plants[0]
    frame = tally.defects.frame.copy()
    frame.loc[:, "found_by"] = "second look"
    again = replace(tally, defects=replace(tally.defects, frame=frame), looked_again=True)
    assert (chance_to_be_true(again, KIND.false_alarm) == 1).all()


def test_after_a_second_look_the_rest_is_not_doubted_for_those_found(plants):
    tally, _ = plants[0]
    rest = replace(tally, looked_again=True)
    before, after = (chance_to_be_true(t, KIND.false_alarm) for t in (tally, rest))
    assert (after >= LEAST_TRUE).all()
    # Without the balance the chances are those of the densities alone.
    assert not np.allclose(before, after)


def test_a_label_far_from_all_goods_is_true_and_one_alone_among_many_is_not(plants):
    tally, _ = plants[0]
    cells, limits = tally.cells, tally.grid.limits
    last = np.array([len(limit.z) for limit in limits])
    free = cells.reviewed & ~(cells.ranks == last).all(axis=1)
    row = int(np.argmax(cells.count * (free & is_called(tally.grid.live, cells.ranks))))
    dense = cells.ranks[row]
    far = dense.copy()
    n = int(np.argmax(dense > tally.grid.live))
    far[n] = len(limits[n].z) - 1
    frame = tally.defects.frame.iloc[[0, 0]].reset_index(drop=True)
    frame["found_by"] = "review"
    two = replace(
        tally.defects,
        frame=frame,
        ranks=np.stack([dense, far]),
        z=tally.defects.z[:2],
        settled=np.zeros(2, dtype=bool),
        scope=tally.defects.scope[:2],
        lot=tally.defects.lot[:2],
    )
    # A thousand goods lie exactly here, half a misread one among them, and no label but one.
    one = np.array([row])
    crowd = replace(cells, **{f.name: getattr(cells, f.name)[one] for f in fields(cells)})
    crowd = replace(crowd, count=np.array([1000]))
    alone = replace(tally, defects=two, cells=crowd, looked_again=True)
    chance = chance_to_be_true(alone, 0.0005)
    assert chance[0] == pytest.approx(0.1 / 0.6, abs=0.05)  # a label is no neighbour of its own
    assert chance[1] > 0.8
    # The one label, scaled until it is misread as often as one comes: to a fifth for half a one. Of
    # 0.3 the density may be scaled no further than to a sixth.
    first = {f.name: getattr(two, f.name)[:1] for f in fields(two)}
    balanced = replace(alone, defects=replace(two, **first), looked_again=False)
    for rate, true in ((0.0005, 0.5), (0.0003, 0.1 / (0.1 + 0.3 / 6))):
        assert chance_to_be_true(balanced, rate) == pytest.approx(true, abs=1e-3)
