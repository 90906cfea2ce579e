"""What the measurements of each family look like: counts, extremes, spread.

Quantiles come from a sample of each family, picked by a hash of the item's key, so that the
same history always gives the same figures; families up to 8,192 items are used whole.
"""

from dataclasses import dataclass

from optimiser.history.read import History
from optimiser.sql import quoted

ONE_SIGMA = (0.15865525393145707, 0.8413447460685429)
"""Half the width between these two shares is one standard deviation of a normal spread."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One measurement of one family, in the measurement's unit.

    ``spread`` is half the central 68.3 %, which a few far outliers do not move. ``few_low``
    and ``few_high`` leave ``share`` of the items below and above. ``good_low`` and
    ``good_high`` are the extremes of reviewed goods; None where none was reviewed.
    """

    measured: int
    low: float
    high: float
    spread: float
    few_low: float
    few_high: float
    good_low: float | None
    good_high: float | None


def profile(history: History, *, share: float) -> dict[tuple[str, str], Profile]:
    """Return the profile of every family and measurement that was measured.

    Parameters
    ----------
    history : History
    share : float
        Share of items beyond ``few_low`` and beyond ``few_high``.

    Returns
    -------
    dict of (family, measurement) to Profile
    """
    shares = f"[{ONE_SIGMA[0]!r}, {ONE_SIGMA[1]!r}, {share!r}, {1 - share!r}]"
    exact = ", ".join(history.extremes(n) for n in range(len(history.measurements)))
    picked = ", ".join(f"quantile_disc({quoted(m)}, {shares})" for m in history.measurements)
    whole = history.rows(f"select family, {exact} from {history.counts} group by family")
    sample = history.rows(f"select family, {picked} from {history.sampled()} group by family")
    quantiles = {row[0]: row[1:] for row in sample}
    found = {}
    for family, *numbers in whole:
        for n, measurement in enumerate(history.measurements):
            count, low, high, good_low, good_high = numbers[5 * n : 5 * n + 5]
            q = quantiles.get(family, (None,) * len(history.measurements))[n]
            if count:
                q = q or (low, high, low, high)
                found[family, measurement] = Profile(
                    measured=count,
                    low=low,
                    high=high,
                    spread=(q[1] - q[0]) / 2,
                    few_low=q[2],
                    few_high=q[3],
                    good_low=good_low,
                    good_high=good_high,
                )
    return found
