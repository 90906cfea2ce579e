"""What looking is worth before anybody has looked: expected values of a sample, by simulation.

A look has a worth only where it may change a decision. So the world is drawn from what is known
now, the look's result from that world, the decision made anew, and what it gains *in the drawn
world* is averaged. The mean has a Monte Carlo error, which belongs beside it.

Shape letters: **w** draws, **y** readings, **r** candidate settings, **d** labelled defects.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc
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


SLICES, HELD_BY = 30, 1.0
"""Slices of readings that their density is fitted to, and how much a normal process weighs in that fit."""

WIDEST_TRUTH = 2.0
"""Beyond this many of the gauge's own variances nothing that a reading says of the truth is believed."""


def density_slope(
    readings: Floats, items: Floats, *, low: float, high: float, middle: float, spread: float
) -> tuple[float, float]:
    """Return how the logarithm of the readings' density slopes between two values.

    Parameters
    ----------
    readings, items : ndarray, shape (y,)
        Those between the two values, and how many items each stands for.
    low, high : float
    middle, spread : float
        Of all readings.

    Returns
    -------
    at, per : float
        The slope at a reading y is ``at + per * y``; of a normal process ``middle / spread²`` and
        ``-1 / spread²``, which is what few readings leave it at.

    Notes
    -----
    A Poisson regression of counts in slices on a parabola (Lindsey's method [1]_), drawn towards the
    normal process by a ridge. Solved by Newton's steps; it is convex.

    References
    ----------
    .. [1] Efron (2010), Large-Scale Inference, ch. 5.
    """
    normal = middle / spread**2, -1 / spread**2
    if not readings.size or high <= low:
        return normal
    half, centre = (high - low) / 2, (high + low) / 2
    weight = items / items.mean()
    count = np.histogram(readings, SLICES, (low, high), weights=weight)[0].astype(np.float64)
    u = (np.arange(SLICES) + 0.5) * 2 / SLICES - 1
    table = np.stack([np.ones(SLICES), u, u**2], axis=1)
    start = np.array(
        [0.0, (normal[0] + normal[1] * centre) * half, normal[1] * half**2 / 2], dtype=np.float64
    )
    ridge = np.array([0.0, HELD_BY, HELD_BY])
    found = start.copy()
    found[0] = np.log(count.sum() / np.exp(table @ start).sum())
    for _ in range(100):
        mean = np.exp(table @ found)
        uphill = table.T @ (count - mean) - ridge * (found - start)
        step = np.linalg.solve((table.T * mean) @ table + np.diag(ridge), uphill)
        found = found + step / max(1.0, float(np.abs(step).max()))
        if np.abs(step).max() < 1e-9:
            break
    per = 2 * found[2] / half**2
    return float(found[1] / half - per * centre), float(per)


@dataclass(frozen=True, kw_only=True, eq=False)
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

    @cached_property
    def slope(self) -> tuple[float, float]:
        """Of the logarithm of the readings' density between limit and where it would be set."""
        near = (self.readings >= self.live) & (self.readings <= self.wanted)
        return density_slope(
            self.readings[near],
            self.items[near],
            low=self.live,
            high=self.wanted,
            middle=self.middle,
            spread=self.spread,
        )

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
        An item that reads y truly lies about ``y + σ² s(y)`` with the variance ``σ² (1 + σ² s'(y))``, where
        s is the slope of the logarithm of the readings' density (Tweedie's formula [2]_; `density_slope`). Of a
        normal process whose readings spread by T that is ``middle + k (y - middle)`` and ``k σ²`` with
        ``k = 1 - σ²/T²``, as JCGM 106 [1]_ has it; where tails are heavy, fewer items that read beyond
        the bound lie within.

        References
        ----------
        .. [1] JCGM 106 (2012), The role of measurement uncertainty in conformity assessment, 6-7.
        .. [2] Efron (2011), Tweedie's formula and selection bias, J. Am. Stat. Assoc. 106, 1602-1614.
        """
        noise = min(WIDEST * self.spread, repeatability) ** 2
        at, per = self.slope
        true = self.readings + noise * (at + per * self.readings)
        share = float(np.clip(1 + noise * per, 1 - WIDEST**2, WIDEST_TRUTH))
        deviation = max((noise * share) ** 0.5, 1e-12)
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


SURENESS = 2.0
"""Shape of the gamma law of labels that chance puts beyond a limit: how far goods foretell them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Untested:
    """A limit that may not be loosened because no labelled defect has ever lain beyond it.

    Attributes
    ----------
    expected : float
        Labels that were to be expected beyond it over the history, though none was: as large a share of
        all labels as of the goods, for a defect measures like a good where it is none, and
        goods beyond it that reviewers misread.
    gain : float
        What loosening it would save in review, money a month.
    cost : float
        Of the defects that are expected beyond it before any is seen, money a month.
    """

    expected: float
    gain: float
    cost: float

    def chance(self, spans: float) -> float:
        """Return the chance that a label lies beyond it in so many spans more.

        What is expected has a gamma law of shape `SURENESS` beforehand, and a history without any after it.
        """
        if self.expected <= 0:
            return 0.0
        rate = SURENESS / self.expected + 1
        return float(1 - (rate / (rate + spans)) ** SURENESS)

    def saved(self, spans: float) -> float:
        """Return what may be saved once one lies there and so many spans more have shown no kind of its own."""
        return max(0.0, self.gain - self.cost / (1 + spans))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a change that was found stands now.

    Attributes
    ----------
    advised : bool
    sure, escapes : float
        What it saves apart from escapes added, and what these are expected to cost, money a month.
    event : float
        What one escape more over the history costs, money a month, > 0.
    asked, allowed : float
        The saving a month and the largest chance of loss that advice asks for.
    """

    advised: bool
    sure: float
    escapes: float
    event: float
    asked: float
    allowed: float

    def is_advised(self, events: float, spans: float, more: float) -> bool:
        """Return whether it is advised after so many spans more.

        Parameters
        ----------
        events : float
            Shape of the gamma law of its escapes: those expected now and those seen since.
        spans : float
        more : float
            What it then saves beyond what it saves now, escapes apart, money a month.
        """
        saved, event = self.sure + more, self.event / (1 + spans)
        if saved - events * event <= max(self.asked, 0.0):
            return False
        return not events or float(gammaincc(events, saved / event)) <= self.allowed


def value_of_gathering(
    of: Candidates,
    standing: Standing,
    untested: list[Untested],
    *,
    more: float,
    draws: int,
    seed: int,
) -> tuple[Floats, float]:
    """Return what so many further labelled defects are worth to a family's limits.

    Parameters
    ----------
    of : Candidates
    standing : Standing
        Of the candidate that is chosen now.
    untested : list of Untested
    more : float
        Labelled defects to come, > 0.
    draws, seed : int

    Returns
    -------
    worth : ndarray, shape (w,)
        Money a month in each drawn world: what is then done less what is done now. A world
        in which the labels to come mislead is among them, with less than nothing.
    changes : float
        Share of the draws in which the advice becomes another: from keeping to changing, or back.

    Notes
    -----
    Labels change three things. *Limits that none has tested may move*: one label beyond is enough.
    *The advice*: escapes added have a gamma posterior with the mean that is promised, those to come are
    Poisson, and the rule of advice is applied to what is then expected. *The choice among candidates*:
    each labelled defect stands for its own kind, which comes at a rate with a gamma posterior of shape
    1 (a Bayesian bootstrap of the labels [1]_); labels to come are Poisson given the rates, and rates are
    then known with as many events more. Kinds that no label has shown yet are in no draw.

    References
    ----------
    .. [1] Rubin (1981), The Bayesian bootstrap, Annals of Statistics 9, 130-134.
    """
    rng = np.random.default_rng(seed)
    labels = of.escape.shape[1]
    now = of.chosen(np.ones(labels))
    spans = more / labels
    pulled = (labels / (labels + more)) ** 0.5
    shape = standing.escapes / standing.event
    worth, changes = np.zeros(draws), 0
    for n in range(draws):
        rate = np.asarray(rng.standard_gamma(1.0, labels))
        seen = np.asarray((1 + rng.poisson(rate * spans)) / (1 + spans))
        then = of.chosen(seen, pulled)
        escaped = rng.standard_gamma(shape) if shape > 0 else 0.0
        events = shape + rng.poisson(escaped * spans)
        opened = sum(x.saved(spans) for x in untested if rng.random() < x.chance(spans))
        if then:
            saved = standing.sure - escaped * standing.event
            expected = opened + _better(of, now, then, seen)
            true = opened + _better(of, now, then, rate)
            advised = standing.is_advised(events, spans, expected)
        else:  # nothing found would stand, and the limits opened move alone
            saved, true = -_better(of, now, 0, rate), opened + _better(of, now, 0, rate)
            advised = opened > standing.asked
        worth[n] = advised * (saved + true) - standing.advised * saved
        changes += advised != standing.advised
    return worth, changes / draws


def _better(of: Candidates, now: int, then: int, weight: Floats) -> float:
    """Return what one candidate saves in the other's place, money a month."""
    cost = of.review[[now, then]] + of.escape[[now, then]] @ weight
    return float(cost[0] - cost[1])
