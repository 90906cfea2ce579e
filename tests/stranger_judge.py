"""Judges what a stranger plant was promised against what fresh lots of it bring."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from stranger_plants import DAYS_PER_LOT, Family, Stranger, price_of

from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import Case, Found, propose_with_study
from optimiser.recipe.table import read_recipe
from optimiser.search.descent import Terrain, best_of, cost_of
from optimiser.tally.count import rank

DAYS_PER_MONTH = 365.25 / 12
SPANS = 20
GOODS, DEFECTS = 240_000, 30_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Fresh:
    """Goods and defects of one family, drawn anew; and spans of the same length."""

    family: Family
    goods: np.ndarray
    goods_lot: np.ndarray
    defects: np.ndarray
    spans: tuple[np.ndarray, ...]  # values of the defects of one further span each
    span_goods: tuple[np.ndarray, ...]

    @property
    def items(self) -> int:
        """Goods of one span."""
        return self.family.kind.lots * self.family.kind.per_lot


def make_fresh(family: Family, seed: int, *, later: float = 0.5, spans: int = SPANS) -> Fresh:
    """Draw the long run of a family; ``later`` is when, in spans from the history's start.

    The middle of the history for what is expected of a process that stays; a drifting one is
    judged there as well, and in its next span by ``later=1.5``.
    """
    rng = np.random.default_rng([seed, int(family.name[1:]), 29])
    kind = family.kind
    lots = 480
    lot = np.arange(GOODS) % lots
    share = np.array([x.share for x in family.mechanisms])
    defects = family.defects(rng, rng.choice(share.size, DEFECTS, p=share))
    drawn = []
    for _ in range(spans):
        _, _, mechanism = family.arrivals(rng, kind.lots)
        drawn.append(family.defects(rng, mechanism))
    when = rng.random(GOODS) + later - 0.5
    goods = family.goods(rng, lot, when)
    lots_of_span = np.repeat(np.arange(kind.lots), kind.per_lot)
    span_goods = tuple(
        family.goods(rng, lots_of_span, lots_of_span / kind.lots + later - 0.5)
        for _ in range(spans)
    )
    return Fresh(
        family=family,
        goods=goods,
        goods_lot=lot,
        defects=defects,
        spans=tuple(drawn),
        span_goods=span_goods,
    )


def limits_of(family: Family, limits: list[dict]) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper limits after a proposal's moves."""
    ends = {"lower": family.lower.copy(), "upper": family.upper.copy()}
    off = {"lower": -np.inf, "upper": np.inf}
    for limit in limits:
        side, value = limit["side"], limit["proposed"]
        ends[side][int(limit["measurement"][1:])] = off[side] if value is None else value
    return ends["lower"], ends["upper"]


def judge_family(fresh: Fresh, limits: list[dict], seed: int, cost_per_call: float) -> dict:
    """True expected outcome of a change over one span, and that of single further spans."""
    family, kind = fresh.family, fresh.family.kind
    new = limits_of(family, limits)

    def moved(x: np.ndarray) -> tuple[float, float, float]:
        live, then = family.called(x, family.lower, family.upper), family.called(x, *new)
        return float((live & ~then).sum()), float((~live & then).sum()), float(len(x))

    released, added, n = moved(fresh.goods)
    saved = (released - added) / n * fresh.items
    lost, caught, d = moved(fresh.defects)
    escapes, gains = lost / d * kind.defects, caught / d * kind.defects
    price = price_of(kind, seed) * (1 - kind.miss)
    monthly = DAYS_PER_MONTH / (kind.lots * 1.5)
    next_escapes = [moved(x)[0] for x in fresh.spans]
    next_saved = [(a - b) / c * fresh.items for a, b, c in (moved(x) for x in fresh.span_goods)]
    next_caught = [moved(x)[1] for x in fresh.spans]
    return {
        "saved": saved,
        "added": escapes,
        "caught": gains,
        "money": (saved * cost_per_call + (gains - escapes) * price) * monthly,
        "next_saved": next_saved,
        "next_added": next_escapes,
        "next_caught": next_caught,
        "next_money": [
            (s * cost_per_call + (c - e) * price) * monthly
            for s, e, c in zip(next_saved, next_escapes, next_caught, strict=True)
        ],
    }


def live_false_calls(stranger: Stranger) -> float:
    """Return the false calls that the live recipe truly makes over one span."""
    total = 0.0
    for family in stranger.families:
        fresh = make_fresh(family, stranger.seed, spans=0)
        total += family.called(fresh.goods, family.lower, family.upper).mean() * fresh.items
    return total


def distinct(ranks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the different rows, sorted, and how often each is there.

    What numpy's ``unique`` over rows gives, which compares whole rows and takes ten times as long.
    """
    ranks = ranks.astype(np.int64)
    small = ranks.astype(np.int16)
    ranks = ranks[np.lexsort((small if (small == ranks).all() else ranks).T[::-1])]
    first = np.flatnonzero(np.r_[True, (ranks[1:] != ranks[:-1]).any(axis=1)])
    return ranks[first], np.diff(np.r_[first, len(ranks)])


def money_terrain(fresh: Fresh, case: Case, seed: int) -> Terrain:
    """Return what every setting on a case's grid truly costs over one span, money."""
    kind, grid = fresh.family.kind, case.tally.grid
    names = [int(x.measurement[1:]) for x in grid.limits]

    def ranks(x: np.ndarray) -> np.ndarray:
        return np.stack(
            [
                rank(limit.z, np.float32(limit.sign) * x[:, n])
                for limit, n in zip(grid.limits, names, strict=True)
            ],
            axis=1,
        )

    seen, count = distinct(ranks(fresh.goods))
    bad, times = distinct(ranks(fresh.defects))
    price = price_of(kind, seed) * (1 - kind.miss)
    cost = case.plant.file.review.cost_per_call
    last = np.array([len(x.z) - 1 for x in grid.limits])
    return Terrain(
        ranks=np.ascontiguousarray(seen.T),
        review=(count * cost * fresh.items / len(fresh.goods))[:, None],
        review_always=np.zeros(1),
        passing=tuple(
            (np.arange(len(x.z))[:, None] >= bad[:, i][None, :]).astype(float)
            for i, x in enumerate(grid.limits)
        ),
        escape=(times * price * kind.defects / len(fresh.defects))[:, None],
        must=np.empty((0, len(last)), dtype=np.int64),
        last=last,
        worst=0.0,
    )


def best_setting(terrain: Terrain, live: np.ndarray) -> np.ndarray:
    """Return the best setting between the rails, by descent on the truth."""
    last = terrain.last
    movable = np.ones(len(last), dtype=bool)
    return best_of(terrain, [live, np.zeros_like(last), last], movable)


def most_saved(terrain: Terrain, live: np.ndarray, settings: np.ndarray, lots: int) -> float:
    """Return the true saving a month of the best of some settings, the live one among them."""
    distinct = np.unique(np.vstack([live[None, :], settings]), axis=0)
    least = min(cost_of(terrain, setting) for setting in distinct)
    return (cost_of(terrain, live) - least) * DAYS_PER_MONTH / (lots * DAYS_PER_LOT)


def attainable(fresh: Fresh, case: Case, found: Found | None, seed: int) -> tuple[float, float]:
    """Return the true saving a month of the best setting there is, and of the best one tried.

    The second is what the labels allow: limits are fitted to the history as ever, the truth only
    picks among the ways of fitting them. Nothing where nothing was searched.
    """
    live = case.tally.grid.live
    if not len(live):
        return 0.0, 0.0
    terrain, lots = money_terrain(fresh, case, seed), fresh.family.kind.lots
    best = most_saved(terrain, live, best_setting(terrain, live)[None, :], lots)
    if found is None:
        return best, 0.0
    trials = found.study.trials
    tried = trials.settings[[origin == "trial" for origin in trials.origin]]
    return best, most_saved(terrain, live, tried, lots)


def judge(
    stranger: Stranger, *, trials: int = 60, later: float = 0.5, best: bool = True
) -> list[dict]:
    """Propose for every family of a plant, and judge what was found, advised or not."""
    plant = read_plant(stranger.folder)
    live = read_recipe(stranger.folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=trials)
    rows = []
    for case in sorted(cases, key=lambda c: c.tally.family):
        proposal, searched = propose_with_study(case)
        row = proposal.as_dict()
        family = next(f for f in stranger.families if f.name == case.tally.family)
        fresh = make_fresh(family, stranger.seed, later=later)
        found = row if row["advice"] == "change" else row["considered"]
        cost = plant.file.review.cost_per_call
        truth = judge_family(fresh, found["limits"], stranger.seed, cost) if found else {}
        attained = attainable(fresh, case, searched, stranger.seed) if best else (np.nan, np.nan)
        rows.append(
            {
                "seed": stranger.seed,
                "family": case.tally.family,
                "advice": row["advice"],
                "promise": found["promise"] if found else None,
                "row": row,
                "best": attained[0],
                "best_trial": attained[1],
                **truth,
            }
        )
    return rows


def inside(interval: dict, value: float) -> bool:
    """Return whether an interval covers a value; an unknown end is infinite."""
    low = -np.inf if interval["low"] is None else interval["low"]
    high = np.inf if interval["high"] is None else interval["high"]
    return bool(low <= value <= high)


def in_sum(row: dict, key: str) -> float:
    """Return a promised figure as the headline adds it up."""
    promised = row["promise"]
    return float(promised["in_sum"].get(key, promised.get(key))["value"])


PARTS = {
    "false_calls_saved": "saved",
    "escapes_added": "added",
    "escapes_caught": "caught",
    "saving_per_month": "money",
}


def summary(rows: list[dict]) -> dict:
    """Coverage, sums and harm over judged rows."""
    changes = [r for r in rows if r["promise"]]
    advised = [r for r in changes if r["advice"] == "change"]
    found: dict = {
        "families": len(rows),
        "changes": len(changes),
        "advised": len(advised),
        "harmed": sum(r["money"] < 0 for r in advised),
        "lossy_found": sum(r["money"] < 0 for r in changes),
    }
    for key, name in PARTS.items():
        if changes:
            found[f"cover {name}"] = np.mean([inside(r["promise"][key], r[name]) for r in changes])
            nxt = [r["promise"].get("next_span", {}).get(key) for r in changes]
            if all(nxt):
                found[f"next {name}"] = np.mean(
                    [
                        inside(p, v)
                        for p, r in zip(nxt, changes, strict=True)
                        for v in r[f"next_{name}"]
                    ]
                )
        found[f"sum {name}"] = (
            tuple(
                round(sum(x), 1)
                for x in zip(*[(in_sum(r, key), r[name]) for r in advised], strict=True)
            )
            if advised
            else ()
        )
    best = sum(max(r["best"], 0.0) for r in rows)
    for name, reached in (
        ("best tried", [r["best_trial"] for r in rows]),
        ("found", [r["money"] for r in changes]),
        ("share", [r["money"] for r in advised]),
    ):
        found[name] = sum(reached) / best if best else np.nan
    found["promised / true"] = ratio_over_plants(advised)
    return found


def ratio_over_plants(advised: list[dict]) -> tuple[float, float]:
    """Return money promised over true money, and its standard error with the plant as the unit.

    Families of a plant share its price, so they do not err alone.
    """
    seeds = sorted({r["seed"] for r in advised})
    promised, came = (
        np.array([sum(of(r) for r in advised if r["seed"] == seed) for seed in seeds])
        for of in (lambda r: in_sum(r, "saving_per_month"), lambda r: r["money"])
    )
    if not len(seeds) or came.sum() <= 0:
        return np.nan, np.nan
    ratio = promised.sum() / came.sum()
    if len(seeds) < 2:
        return ratio, np.nan
    off = promised - ratio * came
    return ratio, float(np.sqrt(len(seeds) / (len(seeds) - 1) * (off @ off)) / came.sum())


def table(results: dict[str, list[dict]]) -> pd.DataFrame:
    """One line per kind."""
    return pd.DataFrame({name: summary(rows) for name, rows in results.items()}).T
