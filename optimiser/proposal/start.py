"""First limits of a family with little or no history: from bounds, from siblings, from its own few items.

The order of things: what siblings foretell of where the family's goods lie and how far they scatter,
pulled towards its own few items (`evidence/kinship.py`); a score of families that it may turn out to
be, siblings' goods and defects laid over each (`proposal/possible.py`), or those of the plant's other
kinds where its own goods say where it lies and no sibling is there to lend; limits of least expected cost
over all of them, by the descent that proposals use, never looser than a workmanship bound less its
guard band, never past a must-catch item. How far the best limits of single possible families differ is
each limit's interval; what it costs not to know which of them it is says what to collect first.

Nothing here was judged on lots it has not seen: no figure of a first limit is a promise.
"""

import math
from collections.abc import Mapping, Sequence

from scipy.stats import nct, norm

from optimiser.errors import UsageError
from optimiser.evidence.kinship import Placed, place, whole_scatter
from optimiser.plant.file import Plant
from optimiser.proposal.possible import USUAL_BETWEEN
from optimiser.proposal.propose import FEWEST_LOTS
from optimiser.proposal.sighting import Sighting
from optimiser.proposal.start_known import Known, rounded
from optimiser.proposal.start_record import FirstLimit, FirstLimits
from optimiser.proposal.start_weighed import Weighed
from optimiser.tally.grid import ON
from optimiser.tally.must_catch import KeptItem

POSSIBLE = 24
# With nothing known of defects: the share of goods that one limit may call, and how sure of that.
CALLED_ALONE, SURE = 0.001, 0.90


def start(
    plant: Plant,
    family: str,
    seen: Mapping[str, Sighting],
    *,
    own: Sighting | None,
    kept: Sequence[KeptItem] = (),
    per_board: float | None = None,
    possible: int = POSSIBLE,
) -> FirstLimits:
    """Return the first limits of a family.

    Parameters
    ----------
    plant : Plant
    family : str
        One that the plant file names.
    seen : mapping of family to Sighting
        Of other families; the family's own is passed over.
    own : Sighting or None
        What there is of the family itself.
    kept : sequence of KeptItem
        Its must-catch items.
    per_board : float, optional
        Its items on a board, where its own history does not say.
    possible : int
        Families that it may turn out to be, drawn.

    Returns
    -------
    FirstLimits

    Raises
    ------
    UsageError
        If there is neither a bound nor a sibling nor a good of its own to go by.
    """
    known = Known.of(plant, family, seen, own)
    weighed = Weighed(known, kept, possible) if known.lenders else None
    limits = (*(weighed.limits() if weighed else _alone(known)), *_checks(known))
    if not limits:
        raise UsageError(_nothing_words(known))
    false_calls, escapes, unseen = weighed.judge() if weighed else (None, None, False)
    return FirstLimits(
        family=family,
        product_class=plant.file.families[family].product_class,
        critical=plant.file.families[family].critical,
        termination=known.termination,
        sizes=known.sizes_words,
        siblings=tuple(s.family for s in known.siblings),
        others=() if known.siblings else tuple(s.family for s in known.lenders),
        limits=limits,
        bounds=tuple(known.bounds.values()),
        differing=known.differing,
        uncomputed=known.uncomputed,
        unmeasured=known.unmeasured,
        false_calls=false_calls,
        escapes=escapes,
        elsewhere=None if weighed or own else known.bounds_elsewhere(),
        unseen=unseen,
        cost=weighed.cost() if weighed else None,
        defects=known.defect_range(),
        not_knowing=weighed.not_knowing() if weighed else {},
        evidence=known.evidence(),
        lots_needed=max(0, FEWEST_LOTS - (own.lots if own else 0)),
        items=own.items if own else 0,
        boards=own.boards if own else 0,
        lots=own.lots if own else 0,
        labels=own.labels if own else 0,
        per_board=own.items / own.boards if own and own.boards else per_board,
        missed=weighed.missed if weighed else (),
    )


# Without anything known of defects ------------------------------------------------------------


def _alone(known: Known) -> tuple[FirstLimit, ...]:
    """Return limits from bounds, and from its own goods as far as there are any."""
    limits = []
    for measurement, side in known.sides():
        sign = 1.0 if side == "upper" else -1.0
        bound = known.bounds.get((measurement, side))
        own = None
        if known.own is not None and measurement in known.expected:
            k = known.own.measurements.index(measurement)
            own = place(known.own.goods[:, k], known.own.lot)
        by_goods = math.inf if own is None else _tolerance(own, sign)
        by_bound = math.inf if bound is None else bound.z
        if not math.isfinite(min(by_goods, by_bound)):
            continue
        limit = rounded(known.plant, measurement, side, sign * min(by_goods, by_bound))
        limits.append(
            FirstLimit(
                measurement=measurement,
                side=side,
                unit=known.plant.file.measurements[measurement].unit,
                limit=limit,
                low=limit,
                high=limit,
                ground="bound" if by_bound <= by_goods else "own goods",
                bound=bound,
                law="",
                own=0.0 if own is None else 1.0,
                called=None,
            )
        )
    return tuple(limits)


def _checks(known: Known) -> tuple[FirstLimit, ...]:
    """Return the checks that siblings have on: passed or failed has no scale to be laid over."""
    on = {m for s in known.siblings for m, side in s.limited if side == "upper"}
    return tuple(
        FirstLimit(
            measurement=name,
            side="upper",
            unit=m.unit,
            limit=ON,
            low=ON,
            high=ON,
            ground="siblings",
            bound=None,
            law="alike",
            own=0.0,
            called=None,
        )
        for name, m in known.plant.file.measurements.items()
        if m.check and name in on
    )


def _tolerance(own: Placed, sign: float) -> float:
    """Return the z beyond which, with confidence SURE, at most CALLED_ALONE of the goods lie.

    One-sided tolerance limit of a normal spread [1]_, for as many independent items as lots and
    items together are worth.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook, 7.2.6.3.
    """
    between = own.between if own.lots >= 3 else USUAL_BETWEEN
    worth = 1 / (between**2 / own.lots + 1 / own.items)
    side = (own.above if sign > 0 else own.below) * whole_scatter(own, between)
    return sign * own.centre + one_sided_factor(worth, 1 - CALLED_ALONE, SURE) * side


def one_sided_factor(n: float, content: float, confidence: float) -> float:
    """Return the one-sided tolerance factor of a normal sample, by the non-central t.

    Examples
    --------
    >>> round(one_sided_factor(43, 0.90, 0.99), 4), round(one_sided_factor(6, 0.90, 0.99), 4)
    (1.874, 4.4111)
    """
    n = max(n, 2.0)
    shift = float(norm.ppf(content)) * math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)


def _nothing_words(known: Known) -> str:
    """Return why no limit can be given, and the way out."""
    name = known.family
    kind = (
        f"no family of termination {known.termination!r} has {FEWEST_LOTS} lots of items"
        if known.termination
        else f"families.{name} has no termination, so that nothing says which families are like it"
    )
    return (
        f"nothing to go by for first limits of {name}: no workmanship bound, {kind}, and it has no items "
        f"of its own; state families.{name}.termination as its siblings have it, its package's dimensions "
        f"(families.{name}.package) or workmanship bounds in the plant file, or inspect some boards"
    )
