"""Limits that guard a workmanship bound: the readings that a guard band decides about, parts to measure again."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimiser.history.limits import place_limits
from optimiser.history.profile import Profile, profile
from optimiser.history.read import History
from optimiser.plant.file import Side, off_limit
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal

Floats = NDArray[np.float64]
LATEST = 2_000
"""Newest items of a family among which parts to measure again are picked: they may be at hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """A stretch of one measurement, from one limit to another, in x; ``low`` < ``high``."""

    family: str
    measurement: str
    side: Side
    low: float
    high: float


def readings_between(
    history: History, live: Recipe, wanted: Sequence[Between]
) -> list[tuple[Floats, Floats]]:
    """Return what was read in some stretches of items that one limit alone decides about.

    Parameters
    ----------
    history : History
    live : Recipe
        Its other limits let these items pass.
    wanted : sequence of Between

    Returns
    -------
    list of (ndarray, ndarray), shape (y,) each
        Readings and how many items have each; known defects left out.
    """
    found = []
    for at in wanted:
        off = live.with_limits(at.family, {(at.measurement, at.side): off_limit(at.side)})
        limits = place_limits(history, "guarded_limits", {"others": off})
        x = f"i.{quoted(at.measurement)}"
        rows = history.connection.execute(
            f"""select {x}::double as x, count(*) as n from {limits.join()}
                where i.family = {text_literal(at.family)} and i.verdict is distinct from 'defect'
                  and {x} between {at.low!r} and {at.high!r} and not {limits.called("others")}
                group by 1 order by 1"""
        ).fetchnumpy()
        found.append(
            (np.asarray(rows["x"], dtype=np.float64), np.asarray(rows["n"], dtype=np.float64))
        )
    return found


def middles(history: History) -> dict[tuple[str, str], Profile]:
    """Return the profile of every family and measurement, ``few_low`` its middle.

    Parameters
    ----------
    history : History

    Returns
    -------
    dict of (family, measurement) to Profile
    """
    return profile(history, share=0.5)


def parts_to_measure(history: History, family: str, measurement: str, parts: int) -> list[str]:
    """Return newest items of a family, spread evenly over what they read.

    Parameters
    ----------
    history : History
    family, measurement : str
    parts : int

    Returns
    -------
    list of str
        Board, designator and pin of each; fewer where there are fewer.
    """
    x = quoted(measurement)
    rows = history.rows(
        f"""with latest as (
              select concat_ws(' ', board, designator, pin) as item, {x} as x from items
              where family = {text_literal(family)} and {x} is not null
              order by time desc, board, designator, pin limit {LATEST})
            select item from (select item, any_value(x) as x from latest group by item) order by x, item"""
    )
    if not rows:
        return []
    picked = np.unique(np.linspace(0, len(rows) - 1, parts).round().astype(np.int64))
    return [str(rows[n][0]) for n in picked]
