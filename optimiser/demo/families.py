"""The invented families of the demo plant, one row of a table each."""

from dataclasses import dataclass, field

PRODUCTS = ("TERN", "CURLEW", "WIGEON")

REFERENCE_ITEMS = 1_500_000
"""Items of the history for which the families' numbers of defects are stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyPlan:
    """One row of the table of families.

    `places` counts the components per board of each product; `pins` the inspected pins of
    each, 0 when the component itself is the item. `defects` is the expected number of true
    defects among `REFERENCE_ITEMS`. `measures` holds typical value and spread by
    measurement, `kinds` the share of each kind of defect, `bounds` the workmanship bounds
    (lower, upper), `package` its dimensions in mm as the plant file states them. `drift`,
    `second_supplier`, `odd_place` and `excused_place` are shifts of the latent by measurement:
    over the whole history, of the second part number, of one designator nobody allowed for, of
    one designator with its own row in the recipe.
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
    package: dict[str, float] = field(default_factory=dict)
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


FAMILIES: tuple[FamilyPlan, ...] = (
    FamilyPlan(
        name="RES-0402", prefix="R", part="R104", places=(36, 30, 44), termination="chip",
        defects=135, measures=_chip(500, 300), kinds=CHIP, bounds=_chip_bounds(500, 300),
        package={"width": 0.5, "height": 0.3},
    ),
    FamilyPlan(
        name="RES-0603", prefix="R", part="R106", places=(20, 24, 12), termination="chip",
        defects=55, measures=_chip(800, 450), kinds=CHIP, bounds=_chip_bounds(800, 450),
        package={"width": 0.8, "height": 0.45},
    ),
    FamilyPlan(
        name="RES-0805", prefix="R", part="R108", places=(10, 8, 8), termination="chip",
        defects=40, measures=_chip(1200, 500), kinds=CHIP, bounds=_chip_bounds(1200, 500),
        package={"width": 1.2, "height": 0.5},
    ),
    FamilyPlan(
        name="RES-1206", prefix="R", part="R112", places=(6, 8, 6), termination="chip",
        live="about right", defects=36, measures=_chip(1600, 550), kinds=CHIP,
        bounds=_chip_bounds(1600, 550),
        package={"width": 1.6, "height": 0.55},
    ),
    FamilyPlan(
        name="CAP-0402", prefix="C", part="C204", places=(34, 28, 40), termination="chip",
        defects=125, measures=_chip(500, 500), kinds=CHIP, bounds=_chip_bounds(500, 500),
        package={"width": 0.5, "height": 0.5},
    ),
    FamilyPlan(
        name="CAP-0603", prefix="C", part="C206", places=(20, 18, 24), termination="chip",
        defects=60, measures=_chip(800, 800), kinds=CHIP, bounds=_chip_bounds(800, 800),
        package={"width": 0.8, "height": 0.8},
        second_supplier={"fillet_height": -1.3, "body_match": 1.1},
    ),
    FamilyPlan(
        name="CAP-0805", prefix="C", part="C208", places=(10, 12, 8), termination="chip",
        defects=45, measures=_chip(1250, 900), kinds=CHIP, bounds=_chip_bounds(1250, 900),
        package={"width": 1.25, "height": 0.9},
    ),
    FamilyPlan(
        name="CAP-1210", prefix="C", part="C221", places=(3, 3, 2), termination="chip",
        defects=4, few=True, measures=_chip(2500, 1400),
        kinds={"shifted": 0.4, "insufficient_fillet": 0.6}, bounds=_chip_bounds(2500, 1400),
        package={"width": 2.5, "height": 1.4},
    ),
    FamilyPlan(
        name="SOT-23", prefix="Q", part="Q302", places=(8, 10, 6), termination="gull-wing",
        defects=48, measures=_leaded(210, 400),
        kinds={"lifted_lead": 0.35, "insufficient_fillet": 0.3, "shifted": 0.2, "missing": 0.15},
        bounds={"side_overhang": (None, 200.0), "lead_lift": (None, 200.0)},
        package={"width": 0.4},
        odd_place={"side_overhang": 1.5, "body_offset": 1.3},
    ),
    FamilyPlan(
        name="SOT-6", prefix="Q", part="Q306", places=(4, 4, 6), termination="gull-wing",
        live="loose", defects=70, measures=_leaded(180, 300), kinds=GULL,
        bounds={"side_overhang": (None, 150.0), "lead_lift": (None, 200.0)},
        package={"width": 0.3},
    ),
    FamilyPlan(
        name="SOIC-8", prefix="U", part="U408", places=(2, 1, 3), pins=8,
        termination="gull-wing", defects=50, measures=_leaded(260, 420), kinds=GULL,
        bounds={"side_overhang": (None, 210.0), "lead_lift": (None, 250.0)},
        package={"width": 0.42},
        excused_place={"lead_lift": 1.0},
    ),
    FamilyPlan(
        name="QFP-32", prefix="U", part="U432", places=(1, 1, 1), pins=32,
        termination="gull-wing", live="about right", defects=65, measures=_leaded(190, 300),
        kinds=GULL, bounds={"side_overhang": (None, 150.0), "lead_lift": (None, 200.0)},
        package={"width": 0.3},
        drift={"fillet_height": -1.8, "pad_coverage": 1.4},
    ),
    FamilyPlan(
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
    FamilyPlan(
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
    FamilyPlan(
        name="CON-10", prefix="J", part="J610", places=(2, 1, 1), pins=10,
        termination="gull-wing", grade=3, defects=48, measures=_leaded(320, 500), kinds=GULL,
        bounds={"side_overhang": (None, 125.0), "lead_lift": (None, 260.0)},
        package={"width": 0.5},
    ),
    FamilyPlan(
        name="CON-10-PLACED", stage="pre-reflow", prefix="J", part="J610", host="CON-10",
        places=(2, 1, 1), termination="placed", defects=36,
        measures={
            "side_overhang": (55.0, 0.32), "body_offset": (70.0, 0.32), "tilt": (0.8, 0.34),
            "body_match": (0.94, 0.32),
        },
        kinds={"shifted": 0.65, "missing": 0.2, "wrong_polarity": 0.15},
        bounds={"side_overhang": (None, 500.0)},
    ),
    FamilyPlan(
        name="PASTE-CHIP", stage="paste", prefix="R", part="SP-45", host="RES-0402",
        places=(12, 12, 12), pins=2, termination="deposit", defects=70,
        measures=_deposit(118, 24), kinds=PASTE, bounds={"paste_volume": (40.0, 200.0)},
    ),
    FamilyPlan(
        name="PASTE-FINE", stage="paste", prefix="U", part="SP-45", host="QFP-32",
        places=(1, 1, 1), pins=32, termination="deposit", defects=120,
        measures=_deposit(102, 18), kinds=PASTE, bounds={"paste_volume": (45.0, 185.0)},
    ),
)  # fmt: skip
