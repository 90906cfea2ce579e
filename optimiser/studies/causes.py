"""What a family's calls come from where the limit is not the problem: findings of a whole history.

Every question is put to every family, and a finding is believed only if its chance holds among
all that were asked (`evidence/discoveries.py`). Goods are described by their lot means, so that
lots which merely scatter prove nothing.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import binom, norm

from optimiser.evidence.agreement import exact_share
from optimiser.evidence.apart import LEVEL, Apart, apart, called_more, serves_nothing, shifted
from optimiser.evidence.discoveries import RATE, adjusted
from optimiser.evidence.intervals import ZERO, Interval
from optimiser.evidence.moved import move
from optimiser.history.limits import PlacedLimits, limit_column, place_limits
from optimiser.history.read import History
from optimiser.history.replay import agree
from optimiser.plant.file import SIDES, Plant, Side
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal
from optimiser.studies.limit_flicker import limit_flicker

Floats = NDArray[np.float64]
Kind = Literal[
    "stations",
    "unexplained",
    "flicker",
    "moved",
    "drift",
    "two populations",
    "called more",
    "useless",
]

LEAST = 0.6
"""Standard deviations of the goods within a lot by which a process moved, or groups lie apart."""

LEAST_STATIONS = 0.25
"""The same between two stations that measured the same parts."""

TIMES = 2.0
"""How much more often than the rest of its family a place is called that is told of."""

SHARE = 0.1
"""Share of a family's false calls that one place makes."""

FLICKERS = 0.5
"""Share of a limit's calls that a second inspection would not make."""

USUAL = 0.15
"""Share of defects beyond the goods' end from which a limit may separate; of goods it is 5 %."""

FEWEST_CALLS = 30
FEWEST_PER_LOT = 5
DESIGNATOR = "coalesce(product || '/', '') || designator"
Spreads = Mapping[tuple[str, str], float]
"""Standard deviation of goods within lots by family and measurement."""

GROUPS = ("part", "line", "station")
FIRST: frozenset[Kind] = frozenset({"stations", "unexplained", "flicker"})
"""Findings without whose cure no limit of the family can be judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One finding: why a family is called, or escapes, for another reason than its limits.

    Attributes
    ----------
    family : str
    kind : str
        ``stations`` two machines that measured the same parts differ; ``unexplained`` recorded
        calls are not the recipe's; ``flicker`` a limit's calls do not repeat; ``moved`` and
        ``drift`` the goods moved; ``two populations`` groups of lots lie apart; ``called more``
        one part or designator is called more often; ``useless`` a limit serves nothing.
    measurement : str
        Empty where the finding is of no single one.
    side : {'lower', 'upper'} or None
    scope, name : str
        What stands apart: ``part``, ``line``, ``station`` or ``designator``, and which.
    against : str
        The other station; empty for all others.
    size : Interval
        In ``unit``: how far moved or apart (90 %, lots as the unit); the share of calls for
        ``flicker`` and ``unexplained``, of defects among its own calls for ``useless``.
    unit : str
    spreads : float
        The size in standard deviations of the goods within a lot; 0 where it is no distance.
    ratio : Interval or None
        Of ``stations``: spread over that of the other.
    factor : Interval or None
        Of ``called more``: how many times as often as the rest of the family.
    own_row : bool
        Whether the recipe has a row of its own for the part or designator in this measurement.
    share : float
        Share of the family's false calls that it makes, 0..1; 0 where not asked.
    days : tuple of str
        First day of each new stretch of ``moved``.
    p_value, adjusted : float
        The chance alone and among all that was asked.
    lots, items : int
        From how much.
    """

    family: str
    kind: Kind
    measurement: str = ""
    side: Side | None = None
    scope: str = ""
    name: str = ""
    against: str = ""
    size: Interval
    unit: str = ""
    spreads: float = 0.0
    ratio: Interval | None = None
    factor: Interval | None = None
    own_row: bool = False
    share: float = 0.0
    days: tuple[str, ...] = ()
    p_value: float
    adjusted: float = 1.0
    lots: int
    items: int

    @property
    def comes_first(self) -> bool:
        """Whether it must be cured before a limit of the family can be judged."""
        return self.kind in FIRST


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Causes:
    """What was found in a history.

    Attributes
    ----------
    found : tuple of Cause
        Believed ones, by family.
    asked : int
        Questions that could be answered, over all families.
    families : int
    lots : DataFrame
        Lot means of the goods: ``family, lot, lot_id, first, line, station, part, measurement,
        n, mean, sd``; for drawings.
    """

    found: tuple[Cause, ...]
    asked: int
    families: int
    lots: pd.DataFrame

    def of(self, family: str) -> tuple[Cause, ...]:
        """Return the findings of one family."""
        return tuple(c for c in self.found if c.family == family)


def find_causes(history: History, live: Recipe) -> Causes:
    """Put every question to every family of a history.

    Parameters
    ----------
    history : History
        With its rows: of digests lots and places cannot be told apart.
    live : Recipe

    Returns
    -------
    Causes
    """
    lots = _lot_means(history)
    asked: list[Cause] = []
    spreads: dict[tuple[str, str], float] = {}
    for cells in _cells(lots, history.plant):
        spreads[cells.family, cells.measurement] = cells.spread
        asked += _of_goods(cells)
    # Called items alone say nothing of the goods: they lie where the limits are.
    if history.plant.file.plant.only_called:
        asked = []
    else:
        limits = place_limits(history, "cause_limits", {"live": live})
        asked += _by_place(history, limits, spreads)
        asked += _useless(history, _called_items(history, limits), live)
        asked += _stations(history, spreads)
        asked += _flickers(history, live)
    asked += _unexplained(history, live)
    chances = adjusted([c.p_value for c in asked])
    found = [
        replace(cause, adjusted=float(p), own_row=_has_row(live, cause))
        for cause, p in zip(asked, chances, strict=True)
        if p <= RATE and _matters(cause)
    ]
    return Causes(
        found=tuple(sorted(_plain(found), key=lambda c: (c.family, not c.comes_first, c.adjusted))),
        asked=len(asked),
        families=len(history.families),
        lots=lots,
    )


def _matters(cause: Cause) -> bool:
    """Return whether a finding is large enough to act on."""
    if cause.kind in {"moved", "drift"}:
        return abs(cause.spreads) >= LEAST
    if cause.factor is not None:
        return cause.share >= SHARE and cause.factor.value >= TIMES
    return True


def _has_row(live: Recipe, cause: Cause) -> bool:
    """Return whether the recipe allows for what stands apart."""
    names = (
        {cause.name, cause.name.rpartition("/")[2]} if cause.scope == "designator" else {cause.name}
    )
    return any(
        row.scope == cause.scope and row.name in names and row.measurement == cause.measurement
        for row in live.overrides
    )


def _plain(found: Sequence[Cause]) -> list[Cause]:
    """Return the findings without those that another one says already.

    One line has one station of a stage: then a line apart and a station apart are one finding.
    """
    lines = {(c.family, c.measurement, round(c.size.value, 9)) for c in found if c.scope == "line"}
    return [
        c
        for c in found
        if not (
            c.kind == "two populations"
            and c.scope == "station"
            and (c.family, c.measurement, round(c.size.value, 9)) in lines
        )
    ]


# --- the goods, by lot -------------------------------------------------------------------


def _lot_means(history: History) -> pd.DataFrame:
    """Return count, mean and deviation of the non-defects by lot, line, station, part, measurement."""
    pieces = ", ".join(
        f"{{'m': {n}, 'n': count({quoted(m)}), 'mean': avg({quoted(m)}::double), "
        f"'var': var_samp({quoted(m)}::double)}}"
        for n, m in enumerate(history.measurements)
    )
    found = history.connection.execute(
        f"""select family, lot, lot_id, first, line, station, part, of.m as m, of.n as n, of.mean as mean,
              sqrt(of.var) as sd
            from (select family, lot, line, station, part, unnest([{pieces}]) as of from items
                  where verdict is distinct from 'defect' group by 1, 2, 3, 4, 5)
            join {history.lots} using (lot) where of.n >= {FEWEST_PER_LOT}
            order by family, m, lot_id, line, station, part"""
    ).df()
    names = np.array(history.measurements, dtype=object)
    found["measurement"] = names[found.pop("m").to_numpy(dtype=np.int64)]
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells:
    """One measurement of one family by lot and group: arrays of shape (n,)."""

    family: str
    measurement: str
    unit: str
    spread: float
    lot: NDArray[np.int64]
    items: Floats
    mean: Floats
    first: NDArray[np.generic]
    groups: dict[str, NDArray[np.str_]]

    def by_lot(self, here: NDArray[np.bool_]) -> tuple[NDArray[np.int64], Floats]:
        """Return the lots that hold some cells, in order of time, and their means."""
        lots = int(self.lot.max()) + 1
        items = np.bincount(self.lot[here], self.items[here], lots)
        total = np.bincount(self.lot[here], (self.items * self.mean)[here], lots)
        held = np.flatnonzero(items)
        return held, total[held] / items[held]

    def asks(self, kind: Kind, found: Apart, **fields: object) -> Cause:
        """Return a question about these goods, answered."""
        return Cause(
            family=self.family,
            kind=kind,
            measurement=self.measurement,
            size=found.difference,
            unit=self.unit,
            spreads=found.difference.value / self.spread,
            p_value=found.p_value,
            lots=found.lots,
            items=int(self.items.sum()),
            **fields,  # type: ignore[arg-type]
        )


def _cells(lots: pd.DataFrame, plant: Plant) -> Iterator[_Cells]:
    """Yield each measurement of each family that scatters at all."""
    for (family, measurement), cells in lots.groupby(["family", "measurement"], sort=True):
        items = cells["n"].to_numpy(dtype=np.float64)
        spread = _spread(cells)
        if spread > 0:
            yield _Cells(
                family=str(family),
                measurement=str(measurement),
                unit=plant.file.measurements[str(measurement)].unit,
                spread=spread,
                lot=cells["lot_id"].to_numpy(dtype=np.int64),
                items=items,
                mean=cells["mean"].to_numpy(dtype=np.float64),
                first=cells["first"].to_numpy(),
                groups={g: cells[g].fillna("").to_numpy(dtype=str) for g in GROUPS},
            )


def _spread(cells: pd.DataFrame) -> float:
    """Return the standard deviation of goods within lots, pooled; 0 without any."""
    if not len(cells):
        return 0.0
    variance = cells["sd"].fillna(0.0).to_numpy(dtype=np.float64) ** 2
    return float(np.sqrt(np.average(variance, weights=cells["n"].to_numpy(dtype=np.float64))))


def _of_goods(cells: _Cells) -> Iterator[Cause]:
    """Yield the questions about one measurement of one family's goods, answered."""
    for scope, groups in cells.groups.items():
        names = np.unique(groups)
        # Of two groups the smaller one stands apart from the other, and not both.
        if len(names) == 2:
            sizes = [float(cells.items[groups == name].sum()) for name in names]
            names = names[[int(np.argmin(sizes))]]
        elif len(names) == 1:
            continue
        for name in names:
            found = _against_rest(cells, groups == name)
            if found is not None:
                yield cells.asks("two populations", found, scope=scope, name=str(name))
    yield from _moves(cells)


def _against_rest(cells: _Cells, here: NDArray[np.bool_]) -> Apart | None:
    """Return how far a group lies from the rest: within the lots that hold both, else between lots."""
    (lots, one), (others, other) = cells.by_lot(here), cells.by_lot(~here)
    least = LEAST * cells.spread
    both, mine, theirs = np.intersect1d(lots, others, return_indices=True)
    if 2 * len(both) >= min(len(lots), len(others)):
        return shifted(one[mine] - other[theirs], least=least)
    return apart(one, np.delete(other, theirs), least=least)


def _moves(cells: _Cells) -> Iterator[Cause]:
    """Yield how one measurement moved over the lots, what part, line and station add taken off."""
    level = replace(cells, mean=_without_groups(cells))
    lots, series = level.by_lot(np.ones(len(cells.lot), dtype=np.bool_))
    found = move(series, least=LEAST / 2 * cells.spread)
    if found is None:
        return
    first = [cells.first[cells.lot == lots[step]].min() for step in found.steps]
    # Between two means of half the lots each, from the scatter of neighbours.
    reach = 1.645 * float(np.diff(series).std()) / np.sqrt(2.0) * np.sqrt(4 / found.lots)
    size = Interval(value=found.size, low=found.size - reach, high=found.size + reach)
    yield cells.asks(
        "drift" if found.drifts else "moved",
        Apart(difference=size, p_value=found.p_value, lots=found.lots),
        days=tuple(str(np.datetime64(day, "D")) for day in first),
    )


def _without_groups(cells: _Cells) -> Floats:
    """Return lot means less what part, line and station add, by least squares."""
    weight = np.sqrt(cells.items)
    columns = [
        (groups == name).astype(np.float64)
        for groups in cells.groups.values()
        for name in np.unique(groups)[1:]
    ]
    if not columns:
        return cells.mean
    design = np.column_stack([np.ones(len(cells.mean)), *columns])
    fitted, *_ = np.linalg.lstsq(design * weight[:, None], cells.mean * weight, rcond=None)
    return np.asarray(cells.mean - design[:, 1:] @ fitted[1:], dtype=np.float64)


# --- places that are called more often -----------------------------------------------------


def _by_place(history: History, limits: PlacedLimits, spreads: Spreads) -> Iterator[Cause]:
    """Yield for each part and designator whether it stands apart and makes calls by that."""
    found = history.connection.execute(
        f"""select i.family, lot_id, coalesce(part, '') as part, {DESIGNATOR} as designator,
              count(*) as n, count(*) filter (where {limits.called("live")}) as calls
            from {limits.join()} join {history.lots} using (lot)
            where i.verdict is distinct from 'defect' group by all"""
    ).df()
    for family, rows in found.groupby("family", sort=True):
        for scope in ("part", "designator"):
            yield from _places(history, str(family), rows, scope, spreads)


def _places(
    history: History, family: str, rows: pd.DataFrame, scope: str, spreads: Spreads
) -> Iterator[Cause]:
    """Yield the places of one family that are called enough to be asked about."""
    lots = int(rows["lot_id"].max()) + 1
    total, all_calls = _in_lots(rows, "n", lots), _in_lots(rows, "calls", lots)
    if rows[scope].nunique() < 2:
        return
    for name, own in rows.groupby(scope, sort=True):
        items, calls = _in_lots(own, "n", lots), _in_lots(own, "calls", lots)
        if calls.sum() < FEWEST_CALLS:
            continue
        more = called_more(calls, items, all_calls - calls, total - items, times=1.0)
        if more is not None:
            asked = Cause(
                family=family,
                kind="called more",
                scope=scope,
                name=str(name),
                size=ZERO,
                factor=more.difference,
                share=float(calls.sum() / all_calls.sum()),
                p_value=1.0,
                lots=more.lots,
                items=int(items.sum()),
            )
            yield _stands_apart(history, asked, more, spreads) if _matters(asked) else asked


def _stands_apart(history: History, asked: Cause, more: Apart, spreads: Spreads) -> Cause:
    """Return a place with the measurement in which it lies furthest from the rest of its family."""
    names = [m for m in history.measurements if spreads.get((asked.family, m), 0.0) > 0]
    place = DESIGNATOR if asked.scope == "designator" else "coalesce(part, '')"
    means = ", ".join(
        f"avg({quoted(m)}::double) filter (where {test}) as {which}_{n}"
        for n, m in enumerate(names)
        for which, test in (("here", "here"), ("rest", "not here"))
    )
    lots = history.connection.execute(
        f"""select {means} from (select *, {place} = {text_literal(asked.name)} as here from items
              where family = {text_literal(asked.family)} and verdict is distinct from 'defect')
            join {history.lots} using (lot) group by lot_id order by lot_id"""
    ).df()
    best = asked
    for n, m in enumerate(names):
        spread = spreads[asked.family, m]
        found = _of_two(lots[f"here_{n}"], lots[f"rest_{n}"], LEAST * spread)
        if found is None:
            continue
        # Of as many measurements the one furthest off was picked; it must be called more as well.
        chance = max(min(1.0, len(names) * found.p_value), more.p_value)
        if chance < best.p_value:
            best = replace(
                asked,
                measurement=m,
                size=found.difference,
                unit=history.plant.file.measurements[m].unit,
                spreads=found.difference.value / spread,
                p_value=chance,
            )
    return best


def _of_two(here: pd.Series, rest: pd.Series, least: float) -> Apart | None:
    """Return how far two columns of lot means lie apart: within lots where most hold both."""
    both = here.notna() & rest.notna()
    if 2 * both.sum() >= min(here.notna().sum(), rest.notna().sum()):
        return shifted((here - rest)[both].to_numpy(dtype=np.float64), least=least)
    one, other = here.dropna(), rest[here.isna()].dropna()
    return apart(one.to_numpy(dtype=np.float64), other.to_numpy(dtype=np.float64), least=least)


def _in_lots(rows: pd.DataFrame, column: str, lots: int) -> Floats:
    return np.bincount(rows["lot_id"], rows[column], minlength=lots).astype(np.float64)


# --- limits that serve nothing ---------------------------------------------------------------


def _called_items(history: History, limits: PlacedLimits) -> pd.DataFrame:
    """Return called items and labelled defects: which limit sides they lie beyond, by column."""
    sides = [
        f"coalesce(i.{quoted(m)} {sign} b.{limit_column('live', n, side)}, false) as {side}_{n}"
        for n, m in enumerate(limits.measurements)
        for side, sign in zip(SIDES, "<>", strict=True)
    ]
    values = [f"i.{quoted(m)}::double as x_{n}" for n, m in enumerate(limits.measurements)]
    return history.connection.execute(
        f"""select i.family, i.verdict = 'defect' as bad, i.verdict is not null as known,
              {", ".join((*sides, *values))}
            from {limits.join()} where i.verdict = 'defect' or {limits.outside("live")}"""
    ).df()


def _useless(history: History, calls: pd.DataFrame, live: Recipe) -> Iterator[Cause]:
    """Yield for each limit the chance that it serves something."""
    ends = _goods_ends(history)
    columns = [f"{side}_{n}" for n in range(len(history.measurements)) for side in SIDES]
    for name, rows in calls.groupby("family", sort=True):
        family, beyond = str(name), rows[columns].to_numpy(dtype=np.bool_)
        limits, bad = live.family_rows(family), rows["bad"].fillna(False).to_numpy(dtype=np.bool_)
        known = rows["known"].to_numpy(dtype=np.bool_)
        for k in range(len(columns)):
            side, n = SIDES[k % 2], k // 2
            measurement = history.measurements[n]
            row = limits.get(measurement)
            if row is None or not np.isfinite(row.limit(side)):
                continue
            sole = beyond[:, k] & (beyond.sum(axis=1) == 1)
            end = ends.get((family, measurement), (np.nan, np.nan))[side == "upper"]
            x = rows[f"x_{n}"].to_numpy(dtype=np.float64)
            outside = (x > end) if side == "upper" else (x < end)
            if (sole & known).sum() >= FEWEST_CALLS:
                yield _useless_limit(
                    history.plant, family, (measurement, side), (sole, bad, known, outside)
                )


def _useless_limit(
    plant: Plant, family: str, limit: tuple[str, Side], of: tuple[NDArray[np.bool_], ...]
) -> Cause:
    """Return what one limit's calls hold, with the chance that it serves something."""
    sole, bad, known, outside = of
    review = plant.file.review_of(family)
    prices = [*plant.file.escape_cost.by_defect.values(), plant.file.escape_cost.default]
    a_call = review.seconds_per_call / 3600 * review.cost_per_hour
    reviewed, own, others = int((sole & known).sum()), int((sole & bad).sum()), bad & ~sole
    found = exact_share(own, reviewed, level=LEVEL)
    return Cause(
        family=family,
        kind="useless",
        measurement=limit[0],
        side=limit[1],
        size=found,
        share=float((sole & ~bad).sum() / max((~bad).sum(), 1)),
        p_value=serves_nothing(
            sole_calls=reviewed,
            sole_defects=own,
            worth=min(1.0, a_call / max(*prices, 1e-9)) + review.false_alarm_rate,
            defects=int(others.sum()),
            beyond=int((others & outside).sum()),
            usual=USUAL,
        ),
        lots=0,
        items=reviewed,
    )


def _goods_ends(history: History) -> dict[tuple[str, str], tuple[float, float]]:
    """Return per family and measurement the 5 % and 95 % quantiles of sampled non-defects."""
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for m in history.measurements:
        x = quoted(m)
        for family, ends in history.rows(
            f"""select family, quantile_cont({x}::double, [0.05, 0.95]) from {history.sampled()}
                where {x} is not null group by family"""
        ):
            found[str(family), m] = (float(ends[0]), float(ends[1]))
    return found


# --- machines that measured the same parts -----------------------------------------------------


def _stations(history: History, spreads: Spreads) -> Iterator[Cause]:
    """Yield for each pair of stations how far they differ on the parts that both measured."""
    history.rows(
        """create or replace temp table twice as select family, stage, product, board, designator, pin from items
             where station is not null group by all having min(station) < max(station)"""
    )
    if not history.rows("select count(*) from twice")[0][0]:
        return
    for m in history.measurements:
        known = history.plant.file.measurements[m]
        for family, one, other, rows in _twice_measured(history, m):
            spread = spreads.get((family, m), 0.0)
            least = max(LEAST_STATIONS * spread, known.repeatability / 2)
            found = shifted(rows["apart"].to_numpy(dtype=np.float64), least=least)
            if found is None or spread <= 0:
                continue
            ratio = (rows["sd_one"] / rows["sd_other"]).to_numpy(dtype=np.float64)
            ratio = ratio[np.isfinite(ratio) & (ratio > 0)]
            wider = shifted(np.log(ratio), least=0.0)
            yield Cause(
                family=family,
                kind="stations",
                measurement=m,
                scope="station",
                name=one,
                against=other,
                size=found.difference,
                unit=known.unit,
                spreads=found.difference.value / spread,
                ratio=None if wider is None else _exponential(wider.difference),
                p_value=found.p_value,
                lots=found.lots,
                items=int(rows["n"].sum()),
            )


def _exponential(of: Interval) -> Interval:
    return Interval(
        value=float(np.exp(of.value)), low=float(np.exp(of.low)), high=float(np.exp(of.high))
    )


def _twice_measured(
    history: History, measurement: str
) -> Iterator[tuple[str, str, str, pd.DataFrame]]:
    """Yield family, two stations and by lot the mean difference and both deviations."""
    x = quoted(measurement)
    found = history.connection.execute(
        f"""with each as (select family, lot, stage, product, board, designator, items.pin as pin, station,
                            avg({x}::double) as x from items join twice
                            using (family, stage, product, board, designator)
                          where items.pin is not distinct from twice.pin
                            and station is not null and {x} is not null group by all)
            select a.family as family, a.station as one, b.station as other, lot_id, count(*) as n,
              avg(a.x - b.x) as apart, stddev_samp(a.x) as sd_one, stddev_samp(b.x) as sd_other
            from each a join each b using (family, lot, stage, product, board, designator)
            join {history.lots} using (lot)
            where a.station < b.station and a.pin is not distinct from b.pin
            group by all having count(*) >= {FEWEST_PER_LOT} order by all"""
    ).df()
    for (family, one, other), rows in found.groupby(["family", "one", "other"], sort=True):
        yield str(family), str(one), str(other), rows


# --- calls that do not repeat, calls that are not the recipe's ---------------------------------


def _flickers(history: History, live: Recipe) -> Iterator[Cause]:
    """Yield for each limit the chance that most of its calls repeat."""
    for of in limit_flicker(history, {"live": live}):
        share = of.unrepeated
        error = (share.high - share.low) / (2 * float(norm.ppf(0.95)))
        if of.calls < FEWEST_CALLS or not 0 < error < np.inf:
            continue
        yield Cause(
            family=of.family,
            kind="flicker",
            measurement=of.measurement,
            side=of.side,
            size=share,
            p_value=float(norm.sf((share.value - FLICKERS) / error)),
            lots=0,
            items=of.items,
        )


def _unexplained(history: History, live: Recipe) -> Iterator[Cause]:
    """Yield for each family the chance that its recorded calls are the recipe's, but for what is allowed."""
    agreement = agree(history, live, past_revisions(history.plant, live))
    allowed = history.plant.file.rails.mismatch_share
    for family, compared in agreement.compared_of.items():
        wrong = sum(n for (f, _), n in agreement.blamed.items() if f == family)
        share = wrong / compared
        reach = 1.645 * float(np.sqrt(share * (1 - share) / compared))
        yield Cause(
            family=family,
            kind="unexplained",
            measurement=next((m for (f, m), _ in agreement.blamed.items() if f == family), ""),
            size=Interval(value=share, low=max(0.0, share - reach), high=share + reach),
            p_value=float(binom.sf(wrong - 1, compared, allowed)),
            lots=0,
            items=compared,
        )
