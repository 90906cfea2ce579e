"""What comes out of a start: first limits of a family, and all they rest on; no computation."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from optimiser.errors import UsageError
from optimiser.evidence.kinship import Wait
from optimiser.plant.file import Side, off_limit
from optimiser.plant.workmanship import Criterion, Uncomputed
from optimiser.recipe.table import Recipe, Row

Ground = Literal["bound", "siblings", "own goods", "other kinds", "own history"]
Gap = Literal["goods", "defects"]

LEVEL, COUNTED_PER = 0.90, 100_000
# What not knowing has to cost, of all that the limits cost, before it is worth a word.
WORTH_KNOWING = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class StartBound:
    """A bound that a first limit keeps inside, in the measurement's unit.

    Attributes
    ----------
    measurement, side : str
    value, guard : float
        The bound, and what a limit keeps from it on account of the gauge, >= 0.
    computed : Criterion or None
        Where it was computed from dimensions; None where the plant file states it.
    """

    measurement: str
    side: Side
    value: float
    guard: float
    computed: Criterion | None

    @property
    def z(self) -> float:
        """The loosest limit that it allows, in z."""
        return (self.value if self.side == "upper" else -self.value) - self.guard


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLimit:
    """One first limit, in the measurement's unit.

    Attributes
    ----------
    limit : float
    low, high : float
        Between these lie the best limits of most of the possible families.
    ground : str
        What it rests on most.
    bound : StartBound or None
    law : str
        By which the siblings foretell the centre; empty without any.
    own : float
        Share 0..1 of the family's own items in where its goods lie and how far they scatter.
    called : float or None
        Share of goods that this limit alone calls; None where nothing is known of goods.
    """

    measurement: str
    side: Side
    unit: str
    limit: float
    low: float
    high: float
    ground: Ground
    bound: StartBound | None
    law: str
    own: float
    called: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A figure and where it lies in most of the possible families."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """What bounds alone would do in the plant's other families: they were fitted to none of them.

    Attributes
    ----------
    families : int
    called, passed : (float, float, float)
        Least, median and greatest share of a family's goods that its bounds call, and of its
        labelled defects that they let pass.
    """

    families: int
    called: tuple[float, float, float]
    passed: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Items until the tool may advise or certify on the family's own labels.

    Attributes
    ----------
    what : str
        ``"advice"`` or ``"certificate"``.
    share, confidence : float or None
        Of a certificate: escapes added at most, and how sure.
    needed, there : int
        Labelled defects.
    items : Wait or None
        None where nothing is known of how often labels come.
    """

    what: Literal["advice", "certificate"]
    share: float | None
    confidence: float | None
    needed: int
    there: int
    items: Wait | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLimits:
    """First limits of one family, and all they rest on.

    Attributes
    ----------
    family : str
    product_class : int
    critical : bool
    termination : str or None
    sizes : str
        Where its dimensions come from, in words.
    siblings : tuple of str
    others : tuple of str
        Families of other kinds that lend their defects, where it has goods of its own and no sibling.
    limits : tuple of FirstLimit
    bounds : tuple of StartBound
        All that are known, computed ones where the plant file states none.
    differing : tuple of (StartBound, StartBound)
        The plant file's bound and the computed one where they differ.
    uncomputed : tuple of Uncomputed
        Bounds of this termination that lack a dimension or a number.
    unmeasured : tuple of Criterion
        Computed bounds that no measurement of the plant is of.
    false_calls, escapes : Range or None
        Per COUNTED_PER items, under such limits.
    elsewhere : Elsewhere or None
        Of limits that are bounds alone.
    unseen : bool
        Whether these were judged on each sibling in turn with limits that had not seen it.
    cost : float or None
        Expected money of the limits, reviews and escapes, per COUNTED_PER items.
    defects : Range or None
        Per COUNTED_PER items.
    not_knowing : mapping of str to float
        Money per COUNTED_PER items that not knowing the family's goods, or its defects, costs.
    evidence : tuple of Evidence
    lots_needed : int
        Further lots that the advice asks for.
    items, boards, lots, labels : int
        Its own.
    per_board : float or None
        Its items on a board; None where not known.
    missed : tuple of str
        Must-catch items that no first limit can call.
    """

    family: str
    product_class: int
    critical: bool
    termination: str | None
    sizes: str
    siblings: tuple[str, ...]
    others: tuple[str, ...]
    limits: tuple[FirstLimit, ...]
    bounds: tuple[StartBound, ...]
    differing: tuple[tuple[StartBound, StartBound], ...]
    uncomputed: tuple[Uncomputed, ...]
    unmeasured: tuple[Criterion, ...]
    false_calls: Range | None
    escapes: Range | None
    elsewhere: Elsewhere | None
    unseen: bool
    cost: float | None
    defects: Range | None
    not_knowing: Mapping[Gap, float]
    evidence: tuple[Evidence, ...]
    lots_needed: int
    items: int
    boards: int
    lots: int
    labels: int
    per_board: float | None
    missed: tuple[str, ...]

    @property
    def collect_first(self) -> Gap | None:
        """What costs most not to know; None where nothing can be said, or neither is worth its hour."""
        if self.cost is None:
            return None
        gap = max(self.not_knowing, key=lambda gap: self.not_knowing[gap])
        return gap if self.not_knowing[gap] > WORTH_KNOWING * self.cost else None

    def as_dict(self) -> dict[str, Any]:
        """Return all of it as plain values."""
        return {**asdict(self), "collect_first": self.collect_first}


def with_first_limits(live: Recipe, found: FirstLimits) -> Recipe:
    """Return a recipe with first limits added: a draft under a revision's name that says so.

    Parameters
    ----------
    live : Recipe
        Without limits of the family.
    found : FirstLimits

    Returns
    -------
    Recipe

    Raises
    ------
    UsageError
        If the recipe has limits of the family: those in force are not replaced without a signature.
    """
    if live.family_rows(found.family):
        msg = f"the recipe has limits of {found.family}; a proposal that is signed changes them"
        raise UsageError(msg)
    rows: dict[str, Row] = {}
    for x in found.limits:
        row = rows.setdefault(
            x.measurement,
            Row(
                scope="family",
                name=found.family,
                measurement=x.measurement,
                lower=off_limit("lower"),
                upper=off_limit("upper"),
                unit=x.unit,
            ),
        )
        rows[x.measurement] = replace(
            row,
            lower=x.limit if x.side == "lower" else row.lower,
            upper=x.limit if x.side == "upper" else row.upper,
        )
    return Recipe(
        revision=f"{live.revision} and first limits of {found.family}, unsigned draft",
        rows=(*live.rows, *rows.values()),
    )
