"""From a chosen setting to signed rows of the ledger."""

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimiser import __version__
from optimiser.errors import InputError, UsageError
from optimiser.ledger.ledger import Basis, Entry, Ledger
from optimiser.proposal.cache import case_key
from optimiser.proposal.choice import Choice, Consequences, Point
from optimiser.proposal.propose import Case, stable_seed
from optimiser.recipe.table import Recipe, to_csv
from optimiser.values import finite_only, hash_of

Verdict = Literal["accept", "hold", "reject"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """What the ledger answered: the proposal's row and the decision's."""

    proposal: Entry
    decision: Entry


def basis_of(case: Case, live: Recipe) -> Basis:
    """Return hashes of all that a family's proposal rests on.

    Parameters
    ----------
    case : Case
    live : Recipe

    Returns
    -------
    Basis
    """
    plant = case.plant.file
    return Basis(
        history=case_key(case),
        recipe=hash_of(to_csv(live)),
        plant=hash_of(plant.ground()),
        version=__version__,
        seed=stable_seed(plant.plant.name, case.tally.family),
    )


def sign(
    ledger: Ledger,
    choice: Choice,
    live: Recipe,
    setting: NDArray[np.int64],
    verdict: Verdict,
    *,
    by: str,
    reason: str,
) -> Signed:
    """Write a chosen setting and the decision on it into the ledger.

    Parameters
    ----------
    ledger : Ledger
    choice : Choice
    live : Recipe
    setting : ndarray of int, shape (m,)
    verdict : {'accept', 'hold', 'reject'}
    by, reason : str
        Not blank.

    Returns
    -------
    Signed

    Raises
    ------
    UsageError
        If name or reason is blank, or nothing moves.
    InputError
        If the setting breaks a rule, or the ledger cannot be written; then nothing was saved.
    """
    if not by.strip() or not reason.strip():
        msg = "a decision needs your name and a reason; fill both and decide again"
        raise UsageError(msg)
    done = choice.consequences(setting)
    if not any(m.moves for m in done.moves):
        msg = (
            "this is the live recipe: no limit moves, so there is nothing to decide; pick another "
            "point of the front or move a limit"
        )
        raise UsageError(msg)
    broken = choice.violations(setting)
    if broken and verdict == "accept":
        raise InputError("; ".join(broken))
    point = next((p for p in choice.points if np.array_equal(p.setting, setting)), None)
    proposal = ledger.propose(
        choice.family,
        [m.as_dict() for m in done.moves if m.moves],
        by=by,
        reason=reason,
        origin="hand" if point is None else "recommended" if point.recommended else "front",
        critical=choice.proposal.critical,
        basis=basis_of(choice.case, live),
        figures=figures(choice, point, done),
    )
    return Signed(
        proposal=proposal, decision=ledger.decide(proposal.id, verdict, by=by, reason=reason)
    )


def figures(choice: Choice, point: Point | None, done: Consequences) -> dict[str, Any]:
    """Return what was known when a setting was decided on, as plain values.

    Parameters
    ----------
    choice : Choice
    point : Point or None
        None for a hand-made setting, which has no promise.
    done : Consequences

    Returns
    -------
    dict
    """
    promised = choice.promised(point) if point is not None else None
    found: dict[str, Any] = finite_only(
        {
            "promise": asdict(promised) if promised is not None else None,
            "lines": asdict(done.lines),
            "counted": asdict(done.counted),
            "prices": asdict(choice.prices),
            "currency": choice.currency,
            "items": choice.tally.items,
            "defects": len(choice.tally.defects.frame),
            "span_days": choice.case.span_days,
        }
    )
    return found
