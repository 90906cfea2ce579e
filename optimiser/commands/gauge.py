"""``optimiser gauge``: how far measurements repeat, from a study of repeated readings."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimiser.commands.common import print_json
from optimiser.errors import UsageError, nearest

if TYPE_CHECKING:
    from optimiser.plant.write import Written


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="CSV, one row per reading: item (or part), operator and repeat where there are any, "
        "and one column per measurement",
    )
    parser.add_argument("--measurement", metavar="NAME", help="read this column only")
    parser.add_argument(
        "--write",
        type=Path,
        metavar="PLANT",
        help="write the measurement's repeatability into this plant file, keeping a backup",
    )
    parser.add_argument(
        "--method",
        choices=("anova", "range"),
        default="anova",
        help="analysis of variance (default) or average and range",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")


def run(parsed: argparse.Namespace) -> int:
    """Print what each measurement's study found; write one into a plant file if asked."""
    from optimiser.evidence.gauge import measure_gauge
    from optimiser.plant.write import write_repeatability
    from optimiser.studies.gauge_file import read_studies
    from optimiser.views import gauge_tables, tables

    studies = read_studies(parsed.file, measurement=parsed.measurement)
    if parsed.write is not None and len(studies) > 1:
        names = [s.measurement for s in studies]
        msg = f"--write writes one measurement; name it with --measurement, {nearest('', names)}"
        raise UsageError(msg)
    found = [measure_gauge(s, method=parsed.method) for s in studies]
    written = None
    if parsed.write is not None:
        of = found[0]
        freedom = of.items * of.operators * (of.repeats - 1)
        written = write_repeatability(
            parsed.write, of.measurement, of.repeatability, freedom=freedom
        )
    if parsed.json:
        rows = [g.as_dict() for g in found]
        print_json({"studies": rows, "written": None if written is None else _row(written)})
    else:
        print(tables.show(*gauge_tables.study_parts(found, written)), end="")
    return 0


def _row(written: Written) -> dict[str, Any]:
    """Return what was written as a JSON value."""
    return {
        "path": str(written.path),
        "backup": str(written.backup),
        "measurement": written.measurement,
        "unit": written.unit,
        "before": written.before,
        "after": written.after,
    }
