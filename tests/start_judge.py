"""Judges first limits against the truth of a demo plant: each family in turn has little or no history.

What the other families show stays whole; the family's own history is cut to its first days. The limits
are priced by the truth beside those that the tool settles on with all of the history, the live ones,
and what a person would set from the same few goods: their mean and three standard deviations.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from stranger_judge import Fresh, make_fresh
from stranger_plants import make_stranger, price_of

from optimiser.demo.truth import TrueOutcome, TruthSample, demo_truth, true_outcome
from optimiser.demo.write import write_demo
from optimiser.errors import UsageError
from optimiser.history.read import History, open_history
from optimiser.plant.file import Plant, read_plant
from optimiser.proposal.all_families import make_cases, propose_all
from optimiser.proposal.sighting import Sighting, sightings
from optimiser.proposal.start import start
from optimiser.proposal.start_known import siblings_of
from optimiser.proposal.start_record import COUNTED_PER, FirstLimits, Range
from optimiser.recipe.table import Recipe, read_recipe

DAYS = (0, 1, 3, 10)
Limits = dict[tuple[str, str], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """True money of one family's limits over the span of the history; None where there are none.

    ``left`` is how many of its siblings were left to it, None for all; ``false_calls`` and ``escapes``,
    as the first limits expect them per COUNTED_PER items, each beside its truth.
    """

    seed: int
    family: str
    days: int
    siblings: int
    left: int | None
    first: float | None
    settled: float
    live: float
    naive: float | None
    false_calls: tuple[Range, float] | None
    escapes: tuple[Range, float] | None


def first_days(history: History, live: Recipe, days: int) -> dict[str, Sighting]:
    """What the lots show that begin within the first days."""
    if not days:
        return {}
    (cut,) = history.rows(
        f"""select count(*) from {history.lots}
            where first < (select min(first) from {history.lots}) + interval {days} day"""
    )[0]
    with history.between(0, cut) as part:
        return sightings(part, live)


@dataclass(frozen=True, kw_only=True, eq=False)
class Priced:
    """A plant with what each family has seen, its own first days, and limits that others set."""

    plant: Plant
    live: Recipe
    seen: dict[str, Sighting]
    own: dict[int, dict[str, Sighting]]
    settled: dict[str, Limits]


def read_priced(
    folder: Path, families: Sequence[str] | None, own_days: Sequence[int], trials: int
) -> Priced:
    """Read a plant, and let the tool settle limits on all of its history."""
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    wanted = list(plant.file.families) if families is None else list(families)
    with open_history(plant) as history:
        seen = sightings(history, live)
        own = {d: first_days(history, live, d) for d in own_days}
        cases = [c for c in make_cases(history, live, trials=trials) if c.tally.family in wanted]
    settled = {
        p.family: {(x.measurement, x.side): x.proposed for x in p.limits}
        for p in propose_all(cases, folder=None, workers=1)[0]
    }
    return Priced(plant=plant, live=live, seen=seen, own=own, settled=settled)


def judge(
    folder: Path,
    *,
    seed: int,
    days: int = 60,
    items_per_day: int = 25_000,
    families: Sequence[str] | None = None,
    own_days: Sequence[int] = DAYS,
    trials: int = 30,
    left: Sequence[int | None] = (None,),
) -> list[Started]:
    """Write a demo and price first limits of its families after so many days of their own.

    ``left`` hides siblings: with 1 a family is judged twice, each time with another single one.
    """
    write_demo(folder, days=days, items_per_day=items_per_day, seed=seed)
    priced = read_priced(folder, families, own_days, trials)
    truth = demo_truth(
        seed=seed,
        days=days,
        items_per_day=items_per_day,
        families=list(priced.settled),
        n_defects=8_000,
        n_goods=80_000,
    )
    return [
        started(
            replace(priced, seen=seen),
            family,
            day,
            seed=seed,
            left=few,
            money_of=partial(money, priced.plant, truth[family]),
            truth_of=partial(beside_truth, truth[family]),
        )
        for family in priced.settled
        for few in left
        for seen in with_siblings_left(priced, family, few)
        for day in own_days
    ]


def with_siblings_left(priced: Priced, family: str, left: int | None) -> list[dict[str, Sighting]]:
    """What is seen with so many siblings left, of one sibling two draws; nothing where it has fewer."""
    siblings = [s.family for s in siblings_of(priced.plant, family, priced.seen, None)]
    if left is None:
        return [priced.seen]
    if len(siblings) <= left:
        return []
    order = np.random.default_rng(1).permutation(siblings)
    kept = [{order[0]}, {order[1]}] if left == 1 else [set(order[:left])]
    return [{k: v for k, v in priced.seen.items() if k not in siblings or k in few} for few in kept]


def judge_stranger(
    folder: Path, kind: str, *, seed: int, own_days: Sequence[int] = (0, 3), trials: int = 30
) -> list[Started]:
    """The same of a stranger's plant whose families are all said to be of one termination.

    Their goods lie alike and scatter alike, but for skew and tails of their own; how each one's items
    fail has nothing to do with the others: the worst that a borrowed defect can be.
    """
    stranger = make_stranger(folder, kind, seed)
    path = folder / "plant.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        re.sub(r"(\[families\.\w+\])", r'\1\ntermination = "alike"', text), encoding="utf-8"
    )
    priced = read_priced(folder, None, own_days, trials)
    rows = []
    for family in stranger.families:
        fresh = make_fresh(family, seed, spans=0)
        rows += [
            started(
                priced,
                family.name,
                day,
                seed=seed,
                money_of=partial(stranger_money, priced.plant, fresh, seed),
                truth_of=lambda _: {"false_calls": None, "escapes": None},
            )
            for day in own_days
        ]
    return rows


def stranger_money(plant: Plant, fresh: Fresh, seed: int, limits: Limits) -> float:
    """True money of a stranger's limits over a span as long as the history."""
    family, kind = fresh.family, fresh.family.kind
    ends = {"lower": -np.inf, "upper": np.inf}
    lower, upper = (
        np.array([limits.get((f"m{n:02d}", side), end) for n in range(kind.measurements)])
        for side, end in ends.items()
    )
    calls = float(family.called(fresh.goods, lower, upper).mean()) * fresh.items
    passed = 1 - float(family.called(fresh.defects, lower, upper).mean())
    escapes = passed * kind.defects * price_of(kind, seed) * (1 - kind.miss)
    return calls * plant.file.review.cost_per_call + escapes


def started(
    priced: Priced,
    family: str,
    day: int,
    *,
    seed: int,
    left: int | None = None,
    money_of: Callable[[Limits], float],
    truth_of: Callable[[FirstLimits | None], dict],
) -> Started:
    """Price one family's first limits after some days of its own, beside what others set."""
    mine = priced.own[day].get(family)
    found = _started(priced.plant, family, priced.seen, mine)
    now = {
        (m, side): row.limit(side)
        for m, row in priced.live.family_rows(family).items()
        for side in ("lower", "upper")
    }
    few = None if mine is None else money_of(three_deviations(priced.plant, mine, now))
    first = None if found is None else {(x.measurement, x.side): x.limit for x in found.limits}
    return Started(
        seed=seed,
        family=family,
        days=day,
        siblings=len(found.siblings) if found else 0,
        left=left,
        first=None if first is None else money_of(first),
        settled=money_of(priced.settled[family]),
        live=money_of(now),
        naive=few,
        **truth_of(found),
    )


def _started(
    plant: Plant, family: str, seen: dict[str, Sighting], own: Sighting | None
) -> FirstLimits | None:
    try:
        return start(plant, family, seen, own=own)
    except UsageError:
        return None


def three_deviations(plant: Plant, own: Sighting, like: Limits) -> Limits:
    """Mean and three standard deviations of a few goods, where the recipe has a limit."""
    found: Limits = {}
    bounds = plant.file.families[own.family].workmanship
    for (measurement, side), limit in like.items():
        x = own.goods[:, own.measurements.index(measurement)]
        x = x[np.isfinite(x)]
        if not np.isfinite(limit) or len(x) < 2:
            continue
        sign = 1 if side == "upper" else -1
        z = sign * x.mean() + 3 * x.std(ddof=1)
        bound = bounds[measurement].side(side) if measurement in bounds else None
        found[measurement, side] = sign * (z if bound is None else min(z, sign * bound))
    return found


def beside_truth(sample: TruthSample, found: FirstLimits | None) -> dict:
    """What first limits expect of themselves beside what the truth delivers."""
    if found is None or found.false_calls is None or found.escapes is None:
        return {"false_calls": None, "escapes": None}
    limits = {(x.measurement, x.side): x.limit for x in found.limits}
    outcome = outcome_of(sample, limits)
    per = COUNTED_PER / (sample.expected_goods + sample.expected_defects)
    return {
        "false_calls": (found.false_calls, outcome.false_calls * per),
        "escapes": (found.escapes, outcome.escapes * per),
    }


def money(plant: Plant, sample: TruthSample, limits: Limits) -> float:
    """True money of a family's limits over the span: reviews of false calls, and escapes."""
    outcome = outcome_of(sample, limits)
    escapes = sum(plant.file.escape_price(k) * n for k, n in outcome.escapes_by_type.items())
    review = plant.file.review
    return outcome.false_calls * review.cost_per_call + (1 - review.miss_rate) * escapes


def outcome_of(sample: TruthSample, limits: Limits) -> TrueOutcome:
    """What limits truly do over the span of the history."""
    ends = {"lower": -np.inf, "upper": np.inf}
    lower, upper = (
        np.array([limits.get((m, side), ends[side]) for m in sample.measurements])
        for side in ("lower", "upper")
    )
    return true_outcome(sample, lower=lower, upper=upper)
