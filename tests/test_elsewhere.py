"""What the plant's other families release: counted on unseen lots, of the others alone."""

import shutil
from dataclasses import replace

import numpy as np
import pytest

from optimiser.evidence.escapes import Released, added_beforehand
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal import all_families, elsewhere
from optimiser.proposal.all_families import make_cases, open_whole, pose_all
from optimiser.proposal.cache import case_key
from optimiser.proposal.elsewhere import quickly_released
from optimiser.proposal.opening import keep_opening, read_opening
from optimiser.proposal.propose import problem_of, what_to_gather
from optimiser.recipe.table import read_recipe
from optimiser.search.crossfit import fit, fold_lots
from optimiser.search.pose import pose
from optimiser.search.study import prior_way

FAMILY = "RES-0402"


@pytest.fixture(scope="module")
def cases(demo_plant):
    plant = read_plant(demo_plant)
    live = read_recipe(demo_plant / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        return make_cases(history, live)


def of(cases, family):
    return next(c for c in cases if c.tally.family == family)


def passes(setting, ranks) -> bool:
    return all(rank <= level for rank, level in zip(ranks, setting, strict=True))


def test_a_family_is_told_of_all_others_and_not_of_itself(cases):
    own = {c.tally.family: quickly_released(c) for c in cases}
    assert sum(x is not None for x in own.values()) > 5
    assert any(x is None for x in own.values()), "a family too thin to be searched says nothing"
    for case in cases:
        others = [x for name, x in own.items() if x is not None and name != case.tally.family]
        assert sorted(case.elsewhere, key=repr) == sorted(others, key=repr)


@pytest.mark.parametrize("obeys", [False, True])
def test_it_is_counted_one_by_one_in_lots_the_fit_had_not_seen(cases, monkeypatch, obeys):
    case = of(cases, FAMILY)
    # A family that may release no known defect releases as one whose review is worth a quarter.
    monkeypatch.setattr(type(case.plant.file), "obeys_labels", lambda *_: obeys)
    problem, _ = problem_of(case)
    lot_fold = fold_lots(problem)
    fitted = []

    def watched(part, way):
        fitted.append((part, fit(part, way)))
        return fitted[-1][1]

    monkeypatch.setattr(elsewhere, "fit", watched)
    found = quickly_released(case)
    assert found is not None
    assert len(fitted) == lot_fold.max() + 1
    kept = np.empty((0, problem.m), dtype=np.int64)
    for fold, (part, setting) in enumerate(fitted):
        # All that the fit saw is what the other lots pose by themselves.
        alone = pose(case.tally, case.siblings, case.plant, kept, lot_fold != fold)
        assert part.counts.toarray()[:, lot_fold == fold].sum() == 0
        assert (part.defect_z == alone.defect_z).all()
        assert (part.defect_weight == alone.defect_weight).all()
        assert (setting == fit(alone, prior_way(alone))).all()
    labels = zip(problem.defect_ranks, problem.defect_called, problem.defect_lot, strict=True)
    escaped = sum(
        bool(called and passes(fitted[lot_fold[lot]][1], ranks)) for ranks, called, lot in labels
    )
    assert found.escaped == escaped > 0
    cells = case.tally.cells
    reviewed, saved, live_calls = 0, 0, 0
    for n in range(len(cells.count)):
        ranks, setting = cells.ranks[n], fitted[lot_fold[cells.lot[n]]][1]
        count = int(cells.count[n])
        if passes(problem.live, ranks):
            continue
        live_calls += count
        if passes(setting, ranks):
            saved += count
            reviewed += count * bool(cells.reviewed[n] and not cells.settled[n])
    review = case.plant.file.review_of(FAMILY)
    assert found.misread == pytest.approx(review.false_alarm_rate * reviewed)
    price = np.average(
        problem.defect_price[problem.defect_called],
        weights=problem.defect_weight[problem.defect_called],
    )
    worth = saved * problem.false_call_cost / (price * (1 - problem.miss_rate))
    worth *= 0.25 if obeys else 1
    assert found.beforehand == pytest.approx(
        added_beforehand(
            worth,
            of=problem.defect_called.sum(),
            left=1 - saved / live_calls,
            limits=problem.m,
        )
    )


def test_only_what_is_told_is_fitted_and_nobody_is_told_of_itself(demo_plant, cases, monkeypatch):
    fitted = []

    def watched(case):
        fitted.append(case.tally.family)
        return Released(escaped=len(fitted), misread=0.0, beforehand=1.0)

    monkeypatch.setattr(all_families, "quickly_released", watched)
    plant = read_plant(demo_plant)
    live = read_recipe(demo_plant / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        (alone,) = make_cases(history, live, family=FAMILY)
        others = [c.tally.family for c in cases if c.tally.family != FAMILY]
        assert sorted(fitted) == sorted(others)
        assert [x.escaped for x in alone.elsewhere] == list(range(1, len(others) + 1))
        fitted.clear()
        every = make_cases(history, live)
        assert len(fitted) == len(every) == len(others) + 1
        for case in every:
            own = fitted.index(case.tally.family) + 1
            told = [x.escaped for x in case.elsewhere]
            assert told == [n for n in range(1, len(every) + 1) if n != own]
        fitted.clear()
        (nothing,) = make_cases(history, live, family=FAMILY, promises=False)
    assert fitted == []
    assert nothing.elsewhere == ()


def test_what_is_kept_of_an_opening_tells_the_same(demo_plant, cases, tmp_path, monkeypatch):
    folder = shutil.copytree(demo_plant, tmp_path / "plant")
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        made = open_whole(history, live, ())
        keep_opening(plant, "a state", made, history)
    monkeypatch.setattr(all_families, "quickly_released", lambda _: pytest.fail("kept"))
    kept = read_opening(plant, "a state")
    assert kept.released == made.released
    posed = pose_all(plant, kept.tallied, released=kept.released)
    told = {c.tally.family: c.elsewhere for c in cases}
    assert {c.tally.family: c.elsewhere for c in posed} == told


def test_families_whose_calls_are_not_the_recipes_say_nothing(cases, demo_plant):
    plant = read_plant(demo_plant)
    live = read_recipe(demo_plant / "recipe.csv", plant.file.measurements)
    other = next(c.tally.family for c in cases if quickly_released(c) and c.tally.family != FAMILY)
    with open_history(plant) as history:
        posed = make_cases(history, live, unlike_recipe=[other])
    own = quickly_released(of(cases, other))
    told = list(of(cases, FAMILY).elsewhere)
    told.remove(own)
    assert list(of(posed, FAMILY).elsewhere) == told
    assert len(of(posed, other).elsewhere) == len(of(cases, other).elsewhere)


def test_what_others_release_is_part_of_what_a_kept_proposal_rests_on(cases):
    case = of(cases, FAMILY)
    assert len(case.elsewhere) > 0
    assert case_key(replace(case, elsewhere=case.elsewhere[1:])) != case_key(case)


def test_a_fit_that_loosens_nothing_says_nothing(cases, monkeypatch):
    case = of(cases, FAMILY)
    monkeypatch.setattr(elsewhere, "fit", lambda part, _: part.live)
    assert quickly_released(case) is None


def test_families_that_are_not_searched_are_not_fitted(cases, monkeypatch):
    monkeypatch.setattr(elsewhere, "fit", lambda *_: pytest.fail("is not searched"))
    thin = [c for c in cases if what_to_gather(c, problem_of(c)[0])]
    assert thin
    assert all(problem_of(c)[0].m > 0 for c in thin)
    assert [quickly_released(c) for c in thin] == [None] * len(thin)
    # Nor is one with an item that no setting may let pass and none calls.
    case = of(cases, FAMILY)
    monkeypatch.setattr(elsewhere, "problem_of", lambda c: (problem_of(c)[0], ["an item"]))
    assert quickly_released(case) is None


def test_after_a_second_look_no_more_are_misread_than_are_in_doubt_among_those_released(
    cases, monkeypatch
):
    case = of(cases, FAMILY)
    fitted = []

    def watched(part, way):
        fitted.append(fit(part, way))
        return fitted[-1]

    monkeypatch.setattr(elsewhere, "fit", watched)
    before = quickly_released(case)
    looked = replace(case, tally=replace(case.tally, looked_again=True))
    # So many goods misread that the labels in doubt are what is left to bound them.
    review = case.plant.file.review.model_copy(update={"false_alarm_rate": 0.05})
    file = case.plant.file.model_copy(update={"review": review})
    looked = replace(looked, plant=case.plant.model_copy(update={"file": file}))
    fitted.clear()
    after = quickly_released(looked)
    problem, _ = problem_of(looked)
    lot_fold = fold_lots(problem)
    released = [
        bool(called and passes(fitted[lot_fold[lot]], ranks))
        for ranks, called, lot in zip(
            problem.defect_ranks, problem.defect_called, problem.defect_lot, strict=True
        )
    ]
    in_doubt = problem.defect_weight < 1
    assert after.misread == (np.array(released) & in_doubt).sum() > 0
    assert after.misread < in_doubt.sum()
    assert before.misread != after.misread
