"""How result files stand that do not have the contract's columns: ``[[results]]`` of the plant file.

A record says it all, so that a file is read the same way every night and by everybody: which
column is what, words, units, the clock, the form. Nothing is guessed when reading;
``optimiser begin`` guesses once, and writes down what it guessed.
"""

import codecs
from collections.abc import Mapping
from fnmatch import fnmatch
from typing import Annotated, Literal, Self
from zoneinfo import available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from optimiser.errors import nearest

Form = Literal["items", "measurements", "messages"]
"""A row per item; a row per measurement of an item; IPC-2591 messages."""
AS_WRITTEN = "as written"
"""The zone of times that carry their own offset from UTC."""

# The contract's columns that a file may have under another name, or that one word may fill.
FILLED = (
    "time",
    "line",
    "station",
    "stage",
    "product",
    "board",
    "lot",
    "designator",
    "pin",
    "part",
    "family",
    "verdict",
    "defect",
    "found_by",
    "called",
    "weight",
)
# What a file of the long form needs beside them, and what tells an item's rows from another's.
OF_MEASUREMENTS = ("measurement", "value", "unit", "lower", "upper", "item")
CHECK = {"pass": "0", "fail": "1"}
"""What a pass/fail check measures: an item that fails lies beyond any limit between both."""


def _listed(value: object) -> object:
    """Return one name as a list of one."""
    return (value,) if isinstance(value, str | int | float | bool) else value


Name = Annotated[str, Field(min_length=1)]
Names = Annotated[tuple[Name, ...], BeforeValidator(_listed), Field(min_length=1)]
Words = Annotated[tuple[Annotated[str, BeforeValidator(str)], ...], BeforeValidator(_listed)]


class ShapeRecord(BaseModel):
    """A frozen table; unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


class MeasurementShape(ShapeRecord):
    """``[results.measurements.NAME]``: where a measurement of the plant stands in the files.

    Attributes
    ----------
    column : tuple of str
        Its column; of several the first that is filled counts, so that machines may differ. In
        the long form the word that names it.
    unit : str or None
        Unit of the files where it is not the plant's; values are converted.
    lower, upper : str or None
        Columns of the limits that the machine ran, in the same unit.
    words : mapping of {'pass', 'fail'} to tuple of str
        What a check's cells say.
    """

    column: Names
    unit: Name | None = None
    lower: Name | None = None
    upper: Name | None = None
    words: dict[Literal["pass", "fail"], Words] = Field(default_factory=dict)


class FileShape(ShapeRecord):
    """``[[results]]``: how some result files stand.

    Attributes
    ----------
    files : str
        Which: a pattern such as ``line1/*.csv`` for the path below the history's folder. The
        first table whose pattern fits counts; a file that fits none has the contract's columns.
    form : {'items', 'measurements', 'messages'}
    delimiter : str or None
        Between cells of a CSV; found out where it is not given.
    decimal, thousands : str
        Of numbers; ``thousands`` is left out.
    encoding : str
    skip : int
        Lines before the header.
    time_format : str or None
        As strptime has it, ``%d.%m.%Y %H:%M:%S``; without it ISO 8601.
    time_zone : str
        IANA name of the clock, ``UTC``, or ``as written`` where each time carries its offset. Never
        assumed.
    columns : mapping of str to tuple of str
        By a column of the contract its name in the files. Of ``time`` several are joined with a
        blank between; of others the first that is filled counts.
    constants : mapping of str to str
        What is the same in all of these files.
    words : mapping of str to mapping of str to tuple of str
        By column and the contract's word the files' words; under ``""`` the words that say
        nothing. Upper and lower case are one.
    measurements : mapping of str to MeasurementShape
    parts_list : str or None
        A CSV beside the plant file of ``designator``, ``part``, ``family`` and, where designators
        mean different parts on different boards, ``product``: fills part and family where the results
        say none.
    """

    files: Name = "*"
    form: Form = "items"
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    encoding: str = "utf-8"
    skip: Annotated[int, Field(ge=0)] = 0
    time_format: Name | None = None
    time_zone: str
    columns: dict[str, Names] = Field(default_factory=dict)
    constants: dict[str, Annotated[str, BeforeValidator(str)]] = Field(default_factory=dict)
    words: dict[str, dict[str, Words]] = Field(default_factory=dict)
    measurements: dict[str, MeasurementShape] = Field(default_factory=dict)
    parts_list: Name | None = None

    @model_validator(mode="after")
    def _knows_its_columns(self) -> Self:
        known = (*FILLED, *OF_MEASUREMENTS) if self.form != "items" else FILLED
        for table in ("columns", "constants", "words"):
            for name in getattr(self, table):
                if name not in known:
                    msg = f"{table}.{name}: no column of the contract; {nearest(name, known)}"
                    raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _says_its_clock(self) -> Self:
        zones = (AS_WRITTEN, *sorted(available_timezones()))
        if self.time_zone not in zones:
            msg = (
                f"time_zone: say the IANA name of the clock (Europe/Berlin), UTC, or {AS_WRITTEN!r} where "
                f"every time carries its offset, got {self.time_zone!r}"
                + (f"; {nearest(self.time_zone, zones)}" if self.time_zone else "")
            )
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _can_be_read(self) -> Self:
        try:
            codecs.lookup(self.encoding)
        except LookupError as error:
            msg = f"encoding: no text encoding of this name, got {self.encoding!r}; utf-8, cp1252, utf-16"
            raise ValueError(msg) from error
        if self.decimal == self.thousands:
            msg = f"decimal and thousands are both {self.decimal!r}"
            raise ValueError(msg)
        missing = [c for c in ("measurement", "value") if c not in self.columns]
        if self.form == "measurements" and missing:
            msg = f"columns.{missing[0]}: missing; a row per measurement needs it"
            raise ValueError(msg)
        return self

    def fits(self, place: str) -> bool:
        """Return whether these are the files that lie at a path below the history's folder."""
        return fnmatch(place, self.files) or fnmatch(place.rpartition("/")[2], self.files)


def shape_of(place: str, shapes: tuple[FileShape, ...]) -> FileShape | None:
    """Return how a file stands, None for the contract's own columns.

    Parameters
    ----------
    place : str
        Its path below the history's folder.
    shapes : tuple of FileShape

    Returns
    -------
    FileShape or None
    """
    return next((shape for shape in shapes if shape.fits(place)), None)


def refuse_unknown_measurements(
    shapes: tuple[FileShape, ...], measurements: Mapping[str, object]
) -> None:
    """Raise ValueError where a shape fills a measurement that the plant does not have."""
    for n, shape in enumerate(shapes):
        for name in shape.measurements:
            if name not in measurements:
                msg = (
                    f"results.{n}.measurements.{name}: not a measurement of the plant; "
                    + nearest(name, measurements)
                )
                raise ValueError(msg)
