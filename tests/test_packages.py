"""Package names, against the worked names of IPC-7351B as publicly quoted and makers' chip codes."""

import pytest

from optimiser.plant.package import AMBIGUOUS, read_package


# Worked names: public copies of the naming convention (dimensions in hundredths of a millimetre).
@pytest.mark.parametrize(
    ("name", "family", "length", "width", "height", "pitch", "pins"),
    [
        ("RESC1608X55N", "RES-0603", 1.6, 0.8, 0.55, None, None),
        ("CAPC2012X70M", "CAP-0805", 2.0, 1.2, 0.7, None, None),
        ("SOIC127P600X175-8N", "SOIC-8", 6.0, None, 1.75, 1.27, 8),
        ("SOT23-95P280X110-5N", "SOT23-5", 2.8, None, 1.1, 0.95, 5),
        ("QFN50P350X350X100-19_15T205X205", "QFN-19", 3.5, 3.5, 1.0, 0.5, 19),
        ("BGA256C80P16X16_1400X1400X170", "BGA-256", 14.0, 14.0, 1.7, 0.8, 256),
        ("ABC-SOIC127P600X175-8N", "SOIC-8", 6.0, None, 1.75, 1.27, 8),
        ("R_0603_1608Metric", "RES-0603", 1.6, 0.8, None, None, None),
        ("C_0805_2012Metric", "CAP-0805", 2.0, 1.25, None, None, None),
    ],
)
def test_worked_names(name, family, length, width, height, pitch, pins):
    found = read_package(name)
    assert (found.family, found.length, found.width) == (family, length, width)
    assert (found.height, found.pitch, found.pins, found.doubt) == (height, pitch, pins, "")


@pytest.mark.parametrize("code", ["0201", "0402", "0603"])
def test_a_bare_code_that_is_both_is_read_in_inches_and_says_so(code):
    assert code in AMBIGUOUS
    bare, metric = read_package(f"R{code}"), read_package(f"R{code}M")
    assert "in inches" in bare.doubt
    assert metric.doubt == ""
    assert metric.length < bare.length
    assert bare.family == f"RES-{code}"


def test_only_these_are_both():
    assert {"0201", "0402", "0603"} == AMBIGUOUS
    assert read_package("R0805").doubt == ""


def test_a_prefix_that_says_millimetres_leaves_no_doubt():
    assert read_package("RESC0603X30N").family == "RES-0201"
    assert read_package("RESC0603X30N").doubt == ""


@pytest.mark.parametrize(
    "name", ["", "J610-1180", "CON-10", "R_0603_2012Metric", "R9999", "SOIC", "x" * 200]
)
def test_what_follows_no_naming_is_none(name):
    assert read_package(name) is None
