"""How long following items through two stages takes, and in how much memory.

python tests/benchmarks/stage_speed.py [MILLION ITEMS]
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

import duckdb
from factories import to_toml

from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe
from optimiser.studies.foretell import follow_stages

PLACES = 200


def write_plant(folder: Path, millions: float) -> Path:
    """A plant of two stages, 200 places a board, 2 % of the boards inspected twice at the later one."""
    boards = round(millions * 1e6 / 2 / PLACES)
    (folder / "history").mkdir(parents=True)
    with duckdb.connect() as con:
        con.execute("select setseed(0.5)")
        for stage, family, after in (("paste", "DEPOSIT", 0), ("post-reflow", "JOINT", 14)):
            again = f"union all select b, 60 as late from range({boards}) t(b) where b % 50 = 7"
            con.execute(
                f"""copy (select timestamp '2026-03-02 06:00:00' + to_seconds(20 * b + 60 * ({after} + late)) as time,
                      '{stage}' as stage, 'P1' as product, 'S' || lpad(b::varchar, 9, '0') as board,
                      'lot-' || (b // 500) as lot, 'U' || (p // 10) as designator, (p % 10)::varchar as pin,
                      '{family}' as family, (100 + 10 * (random() + random() + random() - 1.5))::float as volume,
                      false as called, if(bad, 'defect', null) as verdict, if(bad, 'bridge', null) as defect,
                      if(bad, 'review', null) as found_by
                    from (select *, '{stage}' <> 'paste' and random() < 0.0001 as bad
                          from (select b, 0 as late from range({boards}) t(b) {again if after else ""})
                          cross join range({PLACES}) q(p)))
                    to '{folder}/history/{stage}.parquet' (format parquet)"""
            )
    plant = {
        "plant": {"name": "Long Reach (invented)"},
        "measurements": {"volume": {"unit": "%", "step": 1.0}},
        "families": {"DEPOSIT": {}, "JOINT": {}},
    }
    (folder / "plant.toml").write_text(to_toml(plant), encoding="utf-8")
    rows = (
        "# revision 1",
        "scope,name,measurement,lower,upper,unit",
        "family,DEPOSIT,volume,40,160,%",
    )
    (folder / "recipe.csv").write_text("\n".join((*rows, "")), encoding="utf-8")
    return folder


def main(millions: float) -> None:
    """Print seconds of processor and wall for the door and for following, and the peak of memory."""
    with tempfile.TemporaryDirectory() as name:
        plant = read_plant(write_plant(Path(name, "p"), millions))
        live = read_recipe(plant.folder / "recipe.csv", plant.file.measurements)
        cpu, wall = time.process_time(), time.perf_counter()
        with open_history(plant) as history:
            print(
                f"{history.rows_used:,} items; door {time.process_time() - cpu:.1f} s of processor"
            )
            cpu, wall = time.process_time(), time.perf_counter()
            found = follow_stages(history, live)
            used = time.process_time() - cpu, time.perf_counter() - wall
        linked = found.links.items("paste", "post-reflow", "linked")
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"followed: {used[0]:.1f} s of processor, {used[1]:.1f} s; {linked:,} linked; {peak:.1f} GB"
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
