"""What a plant has seen of one family: a sample of its goods, its labelled defects, how much of both.

First limits of a family rest on the sightings of its siblings, and on its own as far as there are any.
A sighting is made of one family's items alone, so that nothing of a family reaches its siblings'.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.evidence.bursts import Arrivals
from optimiser.history.read import HASH, SAMPLE, History
from optimiser.plant.file import SIDES, Side
from optimiser.proposal.all_families import arrivals
from optimiser.recipe.table import Recipe
from optimiser.search.misread import chance_to_be_true
from optimiser.search.pose import label_weights
from optimiser.sql import quoted, text_literal
from optimiser.tally.count import FamilyTally, tally_history
from optimiser.tally.grid import make_grids

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """One family as it was seen.

    Shape letters: n sampled goods, d labelled defects, k measurements of the plant.

    Attributes
    ----------
    family : str
    stages : tuple of str
    measurements : tuple of str
        All k of the plant, in its order.
    goods : ndarray, shape (n, k)
        Non-defects, at most about SAMPLE of them; nan where not measured.
    lot : ndarray of int, shape (n,)
    defects : ndarray, shape (d, k)
    weight : ndarray, shape (d,)
        How many real defects each label stands for.
    kind : tuple of d str or None
        Types of the defects.
    limited : frozenset of (measurement, side)
        Where the live recipe has a limit of the family.
    items, boards, lots : int
        Seen in all.
    arrivals : Arrivals
        The labels by lot and board.
    """

    family: str
    stages: tuple[str, ...]
    measurements: tuple[str, ...]
    goods: Floats
    lot: Ints
    defects: Floats
    weight: Floats
    kind: tuple[str | None, ...]
    limited: frozenset[tuple[str, Side]]
    items: int
    boards: int
    lots: int
    arrivals: Arrivals

    @property
    def labels(self) -> int:
        """Labelled defects."""
        return len(self.defects)

    def measures(self, measurement: str) -> bool:
        """Return whether any sampled good has a value of a measurement."""
        column = self.goods[:, self.measurements.index(measurement)]
        return bool(np.isfinite(column).any())


def sightings(
    history: History, live: Recipe, families: Iterable[str] | None = None
) -> dict[str, Sighting]:
    """Return what a history has seen of each of some families.

    Parameters
    ----------
    history : History
    live : Recipe
    families : iterable of str, optional
        Every family of the history by default.

    Returns
    -------
    dict of str to Sighting
        Families without any item are left out.
    """
    tallies = tally_history(history, make_grids(history, live), live)
    wanted = tallies.keys() if families is None else tallies.keys() & set(families)
    counted = _counted(history)
    return {name: _sighting(history, live, tallies[name], counted[name]) for name in sorted(wanted)}


def _counted(history: History) -> Mapping[str, tuple[tuple[str, ...], int, int]]:
    """Return stages, boards and lots of every family."""
    rows = history.rows(
        """select family, list_sort(list(distinct stage)), count(distinct board), count(distinct lot)
           from items group by family"""
    )
    return {family: (tuple(stages), boards, lots) for family, stages, boards, lots in rows}


def _sighting(
    history: History,
    live: Recipe,
    tally: FamilyTally,
    counted: tuple[tuple[str, ...], int, int],
) -> Sighting:
    goods = _goods(history, tally.family)
    measured = list(history.measurements)
    frame = tally.defects.frame
    file = history.plant.file
    weight = label_weights(tally.defects, file.labels.test_coverage)
    weight = weight * chance_to_be_true(tally, file.review_of(tally.family).false_alarm_rate)
    stages, boards, lots = counted
    return Sighting(
        family=tally.family,
        stages=stages,
        measurements=history.measurements,
        goods=goods[measured].to_numpy(dtype=np.float64, na_value=np.nan),
        lot=pd.factorize(goods["lot"])[0].astype(np.int64),
        defects=frame[measured].to_numpy(dtype=np.float64, na_value=np.nan),
        weight=weight,
        kind=tuple(x if isinstance(x, str) else None for x in frame["defect"]),
        limited=limited_sides(live, tally.family),
        items=tally.items,
        boards=boards,
        lots=lots,
        arrivals=arrivals(tally),
    )


def limited_sides(live: Recipe, family: str) -> frozenset[tuple[str, Side]]:
    """Return the measurements and sides that a recipe limits in a family."""
    return frozenset(
        (measurement, side)
        for measurement, row in live.family_rows(family).items()
        for side in SIDES
        if np.isfinite(row.limit(side))
    )


def _goods(history: History, family: str) -> pd.DataFrame:
    """Return a family's sampled non-defects: the same ones of a history, whoever else is in it."""
    columns = ", ".join(f"i.{quoted(m)}" for m in history.measurements)
    return history.connection.execute(
        f"""select i.lot, {columns} from items i
            where i.family = {text_literal(family)} and i.verdict is distinct from 'defect'
            order by {HASH}, i.time limit {SAMPLE}"""
    ).df()
