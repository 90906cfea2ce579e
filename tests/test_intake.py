"""Files of another shape at the door: units, words, clocks, long forms; nothing lost, nothing assumed."""

import contextlib
import csv
import io
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import duckdb
import numpy as np
import pytest
from factories import MEASUREMENTS, make_items, make_plant, table, write_csv
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.errors import HistoryError, PlantError
from optimiser.history.read import open_history
from optimiser.intake.units import dimension_of, factor, scaled
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe
from optimiser.tally.check import check

CONTRACT = ("time", "line", "station", "stage", "product", "board", "lot", "designator", "pin", "part",
            "family", *MEASUREMENTS, "called", "verdict", "defect", "found_by", "weight")  # fmt: skip
WIDE = """
[[results]]
time_zone = "UTC"
"""
LONG = """
[[results]]
form = "measurements"
time_zone = "UTC"
[results.columns]
measurement = "name"
value = "value"
unit = "unit"
"""


def plant_with(folder, shape, write, *, items=None, toml=None):
    folder = make_plant(folder, items=items or make_items(), write=write, toml=toml)
    with (folder / "plant.toml").open("a", encoding="utf-8") as out:
        out.write(shape)
    return read_plant(folder)


def wide(columns=CONTRACT, **options):
    def write(folder, items):
        rows = [{c: items_cell(i[c]) for c in columns} for i in items]
        text = io.StringIO()
        writer = csv.DictWriter(text, columns, lineterminator="\n", **options)
        writer.writeheader()
        writer.writerows(rows)
        (folder / "a.csv").write_text(text.getvalue(), encoding="utf-8")

    return write


def items_cell(value):
    return "" if value is None else str(value)


def of(plant, query):
    with open_history(plant) as history:
        return history.rows(query), history.findings


# --- units -----------------------------------------------------------------------------


def test_the_inch_is_25_4_mm():  # ISO 80000-3; a mil is its thousandth
    assert factor("in", "mm") == Fraction(254, 10)
    assert factor("mil", "um") == Fraction(254, 10)
    assert factor("mm²", "um^2") == 10**6
    assert factor("µm", "um") == factor("μm", "um") == 1
    assert factor("%", "ppm") == 10**4
    assert factor("MOhm", "mOhm") == 10**9


@pytest.mark.parametrize(("unit", "into"), [("um", "deg"), ("furlong", "um"), ("mm", "mm2")])
def test_what_does_not_convert(unit, into):
    assert factor(unit, into) is None


def test_degrees_and_radians():
    assert float(factor("rad", "deg")) == pytest.approx(57.29577951308232, rel=1e-15)
    assert dimension_of("°") == "angle"


@settings(max_examples=200, deadline=None)
@given(st.integers(-(10**7), 10**7), st.integers(0, 4))
def test_a_value_converted_is_the_float_that_the_other_unit_writes(digits, places):
    """A machine that writes mm and one that writes um give the same float32."""
    um = f"{digits / 10**places:.{places}f}"
    mm = f"{Decimal(um) / 1000:f}"
    with duckdb.connect() as con:
        up = con.execute(
            f"select ({scaled(f'{mm}::double', factor('mm', 'um'))})::float"
        ).fetchone()
        down = con.execute(
            f"select ({scaled(f'{um}::double', factor('um', 'mm'))})::double"
        ).fetchone()
    assert np.float32(up[0]) == np.float32(um)
    assert np.float32(down[0]) == np.float32(mm)


# --- words, numbers, columns ------------------------------------------------------------


def test_words_are_the_plants_own(tmp_path):
    shape = (
        WIDE
        + """
[results.words.verdict]
defect = ["Gurke"]
good = ["in ordnung"]
"" = ["-"]
"""
    )
    items = [
        {**i, "verdict": {"defect": "GURKE ", "good": "In Ordnung", None: "-"}[i["verdict"]]}
        for i in make_items()
    ]
    plant = plant_with(tmp_path, shape, wide(), items=items)
    found, _ = of(plant, "select verdict, count(*) from items group by 1 order by 1 nulls last")
    wanted = [i["verdict"] for i in make_items()]
    assert dict(found) == {v: wanted.count(v) for v in ("defect", "good", None)}


def test_a_word_nobody_named_is_set_aside_with_its_value(tmp_path):
    items = make_items()
    items[5] = {**items[5], "verdict": "hm", "found_by": "review"}
    plant = plant_with(tmp_path, WIDE, wide(), items=items)
    _, findings = of(plant, "select 1")
    (finding,) = [f for f in findings if f.level == "set aside"]
    assert (finding.row, finding.column, finding.value) == (6, "verdict", "hm")


@pytest.mark.parametrize(
    ("cell", "options", "value"),
    [
        ("1,5", 'decimal = ","', 1.5),
        ("1.234,5", 'decimal = ","\nthousands = "."', 1234.5),
        ("1 234,5", 'decimal = ","\nthousands = " "', 1234.5),
        ("1,234.5", 'thousands = ","', 1234.5),
        ("-0,5e1", 'decimal = ","', -5.0),
        ("1.5", 'decimal = ","', None),  # a point where a comma is the decimal: nobody guesses
        ("1.5", 'decimal = ","\nthousands = "."', None),  # no group of three
        ("1,5", "", None),
        ("12 um", "", None),
    ],
)
def test_numbers_as_they_are_written(tmp_path, cell, options, value):
    items = make_items()
    number = (
        {"decimal": lambda x: x.replace(".", ",")}["decimal"] if 'decimal = ","' in options else str
    )
    items = [
        {**i, **{m: None if i[m] is None else number(str(i[m])) for m in MEASUREMENTS}}
        for i in items
    ]
    items = [{**i, "weight": 1} for i in items]
    items[7] = {**items[7], "offset": cell}
    plant = plant_with(tmp_path, WIDE.rstrip() + "\n" + options + "\n", wide(), items=items)
    found, findings = of(plant, 'select "offset" from items where row = 7')
    if value is None:
        (finding,) = [f for f in findings if f.level == "set aside"]
        assert finding.value == f"not a number: {cell}"
        assert finding.row == 8
    else:
        assert found == [(np.float32(value),)]


def test_constants_fill_what_no_column_says(tmp_path):
    shape = (
        WIDE
        + """
[results.constants]
stage = "post-reflow"
found_by = "review"
"""
    )
    left = tuple(c for c in CONTRACT if c not in ("stage", "found_by"))
    plant = plant_with(tmp_path, shape, wide(left))
    found, _ = of(plant, "select distinct stage, found_by, verdict is null from items order by all")
    assert found == [("post-reflow", "review", False), ("post-reflow", None, True)]


def test_a_column_that_is_named_and_missing_is_an_error(tmp_path):
    plant = plant_with(tmp_path, WIDE + '[results.columns]\nboard = "Serial"\n', wide())
    with pytest.raises(
        HistoryError, match=r"column 'Serial' is missing, which results\.columns\.board names"
    ):
        open_history(plant)


def test_a_unit_that_does_not_convert_is_an_error(tmp_path):
    shape = WIDE + '[results.measurements]\noffset = { column = "offset", unit = "deg" }\n'
    with pytest.raises(HistoryError, match="offset cannot be converted from 'deg' to 'um'"):
        open_history(plant_with(tmp_path, shape, wide()))


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        ("[[results]]\nform = 'items'\n", r"results\.0\.time_zone: missing"),
        ("[[results]]\ntime_zone = ''\n", "say the IANA name"),
        ("[[results]]\ntime_zone = '?'\n", "say the IANA name"),
        ("[[results]]\ntime_zone = 'Europe/Berln'\n", "did you mean 'Europe/Berlin'"),
        (WIDE + "[results.columns]\nbord = 'x'\n", "no column of the contract"),
        (WIDE + "decimal = ','\nthousands = ','\n", "both ','"),
        (WIDE + "encoding = 'utf-99'\n", "no text encoding"),
        (WIDE + "[results.measurements.tlt]\ncolumn = 'x'\n", "not a measurement of the plant"),
        ("[[results]]\ntime_zone='UTC'\nform='measurements'\n", r"columns\.measurement: missing"),
        (WIDE + "delimeter = ';'\n", "did you mean 'delimiter'"),
    ],
)
def test_a_shape_that_cannot_be_is_refused_at_the_door(tmp_path, shape, words):
    with pytest.raises(PlantError, match=words):
        plant_with(tmp_path, shape, wide())


# --- clocks ----------------------------------------------------------------------------


def clocked(folder, zone, times, shape=""):
    items = make_items()[: len(times)]
    items = [{**i, "time": t} for i, t in zip(items, times, strict=True)]
    return plant_with(folder, f'\n[[results]]\ntime_zone = "{zone}"\n{shape}', wide(), items=items)


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from(["Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"]),
    st.lists(st.integers(0, 365 * 24 * 12), min_size=3, max_size=12, unique=True),
)
def test_times_of_a_zone_are_what_the_zone_database_says(tmp_path_factory, zone, steps):
    # Against zoneinfo, an implementation of the IANA database that shares no code with the engine.
    start = datetime(2025, 1, 1, tzinfo=UTC)
    utc = sorted(start + timedelta(minutes=5 * s) for s in steps)
    known = ZoneInfo(zone)
    local = [t.astimezone(known) for t in utc]
    clear = [(u, loc) for u, loc in zip(utc, local, strict=True) if not _twice(loc)]
    if not clear:
        return
    plant = clocked(
        tmp_path_factory.mktemp("clock"), zone, [f"{loc:%Y-%m-%d %H:%M:%S}" for _, loc in clear]
    )
    found, _ = of(plant, "select time from items order by row")
    assert [t for (t,) in found] == [u.replace(tzinfo=None) for u, _ in clear]


def _twice(local):
    return local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()


def test_an_hour_that_the_clock_skipped_is_no_time(tmp_path):
    plant = clocked(tmp_path, "Europe/Berlin", ["2026-03-29 01:59:00", "2026-03-29 02:30:00"])
    found, findings = of(plant, "select time from items")
    assert [f"{t:%d %H:%M}" for (t,) in found] == ["29 00:59"]
    (finding,) = [f for f in findings if f.level == "set aside"]
    assert finding.value == "the clock skipped this hour: 2026-03-29 02:30:00"


def test_an_hour_that_comes_twice_is_told_by_the_step_back(tmp_path):
    times = [
        "2025-10-26 02:10:00",
        "2025-10-26 02:50:00",
        "2025-10-26 02:20:00",
        "2025-10-26 03:00:00",
    ]
    plant = clocked(tmp_path, "Europe/Berlin", times)
    found, findings = of(plant, "select time from items order by row")
    assert [f"{t:%H:%M}" for (t,) in found] == ["00:10", "00:50", "01:20", "02:00"]
    assert not [f for f in findings if "twice" in f.rule]


def test_an_hour_that_comes_twice_without_order_says_so(tmp_path):
    times = [f"2025-10-26 02:{m}:00" for m in (50, 10, 40, 20)]
    plant = clocked(tmp_path, "Europe/Berlin", times)
    _, findings = of(plant, "select 1")
    (finding,) = [f for f in findings if "went through twice" in f.rule]
    assert (finding.count, finding.level) == (4, "note")


def test_a_time_without_the_offset_that_all_should_carry_is_set_aside(tmp_path):
    times = ["2026-03-02T08:00:00+02:00", "2026-03-02T08:00:00Z", "2026-03-02 08:00:00"]
    plant = clocked(tmp_path, "as written", times)
    found, findings = of(plant, "select time from items order by row")
    assert [t.hour for (t,) in found] == [6, 8]
    (finding,) = [f for f in findings if f.level == "set aside"]
    assert finding.value == "no offset from UTC: 2026-03-02 08:00:00"


def test_a_format_that_does_not_read_a_cell_sets_it_aside(tmp_path):
    times = ["02.03.2026 08:00:00", "2026-03-02 08:00:00", "31.02.2026 08:00:00"]
    plant = clocked(tmp_path, "UTC", times, 'time_format = "%d.%m.%Y %H:%M:%S"\n')
    found, findings = of(plant, "select time from items")
    assert [f"{t:%d %H:%M}" for (t,) in found] == ["02 08:00"]
    (finding,) = [f for f in findings if f.level == "set aside"]
    assert (finding.count, finding.value) == (2, "not a time: 2026-03-02 08:00:00")


# --- the long form ---------------------------------------------------------------------

UNITS = {"tilt": "deg", "offset": "um", "fill": "%"}


def long(rows_of=None):
    """Write a row per measurement; ``rows_of`` may change an item's rows."""

    def write(folder, items):
        columns = [c for c in CONTRACT if c not in MEASUREMENTS]
        with (folder / "long.csv").open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow([*columns, "name", "value", "unit"])
            for n, item in enumerate(items):
                own = [items_cell(item[c]) for c in columns]
                rows = [
                    (m, items_cell(item[m]), UNITS[m]) for m in MEASUREMENTS if item[m] is not None
                ]
                for row in rows_of(n, rows) if rows_of else rows:
                    writer.writerow([*own, *row])

    return write


def test_a_row_per_measurement_gives_the_same_items(tmp_path):
    named = ", ".join(f'"{c}"' for c in CONTRACT)
    plain = make_plant(tmp_path / "plain")
    wanted, _ = of(read_plant(plain), f"select {named} from items order by all")
    plant = plant_with(tmp_path / "long", LONG, long())
    found, _ = of(plant, f"select {named} from items order by all")
    assert found == wanted


def test_what_was_measured_twice_otherwise_is_set_aside(tmp_path):
    def twice(n, rows):
        return [*rows, ("tilt", "99", "deg"), ("offset", rows[1][1], "um")] if n == 3 else rows

    plant = plant_with(tmp_path, LONG, long(twice))
    found, findings = of(plant, "select count(*) from items")
    (finding,) = [f for f in findings if f.level == "set aside"]
    assert found == [(479,)]
    assert finding.column == "tilt"
    assert finding.value.startswith("measured twice: ")


def test_units_of_rows_are_converted_and_strange_ones_set_aside(tmp_path):
    def units(n, rows):
        if n % 2:
            rows = [
                (m, str(float(x) / 1000), "mm") if m == "offset" else (m, x, u) for m, x, u in rows
            ]
        return [(m, x, "furlong" if n == 4 and m == "offset" else u) for m, x, u in rows]

    plant = plant_with(tmp_path, LONG, long(units))
    found, findings = of(plant, 'select "offset" from items order by time, board, designator')
    items = sorted(make_items(), key=lambda i: (i["time"], i["board"], i["designator"]))
    wanted = [np.float32(i["offset"]) for i in items]
    (finding,) = [f for f in findings if f.level == "set aside"]
    assert finding.value.startswith("not in a unit that converts: ")
    assert len(found) == 479
    assert {float(x) for (x,) in found} <= {float(x) for x in wanted}


def test_a_measurement_that_nobody_named_is_told_with_its_rows(tmp_path):
    plant = plant_with(tmp_path, LONG, long(lambda _, rows: [*rows, ("glare", "1", "")]))
    _, findings = of(plant, "select 1")
    (finding,) = [f for f in findings if "glare" in f.rule]
    assert (finding.level, finding.count) == ("note", 480)


# --- nothing lost ----------------------------------------------------------------------

cell = st.text(
    st.characters(codec="utf-8", exclude_characters="\n\r\x00", exclude_categories=("Cs",)),
    max_size=12,
)
damage = st.lists(
    st.tuples(st.integers(0, 479), st.integers(0, len(CONTRACT) - 1), cell),
    min_size=40,
    max_size=40,
)


def _damaged(tmp_path, harm, shape):
    items = [{c: items_cell(i[c]) for c in CONTRACT} for i in make_items()]
    for row, column, text in harm:
        items[row] = {**items[row], CONTRACT[column]: text}
    plant = plant_with(tmp_path, shape, wide(), items=items)
    try:
        with open_history(plant) as history:
            assert history.rows_used + history.rows_set_aside == len(items)
            told = sum(f.count for f in history.findings if f.level == "set aside")
            assert told == history.rows_set_aside
    except HistoryError:
        # Nothing usable at all cannot come of forty cells in 480 rows.
        raise


@settings(max_examples=12, deadline=None)
@given(damage)
def test_damaged_cells_are_used_or_set_aside_never_dropped(tmp_path_factory, harm):
    _damaged(tmp_path_factory.mktemp("damage"), harm, WIDE)


@pytest.mark.slow
@settings(max_examples=250, deadline=None)
@given(
    damage, st.sampled_from([WIDE, WIDE + 'decimal = ","\n', WIDE.replace("UTC", "Europe/Berlin")])
)
def test_ten_thousand_damaged_cells(tmp_path_factory, harm, shape):
    _damaged(tmp_path_factory.mktemp("damage"), harm, shape)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10**6), st.binary(min_size=1, max_size=4)), min_size=1, max_size=6),
       st.sampled_from([".csv", ".csv.gz"]))  # fmt: skip
def test_damaged_bytes_end_in_words(tmp_path_factory, harm, ending):
    import gzip

    def write(folder, items):
        path = write_csv(folder / "a.csv", items, CONTRACT)
        data = bytearray(
            path.read_bytes() if ending == ".csv" else gzip.compress(path.read_bytes())
        )
        path.unlink()
        for place, what in harm:
            at = place % len(data)
            data[at : at + len(what)] = what
        (folder / f"a{ending}").write_bytes(bytes(data))

    plant = plant_with(tmp_path_factory.mktemp("bytes"), WIDE, write)
    with contextlib.suppress(HistoryError):
        open_history(plant).close()


# --- called items alone, checks ---------------------------------------------------------


def test_called_items_alone_are_never_tightened(tmp_path):
    from optimiser.tally.grid import make_grids

    items = [i for i in make_items() if i["called"]]
    folder = make_plant(tmp_path, items=items, toml=table(plant={"only_called": True}))
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        findings = check(history, live, folder / "recipe.csv")
        grids = make_grids(history, live)
    assert any("called items alone" in f.rule for f in findings if f.level == "note")
    limits = [limit for grid in grids.values() for limit in grid.limits]
    assert limits
    for limit in limits:
        assert limit.live == 0  # the live level is the tightest there is
        assert [s.rail for s in limit.tight] == ["only-called"]


def test_a_plant_that_says_only_called_and_exports_more_is_refused(tmp_path):
    folder = make_plant(tmp_path, toml=table(plant={"only_called": True}))
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        errors = [f for f in check(history, live, folder / "recipe.csv") if f.level == "error"]
    assert any("were not called" in f.rule for f in errors)


def test_an_export_of_called_items_that_does_not_say_so_is_refused(tmp_path):
    folder = make_plant(tmp_path, items=[i for i in make_items() if i["called"]])
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        errors = [f for f in check(history, live, folder / "recipe.csv") if f.level == "error"]
    assert any("only_called = true" in f.way_out for f in errors)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lot,family\n", "column 'items' is missing"),
        ("lot,family,items\na,SOT,many\n", "must be a whole number, got 'many'"),
        ("lot,family,items\na,SOT,5\na,SOT,6\n", "stands twice"),
    ],
)
def test_inspected_counts_that_cannot_be(tmp_path, text, words):
    toml = table(plant={"only_called": True, "inspected": "inspected.csv"})
    folder = make_plant(tmp_path, items=[i for i in make_items() if i["called"]], toml=toml)
    (folder / "inspected.csv").write_text(text)
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history, pytest.raises(HistoryError, match=words):
        check(history, live, folder / "recipe.csv")


def test_a_check_is_on_or_off(tmp_path):
    from optimiser.tally.grid import FAILS, ON, make_grids

    toml = table(measurements={"fill": {"unit": "%", "check": True}})
    items = [
        {**i, "fill": float(i["verdict"] == "defect" or n % 40 == 0)}
        for n, i in enumerate(make_items())
    ]
    items = [{**i, "called": i["called"] or i["fill"] == 1.0} for i in items]
    items = [
        {**i, "verdict": i["verdict"] or "good", "found_by": "review"} if i["called"] else i
        for i in items
    ]
    recipe = [("family", f, "fill", "", "0.5", "%") for f in ("SOT", "CHIP")]
    toml["families"] = {
        f: {k: v for k, v in t.items() if k != "workmanship"} for f, t in toml["families"].items()
    }
    folder = make_plant(tmp_path, items=items, toml=toml, recipe=recipe, must_catch=None)
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        (limit,) = make_grids(history, live)["SOT"].limits
    assert limit.values.tolist() == [ON, float("inf")]
    assert limit.spread == 0.0
    assert ON < FAILS


def test_a_check_has_no_scale(tmp_path):
    toml = table(measurements={"fill": {"unit": "%", "check": True, "step": 1.0}})
    with pytest.raises(PlantError, match="a check is on or off"):
        read_plant(make_plant(tmp_path, items=[], toml=toml))


# --- lines that carry honesty and once could be broken unseen ---------------------------


def test_the_row_of_a_reshaped_file_is_the_files_own(tmp_path):
    """A finding on the long form names the first of the item's rows, not the item's number."""

    def twice(n, rows):
        return [*rows, ("tilt", "99", "deg")] if n == 9 else rows

    plant = plant_with(tmp_path, LONG, long(twice))
    _, findings = of(plant, "select 1")
    (finding,) = [f for f in findings if f.level == "set aside"]
    before = sum(item[m] is not None for item in make_items()[:9] for m in MEASUREMENTS)
    assert finding.row == before + 1


def test_a_byte_that_its_encoding_does_not_have_costs_its_line(tmp_path):
    def write(folder, items):
        path = write_csv(folder / "a.csv", items, CONTRACT)
        lines = path.read_bytes().split(b"\n")
        lines[5] = lines[5].replace(b"AOI-1", b"AOI\x81-1")  # cp1252 leaves 0x81 undefined
        path.write_bytes(b"\n".join(lines))

    plant = plant_with(tmp_path, WIDE + 'encoding = "cp1252"\n', write)
    with open_history(plant) as history:
        assert (history.rows_used, history.rows_set_aside) == (479, 1)
        assert history.rows("select distinct station from items") == [("AOI-1",)]
        (finding,) = [f for f in history.findings if f.level == "set aside"]
    assert finding.row == 5


VERDICTS = """
[verdict_files]
time_zone = "UTC"
[verdict_files.columns]
board = "board"
designator = "designator"
verdict = "verdict"
found_by = "found_by"
"""


@pytest.mark.parametrize(
    ("called", "meant"),
    [((True, False), 0), ((False, True), 1), ((True, True), None), ((False, False), None)],
)
def test_a_verdict_without_a_time_means_one_item_or_the_one_that_was_called(
    tmp_path, called, meant
):
    items = [{**i, "verdict": None, "defect": None, "found_by": None} for i in make_items()]
    twin = {**items[0], "time": items[0]["time"] + timedelta(minutes=5)}
    items = [{**items[0], "called": called[0]}, {**twin, "called": called[1]}, *items[1:]]
    toml = table(plant={"verdicts": "told.csv"})
    folder = make_plant(tmp_path, items=items, toml=toml)
    with (folder / "plant.toml").open("a", encoding="utf-8") as out:
        out.write(VERDICTS)
    (folder / "told.csv").write_text(
        f"board,designator,verdict,found_by\n{twin['board']},{twin['designator']},defect,review\n"
    )
    found, findings = of(
        read_plant(folder),
        "select verdict from items where designator = 'Q0' and board = 'B0000' order by time",
    )
    aside = [f for f in findings if f.level == "set aside"]
    if meant is None:
        assert [v for (v,) in found] == [None, None]
        assert "several items" in aside[0].rule
    else:
        assert [v for (v,) in found] == ["defect" if n == meant else None for n in (0, 1)]
        assert aside == []
