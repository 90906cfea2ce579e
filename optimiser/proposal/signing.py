"""From a chosen setting to signed rows of the ledger."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimiser import __version__
from optimiser.errors import ConflictError, InputError, UsageError
from optimiser.evidence.promise import Promise
from optimiser.ledger.bounds import broken_bounds
from optimiser.ledger.ledger import Basis, Entry, Ledger, Origin, State, refuse_unsigned
from optimiser.ledger.revision import misfits
from optimiser.ledger.standing import BY_NIGHT, OPEN
from optimiser.plant.file import Plant
from optimiser.proposal.cache import case_key
from optimiser.proposal.choice import Choice, Consequences, Point
from optimiser.proposal.propose import Case, stable_seed
from optimiser.proposal.reasons import Reason
from optimiser.proposal.record import LimitMove, Proposal
from optimiser.recipe.table import Recipe, to_csv
from optimiser.studies.causes import Cause
from optimiser.values import finite_only, hash_of

Verdict = Literal["accept", "hold", "reject"]
_FIGURES = (
    *("promise", "proof", "lines", "items", "lots", "defects", "span_days"),
    *("rails_touched", "reasons"),
)


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
    signature: str | None = None,
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
    signature : str, optional
        By the signer's key, where the plant file has one.

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
                f"{state.entry.family}: proposal {proposal} cannot be signed: {broken[0]}; propose it "
                f"anew (optimiser renew PLANT {state.entry.family}); nothing was saved"
            )
            raise ConflictError(msg)
        changed = changed_since(state, plant, live)
        if changed and not although_changed:
            msg = (
                f"{state.entry.family}: proposal {proposal} was made before {', '.join(changed)} "
                f"changed: propose it anew (optimiser renew PLANT {state.entry.family}), or sign "
                "it as it stands with --although-changed; nothing was saved"
            )
            raise ConflictError(msg)
        body = {"changed_since": list(changed)} if changed else {}
    return ledger.decide(proposal, "accept", by=by, reason=reason, body=body, signature=signature)


@dataclass(frozen=True, slots=True, kw_only=True)
class PutForward:
    """What became of a change that was to be put before its signers.

    Attributes
    ----------
    entry : int or None
        Of the ledger; None where no change is advised or its limits were rejected before.
    rejected : int or None
        The entry under which these very limits were rejected.
    older : tuple of int
        What the night proposed for the family before and nobody has touched.
    why_older : str
        Why these are to be withdrawn.
    """

    entry: int | None
    rejected: int | None
    older: tuple[int, ...]
    why_older: str


def put_forward(
    ledger: Ledger,
    states: Sequence[State],
    live: Recipe,
    case: Case,
    proposal: Proposal,
    *,
    by: str,
    reason: str,
) -> PutForward:
    """Write a family's advised change into the ledger, to be signed by people.

    Limits that were rejected are not put forward again. What is older stays as it is; whoever
    puts forward may withdraw it.

    Parameters
    ----------
    ledger : Ledger
    states : sequence of State
        Where its proposals stand.
    live : Recipe
    case : Case
    proposal : Proposal
        Of that case.
    by, reason : str
        Who or what puts it forward, and why.

    Returns
    -------
    PutForward

    Raises
    ------
    OptimiserError
        If it cannot be recorded; nothing was saved then.
    """
    past = [s for s in states if s.entry.family == proposal.family]
    moves = [m.as_dict() for m in proposal.moves] if proposal.advice == "change" else []
    refused = next((s for s in past if s.state == "rejected" and _is_of(s, moves)), None)
    entry = None
    if moves and refused is None:
        row = proposal.as_dict()
        entry = ledger.propose(
            proposal.family,
            moves,
            by=by,
            reason=reason,
            origin="recommended",
            critical=proposal.critical,
            basis=basis_of(case, live),
            figures={name: row[name] for name in _FIGURES},
        ).id
    older = (s.entry for s in past if s.state == "waiting" and s.entry.by == BY_NIGHT)
    newer = "newer results advise no such change" if entry is None else f"proposal {entry} is newer"
    return PutForward(
        entry=entry,
        rejected=refused.entry.id if refused is not None else None,
        older=tuple(e.id for e in older if e.id != entry),
        why_older=newer,
    )


def _is_of(state: State, moves: Sequence[Mapping[str, Any]]) -> bool:
    """Return whether a proposal moves the same limits from and to the same values."""
    names = ("measurement", "side", "now", "proposed")
    old, new = (
        {tuple(x[n] for n in names) for x in xs} for xs in (state.entry.body["limits"], moves)
    )
    return old == new


@dataclass(frozen=True, slots=True, kw_only=True)
class Intent:
    """A decision as its signer is shown it, and as it is written: nothing is worked out after it.

    Attributes
    ----------
    family : str
    verdict : {'accept', 'hold', 'reject'}
    moves : tuple of LimitMove
        The limits that move, to the last digit.
    promise : Promise or None
        None for limits that nothing was promised of.
    by, reason : str
    origin : {'recommended', 'front', 'hand'}
    critical : bool
    not_advised : tuple of Reason or Cause
        Why no change is advised, where it is accepted all the same; empty otherwise.
    basis : Basis
    figures : mapping
        What was known, as plain values.
    """

    family: str
    verdict: Verdict
    moves: tuple[LimitMove, ...]
    promise: Promise | None
    by: str
    reason: str
    origin: Origin
    critical: bool
    not_advised: tuple[Reason | Cause, ...]
    basis: Basis
    figures: Mapping[str, Any]


def intend(
    ledger: Ledger,
    choice: Choice,
    live: Recipe,
    setting: NDArray[np.int64],
    verdict: Verdict,
    *,
    by: str,
    reason: str,
) -> Intent:
    """Return what signing a setting would write; nothing is written.

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
    Intent

    Raises
    ------
    UsageError
        If name or reason is blank or no signer's, or nothing moves.
    InputError
        If the setting breaks a rule and is to be accepted.
    """
    if not by.strip() or not reason.strip():
        msg = "a decision needs your name and a reason; fill both and decide again"
        raise UsageError(msg)
    name = ledger.signer(by, verdict)
    done = choice.consequences(setting)
    moves = tuple(m for m in done.moves if m.moves)
    if not moves:
        msg = (
            "this is the live recipe: no limit moves, so there is nothing to decide; pick another "
            "point of the front or move a limit"
        )
        raise UsageError(msg)
    broken = [*choice.violations(setting), *_past_bounds(choice, live, done)]
    if broken and verdict == "accept":
        raise InputError("; ".join(broken))
    point = next((p for p in choice.points if np.array_equal(p.setting, setting)), None)
    origin: Origin = "hand" if point is None else "front"
    if point is not None and point.recommended and choice.advised:
        origin = "recommended"
    return Intent(
        family=choice.family,
        verdict=verdict,
        moves=moves,
        promise=choice.promised(point) if point is not None else None,
        by=name,
        reason=reason.strip(),
        origin=origin,
        critical=choice.proposal.critical,
        not_advised=choice.not_advised if verdict == "accept" else (),
        basis=basis_of(choice.case, live),
        figures=figures(choice, point, done),
    )


def write(ledger: Ledger, intent: Intent, *, although_not_advised: bool = False) -> Signed:
    """Write an intent into the ledger: the proposal, and the decision on it.

    Parameters
    ----------
    ledger : Ledger
    intent : Intent
    although_not_advised : bool
        Accept what is not advised; the entry says so.

    Returns
    -------
    Signed

    Raises
    ------
    UsageError
        If the signer accepts by a key: the proposal is put first, then signed.
    ConflictError
        If no change is advised and that was not said to be known, or a rule of the ledger forbids
        the decision.
    InputError
        If the ledger cannot be written; then nothing was saved.
    """
    if needs_key(ledger, intent):
        msg = f"{intent.by} accepts by a signature of what is in the ledger; nothing was saved"
        raise UsageError(msg)
    proposal = put(ledger, intent, although_not_advised=although_not_advised)
    return decide_on(ledger, intent, proposal)


def needs_key(ledger: Ledger, intent: Intent) -> bool:
    """Return whether who accepts does it by a key, for which the proposal has to be in the ledger first."""
    return intent.verdict == "accept" and ledger.key_of(intent.by) is not None


def put(ledger: Ledger, intent: Intent, *, although_not_advised: bool = False) -> Entry:
    """Write an intent's proposal into the ledger; nothing is decided of it.

    Parameters
    ----------
    ledger : Ledger
    intent : Intent
    although_not_advised : bool

    Returns
    -------
    Entry

    Raises
    ------
    ConflictError
        If no change is advised and that was not said to be known.
    InputError
        If the ledger cannot be written; then nothing was saved.
    """
    if intent.not_advised and not although_not_advised:
        msg = (
            f"no change is advised for {intent.family} ({intent.not_advised[0].kind}): to sign it all the "
            "same, say that you know; nothing was saved"
        )
        raise ConflictError(msg)
    return ledger.propose(
        intent.family,
        [m.as_dict() for m in intent.moves],
        by=intent.by,
        reason=intent.reason,
        origin=intent.origin,
        critical=intent.critical,
        basis=intent.basis,
        figures=intent.figures,
    )


def decide_on(
    ledger: Ledger, intent: Intent, proposal: Entry, *, signature: str | None = None
) -> Signed:
    """Write an intent's decision on its proposal.

    Parameters
    ----------
    ledger : Ledger
    intent : Intent
    proposal : Entry
        As ``put`` returned it.
    signature : str, optional
        Of `ledger.signatures.text_to_sign`, where ``needs_key``.

    Returns
    -------
    Signed

    Raises
    ------
    ConflictError
        If a signature is needed and is none, or another's, or a rule of the ledger forbids the
        decision.
    """
    known = [finite_only(asdict(reason)) for reason in intent.not_advised]
    body = {"although_not_advised": known} if known else {}
    decision = ledger.decide(
        proposal.id,
        intent.verdict,
        by=intent.by,
        reason=intent.reason,
        body=body,
        signature=signature,
    )
    return Signed(proposal=proposal, decision=decision)


def sign(
    ledger: Ledger,
    choice: Choice,
    live: Recipe,
    setting: NDArray[np.int64],
    verdict: Verdict,
    *,
    by: str,
    reason: str,
    although_not_advised: bool = False,
) -> Signed:
    """Write a chosen setting and the decision on it into the ledger: `intend`, then `write`."""
    intent = intend(ledger, choice, live, setting, verdict, by=by, reason=reason)
    return write(ledger, intent, although_not_advised=although_not_advised)


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
