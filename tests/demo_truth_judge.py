"""Judges the promises of a demo plant's proposals against the truth it was drawn from."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimiser.demo.truth import TruthSample, demo_truth, true_outcome
from optimiser.demo.write import write_demo
from optimiser.history.read import open_history
from optimiser.plant.file import Plant, read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.propose import propose
from optimiser.recipe.table import read_recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One family's promise beside what the truth delivers, over one span of history."""

    seed: int
    family: str
    advice: str
    promise: dict
    saved: float
    added: float
    caught: float
    money: float


def judge(
    folder: Path, *, seed: int, days: int, items_per_day: int, trials: int = 60
) -> list[Judged]:
    """Write a demo, propose on it, and judge every change found, advised or not."""
    write_demo(folder, days=days, items_per_day=items_per_day, seed=seed)
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    truth = demo_truth(seed=seed, days=days, items_per_day=items_per_day)
    with open_history(plant) as history:
        cases = make_cases(history, live, trials=trials)
    judged = []
    for case in cases:
        row = propose(case).as_dict()
        found = row if row["advice"] == "change" else row["considered"]
        if found is None:
            continue
        sample = truth[row["family"]]
        saved, added, caught, money = deliver(sample, found["limits"], plant, row["span_days"])
        judged.append(
            Judged(
                seed=seed,
                family=row["family"],
                advice=row["advice"],
                promise=found["promise"],
                saved=saved,
                added=added,
                caught=caught,
                money=money,
            )
        )
    return judged


def deliver(
    sample: TruthSample, limits: list[dict], plant: Plant, span_days: float
) -> tuple[float, float, float, float]:
    """Return true expected false calls saved, escapes added, escapes caught, money a month."""
    lower, upper = sample.live_lower.copy(), sample.live_upper.copy()
    for limit in limits:
        k = sample.measurements.index(limit["measurement"])
        if limit["side"] == "lower":
            lower[k] = -np.inf if limit["proposed"] is None else limit["proposed"]
        else:
            upper[k] = np.inf if limit["proposed"] is None else limit["proposed"]
    before = true_outcome(sample, lower=sample.live_lower, upper=sample.live_upper)
    after = true_outcome(sample, lower=lower, upper=upper)
    live = called(sample, sample.live_lower, sample.live_upper)
    new = called(sample, lower, upper)
    each = sample.expected_defects / len(live)
    added, caught = live & ~new, new & ~live
    price = np.array([plant.file.escape_price(d) for d in sample.defect_type])
    money = (before.false_calls - after.false_calls) * plant.file.review.cost_per_call
    worth = each * (1 - plant.file.review.miss_rate)
    money += worth * float(price[caught].sum() - price[added].sum())
    return (
        before.false_calls - after.false_calls,
        each * float(added.sum()),
        each * float(caught.sum()),
        money * 365.25 / 12 / span_days,
    )


def called(sample: TruthSample, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    """Return which true defects are called, overrides respected, shape (d,)."""
    own_lower = sample.own_lower[sample.defect_place]
    own_upper = sample.own_upper[sample.defect_place]
    low = np.where(np.isnan(own_lower), np.float32(lower), own_lower)
    high = np.where(np.isnan(own_upper), np.float32(upper), own_upper)
    hit = (sample.defects < low) | (sample.defects > high)
    return np.asarray(hit.any(axis=1))


def covers(interval: dict, truth: float) -> bool:
    """Return whether an interval covers a value; an unknown end is infinite."""
    low = -np.inf if interval["low"] is None else interval["low"]
    high = np.inf if interval["high"] is None else interval["high"]
    return bool(low <= truth <= high)
