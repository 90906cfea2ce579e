"""What looking is worth before anybody has looked: expected values of a sample, by simulation.

A look has a worth only where it may change a decision. So the world is drawn from what is known
now, the look's result from that world, the decision made anew, and what it gains *in the drawn
world* is averaged. The mean has a Monte Carlo error, which belongs beside it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PRIOR = 0.5
"""Half an event more than counted: Jeffreys' prior of a Poisson mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """An expected worth, and the standard error of its simulation alone."""

    value: float
    error: float


def mean_of(draws: Floats) -> Value:
    """Return the mean of draws with its standard error.

    Parameters
    ----------
    draws : ndarray, shape (n,)
        n >= 2.

    Returns
    -------
    Value
    """
    return Value(value=float(draws.mean()), error=float(draws.std(ddof=1) / np.sqrt(draws.size)))


def value_of_audit(
    *,
    found: float,
    coverage: float,
    seen: float,
    money: float,
    rest: float,
    draws: int,
    seed: int,
) -> Value:
    """Return what auditing passed items is worth to the decision whether to call them.

    Parameters
    ----------
    found : float
        Known defects among the items in question, >= 0.
    coverage : float
        Share of such defects that was found without the audit, above 0, up to 1.
    seen : float
        Share of the items that the audit inspects, 0..1.
    money : float
        A month, of catching what is one defect over the history.
    rest : float
        A month, of calling these items apart from the defects caught: what review costs, less
        what the change saves elsewhere; negative where calling them costs.
    draws, seed : int

    Returns
    -------
    Value
        Money a month.

    Notes
    -----
    The number of defects over the history is Poisson; what was found is its thinned part, so its
    mean has a gamma posterior with half an event more than counted. The audit finds a further
    thinned part, independent given the mean. To call is right where ``rest + money × mean`` is
    above zero.

    References
    ----------
    .. [1] Raiffa and Schlaifer (1961), Applied Statistical Decision Theory, ch. 5.
    """
    rng = np.random.default_rng(seed)
    shape, rate = found + PRIOR, coverage
    truth = rng.gamma(shape, 1 / rate, draws)
    more = rng.poisson(truth * seen)
    after = (shape + more) / (rate + seen)
    gain = rest + money * truth
    before = gain if rest + money * shape / rate > 0 else np.zeros(draws)
    return mean_of(np.where(rest + money * after > 0, gain, 0.0) - before)
