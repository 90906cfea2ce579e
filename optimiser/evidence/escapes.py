"""What a handful of escapes lets expect: a count, and what such changes bring anyway.

Settings are chosen at the plant's prices, so how many defects one of them releases goes with what
it saves: a change whose review is worth one escape releases some 0.4 in the long run, one
worth thirty-two some 3, fewer where nearly every false call goes (the next escape would have bought hardly
any more) and where the saving is spread over many limits, most of which no defect comes near. Plants differ
in it, and a plant's other families say how (DEVELOPERS.md, "Does it keep its promises"). A count of none or
two among some twenty labels says less than that. With the count the expectation is put right, the faster
the more there is to count.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, log_softmax, logsumexp, softmax, xlogy
from scipy.stats import norm

Floats = NDArray[np.float64]

# Escapes beforehand of a change whose review is worth one escape, on the plant in the middle, and the
# power with which they grow; the powers of the share of false calls that stays and of the number of limits;
# how far families (shape of a gamma law) and plants (deviation of a log-normal one) differ.
ADDED, ADDED_POWER, ADDED_LEFT, ADDED_LIMITS = 0.37, 0.63, 0.35, -0.38
ADDED_SHAPE, ADDED_APART = 1.8, 0.6
USUAL_LIMITS = 8
LEAST_LEFT = 0.01
# The same of escapes caught, by what is newly called for them: that is how little, or much, some live
# limits leave to be caught.
CAUGHT, CAUGHT_POWER, CAUGHT_SHAPE, CAUGHT_APART = 1.0, 2 / 3, 2.0, 1.5
LEAST_WORTH = 0.05
# A setting that may release no known defect releases as few others as if its review were worth a quarter.
OBEYED = 0.25
# Plants, in deviations from the one in the middle, and how likely each is beforehand.
_NODES = np.linspace(-6.0, 6.0, 97)[:, None]
_BEFOREHAND = log_softmax(norm.logpdf(_NODES))
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Released:
    """What settings of one family released of the labels of lots that they had not seen.

    Attributes
    ----------
    escaped : int
        Labels that escape; goods that were misread are among them.
    misread : float
        How many of these goods are expected, >= 0.
    beforehand : float
        Real ones that were expected before any was counted (`added_beforehand`), on the plant in the middle.
    """

    escaped: int
    misread: float
    beforehand: float


def added_beforehand(worth: float, *, of: float, left: float, limits: int) -> float:
    """Return how many known defects a change is expected to release before any is counted.

    Parameters
    ----------
    worth : float
        Review that the change saves, in escapes that cost as much.
    of : float
        Known defects that the live recipe calls.
    left : float
        Share of the live recipe's false calls that the change leaves, 0..1.
    limits : int
        Limits that the family has, >= 1.

    Returns
    -------
    float
        On the plant in the middle. At most half of the known defects; what is worth next to nothing
        counts as `LEAST_WORTH`, what leaves next to nothing as `LEAST_LEFT`.

    Examples
    --------
    >>> round(added_beforehand(1.0, of=60, left=0.5, limits=8), 2)
    0.29
    >>> round(added_beforehand(32.0, of=60, left=0.5, limits=8), 2)
    2.5
    >>> round(added_beforehand(32.0, of=60, left=0.1, limits=40), 2)
    0.8
    """
    usual = (
        ADDED
        * math.pow(max(worth, LEAST_WORTH), ADDED_POWER)
        * math.pow(min(max(left, LEAST_LEFT), 1.0), ADDED_LEFT)
        * math.pow(limits / USUAL_LIMITS, ADDED_LIMITS)
    )
    return min(usual, of / 2)


def added_after(
    escaped: float, misread: float, *, beforehand: float, elsewhere: tuple[Released, ...] = ()
) -> Expected:
    """Return how many real defects are expected to be released after some labels escaped.

    Parameters
    ----------
    escaped : float
        Labels that escape when held out; goods that were misread are among them.
    misread : float
        How many of these goods are expected, >= 0.
    beforehand : float
        Real ones that were expected before (`added_beforehand`).
    elsewhere : tuple of Released
        What was counted in the plant's other families.

    Returns
    -------
    Expected
        Nothing where nothing was expected.

    Notes
    -----
    The count is Poisson with mean ``r + misread``. Beforehand ``r``, the real ones, is gamma distributed
    around a mean that differs from plant to plant as a log-normal variable does (on a grid over it, after
    what was counted elsewhere: empirical Bayes with a prior). Afterwards it is a mixture over plants and over
    how many of the labels that escaped are real, each part a gamma distribution again; these are its mean
    and variance.

    Examples
    --------
    >>> [round(added_after(n, 0.0, beforehand=1.0).mean, 2) for n in (0, 1, 4, 40)]
    [0.58, 1.02, 2.72, 34.13]
    >>> round(added_after(4, 3.0, beforehand=1.0).mean, 2)
    1.0
    >>> many = (Released(escaped=6, misread=0.0, beforehand=1.0),) * 5
    >>> round(added_after(1, 0.0, beforehand=1.0, elsewhere=many).mean, 2)
    1.84
    """
    if beforehand <= 0:
        return Expected(mean=0.0, variance=0.0)
    below, plants = math.floor(escaped), plants_after(elsewhere)
    fewer, more = (_moments(*_real(n, misread, beforehand, plants)) for n in (below, below + 1))
    return _expected(fewer + (escaped - below) * (more - fewer))


@lru_cache(maxsize=1024)
def plants_after(families: tuple[Released, ...]) -> Floats:
    """Return how likely each kind of plant is after what was counted in some of its families.

    Parameters
    ----------
    families : tuple of Released

    Returns
    -------
    ndarray, shape (97, 1)
        Logarithms, of plants from six deviations below the one in the middle to six above it.

    Notes
    -----
    The likelihood of each count is the sum over how many of the labels are real of a negative binomial
    times a Poisson chance, the law of `added_after` with the family's own mean integrated out.
    """
    found = _BEFOREHAND
    for family in families:
        if family.beforehand > 0:
            found = found + logsumexp(
                _log_ways(family.escaped, family.misread, family.beforehand)[0],
                axis=1,
                keepdims=True,
            )
    told = np.asarray(log_softmax(found), dtype=np.float64)
    told.flags.writeable = False  # the next who asks is given the same one
    return told


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
    [0.9, 3.59, 16.28]
    >>> round(caught_after(2.0, each=2.0, worth=1.0).mean, 2)
    1.74
    """
    if caught <= 0:
        return Expected(mean=0.0, variance=0.0)
    beforehand = CAUGHT * math.pow(max(worth, LEAST_WORTH), CAUGHT_POWER)
    own = CAUGHT_SHAPE / (beforehand * _CAUGHT_PLANTS)
    shape, rate = np.array([caught / each + CAUGHT_SHAPE]), own + 1 / each
    ways = softmax(_BEFOREHAND + CAUGHT_SHAPE * np.log(own) - shape * np.log(rate))
    return _expected(_moments(ways, shape, rate))


def _expected(moments: Floats) -> Expected:
    """Return mean and variance of the first two moments about zero."""
    first, second = moments
    return Expected(mean=float(first), variance=float(second - first**2))


def _moments(ways: Floats, shape: Floats, rate: Floats) -> Floats:
    """Return the first two moments about zero of a mixture of gamma laws, shape (2,)."""
    return np.array([(ways * shape / rate).sum(), (ways * shape * (shape + 1) / rate**2).sum()])


def _real(
    escaped: int, misread: float, beforehand: float, plants: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the chance of each plant and that 0, 1, ... labels are real, shape (97, escaped + 1).

    Beside it shape and rate of the gamma laws after the count, shapes (escaped + 1,) and (97, 1).
    """
    ways, shape, rate = _log_ways(escaped, misread, beforehand)
    return np.asarray(softmax(plants + ways), dtype=np.float64), shape, rate


def _log_ways(escaped: int, misread: float, beforehand: float) -> tuple[Floats, Floats, Floats]:
    """Return, plant by plant, the logarithm of the chance of a count and of 0, 1, ... real ones in it.

    But for a factor of all, shape (97, escaped + 1); shape and rate as `_real` returns them.
    """
    real = np.arange(escaped + 1, dtype=np.float64)
    own = ADDED_SHAPE / (beforehand * _ADDED_PLANTS)
    shape: Floats = real + ADDED_SHAPE
    rate = own + 1
    of_count = xlogy(escaped - real, misread) - gammaln(real + 1) - gammaln(escaped - real + 1)
    of_plant = ADDED_SHAPE * np.log(own) - shape * np.log(rate)
    return np.asarray(of_count + gammaln(shape) + of_plant, dtype=np.float64), shape, rate
