"""Judges what repeated readings and gathered defects are promised to be worth against what followed, in truth.

Defects to gather: a stranger's plant is drawn with a history as long again as it needs for the labels to
come. What gathering is worth is promised from its first part; the family is proposed from that and from
the whole, and both settings are priced by the truth. Repeated readings: items whose true values are known
are read by a gauge of known repeatability; what the plant believes of it is one study's estimate. What a
further study is worth is promised from readings and belief alone; then it is drawn, the limit moves to
the guard band that it asks for, and every item is priced by its true value.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from stranger_judge import DAYS_PER_MONTH, Fresh, make_fresh
from stranger_plants import DAYS_PER_LOT, KINDS, Family, make_family, make_stranger, price_of

from optimiser.evidence.learning import Guarded, mean_of, value_of_study
from optimiser.history.read import History, open_history
from optimiser.plant.file import Plant, read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.learn_worth import STUDY_DRAWS, untested_limits, worth_of_defects
from optimiser.proposal.propose import Case, Found, propose_with_study
from optimiser.proposal.record import Proposal
from optimiser.recipe.table import Recipe, read_recipe

Made = dict[str, tuple[Case, Proposal, Found | None]]


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """One family: labels there and to come, what they were promised to be worth, what followed.

    Money a month; ``error`` is the promise's own. ``before`` and ``after`` are true costs.
    """

    kind: str
    seed: int
    family: str
    labels: int
    more: int
    promised: float
    error: float
    before: float
    after: float

    @property
    def followed(self) -> float:
        """What the labels to come truly changed."""
        return self.before - self.after


def gathered(
    folder: Path, kind: str, seed: int, *, times: float = 2.0, trials: int = 30
) -> list[Gathered]:
    """Promise what a history so many times as long is worth to each family, and price what it changes."""
    first = KINDS[kind]
    longer = replace(first, lots=round(first.lots * times), defects=first.defects * times)
    stranger = make_stranger(folder, longer, seed)
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        with history.between(0, first.lots) as part:
            early = _proposed(part, live, trials)
            untested = {
                name: untested_limits(part, live, case, found)
                for name, (case, _, found) in early.items()
                if found is not None
            }
        late = _proposed(history, live, trials)
    rows = []
    for family in stranger.families:
        if family.name not in early or family.name not in late:
            continue
        case, proposal, found = early[family.name]
        labels, then = (len(x[family.name][0].tally.defects.frame) for x in (early, late))
        if found is None or then <= labels:
            continue
        drawn = worth_of_defects(case, proposal, found, untested[family.name], more=then - labels)
        if drawn is None:
            continue
        (value, _), fresh = drawn, make_fresh(family, seed, spans=0)
        before, after = (
            monthly_cost(plant, fresh, seed, proposed(family, p))
            for p in (proposal, late[family.name][1])
        )
        rows.append(
            Gathered(
                kind=kind,
                seed=seed,
                family=family.name,
                labels=labels,
                more=then - labels,
                promised=value.value,
                error=value.error,
                before=before,
                after=after,
            )
        )
    return rows


def _proposed(history: History, live: Recipe, trials: int) -> Made:
    # What later lots prove of earlier ones has no part in this, and takes half of the time.
    cases = [replace(c, early=None, later=None) for c in make_cases(history, live, trials=trials)]
    return {c.tally.family: (c, *propose_with_study(c)) for c in cases}


def proposed(family: Family, proposal: Proposal) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper limits that would then be in force: the proposed ones where a change is advised."""
    lower, upper = family.lower.copy(), family.upper.copy()
    if proposal.advice == "change":
        for x in proposal.limits:
            ends = lower if x.side == "lower" else upper
            ends[int(x.measurement[1:])] = x.proposed
    return lower, upper


def monthly_cost(
    plant: Plant, fresh: Fresh, seed: int, limits: tuple[np.ndarray, np.ndarray]
) -> float:
    """True money of limits a month."""
    family, kind = fresh.family, fresh.family.kind
    calls = float(family.called(fresh.goods, *limits).mean()) * fresh.items
    passed = 1 - float(family.called(fresh.defects, *limits).mean())
    escapes = passed * kind.defects * price_of(kind, seed) * (1 - kind.miss)
    span = calls * plant.file.review.cost_per_call + escapes
    return span * DAYS_PER_MONTH / (kind.lots * DAYS_PER_LOT)


# --- repeated readings -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Studied:
    """One measurement of one plant: what a study was promised to be worth, and what followed."""

    kind: str
    seed: int
    promised: float
    error: float
    followed: float


ITEMS, MONTHS = 60_000, 1.0
CALL, ESCAPE = 0.3, 40.0
BOUND, LIVE, WANTED = 3.0, 1.5, 3.0
"""In standard deviations of the true values above their middle."""


def studied(
    kind: str, seed: int, *, freedom: float, parts: int, readings: int, guard: float = 2.0
) -> Studied:
    """Promise what a study of a gauge is worth, then make it and price every item by its true value.

    The gauge repeats to between a twentieth and a half of what true values spread, any as likely
    as twice that on the scale of logarithms; the plant's estimate has so many degrees of freedom.
    """
    rng = np.random.default_rng([seed, 53])
    family = make_family(KINDS[kind], seed, 0)
    true = _standard(family, rng)
    sigma = float(np.exp(rng.uniform(np.log(0.05), np.log(0.5))))
    stated = sigma * float(np.sqrt(rng.chisquare(freedom) / freedom))
    more = parts * (readings - 1)
    past = true[: ITEMS // 2] + sigma * rng.standard_normal(ITEMS // 2)
    near = past[(past >= LIVE) & (past <= WANTED)]
    of = Guarded(
        readings=near,
        items=np.full(len(near), MONTHS * ITEMS / len(past)),
        middle=float(np.median(past)),
        spread=float(past.std()),
        bound=BOUND,
        live=LIVE,
        wanted=WANTED,
        step=0.05,
        guard=guard,
        call=CALL,
        escape=ESCAPE,
    )
    value = mean_of(
        value_of_study(
            [of],
            stated=stated,
            freedom=freedom,
            assumed=stated,
            more=more,
            draws=STUDY_DRAWS,
            seed=seed,
        )
    )
    found = sigma * float(np.sqrt(rng.chisquare(more) / more))
    fresh = true[ITEMS // 2 :]
    read = fresh + sigma * rng.standard_normal(len(fresh))
    before, after = (_true_cost(fresh, read, of.limit(x)) for x in (stated, found))
    return Studied(
        kind=kind, seed=seed, promised=value.value, error=value.error, followed=before - after
    )


def _standard(family: Family, rng: np.random.Generator) -> np.ndarray:
    """True values of a stranger's goods, first measurement, in its own deviations, shape (ITEMS,)."""
    lot = np.arange(ITEMS) % 480
    x = family.goods(rng, lot, rng.random(ITEMS))[:, 0].astype(np.float64)
    return (x - np.median(x)) / x.std()


def _true_cost(true: np.ndarray, read: np.ndarray, limit: float) -> float:
    """Money a month of calling good items and of passing those truly beyond the bound."""
    called, beyond = read > limit, true > BOUND
    each = np.where(called, np.where(beyond, 0.0, CALL), np.where(beyond, ESCAPE, 0.0))
    return float(each.sum()) * MONTHS * ITEMS / len(true)
