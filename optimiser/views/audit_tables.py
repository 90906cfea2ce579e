"""Tables of audits and of what two channels found, for the terminal."""

import math
from collections.abc import Sequence

from rich.console import Group
from rich.table import Table
from rich.text import Text

from optimiser.evidence.audit import BANDS, CUTS, FAR_SHARE, Clean, Estimate, Stratum
from optimiser.evidence.intervals import Interval
from optimiser.evidence.two_channels import CAUTION, Channels, TwoChannels
from optimiser.studies.audit_plan import AuditPlan, shares_by_band
from optimiser.studies.audit_sheet import Audited


def plan_table(plan: AuditPlan, proof: Clean, *, path: str) -> Group:
    """Return what was picked, and what a clean result would prove.

    Parameters
    ----------
    plan : AuditPlan
    proof : Clean
    path : str
        Of the sheet to fill in.
    """
    population = sum(s.items for s in plan.strata)
    picked = sum(s.picked for s in plan.strata)
    head = (
        f"{picked:,} of {population:,} passed {plan.stage} items that nobody judged, "
        f"{plan.first:%d %B %Y} to {plan.last:%d %B %Y}, recipe {plan.revision}, seed {plan.seed}"
    )
    table = _table("stratum", "items", "picked", "weight", "clean proves at most")
    for stratum, bound in zip(plan.strata, proof.strata, strict=True):
        table.add_row(*_stratum_cells(stratum), f"{bound:,} escapes")
    table.add_section()
    for band, (items, number) in shares_by_band(plan.strata).items():
        if items:
            table.add_row(f"all {band}", f"{items:,}", f"{number:,}", "", "")
    return Group(
        Text(head),
        table,
        *(Text(line) for line in (*_rules(), *proof_words(plan, proof))),
        Text(
            f"Fill in verdict (defect, good, gone) and defect in {path}, blind to the stratum, then: "
            f"optimiser audit PLANT --read {path}"
        ),
    )


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(columns):
        table.add_column(column, justify="right" if n else "left", no_wrap=n == 0)
    return table


def _stratum_cells(stratum: Stratum) -> tuple[str, str, str, str]:
    return stratum.name, f"{stratum.items:,}", f"{stratum.picked:,}", f"{stratum.weight:,.4g}"


def _rules() -> tuple[str, ...]:
    """Return how strata are cut and filled."""
    return (
        f"'{BANDS[0]}' is within {CUTS[0]:g} standard deviations (of the family's passed items, at "
        f"least the repeatability) of the nearest limit, '{BANDS[1]}' within {CUTS[1]:g}. At least "
        f"{FAR_SHARE:.0%} are picked far from every limit; the rest near one, where escapes gather.",
    )


def proof_words(plan: AuditPlan, proof: Clean) -> list[str]:
    """Return in words what a clean result would prove, and what it would not.

    Parameters
    ----------
    plan : AuditPlan
    proof : Clean

    Returns
    -------
    list of str
    """
    sure = f"with {proof.level:.0%} confidence"
    lines = []
    if not math.isnan(proof.near):
        lines.append(
            f"If none is a defect: at most {proof.near:,.0f} escapes near the limits, {sure}."
        )
    if not math.isnan(proof.far):
        lines.append(
            f"If none is a defect: at most {proof.far:,.0f} far from every limit, {proof.far_ppm:,.0f} "
            "per million. In ppm that stratum stays unproven: no audit of affordable size proves ppm."
        )
    lines.append(
        f"If none is a defect: at most {proof.total:,.0f} escapes in all, {proof.total_ppm:,.0f} per "
        f"million, {sure}; the {plan.escapes:,} known escapes come on top."
    )
    return lines


def audited_table(audited: Audited, *, path: str) -> Group:
    """Return what an audit found, per stratum and in all.

    Parameters
    ----------
    audited : Audited
    path : str
        Of the verdicts written.
    """
    level = audited.all.level
    table = _table(
        "stratum", "items", "judged", "gone", "defects", "escapes", f"{level:.0%} interval"
    )
    for stratum in audited.strata:
        counts = (stratum.items, stratum.judged, stratum.picked - stratum.judged, stratum.found)
        escapes = stratum.interval(level)
        value = "unknown" if math.isnan(escapes.value) else f"{escapes.value:,.1f}"
        table.add_row(stratum.name, *(f"{n:,}" for n in counts), value, _range(escapes))
    table.add_section()
    for name, found in (("all near a limit", audited.near), ("all", audited.all)):
        table.add_row(
            name,
            f"{found.items:,}",
            f"{found.judged:,}",
            "",
            f"{found.found:,}",
            f"{found.escapes.value:,.1f}",
            _range(found.escapes),
        )
    words = [estimate_words(audited.all), *_notes(audited, path)]
    return Group(table, *(Text(line) for line in words))


def _range(interval: Interval) -> str:
    return f"{interval.low:,.1f} to {interval.high:,.1f}"


def estimate_words(found: Estimate) -> str:
    """Return an estimate in words that can be defended."""
    error = "" if math.isnan(found.error) else f"; standard error {found.error:,.1f}, no interval"
    return (
        f"{found.found:,} of {found.judged:,} audited items are defects. Weighted, they stand for "
        f"{found.escapes.value:,.1f} escapes among {found.items:,} passed items: "
        f"{_range(found.escapes)}, {found.level:.0%} confidence (Horvitz and Thompson, Fay and "
        f"Feuer{error}). Known escapes come on top; the audit's own verdicts are taken as right."
    )


def _notes(audited: Audited, path: str) -> list[str]:
    gone = sum(s.picked - s.judged for s in audited.strata)
    notes = []
    if gone:
        notes.append(f"{gone:,} items were gone; this takes them to be like those that were not.")
    if audited.all.unseen:
        notes.append(
            f"Nothing was judged in strata of {audited.all.unseen:,} items: they are left out of "
            "every sum, and their escapes are unknown."
        )
    if audited.called_now:
        notes.append(f"{audited.called_now:,} of these items are called by the live recipe by now.")
    notes.append(
        f"Verdicts written: {path}. To take them into the history, name that file as verdicts "
        "under [plant] in plant.toml, or put it into the folder named there already."
    )
    return notes


def channels_table(counted: Sequence[Channels], found: Sequence[TwoChannels]) -> Group:
    """Return what inspection and test found, and what both missed at least.

    Parameters
    ----------
    counted : sequence of Channels
        Every type of defect.
    found : sequence of TwoChannels
        Of the types with a defect that both found.
    """
    if not counted:
        return Group(Text("no defect was found by inspection or test"))
    by_type = {f.channels.defect: f for f in found}
    table = _table(
        "defect", "inspection", "test", "both", "seen", "both missed at least about", "95% interval"
    )
    for row in counted:
        known = by_type.get(row.defect)
        words = (
            ("unknown", "")
            if known is None
            else (f"{known.unseen.value:,.1f}", _range(known.unseen))
        )
        table.add_row(
            row.defect, *(f"{n:,}" for n in (row.inspection, row.test, row.both, row.seen)), *words
        )
    note = (
        f"{CAUTION} 'unknown' where no defect was found by both: a test that sees only what "
        "inspection passed cannot tell. Test's verdicts on called items belong into plant.verdicts."
    )
    return Group(table, Text(note))
