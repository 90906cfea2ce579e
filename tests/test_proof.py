"""The proof, recounted from the raw items: later lots only, added escapes only, safest first."""

from dataclasses import asdict, fields, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array
from stranger_judge import limits_of
from stranger_plants import KINDS, make_stranger

from optimiser.evidence.certificate import certify_front
from optimiser.evidence.cost_ratio import Called, in_money, price_ranges
from optimiser.evidence.intervals import for_span, next_total
from optimiser.evidence.promise import promise
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.opening import early_lots
from optimiser.proposal.proof import ALPHA, DELTA, prove, shortlist
from optimiser.proposal.propose import _search, held_out, limit_moves, problem_of, proof_of
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
    price=(15.0, 15.0),
)


@pytest.fixture(scope="module")
def plant(tmp_path_factory):
    made = make_stranger(tmp_path_factory.mktemp("plant") / "p", SMALL, seed=8)
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


@pytest.fixture(scope="module")
def studied(plant):
    """The earlier lots' problem and study, and the study's rows in the proof's order."""
    case = plant[1].early
    problem, _ = problem_of(case)
    study = _search(case, problem, None).study
    rows = shortlist(study)
    # The proof's settings come from the safest on.
    tuning = study.trials.escape_cost[rows]
    assert len(set(tuning)) == len(tuning)
    return problem, study, rows[np.argsort(tuning)]


def proven(plant, studied, later):
    """The proof of some other later lots."""
    (_, case), (problem, study, _) = plant, studied
    moves = [limit_moves(case.early.tally, study.trials.settings[r]) for r in shortlist(study)]
    promised = promise(held_out(case.early, problem, study))
    tally = case.early.tally
    return prove(tally, problem, study, later, moves, promised=promised, coverage=0.4)


def with_defects(tally, kept):
    held = {f.name: getattr(tally.defects, f.name)[kept] for f in fields(tally.defects)}
    return replace(tally, defects=replace(tally.defects, **held))


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


def test_added_escapes_are_certified_on_defects_that_the_live_recipe_calls(
    plant, proof, later, studied
):
    (family,) = plant[0].families
    _, study, _ = studied
    rows = shortlist(study)
    defects = later[later["verdict"] == "defect"]
    x = defects[[f"m{i:02d}" for i in range(len(family.scale))]].to_numpy(np.float32)
    live = family.called(x, family.lower, family.upper)
    assert 0.1 < (~live).mean() < 0.9  # or all defects and those would be the same
    # The proof's settings come from the safest on; bring them back into the study's order.
    tuning = study.trials.escape_cost[rows]
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


def test_settings_are_tested_from_the_one_that_looked_safest_on_the_earlier_lots(
    plant, proof, studied
):
    case = plant[1].early
    _, study, _ = studied
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


def numbers(found):
    """A price range as plain numbers."""
    ends = (asdict(x) if x else {} for x in (found.above, found.below))
    told = [found.setting, found.false_calls, found.escapes, found.level]
    for end in ends:
        told += [*(end.pop("price", {}) or {}).values(), *end.values()]
    return told


def test_a_setting_is_best_between_the_prices_that_the_later_items_say(
    plant, proof, later, studied
):
    """Ranges from the raw items, each by itself; beyond its ends another setting costs less."""
    (family,) = plant[0].families
    problem, study, order = studied
    x = later[[f"m{i:02d}" for i in range(len(family.scale))]].to_numpy(np.float32)
    defect = (later["verdict"] == "defect").to_numpy()
    lot = pd.factorize(later["lot"])[0]
    calls = np.array(
        [
            family.called(x, *limits_of(family, [m.as_dict() for m in t.limits]))
            for t in proof.settings
        ]
    )
    goods = np.flatnonzero(~defect)
    called = Called(
        settings=study.trials.settings[order],
        goods=calls[:, goods],
        counts=csr_array((np.ones(len(goods)), (np.arange(len(goods)), lot[goods]))),
        always=0,
        items=np.bincount(lot[goods]).astype(float),
        defects=calls[:, defect],
        lot=lot[defect],
    )
    expected = {r.setting: r for r in price_ranges(called)}
    place = {int(row): n for n, row in enumerate(shortlist(study))}
    assert len(expected) > 2
    for n, tested in enumerate(proof.settings):
        told, wanted = tested.best_between, expected.get(n)
        assert (told is None) == (wanted is None) == (tested.best_between_money is None)
        if told is not None:
            wanted = replace(wanted, setting=place[int(order[n])])
            assert numbers(told) == pytest.approx(numbers(wanted))
            money = in_money(wanted, false_call_cost=problem.false_call_cost)
            assert numbers(tested.best_between_money) == pytest.approx(numbers(money))
    false, missed = calls[:, goods].sum(axis=1), (~calls[:, defect]).sum(axis=1)
    for n, tested in enumerate(proof.settings):
        if (found := tested.best_between) is not None:
            low = found.above.price.value if found.above else 0.0
            high = found.below.price.value if found.below else 1e6
            for price in (low + 1e-6, high - 1e-6):
                assert np.argmin(false + price * missed) == n


def test_what_followed_stands_beside_what_was_promised_for_as_many_items(
    plant, proof, later, studied
):
    frame = pd.read_parquet(next(plant[0].folder.rglob("*.parquet")))
    problem, study, order = studied
    goods, then = ((f["verdict"] != "defect").sum() for f in (frame, later))
    ratio = then / (goods - then)
    promised = promise(held_out(plant[1].early, problem, study))
    forward, bursts = proof.forward, promised.bursts
    assert bursts > 1
    assert forward.false_calls_saved == for_span(promised.false_calls_saved, ratio)
    assert forward.escapes_added == next_total(
        promised.escapes_added.value, spread=bursts, effect=bursts, ratio=ratio, level=0.9
    )
    own = proof.settings[order.tolist().index(study.recommended)]
    assert own.limits
    assert (forward.followed_false_calls_saved, forward.followed_escapes_added) == (
        *(own.false_calls_saved, own.added),
    )
    assert proof.coverage == plant[1].plant.file.labels.test_coverage


def test_whichever_setting_was_chosen_the_proof_is_of_it(plant, studied, proof):
    problem, study, order = studied
    priced = 0
    for row, tested in zip(order, proof.settings, strict=True):
        chosen = replace(study, recommended=int(row))
        found = proven(plant, (problem, chosen, order), plant[1].later)
        assert found.settings == proof.settings
        assert (found.price, found.escapes) == (tested.best_between_money, tested.escapes)
        followed = found.forward.followed_false_calls_saved, found.forward.followed_escapes_added
        assert followed == (tested.false_calls_saved, tested.added)
        assert found.added.certified == tested.certified_added
        priced += found.price is not None
    assert 1 < priced < len(order)


def test_without_a_defect_nothing_is_proven_and_without_a_called_one_nothing_certified(
    plant, studied
):
    later = plant[1].later
    n = len(later.defects.frame)
    assert proven(plant, studied, with_defects(later, np.zeros(n, dtype=bool))) is None
    settled = replace(later.defects, settled=np.ones(n, dtype=bool))
    assert proven(plant, studied, replace(later, defects=settled)) is None
    passed = ~later.defects.frame["live_called"].to_numpy()
    found = proven(plant, studied, with_defects(later, passed))
    assert found.added is None
    assert found.escapes_now == found.later_defects == passed.sum()
    assert not any(t.certified_added or t.added for t in found.settings)
    assert found.coverage == 0.4


def test_what_an_override_settles_is_counted_in_no_setting_more_than_in_another(
    plant, proof, studied
):
    """Every second cell and defect called by an override, whatever the family's limits."""
    later = plant[1].later
    defects, cells = later.defects, later.cells
    half = np.arange(len(cells.count)) % 2 == 0
    held = np.arange(len(defects.ranks)) % 2 == 0
    settled = replace(
        later,
        cells=replace(cells, settled=half),
        defects=replace(defects, settled=held),
    )
    found = proven(plant, studied, settled)
    free = replace(
        with_defects(later, ~held),
        cells=replace(cells, count=np.where(half, 0, cells.count)),
    )
    without = proven(plant, studied, free)
    assert found.later_defects == (~held).sum()
    always = int(cells.count[half].sum())
    for one, other in zip(found.settings, without.settings, strict=True):
        assert replace(one, best_between=None, best_between_money=None) == replace(
            other, best_between=None, best_between_money=None
        )
        if one.best_between is not None:
            assert one.best_between.false_calls == other.best_between.false_calls + always
    assert [t.false_calls_saved for t in found.settings] != [
        t.false_calls_saved for t in proof.settings
    ]
    assert (found.escapes, found.escapes_now) == (without.escapes, without.escapes_now)


def test_a_later_lot_without_any_item_of_the_family_is_a_lot_all_the_same(plant, studied):
    later = plant[1].later
    there = np.arange(len(later.lots)) < len(later.lots) - 1
    found = proven(plant, studied, later.only(there))
    assert found.later_lots == len(later.lots)
    assert found.later_defects == there[later.defects.lot].sum()
    assert any(t.best_between is not None for t in found.settings)


@pytest.mark.parametrize(("choice", "rows"), [(2, [0, 2, 3]), (4, [1, 3, 4]), (3, [0, 1, 3])])
def test_tested_are_the_live_setting_the_front_and_the_choice_each_once(choice, rows):
    """Rows 0 and 4 are the live setting, 1 and 2 are equal; 5 is on no front."""
    settings = np.array([[2, 2], [3, 3], [3, 3], [4, 2], [2, 2], [9, 9]])
    study = SimpleNamespace(
        recommended=choice,
        front=np.array([1, 2, 3]),
        trials=SimpleNamespace(settings=settings),
        setting=settings[choice],
    )
    assert shortlist(study).tolist() == rows
