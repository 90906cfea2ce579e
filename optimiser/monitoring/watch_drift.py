"""Which measurements have drifted since a change was promised, and what that does to calls."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimiser.evidence.watch import MATERIAL, Drift, LotProfile, drift
from optimiser.monitoring.watch_facts import Facts, column, frame_of
from optimiser.plant.file import SIDES
from optimiser.sql import quoted

_IQR_OF_NORMAL = 1.349


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftedMeasurement:
    """A measurement that has drifted since the tally.

    ``calls_per_month`` is by how much its limits would call more of the items of then, were
    these shifted and spread as the items are now; ``material`` where that is a large share
    of the promised false calls.
    """

    measurement: str
    drift: Drift
    calls_per_month: float
    material: bool


def moved_measurements(
    facts: Facts, promised: float, volume: float
) -> tuple[DriftedMeasurement, ...]:
    """Return the family's limited measurements whose goods have drifted, the largest first.

    Parameters
    ----------
    facts : Facts
    promised : float
        False calls per item.
    volume : float
        Items a month now.

    Returns
    -------
    tuple of DriftedMeasurement
        Those that are shown to have moved, material or not.
    """
    limited = [
        m
        for m in facts.history.measurements
        if (row := facts.limits.rows["after", facts.change.family].get(m)) is not None
        and any(np.isfinite(row.limit(side)) for side in SIDES)
    ]
    found = [_moved_one(facts, m, promised, volume) for m in limited]
    shown = [x for x in found if x is not None and x.drift.shown]
    return tuple(sorted(shown, key=lambda x: -abs(x.calls_per_month)))


def _moved_one(
    facts: Facts, measurement: str, promised: float, volume: float
) -> DriftedMeasurement | None:
    x = quoted(measurement)
    lots = frame_of(
        facts.history,
        ("live", "items", "middle", "spread"),
        f"""select live, count({x})::double, median({x})::double,
              (quantile_cont({x}, 0.75) - quantile_cont({x}, 0.25))::double / {_IQR_OF_NORMAL}
            from {facts.source} where not is_defect and {x} is not null group by live, lot""",
    )
    then, now = (_profile(lots[lots.live == live]) for live in (False, True))
    if not (len(then.items) and len(now.items)):
        return None
    known = facts.history.plant.file.measurements[measurement]
    least = (known.step or known.repeatability or 1e-6) / 12**0.5
    found = drift(then, now, least=least)
    more = _more_calls(facts, measurement, then, now, found) if found.shown else 0.0
    return DriftedMeasurement(
        measurement=measurement,
        drift=found,
        calls_per_month=more * volume,
        material=found.shown and abs(more) > MATERIAL * promised,
    )


def _profile(lots: pd.DataFrame) -> LotProfile:
    return LotProfile(
        items=column(lots, "items"), middle=column(lots, "middle"), spread=column(lots, "spread")
    )


def _more_calls(
    facts: Facts, measurement: str, then: LotProfile, now: LotProfile, found: Drift
) -> float:
    """Return how many more of the items of then its limits would call, were they as now.

    Moving a limit against the drift does the same as moving every item with it, and keeps
    the true shape of the tail.
    """
    was, is_now = (float(p.items @ p.middle / p.items.sum()) for p in (then, now))
    row = facts.limits.rows["after", facts.change.family][measurement]
    columns: dict[str, np.ndarray] = {}
    for side in SIDES:
        limit = row.limit(side)
        columns[f"{side}_then"] = np.array([limit], dtype=np.float32)
        columns[f"{side}_now"] = np.array(
            [was + (limit - is_now) / found.ratio.value], dtype=np.float32
        )
    facts.history.put("watch_drift", pd.DataFrame(columns))
    x = quoted(measurement)
    share = ", ".join(
        f"avg(coalesce(s.{x} < b.lower_{when} or s.{x} > b.upper_{when}, false)::integer)"
        for when in ("now", "then")
    )
    after, before = facts.history.rows(
        f"select {share} from {facts.source} s cross join watch_drift b where not live and not is_defect"
    )[0]
    return float(after - before)


def moved_words(moved: DriftedMeasurement) -> str:
    """Return a drift in words."""
    shift, ratio = moved.drift.shift, moved.drift.ratio
    more = "more" if moved.calls_per_month > 0 else "fewer"
    return (
        f"{moved.measurement} has drifted since: middle by {shift.value:+.2f} spreads "
        f"({shift.low:+.2f} to {shift.high:+.2f}), spread x {ratio.value:.2f}; that alone makes "
        f"about {abs(moved.calls_per_month):,.0f} {more} calls a month"
    )
