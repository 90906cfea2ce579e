"""Few defects: what the other families say about one of them.

Shares pulled towards what families have in common serve to rank families, to choose which
ones to audit, and as the point shown where a family has few defects. They are **never a
guarantee**: over families a 95 % interval holds on average, but it fails for half and more of
the very families that are worst. What is called proven comes from `certificate`, or from
`pooled`, which speaks of all families together.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import betaln, expit, logit
from scipy.stats import beta

from optimiser.errors import UsageError

SMALL = 20
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """How shares vary over families: Beta(a, b).

    Attributes
    ----------
    a, b : float
        Of the beta distribution.
    families : int
        From how many with at least one trial it was fitted.
    """

    a: float
    b: float
    families: int

    @property
    def mean(self) -> float:
        """Mean share over families."""
        return self.a / (self.a + self.b)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shrunk:
    """Shares of families, each pulled towards all; for ranking only.

    Attributes
    ----------
    mean : ndarray, shape (f,)
        Posterior mean share.
    low, high : ndarrays, shape (f,)
        Posterior interval; no guarantee.
    weight : ndarray, shape (f,)
        Share 0..1 of a family's own rate in its mean.
    level : float
    """

    mean: Floats
    low: Floats
    high: Floats
    weight: Floats
    level: float


def fit_prior(events: Floats, trials: Floats) -> Prior:
    """Return the beta distribution of shares over families that makes the counts likeliest.

    Parameters
    ----------
    events, trials : ndarrays, shape (f,)
        Escapes and defects (or any events and trials) per family.

    Returns
    -------
    Prior

    Raises
    ------
    UsageError
        If no family has a trial, or a count is out of range.

    Notes
    -----
    Maximum marginal likelihood of the beta-binomial. Families all alike put the maximum at
    infinity, so the prior may weigh no more than all trials there are, and no less than one;
    its mean keeps half an event's distance from 0 and 1. Without any event, or with nothing
    else, nothing is known of how families differ: they count as alike, at that distance.

    References
    ----------
    .. [1] Tarone (1982), The use of historical control information in testing for a trend in
       proportions, Biometrics 38.

    Examples
    --------
    >>> prior = fit_prior(np.array([0, 0, 1, 2, 5.0]), np.array([20, 19, 20, 20, 18.0]))
    >>> round(prior.mean, 2)
    0.08
    """
    _check_counts(events, trials)
    held = trials > 0
    y, n = events[held], trials[held]
    total = float(n.sum())
    if not total:
        raise UsageError(
            "at least one family must have a trial, but none has: nothing to learn from"
        )
    middle = float((y.sum() + 0.5) / (total + 1))
    if y.sum() in (0, total):
        return Prior(a=middle * total, b=(1 - middle) * total, families=len(y))

    ways = -np.log(n + 1) - betaln(n - y + 1, y + 1)  # of choosing y of n

    def loss(at: Floats) -> float:
        # scipy.stats.betabinom.logpmf, without its checks of every call: a search makes thousands.
        mean, size = expit(at[0]), np.exp(at[1])
        a, b = mean * size, (1 - mean) * size
        return -float(np.sum(ways + betaln(y + a, n - y + b) - betaln(a, b)))

    least = logit(0.5 / (total + 1))
    bounds = [(least, -least), (0.0, np.log(max(total, 2.0)))]
    found = minimize(
        loss,
        [logit(middle), np.log(min(10.0, max(total, 2.0)))],
        method="Nelder-Mead",
        bounds=bounds,
        options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 2000},
    )
    mean, size = float(expit(found.x[0])), float(np.exp(found.x[1]))
    return Prior(a=mean * size, b=(1 - mean) * size, families=len(y))


def shrink(events: Floats, trials: Floats, prior: Prior, *, level: float = 0.90) -> Shrunk:
    """Return every family's share, pulled towards the prior; for ranking, not for proof.

    Parameters
    ----------
    events, trials : ndarrays, shape (f,)
    prior : Prior
    level : float
        Of the posterior intervals, two-sided.

    Returns
    -------
    Shrunk

    Raises
    ------
    UsageError
        If a count is out of range.

    Notes
    -----
    Posterior ``Beta(a + y, b + n - y)``; the prior's own uncertainty is left out.

    Examples
    --------
    >>> prior = Prior(a=1.4, b=8.6, families=70)
    >>> shrink(np.array([4.0]), np.array([14.0]), prior).mean
    array([0.225])
    """
    _check_counts(events, trials)
    a, b = prior.a + events, prior.b + trials - events
    tail = (1 - level) / 2
    return Shrunk(
        mean=a / (a + b),
        low=np.asarray(beta.ppf(tail, a, b)),
        high=np.asarray(beta.ppf(1 - tail, a, b)),
        weight=trials / (trials + prior.a + prior.b),
        level=level,
    )


def point_shown(events: Floats, trials: Floats, prior: Prior, *, small: int = SMALL) -> Floats:
    """Return the share to show for each family: its own, or shrunk where it has few trials.

    Parameters
    ----------
    events, trials : ndarrays, shape (f,)
    prior : Prior
    small : int
        Fewer trials than this are few.

    Returns
    -------
    ndarray, shape (f,)
    """
    own = events / np.maximum(trials, 1)
    return np.where(trials < small, shrink(events, trials, prior).mean, own)


def _check_counts(events: Floats, trials: Floats) -> None:
    if events.shape != trials.shape:
        raise UsageError(
            "events and trials need one value per family each, but they have "
            f"{len(events)} and {len(trials)}"
        )
    wrong = np.flatnonzero((events < 0) | (events > trials))
    if wrong.size:
        row = int(wrong[0])
        raise UsageError(
            f"events must lie between 0 and the trials, but row {row} has {events[row]:g} of "
            f"{trials[row]:g}"
        )
