"""An invented plant whose boards pass four stages, with the truth of who became what.

A deposit is printed, a component placed on it, a joint soldered, and of one board in five looked at by
x-ray. What makes a joint bad is known: too little paste (``volume``) leaves it insufficient, too wide
a deposit (``area``) bridges it, a component placed off (``placed_off``) shifts all of its joints, a low
deposit (``height``) leaves a void that x-ray alone sees; lifted joints come from nothing before.
No other measurement has anything to do with any of them. Links are then broken and made ambiguous,
and what was done to which item is kept.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
from factories import to_toml

STAGES = ("paste", "pre-reflow", "post-reflow", "x-ray")
MEASUREMENTS = ("volume", "height", "area", "paste_off", "placed_off", "turn", "fillet", "voids")
CAUSES = {
    ("DEPOSIT", "post-reflow", "insufficient"): "volume",
    ("DEPOSIT", "post-reflow", "bridge"): "area",
    ("PLACED", "post-reflow", "shifted"): "placed_off",
    ("DEPOSIT", "x-ray", "void"): "height",
}
"""By earlier family, later stage and kind the one measurement that foretells it."""

START = datetime(2026, 3, 2, 6)  # noqa: DTZ001 - a TIMESTAMP of the contract, in UTC
MINUTES = {"paste": 0, "pre-reflow": 4, "post-reflow": 14, "x-ray": 40}
SIZES = {"lots": 30, "boards": 60, "designators": 6, "pins": 4}
LIMITS = {"volume": (66.0, 150.0), "fillet": (70.0, 130.0), "voids": (None, 25.0)}
X_RAYED = 5
PRICE, SECONDS, HOUR, MISSED = 20.0, 25.0, 38.0, 0.05


@dataclass(frozen=True, kw_only=True)
class StagedPlant:
    """Where the plant lies, and per item (a row of ``items``) the place that it truly is (``uid``).

    ``true_kind`` is what truly became of that place; ``planted`` what was done to the row's link.
    """

    folder: Path
    items: pd.DataFrame


def write_staged_plant(
    folder: Path, *, seed: int, broken: float = 0.05, ambiguous: float = 0.02, rates: float = 1.0
) -> StagedPlant:
    """Write the plant; ``broken`` and ``ambiguous`` are shares of its boards' items."""
    rng = np.random.default_rng([seed, 401])
    items = _label(_measure(_places(), rng, rates), rng)
    items = items[~items["gone"]].drop(columns="gone").reset_index(drop=True)
    items["planted"] = ""
    items = _break(_repeat(items, rng, ambiguous), rng, broken)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "history").mkdir()
    named = [c for c in items.columns if c not in ("uid", "true_kind", "planted", "board_no")]
    for stage in STAGES:
        rows = items.loc[items["stage"] == stage, named]
        rows.to_parquet(folder / "history" / f"{stage}.parquet", index=False)
    (folder / "plant.toml").write_text(to_toml(_toml()), encoding="utf-8")
    lines = ["# revision 1", "scope,name,measurement,lower,upper,unit"]
    for family, measurement in (("DEPOSIT", "volume"), ("JOINT", "fillet"), ("INNER", "voids")):
        low, high = LIMITS[measurement]
        lines.append(f"family,{family},{measurement},{'' if low is None else low},{high},%")
    lines.append("family,PLACED,placed_off,,300,%")
    (folder / "recipe.csv").write_text("\n".join((*lines, "")), encoding="utf-8")
    return StagedPlant(folder=folder, items=items)


def _toml() -> dict:
    return {
        "plant": {"name": "Reed Bank (invented)", "verdicts": "verdicts"},
        "review": {"seconds_per_call": SECONDS, "cost_per_hour": HOUR, "miss_rate": MISSED},
        "escape_cost": {"default": PRICE},
        "measurements": {m: {"unit": "%", "step": 1.0} for m in MEASUREMENTS},
        "families": {f: {} for f in ("DEPOSIT", "PLACED", "JOINT", "INNER")},
        "line": {"stages": list(STAGES), "whole_components": ["PLACED"]},
    }


def _places() -> pd.DataFrame:
    """One row per physical place: lot, board, designator, pin."""
    counts = [range(n) for n in SIZES.values()]
    index = pd.MultiIndex.from_product(counts, names=["lot_no", "n", "d", "p"])
    return index.to_frame(index=False)


def _measure(places: pd.DataFrame, rng: np.random.Generator, rates: float) -> pd.DataFrame:
    """Every place at every stage that inspects it, with what truly became of it."""
    lot, size = places["lot_no"].to_numpy(), len(places)
    component = places.groupby(["lot_no", "n", "d"]).ngroup().to_numpy()

    def drawn(middle: float, spread: float, n: int, of: np.ndarray) -> np.ndarray:
        shift = rng.normal(0, 0.3, SIZES["lots"])[of]
        return np.round(middle + spread * (shift + rng.standard_normal(n)), 1)

    deposit = {m: drawn(100, 10, size, lot) for m in ("volume", "height", "area", "paste_off")}
    first = places.drop_duplicates(["lot_no", "n", "d"])["lot_no"].to_numpy()
    placed = {m: drawn(100, 10, len(first), first) for m in ("placed_off", "turn")}

    def happens(z: np.ndarray, at: float) -> np.ndarray:
        # Most of these defects lie far out in what foretells them, some anywhere.
        chance = rates * np.minimum(0.0001 + 0.7 / (1 + np.exp(-4 * (z - at))), 0.9)
        return rng.random(len(z)) < chance

    kind = np.full(size, None, dtype=object)
    off = happens((placed["placed_off"] - 100) / 10, 2.8)[component]
    kind[off & (rng.random(size) < 0.6)] = "shifted"
    kind[rng.random(size) < 0.0012 * rates] = "lifted"
    kind[happens((deposit["area"] - 100) / 10, 3.4)] = "bridge"
    kind[happens((100 - deposit["volume"]) / 10, 3.4)] = "insufficient"
    void = happens((100 - deposit["height"]) / 10, 2.8)
    blank = dict.fromkeys(MEASUREMENTS, np.nan)
    uid = np.arange(size)
    base = places.assign(uid=[f"{u}" for u in uid], true_kind=kind, component=component, **blank)
    deposits = base.assign(stage="paste", family="DEPOSIT", **deposit)
    bad = np.array([k is not None for k in kind])
    fillet = 100 + 8 * rng.standard_normal(size) + np.where(bad, rng.choice([-45.0, 45.0], size), 0)
    joints = base.assign(stage="post-reflow", family="JOINT", fillet=np.round(fillet, 1))
    inner = base.assign(
        stage="x-ray",
        family="INNER",
        true_kind=np.where(void, "void", None),
        voids=np.round(10 + 4 * rng.standard_normal(size) + 25 * void, 1),
    )[(places["n"] % X_RAYED == 0).to_numpy()]
    bodies = base.drop_duplicates("component").assign(
        stage="pre-reflow", family="PLACED", p=-1, true_kind=None, **placed
    )
    bodies["uid"] = [f"c{c}" for c in bodies["component"]]
    return pd.concat([deposits, bodies, joints, inner], ignore_index=True)


def _label(items: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Names, times, calls of the recipe, and the verdicts of reviewers who pass 5 % of defects."""
    n = len(items)
    board = items["lot_no"] * SIZES["boards"] + items["n"]
    items["board_no"] = board
    items["board"] = [f"S{b:06d}" for b in board]
    items["lot"] = [f"lot-{x:03d}" for x in items["lot_no"]]
    items["designator"] = [f"U{d + 1}" for d in items["d"]]
    items["pin"] = [None if p < 0 else str(p + 1) for p in items["p"]]
    minutes = items["n"] * 6 + items["stage"].map(MINUTES)
    items["time"] = [
        START + timedelta(days=int(x), minutes=int(m))
        for x, m in zip(items["lot_no"], minutes, strict=True)
    ]
    called = np.zeros(n, dtype=bool)
    for measurement, (low, high) in LIMITS.items():
        x = items[measurement].astype(np.float32)
        called |= (x > np.float32(high)).to_numpy() | (
            np.zeros(n, bool) if low is None else (x < np.float32(low)).to_numpy()
        )
    own = (items["family"] != "DEPOSIT").to_numpy() & items["true_kind"].notna().to_numpy()
    seen = called & (items["family"] != "DEPOSIT").to_numpy()
    found = seen & own & (rng.random(n) >= MISSED)
    items["called"] = called
    items["verdict"] = np.where(found, "defect", np.where(seen, "good", None))
    items["defect"] = np.where(found, items["true_kind"], None)
    items["found_by"] = np.where(seen, "review", None)
    items["weight"], items["product"] = 1.0, "P1"
    items["gone"] = False
    return items.drop(columns=["lot_no", "n", "d", "p", "component"])


def _repeat(items: pd.DataFrame, rng: np.random.Generator, share: float) -> pd.DataFrame:
    """Boards printed twice, joints inspected twice, a serial read as another board's."""
    boards = int(items["board_no"].max()) + 1
    chosen = rng.permutation(boards)[: max(3, round(share * boards))]
    printed, reworked, misread = (set(chosen[k::3]) for k in range(3))
    # Two in a row: one is read as the next one, which is read as the one after. No key tells that from
    # the truth: the record under the second serial is the first board's, and the second's own is gone.
    misread |= {(b + 1) % boards for b in sorted(misread)[::2]}
    # What lies in the history of a board printed twice is the print that was wiped off, then the other.
    first = items[(items["stage"] == "paste") & items["board_no"].isin(printed)].copy()
    first["time"] -= timedelta(minutes=2)
    first["uid"] = "wiped " + first["uid"]
    for m in ("volume", "height", "area", "paste_off"):
        first[m] = np.round(100 + 12 * rng.standard_normal(len(first)), 1)
    first["called"] = False
    first["true_kind"] = None
    again = items[(items["stage"] == "post-reflow") & items["board_no"].isin(reworked)].copy()
    again["time"] += timedelta(minutes=50)
    again["uid"] = "reworked " + again["uid"]
    again["fillet"], again["called"] = 100.0, False
    again[["verdict", "defect", "found_by", "true_kind"]] = None
    for stage, part in (("paste", printed), ("post-reflow", reworked)):
        rows = (items["stage"] == stage) & items["board_no"].isin(part)
        items.loc[rows, "planted"] = "ambiguous"
    first["planted"] = again["planted"] = "ambiguous"
    rows = (items["stage"] == "paste") & items["board_no"].isin(misread)
    # The next board's own deposits lie under the same serial.
    read = (items.loc[rows, "board_no"] + 1) % boards
    items.loc[rows, "board"] = [f"S{b:06d}" for b in read]
    items.loc[rows, "planted"] = "ambiguous"
    met = (items["stage"] == "paste") & items["board"].isin(set(items.loc[rows, "board"]))
    items.loc[met, "planted"] = "ambiguous"
    return pd.concat([items, first, again], ignore_index=True)


def _break(items: pd.DataFrame, rng: np.random.Generator, share: float) -> pd.DataFrame:
    """Rows lost, pins and designators misnamed, serials that no other board has, clocks set back."""
    luck = rng.random(len(items))
    early = items["stage"].isin(["paste", "post-reflow"])
    lost = early & (luck < 0.4 * share)
    pin = early & (luck >= 0.4 * share) & (luck < 0.6 * share)
    name = early & (luck >= 0.6 * share) & (luck < 0.8 * share)
    boards = int(items["board_no"].max()) + 1
    sound = items.groupby("board_no")["planted"].apply(lambda x: (x == "").all())
    chosen = rng.permutation(sound.index[sound])[: max(2, round(0.2 * share * boards))]
    serial, clock = (
        items["board_no"].isin(set(chosen[k::2])) & (items["stage"] == "paste") for k in range(2)
    )
    items.loc[pin, "pin"] = items.loc[pin, "pin"] + "?"
    items.loc[name, "designator"] = "X" + items.loc[name, "designator"]
    items.loc[serial, "board"] = "?" + items.loc[serial, "board"]
    items.loc[clock, "time"] += timedelta(hours=3)
    items.loc[pin | name | serial | clock, "planted"] += " broken"
    return items[~lost].reset_index(drop=True)
