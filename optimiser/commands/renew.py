"""``optimiser renew``: one family proposed anew, and put before its signers."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from optimiser.commands.common import (
    add_plant,
    only,
    open_for_command,
    pose_cases,
    positive,
    print_json,
    read_inputs,
    refuse_unknown_family,
)
from optimiser.commands.deciding import add_signature, state_row
from optimiser.defaults import TRIALS
from optimiser.errors import UsageError
from optimiser.ledger.ledger import Ledger, State, refuse_unsigned
from optimiser.plant.file import Plant

if TYPE_CHECKING:
    from optimiser.proposal.record import Proposal
    from optimiser.proposal.signing import PutForward
    from optimiser.recipe.table import Recipe


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("family", metavar="FAMILY", help="the family to propose anew")
    add_signature(parser)
    parser.add_argument("--trials", type=positive, default=TRIALS)


def run(parsed: argparse.Namespace) -> int:
    """Print the proposal, and where the ledger stands after it."""
    from optimiser.proposal.all_families import propose_all
    from optimiser.proposal.cache import FOLDER
    from optimiser.proposal.signing import put_forward

    plant, live, path = read_inputs(parsed)
    refuse_unknown_family(parsed.family, plant)
    ledger = Ledger.of(plant)
    refuse_unsigned("renew", parsed.by, parsed.reason)
    by = ledger.person(parsed.by)
    states = ledger.states()
    with open_for_command(plant, live, path) as history:
        cases = pose_cases(history, live, path, trials=parsed.trials, family=parsed.family)
    case = only(cases, parsed.family)
    made, interrupted = propose_all([case], folder=plant.folder / FOLDER, workers=1)
    if interrupted or not made:
        raise KeyboardInterrupt
    done = put_forward(ledger, states, live, case, made[0], by=by, reason=parsed.reason)
    left = _withdraw(ledger, done, by)
    _say(parsed, plant, live, made[0], done, left)
    return 0


def _withdraw(ledger: Ledger, done: PutForward, by: str) -> list[int]:
    """Withdraw what is replaced; return what stays since this person may not."""
    try:
        ledger.signer(by, "withdraw")
    except UsageError:
        return list(done.older)
    for older in done.older:
        ledger.decide(older, "withdraw", by=by, reason=done.why_older)
    return []


def _say(
    parsed: argparse.Namespace,
    plant: Plant,
    live: Recipe,
    proposal: Proposal,
    done: PutForward,
    left: list[int],
) -> None:
    from optimiser.views import ledger_tables, tables

    states = [s for s in Ledger.of(plant).states() if s.entry.family == parsed.family]
    waiting = [s for s in states if s.state in ledger_tables.WAITING]
    if parsed.json:
        print_json(_row(plant, live, proposal, done, left, waiting))
        return
    print(tables.show(tables.proposals_table([proposal], plant=plant.file, details=True)), end="")
    print(ledger_tables.renewed_words(parsed.family, done, left))
    others = [s for s in states if s.state in ("held", "accepted")]
    print(tables.show(ledger_tables.waiting_table(waiting, others, plant=plant, live=live)), end="")


def _row(
    plant: Plant,
    live: Recipe,
    proposal: Proposal,
    done: PutForward,
    left: list[int],
    waiting: list[State],
) -> dict[str, Any]:
    return {
        "proposal": proposal.as_dict(),
        "entry": done.entry,
        "rejected_before": done.rejected,
        "withdrawn": [n for n in done.older if n not in left],
        "left": left,
        "waiting": [state_row(s, plant, live) for s in waiting],
    }
