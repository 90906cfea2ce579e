"""The contested items of one family, one by one: whom a setting releases or newly calls.

The tally counts them without names; here they have their board, designator and lot, so that
a person can look at each. They are few: items inside every tightest level are left out.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.history.limits import place_limits
from optimiser.history.read import History
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal
from optimiser.tally.count import Outcome, Ranks, is_called, is_settled, signatures, tightest
from optimiser.tally.grid import Grid

PLACE = (
    *("time", "line", "station", "stage", "lot", "product", "board", "designator", "pin"),
    *("part", "family"),
)
LABEL = ("verdict", "defect", "found_by")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contested:
    """Items outside the tightest level of at least one limit; n rows.

    Attributes
    ----------
    frame : DataFrame
        ``time, line, station, stage, lot, product, board, designator, pin, part, family, verdict,
        defect, found_by`` and the measurements, as in the history.
    ranks : ndarray of int16, shape (n, m)
    settled : ndarray of bool, shape (n,)
        Items that an override's own limits call, whatever the family's setting.
    """

    frame: pd.DataFrame
    ranks: Ranks
    settled: NDArray[np.bool_]

    def called(self, setting: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return which items a setting calls, shape (n,)."""
        return np.asarray(self.settled | is_called(setting, self.ranks), dtype=np.bool_)

    def outcome(self, setting: NDArray[np.int64], *, defects: int) -> Outcome:
        """Return what a setting calls of the items here, in whole items.

        Parameters
        ----------
        setting : ndarray of int, shape (m,)
        defects : int
            Labelled defects in all, those inside every tightest level included.

        Returns
        -------
        Outcome
            As `count.outcome` counts it: no setting calls an item that is not here.
        """
        called, verdict = self.called(setting), self.frame["verdict"]
        hits = int((called & (verdict == "defect")).sum())
        goods = int((called & (verdict == "good")).sum())
        calls = int(called.sum())
        return Outcome(
            calls=calls,
            true_calls=hits,
            false_calls=goods,
            unreviewed_calls=calls - hits - goods,
            escapes=defects - hits,
        )


def contested_items(history: History, grid: Grid, live: Recipe) -> Contested:
    """Fetch the contested items of one family.

    Parameters
    ----------
    history : History
    grid : Grid
        Of the family.
    live : Recipe

    Returns
    -------
    Contested
        In order of time, board, designator, pin.
    """
    recipes = {"tight": tightest(live, {grid.family: grid}), "live": live}
    limits = place_limits(history, "contested_limits", recipes)
    columns = ", ".join(f"i.{quoted(c)}" for c in (*PLACE, *LABEL, *history.measurements))
    frame = history.connection.execute(
        f"""select b.place_id, {columns} from {limits.join()}
            where i.family = {text_literal(grid.family)} and ({limits.outside("tight")})
            order by i.time, i.board, i.designator, i.pin"""
    ).df()
    place_ids = frame.pop("place_id").to_numpy()
    ranks = np.zeros((len(frame), len(grid.limits)), dtype=np.int16)
    settled = np.zeros(len(frame), dtype=bool)
    places = list(limits.scopes)
    for place in np.unique(place_ids):
        here = place_ids == place
        rows = limits.rows["live", places[int(place)]]
        overridden = {m: row for m, row in rows.items() if row.scope != "family"}
        values: dict[str, NDArray[Any]] = {
            m: frame[m].to_numpy(dtype=np.float32, na_value=np.nan)[here]
            for m in history.measurements
        }
        ranks[here] = signatures(grid, values, overridden)
        settled[here] = is_settled(values, overridden)
    return Contested(frame=frame, ranks=ranks, settled=settled)
