"""Defects that two channels both missed: inspection and test as capture and recapture.

Where test sees the boards that inspection sees, the share of test's defects that inspection
found too says how many neither found. It is a lower bound at best: what is hard to see for
one is hard for the other, and the more alike they are, the fewer misses show. With a test
that sees only what inspection passed, no defect is found by both and nothing follows.
"""

import math
from dataclasses import asdict, dataclass
from typing import Any

from scipy.stats import norm

from optimiser.errors import UsageError
from optimiser.evidence.intervals import Interval

LEVEL = 0.95
CAUTION = (
    "A lower bound, never a proof: defects that are hard to see for one channel are hard for "
    "the other, which hides misses of both."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """Defects of one type that inspection found, that test found, and that both found."""

    defect: str
    inspection: int
    test: int
    both: int

    @property
    def seen(self) -> int:
        """Defects that at least one channel found."""
        return self.inspection + self.test - self.both


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoChannels:
    """How many defects there are at least, by what two channels found.

    Attributes
    ----------
    channels : Channels
    level : float
    plain : float
        Lincoln and Petersen: ``M n / m``.
    defects : Interval
        Chapman's estimate, with Sadinle's transformed logit interval.
    error : float
        Standard error of Chapman's estimate.
    unseen : Interval
        ``defects`` less those seen: a lower bound on what both channels missed.
    """

    channels: Channels
    level: float
    plain: float
    defects: Interval
    error: float
    unseen: Interval

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return {**asdict(self), "seen": self.channels.seen, "caution": CAUTION}


def two_channels(channels: Channels, *, level: float = LEVEL) -> TwoChannels:
    """Return how many defects there are at least, by what two channels found.

    Parameters
    ----------
    channels : Channels
        With at least one defect that both found.
    level : float
        Two-sided, of the interval; it takes the channels as independent.

    Returns
    -------
    TwoChannels

    Raises
    ------
    UsageError
        If the counts contradict each other, or no defect was found by both.

    References
    ----------
    .. [1] Chapman (1951), Some properties of the hypergeometric distribution with
       applications to zoological sample censuses.
    .. [2] Sadinle (2009), Transformed logit confidence intervals for small populations in
       single capture-recapture estimation, Communications in Statistics 38.

    Examples
    --------
    >>> found = two_channels(Channels(defect="bridge", inspection=10, test=15, both=5))
    >>> round(found.defects.value, 2), round(found.defects.low, 2), round(found.defects.high, 2)
    (28.33, 21.94, 64.67)
    """
    first, second, both = channels.inspection, channels.test, channels.both
    if not 0 <= both <= min(first, second):
        msg = f"0 <= both <= inspection, test must hold, got {first}, {second}, both {both}"
        raise UsageError(msg)
    if not both:
        msg = (
            f"{channels.defect}: no defect was found by both channels, so what both missed is "
            "unknown; a test that sees only what inspection passed can never tell"
        )
        raise UsageError(msg)
    chapman = (first + 1) * (second + 1) / (both + 1) - 1
    only = (first - both, second - both)
    variance = (first + 1) * (second + 1) * only[0] * only[1] / ((both + 1) ** 2 * (both + 2))
    low, high = _logit_interval(channels, level)
    seen = channels.seen
    return TwoChannels(
        channels=channels,
        level=level,
        plain=first * second / both,
        defects=Interval(value=chapman, low=low, high=high),
        error=math.sqrt(variance),
        unseen=Interval(value=chapman - seen, low=max(0.0, low - seen), high=high - seen),
    )


def _logit_interval(channels: Channels, level: float) -> tuple[float, float]:
    a = channels.both + 0.5
    b, c = channels.inspection - channels.both + 0.5, channels.test - channels.both + 0.5
    reach = float(norm.ppf((1 + level) / 2)) * math.sqrt(1 / a + 1 / b + 1 / c + a / (b * c))
    odds, seen = b * c / a, channels.seen - 0.5
    return seen + odds * math.exp(-reach), seen + odds * math.exp(reach)
