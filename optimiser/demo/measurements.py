"""What the demo's machines measure, and what each kind of defect does to it.

Directions of defects are in *reaches*, the distance from the middle of the goods to their far
quantile on that side.
"""

from dataclasses import dataclass


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

KINDS = tuple(DEFECTS)

ESCAPE_COST: dict[str, float] = {
    "shifted": 8.0, "tombstone": 20.0, "insufficient_fillet": 14.0, "bridge": 24.0,
    "lifted_lead": 18.0, "missing": 20.0, "wrong_polarity": 30.0,
    "insufficient_paste": 7.0, "paste_bridge": 8.0, "paste_shifted": 4.0,
}  # fmt: skip
