"""A process that moves: a trend over the lots of a history, and where it would lead next.

A promise assumes that the process stays as the history has it. Where a rate rises or falls from
lot to lot beyond what the lots' own scatter explains, that has to be said, and the next span may
bring what the trend leads to as well as what the history had.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

Floats = NDArray[np.float64]
STEPS = 50
# Two-sided; a family whose process stays is said to move with this chance.
SIGNIFICANT = 0.005
FEWEST_LOTS = 8
MOST_FACTOR = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How a rate changes over a history's lots, log-linear.

    Attributes
    ----------
    growth : float
        Natural log of the factor by which the rate changes over one span of the history.
    error : float
        Its standard error, lots' scatter included.
    p_value : float
        Two-sided, of no trend.
    lots : int
    """

    growth: float
    error: float
    p_value: float
    lots: int

    @property
    def moves(self) -> bool:
        """Whether the trend is more than scatter."""
        return self.p_value < SIGNIFICANT


def trend(counts: Floats, items: Floats) -> Trend | None:
    """Return the trend of a rate over lots in order of time.

    Parameters
    ----------
    counts, items : ndarrays, shape (t,)
        Events >= 0 and what they are of; lots without items are left out.

    Returns
    -------
    Trend or None
        None with fewer than FEWEST_LOTS lots or no event.

    Notes
    -----
    Quasi-Poisson regression of the counts on the lots' place in time with a log link, by
    iteratively reweighted least squares; the dispersion is Pearson's chi-square over t - 2 and
    the quantile Student's.

    References
    ----------
    .. [1] McCullagh and Nelder (1989), Generalized Linear Models, 2nd ed., ch. 9.
    """
    held = items > 0
    y, n = counts[held].astype(np.float64), items[held].astype(np.float64)
    lots = len(y)
    if lots < FEWEST_LOTS or y.sum() <= 0:
        return None
    middle = np.cumsum(n) - n / 2
    x = np.column_stack([np.ones(lots), middle / n.sum() - 0.5])
    at = np.array([np.log(y.sum() / n.sum()), 0.0])
    for _ in range(STEPS):
        mean = n * np.exp(np.clip(x @ at, -50, 50))
        step = np.linalg.solve(x.T @ (mean[:, None] * x), x.T @ (y - mean))
        at = at + step
        if np.abs(step).max() < 1e-10:
            break
    mean = n * np.exp(np.clip(x @ at, -50, 50))
    dispersion = float(((y - mean) ** 2 / mean).sum()) / (lots - 2)
    error = float(np.sqrt(max(dispersion, 1.0) * np.linalg.inv(x.T @ (mean[:, None] * x))[1, 1]))
    p = 2 * float(t.sf(abs(at[1]) / error, lots - 2))
    return Trend(growth=float(at[1]), error=error, p_value=p, lots=lots)


def led_to(total: float, of: Trend, *, level: float) -> tuple[float, float]:
    """Return between what a total of one span lies in the next if its trend goes on.

    Parameters
    ----------
    total : float
        Over the history's span, > 0.
    of : Trend
    level : float
        Two-sided, of the trend alone.

    Returns
    -------
    low, high : float
        A factor is kept within ``MOST_FACTOR`` either way.
    """
    reach = float(t.ppf((1 + level) / 2, of.lots - 2)) * of.error
    most = np.log(MOST_FACTOR)
    low, high = np.exp(np.clip([of.growth - reach, of.growth + reach], -most, most))
    return total * float(low), total * float(high)
