"""One message of inspected units: into items with their calls, verdicts and measurements.

IPC-2591, `CFX.Production.TestAndInspection.UnitsInspected` (SDK at 880255d). What is taken, what
is refused and how far a contradiction reaches stands in `optimiser.intake.messages`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from optimiser.errors import nearest
from optimiser.intake.message_values import (
    Place,
    Reading,
    place_of,
    place_of_measurement,
    readings_of,
)
from optimiser.intake.refused import (
    Refused,
    What,
    WrongError,
    list_of,
    record_of,
    refuse,
    shown,
    text_of,
)

NAME = "CFX.Production.TestAndInspection.UnitsInspected"
_RESULTS = ("Passed", "Failed", "Error", "Aborted", "Skipped")
# Accepted means: a false call whose cause the process should look at. Repaired and closed imply
# that the defect was real (`VerificationResult.cs`).
_VERIFICATIONS = {
    "NotVerifiedYet": None,
    "DefectConfirmed": True,
    "DefectRepaired": True,
    "DefectClosed": True,
    "DefectRejected": False,
    "DefectAccepted": False,
}
Row = dict[str, str | None]


@dataclass(slots=True, kw_only=True)
class Taken:
    """What came of a message; grows while it is read.

    Attributes
    ----------
    rows : list of dict
        One per measurement of an item, without what the message says of all.
    refused : list of Refused
    units, items, measurements, repeated : int
        As `Flattened` has them.
    inspected : dict of board to int
    """

    rows: list[Row] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    units: int = 0
    items: int = 0
    measurements: int = 0
    repeated: int = 0
    inspected: dict[str, int] = field(default_factory=dict)

    def refuse(self, place: str, what: What, error: object, node: Any) -> None:  # noqa: ANN401
        """Note a part that is not taken."""
        self.refused.append(refuse(place, what, error, node))


@dataclass(slots=True, kw_only=True)
class _Measured:
    """A measurement, where it stands and what it says."""

    where: str
    node: Mapping[str, Any]
    place: Place
    result: str | None
    readings: list[Reading]

    @property
    def outside(self) -> bool:
        return any(r.outside for r in self.readings)


@dataclass(slots=True, kw_only=True)
class _Found:
    """A defect that an inspection found."""

    node: Mapping[str, Any]
    place: Place
    real: bool | None
    word: str | None
    part: str | None


@dataclass(slots=True, kw_only=True)
class _Item:
    """An item: all that the inspections of one message say of one place on one unit."""

    time: str | None
    calls: list[bool | None] = field(default_factory=list)
    defects: list[_Found] = field(default_factory=list)
    measured: list[_Measured] = field(default_factory=list)
    verdicts: list[bool] = field(default_factory=list)

    @property
    def called(self) -> bool | None:
        told = [c for c in self.calls if c is not None]
        return any(told) if told else None


def read_units(envelope: Mapping[str, Any], place: str) -> Taken:
    """Return the items of a message.

    Parameters
    ----------
    envelope : mapping
        With the message's name known to be `NAME`.
    place : str
        Where it stands, for what is refused.

    Returns
    -------
    Taken

    Raises
    ------
    WrongError
        If the message as a whole cannot be taken.
    """
    body = record_of(envelope.get("MessageBody"), "MessageBody")
    stamp = text_of(envelope, "TimeStamp")
    source = text_of(envelope, "Source") or ""
    line, _, station = source.partition(".")
    method = text_of(body, "InspectionMethod")
    common: Row = {
        "line": line or None,
        "station": station or None,
        "stage": "paste" if method == "SPI" else method,
        "product": text_of(body, "RecipeName"),
        "revision": text_of(body, "RecipeRevision"),
    }
    units = [
        (f"{place}, unit {n}", unit) for n, unit in enumerate(list_of(body, "InspectedUnits"), 1)
    ]
    panel = body.get("InspectedPanel")
    if panel is not None and not _is_blank(panel):
        units.append((f"{place}, panel", panel))
    taken = Taken()
    for where, unit in units:
        try:
            _Unit(record_of(unit, "a unit"), where, stamp, common).read(taken)
        except WrongError as error:
            taken.refuse(where, "unit", error, unit)
    return taken


def _is_blank(panel: Any) -> bool:  # noqa: ANN401 - any JSON value
    """Return whether a panel says nothing: some writers send one for every message."""
    return isinstance(panel, dict) and not any(
        panel.get(key) for key in ("UnitIdentifier", "Inspections", "TotalInspectionCount")
    )


def _word(node: Mapping[str, Any], key: str, known: Iterable[str]) -> str | None:
    """Return one of the known words; None where it is absent."""
    word = text_of(node, key)
    if word is not None and word not in known:
        msg = f"{key}: no such word, got {word!r}; {nearest(word, known)}"
        raise WrongError(msg)
    return word


def _verification(node: Mapping[str, Any]) -> bool | None:
    """Return whether a person found a call real; None where nobody has said."""
    word = _word(node, "Verification", _VERIFICATIONS)
    return None if word is None else _VERIFICATIONS[word]


def _count(node: Mapping[str, Any], key: str) -> int | None:
    value = node.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        msg = f"{key} is no count, got {shown(value)}"
        raise WrongError(msg)
    return value


class _Unit:
    """A board, or a panel, on its way into items."""

    def __init__(self, node: Mapping[str, Any], where: str, stamp: str | None, common: Row) -> None:
        self.node, self.where, self.stamp, self.common = node, where, stamp, common
        self.items: dict[Place, _Item] = {}
        self.seen: dict[str, tuple[Mapping[str, Any], Place]] = {}
        serial, position = text_of(node, "UnitIdentifier"), _count(node, "UnitPositionNumber")
        if serial is None:
            msg = "UnitIdentifier is missing: nobody knows which board this was"
            raise WrongError(msg)
        # Both boards of a panel may carry one serial number: the position tells them apart.
        self.board = serial if position is None else f"{serial}/{position}"
        self.inspections = list_of(node, "Inspections")
        self.verification = _verification(node)
        self.total = _count(node, "TotalInspectionCount")

    def read(self, taken: Taken) -> None:
        """Read all inspections; nothing raises from here on."""
        taken.units += 1
        if self.total is not None:
            taken.inspected[self.board] = taken.inspected.get(self.board, 0) + self.total
        for n, node in enumerate(self.inspections, 1):
            where = f"{self.where}, inspection {n}"
            try:
                self._inspect(record_of(node, "an inspection"), where, taken)
            except WrongError as error:
                taken.refuse(where, "inspection", error, node)
        open_calls = [i for i in self.items.values() if i.called and not i.verdicts]
        told = any(True in i.verdicts for i in self.items.values())
        _hand_down(self.verification, open_calls, self.where, told=told, taken=taken)
        for place, item in self.items.items():
            self._finish(place, item, taken)

    def _inspect(self, node: Mapping[str, Any], where: str, taken: Taken) -> None:
        """Read one inspection into its items."""
        result = _word(node, "Result", _RESULTS)
        verification = _verification(node)
        time = (
            text_of(node, "InspectionEndTime") or text_of(node, "InspectionStartTime") or self.stamp
        )
        name = text_of(node, "InspectionName")
        found, measured = list_of(node, "DefectsFound"), list_of(node, "Measurements")
        if time is None:
            msg = "neither the inspection nor its message has a time"
            raise WrongError(msg)
        if not found and not measured:
            msg = "names no component: neither defects nor measurements"
            raise WrongError(msg)
        defects, values = self._defects(found, where, name, taken)
        only = _only({d.place for d in defects} | set(_places(measured)))
        for n, one in enumerate(measured, 1):
            at = f"{where}, measurement {n}"
            values += self._measure(one, at, name, only, taken)
        called = _called(result, defects, values)
        here: dict[Place, _Item] = {}
        for place, call in called.items():
            item = self.items.setdefault(place, _Item(time=time))
            item.calls.append(call)
            here[place] = item
        for defect in defects:
            here[defect.place].defects.append(defect)
            here[defect.place].verdicts += [] if defect.real is None else [defect.real]
        for value in values:
            here[value.place].measured.append(value)
        own = {d.place for d in defects if d.real is not None}
        silent = [item for place, item in here.items() if called[place] and place not in own]
        told = any(d.real for d in defects)
        _hand_down(verification, silent, where, told=told, taken=taken)

    def _defects(
        self, found: Iterable[Any], where: str, name: str | None, taken: Taken
    ) -> tuple[list[_Found], list[_Measured]]:
        """Return the defects of an inspection, and the measurements tied to them."""
        defects: list[_Found] = []
        values: list[_Measured] = []
        for n, node in enumerate(found, 1):
            at = f"{where}, defect {n}"
            try:
                defect = _defect(record_of(node, "a defect"))
                related = list_of(defect.node, "RelatedMeasurements")
            except WrongError as error:
                taken.refuse(at, "defect", error, node)
                continue
            defects.append(defect)
            for m, one in enumerate(related, 1):
                place = f"{at}, measurement {m}"
                values += self._measure(one, place, name, defect.place, taken)
        return defects, values

    def _measure(
        self,
        node: Any,  # noqa: ANN401 - any JSON value
        where: str,
        name: str | None,
        only: Place | None,
        taken: Taken,
    ) -> list[_Measured]:
        """Return a measurement; nothing where it was refused or stood somewhere else already."""
        try:
            record = record_of(node, "a measurement")
            own = place_of_measurement(record)
            place = own or only
            if place is None:
                msg = "no designator: neither the measurement nor a defect says of what"
                raise WrongError(msg)
            if self._is_repeated(record, own, place):
                taken.repeated += 1
                return []
            result = _word(record, "Result", _RESULTS)
            readings = readings_of(record, name)
        except WrongError as error:
            taken.refuse(where, "measurement", error, node)
            return []
        return [_Measured(where=where, node=record, place=place, result=result, readings=readings)]

    def _is_repeated(self, node: Mapping[str, Any], own: Place | None, place: Place) -> bool:
        """Return whether a measurement of this identifier stood elsewhere in the unit."""
        identifier = text_of(node, "UniqueIdentifier")
        if identifier is None:
            return False
        before = self.seen.setdefault(identifier, (node, place))
        if before[0] is node:
            return False
        same = _content(before[0]) == _content(node)
        if same and (own is None or own == before[1]):
            return True
        msg = f"UniqueIdentifier {identifier!r} stands on another measurement, too"
        raise WrongError(msg)

    def _finish(self, place: Place, item: _Item, taken: Taken) -> None:
        """Turn an item into rows, or refuse it."""
        called = item.called
        reason = _contradiction(item, called)
        if reason is not None:
            at = f"{self.where}, item {'.'.join(filter(None, place))}"
            nodes = [d.node for d in item.defects] + [m.node for m in item.measured]
            taken.refuse(at, "item", reason, nodes)
            return
        good = []
        for one in item.measured:
            if one.outside and one.result == "Passed":
                why = "its Result says Passed, its value lies outside its own limits"
                taken.refuse(one.where, "measurement", why, one.node)
            else:
                good.append(one)
        taken.items += 1
        taken.measurements += len(good)
        row = self._row(place, item, called)
        readings = [r for one in good for r in one.readings]
        taken.rows += [
            row
            | {
                "measurement": r.name,
                "value": r.value,
                "unit": r.unit,
                "lower": r.lower,
                "upper": r.upper,
            }
            for r in readings
        ] or [row]

    def _row(self, place: Place, item: _Item, called: bool | None) -> Row:
        """Return what all rows of an item say."""
        real = item.verdicts[0] if item.verdicts else None
        first = sorted(item.defects, key=lambda d: d.real is not True)  # the sort is stable
        return self.common | {
            "time": item.time,
            "board": self.board,
            "designator": place.designator,
            "pin": place.pin,
            "part": next((d.part for d in item.defects if d.part), None),
            "called": None if called is None else str(called).lower(),
            "verdict": None if real is None else "defect" if real else "good",
            "defect": next((d.word for d in first if d.word), None),
            "found_by": None if real is None else "review",
        }


def _defect(node: Mapping[str, Any]) -> _Found:
    """Return a defect; it must say of which component."""
    component = node.get("ComponentOfInterest")
    of = {} if component is None else record_of(component, "ComponentOfInterest")
    place = place_of(text_of(of, "ReferenceDesignator"))
    if place is None:
        msg = "no designator: ComponentOfInterest names none"
        raise WrongError(msg)
    return _Found(
        node=node,
        place=place,
        real=_verification(node),
        word=text_of(node, "DefectCategory") or text_of(node, "DefectCode"),
        part=text_of(of, "PartNumber"),
    )


def _places(measured: Iterable[Any]) -> Iterable[Place]:
    """Yield the places that measurements name themselves; damaged ones are named later."""
    for node in measured:
        try:
            place = place_of_measurement(record_of(node, "a measurement"))
        except WrongError:
            continue
        if place is not None:
            yield place


def _only(places: set[Place]) -> Place | None:
    return next(iter(places)) if len(places) == 1 else None


def _called(
    result: str | None, defects: Iterable[_Found], values: Iterable[_Measured]
) -> dict[Place, bool | None]:
    """Return by place what an inspection called.

    A failed inspection calls what its defects name; without any, what its failed measurements name;
    without these, all that it names.
    """
    places = dict.fromkeys([*(d.place for d in defects), *(v.place for v in values)])
    named = {d.place for d in defects}
    if result == "Failed" and not named:
        named = {v.place for v in values if v.result == "Failed"} or set(places)
    other = False if result in ("Passed", "Failed") else None
    return {place: True if place in named else other for place in places}


def _hand_down(
    real: bool | None, calls: list[_Item], where: str, *, told: bool, taken: Taken
) -> None:
    """Give calls without a verdict of their own the verdict on their inspection or unit.

    Rejected holds for each of them. Confirmed says that one is real: of which, is known where there
    is one alone; where another one is confirmed by name, nothing more is said.
    """
    if real is None or not calls:
        return
    if not real or (len(calls) == 1 and not told):
        for item in calls:
            item.verdicts.append(real)
    elif not told:
        why = f"confirmed for {len(calls)} calls together; which one is real is not said"
        taken.refuse(where, "verdict", why, "DefectConfirmed")


def _contradiction(item: _Item, called: bool | None) -> str | None:
    """Return what of an item cannot be true together."""
    parts = {d.part for d in item.defects if d.part}
    if len(parts) > 1:
        return f"two part numbers at one place: {', '.join(sorted(parts))}"
    if len(set(item.verdicts)) > 1:
        return "one defect is confirmed and one rejected at the same place"
    if called is False and any(m.outside for m in item.measured):
        return "passed, and a value lies outside its own limits"
    return None


def _content(node: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in node.items() if k != "CRDs"}
