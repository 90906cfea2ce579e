"""The invented families of the demo plant and the process that makes their items.

First the tables: ten measurements, the kinds of defect, eighteen families. Then `Process`,
one family's process with every parameter fixed by the seed, and `draw_items`, the only
place where a measured value comes into being: history, recipe, must-catch set and truth all
draw from it.

A good item's measurement is a smooth function of a latent ``g`` (0 the middle, about 1 its
spread), with shared factors between measurements and a heavy tail per item. What goes wrong
without being a defect (lot, supplier, place on the board, drift) shifts ``g``. A defect is a
good item moved by its kind's direction times a severity; directions are in *reaches*, the
distance from the middle of the goods to their far quantile on that side.

It knows nothing of days, boards, files or labels.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

REFERENCE_ITEMS = 1_500_000
"""Items of the history for which the families' numbers of defects are stated."""

FAR_QUANTILE = 0.997
LATENT_END = 6.0
GOOD = -1
_PROCESS, _CALIBRATION = 11, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measured quantity.

    `sides` says which limits the recipe sets: ``lower``, ``upper`` or ``both``. `per_unit`
    is how many display counts make one unit (10: shown to a tenth). `shape` says how the
    latent becomes a value: ``level`` typical + spread × g; ``above`` typical ×
    exp(spread × g); ``below`` top - (top - typical) × exp(spread × g). `placement` and
    `solder` are the loadings on the two factors shared by an item's measurements.
    """

    unit: str
    step: float
    repeatability: float
    sides: str
    per_unit: int
    shape: str
    top: float
    placement: float
    solder: float
    about: str


MEASUREMENTS: dict[str, Measurement] = {
    "fillet_height": Measurement(
        unit="um", step=5.0, repeatability=3.0, sides="both", per_unit=1, shape="level",
        top=5000.0, placement=-0.2, solder=-0.6, about="solder height at the termination or heel",
    ),
    "side_overhang": Measurement(
        unit="um", step=5.0, repeatability=3.0, sides="upper", per_unit=1, shape="above",
        top=5000.0, placement=0.6, solder=0.0, about="termination beyond the side of its pad",
    ),
    "body_offset": Measurement(
        unit="um", step=5.0, repeatability=4.0, sides="upper", per_unit=1, shape="above",
        top=5000.0, placement=0.6, solder=0.0, about="body or deposit from its nominal place",
    ),
    "tilt": Measurement(
        unit="deg", step=0.5, repeatability=0.2, sides="upper", per_unit=10, shape="above",
        top=90.0, placement=0.3, solder=0.3, about="body against the plane of the board",
    ),
    "pad_coverage": Measurement(
        unit="%", step=1.0, repeatability=0.8, sides="lower", per_unit=2, shape="below",
        top=100.0, placement=0.4, solder=0.5, about="share of the pad that is wetted",
    ),
    "lead_lift": Measurement(
        unit="um", step=5.0, repeatability=3.0, sides="upper", per_unit=1, shape="above",
        top=5000.0, placement=0.1, solder=0.4, about="gap between lead and pad",
    ),
    "body_match": Measurement(
        unit="score", step=0.01, repeatability=0.006, sides="lower", per_unit=100, shape="below",
        top=1.0, placement=0.3, solder=0.1, about="likeness to the taught body and its marking",
    ),
    "paste_volume": Measurement(
        unit="%", step=1.0, repeatability=1.2, sides="both", per_unit=2, shape="level",
        top=400.0, placement=0.0, solder=-0.85, about="paste volume against the aperture's",
    ),
    "paste_area": Measurement(
        unit="%", step=1.0, repeatability=0.9, sides="both", per_unit=2, shape="level",
        top=300.0, placement=0.2, solder=-0.6, about="paste area against the aperture's",
    ),
    "paste_height": Measurement(
        unit="um", step=5.0, repeatability=1.8, sides="both", per_unit=1, shape="level",
        top=600.0, placement=0.0, solder=-0.55, about="mean height of the deposit",
    ),
}  # fmt: skip

DEFECTS: dict[str, dict[str, float]] = {
    "shifted": {
        "side_overhang": 1.7, "body_offset": 1.6, "pad_coverage": -0.4,
        "body_match": -0.5, "tilt": 0.3,
    },
    "tombstone": {
        "tilt": 2.6, "fillet_height": -1.5, "body_match": -1.6,
        "pad_coverage": -0.8, "body_offset": 0.8,
    },
    "insufficient_fillet": {
        "fillet_height": -1.7, "pad_coverage": -1.2, "lead_lift": 0.3, "body_match": -0.2,
    },
    "bridge": {"fillet_height": 1.8, "side_overhang": 0.9, "body_match": -1.0},
    "lifted_lead": {"lead_lift": 1.9, "fillet_height": -1.2, "pad_coverage": -0.9, "tilt": 0.5},
    "missing": {"body_match": -3.2, "fillet_height": -2.2, "pad_coverage": -0.7},
    "wrong_polarity": {"body_match": -2.2, "side_overhang": 0.2},
    "insufficient_paste": {"paste_volume": -1.8, "paste_area": -1.2, "paste_height": -1.0},
    "paste_bridge": {
        "paste_volume": 1.4, "paste_area": 1.7, "body_offset": 0.8, "paste_height": 0.4,
    },
    "paste_shifted": {"body_offset": 1.8, "paste_area": -0.5},
}  # fmt: skip

UNMEASURED_WHEN_MISSING = 0.15
"""Chance per measurement that nothing could be measured where the part is missing."""

ESCAPE_COST: dict[str, float] = {
    "shifted": 8.0, "tombstone": 20.0, "insufficient_fillet": 14.0, "bridge": 24.0,
    "lifted_lead": 18.0, "missing": 20.0, "wrong_polarity": 30.0,
    "insufficient_paste": 7.0, "paste_bridge": 8.0, "paste_shifted": 4.0,
}  # fmt: skip

# How far each live limit stands from the middle of the goods, in reaches.
LIVE: dict[str, tuple[float, float]] = {
    "tight": (0.94, 1.12),
    "about right": (1.20, 1.34),
    "loose": (1.85, 2.25),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One row of the table of families.

    `places` counts the components per board of each product; `pins` the inspected pins of
    each, 0 when the component itself is the item. `defects` is the expected number of true
    defects among `REFERENCE_ITEMS`. `measures` holds typical value and spread by
    measurement, `kinds` the share of each kind of defect, `bounds` the workmanship bounds
    (lower, upper). `drift`, `second_supplier`, `odd_place` and `excused_place` are shifts of
    the latent by measurement: over the whole history, of the second part number, of one
    designator nobody allowed for, of one designator with its own row in the recipe.
    """

    name: str
    stage: str = "post-reflow"
    prefix: str
    part: str
    host: str = ""
    places: tuple[int, int, int]
    pins: int = 0
    termination: str
    grade: int = 2
    critical: bool = False
    live: str = "tight"
    defects: float
    few: bool = False
    measures: dict[str, tuple[float, float]]
    kinds: dict[str, float]
    bounds: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)
    drift: dict[str, float] = field(default_factory=dict)
    second_supplier: dict[str, float] = field(default_factory=dict)
    odd_place: dict[str, float] = field(default_factory=dict)
    excused_place: dict[str, float] = field(default_factory=dict)
    audit: float = 0.0005


CHIP = {"shifted": 0.3, "tombstone": 0.2, "insufficient_fillet": 0.3, "missing": 0.2}
GULL = {"lifted_lead": 0.35, "bridge": 0.25, "insufficient_fillet": 0.25, "shifted": 0.15}
PASTE = {"insufficient_paste": 0.5, "paste_bridge": 0.3, "paste_shifted": 0.2}


def _chip(width: float, height: float) -> dict[str, tuple[float, float]]:
    """Return a two-terminal part's measures from its width and height in µm."""
    return {
        "fillet_height": (0.55 * height, 0.075 * height),
        "side_overhang": (8.0 + 0.03 * width, 0.32),
        "body_offset": (10.0 + 0.035 * width, 0.32),
        "tilt": (1.2, 0.33),
        "pad_coverage": (92.0, 0.32),
        "body_match": (0.94, 0.32),
    }


def _leaded(heel: float, width: float) -> dict[str, tuple[float, float]]:
    """Return a leaded part's measures from its heel fillet and lead width in µm."""
    return {
        "fillet_height": (heel, 0.11 * heel),
        "side_overhang": (6.0 + 0.05 * width, 0.34),
        "body_offset": (25.0, 0.32),
        "tilt": (0.7, 0.34),
        "pad_coverage": (90.0, 0.32),
        "lead_lift": (14.0, 0.34),
        "body_match": (0.95, 0.32),
    }


def _deposit(height: float, offset: float) -> dict[str, tuple[float, float]]:
    """Return a paste deposit's measures from its height and offset in µm."""
    return {
        "paste_volume": (101.0, 9.0),
        "paste_area": (98.0, 5.5),
        "paste_height": (height, 0.08 * height),
        "body_offset": (offset, 0.33),
    }


def _chip_bounds(
    width: float, height: float, grade: int = 2
) -> dict[str, tuple[float | None, float | None]]:
    """Return bounds after the trade's usual dimensions: 50 % of the width, 25 % in class 3."""
    share = 0.25 if grade == 3 else 0.5
    return {
        "side_overhang": (None, share * width),
        "fillet_height": (round(0.12 * height) if grade == 2 else round(0.25 * height), None),
        "pad_coverage": (75.0 if grade == 3 else 50.0, None),
    }


FAMILIES: tuple[Family, ...] = (
    Family(
        name="RES-0402", prefix="R", part="R104", places=(36, 30, 44), termination="chip",
        defects=135, measures=_chip(500, 300), kinds=CHIP, bounds=_chip_bounds(500, 300),
    ),
    Family(
        name="RES-0603", prefix="R", part="R106", places=(20, 24, 12), termination="chip",
        defects=55, measures=_chip(800, 450), kinds=CHIP, bounds=_chip_bounds(800, 450),
    ),
    Family(
        name="RES-0805", prefix="R", part="R108", places=(10, 8, 8), termination="chip",
        defects=40, measures=_chip(1200, 500), kinds=CHIP, bounds=_chip_bounds(1200, 500),
    ),
    Family(
        name="RES-1206", prefix="R", part="R112", places=(6, 8, 6), termination="chip",
        live="about right", defects=36, measures=_chip(1600, 550), kinds=CHIP,
        bounds=_chip_bounds(1600, 550),
    ),
    Family(
        name="CAP-0402", prefix="C", part="C204", places=(34, 28, 40), termination="chip",
        defects=125, measures=_chip(500, 500), kinds=CHIP, bounds=_chip_bounds(500, 500),
    ),
    Family(
        name="CAP-0603", prefix="C", part="C206", places=(20, 18, 24), termination="chip",
        defects=60, measures=_chip(800, 800), kinds=CHIP, bounds=_chip_bounds(800, 800),
        second_supplier={"fillet_height": -1.3, "body_match": 1.1},
    ),
    Family(
        name="CAP-0805", prefix="C", part="C208", places=(10, 12, 8), termination="chip",
        defects=45, measures=_chip(1250, 900), kinds=CHIP, bounds=_chip_bounds(1250, 900),
    ),
    Family(
        name="CAP-1210", prefix="C", part="C221", places=(3, 3, 2), termination="chip",
        defects=4, few=True, measures=_chip(2500, 1400),
        kinds={"shifted": 0.4, "insufficient_fillet": 0.6}, bounds=_chip_bounds(2500, 1400),
    ),
    Family(
        name="SOT-23", prefix="Q", part="Q302", places=(8, 10, 6), termination="gull-wing",
        defects=48, measures=_leaded(210, 400),
        kinds={"lifted_lead": 0.35, "insufficient_fillet": 0.3, "shifted": 0.2, "missing": 0.15},
        bounds={"side_overhang": (None, 200.0), "lead_lift": (None, 200.0)},
        odd_place={"side_overhang": 1.5, "body_offset": 1.3},
    ),
    Family(
        name="SOT-6", prefix="Q", part="Q306", places=(4, 4, 6), termination="gull-wing",
        live="loose", defects=70, measures=_leaded(180, 300), kinds=GULL,
        bounds={"side_overhang": (None, 150.0), "lead_lift": (None, 200.0)},
    ),
    Family(
        name="SOIC-8", prefix="U", part="U408", places=(2, 1, 3), pins=8,
        termination="gull-wing", defects=50, measures=_leaded(260, 420), kinds=GULL,
        bounds={"side_overhang": (None, 210.0), "lead_lift": (None, 250.0)},
        excused_place={"lead_lift": 1.0},
    ),
    Family(
        name="QFP-32", prefix="U", part="U432", places=(1, 1, 1), pins=32,
        termination="gull-wing", live="about right", defects=65, measures=_leaded(190, 300),
        kinds=GULL, bounds={"side_overhang": (None, 150.0), "lead_lift": (None, 200.0)},
        drift={"fillet_height": -1.8, "pad_coverage": 1.4},
    ),
    Family(
        name="QFN-16", prefix="U", part="U516", places=(1, 1, 2), pins=16,
        termination="no-lead", live="loose", defects=85,
        measures={
            "fillet_height": (150.0, 17.0), "side_overhang": (18.0, 0.33),
            "body_offset": (28.0, 0.32), "tilt": (0.6, 0.34), "pad_coverage": (89.0, 0.32),
            "body_match": (0.95, 0.32),
        },
        kinds={"insufficient_fillet": 0.5, "bridge": 0.25, "shifted": 0.25},
        bounds={"side_overhang": (None, 150.0), "pad_coverage": (45.0, None)},
    ),
    Family(
        name="ELCO-8", prefix="C", part="C808", places=(4, 5, 3), termination="can", grade=3,
        critical=True, live="about right", defects=36,
        measures={
            "fillet_height": (420.0, 45.0), "side_overhang": (40.0, 0.33),
            "body_offset": (60.0, 0.32), "tilt": (1.0, 0.34), "pad_coverage": (90.0, 0.32),
            "lead_lift": (20.0, 0.34), "body_match": (0.95, 0.32),
        },
        kinds={"wrong_polarity": 0.3, "lifted_lead": 0.3, "insufficient_fillet": 0.25,
               "shifted": 0.15},
        bounds={"side_overhang": (None, 225.0), "lead_lift": (None, 250.0),
                "pad_coverage": (55.0, None)},
        audit=0.002,
    ),
    Family(
        name="CON-10", prefix="J", part="J610", places=(2, 1, 1), pins=10,
        termination="gull-wing", grade=3, defects=48, measures=_leaded(320, 500), kinds=GULL,
        bounds={"side_overhang": (None, 125.0), "lead_lift": (None, 260.0)},
    ),
    Family(
        name="CON-10-PLACED", stage="pre-reflow", prefix="J", part="J610", host="CON-10",
        places=(2, 1, 1), termination="placed", defects=36,
        measures={
            "side_overhang": (55.0, 0.32), "body_offset": (70.0, 0.32), "tilt": (0.8, 0.34),
            "body_match": (0.94, 0.32),
        },
        kinds={"shifted": 0.65, "missing": 0.2, "wrong_polarity": 0.15},
        bounds={"side_overhang": (None, 500.0)},
    ),
    Family(
        name="PASTE-CHIP", stage="paste", prefix="R", part="SP-45", host="RES-0402",
        places=(12, 12, 12), pins=2, termination="deposit", defects=70,
        measures=_deposit(118, 24), kinds=PASTE, bounds={"paste_volume": (40.0, 200.0)},
    ),
    Family(
        name="PASTE-FINE", stage="paste", prefix="U", part="SP-45", host="QFP-32",
        places=(1, 1, 1), pins=32, termination="deposit", defects=120,
        measures=_deposit(102, 18), kinds=PASTE, bounds={"paste_volume": (45.0, 185.0)},
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Process:
    """One family's process, every parameter fixed by the seed.

    Shape letters: k measurements of the family, j kinds of defect.

    Parameters
    ----------
    family : Family
        Its row of the table.
    names, kinds : tuple of str
        The k measurements and the j kinds of defect.
    typical, spread, top, placement, solder : ndarrays, shape (k,)
        See `Measurement`.
    shape : ndarray of int, shape (k,)
        0 level, 1 above, 2 below.
    per_unit : ndarray, shape (k,)
        Display counts per unit.
    unmeasured : ndarray, shape (k,)
        Chance that a measurement is missing on an item.
    moves : ndarray, shape (j, k)
        What a defect of severity 1 adds to each measurement, in its unit.
    rates : ndarray, shape (j,)
        Expected defects per item, by kind.
    middle, reach_down, reach_up : ndarrays, shape (k,)
        Median of the goods and the distance to their far quantile on either side.
    """

    family: Family
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    typical: Floats
    spread: Floats
    top: Floats
    placement: Floats
    solder: Floats
    shape: Ints
    per_unit: Floats
    unmeasured: Floats
    moves: Floats
    rates: Floats
    middle: Floats
    reach_down: Floats
    reach_up: Floats

    def latent(self, shifts: dict[str, float]) -> Floats:
        """Return shifts given by name as an array of shape (k,), 0 where not named."""
        return np.array([shifts.get(name, 0.0) for name in self.names])


def build_process(index: int, *, seed: int, items_per_board: float) -> Process:
    """Return the process of one family.

    Parameters
    ----------
    index : int
        Row of `FAMILIES`.
    seed : int
        Same seed, same parameters.
    items_per_board : float
        Mean number of items on a board, all families together: it turns the table's number
        of defects into a rate per item.

    Returns
    -------
    Process
    """
    family = FAMILIES[index]
    rng = np.random.default_rng([seed, _PROCESS, index])
    bare = _bare_process(family, rng)
    goods = draw_items(
        bare,
        shifts=rng.normal(0.0, 0.25, (30_000, len(bare.names))),
        kinds=np.full(30_000, GOOD),
        severity=np.zeros(30_000),
        rng=np.random.default_rng([seed, _CALIBRATION, index]),
    )
    low, middle, high = np.nanquantile(goods, [1 - FAR_QUANTILE, 0.5, FAR_QUANTILE], axis=0)
    down, up = middle - low, high - middle
    steps = np.array([MEASUREMENTS[name].step for name in bare.names])
    down, up = np.maximum(down, steps), np.maximum(up, steps)
    units = np.array([[DEFECTS[kind].get(name, 0.0) for name in bare.names] for kind in bare.kinds])
    units *= np.exp(rng.normal(0.0, 0.1, units.shape))
    own_items = np.mean([count * max(family.pins, 1) for count in family.places])
    per_item = family.defects / (REFERENCE_ITEMS * float(own_items) / items_per_board)
    rates = per_item * np.array([family.kinds[kind] for kind in bare.kinds])
    return replace(
        bare,
        moves=np.where(units > 0, units * up, units * down),
        rates=rates,
        middle=middle,
        reach_down=down,
        reach_up=up,
    )


def _bare_process(family: Family, rng: np.random.Generator) -> Process:
    """Return the process without what is found by drawing from it."""
    names, kinds = tuple(family.measures), tuple(family.kinds)
    kept = [MEASUREMENTS[name] for name in names]
    k, j = len(names), len(kinds)
    typical = np.array([family.measures[name][0] for name in names])
    return Process(
        family=family,
        names=names,
        kinds=kinds,
        typical=_jitter_typical(typical, kept, rng),
        spread=np.array([family.measures[n][1] for n in names]) * rng.uniform(0.93, 1.07, k),
        top=np.array([m.top for m in kept]),
        placement=np.array([m.placement for m in kept]),
        solder=np.array([m.solder for m in kept]),
        shape=np.array([("level", "above", "below").index(m.shape) for m in kept]),
        per_unit=np.array([m.per_unit for m in kept], dtype=np.float64),
        unmeasured=np.exp(rng.uniform(np.log(0.0002), np.log(0.01), k)),
        moves=np.zeros((j, k)),
        rates=np.zeros(j),
        middle=typical,
        reach_down=np.ones(k),
        reach_up=np.ones(k),
    )


def _jitter_typical(typical: Floats, kept: list[Measurement], rng: np.random.Generator) -> Floats:
    """Return typical values moved by some percent; of the loss where the shape is below."""
    factor = rng.uniform(0.96, 1.04, len(kept))
    top = np.array([m.top for m in kept])
    below = np.array([m.shape == "below" for m in kept])
    return np.where(below, top - (top - typical) * factor, typical * factor)


def draw_items(
    process: Process,
    *,
    shifts: Floats,
    kinds: Ints,
    severity: Floats,
    rng: np.random.Generator,
) -> Singles:
    """Return the measured values of n items.

    Parameters
    ----------
    process : Process
        The family's process, k measurements.
    shifts : ndarray, shape (n, k)
        Shift of the latent from lot, part, place, line and drift together.
    kinds : ndarray of int, shape (n,)
        Row of `process.kinds`; `GOOD` for a good item.
    severity : ndarray, shape (n,)
        Multiplies the kind's moves; not read for goods.
    rng : numpy.random.Generator
        Advanced by this call.

    Returns
    -------
    ndarray of float32, shape (n, k)
        Rounded as the machine shows them; nan where not measured.
    """
    values = _values_of(process, shifts + _draw_latent(process, len(shifts), rng))
    bad = np.flatnonzero(kinds != GOOD)
    noise = np.exp(rng.normal(0.0, 0.25, (len(bad), len(process.names))))
    values[bad] += process.moves[kinds[bad]] * severity[bad, None] * noise
    np.clip(values, 0.0, process.top, out=values)
    shown = (np.rint(values * process.per_unit) / process.per_unit).astype(np.float32)
    unmeasured = np.broadcast_to(process.unmeasured, shown.shape)
    if len(bad) and "missing" in process.kinds:
        gone = kinds == process.kinds.index("missing")
        unmeasured = np.where(gone[:, None], UNMEASURED_WHEN_MISSING, unmeasured)
    shown[rng.random(shown.shape) < unmeasured] = np.nan
    return shown


def _draw_latent(process: Process, n: int, rng: np.random.Generator) -> Floats:
    """Return n latents: two shared factors, an own part, a heavy tail per item, ends cut."""
    own = np.sqrt(1.0 - process.placement**2 - process.solder**2)
    factors = rng.standard_normal((n, 2))
    latent = rng.standard_normal((n, len(process.names))) * own
    latent += factors[:, :1] * process.placement + factors[:, 1:] * process.solder
    luck = rng.random((n, 1))
    latent *= np.where(luck < 0.945, 1.0, np.where(luck < 0.995, 1.5, 2.2))
    return latent


def _values_of(process: Process, latent: Floats) -> Floats:
    """Return the values of latents, shape (n, k) both."""
    g = np.clip(latent, -LATENT_END, LATENT_END) * process.spread
    grown = np.exp(np.where(process.shape == 0, 0.0, g))
    loss = process.top - (process.top - process.typical) * grown
    shapes = [process.shape == 0, process.shape == 1]
    return np.select(shapes, [process.typical + g, process.typical * grown], loss)


def middle_at(process: Process, shift: Floats) -> Floats:
    """Return the middle of the goods whose latent is shifted by `shift`, shape (k,)."""
    moved = _values_of(process, shift[None, :])[0]
    still = _values_of(process, np.zeros((1, len(shift))))[0]
    middle: Floats = process.middle + moved - still
    return middle
