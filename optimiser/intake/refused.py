"""What of a message is not taken, and why."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

KEPT = 2_000
"""Characters of what was refused that are shown; its place says where the rest stands."""
What = Literal["rest", "message", "unit", "inspection", "defect", "verdict", "item", "measurement"]


class WrongError(Exception):
    """A part of a message that cannot be taken; never leaves `optimiser.intake`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A part of a message that is not taken.

    Attributes
    ----------
    place : str
        ``message 17, unit 2, inspection 1, measurement 3``; numbers from 1, in the order in which
        they stand. A message's number is that of its line where the file has one a line.
    what : str
        How much is refused: the part named here and all that it holds. ``verdict``: an item's verdict
        alone. ``rest``: all of the file from here on.
    reason : str
        The rule that is broken, and the value.
    text : str
        As it was read, the first `KEPT` characters of it.
    """

    place: str
    what: What
    reason: str
    text: str

    @property
    def number(self) -> int:
        """The message's number."""
        return int(self.place.partition(",")[0].removeprefix("message "))


def refuse(place: str, what: What, error: object, node: Any) -> Refused:  # noqa: ANN401 - any JSON
    """Return the record of a part that is not taken."""
    text = node if isinstance(node, str) else json.dumps(node, ensure_ascii=False)
    more = f" … ({len(text):,} characters)" if len(text) > KEPT else ""
    return Refused(place=place, what=what, reason=str(error), text=text[:KEPT] + more)


def shown(value: Any) -> str:  # noqa: ANN401 - any JSON value
    """Return a value for a message, cut short."""
    return json.dumps(value, ensure_ascii=False)[:60]


def text_of(node: Mapping[str, Any], key: str) -> str | None:
    """Return a text, trimmed; None where it is absent, null or blank. A whole number is its digits.

    Raises
    ------
    WrongError
        If it is anything else.
    """
    value = node.get(key)
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if value is not None and not isinstance(value, str):
        msg = f"{key} is no text, got {shown(value)}"
        raise WrongError(msg)
    return (value or "").strip() or None


def list_of(node: Mapping[str, Any], key: str) -> Sequence[Any]:
    """Return a list; empty where it is absent or null.

    Raises
    ------
    WrongError
        If it is anything else.
    """
    value = node.get(key)
    if value is not None and not isinstance(value, list):
        msg = f"{key} is no list, got {shown(value)}"
        raise WrongError(msg)
    return value or ()


def record_of(value: Any, key: str) -> Mapping[str, Any]:  # noqa: ANN401 - any JSON value
    """Return an object.

    Raises
    ------
    WrongError
        If it is anything else.
    """
    if not isinstance(value, dict):
        msg = f"{key} is no object, got {shown(value)}"
        raise WrongError(msg)
    return value
