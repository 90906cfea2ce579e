"""What the notebooks call: results to look at. Their session is of `panels.opening`."""

import pandas as pd
from tqdm.auto import tqdm

from optimiser.caution import CAUTION
from optimiser.errors import UsageError, nearest
from optimiser.evidence.audit import clean
from optimiser.history.links import forget_stops
from optimiser.ledger.ledger import Ledger
from optimiser.monitoring.backtest import Fold, backtest, calibrate
from optimiser.proposal.calibration import keep_calibration
from optimiser.proposal.session import Session
from optimiser.proposal.sighting import sightings
from optimiser.proposal.start import start
from optimiser.studies.audit_plan import plan_audit
from optimiser.studies.foretell import follow_stages
from optimiser.studies.limit_flicker import limit_flicker
from optimiser.studies.limit_risk import limit_risk
from optimiser.tally.must_catch import read_must_catch
from optimiser.views.audit_tables import proof_words
from optimiser.views.cause_charts import lots_chart
from optimiser.views.cause_tables import asked_words, cause_frame
from optimiser.views.charts import DEFECT, GOOD, GREY
from optimiser.views.drawing import alt
from optimiser.views.reasons import cause_words
from optimiser.views.shown import Shown
from optimiser.views.stage_charts import foretold_chart
from optimiser.views.stage_tables import (
    foretold_frame,
    foretold_words,
    reason_words,
    unlinked_words,
)
from optimiser.views.start_tables import NOTE as START_NOTE
from optimiser.views.start_tables import evidence_words, expected_words, head_words, limits_frame


def decisions_frame(session: Session) -> pd.DataFrame:
    """Return every proposal of the ledger with its state, the newest first.

    Parameters
    ----------
    session : Session

    Returns
    -------
    DataFrame
        ``proposal, family, state, origin, limits, signed by, decided at, reason``.
    """
    ledger = Ledger.of(session.plant)
    columns = ["proposal", "family", "state", "origin", "limits", "signed by", "decided", "reason"]
    reasons = {e.proposal: e.reason for e in ledger.entries() if e.proposal is not None}
    rows = [
        (
            state.entry.id,
            state.entry.family,
            state.state,
            state.entry.body["origin"],
            len(state.entry.body["limits"]),
            ", ".join(s.by for s in state.signatures),
            state.decided_at or "",
            reasons.get(state.entry.id, ""),
        )
        for state in reversed(ledger.states())
    ]
    return pd.DataFrame(rows, columns=columns)


def show_backtest(session: Session, *, folds: int, trials: int) -> Shown:
    """Walk forward in time: what was promised, and what followed.

    Parameters
    ----------
    session : Session
    folds : int
        Cuts in time.
    trials : int
        Per family and cut.

    Returns
    -------
    Shown
        The table of every fold; how the promises fared in sum stands in the note.
    """
    session.wait_for_first()
    with session.lock, tqdm(total=folds * len(session.cases), unit="proposal", leave=False) as bar:

        def on_done(words: str) -> None:
            bar.set_postfix_str(words)
            bar.update()

        found = backtest(session.history, session.live, folds=folds, trials=trials, on_done=on_done)
    calibration = calibrate(found)
    keep_calibration(session.plant.folder, calibration)
    currency = session.plant.file.plant.currency
    frame = pd.DataFrame(
        [
            {
                "family": f.family,
                "advice": f.advice,
                "lots before": f.past_lots,
                "lots after": f.next_lots,
                "promised": f.saving.value,
                "low": f.saving.low,
                "high": f.saving.high,
                "followed": f.followed_saving,
                "hindsight": f.hindsight_saving,
            }
            for f in found
        ],
        columns=[
            "family",
            "advice",
            "lots before",
            "lots after",
            "promised",
            "low",
            "high",
            "followed",
            "hindsight",
        ],
    ).round(0)
    fared = "; ".join(
        f"{r['figure'].replace('_', ' ')}: {r['followed']:,.0f} followed of {r['promised']:,.0f} promised, "
        f"{r['inside']:.0%} of {r['promises']} inside their 90 % interval"
        for r in calibration
        if r["promises"]
    )
    note = (
        f"Savings in {currency} over the lots up to the next cut, against the live recipe. "
        f"{fared or 'No change was found at any cut, so nothing was promised'}. {CAUTION}"
    )
    return Shown("Promised and followed", frame, note, _backtest_chart(found, currency))


def _backtest_chart(found: list[Fold], currency: str) -> alt.LayerChart | None:
    """Return each promise with its interval against what followed."""
    if not found:
        return None
    frame = pd.DataFrame(
        [
            {
                "family": f.family,
                "promised": f.saving.value,
                "low": f.saving.low,
                "high": f.saving.high,
                "followed": f.followed_saving,
                "inside": f.saving.low <= f.followed_saving <= f.saving.high,
            }
            for f in found
        ]
    )
    ends = [
        float(frame[["low", "followed"]].min().min()),
        float(frame[["high", "followed"]].max().max()),
    ]
    x = alt.X("followed:Q", title=f"saving that followed, {currency}")
    y = alt.Y("promised:Q", title=f"saving promised, {currency}")
    base = alt.Chart(frame)
    even = (
        alt.Chart(pd.DataFrame({"followed": ends, "promised": ends}))
        .mark_line(color=GREY, strokeDash=[4, 3])
        .encode(x=x, y=y)
    )
    bars = base.mark_rule(color=GREY).encode(x=x, y=alt.Y("low:Q"), y2="high:Q")
    points = base.mark_point(filled=True, size=60, opacity=1).encode(
        x=x,
        y=y,
        color=alt.Color(
            "inside:N",
            title="inside its interval",
            scale=alt.Scale(domain=[True, False], range=[GOOD, DEFECT]),
        ),
        shape=alt.Shape(
            "inside:N",
            title="inside its interval",
            scale=alt.Scale(domain=[True, False], range=["circle", "triangle-up"]),
        ),
        tooltip=["family", "promised", "followed"],
    )
    return alt.LayerChart(layer=[even, bars, points]).properties(width=420, height=300)


def show_flicker(session: Session, *, most: int = 20) -> Shown:
    """Return the limits whose calls would not repeat, worst first.

    Parameters
    ----------
    session : Session
    most : int
        Rows shown.

    Returns
    -------
    Shown
    """
    session.wait_for_first()
    with session.lock:
        rows = limit_flicker(session.history, {"live": session.live})
    rows = sorted(rows, key=lambda r: -r.unrepeated.value * r.calls)[:most]
    frame = pd.DataFrame(
        [
            {
                "family": r.family,
                "limit": f"{r.measurement} {r.side}",
                "at": f"{r.limit:g} {r.unit}",
                "calls": r.calls,
                "of them not repeated": f"{r.unrepeated.value:.0%} ({r.unrepeated.low:.0%} to {r.unrepeated.high:.0%})",
                "repeatability": f"{r.repeatability:g} {r.unit}",
            }
            for r in rows
        ]
    )
    note = (
        "Inspected again, so large a share of a limit's calls would not be made: the item lies within the "
        "gauge's own spread of the limit. 90 % intervals, lots as the unit."
    )
    return Shown("Calls that do not repeat", frame, note)


def show_causes(session: Session, *, most: int = 6) -> Shown:
    """Return where the process or a machine is the problem, worked out anew and kept.

    Parameters
    ----------
    session : Session
    most : int
        Drawings shown.

    Returns
    -------
    Shown
        A line a finding; the drawing is of lot means in order of time.
    """
    causes = session.investigate()
    charts = [chart for c in causes.found if (chart := lots_chart(causes, c)) is not None]
    said = [f"{c.family}: {cause_words(c)}." for c in causes.found]
    said = said or ["Nothing was found that says that a limit is not the problem."]
    drawn = alt.vconcat(*charts[:most]).resolve_scale(color="independent", shape="independent")
    return Shown(
        "Is the limit the problem",
        cause_frame(causes.found),
        " ".join([*said, asked_words(causes)]),
        drawn if charts else None,
    )


def show_stages(session: Session) -> Shown:
    """Return what foretells the defects of later stages, and how far items could be followed.

    Parameters
    ----------
    session : Session

    Returns
    -------
    Shown
        A line a kind of defect; the drawing is of what stopping it is worth a month.
    """
    title = "What earlier stages foretell"
    if session.plant.file.plant.only_called:
        words = (
            "The results hold called items alone: who passed and what became of it nobody can say."
        )
        return Shown(title, pd.DataFrame(), words)
    session.wait_for_first()
    with session.part() as history:
        found = follow_stages(history, session.live)
        forget_stops(history)
    if len(found.links.stages) < 2:
        return Shown(title, pd.DataFrame(), "The history has items of one stage alone.")
    said = [*reason_words(found), *unlinked_words(found), *foretold_words(found)]
    return Shown(
        title,
        foretold_frame(found.foretellers),
        " ".join(f"{line.rstrip('.')}." for line in said),
        foretold_chart(found, currency=session.plant.file.plant.currency)
        if found.foretellers
        else None,
    )


def show_risk(session: Session, *, risk: float = 0.05) -> Shown:
    """Return consumer's and producer's risk of every limit with a workmanship bound.

    Parameters
    ----------
    session : Session
    risk : float
        Wanted chance that an item right at the bound is not called, 0..1.

    Returns
    -------
    Shown
    """
    session.wait_for_first()
    with session.lock:
        rows = limit_risk(session.history, session.live, risk=risk)
    frame = pd.DataFrame(
        [
            {
                "family": r.family,
                "limit": f"{r.measurement} {r.side}",
                "bound": f"{r.bound:g} {r.unit}",
                "limit at": f"{r.limit:g} {r.unit}",
                "guard band needed": f"{r.needed:.3g} {r.unit}",
                "consumer's risk, ppm": round(r.consumer * 1e6, 2),
                "producer's risk, ppm": round(r.producer * 1e6, 1),
            }
            for r in rows
        ]
    )
    note = (
        f"Joint risks of all items, the process taken as normal; the guard band holds a risk of {risk:.0%} for an "
        f"item right at the bound. {CAUTION}"
    )
    return Shown("Risks at the workmanship bounds", frame, note)


def show_start(
    session: Session, family: str | None = None, *, per_board: float | None = None
) -> Shown:
    """Return first limits of a family with little or no history.

    Parameters
    ----------
    session : Session
    family : str, optional
        One that the plant file names; by default one without limits, else that with the fewest
        labelled defects.
    per_board : float, optional
        Its items on a board, where its history does not say.

    Returns
    -------
    Shown

    Raises
    ------
    UsageError
        If the plant file does not name the family.
    """
    families = session.plant.file.families
    if family is None:
        labels = {f: len(c.tally.defects.frame) for f, c in session.cases.items()}
        limited = session.live.families()
        family = min(families, key=lambda f: (f in limited, labels.get(f, 0), f))
    if family not in families:
        msg = f"unknown family {family!r}; {nearest(family, families)}"
        raise UsageError(msg)
    title = f"First limits of {family}"
    if session.plant.file.plant.only_called:
        words = "The results hold called items alone, which do not say where goods lie."
        return Shown(title, pd.DataFrame(), f"{words} {CAUTION}")
    session.wait_for_first()
    with session.lock:
        seen = sightings(session.history, session.live)
    kept = tuple(k for k in read_must_catch(session.plant) if k.family == family)
    own = seen.pop(family, None)
    try:
        found = start(session.plant, family, seen, own=own, kept=kept, per_board=per_board)
    except UsageError as error:
        return Shown(title, pd.DataFrame(), f"{error}. {CAUTION}")
    said = expected_words(found, currency=session.plant.file.plant.currency)
    note = ". ".join([head_words(found), *said, *evidence_words(found), f"{START_NOTE} {CAUTION}"])
    return Shown(title, limits_frame(found), note)


def show_audit_plan(session: Session, *, items: int, seed: int = 1) -> Shown:
    """Return which passed items to look at, by stratum, and what a clean result would prove.

    Parameters
    ----------
    session : Session
    items : int
        To inspect in all.
    seed : int

    Returns
    -------
    Shown
    """
    session.wait_for_first()
    with session.lock:
        plan = plan_audit(session.history, session.live, items=items, seed=seed)
    proof = clean(plan.strata)
    frame = pd.DataFrame(
        [
            {
                "stratum": s.name,
                "items": s.items,
                "picked": s.picked,
                "weight": round(s.weight, 1),
                "clean proves at most, escapes": bound,
            }
            for s, bound in zip(plan.strata, proof.strata, strict=True)
        ]
    )
    note = " ".join(proof_words(plan, proof)) + (
        f" The sheet to fill in: optimiser audit {session.plant.folder} --items {items} --seed {seed}."
    )
    return Shown("Audit plan", frame, note)
