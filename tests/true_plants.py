"""Plants on disk beside their truth: which items are defects, and what limits cost in the long run.

A demo and a stranger's plant answer the same two questions, so that what judges one judges the other.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import duckdb
import numpy as np
from start_judge import outcome_of
from stranger_judge import DAYS_PER_MONTH, Fresh, make_fresh
from stranger_plants import (
    DAYS_PER_LOT,
    KINDS,
    Stranger,
    draw_history,
    make_stranger,
    price_of,
)

from optimiser.demo.truth import TruthSample, demo_truth
from optimiser.demo.write import write_demo
from optimiser.plant.file import Plant, read_plant
from optimiser.recipe.table import Recipe, read_recipe

Moves = Mapping[tuple[str, str], float]
Key = tuple[str, str, str, str]


@dataclass(frozen=True, kw_only=True, eq=False)
class TruePlant:
    """A plant on disk and its truth.

    ``defects`` are the keys (family, board, designator, pin) of all true defects of the history, known or
    not; ``cost`` is the true money a month of a family whose live limits were moved so.
    """

    kind: str
    seed: int
    plant: Plant
    live: Recipe
    defects: frozenset[Key]
    cost: Callable[[str, Moves], float]


def stranger_with_truth(
    folder: Path, kind: str, seed: int, *, times: float = 1.0, **changes
) -> TruePlant:
    """Write a stranger's plant whose history is so many times as long; ``changes`` are of its kind."""
    of = replace(KINDS[kind], **changes)
    of = replace(of, lots=round(of.lots * times), defects=of.defects * times)
    stranger = make_stranger(folder, of, seed)
    plant = read_plant(folder)
    fresh = {f.name: make_fresh(f, seed, spans=0) for f in stranger.families}
    return TruePlant(
        kind=kind,
        seed=seed,
        plant=plant,
        live=read_recipe(folder / "recipe.csv", plant.file.measurements),
        defects=_drawn_defects(stranger),
        cost=lambda family, moves: _stranger_cost(plant, fresh[family], seed, moves),
    )


def _drawn_defects(stranger: Stranger) -> frozenset[Key]:
    # What `make_stranger` tells are labelled and called items alone; the same draws hold the others.
    found: set[Key] = set()
    for n, family in enumerate(stranger.families):
        items = draw_history(family, np.random.default_rng([stranger.seed, n, 3]))
        bad = items[items["is_defect"]]
        found |= {(family.name, b, d, "") for b, d in zip(bad.board, bad.designator, strict=True)}
    return frozenset(found)


def _stranger_cost(plant: Plant, fresh: Fresh, seed: int, moves: Moves) -> float:
    family, kind = fresh.family, fresh.family.kind
    lower, upper = family.lower.copy(), family.upper.copy()
    for (measurement, side), limit in moves.items():
        (lower if side == "lower" else upper)[int(measurement[1:])] = limit
    calls = float(family.called(fresh.goods, lower, upper).mean()) * fresh.items
    passed = 1 - float(family.called(fresh.defects, lower, upper).mean())
    escapes = passed * kind.defects * price_of(kind, seed) * (1 - kind.miss)
    span = calls * plant.file.review.cost_per_call + escapes
    return span * DAYS_PER_MONTH / (kind.lots * DAYS_PER_LOT)


def demo_with_truth(
    folder: Path, seed: int, *, days: int = 60, items_per_day: int = 25_000
) -> TruePlant:
    """Write a demo."""
    size = {"seed": seed, "days": days, "items_per_day": items_per_day}
    write_demo(folder, **size)
    plant = read_plant(folder)
    with duckdb.connect() as con:
        rows = con.execute(
            f"""select family, board, designator, coalesce(pin, '')
                from '{folder}/truth/*/*.parquet' where true_defect is not null"""
        ).fetchall()
    return TruePlant(
        kind="demo",
        seed=seed,
        plant=plant,
        live=read_recipe(folder / "recipe.csv", plant.file.measurements),
        defects=frozenset(rows),
        cost=partial(_demo_cost, plant, demo_truth(**size), DAYS_PER_MONTH / days),
    )


def _demo_cost(
    plant: Plant, truth: dict[str, TruthSample], monthly: float, family: str, moves: Moves
) -> float:
    sample = truth[family]
    limits = {
        (m, side): float(end)
        for side, ends in (("lower", sample.live_lower), ("upper", sample.live_upper))
        for m, end in zip(sample.measurements, ends, strict=True)
    }
    outcome = outcome_of(sample, limits | dict(moves))
    escapes = sum(plant.file.escape_price(k) * n for k, n in outcome.escapes_by_type.items())
    review = plant.file.review
    return monthly * (outcome.false_calls * review.cost_per_call + (1 - review.miss_rate) * escapes)
