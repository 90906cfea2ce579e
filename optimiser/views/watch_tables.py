"""Tables of the watch and of the shadow."""

from collections.abc import Mapping, Sequence

from rich.console import Group
from rich.text import Text

from optimiser.caution import CAUTION
from optimiser.monitoring.shadow import ShadowCount, ShadowCounts
from optimiser.monitoring.watch import Watched
from optimiser.views.figures import interval_words, saving_words
from optimiser.views.tables import _table

HOW = (
    "False calls and escapes are held against the promise by a test that may be looked at every "
    "day: a change that keeps its promise is called worse with a chance of 5 % in all. The saving "
    "is what the old limits would have called of the same items, less what was called."
)


def watch_table(found: Mapping[int, Watched], *, currency: str) -> Group:
    """Return what was promised and what followed, one line a change, then why.

    Parameters
    ----------
    found : mapping of int to Watched
        By the proposal's number in the ledger.
    currency : str

    Returns
    -------
    Group
    """
    if not found:
        return Group(Text("no exported change to watch; accept a proposal and export it first"))
    table = _table("", watch_head(currency), left=3)
    for row in watch_rows(found):
        table.add_row(*row)
    why = [Text(f"{number} {w.family}: {r}") for number, w in found.items() for r in w.reasons]
    return Group(table, *why, Text(HOW), Text(CAUTION))


def watch_head(currency: str) -> tuple[str, ...]:
    """Return what stands over the columns of ``watch_rows``."""
    return (
        *("change", "state", "since", "items", "false calls a month", "promised"),
        *("escapes known since", "expected since", f"saving a month, {currency}", "promised"),
    )


def watch_rows(found: Mapping[int, Watched]) -> list[tuple[str, ...]]:
    """Return what was promised and what followed, in words, a row a change."""
    rows = []
    for number, w in found.items():
        since = "not live" if w.since is None else f"{w.since:%Y-%m-%d}"
        cells = _cells(w) if w.false_calls is not None else [""] * 6
        rows.append((f"{number} {w.family}", w.state, since, f"{w.items:,}", *cells))
    return rows


def _cells(w: Watched) -> list[str]:
    spans = (w.false_calls_per_month, w.promised_false_calls_per_month)
    return [
        *(interval_words(x) for x in spans),
        f"{w.escapes_known:,}",
        interval_words(w.expected_escapes, 1),
        saving_words(w.saving_per_month),
        saving_words(w.promised_saving_per_month),
    ]


def shadow_table(counts: ShadowCounts, *, families: Sequence[str] | None = None) -> Group:
    """Return what a candidate would have called against the live recipe, by family.

    Parameters
    ----------
    counts : ShadowCounts
    families : sequence of str, optional
        Only these; by default all where a call differs or was made.

    Returns
    -------
    Group
    """
    names = ("items", "kept", "loosened", "of them defects", "tightened", "of them defects")
    table = _table("", ["family", *names])
    for row in counts.families:
        if families is None or row.family in families:
            table.add_row(row.family, *(f"{n:,}" for n in _numbers(row)))
    table.add_section()
    table.add_row("all", *(f"{n:,}" for n in _numbers(counts.total)))
    lines = [
        Text(
            f"{len(counts.files):,} files read, {counts.rows_set_aside:,} rows set aside; "
            f"candidate {counts.candidate} against live {counts.live}"
        )
    ]
    if counts.mismatch:
        lines.append(
            Text(
                f"{counts.mismatch:,} recorded calls are not those of the live recipe file; what "
                "was recorded counts as the live call"
            )
        )
    lines += [Text(f"skipped {name}: {why}") for name, why in counts.skipped.items()]
    return Group(table, *lines)


def _numbers(row: ShadowCount) -> tuple[int, ...]:
    return (
        row.items,
        row.kept,
        row.loosened,
        row.loosened_defects,
        row.tightened,
        row.tightened_defects,
    )
