"""Rows written as IPC-2591 messages: field names and nesting are the SDK's, values our own."""

import gzip
import json
from itertools import groupby

NAME = "CFX.Production.TestAndInspection.UnitsInspected"
NUMERIC = "CFX.Structures.NumericMeasurement, CFX"
VERIFIED = {"defect": "DefectConfirmed", "good": "DefectRejected", None: "NotVerifiedYet"}


def envelope(body, *, stamp="2026-03-02T08:15:00+00:00", source="LINE1.INSP1", name=NAME):
    return {
        "MessageName": name,
        "Version": "2.1",
        "TimeStamp": stamp,
        "UniqueID": "00000000-0000-0000-0000-000000000001",
        "Source": source,
        "Target": None,
        "RequestID": None,
        "MessageBody": body,
    }


def inspected(*inspections, **unit):
    """Return a message of one unit with these inspections."""
    unit = {"UnitIdentifier": "SN0001", "UnitPositionNumber": 1, **unit}
    return envelope(
        {
            "InspectionMethod": "AOI",
            "RecipeName": "BOARD_A",
            "RecipeRevision": "7",
            "InspectedUnits": [{**unit, "Inspections": list(inspections)}],
        }
    )


def numeric(name, value, crds, *, uid=None, result=None, **told):
    return {
        "$type": NUMERIC,
        "UniqueIdentifier": uid,
        "MeasurementName": name,
        "Result": result,
        "CRDs": crds,
        "MeasuredValue": {"Value": value, **told},
    }


def inspection(result, *measurements, defects=(), **told):
    return {
        "UniqueIdentifier": "i",
        "Result": result,
        "DefectsFound": list(defects),
        "Measurements": list(measurements),
        **told,
    }


def defect(crds, *related, verified=None, **told):
    return {
        "UniqueIdentifier": "d",
        "DefectCode": "CODE",
        "ComponentOfInterest": {"ReferenceDesignator": crds},
        "Verification": verified,
        "RelatedMeasurements": list(related),
        **told,
    }


def _number(text):
    return None if text is None else float(text)


def _measurement(row, n):
    where = ".".join(filter(None, (row["designator"], row["pin"])))
    value = {
        "Value": _number(row["value"]),
        "ValueUnits": row["unit"],
        "ExpectedValue": None,
        "MinimumAcceptableValue": _number(row["lower"]),
        "MaximumAcceptableValue": _number(row["upper"]),
    }
    return {
        "$type": NUMERIC,
        "UniqueIdentifier": f"m-{n}",
        "MeasurementName": row["measurement"],
        "Sequence": n,
        "CRDs": where,
        "MeasuredValue": value,
    }


def _inspection(item):
    first = item[0]
    measured = [_measurement(row, n) for n, row in item if row["measurement"] is not None]
    row = first[1]
    called = row["called"] == "true"
    found = {
        "UniqueIdentifier": "d",
        "DefectCategory": row["defect"],
        "ComponentOfInterest": {
            "ReferenceDesignator": ".".join(filter(None, (row["designator"], row["pin"]))),
            "PartNumber": row["part"],
        },
        "Verification": VERIFIED[row["verdict"]],
        "RelatedMeasurements": measured,
    }
    return {
        "InspectionEndTime": row["time"],
        "Result": "Failed" if called else "Passed",
        "DefectsFound": [found] if called else [],
        "Measurements": [] if called else measured,
    }


def _unit(board, items):
    serial, _, position = board.partition("/")
    return {
        "UnitIdentifier": serial,
        "UnitPositionNumber": int(position) if position else None,
        "TotalInspectionCount": len(items),
        "Inspections": [_inspection(item) for item in items],
    }


def to_messages(rows):
    """Return envelopes that say what rows of the long form say."""

    def by(*names):
        return lambda one: tuple(one[1][n] for n in names)

    head = by("line", "station", "stage", "product", "revision")
    found = []
    for (line, station, stage, product, revision), some in groupby(enumerate(rows), key=head):
        units = []
        for (board,), of in groupby(some, key=by("board")):
            items = [list(i) for _, i in groupby(of, key=by("time", "designator", "pin"))]
            units.append(_unit(board, items))
        method = {"paste": "SPI", "x-ray": "AXI"}.get(stage, stage)
        body = {
            "InspectionMethod": method,
            "RecipeName": product,
            "RecipeRevision": revision,
            "InspectedUnits": units,
        }
        found.append(envelope(body, source=f"{line}.{station}"))
    return found


def write(path, envelopes, *, form="lines", bom=False):
    """Write envelopes in one of the forms that machines use; packed where the name says so."""
    if form == "lines":
        text = "".join(json.dumps(e) + "\n" for e in envelopes)
    elif form == "list":
        text = json.dumps(envelopes, indent=1)
    else:
        text = "\n".join(json.dumps(e, indent=2) for e in envelopes)
    data = text.encode("utf-8-sig" if bom else "utf-8")
    path.write_bytes(gzip.compress(data) if path.suffix == ".gz" else data)
    return path
