"""``optimiser relabel``: the labels worth a second look, and what a second look found."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimiser.caution import CAUTION
from optimiser.commands.common import (
    add_plant,
    open_for_command,
    positive,
    print_json,
    read_inputs,
    refuse_unknown_family,
    with_verdicts_so_far,
)
from optimiser.defaults import TRIALS
from optimiser.errors import UsageError
from optimiser.files import write_whole
from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe

if TYPE_CHECKING:
    from optimiser.proposal.relabel import Relabel

SHEET = "relabel.csv"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", metavar="F", help="list this family's labels only")
    parser.add_argument(
        "--minutes", type=positive, metavar="M", help="list as many as M minutes allow to look at"
    )
    parser.add_argument("--read", type=Path, metavar="FILE", help="read a sheet that was filled in")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help=f"sheet to write (default: {SHEET} beside plant.toml); "
        "FILE.html writes a page to print and the sheet FILE.csv beside it",
    )


def run(parsed: argparse.Namespace) -> int:
    """List the labels worth a second look and write their sheet, or read a sheet."""
    plant, live, path = read_inputs(parsed)
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    if parsed.read is None:
        _list(plant, live, path, parsed)
    else:
        _read(plant, live, path, parsed)
    return 0


def _list(plant: Plant, live: Recipe, path: Path, parsed: argparse.Namespace) -> None:
    from optimiser.proposal.all_families import make_cases
    from optimiser.proposal.relabel import relabel
    from optimiser.proposal.relabel_sheet import sheet_text
    from optimiser.views import relabel_tables, tables
    from optimiser.views.relabel_page import relabel_page

    sheet, page = _targets(plant, parsed.out)
    with open_for_command(plant, live, path, checked=True) as history:
        cases = make_cases(history, live, family=parsed.family, promises=False, trials=TRIALS)
    found = relabel(cases, minutes=parsed.minutes)
    if found.rows:
        write_whole(sheet, sheet_text(found.rows))
        if page is not None:
            write_whole(page, relabel_page(found, plant, sheet=sheet.name))
    if parsed.json:
        why = (
            "" if found.rows else relabel_tables.nothing_words(found, plant, minutes=parsed.minutes)
        )
        print_json({**_listed(found, sheet, page), "why_none": why})
        return
    if not found.rows:
        print(relabel_tables.nothing_words(found, plant, minutes=parsed.minutes))
        print(f"\n{CAUTION}")
        return
    print(tables.show(relabel_tables.relabel_table(found, plant)))
    written = f"{sheet}" if page is None else f"{page} (to print) and {sheet}"
    print(f"Written: {written}. Fill in verdict_again (defect or good), by and note, then:")
    print(f"optimiser relabel {parsed.plant} --read {sheet}")
    print(f"\n{CAUTION}")


def _targets(plant: Plant, out: Path | None) -> tuple[Path, Path | None]:
    """Return where the sheet goes, and the page to print if one is asked for."""
    from optimiser.proposal.relabel_sheet import refuse_filled
    from optimiser.views.relabel_page import MARK

    sheet, page = out or plant.folder / SHEET, None
    if sheet.suffix.lower() in (".html", ".htm"):
        sheet, page = sheet.with_suffix(".csv"), sheet
        if page.exists() and MARK not in page.read_text(encoding="utf-8", errors="replace"):
            msg = f"{page}: is there already and is no sheet of labels; name another with --out"
            raise UsageError(msg)
    refuse_filled(sheet)
    return sheet, page


def _listed(found: Relabel, sheet: Path, page: Path | None) -> dict[str, Any]:
    """Return the list as a JSON value."""
    from optimiser.views import relabel_tables

    written = {"sheet": str(sheet), "page": None if page is None else str(page)}
    return {
        **(written if found.rows else dict.fromkeys(written)),
        **found.as_dict(),
        "note": relabel_tables.HOPEFUL,
        "caution": CAUTION,
    }


def _read(plant: Plant, live: Recipe, path: Path, parsed: argparse.Namespace) -> None:
    from optimiser.proposal.relabel_sheet import take_second_look, verdicts_folder
    from optimiser.views import relabel_tables

    folder = verdicts_folder(plant)
    with open_for_command(with_verdicts_so_far(plant, folder), live, path) as history:
        found = take_second_look(history, parsed.read, folder, now=datetime.now(UTC))
    if parsed.json:
        print_json({**found.as_dict(), "caution": CAUTION})
    else:
        for line in relabel_tables.looked_words(found, plant=str(parsed.plant)):
            print(line)
