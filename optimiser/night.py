"""The night: digest what is new, refresh the proposals that it concerns, record changes.

All it leaves lies in ``PLANT/night`` (digests, log, state), ``PLANT/proposals`` and the
ledger. Every file is written whole or not at all and the state comes last, so a night that
breaks off anywhere leaves the last good state, and the next one does what is left.
"""

import fcntl
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from optimiser import __version__
from optimiser.errors import OptimiserError
from optimiser.files import write_whole
from optimiser.history.calls import calls_by_day
from optimiser.history.digest.merged import MergedHistory
from optimiser.history.read import open_history
from optimiser.ledger.ledger import LEDGER, Ledger
from optimiser.ledger.standing import BY_NIGHT, State
from optimiser.monitoring.watch import Watched, exported_since, watch_exported
from optimiser.plant.file import Plant
from optimiser.proposal.all_families import FOLDER, by_saving, early_lots, make_cases, propose_all
from optimiser.proposal.cache import case_key
from optimiser.proposal.propose import Case
from optimiser.proposal.shares import with_shares
from optimiser.proposal.signing import basis_of
from optimiser.recipe.table import Recipe, to_csv
from optimiser.tally.check import refuse_unusable
from optimiser.tally.count import FamilyTally
from optimiser.tally.digested import close_store, open_store, open_stored
from optimiser.values import hash_of

NIGHT, LOCK, LOG, STATE = "night", "lock", "log.jsonl", "state.json"
GROWN = 0.1
DAYS_BEFORE = 45
"""Days before an export that say how a family's days scatter."""
REFRESH_DAYS = 7.0
_FIGURES = (
    *("promise", "lines", "items", "lots", "defects", "span_days", "rails_touched", "reasons"),
)
Row = dict[str, Any]


class NightHeldError(OptimiserError):
    """Another run holds the night's lock."""

    exit_code = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a night is asked to do.

    Attributes
    ----------
    plant : Plant
    live : Recipe
    recipe_path : Path
        For messages.
    now : callable
        Returns the time, with a time zone.
    trials, workers : int
    rehash : bool
        Read every file again, however unchanged it seems.
    report : callable, optional
        Told the night before its state is written: writes the manager's page.
    """

    plant: Plant
    live: Recipe
    recipe_path: Path
    now: Callable[[], datetime]
    trials: int
    workers: int
    rehash: bool = False
    report: "Callable[[Night], None] | None" = None


@dataclass(slots=True, kw_only=True)
class Night:
    """A night under way, and what came of it.

    Attributes
    ----------
    digests, digested, reached : int
        All that serve; made tonight; of these, because an older one did not reach far enough.
    items : int
    clock : datetime or None
        Time of the last item: the data's clock.
    problems : dict of file to words
        What could not be used.
    families : dict of family to dict
        State: when and on what each was last proposed.
    due, fresh : dicts of family to words, to dict
        Why each is proposed tonight, and the new state of those that were.
    failed : dict of family to words
    rows : list of dict
        All proposals, tonight's and those that stand, largest saving first.
    recorded : list of str
        Families whose change was written into the ledger or stood there already.
    ends : dict of Path to datetime
        Time of the last item of each result file that serves.
    days : DataFrame
        As ``calls_by_day`` gives it.
    watched : dict of int to Watched
        Exported changes, by proposal.
    alarms : list of str
        Families whose change is worse than promised, or misses a must-catch item.
    interrupted : bool
    seconds : float
    """

    asked: Asked
    history: MergedHistory | None = None
    digests: int = 0
    digested: int = 0
    reached: int = 0
    items: int = 0
    clock: datetime | None = None
    problems: dict[str, str] = field(default_factory=dict)
    families: dict[str, Row] = field(default_factory=dict)
    cases: list[Case] = field(default_factory=list)
    due: dict[str, str] = field(default_factory=dict)
    fresh: dict[str, Row] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    recorded: list[str] = field(default_factory=list)
    ends: dict[Path, datetime] = field(default_factory=dict)
    days: pd.DataFrame = field(default_factory=pd.DataFrame)
    watched: dict[int, Watched] = field(default_factory=dict)
    alarms: list[str] = field(default_factory=list)
    interrupted: bool = False
    seconds: float = 0.0

    @property
    def folder(self) -> Path:
        """Where the night's files lie."""
        return self.asked.plant.folder / NIGHT

    @property
    def exit_code(self) -> int:
        """130 stopped, 1 something could not be used, 0 done."""
        return 130 if self.interrupted else int(bool(self.problems or self.failed))

    def tell(self, event: str, **values: object) -> None:
        """Append an event to the log: one JSON object a line."""
        line = json.dumps({"at": self.asked.now().isoformat(), "event": event, **values})
        with (self.folder / LOG).open("a", encoding="utf-8") as log:
            log.write(line + "\n")

    def as_dict(self) -> Row:
        """Return what came of it as plain values."""
        by_advice: dict[str, list[str]] = {"change": [], "keep": [], "gather": []}
        for row in self.rows:
            by_advice[row["advice"]].append(row["family"])
        return {
            "clock": self.clock.isoformat() if self.clock else None,
            "digests": self.digests,
            "digested": self.digested,
            "reached": self.reached,
            "items": self.items,
            "proposed": self.due,
            "stand": sorted(set(self.families) - set(self.fresh)),
            **by_advice,
            "recorded": self.recorded,
            "watched": {w.family: w.state for w in self.watched.values()},
            "alarms": self.alarms,
            "failed": self.failed,
            "problems": self.problems,
            "interrupted": self.interrupted,
            "seconds": round(self.seconds, 3),
        }


def run_night(asked: Asked) -> Night:
    """Run one night.

    Parameters
    ----------
    asked : Asked

    Returns
    -------
    Night
        Its ``exit_code`` says whether anything could not be used.

    Raises
    ------
    NightHeldError
        If another run is under way on this plant.
    OptimiserError
        If nothing can be proposed at all; the last good state stands.
    """
    night, started = Night(asked=asked), time.monotonic()
    with _explained(night), locked(night.folder, asked.now):
        night.tell("begin", pid=os.getpid(), version=__version__)
        try:
            night.families = _read_state(night.folder / STATE)
            for step in STEPS:
                step(night)
            if asked.report is not None:
                asked.report(night)
        except BaseException as error:
            with suppress(OSError):  # what broke it off says more than a log that is full
                night.tell("broken off", why=f"{type(error).__name__}: {error}")
            raise
        finally:
            if night.history is not None:
                night.history.close()
        night.seconds = time.monotonic() - started
        night.tell("end", exit_code=night.exit_code, **night.as_dict())
        # Last, so that whatever it says has been done.
        _write_state(night)
    return night


@contextmanager
def _explained(night: Night) -> Iterator[None]:
    """Name the place where the disk refused, and the files without which a night broke off."""
    try:
        yield
    except OSError as error:
        if error.filename is not None or error.errno is None:
            raise
        raise OSError(error.errno, error.strerror, str(night.asked.plant.folder)) from error
    except OptimiserError as error:
        if not night.problems:
            raise
        raise type(error)("\n".join([*problem_words(night), str(error)])) from error


def problem_words(night: Night) -> list[str]:
    """Return what could not be used, one line a file.

    Parameters
    ----------
    night : Night

    Returns
    -------
    list of str
    """
    return [w if file in w else f"{file}: {w}" for file, w in night.problems.items()]


@contextmanager
def locked(folder: Path, now: Callable[[], datetime]) -> Iterator[None]:
    """Hold a folder's lock; the system lets go of it when the process ends, however it ends.

    Raises
    ------
    NightHeldError
        If another process holds it: which, and since when.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / LOCK).open("a+", encoding="utf-8") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            lock.seek(0)
            msg = (
                f"{folder / LOCK}: held by another run, {lock.read().strip() or 'just begun'}; "
                "wait for its end, or end that process"
            )
            raise NightHeldError(msg) from error
        lock.truncate(0)
        lock.write(f"process {os.getpid()} since {now().isoformat()}\n")
        lock.flush()
        yield


def digest_new(night: Night) -> None:
    """Digest what is new, drop what is gone, open all digests as one history."""
    asked = night.asked
    store = open_store(asked.plant, asked.live, night.folder, rehash=asked.rehash, tell=night.tell)
    try:
        night.history = open_stored(store, early_lots)
    finally:
        night.problems |= store.problems
    close_store(store)
    night.digests, night.digested, night.reached = (
        len(store.serving),
        store.made,
        store.reached,
    )
    night.items = night.history.rows_used
    night.ends = {f: d.meta.last for unit, d in store.serving.items() for f in unit.files}
    night.clock = night.history.rows(f"select max(last) from {night.history.lots}")[0][0]


def check_all(night: Night) -> None:
    """Stop where the history cannot be used with this recipe, as every command does."""
    assert night.history is not None
    refuse_unusable(night.history, night.asked.live, night.asked.recipe_path)


def tally_all(night: Night) -> None:
    """Tally all families, and see whose proposal is due."""
    assert night.history is not None
    night.days = calls_by_day(night.history, night.asked.live)
    night.cases = make_cases(night.history, night.asked.live, trials=night.asked.trials, proof=True)
    night.history.close()
    night.history = None
    for case in night.cases:
        why = _due(case, night)
        if why:
            night.due[case.tally.family] = why
    gone = set(night.families) - {c.tally.family for c in night.cases}
    for family in sorted(gone):
        del night.families[family]
        night.tell("no items", family=family)


def refresh(night: Night) -> None:
    """Propose anew for the families that are due; the others' last proposals stand."""
    todo = [c for c in night.cases if c.tally.family in night.due]
    for case in todo:
        night.tell("due", family=case.tally.family, why=night.due[case.tally.family])
    made = _proposed(todo, night)
    rows = {row["family"]: row for row in made}
    for case in todo:
        family = case.tally.family
        row = rows.get(family)
        if row is not None and not row["interrupted"]:
            night.fresh[family] = _ground(case, night) | {
                "at": str(night.clock),
                "kept": f"{case_key(case)[:16]}.json",
                "advice": row["advice"],
            }
            night.tell("proposed", family=family, advice=row["advice"])
    standing = [
        row
        for family, state in night.families.items()
        if family not in rows and (row := _kept(night.asked.plant, state)) is not None
    ]
    night.rows = with_shares(sorted([*made, *standing], key=by_saving))


def record(night: Night) -> None:
    """Write the changes proposed tonight into the ledger; the same change is not written twice.

    What the night proposed before and nobody has touched is withdrawn, so that one proposal of
    a family waits. Limits that were rejected are not proposed again.
    """
    ledger = Ledger(night.asked.plant.folder / LEDGER, now=night.asked.now)
    states: list[State] | None = None
    for row in night.rows:
        if row["family"] not in night.fresh:
            continue
        try:
            states = ledger.states() if states is None else states
            _record(night, row, ledger, [s for s in states if s.entry.family == row["family"]])
        except OptimiserError as error:
            _fail(night, row["family"], error)
    # What failed keeps its old state, and so is due again tomorrow.
    night.families |= {f: state for f, state in night.fresh.items() if f not in night.failed}


def _record(night: Night, row: Row, ledger: Ledger, past: Sequence[State]) -> None:
    """Write one family's change, and withdraw what it replaces."""
    family, newest = row["family"], None
    moves = [x for x in row["limits"] if x["now"] != x["proposed"]]
    if row["advice"] == "change":
        refused = next((s for s in past if s.state == "rejected" and _is_of(s, moves)), None)
        if refused is not None:
            night.tell("rejected before", family=family, entry=refused.entry.id)
        else:
            (case,) = (c for c in night.cases if c.tally.family == family)
            newest = ledger.propose(
                family,
                moves,
                by=BY_NIGHT,
                reason=night.due[family],
                origin="recommended",
                critical=row["critical"],
                basis=basis_of(case, night.asked.live),
                figures={name: row[name] for name in _FIGURES},
            ).id
            night.recorded.append(family)
            night.tell("recorded", family=family, entry=newest)
    why = "newer results advise no such change" if newest is None else f"proposal {newest} is newer"
    for state in past:
        if state.state == "waiting" and state.entry.by == BY_NIGHT and state.entry.id != newest:
            ledger.decide(state.entry.id, "withdraw", by=BY_NIGHT, reason=why)
            night.tell("withdrawn", family=family, entry=state.entry.id, why=why)


def _is_of(state: State, moves: Sequence[Row]) -> bool:
    """Return whether a proposal moves the same limits from and to the same values."""
    names = ("measurement", "side", "now", "proposed")
    old, new = (
        {tuple(x[n] for n in names) for x in xs} for xs in (state.entry.body["limits"], moves)
    )
    return old == new


def watch_changes(night: Night) -> None:
    """Hold exported changes against what follows; an alarm is written into the ledger once.

    Only files from some days before the oldest export are read again, item by item.
    """
    asked = night.asked
    ledger = Ledger(asked.plant.folder / LEDGER, now=asked.now)
    since = exported_since(ledger)
    if since is None:
        return
    from_then_on = since - timedelta(days=DAYS_BEFORE)
    files = sorted(f for f, last in night.ends.items() if last >= from_then_on)
    if not files:
        night.tell("nothing to watch", since=since.isoformat())
        return
    aside = night.folder / "watched_aside.csv"
    with open_history(asked.plant, files, set_aside=aside) as history:
        night.watched = watch_exported(history, asked.live, ledger)
    for proposal, found in night.watched.items():
        night.tell("watched", family=found.family, proposal=proposal, state=found.state)
        if found.state == "worse: look" or found.missed:
            night.alarms.append(found.family)
            _alarm(ledger, proposal, found)


def _alarm(ledger: Ledger, proposal: int, found: Watched) -> None:
    """Write an alarm into the ledger, unless the same one of this change stands there."""
    body = {"state": found.state, "missed": list(found.missed)}
    known = (e for e in ledger.entries(kind="watch") if e.proposal == proposal)
    if any({k: e.body.get(k) for k in body} == body for e in known):
        return
    reason = "; ".join(found.reasons) or found.state
    ledger.watch(found.family, by=BY_NIGHT, reason=reason, body=body, proposal=proposal)


STEPS: tuple[Callable[[Night], None], ...] = (
    *(digest_new, check_all, tally_all, refresh, record),
    watch_changes,
)
"""What a night does, in this order."""


def _due(case: Case, night: Night) -> str:
    """Return why a family is to be proposed anew; empty where its last proposal stands."""
    before = night.families.get(case.tally.family)
    if before is None:
        return "never proposed"
    now = _ground(case, night)
    new, more = now["defects"] - before["defects"], now["items"] - before["items"]
    reasons = (
        (
            now["ground"] != before["ground"],
            "plant file, recipe, rails, must-catch set, trials or version changed",
        ),
        (
            now["labels"] != before["labels"],
            f"{new} new labelled defects" if new > 0 else "labels of defects changed",
        ),
        (abs(more) >= GROWN * before["items"], f"{more:+,} items since"),
        (not _is_recent(before["at"], night.clock), f"{REFRESH_DAYS:g} days since the last"),
        (_kept(night.asked.plant, before) is None, "the last proposal is gone"),
    )
    return next((words for holds, words in reasons if holds), "")


def _is_recent(at: str, clock: datetime | None) -> bool:
    return clock is not None and clock - datetime.fromisoformat(at) < timedelta(days=REFRESH_DAYS)


def _ground(case: Case, night: Night) -> Row:
    """Return what a family's proposal is compared by from night to night."""
    rests_on = [
        __version__,
        case.plant.file.model_dump_json(),
        to_csv(night.asked.live),
        repr(case.must_catch),
        case.trials,
    ]
    return {
        "ground": hash_of(json.dumps(rests_on)),
        "labels": hash_of(_labels(case.tally)),
        "items": case.tally.items,
        "defects": len(case.tally.defects.frame),
    }


def _labels(tally: FamilyTally) -> str:
    return str(tally.defects.frame.to_csv(index=False))


def _kept(plant: Plant, state: Mapping[str, Any]) -> Row | None:
    """Return a proposal that stands, or None where it cannot be read."""
    for path in (plant.folder / FOLDER).glob(f"*-{state['kept']}"):
        try:
            row: Row = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        return row
    return None


def standing_rows(plant: Plant) -> dict[str, Row]:
    """Return the proposals that stand since the last night, by family; none before the first."""
    found = {
        family: _kept(plant, state)
        for family, state in _read_state(plant.folder / NIGHT / STATE).items()
    }
    return {family: row for family, row in found.items() if row is not None}


def _proposed(todo: Sequence[Case], night: Night) -> list[Row]:
    """Propose for all; where one family fails, for each by itself, so that the others go on."""
    folder, workers = night.asked.plant.folder / FOLDER, night.asked.workers
    try:
        rows, night.interrupted = propose_all(todo, folder=folder, workers=workers)
    except Exception as error:
        night.tell("one by one", why=f"{type(error).__name__}: {error}")
    else:
        return rows
    found: list[Row] = []
    for case in todo:
        try:
            rows, night.interrupted = propose_all([case], folder=folder, workers=1)
        except Exception as error:
            _fail(night, case.tally.family, error)
            continue
        found += rows
        if night.interrupted:
            break
    return found


def _fail(night: Night, family: str, error: Exception) -> None:
    words = f"{type(error).__name__}: {error}"
    night.failed[family] = words
    night.tell("failed", family=family, why=words)


def _read_state(path: Path) -> dict[str, Row]:
    """Return the state of the families; none where there is none that can be read."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))["families"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return dict(found)


def _write_state(night: Night) -> None:
    table = {
        "now": night.asked.now().isoformat(),
        "clock": str(night.clock),
        "digests": night.digests,
        "items": night.items,
        "families": dict(sorted(night.families.items())),
    }
    write_whole(night.folder / STATE, json.dumps(table, indent=1) + "\n")
