"""Each rail stops where it should, says why, and lets go when it alone is switched off."""

import math
from dataclasses import replace

import numpy as np
import pytest
from factories import make_items, make_plant, table

from optimiser.history.profile import Profile
from optimiser.history.read import open_history
from optimiser.plant.file import RAILS, Bound, Family, Measurement, Rails, read_plant
from optimiser.recipe.table import read_recipe
from optimiser.tally.grid import make_grids
from optimiser.tally.must_catch import KeptItem, rank_kept, read_must_catch
from optimiser.tally.rails import LimitFacts, is_settable, loose_stops, tight_stops

PROFILE = Profile(
    measured=1000,
    low=-9.0,
    high=9.0,
    spread=1.0,
    few_low=-2.0,
    few_high=2.0,
    good_low=-4.0,
    good_high=4.0,
)
UPPER = LimitFacts(
    family="CHIP",
    measurement="tilt",
    side="upper",
    live=3.0,
    known=Measurement(unit="deg", step=0.5, repeatability=0.1),
    profile=PROFILE,
    rules=Family(workmanship={"tilt": Bound(lower=-6.0, upper=6.0)}),
    defects_beyond=5,
)
LOWER = replace(UPPER, side="lower", live=-3.0)
BOTH = pytest.mark.parametrize("facts", [UPPER, LOWER], ids=["upper", "lower"])


def stops(facts, rails=None) -> dict[str, tuple[float, str]]:
    """Return the loosening stops by rail, in z, with their reasons."""
    return {s.rail: (s.z, s.reason) for s in loose_stops(facts, rails or Rails())}


# One limit -----------------------------------------------------------------------------------


@BOTH
def test_loosening_stops_are_mirrored_and_sorted(facts):
    found = loose_stops(facts, Rails())
    assert [s.rail for s in found] == ["furthest-good", "workmanship", "largest-move"]
    assert [s.z for s in found] == pytest.approx([4.0 + 0.2, 6.0 - 0.2, 3.0 + 12 * 0.5])


@BOTH
def test_the_workmanship_bound_less_its_guard(facts):
    z, reason = stops(facts, Rails(guard_sigmas=3.0))["workmanship"]
    assert z == pytest.approx(6.0 - 3 * 0.1)
    sign = "" if facts.side == "upper" else "-"
    assert f"workmanship bound {sign}6 deg (class 2) less a guard band of 0.3 deg" in reason


@BOTH
def test_an_untested_limit_stays_unless_a_bound_stands_behind_it(facts):
    assert "untested" not in stops(facts)
    bare = replace(facts, rules=Family())
    assert "untested" not in stops(bare)
    untested = replace(bare, defects_beyond=0)
    z, reason = stops(untested)["untested"]
    assert z == untested.live_z == 3.0
    assert "no labelled defect has ever tested this limit" in reason
    assert "untested" not in stops(replace(facts, defects_beyond=0))
    # A bound that is not in force stands behind nothing.
    off = Rails(off=("workmanship",))
    assert stops(replace(facts, defects_beyond=0), off)["untested"][0] == 3.0


@BOTH
def test_no_further_than_the_furthest_reviewed_good(facts):
    z, reason = stops(facts)["furthest-good"]
    assert z == pytest.approx(4.2)
    assert "the furthest reviewed good lies at" in reason
    assert "guard 0.2" in reason
    none = replace(facts, profile=replace(PROFILE, good_low=None, good_high=None))
    assert stops(none)["furthest-good"] == (3.0, "no good was ever reviewed here")


@BOTH
def test_a_largest_move_either_way(facts):
    rails = Rails(largest_move_steps=2)
    z, reason = stops(facts, rails)["largest-move"]
    assert z == 4.0
    assert reason == "at most 2 steps of 0.5 deg in one revision"
    tight = {s.rail: s for s in tight_stops(facts, rails)}
    assert (tight["largest-move"].z, tight["largest-move"].reason) == (2.0, reason)


@BOTH
def test_without_a_step_a_tenth_of_the_spread_is_one(facts):
    loose = replace(facts, known=Measurement(unit="deg"))
    assert stops(loose, Rails(largest_move_steps=2))["largest-move"][0] == pytest.approx(3.2)


DEFAULT = ("at most 12 steps of 0.5 deg in one revision", 6.0)


@BOTH
@pytest.mark.parametrize(
    ("steps", "spreads", "step", "spread", "words", "move"),
    [
        (None, None, 0.5, 1.0, *DEFAULT),
        (None, None, 0.5, 6.0, *DEFAULT),
        (None, None, 0.5, 6.4, "at most 1 standard deviation of the goods (6.4 deg)", 6.4),
        (None, None, 0.001, 1.0, "at most 1 standard deviation of the goods (1 deg)", 1.0),
        (12, None, 0.001, 1.0, "at most 12 steps of 0.001 deg in one revision", 0.012),
        (1, None, 0.5, 1.0, "at most 1 step of 0.5 deg", 0.5),
        (None, 1.5, 0.5, 2.0, "at most 1.5 standard deviations of the goods (3 deg)", 3.0),
        (None, 0.1, 0.5, 1.0, "at most 0.1 standard deviations of the goods (0.1 deg)", 0.1),
        (3, 2.0, 0.5, 1.0, "at most 2 standard deviations of the goods (2 deg)", 2.0),
        (5, 2.0, 0.5, 1.0, "at most 5 steps of 0.5 deg", 2.5),
        (None, 2.0, None, 1.0, "at most 2 standard deviations of the goods (2 deg)", 2.0),
        (None, 2.0, 0.5, 0.0, "at most 2 standard deviations of the goods (0 deg)", 0.0),
    ],
)
def test_a_largest_move_in_steps_or_spreads(facts, steps, spreads, step, spread, words, move):
    facts = replace(
        facts,
        known=Measurement(unit="deg", step=step),
        profile=replace(PROFILE, spread=spread),
    )
    rails = Rails(largest_move_steps=steps, largest_move_spreads=spreads)
    (tight,) = (s for s in tight_stops(facts, rails) if s.rail == "largest-move")
    z, reason = stops(facts, rails)["largest-move"]
    assert (z, tight.z) == pytest.approx((3.0 + move, 3.0 - move))
    assert reason == tight.reason
    assert reason.startswith(words)
    assert reason.endswith("in one revision")


@BOTH
def test_no_tighter_than_a_share_of_the_items(facts):
    tight = {s.rail: s for s in tight_stops(facts, Rails(call_load_share=0.02))}
    assert tight["call-load"].z == 2.0
    assert "it alone would call 0.02 of the items" in tight["call-load"].reason
    # A limit that calls more already is not moved by its rail.
    crowded = replace(facts, live=facts.sign * 1.0)
    assert {s.rail: s.z for s in tight_stops(crowded, Rails())}["call-load"] == 1.0


@BOTH
@pytest.mark.parametrize("rail", RAILS)
def test_switching_one_off_releases_exactly_that_one(facts, rail):
    facts = replace(facts, defects_beyond=0, rules=Family())  # so that untested is in force
    every = {s.rail for s in (*loose_stops(facts, Rails()), *tight_stops(facts, Rails()))}
    off = Rails(off=(rail,))
    left = {s.rail for s in (*loose_stops(facts, off), *tight_stops(facts, off))}
    assert every == {"untested", "furthest-good", "largest-move", "call-load"}
    assert left == every - {rail}


def test_a_limit_that_is_not_in_force_is_not_invented_in_one_revision():
    off = replace(UPPER, live=math.inf)
    assert not is_settable(off, Rails())
    assert is_settable(off, Rails(off=("largest-move",)))
    assert is_settable(UPPER, Rails())


# The grid ------------------------------------------------------------------------------------


def grids_of(folder):
    plant = read_plant(folder)
    live = read_recipe(plant.locate("recipe.csv"), plant.file.measurements)
    with open_history(plant) as history:
        return make_grids(history, live), live, plant


def limit_of(grids, family, measurement, side):
    found = [x for x in grids[family].limits if (x.measurement, x.side) == (measurement, side)]
    return found[0] if found else None


OFFS = [(), *((rail,) for rail in RAILS), tuple(RAILS)]


@pytest.mark.parametrize("off", OFFS, ids=lambda off: "+".join(off) if len(off) < 2 else "all")
def test_nothing_in_a_grid_lies_beyond_a_stop_and_the_live_limit_is_in_it(tmp_path, off):
    toml = table(rails={"off": list(off), "largest_move_steps": 4})
    grids, live, plant = grids_of(make_plant(tmp_path, toml=toml))
    assert set(grids) == {"CHIP", "SOT"}
    for family, grid in grids.items():
        rows = live.family_rows(family)
        for limit in grid.limits:
            row = rows.get(limit.measurement)
            now = row.limit(limit.side) if row else limit.sign * math.inf
            assert limit.values[limit.live] == now
            assert np.all(np.diff(limit.z) > 0)
            assert np.array_equal(np.float32(limit.sign * limit.values), limit.z)
            z = limit.sign * limit.values
            for stop in limit.loose:
                assert plant.file.rails.holds(stop.rail)
                assert np.all((z <= stop.z) | (z <= limit.sign * now))
            for stop in limit.tight:
                assert plant.file.rails.holds(stop.rail)
                assert np.all((z >= stop.z) | (z >= limit.sign * now))


def test_a_grid_reaches_each_stop_by_steps(tmp_path):
    """CHIP tilt upper: live 3.5; four steps of 0.5 either way unless another rail is nearer."""
    toml = table(rails={"largest_move_steps": 4, "off": ["furthest-good", "call-load", "untested"]})
    grids, _, _ = grids_of(make_plant(tmp_path, toml=toml))
    limit = limit_of(grids, "CHIP", "tilt", "upper")
    assert limit.values.tolist() == [1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5]
    assert limit.touched(8).rail == limit.touched(0).rail == "largest-move"
    assert limit.touched(limit.live) is None
    assert limit.touched(7) is None


def test_a_grid_stops_short_of_the_workmanship_bound(tmp_path):
    """CHIP offset upper: bound 83 um, guard 4 um, step 5 um: 75 is the last."""
    off = ["furthest-good", "largest-move", "untested"]
    chip = {"CHIP": {"workmanship": {"offset": {"upper": 83.0}}}}
    toml = table(rails={"off": off}, families=chip)
    grids, _, _ = grids_of(make_plant(tmp_path, toml=toml))
    limit = limit_of(grids, "CHIP", "offset", "upper")
    assert limit.values[-1] == 75.0
    assert limit.touched(len(limit.z) - 1).rail == "workmanship"
    toml = table(rails={"off": [*off, "workmanship"]}, families=chip)
    grids, _, _ = grids_of(make_plant(tmp_path, toml=toml))
    assert limit_of(grids, "CHIP", "offset", "upper").values[-1] == math.inf


@pytest.mark.parametrize("family", ["CHIP", "SOT"])
@pytest.mark.parametrize("rail", ["furthest-good", "largest-move", "untested", "call-load"])
def test_a_grid_without_one_rail_contains_the_grid_with_it(tmp_path, family, rail):
    with_all, _, _ = grids_of(make_plant(tmp_path))
    without, _, _ = grids_of(make_plant(tmp_path, toml=table(rails={"off": [rail]})))
    for limit in with_all[family].limits:
        wider = limit_of(without, family, limit.measurement, limit.side)
        assert set(limit.z) <= set(wider.z)
        if limit.loose and limit.loose[0].rail == rail:
            assert not wider.loose or wider.loose[0].z >= limit.loose[0].z
            assert rail not in {s.rail for s in wider.loose}


def test_a_measurement_without_a_step_may_be_set_at_any_observed_value(tmp_path):
    off = ["furthest-good", "largest-move", "untested", "call-load"]
    grids, _, _ = grids_of(make_plant(tmp_path, toml=table(rails={"off": off})))
    limit = limit_of(grids, "CHIP", "fill", "lower")
    seen = {np.float32(i["fill"]) for i in make_items() if i["family"] == "CHIP" and i["fill"]}
    levels = {np.float32(v) for v in limit.values if math.isfinite(v)}
    assert levels == seen | {np.float32(70)}


def test_a_live_limit_off_the_step_stays_to_the_letter(tmp_path):
    recipe = [
        ("family", "CHIP", "tilt", "", "3.3", "deg"),
        ("family", "SOT", "tilt", "", "4", "deg"),
    ]
    grids, _, _ = grids_of(make_plant(tmp_path, recipe=recipe))
    limit = limit_of(grids, "CHIP", "tilt", "upper")
    assert limit.values[limit.live] == 3.3
    assert set(limit.values) - {3.3} <= {k * 0.5 for k in range(40)}


def test_a_live_limit_beyond_a_stop_stays_and_loosens_no_further(tmp_path):
    """Live 118 um lies within the bound of 120 but beyond its guard band."""
    recipe = [("family", "CHIP", "offset", "", "118", "um")]
    grids, _, _ = grids_of(make_plant(tmp_path, recipe=recipe))
    limit = limit_of(grids, "CHIP", "offset", "upper")
    assert limit.values[-1] == 118.0
    assert limit.live == len(limit.values) - 1


# Must-catch ----------------------------------------------------------------------------------


@pytest.fixture
def chip(tmp_path):
    toml = table(rails={"off": ["furthest-good", "untested", "call-load"], "largest_move_steps": 3})
    grids, _, plant = grids_of(make_plant(tmp_path, toml=toml))
    return grids["CHIP"], plant


def kept(**values) -> KeptItem:
    return KeptItem(name="KB", family="CHIP", values=values)


def test_a_must_catch_item_is_ranked_with_its_margin(chip):
    """Offset upper may be 45 to 75; with a margin of 2 x 2 um, 62 um counts as 58."""
    grid, _ = chip
    limit = limit_of({"CHIP": grid}, "CHIP", "offset", "upper")
    assert limit.values.tolist() == [45.0, 50.0, 55.0, 60.0, 65.0, 70.0, 75.0]
    n = grid.limits.index(limit)
    for guard, callers in ((0.0, 4), (2.0, 3)):
        ranks, impossible = rank_kept([kept(offset=62.0)], grid, guard_sigmas=guard)
        assert not impossible
        # The rank counts the levels that call it: those strictly below.
        assert ranks[0, n] == callers
        assert sum(ranks[0]) == callers


def test_an_item_at_a_level_less_its_margin_is_not_called_there(chip):
    grid, _ = chip
    n = grid.limits.index(limit_of({"CHIP": grid}, "CHIP", "offset", "upper"))
    ranks, _ = rank_kept([kept(offset=64.0)], grid, guard_sigmas=2.0)
    assert ranks[0, n] == 3  # 45, 50, 55; at 60 it lies at the limit


def test_an_impossible_item_is_named_with_the_limit_needed(chip):
    grid, _ = chip
    items = [kept(offset=40.0), kept(fill=90.0), kept(offset=90.0)]
    ranks, impossible = rank_kept(items, grid, guard_sigmas=2.0)
    assert ranks.shape == (1, len(grid.limits))
    first, second = map(str, impossible)
    assert "must-catch item KB of CHIP cannot be called" in first
    assert "offset upper would have to stand below 36 um" in first
    assert "the tightest that may be set is 45 (at most 3 steps of 5 um in one revision)" in first
    # A lower limit: 90 % counts as 92 %, so the limit has to stand above that.
    assert "fill lower would have to stand above 92 %" in second


def test_an_item_without_a_limited_measurement_says_so(chip):
    grid, _ = chip
    _, (none,) = rank_kept([kept()], grid, guard_sigmas=2.0)
    assert "none of its measurements has a limit" in str(none)


def test_the_must_catch_rail_alone_decides_whether_the_file_is_read(tmp_path):
    plant = read_plant(make_plant(tmp_path))
    assert [k.name for k in read_must_catch(plant)] == ["KB-1"]
    off = read_plant(make_plant(tmp_path, toml=table(rails={"off": ["must-catch"]})))
    assert read_must_catch(off) == ()
    others = [r for r in RAILS if r != "must-catch"]
    assert read_must_catch(read_plant(make_plant(tmp_path, toml=table(rails={"off": others}))))
