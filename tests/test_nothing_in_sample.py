"""What a fit has seen never judges it: one defect planted in one fold, and who notices."""

from dataclasses import replace

import numpy as np
import pytest
from stranger_plants import KINDS, make_stranger

from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import _search, held_out, posed_by, problem_of
from optimiser.recipe.table import read_recipe
from optimiser.search.crossfit import fold_lots
from optimiser.search.pose import loosest_levels

TRIALS = 24
SMALL = replace(
    KINDS["misread"],
    families=2,
    lots=20,
    per_lot=300,
    defects=40.0,
    measurements=4,
    false_alarm=0.02,
)


@pytest.fixture(scope="module", params=[False, True], ids=["ordinary", "critical"])
def case(request, tmp_path_factory):
    """A family with a sibling, whose labels may be misread."""
    kind = replace(SMALL, critical=request.param)
    made = make_stranger(tmp_path_factory.mktemp("plant") / "p", kind, seed=4)
    text = (made.folder / "plant.toml").read_text(encoding="utf-8")
    for family in made.families:
        text = text.replace(
            f"[families.{family.name}]", f'[families.{family.name}]\ntermination = "t"'
        )
    (made.folder / "plant.toml").write_text(text, encoding="utf-8")
    plant = read_plant(made.folder)
    live = read_recipe(made.folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=TRIALS)
    found = min(cases, key=lambda c: c.tally.family)
    assert found.siblings
    return found


def planted(case, lot):
    """The case with one labelled defect of a lot moved: it now lies beyond every loose limit.

    The number of labels is the same, so folds are cut alike; what the label says is another.
    """
    defects, grid = case.tally.defects, case.tally.grid
    inside = np.flatnonzero(
        (defects.lot == lot) & defects.frame["live_called"].to_numpy(dtype=bool)
    )
    row = int(inside[0])
    ranks, z = defects.ranks.copy(), defects.z.copy()
    for n, limit in enumerate(grid.limits):
        # Just beyond the live limit on one, far inside on all others: it alone forbids loosening.
        ranks[row, n] = limit.live + 1 if n == 0 else 0
        z[row, n] = float(limit.z[limit.live]) + 1e-4 if n == 0 else float(limit.z[0]) - 5
    return replace(case, tally=replace(case.tally, defects=replace(defects, ranks=ranks, z=z)))


def lot_of_fold(case, fold):
    """A lot of a fold that holds a defect which review found."""
    problem, _ = problem_of(case)
    lot_fold = fold_lots(problem)
    called = problem.defect_lot[problem.defect_called]
    return int(called[lot_fold[called] == fold][0])


@pytest.mark.parametrize("fold", [0, 2, 4])
def test_no_fit_of_a_fold_sees_a_defect_that_is_planted_in_it(case, fold):
    other = planted(case, lot_of_fold(case, fold))
    one, two = (_search(c, problem_of(c)[0], None).study for c in (case, other))
    np.testing.assert_array_equal(one.lot_fold, two.lot_fold)
    fitted = np.array([origin == "trial" for origin in one.trials.origin])
    np.testing.assert_array_equal(
        one.trials.fold_settings[fitted, fold], two.trials.fold_settings[fitted, fold]
    )
    # Nor does the choice made for it: not what it weighs labels by, nor any score it looks at.
    np.testing.assert_array_equal(one.folds.weight[fold], two.folds.weight[fold])
    for name in ("nested_false_calls", "nested_near_escape"):
        np.testing.assert_array_equal(
            getattr(one.trials, name)[fitted, fold], getattr(two.trials, name)[fitted, fold]
        )
    assert one.chosen[fold] == two.chosen[fold]
    # The same defect is seen by everybody else, or this test would not bite.
    others = np.arange(len(one.chosen)) != fold
    assert (
        one.trials.fold_settings[fitted][:, others] != two.trials.fold_settings[fitted][:, others]
    ).any()
    assert (
        one.trials.nested_near_escape[fitted][:, others]
        != two.trials.nested_near_escape[fitted][:, others]
    ).any()


@pytest.mark.parametrize("fold", [0, 2, 4])
def test_what_a_fold_is_posed_holds_nothing_of_its_own_lots(case, fold):
    problem, _ = problem_of(case)
    lot_fold = fold_lots(problem)
    other = planted(case, lot_of_fold(case, fold))
    one, two = (posed_by(c, lot_fold != fold) for c in (case, other))
    for name in ("must_ranks", "defect_z", "defect_weight", "kin_z", "last", "defect_ranks"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))
    assert not np.isin(one.defect_lot, np.flatnonzero(lot_fold == fold)).any()
    assert one.counts.toarray()[:, lot_fold == fold].sum() == 0
    assert one.always[lot_fold == fold].sum() == 0
    held = int((lot_fold[problem.defect_lot] != fold).sum())
    assert len(one.defect_lot) == held < len(problem.defect_lot)
    lost = sum(
        int((s.defects.lot[:, None] == np.flatnonzero(lot_fold == fold)).any(axis=1).sum())
        for s in case.siblings
    )
    assert len(one.kin_price) + lost >= len(problem.kin_price) > len(one.kin_price)


def test_a_critical_familys_own_defects_are_judged_by_fits_that_did_not_obey_them(case):
    if not case.plant.file.families[case.tally.family].critical:
        pytest.skip("of critical families")
    problem, _ = problem_of(case)
    study = _search(case, problem, None).study
    assert (study.setting < problem.defect_ranks).any(axis=1)[problem.defect_called].all()
    for fold in range(len(study.chosen)):
        seen = posed_by(case, study.lot_fold != fold)
        own = int((problem.defect_called & (study.lot_fold[problem.defect_lot] == fold)).sum())
        assert len(problem.must_ranks) - len(seen.must_ranks) == own > 0
    # Held out, some of them escape: a promise of nothing would be in-sample.
    held = held_out(case, problem, study)
    assert held.escape[problem.defect_called].sum() > 0
    assert held.obeys
    file = case.plant.file
    without = file.model_copy(
        update={"rails": file.rails.model_copy(update={"off": ("critical",)})}
    )
    free = replace(case, plant=case.plant.model_copy(update={"file": without}))
    assert not held_out(free, problem, study).obeys


def test_a_limit_that_only_held_out_defects_tested_is_not_loosened_for_them(case):
    tally = case.tally
    tested = [
        n
        for n in range(len(tally.grid.limits))
        if (tally.defects.ranks[:, n] > tally.grid.live[n]).any()
    ]
    n = tested[0]
    lots = np.unique(tally.defects.lot[tally.defects.ranks[:, n] > tally.grid.live[n]])
    without = ~np.isin(np.arange(len(tally.lots)), lots)
    assert loosest_levels(tally, case.plant)[n] > tally.grid.live[n]
    assert loosest_levels(tally.only(without), case.plant)[n] == tally.grid.live[n]
