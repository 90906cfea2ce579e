"""Gauge studies against the published tables, brute force and simulation; the command."""

import csv
import json
import math
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import binom

from optimiser.cli import main
from optimiser.errors import InputError, PlantError, UsageError
from optimiser.evidence.gauge import (
    Study,
    measure_gauge,
    range_moments,
)
from optimiser.plant.file import read_plant
from optimiser.plant.write import write_repeatability
from optimiser.studies.gauge_file import read_studies

# outside-checks.md 3a: the AIAG study, 10 items × operators A B C × 3 repeats.
AIAG = np.array([
    [0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15],
    [-0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96],
    [1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67],
    [0.47, 0.50, 0.64, 0.01, 1.03, 0.20, 0.14, 0.20, 0.11],
    [-0.80, -0.92, -0.84, -0.56, -1.20, -1.28, -1.46, -1.07, -1.45],
    [0.02, -0.11, -0.21, -0.20, 0.22, 0.06, -0.29, -0.67, -0.49],
    [0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21],
    [-0.31, -0.20, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49],
    [2.26, 1.99, 2.01, 1.80, 2.12, 2.19, 1.77, 1.45, 1.87],
    [-1.36, -1.25, -1.31, -1.68, -1.62, -1.50, -1.49, -1.77, -2.16],
]).reshape(10, 3, 3)  # fmt: skip

# outside-checks.md 3b: ISO 22514-7:2012 table A.4, operators × 10 items × 3 repeats.
ISO = np.array([
    [8.120, 8.435, 8.480, 7.445, 6.815, 7.490, 9.965, 10.010, 9.560, 6.140, 5.960, 6.365,
     5.690, 5.600, 5.780, 2.855, 2.450, 2.585, 10.685, 10.595, 10.775, 6.725, 6.275, 6.545,
     4.970, 5.105, 5.510, 9.875, 10.100, 9.875],
    [8.200, 8.290, 8.245, 7.300, 7.120, 7.075, 9.660, 9.340, 9.250, 6.095, 6.185, 6.185,
     5.080, 5.340, 5.440, 2.315, 2.585, 2.315, 10.450, 10.840, 11.050, 6.240, 6.120, 6.300,
     5.015, 5.285, 5.150, 10.080, 9.800, 9.970],
    [8.525, 8.435, 8.345, 7.535, 7.355, 7.085, 9.830, 9.695, 9.515, 6.140, 6.140, 6.050,
     5.780, 5.735, 5.555, 2.630, 2.360, 2.585, 10.865, 11.000, 11.180, 6.590, 6.500, 6.725,
     5.060, 5.195, 5.105, 10.190, 9.785, 9.965],
]).reshape(3, 10, 3).transpose(1, 0, 2)  # fmt: skip


def study(values) -> Study:
    return Study(measurement="tilt", values=np.asarray(values, dtype=float))


def source(gauge, name):
    return next(s for s in gauge.anova if s.name == name)


# Published -----------------------------------------------------------------------------------


def test_aiag_sums_of_squares():
    """AIAG MSA, ANOVA table (read): SS, df, MS; F and p with the interaction in the model."""
    found = measure_gauge(study(AIAG), pool_above=1.0)
    rows = {
        "items": (88.3619, 9, 9.81799, 492.291),
        "operators": (3.1673, 2, 1.58363, 79.406),
        "operators with items": (0.3590, 18, 0.01994, 0.434),
        "repeats": (2.7589, 60, 0.04598, None),
    }
    for name, (squares, freedom, mean_square, ratio) in rows.items():
        row = source(found, name)
        assert row.squares == pytest.approx(squares, abs=5e-4)
        assert row.freedom == freedom
        assert row.mean_square == pytest.approx(mean_square, abs=5e-6)
        assert row.f == (None if ratio is None else pytest.approx(ratio, abs=5e-4))
    assert source(found, "operators with items").p == pytest.approx(0.9741, abs=5e-5)
    assert sum(s.squares for s in found.anova) == pytest.approx(94.6471, abs=5e-4)
    assert found.method == "analysis of variance, two way, interaction kept"


def test_aiag_anova_with_the_interaction_pooled():
    """AIAG MSA, ANOVA (read): standard deviations, % of total, % contribution, ndc 4."""
    found = measure_gauge(study(AIAG))
    assert found.method.endswith("interaction pooled (p = 0.97)")
    pooled = source(found, "repeats and operators with items")
    assert (pooled.freedom, pooled.squares) == (78, pytest.approx(3.1179, abs=5e-4))
    sigmas = (found.repeatability, found.operator, found.gauge, found.between_items, found.total)
    assert sigmas == pytest.approx((0.199933, 0.226838, 0.302372, 1.042327, 1.085300), abs=5e-6)
    percent = [100 * s / found.total for s in sigmas[:4]]
    assert percent == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=0.02)
    assert [p**2 / 100 for p in percent] == pytest.approx([3.39, 4.37, 7.76, 92.24], abs=0.02)
    assert found.categories == pytest.approx(4.861, abs=5e-4)
    assert found.verdict == "marginal"


def test_aiag_anova_with_the_interaction_kept():
    """Repeatability 0.214435 read, the others recomputed (outside-checks.md 3a)."""
    found = measure_gauge(study(AIAG), pool_above=1.0)
    sigmas = (found.repeatability, found.operator, found.gauge, found.between_items, found.total)
    assert sigmas == pytest.approx((0.214435, 0.228304, 0.313217, 1.043395, 1.089393), abs=5e-6)
    assert found.interaction == 0
    assert found.categories == pytest.approx(4.697, abs=5e-4)


def test_aiag_average_and_range():
    """AIAG MSA, average and range; published figures from memory, to the manual's rounding."""
    found = measure_gauge(study(AIAG), method="range")
    assert found.method == "average and range"
    sigmas = (found.repeatability, found.operator, found.gauge, found.between_items, found.total)
    assert sigmas == pytest.approx((0.20188, 0.22963, 0.30575, 1.10456, 1.14610), abs=2e-4)
    percent = [100 * s / found.total for s in sigmas[:4]]
    assert percent == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.02)
    assert found.categories == pytest.approx(5.094, abs=2e-3)
    assert (found.anova, found.gauge_interval) == ((), None)


def test_constants_of_ranges():
    """AIAG MSA: K1 is 1/d2, K2 and K3 are 1/d2*; 4.56, 3.05, 3.65, 2.70, 1.62 times 5.15 read."""
    for size, k1, older in ((2, 0.8862, 4.56), (3, 0.5908, 3.05)):
        assert 1 / range_moments(size)[0] == pytest.approx(k1, abs=6e-5)
        assert 5.15 / range_moments(size)[0] == pytest.approx(older, abs=0.01)
    for size, k, older in ((2, 0.7071, 3.65), (3, 0.5231, 2.70), (10, 0.3146, 1.62)):
        assert range_moments(size)[1] ** -0.5 == pytest.approx(k, abs=6e-5)
        assert 5.15 * range_moments(size)[1] ** -0.5 == pytest.approx(older, abs=0.01)


def test_iso_22514_7_annex_a():
    """ISO 22514-7:2012 annex A (read in a public copy): pooled and unpooled components."""
    assert "interaction pooled" in measure_gauge(study(ISO)).method
    full = measure_gauge(study(ISO), pool_above=1.0)
    crossed = source(full, "operators with items")
    assert crossed.f == pytest.approx(1.193, abs=5e-4)
    pooled = measure_gauge(study(ISO), pool_above=0.05)  # the standard tests at 5 %
    base = source(pooled, "repeats and operators with items")
    assert (base.freedom, base.mean_square) == (78, pytest.approx(0.0334, abs=5e-5))
    assert pooled.operator == pytest.approx(0.08683, abs=1e-5)
    assert pooled.repeatability == pytest.approx(0.1827, abs=5e-5)
    assert source(pooled, "items").f == pytest.approx(1754, abs=0.5)
    assert source(pooled, "operators").f == pytest.approx(7.776, abs=5e-4)
    assert full.operator**2 == pytest.approx(0.00738, abs=5e-6)
    assert full.between_items**2 == pytest.approx(6.500, abs=5e-4)
    assert full.interaction**2 == pytest.approx(0.00205, abs=5e-6)


# Identities ----------------------------------------------------------------------------------

READINGS = arrays(
    float,
    st.tuples(st.integers(2, 5), st.integers(1, 4), st.integers(2, 4)),
    elements=st.integers(-50, 50).map(float),
).filter(lambda v: np.ptp(v) > 0)


@given(READINGS)
def test_sums_of_squares_add_up_to_the_total(values):
    found = measure_gauge(study(values), pool_above=1.0)
    total = ((values - values.mean()) ** 2).sum()
    assert sum(s.squares for s in found.anova) == pytest.approx(total)
    assert sum(s.freedom for s in found.anova) == values.size - 1
    rows = {s.name: s.mean_square for s in found.anova}
    assert rows["repeats"] == pytest.approx(values.var(axis=2, ddof=1).mean())


@settings(deadline=None)
@given(READINGS, st.sampled_from(["anova", "range"]))
def test_components_add_as_variances_and_scale_with_the_unit(values, method):
    found = measure_gauge(study(values), method=method)
    parts = (found.repeatability, found.operator, found.interaction, found.between_items)
    assert found.total**2 == pytest.approx(sum(p**2 for p in parts))
    assert 0 <= found.share <= 1
    scaled = measure_gauge(study(1000 * values + 7), method=method)
    assert scaled.gauge == pytest.approx(1000 * found.gauge, abs=1e-6)
    assert scaled.share == pytest.approx(found.share, abs=1e-6)
    turned = measure_gauge(study(values[::-1, ::-1, ::-1]), method=method)
    assert turned.gauge == pytest.approx(found.gauge)
    for interval in (found.repeatability_interval, found.gauge_interval, found.share_interval):
        assert interval is None or interval.low <= interval.value <= interval.high


def test_a_pooled_interval_is_of_one_mean_square():
    """Without operators' effect the gauge's interval tends to that of 78 degrees of freedom."""
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1, (10, 3, 3))
    values -= values.mean(axis=(0, 2), keepdims=True)
    found = measure_gauge(study(values), pool_above=0.0)
    base = source(found, "repeats and operators with items")
    assert base.freedom == 78
    assert found.operator == 0
    alone = found.repeatability_interval
    assert found.gauge_interval.high == pytest.approx(alone.high, rel=0.02)


# Simulation ----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("level", [0.80, 0.95])
@pytest.mark.parametrize(
    ("operators", "sigmas"),
    [(1, (1.0, 0.0, 0.0, 2.0)), (3, (1.0, 0.7, 0.0, 2.0)), (4, (1.0, 0.5, 0.8, 3.0))],
)
def test_intervals_hold_their_level(level, operators, sigmas):
    """Misses of 2,000 studies are not above the level's beyond a chance of one in a million.

    Graybill and Wang's interval is an approximation: it may miss by half a point more.
    """
    rng = np.random.default_rng([operators, int(100 * level)])
    repeat, operator, crossed, item = sigmas
    i, o, k, runs = 10, operators, 3, 2000
    missed = np.zeros(3)
    truth = (repeat, math.hypot(repeat, operator, crossed))
    truth += (truth[1] / math.hypot(truth[1], item),)
    for _ in range(runs):
        values = (
            rng.normal(0, item, (i, 1, 1))
            + rng.normal(0, operator, (1, o, 1))
            + rng.normal(0, crossed, (i, o, 1))
            + rng.normal(0, repeat, (i, o, k))
        )
        found = measure_gauge(study(values), level=level, pool_above=1.0)
        intervals = (found.repeatability_interval, found.gauge_interval, found.share_interval)
        missed += [
            x is not None and not x.low <= t <= x.high
            for x, t in zip(intervals, truth, strict=True)
        ]
    for count, slack in zip(missed, (0.0, 0.005, 0.0), strict=True):
        assert count <= binom.isf(1e-6, runs, 1 - level + slack)


@pytest.mark.slow
def test_repeatability_is_unbiased_by_both_methods():
    rng = np.random.default_rng(8)
    runs = [study(rng.normal(0, 2, (8, 1, 1)) + rng.normal(0, 0.5, (8, 3, 3))) for _ in range(1500)]
    anova = np.mean([measure_gauge(s, pool_above=1.0).repeatability ** 2 for s in runs])
    ranges = np.mean([measure_gauge(s, method="range").repeatability for s in runs])
    assert anova == pytest.approx(0.25, rel=0.02)
    assert ranges == pytest.approx(0.5, rel=0.01)


# Reading -------------------------------------------------------------------------------------


def write(path, rows, header=("item", "operator", "repeat", "tilt")):
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *rows])
    return path


def rows_of(values):
    return [
        (f"p{i}", "ABCD"[o], k + 1, values[i, o, k])
        for i in range(values.shape[0])
        for o in range(values.shape[1])
        for k in range(values.shape[2])
    ]


@pytest.fixture
def aiag(tmp_path):
    return write(tmp_path / "study.csv", rows_of(AIAG))


def test_any_order_of_rows_reads_alike(tmp_path, aiag):
    rows = rows_of(AIAG)
    np.random.default_rng(5).shuffle(rows)
    mixed = write(tmp_path / "mixed.csv", rows, ("Part", "OPERATOR", "repeat", "tilt"))
    first, second = (measure_gauge(read_studies(p)[0]) for p in (aiag, mixed))
    assert second.gauge == pytest.approx(first.gauge, rel=1e-12)
    assert second.gauge == pytest.approx(0.302372, abs=5e-6)


def test_items_by_repeats_on_one_machine_and_many_measurements(tmp_path):
    rows = [(i, AIAG[i, 0, k], 100 * AIAG[i, 1, k]) for i in range(10) for k in range(3)]
    path = write(tmp_path / "one.csv", rows, ("item", "tilt", "offset"))
    tilt, offset = (measure_gauge(s) for s in read_studies(path))
    assert (tilt.measurement, tilt.operators, tilt.items, tilt.repeats) == ("tilt", 1, 10, 3)
    assert tilt.method == "analysis of variance, one way"
    assert tilt.repeatability == pytest.approx(AIAG[:, 0].var(axis=1, ddof=1).mean() ** 0.5)
    assert offset.repeatability == pytest.approx(100 * AIAG[:, 1].var(axis=1, ddof=1).mean() ** 0.5)
    assert [s.measurement for s in read_studies(path, measurement="offset")] == ["offset"]


GOOD = [("a", "A", 1, 1.0), ("a", "A", 2, 1.1), ("b", "A", 1, 2.0), ("b", "A", 2, 2.1)]
HEADER = ("item", "operator", "repeat", "tilt")


@pytest.mark.parametrize(
    ("rows", "header", "words"),
    [
        (GOOD[:3], HEADER, ["measured equally often", "1 readings of item 'b', operator 'A'"]),
        ([*GOOD, ("a", "B", 1, 1.0)], HEADER, ["by every operator", "leave the item out"]),
        ([*GOOD[:3], ("b", "A", 1, 2.1)], HEADER, ["line 5", "repeat 1 stands in line 4 already"]),
        ([*GOOD[:3], ("b", "A", 2, "x")], HEADER, ["line 5: tilt must be a finite number", "'x'"]),
        ([*GOOD[:3], ("b", "A", 2, "2,1")], HEADER, ["got '2,1'", "use a decimal point"]),
        ([*GOOD[:3], ("b", "A", 2, "inf")], HEADER, ["must be a finite number, got 'inf'"]),
        ([*GOOD[:3], ("b", "A", 2, "")], HEADER, ["must be a finite number, got ''"]),
        ([*GOOD[:3], ("b", "", 2, 1.0)], HEADER, ["line 5: operator must not be empty"]),
        ([*GOOD[:3], ("b", "A", 2)], HEADER, ["line 5", "as many cells as the header, 4, got 3"]),
        (GOOD, ("itme", "operator", "repeat", "tilt"), ["no column 'item'", "'itme'"]),
        (GOOD, ("item", "part", "repeat", "tilt"), ["one name of its own", "'part' in column 2"]),
        (GOOD, ("item", "operator", "tilt", "tilt"), ["one name of its own", "'tilt' in column 4"]),
        ([r[:2] for r in GOOD], HEADER[:2], ["no measurement beside item, operator"]),
        ([], HEADER, ["no readings"]),
        ([("a;1",)], ("item;tilt",), ["separated by commas"]),
        (GOOD[:2], HEADER, ["at least 2 items", "got 1 items × 2"]),
        (GOOD[::2], HEADER, ["measured at least twice", "got 2 items × 1"]),
        ([(*r[:3], 3) for r in GOOD], HEADER, ["all 4 readings are 3", "items that differ"]),
    ],
)  # fmt: skip
def test_bad_studies_are_named(tmp_path, capsys, rows, header, words):
    path = write(tmp_path / "bad.csv", rows, header)
    assert main(["gauge", str(path)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert all(word in err for word in words), err


def test_files_that_are_no_table_and_wrong_names(tmp_path, capsys, aiag):
    (tmp_path / "latin.csv").write_bytes("item,höhe\na,1\n".encode("latin-1"))
    assert main(["gauge", str(tmp_path / "latin.csv")]) == 1
    assert main(["gauge", str(tmp_path / "none.csv")]) == 2
    assert main(["gauge", str(aiag), "--measurement", "tlt"]) == 2
    err = capsys.readouterr().err
    assert "not a CSV file in UTF-8" in err
    assert "no study at" in err
    assert "no measurement 'tlt'; known: tilt (did you mean 'tilt'?)" in err
    with pytest.raises(UsageError, match="1 items, 1 operators, 5 repeats"):
        measure_gauge(study(np.arange(5.0).reshape(1, 1, 5)))


def test_what_limits_a_study_is_said():
    rounded = measure_gauge(study([[[1.0, 1.0]], [[2.0, 2.0]]]))
    assert rounded.repeatability == 0
    assert rounded.categories == math.inf
    assert any("rounded too coarsely" in n for n in rounded.notes)
    assert any("2 degrees of freedom" in n for n in rounded.notes)
    assert measure_gauge(study(AIAG)).notes == ()


# Command and plant file ----------------------------------------------------------------------

PLANT = """# Lantern Row: invented
[plant]
name = "Lantern Row (invented)"

[measurements]   # all of them
tilt   = { unit = "deg",  step = 0.5, repeatability = 0.1 }  # study of March
offset = { unit = "um" }

# the second stage
[measurements.fill]
unit = "%"  # of the pad

# families below
[families.SOT-23]
class = 2
"""


@pytest.fixture
def plant(tmp_path):
    path = tmp_path / "plant.toml"
    path.write_text(PLANT)
    return path


def test_the_command_prints_and_writes(aiag, plant, capsys):
    assert main(["gauge", str(aiag), "--write", str(plant.parent)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in ("27.9%", "0.1999", "4 distinct categories", "two way", "marginal"):
        assert words in out
    assert "repeatability of tilt 0.1 → 0.2 deg; the file as it was: plant.toml.bak" in " ".join(
        out.split()
    )
    # AIAG's study: 10 parts, 3 operators, 3 readings each.
    written = "repeatability = 0.2, repeatability_freedom = 60}"
    assert plant.read_text() == PLANT.replace("repeatability = 0.1 }", written)
    assert read_plant(plant).file.measurements["tilt"].repeatability_freedom == 60
    assert (plant.parent / "plant.toml.bak").read_text() == PLANT


def test_json_says_what_the_table_says(aiag, plant, capsys):
    assert main(["gauge", str(aiag), "--json", "--method", "range"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["written"] is None
    (row,) = found["studies"]
    assert row["method"] == "average and range"
    assert row["categories"] == pytest.approx(5.094, abs=2e-3)
    code = main(["gauge", str(aiag), "--json", "--measurement", "tilt", "--write", str(plant)])
    assert code == 0
    found = json.loads(capsys.readouterr().out)
    assert found["written"]["before"] == 0.1
    assert found["written"]["after"] == 0.2
    assert len(found["studies"][0]["anova"]) == 5


def test_nothing_is_written_when_it_cannot_be(tmp_path, plant, capsys):
    both = write(tmp_path / "b.csv", [(*r, r[3]) for r in GOOD], (*HEADER, "offset"))
    assert main(["gauge", str(both), "--write", str(plant)]) == 2
    other = write(tmp_path / "o.csv", GOOD, (*HEADER[:3], "tlt"))
    assert main(["gauge", str(other), "--write", str(plant)]) == 2
    rounded = write(tmp_path / "r.csv", [(*r[:3], round(r[3])) for r in GOOD], HEADER)
    assert main(["gauge", str(rounded), "--write", str(plant)]) == 1
    err = capsys.readouterr().err
    assert "name it with --measurement" in err
    assert "no measurement 'tlt'; known: fill, offset, tilt (did you mean 'tilt'?)" in err
    assert "must be a finite number above 0, got 0" in err
    assert plant.read_text() == PLANT
    assert not list(tmp_path.glob("*.bak"))


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_layout_keeps_every_other_character(plant, end):
    text = PLANT.replace("\n", end)
    plant.write_bytes(text.encode())
    write_repeatability(plant, "fill", 1.23456)
    wanted = text.replace(f"# of the pad{end}", f"# of the pad{end}repeatability = 1.23{end}")
    assert plant.read_bytes().decode() == wanted
    write_repeatability(plant, "offset", 3e-5)
    assert read_plant(plant).file.measurements["offset"].repeatability == 3e-5
    now = plant.read_bytes().decode()
    assert [x for x in now.split(end) if not x.startswith("offset")] == [
        x for x in wanted.split(end) if not x.startswith("offset")
    ]


def test_dotted_keys_and_tables_apart(plant):
    text = (
        'plant.name = "x"\nmeasurements.tilt.unit = "deg"\nmeasurements.offset.unit = "um"\n'
        "[families.F]\n[measurements.fill]\nunit = '%'"
    )
    plant.write_text(text)
    for name in ("tilt", "fill"):
        write_repeatability(plant, name, 0.5)
    held = tomllib.loads(plant.read_text())
    expected = tomllib.loads(text)
    for name in ("tilt", "fill"):
        expected["measurements"][name]["repeatability"] = 0.5
    assert held == expected


def test_no_backup_is_overwritten_and_the_mode_is_kept(plant):
    plant.chmod(0o640)
    names = [write_repeatability(plant, "tilt", v).backup.name for v in (0.3, 0.4, 0.5)]
    assert names == ["plant.toml.bak", "plant.toml.2.bak", "plant.toml.3.bak"]
    held = [read_plant(plant.with_name(n)).file.measurements["tilt"] for n in names]
    assert [m.repeatability for m in held] == [0.1, 0.3, 0.4]
    assert plant.stat().st_mode & 0o777 == 0o640
    assert sorted(p.name for p in plant.parent.iterdir()) == sorted(["plant.toml", *names])


@pytest.mark.parametrize("value", [0.0, -1.0, math.inf, math.nan])
def test_a_repeatability_must_be_a_number_above_zero(plant, value):
    with pytest.raises(PlantError, match="repeatability of tilt must be a finite number above 0"):
        write_repeatability(plant, "tilt", value)
    assert plant.read_text() == PLANT


@settings(max_examples=25, deadline=None)
@given(st.floats(1e-9, 1e9))
def test_what_is_written_is_read_back_to_three_digits(tmp_path_factory, value):
    path = tmp_path_factory.mktemp("p") / "plant.toml"
    path.write_text(PLANT)
    written = write_repeatability(path, "tilt", value)
    read = read_plant(path).file.measurements["tilt"].repeatability
    assert read == written.after == pytest.approx(value, rel=0.0051)


def test_input_error_is_not_usage_error():
    with pytest.raises(InputError):
        measure_gauge(study(np.ones((3, 2, 2))))
