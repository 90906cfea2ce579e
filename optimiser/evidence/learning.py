"""What looking is worth before anybody has looked: expected values of a sample, by simulation.

A look has a worth only where it may change a decision. So the world is drawn from what is known
now, the look's result from that world, the decision made anew, and what it gains *in the drawn
world* is averaged. The mean has a Monte Carlo error, which belongs beside it.

Shape letters: **w** draws, **y** readings, **r** candidate settings, **d** labelled defects.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

Floats = NDArray[np.float64]
WIDEST = 0.95
"""A gauge that repeats worse than this share of all that readings spread is not believed."""

BELIEVED = 0.5
"""Of what readings spread a gauge that anybody sets limits by repeats to this share at most (the AIAG manual
refuses one above 30 %); a stated repeatability above it is believed as far as it says."""


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
        Share of the items without a verdict that the audit inspects, 0..1.
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
    mean has a gamma posterior whose own mean is what was found over the chance to find it (prior
    1/λ; Jeffreys' half an event more stands for half a defect over the coverage in every family,
    and promised 180 where there were 70). Where nothing was found nothing is known, and an audit
    is worth nothing that could be told. The audit finds a further
    thinned part, of those that were not found, independent given the mean. To call is right where
    ``rest + money × mean`` is above zero.

    References
    ----------
    .. [1] Raiffa and Schlaifer (1961), Applied Statistical Decision Theory, ch. 5.
    """
    if not found:
        return Value(value=0.0, error=0.0)
    rng = np.random.default_rng(seed)
    shape, rate = found, coverage
    truth = rng.gamma(shape, 1 / rate, draws)
    hidden = (1 - coverage) * seen
    more = rng.poisson(truth * hidden)
    after = (shape + more) / (rate + hidden)
    gain = rest + money * truth
    before = gain if rest + money * shape / rate > 0 else np.zeros(draws)
    return mean_of(np.where(rest + money * after > 0, gain, 0.0) - before)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guarded:
    """A limit that guards a workmanship bound, in a coordinate in which larger is looser.

    Attributes
    ----------
    readings : ndarray, shape (y,)
        Of items that no other limit calls and that are no known defect; those further from the
        bound than matters may be left out.
    items : ndarray, shape (y,)
        How many items each reading stands for.
    middle, spread : float
        Of all readings of the family, gauge included.
    bound, live : float
    wanted : float
        How loose the limit would be set if no guard band held it.
    step : float
        Limits are multiples of it; 0 sets any value.
    guard : float
        Repeatabilities that are kept from the bound.
    call, escape : float
        Money a month of calling one good item of the history, and of passing one beyond the bound.
    """

    readings: Floats
    items: Floats
    middle: float
    spread: float
    bound: float
    live: float
    wanted: float
    step: float
    guard: float
    call: float
    escape: float

    def limit(self, repeatability: float) -> float:
        """Return where the limit is set when the gauge is taken to repeat so well.

        Parameters
        ----------
        repeatability : float

        Returns
        -------
        float
            Never looser than the bound less the guard band, nor moved by it from where it is live.
        """
        edge = self.bound - self.guard * repeatability
        if self.step:
            edge = float(np.floor(edge / self.step + 1e-9)) * self.step
        return min(self.wanted, max(edge, self.live))

    def cost(self, limit: float, repeatability: float) -> float:
        """Return what a limit costs when the gauge truly repeats so well, money a month.

        Parameters
        ----------
        limit, repeatability : float

        Returns
        -------
        float
            Goods called and items passed that lie beyond the bound.

        Notes
        -----
        Of a normal process whose readings spread by T, an item that reads y truly lies about
        ``middle + k (y - middle)`` with the deviation ``σ √k``, where ``k = 1 - σ²/T²``.

        References
        ----------
        .. [1] JCGM 106 (2012), The role of measurement uncertainty in conformity assessment, 6-7.
        """
        share = 1 - min(WIDEST, repeatability / self.spread) ** 2
        true = self.middle + share * (self.readings - self.middle)
        deviation = max(repeatability * share**0.5, 1e-12)
        beyond = norm.sf((self.bound - true) / deviation)
        each = np.where(self.readings > limit, self.call * (1 - beyond), self.escape * beyond)
        return float(each @ self.items)


def value_of_study(
    limits: list[Guarded],
    *,
    stated: float,
    freedom: float,
    assumed: float,
    more: float,
    draws: int,
    seed: int,
) -> Floats:
    """Return what measuring parts repeatedly is worth to the guard bands that rest on it.

    Parameters
    ----------
    limits : list of Guarded
        All of one measurement.
    stated : float
        Repeatability that the guard bands rest on now; 0 where none is stated.
    freedom : float
        Degrees of freedom of what is known of it, > 0.
    assumed : float
        What is known of it, > 0: the stated one where there is one.
    more : float
        Degrees of freedom of the study: parts × (readings of each - 1), >= 1.
    draws, seed : int

    Returns
    -------
    ndarray, shape (w,)
        Money a month in each drawn world: what the limits cost as they stand less what they cost
        with guard bands of what the study finds. Its mean may lie below zero, where the study
        is too small to say more than is known.

    Notes
    -----
    The variance of re-measuring is drawn from its scaled inverse χ² posterior, cut off at `BELIEVED` of
    what readings spread: few degrees of freedom allow far worse, and draws of gauges that repeat no better
    than their readings outweighed all others. The study's is drawn from χ² given that. What the study
    finds replaces what is stated, as `optimiser gauge` writes it.
    """
    rng = np.random.default_rng(seed)
    most = max(BELIEVED * min(of.spread for of in limits), assumed)
    least = float(chi2.cdf(freedom * (assumed / most) ** 2, freedom))
    true = assumed * np.sqrt(freedom / chi2.ppf(least + (1 - least) * rng.random(draws), freedom))
    found = true * np.sqrt(rng.chisquare(more, draws) / more)
    worth = np.zeros(draws)
    for of in limits:
        now = of.limit(stated)
        after = [of.limit(float(x)) for x in found]
        for n in np.flatnonzero(np.array(after) != now):
            sigma = float(true[n])
            worth[n] += of.cost(now, sigma) - of.cost(after[n], sigma)
    return worth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """What the search of a family chooses from, on lots that no fit has seen; row 0 stays as it is.

    Attributes
    ----------
    review : ndarray, shape (r,)
        Of false calls, money a month.
    escape : ndarray, shape (r, d)
        Of each labelled defect that escapes, money a month, its weight included.
    pull : ndarray, shape (r,)
        Share of the least pulled row's cost that each has to gain; inf is never chosen.
    """

    review: Floats
    escape: Floats
    pull: Floats

    def chosen(self, weight: Floats, pulled: float = 1.0) -> int:
        """Return the row that is chosen when each label weighs so much.

        Parameters
        ----------
        weight : ndarray, shape (d,)
        pulled : float
            Factor of the pull: the more labels, the less.

        Returns
        -------
        int
            0 where what would be chosen saves nothing.
        """
        total = self.review + self.escape @ weight
        allowed = np.isfinite(self.pull)
        base = float(total[self.pull == self.pull.min()].min())
        pull = np.where(allowed, self.pull, 0.0) * pulled
        best = int(np.argmin(np.where(allowed, total + pull * base, np.inf)))
        return best if total[best] < total[0] else 0


def value_of_defects(of: Candidates, *, more: float, draws: int, seed: int) -> tuple[Floats, float]:
    """Return what so many further labelled defects are worth to the choice among candidates.

    Parameters
    ----------
    of : Candidates
    more : float
        Labelled defects to come, > 0.
    draws, seed : int

    Returns
    -------
    worth : ndarray, shape (w,)
        Money a month in each drawn world: what is chosen now less what is chosen then. A world
        in which the labels to come mislead is among them, with less than nothing.
    changes : float
        Share of the draws in which the advice becomes another: from keeping to changing, or back.

    Notes
    -----
    Each labelled defect stands for its own kind, which comes at a rate with a gamma posterior of
    shape 1 (a Bayesian bootstrap of the labels); labels to come are Poisson given the rates, and
    rates are then known with as many events more. Kinds that no label has shown yet are in no
    draw, so the worth is rather too small where there are few labels.

    References
    ----------
    .. [1] Rubin (1981), The Bayesian bootstrap, Annals of Statistics 9, 130-134.
    """
    rng = np.random.default_rng(seed)
    labels = of.escape.shape[1]
    now = of.chosen(np.ones(labels))
    spans = more / labels
    pulled = (labels / (labels + more)) ** 0.5
    worth, changes = np.zeros(draws), 0
    for n in range(draws):
        rate = rng.standard_gamma(1.0, labels)
        seen = (1 + rng.poisson(rate * spans)) / (1 + spans)
        then = of.chosen(seen, pulled)
        total = of.review + of.escape @ rate
        worth[n] = total[now] - total[then]
        changes += (now == 0) != (then == 0)
    return worth, changes / draws
