"""First limits of a family with little or no history: what may reach them, what they keep to, what is said."""

import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from factories import make_demo, make_plant, table
from start_judge import first_days, judge

from optimiser.cli import main
from optimiser.errors import UsageError
from optimiser.history.read import open_history
from optimiser.plant.file import Bound, Dimensions, Family, Plant, read_plant
from optimiser.plant.workmanship import CHECK
from optimiser.proposal.possible import outlooks
from optimiser.proposal.sighting import sightings
from optimiser.proposal.start import one_sided_factor, start
from optimiser.proposal.start_known import CERTIFICATES, Known, siblings_of
from optimiser.proposal.start_record import with_first_limits
from optimiser.proposal.start_weighed import Weighed
from optimiser.recipe.table import Recipe, read_recipe
from optimiser.tally.count import is_called
from optimiser.tally.must_catch import KeptItem
from optimiser.views.notebook import show_start
from optimiser.views.panels.opening import open_session

CHIPS = ("RES-0603", "RES-0805", "CAP-0603", "CAP-0805")
NEW = "RES-0805"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A demo of four chip families and one that has no sibling, without limits of NEW."""
    where = tmp_path_factory.mktemp("start") / "plant"
    make_demo(where, (*CHIPS, "ELCO-8"), days=12, items_per_day=12_000, seed=5)
    path = where / "recipe.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(x for x in lines if f",{NEW}," not in x) + "\n", encoding="utf-8")
    return where


@pytest.fixture(scope="module")
def before_it(folder, tmp_path_factory):
    """The same plant before NEW has been built at all."""
    where = tmp_path_factory.mktemp("before") / "plant"
    shutil.copytree(folder, where)
    for path in (where / "history").rglob("*.parquet"):
        items = pd.read_parquet(path)
        items[items["family"] != NEW].to_parquet(path, index=False)
    return where


@pytest.fixture(scope="module")
def plant(folder):
    return read_plant(folder)


@pytest.fixture(scope="module")
def live(folder, plant):
    return read_recipe(folder / "recipe.csv", plant.file.measurements)


@pytest.fixture(scope="module")
def seen(plant, live):
    """What the whole history shows of every family."""
    with open_history(plant) as history:
        return sightings(history, live)


@pytest.fixture(scope="module")
def few(plant, live):
    """What the first day shows."""
    with open_history(plant) as history:
        return first_days(history, live, 1)


@pytest.fixture(scope="module")
def first(plant, seen):
    """First limits of NEW without any history of its own."""
    return start(plant, NEW, seen, own=None, possible=8)


def with_family(plant: Plant, name: str, family: Family) -> Plant:
    """The plant with one family's table replaced."""
    families = {**plant.file.families, name: family}
    return plant.model_copy(update={"file": plant.file.model_copy(update={"families": families})})


def limits_of(found) -> dict:
    return {(x.measurement, x.side): x.limit for x in found.limits}


# What may reach them -----------------------------------------------------------------------------


def test_its_own_later_items_never_reach_its_first_limits(plant, seen, first):
    """The family's whole history, made absurd, lies among the sightings: nothing changes."""
    absurd = replace(
        seen[NEW],
        goods=100 * seen[NEW].goods,
        defects=-7 * seen[NEW].defects,
        weight=50 * seen[NEW].weight,
        items=10**9,
    )
    assert start(plant, NEW, {**seen, NEW: absurd}, own=None, possible=8) == first
    without = {k: v for k, v in seen.items() if k != NEW}
    assert start(plant, NEW, without, own=None, possible=8) == first


def test_a_family_is_never_its_own_sibling(plant, seen):
    assert NEW not in {s.family for s in siblings_of(plant, NEW, seen, None)}
    with pytest.raises(ValueError, match="own sibling"):
        outlooks([seen[NEW]], None, {}, NEW)


def test_its_siblings_are_those_of_its_termination(plant, seen, first):
    assert set(first.siblings) == set(CHIPS) - {NEW}
    assert siblings_of(plant, "ELCO-8", seen, None) == ()


def test_a_sibling_with_too_few_lots_is_none(plant, seen):
    thin = {**seen, "CAP-0603": replace(seen["CAP-0603"], lots=2)}
    assert "CAP-0603" not in {s.family for s in siblings_of(plant, NEW, thin, None)}


def test_its_own_first_day_pulls_limits_towards_where_its_goods_lie(plant, seen, few, first):
    """Its goods lie 40 um further out than the siblings' say: the limit follows them."""
    own = few[NEW]
    k = own.measurements.index("body_offset")
    moved = own.goods.copy()
    moved[:, k] += 40
    at_home, away = (
        start(plant, NEW, seen, own=replace(own, goods=goods), possible=8)
        for goods in (own.goods, moved)
    )
    one, two = (limits_of(x)["body_offset", "upper"] for x in (at_home, away))
    assert two - one >= 25
    share = {(x.measurement, x.side): x.own for x in at_home.limits}
    assert 0.05 < share["body_offset", "upper"] < 1
    assert all(x.own == 0 for x in first.limits)


def test_more_lots_of_its_own_count_for_more(plant, live, seen, few):
    with open_history(plant) as history:
        more = first_days(history, live, 8)
    shares = [
        np.mean([x.own for x in start(plant, NEW, seen, own=own[NEW], possible=4).limits])
        for own in (few, more)
    ]
    assert shares[0] < shares[1]


def test_own_defects_stand_where_they_lie(plant, seen, few):
    """Twenty of its own defects just beyond its goods: the limit comes in to call them."""
    own = few[NEW]
    k = own.measurements.index("tilt")
    row = own.goods[np.isfinite(own.goods[:, k])][0].copy()
    row[k] = np.nanquantile(own.goods[:, k], 0.999) + 0.3
    near = replace(
        own,
        defects=np.tile(row, (400, 1)),
        weight=np.ones(400),
        kind=("tombstone",) * 400,
    )
    without, with_them = (start(plant, NEW, seen, own=x, possible=8) for x in (own, near))
    assert limits_of(with_them)["tilt", "upper"] < limits_of(without)["tilt", "upper"]


# What they keep to -------------------------------------------------------------------------------


def test_every_limit_keeps_a_guard_band_inside_its_bound(plant, first):
    """Never looser than bound less guard: below an upper bound, above a lower one."""
    bounded = [x for x in first.limits if x.bound is not None]
    assert {(x.measurement, x.side) for x in bounded} >= {
        ("side_overhang", "upper"),
        ("fillet_height", "lower"),
        ("pad_coverage", "lower"),
    }
    for x in bounded:
        guard = 2.0 * plant.file.measurements[x.measurement].repeatability
        assert x.bound.guard == pytest.approx(guard)
        room = x.bound.value - x.limit if x.side == "upper" else x.limit - x.bound.value
        assert room >= guard - 1e-9, x


@pytest.mark.parametrize(
    ("measurement", "bound", "expected"),
    [
        # 42 less 2 x 3 is 36, on steps of 5 below it; 285 and 6 is 291, on steps above it.
        ("side_overhang", Bound(upper=42.0), ("upper", 35.0)),
        ("fillet_height", Bound(lower=285.0), ("lower", 295.0)),
    ],
)
def test_a_bound_among_the_goods_stops_the_limit_at_its_guard(
    plant, seen, measurement, bound, expected
):
    family = plant.file.families[NEW].model_copy(update={"workmanship": {measurement: bound}})
    found = start(with_family(plant, NEW, family), NEW, seen, own=None, possible=4)
    side, limit = expected
    (one,) = [x for x in found.limits if (x.measurement, x.side) == (measurement, side)]
    assert (one.limit, one.ground) == (limit, "bound")
    assert one.called > 0.005


@pytest.mark.parametrize(
    ("grade", "overhang", "fillet"), [(1, 190.0, None), (2, 190.0, 105.0), (3, 90.0, 180.0)]
)
def test_without_siblings_bounds_alone_by_the_products_class(plant, grade, overhang, fillet):
    """Lead of 0.4, thickness 0.15, solder 0.02 mm: 200 or 100 um less 6; 95 or 170 um and 6."""
    size = Dimensions(width=0.4, thickness=0.15, solder=0.02)
    family = Family(**{"class": grade}, termination="gull-wing", package=size)
    found = start(with_family(plant, "NEW-8", family), "NEW-8", {}, own=None)
    limits = limits_of(found)
    assert limits.get(("side_overhang", "upper")) == overhang
    assert limits.get(("fillet_height", "lower")) == fillet
    assert {x.ground for x in found.limits} == {"bound"}
    assert found.siblings == ()
    assert found.false_calls is None
    assert all(x.bound.computed is not None for x in found.limits)


def test_a_bound_that_the_plant_file_states_is_never_replaced_by_a_computed_one(plant, seen):
    found = start(plant, NEW, seen, own=None, possible=4)
    bound = next(b for b in found.bounds if b.measurement == "side_overhang")
    assert (bound.value, bound.computed) == (600.0, None)
    stated = plant.file.families[NEW].model_copy(
        update={"workmanship": {"side_overhang": Bound(upper=450.0)}}
    )
    other = start(with_family(plant, NEW, stated), NEW, seen, own=None, possible=4)
    ((theirs, computed),) = other.differing
    assert (theirs.value, computed.value) == (450.0, 600.0)


def test_a_must_catch_item_is_called_with_its_margin(plant, seen, first):
    at = limits_of(first)["tilt", "upper"] - 1.0
    item = KeptItem(name="KB", family=NEW, values={"tilt": at})
    found = start(plant, NEW, seen, own=None, kept=[item], possible=8)
    assert limits_of(found)["tilt", "upper"] <= at - 2 * 0.2 + 1e-9
    assert found.missed == ()
    never = KeptItem(name="KB-9", family=NEW, values={"tilt": 0.0})
    assert start(plant, NEW, seen, own=None, kept=[never], possible=4).missed == ("KB-9",)


def test_a_critical_family_lets_no_defect_pass_that_is_known_of_it(plant, seen, few):
    """A defect further in than the limit would stand: a critical family's comes in to call it."""
    own = few[NEW]
    k = own.measurements.index("tilt")
    row = own.goods[np.isfinite(own.goods[:, k])][0].copy()
    usual = limits_of(start(plant, NEW, seen, own=own, possible=8))["tilt", "upper"]
    row[k] = usual - 1.7
    known = replace(own, defects=row[None, :], weight=np.full(1, 0.02), kind=("tombstone",))
    critical = plant.file.families[NEW].model_copy(update={"critical": True})
    found = [
        limits_of(start(p, NEW, seen, own=known, possible=8))["tilt", "upper"]
        for p in (plant, with_family(plant, NEW, critical))
    ]
    assert found[1] < row[k] < found[0]


def test_limits_stand_on_the_machines_steps(plant, first):
    for x in first.limits:
        step = plant.file.measurements[x.measurement].step
        assert x.limit / step == pytest.approx(round(x.limit / step), abs=1e-6)
        assert min(x.low, x.high) <= x.limit <= max(x.low, x.high)


# Without siblings --------------------------------------------------------------------------------


def test_its_own_goods_alone_give_limits_that_call_few_of_them(plant, seen, few):
    found = start(plant, "ELCO-8", {}, own=few["ELCO-8"])
    assert (found.siblings, found.others, found.false_calls) == ((), (), None)
    assert {x.ground for x in found.limits} <= {"bound", "own goods"}
    whole = seen["ELCO-8"]
    for x in found.limits:
        values = whole.goods[:, whole.measurements.index(x.measurement)]
        beyond = values > x.limit if x.side == "upper" else values < x.limit
        assert beyond.mean() < 0.02, x


def test_own_goods_without_siblings_borrow_the_defects_of_other_kinds(plant, seen, few):
    """Nothing is taken from where other kinds' goods lie: moved away, they lend the same defects."""
    own = few["ELCO-8"]
    found = start(plant, "ELCO-8", seen, own=own, possible=8)
    assert (found.siblings, set(found.others)) == ((), set(CHIPS))
    assert found.unseen
    moved = {
        name: replace(s, goods=s.goods + 1e4, defects=s.defects + 1e4) if name in CHIPS else s
        for name, s in seen.items()
    }
    assert limits_of(start(plant, "ELCO-8", moved, own=own, possible=8)) == limits_of(found)


def test_defects_of_other_kinds_near_their_goods_bring_a_limit_in(plant, seen, few):
    def near(s):
        k = s.measurements.index("tilt")
        row = s.goods[np.isfinite(s.goods[:, k])][0].copy()
        row[k] = np.nanquantile(s.goods[:, k], 0.999)
        return replace(
            s, defects=np.tile(row, (400, 1)), weight=np.ones(400), kind=("tombstone",) * 400
        )

    own = few["ELCO-8"]
    usual = start(plant, "ELCO-8", seen, own=own, possible=8)
    close = {name: near(s) if name in CHIPS else s for name, s in seen.items()}
    found = start(plant, "ELCO-8", close, own=own, possible=8)
    assert limits_of(found)["tilt", "upper"] < limits_of(usual)["tilt", "upper"]


def test_bounds_alone_say_what_they_do_elsewhere(plant, seen):
    """Counted on the chips' own samples: what lies beyond their stated bounds less two repeatabilities."""
    found = start(plant, "ELCO-8", seen, own=None)
    assert {x.ground for x in found.limits} == {"bound"}
    passed = []
    for name in CHIPS:
        one, called = seen[name], np.zeros(seen[name].labels, dtype=bool)
        for measurement, bound in plant.file.families[name].workmanship.items():
            x = one.defects[:, one.measurements.index(measurement)]
            guard = 2.0 * plant.file.measurements[measurement].repeatability
            if bound.upper is not None:
                called |= x > bound.upper - guard
            if bound.lower is not None:
                called |= x < bound.lower + guard
        passed.append(float(np.average(~called, weights=one.weight)))
    assert found.elsewhere.families == len(CHIPS)
    assert found.elsewhere.passed == pytest.approx((min(passed), np.median(passed), max(passed)))
    assert start(plant, "ELCO-8", seen, own=seen["ELCO-8"], possible=4).elsewhere is None


def test_one_sided_tolerance_factors_are_the_handbooks():
    """NIST/SEMATECH e-Handbook 7.2.6.3, and 95/95 of 50 as the NRC's tables have it."""
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=1e-4)
    assert one_sided_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=1e-4)
    assert one_sided_factor(50, 0.95, 0.95) == pytest.approx(2.064993, abs=1e-6)


def test_nothing_to_go_by_says_so_with_the_way_out(plant):
    bare = with_family(plant, "ODD", Family())
    with pytest.raises(UsageError, match=r"nothing to go by.*families\.ODD\.termination"):
        start(bare, "ODD", {}, own=None)


# What is said ------------------------------------------------------------------------------------


def test_what_is_expected_is_judged_on_siblings_that_the_limits_had_not_seen(plant, seen, first):
    assert first.unseen
    assert first.false_calls.low <= first.false_calls.value <= first.false_calls.high
    assert 0 < first.escapes.value < first.defects.value
    one = {k: v for k, v in seen.items() if k in (NEW, "RES-0603")}
    assert not start(plant, NEW, one, own=None, possible=4).unseen


def test_a_siblings_own_defects_do_not_speak_for_how_many_of_them_pass(plant, seen):
    """One sibling's defects lie where nobody else's do: limits that had not seen them let them pass."""
    other = seen["CAP-0805"]
    k = other.measurements.index("tilt")
    row = other.goods[np.isfinite(other.goods[:, k])][0].copy()
    row[k] = np.nanquantile(other.goods[:, k], 0.999) + 0.3
    alone = replace(
        other, defects=np.tile(row, (400, 1)), weight=np.ones(400), kind=("tombstone",) * 400
    )
    found = start(plant, NEW, {**seen, "CAP-0805": alone}, own=None, possible=8)
    weighed = Weighed(Known.of(plant, NEW, {**seen, "CAP-0805": alone}, None), (), 8)
    by_all = ~is_called(weighed.setting, weighed.problem.defect_ranks)
    assert found.escapes.value / found.defects.value > 1.3 * by_all.mean()


def test_a_sighting_holds_goods_and_defects_apart(plant, live, seen):
    for one in seen.values():
        assert len(one.goods) == min(8192, one.items - one.labels)
        assert one.labels == len(one.weight) == len(one.kind)
    with open_history(plant) as history:
        (passed,) = history.rows("select count(*) from items where verdict = 'defect'")[0]
    assert sum(s.labels for s in seen.values()) == passed


def test_labels_that_may_be_misread_goods_weigh_less(plant, live, seen):
    careless = plant.file.review.model_copy(update={"false_alarm_rate": 0.03})
    doubted = plant.model_copy(update={"file": plant.file.model_copy(update={"review": careless})})
    with open_history(doubted) as history:
        found = sightings(history, live, CHIPS)
    total, before = (sum(one[f].weight.sum() for f in CHIPS) for one in (found, seen))
    assert total < 0.97 * before


def test_how_long_until_its_own_evidence(plant, seen, few, first):
    asked = [(e.what, e.needed) for e in first.evidence]
    assert asked == [("advice", 8), ("certificate", 22), ("certificate", 59)]
    waits = [e.items.middle for e in first.evidence]
    assert waits == sorted(waits)
    rate = sum(s.labels for s in siblings_of(plant, NEW, seen, None)) / sum(
        s.items for s in siblings_of(plant, NEW, seen, None)
    )
    assert 0.4 < waits[2] * rate / 59 < 2.5
    enough = replace(few[NEW], defects=np.ones((70, 10)), weight=np.ones(70), kind=("x",) * 70)
    assert all(e.items.middle == 0 for e in start_evidence(plant, seen, enough))


def start_evidence(plant, seen, own):
    return start(plant, NEW, seen, own=own, possible=4).evidence


def test_certificates_need_what_the_exact_binomial_says():
    """The fewest defects without a release that prove it (zero-failure table: 22 and 59)."""
    for share, confidence, needed in CERTIFICATES:
        assert (1 - share) ** needed <= 1 - confidence < (1 - share) ** (needed - 1)


def test_a_draft_is_the_recipe_with_the_family_added(live, first):
    draft = with_first_limits(live, first)
    assert draft.rows[: len(live.rows)] == live.rows
    finite = {
        (m, side): row.limit(side)
        for m, row in draft.family_rows(NEW).items()
        for side in ("lower", "upper")
        if np.isfinite(row.limit(side))
    }
    assert finite == limits_of(first)
    assert "unsigned draft" in draft.revision
    with pytest.raises(UsageError, match="signed"):
        with_first_limits(Recipe(revision="9", rows=draft.rows), first)


def run(capsys, *arguments) -> tuple[int, str, str]:
    code = main(["start", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_command_says_all_of_it_and_writes_only_a_draft(capsys, before_it, tmp_path, plant):
    folder = before_it
    before = {p: p.read_bytes() for p in folder.glob("*.*")}
    draft = tmp_path / "first.csv"
    code, out, _ = run(capsys, folder, "--family", NEW, "--write", draft)
    assert code == 0
    for words in (
        "first limits",
        "siblings of termination chip",
        "own share",
        "collect first",
        "labelled defects",
        "so none is a promise",
        "nobody has signed",
    ):
        assert words in " ".join(out.split()), words
    assert {p: p.read_bytes() for p in folder.glob("*.*")} == before
    assert not (folder / "ledger.sqlite").exists()
    told = read_recipe(draft, plant.file.measurements)
    assert told.family_rows(NEW)
    story = (tmp_path / "first.md").read_text(encoding="utf-8")
    assert "Nobody has signed it" in story
    assert CHECK in story
    code, _, err = run(capsys, folder, "--family", NEW, "--write", draft)
    assert (code, "is there already" in err) == (2, True)


def test_the_json_form_holds_what_the_table_holds(capsys, before_it):
    code, out, _ = run(capsys, before_it, "--family", NEW, "--json", "--per-board", "9")
    row = json.loads(out)
    assert code == 0
    assert row["family"] == NEW
    assert {x["measurement"] for x in row["limits"]} >= {"fillet_height", "tilt"}
    assert row["written"] is None
    assert "responsibility" in row["caution"]


def test_limits_in_force_are_not_written_around_a_signature(capsys, folder, tmp_path):
    code, _, err = run(capsys, folder, "--family", "CAP-0603", "--write", tmp_path / "x.csv")
    assert code == 2
    assert "signed" in err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--family", "RES-085"), "RES-0805"),
        (("--family", NEW, "--write", "x.txt"), "ends with .csv or .json"),
        (("--family", NEW, "--write", "no/such/x.csv"), "is no folder"),
        (
            ("--family", NEW, "--write", "x.csv", "--without-rail", "workmanship"),
            "every rail on",
        ),
    ],
)
def test_a_wrong_argument_names_the_way_out(capsys, folder, arguments, words):
    code, _, err = run(capsys, folder, *arguments)
    assert (code, words in err) == (2, True), err


def test_a_plant_without_any_result_goes_by_bounds_alone(capsys, tmp_path):
    toml = table(
        families={"NEW": {"termination": "chip", "workmanship": {"offset": {"upper": 99}}}}
    )
    where = make_plant(tmp_path / "plant", items=[], toml=toml, must_catch=None)
    code, out, err = run(capsys, where, "--family", "NEW")
    assert code == 0
    assert "bounds alone" in out
    assert "bounds alone" in err
    # 99 less a guard band of 2 x 2, on steps of 5.
    assert re.search(r"^offset upper +95 +um +bound", out, re.MULTILINE)


def test_missing_verdicts_are_no_missing_results(capsys, tmp_path):
    where = make_plant(tmp_path / "plant", toml=table(plant={"verdicts": "none-there"}))
    code, _, err = run(capsys, where, "--family", "CHIP")
    assert code == 1
    assert "no verdicts" in err
    assert "bounds alone" not in err


def test_called_items_alone_cannot_say_where_goods_lie(capsys, tmp_path):
    where = make_plant(tmp_path / "plant", toml=table(plant={"only_called": True}))
    code, _, err = run(capsys, where, "--family", "CHIP")
    assert code == 2
    assert "only_called" in err


def test_the_notebook_shows_the_family_that_has_least(before_it):
    with open_session(before_it, trials=2) as session:
        shown = show_start(session)
        assert shown.title == f"First limits of {NEW}"
        assert {"first", "why", "own share, %"} <= set(shown.frame.columns)
        assert "no item of its own" in shown.note
        assert "so none is a promise" in shown.note
        with pytest.raises(UsageError, match="RES-0805"):
            show_start(session, "RES-085")


@pytest.mark.slow
@pytest.mark.ci
def test_first_limits_cost_at_most_twice_the_settled_ones(tmp_path):
    """The short form: five families of one plant; the table of all is in DEVELOPERS.md."""
    rows = judge(
        tmp_path / "plant",
        seed=7,
        days=30,
        items_per_day=20_000,
        families=("RES-0603", "CAP-0805", "SOT-23", "CON-10", "PASTE-FINE"),
        own_days=(0, 1, 3),
        trials=15,
    )
    for day, most in ((0, 2.0), (1, 1.5), (3, 1.35)):
        some = [r for r in rows if r.days == day]
        assert len(some) == 5
        assert sum(r.first for r in some) <= most * sum(r.settled for r in some), day
        if day:
            assert sum(r.first for r in some) < 0.5 * sum(r.naive for r in some), day
