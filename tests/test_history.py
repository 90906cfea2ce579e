"""The door of the history: what is not measured never calls, limits compare as float32."""

import time

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from factories import (
    COLUMNS,
    MEASUREMENTS,
    RECIPE,
    called,
    make_items,
    make_plant,
    read_rows,
    recipe_text,
    table,
    write_csv,
    write_parquet,
)

from optimiser.errors import HistoryError
from optimiser.history.contract import findings_of
from optimiser.history.profile import profile
from optimiser.history.read import find_files, open_history
from optimiser.history.replay import agree, replay
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe


def write_split(folder, items) -> None:
    """Write the items as two Parquet types and one CSV."""
    write_parquet(folder / "a.parquet", items[:150])
    write_parquet(folder / "b.parquet", items[150:300], types=dict.fromkeys(MEASUREMENTS, "DOUBLE"))
    write_csv(folder / "c.csv", items[300:])


def opened(folder):
    plant = read_plant(folder)
    live = read_recipe(plant.locate("recipe.csv"), plant.file.measurements)
    return open_history(plant), live


def replayed(folder) -> tuple[int, int]:
    """Return items and calls under the live recipe."""
    history, live = opened(folder)
    with history:
        rows = replay(history, live, live)
    return sum(r.items for r in rows), sum(r.calls for r in rows)


def one_limit(measurement="tilt", lower="", upper="3.5") -> str:
    unit = {"tilt": "deg", "offset": "um", "fill": "%"}[measurement]
    return recipe_text([("family", "CHIP", measurement, lower, upper, unit)])


def items_with(values, measurement="tilt", **others) -> list[dict]:
    """Return an item of family CHIP per value, labelled by nobody."""
    blank = dict.fromkeys((*MEASUREMENTS, "called", "verdict", "defect", "found_by"))
    items = [i for i in make_items() if i["family"] == "CHIP"][: len(values)]
    return [
        {**i, **blank, "part": "R-1", "designator": "R1", measurement: x, **others}
        for i, x in zip(items, values, strict=True)
    ]


# Not measured ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [pa.float32(), pa.float64()])
@pytest.mark.parametrize("files", [1, 2])
def test_nan_in_parquet_with_statistics_never_calls(tmp_path, kind, files):
    """Its statistics leave NaN out, so that an engine may believe that there is none."""

    def write(folder, items) -> None:
        x = np.linspace(0.0, 1.0, len(items))
        x[::10] = np.nan
        for n in range(files):
            part, mine = items[n::files], x[n::files]
            columns = {c: pa.array([i[c] for i in part]) for c in COLUMNS if c != "tilt"}
            columns["tilt"] = pa.array(mine, kind, from_pandas=False)
            for c in ("offset", "fill"):
                columns[c] = pa.array([None] * len(part), pa.float32())
            for c in ("pin", "verdict", "defect", "found_by"):
                columns[c] = pa.array([None] * len(part), pa.string())
            path = folder / f"{n}.parquet"
            pq.write_table(pa.table(columns), path, row_group_size=50, write_statistics=True)
            stored = pq.ParquetFile(path)
            place = stored.schema_arrow.get_field_index("tilt")
            statistics = stored.metadata.row_group(0).column(place).statistics
            assert statistics.has_min_max, "the trap needs statistics"
            assert statistics.null_count == 0, "the trap needs NaN and not null"

    items = make_items()[:300]
    items = [{**i, "family": "CHIP", "called": None} for i in items]
    folder = make_plant(tmp_path, items=items, recipe=one_limit(upper="0.5"), write=write)
    x = np.linspace(0.0, 1.0, 300)
    x[::10] = np.nan
    expected = int((x.astype(np.float32) > np.float32(0.5)).sum())
    assert 0 < expected < 150
    assert replayed(folder) == (300, expected)
    history, _ = opened(folder)
    with history:
        assert history.rows("select count(*), count(tilt) from items") == [(300, 270)]
        assert history.rows("select max(tilt) from items")[0][0] == pytest.approx(1.0, abs=0.01)
        assert profile(history, share=0.02)["CHIP", "tilt"].high <= 1.0


def test_nan_and_blank_in_csv_never_call(tmp_path):
    values = ["nan", "NaN", "", " ", None, 9.0, 1.0]
    folder = make_plant(
        tmp_path,
        items=items_with(values),
        recipe=one_limit(),
        write=lambda where, rows: write_csv(where / "a.csv", rows),
    )
    assert replayed(folder) == (7, 1)


def test_null_never_calls_and_no_limit_never_calls(tmp_path):
    folder = make_plant(
        tmp_path,
        items=items_with([None, None, 3e38, -3e38, 5.0]),
        recipe=recipe_text([("family", "CHIP", "tilt", "", "", "deg")]),
    )
    assert replayed(folder) == (5, 0)
    (folder / "recipe.csv").write_text(one_limit(lower="-1", upper="4"))
    assert replayed(folder) == (5, 3)


# Float32 -----------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["csv", "csv of double", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize(("lower", "upper"), [("", "0.1"), ("0.1", "")])
def test_an_item_at_its_limit_is_not_called_in_any_form(tmp_path, form, lower, upper):
    """float32(0.1) is above 0.1; both are the one settable value 0.1."""
    single = float(np.float32(0.1))
    sign = 1 if upper else -1
    beyond = float(np.nextafter(np.float32(0.1), np.float32(sign * np.inf)))
    values = [single, beyond] if form != "csv of double" else [0.1, beyond]

    def write(where, items) -> None:
        if form.startswith("csv"):
            write_csv(where / "a.csv", items)
        else:
            write_parquet(where / "a.parquet", items, types={"tilt": form})

    folder = make_plant(
        tmp_path, items=items_with(values), recipe=one_limit(lower=lower, upper=upper), write=write
    )
    assert replayed(folder) == (2, 1)


def test_doubles_that_one_float_stands_for_are_one_value(tmp_path):
    folder = make_plant(
        tmp_path,
        items=items_with([0.1, 0.1 + 1e-12, 0.1 - 1e-12]),
        recipe=one_limit(lower="0.1", upper="0.1"),
        write=lambda where, rows: write_parquet(
            where / "a.parquet", rows, types={"tilt": "DOUBLE"}
        ),
    )
    assert replayed(folder) == (3, 0)


# Forms -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def expected() -> dict[str, int]:
    items = make_items()
    return {f: sum(called(i, RECIPE) for i in items if i["family"] == f) for f in ("CHIP", "SOT")}


def by_day(folder, items, write, name) -> None:
    for day in sorted({i["time"].date() for i in items}):
        part = [i for i in items if i["time"].date() == day]
        write(folder / f"day={day}" / name, part)


def by_line(folder, items) -> None:
    """Put ``line`` into the folders' names and leave it out of the files, of both kinds."""
    rest = [c for c in COLUMNS if c != "line"]
    write_parquet(folder / "line=L1" / "a.parquet", items[::2], columns=rest)
    write_csv(folder / "line=L2" / "a.csv", items[1::2], columns=rest)


def with_units(folder, items) -> None:
    """Write CSV whose headers carry units."""
    heads = {"tilt": "tilt [deg]", "offset": "offset [µm]", "fill": "fill[%]"}
    rows = [{heads.get(k, k): v for k, v in i.items()} for i in items]
    write_csv(folder / "a.csv", rows, columns=[heads.get(c, c) for c in COLUMNS])


FORMS = {
    "one Parquet file": lambda f, items: write_parquet(f / "a.parquet", items),
    "one CSV file": lambda f, items: write_csv(f / "a.csv", items),
    "CSV with semicolons": lambda f, items: (f / "a.csv").write_text(
        write_csv(f / "b.txt", items).read_text().replace(",", ";")
    ),
    "CSV with a byte order mark and CRLF": lambda f, items: (f / "a.csv").write_bytes(
        b"\xef\xbb\xbf" + write_csv(f / "b.txt", items).read_bytes().replace(b"\n", b"\r\n")
    ),
    "Parquet of text only": lambda f, items: write_parquet(
        f / "a.parquet", items, types=dict.fromkeys((*MEASUREMENTS, "time", "called"), "VARCHAR")
    ),
    "both kinds and both widths": write_split,
    "day folders of Parquet": lambda f, items: by_day(f, items, write_parquet, "part.parquet"),
    "day folders of CSV": lambda f, items: by_day(f, items, write_csv, "part.csv"),
    "line folders of both kinds": by_line,
    "units in the header": with_units,
    "folder with a pattern's letters": lambda f, items: write_parquet(f / "x[1]*/a.parquet", items),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_replays_alike(tmp_path, form, expected):
    folder = make_plant(tmp_path, write=FORMS[form])
    history, live = opened(folder)
    with history:
        found = {r.family: r for r in replay(history, live, live)}
        agreement = agree(history, live)
        assert history.findings == ()
        assert (history.rows_used, history.rows_set_aside) == (480, 0)
        lines = history.rows("select line, count(*) from items group by 1 order by 1")
        lots = history.rows("select count(distinct lot) from items")[0][0]
    assert {f: r.calls for f, r in found.items()} == expected
    assert (agreement.compared, agreement.disagree) == (480, 0)
    assert lines == [("L1", 240), ("L2", 240)]
    assert lots == 6


@pytest.mark.parametrize("pattern", ["history/*.parquet", "hist*", "history/a.parquet", "ABSOLUTE"])
def test_a_history_is_a_file_a_folder_or_a_pattern(tmp_path, pattern):
    folder = make_plant(tmp_path, write=FORMS["one Parquet file"])
    pattern = pattern.replace("ABSOLUTE", str(folder / "history" / "*.parquet"))
    make_plant(tmp_path, toml=table(plant={"history": pattern}), items=[])
    assert find_files(read_plant(folder)) == [folder / "history" / "a.parquet"]


def test_hidden_files_and_our_own_are_not_results(tmp_path):
    folder = make_plant(tmp_path, toml=table(plant={"history": "history"}))
    for name in (".a.parquet", "_b.csv", "set_aside.csv"):
        (folder / "history" / name).write_text("not a result")
    assert replayed(folder)[0] == 480


@pytest.mark.parametrize("pattern", ["none", "history/**x/*.csv", "history/*.xlsx"])
def test_no_file_is_an_error_with_a_way_out(tmp_path, pattern):
    folder = make_plant(tmp_path, toml=table(plant={"history": pattern}), items=[])
    with pytest.raises(HistoryError, match=r"plant\.history in plant\.toml"):
        opened(folder)


def test_time_of_another_zone_becomes_utc_and_the_day_stands_for_a_lot(tmp_path):
    items = items_with([1.0, 1.0, 1.0])
    times = ["2026-03-02T00:30:00+02:00", "2026-03-02 00:30:00", "2026-03-02"]
    rows = [{**i, "time": t, "lot": None} for i, t in zip(items, times, strict=True)]
    folder = make_plant(
        tmp_path, items=rows, write=lambda where, rows: write_csv(where / "a.csv", rows)
    )
    history, _ = opened(folder)
    with history:
        found = history.rows("select time::varchar, lot from items order by row")
    assert found == [
        ("2026-03-01 22:30:00", "2026-03-01"),
        ("2026-03-02 00:30:00", "2026-03-02"),
        ("2026-03-02 00:00:00", "2026-03-02"),
    ]


def test_a_blank_or_nan_weight_is_one(tmp_path):
    items = items_with([1.0, 1.0, 1.0])
    rows = [{**i, "weight": w} for i, w in zip(items, (None, "NaN", 2.5), strict=True)]
    folder = make_plant(tmp_path, items=rows)
    history, _ = opened(folder)
    with history:
        assert history.rows("select weight from items order by row") == [(1.0,), (1.0,), (2.5,)]


def test_the_same_key_in_two_files_is_counted_once(tmp_path):
    def write(folder, items) -> None:
        write_parquet(folder / "a.parquet", items)
        write_csv(folder / "b.csv", items[:5])

    folder = make_plant(tmp_path, write=write)
    history, _ = opened(folder)
    with history:
        (finding,) = history.findings
        assert (history.rows_used, history.rows_set_aside) == (480, 5)
    assert "came before" in finding.rule
    assert finding.count == 5
    assert len(read_rows(folder / "set_aside.csv")) == 5


# Lines that are no rows ----------------------------------------------------------------------


def test_rows_after_a_refused_line_keep_their_numbers(tmp_path):
    """Lines 3 and 6 of the data do not fit; the broken cell stands in line 8."""
    items = [{**i} for i in make_items()[:40]]
    items[5]["tilt"] = "steep"

    def write(folder, rows) -> None:
        lines = write_csv(folder / "b.txt", rows).read_text().splitlines()
        lines[3:3] = ["2026-03-02,ragged"]
        lines[6:6] = [lines[1] + ",one,too,many"]
        (folder / "a.csv").write_text("\n".join(lines) + "\n")

    folder = make_plant(tmp_path, items=items, write=write)
    history, _ = opened(folder)
    with history:
        assert (history.rows_used, history.rows_set_aside) == (39, 3)
        lines, cell = history.findings
    assert (lines.row, lines.count, lines.value) == (3, 2, "2026-03-02,ragged")
    assert (cell.row, cell.count, cell.value, cell.column) == (8, 1, "steep", "tilt")
    rows = read_rows(folder / "set_aside.csv")
    assert [int(r["set_aside_row"]) for r in rows] == [3, 6, 8]
    assert rows[0]["set_aside_for"] == "2026-03-02,ragged"
    assert rows[1]["set_aside_for"].endswith(",one,too,many")
    assert rows[2]["tilt"] == "steep"


def test_a_line_that_is_not_utf8_is_set_aside(tmp_path):
    def write(folder, rows) -> None:
        lines = write_csv(folder / "b.txt", rows).read_bytes().splitlines(keepends=True)
        lines[4] = lines[4].replace(b"AOI-1", b"AOI-\xb5")
        (folder / "a.csv").write_bytes(b"".join(lines))

    folder = make_plant(tmp_path, write=write)
    history, _ = opened(folder)
    with history:
        assert (history.rows_used, history.rows_set_aside) == (479, 1)
        (finding,) = history.findings
    assert finding.row == 4
    assert "UTF-8" in finding.rule
    (row,) = read_rows(folder / "set_aside.csv")
    assert "B0000" in row["set_aside_for"]


def test_a_stale_quarantine_file_goes_when_nothing_is_set_aside(tmp_path):
    folder = make_plant(tmp_path)
    (folder / "set_aside.csv").write_text("of an earlier run")
    history, _ = opened(folder)
    history.close()
    assert not (folder / "set_aside.csv").exists()


# Names ---------------------------------------------------------------------------------------


def test_columns_named_row_and_file_are_only_not_read(tmp_path):
    items = [{**i, "row": "r", "file": "f"} for i in make_items()]
    items[7]["tilt"] = float("inf")
    folder = make_plant(
        tmp_path,
        items=items,
        write=lambda where, rows: write_parquet(
            where / "a.parquet", rows, columns=(*COLUMNS, "row", "file")
        ),
    )
    history, _ = opened(folder)
    with history:
        assert (history.rows_used, history.rows_set_aside) == (479, 1)
        aside = next(f for f in history.findings if f.level == "set aside")
        notes = [f.column for f in history.findings if f.level == "note"]
    assert aside.row == 8
    assert notes == ["file", "row"]
    (row,) = read_rows(folder / "set_aside.csv")
    assert (row["row"], row["file"], row["set_aside_row"]) == ("r", "f", "8")


@pytest.mark.parametrize("name", ["filename", "FILE_ROW_NUMBER"])
def test_a_column_that_hides_the_readers_own_is_refused(tmp_path, name):
    folder = make_plant(
        tmp_path,
        write=lambda where, rows: write_parquet(
            where / "a.parquet", rows, columns=(*COLUMNS, name)
        ),
    )
    with pytest.raises(HistoryError, match="has a name that reading needs"):
        opened(folder)


def test_a_measurement_may_not_be_named_like_a_contract_column(tmp_path):
    toml = table(measurements={"weight": {"unit": "g"}})
    with pytest.raises(HistoryError, match="name of a column of the contract") as caught:
        opened(make_plant(tmp_path, toml=toml))
    assert [f.column for f in findings_of(caught.value)] == ["weight"]


def test_a_measurement_with_quotes_in_its_name_is_read(tmp_path):
    odd = 'o\'ff "set"'
    toml = table(measurements={odd: {"unit": "um", "step": 5.0}})
    items = [{**i, odd: 9.0, "called": True} for i in make_items()]
    folder = make_plant(
        tmp_path,
        items=items,
        toml=toml,
        recipe=recipe_text([("family", "CHIP", odd.replace('"', '""').join('""'), "", "5", "um")]),
        write=lambda where, rows: write_csv(where / "a.csv", rows, columns=(*COLUMNS, odd)),
    )
    assert replayed(folder) == (480, 320)
    history, live = opened(folder)
    with history:
        assert agree(history, live).blamed == {("SOT", "no measurement"): 160}


@pytest.mark.parametrize("kind", ["TIMESTAMP", "BLOB"])
def test_a_measurement_column_that_holds_no_numbers_is_set_aside(tmp_path, kind):
    values = "2026-03-02" if kind == "TIMESTAMP" else "ab"
    items = [{**i, "fill": values if n < 9 else None} for n, i in enumerate(make_items())]
    folder = make_plant(
        tmp_path,
        items=items,
        write=lambda where, rows: write_parquet(where / "a.parquet", rows, types={"fill": kind}),
    )
    history, _ = opened(folder)
    with history:
        assert (history.rows_used, history.rows_set_aside) == (471, 9)
        assert history.findings[0].rule == "fill must be a number or blank"


def test_numbers_as_integers_and_decimals_are_read(tmp_path):
    items = items_with([1.0, 5.0])
    items = [{**i, "offset": 3} for i in items]
    folder = make_plant(
        tmp_path,
        items=items,
        recipe=one_limit(),
        write=lambda where, rows: write_parquet(
            where / "a.parquet", rows, types={"tilt": "DECIMAL(9,2)", "offset": "INTEGER"}
        ),
    )
    assert replayed(folder) == (2, 1)


def test_a_long_reading_shows_rows_a_second_and_what_is_left(tmp_path, monkeypatch):
    import io

    from optimiser.commands import common
    from optimiser.history import read

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    plant = read_plant(make_plant(tmp_path))
    seen: list[tuple[int, int]] = []
    real = read._set_duplicates_aside

    def slow(history, schema):
        real(history, schema)
        time.sleep(0.2)
        seen.append((history.rows_read, history.rows_found))

    screen = Terminal()
    monkeypatch.setattr(read, "_set_duplicates_aside", slow)
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setattr(common, "POLL_SECONDS", 0.02)
    monkeypatch.setattr(common, "MOMENT", 0.0)
    with common.reading_bar() as watch, open_history(plant, on_start=watch) as history:
        assert (history.rows_read, history.rows_found) == (480, 480)
    ((read_so_far, found),) = seen
    assert 0 < read_so_far < found == 480
    assert "reading" in screen.getvalue()
    assert "rows/s" in screen.getvalue()
