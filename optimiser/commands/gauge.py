"""``optimiser gauge``: how far measurements repeat, from a study of repeated readings."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.commands.common import print_json
from optimiser.errors import UsageError, nearest
from optimiser.evidence.gauge import Gauge, measure_gauge, read_studies
from optimiser.evidence.intervals import Interval
from optimiser.plant.write import Written, write_repeatability
from optimiser.views import tables


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
    studies = read_studies(parsed.file, measurement=parsed.measurement)
    if parsed.write is not None and len(studies) > 1:
        names = [s.measurement for s in studies]
        msg = f"--write writes one measurement; name it with --measurement, {nearest('', names)}"
        raise UsageError(msg)
    found = [measure_gauge(s, method=parsed.method) for s in studies]
    written = None
    if parsed.write is not None:
        written = write_repeatability(parsed.write, found[0].measurement, found[0].repeatability)
    if parsed.json:
        rows = [g.as_dict() for g in found]
        print_json({"studies": rows, "written": None if written is None else _row(written)})
    else:
        print(tables.show(*_parts(found, written)), end="")
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


def _parts(found: Sequence[Gauge], written: Written | None) -> list[RenderableType]:
    """Return each measurement's table, and the line that says what was written."""
    parts = [part for gauge in found for part in _gauge_parts(gauge)]
    parts.append(Text("Shares are of these items' spread: they must be as the process makes them."))
    if written is not None:
        parts.append(
            Text(
                f"{written.path}: repeatability of {written.measurement} "
                f"{written.before:g} → {written.after:g} {written.unit}; "
                f"the file as it was: {written.backup.name}"
            )
        )
    return parts


def _gauge_parts(gauge: Gauge) -> list[RenderableType]:
    operators = f"{gauge.operators} operators × " if gauge.operators > 1 else ""
    head = (
        f"{gauge.measurement}: {gauge.verdict}, {gauge.share:.1%} of the total variation is the "
        f"gauge's own (% GRR){_between(gauge.share_interval, gauge.level)}, "
        f"{_categories(gauge)} distinct categories\n"
        f"{gauge.items} items × {operators}{gauge.repeats} repeats, by {gauge.method}"
    )
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("", no_wrap=True)
    for column in ("standard deviation", f"{gauge.level:.0%} interval", "of total", "of variance"):
        table.add_column(column, justify="right")
    for name, sigma, interval in (
        ("repeatability", gauge.repeatability, gauge.repeatability_interval),
        ("reproducibility", gauge.reproducibility, None),
        ("  operators", gauge.operator, None),
        ("  operators with items", gauge.interaction, None),
        ("gauge (GRR)", gauge.gauge, gauge.gauge_interval),
        ("items", gauge.between_items, None),
        ("total", gauge.total, None),
    ):
        share = sigma / gauge.total
        words = "" if interval is None else f"{interval.low:.3g} to {interval.high:.3g}"
        table.add_row(name, f"{sigma:.4g}", words, f"{share:.1%}", f"{share**2:.1%}")
    return [Text(head), table, *(Text(f"note: {note}") for note in gauge.notes), Text("")]


def _between(interval: Interval | None, level: float) -> str:
    if interval is None:
        return ""
    return f", {interval.low:.1%} to {interval.high:.1%} with {level:.0%} confidence"


def _categories(gauge: Gauge) -> str:
    """Return the distinct categories, cut to a whole number as is usual."""
    return "unlimited" if gauge.gauge == 0 else str(int(gauge.categories))
