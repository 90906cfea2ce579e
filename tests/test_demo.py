"""The demo plant keeps its own rules, and the truth is of the same processes as the history."""

import csv
import tomllib
from pathlib import Path

import duckdb
import numpy as np
import pytest
from scipy.stats import binom

from optimiser.demo.families import FAMILIES
from optimiser.demo.measurements import MEASUREMENTS
from optimiser.demo.process import build_process, middle_at
from optimiser.demo.truth import demo_truth, true_outcome
from optimiser.demo.write import DemoSummary, write_demo
from optimiser.errors import UsageError

SIZE = {"days": 16, "items_per_day": 15_000, "seed": 7}
COLUMNS = [
    *("time", "line", "station", "stage", "product", "board", "lot", "designator", "pin"),
    *("part", "family", *MEASUREMENTS, "called", "verdict", "defect", "found_by", "weight"),
]
KEY = "stage, board, designator, pin, time"


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> tuple[Path, DemoSummary]:
    folder = tmp_path_factory.mktemp("demo") / "plant"
    return folder, write_demo(folder, **SIZE)


@pytest.fixture(scope="module")
def con(demo):
    folder, _ = demo
    with duckdb.connect() as connection:
        for name in ("history", "truth"):
            connection.execute(
                f"create table {name} as select * from read_parquet("
                f"'{folder}/{name}/*/part.parquet', hive_partitioning = false)"
            )
        yield connection


@pytest.fixture(scope="module")
def plant(demo) -> dict:
    return tomllib.loads((demo[0] / "plant.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def recipe(demo) -> list[dict[str, str]]:
    lines = (demo[0] / "recipe.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "# revision 1"
    return list(csv.DictReader(lines[1:]))


@pytest.fixture(scope="module")
def truth():
    return demo_truth(**SIZE, n_goods=20_000, n_defects=2_000)


def one(con, query: str):
    return con.sql(query).fetchall()[0][0]


def bounds(row: dict[str, str]) -> tuple[np.float32, np.float32]:
    return (
        np.float32(row["lower"] or "-inf"),
        np.float32(row["upper"] or "inf"),
    )


def test_columns_and_types_are_those_of_the_contract(con):
    described = con.sql("describe history").fetchall()
    assert [row[0] for row in described] == COLUMNS
    types = {row[0]: row[1] for row in described}
    assert {types[name] for name in MEASUREMENTS} == {"FLOAT"}
    assert types["time"] == "TIMESTAMP"
    assert types["called"] == "BOOLEAN"
    assert types["weight"] == "DOUBLE"
    others = set(COLUMNS) - set(MEASUREMENTS) - {"time", "called", "weight"}
    assert {types[name] for name in others} == {"VARCHAR"}


def test_folders_are_the_days_of_their_rows(demo):
    days = sorted(path.name for path in (demo[0] / "history").iterdir())
    assert len(days) == SIZE["days"]
    assert days[0] == "day=2026-01-05"
    for day in (days[0], days[-1]):
        found = duckdb.sql(
            f"select distinct time::date::varchar from '{demo[0]}/history/{day}/part.parquet'"
        ).fetchall()
        assert found == [(day.removeprefix("day="),)]


def test_summary_counts_what_was_written(con, demo):
    _, summary = demo
    counted = con.sql(
        f"""select count(*), count(*) filter (called), count(true_defect),
        count(true_defect) filter (called), count(*) filter (verdict = 'defect')
        from history join truth on {_same_key()}"""
    ).fetchall()[0]
    assert counted == (
        summary.rows,
        summary.called,
        summary.true_defects,
        summary.true_called,
        summary.labelled_defects,
    )
    assert 0.9 < summary.rows / (SIZE["days"] * SIZE["items_per_day"]) < 1.1
    by_family = dict(con.sql("select family, count(*) from history group by 1").fetchall())
    assert by_family == {f.family: f.items for f in summary.families}


def _same_key() -> str:
    return " and ".join(
        f"history.{name} is not distinct from truth.{name}" for name in KEY.split(", ")
    )


def test_truth_and_history_have_the_same_keys_once(con):
    rows = one(con, "select count(*) from history")
    assert one(con, f"select count(*) from (select distinct {KEY} from history)") == rows
    assert one(con, "select count(*) from truth") == rows
    missing = f"select {KEY} from history except select {KEY} from truth"
    assert one(con, f"select count(*) from ({missing})") == 0


def test_not_measured_is_null_and_never_nan(con):
    for family in FAMILIES:
        where = f"from history where family = '{family.name}'"
        items = one(con, f"select count(*) {where}")
        for name in MEASUREMENTS:
            assert one(con, f"select count(*) {where} and isnan({name})") == 0
            measured = one(con, f"select count({name}) {where}")
            if name in family.measures:
                assert 0.985 * items < measured <= items
            else:
                assert measured == 0
    gaps = " + ".join(f"count(*) filter ({n} is null and family = 'RES-0402')" for n in
                      FAMILIES[0].measures)  # fmt: skip
    assert one(con, f"select {gaps} from history") > 0


def test_called_is_the_recipe_in_float32_overrides_included(con, recipe):
    seen_called = 0
    for family in FAMILIES:
        names = list(family.measures)
        table = con.sql(
            f"select part, product || '/' || designator as place, called, {', '.join(names)} "
            f"from history where family = '{family.name}'"
        ).fetchnumpy()
        called = np.zeros(len(table["called"]), bool)
        for name in names:
            lower, upper = _limits_in_force(recipe, family.name, name, table)
            values = np.ma.filled(table[name], np.nan)
            assert values.dtype == np.float32
            called |= (values < lower) | (values > upper)
        assert np.array_equal(called, np.asarray(table["called"], bool)), family.name
        seen_called += int(called.sum())
    assert seen_called == one(con, "select count(*) from history where called")


def _limits_in_force(recipe, family, measurement, table):
    """Return lower and upper per item; rows in rising order of precedence."""
    n = len(table["called"])
    lower, upper = np.full(n, -np.inf, np.float32), np.full(n, np.inf, np.float32)
    columns = {"family": np.full(n, family), "part": table["part"], "designator": table["place"]}
    for scope, column in columns.items():
        for row in recipe:
            if (row["scope"], row["measurement"]) == (scope, measurement):
                here = np.asarray(column == row["name"], bool)
                lower[here], upper[here] = bounds(row)
    return lower, upper


@pytest.mark.parametrize("scope", ["part", "designator"])
def test_each_override_decides_calls_the_family_limit_would_not(con, recipe, scope):
    column = "part" if scope == "part" else "product || '/' || designator"
    family_rows = {(r["name"], r["measurement"]): r for r in recipe if r["scope"] == "family"}
    different = 0
    for row in (r for r in recipe if r["scope"] == scope):
        found = con.sql(
            f"select family, {row['measurement']} as x from history where {column} = "
            f"'{row['name']}' and {row['measurement']} is not null and stage = 'post-reflow'"
        ).fetchnumpy()
        family = family_rows[str(found["family"][0]), row["measurement"]]
        values = np.ma.filled(found["x"], np.nan)
        outside = [(values < b[0]) | (values > b[1]) for b in (bounds(row), bounds(family))]
        different += int((outside[0] != outside[1]).sum())
    assert different > 0


def test_some_values_tie_with_their_limit_and_are_not_called_for_it(con, recipe):
    row = next(r for r in recipe if (r["name"], r["measurement"]) == ("RES-0402", "body_match"))
    limit = np.float32(row["lower"])
    # Written as FLOAT, so that equality is asked between two float32.
    ties = one(
        con,
        "select count(*) from history where family = 'RES-0402' "
        f"and body_match = {row['lower']}::float",
    )
    assert ties > 0
    assert float(limit) != float(row["lower"])


def test_labels_stand_only_where_they_may(con):
    def none_where(condition):
        broken = one(con, f"select count(*) from history join truth on {_same_key()} "
                          f"where {condition}")  # fmt: skip
        assert broken == 0, condition

    none_where("(verdict is null) <> (found_by is null)")
    none_where("(defect is not null) <> coalesce(verdict = 'defect', false)")
    none_where("found_by = 'review' and not called")
    none_where("found_by = 'audit' and called")
    none_where("found_by in ('test', 'field') and (true_defect is null or verdict <> 'defect')")
    none_where("found_by = 'audit' and (verdict = 'defect') <> (true_defect is not null)")
    none_where("true_defect is not null and verdict = 'defect' and defect <> true_defect")
    none_where("found_by = 'audit' and weight not in (500, 2000)")
    none_where("found_by is distinct from 'audit' and weight <> 1")


def test_reviewers_err_as_often_as_stated(con):
    joined = f"history join truth on {_same_key()} where called"
    goods, wrong = con.sql(
        f"""select count(*), count(*) filter (verdict = 'defect')
        from {joined} and true_defect is null and verdict is not null"""
    ).fetchall()[0]
    assert binom.cdf(wrong, goods, 0.002) > 1e-6
    assert binom.sf(wrong - 1, goods, 0.002) > 1e-6
    unreviewed = one(con, f"select count(*) from {joined} and verdict is null")
    assert 0 < unreviewed < 0.02 * goods


def test_test_finds_the_stated_share_of_escapes_and_nothing_else(con):
    escapes, tested = con.sql(
        f"""select count(*) filter (verdict is distinct from 'defect'
        or found_by in ('test', 'field')), count(*) filter (found_by = 'test')
        from history join truth on {_same_key()} where true_defect is not null"""
    ).fetchall()[0]
    assert tested > 0
    assert binom.cdf(tested, escapes, 0.30) > 1e-6
    assert binom.sf(tested - 1, escapes, 0.30) > 1e-6


def test_audit_picks_what_its_weight_says(con):
    for weight, condition in ((2000, "family <> 'ELCO-8'"), (500, "family = 'ELCO-8'")):
        passed, picked = con.sql(
            f"""select count(*) filter (not called), count(*) filter (found_by = 'audit')
            from history where {condition}"""
        ).fetchall()[0]
        assert binom.cdf(picked, passed, 1 / weight) > 1e-6
        assert binom.sf(picked - 1, passed, 1 / weight) > 1e-6


def test_shares_lie_where_real_lines_lie(demo):
    _, summary = demo
    assert 0.008 < summary.called / summary.rows < 0.02
    assert 12 < (summary.called - summary.true_called) / summary.true_called < 40


def test_pins_only_where_a_family_has_them(con):
    for family in FAMILIES:
        pins = con.sql(
            f"select distinct pin from history where family = '{family.name}' order by pin::int"
        ).fetchall()
        wanted = [str(i + 1) for i in range(family.pins)] or [None]
        assert [pin for (pin,) in pins] == wanted


def test_recipe_has_one_row_per_measurement_and_sits_inside_the_bounds(recipe, plant):
    rows = [(r["name"], r["measurement"]) for r in recipe if r["scope"] == "family"]
    assert rows == [(f.name, name) for f in FAMILIES for name in f.measures]
    for row in recipe:
        lower, upper = bounds(row)
        assert lower < upper
        assert row["unit"] == plant["measurements"][row["measurement"]]["unit"]
    for family, spec in plant["families"].items():
        for name, bound in spec.get("workmanship", {}).items():
            row = next(r for r in recipe if (r["name"], r["measurement"]) == (family, name))
            lower, upper = bounds(row)
            assert bound.get("lower", -np.inf) < lower or not row["lower"]
            assert upper < bound.get("upper", np.inf) or not row["upper"]


def test_limits_stand_on_their_steps(recipe, plant):
    for row in recipe:
        step = plant["measurements"][row["measurement"]]["step"]
        for side in ("lower", "upper"):
            if row[side]:
                steps = float(row[side]) / step
                assert steps == pytest.approx(round(steps), abs=1e-9)


def test_plant_file_names_everything(plant, con):
    assert set(plant["measurements"]) == set(MEASUREMENTS)
    assert list(plant["families"]) == [family.name for family in FAMILIES]
    assert [n for n, f in plant["families"].items() if f["critical"]] == ["ELCO-8"]
    priced = set(plant["escape_cost"]["by_defect"])
    kinds = {k for (k,) in con.sql("select distinct true_defect from truth").fetchall() if k}
    assert kinds <= priced
    assert set(plant) == {
        *("plant", "review", "escape_cost", "labels", "measurements", "families", "rails", "advice")
    }


def test_must_catch_is_called_with_margin_by_the_live_recipe(demo, recipe, plant):
    with (demo[0] / "must_catch.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert 10 <= len(rows) <= 20
    assert list(rows[0]) == ["name", "family", *MEASUREMENTS]
    assert len({row["name"] for row in rows}) == len(rows)
    limits = {(r["name"], r["measurement"]): bounds(r) for r in recipe if r["scope"] == "family"}
    for row in rows:
        beyond = []
        for name in MEASUREMENTS:
            if row[name]:
                lower, upper = limits[row["family"], name]
                past = max(float(lower) - float(row[name]), float(row[name]) - float(upper))
                beyond.append(past / plant["measurements"][name]["repeatability"])
        assert max(beyond) > 2.0, row["name"]


def test_one_process_drifts_and_the_others_stay(con):
    def moved(family):
        first, last, spread = con.sql(
            f"""select avg(fillet_height) filter (time < '2026-01-09'),
            avg(fillet_height) filter (time >= '2026-01-17'), stddev(fillet_height)
            from history where family = '{family}'"""
        ).fetchall()[0]
        return (last - first) / spread

    assert moved("QFP-32") < -0.6
    assert abs(moved("RES-0402")) < 0.5


def test_the_second_supplier_is_another_population(con):
    parts = dict(
        con.sql(
            "select part, avg(fillet_height) from history where family = 'CAP-0603' group by 1"
        ).fetchall()
    )
    assert set(parts) == {"C206-1180", "C206-2240"}
    spread = one(con, "select stddev(fillet_height) from history where family = 'CAP-0603'")
    assert parts["C206-1180"] - parts["C206-2240"] > 0.7 * spread


def test_one_designator_stands_out_and_has_no_row_of_its_own(con, recipe):
    shares = con.sql(
        "select product || '/' || designator, avg(called::int) from history "
        "where family = 'SOT-23' group by 1 order by 2 desc"
    ).fetchall()
    assert shares[0][1] > 3 * shares[1][1]
    assert shares[0][0] not in {row["name"] for row in recipe}


def test_lots_differ_in_their_defects(con):
    """More lot-to-lot scatter of the number of defects than chance alone would make."""
    lots = con.sql("select count(true_defect), count(*) from truth group by lot").fetchnumpy()
    defects, items = (np.asarray(column, float) for column in lots.values())
    expected = items * defects.sum() / items.sum()
    dispersion = ((defects - expected) ** 2 / expected).sum() / (len(items) - 1)
    assert dispersion > 1.2


def test_same_seed_same_values_and_another_seed_others(tmp_path):
    small = {"days": 2, "items_per_day": 2_000}
    for name, seed in (("a", 3), ("b", 3), ("c", 4)):
        write_demo(tmp_path / name, **small, seed=seed)
    for file in ("plant.toml", "recipe.csv", "must_catch.csv"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()
    assert (tmp_path / "a/recipe.csv").read_bytes() != (tmp_path / "c/recipe.csv").read_bytes()
    for kind in ("history", "truth"):
        rows = {
            name: duckdb.sql(f"from '{tmp_path}/{name}/{kind}/*/part.parquet'").fetchall()
            for name in "abc"
        }
        assert rows["a"] == rows["b"]
        assert rows["a"] != rows["c"]


def test_a_board_holds_every_place_of_its_product(con):
    counts = con.sql(
        "select product, count(*) as n from history group by product, board"
    ).fetchall()
    wanted = {
        product: sum(f.places[i] * max(f.pins, 1) for f in FAMILIES)
        for i, product in enumerate(("TERN", "CURLEW", "WIGEON"))
    }
    assert all(n == wanted[product] for product, n in counts)


def test_truth_expects_the_calls_the_history_has(demo, truth):
    """Live recipe on the fresh sample against the history: lots alone may part them."""
    _, summary = demo
    expected_false = expected_caught = expected_defects = 0.0
    for count in summary.families:
        sample = truth[count.family]
        outcome = true_outcome(sample, lower=sample.live_lower, upper=sample.live_upper)
        assert sample.expected_goods + sample.expected_defects == pytest.approx(count.items)
        assert sum(outcome.escapes_by_type.values()) == pytest.approx(outcome.escapes)
        expected_false += outcome.false_calls
        expected_caught += sample.expected_defects - outcome.escapes
        expected_defects += sample.expected_defects
    assert summary.called - summary.true_called == pytest.approx(expected_false, rel=0.15)
    assert summary.true_defects == pytest.approx(expected_defects, rel=0.3)
    assert summary.true_called == pytest.approx(expected_caught, rel=0.3)


def test_truth_is_the_same_process_measurement_by_measurement(con, truth):
    """Quartiles of the goods agree within a quarter of their spread."""
    for name, sample in truth.items():
        columns = ", ".join(f"history.{column}" for column in sample.measurements)
        table = con.sql(
            f"select {columns} from history join truth on {_same_key()} "
            f"where history.family = '{name}' and true_defect is null"
        ).fetchnumpy()
        for i, measurement in enumerate(sample.measurements):
            past = np.nanquantile(np.ma.filled(table[measurement], np.nan), [0.25, 0.5, 0.75])
            fresh = np.nanquantile(sample.goods[:, i], [0.25, 0.5, 0.75])
            assert np.abs(past - fresh).max() <= 0.25 * (fresh[2] - fresh[0]) + 0.01


def test_truth_has_the_families_mix_of_kinds(truth):
    """A pool of some thousand lots leaves a few percent to chance."""
    for family in FAMILIES:
        found = np.array(truth[family.name].defect_type)
        for kind, share in family.kinds.items():
            assert np.mean(found == kind) == pytest.approx(share, abs=0.06), family.name


def test_no_single_measurement_does_what_all_do_together(truth):
    """Alone, catching as many defects as the live recipe calls five times the goods."""
    for name in ("RES-0402", "SOIC-8", "PASTE-FINE"):
        sample = truth[name]
        live = true_outcome(sample, lower=sample.live_lower, upper=sample.live_upper)
        missed = live.escapes / sample.expected_defects
        for i in range(len(sample.measurements)):
            middle = np.nanmedian(sample.goods[:, i])
            good, bad = (np.abs(x[:, i] - middle) for x in (sample.goods, sample.defects))
            limit = np.nanquantile(bad, missed)
            assert np.nanmean(good > limit) > 5 * live.false_calls / sample.expected_goods


def test_loosening_trades_false_calls_for_escapes(truth):
    sample = truth["CAP-0402"]
    k = len(sample.measurements)
    off = np.full(k, np.inf)
    live = true_outcome(sample, lower=sample.live_lower, upper=sample.live_upper)
    loose = true_outcome(sample, lower=sample.live_lower, upper=off)
    none = true_outcome(sample, lower=-off, upper=off)
    assert live.escapes < loose.escapes < none.escapes == pytest.approx(sample.expected_defects)
    assert live.false_calls > loose.false_calls > none.false_calls == 0.0


def test_overrides_stay_in_force_in_the_truth(truth):
    sample = truth["CAP-0603"]
    off = np.full(len(sample.measurements), np.inf)
    outcome = true_outcome(sample, lower=-off, upper=off)
    assert outcome.false_calls > 0.0
    assert outcome.escapes < sample.expected_defects
    assert (
        np.isfinite(sample.own_lower[:, 0]).sum() == np.isfinite(sample.own_upper[:, 0]).sum() > 0
    )


def test_truth_is_fixed_by_its_seed():
    small = {"days": 2, "items_per_day": 2_000, "n_goods": 500, "n_defects": 200}
    first, again, other = (
        demo_truth(seed=seed, **small, families=["SOT-6"])["SOT-6"] for seed in (5, 5, 6)
    )
    assert np.array_equal(first.goods, again.goods, equal_nan=True)
    assert np.array_equal(first.defects, again.defects, equal_nan=True)
    assert first.defect_type == again.defect_type
    assert not np.array_equal(first.goods, other.goods, equal_nan=True)


def test_the_rare_family_has_about_three_defects_in_a_full_history():
    sample = demo_truth(n_goods=10, n_defects=10, families=["CAP-1210"])["CAP-1210"]
    assert 3.0 <= sample.expected_defects <= 4.5


def test_middle_moves_with_the_latent():
    process = build_process(0, seed=1, items_per_board=290.0)
    still = middle_at(process, process.latent({}))
    worse = middle_at(process, process.latent({"body_match": 1.0, "side_overhang": 1.0}))
    moved = dict(zip(process.names, worse - still, strict=True))
    assert moved["body_match"] < 0 < moved["side_overhang"]
    assert moved["fillet_height"] == 0.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"days": 0}, "days must be at least 1, got 0"),
        ({"lines": 0}, "lines must be at least 1, got 0"),
        ({"items_per_day": -5}, "items_per_day must be at least 1, got -5"),
        ({"seed": -1}, "seed must be at least 0, got -1"),
    ],
)
def test_impossible_sizes_are_refused(tmp_path, arguments, words):
    with pytest.raises(UsageError, match=words):
        write_demo(tmp_path / "x", **arguments)
    assert not (tmp_path / "x").exists()


def test_a_second_history_in_the_same_folder_is_refused(tmp_path):
    (tmp_path / "history").mkdir()
    with pytest.raises(UsageError, match="already holds a history; choose another folder"):
        write_demo(tmp_path, days=1, items_per_day=100)


def test_truth_refuses_unknown_families_and_empty_samples(truth):
    with pytest.raises(UsageError, match="did you mean 'RES-0402'"):
        demo_truth(days=1, items_per_day=100, families=["RES-402"])
    with pytest.raises(UsageError, match="n_goods must be at least 1, got 0"):
        demo_truth(days=1, items_per_day=100, n_goods=0)
    with pytest.raises(ValueError, match="must hold 6 limits each for RES-0402"):
        true_outcome(truth["RES-0402"], lower=np.zeros(2), upper=np.zeros(6))


@pytest.mark.slow
def test_the_full_demo_has_the_figures_it_is_for(tmp_path):
    summary = write_demo(tmp_path / "plant")
    assert summary.rows == pytest.approx(1_500_000, rel=0.05)
    assert 0.010 < summary.called / summary.rows < 0.016
    assert 20 < (summary.called - summary.true_called) / summary.true_called < 35
    labelled = {f.family: f.labelled_defects for f in summary.families}
    assert labelled["CAP-1210"] == 3
    assert sum(n >= 100 for n in labelled.values()) >= 3
    assert sum(25 <= n <= 70 for n in labelled.values()) >= 12
    for family in ("SOT-6", "QFN-16"):
        count = next(f for f in summary.families if f.family == family)
        assert count.true_called < 0.8 * count.true_defects
