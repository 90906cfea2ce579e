"""Items followed through the stages of the line: which later item is the same place of the same board.

Two items are taken for one place where board, designator and pin agree, the later one is later in
time, and neither could be another: whatever is missing or could mean several things is counted by
its reason and never decided. A board of which any item was inspected twice at a stage stands
aside there as a whole, for of its other items nobody can say which inspection they belong to.

A board read under the serial of another whose own record is missing has a key that nothing speaks
against. What sees it is the order of the line: the record stands where the other board passed. Either a
board that was followed lies between the two, which the record then overtakes, or the board whose
record seems to be missing is its neighbour. A reader that is one serial ahead for some boards overtakes
none: the first of them seems to be missing, the last one's serial is there twice, and of all between
every record is the one before. All such links are counted and not used. Where a line
does not keep its boards in order, or a stage sees a sample of them, order says nothing, and that is said.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, get_args

import pandas as pd

from optimiser.history.read import History
from optimiser.history.verdicts import LATER_STAGE
from optimiser.sql import text_literal

Reason = Literal[
    "linked",
    "a neighbour's record is missing",
    "between a record that is missing and one that is there twice",
    "out of the order of its neighbours",
    "later than the plant's hours allow",
    "not in the order of time",
    "the products differ",
    "several items could be meant",
    "board not inspected there",
    "designator not inspected there",
    "pin not inspected there",
    "pins on one side only",
    "board inspected more than once",
    "board inspected more than once there",
]
REASONS: tuple[Reason, ...] = get_args(Reason)
(
    _BESIDE,
    _BETWEEN,
    _AMONG,
    _LATE,
    _UNORDERED,
    _OTHER,
    _SEVERAL,
    _BOARD,
    _DESIGNATOR,
    _PIN,
    _PINS,
    _AGAIN,
    _AGAIN_THERE,
) = range(1, len(REASONS))
MISSING = REASONS[_BOARD : _PIN + 1]
"""Reasons that say that there is no item to link to; all others but the first are ambiguous."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """How many items of one family could be followed from their stage to another, or why not.

    Attributes
    ----------
    stage, family : str
        Of the items.
    other : str
        The stage that they were looked for at; earlier or later.
    reason : str
        One of REASONS.
    items : int
    """

    stage: str
    other: str
    family: str
    reason: Reason
    items: int


ORDERED, SEEN = 0.05, 0.10
"""A line keeps its order where at most this share of neighbours change places between two stages; a board
without a record is missing, and not merely left out by a sample, where at most this share are."""

LONGEST_RUN = 5
"""Boards between one whose record seems to be missing and one that is there twice: no more are taken for a
run of serials read one off, for on a long line either happens somewhere."""

Blind = Literal["order", "sample"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unchecked:
    """Where a board read under another's serial would not be seen.

    Attributes
    ----------
    stage, other : str
        Earlier and later stage.
    line : str
    why : str
        ``"order"``: boards do not keep it; ``"sample"``: one of the stages sees a part of the boards.
    share : float
        Of neighbours that change places, or of boards without a record, 0..1.
    """

    stage: str
    other: str
    line: str
    why: Blind
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """What could be followed in a history.

    Attributes
    ----------
    stages : tuple of str
        Those that have items, in the order of the line.
    counts : tuple of Followed
        Of every stage towards every other one; the reasons of a stage's family add up to its items.
    shared : tuple of (str, str, int)
        Earlier and later stage, and how many of the links join several items to one whole component.
    unchecked : tuple of Unchecked
    """

    stages: tuple[str, ...]
    counts: tuple[Followed, ...]
    shared: tuple[tuple[str, str, int], ...]
    unchecked: tuple[Unchecked, ...] = ()

    def items(self, stage: str, other: str, *reasons: str, family: str | None = None) -> int:
        """Return how many items of a stage met these reasons on the way to another; any without.

        Parameters
        ----------
        stage, other : str
        *reasons : str
        family : str, optional
            Of all families where not given.

        Returns
        -------
        int
        """
        return sum(
            c.items
            for c in self.counts
            if (c.stage, c.other) == (stage, other)
            and (not reasons or c.reason in reasons)
            and family in {None, c.family}
        )


def link_stages(history: History) -> Links:
    """Follow every item of a history through the stages of the line.

    Parameters
    ----------
    history : History
        With its rows.

    Returns
    -------
    Links

    Notes
    -----
    Makes the temporary tables ``stops`` (an item a row, numbered by ``rowid``), ``links`` (``earlier,
    later``: numbers of stops that are one place) and ``not_linked`` (``stop, other, reason``). The engine
    spills what does not fit into memory. Items of families in ``line.whole_components`` stand for
    all pins of their designator: only so may several items share a link.
    """
    rules = history.plant.file.line
    _make_stops(history)
    listed = rules.stages
    present = [int(at) for (at,) in history.rows("select distinct step from stops order by step")]
    for table in (
        "links(step utinyint, other utinyint, earlier bigint, later bigint)",
        "not_linked(stop bigint, other utinyint, reason utinyint)",
        "doubts(step utinyint, other utinyint, board varchar, reason utinyint)",
    ):
        history.rows(f"create or replace temp table {table}")
    counts: list[Followed] = []
    hours = rules.follow_within_hours
    unchecked = {
        pair: list(_doubt_boards(history, *pair, listed)) for pair in combinations(present, 2)
    }
    for one, two in combinations(present, 2):
        _make_doubted(history, one, two, alone=not unchecked[one, two])
        _make_pairs(history, one, two, seconds=None if hours is None else hours * 3600)
        for at, other, column in ((one, two, "earlier"), (two, one, "later")):
            counts += _judge(history, at, other, column, listed)
        history.rows(
            f"insert into links select {one}, {two}, earlier, later from pairs where reason = 0"
        )
    for table in ("pairs", "passed", "streams", "doubts", "doubted"):
        history.rows(f"drop table if exists {table}")
    return Links(
        stages=tuple(listed[at] for at in present),
        counts=tuple(counts),
        shared=tuple(_shared(history, listed)),
        unchecked=tuple(x for of in unchecked.values() for x in of),
    )


def _make_stops(history: History) -> None:
    """Make ``stops`` of all items, and ``stop_boards``: which boards were inspected twice at a stage."""
    rules = history.plant.file.line
    order = " ".join(f"when {text_literal(s)} then {n}" for n, s in enumerate(rules.stages))
    whole = ", ".join(text_literal(f) for f in rules.whole_components) or "''"
    # What another stage said earlier is no verdict of the item's own.
    own = f"found_by is distinct from {text_literal(LATER_STAGE)}"
    history.rows(
        f"""create or replace temp table stops as
            select case stage {order} end::utinyint as step, board, designator,
              if(family in ({whole}), '', coalesce(pin, '')) as pin, family in ({whole}) as whole,
              product, family, time, coalesce(line, '') as line, lot, pin as shown_pin, called,
              if({own}, verdict, null) as verdict,
              if({own} and verdict = 'defect', coalesce(defect, ''), null) as defect, found_by, weight, file, row
            from items"""
    )
    history.rows(
        """create or replace temp table stop_boards as
           select step, board, max(items) > 1 as again, min(time) as time, min(line) as line
           from (select step, board, designator, pin, whole, count(*) as items, min(time) as time,
                   min(line) as line from stops group by all)
           group by step, board"""
    )


_ENDS = (("early", "late"), ("late", "early"))


def _doubt_boards(
    history: History, one: int, two: int, stages: Sequence[str]
) -> Iterator[Unchecked]:
    """Note in ``doubts`` boards of two stages whose record may be another's; yield where order cannot say."""
    _make_passed(history, one, two)
    gaps = {own: _gaps(history, own, gone) for own, gone in _ENDS}
    seen = {
        own: ", ".join(text_literal(x) for x, share in of.items() if share <= SEEN) or "null"
        for own, of in gaps.items()
    }
    beside, between = (
        " union all ".join(rule(own, gone, seen[own]) for own, gone in _ENDS)
        for rule in (_beside, _between)
    )
    history.rows(
        f"""insert into doubts
            with moved as (
              select board, (late > lead(late) over w and early < lead(early) over w)
                  or (late < lag(late) over w and early > lag(early) over w) as moved
              from passed join streams using (early_line, late_line)
              where clear and swapped <= {ORDERED}
              window w as (partition by early_line, late_line order by early, late, board)),
            beside as ({beside})
            select {one}, {two}, board, max(reason) from (
              select board, {_AMONG} as reason from moved where moved
              union all select board, {_BETWEEN} from ({between})
              union all select board, {_BESIDE} from beside where beside)
            group by board"""
    )
    for early, late, swapped in history.rows("select * from streams order by all"):
        line = str(early) if early == late else f"{early} to {late}"
        gap = max(gaps["early"][early], gaps["late"][late])
        blind: tuple[tuple[Blind, float, float], ...] = (
            ("order", float(swapped), ORDERED),
            ("sample", gap, SEEN),
        )
        for why, share, most in blind:
            if share > most:
                yield Unchecked(
                    stage=stages[one], other=stages[two], line=line, why=why, share=share
                )


def _make_passed(history: History, one: int, two: int) -> None:
    """Make ``passed``, the boards with their times at two stages, and ``streams``, how lines keep order."""
    history.rows(
        f"""create or replace temp table passed as
            with a as (select * from stop_boards where step = {one}),
            b as (select * from stop_boards where step = {two})
            select board, a.time as early, b.time as late, a.line as early_line, b.line as late_line,
              coalesce(not a.again and not b.again, false) as clear,
              coalesce(a.again, false) as early_again, coalesce(b.again, false) as late_again
            from a full join b using (board)"""
    )
    history.rows(
        """create or replace temp table streams as
           with ordered as (
             select early_line, late_line, lead(late) over w is not null as followed,
               late > lead(late) over w and early < lead(early) over w as overtakes
             from passed where clear
             window w as (partition by early_line, late_line order by early, late, board))
           select early_line, late_line, coalesce(count_if(overtakes), 0) / greatest(count_if(followed), 1) as swapped
           from ordered group by all"""
    )


def _gaps(history: History, own: str, gone: str) -> dict[str, float]:
    """Return by line of one stage the share of its boards without a record at the other."""
    rows = history.rows(
        f"""select {own}_line, count_if({gone} is null) / count(*) from passed
            where {own} is not null group by all"""
    )
    return {str(line): float(share) for line, share in rows}


def _make_doubted(history: History, one: int, two: int, *, alone: bool) -> None:
    """Make ``doubted``: boards that a link between two stages is not believed of.

    Where order cannot say between the two, whatever is doubtful of either of them elsewhere counts.
    """
    pair = f"(step, other) = ({one}, {two})"
    of = pair if alone else f"{pair} or step in ({one}, {two}) or other in ({one}, {two})"
    history.rows(
        f"""create or replace temp table doubted as
            select board, max(reason)::utinyint as reason from doubts where {of} group by board"""
    )


def _beside(own: str, gone: str, lines: str) -> str:
    """Return SQL: boards next to one, in a stage's order, that has no record at the other stage."""
    return f"""select board, coalesce(lag({gone} is null) over w, false)
                  or coalesce(lead({gone} is null) over w, false) as beside
                from passed where {own} is not null and {own}_line in ({lines})
                window w as (partition by {own}_line order by {own}, board)"""


def _between(own: str, gone: str, lines: str) -> str:
    """Return SQL: boards between one without a record at the other stage and one that is there twice."""
    near = ", ".join(
        f"""nth - max(if({flag}, nth, null)) over (partition by line order by nth
              rows between unbounded preceding and 1 preceding) as {flag}_before,
            min(if({flag}, nth, null)) over (partition by line order by nth
              rows between 1 following and unbounded following) - nth as {flag}_after"""
        for flag in ("gone", "twice")
    )
    return f"""select board from (
                 select board, {near} from (
                   select board, {own}_line as line, {gone} is null as gone, {gone}_again as twice,
                     row_number() over (partition by {own}_line order by {own}, board) as nth
                   from passed where {own} is not null and {own}_line in ({lines})))
               where gone_before + twice_after <= {LONGEST_RUN + 1}
                 or twice_before + gone_after <= {LONGEST_RUN + 1}"""


def _make_pairs(history: History, one: int, two: int, *, seconds: float | None) -> None:
    """Make ``pairs``: items of two stages that may be one place, and the worst that speaks against it."""
    late = "false" if seconds is None else f"epoch(b.time - a.time) > {seconds!r}"
    clear = "s.rowid as stop, s.* from stops s semi join clear using (board) where s.step"
    pair = f"""a.stop as earlier, b.stop as later, a.whole as earlier_whole, b.whole as later_whole,
               case when a.product <> b.product then {_OTHER} when b.time <= a.time then {_UNORDERED}
                 when {late} then {_LATE} else coalesce(d.reason, 0) end::utinyint as own"""
    history.rows(
        f"""create or replace temp table pairs as
            with clear as (select board from stop_boards where step in ({one}, {two}) group by board
                           having count(*) = 2 and not bool_or(again)),
            a as (select {clear} = {one}), b as (select {clear} = {two}),
            found as (
              select {pair} from a join b using (board, designator, pin, whole) left join doubted d using (board)
              union all select {pair} from a join b using (board, designator) left join doubted d using (board)
                where a.whole <> b.whole),
            judged as (select *, case when ({_several("earlier")}) or ({_several("later")})
                                 then {_SEVERAL} else own end as seen from found),
            shared as (select *, max(seen) over (partition by earlier) as of_earlier,
                         max(seen) over (partition by later) as of_later from judged)
            select earlier, later, earlier_whole, later_whole,
              greatest(of_earlier, of_later)::utinyint as reason from shared"""
    )


def _several(end: str) -> str:
    """Return SQL: whether an item may be several others, and is not a whole component of these pins."""
    here = f"over (partition by {end})"
    same = f"count_if(earlier_whole = later_whole) {here}"
    return f"count(*) {here} > 1 and not ({end}_whole and {same} = 0)"


def _judge(
    history: History, at: int, other: int, column: str, stages: Sequence[str]
) -> Iterator[Followed]:
    """Note why items of a stage cannot be followed to another, and yield all counts."""
    history.rows(
        f"""create or replace temp table judged as
            with there as (select designator, board, bool_or(pin <> '') as pins from stops
                           where step = {other} group by all),
            paired as (select {column} as stop, max(reason) as reason from pairs group by all)
            select s.rowid as stop, s.family, case
                when p.reason is not null then p.reason
                when mine.again then {_AGAIN}
                when theirs.board is null then {_BOARD}
                when theirs.again then {_AGAIN_THERE}
                when t.board is null then {_DESIGNATOR}
                when (s.pin <> '') is distinct from t.pins then {_PINS}
                else {_PIN} end::utinyint as reason
            from stops s
            join stop_boards mine on mine.step = s.step and mine.board = s.board
            left join stop_boards theirs on theirs.step = {other} and theirs.board = s.board
            left join there t on t.board = s.board and t.designator = s.designator
            left join paired p on p.stop = s.rowid
            where s.step = {at}"""
    )
    history.rows(
        f"insert into not_linked select stop, {other}, reason from judged where reason > 0"
    )
    for family, reason, items in history.rows(
        "select family, reason, count(*) from judged group by all order by all"
    ):
        yield Followed(
            stage=stages[at],
            other=stages[other],
            family=str(family),
            reason=REASONS[reason],
            items=int(items),
        )
    history.rows("drop table judged")


def _shared(history: History, stages: Sequence[str]) -> Iterator[tuple[str, str, int]]:
    """Yield how many links are not one to one, by pair of stages."""
    for at, other, links in history.rows(
        """select step, other, count(*) from (
             select step, other, count(*) over (partition by step, other, earlier) as of_earlier,
               count(*) over (partition by step, other, later) as of_later from links)
           where of_earlier > 1 or of_later > 1 group by all order by all"""
    ):
        yield stages[at], stages[other], int(links)


def forget_stops(history: History) -> None:
    """Drop the tables that following items made: they are as long as the history."""
    for table in ("stops", "stop_boards", "links", "not_linked", "later", "chances"):
        history.rows(f"drop table if exists {table}")


def not_linked(history: History) -> pd.DataFrame:
    """Return the items that could not be followed, after `link_stages`.

    Parameters
    ----------
    history : History

    Returns
    -------
    DataFrame
        ``stage, board, designator, pin, time, family, towards, reason``, an item once for each other
        stage that it was looked for at.
    """
    stages = history.plant.file.line.stages
    listed = ", ".join(text_literal(s) for s in stages)
    words = ", ".join(text_literal(r) for r in REASONS)
    return history.connection.execute(
        f"""select [{listed}][s.step + 1] as stage, s.board, s.designator, s.shown_pin as pin, s.time, s.family,
              [{listed}][n.other + 1] as towards, [{words}][n.reason + 1] as reason
            from not_linked n join stops s on s.rowid = n.stop
            order by s.step, n.other, s.time, s.board, s.designator, s.pin, s.family"""
    ).df()
