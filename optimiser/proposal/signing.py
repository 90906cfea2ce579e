"""From a chosen setting to signed rows of the ledger."""

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimiser import __version__
from optimiser.errors import ConflictError, InputError, UsageError
from optimiser.ledger.bounds import broken_bounds
from optimiser.ledger.ledger import Basis, Entry, Ledger, State, refuse_unsigned
from optimiser.ledger.revision import misfits
from optimiser.ledger.standing import OPEN
from optimiser.plant.file import Plant
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


def changed_since(state: State, plant: Plant, live: Recipe) -> tuple[str, ...]:
    """Return what a proposal rested on that is no longer as it was.

    Parameters
    ----------
    state : State
    plant : Plant
    live : Recipe

    Returns
    -------
    tuple of str
        Recipe, plant file and version; empty where all stand. New results are no change of this
        kind: the night says when a family is worth another proposal.
    """
    basis, found = state.entry.body["basis"], []
    if basis["recipe"] != hash_of(to_csv(live)):
        found.append("the live recipe")
    if basis["plant"] != hash_of(plant.file.ground()):
        found.append("the plant file (prices, rails, bounds, rates)")
    if basis["version"] != __version__:
        found.append(f"the program (version {basis['version']} then)")
    return tuple(found)


def accept(
    ledger: Ledger,
    plant: Plant,
    live: Recipe,
    proposal: int,
    *,
    by: str,
    reason: str,
    although_changed: bool = False,
) -> Entry:
    """Sign a proposal of the ledger that rests on what still stands.

    Parameters
    ----------
    ledger : Ledger
    plant : Plant
    live : Recipe
    proposal : int
    by, reason : str
        Not blank.
    although_changed : bool
        Sign a proposal although recipe, plant file or program changed since; the entry says so.

    Returns
    -------
    Entry

    Raises
    ------
    UsageError
        If there is no such proposal, or somebody else must sign.
    ConflictError
        If what it rests on changed, or its limits no longer fit the live recipe, a workmanship
        bound or the must-catch set; nothing was saved then.
    LedgerError
        If the ledger is not valid or cannot be written.
    """
    refuse_unsigned("accept", by, reason)
    state = next((s for s in ledger.states() if s.entry.id == proposal), None)
    body: dict[str, Any] = {}
    if state is not None and state.state in OPEN:
        broken = misfits(state, live, plant)
        if broken:
            msg = (
                f"{state.entry.family}: proposal {proposal} cannot be signed: {broken[0]}; propose "
                "again; nothing was saved"
            )
            raise ConflictError(msg)
        changed = changed_since(state, plant, live)
        if changed and not although_changed:
            msg = (
                f"{state.entry.family}: proposal {proposal} was made before {', '.join(changed)} "
                "changed: propose again (optimiser nightly PLANT, or the decide notebook), or sign "
                "it as it stands with --although-changed; nothing was saved"
            )
            raise ConflictError(msg)
        body = {"changed_since": list(changed)} if changed else {}
    return ledger.decide(proposal, "accept", by=by, reason=reason, body=body)


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
    name = ledger.signer(by, verdict)  # before the proposal is written, not after
    done = choice.consequences(setting)
    if not any(m.moves for m in done.moves):
        msg = (
            "this is the live recipe: no limit moves, so there is nothing to decide; pick another "
            "point of the front or move a limit"
        )
        raise UsageError(msg)
    broken = [*choice.violations(setting), *_past_bounds(choice, live, done)]
    if broken and verdict == "accept":
        raise InputError("; ".join(broken))
    point = next((p for p in choice.points if np.array_equal(p.setting, setting)), None)
    proposal = ledger.propose(
        choice.family,
        [m.as_dict() for m in done.moves if m.moves],
        by=name,
        reason=reason,
        origin="hand" if point is None else "recommended" if point.recommended else "front",
        critical=choice.proposal.critical,
        basis=basis_of(choice.case, live),
        figures=figures(choice, point, done),
    )
    return Signed(
        proposal=proposal, decision=ledger.decide(proposal.id, verdict, by=name, reason=reason)
    )


def _past_bounds(choice: Choice, live: Recipe, done: Consequences) -> list[str]:
    """Return the bounds that a setting's limits break, read off the recipe they would make."""
    limits = {(m.measurement, m.side): m.proposed for m in done.moves if m.moves}
    new = live.with_limits(choice.family, limits)
    return list(broken_bounds(live, new, choice.family, choice.case.plant))


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
            "proof": _proof_of(choice, point),
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


def _proof_of(choice: Choice, point: Point | None) -> dict[str, Any] | None:
    """Return what later lots prove, where the setting is the one that was proposed."""
    proof = choice.proposal.proof
    return asdict(proof) if proof is not None and point is not None and point.recommended else None
