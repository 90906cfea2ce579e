"""Workmanship bounds: worked figures of chip, gull-wing and castellated terminations.

The figures are recomputed by hand from the criteria of IPC-A-610 (F and H) as public guides give them;
end joint widths are held against the public-domain NASA-STD-8739.2 as well, fillet heights of chips in
class 3 are from memory.
"""

from itertools import pairwise

import pytest

from optimiser.errors import PlantError
from optimiser.plant.file import Dimensions, Family, read_plant
from optimiser.plant.workmanship import CHECK, TERMINATIONS, criteria, dimensions_of


def bounds(termination: str, grade: int, **mm: float) -> dict[tuple[str, str], float]:
    """The bounds of a termination by feature and side."""
    found, _ = criteria(termination, grade, Dimensions(**mm))
    return {(c.feature, c.side): c.bound for c in found}


@pytest.mark.parametrize(
    ("termination", "mm", "feature", "side", "by_class"),
    [
        # 0603 chip, W 0.80, P 0.90.
        ("chip", {"width": 0.8, "land": 0.9}, "side overhang", "upper", (0.4, 0.4, 0.2)),
        ("chip", {"width": 0.8, "land": 0.9}, "end joint width", "lower", (0.4, 0.4, 0.6)),
        # A land narrower than the termination decides.
        ("chip", {"width": 0.8, "land": 0.6}, "side overhang", "upper", (0.3, 0.3, 0.15)),
        ("chip", {"width": 0.8, "land": 0.6}, "end joint width", "lower", (0.3, 0.3, 0.45)),
        # Height 0.45 and 2.4 over solder of 0.03: a quarter of it, but no more than 0.5.
        ("chip", {"height": 0.45, "solder": 0.03}, "fillet height", "lower", (None, None, 0.1425)),
        ("chip", {"height": 2.4, "solder": 0.03}, "fillet height", "lower", (None, None, 0.53)),
        # Gull wing, W 0.40, T 0.15, G 0.02.
        ("gull-wing", {"width": 0.4}, "side overhang", "upper", (0.2, 0.2, 0.1)),
        ("gull-wing", {"width": 0.4}, "end joint width", "lower", (0.2, 0.2, 0.3)),
        (
            "gull-wing",
            {"thickness": 0.15, "solder": 0.02},
            "fillet height",
            "lower",
            (None, 0.095, 0.17),
        ),
        # W 1.3: no more than half a millimetre.
        ("gull-wing", {"width": 1.3}, "side overhang", "upper", (0.5, 0.5, 0.325)),
        # Side joint: a long foot (L 1.6 of W 0.4), a longer one, a short one (L 1.0).
        (
            "gull-wing",
            {"width": 0.4, "foot": 1.6},
            "side joint length",
            "lower",
            (0.4, 1.2, 1.2),
        ),
        (
            "gull-wing",
            {"width": 0.4, "foot": 2.0},
            "side joint length",
            "lower",
            (0.4, 1.5, 1.5),
        ),
        (
            "gull-wing",
            {"width": 0.4, "foot": 1.0},
            "side joint length",
            "lower",
            (0.4, 1.0, 1.0),
        ),
        ("castellated", {"width": 0.6}, "side overhang", "upper", (0.3, 0.3, 0.15)),
        ("castellated", {"width": 0.6}, "end joint width", "lower", (0.3, 0.3, 0.45)),
        ("castellated", {}, "end overhang", "upper", (0.0, 0.0, 0.0)),
    ],
)
def test_worked_figures(termination, mm, feature, side, by_class):
    for grade, expected in zip((1, 2, 3), by_class, strict=True):
        found = bounds(termination, grade, **mm).get((feature, side))
        assert found == (None if expected is None else pytest.approx(expected, abs=1e-12)), grade


@pytest.mark.parametrize("width", [0.2, 0.4, 0.75])
def test_end_joint_width_agrees_with_the_public_domain_book(width):
    """NASA-STD-8739.2 (2002), 7.05 and 7.07: at least 75 % of the width, for chips of the narrower one."""
    assert bounds("chip", 3, width=width, land=0.5)["end joint width", "lower"] == pytest.approx(
        0.75 * min(width, 0.5)
    )
    assert bounds("gull-wing", 3, width=width)["end joint width", "lower"] == pytest.approx(
        0.75 * width
    )


@pytest.mark.parametrize("termination", TERMINATIONS)
def test_no_class_is_laxer_than_the_one_below(termination):
    size = {
        "width": 0.4,
        "land": 0.5,
        "height": 0.45,
        "thickness": 0.15,
        "foot": 1.3,
        "solder": 0.02,
    }
    by_class = [bounds(termination, grade, **size) for grade in (1, 2, 3)]
    for lax, strict in pairwise(by_class):
        assert set(lax) <= set(strict)
        for (feature, side), bound in lax.items():
            tighter = strict[feature, side] - bound
            assert tighter >= 0 if side == "lower" else tighter <= 0, feature


def test_every_bound_says_where_from_how_certain_and_to_check():
    for termination in TERMINATIONS:
        for grade in (1, 2, 3):
            found, _ = criteria(termination, grade, Dimensions(width=0.4, height=0.4, solder=0.02))
            assert found
            assert all(c.source and c.formula and c.certainty in ("high", "medium") for c in found)
    assert CHECK == "check against your licensed copy"
    remembered = [
        c
        for c in criteria("chip", 3, Dimensions(height=1.0, solder=0.0))[0]
        if c.feature == "fillet height"
    ]
    assert [c.certainty for c in remembered] == ["medium"]
    assert "from memory" in remembered[0].source


def test_what_cannot_be_computed_says_what_it_needs():
    found, lacking = criteria("chip", 3, Dimensions())
    assert [c.feature for c in found] == ["end overhang"]
    assert {(x.feature, x.needs) for x in lacking} == {
        ("side overhang", ("width",)),
        ("end joint width", ("width",)),
        ("fillet height", ("height", "solder")),
    }
    seen = [x for x in criteria("chip", 2, Dimensions(height=1, solder=0))[1] if not x.needs]
    assert [x.feature for x in seen] == ["fillet height"]
    assert "no number" in seen[0].words


def test_without_the_land_the_bound_says_what_it_takes_for_granted():
    alone, _ = criteria("chip", 2, Dimensions(width=0.8))
    both, _ = criteria("chip", 2, Dimensions(width=0.8, land=0.9))
    assert "the land is taken" in alone[0].note
    assert both[0].note == ""


def test_other_terminations_have_no_bounds_here():
    assert criteria("ball", 2, Dimensions(width=0.4)) == ((), ())
    assert criteria(None, 2, Dimensions(width=0.4)) == ((), ())


def test_a_package_name_completes_what_the_plant_file_states():
    named = Family(package=Dimensions(name="RESC1608X55N", land=0.9))
    size, termination, origin = dimensions_of("new part", named)
    assert (size.width, size.height, size.land, termination) == (0.8, 0.55, 0.9, "chip")
    assert "land from the plant file" in origin
    assert "RESC1608X55N" in origin
    stated = Family(package=Dimensions(name="RESC1608X55N", width=0.75))
    assert dimensions_of("new part", stated)[0].width == 0.75


def test_a_chip_code_that_means_two_sizes_says_so():
    assert "in millimetres it is" in dimensions_of("RES-0603", Family())[2]


def test_a_body_is_no_lead():
    """SOIC127P600X175-8N says how long body and span are, and nothing of how wide a lead is."""
    named = Family(package=Dimensions(name="SOIC127P600X175-8N"))
    size, termination, origin = dimensions_of("SO8", named)
    assert (size.known(), termination, origin) == ({}, "gull-wing", "no dimension is known")


def test_a_wrong_dimension_is_refused_with_its_place(tmp_path):
    (tmp_path / "plant.toml").write_text(
        '[plant]\nname = "x"\n[measurements.a]\nunit = "um"\n[families.F]\npackage = { widht = 0.4 }\n'
    )
    with pytest.raises(PlantError, match=r"families\.F\.package\.widht.*width"):
        read_plant(tmp_path)
