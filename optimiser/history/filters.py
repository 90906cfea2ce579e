"""Which part of a history one looks at: a filter as one frozen value that holds everywhere."""

import threading
import weakref
from collections.abc import Callable, Collection
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any, Literal

from optimiser.errors import UsageError
from optimiser.sql import text_literal

Named = Literal["line", "station", "product", "part", "designator", "lot", "family"]
NAMED: tuple[Named, ...] = ("line", "station", "product", "part", "designator", "lot", "family")
NONE = "(none)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Items that one wants to look at; what is None lets everything through.

    Attributes
    ----------
    since, until : datetime or None
        UTC without a zone; ``since`` is within, ``until`` is not.
    hours : tuple of two int or None
        Hours of the day, UTC, from 0 to 24: from the first to before the second, past midnight where
        that is the smaller one. A shift.
    line, station, product, part, designator, lot, family : str or None
        ``(none)`` are the items without one. A designator holds on every product, or after a
        product's name and a slash on that one.

    Raises
    ------
    UsageError
        If hours do not lie from 0 to 24, or no time lies between since and until.
    """

    since: datetime | None = None
    until: datetime | None = None
    hours: tuple[int, int] | None = None
    line: str | None = None
    station: str | None = None
    product: str | None = None
    part: str | None = None
    designator: str | None = None
    lot: str | None = None
    family: str | None = None

    def __post_init__(self) -> None:
        if self.hours is not None and not all(0 <= h <= 24 for h in self.hours):
            msg = f"hours of a day lie from 0 to 24, got {self.hours}"
            raise UsageError(msg)
        if self.since is not None and self.until is not None and self.since >= self.until:
            msg = f"no time lies from {self.since} to before {self.until}: name a later end"
            raise UsageError(msg)

    def __bool__(self) -> bool:
        return any(getattr(self, f.name) is not None for f in fields(self))

    def where(self, items: str = "i") -> str:
        """Return SQL that is true for an item that it lets through.

        Parameters
        ----------
        items : str
            Name of the table of items in the query.

        Returns
        -------
        str
        """
        tests = ["true"]
        if self.since is not None:
            tests.append(f"{items}.time >= timestamp '{self.since.isoformat(' ')}'")
        if self.until is not None:
            tests.append(f"{items}.time < timestamp '{self.until.isoformat(' ')}'")
        if self.hours is not None:
            tests.append(_in_hours(f"hour({items}.time)", *self.hours))
        tests += [
            _is(items, name, value) for name in NAMED if (value := getattr(self, name)) is not None
        ]
        return " and ".join(tests)

    def but(self, **parts: Any) -> "Filter":  # noqa: ANN401 - a value of each field
        """Return the same filter with some of its parts replaced."""
        return replace(self, **parts)


def _in_hours(hour: str, first: int, stop: int) -> str:
    """Return SQL: whether an hour lies within a shift; equal ends are the whole day."""
    if first == stop:
        return "true"
    joint = "and" if first < stop else "or"
    return f"({hour} >= {first} {joint} {hour} < {stop})"


def _is(items: str, name: str, value: str) -> str:
    if value == NONE:
        return f"{items}.{name} is null"
    if name == "designator":
        product, slash, place = value.partition("/")
        whole = f"{items}.designator = {text_literal(value)}"
        if not slash:
            return whole
        on = f"{items}.product = {text_literal(product)} and {items}.designator = {text_literal(place)}"
        return f"({whole} or {on})"
    return f"{items}.{name} = {text_literal(value)}"


class HeldFilter:
    """The filter that holds wherever one session is looked at; whoever shows items is told of a new one.

    Those who are told are not kept alive by it.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._value = Filter()
        self._told: list[weakref.WeakMethod[Callable[[Filter], object]]] = []

    @property
    def value(self) -> Filter:
        """The filter that holds."""
        return self._value

    def tell(self, act: Callable[[Filter], object]) -> None:
        """Call a bound method with every new filter from now on."""
        with self._lock:
            self._told.append(weakref.WeakMethod(act))

    def forget(self, gone: Collection[object]) -> None:
        """Tell some objects nothing more.

        Parameters
        ----------
        gone : collection of object
            Whose methods were given to ``tell``.
        """
        ids = {id(one) for one in gone}
        with self._lock:
            self._told = [
                told
                for told in self._told
                if (act := told()) is not None and id(getattr(act, "__self__", None)) not in ids
            ]

    def hold(self, wanted: Filter) -> None:
        """Hold a filter, and tell it to all; nothing happens where it holds already.

        Parameters
        ----------
        wanted : Filter
        """
        with self._lock:
            if wanted == self._value:
                return
            self._value = wanted
            self._told = [told for told in self._told if told() is not None]
            acts = [told() for told in self._told]
        # Outside the lock: whoever is told may take one of its own.
        for act in acts:
            if act is not None:
                act(wanted)
