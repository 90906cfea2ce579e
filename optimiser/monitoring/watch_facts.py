"""What a history shows of a signed change: since when it is live, and what was called.

Both recipes are replayed on the very same items; what the machine recorded stands beside.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.errors import RecipeError, UsageError, nearest
from optimiser.evidence.intervals import Interval
from optimiser.history.limits import PlacedLimits, place_limits
from optimiser.history.read import History
from optimiser.plant.file import Side, off_limit
from optimiser.recipe.table import Recipe
from optimiser.sql import text_literal
from optimiser.values import DAYS_PER_MONTH

Fields = Mapping[str, Any]
_UNKNOWN = {"value": 0.0, "low": None, "high": None}
_NO_PROMISE: Fields = {
    **dict.fromkeys(("false_calls_saved", "escapes_added", "saving_per_month"), _UNKNOWN),
    "defects_called": 0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A signed change of one family's limits, and what was promised of it.

    Attributes
    ----------
    family : str
    now, proposed : mapping of (measurement, side) to float
        The limits that move; ±inf is none.
    false_calls_saved, escapes_added, saving_per_month : Interval
        As promised, over ``span_days`` but for the last.
    live_false_calls : float or None
        Called non-defects of the limits of then over the promise's history; None where the
        record does not say, and the history is asked.
    defects_called : int
        Labelled defects that the limits of then called.
    items : int
    span_days : float
    applied : datetime or None
        UTC; the change cannot be live before.
    promised : bool
        False of a setting made by hand, which was signed without a promise.
    bursts : float
        Variance over mean of escapes added in a lot, as promised; 1 where no record says.
    """

    family: str
    now: Mapping[tuple[str, Side], float]
    proposed: Mapping[tuple[str, Side], float]
    false_calls_saved: Interval
    escapes_added: Interval
    saving_per_month: Interval
    live_false_calls: float | None
    defects_called: int
    items: int
    span_days: float
    applied: datetime | None
    promised: bool = True
    bursts: float = 1.0


def change_of(row: Fields) -> Change:
    """Read a signed change from a proposal's plain values.

    Parameters
    ----------
    row : mapping
        ``family, limits, promise, items, span_days`` as `Proposal.as_dict` has them, and
        optionally ``lines`` and ``applied`` (ISO date or time, UTC). A ``promise`` of None
        is that of a setting made by hand.

    Returns
    -------
    Change

    Raises
    ------
    UsageError
        If a key is missing or no limit moves.
    """
    try:
        moves = [x for x in row["limits"] if x["now"] != x["proposed"]]
        promised = row["promise"] or _NO_PROMISE
        change = Change(
            family=row["family"],
            now={(x["measurement"], x["side"]): _limit(x, "now") for x in moves},
            proposed={(x["measurement"], x["side"]): _limit(x, "proposed") for x in moves},
            false_calls_saved=_interval(promised["false_calls_saved"]),
            escapes_added=_interval(promised["escapes_added"]),
            saving_per_month=_interval(promised["saving_per_month"]),
            live_false_calls=_live_false_calls(row.get("lines")),
            defects_called=promised["defects_called"],
            items=row["items"],
            span_days=row["span_days"],
            applied=_time(row.get("applied")),
            promised=row["promise"] is not None,
            bursts=float(promised.get("bursts", 1.0)),
        )
    except KeyError as error:
        msg = f"a signed change needs {error}; give the proposal as it was signed"
        raise UsageError(msg) from error
    if not moves:
        msg = f"{change.family}: the change moves no limit, so there is nothing to watch"
        raise UsageError(msg)
    return change


def _limit(move: Fields, key: str) -> float:
    return off_limit(move["side"]) if move[key] is None else float(move[key])


def _interval(row: Fields) -> Interval:
    """Return an interval from plain values, where an unknown end is None."""
    low = -np.inf if row["low"] is None else row["low"]
    return Interval(
        value=row["value"], low=low, high=np.inf if row["high"] is None else row["high"]
    )


def _live_false_calls(lines: Fields | None) -> float | None:
    if lines is None:
        return None
    return float(sum(lines[n]["goods"] + lines[n]["unreviewed"] for n in ("kept", "loosened")))


def _time(text: str | None) -> datetime | None:
    """Return an ISO time as the history has it: UTC without a zone."""
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        msg = f"applied must be a date or time such as 2026-01-31T08:00, got {text!r}"
        raise UsageError(msg) from error
    return found if found.tzinfo is None else found.astimezone(UTC).replace(tzinfo=None)


def recipes_of(recipe: Recipe, change: Change) -> tuple[Recipe, Recipe]:
    """Return a recipe with the change's limits of before, and with those of after.

    Raises
    ------
    RecipeError
        If the recipe has no row for a limit that moves.
    """
    known = recipe.family_rows(change.family)
    for measurement, _ in change.proposed:
        if measurement not in known:
            msg = (
                f"recipe {recipe.revision}: has no limits of {change.family} {measurement}, which "
                f"the signed change moves; {nearest(measurement, known)}"
            )
            raise RecipeError(msg)
    return (
        recipe.with_limits(change.family, change.now),
        recipe.with_limits(change.family, change.proposed),
    )


def find_live_since(history: History, recipe: Recipe, change: Change) -> datetime | None:
    """Return from when on the recorded calls are those of the new limits.

    Parameters
    ----------
    history : History
        With recorded calls.
    recipe : Recipe
        Any revision, for the limits that do not move.
    change : Change

    Returns
    -------
    datetime or None
        UTC, of the first item from which on the items that tell old from new limits agree
        best with the new ones, and before which with the old ones; None where they agree
        best with the old limits to the end, or no item tells them apart.
    """
    limits = placed_limits(history, recipe, change)
    after, before = limits.called("after"), limits.called("before")
    rows = history.rows(
        f"""select i.time, i.called = {after} from {limits.join()}
            where i.family = {text_literal(change.family)} and i.called is not null
              and {before} <> {after} {_from(change.applied)} order by i.time"""
    )
    new = np.array([bool(r[1]) for r in rows], dtype=np.int64)
    # Agreement if the new limits were live from the nth item on, for every n.
    score = np.append(0, np.cumsum(1 - new)) + np.append(np.cumsum(new[::-1])[::-1], 0)
    nth = int(np.argmax(score))
    if nth == len(new):
        return None
    found: datetime = rows[nth][0]
    return found


def _from(time: datetime | None) -> str:
    return "" if time is None else f"and i.time >= {timestamp(time)}"


def timestamp(time: datetime) -> str:
    """Return a time as SQL."""
    return f"timestamp '{time.isoformat(sep=' ')}'"


def placed_limits(history: History, recipe: Recipe, change: Change) -> PlacedLimits:
    """Place the limits of before and of after the change, tagged so."""
    before, after = recipes_of(recipe, change)
    return place_limits(history, "watch_limits", {"before": before, "after": after})


COUNTS = {
    "items": "true",
    "called": "called and not defect",
    "before": "before and not defect",
    "after": "after and not defect",
    "mismatch": "called <> after",
    "kept": "called and before and defect",
}


class Facts:
    """What the history shows of one family before a change is live and since.

    Attributes
    ----------
    history, limits, change, since
        As given.
    source : str
        SQL of the family's items, with what the old limits (``by_old``) and the new ones
        (``by_new``) call, and whether the change is ``live``.
    now, past : DataFrame
        By day and lot: ``items``, and non-defects ``called`` as recorded, and called
        ``before`` and ``after`` by either recipe; ``mismatch`` of recorded and new calls;
        ``kept``, defects called that the old limits call too.
    last : datetime or None
        Of the last item since.
    defects : DataFrame
        The known defects since: ``time, lot, line, product, before, called, found_by, defect``.
    """

    def __init__(
        self,
        history: History,
        limits: PlacedLimits,
        change: Change,
        since: datetime,
        until: datetime | None,
    ) -> None:
        self.history, self.limits, self.change, self.since = history, limits, change, since
        self.family = text_literal(change.family)
        self.end = "" if until is None else f"and i.time < {timestamp(until)}"
        self.source = f"""(select i.*, {limits.called("before")} as by_old,
              {limits.called("after")} as by_new, i.time >= {timestamp(since)} as live,
              coalesce(i.verdict = 'defect', false) as is_defect
            from {limits.join()} where i.family = {self.family} {self.end})"""
        counted = self._counted()
        self.now, self.past = counted[counted.live], counted[~counted.live]
        self.last = history.rows(f"select max(time) from {self.source} where live")[0][0]
        self.defects = self._defects()

    def _counted(self) -> pd.DataFrame:
        counts = ", ".join(
            f"count(*) filter (where {test})::double as {name}" for name, test in COUNTS.items()
        )
        return frame_of(
            self.history,
            ("live", "day", "lot", *COUNTS),
            f"""select live, time::date as day, lot, {counts} from (
                  select live, time, lot, is_defect as defect, by_old as before, by_new as after,
                    coalesce(called, by_new) as called from {self.source})
                group by all order by day, lot""",
        )

    def _defects(self) -> pd.DataFrame:
        """Return the known defects since, in order of time."""
        return frame_of(
            self.history,
            ("time", "lot", "line", "product", "before", "called", "found_by", "defect"),
            f"""select time, lot, line, product, by_old, coalesce(called, by_new), found_by, defect
                from {self.source} where live and is_defect order by time""",
        )

    def placed(self) -> pd.DataFrame:
        """Return the items since by ``line, product``: ``items``, and non-defects ``called`` and ``before``."""
        return frame_of(
            self.history,
            ("line", "product", "items", "called", "before"),
            f"""select line, product, count(*)::double,
                  count(*) filter (where coalesce(called, by_new) and not is_defect)::double,
                  count(*) filter (where by_old and not is_defect)::double
                from {self.source} where live group by all order by all""",
        )

    @property
    def months(self) -> float:
        """Months since the change is live, counted by calendar, at least one day."""
        days: float = max(1.0, (self.last - self.since) / timedelta(days=1))
        return days / DAYS_PER_MONTH


def frame_of(history: History, columns: Sequence[str], query: str) -> pd.DataFrame:
    """Return the rows of a query as a frame with columns of these names."""
    return pd.DataFrame(history.rows(query), columns=list(columns))


def sums_by(frame: pd.DataFrame, key: str) -> pd.DataFrame:
    """Return sums over a column, in order of time."""
    return frame.groupby(key, sort=key == "day")[list(COUNTS)].sum()


def column(frame: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Return a column as floats, shape (n,)."""
    return frame[name].to_numpy(dtype=np.float64)
