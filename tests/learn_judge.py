"""Judges what looks are promised to be worth against what followed, in truth.

Labels to look at again: every label is what it truly is, and the setting that is best after the look is
counted with every label at its true price. Passed items to audit: the audit that the command would plan
finds the true defects among its items, the decision is made anew, and both decisions are priced by the
truth. Defects to gather: a plant is drawn with a history as long again as it needs for the labels to
come. What gathering is worth is promised from its first part; the family is proposed from that and from
the whole, and both settings are priced by the truth. Repeated readings: items whose true values are known
are read by a gauge of known repeatability; what the plant believes of it is one study's estimate. What a
further study is worth is promised from readings and belief alone; then it is drawn, the limit moves to
the guard band that it asks for, and every item is priced by its true value.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from stranger_judge import DAYS_PER_MONTH
from stranger_plants import KINDS, Family, make_family
from true_plants import TruePlant

from optimiser.evidence.learning import Guarded, Value, mean_of, value_of_study
from optimiser.history.read import History, open_history
from optimiser.plant.file import off_limit
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.learn import best_within
from optimiser.proposal.learn_worth import (
    STUDY_DRAWS,
    Look,
    Searched,
    _by_sisters,
    _newly_called,
    audit_of,
    audits,
    caught_elsewhere,
    second_looks,
    untested_limits,
    worth_of_defects,
)
from optimiser.proposal.propose import Case, Found, problem_of, propose_with_study
from optimiser.proposal.record import Proposal
from optimiser.proposal.relabel import Looked, looked_at
from optimiser.recipe.table import Recipe
from optimiser.search.second_look import _after_look, _cheapest, _cost, best_now


def searched(history: History, live: Recipe, trials: int) -> list[Searched]:
    """Return every family with its search; what later lots prove takes half of the time and has no part."""
    cases = [replace(c, early=None, later=None) for c in make_cases(history, live, trials=trials)]
    return [(c, *propose_with_study(c)) for c in cases]


def moves_of(proposal: Proposal) -> dict[tuple[str, str], float]:
    """Limits that would then be in force besides the live ones: none where no change is advised."""
    if proposal.advice != "change":
        return {}
    return {
        (x.measurement, x.side): off_limit(x.side) if x.proposed is None else x.proposed
        for x in proposal.limits
    }


# --- labels to look at again ------------------------------------------------------------------


SHARE = 0.10  # of the doubtful labels that the hours suffice for


@dataclass(frozen=True, kw_only=True)
class Relooked:
    """Second looks of one plant: what the list promises, what it brings, what as many others bring.

    In false calls over the history, every label at its true price; ``labels`` are those looked at.
    """

    kind: str
    seed: int
    labels: int
    promised: float
    followed: float
    at_random: float
    largest: float


def relooked(of: TruePlant) -> Relooked | None:
    """Spend the hours for a share of the doubtful labels; None where no label is in doubt."""
    with open_history(of.plant) as history:
        cases = make_cases(history, of.live, trials=1)
    found = {c.tally.family: x for c in cases if (x := looked_at(c)) is not None}
    doubtful = {f: np.flatnonzero(x.labels.doubtful) for f, x in found.items()}
    number = int(SHARE * sum(len(d) for d in doubtful.values()))
    if not number:
        return None
    case = next(iter(found.values())).case
    review = case.plant.file.review
    ladders = [w for x in found.values() if (w := [y for y in second_looks(x.case) if y.worth > 0])]
    taken = best_within(ladders, number * review.seconds_per_second_look / 3600)
    rng = np.random.default_rng(of.seed)

    def gained(picks: dict[str, np.ndarray]) -> float:
        return sum(gain(found[f], seen, of) for f, seen in picks.items())

    def drawn(families: list[str]) -> float:
        pool = [(f, k) for f in families for k in doubtful[f]]
        picked = [pool[n] for n in rng.permutation(len(pool))[:number]]
        return gained({f: np.array([k for g, k in picked if g == f]) for f in dict(picked)})

    largest = max(doubtful, key=lambda f: len(doubtful[f]))
    promised = sum(x.worth for x in taken) * case.span_days / DAYS_PER_MONTH
    return Relooked(
        kind=of.kind,
        seed=of.seed,
        labels=number,
        promised=promised / review.cost_per_call,
        followed=gained({x.family: found[x.family].look.defects[: x.items] for x in taken}),
        at_random=float(np.mean([drawn(list(doubtful)) for _ in range(3)])),
        largest=float(np.mean([drawn([largest]) for _ in range(3)])),
    )


def gain(looked: Looked, seen: np.ndarray, of: TruePlant) -> float:
    """What looking at some labels brings, every label at its true price; in false calls."""
    labels, misread = looked.labels, ~_true_labels(looked, of)
    price, obeyed = _after_look(labels, seen, misread[seen])
    after = _cheapest(looked.problem, price, obeyed=obeyed, starts=looked.look.feet)
    every = np.flatnonzero(labels.doubtful)
    honest, _ = _after_look(labels, every, misread[every])
    before = best_now(looked.problem, labels, looked.look)
    return _cost(looked.problem, honest, before) - _cost(looked.problem, honest, after)


def _true_labels(looked: Looked, of: TruePlant) -> np.ndarray:
    """Whether each labelled defect is one in truth, shape (d,)."""
    family, defects = looked.case.tally.family, looked.case.tally.defects
    keys = defects.frame.loc[~defects.settled, ["board", "designator", "pin"]].fillna("")
    return np.array([(family, *key) in of.defects for key in keys.itertuples(index=False)])


# --- passed items to audit --------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Audited:
    """The largest audit of one family: what it was promised to be worth, and what followed.

    Money a month; ``known`` defects before it, ``found`` by it among the items that a tighter setting
    would newly call.
    """

    kind: str
    seed: int
    family: str
    items: int
    known: float
    found: int
    promised: float
    followed: float


def audited(of: TruePlant, trials: int = 30) -> list[Audited]:
    """Promise what audits are worth, make them, decide anew, and price both decisions by the truth."""
    rows = []
    with open_history(of.plant) as history:
        for case, _, found in searched(history, of.live, trials):
            looks = [] if found is None else audits(history, of.live, case, found, 1)
            if looks:
                rows.append(_audited(of, history, case, found, looks[-1]))
    return rows


def _audited(of: TruePlant, history: History, case: Case, found: Found, look: Look) -> Audited:
    family, problem = case.tally.family, problem_of(case)[0]
    setting = np.minimum(found.study.setting, problem.live)
    keys = _newly_called(history, of.live, case, setting, problem.live)
    plan = audit_of(history, of.live, case, look.items)
    assert plan is not None
    inside = [(x.key[1], x.key[2], x.key[3]) for x in plan.items]
    more = sum((family, *k) in of.defects for k in inside if k in keys)
    caught = caught_elsewhere(problem, found)
    file, known = case.plant.file, float(caught.sum())
    price = (
        float(problem.defect_price[caught].mean()) if caught.any() else file.escape_price(None)
    ) * (1 - problem.miss_rate)
    rest = -len(keys) * problem.false_call_cost
    hidden = (1 - file.labels.test_coverage) * look.why["inside"] / look.why["newly_called"]
    coverage = file.labels.test_coverage
    # As `value_of_audit` decides: to call is right where what is expected of the caught pays for it.
    before = known > 0 and rest + price * known / coverage > 0
    after = known > 0 and rest + price * (known + more) / (coverage + hidden) > 0
    moved = {
        (x.measurement, x.side): float(x.values[n])
        for x, n, live in zip(case.tally.grid.limits, setting, problem.live, strict=True)
        if n != live
    }
    worth = of.cost(family, {}) - of.cost(family, moved)
    return Audited(
        kind=of.kind,
        seed=of.seed,
        family=family,
        items=look.items,
        known=known,
        found=more,
        promised=look.worth,
        followed=(float(after) - float(before)) * worth,
    )


# --- defects to gather ------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """One family: labels there and to come, what they were promised to be worth, what followed.

    Money a month; ``error`` is the promise's own. ``before`` and ``after`` are true costs. ``searched`` is
    whether the family had labels enough for a search of its own; where not, sister families spoke for it.
    """

    kind: str
    seed: int
    family: str
    searched: bool
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


def gathered(of: TruePlant, first: int, trials: int = 30) -> list[Gathered]:
    """Promise from the first lots what all labels are worth to each family, and price what they change."""
    with open_history(of.plant) as history:
        with history.between(0, first) as part:
            early = searched(part, of.live, trials)
            promised = {c.tally.family: _promised(part, of, early, c, p, f) for c, p, f in early}
        late = {c.tally.family: (c, p) for c, p, _ in searched(history, of.live, trials)}
    rows = []
    for case, proposal, found in early:
        family = case.tally.family
        if family not in late:
            continue
        labels, then = (len(c.tally.defects.frame) for c in (case, late[family][0]))
        worth = promised[family](then - labels) if then > labels else None
        if worth is None:
            continue
        before, after = (of.cost(family, moves_of(p)) for p in (proposal, late[family][1]))
        rows.append(
            Gathered(
                kind=of.kind,
                seed=of.seed,
                family=family,
                searched=found is not None,
                labels=labels,
                more=then - labels,
                promised=worth.value,
                error=worth.error,
                before=before,
                after=after,
            )
        )
    return rows


def _promised(
    part: History,
    of: TruePlant,
    early: list[Searched],
    case: Case,
    proposal: Proposal,
    found: Found | None,
) -> Callable[[int], Value | None]:
    """Return what so many more labels are promised to be worth to a family, by what is known early."""
    if found is None:
        looks = _by_sisters(case, proposal, early)
        one = Value(value=looks[0].worth, error=looks[0].error) if looks else None
        return lambda _: one
    untested = untested_limits(part, of.live, case, found)

    def promise(more: int) -> Value | None:
        drawn = worth_of_defects(case, proposal, found, untested, more=more)
        return None if drawn is None else drawn[0]

    return promise


def first_lots(history: History, days: float) -> int:
    """Return how many lots begin within the first days."""
    (cut,) = history.rows(
        f"""select count(*) from {history.lots}
            where first < (select min(first) from {history.lots}) + interval {days} day"""
    )[0]
    return int(cut)


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
