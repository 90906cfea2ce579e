"""What the commands of the ledger share: opening it, one decision, plain arguments."""

import argparse
from pathlib import Path
from typing import Any

from optimiser.commands.common import positive, print_json
from optimiser.ledger.ledger import Entry, Ledger, State, Verdict
from optimiser.ledger.standing import still_to_sign
from optimiser.plant.file import Plant, read_plant
from optimiser.recipe.table import Recipe, read_recipe


def add_ledger(parser: argparse.ArgumentParser) -> None:
    """Add what every command takes that reads a plant's ledger."""
    parser.add_argument("plant", type=Path, metavar="PLANT", help="plant.toml or its folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")


def add_signature(parser: argparse.ArgumentParser) -> None:
    """Add who signs and why."""
    parser.add_argument("--by", required=True, metavar="NAME", help="who signs")
    parser.add_argument("--reason", required=True, metavar="TEXT", help="why, in a few words")


def add_decision(parser: argparse.ArgumentParser) -> None:
    """Add what a decision takes."""
    add_ledger(parser)
    parser.add_argument("id", type=positive, metavar="ID", help="the proposal's number")
    add_signature(parser)


def open_ledger(where: Path) -> tuple[Plant, Ledger]:
    """Return a plant and its ledger."""
    plant = read_plant(where)
    return plant, Ledger.of(plant)


def live_recipe(plant: Plant) -> tuple[Recipe, Path]:
    """Return the live recipe and where it lies."""
    path = plant.locate(plant.file.plant.recipe)
    return read_recipe(path, plant.file.measurements), path


def run_decision(parsed: argparse.Namespace, verdict: Verdict) -> int:
    """Write one decision and say where the proposal stands after it."""
    plant, ledger = open_ledger(parsed.plant)
    entry = ledger.decide(parsed.id, verdict, by=parsed.by, reason=parsed.reason)
    return say_decided(parsed, plant, ledger, entry)


def say_decided(parsed: argparse.Namespace, plant: Plant, ledger: Ledger, entry: Entry) -> int:
    """Say what was decided on and where the proposal stands after it."""
    from optimiser.views import ledger_tables, tables

    state = next(s for s in ledger.states() if s.entry.id == parsed.id)
    if parsed.json:
        live, _ = live_recipe(plant)
        print_json({"entry": entry_row(entry), "proposal": state_row(state, plant, live)})
    else:
        print(tables.show(ledger_tables.decided_table(entry, state, plant)), end="")
    return 0


def entry_row(entry: Entry) -> dict[str, Any]:
    """Return an entry as a JSON value."""
    return {name: getattr(entry, name) for name in Entry.__slots__}


def state_row(state: State, plant: Plant, live: Recipe) -> dict[str, Any]:
    """Return where a proposal stands, what it promises and who must still sign, as a JSON value."""
    from optimiser.proposal.signing import changed_since

    entry = state.entry
    return {
        "proposal": entry.id,
        "family": entry.family,
        "state": state.state,
        "critical": state.critical,
        "origin": entry.body["origin"],
        "proposed_by": entry.by,
        "proposed_at": entry.at,
        "limits": entry.body["limits"],
        "signatures": [{"by": s.by, "at": s.at, "reason": s.reason} for s in state.signatures],
        "still_to_sign": still_to_sign(state, plant),
        "names_checked": bool(plant.file.signers),
        "changed_since": list(changed_since(state, plant, live)),
        "promise": entry.body["figures"].get("promise"),
        "proof": entry.body["figures"].get("proof"),
        "decided_at": state.decided_at,
        "exported_in": state.exported_in,
    }
