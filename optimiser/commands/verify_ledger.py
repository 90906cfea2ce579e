"""``optimiser verify-ledger``: whether the ledger is as it was written."""

import argparse
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

from optimiser.commands.common import print_json
from optimiser.commands.deciding import add_ledger, open_ledger
from optimiser.errors import InputError, UsageError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_ledger(parser)
    parser.add_argument(
        "--head", metavar="HASH", help="a head noted earlier, which must still be in the chain"
    )
    parser.add_argument(
        "--note",
        type=Path,
        metavar="FILE",
        help="add today's head to a file elsewhere, where who writes the ledger cannot write",
    )
    parser.add_argument(
        "--against", type=Path, metavar="FILE", help="a file of --note: every head must be there"
    )


def run(parsed: argparse.Namespace) -> int:
    """Print faults, notes and the head; 1 where there is a fault."""
    from optimiser.ledger.revision import altered_revisions
    from optimiser.ledger.signatures import wrong_signatures
    from optimiser.views import ledger_tables, tables

    plant, ledger = open_ledger(parsed.plant)
    heads = _noted(parsed.against) if parsed.against is not None else []
    heads += [parsed.head] if parsed.head is not None else []
    found = ledger.verify(heads=heads)
    if found.valid:
        entries = ledger.entries()
        altered = altered_revisions(plant.folder, entries)
        found = replace(found, faults=(*altered, *wrong_signatures(entries)))
    if parsed.note is not None and found.valid:
        _note(parsed.note, found.head)
    if parsed.json:
        print_json({**asdict(found), "valid": found.valid})
    else:
        shown = ledger_tables.verified_table(found, path=str(ledger.path), noted=bool(heads))
        print(tables.show(shown), end="")
    return 0 if found.valid else 1


def _note(path: Path, head: str) -> None:
    """Add a head to a file of heads: time, blank, hash."""
    line = f"{datetime.now(UTC).isoformat(timespec='seconds')} {head}\n"
    try:
        with path.open("a", encoding="utf-8") as out:
            out.write(line)
    except OSError as error:
        msg = f"{path}: the head cannot be noted there ({error.strerror})"
        raise InputError(msg) from error


def _noted(path: Path) -> list[str]:
    """Return the heads of a file of heads."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: no file of heads that can be read ({error})"
        raise UsageError(msg) from error
    return [line.split()[-1] for line in lines if line.strip()]
