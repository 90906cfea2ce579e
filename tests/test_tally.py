"""The tally against a row-by-row replay written here in plain Python, and against SQL's.

Histories are random and nasty on purpose: nulls, values on limits, float32 neighbours of
limits, overrides of parts and designators, limits that are off, lots of one item.
"""

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser.history.read import open_history
from optimiser.history.replay import replay
from optimiser.plant.file import read_plant
from optimiser.recipe.table import Place, Recipe, Row, read_recipe, resolve, write_recipe
from optimiser.tally import count
from optimiser.tally.count import (
    Outcome,
    add,
    by_place,
    is_settled,
    outcome,
    rank,
    sum_by_row,
    tally_history,
)
from optimiser.tally.grid import make_grids

MEASUREMENTS = ("height", "shift", "score")  # stepped, stepped in tenths, any observed value
PLANT = """
[plant]
name = "Tally test"
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
[families.F]
termination = "chip"
[families.G]
termination = "chip"
[rails]
largest_move_steps = 4
call_load_share = 0.3
"""


@st.composite
def histories(draw: st.DrawFn) -> tuple[pd.DataFrame, Recipe]:
    n = draw(st.integers(8, 60))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    near = np.float32([0.1, 0.2, 0.3, 0.7, 0.8])
    shift = np.where(rng.random(n) < 0.5, rng.choice(near, n), rng.normal(0.3, 0.3, n))
    shift = np.where(rng.random(n) < 0.2, np.nextafter(np.float32(shift), np.float32(9)), shift)
    frame = pd.DataFrame(
        {
            "height": np.round(rng.normal(100, 15, n)),
            "shift": np.float32(shift),
            "score": np.float32(
                rng.choice([0.1, 0.25, 0.5, 0.9], n) + rng.integers(0, 2, n) * 0.01
            ),
        }
    )
    for m in MEASUREMENTS:
        frame.loc[rng.random(n) < 0.15, m] = np.nan
    frame["time"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(np.arange(n), unit="min")
    frame["stage"] = "post-reflow"
    frame["product"] = rng.choice(["P", "Q"], n)
    frame["board"] = [f"B{k}" for k in range(n)]
    frame["lot"] = [f"lot{k}" for k in rng.integers(0, 4, n)]
    frame["designator"] = rng.choice(["R1", "R2", "C3"], n)
    frame["part"] = np.where(rng.random(n) < 0.1, None, rng.choice(["a", "b"], n))
    frame["family"] = rng.choice(["F", "G"], n, p=[0.7, 0.3])
    frame["verdict"] = rng.choice(
        np.array(["good", "defect", None], dtype=object), n, p=[0.4, 0.2, 0.4]
    )
    frame["found_by"] = np.where(frame["verdict"].isna(), None, "review")
    return frame, draw(recipes(rng))


@st.composite
def recipes(draw: st.DrawFn, rng: np.random.Generator) -> Recipe:
    def row(scope: str, name: str, measurement: str) -> Row:
        low, high = {"height": (80, 115), "shift": (0.1, 0.7), "score": (0.2, 0.9)}[measurement]
        off = rng.random(2) < 0.3
        unit = {"height": "um", "shift": "mm", "score": "1"}[measurement]
        return Row(
            scope=scope,
            name=name,
            measurement=measurement,
            lower=-np.inf if off[0] else low,
            upper=np.inf if off[1] else high,
            unit=unit,
        )

    rows = [row("family", f, m) for f in ("F", "G") for m in MEASUREMENTS if rng.random() < 0.9]
    overrides = [
        ("part", "a"),
        ("designator", "R1"),
        ("designator", "P/C3"),
        ("designator", "Q/R2"),
    ]
    for scope, name in draw(st.lists(st.sampled_from(overrides), unique=True)):
        rows += [row(scope, name, m) for m in MEASUREMENTS if rng.random() < 0.6]
    return Recipe(revision="1", rows=tuple(rows))


def write_plant(folder: Path, frame: pd.DataFrame, recipe: Recipe, toml: str = PLANT) -> None:
    (folder / "plant.toml").write_text(toml)
    write_recipe(recipe, folder / "recipe.csv")
    con = duckdb.connect()
    con.register("f", frame)
    con.execute(f"copy f to '{folder / 'history.parquet'}' (format parquet)")
    text = (
        (folder / "plant.toml")
        .read_text()
        .replace('"Tally test"', '"Tally test"\nhistory = "history.parquet"')
    )
    (folder / "plant.toml").write_text(text)


def called_in_plain_python(frame: pd.DataFrame, recipe: Recipe) -> np.ndarray:
    """One item, one limit at a time, float32 against float32."""
    called = []
    for item in frame.to_dict("records"):
        part = item["part"] if isinstance(item["part"], str) else None
        rows = resolve(recipe, Place(item["family"], part, item["product"], item["designator"]))
        hit = False
        for m, row in rows.items():
            x = np.float32(item[m])
            if not np.isnan(x):
                hit = hit or bool(x < np.float32(row.lower)) or bool(x > np.float32(row.upper))
        called.append(hit)
    return np.array(called)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(made=histories(), seed=st.integers(0, 2**32 - 1))
def test_tally_equals_row_by_row_replay(made, seed, tmp_path_factory):
    frame, recipe = made
    folder = tmp_path_factory.mktemp("tally")
    write_plant(folder, frame, recipe)
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    assert live == recipe
    rng = np.random.default_rng(seed)
    with open_history(plant) as history:
        tallies = tally_history(history, make_grids(history, live), live)
        for _ in range(6):
            chosen = {
                f: np.array([rng.integers(len(g.z)) for g in t.grid.limits], dtype=int)
                for f, t in tallies.items()
            }
            candidate = live
            for family, setting in chosen.items():
                candidate = candidate.with_limits(family, tallies[family].grid.values(setting))
            truth = called_in_plain_python(frame, candidate)
            by_sql = {r.family: r for r in replay(history, candidate, live)}
            for family, setting in chosen.items():
                mine = (frame["family"] == family).to_numpy()
                verdict = frame["verdict"].to_numpy()
                found = outcome(tallies[family], setting)
                expected = (
                    int((truth & mine).sum()),
                    int((truth & mine & (verdict == "defect")).sum()),
                    int((truth & mine & (verdict == "good")).sum()),
                    int((truth & mine & pd.isna(verdict)).sum()),
                    int((~truth & mine & (verdict == "defect")).sum()),
                )
                assert expected == (
                    found.calls,
                    found.true_calls,
                    found.false_calls,
                    found.unreviewed_calls,
                    found.escapes,
                )
                sql = by_sql[family]
                assert expected == (
                    sql.calls,
                    sql.true_calls,
                    sql.false_calls,
                    sql.unreviewed_calls,
                    sql.escapes,
                )
                assert tallies[family].items == int(mine.sum())


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(made=histories(), cut=st.floats(0.1, 0.9))
def test_tallies_of_parts_add_up_to_the_tally_of_the_whole(made, cut, tmp_path_factory):
    frame, recipe = made
    folder = tmp_path_factory.mktemp("parts")
    write_plant(folder, frame, recipe)
    plant = read_plant(folder)
    with open_history(plant) as history:
        grids = make_grids(history, recipe)
        whole = tally_history(history, grids, recipe)
    parts = []
    at = max(1, int(cut * len(frame)))
    for piece in (frame.iloc[:at], frame.iloc[at:]):
        write_plant(folder, piece, recipe)
        with open_history(read_plant(folder)) as history:
            parts.append(tally_history(history, grids, recipe))
    for family, tally in whole.items():
        both = add(parts[0][family], parts[1][family])
        assert both.items == tally.items
        assert as_counts(both) == as_counts(tally)
        assert sorted(map(tuple, both.defects.ranks.tolist())) == sorted(
            map(tuple, tally.defects.ranks.tolist())
        )


def as_counts(tally):
    cells = tally.cells
    keys = zip(
        (tally.scopes[s] for s in cells.scope),
        (tally.lots[n] for n in cells.lot),
        cells.reviewed.tolist(),
        cells.settled.tolist(),
        map(tuple, cells.ranks.tolist()),
        strict=True,
    )
    return dict(zip(keys, cells.count.tolist(), strict=True))


def test_adding_over_different_grids_is_refused(tmp_path):
    frame = pd.DataFrame({m: np.float32([1, 2, 3, 4]) for m in MEASUREMENTS})
    frame["time"] = pd.date_range("2026-01-05", periods=4)
    frame["stage"], frame["product"], frame["designator"] = "paste", "P", "R1"
    frame["board"], frame["lot"] = list("abcd"), list("xxyy")
    frame["part"], frame["family"], frame["verdict"] = "p", "F", None
    frame["found_by"] = frame["verdict"]
    rows = (Row(scope="family", name="F", measurement="height", lower=0.0, upper=3.0, unit="um"),)
    tallies = []
    for upper in (3.0, 53.0):
        recipe = Recipe(revision="1", rows=rows).with_limits("F", {("height", "upper"): upper})
        write_plant(tmp_path, frame, recipe)
        with open_history(read_plant(tmp_path)) as history:
            tallies.append(tally_history(history, make_grids(history, recipe), recipe)["F"])
    with pytest.raises(ValueError, match="one grid"):
        add(*tallies)


# Cells and defects, one by one ----------------------------------------------------------------


def expected_item(grid, recipe: Recipe, item: dict) -> tuple:
    """Return an item's scope, whether an override calls it, its ranks and coordinates."""
    part = item["part"] if isinstance(item["part"], str) else None
    place = Place(item["family"], part, item["product"], item["designator"])
    own = {m: row for m, row in resolve(recipe, place).items() if row.scope != "family"}
    settled = False
    for m, row in own.items():
        x = np.float32(item[m])
        settled = settled or bool(x < np.float32(row.lower)) or bool(x > np.float32(row.upper))
    ranks, z = [], []
    for limit in grid.limits:
        x = limit.sign * np.float32(item[limit.measurement])
        free = limit.measurement not in own and not np.isnan(x)
        ranks.append(sum(bool(level < x) for level in limit.z) if free else 0)
        z.append(float(x) if free else -np.inf)
    ends = [len(limit.z) for limit in grid.limits]
    # What an override calls, or one limit at every level, no setting lets pass.
    if settled or any(r == end for r, end in zip(ranks, ends, strict=True)):
        ranks = ends
    return bool(own), settled, tuple(ranks), tuple(z)


def labelled_history(seed: int, n: int = 160) -> tuple[pd.DataFrame, Recipe]:
    """Return a history with items of each kind and a recipe with overrides of each scope."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "height": np.round(rng.normal(100, 15, n)),
            "shift": np.float32(np.round(rng.normal(0.4, 0.3, n), 1)),
            "score": np.float32(rng.choice([0.1, 0.25, 0.5, 0.9], n)),
        }
    )
    for m in MEASUREMENTS:
        frame.loc[rng.random(n) < 0.1, m] = np.nan
    # Lots do not come in the order of their names.
    frame["lot"] = [f"lot{9 - k * 5 // n}" for k in range(n)]
    frame["time"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(rng.permutation(8), unit="s")[0]
    frame["time"] += pd.to_timedelta(np.arange(n) // 2, unit="min")
    frame["stage"], frame["pin"] = "post-reflow", None
    frame["product"] = rng.choice(["P", "Q"], n)
    frame["board"] = [f"B{k:03d}" for k in range(n)]
    frame["designator"] = rng.choice(["R1", "R2", "C3"], n)
    frame["part"] = np.where(rng.random(n) < 0.1, None, rng.choice(["a", "b"], n))
    frame["family"] = rng.choice(["F", "G"], n, p=[0.7, 0.3])
    words = np.array(["good", "defect", None], dtype=object)
    frame["verdict"] = rng.choice(words, n, p=[0.4, 0.3, 0.3])
    found_by = rng.choice(["review", "test", "field"], n)
    frame["found_by"] = np.where(frame["verdict"].isna(), None, found_by)
    frame["found_by"] = np.where(frame["verdict"] == "good", "review", frame["found_by"])
    frame["defect"] = np.where(frame["verdict"] == "defect", "shifted", None)
    frame["weight"] = 1.0
    units = {"height": "um", "shift": "mm", "score": "1"}

    def row(scope: str, name: str, measurement: str, low: float, high: float) -> Row:
        unit = units[measurement]
        return Row(
            scope=scope, name=name, measurement=measurement, lower=low, upper=high, unit=unit
        )

    rows = (
        row("family", "F", "height", 80.0, 115.0),
        row("family", "F", "shift", -np.inf, 0.7),
        row("family", "F", "score", 0.2, np.inf),
        row("family", "G", "height", 85.0, np.inf),
        row("part", "a", "height", 90.0, 110.0),
        row("part", "b", "score", -np.inf, 0.8),
        row("designator", "R1", "shift", -0.1, 0.5),
        row("designator", "Q/R2", "height", 95.0, np.inf),
    )
    return frame, Recipe(revision="1", rows=rows)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("at_once", [30_000_000, 100])
def test_every_cell_and_every_defect_is_that_of_its_items(tmp_path, monkeypatch, seed, at_once):
    """Also where the files are too many to be scanned at once."""
    frame, recipe = labelled_history(seed)
    write_plant(tmp_path, frame, recipe)
    (tmp_path / "history.parquet").unlink()
    (tmp_path / "history").mkdir()
    for k in range(4):
        frame.iloc[k * 40 : k * 40 + 40].to_parquet(tmp_path / "history" / f"{k}.parquet")
    text = (tmp_path / "plant.toml").read_text()
    (tmp_path / "plant.toml").write_text(text.replace("history.parquet", "history"))
    monkeypatch.setattr(count, "ROWS_AT_ONCE", at_once)
    with open_history(read_plant(tmp_path)) as history:
        tallies = tally_history(history, make_grids(history, recipe), recipe)
    live = called_in_plain_python(frame, recipe)
    assert set(tallies) == {"F", "G"}
    for family, tally in tallies.items():
        assert tally.family == family
        assert tally.lots == ("lot9", "lot8", "lot7", "lot6", "lot5")
        assert tally.scopes[0] == ""
        assert len(set(tally.scopes)) == len(tally.scopes) > 2
        mine = frame["family"] == family
        cells: dict[tuple, int] = {}
        for item in frame[mine & (frame["verdict"] != "defect")].to_dict("records"):
            own, settled, ranks, _ = expected_item(tally.grid, recipe, item)
            key = (own, item["lot"], item["verdict"] == "good", settled, ranks)
            cells[key] = cells.get(key, 0) + 1
        told: dict[tuple, int] = {}
        for (scope, *rest), n in as_counts(tally).items():
            key = (scope != "", *rest)
            told[key] = told.get(key, 0) + n
        assert told == cells
        assert (tally.cells.count > 0).all()
        check_defects(tally, frame[mine & (frame["verdict"] == "defect")], recipe, live)
        check_types(tally)
        assert not tally.looked_again


@pytest.mark.parametrize(
    ("at_once", "batches"),
    [
        (80, [[]]),
        (79, [["0", "1", "2"], ["3"]]),
        (50, [["0", "1"], ["2", "3"]]),
        (30, [["0"], ["1"], ["2", "3"]]),
        (10, [["0"], ["1"], ["2"], ["3"]]),
    ],
)
def test_files_are_scanned_in_their_order_as_many_at_once_as_may(
    tmp_path, monkeypatch, at_once, batches
):
    """Of 20, 30, 29 and 1 rows: none is left out, and one that is too large goes alone."""
    frame, recipe = labelled_history(1, n=80)
    write_plant(tmp_path, frame, recipe)
    (tmp_path / "history.parquet").unlink()
    (tmp_path / "history").mkdir()
    for k, (start, stop) in enumerate(((0, 20), (20, 50), (50, 79), (79, 80))):
        frame.iloc[start:stop].to_parquet(tmp_path / "history" / f"{k}.parquet")
    text = (tmp_path / "plant.toml").read_text()
    (tmp_path / "plant.toml").write_text(text.replace("history.parquet", "history"))
    monkeypatch.setattr(count, "ROWS_AT_ONCE", at_once)
    scanned, scan = [], count._hot

    def watched(history, limits, files):
        scanned.append([Path(file).stem for file in files])
        return scan(history, limits, files)

    monkeypatch.setattr(count, "_hot", watched)
    with open_history(read_plant(tmp_path)) as history:
        tallies = tally_history(history, make_grids(history, recipe), recipe)
    assert scanned == batches
    assert sum(t.items for t in tallies.values()) == 80


def test_a_family_of_which_defects_alone_are_known_has_no_cells(tmp_path):
    frame, recipe = labelled_history(1)
    mine = frame["family"] == "G"
    frame.loc[mine, ["verdict", "found_by", "defect"]] = ["defect", "review", "shifted"]
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        tally = tally_history(history, make_grids(history, recipe), recipe)["G"]
    assert tally.items == len(tally.defects.frame) == mine.sum()
    check_types(tally)
    found = outcome(tally, tally.grid.live)
    called = called_in_plain_python(frame, recipe)[mine]
    assert (found.calls, found.false_calls, found.escapes) == (called.sum(), 0, (~called).sum())


def check_defects(tally, defects: pd.DataFrame, recipe: Recipe, live: np.ndarray) -> None:
    """Hold the labelled defects to their items, in order of time and then of board."""
    order = defects.assign(live=live[defects.index]).sort_values(["time", "board"])
    assert len(order) > 10
    items = order.to_dict("records")
    expected = [expected_item(tally.grid, recipe, item) for item in items]
    found = tally.defects
    scoped = [tally.scopes[s] != "" for s in found.scope]
    assert scoped == [own for own, *_ in expected]
    assert found.settled.tolist() == [settled for _, settled, *_ in expected]
    assert list(map(tuple, found.ranks.tolist())) == [ranks for *_, ranks, _ in expected]
    assert list(map(tuple, found.z.tolist())) == [z for *_, z in expected]
    assert [tally.lots[n] for n in found.lot] == [item["lot"] for item in items]
    columns = ["time", "board", "product", "designator", "part", "found_by", "defect", "weight"]
    for column in columns:
        told = found.frame[column].astype(object).where(found.frame[column].notna(), None)
        wanted = order[column].astype(object).where(order[column].notna(), None)
        assert told.tolist() == wanted.tolist()
    assert found.frame["live_called"].tolist() == order["live"].tolist()
    for m in MEASUREMENTS:
        np.testing.assert_array_equal(
            found.frame[m].to_numpy(np.float32), order[m].to_numpy(np.float32)
        )
    assert not {"place_id", "lot_id", "index"} & set(found.frame)


def check_types(tally) -> None:
    """Hold the arrays to the types that their records name."""
    cells, defects = tally.cells, tally.defects
    assert cells.ranks.dtype == defects.ranks.dtype == np.int16
    assert {x.dtype for x in (cells.scope, cells.lot, defects.scope, defects.lot)} == {
        np.dtype(np.int32)
    }
    assert cells.reviewed.dtype == cells.settled.dtype == defects.settled.dtype == np.bool_
    assert (cells.count.dtype, defects.z.dtype) == (np.int64, np.float64)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_tally_of_some_lots_is_that_of_their_items(tmp_path, seed):
    frame, recipe = labelled_history(seed)
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        grids = make_grids(history, recipe)
        tally = tally_history(history, grids, recipe)["F"]
    lots = np.array([True, False, False, True, False])
    kept = [lot for lot, chosen in zip(tally.lots, lots, strict=True) if chosen]
    some = tally.only(lots)
    assert as_counts(some) == {k: n for k, n in as_counts(tally).items() if k[1] in kept}
    assert some.lots == tally.lots
    there = np.isin(tally.defects.lot, np.flatnonzero(lots))
    assert 0 < there.sum() < len(there)
    assert some.defects.frame["board"].tolist() == tally.defects.frame["board"][there].tolist()
    for name in ("ranks", "z", "settled", "scope", "lot"):
        np.testing.assert_array_equal(
            getattr(some.defects, name), getattr(tally.defects, name)[there]
        )
    with_label = frame["lot"].isin(kept) & (frame["family"] == "F")
    assert some.items == with_label.sum()


def test_a_sum_of_tallies_has_the_scopes_and_lots_of_both(tmp_path):
    """The parts know other lots and other overrides, in another order."""
    frame, recipe = labelled_history(3)
    # The earlier part, which comes second, lacks an override and counts those after it from less.
    frame.loc[:99, "part"] = frame.loc[:99, "part"].replace("a", "c")
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        grids = make_grids(history, recipe)
        whole = tally_history(history, grids, recipe)["F"]
    parts = []
    for piece in (frame.iloc[100:], frame.iloc[:100]):
        write_plant(tmp_path, piece, recipe)
        with open_history(read_plant(tmp_path)) as history:
            parts.append(tally_history(history, grids, recipe)["F"])
    both = add(*parts)
    assert both.lots == tuple(dict.fromkeys((*parts[0].lots, *parts[1].lots)))
    assert set(both.lots) == set(whole.lots)
    assert both.lots != whole.lots
    assert as_counts(both) == as_counts(whole)
    check_types(both)
    assert parts[1].scopes != both.scopes[: len(parts[1].scopes)]
    n = len(parts[0].defects.frame)
    assert both.defects.frame.index.tolist() == list(range(len(whole.defects.frame)))
    for part, held in ((parts[0], slice(0, n)), (parts[1], slice(n, None))):
        assert both.defects.frame["board"][held].tolist() == part.defects.frame["board"].tolist()
        np.testing.assert_array_equal(both.defects.ranks[held], part.defects.ranks)
        np.testing.assert_array_equal(both.defects.z[held], part.defects.z)
        np.testing.assert_array_equal(both.defects.settled[held], part.defects.settled)
        for name, of in (("lot", "lots"), ("scope", "scopes")):
            told = [getattr(both, of)[k] for k in getattr(both.defects, name)[held]]
            assert told == [getattr(part, of)[k] for k in getattr(part.defects, name)]


def test_an_outcome_counts_defects_reviewed_goods_and_the_others_apart(tmp_path):
    frame, recipe = labelled_history(4)
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        tally = tally_history(history, make_grids(history, recipe), recipe)["F"]
    mine = (frame["family"] == "F").to_numpy()
    truth = called_in_plain_python(frame, recipe)[mine]
    found = outcome(tally, tally.grid.live.tolist())
    assert found == counted(truth, frame["verdict"].to_numpy()[mine])
    assert min(found.true_calls, found.false_calls, found.unreviewed_calls, found.escapes) > 3


def test_a_second_look_anywhere_in_the_plant_is_known(tmp_path):
    frame, recipe = labelled_history(5)
    other = frame.index[(frame["family"] == "G") & (frame["verdict"] == "defect")][0]
    frame.loc[other, "found_by"] = "second look"
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        tallies = tally_history(history, make_grids(history, recipe), recipe)
    assert tallies["F"].looked_again
    assert tallies["G"].looked_again


def test_goods_that_a_second_look_found_stand_among_the_goods_and_by_themselves(tmp_path):
    frame, recipe = labelled_history(6)
    goods = frame.index[frame["verdict"] == "good"]
    frame.loc[goods[::4], "found_by"] = "second look"
    frame.loc[frame.index[frame["verdict"] == "defect"][0], "found_by"] = "second look"
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        grids = make_grids(history, recipe)
        tallies = tally_history(history, grids, recipe)
    frame.loc[goods, "found_by"] = "review"
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        plain = tally_history(history, grids, recipe)
    for family, tally in tallies.items():
        mine = frame.loc[goods[::4]]
        items = mine[mine["family"] == family].sort_values(["time", "board"]).to_dict("records")
        assert len(items) > 3
        expected = [expected_item(tally.grid, recipe, item)[2] for item in items]
        assert list(map(tuple, tally.misread.ranks.tolist())) == expected
        assert [tally.lots[n] for n in tally.misread.lot] == [item["lot"] for item in items]
        first = np.array([lot == items[0]["lot"] for lot in tally.lots])
        part = tally.only(first).misread
        assert part.ranks.tolist() == tally.misread.ranks[first[tally.misread.lot]].tolist()
        assert 0 < len(part.lot) < len(items)
        assert as_counts(tally) == as_counts(plain[family])
        assert not len(plain[family].misread.lot)


def test_one_good_that_a_second_look_found_tells_that_labels_were_looked_at_again(tmp_path):
    frame, recipe = labelled_history(5)
    frame.loc[frame.index[frame["verdict"] == "good"][0], "found_by"] = "second look"
    write_plant(tmp_path, frame, recipe)
    with open_history(read_plant(tmp_path)) as history:
        tallies = tally_history(history, make_grids(history, recipe), recipe)
    assert all(tally.looked_again for tally in tallies.values())


def test_columns_are_parted_by_place_whatever_their_number():
    rng = np.random.default_rng(1)
    # Of 65 538 the last would come second in sixteen bits.
    for places in (3, 65_538):
        ids = rng.choice([0, 2, places - 1], 50)
        columns = {"place_id": ids, "x": np.arange(50)}
        found = dict(by_place(columns, places))
        assert sorted(found) == sorted(set(ids.tolist()))
        for place, part in found.items():
            assert part["x"].tolist() == np.flatnonzero(ids == place).tolist()
            assert (part["place_id"] == place).all()
    assert dict(by_place({"place_id": np.zeros(0, dtype=int)}, 3)) == {}


def test_a_rank_counts_the_levels_strictly_below():
    levels = np.float32([0.1, 0.2, np.inf])
    z = np.float32([0.1, np.nextafter(np.float32(0.1), np.float32(1)), 0.2, 9.0, np.nan, -1.0])
    found = rank(levels, z)
    assert found.tolist() == [0, 1, 1, 2, 0, 0]
    assert found.dtype == np.int16


def test_an_item_at_an_overrides_limit_is_not_called_whatever_width_its_numbers_come_in():
    """A tenth in 32 bits is more than in 64: compared as they come, an item at 0.1 lies below it."""
    row = Row(scope="part", name="a", measurement="shift", lower=0.1, upper=0.7, unit="mm")
    beyond = [np.nextafter(np.float32(0.1), np.float32(0)), np.nextafter(np.float32(0.7), 1)]
    for dtype in (np.float32, np.float64):
        x = np.array([0.1, 0.7, np.nan, *beyond], dtype=dtype)
        found = is_settled({"shift": x}, {"shift": row})
        assert found.tolist() == [False, False, False, True, True]


# Size ----------------------------------------------------------------------------------------


def counted(truth: np.ndarray, verdict: np.ndarray) -> Outcome:
    """Count what a recipe calls, from what it does to each item."""
    return Outcome(
        calls=int(truth.sum()),
        true_calls=int((truth & (verdict == "defect")).sum()),
        false_calls=int((truth & (verdict == "good")).sum()),
        unreviewed_calls=int((truth & pd.isna(verdict)).sum()),
        escapes=int((~truth & (verdict == "defect")).sum()),
    )


def items_of(values: dict[str, np.ndarray], rng: np.random.Generator) -> pd.DataFrame:
    """Return items of one family with some measured values, a third of them labelled."""
    frame = pd.DataFrame(values)
    n = len(frame)
    frame["time"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(np.arange(n), unit="s")
    frame["stage"], frame["product"], frame["part"] = "post-reflow", "P", "a"
    frame["board"] = [f"B{k}" for k in range(n)]
    frame["lot"] = [f"lot{k * 5 // n}" for k in range(n)]
    frame["designator"], frame["family"] = "R1", "F"
    frame["verdict"] = rng.choice(np.array(["good", "defect", None], dtype=object), n)
    frame["found_by"] = np.where(frame["verdict"].isna(), None, "review")
    return frame


def test_three_hundred_limits_in_one_family(tmp_path):
    rng = np.random.default_rng(300)
    names = [f"m{k}" for k in range(150)]
    # Most limits are far from any item, so that most columns of the signatures are constant.
    wide = np.where(np.arange(150) % 15, 0.1, 1.0)
    values = [np.float32(np.round(rng.normal(0, w, 300), 1)) for w in wide]
    frame = items_of(dict(zip(names, values, strict=True)), rng)
    toml = "\n".join(
        (
            '[plant]\nname = "Wide"\n[families.F]\n[rails]\noff = ["furthest-good", "untested"]',
            *(f'[measurements.{m}]\nunit = "um"\nstep = 0.1' for m in names),
        )
    ).replace("[plant]", '[plant]\nhistory = "history.parquet"')
    rows = tuple(
        Row(scope="family", name="F", measurement=m, lower=-3.0, upper=3.0, unit="um")
        for m in names
    )
    recipe = Recipe(revision="1", rows=rows)
    write_plant(tmp_path, frame, recipe, toml)
    with open_history(read_plant(tmp_path)) as history:
        tally = tally_history(history, make_grids(history, recipe), recipe)["F"]
    assert len(tally.grid.limits) == 300
    assert add(tally, tally).items == 2 * tally.items == 600
    verdict = frame["verdict"].to_numpy()
    for tight in (0.0, 0.1, 0.5):
        live, free = tally.grid.live, rng.random(300) < tight
        lowest = [rng.integers(len(limit.z)) for limit in tally.grid.limits]
        setting = np.where(free, lowest, live)
        candidate = recipe.with_limits("F", tally.grid.values(setting))
        truth = called_in_plain_python(frame, candidate)
        assert 0 < truth.sum() < 300
        assert outcome(tally, setting) == counted(truth, verdict)


@settings(max_examples=30, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 40), st.sampled_from([0, 1, 5, 61, 64, 65, 130, 303])),
    largest=st.sampled_from([0, 1, 2, 32_767, 2**31 - 1]),
    constant=st.floats(0, 1),
    seed=st.integers(0, 2**32 - 1),
)
def test_sums_by_row_for_any_number_of_columns(shape, largest, constant, seed):
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, largest, shape, endpoint=True).astype(np.int32)
    keys[:, rng.random(shape[1]) < constant] = 0
    keys = keys[rng.integers(0, len(keys), len(keys))]
    # Rows that differ in their last column only.
    keys[:, -1:] = rng.integers(0, min(largest, 1), (len(keys), min(shape[1], 1)), endpoint=True)
    count = rng.integers(1, 9, len(keys))
    unique, total = sum_by_row(keys, count)
    expected: dict[tuple[int, ...], int] = {}
    for row, n in zip(map(tuple, keys.tolist()), count.tolist(), strict=True):
        expected[row] = expected.get(row, 0) + n
    assert list(map(tuple, unique.tolist())) == sorted(expected)
    assert total.tolist() == [expected[row] for row in sorted(expected)]


@pytest.mark.parametrize("wide", [1, 3, 8])
def test_rows_that_differ_in_their_last_column_only_are_not_summed(wide):
    """Up to numbers of sixty bits a row: kept as floats they would be equal."""
    most = 2**31 - 1
    keys = [[*[most] * wide, n] for n in (2, 0, 1, 2)] + [[7, *[most] * (wide - 1), 2**28 - 1]]
    unique, total = sum_by_row(np.array(keys, dtype=np.int32), np.arange(1, 6))
    assert unique.tolist() == [keys[n] for n in (4, 1, 2, 0)]
    assert total.tolist() == [5, 2, 3, 5]


def test_rows_that_all_differ_stay_as_they_are_however_many_columns_follow():
    most = 2**31 - 1
    keys = [[n, most, most, most, 2 - n] for n in (2, 0, 1)]
    unique, total = sum_by_row(np.array(keys, dtype=np.int32), np.arange(1, 4))
    assert unique.tolist() == sorted(keys)
    assert total.tolist() == [2, 3, 1]
