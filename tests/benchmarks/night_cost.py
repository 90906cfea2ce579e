"""What a night costs after 60 stored days, against making all of it anew.

Run alone, ``python tests/benchmarks/night_cost.py [DAYS] [ITEMS_PER_DAY] [FOLDER]`` prints a
table. Each step is a process of its own: seconds of its work after imports, and bytes that it
read from files (``rchar`` of ``/proc/self/io``). Proposals themselves (the searches) are left
out: they cost the same either way and depend on the trials asked for.
"""

import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from optimiser.demo.write import write_demo
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.cache import case_key
from optimiser.proposal.opening import early_lots
from optimiser.recipe.table import read_recipe
from optimiser.tally.check import check
from optimiser.tally.digested import close_store, open_store, open_stored

DAYS, ITEMS = 60, 25_000


def bytes_read() -> int:
    """Return how many bytes this process has read so far."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(dict(line.split(": ") for line in lines)["rchar"])


def step(folder: Path, *, stored: bool) -> dict:
    """Check a history and tally all cases, from its digests or from its rows; what it cost."""
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    # What has to be imported, and DuckDB's own start, are no cost of the data.
    with tempfile.TemporaryDirectory() as name:
        write_demo(Path(name) / "plant", days=2, items_per_day=500)
        tiny = read_plant(Path(name) / "plant")
        with open_history(tiny) as history:
            history.rows("select count(*) from items")
    started, before, used = time.perf_counter(), bytes_read(), time.process_time()
    made = 0
    if stored:
        store = open_store(plant, live, folder / "night", tell=lambda *_, **__: None)
        opened = open_stored(store, early_lots)
        made = store.made
        close_store(store)
    else:
        opened = open_history(plant)
    with opened as history:
        check(history, live, folder / "recipe.csv")
        cases = make_cases(history, live, proof=True)
    return {
        "seconds": time.perf_counter() - started,
        "cpu": time.process_time() - used,
        "bytes": bytes_read() - before,
        "made": made,
        "keys": sorted(case_key(c) for c in cases),
    }


def measure(folder: Path, days: int, items: int) -> dict[str, dict]:
    """Return what each step costs on a demo of so many days and one more."""
    if not (folder / "plant.toml").exists():
        write_demo(folder, days=days + 1, items_per_day=items)
    shutil.rmtree(folder / "night", ignore_errors=True)
    last = sorted((folder / "history").iterdir())[-1]
    apart = folder / last.name
    last.rename(apart)
    found = {"all digests made anew": run(folder, stored=True)}
    apart.rename(last)
    found["night with one new day"] = run(folder, stored=True)
    found["night without news"] = run(folder, stored=True)
    found["rows of the whole history"] = run(folder, stored=False)
    same = found["night with one new day"]["keys"] == found["rows of the whole history"]["keys"]
    assert same, "digests and rows differ"
    history, digests = folder / "history", folder / "night" / "digests"
    sizes = {name: size(part) for name, part in (("history", history), ("digests", digests))}
    return found | {"on disk": sizes}


def size(folder: Path) -> int:
    """Return the bytes of all files in a folder."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())


def run(folder: Path, *, stored: bool) -> dict:
    """Run one step in a process of its own."""
    command = [sys.executable, __file__, "--step", str(folder), str(int(stored))]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def show(found: dict[str, dict], days: int, items: int) -> str:
    """Return the table, in Markdown."""
    sizes = found.pop("on disk")
    lines = [
        f"{days} stored days of {items:,} items; on disk: history {sizes['history'] / 1e6:.1f} MB, "
        f"digests {sizes['digests'] / 1e6:.1f} MB",
        "",
        "| step, to checked and tallied cases | files digested | seconds | MB read |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {name} | {row['made']} | {row['seconds']:.2f} | {row['bytes'] / 1e6:.1f} |"
        for name, row in found.items()
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--step"]:
        print(json.dumps(step(Path(sys.argv[2]), stored=sys.argv[3] == "1")))
    else:
        numbers = [int(word) for word in sys.argv[1:3]]
        days, items = (*numbers, *(DAYS, ITEMS)[len(numbers) :])
        with tempfile.TemporaryDirectory() as name:
            place = Path(sys.argv[3]) if len(sys.argv) > 3 else Path(name) / "plant"
            print(show(measure(place, days, items), days, items))
