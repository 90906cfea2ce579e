"""For each kind of defect of a later stage: the earlier measurement that foretells it best, and its price.

Every measurement of every earlier family is asked of every kind that its items led to; what is
believed is decided over all of these questions together (`evidence/discoveries.py`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.evidence.discoveries import RATE, adjusted
from optimiser.evidence.foretelling import (
    Foretold,
    Separation,
    foretell,
    separation,
)
from optimiser.evidence.intervals import Interval, add_up
from optimiser.history.later_verdicts import LaterLabels, Unlinked, label_earlier, unlinked_defects
from optimiser.history.limits import place_limits
from optimiser.history.links import Links, link_stages
from optimiser.history.read import History
from optimiser.plant.file import Plant, Side
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal
from optimiser.values import DAYS_PER_MONTH

SHARE = 0.005
"""Share of the goods that a limit on the earlier measurement may call, where nobody says otherwise."""

GOODS = 20_000
"""Goods of a family that are looked at, about: more tell nothing that these do not."""

ALL_GOODS = 1_500_000
"""Goods of all families together, about, so that some hundreds of families fit into memory."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """One kind of defect, and one earlier family whose items led to it.

    Attributes
    ----------
    stage, family : str
        Earlier.
    found_at, kind : str
        Later stage, and kind of defect there.
    """

    stage: str
    family: str
    found_at: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One question: whether an earlier measurement tells a later kind of defect from goods.

    Attributes
    ----------
    trail : Trail
    measurement : str
    separation : Separation
        High values standing for defects: an area below a half means that defects lie low.
    adjusted : float
        The chance among all that was asked.
    """

    trail: Trail
    measurement: str
    separation: Separation
    adjusted: float = 1.0

    @property
    def believed(self) -> bool:
        """Whether it holds among all that was asked."""
        return self.adjusted <= RATE


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What stopping a defect at the earlier stage costs and is worth, a month of production.

    Attributes
    ----------
    defects : float
        Of this kind, each counted for what it stands for.
    stopped : Interval
        Of those that the live recipe passes at the earlier stage, reviewers' misses taken off.
    false_calls : Interval
        Goods that it would call and the live recipe does not.
    hours : float
        Of review, true calls included.
    cost, worth : Interval
        Money: of that review, and what the stopped defects cost later.
    net : Interval
        The second less the first.
    """

    defects: float
    stopped: Interval
    false_calls: Interval
    hours: float
    cost: Interval
    worth: Interval
    net: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreteller:
    """The earlier measurement that foretells a later defect best, and what stopping it there costs.

    Attributes
    ----------
    trail : Trail
    measurement, side, unit : str
    area : Interval
        Chance that a defect lies beyond a good, measurement and side chosen on other lots; 90 %.
    adjusted : float
        Chance, among all that was asked, that it foretells nothing.
    limit : float
        That calls the stated share of goods, in ``unit``.
    caught : Interval
        Share of the defects beyond the limit; measurement, side and limit chosen on other lots.
    defects, goods, lots : int
        From how much; lots with defects.
    agreed : int
        Of five folds those that chose this measurement.
    price : Price
    others : tuple of str
        Further measurements of the same family that foretell it, best first.
    """

    trail: Trail
    measurement: str
    side: Side
    unit: str
    area: Interval
    adjusted: float
    limit: float
    caught: Interval
    defects: int
    goods: int
    lots: int
    agreed: int
    price: Price
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A kind of defect that no measurement of an earlier family is believed to foretell.

    Attributes
    ----------
    trail : Trail
    defects : int
        Linked.
    asked : int
        Measurements that could be asked; none where there are too few defects or lots.
    """

    trail: Trail
    defects: int
    asked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stages:
    """What following items through the stages of a line shows.

    Attributes
    ----------
    links : Links
    labels : tuple of LaterLabels
    unlinked : tuple of Unlinked
    foretellers : tuple of Foreteller
        Largest net worth first.
    silent : tuple of Silent
    asked : tuple of Asked
        Every question, with its answer.
    share : float
        Of the goods that a foreteller's limit calls.
    """

    links: Links
    labels: tuple[LaterLabels, ...]
    unlinked: tuple[Unlinked, ...]
    foretellers: tuple[Foreteller, ...]
    silent: tuple[Silent, ...]
    asked: tuple[Asked, ...]
    share: float


def follow_stages(history: History, live: Recipe, *, share: float = SHARE) -> Stages:
    """Follow items through the stages, label earlier ones, and look for what foretells later defects.

    Parameters
    ----------
    history : History
        With its rows.
    live : Recipe
    share : float
        Of the goods that a limit on an earlier measurement may call, 0..1.

    Returns
    -------
    Stages
        Leaves the tables of `link_stages` and `label_earlier` behind.
    """
    links = link_stages(history)
    labels = label_earlier(history, links)
    groups = list(_groups(history, live))
    answers = [list(_ask(group)) for group in groups]
    chances = iter(adjusted([a.separation.p_value for own in answers for a in own]))
    answers = [[replace(a, adjusted=float(next(chances))) for a in own] for own in answers]
    found, silent = [], []
    for group, own in zip(groups, answers, strict=True):
        if any(a.believed for a in own):
            found.append(_foreteller(group, own, history.plant, share=share))
        else:
            defects = int(group.bad.sum())
            silent.append(Silent(trail=group.trail, defects=defects, asked=len(own)))
    return Stages(
        links=links,
        labels=labels,
        unlinked=unlinked_defects(history, links),
        foretellers=tuple(sorted(found, key=lambda f: -f.price.net.value)),
        silent=tuple(silent),
        asked=tuple(a for own in answers for a in own),
        share=share,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Items:
    """The items of one family that were followed to a stage, n rows: defects of all kinds, some goods.

    ``kind`` is empty for goods; ``values`` has a column for each of the k measurements it has.
    """

    measurements: tuple[str, ...]
    values: Floats
    kind: NDArray[np.str_]
    lot: NDArray[np.int64]
    called: NDArray[np.bool_]
    weight: Floats
    goods_per_month: float
    months: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Group:
    """Of these items those of one kind of defect, and the goods; arrays are cut out as they are asked for."""

    trail: Trail
    items: _Items

    @property
    def shown(self) -> NDArray[np.bool_]:
        """Which of the items."""
        kind = self.items.kind
        return np.asarray((kind == self.trail.kind) | (kind == ""), dtype=np.bool_)

    @property
    def bad(self) -> NDArray[np.bool_]:
        """Which of the shown items are defects."""
        return np.asarray(self.items.kind[self.shown] != "", dtype=np.bool_)


def _groups(history: History, live: Recipe) -> Iterator[_Group]:
    """Yield the items of each earlier family and later kind of defect that it led to."""
    items = _followed(history, live)
    stages = history.plant.file.line.stages
    months = history.span_days / DAYS_PER_MONTH
    every = {
        (stages[step], str(family)): int(n)
        for step, family, n in history.rows(
            "select step, family, count(*) from stops where verdict is distinct from 'defect' group by all"
        )
    }
    for (step, family, other), rows in items.groupby(["step", "family", "other"], sort=True):
        values = rows[list(history.measurements)].to_numpy(dtype=np.float64, na_value=np.nan)
        measured = ~np.isnan(values).all(axis=0)
        cut = _Items(
            measurements=tuple(np.array(history.measurements, dtype=object)[measured]),
            values=values[:, measured],
            kind=rows["kind"].fillna("").to_numpy(dtype=str),
            lot=rows["lot_id"].to_numpy(dtype=np.int64),
            called=rows["live"].to_numpy(dtype=bool),
            weight=rows["weight"].to_numpy(dtype=np.float64),
            goods_per_month=every[str(step), str(family)] / months,
            months=months,
        )
        for kind in np.unique(cut.kind[cut.kind != ""]):
            trail = Trail(stage=str(step), family=str(family), found_at=str(other), kind=str(kind))
            yield _Group(trail=trail, items=cut)


def _followed(history: History, live: Recipe) -> pd.DataFrame:
    """Return earlier items by the stage they were followed to: all that turned out bad, some goods.

    Items that were labelled defects at their own stage are left out: what became of them is rework.
    """
    limits = place_limits(history, "stage_limits", {"live": live})
    measured = ", ".join(f"i.{quoted(m)}::double as {quoted(m)}" for m in history.measurements)
    history.rows(
        f"""create or replace temp table followed as
            with ends as (select distinct l.earlier as stop, l.other from links l),
            known as (
              select e.stop, e.other, s.step, s.family, s.file, s.row, s.lot, s.board, s.designator, s.pin,
                w.bad, w.defect, w.weight, w.found_at
              from ends e join stops s on s.rowid = e.stop
              left join later w on w.stop = e.stop
              where s.verdict is distinct from 'defect'),
            goods as (
              select step, family, other, greatest(1, count(*) //
                greatest({GOODS} // 10, least({GOODS}, {ALL_GOODS} // count(*) over ())))::ubigint as every
              from known where not coalesce(bad, false) group by all)
            select k.step, k.family, k.other, k.file, k.row, k.lot,
              if(k.bad, coalesce(nullif(k.defect, ''), 'no kind given'), null) as kind, k.weight
            from known k left join goods g using (step, family, other)
            where (k.bad and k.found_at = k.other)
              or (not coalesce(k.bad, false) and hash(k.board, k.designator, k.pin) % g.every = 0)"""
    )
    stages = ", ".join(text_literal(s) for s in history.plant.file.line.stages)
    found = history.connection.execute(
        f"""select [{stages}][f.step + 1] as step, f.family, [{stages}][f.other + 1] as other,
              f.kind, f.weight, t.lot_id,
              {limits.called("live")} as live, {measured}
            from {limits.join()} join followed f on f.file = i.file and f.row = i.row
            join {history.lots} t on t.lot = i.lot
            order by f.step, f.family, f.other, f.file, f.row"""
    ).df()
    history.rows("drop table followed")
    return found


def _ask(group: _Group) -> Iterator[Asked]:
    """Yield each measurement of a group with how far it tells defects from goods."""
    shown, bad = group.shown, group.bad
    for m, name in enumerate(group.items.measurements):
        found = separation(group.items.values[shown, m], bad, group.items.lot[shown])
        if found is not None:
            yield Asked(trail=group.trail, measurement=name, separation=found)


def _foreteller(group: _Group, asked: list[Asked], plant: Plant, *, share: float) -> Foreteller:
    """Return the best measurement of a group that holds among all that was asked, with its price."""
    believed = sorted(
        (a for a in asked if a.believed), key=lambda a: -abs(a.separation.area.value - 0.5)
    )
    items, shown, bad = group.items, group.shown, group.bad
    columns = [items.measurements.index(a.measurement) for a in asked]
    best = believed[0]
    found = foretell(
        items.values[shown][:, columns],
        bad,
        items.lot[shown],
        items.called[shown],
        share=share,
        best=asked.index(best),
    )
    return Foreteller(
        trail=group.trail,
        measurement=best.measurement,
        side="upper" if found.high else "lower",
        unit=plant.file.measurements[best.measurement].unit,
        area=found.area,
        adjusted=best.adjusted,
        limit=found.limit,
        caught=found.caught,
        defects=int(bad.sum()),
        goods=int((~bad).sum()),
        lots=best.separation.lots,
        agreed=found.agreed,
        price=_price(group, found, plant),
        others=tuple(a.measurement for a in believed[1:]),
    )


def _price(group: _Group, found: Foretold, plant: Plant) -> Price:
    """Return what stopping a defect at the earlier stage costs and is worth a month."""
    review = plant.file.review_of(group.trail.family)
    items = group.items
    per_month = float(items.weight[items.kind == group.trail.kind].sum()) / items.months
    kind = group.trail.kind
    price = plant.file.escape_price(None if kind == "no kind given" else kind)
    true_calls = _times(found.caught_anew, per_month)
    stopped = _times(true_calls, 1 - review.miss_rate)
    false_calls = _times(found.called_anew, items.goods_per_month)
    calls = add_up(false_calls, true_calls)
    cost, worth = _times(calls, review.cost_per_call), _times(stopped, price)
    # Per true call: what it is worth less its own review, so that one error is not counted twice.
    gain = _times(true_calls, (1 - review.miss_rate) * price - review.cost_per_call)
    return Price(
        defects=per_month,
        stopped=stopped,
        false_calls=false_calls,
        hours=calls.value * review.seconds_per_call / 3600,
        cost=cost,
        worth=worth,
        net=add_up(gain, _times(false_calls, -review.cost_per_call)),
    )


def _times(of: Interval, factor: float) -> Interval:
    """Return an interval times a factor of either sign."""
    low, high = sorted((of.low * factor, of.high * factor))
    return Interval(value=of.value * factor, low=low, high=high)
