"""Every field of a problem, and every label's chance, worked out item by item from a small history."""

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_tally import write_plant

from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.recipe.table import Recipe, Row
from optimiser.search.misread import (
    LEAST_TRUE,
    FirstLabels,
    chance_to_be_true,
    exceedance,
    first_labels,
    fitted_false_alarm_rate,
)
from optimiser.search.pose import label_weights, loosest_levels, pose
from optimiser.tally.count import Defects, Misread, tally_history
from optimiser.tally.grid import make_grids

POSED = """
[plant]
name = "Tally test"
[review]
seconds_per_call = 60.0
cost_per_hour = 30.0
miss_rate = 0.05
false_alarm_rate = 0.02
[escape_cost]
default = 40.0
by_defect = {{ shifted = 25.0 }}
[labels]
test_coverage = 0.4
[measurements.height]
unit = "um"
step = 5.0
repeatability = 2.0
[measurements.shift]
unit = "mm"
step = 0.1
repeatability = 0.05
[measurements.score]
unit = "1"
step = 0.05
[families.F]
termination = "chip"
critical = {critical}
workmanship = {{ {bound} }}
miss_rate = 0.07
false_alarm_rate = 0.03
[families.G]
termination = "chip"
[families.H]
termination = "chip"
[rails]
largest_move_steps = 4
call_load_share = 0.3
released_share = 0.3
off = {off}
"""


def rows_of(family, **limits):
    units = {"height": "um", "shift": "mm", "score": "1"}
    return [
        Row(scope="family", name=family, measurement=m, lower=low, upper=high, unit=units[m])
        for m, (low, high) in limits.items()
    ]


LIVE = Recipe(
    revision="7",
    rows=(
        *rows_of("F", height=(85.0, 115.0), shift=(-np.inf, 0.6), score=(0.3, np.inf)),
        # A sibling with other limits, one the other way round, and one without its own spread.
        *rows_of("G", height=(-np.inf, 108.0), shift=(0.0, 0.6)),
        *rows_of("H", score=(0.25, np.inf)),
        Row(scope="part", name="a", measurement="height", lower=92.0, upper=108.0, unit="um"),
    ),
)


def history_of(seed=5, n=1600):
    """Return items of three families, of which some lie beyond a limit and some were labelled."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "height": np.round(rng.normal(100, 9, n)),
            "shift": np.round(rng.normal(0.3, 0.2, n), 2),
            "score": np.round(rng.normal(0.6, 0.15, n), 2),
        }
    ).astype(np.float32)
    for m in frame.columns:
        frame.loc[rng.random(n) < 0.05, m] = np.nan
    frame["time"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(np.arange(n), unit="min")
    frame["stage"], frame["product"], frame["pin"] = "post-reflow", "P", None
    frame["board"] = [f"B{k}" for k in range(n)]
    frame["lot"] = [f"lot{k * 6 // n}" for k in range(n)]
    frame["designator"], frame["part"] = "R1", rng.choice(["a", "b", "c"], n, p=[0.1, 0.6, 0.3])
    frame["family"] = rng.choice(["F", "G", "H"], n, p=[0.6, 0.25, 0.15])
    defect = rng.random(n) < 0.2
    frame["verdict"] = np.where(defect, "defect", np.where(rng.random(n) < 0.5, "good", None))
    finder = np.where(defect, rng.choice(["test", "audit", "field", *["review"] * 3], n), "review")
    frame["found_by"] = np.where(frame["verdict"].isna(), None, finder)
    frame["weight"] = np.where(frame["found_by"] == "audit", 5.0, 1.0)
    kind = rng.choice(np.array(["shifted", "lifted", None], dtype=object), n)
    frame["defect"] = np.where(defect, kind, None)
    return frame


def posed_plant(folder, *, critical=False, off=(), bound=""):
    """Return plant and tallies of a small history with an override."""
    toml = POSED.format(critical=str(critical).lower(), off=list(off), bound=bound)
    write_plant(folder, history_of(), LIVE, toml)
    plant = read_plant(folder)
    with open_history(plant) as history:
        return plant, tally_history(history, make_grids(history, LIVE), LIVE)


@pytest.fixture(scope="module")
def posed(tmp_path_factory):
    return posed_plant(tmp_path_factory.mktemp("posed"))


def signatures_of(tally):
    """Return contested signatures with their counts by lot, and what every setting calls."""
    ends = tuple(len(limit.z) for limit in tally.grid.limits)
    contested, always = Counter(), Counter()
    cells = tally.cells
    for ranks, lot, settled, count in zip(
        cells.ranks.tolist(), cells.lot.tolist(), cells.settled, cells.count.tolist(), strict=True
    ):
        if settled or any(r == end for r, end in zip(ranks, ends, strict=True)):
            always[lot] += count
        elif any(ranks):
            contested[tuple(ranks), lot] += count
    return contested, always


def kin_of(tally, siblings, plant):
    """Return siblings' defects moved onto a family's live limits, one by one."""
    rows, prices = [], []
    for sibling in siblings:
        theirs = {(x.measurement, x.side): n for n, x in enumerate(sibling.grid.limits)}
        for k in range(len(sibling.defects.frame)):
            row = []
            for own in tally.grid.limits:
                n = theirs.get((own.measurement, own.side))
                z = -np.inf if n is None else sibling.defects.z[k, n]
                if np.isfinite(z):
                    other = sibling.grid.limits[n]
                    far = (z - float(other.z[other.live])) / other.spread
                    z = float(own.z[own.live]) + far * own.spread
                row.append(z)
            if np.isfinite(row).any() and not sibling.defects.settled[k]:
                rows.append(row)
                word = sibling.defects.frame["defect"].iloc[k]
                prices.append(plant.file.escape_price(word if isinstance(word, str) else None))
    return np.array(rows).reshape(len(rows), len(tally.grid.limits)), np.array(prices)


def check(problem, tally, siblings, plant):
    """Hold every field that does not depend on how a problem is asked for to the items."""
    limits = tally.grid.limits
    contested, always = signatures_of(tally)
    assert len({key for key, _ in contested}) > 10
    signatures = list(map(tuple, problem.ranks.tolist()))
    assert signatures == sorted({key for key, _ in contested})
    counts = problem.counts.toarray()
    assert counts.shape == (len(signatures), len(tally.lots))
    found = {(signatures[s], int(t)): int(counts[s, t]) for s, t in np.argwhere(counts).tolist()}
    assert found == dict(contested)
    assert problem.always.tolist() == [always[t] for t in range(len(tally.lots))]
    assert sum(always.values()) > 0
    for levels, limit in zip(problem.levels, limits, strict=True):
        assert levels.dtype == np.float64
        np.testing.assert_array_equal(levels, limit.z)
    assert problem.live.tolist() == [limit.live for limit in limits]
    assert problem.spread.tolist() == [limit.spread for limit in limits]
    assert problem.repeatability.tolist() == [limit.repeatability for limit in limits]
    defects = tally.defects
    free = [n for n in range(len(defects.frame)) if not defects.settled[n]]
    assert 0 < len(free) < len(defects.frame)
    np.testing.assert_array_equal(problem.defect_ranks, defects.ranks[free])
    np.testing.assert_array_equal(problem.defect_z, defects.z[free])
    assert problem.defect_lot.tolist() == defects.lot[free].tolist()
    frame = defects.frame.iloc[free]
    assert problem.defect_called.tolist() == frame["live_called"].tolist()
    prices = [25.0 if word == "shifted" else 40.0 for word in frame["defect"]]
    assert len(set(prices)) == 2
    assert problem.defect_price.tolist() == pytest.approx(prices)
    weight = label_weights(defects, 0.4) * chance_to_be_true(tally, 0.03)
    np.testing.assert_array_equal(problem.defect_weight, weight[free])
    assert (problem.defect_weight < 1).any()
    assert (problem.defect_weight > 1).any()
    kin_z, kin_price = kin_of(tally, siblings, plant)
    np.testing.assert_allclose(problem.kin_z, kin_z, rtol=1e-12)
    np.testing.assert_array_equal(problem.kin_price, kin_price)
    assert (problem.false_call_cost, problem.miss_rate) == (pytest.approx(0.5), 0.07)


def test_a_problem_is_what_the_items_make_of_it(posed):
    plant, tallies = posed
    tally, siblings = tallies["F"], [tallies["G"], tallies["H"]]
    must = np.array([[1] * len(tally.grid.limits)])
    problem = pose(tally, siblings, plant, must)
    check(problem, tally, siblings, plant)
    assert problem.last.tolist() == [len(limit.z) - 1 for limit in tally.grid.limits]
    assert len(problem.kin_z) > 20
    assert problem.must_ranks.tolist() == must.tolist()
    assert (problem.most_released, problem.stays_at_work) == (0.3, True)
    alone = pose(tally, [], plant, must)
    assert alone.kin_z.shape == (0, problem.m)
    assert alone.kin_price.shape == (0,)


def with_limit(of, n, **changed):
    """Return a tally over a grid one limit of which is other."""
    limits = list(of.grid.limits)
    limits[n] = replace(limits[n], **changed)
    return replace(of, grid=replace(of.grid, limits=tuple(limits)))


def off(of, n):
    """Return a tally over a grid one limit of which is off in the live recipe."""
    z = of.grid.limits[n].z.copy()
    z[-1] = np.inf
    return with_limit(of, n, z=z, live=len(z) - 1)


def test_where_a_limit_is_off_or_knows_no_spread_no_distance_from_it_is_borrowed(posed):
    """As if the sibling, or the family itself, had no such limit."""
    plant, tallies = posed
    tally, sibling = tallies["F"], tallies["G"]
    must = np.zeros((0, len(tally.grid.limits)), dtype=np.int64)

    def borrowed(own, their):
        problem = pose(own, [their], plant, must)
        return problem.kin_z.tolist(), problem.kin_price.tolist()

    own = {(limit.measurement, limit.side): n for n, limit in enumerate(tally.grid.limits)}
    shared = [
        (n, own[limit.measurement, limit.side])
        for n, limit in enumerate(sibling.grid.limits)
        if (limit.measurement, limit.side) in own
    ]
    assert len(shared) > 1
    for n, k in shared:
        none = borrowed(tally, with_limit(sibling, n, measurement="another"))
        assert none != borrowed(tally, sibling)
        assert borrowed(tally, with_limit(sibling, n, spread=0.0)) == none
        assert borrowed(tally, off(sibling, n)) == none
        assert borrowed(off(tally, k), sibling) == none


def test_a_problem_of_some_lots_knows_nothing_of_the_others(posed):
    plant, tallies = posed
    tally, siblings = tallies["F"], [tallies["G"], tallies["H"]]
    lots = np.array([True, True, False, True, False, False])
    must = np.zeros((0, len(tally.grid.limits)), dtype=np.int64)
    problem = pose(tally, siblings, plant, must, lots)
    some = tally.only(lots)
    check(problem, some, [s.only(lots) for s in siblings], plant)
    assert problem.counts.toarray()[:, ~lots].sum() == problem.always[~lots].sum() == 0
    assert problem.last.tolist() == loosest_levels(some, plant).tolist()
    whole = pose(tally, siblings, plant, must, np.ones(6, dtype=bool))
    assert len(whole.defect_lot) > len(problem.defect_lot)


def test_of_a_critical_family_every_known_defect_that_is_called_must_be_caught(tmp_path):
    plant, tallies = posed_plant(tmp_path, critical=True)
    tally = tallies["F"]
    must = np.array([[1] * len(tally.grid.limits)])
    problem = pose(tally, [], plant, must)
    defects = tally.defects
    known = [
        defects.ranks[n].tolist()
        for n in range(len(defects.frame))
        if defects.frame["live_called"].iloc[n] and not defects.settled[n]
    ]
    assert len(known) > 5
    assert problem.must_ranks.tolist() == must.tolist() + known


def test_a_rail_that_is_off_binds_no_problem(tmp_path):
    off = ("critical", "released-share", "working-limit")
    plant, tallies = posed_plant(tmp_path, critical=True, off=off)
    must = np.array([[1] * len(tallies["F"].grid.limits)])
    problem = pose(tallies["F"], [], plant, must)
    assert problem.must_ranks.tolist() == must.tolist()
    assert (problem.most_released, problem.stays_at_work) == (1.0, False)


@pytest.mark.parametrize(
    "off",
    [
        (),
        ("untested",),
        ("furthest-good",),
        ("untested", "furthest-good"),
        ("furthest-good", "workmanship"),
    ],
)
@pytest.mark.parametrize("bound", ["", "shift = { upper = 2.0 }, score = { upper = 9.0 }"])
def test_the_loosest_level_is_what_the_labels_of_its_lots_support(tmp_path, off, bound):
    plant, tallies = posed_plant(tmp_path, off=off, bound=bound)
    tally = tallies["F"]
    bounded = {("shift", "upper")} if bound and "workmanship" not in off else set()
    seen = set()
    # Also where goods reach less far, and where the guard band is wider than the grid.
    near = tally.cells.reviewed & (tally.cells.ranks.max(axis=1) <= 3)
    tallies = [tally, replace(tally, cells=replace(tally.cells, reviewed=near))]
    tallies += [with_limit(tally, n, repeatability=1e6) for n in range(len(tally.grid.limits))]
    chosen = (np.arange(6) < 2, np.arange(6) == 4, np.arange(6) < 0, np.arange(6) < 6)
    for some in (whole.only(lots) for whole in tallies for lots in chosen):
        cells, defects = some.cells, some.defects
        expected = []
        for n, limit in enumerate(some.grid.limits):
            loosest = len(limit.z) - 1
            if "furthest-good" not in off:
                goods = [
                    int(r[n])
                    for r, seen_by in zip(cells.ranks, cells.reviewed, strict=True)
                    if seen_by
                ]
                best = max(goods, default=0)
                reach = float(limit.z[min(best, loosest)]) + 2.0 * limit.repeatability
                fits = [k for k, z in enumerate(limit.z) if float(z) <= reach]
                loosest = max(fits) if best else limit.live
            tested = any(r[n] > limit.live for r in defects.ranks)
            tested |= (limit.measurement, limit.side) in bounded
            if "untested" not in off and not tested:
                loosest = limit.live
            expected.append(max(limit.live, loosest))
        seen.add(tuple(expected))
        assert loosest_levels(some, plant).tolist() == expected
    assert len(seen) > 1 or "untested" in off


def far_of(tally, ranks):
    """Return by how many spreads an item with some ranks exceeds each live limit."""
    found = []
    for limit, rank in zip(tally.grid.limits, ranks, strict=True):
        live = float(limit.z[limit.live])
        # The item lies beyond the loosest level that calls it.
        z = float(limit.z[rank - 1]) if rank else -np.inf
        # A limit that is off is exceeded by nothing; without a spread its own unit counts.
        known = np.isfinite([z, live]).all()
        found.append(max(0.0, (z - live) / (limit.spread or 1.0)) if known else 0.0)
    return found


def called_of_review(tally):
    """Return labels and goods of review that the live limits call: how far each exceeds them."""
    live, cells, defects = tally.grid.live, tally.cells, tally.defects
    labels = [
        n
        for n in range(len(defects.frame))
        if defects.frame["found_by"].iloc[n] == "review" and (defects.ranks[n] > live).any()
    ]
    goods = [
        n for n in range(len(cells.count)) if cells.reviewed[n] and (cells.ranks[n] > live).any()
    ]
    return labels, goods


def test_how_far_labels_and_goods_exceed_the_live_limits(posed):
    _, tallies = posed
    first = tallies["F"]
    others = [
        change(first, n)
        for n in range(len(first.grid.limits))
        for change in (
            off,
            lambda of, n: with_limit(of, n, live=0),
            lambda of, n: with_limit(of, n, spread=0.0),
        )
    ]
    for tally in (*tallies.values(), *others):
        labels, goods = called_of_review(tally)
        goods = [n for n in goods if not tally.cells.settled[n]]
        found = exceedance(tally)
        far, far_goods, count = found.labels, found.goods, found.count
        assert tally.family == "H" or min(len(far), len(far_goods)) > 0
        np.testing.assert_allclose(
            far, [max(far_of(tally, tally.defects.ranks[n])) for n in labels]
        )
        np.testing.assert_allclose(
            far_goods, [max(far_of(tally, tally.cells.ranks[n])) for n in goods]
        )
        assert count.tolist() == [tally.cells.count[n] for n in goods]


def fixed_point(kernel, misread, is_real=None):
    """Return the shares of real defects that agree with each other, turn by turn."""
    known = [math.nan] * len(misread) if is_real is None else is_real
    share = [1.0 if math.isnan(x) else x for x in known]
    for _ in range(60):
        real = [
            sum(k * s for j, (k, s) in enumerate(zip(row, share, strict=True)) if j != i) + 0.1
            for i, row in enumerate(kernel)
        ]
        mixed = [r / (r + g) for r, g in zip(real, misread, strict=True)]
        before, share = (
            share,
            [m if math.isnan(x) else x for m, x in zip(mixed, known, strict=True)],
        )
        if max(abs(a - b) for a, b in zip(before, share, strict=True)) < 1e-4:
            break
    return np.array(share)


def doubted(tally, rate):
    """Return the labels in doubt, their kernel and the density of misread goods at each."""
    ends = [len(limit.z) for limit in tally.grid.limits]
    labels, goods = called_of_review(tally)
    labels = [n for n in labels if tally.defects.ranks[n].tolist() != ends]
    goods = [n for n in goods if tally.cells.ranks[n].tolist() != ends]
    here = [far_of(tally, tally.defects.ranks[n]) for n in labels]
    there = [far_of(tally, tally.cells.ranks[n]) for n in goods]
    count = tally.cells.count[goods]
    kernel = [[math.exp(-0.5 * math.dist(a, b) ** 2 / 0.4**2) for b in here] for a in here]
    misread = [
        rate
        * sum(
            n * math.exp(-0.5 * math.dist(a, b) ** 2 / 0.4**2)
            for b, n in zip(there, count, strict=True)
        )
        for a in here
    ]
    return labels, kernel, np.array(misread), rate * count.sum()


@pytest.mark.parametrize("rate", [0.0005, 0.005, 0.02, 0.5, 0.9])
def test_the_chance_of_a_label_is_that_of_densities_worked_out_one_by_one(posed, rate):
    """Scaled until as many are expected misread as come; at most six times either way."""
    _, tallies = posed
    for tally in (tallies["F"], tallies["G"]):
        labels, kernel, misread, expected = doubted(tally, rate)
        assert len(labels) > 1
        # The scale by a bisection of its own, on the logarithm.
        low, high = -math.log(6), math.log(6)
        for _ in range(30):
            middle = (low + high) / 2
            short = (1 - fixed_point(kernel, math.exp(middle) * misread)).sum() < expected
            low, high = (middle, high) if short else (low, middle)
        share = np.clip(fixed_point(kernel, math.exp(low) * misread), LEAST_TRUE, 1)
        chance = chance_to_be_true(tally, rate)
        np.testing.assert_allclose(chance[labels], share, rtol=3e-3, atol=3e-4)
        rest = np.setdiff1d(np.arange(len(chance)), labels)
        assert (chance[rest] == 1).all()
        # After a second look the densities stand as they are.
        again = chance_to_be_true(replace(tally, looked_again=True), rate)
        plain = np.clip(fixed_point(kernel, misread), LEAST_TRUE, 1)
        np.testing.assert_allclose(again[labels], plain, rtol=1e-9)


def looked_at(tally, rng):
    """Return the tally after a second look at some labels, and who is what, by place among all labels."""
    labels, _ = called_of_review(tally)
    ends = [len(limit.z) for limit in tally.grid.limits]
    free = [n for n in labels if tally.defects.ranks[n].tolist() != ends]
    sure, misread = rng.choice(free, (2, len(free) // 4), replace=False)
    frame = tally.defects.frame.copy()
    frame.loc[sure, "found_by"] = "second look"
    kept = np.setdiff1d(np.arange(len(frame)), misread)
    defects = Defects(
        frame=frame.iloc[kept].reset_index(drop=True),
        **{
            name: getattr(tally.defects, name)[kept]
            for name in ("ranks", "z", "settled", "scope", "lot")
        },
    )
    found = Misread(ranks=tally.defects.ranks[misread], lot=tally.defects.lot[misread])
    is_real = np.full(len(frame), np.nan)
    is_real[sure], is_real[misread] = 1.0, 0.0
    return replace(tally, defects=defects, misread=found, looked_again=True), is_real


def test_the_rate_that_labels_fit_is_the_one_at_which_as_many_are_misread(posed):
    """Turn by turn on labels one by one; what a second look found is no longer in doubt."""
    _, tallies = posed
    rng = np.random.default_rng(3)
    seen, sums = [], []
    for tally in (tallies["F"], tallies["G"]):
        labels, kernel, misread, called = doubted(tally, 1.0)
        after, is_real = looked_at(tally, rng)
        assert (is_real == 0).sum() == (is_real == 1).sum() > 0
        seen.append(first_labels(after))
        sums.append((kernel, misread, is_real[labels], called))
        assert sorted(seen[-1].is_real[seen[-1].is_real >= 0]) == sorted(is_real[is_real >= 0])

    def expected(rate):
        shares = (fixed_point(k, rate * m, known) for k, m, known, _ in sums)
        return sum((1 - share).sum() for share in shares)

    called = sum(n for *_, n in sums)
    found = fitted_false_alarm_rate(seen)
    assert 0 < found < 1
    assert expected(found) / called == pytest.approx(found, rel=0.01)
    nobody = replace(seen[0], called=0.0)
    assert math.isnan(fitted_false_alarm_rate([nobody]))


def alone(goods, called, is_real):
    """Return labels that lie far from one another, among as many goods each."""
    n = len(is_real)
    return FirstLabels(
        near=np.eye(n), goods=np.full(n, goods), called=called, is_real=np.array(is_real)
    )


def test_the_rate_of_labels_that_lie_alone_is_worked_out_by_hand():
    """Alone among 100 goods, at a rate of 0.003, 0.3 are misread beside a tenth real: three in four.

    Four in doubt make three, with two known 5 of 5,000 / 3 called goods, over families in any shares.
    """
    doubt = math.nan
    called = 5 / 0.003
    one = alone(100.0, 1000.0, [doubt, 0.0, doubt, 1.0])
    other = alone(100.0, called - 1000.0 - 50.0, [0.0, doubt, doubt])
    without = alone(100.0, 50.0, [])
    found = fitted_false_alarm_rate([one, other, without])
    assert found == pytest.approx(0.003, rel=1e-3)
    assert fitted_false_alarm_rate([without]) == 0
    # All known: as many as were found misread, and never more than all.
    assert fitted_false_alarm_rate([alone(9.0, 100.0, [0.0] * 3 + [1.0] * 2)]) == 0.03
    assert fitted_false_alarm_rate([alone(9.0, 2.0, [0.0] * 3)]) == 1


def test_what_a_second_look_found_is_known_where_it_lies(posed):
    """Beside it two goods that were misread: one that the live recipe passes, one that all settings call."""
    _, tallies = posed
    rng = np.random.default_rng(7)
    for tally in (tallies["F"], tallies["G"]):
        after, is_real = looked_at(tally, rng)
        ends = [len(limit.z) for limit in tally.grid.limits]
        odd = np.array([[0] * len(ends), ends], dtype=after.misread.ranks.dtype)
        misread = Misread(
            ranks=np.concatenate([after.misread.ranks, odd]),
            lot=np.concatenate([after.misread.lot, after.misread.lot[:2]]),
        )
        labels, _ = called_of_review(tally)
        known = [
            (max(far_of(tally, tally.defects.ranks[n])), is_real[n])
            for n in labels
            if not math.isnan(is_real[n])
        ]
        found = exceedance(replace(after, misread=misread))
        sure = ~np.isnan(found.is_real)
        told = sorted(zip(found.labels[sure], found.is_real[sure], strict=True))
        # How far something exceeds is told of what all settings call as well.
        assert np.allclose(told, sorted([*known, (max(far_of(tally, odd[1])), 0.0)]))
        assert len(found.labels) == len(labels) + 1
        # A fit of the rate leaves that out on both sides, goods and labels.
        plain, more = first_labels(after), first_labels(replace(after, misread=misread))
        np.testing.assert_array_equal(plain.is_real, more.is_real)
        np.testing.assert_array_equal(plain.near, more.near)


def test_labels_that_a_second_look_confirmed_speak_for_those_around_them(posed):
    _, tallies = posed
    rng = np.random.default_rng(5)
    for tally in (tallies["F"], tallies["G"]):
        labels, kernel, misread, _ = doubted(tally, 0.02)
        after, is_real = looked_at(tally, rng)
        share = np.clip(fixed_point(kernel, misread, is_real[labels]), LEAST_TRUE, 1)
        left = np.isnan(is_real[labels])
        kept = np.flatnonzero(is_real != 0)
        place = np.searchsorted(kept, np.array(labels)[left])
        chance = chance_to_be_true(after, 0.02)
        np.testing.assert_allclose(chance[place], share[left], rtol=1e-9)
        assert (chance[after.defects.frame["found_by"] == "second look"] == 1).all()


def test_without_misreading_or_labels_or_goods_every_label_is_true(posed):
    _, tallies = posed
    tally = tallies["F"]
    assert (chance_to_be_true(tally, 0.0) == 1).all()
    assert (chance_to_be_true(tally, 0.02) < 1).any()
    unseen = replace(tally.cells, reviewed=np.zeros(len(tally.cells.count), dtype=bool))
    assert (chance_to_be_true(replace(tally, cells=unseen), 0.02) == 1).all()
    frame = tally.defects.frame.assign(found_by="test")
    tested = replace(tally, defects=replace(tally.defects, frame=frame))
    assert (chance_to_be_true(tested, 0.02) == 1).all()


def test_a_label_stands_for_as_many_as_the_channels_that_could_find_it_left_out():
    """Test finds 30 %; an audit picked one in ten: one of the two finds 1 - 0.7 * 0.9 = 37 %."""
    frame = pd.DataFrame(
        {
            "found_by": ["test", "audit", "review", "field", "second look", "audit"],
            "weight": [1.0, 10.0, 1.0, 1.0, 1.0, 10.0],
            # What review found under another recipe stands for itself as well.
            "live_called": [False, False, False, False, False, True],
        }
    )
    none = np.zeros((6, 0))
    defects = Defects(
        frame=frame,
        ranks=none.astype(np.int16),
        z=none,
        settled=np.zeros(6, dtype=bool),
        scope=np.zeros(6, dtype=np.int32),
        lot=np.zeros(6, dtype=np.int32),
    )
    expected = [1 / 0.3, 1 / 0.37, 1.0, 1.0, 1.0, 1.0]
    np.testing.assert_allclose(label_weights(defects, 0.3), expected)


def test_a_label_of_a_later_stage_stands_for_its_weight_and_never_for_less_than_itself():
    frame = pd.DataFrame(
        {
            "found_by": ["later stage", "later stage", "later stage"],
            "weight": [4.0, 0.5, 2.5],
            "live_called": [False, False, True],
        }
    )
    none = np.zeros((3, 0))
    defects = Defects(
        frame=frame,
        ranks=none.astype(np.int16),
        z=none,
        settled=np.zeros(3, dtype=bool),
        scope=np.zeros(3, dtype=np.int32),
        lot=np.zeros(3, dtype=np.int32),
    )
    assert label_weights(defects, 0.3).tolist() == [4.0, 1.0, 2.5]
