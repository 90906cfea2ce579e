"""The proof, recounted from the raw items: later lots only, added escapes only, safest first."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from stranger_judge import limits_of
from stranger_plants import KINDS, make_stranger

from optimiser.evidence.certificate import certify_front
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.opening import early_lots
from optimiser.proposal.proof import ALPHA, DELTA, shortlist
from optimiser.proposal.propose import _search, problem_of, proof_of
from optimiser.recipe.table import read_recipe

# Many labels, a third of them found by test alone: what the live recipe passes is no label to
# certify escapes added on.
SMALL = replace(
    KINDS["suppliers"],
    families=1,
    lots=24,
    per_lot=300,
    defects=400.0,
    measurements=4,
    coverage=0.9,
    depth=(1.5, 4.0),
    price=(30.0, 30.0),
)


@pytest.fixture(scope="module")
def plant(tmp_path_factory):
    made = make_stranger(tmp_path_factory.mktemp("plant") / "p", SMALL, seed=3)
    read = read_plant(made.folder)
    live = read_recipe(made.folder / "recipe.csv", read.file.measurements)
    with open_history(read) as history:
        (case,) = make_cases(history, live, trials=16, proof=True)
    return made, case


@pytest.fixture(scope="module")
def later(plant):
    """Items of the lots after the cut, lots in order of time."""
    made, _ = plant
    (file,) = sorted(made.folder.rglob("*.parquet"))
    frame = pd.read_parquet(file)
    first = frame.groupby("lot")["time"].min().sort_values()
    return frame[frame["lot"].isin(first.index[early_lots(len(first)) :])]


@pytest.fixture(scope="module")
def proof(plant):
    return proof_of(plant[1])


def counted(family, frame, limits):
    """What a setting does to some items, from their numbers alone."""
    x = frame[[f"m{i:02d}" for i in range(len(family.scale))]].to_numpy(np.float32)
    live = family.called(x, family.lower, family.upper)
    new = family.called(x, *limits_of(family, limits))
    defect = (frame["verdict"] == "defect").to_numpy()
    return {
        "added": int((defect & live & ~new).sum()),
        "escapes": int((defect & ~new).sum()),
        "false_calls_saved": int((~defect & live).sum()) - int((~defect & new).sum()),
    }


def test_every_setting_is_counted_on_the_later_lots_alone(plant, proof, later):
    (family,) = plant[0].families
    assert len(proof.settings) > 2
    for tested in proof.settings:
        found = counted(family, later, [m.as_dict() for m in tested.limits])
        assert {name: getattr(tested, name) for name in found} == found
    assert proof.later_defects == (later["verdict"] == "defect").sum()
    assert (proof.early_lots, proof.later_lots) == (14, later["lot"].nunique())
    # Of the setting that would have been proposed the proof says what followed.
    assert (
        proof.forward.followed_false_calls_saved,
        proof.forward.followed_escapes_added,
    ) in {(t.false_calls_saved, t.added) for t in proof.settings}


def test_what_the_earlier_lots_hold_is_not_among_it(plant, later, proof):
    """Or a proof on all lots would pass the test before."""
    (family,) = plant[0].families
    frame = pd.read_parquet(next(plant[0].folder.rglob("*.parquet")))
    limits = [[m.as_dict() for m in t.limits] for t in proof.settings]
    assert [counted(family, frame, x) for x in limits] != [
        counted(family, later, x) for x in limits
    ]


def test_added_escapes_are_certified_on_defects_that_the_live_recipe_calls(plant, proof, later):
    (family,) = plant[0].families
    case = plant[1].early
    problem, _ = problem_of(case)
    study = _search(case, problem, None).study
    rows = shortlist(study)
    defects = later[later["verdict"] == "defect"]
    x = defects[[f"m{i:02d}" for i in range(len(family.scale))]].to_numpy(np.float32)
    live = family.called(x, family.lower, family.upper)
    assert 0.1 < (~live).mean() < 0.9  # or all defects and those would be the same
    # The proof's settings come from the safest on; bring them back into the study's order.
    tuning = study.trials.escape_cost[rows]
    assert len(set(tuning)) == len(tuning)
    order = np.argsort(tuning)
    escapes = np.empty((len(rows), live.sum()), dtype=bool)
    for place, tested in zip(order, proof.settings, strict=True):
        limits = [m.as_dict() for m in tested.limits]
        escapes[place] = ~family.called(x[live], *limits_of(family, limits))
    lot = pd.factorize(defects["lot"])[0][live]
    own = int(np.flatnonzero(rows == study.recommended)[0])
    (place,) = np.flatnonzero(order == own)
    assert proof.escapes == proof.settings[place].escapes
    assert proof.escapes_now == (~live).sum()
    assert proof.price == proof.settings[place].best_between_money
    assert (proof.first, proof.last) == (defects["time"].min().date(), defects["time"].max().date())
    for bad, shown in ((escapes, True), (~escapes, False)):
        found = certify_front(
            bad, lot, false_calls=np.zeros(len(rows)), tuning=tuning, alpha=ALPHA, delta=DELTA
        )
        same = [bool(i in found.certified) for i in order] == [
            t.certified_added for t in proof.settings
        ] and found.certificates[own] == proof.added
        assert same == shown


def test_settings_are_tested_from_the_one_that_looked_safest_on_the_earlier_lots(plant, proof):
    case = plant[1].early
    study = _search(case, problem_of(case)[0], None).study
    rows = shortlist(study)
    looked = np.sort(study.trials.escape_cost[rows])
    moved = {
        tuple((m.measurement, m.side, m.proposed) for m in t.limits): n
        for n, t in enumerate(proof.settings)
    }
    limits, seen = case.tally.grid.limits, []
    for row in rows:
        setting = study.trials.settings[row]
        name = tuple(
            (limit.measurement, limit.side, float(limit.values[j]))
            for limit, j in zip(limits, setting, strict=True)
            if j != limit.live
        )
        seen.append((moved[name], study.trials.escape_cost[row]))
    ordered = [cost for _, cost in sorted(seen)]
    np.testing.assert_allclose(ordered, looked)
    assert looked[0] < looked[-1]
    certified = [t.certified_added for t in proof.settings]
    assert certified == sorted(certified, reverse=True)


def test_some_settings_are_certified_and_some_are_not(proof):
    """Or the order in which they are tested could be any."""
    certified = [t.certified_added for t in proof.settings]
    assert 0 < sum(certified) < len(certified)
