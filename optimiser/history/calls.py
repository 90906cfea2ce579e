"""Where the calls of the live recipe come from, and what they amount to.

False calls are called items whose review found them good. Called items that nobody reviewed
are counted apart. Every share names its denominator.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

import pandas as pd

from optimiser.history.filters import NONE
from optimiser.history.limits import PlacedLimits, limit_column, place_limits
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Side
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal

By = Literal["family", "limit", "designator", "part", "product", "line", "station", "lot", "hour"]
WAYS: tuple[By, ...] = get_args(By)
Period = Literal["day", "week"]
TREND = (
    *("start", "items", "boards", "calls", "true_calls", "false_calls", "unreviewed_calls"),
    *("escapes", "false_calls_per_million"),
)
DAY = (
    *("date", "stage", "items", "boards", "boards_without_call", "calls", "true_calls"),
    *("false_calls", "unreviewed_calls", "escapes"),
)
PLACE = (
    *("time", "line", "station", "stage", "product", "board", "lot", "designator", "pin", "part"),
    "family",
)
LABEL = ("verdict", "defect", "found_by")
_MILLION = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """One limit of one family: the items that lie outside it."""

    family: str
    measurement: str
    side: Side

    def __str__(self) -> str:
        return f"{self.family} · {self.measurement} {self.side}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CallTotals:
    """What the live recipe's calls amount to, in whole items and boards.

    Attributes
    ----------
    items, boards, days : int, int, float
        From how much. A board is counted once per stage it was inspected at.
    calls, true_calls, false_calls, unreviewed_calls : int
    escapes : int
        Labelled defects that were not called.
    boards_without_call : int
    review_seconds : float
        Time of reviewing all calls.
    """

    items: int
    boards: int
    days: float
    calls: int
    true_calls: int
    false_calls: int
    unreviewed_calls: int
    escapes: int
    boards_without_call: int
    review_seconds: float

    @property
    def first_pass_yield(self) -> float:
        """Boards without any call over boards inspected; NaN without any."""
        return self.boards_without_call / self.boards if self.boards else math.nan

    @property
    def false_calls_per_board(self) -> float:
        """False calls over boards inspected."""
        return self.false_calls / self.boards if self.boards else math.nan

    @property
    def false_calls_per_million(self) -> float:
        """False calls per million inspected items."""
        return self.false_calls / self.items * _MILLION if self.items else math.nan

    @property
    def review_hours(self) -> float:
        """Hours of reviewing all calls."""
        return self.review_seconds / 3600.0


def call_totals(history: History, live: Recipe, *, family: str | None = None) -> CallTotals:
    """Return what the live recipe's calls amount to.

    Parameters
    ----------
    history : History
    live : Recipe
    family : str, optional
        Only this one; boards are then those that carry it.

    Returns
    -------
    CallTotals
    """
    limits = place_limits(history, "call_limits", {"live": live})
    only = f"where i.family = {text_literal(family)}" if family is not None else ""
    (row,) = history.rows(
        f"""select sum(items), count(*), sum(calls), sum(hit), sum(good), sum(escapes),
              count(*) filter (where calls = 0) from (
            select count(*) as items, count(*) filter (where called) as calls,
              count(*) filter (where called and verdict = 'defect') as hit,
              count(*) filter (where called and verdict = 'good') as good,
              count(*) filter (where not called and verdict = 'defect') as escapes from (
                select i.stage, i.product, i.board, i.verdict, {limits.called("live")} as called
                from {limits.join()} {only}) group by stage, product, board)"""
    )
    items, boards, calls, hit, good, escapes, without = (int(n or 0) for n in row)
    return CallTotals(
        items=items,
        boards=boards,
        days=history.span_days,
        calls=calls,
        true_calls=hit,
        false_calls=good,
        unreviewed_calls=calls - hit - good,
        escapes=escapes,
        boards_without_call=without,
        review_seconds=calls * history.plant.file.review.seconds_per_call,
    )


AT = ("line", "product", "lost_calls")
"""What a day's row says besides `DAY`: where, and its defects that review found and no limit calls now."""


def calls_by_day(history: History, live: Recipe) -> pd.DataFrame:
    """Return what the live recipe's calls amount to, by day, stage, line and product.

    Parameters
    ----------
    history : History
        Digests will do: items that no limit calls are only counted.
    live : Recipe

    Returns
    -------
    DataFrame
        ``date, stage, items, boards, boards_without_call, calls, true_calls, false_calls,
        unreviewed_calls, escapes, line, product, lost_calls``; a board is counted once a day, stage,
        line and product. ``lost_calls`` are the escapes whose label came from a review: older limits
        called them, those now live do not.
    """
    limits = place_limits(history, "day_limits", {"live": live})
    called = limits.called("live")
    items = history.rows(
        f"""select {history.day}, stage, line, product, {history.number} from {history.counts}
            group by 1, 2, 3, 4"""
    )
    rows = history.rows(
        f"""select date, stage, line, product, count(*) filter (where called),
              count(*) filter (where called and verdict = 'defect'),
              count(*) filter (where called and verdict = 'good'),
              count(*) filter (where not called and verdict = 'defect') as escapes,
              count(*) filter (where not called and verdict = 'defect'
                and found_by in ('review', 'second look')),
              count(distinct board) filter (where called) from (
                select i.time::date as date, i.stage, i.line, i.product, i.board, i.verdict,
                  i.found_by, {called} as called from {limits.join()}) group by 1, 2, 3, 4"""
    )
    boards = {tuple(at): n for *at, n in history.boards()}
    found = {(str(date), *at): counts for date, *at, counts in _keyed(rows)}
    table = []
    for date, stage, line, product, number in sorted(
        ((str(d), s, x, p, int(n)) for d, s, x, p, n in items), key=_in_order
    ):
        at = (date, stage, line, product)
        calls, hits, goods, escapes, lost, touched = found.get(at, (0,) * 6)
        seen = boards.get(at, 0)
        row = (date, stage, number, seen, seen - touched, calls, hits, goods)
        table.append((*row, calls - hits - goods, escapes, line, product, lost))
    return pd.DataFrame(table, columns=[*DAY, *AT])


def _keyed(rows: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Return rows as the four columns that name a place, and the rest as one."""
    return [(*row[:4], row[4:]) for row in rows]


def _in_order(row: tuple[Any, ...]) -> tuple[str, ...]:
    """Return what a day's rows are ordered by; no line comes before every line."""
    return tuple(x or "" for x in row[:4])


def false_calls_by(
    history: History, live: Recipe, by: By, *, outside: Outside | None = None
) -> pd.DataFrame:
    """Return where the false calls come from, most first.

    Parameters
    ----------
    history : History
    live : Recipe
    by : {'family', 'limit', 'designator', 'part', 'product', 'line', 'station', 'lot', 'hour'}
    outside : Outside, optional
        Only false calls outside this limit, of all items of its family.

    Returns
    -------
    DataFrame
        ``name, items, false_calls, share, per_million, cumulative``; shares of all false calls,
        false calls per million of the ``items`` inspected under that name. By limit
        an item outside several limits counts for each, so shares may add up to more than
        one; ``alone`` counts those that no other limit calls, and ``cumulative`` is left out.
    """
    limits = place_limits(history, "call_limits", {"live": live})
    if by == "limit":
        return _by_limit(history, limits, outside)
    called, of_it = _wanted(limits, outside)
    rows = history.rows(
        f"""select coalesce({_name_of(by)}, '{NONE}'), count(*),
              count(*) filter (where {called} and i.verdict = 'good') as n
            from {limits.join()} where {of_it} group by 1 order by n desc, 1"""
    )
    table = _with_rates(pd.DataFrame(rows, columns=["name", "items", "false_calls"]))
    total = max(1, int(table["false_calls"].sum()))
    return table.assign(cumulative=table["false_calls"].cumsum() / total)


def _name_of(by: By) -> str:
    """Return SQL of what an item goes by."""
    if by == "designator":
        return "concat_ws('/', i.product, i.designator)"
    return "strftime(i.time, '%H:00')" if by == "hour" else f"i.{by}"


def _with_rates(table: pd.DataFrame) -> pd.DataFrame:
    total = max(1, int(table["false_calls"].sum()))
    return table.assign(
        share=table["false_calls"] / total,
        per_million=table["false_calls"] / table["items"] * _MILLION,
    )


def _wanted(limits: PlacedLimits, outside: Outside | None) -> tuple[str, str]:
    """Return SQL: whether an item is called, by one limit where that is asked; which items count."""
    called = limits.called("live")
    if outside is None:
        return called, "true"
    n = limits.measurements.index(outside.measurement)
    sign = "<" if outside.side == "lower" else ">"
    limit = f"b.{limit_column('live', n, outside.side)}"
    beyond = f"coalesce(i.{quoted(outside.measurement)} {sign} {limit}, false)"
    return f"({called} and {beyond})", f"i.family = {text_literal(outside.family)}"


def call_trend(
    history: History, live: Recipe, period: Period, *, outside: Outside | None = None
) -> pd.DataFrame:
    """Return the live recipe's calls day by day, or week by week from Monday (ISO 8601).

    Parameters
    ----------
    history : History
    live : Recipe
        One recipe throughout, so that what moves is the process and not the limits.
    period : {'day', 'week'}
        In UTC.
    outside : Outside, optional
        Only calls outside this limit, of all items of its family.

    Returns
    -------
    DataFrame
        ``start, items, boards, calls, true_calls, false_calls, unreviewed_calls, escapes,
        false_calls_per_million``; a board is counted once a period and stage.
    """
    limits = place_limits(history, "trend_limits", {"live": live})
    called, of_it = _wanted(limits, outside)
    rows = history.rows(
        f"""select start, count(*), count(distinct (stage, product, board)),
              count(*) filter (where called),
              count(*) filter (where called and verdict = 'defect') as hit,
              count(*) filter (where called and verdict = 'good') as good,
              count(*) filter (where called and verdict is null),
              count(*) filter (where not any_call and verdict = 'defect'),
              good * {_MILLION}.0 / count(*)
            from (select date_trunc('{period}', i.time)::timestamp as start, i.stage, i.product,
                i.board, i.verdict, {called} as called, {limits.called("live")} as any_call
              from {limits.join()} where {of_it})
            group by start order by start"""
    )
    return pd.DataFrame(rows, columns=list(TREND))


def called_items(history: History, live: Recipe, *, outside: Outside | None = None) -> pd.DataFrame:
    """Return the items that the live recipe calls, one by one, the newest first.

    Parameters
    ----------
    history : History
    live : Recipe
    outside : Outside, optional
        Only those outside this limit.

    Returns
    -------
    DataFrame
        ``time, line, station, stage, product, board, lot, designator, pin, part, family, verdict,
        defect, found_by`` and the measurements.
    """
    limits = place_limits(history, "item_limits", {"live": live})
    called, of_it = _wanted(limits, outside)
    columns = ", ".join(f"i.{quoted(c)}" for c in (*PLACE, *LABEL, *history.measurements))
    return history.connection.execute(
        f"""select {columns} from {limits.join()} where {of_it} and {called}
            order by i.time desc, i.stage, i.board, i.designator, i.pin"""
    ).df()


def _by_limit(history: History, limits: PlacedLimits, outside: Outside | None) -> pd.DataFrame:
    """Return the false calls of each limit, and those that it alone brings."""
    sides = [(m, side) for m in history.measurements for side in SIDES]
    _, of_it = _wanted(limits, outside)
    tests = ", ".join(
        f"coalesce(i.{quoted(m)} {sign} b.{limit_column('live', n, side)}, false) as outside_{n}_{side}"
        for n, m in enumerate(history.measurements)
        for side, sign in zip(SIDES, "<>", strict=True)
    )
    names = [f"outside_{n}_{side}" for n in range(len(history.measurements)) for side in SIDES]
    how_many = " + ".join(f"{name}::integer" for name in names)
    counts = ", ".join(
        f"count(*) filter (where {name}), count(*) filter (where {name} and ({how_many}) = 1)"
        for name in names
    )
    rows = history.rows(
        f"""select family, count(*), {counts} from (
              select i.family, {tests} from {limits.join()} where {of_it} and i.verdict = 'good')
            where ({how_many}) > 0 group by family"""
    )
    items = dict(history.rows("select family, count(*) from items group by family"))
    table = pd.DataFrame(
        [
            (
                str(Outside(family=family, measurement=m, side=side)),
                items[family],
                counted[2 * n],
                counted[2 * n + 1],
            )
            for family, _, *counted in rows
            for n, (m, side) in enumerate(sides)
            if counted[2 * n]
        ],
        columns=["name", "items", "false_calls", "alone"],
    ).sort_values(["false_calls", "name"], ascending=[False, True], ignore_index=True)
    return table.assign(
        share=table["false_calls"] / max(1, sum(row[1] for row in rows)),
        per_million=table["false_calls"] / table["items"] * _MILLION,
    )
