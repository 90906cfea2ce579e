"""Plants unlike the demo, whose truth is known: written to disk, judged on lots drawn afresh.

A plant is a few families over the same measurements. Goods may be skewed, heavy-tailed, mixed
from suppliers, different from lot to lot or on the move; defects come in three to five
mechanisms, one by one or in bursts on bad boards; reviewers miss and misread at rates that the
plant file may or may not know. ``KINDS`` names the combinations that claims are judged on.
"""

import json
from dataclasses import dataclass, field, replace
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

SIDES = ("lower", "upper")
START = pd.Timestamp("2026-03-02 06:00")
DAYS_PER_LOT = 1.5


@dataclass(frozen=True, kw_only=True)
class Kind:
    """What one kind of plant is like; all distances in standard deviations of the goods."""

    families: int = 6
    measurements: int = 6
    lots: int = 40
    per_lot: int = 600  # items of a family in a lot
    skew: float = 0.0  # 0 is symmetric; 1 is like a lognormal of sigma 0.5
    freedom: float = 30.0  # of the heavy tails
    suppliers: int = 1
    apart: float = 0.0  # between suppliers
    lot_shift: float = 0.15
    drift: float = 0.0  # over the history's span, and as much again over the next
    defects: float = 90.0  # of a family over the history, in truth
    burst: float = 1.0  # defects of a bad board
    index: float = 4.0  # of the gamma by which lots' defect rates differ; small is bursty
    one_mechanism: bool = False  # a lot's defects come from one mechanism
    miss: float = 0.06
    false_alarm: float = 0.0
    stated_miss: float | None = None
    stated_false_alarm: float | None = None
    coverage: float = 0.5  # of escapes that test finds
    live: tuple[float, float] = (1.9, 2.7)  # live limits, goods' standard deviations
    price: tuple[float, float] = (20.0, 300.0)  # money of an escape
    critical: bool = False
    depth: tuple[float, float] = (2.5, 7.0)  # of a mechanism's centre
    toml: dict = field(default_factory=dict)


KINDS = {
    "skewed": Kind(skew=1.0, freedom=6.0, false_alarm=0.002),
    "suppliers": Kind(suppliers=3, apart=1.2, lot_shift=0.2, false_alarm=0.001),
    "restless": Kind(lot_shift=0.6, skew=0.4, freedom=8.0, lots=25, per_lot=900),
    "bursts": Kind(burst=3.0, index=1.0, one_mechanism=True, defects=120.0),
    "misread": Kind(false_alarm=0.004, critical=True, defects=60.0),
    "careless": Kind(miss=0.25, false_alarm=0.01, stated_miss=0.06, stated_false_alarm=0.002),
    "moving": Kind(drift=1.5),
    "wide": Kind(measurements=30, families=3, freedom=8.0, live=(2.4, 3.0)),
    "thin": Kind(defects=22.0, lots=20, per_lot=900, false_alarm=0.001),
    "scant": Kind(defects=16.0, depth=(1.5, 3.5), price=(60.0, 400.0), lots=20, false_alarm=0.001),
    "dear": Kind(price=(200.0, 900.0), defects=45.0, depth=(2.0, 4.5), false_alarm=0.001),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Mechanism:
    """One way in which items of a family fail."""

    share: float
    centre: np.ndarray  # (m,)
    scatter: np.ndarray  # (m,)


@dataclass(frozen=True, kw_only=True, eq=False)
class Family:
    """What one family's goods and defects are drawn from."""

    name: str
    kind: Kind
    mixing: np.ndarray  # (m, m)
    supplier: np.ndarray  # (suppliers, m)
    heading: np.ndarray  # (m,) of the drift
    mechanisms: tuple[Mechanism, ...]
    lower: np.ndarray  # (m,) live limits, -inf off
    upper: np.ndarray  # (m,)
    scale: np.ndarray  # (m,)
    centre: np.ndarray  # (m,)

    def goods(self, rng: np.random.Generator, lot: np.ndarray, when: np.ndarray) -> np.ndarray:
        """Values of goods in lots, shape (n, m); ``when`` is time in spans of the history."""
        kind, m = self.kind, len(self.scale)
        lots = int(lot.max(initial=-1)) + 1
        z = rng.standard_normal((lot.size, m)) @ self.mixing.T
        z /= np.sqrt(rng.chisquare(kind.freedom, (lot.size, 1)) / kind.freedom)
        if kind.skew:
            z = np.expm1(0.5 * kind.skew * z) / (0.5 * kind.skew)
        z += rng.normal(0.0, kind.lot_shift, (lots, m))[lot]
        z += self.supplier[rng.integers(0, kind.suppliers, lots)][lot]
        z += kind.drift * when[:, None] * self.heading
        return self.values(z)

    def defects(self, rng: np.random.Generator, mechanism: np.ndarray) -> np.ndarray:
        """Values of defects by mechanism, shape (n, m)."""
        centre = np.array([x.centre for x in self.mechanisms])[mechanism]
        scatter = np.array([x.scatter for x in self.mechanisms])[mechanism]
        return self.values(centre + scatter * rng.standard_normal(centre.shape))

    def values(self, z: np.ndarray) -> np.ndarray:
        """From standard deviations to units, as float32 holds them."""
        return (self.centre + self.scale * z).astype(np.float32)

    def called(self, x: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
        """Which rows a pair of limits calls: float32 against float32."""
        return ((x < lower.astype(np.float32)) | (x > upper.astype(np.float32))).any(axis=1)

    def arrivals(self, rng: np.random.Generator, lots: int) -> tuple[np.ndarray, ...]:
        """Lot, board within the lot and mechanism of every defect of some lots."""
        kind = self.kind
        share = np.array([x.share for x in self.mechanisms])
        rate = kind.defects / kind.lots / kind.burst
        boards = rng.poisson(rate * rng.gamma(kind.index, 1 / kind.index, lots))
        lot = np.repeat(np.arange(lots), boards)
        board = rng.integers(0, 20, lot.size)
        of_lot = rng.choice(share.size, lots, p=share)
        mechanism = of_lot[lot] if kind.one_mechanism else rng.choice(share.size, lot.size, p=share)
        size = rng.geometric(1 / kind.burst, lot.size)
        return tuple(np.repeat(part, size) for part in (lot, board, mechanism))


def make_family(kind: Kind, seed: int, number: int) -> Family:
    """Draw one family of a plant."""
    rng = np.random.default_rng([seed, number, 17])
    m = kind.measurements
    share = rng.dirichlet(np.full(rng.integers(3, 6), 2.0))
    sides = rng.random((m, 2)) < np.array([0.35, 0.9])
    sides[~sides.any(axis=1), 1] = True
    mechanisms = []
    for part in share:
        moved = rng.choice(m, rng.integers(1, 4), replace=False)
        sign = np.where(
            sides[moved, 1] & (~sides[moved, 0] | (rng.random(moved.size) < 0.6)), 1, -1
        )
        centre = np.zeros(m)
        centre[moved] = sign * rng.uniform(*kind.depth, moved.size)
        scatter = np.where(centre != 0, rng.uniform(0.8, 2.0), 1.0)
        mechanisms.append(Mechanism(share=float(part), centre=centre, scatter=scatter))
    correlation = np.full((m, m), 0.25) + 0.75 * np.eye(m)
    scale, middle = rng.choice([0.2, 1.0, 5.0], m), rng.uniform(20, 90, m).round()
    live = rng.uniform(*kind.live, (2, m))
    step = scale / 10
    lower, upper = (
        np.round((middle + sign * scale * (z + (kind.skew / 4 if sign > 0 else 0))) / step) * step
        for sign, z in zip((-1, 1), live, strict=True)
    )
    return Family(
        name=f"F{number:02d}",
        kind=kind,
        mixing=np.linalg.cholesky(correlation),
        supplier=rng.normal(0, kind.apart, (kind.suppliers, m)) * (rng.random(m) < 0.4),
        heading=np.where(rng.random(m) < 0.5, 1.0, 0.0),
        mechanisms=tuple(mechanisms),
        lower=np.where(sides[:, 0], lower, -np.inf),
        upper=np.where(sides[:, 1], upper, np.inf),
        scale=scale,
        centre=middle,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Stranger:
    """A plant on disk and what it was drawn from."""

    folder: Path
    kind: Kind
    seed: int
    families: tuple[Family, ...]
    truth: pd.DataFrame  # family, board, designator, is_defect of every labelled or called item


def make_stranger(folder: Path, name: str | Kind, seed: int) -> Stranger:
    """Write a plant of a kind and return it with its truth."""
    kind = KINDS[name] if isinstance(name, str) else name
    folder.mkdir(parents=True, exist_ok=True)
    # Scales are a plant's: one per measurement.
    families = [make_family(kind, seed, n) for n in range(kind.families)]
    families = [_with_scales_of(f, families[0]) for f in families]
    frames = [draw_history(f, np.random.default_rng([seed, n, 3])) for n, f in enumerate(families)]
    frame = pd.concat(frames, ignore_index=True).sort_values(["time", "family"], kind="stable")
    _write_files(folder, kind, seed, families)
    (folder / "history").mkdir(exist_ok=True)
    truth = frame.loc[frame["verdict"].notna(), ["family", "board", "designator", "is_defect"]]
    shown = frame.drop(columns="is_defect")
    with duckdb.connect() as con:
        con.register("shown", shown)
        target = folder / "history" / "items.parquet"
        con.execute(f"copy (select * from shown) to '{target}' (format parquet)")
    return Stranger(folder=folder, kind=kind, seed=seed, families=tuple(families), truth=truth)


def _with_scales_of(family: Family, first: Family) -> Family:
    """Move a family onto another's units: its limits keep their distance in deviations."""

    def moved(limits: np.ndarray) -> np.ndarray:
        z = (limits - family.centre) / family.scale
        step = first.scale / 10
        return np.where(
            np.isfinite(z), np.round((first.centre + z * first.scale) / step) * step, limits
        )

    return replace(
        family,
        lower=moved(family.lower),
        upper=moved(family.upper),
        scale=first.scale,
        centre=first.centre,
    )


def draw_history(family: Family, rng: np.random.Generator) -> pd.DataFrame:
    """Items of one family over the history, called, reviewed and tested."""
    kind, m = family.kind, len(family.scale)
    lot = np.repeat(np.arange(kind.lots), kind.per_lot)
    board = np.tile(np.arange(kind.per_lot) % 20, kind.lots)
    x = family.goods(rng, lot, lot / kind.lots)
    bad_lot, bad_board, mechanism = family.arrivals(rng, kind.lots)
    bad = family.defects(rng, mechanism)
    lot, board, x = (
        np.concatenate(parts) for parts in ((lot, bad_lot), (board, bad_board), (x, bad))
    )
    is_defect = np.arange(lot.size) >= lot.size - len(bad)
    called = family.called(x, family.lower, family.upper)
    draw = rng.random(lot.size)
    labelled = called & np.where(is_defect, draw >= kind.miss, draw < kind.false_alarm)
    found = is_defect & ~labelled & (rng.random(lot.size) < kind.coverage)
    verdict = np.where(labelled | found, "defect", np.where(called, "good", None))
    return pd.DataFrame(
        {
            "time": START
            + pd.to_timedelta(lot * DAYS_PER_LOT, unit="D")
            + pd.to_timedelta(board * 600 + np.arange(lot.size) % 599, unit="s"),
            "line": "L1",
            "station": "S1",
            "stage": "post-reflow",
            "product": "P1",
            "board": [f"{family.name}-{a:03d}-{b:02d}" for a, b in zip(lot, board, strict=True)],
            "lot": [f"lot-{a:03d}" for a in lot],
            "designator": [f"{family.name}{n}" for n in range(lot.size)],
            "pin": pd.Series([None] * lot.size, dtype=object),
            "part": f"{family.name}-A",
            "family": family.name,
            **{f"m{i:02d}": x[:, i] for i in range(m)},
            "called": called,
            "verdict": verdict,
            "defect": np.where(labelled | found, "fault", None),
            "found_by": np.where(
                labelled, "review", np.where(found, "test", np.where(called, "review", None))
            ),
            "weight": 1.0,
            "is_defect": is_defect,
        }
    )


def price_of(kind: Kind, seed: int) -> float:
    """Money of one escape at a plant."""
    return round(float(np.exp(np.random.default_rng([seed, 5]).uniform(*np.log(kind.price)))), 1)


def _write_files(folder: Path, kind: Kind, seed: int, families: list[Family]) -> None:
    stated = kind.miss if kind.stated_miss is None else kind.stated_miss
    misread = kind.false_alarm if kind.stated_false_alarm is None else kind.stated_false_alarm
    tables = {
        "plant": {"name": f"Stranger {seed}"},
        "review": {"miss_rate": stated, "false_alarm_rate": misread},
        "escape_cost": {"default": price_of(kind, seed)},
        "labels": {"test_coverage": kind.coverage},
        **kind.toml,
    }
    lines = [
        line
        for name, table in tables.items()
        for line in (f"[{name}]", *(f"{k} = {json.dumps(v)}" for k, v in table.items()))
    ]
    for i, scale in enumerate(families[0].scale):
        lines += [f"[measurements.m{i:02d}]", 'unit = "um"', f"step = {scale / 10:g}"]
        lines += [f"repeatability = {scale / 20:g}"]
    for family in families:
        lines += [f"[families.{family.name}]", f"critical = {json.dumps(kind.critical)}"]
    (folder / "plant.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rows = ["# revision 1", "scope,name,measurement,lower,upper,unit"]
    for family in families:
        for i, (low, high) in enumerate(zip(family.lower, family.upper, strict=True)):
            ends = [f"{x:.6g}" if np.isfinite(x) else "" for x in (low, high)]
            rows.append(f"family,{family.name},m{i:02d},{ends[0]},{ends[1]},um")
    (folder / "recipe.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
