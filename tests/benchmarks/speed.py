"""Speed of the tally against DuckDB's own reading of the same columns, from one run.

Run alone, ``python tests/benchmarks/speed.py [ROWS] [FOLDER]`` prints the figures; the test
in ``test_speed.py`` runs it in a process of its own so that the peak memory is its own.
"""

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np

from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.recipe.table import Recipe, Row
from optimiser.tally.count import is_called, outcome, tally_history
from optimiser.tally.grid import make_grids

MEASUREMENTS = tuple(f"m{n}" for n in range(8))
FAMILIES, FILES = 20, 10


def write(folder: Path, rows: int) -> None:
    """Write a history of normal measurements, 0.5 % labelled, 60 lots, 20 families."""
    (folder / "history").mkdir(parents=True)
    con = duckdb.connect()
    con.execute("select setseed(0.5)")
    per_file = rows // FILES
    for n in range(FILES):
        values = ", ".join(
            f"(sqrt(-2 * ln(1 - random())) * cos(6.283185307 * random()) * 10 + 100)::float as {m}"
            for m in MEASUREMENTS
        )
        con.execute(
            f"""copy (
              select timestamp '2026-01-05' + to_seconds(i + {n * per_file}) as time,
                'post-reflow' as stage, 'P' as product, 'B' || (i // 200 + {n * per_file // 200}) as board,
                'L' || ({n} * 6 + i * 6 // {per_file}) as lot, 'R' || (i % 200) as designator,
                'F' || (i % {FAMILIES}) as family,
                case when random() < 0.005 then case when random() < 0.02 then 'defect' else 'good' end end as verdict,
                'review' as found_by, {values}
              from range({per_file}) r(i)
            ) to '{folder}/history/{n}.parquet' (format parquet, compression zstd)"""
        )
    lines = [
        f'[measurements.{m}]\nunit = "um"\nstep = 1.0\nrepeatability = 0.5' for m in MEASUREMENTS
    ]
    lines += [f"[families.F{n}]\ntermination = 'chip'" for n in range(FAMILIES)]
    (folder / "plant.toml").write_text('[plant]\nname = "Speed"\n' + "\n".join(lines))


def live_recipe() -> Recipe:
    """Limits at 3.2 standard deviations on the upper side, on the lower side for two."""
    rows = [
        Row(
            scope="family",
            name=f"F{n}",
            measurement=m,
            lower=68.0 if m in MEASUREMENTS[:2] else -np.inf,
            upper=132.0,
            unit="um",
        )
        for n in range(FAMILIES)
        for m in MEASUREMENTS
    ]
    return Recipe(revision="1", rows=tuple(rows))


def measure(folder: Path) -> dict[str, float]:
    """Return seconds, ratios and peak memory of one run, medians of three."""
    live, plant = live_recipe(), read_plant(folder)
    with open_history(plant) as history:
        columns = [*MEASUREMENTS, "family", "lot", "verdict"]
        most = ", ".join(f"max({c})" for c in columns)
        floor_query = f"select {most} from read_parquet('{folder}/history/*.parquet')"
        grids = make_grids(history, live)
        floor = median(lambda: history.rows(floor_query))
        tallied = median(lambda: tally_history(history, grids, live))
        tallies = tally_history(history, grids, live)
        rows = history.rows_used
    tally = max(tallies.values(), key=lambda t: len(t.cells.count))
    rng = np.random.default_rng(1)
    settings = [
        np.array([rng.integers(len(limit.z)) for limit in tally.grid.limits]) for _ in range(300)
    ]
    ranks = np.unique(tally.cells.ranks, axis=0)
    started = time.process_time()
    for setting in settings:
        is_called(setting, ranks)
    per_setting = (time.process_time() - started) / len(settings)
    started = time.process_time()
    for setting in settings:
        outcome(tally, setting)
    return {
        "rows": rows,
        "read_s": floor,
        "tally_s": tallied,
        "ratio": tallied / floor,
        "signatures": len(ranks),
        "cells": len(tally.cells.count),
        "signature_replay_ms": per_setting * 1e3,
        "outcome_ms": (time.process_time() - started) / len(settings) * 1e3,
        "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
    }


def median(run) -> float:
    """Return the median seconds of three runs."""
    seconds = []
    for _ in range(3):
        started = time.perf_counter()
        run()
        seconds.append(time.perf_counter() - started)
    return sorted(seconds)[1]


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as name:
        place = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(name)
        if not (place / "plant.toml").exists():
            write(place, wanted)
        print(json.dumps(measure(place)))
