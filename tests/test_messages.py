"""IPC-2591 messages into rows. Traps are those of the SDK's own documented examples (880255d)."""

import copy
import gzip
import json
import random
from collections import Counter
from pathlib import Path

import messages as m
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser.intake import refused
from optimiser.intake.messages import LONG, flatten


def flat(tmp_path, envelopes, name="messages.jsonl", **options):
    path = m.write(tmp_path / name, envelopes, **options)
    found = flatten(path, tmp_path / "out.parquet")
    rows = pq.read_table(tmp_path / "out.parquet").to_pylist()
    assert len(rows) == found.rows
    return rows, found


def only(rows, *names):
    return [tuple(row[n] for n in names) for row in rows]


def reasons(found):
    return [(r.what, r.reason) for r in found.refused]


CONSTRUCTED = m.inspected(
    {
        "UniqueIdentifier": "i-1",
        "InspectionName": "R1.1 fillet",
        "Result": "Passed",
        "Verification": "NotVerifiedYet",
        "DefectsFound": [],
        "Measurements": [
            m.numeric(
                "FilletHeight",
                0.21,
                "R1.1",
                uid="m-1",
                result="Passed",
                ValueUnits="mm",
                ExpectedValue=0.22,
                ExpectedValueUnits="mm",
                MinimumAcceptableValue=0.12,
                MinimumAcceptableValueUnits="mm",
                MaximumAcceptableValue=None,
            )
        ],
    },
    {
        "UniqueIdentifier": "i-2",
        "InspectionName": "R2.1 fillet",
        "Result": "Failed",
        "Verification": "DefectRejected",
        "VerificationDetail": "good joint, glare",
        "DefectsFound": [
            {
                "UniqueIdentifier": "d-1",
                "DefectCode": "FILLET_LOW",
                "DefectCategory": "InsufficientSolder",
                "ComponentOfInterest": {"ReferenceDesignator": "R2.1", "PartNumber": "PN1"},
                "Verification": "DefectRejected",
                "RelatedMeasurements": [
                    m.numeric(
                        "FilletHeight",
                        0.11,
                        "R2.1",
                        uid="m-2",
                        result="Failed",
                        ValueUnits="mm",
                        MinimumAcceptableValue=0.12,
                    )
                ],
            }
        ],
        "Measurements": [],
    },
    OverallResult="Failed",
    Verification="DefectRejected",
    TotalInspectionCount=2,
)


def test_the_constructed_example(tmp_path):
    rows, found = flat(tmp_path, [CONSTRUCTED])
    both = {
        "time": "2026-03-02T08:15:00+00:00",
        "line": "LINE1",
        "station": "INSP1",
        "stage": "AOI",
        "product": "BOARD_A",
        "revision": "7",
        "board": "SN0001/1",
        "lot": None,
        "family": None,
        "pin": "1",
        "measurement": "FilletHeight",
        "unit": "mm",
        "lower": "0.12",
        "upper": None,
        "place": "1",
    }
    unreviewed = {
        "designator": "R1",
        "part": None,
        "called": "false",
        "verdict": None,
        "defect": None,
        "found_by": None,
        "value": "0.21",
    }
    rejected = {
        "designator": "R2",
        "part": "PN1",
        "called": "true",
        "verdict": "good",
        "defect": "InsufficientSolder",
        "found_by": "review",
        "value": "0.11",
    }
    assert rows == [both | unreviewed, both | rejected]
    assert tuple(rows[0]) == LONG
    assert (found.messages, found.units, found.items, found.measurements) == (1, 1, 2, 2)
    assert found.inspected == {"SN0001/1": 2}
    assert found.refused == ()


@pytest.mark.parametrize(
    ("word", "verdict"),
    [
        ("DefectConfirmed", "defect"),
        ("DefectRepaired", "defect"),
        ("DefectClosed", "defect"),
        ("DefectRejected", "good"),
        ("DefectAccepted", "good"),
        ("NotVerifiedYet", None),
        (None, None),
    ],
)
@pytest.mark.parametrize("level", ["defect", "inspection", "unit"])
def test_the_nearest_verification_holds(tmp_path, word, verdict, level):
    """`VerificationResult.cs`: accepted is a false call, too; repaired and closed imply real."""
    said = {name: word for name in ["defect", "inspection", "unit"] if name == level}
    further = {"defect": "inspection", "inspection": "unit"}.get(level)
    if word not in (None, "NotVerifiedYet") and further:
        # What stands further off says the contrary and is not heard.
        said[further] = "DefectRejected" if verdict == "defect" else "DefectConfirmed"
    rows, _ = flat(
        tmp_path,
        [
            m.inspected(
                m.inspection(
                    "Failed",
                    defects=[m.defect("R1", verified=said.get("defect"))],
                    Verification=said.get("inspection"),
                ),
                m.inspection("Passed", m.numeric("a", 1.0, "R9")),
                Verification=said.get("unit"),
            )
        ],
    )
    assert only(rows, "designator", "called", "verdict", "found_by") == [
        ("R1", "true", verdict, verdict and "review"),
        ("R9", "false", None, None),
    ]


def test_confirmed_for_several_calls_labels_none(tmp_path):
    several = [
        m.inspection("Failed", defects=[m.defect("R1")]),
        m.inspection("Failed", defects=[m.defect("R2")]),
    ]
    rows, found = flat(tmp_path, [m.inspected(*several, Verification="DefectConfirmed")])
    assert only(rows, "verdict") == [(None,), (None,)]
    assert [r.what for r in found.refused] == ["verdict"]
    rows, found = flat(tmp_path, [m.inspected(*several, Verification="DefectRejected")])
    assert only(rows, "verdict") == [("good",), ("good",)]
    several[0]["DefectsFound"][0]["Verification"] = "DefectClosed"
    rows, found = flat(tmp_path, [m.inspected(*several, Verification="DefectConfirmed")])
    assert only(rows, "verdict") == [("defect",), (None,)]
    assert found.refused == ()


def test_a_verdict_never_comes_from_results(tmp_path):
    """An SDK example has a failed unit whose only inspections passed."""
    rows, found = flat(
        tmp_path,
        [m.inspected(m.inspection("Passed", m.numeric("a", 1.0, "R1")), OverallResult="Failed")],
    )
    assert only(rows, "called", "verdict") == [("false", None)]
    rows, found = flat(tmp_path, [m.inspected(m.inspection("Failed", m.numeric("a", 1.0, "R1")))])
    assert only(rows, "called", "verdict") == [("true", None)]
    assert found.refused == ()


@pytest.mark.parametrize(
    ("result", "called"),
    [
        ("Passed", "false"),
        ("Failed", "true"),
        *((r, None) for r in ("Error", "Aborted", "Skipped", None)),
    ],
)
def test_what_the_machine_called(tmp_path, result, called):
    rows, _ = flat(tmp_path, [m.inspected(m.inspection(result, m.numeric("a", 1.0, "R1")))])
    assert only(rows, "called") == [(called,)]
    with_defect = m.inspection(result, m.numeric("a", 1.0, "R1"), defects=[m.defect("R2")])
    rows, _ = flat(tmp_path, [m.inspected(with_defect)])
    calls = dict(only(rows, "designator", "called"))
    assert calls == {"R2": "true", "R1": "false" if result in ("Passed", "Failed") else None}


def test_a_failed_inspection_of_several_calls_what_failed(tmp_path):
    measured = [
        m.numeric("a", 1.0, "R1", result="Failed"),
        m.numeric("a", 1.0, "R2", result="Passed"),
    ]
    rows, _ = flat(tmp_path, [m.inspected(m.inspection("Failed", *measured))])
    assert only(rows, "designator", "called") == [("R1", "true"), ("R2", "false")]
    for one in measured:
        one["Result"] = "Passed"
    rows, _ = flat(tmp_path, [m.inspected(m.inspection("Failed", *measured))])
    assert only(rows, "designator", "called") == [("R1", "true"), ("R2", "true")]


def test_limits_in_another_unit(tmp_path):
    """The documented example of `UnitsTested`: 28300 Ohm, expected 28.2 kOhm, limits without unit."""
    told = {
        "ValueUnits": "Ohm",
        "ExpectedValue": 28.2,
        "ExpectedValueUnits": "kOhm",
        "MinimumAcceptableValue": 28.0,
        "MaximumAcceptableValue": 28.4,
    }
    names = ("value", "unit", "lower", "upper")
    rows, found = flat(
        tmp_path, [m.inspected(m.inspection("Passed", m.numeric("r", 28300, "R1", **told)))]
    )
    assert only(rows, *names) == [("28300.0", "Ohm", "28000.0", "28400.0")]
    # In the value's own unit the expectation lies between them, in the other not.
    own = told | {"MinimumAcceptableValue": 28000, "MaximumAcceptableValue": 28400}
    rows, found = flat(
        tmp_path, [m.inspected(m.inspection("Passed", m.numeric("r", 28300, "R1", **own)))]
    )
    assert only(rows, *names) == [("28300.0", "Ohm", "28000.0", "28400.0")]
    # Without an expectation, or with one that fits both, nobody can tell.
    for change in (
        {"ExpectedValue": None},
        {"MinimumAcceptableValue": None, "MaximumAcceptableValue": 1e9},
    ):
        rows, found = flat(
            tmp_path,
            [m.inspected(m.inspection("Failed", m.numeric("r", 28300, "R1", **told | change)))],
        )
        assert only(rows, "measurement", "called") == [] or rows[0]["measurement"] is None
        assert reasons(found)[0][0] == "measurement"
        assert "'Ohm' or in 'kOhm'" in reasons(found)[0][1]


def test_limits_with_units_of_their_own(tmp_path):
    told = {
        "ValueUnits": "um",
        "MinimumAcceptableValue": 0.0817,
        "MinimumAcceptableValueUnits": "mm",
        "MaximumAcceptableValue": 7,
        "MaximumAcceptableValueUnits": "mil",
    }
    rows, _ = flat(
        tmp_path, [m.inspected(m.inspection("Passed", m.numeric("h", 100, "R1", **told)))]
    )
    assert only(rows, "lower", "upper") == [("81.7", "177.8")]  # 1 mil is 25.4 um


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ({"MinimumAcceptableValue": 8.68, "MaximumAcceptableValue": 7.89}, "8.68 is larger"),
        (
            {"ValueUnits": "mm", "MaximumAcceptableValue": 1, "MaximumAcceptableValueUnits": "deg"},
            "'deg'",
        ),
        ({"MaximumAcceptableValue": 1, "MaximumAcceptableValueUnits": "mm"}, "value's unit None"),
        ({"Value": "0.3"}, "Value is no finite number"),
        ({"Value": True}, "Value is no finite number"),
        ({"Value": float("nan")}, "Value is no finite number"),
        ({"Value": 10**400}, "Value is no finite number"),
        ({"ValueUnits": 3.5}, "ValueUnits is no text"),
    ],
)
def test_a_measurement_that_contradicts_itself(tmp_path, value, why):
    """8.68 above 7.89 stands in a test of the SDK."""
    bad = m.numeric("a", 8.0, "R1")
    bad["MeasuredValue"] |= value
    rows, found = flat(
        tmp_path,
        [
            m.inspected(
                m.inspection("Failed", bad, m.numeric("b", 1.0, "R1"), defects=[m.defect("R1")])
            )
        ],
    )
    assert only(rows, "designator", "measurement", "called") == [("R1", "b", "true")]
    (one,) = found.refused
    assert one.what == "measurement"
    assert one.place == "message 1, unit 1, inspection 1, measurement 1"
    assert why in one.reason


def test_passed_though_outside_its_own_limits(tmp_path):
    """A documented example: 28.52 kOhm outside 28.0 to 28.4 with the result Passed."""
    told = {"ValueUnits": "kOhm", "MinimumAcceptableValue": 28.0, "MaximumAcceptableValue": 28.4}
    bad = m.numeric("r", 28.52, "R1", result="Passed", **told)
    fine = m.numeric("r", 28.4, "R2", result="Passed", **told)
    rows, found = flat(tmp_path, [m.inspected(m.inspection("Passed", bad, fine))])
    assert only(rows, "designator") == [("R2",)]
    assert [r.what for r in found.refused] == ["item"]
    # Where the item was called, the call stands and the measurement does not.
    rows, found = flat(tmp_path, [m.inspected(m.inspection("Failed", bad))])
    assert only(rows, "called", "measurement") == [("true", None)]
    assert [r.what for r in found.refused] == ["measurement"]
    bad["Result"] = "Failed"
    rows, found = flat(tmp_path, [m.inspected(m.inspection("Failed", bad))])
    assert only(rows, "called", "value") == [("true", "28.52")]
    assert found.refused == ()


def test_confirmed_and_rejected_at_one_place(tmp_path):
    two = [
        m.defect("R1.1", verified="DefectConfirmed"),
        m.defect("R1.1", verified="DefectRejected"),
    ]
    other = m.defect("R2.1", verified="DefectRejected")
    rows, found = flat(tmp_path, [m.inspected(m.inspection("Failed", defects=[*two, other]))])
    assert only(rows, "designator", "verdict") == [("R2", "good")]
    (one,) = found.refused
    assert (one.what, one.place) == ("item", "message 1, unit 1, item R1.1")
    # Also where two inspections of the message look at it.
    apart = [m.inspection("Failed", defects=[one]) for one in two]
    rows, found = flat(tmp_path, [m.inspected(*apart)])
    assert rows == []
    assert [r.what for r in found.refused] == ["item"]


def test_related_measurements_are_read_once(tmp_path):
    """Values tied to a defect stand in RelatedMeasurements; some writers repeat them."""
    one = m.numeric("h", 0.1, None, uid="m-1")
    again = m.numeric("h", 0.1, "R1.1", uid="m-1")
    rows, found = flat(
        tmp_path, [m.inspected(m.inspection("Failed", again, defects=[m.defect("R1.1", one)]))]
    )
    assert only(rows, "designator", "pin", "value") == [("R1", "1", "0.1")]
    assert (found.measurements, found.repeated, found.refused) == (1, 1, ())
    again["MeasuredValue"]["Value"] = 0.2
    rows, found = flat(
        tmp_path, [m.inspected(m.inspection("Failed", again, defects=[m.defect("R1.1", one)]))]
    )
    assert only(rows, "value") == [("0.1",)]
    assert "stands on another measurement" in found.refused[0].reason


@pytest.mark.parametrize(
    ("crds", "place"),
    [
        ("C34", ("C34", None)),
        ("U2.11", ("U2", "11")),
        ("U2.1-45", ("U2", "1-45")),
        ("U2.1,2", ("U2", "1,2")),
        (["U2.1", "2"], ("U2", "1,2")),
        (" U2 . 3 ", ("U2", "3")),
    ],
)
def test_designators(tmp_path, crds, place):
    rows, _ = flat(tmp_path, [m.inspected(m.inspection("Passed", m.numeric("a", 1.0, crds)))])
    assert only(rows, "designator", "pin") == [place]


def test_null_and_missing(tmp_path):
    """Symptoms, Measurements, CRDs and MeasurementName can be null; Verification is younger."""
    without_name = m.numeric(None, 1.5, None)
    del without_name["MeasuredValue"]["Value"]
    without_name["MeasuredValue"]["Value"] = 1.5
    found_defect = m.defect("R1.1")
    del found_defect["Verification"]
    rows, found = flat(
        tmp_path,
        [
            m.inspected(
                m.inspection(
                    "Failed",
                    without_name,
                    defects=[found_defect],
                    InspectionName="fillet",
                    Symptoms=None,
                    Verification=None,
                ),
                {"Result": "Failed", "Measurements": None, "DefectsFound": [m.defect("R2")]},
            )
        ],
    )
    assert only(rows, "designator", "measurement", "value", "verdict") == [
        ("R1", "fillet", "1.5", None),
        ("R2", None, None, None),
    ]
    assert found.refused == ()


def test_without_a_designator(tmp_path):
    several = [m.numeric("a", 1.0, "R1"), m.numeric("a", 1.0, "R2"), m.numeric("a", 1.0, None)]
    rows, found = flat(
        tmp_path,
        [
            m.inspected(
                m.inspection("Passed", *several),
                m.inspection("Failed", defects=[m.defect(None), m.defect(".4")]),
                m.inspection("Passed"),
            )
        ],
    )
    assert only(rows, "designator") == [("R1",), ("R2",)]
    assert [r.what for r in found.refused] == ["measurement", "defect", "defect", "inspection"]
    assert all("designator" in r.reason or "names no component" in r.reason for r in found.refused)


def test_panels_and_positions(tmp_path):
    """Labels give both boards of a panel one serial number; results may hang on the panel."""
    message = m.inspected(m.inspection("Passed", m.numeric("a", 1.0, "R1")))
    second = copy.deepcopy(message["MessageBody"]["InspectedUnits"][0]) | {"UnitPositionNumber": 2}
    message["MessageBody"]["InspectedUnits"].append(second)
    panel = m.inspected()
    panel["MessageBody"] |= {
        "InspectedUnits": [],
        "InspectedPanel": {
            "UnitIdentifier": "PANEL1",
            "Inspections": [m.inspection("Passed", m.numeric("a", 1.0, "R7"))],
            "TotalInspectionCount": 40,
        },
    }
    blank = copy.deepcopy(panel)
    blank["MessageBody"]["InspectedPanel"] = {"UnitIdentifier": None, "Inspections": []}
    rows, found = flat(tmp_path, [message, panel, blank, panel])
    assert only(rows, "board", "designator") == [
        ("SN0001/1", "R1"),
        ("SN0001/2", "R1"),
        *[("PANEL1", "R7")] * 2,
    ]
    assert found.inspected == {"PANEL1": 80}
    assert (found.units, found.refused) == (4, ())


def test_offsets_flags_texts_and_paste(tmp_path):
    paste = {
        "$type": "CFX.Structures.SolderPasteInspection.SolderPasteMeasurement, CFX",
        "X": 0.5,
        "EX": 0.6,
        "Z": 0.12,
        "Vol": 3e-05,
        "A": 0.21,
        "RXY": None,
        "AR": 0.7,
        "Image": None,
        "CRDs": "R1.1",
        "Result": "Passed",
    }
    before = {
        "$type": "CFX.Structures.SolderPasteInspection.SolderPasteMeasurement, CFX",
        "ComponentPad": "R1.2",
        "PasteHeight": {"Value": 0.1, "ValueUnits": "mm", "MaximumAcceptableValue": 0.2},
    }
    offset = {
        "$type": "CFX.Structures.PCBInspection.OffsetMeasurement, CFX",
        "DX": 0.02,
        "DY": -0.01,
        "DZ": 0,
        "RXY": 1.5,
        "RZX": 0.1,
        "RZY": 0.2,
        "CRDs": "U1",
    }
    flag = {
        "$type": "CFX.Structures.BooleanMeasurement, CFX",
        "MeasurementName": "polarity",
        "Value": True,
        "ExpectedValue": True,
        "CRDs": "U2",
    }
    text = {
        "$type": "CFX.Structures.TextMeasurement, CFX",
        "MeasurementName": "marking",
        "Value": "104",
        "CRDs": "U2",
    }
    strange = {"$type": "CFX.Structures.Coating.CoatingMeasurement, CFX", "CRDs": "U3"}
    rows, found = flat(
        tmp_path,
        [m.inspected(m.inspection("Passed", paste, before, offset, flag, text, strange))],
    )
    names = ("designator", "pin", "measurement", "value", "unit")
    assert only(rows, *names) == [
        *[
            ("R1", "1", name, value, unit)
            for name, value, unit in [
                ("X", "0.5", "mm"),
                ("EX", "0.6", "mm"),
                ("Z", "0.12", "mm"),
                ("Vol", "3e-05", "ml"),
                ("A", "0.21", "mm2"),
                ("AR", "0.7", "1"),
            ]
        ],
        ("R1", "2", "PasteHeight", "0.1", "mm"),
        *[
            ("U1", None, name, value, unit)
            for name, value, unit in [
                ("DX", "0.02", "mm"),
                ("DY", "-0.01", "mm"),
                ("DZ", "0.0", "mm"),
                ("RXY", "1.5", "deg"),
                ("RZX", "0.1", "deg"),
                ("RZY", "0.2", "deg"),
            ]
        ],
        ("U2", None, "polarity", "true", None),
        ("U2", None, "marking", "104", None),
    ]
    assert (found.items, found.measurements) == (4, 5)
    assert "CoatingMeasurement" in found.refused[0].reason


def test_time_source_and_stage(tmp_path):
    one = m.inspection("Passed", m.numeric("a", 1.0, "R1"))
    times = {
        "InspectionStartTime": "2026-03-02T08:00:00.5+01:00",
        "InspectionEndTime": "2026-03-02T08:00:09+01:00",
    }
    started = {**one, "InspectionStartTime": times["InspectionStartTime"]}
    for said, time in (
        (times | one, "2026-03-02T08:00:09+01:00"),
        (started, times["InspectionStartTime"]),
    ):
        rows, _ = flat(tmp_path, [m.inspected(said)])
        assert only(rows, "time") == [(time,)]
    message = m.inspected(one)
    message["Source"] = "L2.AOI.7"
    message["MessageBody"]["InspectionMethod"] = "SPI"
    rows, _ = flat(tmp_path, [message])
    assert only(rows, "line", "station", "stage") == [("L2", "AOI.7", "paste")]
    message["TimeStamp"] = None
    rows, found = flat(tmp_path, [message])
    assert rows == []
    assert "time" in found.refused[0].reason


@pytest.mark.parametrize("name", ["a.json", "a.json.gz", "a.jsonl", "a.ndjson.gz"])
@pytest.mark.parametrize("form", ["lines", "list", "one after the other"])
@pytest.mark.parametrize("bom", [False, True])
def test_every_form_of_a_file(tmp_path, name, form, bom):
    if "json" in name.split(".")[1:2] or form == "lines":
        other = m.envelope({}, name="CFX.Heartbeat")
        rows, found = flat(tmp_path, [CONSTRUCTED, other, CONSTRUCTED], name, form=form, bom=bom)
        assert len(rows) == 4
        assert (found.messages, found.other_messages, found.refused) == (2, 1, ())
        numbers = [row["place"] for row in rows]
        assert numbers == ["1", "1", "3", "3"]


def test_one_damaged_line_costs_that_line(tmp_path):
    good = json.dumps(CONSTRUCTED).encode()
    twice = good.replace(b'"RecipeName"', b'"RecipeRevision": "8", "RecipeName"')
    half = good.replace(b"BOARD_A", b"BOARD\\ud800")
    lines = [
        good,
        b"",
        good[:-9],
        b"[]",
        b"7",
        b"null",
        good[:40] + b"\xff" + good[40:],
        twice,
        half,
    ]
    lines += [b"[" * 100_000, good + b" x", good]
    path = tmp_path / "a.jsonl"
    path.write_bytes(b"\r\n".join(lines))
    found = flatten(path, tmp_path / "out.parquet")
    assert found.messages == 2
    places = [(r.place, r.reason.split(" (")[0]) for r in found.refused]
    assert [int(p.split()[1]) for p, _ in places] == [3, 5, 6, 7, 8, 9, 10, 11]
    said = [r for _, r in places]
    assert said[3:7] == [
        "not UTF-8",
        "'RecipeRevision' stands twice in one object",
        "half of a character",
        "nested too deep",
    ]
    assert all(len(r.text) < refused.KEPT + 50 for r in found.refused)


def test_a_file_that_breaks_off(tmp_path):
    text = json.dumps([CONSTRUCTED] * 3, indent=1)
    path = tmp_path / "a.json"
    path.write_text(text[: len(text) * 5 // 6])
    found = flatten(path, tmp_path / "out.parquet")
    assert (found.messages, [r.what for r in found.refused]) == (2, ["rest"])
    packed = gzip.compress("".join(json.dumps(CONSTRUCTED) + "\n" for _ in range(3000)).encode())
    path = tmp_path / "a.jsonl.gz"
    path.write_bytes(packed[: len(packed) // 2])
    found = flatten(path, tmp_path / "out.parquet")
    assert 0 < found.messages < 3000
    assert found.refused[-1].what == "rest"
    assert "breaks off" in found.refused[-1].reason
    path.write_bytes(b"no archive")
    assert [r.what for r in flatten(path, tmp_path / "out.parquet").refused] == ["rest"]
    path = tmp_path / "empty.json"
    path.write_bytes(b"")
    assert flatten(path, tmp_path / "out.parquet").refused == ()


def test_what_is_refused_stays_short(tmp_path):
    message = m.inspected(m.inspection("Passed", m.numeric("a" * 9_000, "x", "R1")))
    _, found = flat(tmp_path, [message])
    assert len(found.refused[0].text) < refused.KEPT + 50
    assert found.refused[0].text.endswith("characters)")


# Rows to messages to rows ---------------------------------------------------------------------


def some_rows(seed, n=60):
    """Return rows of the long form such as messages can say, grouped as they would be written."""
    rng = random.Random(seed)
    rows = []
    for board in range(n // 6):
        head = {
            "line": rng.choice(["L1", "L2"]),
            "station": rng.choice(["A.1", "B"]),
            "stage": rng.choice(["paste", "AOI", "AXI", "Human"]),
            "product": rng.choice(["P", "Q"]),
            "revision": str(rng.randint(1, 9)),
            "board": f"S{board}" + rng.choice(["", "/1", "/12"]),
            "lot": None,
            "family": None,
        }
        for place in rng.sample(range(40), rng.randint(1, 6)):
            called = rng.random() < 0.4
            verdict = rng.choice([None, "good", "defect"]) if called else None
            item = {
                "time": f"2026-03-02T08:15:{rng.randint(10, 59)}.{rng.randint(1, 999):03d}+02:00",
                "designator": f"R{place}",
                "pin": rng.choice([None, "1", "1-4"]),
                "part": rng.choice([None, "PN1"]) if called else None,
                "called": str(called).lower(),
                "verdict": verdict,
                "defect": rng.choice([None, "Short", "Tombstone"]) if called else None,
                "found_by": verdict and "review",
            }
            least = 0 if called else 1  # what passed is named by its measurements alone
            for name in rng.sample(["h", "w", "tilt"], rng.randint(least, 3)) or [None]:
                low, high = sorted((rng.gauss(0, 1), rng.gauss(0, 1)))
                value = rng.uniform(low, high) if name else None
                rows.append(
                    {
                        **head,
                        **item,
                        "measurement": name,
                        "value": None if name is None else repr(value),
                        "unit": name and rng.choice(["mm", "deg", None]),
                        "lower": name and rng.choice([None, repr(low)]),
                        "upper": name and rng.choice([None, repr(high)]),
                    }
                )
    return rows


@pytest.mark.parametrize("seed", range(20))
def test_rows_to_messages_to_rows(tmp_path, seed):
    rows = some_rows(seed)
    back, found = flat(tmp_path, m.to_messages(rows))
    assert [{k: v for k, v in row.items() if k != "place"} for row in back] == [
        {k: row[k] for k in LONG if k != "place"} for row in rows
    ]
    assert found.refused == ()
    assert sum(found.inspected.values()) == found.items


# Ten thousand damaged messages ----------------------------------------------------------------

JUNK = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["Passed", "Failed", "DefectConfirmed", "R1.1", "mm", "\ud800", "\0"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


def nodes(value, path=()):
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        if isinstance(inner, dict | list):
            yield from nodes(inner, (*path, key))
        else:
            yield (*path, key)


def at(value, path):
    for key in path:
        value = value[key]
    return value


@st.composite
def damaged(draw):
    """A message with some of its nodes replaced, removed or doubled; its text perhaps cut or altered."""
    message = m.to_messages(some_rows(draw(st.integers(0, 40)), 12))[0]
    for n, path in enumerate(p for p in nodes(message) if p and p[-1] == "Value"):
        at(message, path[:-1])["Value"] = 1_000_001 + n
    for _ in range(draw(st.integers(0, 4))):
        path = draw(st.sampled_from([p for p in nodes(message) if p]))
        holder, key = at(message, path[:-1]), path[-1]
        act = draw(st.sampled_from(["replace", "remove", "double"]))
        if act == "replace":
            holder[key] = draw(JUNK)
        elif act == "remove":
            del holder[key]
        elif isinstance(holder, list):
            holder.append(copy.deepcopy(holder[key]))
    text = json.dumps(message)
    how = draw(st.sampled_from(["whole"] * 6 + ["cut", "byte"]))
    raw = text.encode()
    if how != "whole":
        place = draw(st.integers(0, len(raw) - 1))
        raw = raw[:place] + (
            b"" if how == "cut" else bytes([draw(st.integers(0, 255))]) + raw[place + 1 :]
        )
    return raw.replace(b"\n", b" "), message if how == "whole" else None


def values_in(message):
    found = []
    for path in nodes(message):
        if path and path[-1] == "Value" and isinstance(path[-1], str):
            value = at(message, path)
            if type(value) is int and value > 1_000_000 and "MeasuredValue" in path:
                found.append(value)
    return found


def judge_damaged(folder, lines):
    path = folder / "damaged.jsonl"
    path.write_bytes(b"".join(raw + b"\n" for raw, _ in lines))
    found = flatten(path, folder / "damaged.parquet")
    rows = pq.read_table(folder / "damaged.parquet").to_pylist()
    per_place = Counter(
        r.place.split(",")[0] for r in found.refused if r.what in ("message", "rest")
    )
    documents = sum(1 for raw, _ in lines if raw.strip() and not raw.strip().startswith(b"["))
    assert found.messages + found.other_messages + sum(per_place.values()) == documents
    assert found.rows == len(rows)
    assert all(r.reason and r.place for r in found.refused)
    for number, (_, message) in enumerate(lines, 1):
        if message is None or not isinstance(message.get("MessageBody"), dict):
            continue
        if message.get("MessageName") != m.NAME:
            continue
        told = {r["value"] for r in rows if r["place"] == str(number)}
        texts = " ".join(
            r.text for r in found.refused if r.place.split(",")[0] == f"message {number}"
        )
        for value in values_in(message):
            assert repr(float(value)) in told or str(value) in texts, value


@pytest.fixture
def whole_texts(monkeypatch):
    monkeypatch.setattr(refused, "KEPT", 10**7)


QUICK = settings(suppress_health_check=list(HealthCheck), deadline=None, max_examples=60)
LONG_RUN = settings(QUICK, max_examples=1_000)


@QUICK
@given(st.lists(damaged(), min_size=5, max_size=5))
def test_damaged_messages_are_never_lost(whole_texts, tmp_path_factory, lines):
    judge_damaged(tmp_path_factory.mktemp("damaged"), lines)


@pytest.mark.slow
@LONG_RUN
@given(st.lists(damaged(), min_size=10, max_size=10))
def test_ten_thousand_damaged_messages(whole_texts, tmp_path_factory, lines):
    judge_damaged(tmp_path_factory.mktemp("damaged"), lines)


@QUICK
@given(st.binary(max_size=400), st.sampled_from(["a.json", "a.jsonl", "a.json.gz", "a.ndjson"]))
def test_bytes_of_any_kind(tmp_path_factory, raw, name):
    folder: Path = tmp_path_factory.mktemp("bytes")
    (folder / name).write_bytes(raw)
    found = flatten(folder / name, folder / "out.parquet")
    assert found.rows == 0


# Messages as a plant's history ----------------------------------------------------------------

PLANT = """
[plant]
name = "Invented"
[measurements.fillet]
unit = "um"
[families.chip]
[[results]]
form = "messages"
time_zone = "as written"
[results.columns]
family = "part"
[results.constants]
family = "chip"
lot = "L1"
[results.words.stage]
post-reflow = "AOI"
[results.words.family]
chip = "PN1"
[results.measurements.fillet]
column = "FilletHeight"
"""


def test_a_folder_of_messages_is_a_history(tmp_path):
    from optimiser.history.read import open_history, write_set_aside
    from optimiser.plant.file import read_plant

    (tmp_path / "plant.toml").write_text(PLANT)
    (tmp_path / "history").mkdir()
    m.write(tmp_path / "history" / "a.jsonl.gz", [CONSTRUCTED])
    bad = copy.deepcopy(CONSTRUCTED)
    bad["MessageBody"]["InspectedUnits"][0]["UnitIdentifier"] = None
    again = copy.deepcopy(CONSTRUCTED)
    again["MessageBody"]["InspectedUnits"][0]["UnitIdentifier"] = "SN0002"
    m.write(tmp_path / "history" / "b.json", [bad, again], form="list")
    with open_history(read_plant(tmp_path)) as history:
        rows = history.rows(
            """select time::varchar, line, station, board, designator, pin, family, fillet, called,
                 verdict, defect, found_by from items order by board, designator"""
        )
        write_set_aside(history)
        found = [(f.rule, f.row, f.count) for f in history.findings if f.level == "set aside"]
    head = ("2026-03-02 08:15:00", "LINE1", "INSP1")
    assert [row[:3] for row in rows] == [head] * 4
    assert [row[3:] for row in rows[:2]] == [
        ("SN0001/1", "R1", "1", "chip", 210.0, False, None, None, None),
        ("SN0001/1", "R2", "1", "chip", 110.0, True, "good", "InsufficientSolder", "review"),
    ]
    assert len(found) == 1
    assert found[0][0].startswith("unit refused: UnitIdentifier is missing")
    assert "message 1, unit 1: UnitIdentifier" in (tmp_path / "set_aside.csv").read_text()
