"""When which line builds what: the lots of the demo."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from optimiser.demo import streams
from optimiser.demo.families import PRODUCTS
from optimiser.demo.process import Floats, Ints

FIRST_DAY = date(2026, 1, 5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lots:
    """All lots in order of time, arrays of shape (t,); `first_board` counts within a day."""

    day: Ints
    line: Ints
    product: Ints
    boards: Ints
    first_board: Ints
    name: tuple[str, ...]


def schedule_lots(*, seed: int, days: int, lines: int, boards: int, first_day: date) -> Lots:
    """Return the lots: a line runs one product a day, on some days two."""
    rng = np.random.default_rng([seed, streams.SCHEDULE])
    mix = np.array([0.5, 0.35, 0.15])
    rows: list[tuple[int, int, int, int, int]] = []
    names: list[str] = []
    for day in range(days):
        first = 0
        for line in range(lines):
            parts = 2 if rng.random() < 0.15 and boards > 1 else 1
            chosen = rng.choice(3, size=parts, replace=False, p=np.roll(mix, line))
            for i, product in enumerate(chosen):
                size = boards // parts if i else boards - boards // parts * (parts - 1)
                rows.append((day, line, int(product), size, first))
                stamp = (first_day + timedelta(days=day)).strftime("%y%m%d")
                names.append(f"{PRODUCTS[product][0]}{stamp}-L{line + 1}{'ab'[i]}")
                first += size
    table = np.array(rows, dtype=np.int64)
    return Lots(
        day=table[:, 0],
        line=table[:, 1],
        product=table[:, 2],
        boards=table[:, 3],
        first_board=table[:, 4],
        name=tuple(names),
    )


def drift_path(seed: int, days: int) -> Floats:
    """Return how much of a drift has happened on each day: uneven steps from 0 to 1."""
    steps = np.random.default_rng([seed, streams.SCHEDULE, 1]).gamma(1.5, 1.0, days)
    return np.asarray(np.cumsum(steps) / steps.sum(), dtype=np.float64)
