"""``optimiser accept``: sign a proposal."""

import argparse
from pathlib import Path

from optimiser.commands.deciding import add_decision, live_recipe, open_ledger, say_decided
from optimiser.errors import UsageError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_decision(parser)
    parser.add_argument(
        "--although-changed",
        action="store_true",
        help="sign although recipe, plant file or program changed since it was proposed",
    )
    parser.add_argument(
        "--signature",
        type=Path,
        metavar="FILE",
        help="by the signer's key, where plant.toml has it",
    )


def run(parsed: argparse.Namespace) -> int:
    """Write the decision into the ledger, and say what was signed."""
    from optimiser.proposal.signing import accept

    plant, ledger = open_ledger(parsed.plant)
    live, _ = live_recipe(plant)
    entry = accept(
        ledger,
        plant,
        live,
        parsed.id,
        by=parsed.by,
        reason=parsed.reason,
        although_changed=parsed.although_changed,
        signature=_text(parsed.signature),
    )
    return say_decided(parsed, plant, ledger, entry)


def _text(path: Path | None) -> str | None:
    """Return what a file of a signature holds."""
    if path is None:
        return None
    try:
        return path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: no signature that can be read ({error})"
        raise UsageError(msg) from error
