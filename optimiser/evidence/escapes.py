"""What a handful of escapes lets expect: a count, and what such changes bring anyway.

Settings are chosen at the plant's prices, so how many defects one of them releases goes with what
it saves: a change whose review is worth one escape releases some 0.4 in the long run, one
worth thirty-two some 3, on plants of every kind on which that was looked at (DEVELOPERS.md, "Does it
keep its promises"). A count of none or two among some twenty labels says less than that. With the
count the expectation is put right, the faster the more there is to count.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import gammaln, softmax, xlogy

Floats = NDArray[np.float64]

# Escapes beforehand of a change whose review is worth one escape, on the plant in the middle, and the
# power with which they grow; how far families (shape of a gamma law) and plants (deviation of a log-normal one) differ.
ADDED, ADDED_POWER, ADDED_SHAPE, ADDED_APART = 0.35, 0.6, 1.9, 0.6
# The same of escapes caught, by what is newly called for them: that is how little, or much, some live
# limits leave to be caught.
CAUGHT, CAUGHT_POWER, CAUGHT_SHAPE, CAUGHT_APART = 1.0, 2 / 3, 2.0, 1.5
LEAST_WORTH = 0.05
# A setting that may release no known defect releases as few others as if its review were worth a quarter.
OBEYED = 0.25
_NODES, _WEIGHTS = (of[:, None] for of in hermegauss(21))
_ADDED_PLANTS, _CAUGHT_PLANTS = (np.exp(apart * _NODES) for apart in (ADDED_APART, CAUGHT_APART))


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """A number of defects as far as it is known, by mean and variance."""

    mean: float
    variance: float

    @property
    def shape(self) -> float:
        """Of the gamma law with this mean and variance; 0 where it is nothing for certain."""
        if self.variance <= 0:
            return 0.0
        return self.mean**2 / self.variance


def added_beforehand(worth: float, *, of: float) -> float:
    """Return how many known defects a change is expected to release before any is counted.

    Parameters
    ----------
    worth : float
        Review that the change saves, in escapes that cost as much.
    of : float
        Known defects that the live recipe calls.

    Returns
    -------
    float
        On the plant in the middle. At most half of them; what is worth next to nothing counts as
        `LEAST_WORTH`.

    Examples
    --------
    >>> round(added_beforehand(1.0, of=60), 2), round(added_beforehand(32.0, of=60), 2)
    (0.35, 2.8)
    """
    return min(ADDED * math.pow(max(worth, LEAST_WORTH), ADDED_POWER), of / 2)


def added_after(escaped: float, misread: float, *, beforehand: float) -> Expected:
    """Return how many real defects are expected to be released after some labels escaped.

    Parameters
    ----------
    escaped : float
        Labels that escape when held out; goods that were misread are among them.
    misread : float
        How many of these goods are expected, >= 0.
    beforehand : float
        Real ones that were expected before (`added_beforehand`).

    Returns
    -------
    Expected
        Nothing where nothing was expected.

    Notes
    -----
    The count is Poisson with mean ``r + misread``. Beforehand ``r``, the real ones, is gamma distributed
    around a mean that differs from plant to plant as a log-normal variable does (twenty-one
    Gauss-Hermite nodes). Afterwards it is a mixture over the nodes and over how many of the labels that
    escaped are real, each part a gamma distribution again; these are its mean and variance.

    Examples
    --------
    >>> [round(added_after(n, 0.0, beforehand=1.0).mean, 2) for n in (0, 1, 4, 40)]
    [0.59, 1.02, 2.71, 34.05]
    >>> round(added_after(4, 3.0, beforehand=1.0).mean, 2)
    1.0
    """
    if beforehand <= 0:
        return Expected(mean=0.0, variance=0.0)
    below = math.floor(escaped)
    fewer, more = (_moments(*_real(n, misread, beforehand)) for n in (below, below + 1))
    return _expected(fewer + (escaped - below) * (more - fewer))


def real_among(escaped: int, misread: float, *, beforehand: float) -> float:
    """Return how many of some escaped labels are expected to be real.

    Parameters
    ----------
    escaped : int
        Labels that escape.
    misread : float
        How many misread goods are expected among them, >= 0.
    beforehand : float
        Real ones that were expected before (`added_beforehand`).

    Returns
    -------
    float
        0..escaped, by the law of `added_after`; all of them where nothing is misread.

    Examples
    --------
    >>> real_among(3, 0.0, beforehand=1.0), round(real_among(3, 1.0, beforehand=1.0), 2)
    (3.0, 1.48)
    """
    if beforehand <= 0 or misread <= 0:
        return float(escaped)
    ways, _, _ = _real(escaped, misread, beforehand)
    return float(ways.sum(axis=0) @ np.arange(escaped + 1))


def caught_after(caught: float, *, each: float, worth: float) -> Expected:
    """Return how many escapes a change is expected to catch after some were seen to be caught.

    Parameters
    ----------
    caught : float
        Escapes that passed labels caught stand for.
    each : float
        How many escapes one passed label stands for.
    worth : float
        Review of what is newly called, in escapes that cost as much.

    Returns
    -------
    Expected
        Nothing where none was seen.

    Notes
    -----
    By the law of `added_after`, with the constants of escapes caught: ``caught / each`` labels are a
    count of mean ``r / each``. One label that happens to lie beyond a limit that was tightened for no
    gain to speak of counts for little; a handful speak for themselves.

    Examples
    --------
    >>> [round(caught_after(n, each=2.0, worth=0.05).mean, 2) for n in (2.0, 6.0, 20.0)]
    [0.9, 3.59, 16.32]
    >>> round(caught_after(2.0, each=2.0, worth=1.0).mean, 2)
    1.74
    """
    if caught <= 0:
        return Expected(mean=0.0, variance=0.0)
    beforehand = CAUGHT * math.pow(max(worth, LEAST_WORTH), CAUGHT_POWER)
    own = CAUGHT_SHAPE / (beforehand * _CAUGHT_PLANTS)
    shape, rate = np.array([caught / each + CAUGHT_SHAPE]), own + 1 / each
    ways = softmax(_log_plants(own, CAUGHT_SHAPE, shape, rate))
    return _expected(_moments(ways, shape, rate))


def _expected(moments: Floats) -> Expected:
    """Return mean and variance of the first two moments about zero."""
    first, second = moments
    return Expected(mean=float(first), variance=float(second - first**2))


def _moments(ways: Floats, shape: Floats, rate: Floats) -> Floats:
    """Return the first two moments about zero of a mixture of gamma laws, shape (2,)."""
    return np.array([(ways * shape / rate).sum(), (ways * shape * (shape + 1) / rate**2).sum()])


def _log_plants(own: Floats, of: float, shape: Floats, rate: Floats) -> Floats:
    """Return the logarithm of each plant's weight after a count, but for a factor of all.

    ``own`` is the rate of its gamma law of shape ``of`` beforehand, shape (21, 1); ``shape`` and ``rate`` are
    those after the count.
    """
    return np.asarray(np.log(_WEIGHTS) + of * np.log(own) - shape * np.log(rate), dtype=np.float64)


def _real(escaped: int, misread: float, beforehand: float) -> tuple[Floats, Floats, Floats]:
    """Return the chance of each plant and that 0, 1, ... all are real, shape (21, escaped + 1).

    Beside it shape and rate of the gamma laws after the count, shapes (escaped + 1,) and (21, 1).
    """
    real = np.arange(escaped + 1, dtype=np.float64)
    own = ADDED_SHAPE / (beforehand * _ADDED_PLANTS)
    shape: Floats = real + ADDED_SHAPE
    rate = own + 1
    of_count = xlogy(escaped - real, misread) - gammaln(real + 1) - gammaln(escaped - real + 1)
    ways = softmax(of_count + gammaln(shape) + _log_plants(own, ADDED_SHAPE, shape, rate))
    return np.asarray(ways, dtype=np.float64), shape, rate
