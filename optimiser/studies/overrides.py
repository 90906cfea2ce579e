"""A row of its own for the one part or designator that stands apart, judged on lots it has not seen."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.evidence.intervals import (
    ZERO,
    Interval,
    add_up,
    count_total,
    design_effect,
    ratio_total,
)
from optimiser.history.limits import place_limits
from optimiser.history.profile import ONE_SIGMA
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Plant, Side, off_limit
from optimiser.recipe.table import Recipe, Row
from optimiser.sql import quoted, text_literal
from optimiser.studies.causes import DESIGNATOR, Cause
from optimiser.tally.rails import largest_move

FOLDS = 5
LEVEL = 0.90
DAYS_PER_MONTH = 365.25 / 12
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A row for one part or designator, beside what moving the family's limits by as much would do.

    Attributes
    ----------
    row : Row
        The family's limits of one measurement, moved by as much as the place's goods lie apart, on
        the measurement's steps, no further than the largest move in one revision and no looser than
        a workmanship bound less its guard.
    family_row : Row
        The family's own.
    saved : Interval
        False calls fewer over the history's span: each fold of lots judged by the row that the
        others give; 90 %, lots as the unit.
    released : int
        Labelled defects that the live recipe calls and those rows do not; held out as well.
    saving_per_month : Interval
        Money, 90 %: review saved less defects released, plus those caught, at the price of their
        kinds; held out as well.
    family_saved, family_released : int
        The same for the family's limits moved by as much instead, counted on this history.
    calls, defects, lots, items : int
        From how much: the place's calls, labelled defects, lots and items.
    stopped : str
        What ends the move before the goods' distance, empty where nothing does.
    """

    row: Row
    family_row: Row
    saved: Interval
    released: int
    saving_per_month: Interval
    family_saved: int
    family_released: int
    calls: int
    defects: int
    lots: int
    items: int
    stopped: str


def propose_override(history: History, live: Recipe, cause: Cause) -> Override | None:
    """Return a row for the part or designator that a finding names.

    Parameters
    ----------
    history : History
    live : Recipe
    cause : Cause
        Of a place that is called more often every limited measurement is tried, and the one that
        frees most calls is taken; in every fold it is chosen by the other lots alone.

    Returns
    -------
    Override or None
        None where what stands apart is no part and no designator (a recipe has no row for a station
        or a line), the recipe has such a row already, or no row frees a call.
    """
    limited = live.family_rows(cause.family)
    tried = list(limited) if cause.kind == "called more" else [cause.measurement]
    tried = [m for m in tried if m in limited and not _has_row(live, cause, m)]
    if cause.scope not in {"part", "designator"} or not tried:
        return None
    items = _items(history, live, cause, tried)
    fold = np.unique(items["lot_id"].to_numpy(), return_inverse=True)[1] % FOLDS
    new = np.zeros(len(items), dtype=np.bool_)
    for f in range(FOLDS):
        best = _best(history.plant, cause, limited, tried, items[fold != f])
        kept = items[fold == f]
        new[fold == f] = _live(kept) if best is None else _called(kept, best[0], tried)
    found = _best(history.plant, cause, limited, tried, items)
    if found is None:
        return None
    row, stopped = found
    here, bad = (items[c].to_numpy(dtype=np.bool_) for c in ("here", "bad"))
    now, moved = _live(items), _called(items, row, tried)
    saved = _by_lot(items, here, (now.astype(np.int64) - new) * ~bad)
    return Override(
        row=row,
        family_row=limited[row.measurement],
        saved=saved,
        released=int((here & bad & now & ~new).sum()),
        saving_per_month=_money(
            history,
            items[here],
            cause.family,
            saved,
            now[here] & ~new[here],
            new[here] & ~now[here],
        ),
        family_saved=int((now & ~bad).sum() - (moved & ~bad).sum()),
        family_released=int((bad & now & ~moved).sum()),
        calls=int((here & now).sum()),
        defects=int((here & bad).sum()),
        lots=items.loc[here, "lot_id"].nunique(),
        items=int(here.sum()),
        stopped=stopped,
    )


def _has_row(live: Recipe, cause: Cause, measurement: str) -> bool:
    names = {cause.name, cause.name.rpartition("/")[2]}
    return any(
        row.scope == cause.scope and row.name in names and row.measurement == measurement
        for row in live.overrides
    )


def _items(
    history: History, live: Recipe, cause: Cause, measurements: Sequence[str]
) -> pd.DataFrame:
    """Return the family's items: values, and whether any other limit calls them, by measurement."""
    recipes = {"live": live}
    for n, m in enumerate(measurements):
        off: dict[tuple[str, Side], float] = {(m, side): off_limit(side) for side in SIDES}
        recipes[f"without{n}"] = live.with_limits(cause.family, off)
    limits = place_limits(history, "override_limits", recipes)
    place = DESIGNATOR if cause.scope == "designator" else "coalesce(part, '')"
    of_each = ", ".join(
        f"i.{quoted(m)} as x_{n}, {limits.called(f'without{n}')} as other_{n}"
        for n, m in enumerate(measurements)
    )
    return history.connection.execute(
        f"""select lot_id, {place} = {text_literal(cause.name)} as here, defect,
              coalesce(verdict = 'defect', false) as bad, {limits.called("live")} as live, {of_each}
            from {limits.join()} join {history.lots} using (lot)
            where i.family = {text_literal(cause.family)}"""
    ).df()


def _best(
    plant: Plant,
    cause: Cause,
    limited: Mapping[str, Row],
    tried: Sequence[str],
    items: pd.DataFrame,
) -> tuple[Row, str] | None:
    """Return the row that frees most false calls of the place in some lots; None where none does."""
    best, most = None, 0
    goods = items["here"].to_numpy(dtype=np.bool_) & ~items["bad"].to_numpy(dtype=np.bool_)
    now = int((_live(items) & goods).sum())
    for n, m in enumerate(tried):
        found = _moved(plant, cause, limited[m], items, f"x_{n}")
        if found is None:
            continue
        saved = now - int((_called(items, found[0], tried) & goods).sum())
        if saved > most:
            best, most = found, saved
    return best


def _moved(
    plant: Plant, cause: Cause, family: Row, items: pd.DataFrame, column: str
) -> tuple[Row, str] | None:
    """Return the family's row moved by how far the place's goods lie apart in some lots."""
    good = ~items["bad"].to_numpy(dtype=np.bool_)
    here = items["here"].to_numpy(dtype=np.bool_)
    x = items[column].to_numpy(dtype=np.float64)
    measured = np.isfinite(x) & good
    if not (measured & here).any() or not (measured & ~here).any():
        return None
    known = plant.file.measurements[family.measurement]
    step = known.step or known.repeatability or float(np.nanstd(x)) / 10
    apart = float(x[measured & here].mean() - x[measured & ~here].mean())
    if not abs(apart) >= step > 0:
        return None
    most, stopped = abs(apart), ""
    if plant.file.rails.holds("largest-move"):
        goods = x[measured & ~here]
        low, high = np.quantile(goods, ONE_SIGMA)
        most, words = largest_move(
            plant.file.rails, step=step, spread=float(high - low) / 2, unit=family.unit
        )
        stopped = f"largest move, {words}" if abs(apart) > most else ""
    # Towards zero: never further than the goods are.
    shift = math.trunc(math.copysign(min(abs(apart), most), apart) / step + 1e-9) * step
    if not shift:
        return None
    bound = plant.file.families[cause.family].workmanship.get(family.measurement)
    guard = plant.file.rails.guard_sigmas * known.repeatability
    lower, upper = family.lower + shift, family.upper + shift
    if bound is not None and bound.upper is not None and upper > bound.upper - guard:
        upper, stopped = max(family.upper, bound.upper - guard), "workmanship bound less its guard"
    if bound is not None and bound.lower is not None and lower < bound.lower + guard:
        lower, stopped = min(family.lower, bound.lower + guard), "workmanship bound less its guard"
    row = Row(
        scope="part" if cause.scope == "part" else "designator",
        name=cause.name,
        measurement=family.measurement,
        lower=round(lower, 9),
        upper=round(upper, 9),
        unit=family.unit,
    )
    return row, stopped


def _live(items: pd.DataFrame) -> NDArray[np.bool_]:
    return items["live"].to_numpy(dtype=np.bool_)


def _called(items: pd.DataFrame, row: Row, tried: Sequence[str]) -> NDArray[np.bool_]:
    """Return which items are called with one row deciding its measurement; float32 throughout."""
    n = list(tried).index(row.measurement)
    x = items[f"x_{n}"].to_numpy(dtype=np.float32)
    outside = (x < np.float32(row.lower)) | (x > np.float32(row.upper))
    called: NDArray[np.bool_] = outside | items[f"other_{n}"].to_numpy(dtype=np.bool_)
    return called


def _by_lot(items: pd.DataFrame, here: NDArray[np.bool_], fewer: NDArray[np.int64]) -> Interval:
    """Return the false calls fewer with an interval over lots."""
    lot = items["lot_id"].to_numpy(dtype=np.int64)
    size = int(lot.max()) + 1
    counts = np.bincount(lot[here], fewer[here], minlength=size).astype(np.float64)
    sizes = np.bincount(lot[here], minlength=size).astype(np.float64)
    return ratio_total(counts, sizes, level=LEVEL)


def _money(
    history: History,
    items: pd.DataFrame,
    family: str,
    saved: Interval,
    released: NDArray[np.bool_],
    newly: NDArray[np.bool_],
) -> Interval:
    """Return what a row saves a month: review, less what defects released cost, plus those caught.

    Of defects released or caught the interval is that of a rare count, as uneven over lots as
    they came. A row that lets items pass and released none may yet release some: the interval
    reaches to what none may hide.
    """
    plant = history.plant.file
    review = plant.review_of(family)
    a_call = review.seconds_per_call / 3600 * review.cost_per_hour
    bad = items["bad"].to_numpy(dtype=np.bool_)
    kinds = items["defect"].to_numpy(dtype=object)[bad]
    price = np.array([plant.escape_price(k if isinstance(k, str) else None) for k in kinds])
    lot = np.unique(items["lot_id"].to_numpy(), return_inverse=True)[1][bad]
    monthly = DAYS_PER_MONTH / history.span_days
    seen = (1 - review.miss_rate) * monthly
    loosens, plain = bool(released.any()), plant.escape_price(None)
    caught = newly[bad]
    return add_up(
        saved.times(a_call * monthly),
        _defects(released[bad], price, lot, plain).times(seen).negated() if loosens else ZERO,
        _defects(caught, price, lot, plain).times(seen) if caught.any() else ZERO,
    )


def _defects(
    of: NDArray[np.bool_], price: Floats, lot: NDArray[np.int64], plain: float
) -> Interval:
    """Return the price of some of a place's defects over the history, with its interval.

    None of them costs on average what all do, and without any what is ``plain``.
    """
    lots = int(lot.max(initial=0)) + 1
    effect = design_effect(
        np.bincount(lot, of, lots).astype(np.float64),
        np.bincount(lot, minlength=lots).astype(float),
    )
    counted = count_total(float(of.sum()), spread=max(1.0, effect), level=LEVEL)
    kinds = price[of] if of.any() else price
    return counted.times(float(kinds.mean()) if kinds.size else plain)
