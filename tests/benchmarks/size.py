"""How cost grows with items, families and stored days; what others need for the same.

``python tests/benchmarks/size.py counting [MILLIONS …]`` counts 1, 10 and 100 million items × 8
measurements: the tally of all families beside DuckDB's reading of the same columns, pandas as one
would write it, and a loop over numpy's rows. ``… families [NUMBER …]`` proposes for 10 to 300
families on two cores, ``… nights [DAYS …]`` runs a night after 1 to 365 stored days. Each prints a
Markdown table; what they write is temporary. Every step is a process of its own, so that its peak
memory and its processor seconds are its own; times are the least of three runs, for other work
only ever adds to them.
"""

import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from datetime import date
from pathlib import Path

import duckdb
import night_cost
import numpy as np
import pandas as pd
from speed import FAMILIES, MEASUREMENTS, live_recipe

from optimiser.demo.write import write_demo
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases, propose_all
from optimiser.recipe.table import read_recipe
from optimiser.tally.count import tally_history
from optimiser.tally.grid import make_grids

MILLIONS, NUMBERS, DAYS = (1, 10, 100), (10, 30, 100, 300), (1, 7, 30, 90, 365)
PER_FILE, LOTS_PER_FILE = 1_000_000, 4
RUNS = 3
# Beyond these a frame or a loop takes more memory or patience than is left here.
PANDAS_MILLIONS, LOOP_ROWS = 10, 50_000


def write_items(folder: Path, millions: int) -> None:
    """Write a history of one million items a file; each day is the first one, a little moved."""
    (folder / "history").mkdir(parents=True)
    rng = np.random.default_rng(5)
    n = np.arange(PER_FILE)
    verdict = np.where(rng.random(PER_FILE) < 0.005, "good", None)
    verdict[(verdict == "good") & (rng.random(PER_FILE) < 0.02)] = "defect"
    values = {m: rng.normal(100, 10, PER_FILE).astype(np.float32) for m in MEASUREMENTS}
    values["m7"][rng.random(PER_FILE) < 0.1] = np.nan
    first = pd.DataFrame(
        {
            "n": n,
            "family": pd.Categorical([f"F{k}" for k in n % FAMILIES]),
            "designator": pd.Categorical([f"R{k}" for k in n % 200]),
            "verdict": verdict,
            **values,
        }
    )
    moved = ", ".join(f"({m} + 0.01 * {{shift}})::float as {m}" for m in MEASUREMENTS)
    with duckdb.connect() as con:
        con.register("first", first)
        con.execute("create table day as from first")
        for k in range(millions):
            con.execute(
                f"""copy (select timestamp '2026-01-05' + to_days({k}) + to_milliseconds(n * 80) as time,
                      'post-reflow' as stage, 'P' as product, 'B{k}-' || n // 200 as board,
                      'L' || {k * LOTS_PER_FILE} + n * {LOTS_PER_FILE} // {PER_FILE} as lot,
                      designator::varchar as designator, family::varchar as family, verdict, 'review' as found_by,
                      {moved.format(shift=k * 7 % 13)} from day)
                    to '{folder}/history/{k:03}.parquet' (format parquet, compression zstd)"""
            )
    lines = [
        f'[measurements.{m}]\nunit = "um"\nstep = 1.0\nrepeatability = 0.5' for m in MEASUREMENTS
    ]
    lines += [f"[families.F{k}]\ntermination = 'chip'" for k in range(FAMILIES)]
    (folder / "plant.toml").write_text('[plant]\nname = "Size"\n' + "\n".join(lines))


def timed(work) -> dict:
    """Return the least wall and processor seconds of a few runs."""
    wall, busy = [], []
    for _ in range(RUNS):
        started, used = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - started)
        busy.append(time.process_time() - used)
    return {"s": min(wall), "cpu": min(busy)}


def read_columns(folder: Path) -> dict:
    """Read the columns that counting needs, with DuckDB."""
    # A maximum alone would be taken from the files' statistics, without reading anything.
    most = ", ".join(
        [*(f"sum({m})" for m in MEASUREMENTS), "max(family)", "max(lot)", "max(verdict)"]
    )
    with duckdb.connect(config={"memory_limit": "1500MB"}) as con:
        query = f"select {most} from read_parquet('{folder}/history/*.parquet')"
        return timed(lambda: con.execute(query).fetchall())


def tally(folder: Path) -> dict:
    """Open, check every row at the door, make the grids; the tally is timed by itself."""
    started = time.perf_counter()
    with open_history(read_plant(folder)) as history:
        door = time.perf_counter() - started
        started = time.perf_counter()
        grids = make_grids(history, live_recipe())
        made = time.perf_counter() - started
        found = timed(lambda: tally_history(history, grids, live_recipe()))
        return found | {"door": door, "grids": made, "rows": history.rows_used}


def by_pandas(folder: Path) -> dict:
    """Count the calls of one setting by family and lot, as one would write it."""
    limits = pd.DataFrame(
        [(r.name, r.measurement, r.lower, r.upper) for r in live_recipe().rows],
        columns=["family", "measurement", "lower", "upper"],
    ).pivot(index="family", columns="measurement")

    def run() -> None:
        items = pd.read_parquet(
            folder / "history", columns=[*MEASUREMENTS, "family", "lot", "verdict"]
        )
        called = pd.Series(False, index=items.index)
        for m in MEASUREMENTS:
            called |= items[m] < items["family"].map(limits["lower", m])
            called |= items[m] > items["family"].map(limits["upper", m])
        items["called"] = called
        items.groupby(["family", "lot", "verdict"], dropna=False)["called"].agg(["sum", "size"])

    return timed(run)


def by_row(folder: Path) -> dict:
    """Count the calls of one setting row by row; of some rows, and scaled up."""
    limits = {
        f"F{k}": [(r.lower, r.upper) for r in live_recipe().rows if r.name == f"F{k}"]
        for k in range(FAMILIES)
    }
    names = ", ".join(MEASUREMENTS)
    columns = duckdb.sql(
        f"select family, lot, {names} from '{folder}/history/000.parquet' limit {LOOP_ROWS}"
    ).fetchnumpy()
    values = np.column_stack([np.ma.filled(columns[m], np.nan) for m in MEASUREMENTS])

    def run() -> None:
        counts: dict = {}
        for family, lot, row in zip(columns["family"], columns["lot"], values, strict=True):
            called = any(
                x < low or x > high for x, (low, high) in zip(row, limits[family], strict=True)
            )
            counts[family, lot, called] = counts.get((family, lot, called), 0) + 1

    found = timed(run)
    ((rows,),) = duckdb.sql(f"select count(*) from '{folder}/history/*.parquet'").fetchall()
    return {name: seconds * rows / LOOP_ROWS for name, seconds in found.items()}


def write_families(folder: Path, number: int) -> None:
    """Write a demo again and again under other families' names until there are enough."""
    write_demo(folder, days=20, items_per_day=25_000, seed=7)
    table = tomllib.loads((folder / "plant.toml").read_text())
    recipe = pd.read_csv(folder / "recipe.csv", comment="#", dtype=str, keep_default_na=False)
    kept = pd.read_csv(folder / "must_catch.csv", dtype=str, keep_default_na=False)
    names = list(table["families"])
    copies = {f"{f}-{k}": (f, k) for k in range(-(-number // len(names))) for f in names}
    copies = dict(list(copies.items())[:number])
    families = {}
    for name, (family, k) in copies.items():
        families[name] = dict(table["families"][family])
        if "termination" in families[name]:
            families[name]["termination"] += f"-{k}"
    from factories import to_toml

    (folder / "plant.toml").write_text(to_toml(table | {"families": families}))
    others = recipe[recipe["scope"] != "family"]
    of = {f: recipe[(recipe["scope"] == "family") & (recipe["name"] == f)] for f in names}
    rows = [of[f].assign(name=name) for name, (f, _) in copies.items()]
    (folder / "recipe.csv").write_text(
        "# revision 1\n" + pd.concat([*rows, others]).to_csv(index=False)
    )
    known = [
        kept[kept["family"] == f].assign(
            family=name, **{kept.columns[0]: lambda d, n=name: d[kept.columns[0]] + " " + n}
        )
        for name, (f, _) in copies.items()
    ]
    pd.concat(known).to_csv(folder / "must_catch.csv", index=False)
    wanted = pd.DataFrame(
        [(f, k, name) for name, (f, k) in copies.items()], columns=["family", "k", "name"]
    )
    with duckdb.connect() as con:
        con.register("wanted", wanted)
        for path in sorted((folder / "history").rglob("*.parquet")):
            con.execute(
                f"""copy (select i.* replace (w.name as family, i.board || '-' || w.k as board)
                      from '{path}' i join wanted w on w.family = i.family)
                    to '{folder}/moved.parquet' (format parquet)"""
            )
            (folder / "moved.parquet").replace(path)


def propose(folder: Path) -> dict:
    """Propose for all families on two cores, certificates included, nothing kept."""
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    started = time.perf_counter()
    with open_history(plant) as history:
        cases = make_cases(history, live, proof=True)
        rows = history.rows_used
    tallied = time.perf_counter() - started
    made, _ = propose_all(cases, folder=None, workers=2)
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return {
        "cpu": sum(u.ru_utime + u.ru_stime for u in used),
        "families": len(made),
        "rows": rows,
        "tallied": tallied,
        "s": time.perf_counter() - started,
        "advised": sum(p.advice == "change" for p in made),
    }


def in_child(step: str, folder: Path) -> dict:
    """Run one step in a process of its own; with its peak memory, of workers the largest."""
    command = [sys.executable, __file__, "--step", step, str(folder)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return json.loads(done.stdout)


def run_step(step: str, folder: Path) -> dict:
    """Run one step here, and add the peak memory of this process."""
    work = {f.__name__: f for f in (read_columns, tally, by_pandas, by_row, propose)}[step]
    found = work(folder)
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return found | {"gb": own / 2**20, "worker_gb": children / 2**20}


def exponent(sizes, seconds) -> float:
    """Return the slope of log seconds over log sizes."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0]) if len(sizes) > 1 else np.nan


def counting(place: Path, millions) -> str:
    """Return the table of counting."""
    lines = [
        f"{len(MEASUREMENTS)} measurements, {FAMILIES} families, 4 lots a million; "
        "seconds, processor seconds, GB",
        "",
        "| million items | DuckDB reads | tally | × reading (processor) | door | grids "
        "| pandas, one setting | numpy row by row |",
        "|---|---|---|---|---|---|---|---|",
    ]
    busy, wall = [], []
    for size in millions:
        folder = place / str(size)
        write_items(folder, size)
        read, ours = in_child("read_columns", folder), in_child("tally", folder)
        assert ours["rows"] == size * PER_FILE
        frame = in_child("by_pandas", folder) if size <= PANDAS_MILLIONS else None
        loop = in_child("by_row", folder)
        shutil.rmtree(folder)
        busy.append(ours["cpu"])
        wall.append(ours["s"])
        lines.append(
            f"| {size} | {read['s']:.2f}, {read['cpu']:.2f} "
            f"| {ours['s']:.2f}, {ours['cpu']:.2f}, {ours['gb']:.1f} GB "
            f"| {ours['s'] / read['s']:.1f} ({ours['cpu'] / read['cpu']:.1f}) "
            f"| {ours['door']:.1f} | {ours['grids']:.1f} | "
            + (f"{frame['s']:.1f}, {frame['gb']:.1f} GB" if frame else "not tried")
            + f" | {loop['s']:.0f} |"
        )
        print(lines[-1], file=sys.stderr, flush=True)
    growth = exponent(millions, wall), exponent(millions, busy)
    return "\n".join(
        [
            *lines,
            "",
            f"Growth of the tally: exponent {growth[0]:.2f}, of its processor seconds {growth[1]:.2f}.",
        ]
    )


def families(place: Path, numbers) -> str:
    """Return the table of families."""
    lines = [
        "| families | items | read, checked and tallied: s | all proposed: s | processor s | GB | GB, a worker |"
    ]
    lines.append("|---|---|---|---|---|---|---|")
    for number in numbers:
        folder = place / str(number)
        write_families(folder, number)
        found = in_child("propose", folder)
        shutil.rmtree(folder)
        lines.append(
            f"| {found['families']} | {found['rows']:,} | {found['tallied']:.0f} | {found['s']:.0f} "
            f"| {found['cpu']:.0f} | "
            f"{found['gb']:.1f} | {found['worker_gb']:.1f} |"
        )
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines)


def nights(place: Path, days, items: int = 5_000) -> str:
    """Return the table of nights: one new day after so many stored ones."""
    lines = [
        f"{items:,} items a day, to checked and tallied cases",
        "",
        "| stored days | files digested | night with one new day: s, processor s | MB read "
        "| night without news: s, processor s |",
        "|---|---|---|---|---|",
    ]
    whole = place / "whole"
    # Well before today: what lies in the future is set aside.
    write_demo(whole, days=max(days) + 1, items_per_day=items, first_day=date(2024, 1, 1))
    kept = sorted((whole / "history").iterdir())
    for number in days:
        folder = place / str(number)
        shutil.copytree(whole, folder, ignore=shutil.ignore_patterns("history", "truth"))
        (folder / "history").mkdir()
        for day in kept[:number]:
            shutil.copytree(day, folder / "history" / day.name)
        night_cost.run(folder, stored=True)
        shutil.copytree(kept[number], folder / "history" / kept[number].name)
        one, none = night_cost.run(folder, stored=True), night_cost.run(folder, stored=True)
        shutil.rmtree(folder)
        lines.append(
            f"| {number} | {one['made']} | {one['seconds']:.2f}, {one['cpu']:.2f} | {one['bytes'] / 1e6:.1f} "
            f"| {none['seconds']:.2f}, {none['cpu']:.2f} |"
        )
        print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines)


def main(words: list[str]) -> None:
    """Print one table, or all of them."""
    kinds = {
        "counting": (counting, MILLIONS),
        "families": (families, NUMBERS),
        "nights": (nights, DAYS),
    }
    wanted = [w for w in words if w in kinds] or list(kinds)
    sizes = tuple(int(w) for w in words if w.isdecimal())
    for name in wanted:
        table, usual = kinds[name]
        with tempfile.TemporaryDirectory() as place:
            print(table(Path(place), sizes or usual), end="\n\n", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--step"]:
        print(json.dumps(run_step(sys.argv[2], Path(sys.argv[3]))))
    else:
        main(sys.argv[1:])
