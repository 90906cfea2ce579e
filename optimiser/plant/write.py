"""Write one value into the plant file, leaving every other character where it is.

The plant file is written by hand, with comments that say why. tomlkit keeps them, and the
layout; a whole new file, checked as any plant file is, then takes the old one's place in one
step, and the old one stays beside it.
"""

import math
import shutil
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from optimiser.errors import PlantError, UsageError, nearest
from optimiser.files import write_whole
from optimiser.plant.file import read_plant


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What was written where.

    Attributes
    ----------
    path, backup : Path
        The plant file, and the file as it was before.
    measurement, unit : str
    before, after : float
        Repeatability in that unit.
    """

    path: Path
    backup: Path
    measurement: str
    unit: str
    before: float
    after: float


def write_repeatability(
    where: Path, measurement: str, repeatability: float, *, freedom: int | None = None
) -> Written:
    """Write the repeatability of one measurement into a plant file.

    Parameters
    ----------
    where : Path
        The file ``plant.toml`` or the folder that holds it.
    measurement : str
        One that the file names.
    repeatability : float
        Standard deviation, > 0, in the measurement's unit; written to three digits.
    freedom : int, optional
        Degrees of freedom of the study that it comes from, >= 1.

    Returns
    -------
    Written
        The backup is ``plant.toml.bak``, or ``plant.toml.2.bak`` and so on where there is one
        already: no backup is ever overwritten.

    Raises
    ------
    UsageError
        If there is no such file or no such measurement.
    PlantError
        If the file breaks a rule, or the value is not a finite number above 0.
    """
    plant = read_plant(where)
    path, known = plant.path.resolve(), plant.file.measurements
    if measurement not in known:
        msg = f"{plant.path}: no measurement {measurement!r}; {nearest(measurement, known)}"
        raise UsageError(msg)
    if not 0 < repeatability < math.inf:
        msg = (
            f"{plant.path}: repeatability of {measurement} must be a finite number above 0, got "
            f"{repeatability:g}; take readings to more digits, or repeat the study"
        )
        raise PlantError(msg)
    value = float(f"{repeatability:.3g}")
    values: dict[str, float] = {"repeatability": value}
    if freedom is not None:
        values["repeatability_freedom"] = freedom
    text = _with_values(path, measurement, values)
    backup = back_up(path)
    write_whole(path, text)
    return Written(
        path=plant.path,
        backup=backup,
        measurement=measurement,
        unit=known[measurement].unit,
        before=known[measurement].repeatability,
        after=value,
    )


def _with_values(path: Path, measurement: str, values: Mapping[str, float]) -> str:
    """Return the file's text with the values in it and nothing else changed."""
    text = path.read_bytes().decode("utf-8")
    wanted = tomllib.loads(text)
    wanted["measurements"][measurement] |= values
    for edit in (_after_last_key, _as_item):
        try:
            edited = text
            for key, value in values.items():
                document = tomlkit.parse(edited)
                edit(document["measurements"][measurement], key, value)
                edited = tomlkit.dumps(document)
            if tomllib.loads(edited) == wanted:
                return edited
        except (TOMLKitError, tomllib.TOMLDecodeError):
            continue
    told = ", ".join(f"{key} = {value:g}" for key, value in values.items())
    msg = (
        f"{path}: measurements.{measurement} is laid out in a way that cannot be rewritten; "
        f"write {told} by hand"
    )
    raise PlantError(msg)


def _after_last_key(row: Any, key: str, value: float) -> None:  # noqa: ANN401 - tomlkit's table
    """Add the value on a line of its own below the last key.

    Set as an item it would go below the comments that follow, which speak of the next table.
    """
    if key in row or isinstance(row, InlineTable):
        row[key] = value
        return
    last = row[list(row)[-1]].trivia
    line = f"{last.indent}{key} = {value!r}"
    last.trail = f"{last.trail}{line}{last.trail}" if last.trail else f"\n{line}\n"


def _as_item(row: Any, key: str, value: float) -> None:  # noqa: ANN401
    """Set the value where tomlkit puts it: right for dotted keys."""
    row[key] = value


def back_up(path: Path) -> Path:
    """Copy a file beside itself under a name that is still free, and return that.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Path
        ``NAME.bak``, or ``NAME.2.bak`` and so on: no backup is ever overwritten.
    """
    number = 1
    while True:
        backup = path.with_name(f"{path.name}{'' if number == 1 else f'.{number}'}.bak")
        try:
            with backup.open("xb") as copy:
                copy.write(path.read_bytes())
        except FileExistsError:
            number += 1
        else:
            shutil.copystat(path, backup)
            return backup
