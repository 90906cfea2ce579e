"""Troubles laid into a demo plant that it lacks: two machines apart, a limit that serves nothing.

The drifting family, the two suppliers and the odd designator are the demo's own
(``optimiser/demo/families.py``).
"""

from pathlib import Path

import duckdb
import numpy as np

from optimiser.plant.file import read_plant
from optimiser.recipe.table import Recipe, read_recipe, to_csv

TWICE, OFFSET, WIDER = "SOT-6", 12.0, 1.25
"""The family measured at two stations, by how much the second shows more, and how much wider."""

IDLE = ("CAP-0402", "fillet_height", "upper")
"""A limit that no kind of defect of its family ever lies beyond."""

ROOTED = {
    "QFP-32": {"drift", "moved"},
    "CAP-0603": {"two populations"},
    "SOT-23": {"called more"},
    TWICE: {"stations"},
    IDLE[0]: {"useless"},
}
"""What is wrong with which family, and what it may be called."""


def recipe_of(folder: Path) -> Recipe:
    """The plant's live recipe."""
    plant = read_plant(folder)
    return read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)


def measure_again(
    folder: Path, *, seed: int, offset: float = OFFSET, wider: float = WIDER, share: int = 8
) -> None:
    """Measure TWICE again on one board in ``share``, at another station that shows more."""
    rng = np.random.default_rng([seed, 71])
    limits = recipe_of(folder).family_rows(TWICE)
    for file in sorted((folder / "history").glob("*/part.parquet")):
        with duckdb.connect() as con:
            again = con.execute(
                f"select * from '{file}' where family = ? and hash(board) % ? = 0", [TWICE, share]
            ).df()
            if not len(again):
                continue
            x = again["fillet_height"].to_numpy(dtype=np.float64)
            seen = x + offset + (wider - 1) * (x - np.nanmean(x)) + rng.normal(0, 3, len(x))
            again["fillet_height"] = np.round(seen).astype(np.float32)
            again["time"] += np.timedelta64(90, "s")
            again["station"] = "PO-X"
            called = np.zeros(len(again), dtype=bool)
            for name, row in limits.items():
                x = again[name].to_numpy(dtype=np.float32)
                called |= (x < np.float32(row.lower)) | (x > np.float32(row.upper))
            again["called"] = called
            bad = (again["verdict"] == "defect").to_numpy(dtype=bool)
            again["verdict"] = np.where(called & bad, "defect", np.where(called, "good", None))
            again["found_by"] = np.where(called, "review", None)
            again["defect"] = again["defect"].where(called & bad, None)
            con.register("again", again)
            con.execute(f"copy again to '{file.with_name('again.parquet')}' (format parquet)")


def flatten_limit(
    folder: Path, *, seed: int, quantile: float = 0.985, keep: tuple[str, ...] = ()
) -> None:
    """Draw IDLE's limit into the goods and let reviewers see what it then calls.

    ``keep`` names the families that stay in the history, all where it is empty.
    """
    family, measurement, side = IDLE
    live = recipe_of(folder)
    files = sorted((folder / "history").glob("*/part.parquet"))
    rng = np.random.default_rng([seed, 72])
    with duckdb.connect() as con:
        (limit,) = con.execute(
            f"select round(quantile_cont({measurement}, {quantile})) from read_parquet(?)"
            " where family = ?",
            [[str(f) for f in files], family],
        ).fetchone()
        (folder / "recipe.csv").write_text(
            to_csv(live.with_limits(family, {(measurement, side): float(limit)})), encoding="utf-8"
        )
        for file in files:
            kept = f"where family in {keep}" if keep else ""
            items = con.execute(f"from '{file}' {kept}").df()
            new = (
                (items["family"] == family)
                & (items[measurement] > np.float32(limit))
                & ~items["called"]
            ).to_numpy(dtype=bool)
            bad = (items["verdict"] == "defect").to_numpy(dtype=bool)
            items.loc[new, "called"] = True
            items.loc[new & ~bad, "verdict"] = "good"
            items.loc[new & ~bad, "found_by"] = "review"
            misread = new & ~bad & (rng.random(len(items)) < 0.002)
            items.loc[misread, "verdict"] = "defect"
            items.loc[misread, "defect"] = "insufficient_fillet"
            con.register("items", items)
            con.execute(f"copy items to '{file}.new' (format parquet)")
            Path(f"{file}.new").replace(file)
