"""Every stated probability against simulation, with lots correlated.

A claim fails only when it is wrong more often than stated beyond chance of one in a million.
Run the file itself for the table of stated and simulated levels::

    python tests/test_guarantees.py > table.md

Lots correlate by one of two laws of the share of events in a lot: ``beta`` (a beta
distribution) and ``clean or bad`` (either none, or the share that the correlation asks for).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import product

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.stats import binom

from optimiser.evidence.certificate import (
    certify_front,
    fixed_sequence,
    lot_p_value,
    one_per_lot_bound,
    p_value,
)
from optimiser.evidence.cost_ratio import Called, price_ranges
from optimiser.evidence.promise import HeldOut, promise

RUNS = 3000
SEED = 20_250_301


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One stated probability of being wrong, and a way to try it once."""

    what: str
    case: str
    stated: float
    try_once: Callable[[np.random.Generator], bool]
    runs: int = RUNS
    holds: bool = True
    """False for a control: known to break its level, so that a broken one would be seen."""

    def __str__(self) -> str:
        return f"{self.what}, {self.case}, {self.stated:g}"


def misses(claim):
    rng = np.random.default_rng([SEED, *claim.case.encode()])
    return sum(bool(claim.try_once(rng)) for _ in range(claim.runs))


def is_broken(count, claim):
    return binom.sf(count - 1, claim.runs, claim.stated) < 1e-6


# --- worlds -----------------------------------------------------------------------------


def lot_shares(rng, law, mean, icc, lots):
    """Share of events in each lot, with the mean and the correlation asked for."""
    if icc == 0:
        return np.full(lots, mean)
    if law == "beta":
        size = 1 / icc - 1
        return rng.beta(mean * size, (1 - mean) * size, lots)
    bad = mean + icc * (1 - mean)
    return np.where(rng.random(lots) < mean / bad, bad, 0.0)


def lot_sizes(rng, lots, size):
    return 1.0 + rng.poisson(size - 1, lots)


def lot_events(rng, law, mean, icc, sizes):
    shares = lot_shares(rng, law, mean, icc, len(sizes))
    return rng.binomial(sizes.astype(int), shares).astype(float)


# --- certificates -----------------------------------------------------------------------


def certifies_wrongly(rng, *, alpha, delta, law, icc, lots, size, floor):
    """True when a setting that lets just more than alpha escape is certified."""
    sizes = lot_sizes(rng, lots, size)
    escapes = lot_events(rng, law, alpha * (1 + 1e-9), icc, sizes)
    return lot_p_value(escapes, sizes, alpha=alpha, icc_floor=floor) <= delta


def ignores_lots(rng, *, alpha, delta, law, icc, lots, size):
    sizes = lot_sizes(rng, lots, size)
    escapes = lot_events(rng, law, alpha, icc, sizes)
    return p_value(int(escapes.sum()), int(sizes.sum()), alpha=alpha) <= delta


def one_per_lot_wrongly(rng, *, alpha, delta, law, icc, lots, size):
    sizes = lot_sizes(rng, lots, size)
    escapes = lot_events(rng, law, alpha, icc, sizes)
    return one_per_lot_bound(escapes, sizes, delta=delta) <= alpha


def front_escapes(rng, rates, law, icc, sizes, *, nested):
    """Escapes of settings by lot; nested ones share each lot's and each defect's luck."""
    if not nested:
        return [lot_events(rng, law, rate, icc, sizes) for rate in rates]
    top = lot_events(rng, law, rates[-1], icc, sizes)
    found = [top]
    for rate, above in zip(rates[-2::-1], rates[:0:-1], strict=True):
        top = rng.binomial(top.astype(int), rate / above).astype(float)
        found.append(top)
    return found[::-1]


# In units of alpha. The hardest case for a sequence: safe settings that hardly ever stop it,
# then some that are only just too bad.
RATES = np.array([0.02, 0.05, 0.1, 0.2, 1.0, 1.02, 1.1, 1.3, 2.0])


def front_wrongly(rng, *, alpha, delta, law, icc, lots, size, nested):
    """True when any setting above alpha is certified; the order is that of the true rates."""
    sizes = lot_sizes(rng, lots, size)
    rates = RATES * alpha * (1 + 1e-9)
    found = front_escapes(rng, rates, law, icc, sizes, nested=nested)
    p = np.array([lot_p_value(e, sizes, alpha=alpha) for e in found])
    return (fixed_sequence(p, delta=delta) & (rates > alpha)).any()


def shaky_front_wrongly(rng, *, alpha, delta, icc, lots, size):
    """As above through the public door, with an order from a small tuning sample."""
    sizes = lot_sizes(rng, lots, size).astype(int)
    rates = RATES * alpha * (1 + 1e-9)
    lot = np.repeat(np.arange(lots), sizes)
    shares = np.array([lot_shares(rng, "beta", r, icc, lots) for r in rates])
    found = certify_front(
        rng.random((len(rates), len(lot))) < shares[:, lot],
        lot,
        false_calls=-rates,
        tuning=rng.binomial(30, rates).astype(float),
        alpha=alpha,
        delta=delta,
    )
    return any(rates[i] > alpha for i in found.certified)


def picked_after_looking_wrongly(rng, *, alpha, delta, lots, size):
    """The control: of many settings, all just too bad, the one that looks best is tested."""
    sizes = lot_sizes(rng, lots, size)
    found = [lot_events(rng, "beta", alpha, 0.0, sizes) for _ in range(20)]
    best = min(found, key=lambda e: e.sum())
    return lot_p_value(best, sizes, alpha=alpha, icc_floor=0.0) <= delta


def can_certify(lots, size, alpha, delta, floor):
    """Whether lots as large as these can certify at all; if not, there is nothing to try."""
    p = lot_p_value(np.zeros(lots), np.full(lots, float(size)), alpha=alpha, icc_floor=floor)
    return p <= delta


def certificate_claims():
    levels = [(0.05, 0.05), (0.05, 0.10), (0.10, 0.10), (0.20, 0.20)]
    world = [(25, 4), (40, 10), (10, 10), (5, 40)]
    laws = [(0.0, 0.2, "")]
    laws += [(icc, icc, law) for icc in (0.2, 0.5) for law in (", beta", ", clean or bad")]
    for (alpha, delta), (lots, size) in product(levels, world):
        for icc, floor, law in laws:
            if not can_certify(lots, size, alpha, delta, floor):
                continue
            yield Claim(
                what=f"certificate, {alpha:.0%}",
                case=f"{lots} lots of {size}, ICC {icc:g}, floor {floor:g}{law}",
                stated=delta,
                try_once=partial(
                    certifies_wrongly,
                    alpha=alpha,
                    delta=delta,
                    law=law.removeprefix(", "),
                    icc=icc,
                    lots=lots,
                    size=size,
                    floor=floor,
                ),
            )
    small = {"alpha": 0.05, "delta": 0.05, "icc": 0.5, "lots": 25, "size": 4}
    for law in ("beta", "clean or bad"):
        yield Claim(
            what="certificate, 5%",
            case=f"25 lots of 4, ICC 0.5, floor 0.2, {law}",
            stated=0.05,
            try_once=partial(certifies_wrongly, law=law, floor=0.2, **small),
        )
    yield Claim(
        what="control: lots ignored, 5%",
        case="25 lots of 4, ICC 0.5, beta",
        stated=0.05,
        try_once=partial(ignores_lots, law="beta", **small),
        holds=False,
    )
    for lots, size, law in ((10, 10, "beta"), (8, 20, "clean or bad")):
        yield Claim(
            what="control: ICC above the floor, 10%",
            case=f"{lots} lots of {size}, ICC 0.5, floor 0.2, {law}",
            stated=0.10,
            try_once=partial(
                certifies_wrongly,
                alpha=0.1,
                delta=0.1,
                law=law,
                icc=0.5,
                lots=lots,
                size=size,
                floor=0.2,
            ),
            holds=False,
        )


def one_per_lot_claims():
    for (alpha, delta), icc in product([(0.10, 0.10), (0.05, 0.10), (0.20, 0.20)], (0.0, 0.5, 0.9)):
        yield Claim(
            what=f"one defect per lot, {alpha:.0%}",
            case=f"60 lots of 6, ICC {icc:g}, beta",
            stated=delta,
            try_once=partial(
                one_per_lot_wrongly, alpha=alpha, delta=delta, law="beta", icc=icc, lots=60, size=6
            ),
        )


def front_claims():
    levels = [(0.05, 0.05), (0.10, 0.10), (0.20, 0.20)]
    for (alpha, delta), icc, nested in product(levels, (0.0, 0.2), (True, False)):
        kind = "nested" if nested else "unrelated"
        yield Claim(
            what=f"any of a front's certificates, {alpha:.0%}",
            case=f"9 settings {kind}, 30 lots of 8, ICC {icc:g}",
            stated=delta,
            try_once=partial(
                front_wrongly,
                alpha=alpha,
                delta=delta,
                law="beta",
                icc=icc,
                lots=30,
                size=8,
                nested=nested,
            ),
        )
    yield Claim(
        what="any of a front's certificates, 10%",
        case="9 settings in an order from 30 defects, 30 lots of 8, ICC 0.2",
        stated=0.10,
        runs=400,
        try_once=partial(shaky_front_wrongly, alpha=0.1, delta=0.1, icc=0.2, lots=30, size=8),
    )
    yield Claim(
        what="control: best of 20 picked after looking, 10%",
        case="60 lots of 1, ICC 0",
        stated=0.10,
        try_once=partial(picked_after_looking_wrongly, alpha=0.1, delta=0.1, lots=60, size=1),
        holds=False,
    )


# --- cost ratios ------------------------------------------------------------------------


def range_misses(rng, *, level, icc, lots, goods, defects, size, crossing):
    """True when the end's interval leaves out the true price at which two settings are equal.

    Per lot ``goods`` non-defects and a share ``defects`` of the labelled ones change sides;
    settings that cross also change a quarter of that the other way. False calls come in
    gamma-distributed bursts where lots correlate.
    """
    back = 0.25 if crossing else 0.0
    burst = rng.gamma(2, 0.5, lots) if icc else np.ones(lots)
    sizes = lot_sizes(rng, lots, size)
    d = int(sizes.sum())
    moved = np.stack([rng.poisson(goods * burst), rng.poisson(back * goods * burst)])
    gained = lot_events(rng, "beta", defects, icc, sizes)
    rest = sizes - gained
    lost = rng.binomial(rest.astype(int), back * defects / (1 - defects)).astype(float)
    lot = np.repeat(np.arange(lots), sizes.astype(int))
    within = np.concatenate([np.arange(m) for m in sizes.astype(int)])
    called = Called(
        settings=np.array([[1, 0], [0, 1 if crossing else 0]]),
        goods=np.array([[False, True], [True, False]]),
        counts=csr_array(moved),
        always=0,
        items=np.full(lots, 1000.0),
        defects=np.stack(
            [(within >= gained[lot]) & (within < (gained + lost)[lot]), within < gained[lot]]
        ),
        lot=lot,
    )
    found = price_ranges(called, level=level)
    if len(found) < 2:
        return False
    # Expected false calls over expected defects, both net of what crosses back.
    truth = goods * lots / (defects * d)
    if found[0].setting != 0:
        return True
    price = found[0].below.price
    return not price.low <= truth <= price.high


def range_claims():
    for level, icc, (goods, share) in product(
        (0.80, 0.90, 0.95), (0.0, 0.2, 0.5), ((10, 0.05), (3, 0.2))
    ):
        yield Claim(
            what="end of a cost-ratio range",
            case=f"nested, 20 lots, {goods} goods and {share:.0%} of 4 defects each, ICC {icc:g}",
            stated=round(1 - level, 6),
            runs=2000,
            try_once=partial(
                range_misses,
                level=level,
                icc=icc,
                lots=20,
                goods=goods,
                defects=share,
                size=4,
                crossing=False,
            ),
        )
    for level, icc, (goods, size) in product((0.80, 0.90, 0.95), (0.0, 0.5), ((10, 5), (2, 12))):
        yield Claim(
            what="end of a cost-ratio range",
            case=f"crossing, 20 lots, {goods} goods and 30% of {size} defects each, ICC {icc:g}",
            stated=round(1 - level, 6),
            runs=2000,
            try_once=partial(
                range_misses,
                level=level,
                icc=icc,
                lots=20,
                goods=goods,
                defects=0.3,
                size=size,
                crossing=True,
            ),
        )


# --- promises ---------------------------------------------------------------------------

PRICE, CALL_COST, MISS, COVERAGE = 40.0, 0.3, 0.1, 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A plant with a change whose true worth is known, to be promised from a history."""

    icc: float
    lots: int = 30
    called: float = 3.0
    passed: float = 2.0
    added: float = 0.08
    caught: float = 0.3


def one_history(rng, world):
    """Held-out outcomes of a change and what they are of in truth.

    Escapes and catches correlate within lots; false calls come in bursts where they do.
    """
    t = world.lots
    items = rng.integers(500, 1500, t).astype(float)
    burst = rng.gamma(4, 0.25, (2, t)) if world.icc else np.ones((2, t))
    sizes = lot_sizes(rng, t, world.called)
    found = rng.poisson(world.passed * COVERAGE, t).astype(float)
    added = lot_events(rng, "beta", world.added, world.icc, sizes)
    caught = lot_events(rng, "beta", world.caught, world.icc, found)
    kinds = ((sizes, added, True), (found, found - caught, False))
    lot = np.concatenate([np.repeat(np.arange(t), n.astype(int)) for n, _, _ in kinds])
    escape = np.concatenate(
        [np.arange(int(m)) < e for n, events, _ in kinds for m, e in zip(n, events, strict=True)]
    )
    live = np.repeat([True, False], [int(sizes.sum()), int(found.sum())])
    held = HeldOut(
        items=items,
        live_false_calls=rng.poisson(0.02 * items * burst[0]).astype(float),
        false_calls=rng.poisson(0.012 * items * burst[1]).astype(float),
        false_calls_error=0.0,
        newly_called=np.full(t, 10.0),
        loosens=True,
        tightens=True,
        lot=lot.astype(np.int64),
        escape=escape.astype(float),
        live_called=live,
        weight=np.where(live, 1.0, 1 / COVERAGE),
        price=np.full(len(lot), PRICE),
        false_call_cost=CALL_COST,
        miss_rate=MISS,
        passed_weight=1 / COVERAGE,
        span_days=365.25 / 12,
    )
    saved = 0.008 * items.sum()
    true_added = world.added * sizes.sum() / (1 - MISS)
    true_caught = world.caught * world.passed * t
    truth = {
        "false_calls_saved": saved,
        "escapes_added": true_added,
        "escapes_caught": true_caught,
        "saving_per_month": CALL_COST * saved + PRICE * (1 - MISS) * (true_caught - true_added),
    }
    return held, truth


def promise_misses(rng, *, world, level, key):
    held, truth = one_history(rng, world)
    found = getattr(promise(held, level=level), key)
    return not found.low <= truth[key] <= found.high


def next_span_misses(rng, *, world, level, key):
    """Whether one further span of the same plant lies outside the interval for it."""
    held, _ = one_history(rng, world)
    coming, _ = one_history(rng, world)
    found = getattr(promise(held, level=level).next_span, key)
    live = coming.live_called
    saved = float((coming.live_false_calls - coming.false_calls).sum())
    # At the volume that the promise is of; defects that reviewers passed escape unlabelled.
    saved *= float(held.items.sum() / coming.items.sum())
    added = float(coming.escape[live].sum()) / (1 - MISS)
    caught = float((1 - coming.escape[~live]).sum()) / COVERAGE
    came = {
        "false_calls_saved": saved,
        "escapes_added": added,
        "saving_per_month": CALL_COST * saved + PRICE * (1 - MISS) * (caught - added),
    }[key]
    return not found.low <= came <= found.high


def next_span_claims():
    keys = ("false_calls_saved", "escapes_added", "saving_per_month")
    for level, icc, key in product((0.80, 0.90), (0.0, 0.2, 0.5), keys):
        yield Claim(
            what=f"next span, {key.replace('_', ' ')}",
            case=f"30 lots, ICC {icc:g}",
            stated=round(1 - level, 6),
            runs=2000,
            try_once=partial(next_span_misses, world=World(icc=icc), level=level, key=key),
        )


def promise_claims():
    keys = ("false_calls_saved", "escapes_added", "escapes_caught", "saving_per_month")
    for level, icc, key in product((0.80, 0.90, 0.95), (0.0, 0.2, 0.5), keys):
        yield Claim(
            what=f"promise, {key.replace('_', ' ')}",
            case=f"30 lots, ICC {icc:g}",
            stated=round(1 - level, 6),
            runs=2000,
            try_once=partial(promise_misses, world=World(icc=icc), level=level, key=key),
        )
    for icc, key in product((0.0, 0.5), keys):
        yield Claim(
            what=f"promise, {key.replace('_', ' ')}",
            case=f"12 lots, few escapes, ICC {icc:g}",
            stated=0.10,
            runs=2000,
            try_once=partial(
                promise_misses,
                world=World(icc=icc, lots=12, added=0.03, passed=1.0),
                level=0.90,
                key=key,
            ),
        )


CLAIMS = [
    *certificate_claims(),
    *one_per_lot_claims(),
    *front_claims(),
    *range_claims(),
    *promise_claims(),
    *next_span_claims(),
]


@pytest.mark.slow
@pytest.mark.parametrize("claim", CLAIMS, ids=str)
def test_wrong_no_more_often_than_stated(claim):
    count = misses(claim)
    text = f"{count} of {claim.runs} wrong, stated {claim.stated:g}"
    assert is_broken(count, claim) != claim.holds, text


# --- the same, exactly ------------------------------------------------------------------


@pytest.mark.parametrize(("alpha", "delta"), [(0.05, 0.05), (0.1, 0.1), (0.2, 0.2)])
@pytest.mark.parametrize("law", ["beta", "clean or bad"])
@pytest.mark.parametrize(("lots", "size"), [(30, 4), (12, 12), (5, 50), (4, 200)])
def test_without_escapes_the_level_holds_exactly(alpha, delta, law, lots, size):
    """A sum over all outcomes, no simulation: certified on zero escapes, ICC at the floor."""
    icc = 0.2
    if law == "beta":
        a, b = alpha * (1 / icc - 1), (1 - alpha) * (1 / icc - 1)
        steps = np.arange(size)
        clean = float(np.prod((b + steps) / (a + b + steps)))
    else:
        bad = alpha + icc * (1 - alpha)
        clean = 1 - alpha / bad * (1 - (1 - bad) ** size)
    p = lot_p_value(np.zeros(lots), np.full(lots, float(size)), alpha=alpha, icc_floor=icc)
    assert p >= clean**lots * (1 - 1e-9)
    if p <= delta:
        assert clean**lots <= delta


def test_worlds_have_the_mean_and_the_correlation_they_state():
    rng = np.random.default_rng(1)
    for law, mean, icc in product(("beta", "clean or bad"), (0.05, 0.2), (0.2, 0.5)):
        shares = lot_shares(rng, law, mean, icc, 400_000)
        assert shares.mean() == pytest.approx(mean, rel=0.03)
        assert shares.var() == pytest.approx(icc * mean * (1 - mean), rel=0.03)


def table():
    """Return the rows of stated and simulated levels as Markdown."""
    rows = ["| claim | case | stated | simulated | runs |", "|---|---|---|---|---|"]
    for claim in CLAIMS:
        count = misses(claim)
        mark = "" if is_broken(count, claim) != claim.holds else " **does not hold**"
        known = "" if claim.holds else " (no claim)"
        rows.append(
            f"| {claim.what} | {claim.case} | {claim.stated:g}{known} | "
            f"{count / claim.runs:.4f}{mark} | {claim.runs:,} |"
        )
    return "\n".join(rows)


if __name__ == "__main__":
    print(table())
