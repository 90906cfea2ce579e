"""Audits: published figures, exact identities, sheets that cannot be changed unseen, truth."""

import csv
import json
import shutil
from dataclasses import replace
from itertools import product

import duckdb
import numpy as np
import pytest
from factories import COLUMNS as ITEM_COLUMNS
from factories import RECIPE, called, make_items, make_plant, read_rows, table, write_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, hypergeom

from optimiser.cli import main
from optimiser.errors import HistoryError, UsageError
from optimiser.evidence.audit import (
    BANDS,
    CUTS,
    FAR,
    Judged,
    Stratum,
    allocate,
    clean,
    estimate,
    fewest_escapes,
    most_escapes,
)
from optimiser.evidence.intervals import weighted_total
from optimiser.history.contract import KEY
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe
from optimiser.studies.audit_plan import plan_audit
from optimiser.studies.audit_sheet import COLUMNS, read_audit, read_sheet, write_sheet

# --- published figures

# Down syndrome by mother's age (columns: below 20, 20-24, ... 40 and over) and birth order
# (rows), Michigan 1950-1964, Fleiss (1981); data as in the example of the R package epitools,
# ageadjust.direct, which recreates table 1 of Fay and Feuer (1997). From memory.
BIRTHS = np.array(
    [
        [230061, 329449, 114920, 39487, 14208, 3052],
        [72202, 326701, 208667, 83228, 28466, 5375],
        [15050, 175702, 207081, 117300, 45026, 8660],
        [2293, 68800, 132424, 98301, 46075, 9834],
        [327, 30666, 123419, 149919, 104088, 34392],
    ]
)
DOWN = np.array(
    [
        [107, 141, 60, 40, 39, 25],
        [25, 150, 110, 84, 82, 39],
        [3, 71, 114, 103, 108, 75],
        [1, 26, 64, 89, 137, 96],
        [0, 8, 63, 112, 262, 295],
    ]
)
RATES = [
    (56.3, 92.3, 80.4, 105.8),
    (67.6, 91.2, 82.4, 100.9),
    (83.3, 85.1, 77.2, 94.2),
    (115.5, 92.7, 80.0, 114.7),
    (167.1, 75.5, 67.7, 188.3),
]


@pytest.mark.parametrize("order", range(5))
def test_fay_and_feuer_table_1(order):
    crude, adjusted, low, high = RATES[order]
    births, cases = BIRTHS[order], DOWN[order].astype(float)
    weights = BIRTHS.sum(axis=0) / BIRTHS.sum() / births * 1e5
    found = weighted_total(cases, weights, level=0.95)
    assert cases.sum() / births.sum() * 1e5 == pytest.approx(crude, abs=0.06)
    assert (found.value, found.low, found.high) == pytest.approx((adjusted, low, high), abs=0.06)


def test_hypergeometric_bounds():
    # statistics.md 3.3 (c), recomputed.
    assert most_escapes(1000, 300, 0, level=0.95) == 8
    assert most_escapes(980_000, 2_000, 0, level=0.95) == 1465
    # Finite lots, outside-checks.md section 7: the sample that catches one of D defects with
    # 95 % leaves D - 1 possible, one item less leaves D.
    for lot, defects, sample in [(1000, 1, 950), (1000, 2, 777), (1000, 5, 450), (1000, 10, 258)]:
        assert most_escapes(lot, sample, 0, level=0.95) == defects - 1
        assert most_escapes(lot, sample - 1, 0, level=0.95) == defects


def test_rule_of_three():
    """Hanley and Lippman-Hand (1983), from memory: none of n proves 3 in n at 95 %."""
    for level, numerator in [
        (0.95, 2.995732),
        (0.97, 3.506558),
        (0.99, 4.605170),
        (0.995, 5.298317),
    ]:
        strata = [stratum("A", "near", 3_000, 100), stratum("A", "far", 15_000, 500)]
        found = clean(strata, level=level)
        assert found.total == pytest.approx(numerator * 30, rel=1e-6)
        assert found.total_ppm == pytest.approx(numerator / 600 * 1e6, rel=1e-6)


def test_horvitz_thompson_vector():
    """statistics.md 3.3: 48.0, standard error 18.72, 17.2 to 1834.7; near only to 128.2."""
    strata = judged((2_000, 18_000, 980_000), (800, 1_000, 2_000), (12, 1, 0))
    found = estimate(strata)
    assert found.escapes.value == pytest.approx(48.0)
    assert found.error == pytest.approx(18.72, abs=0.005)
    assert (found.escapes.low, found.escapes.high) == pytest.approx((17.2, 1834.7), abs=0.06)
    near = estimate(strata[:2]).escapes
    assert (near.low, near.high) == pytest.approx((17.2, 128.2), abs=0.06)


def stratum(family, band, items, picked) -> Stratum:
    return Stratum(family=family, band=band, items=items, picked=picked)


def judged(sizes, picked, found) -> list[Judged]:
    return [
        Judged(name=f"A, {b}", far=b == "far", items=N, picked=n, judged=n, found=x)
        for b, N, n, x in zip(BANDS, sizes, picked, found, strict=True)
    ]


# --- exact identities


@given(st.data())
def test_bounds_are_the_largest_and_smallest_that_are_possible(data):
    items = data.draw(st.integers(1, 40))
    picked = data.draw(st.integers(0, items))
    found = data.draw(st.integers(0, picked))
    level = data.draw(st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99]))
    every = range(found, items - picked + found + 1)
    fewer = [D for D in every if hypergeom.cdf(found, items, D, picked) > 1 - level]
    more = [D for D in every if hypergeom.sf(found - 1, items, D, picked) > 1 - level]
    assert most_escapes(items, picked, found, level=level) == max(fewer)
    assert fewest_escapes(items, picked, found, level=level) == min(more)


@pytest.mark.parametrize(
    ("items", "picked", "level"), [*product((17, 40), (1, 6, 17), (0.8, 0.95))]
)
def test_one_stratum_holds_its_level_exactly(items, picked, level):
    chances = []
    for defects in range(items + 1):
        x = np.arange(max(0, picked + defects - items), min(picked, defects) + 1)
        chance = hypergeom.pmf(x, items, defects, picked)
        most = np.array([most_escapes(items, picked, int(n), level=level) for n in x])
        least = np.array([fewest_escapes(items, picked, int(n), level=level) for n in x])
        chances.append((chance[most < defects].sum(), chance[least > defects].sum()))
    assert np.max(chances) <= 1 - level + 1e-12
    if 1 < picked < items:
        assert np.max(chances) > (1 - level) / 4  # and wastes little


@given(st.data())
def test_a_clean_result_is_as_rare_as_stated_when_more_escape(data):
    count = data.draw(st.integers(1, 4))
    sizes = data.draw(st.lists(st.integers(5, 400), min_size=count, max_size=count))
    strata = [
        stratum("A", BANDS[n % 3], N, data.draw(st.integers(1, N))) for n, N in enumerate(sizes)
    ]
    level = data.draw(st.sampled_from([0.8, 0.9, 0.95]))
    defects = [data.draw(st.integers(0, N)) for N in sizes]
    bound = clean(strata, level=level)
    chance = np.prod(
        [hypergeom.pmf(0, s.items, D, s.picked) for s, D in zip(strata, defects, strict=True)]
    )
    if sum(defects) > bound.total:
        assert chance <= 1 - level + 1e-9
    for s, D, most in zip(strata, defects, bound.strata, strict=True):
        assert most >= D or hypergeom.pmf(0, s.items, D, s.picked) <= 1 - level + 1e-9


# --- the plan

SIZES = st.lists(st.tuples(st.integers(1, 5_000), st.integers(0, 2)), min_size=1, max_size=40)


@given(SIZES, st.integers(1, 3_000))
def test_allocation_keeps_its_rules(strata, items):
    sizes, bands = (np.array(x, dtype=np.int64) for x in zip(*strata, strict=True))
    try:
        picked = allocate(sizes, bands, items=items)
    except UsageError as error:
        needed = int(str(error).split("at least ")[1].split()[0])
        assert items < needed <= 4 * len(sizes) + 2
        allocate(sizes, bands, items=needed)
        return
    far = bands == FAR
    assert picked.sum() == min(items, sizes.sum())
    assert np.all(picked <= sizes)
    assert np.all(picked >= np.minimum(sizes, 2))
    assert picked[far].sum() >= min(0.3 * min(items, sizes.sum()), sizes[far].sum())
    weights = sizes / picked
    assert weights @ picked == pytest.approx(sizes.sum())


def test_allocation_near_the_limits_follows_neyman():
    sizes, bands = np.array([2_000, 18_000, 980_000]), np.array([0, 1, 2])
    picked = allocate(sizes, bands, items=1000)
    wanted = np.array([2_000 * np.sqrt(0.01 * 0.99), 18_000 * np.sqrt(0.001 * 0.999)])
    assert picked[FAR] == 300
    assert picked[:2] == pytest.approx(700 * wanted / wanted.sum(), abs=1)


def test_far_weights_are_alike():
    sizes, bands = np.array([90_000, 60_000, 30_000, 500, 700]), np.array([2, 2, 2, 0, 1])
    picked = allocate(sizes, bands, items=600)
    assert sizes[:3] / picked[:3] == pytest.approx(1000.0)


def opened(folder):
    plant = read_plant(folder)
    return open_history(plant), read_recipe(plant.locate("recipe.csv"), plant.file.measurements)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """An open history of the tiny plant and its live recipe."""
    history, live = opened(make_plant(tmp_path_factory.mktemp("audit")))
    yield history, live
    history.close()


def text_key(item) -> tuple[str, ...]:
    key = {**item, "time": item["time"].strftime("%Y-%m-%d %H:%M:%S.%f")}
    return tuple(key[c] or "" for c in KEY)


def passed_items() -> dict[tuple[str, ...], dict]:
    """Return the items that passed and nobody judged, worked out in plain Python."""
    return {text_key(i): i for i in make_items() if not called(i, RECIPE) and i["verdict"] is None}


def distances(items) -> dict[tuple[str, ...], tuple[str, float]]:
    """Return family and distance of items in plain Python: a second opinion."""
    floor = {"tilt": 0.1, "offset": 2.0, "fill": 1.0}
    unit = {
        (f, m): max(
            np.std([i[m] for i in items.values() if i["family"] == f and i[m] is not None], ddof=1),
            r,
        )
        for f, (m, r) in product(("CHIP", "SOT"), floor.items())
    }
    found = {}
    for key, item in items.items():
        deciding = {}
        for scope, name in (
            ("family", item["family"]),
            ("part", item["part"]),
            ("designator", item["designator"]),
        ):
            deciding |= {r[2]: r for r in RECIPE if r[0] == scope and r[1] == name}
        gaps = [np.inf]
        for m, row in deciding.items():
            if item[m] is not None:
                u = unit[item["family"], m]
                gaps += [(item[m] - float(row[3])) / u] if row[3] else []
                gaps += [(float(row[4]) - item[m]) / u] if row[4] else []
        found[key] = (item["family"], min(gaps))
    return found


def test_strata_are_cut_by_distance_in_standard_deviations(small):
    plan = plan_audit(*small, items=10_000, seed=1)
    passed = passed_items()
    assert {i.key for i in plan.items} == set(passed)
    apart = distances(passed)
    for item in plan.items:
        family, distance = apart[item.key]
        band = int(np.searchsorted(CUTS, distance, side="right"))
        assert plan.strata[item.stratum].name == f"{family}, {BANDS[band]}", distance
    assert {s.band for s in plan.strata} == set(BANDS)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(1, 10**9), items=st.integers(20, 500))
def test_a_plan_keeps_its_rules(small, seed, items):
    plan = plan_audit(*small, items=items, seed=seed)
    keys = [i.key for i in plan.items]
    assert len(keys) == len(set(keys)) == min(items, len(passed_items()))
    assert set(keys) <= set(passed_items())
    counts = np.bincount([i.stratum for i in plan.items], minlength=len(plan.strata))
    assert counts.tolist() == [s.picked for s in plan.strata]
    weights = np.array([plan.strata[i.stratum].weight for i in plan.items])
    for n, s in enumerate(plan.strata):
        assert weights[[i.stratum == n for i in plan.items]].sum() == pytest.approx(s.items)
    far = [s for s in plan.strata if s.band == "far"]
    picked_far, there = sum(s.picked for s in far), sum(s.items for s in far)
    assert picked_far >= min(0.3 * len(keys), there)
    assert plan_audit(*small, items=items, seed=seed) == plan


def test_another_seed_picks_others_and_every_item_has_the_same_chance(small):
    runs, passed = 60, passed_items()
    hits = dict.fromkeys(passed, 0)
    for seed in range(1, runs + 1):
        plan = plan_audit(*small, items=120, seed=seed)
        for item in plan.items:
            hits[item.key] += 1
    whole = plan_audit(*small, items=10_000, seed=1)
    chance = {i.key: 1 / plan.strata[i.stratum].weight for i in whole.items}
    for key, count in hits.items():
        tails = binom.cdf(count, runs, chance[key]), binom.sf(count - 1, runs, chance[key])
        assert min(tails) > 1e-6 / len(hits)
    assert len(set(hits.values())) > 3


def test_order_and_split_of_files_do_not_matter(tmp_path, small):
    items = make_items()
    rng = np.random.default_rng(1)
    shuffled = [items[n] for n in rng.permutation(len(items))]

    def write(folder, rows) -> None:
        write_rows(folder / "b.csv", ITEM_COLUMNS, rows[:100])
        write_rows(folder / "a.csv", ITEM_COLUMNS, rows[100:])

    history, live = opened(make_plant(tmp_path, items=shuffled, write=write))
    with history:
        assert plan_audit(history, live, items=60, seed=4) == plan_audit(*small, items=60, seed=4)


def test_family_days_and_stage_restrict_what_is_picked(small):
    history, live = small
    plan = plan_audit(history, live, items=400, seed=1, family="SOT", days=2)
    last = max(i["time"] for i in make_items())
    wanted = {
        k
        for k, i in passed_items().items()
        if i["family"] == "SOT" and (last - i["time"]).total_seconds() < 2 * 86400
    }
    assert {i.key for i in plan.items} == wanted
    known = [i for i in make_items() if i["verdict"] == "defect" and not called(i, RECIPE)]
    assert plan_audit(history, live, items=400, seed=1).escapes == len(known) > 0
    with pytest.raises(UsageError, match="no passed paste item"):
        plan_audit(history, live, items=20, seed=1, stage="paste")


def test_too_few_and_too_many_items_are_refused_with_a_number(small):
    with pytest.raises(UsageError, match="--items must be at least") as error:
        plan_audit(*small, items=3, seed=1)
    needed = int(str(error.value).split("at least ")[1].split()[0])
    assert len(plan_audit(*small, items=needed, seed=1).items) == needed
    with pytest.raises(UsageError, match="at most 100,000"):
        plan_audit(*small, items=100_001, seed=1)


def test_a_family_without_any_limit_is_far(tmp_path):
    recipe = [("family", "CHIP", "tilt", "", "3.5", "deg")]
    history, live = opened(make_plant(tmp_path, recipe=recipe))
    with history:
        plan = plan_audit(history, live, items=60, seed=1)
    assert {s.band for s in plan.strata if s.family == "SOT"} == {"far"}


# --- the sheet


def fill(path, verdict=lambda row: ("good", "")) -> list[dict[str, str]]:
    """Fill in a sheet and return its rows."""
    rows = read_rows(path)
    for row in rows:
        row["verdict"], row["defect"] = verdict(row)
    write_rows(path, COLUMNS, rows)
    return rows


@pytest.fixture
def sheet(tmp_path, small):
    """A filled sheet of 60 items, all good."""
    path = tmp_path / "audit.csv"
    write_sheet(plan_audit(*small, items=60, seed=2), path)
    fill(path)
    return path


def test_a_blank_sheet_is_refused_row_by_row(tmp_path, small):
    path = tmp_path / "audit.csv"
    write_sheet(plan_audit(*small, items=60, seed=2), path)
    with pytest.raises(HistoryError, match="row 1: verdict is missing: defect, good, gone"):
        read_audit(*small, path)


CHANGES = [
    ({"verdict": ""}, "verdict is missing", None),
    ({"verdict": "bad"}, "verdict must be one of", "bad"),
    ({"defect": "bridge"}, "a type of defect needs the verdict defect", "bridge"),
    ({"weight": "1"}, "weight changed", "1"),
    ({"weight": ""}, "weight changed", None),
    ({"board": "9"}, "key or stratum changed", ""),
    ({"time": "02.03.2026 06:00"}, "key or stratum changed", ""),
    ({"stratum_items": "9999"}, "key or stratum changed", ""),
    ({"stratum_picked": "0"}, "key or stratum changed", ""),
    ({"stratum": "CHIP, close"}, "key or stratum changed", ""),
]


@pytest.mark.parametrize(("change", "rule", "value"), CHANGES)
def test_a_changed_row_is_named_with_value_and_way_out(sheet, change, rule, value):
    rows = read_rows(sheet)
    rows[6] |= change
    write_rows(sheet, COLUMNS, rows)
    with pytest.raises(HistoryError) as error:
        read_sheet(sheet)
    (finding,) = error.value.args[1]
    assert rule in finding.rule
    assert finding.row == 7
    assert finding.value == (rows[6]["mark"] if value == "" else value)
    assert finding.way_out


def test_duplicate_missing_and_mixed_rows_are_refused(sheet, small, tmp_path):
    rows = read_rows(sheet)
    write_rows(sheet, COLUMNS, [*rows, rows[3]])
    with pytest.raises(HistoryError, match=r"row 61: the item stands in row 4 already.*remove one"):
        read_sheet(sheet)
    write_rows(sheet, COLUMNS, rows[1:])
    with pytest.raises(
        HistoryError, match=f"stratum {rows[0]['stratum']} of .* rows; put the others"
    ):
        read_sheet(sheet)
    other = tmp_path / "other.csv"
    write_sheet(plan_audit(*small, items=100, seed=3), other)
    keys = {tuple(r[c] for c in KEY) for r in rows}
    more = [r for r in fill(other) if tuple(r[c] for c in KEY) not in keys]
    write_rows(sheet, COLUMNS, [*rows, *more])
    with pytest.raises(HistoryError, match="rows of more than one sheet"):
        read_sheet(sheet)
    write_rows(sheet, COLUMNS, [])
    with pytest.raises(HistoryError, match="the sheet has no row"):
        read_sheet(sheet)


def test_an_item_of_another_plant_is_unknown(sheet, tmp_path):
    first = read_rows(sheet)[0]
    others = [
        i
        for i in make_items()
        if (i["board"], i["designator"]) != (first["board"], first["designator"])
    ]
    history, live = opened(make_plant(tmp_path / "other", items=others))
    with (
        history,
        pytest.raises(
            HistoryError, match=f"row 1: no such item in the history, got .*{first['board']}"
        ),
    ):
        read_audit(history, live, sheet)


def test_a_sheet_with_semicolons_reads_alike(sheet):
    before = read_sheet(sheet)
    with sheet.open(newline="") as file:
        head, *rows = csv.reader(file)
    weight = COLUMNS.index("weight")
    for row in rows:
        row[weight] = row[weight].replace(".", ",")
    with sheet.open("w", newline="", encoding="utf-8-sig") as out:
        csv.writer(out, delimiter=";").writerows([head, *rows])
    assert read_sheet(sheet) == before


def test_gone_boards_leave_the_others_to_stand_for_them(sheet, small):
    rows = read_rows(sheet)
    name = rows[0]["stratum"]
    mine = [r for r in rows if r["stratum"] == name]
    mine[0]["verdict"] = "gone"
    mine[1]["verdict"] = "defect"
    write_rows(sheet, COLUMNS, rows)
    audited = read_audit(*small, sheet)
    (found,) = (s for s in audited.strata if s.name == name)
    assert (found.picked, found.judged, found.found) == (len(mine), len(mine) - 1, 1)
    assert audited.all.escapes.value == pytest.approx(found.items / (len(mine) - 1))


def test_a_stratum_that_is_all_gone_is_left_out_and_said(sheet, small):
    name = read_rows(sheet)[0]["stratum"]
    fill(sheet, lambda r: ("gone" if r["stratum"] == name else "good", ""))
    audited = read_audit(*small, sheet)
    (lost,) = (s for s in audited.strata if s.name == name)
    assert audited.all.unseen == lost.items
    assert lost.interval().high == lost.items
    assert np.isnan(lost.interval().value)


def test_a_sheet_is_never_overwritten(sheet, small):
    with pytest.raises(UsageError, match="is there already and may hold verdicts"):
        write_sheet(plan_audit(*small, items=60, seed=2), sheet)


# --- the command, there and back


def is_bad(row) -> bool:
    return row["board"].endswith(("1", "5"))


def test_there_and_back_into_the_history(tmp_path, capsys):
    folder = make_plant(tmp_path)
    sheet, told = tmp_path / "audit.csv", tmp_path / "audited.csv"
    assert main(["audit", str(folder), "--items", "60", "--seed", "3"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "60 of" in shown
    assert "seed 3" in shown
    assert "In ppm that stratum stays unproven" in shown
    rows = fill(sheet, lambda r: ("defect", "shifted") if is_bad(r) else ("good", ""))
    assert main(["audit", str(folder), "--read", str(sheet), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    weights = sum(float(r["weight"]) for r in rows if is_bad(r))
    assert found["all"]["escapes"]["value"] == pytest.approx(weights)
    assert found["all"]["found"] == sum(map(is_bad, rows)) > 0
    assert found["verdicts"] == str(told)
    make_plant(tmp_path, toml=table(plant={"verdicts": "audited.csv"}), items=make_items())
    with open_history(read_plant(folder)) as history:
        assert not [f for f in history.findings if f.level == "set aside"]
        back = history.rows(
            "select board, verdict, weight from items where found_by = 'audit' order by all"
        )
    wanted = [(r["board"], "defect" if is_bad(r) else "good", float(r["weight"])) for r in rows]
    assert [r[:2] for r in back] == sorted(w[:2] for w in wanted)
    assert sum(r[2] for r in back) == pytest.approx(sum(w[2] for w in wanted))
    again = tmp_path / "again.csv"
    assert main(["audit", str(folder), "--items", "60", "--seed", "3", "--out", str(again)]) == 0
    first, second = ({tuple(r[c] for c in KEY) for r in read_rows(p)} for p in (sheet, again))
    assert not first & second
    assert main(["audit", str(folder), "--read", str(sheet), "--out", str(tmp_path / "x.csv")]) == 0
    assert (tmp_path / "x.csv").read_text() == told.read_text()


def test_words_of_what_was_found(tmp_path, capsys):
    folder = make_plant(tmp_path)
    main(["audit", str(folder), "--items", "60", "--json"])
    plan = json.loads(capsys.readouterr().out)
    assert plan["clean"]["total"] >= max(plan["clean"]["near"], plan["clean"]["far"])
    fill(tmp_path / "audit.csv", lambda r: ("gone" if is_bad(r) else "good", ""))
    assert main(["audit", str(folder), "--read", str(tmp_path / "audit.csv")]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "0 of" in shown
    assert "items were gone" in shown
    assert "verdicts under [plant] in plant.toml" in shown


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--items", "60", "--family", "SOP"], "unknown family 'SOP'"),
        (["--items", "3"], "--items must be at least"),
        (["--read", "none.csv"], "no sheet at none.csv"),
    ],
)
def test_wrong_calls_exit_with_2(tmp_path, capsys, words, message):
    assert main(["audit", str(make_plant(tmp_path)), *words]) == 2
    assert message in capsys.readouterr().err


# --- stated levels against simulation, and the truth

RUNS = 4000
SCENES = {
    "near the limits": ((2_000, 18_000, 200_000), (200, 250, 200), (30, 20, 4)),
    "spread evenly": ((2_000, 18_000, 200_000), (200, 250, 200), (2, 18, 200)),
    "far away": ((2_000, 18_000, 200_000), (200, 250, 200), (0, 0, 900)),
    "common": ((300, 900, 3_000), (60, 60, 60), (45, 60, 100)),
}


def audits(scene, seed):
    """Yield strata with the defects found, audit after audit."""
    sizes, picked, defects = SCENES[scene]
    rng = np.random.default_rng([seed, *scene.encode()])
    for _ in range(RUNS):
        found = rng.hypergeometric(defects, np.subtract(sizes, defects), picked)
        yield judged(sizes, picked, [int(x) for x in found])


def is_broken(misses, level) -> bool:
    return binom.sf(misses - 1, RUNS, 1 - level) < 1e-6


@pytest.mark.slow
@pytest.mark.parametrize(("scene", "level"), [*product(SCENES, (0.8, 0.9, 0.95))])
def test_intervals_hold_their_level(scene, level):
    true = sum(SCENES[scene][2])
    outside = {"estimate": 0, "stratum": 0}
    for strata in audits(scene, 11):
        escapes = estimate(strata, level=level).escapes
        outside["estimate"] += not escapes.low <= true <= escapes.high
        exact = strata[1].interval(level)
        outside["stratum"] += not exact.low <= SCENES[scene][2][1] <= exact.high
    assert not {k: n for k, n in outside.items() if is_broken(n, level)}


@pytest.mark.slow
@pytest.mark.parametrize("level", [0.8, 0.9, 0.95])
def test_a_clean_audit_proves_what_it_says(level):
    """Escapes just above the bound in all, wherever they lie, are rarely met by a clean audit."""
    sizes, picked = (2_000, 18_000, 200_000), (200, 250, 200)
    bound = clean(
        [stratum("A", b, N, n) for b, N, n in zip(BANDS, sizes, picked, strict=True)], level=level
    )
    more = int(bound.total) + 1
    rng = np.random.default_rng(12)
    for shares in [(0, 0, 1), (0.05, 0.15, 0.8), (0.01, 0.01, 0.98)]:
        defects = np.array([int(more * s) for s in shares])
        defects[2] += more - defects.sum()
        found = rng.hypergeometric(defects, np.subtract(sizes, defects), picked, size=(RUNS, 3))
        assert not is_broken(int((found.sum(axis=1) == 0).sum()), level)


@pytest.mark.slow
def test_plus_and_minus_two_errors_would_be_caught():
    """The control: the interval that is not used breaks its level in this very simulation."""
    true, misses = sum(SCENES["near the limits"][2]), 0
    for strata in audits("near the limits", 13):
        found = estimate(strata, level=0.95)
        misses += abs(found.escapes.value - true) > 1.96 * found.error
    assert is_broken(misses, 0.95)


@pytest.fixture
def unjudged(demo_plant, tmp_path):
    """The demo without any verdict, under limits so loose that many defects pass."""
    with duckdb.connect() as con:
        (tmp_path / "history").mkdir()
        con.execute(
            f"""copy (select * exclude (day) replace (null::varchar as verdict, null::varchar as defect,
                  null::varchar as found_by, 1.0 as weight)
                from read_parquet('{demo_plant}/history/**/*.parquet'))
                to '{tmp_path}/history/items.parquet' (format parquet)"""
        )
    for name in ("plant.toml", "must_catch.csv", "recipe.csv"):
        shutil.copy(demo_plant / name, tmp_path)
    history, live = opened(tmp_path)
    rows = [
        replace(r, lower=r.lower - abs(r.lower), upper=r.upper + abs(r.upper)) for r in live.rows
    ]
    with history:
        yield history, replace(live, rows=tuple(rows))


@pytest.mark.slow
def test_weighted_sums_are_right_on_a_plant_with_truth(unjudged, demo_plant):
    """Many seeds on one history: in every stratum as many defects as its share of truth."""
    runs, items = 150, 1500
    history, live = unjudged
    bad = defects_of(history, demo_plant)
    plans = [plan_audit(history, live, items=items, seed=n) for n in range(1, runs + 1)]
    strata = plans[0].strata
    assert all(p.strata == strata for p in plans)
    names = [s.name for s in strata]
    there = np.zeros(len(strata), dtype=int)
    for key, name in every_stratum(history, live).items():
        there[names.index(name)] += key in bad
    found = np.zeros((runs, len(strata)), dtype=int)
    for n, plan in enumerate(plans):
        for item in plan.items:
            found[n, item.stratum] += item.key in bad
    assert there.sum() > 100
    for s, count, true in zip(strata, found.sum(axis=0), there, strict=True):
        tries, share = runs * s.picked, true / s.items
        assert min(binom.cdf(count, tries, share), binom.sf(count - 1, tries, share)) > 1e-7, s
    weights = np.array([s.weight for s in strata])
    mean = weighted_total(found.sum(axis=0).astype(float), weights / runs, level=1 - 2e-6)
    assert mean.low <= there.sum() <= mean.high
    # The check has teeth: picked items alone, without their weights' spread, would be seen.
    same = found.sum() / runs * sum(s.items for s in strata) / items
    assert not mean.low <= same <= mean.high
    inside = 0
    for row in found:
        escapes = estimate([seen(s, x) for s, x in zip(strata, row, strict=True)]).escapes
        inside += escapes.low <= there.sum() <= escapes.high
    assert binom.sf(runs - inside - 1, runs, 0.05) >= 1e-6


def seen(s, found) -> Judged:
    return Judged(
        name=s.name,
        far=s.band == "far",
        items=s.items,
        picked=s.picked,
        judged=s.picked,
        found=int(found),
    )


def defects_of(history, folder) -> set[tuple[str, ...]]:
    """Return the keys of the true defects of a demo."""
    rows = history.rows(
        f"""select stage, board, designator, coalesce(pin, ''), strftime(time, '%Y-%m-%d %H:%M:%S.%f')
            from read_parquet('{folder}/truth/**/*.parquet') where true_defect is not null"""
    )
    return set(rows)


def every_stratum(history, live) -> dict[tuple[str, ...], str]:
    """Return the stratum of every passed item, taking a family at a time."""
    names = {}
    for family in history.plant.file.families:
        if not history.rows(
            f"from items where family = '{family}' and stage = 'post-reflow' limit 1"
        ):
            continue
        part = plan_audit(history, live, items=100_000, seed=1, family=family)
        assert len(part.items) == sum(s.items for s in part.strata)
        names |= {i.key: part.strata[i.stratum].name for i in part.items}
    return names
