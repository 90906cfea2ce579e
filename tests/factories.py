"""A tiny plant on disk, every part of which a test may replace.

Two families, three measurements, six lots, 480 items: made in milliseconds, the same each
time. ``called`` is worked out here in plain Python, so that it is a second opinion on what
the package replays.
"""

import copy
import csv
import json
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from optimiser.demo.write import write_demo
from optimiser.evidence.intervals import ZERO
from optimiser.evidence.promise import no_change
from optimiser.proposal.reasons import NothingBetter
from optimiser.proposal.record import Forward, LimitMove, Line, Proof, Proposal, ThreeLines

Item = dict[str, Any]

MEASUREMENTS = ("tilt", "offset", "fill")
COLUMNS = (
    *("time", "line", "station", "stage", "product", "board", "lot", "designator", "pin"),
    *("part", "family", *MEASUREMENTS, "called", "verdict", "defect", "found_by", "weight"),
)
NUMBERS = {"time": "TIMESTAMP", "called": "BOOLEAN", "weight": "DOUBLE"}
LOTS = 6

TOML: dict[str, Any] = {
    "plant": {"name": "Lantern Row (invented)", "must_catch": "must_catch.csv"},
    "review": {"seconds_per_call": 30.0, "cost_per_hour": 36.0},
    "escape_cost": {"default": 40.0},
    "measurements": {
        "tilt": {"unit": "deg", "step": 0.5, "repeatability": 0.1},
        "offset": {"unit": "um", "step": 5.0, "repeatability": 2.0},
        "fill": {"unit": "%", "repeatability": 1.0},
    },
    "families": {
        "CHIP": {"termination": "chip", "workmanship": {"offset": {"upper": 120.0}}},
        "SOT": {"workmanship": {"tilt": {"upper": 9.0}}},
    },
    "rails": {"minimum_defects": 4},
}
"""``plant.toml`` as a table; change a copy of it."""

RECIPE = (
    ("family", "CHIP", "tilt", "", "3.5", "deg"),
    ("family", "CHIP", "offset", "", "60", "um"),
    ("family", "CHIP", "fill", "70", "", "%"),
    ("family", "SOT", "tilt", "-4", "4", "deg"),
    ("family", "SOT", "offset", "", "80", "um"),
    ("part", "R-9", "tilt", "", "5", "deg"),
    ("designator", "R7", "offset", "", "45", "um"),
)
MUST_CATCH = ({"name": "KB-1", "family": "CHIP", "offset": 150.0},)


def table(**parts: Mapping[str, Any]) -> dict[str, Any]:
    """Return a copy of TOML with the keys of some of its tables replaced."""
    found = copy.deepcopy(TOML)
    for name, part in parts.items():
        found.setdefault(name, {}).update(part)
    return found


def make_items(seed: int = 3) -> list[Item]:
    """Return 480 items; called by RECIPE, reviewed where called, some escapes found by test."""
    rng = np.random.default_rng(seed)
    start = datetime(2026, 3, 2, 6)  # noqa: DTZ001 - a TIMESTAMP of the contract, in UTC
    items = []
    for n in range(480):
        family = "CHIP" if n % 3 else "SOT"
        defect = bool(rng.random() < 0.08)
        tilt, offset = rng.normal(0, 1.4) + 4 * defect, abs(rng.normal(0, 25)) + 45 * defect
        values = {"tilt": tilt, "offset": offset, "fill": rng.normal(85, 6) - 12 * defect}
        item: Item = {
            "time": start + timedelta(hours=n // 4, seconds=n % 4),
            "line": f"L{n % 2 + 1}",
            "station": "AOI-1",
            "stage": "post-reflow",
            "product": "P1",
            "board": f"B{n // 8:04d}",
            "lot": f"lot-{n * LOTS // 480}",
            "designator": f"R{n % 8}" if family == "CHIP" else f"Q{n % 8}",
            "pin": None,
            "part": "R-9" if n % 16 == 1 else "R-1",
            "family": family,
            **{m: float(np.float32(round(x, 2))) for m, x in values.items()},
            "verdict": None,
            "defect": None,
            "found_by": None,
            "weight": 1.0,
        }
        if n % 11 == 0:
            item["fill"] = None
        items.append(label(item, defect=defect, found=bool(rng.random() < 0.5)))
    return items


def label(item: Item, *, defect: bool, found: bool) -> Item:
    """Return an item with the call of RECIPE and the verdict that follows."""
    item = {**item, "called": called(item, RECIPE)}
    if item["called"] or (defect and found):
        item["verdict"] = "defect" if defect else "good"
        item["found_by"] = "review" if item["called"] else "test"
        item["defect"] = "shifted" if defect else None
    return item


def called(item: Mapping[str, Any], recipe: Iterable[Sequence[str]]) -> bool:
    """Return whether a recipe calls an item: float32 against float32, designator first."""
    deciding: dict[str, Sequence[str]] = {}
    for scope, names in (
        ("family", (item["family"],)),
        ("part", (item["part"],)),
        ("designator", (item["designator"],)),
        ("designator", (f"{item['product']}/{item['designator']}",)),
    ):
        deciding |= {row[2]: row for row in recipe if row[0] == scope and row[1] in names}
    for measurement, row in deciding.items():
        x = item[measurement]
        if x is None:
            continue
        below = row[3] != "" and np.float32(x) < np.float32(row[3])
        if below or (row[4] != "" and np.float32(x) > np.float32(row[4])):
            return True
    return False


def make_plant(
    folder: Path,
    *,
    items: Sequence[Item] | None = None,
    toml: Mapping[str, Any] | None = None,
    recipe: Sequence[Sequence[str]] | str = RECIPE,
    must_catch: Sequence[Mapping[str, Any]] | None = MUST_CATCH,
    write: Callable[[Path, Sequence[Item]], object] | None = None,
) -> Path:
    """Write a plant and return its folder.

    Parameters
    ----------
    items : sequence of dict, optional
        By default ``make_items()``; pass ``[]`` for no history at all.
    toml : mapping, optional
        By default TOML.
    recipe : rows, or the whole text of ``recipe.csv``
    must_catch : rows, or None for no file and none named
    write : callable, optional
        Writes the items into the history's folder; by default one Parquet file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    items = make_items() if items is None else items
    found = copy.deepcopy(dict(TOML if toml is None else toml))
    if must_catch is None:
        found["plant"].pop("must_catch", None)
    else:
        write_rows(folder / "must_catch.csv", ("name", "family", *MEASUREMENTS), must_catch)
    (folder / "plant.toml").write_text(to_toml(found), encoding="utf-8")
    text = recipe if isinstance(recipe, str) else recipe_text(recipe)
    (folder / "recipe.csv").write_text(text, encoding="utf-8")
    history = folder / "history"
    history.mkdir(exist_ok=True)
    if items:
        (write or (lambda where, rows: write_parquet(where / "items.parquet", rows)))(
            history, items
        )
    return folder


def make_demo(folder: Path, families: Sequence[str], **size: int) -> Path:
    """Write a demo whose history holds some families only: a test pays for those it looks at."""
    write_demo(folder, **size)
    for path in sorted((folder / "history").rglob("*.parquet")):
        items = pd.read_parquet(path)
        items[items["family"].isin(families)].to_parquet(path, index=False)
    return folder


def recipe_text(rows: Iterable[Sequence[str]], revision: str = "7") -> str:
    """Return the CSV form of a recipe."""
    lines = (",".join(row) for row in rows)
    return "\n".join(
        (f"# revision {revision}", "scope,name,measurement,lower,upper,unit", *lines, "")
    )


def to_toml(table: Mapping[str, Any]) -> str:
    """Return a table of tables as TOML; JSON's strings, numbers and lists are TOML's too."""

    def lines(name: str, part: Mapping[str, Any]) -> Iterable[str]:
        yield f"[{name}]"
        for key, value in part.items():
            if not isinstance(value, Mapping):
                yield f"{json.dumps(key)} = {json.dumps(value)}"
        for key, value in part.items():
            if isinstance(value, Mapping):
                yield from lines(f"{name}.{json.dumps(key)}", value)

    text = "\n".join(line for name, part in table.items() for line in lines(name, part)) + "\n"
    tomllib.loads(text)
    return text


def write_rows(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Path:
    """Write rows as CSV; None is blank."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def write_csv(path: Path, items: Sequence[Item], columns: Sequence[str] = COLUMNS) -> Path:
    """Write items as CSV, numbers in the shortest form that reads back exactly."""
    return write_rows(path, columns, items)


def write_parquet(
    path: Path,
    items: Sequence[Item],
    columns: Sequence[str] = COLUMNS,
    types: Mapping[str, str] | None = None,
) -> Path:
    """Write items as Parquet; measurements FLOAT, text VARCHAR, unless ``types`` says else."""
    path.parent.mkdir(parents=True, exist_ok=True)
    kinds = {**dict.fromkeys(MEASUREMENTS, "FLOAT"), **NUMBERS, **(types or {})}
    texts = {c: [None if (x := row.get(c)) is None else str(x) for row in items] for c in columns}
    frame = pa.table({c: pa.array(cells, pa.string()) for c, cells in texts.items()})
    listed = ", ".join(f'"{c}"::{kinds.get(c, "VARCHAR")} as "{c}"' for c in columns)
    with duckdb.connect() as con:
        con.register("frame", frame)
        target = str(path).replace("'", "''")
        con.execute(f"copy (select {listed} from frame) to '{target}' (format parquet)")
    return path


def read_rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def any_proposal(family: str) -> Proposal:
    """Return a proposal that moves nothing; a test replaces the parts it is about."""
    line = Line(calls=0, defects=0, goods=0, unreviewed=0)
    nothing = no_change(lots=12, defects_called=30, defects_passed=2)
    forward = Forward(
        false_calls_saved=ZERO,
        escapes_added=ZERO,
        followed_false_calls_saved=0,
        followed_escapes_added=0,
    )
    proof = Proof(
        added=None,
        escapes=0,
        escapes_now=0,
        price=None,
        first=date(2026, 3, 2),
        last=date(2026, 4, 1),
        coverage=0.6,
        settings=(),
        forward=forward,
        early_lots=7,
        later_lots=5,
        later_defects=12,
    )
    return Proposal(
        family=family,
        advice="keep",
        reasons=(NothingBetter(),),
        limits=(LimitMove(measurement="tilt", side="upper", unit="deg", now=3.5, proposed=3.5),),
        promise=nothing,
        considered=None,
        lines=ThreeLines(kept=line, loosened=line, tightened=line),
        attainable_per_month=None,
        share_reached=None,
        front_proved=True,
        rails_touched=(),
        items=21_000,
        lots=12,
        defects=32,
        span_days=60.0,
        trials=30,
        interrupted=False,
        critical=False,
        proof=proof,
    )
