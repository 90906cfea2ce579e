"""Open data nobody here made, turned into plants that the command line reads.

Every set is read at test time from the installed package that carries it; none is copied.
Lots, boards and times are invented: the data have none. All items count as reviewed.
"""

import csv
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from optimiser.plant.file import RAILS

LOTS = 10
REVISION = "open-1"
Limits = dict[str, tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenData:
    """Labelled rows of an open data set.

    Attributes
    ----------
    family : str
        What the plant calls it.
    values : DataFrame, shape (n, measurements)
        Named as in the source; NaN is not measured.
    defect : ndarray of bool, shape (n,)
    kind : ndarray of str, shape (n,)
        Type of defect; of good rows it is not read.
    lot : ndarray of int, shape (n,)
    """

    family: str
    values: pd.DataFrame
    defect: NDArray[np.bool_]
    kind: NDArray[np.str_]
    lot: NDArray[np.int64]

    def take(self, rows: NDArray[np.bool_], *, lots: NDArray[np.int64] | None = None) -> "OpenData":
        """Return some rows, dealt to other lots where those are given."""
        return OpenData(
            family=self.family,
            values=self.values[rows],
            defect=self.defect[rows],
            kind=self.kind[rows],
            lot=self.lot[rows] if lots is None else lots,
        )

    def halves(self, seed: int) -> tuple["OpenData", "OpenData"]:
        """Return two halves drawn at random, each dealt to as many lots as the whole."""
        order = np.random.default_rng(seed).permutation(len(self.defect))
        first = order < len(order) // 2
        return tuple(self.take(h, lots=np.arange(h.sum()) % LOTS) for h in (first, ~first))


def breast_cancer() -> OpenData:
    """Return 569 × 30, 212 malignant (class 0), from scikit-learn."""
    datasets = pytest.importorskip("sklearn.datasets")
    bunch = datasets.load_breast_cancer(as_frame=True)
    defect = (bunch.target == 0).to_numpy()
    return _deal("nucleus", bunch.data, defect, np.full(len(defect), "malignant"))


def sensors() -> OpenData:
    """Return 174 × 63, 92 failed with their failure code, from mistat."""
    table = pd.read_csv(carried_by("mistat==0.1.17", "mistat/csvFiles/SENSORS.csv.gz"))
    values = table.filter(regex=r"^sensor\d\d$")
    defect = (table["status"] == "Fail").to_numpy()
    return _deal("sensor", values, defect, table["testResult"].to_numpy(dtype=str))


def shuttle() -> OpenData:
    """Return 49,097 × 9, 3,511 anomalies, from river."""
    table = pd.read_csv(carried_by("river==0.26.1", "river/datasets/shuttle.csv.gz"))
    defect = (table["anomaly"] == 1).to_numpy()
    values = table.drop(columns="anomaly")
    return _deal("shuttle", values, defect, np.full(len(defect), "anomaly"))


def carried_by(package: str, path: str) -> Path:
    """Return a file of an installed package, which is not imported; skip where there is none."""
    try:
        found = Path(str(distribution(package.partition("==")[0]).locate_file(path)))
    except PackageNotFoundError:
        pytest.skip(f"{package} is not installed: pip install --no-deps {package}")
    return found


def _deal(
    family: str, values: pd.DataFrame, defect: NDArray[np.bool_], kind: NDArray[np.str_]
) -> OpenData:
    """Return the rows dealt to lots in turn, so that each lot is a sample of the whole."""
    return OpenData(
        family=family,
        values=values.astype(np.float64),
        defect=defect,
        kind=kind,
        lot=np.arange(len(defect)) % LOTS,
    )


def wide_limits(data: OpenData) -> Limits:
    """Return limits at the extremes of what was measured: nothing is called."""
    return {str(m): (float(x.min()), float(x.max())) for m, x in data.values.items()}


def few_limits(data: OpenData, *, chosen_at: float, set_at: float, most: int) -> Limits:
    """Return limits on the few sides beyond which the defects lie.

    Parameters
    ----------
    data : OpenData
    chosen_at : float
        Sides are taken in turn, each the one beyond whose quantile of the goods, this far
        from their extreme, lie most defects that no side before it reaches.
    set_at : float
        The limits stand at this quantile, from the extreme as well: about so many of the
        goods does each call.
    most : int
        Sides at most; fewer where fewer reach every defect.

    Returns
    -------
    dict of measurement to (lower, upper)
        ±inf on the sides that were not taken.
    """
    goods, defects = data.values[~data.defect], data.values[data.defect]
    low, high = goods.quantile(chosen_at), goods.quantile(1 - chosen_at)
    beyond = pd.concat({"lower": defects < low, "upper": defects > high}, axis=1)
    limits: Limits = {}
    while len(beyond) and most and beyond.any(axis=None):
        side, name = beyond.sum().idxmax()
        beyond, most = beyond[~beyond[side, name]], most - 1
        lower, upper = limits.get(name, (-np.inf, np.inf))
        if side == "lower":
            lower = float(goods[name].quantile(set_at))
        else:
            upper = float(goods[name].quantile(1 - set_at))
        limits[name] = (lower, upper)
    return limits


def limits_of(rows: list[dict[str, Any]], key: str) -> Limits:
    """Return limits from the command line's JSON, with ``key`` saying which of its values."""
    limits: Limits = {}
    for row in rows:
        lower, upper = limits.get(row["measurement"], (-np.inf, np.inf))
        if row[key] is not None and row["side"] == "lower":
            lower = row[key]
        elif row[key] is not None:
            upper = row[key]
        limits[row["measurement"]] = (lower, upper)
    return limits


def is_called(data: OpenData, limits: Limits) -> NDArray[np.bool_]:
    """Return which rows limits call, as float32; NaN never calls."""
    x = data.values[list(limits)].to_numpy(dtype=np.float32)
    pairs = np.array(list(limits.values()), dtype=np.float32)
    called: NDArray[np.bool_] = ((x < pairs[:, 0]) | (x > pairs[:, 1])).any(axis=1)
    return called


def write_plant(
    folder: Path,
    data: OpenData,
    limits: Limits,
    *,
    suffix: str = ".parquet",
    escape_cost: float = 50.0,
    invent: bool = True,
) -> Path:
    """Write plant file, recipe and history of a data set with every rail switched off.

    Parameters
    ----------
    folder : Path
        Made if there is none.
    data : OpenData
    limits : dict of measurement to (lower, upper)
        The live recipe; ±inf is no limit.
    suffix : {'.parquet', '.csv'}
        Form of the history.
    escape_cost : float
        Money per escape; a false call costs 1.
    invent : bool
        Whether limits that the live recipe does not have may be set.

    Returns
    -------
    Path
        The folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(_plant_text(data, escape_cost, invent), encoding="utf-8")
    write_limits(folder / "recipe.csv", data, limits)
    table = _history(data, limits)
    where = folder / "history" / f"items{suffix}"
    where.parent.mkdir(exist_ok=True)
    if suffix == ".csv":
        table.to_csv(where, index=False)
    else:
        with duckdb.connect() as connection:
            connection.from_df(table).write_parquet(str(where))
    return folder


def write_limits(path: Path, data: OpenData, limits: Limits) -> Path:
    """Write a recipe of one family as CSV."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# revision {REVISION}\n")
        writer = csv.writer(file)
        writer.writerow(("scope", "name", "measurement", "lower", "upper", "unit"))
        for measurement, pair in limits.items():
            cells = (repr(x) if np.isfinite(x) else "" for x in pair)
            writer.writerow(("family", data.family, measurement, *cells, "1"))
    return path


def _plant_text(data: OpenData, escape_cost: float, invent: bool) -> str:
    """Return the plant file: a false call costs 1, an escape as much as is given.

    The rail largest-move is what keeps limits from being invented; it is set so far out that
    it does nothing else.
    """
    off = [rail for rail in RAILS if invent or rail != "largest-move"]
    lines = ["[plant]", f'name = "open data {data.family}"', ""]
    lines += ["[review]", "seconds_per_call = 36.0", "cost_per_hour = 100.0", ""]
    lines += ["[escape_cost]", f"default = {escape_cost!r}", "", "[rails]"]
    lines += [f"off = [{', '.join(repr(r) for r in off)}]", "largest_move_steps = 1_000_000", ""]
    lines += [f'[measurements."{m}"]\nunit = "1"' for m in data.values]
    lines += ["", f"[families.{data.family}]", "class = 2", ""]
    return "\n".join(lines)


def _history(data: OpenData, limits: Limits) -> pd.DataFrame:
    """Return the history: one board a row, one row a minute, all reviewed."""
    n = len(data.defect)
    start = datetime(2024, 3, 4, tzinfo=UTC)
    described = pd.DataFrame(
        {
            "time": [start + timedelta(minutes=i) for i in range(n)],
            "stage": "post-reflow",
            "product": "open",
            "board": [f"B{i:05d}" for i in range(n)],
            "lot": [f"lot {lot:02d}" for lot in data.lot],
            "designator": "U1",
            "family": data.family,
            "called": is_called(data, limits),
            "verdict": np.where(data.defect, "defect", "good"),
            "defect": [k if d else None for k, d in zip(data.kind, data.defect, strict=True)],
            "found_by": "review",
        }
    )
    return pd.concat([described, data.values.reset_index(drop=True)], axis=1)
