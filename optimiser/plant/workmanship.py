"""Workmanship bounds computed from a package's and its land's dimensions and the product's class.

Facts and figures only, after IPC-A-610 (revisions F and H) as public guides and quotations give
them; no wording of the standard stands here, and none of it replaces the standard. Every bound
carries where its figure was seen, how certain that is, and `CHECK`. Dimensions are millimetres:
``width`` of the termination or lead (W), ``land`` width (P), ``height`` of the termination (H),
``thickness`` of the lead (T), ``foot`` length (L), ``solder`` thickness under it (G).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from optimiser.plant.file import Dimensions, Family, Feature, Side
from optimiser.plant.package import Package, read_package

CHECK = "check against your licensed copy"
Certainty = Literal["high", "medium"]
_CHIP = "IPC-A-610 F 8.3.2, H 8.3.1, and a public guide, 7.1.3"
_CHIP_FILLET = (
    "IPC-A-610 F 8.3.2, from memory; J-STD-001 quotations agree on a quarter of the height"
)
_GULL = "IPC-A-610 flat gull wing, a public guide, 7.5.1"
_CASTLE = "IPC-A-610 F 8.3.4"


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """One computed bound.

    Attributes
    ----------
    feature : str
        What it bounds.
    side : {'lower', 'upper'}
    bound : float
        mm.
    formula : str
        In the letters of this module, for this class.
    source : str
    certainty : {'high', 'medium'}
        Of the formula, not of the dimensions.
    note : str
        What of the dimensions is taken for granted; empty where nothing is.
    """

    feature: Feature
    side: Side
    bound: float
    formula: str
    source: str
    certainty: Certainty
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncomputed:
    """A bound that exists but cannot be computed: which dimensions are missing, or that it has no number."""

    feature: Feature
    side: Side
    needs: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """How one bound follows: what it needs, its formula by class, its value; None has no number."""

    feature: Feature
    side: Side
    needs: tuple[str, ...]
    formulas: tuple[str, str, str]
    value: Callable[[Mapping[str, float], int], float]
    source: str
    certainty: Certainty


def _narrow(d: Mapping[str, float]) -> float:
    """Return min(W, P); W where the land's width is not known."""
    return min(d["width"], d.get("land", d["width"]))


def _share(low: float, high: float) -> Callable[[int], float]:
    """Return a share of classes 1 and 2, and another of class 3."""
    return lambda grade: high if grade == 3 else low


def _side_joint(d: Mapping[str, float], grade: int) -> float:
    wide, foot = d["width"], d["foot"]
    if grade == 1:
        return min(wide, 0.5)
    return max(3 * wide, 0.75 * foot) if foot >= 3 * wide else foot


_OVERHANG, _JOINT = _share(0.5, 0.25), _share(0.5, 0.75)
_NO_NUMBER = "wetting must be seen, which is no number"

_RULES: dict[str, tuple[_Rule, ...]] = {
    "chip": (
        _Rule(
            feature="side overhang",
            side="upper",
            needs=("width",),
            formulas=("50 % of min(W, P)", "50 % of min(W, P)", "25 % of min(W, P)"),
            value=lambda d, grade: _OVERHANG(grade) * _narrow(d),
            source=_CHIP,
            certainty="high",
        ),
        _Rule(
            feature="end overhang",
            side="upper",
            needs=(),
            formulas=("none", "none", "none"),
            value=lambda _, __: 0.0,
            source=_CHIP,
            certainty="high",
        ),
        _Rule(
            feature="end joint width",
            side="lower",
            needs=("width",),
            formulas=("50 % of min(W, P)", "50 % of min(W, P)", "75 % of min(W, P)"),
            value=lambda d, grade: _JOINT(grade) * _narrow(d),
            source=_CHIP,
            certainty="high",
        ),
        _Rule(
            feature="fillet height",
            side="lower",
            needs=("height", "solder"),
            formulas=("", "", "G + min(25 % of H, 0.5 mm)"),
            value=lambda d, _: d["solder"] + min(0.25 * d["height"], 0.5),
            source=_CHIP_FILLET,
            certainty="medium",
        ),
    ),
    "gull-wing": (
        _Rule(
            feature="side overhang",
            side="upper",
            needs=("width",),
            formulas=("min(50 % of W, 0.5 mm)", "min(50 % of W, 0.5 mm)", "min(25 % of W, 0.5 mm)"),
            value=lambda d, grade: min(_OVERHANG(grade) * d["width"], 0.5),
            source=_GULL,
            certainty="high",
        ),
        _Rule(
            feature="end joint width",
            side="lower",
            needs=("width",),
            formulas=("50 % of W", "50 % of W", "75 % of W"),
            value=lambda d, grade: _JOINT(grade) * d["width"],
            source=_GULL,
            certainty="high",
        ),
        _Rule(
            feature="side joint length",
            side="lower",
            needs=("width", "foot"),
            formulas=(
                "min(W, 0.5 mm)",
                "max(3 W, 75 % of L) where L >= 3 W, else L",
                "max(3 W, 75 % of L) where L >= 3 W, else L",
            ),
            value=_side_joint,
            source=_GULL,
            certainty="medium",
        ),
        _Rule(
            feature="fillet height",
            side="lower",
            needs=("thickness", "solder"),
            formulas=("", "G + 50 % of T", "G + T"),
            value=lambda d, grade: d["solder"] + (1.0 if grade == 3 else 0.5) * d["thickness"],
            source=_GULL,
            certainty="high",
        ),
    ),
    "castellated": (
        _Rule(
            feature="side overhang",
            side="upper",
            needs=("width",),
            formulas=("50 % of W", "50 % of W", "25 % of W"),
            value=lambda d, grade: _OVERHANG(grade) * d["width"],
            source=_CASTLE,
            certainty="high",
        ),
        _Rule(
            feature="end overhang",
            side="upper",
            needs=(),
            formulas=("none", "none", "none"),
            value=lambda _, __: 0.0,
            source=_CASTLE,
            certainty="high",
        ),
        _Rule(
            feature="end joint width",
            side="lower",
            needs=("width",),
            formulas=("50 % of W", "50 % of W", "75 % of W"),
            value=lambda d, grade: _JOINT(grade) * d["width"],
            source=_CASTLE,
            certainty="high",
        ),
    ),
}
TERMINATIONS = tuple(_RULES)


def criteria(
    termination: str | None, product_class: int, size: Dimensions
) -> tuple[tuple[Criterion, ...], tuple[Uncomputed, ...]]:
    """Return the bounds of a termination that its dimensions and class determine.

    Parameters
    ----------
    termination : str or None
        ``chip``, ``gull-wing`` or ``castellated``; anything else has no bounds here.
    product_class : int
        1, 2 or 3.
    size : Dimensions
        mm.

    Returns
    -------
    tuple of Criterion
    tuple of Uncomputed
        Bounds that need a dimension which is not known, or have no number in this class.

    Notes
    -----
    W, P, H, T, L and G as in this module's head. Sources and certainty stand at each bound: what a
    public copy was seen to say is ``high``, what is from memory or from one guide ``medium``.

    Examples
    --------
    >>> found, _ = criteria("gull-wing", 3, Dimensions(width=0.4, thickness=0.15, solder=0.02))
    >>> [(c.feature, c.side, round(c.bound, 3)) for c in found]
    [('side overhang', 'upper', 0.1), ('end joint width', 'lower', 0.3), ('fillet height', 'lower', 0.17)]
    """
    known = size.known()
    found: list[Criterion] = []
    open_: list[Uncomputed] = []
    for rule in _RULES.get(termination or "", ()):
        formula = rule.formulas[product_class - 1]
        missing = tuple(n for n in rule.needs if n not in known)
        if not formula:
            open_.append(
                Uncomputed(feature=rule.feature, side=rule.side, needs=(), words=_NO_NUMBER)
            )
        elif missing:
            words = f"{formula} needs {', '.join(missing)}"
            open_.append(
                Uncomputed(feature=rule.feature, side=rule.side, needs=missing, words=words)
            )
        else:
            found.append(
                Criterion(
                    feature=rule.feature,
                    side=rule.side,
                    bound=rule.value(known, product_class),
                    formula=formula,
                    source=rule.source,
                    certainty=rule.certainty,
                    note=_taken_for_granted(formula, known),
                )
            )
    return tuple(found), tuple(open_)


def _taken_for_granted(formula: str, known: Mapping[str, float]) -> str:
    if "P)" in formula and "land" not in known:
        return "the land is taken to be no narrower than the termination; give land otherwise"
    return ""


def dimensions_of(name: str, family: Family) -> tuple[Dimensions, str | None, str]:
    """Return what is known of a family's dimensions, its termination, and where from.

    Parameters
    ----------
    name : str
        The family's; read as a package's name where the plant file gives none.
    family : Family

    Returns
    -------
    size : Dimensions
        What the plant file states, completed by what the package's name says.
    termination : str or None
        The plant file's, else the name's.
    origin : str
        In words.
    """
    stated = family.package or Dimensions()
    package = read_package(stated.name or name)
    termination = family.termination or (package.termination if package else None)
    told = stated.known()
    read = _of_package(package) if package and package.termination == termination else {}
    added = {k: v for k, v in read.items() if k not in told}
    words = []
    if told:
        words.append(f"{', '.join(told)} from the plant file")
    if added and package:
        doubt = f"; {package.doubt}" if package.doubt else ""
        words.append(f"{', '.join(added)} from the name {package.name}{doubt}")
    size = Dimensions(**{**added, **told}, name=stated.name)
    return size, termination, "; ".join(words) or "no dimension is known"


def _of_package(package: Package) -> dict[str, float]:
    """Return what a package's name says of a termination: a chip's is as wide and high as its body."""
    if package.termination != "chip":
        return {}
    known = {"width": package.width, "height": package.height}
    return {k: v for k, v in known.items() if v is not None}
