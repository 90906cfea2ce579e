"""``optimiser audit``: which passed items to inspect again, and what their verdicts say."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    positive,
    print_json,
    read_inputs,
    refuse_unknown_family,
    refuse_without_passed,
)
from optimiser.defaults import STAGE
from optimiser.errors import UsageError, nearest
from optimiser.recipe.table import Recipe

if TYPE_CHECKING:
    from optimiser.evidence.audit import Clean
    from optimiser.history.read import History
    from optimiser.studies.audit_plan import AuditPlan
    from optimiser.studies.audit_sheet import Audited

SHEET = "audit.csv"
AUDITED = "audited.csv"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--items", type=positive, metavar="N", help="pick N passed items")
    what.add_argument("--read", type=Path, metavar="FILE", help="read a sheet that was filled in")
    what.add_argument(
        "--channels",
        action="store_true",
        help="say what inspection and test both missed at least, from defects that both found",
    )
    parser.add_argument("--family", metavar="F", help="pick from this family only")
    parser.add_argument(
        "--days", type=positive, metavar="D", help="pick from the history's last D days only"
    )
    parser.add_argument(
        "--stage", default=STAGE, metavar="S", help=f"pick from this stage (default: {STAGE})"
    )
    parser.add_argument(
        "--seed", type=positive, default=1, metavar="S", help="same seed, same items (default: 1)"
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help=f"CSV to write (default: {SHEET} beside plant.toml; {AUDITED} beside the sheet read)",
    )


def run(parsed: argparse.Namespace) -> int:
    """Pick items and write their sheet, or read a sheet, or compare two channels."""
    plant, live, path = read_inputs(parsed)
    refuse_without_passed(plant, "an audit")
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    if parsed.stage not in plant.file.line.stages:
        msg = f"unknown stage {parsed.stage!r}; {nearest(parsed.stage, plant.file.line.stages)}"
        raise UsageError(msg)
    with open_for_command(plant, live, path) as history:
        if parsed.channels:
            _channels(history, parsed)
        elif parsed.read is not None:
            _read(history, live, parsed)
        else:
            _plan(history, live, parsed)
    return 0


def _plan(history: History, live: Recipe, parsed: argparse.Namespace) -> None:
    from optimiser.evidence.audit import clean
    from optimiser.studies.audit_plan import plan_audit
    from optimiser.studies.audit_sheet import write_sheet
    from optimiser.views import audit_tables, tables

    plan = plan_audit(
        history,
        live,
        items=parsed.items,
        seed=parsed.seed,
        family=parsed.family,
        stage=parsed.stage,
        days=parsed.days,
    )
    path = parsed.out or history.plant.folder / SHEET
    write_sheet(plan, path)
    proof = clean(plan.strata)
    if parsed.json:
        print_json(_plan_row(plan, proof, path))
    else:
        print(tables.show(audit_tables.plan_table(plan, proof, path=str(path))), end="")


def _plan_row(plan: AuditPlan, proof: Clean, path: Path) -> dict[str, Any]:
    """Return a plan as a JSON value; its items stand in the sheet."""
    from optimiser.evidence.audit import CUTS, FAR_SHARE

    return {
        "sheet": str(path),
        "seed": plan.seed,
        "stage": plan.stage,
        "revision": plan.revision,
        "first": plan.first.isoformat(),
        "last": plan.last.isoformat(),
        "known_escapes": plan.escapes,
        "cuts": CUTS,
        "far_share": FAR_SHARE,
        "strata": [{**asdict(s), "weight": s.weight} for s in plan.strata],
        "clean": proof.as_dict(),
    }


def _read(history: History, live: Recipe, parsed: argparse.Namespace) -> None:
    from optimiser.studies.audit_sheet import read_audit, write_verdicts
    from optimiser.views import audit_tables, tables

    audited = read_audit(history, live, parsed.read)
    path = parsed.out or parsed.read.parent / AUDITED
    write_verdicts(audited, path)
    if parsed.json:
        print_json(_audited_row(audited, path))
    else:
        print(tables.show(audit_tables.audited_table(audited, path=str(path))), end="")


def _audited_row(audited: Audited, path: Path) -> dict[str, Any]:
    """Return what an audit found as a JSON value."""
    return {
        "verdicts": str(path),
        "strata": [{**asdict(s), "escapes": asdict(s.interval())} for s in audited.strata],
        "all": audited.all.as_dict(),
        "near": audited.near.as_dict(),
        "called_now": audited.called_now,
    }


def _channels(history: History, parsed: argparse.Namespace) -> None:
    from optimiser.evidence.two_channels import CAUTION, two_channels
    from optimiser.studies.channels import count_channels
    from optimiser.views import audit_tables, tables

    counted = count_channels(history)
    found = [two_channels(c) for c in counted if c.both]
    if parsed.json:
        rows = {"counted": [asdict(c) for c in counted], "missed": [f.as_dict() for f in found]}
        print_json({**rows, "caution": CAUTION})
    else:
        print(tables.show(audit_tables.channels_table(counted, found)), end="")
