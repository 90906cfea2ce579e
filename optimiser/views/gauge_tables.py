"""Tables of gauge studies for the terminal."""

from collections.abc import Sequence

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.evidence.gauge import Gauge
from optimiser.evidence.intervals import Interval
from optimiser.plant.write import Written


def study_parts(found: Sequence[Gauge], written: Written | None) -> list[RenderableType]:
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
