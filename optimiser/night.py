"""The night: digest what is new, refresh the proposals that it concerns, record changes.

All it leaves lies in ``PLANT/night`` (digests, log, state), ``PLANT/proposals`` and the
ledger. Every file is written whole or not at all and the state comes last, so a night that
breaks off anywhere leaves the last good state, and the next one does what is left.
"""

import json
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import pandas as pd

from optimiser import __version__
from optimiser.errors import OptimiserError, UsageError
from optimiser.history.calls import calls_by_day
from optimiser.history.digest.merged import MergedHistory
from optimiser.history.digest.store import sha_of_file
from optimiser.history.read import open_history
from optimiser.history.replay import doubtful_families
from optimiser.ledger.ledger import Ledger
from optimiser.ledger.standing import BY_NIGHT, State
from optimiser.monitoring.watch import Watched, exported_since, watch_exported
from optimiser.plant.file import Plant
from optimiser.proposal.all_families import open_whole, pose_all, propose_all, rank_by_saving
from optimiser.proposal.cache import FOLDER, case_key, read_kept
from optimiser.proposal.causes import read_causes
from optimiser.proposal.headline import headline
from optimiser.proposal.learn_record import LastList, last_list
from optimiser.proposal.opening import early_lots, keep_opening, state_or_none
from optimiser.proposal.propose import Case
from optimiser.proposal.record import Advice, Proposal
from optimiser.proposal.signing import PutForward, put_forward
from optimiser.proposal.stages import KeptStages, follow_again
from optimiser.proposal.state import beside
from optimiser.recipe.table import Recipe, to_csv
from optimiser.seal import read_sealed, write_sealed
from optimiser.tally.check import refuse_unusable
from optimiser.tally.count import FamilyTally
from optimiser.tally.digested import close_store, open_store, open_stored
from optimiser.values import finite_only, hash_of

NIGHT, LOCK, LOG, STATE = "night", "lock", "log.jsonl", "state.json"
GROWN = 0.1
DAYS_BEFORE = 45
"""Days before an export that say how a family's days scatter."""
REFRESH_DAYS = 7.0
FamilyState = dict[str, Any]
"""When and on what a family was last proposed, as the state file holds it."""


class NightHeldError(OptimiserError):
    """Another run holds the night's lock."""

    exit_code = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
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
    watch : callable, optional
        Told each event of the log as it is written, a word and named values.
    """

    plant: Plant
    live: Recipe
    recipe_path: Path
    now: Callable[[], datetime]
    trials: int
    workers: int
    rehash: bool = False
    report: "Callable[[Night], None] | None" = None
    watch: Callable[[str, Mapping[str, Any]], None] | None = None

    @property
    def folder(self) -> Path:
        """Where the night's files lie."""
        return self.plant.folder / NIGHT

    def tell(self, event: str, **values: object) -> None:
        """Append an event to the log: one JSON object a line."""
        line = json.dumps({"at": self.now().isoformat(), "event": event, **values})
        with (self.folder / LOG).open("a", encoding="utf-8") as log:
            log.write(line + "\n")
        if self.watch is not None:
            self.watch(event, values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What came in.

    Attributes
    ----------
    digests, digested, reached : int
        All that serve; made tonight; of these, because an older one did not reach far enough.
    items, set_aside : int
        Rows used; rows that broke a rule.
    clock : datetime
        Time of the last item: the data's clock.
    ends : dict of Path to datetime
        Time of the last item of each result file that serves.
    state : str or None
        Of the plant's files as they were read; None where not all of them could be used.
    """

    digests: int
    digested: int
    reached: int
    items: int
    set_aside: int
    clock: datetime
    ends: dict[Path, datetime]
    state: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Counted:
    """What was counted of it.

    Attributes
    ----------
    days : DataFrame
        As ``calls_by_day`` gives it.
    cases : list of Case
    doubtful : list of str
        Families whose own recorded calls are not those of the recipe.
    """

    days: pd.DataFrame
    cases: list[Case]
    doubtful: list[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Refreshed:
    """The proposals that stand now.

    Attributes
    ----------
    proposals : list of Proposal
        Tonight's and those that stand, largest saving first.
    due, fresh : dicts of family to words, to FamilyState
        Why each was to be proposed tonight, and the new state of those that were.
    failed : dict of family to words
    learn : LastList or None
        What the last list of looks is worth.
    refused : list of str
        Kept files that are not believed, and why; proposals among them were made again.
    interrupted : bool
    """

    proposals: list[Proposal]
    due: dict[str, str]
    fresh: dict[str, FamilyState]
    failed: dict[str, str]
    learn: LastList | None
    refused: list[str]
    interrupted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What the ledger was told.

    Attributes
    ----------
    families : list of str
        Whose change was written into the ledger or stood there already.
    withdrawn : list of int
        Proposals of earlier nights that were taken back.
    failed : dict of family to words
    """

    families: list[str]
    withdrawn: list[int]
    failed: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What followed on exported changes.

    Attributes
    ----------
    watched : dict of int to Watched
        By proposal.
    alarms : list of str
        Families whose change is worse than promised, or misses a must-catch item.
    """

    watched: dict[int, Watched] = field(default_factory=dict)
    alarms: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Night:
    """What came of a night.

    Attributes
    ----------
    job, intake, counted, refreshed, recorded, followed
        What each step handed on.
    problems : dict of file to words
        What could not be used.
    families : dict of family to FamilyState
        When and on what each was last proposed, after this night.
    new_set_aside : int
        Rows set aside beyond those of the night before.
    edited : list of str
        Families whose live limits changed under the same name of the revision.
    seconds : float
    unfetched : dict of database to words
        Those that could not be fetched; the night went on with what was there.
    stages : KeptStages or None
        What following items through the stages found; None where nothing came in or none are listed.
    """

    job: Job
    intake: Intake
    counted: Counted
    refreshed: Refreshed
    recorded: Recorded
    followed: Followed
    problems: dict[str, str]
    families: dict[str, FamilyState]
    new_set_aside: int
    edited: list[str]
    seconds: float
    unfetched: dict[str, str] = field(default_factory=dict)
    stages: KeptStages | None = None

    @property
    def looks(self) -> list[str]:
        """What a person should look at, in words."""
        doubtful, refused = self.counted.doubtful, self.refreshed.refused
        revision = self.job.live.revision
        return [
            words
            for holds, words in (
                (self.new_set_aside > 0, f"{self.new_set_aside:,} more rows set aside"),
                (refused, f"{len(refused)} kept files not believed"),
                (
                    self.edited,
                    f"limits of {', '.join(self.edited)} edited in revision {revision} itself",
                ),
                (doubtful, f"recorded calls of {', '.join(doubtful)} are not the recipe's"),
                (self.unfetched, f"not fetched: {'; '.join(self.unfetched.values())}"),
            )
            if holds
        ]

    @property
    def failed(self) -> dict[str, str]:
        """Families without a proposal tonight, or whose change could not be recorded, and why."""
        return self.refreshed.failed | self.recorded.failed

    @property
    def exit_code(self) -> int:
        """130 stopped, 1 something could not be used, 4 done and something to look at, 0 done."""
        if self.refreshed.interrupted:
            return 130
        return 1 if self.problems or self.failed else 4 if self.looks else 0

    def _month(self) -> dict[str, Any] | None:
        """Return what all advised changes do together, as plain values; None without a proposal."""
        found = headline(self.refreshed.proposals, self.job.plant.file.review)
        row: dict[str, Any] | None = finite_only(asdict(found.month)) if found else None
        return row

    def as_dict(self) -> dict[str, Any]:
        """Return what came of it as plain values."""
        by_advice: dict[str, list[str]] = {a: [] for a in get_args(Advice)}
        for of in self.refreshed.proposals:
            by_advice[of.advice].append(of.family)
        return {
            "clock": self.intake.clock.isoformat(),
            "digests": self.intake.digests,
            "digested": self.intake.digested,
            "reached": self.intake.reached,
            "items": self.intake.items,
            "proposed": self.refreshed.due,
            "stand": sorted(set(self.families) - set(self.refreshed.fresh)),
            **by_advice,
            "learn": None if self.refreshed.learn is None else self.refreshed.learn.as_dict(),
            "findings": {
                of.family: [asdict(cause) for cause in of.findings]
                for of in self.refreshed.proposals
                if of.findings
            },
            "stages": None if self.stages is None else asdict(self.stages),
            "month": self._month(),
            "recorded": self.recorded.families,
            "withdrawn": self.recorded.withdrawn,
            "set_aside": self.intake.set_aside,
            "new_set_aside": self.new_set_aside,
            "refused": self.refreshed.refused,
            "edited": self.edited,
            "doubtful": self.counted.doubtful,
            "looks": self.looks,
            "watched": {w.family: w.state for w in self.followed.watched.values()},
            "alarms": self.followed.alarms,
            "failed": self.failed,
            "problems": self.problems,
            "unfetched": self.unfetched,
            "interrupted": self.refreshed.interrupted,
            "seconds": round(self.seconds, 3),
        }


def run_night(job: Job) -> Night:
    """Run one night.

    Parameters
    ----------
    job : Job

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
    with _named(job.plant.folder), locked(job.folder, job.now):
        job.tell("begin", pid=os.getpid(), version=__version__)
        try:
            night = _through(job, _last_state(job), time.monotonic())
            if job.report is not None:
                job.report(night)
        except BaseException as error:
            with suppress(OSError):  # what broke it off says more than a log that is full
                job.tell("broken off", why=f"{type(error).__name__}: {error}")
            raise
        job.tell("end", exit_code=night.exit_code, **night.as_dict())
        # Last, so that whatever it says has been done.
        _write_state(night)
    return night


def _through(job: Job, state: Mapping[str, Any], started: float) -> Night:
    """Go through the night's steps; each is handed what those before it found."""
    problems: dict[str, str] = {}
    unfetched = fetch_first(job)
    with _with_problems(problems):
        history, intake = digest_new(job, problems)
        with history:
            counted = count_all(job, history, intake.state)
    past = _still_there(job, state.get("families", {}), counted)
    refreshed = refresh(job, counted.cases, past, intake.clock)
    recorded = record(job, counted.cases, refreshed)
    followed = watch_changes(job, intake.ends)
    stages = follow_stages_again(job, intake, problems)
    # What failed keeps its old state, and so is due again tomorrow.
    new = {f: state for f, state in refreshed.fresh.items() if f not in recorded.failed}
    return Night(
        job=job,
        intake=intake,
        counted=counted,
        refreshed=refreshed,
        recorded=recorded,
        followed=followed,
        problems=problems,
        families={**past, **new},
        new_set_aside=max(0, intake.set_aside - int(state.get("set_aside", 0))),
        edited=_edited(job.live, state.get("recipe", {})),
        seconds=time.monotonic() - started,
        unfetched=unfetched,
        stages=stages,
    )


def follow_stages_again(job: Job, intake: Intake, problems: dict[str, str]) -> KeptStages | None:
    """Follow items through the stages anew where results came in; the night goes on where that fails.

    Parameters
    ----------
    job : Job
    intake : Intake
    problems : dict of file to words
        Told why items could not be followed.

    Returns
    -------
    KeptStages or None
    """
    if not intake.digested:
        return None
    try:
        found = follow_again(job.plant, job.live)
    except OptimiserError as error:
        problems["stages"] = str(error)
        return None
    if found is not None:
        job.tell("stages", **asdict(found))
    return found


def fetch_first(job: Job) -> dict[str, str]:
    """Fetch the databases that are marked for the night; return those that failed, and why.

    Parameters
    ----------
    job : Job

    Returns
    -------
    dict of database to words
    """
    failed: dict[str, str] = {}
    for database in job.plant.file.databases:
        if not database.nightly:
            continue
        from optimiser.intake.fetch import fetch

        try:
            found = fetch(job.plant, database)
        except (OptimiserError, OSError) as error:
            failed[database.name] = str(error)
            job.tell("not fetched", database=database.name, why=str(error))
        else:
            job.tell("fetched", database=database.name, rows=found.rows, notes=found.notes)
    return failed


@contextmanager
def _named(folder: Path) -> Iterator[None]:
    """Name the place where the disk refused."""
    try:
        yield
    except OSError as error:
        if error.filename is not None or error.errno is None:
            raise
        raise OSError(error.errno, error.strerror, str(folder)) from error


@contextmanager
def _with_problems(problems: Mapping[str, str]) -> Iterator[None]:
    """Name the files without which nothing could be counted."""
    try:
        yield
    except OptimiserError as error:
        if not problems:
            raise
        raise type(error)("\n".join([*problem_words(problems), str(error)])) from error


def problem_words(problems: Mapping[str, str]) -> list[str]:
    """Return what could not be used, one line a file.

    Parameters
    ----------
    problems : mapping of file to words

    Returns
    -------
    list of str
    """
    return [w if file in w else f"{file}: {w}" for file, w in problems.items()]


@contextmanager
def locked(folder: Path, now: Callable[[], datetime]) -> Iterator[None]:
    """Hold a folder's lock; the system lets go of it when the process ends, however it ends.

    Raises
    ------
    NightHeldError
        If another process holds it: which, and since when.
    UsageError
        If this system has no POSIX file locks.
    """
    try:
        import fcntl  # only here: all else, `optimiser report` included, does without POSIX locks
    except ImportError as error:
        msg = "a night needs POSIX file locks, so that no two run at once: run it on Linux or macOS"
        raise UsageError(msg) from error
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


def digest_new(job: Job, problems: dict[str, str]) -> tuple[MergedHistory, Intake]:
    """Digest what is new, drop what is gone, open all digests as one history.

    Parameters
    ----------
    job : Job
    problems : dict of file to words
        Told of each file that could not be used, also where none can.

    Returns
    -------
    history : MergedHistory
        To be closed.
    intake : Intake
    """
    shas = _shas_beside(job.plant)
    store = open_store(
        job.plant, job.live, job.folder, rehash=job.rehash, workers=job.workers, tell=job.tell
    )
    try:
        history = open_stored(store, early_lots)
    finally:
        problems |= store.problems
    for unit in store.serving:
        shas |= zip(unit.files, unit.contents, strict=True)
    close_store(store)
    return history, Intake(
        digests=len(store.serving),
        digested=store.made,
        reached=store.reached,
        items=history.rows_used,
        set_aside=history.rows_set_aside,
        clock=history.rows(f"select max(last) from {history.lots}")[0][0],
        ends={f: d.meta.last for unit, d in store.serving.items() for f in unit.files},
        state=state_or_none(job.plant, job.live, shas),
    )


def _shas_beside(plant: Plant) -> dict[Path, str]:
    """Return the content hashes of what is read beside results and recipes; a missing file has none."""
    shas = {}
    for path in beside(plant):
        with suppress(OSError):
            shas[path] = sha_of_file(path)
    return shas


def count_all(job: Job, history: MergedHistory, state: str | None) -> Counted:
    """Tally all families; stop where the history cannot be used with this recipe.

    What was counted is kept for the screens that are opened in the morning.
    """
    findings = refuse_unusable(history, job.live, job.recipe_path)
    doubtful = doubtful_families(findings)
    opening = open_whole(history, job.live, doubtful)
    keep_opening(job.plant, state, opening, history)
    return Counted(
        doubtful=doubtful,
        days=calls_by_day(history, job.live),
        cases=pose_all(
            job.plant,
            opening.tallied,
            trials=job.trials,
            released=opening.released,
            unlike_recipe=doubtful,
        ),
    )


def _still_there(
    job: Job, before: Mapping[str, FamilyState], counted: Counted
) -> dict[str, FamilyState]:
    """Return the state of the families that have items still."""
    here = {c.tally.family for c in counted.cases}
    for family in sorted(set(before) - here):
        job.tell("no items", family=family)
    return {family: state for family, state in before.items() if family in here}


def refresh(
    job: Job, cases: Sequence[Case], past: Mapping[str, FamilyState], clock: datetime
) -> Refreshed:
    """Propose anew for the families that are due; the others' last proposals stand."""
    reasons = {c.tally.family: _due(job, c, past.get(c.tally.family), clock) for c in cases}
    due = {family: why for family, why in reasons.items() if why}
    for family, why in due.items():
        job.tell("due", family=family, why=why)
    todo = {c.tally.family: c for c in cases if c.tally.family in due}
    refused: list[str] = []
    made, failed, interrupted = _proposed(job, list(todo.values()), refused)
    causes = read_causes(job.plant, on_refused=refused.append)
    learn = last_list(job.plant, on_refused=refused.append)
    for words in refused:
        job.tell("refused", why=words)
    fresh = {}
    for of in made:
        if not of.interrupted:
            case = todo[of.family]
            fresh[of.family] = _ground(job, case) | {
                "at": str(clock),
                "kept": f"{case_key(case)[:16]}.json",
                "advice": of.advice,
            }
            job.tell("proposed", family=of.family, advice=of.advice)
    known = {of.family for of in made}
    standing = (_kept(job.plant, family, s) for family, s in past.items() if family not in known)
    return Refreshed(
        proposals=rank_by_saving([*made, *(of for of in standing if of is not None)], causes),
        due=due,
        fresh=fresh,
        failed=failed,
        learn=learn,
        refused=refused,
        interrupted=interrupted,
    )


def record(job: Job, cases: Sequence[Case], refreshed: Refreshed) -> Recorded:
    """Write the changes proposed tonight into the ledger; the same change is not written twice.

    What the night proposed before and nobody has touched is withdrawn, so that one proposal of
    a family waits. Limits that were rejected are not proposed again.
    """
    ledger = Ledger.of(job.plant, unattended=True, now=job.now)
    by_family = {c.tally.family: c for c in cases}
    states: list[State] | None = None
    written: list[str] = []
    withdrawn: list[int] = []
    failed: dict[str, str] = {}
    for of in refreshed.proposals:
        if of.family not in refreshed.fresh:
            continue
        try:
            states = ledger.states() if states is None else states
            why = refreshed.due[of.family]
            done = _propose(job, ledger, states, by_family[of.family], of, why)
        except OptimiserError as error:
            failed[of.family] = _failure(job, of.family, error)
        else:
            withdrawn += done.older
            written += [of.family] if done.entry is not None else []
    return Recorded(families=written, withdrawn=withdrawn, failed=failed)


def _propose(
    job: Job, ledger: Ledger, states: Sequence[State], case: Case, of: Proposal, why: str
) -> PutForward:
    """Write one family's change into the ledger, if there is one, and withdraw what it replaces."""
    done = put_forward(ledger, states, job.live, case, of, by=BY_NIGHT, reason=why)
    if done.rejected is not None:
        job.tell("rejected before", family=of.family, entry=done.rejected)
    if done.entry is not None:
        job.tell("recorded", family=of.family, entry=done.entry)
    for older in done.older:
        ledger.decide(older, "withdraw", by=BY_NIGHT, reason=done.why_older)
        job.tell("withdrawn", family=of.family, entry=older, why=done.why_older)
    return done


def watch_changes(job: Job, ends: Mapping[Path, datetime]) -> Followed:
    """Hold exported changes against what follows; an alarm is written into the ledger once.

    Only files from some days before the oldest export are read again, item by item.
    """
    ledger = Ledger.of(job.plant, unattended=True, now=job.now)
    since = exported_since(ledger)
    if since is None:
        return Followed()
    from_then_on = since - timedelta(days=DAYS_BEFORE)
    files = sorted(f for f, last in ends.items() if last >= from_then_on)
    if not files:
        job.tell("nothing to watch", since=since.isoformat())
        return Followed()
    aside = job.folder / "watched_aside.csv"
    with open_history(job.plant, files, set_aside=aside) as history:
        watched = watch_exported(history, job.live, ledger)
    alarms = []
    for proposal, found in watched.items():
        job.tell("watched", family=found.family, proposal=proposal, state=found.state)
        if found.state == "worse: look" or found.missed:
            alarms.append(found.family)
            _alarm(ledger, proposal, found)
    return Followed(watched=watched, alarms=alarms)


def _alarm(ledger: Ledger, proposal: int, found: Watched) -> None:
    """Write an alarm into the ledger, unless the same one of this change stands there."""
    body = {"state": found.state, "missed": list(found.missed)}
    known = (e for e in ledger.entries(kind="watch") if e.proposal == proposal)
    if any({k: e.body.get(k) for k in body} == body for e in known):
        return
    reason = "; ".join(found.reasons) or found.state
    ledger.watch(found.family, by=BY_NIGHT, reason=reason, body=body, proposal=proposal)


def _due(job: Job, case: Case, before: FamilyState | None, clock: datetime) -> str:
    """Return why a family is to be proposed anew; empty where its last proposal stands."""
    if before is None:
        return "never proposed"
    now = _ground(job, case)
    new, more = now["defects"] - before["defects"], now["items"] - before["items"]
    reasons = (
        (
            now["ground"] != before["ground"],
            "plant file, recipe, rails, must-catch set, trials or version changed, or what the machine ran",
        ),
        (
            now["labels"] != before["labels"],
            f"{new} new labelled defects" if new > 0 else "labels of defects changed",
        ),
        (abs(more) >= GROWN * before["items"], f"{more:+,} items since"),
        (not _is_recent(before["at"], clock), f"{REFRESH_DAYS:g} days since the last"),
        (_kept(job.plant, case.tally.family, before) is None, "the last proposal is gone"),
    )
    return next((words for holds, words in reasons if holds), "")


def _is_recent(at: str, clock: datetime) -> bool:
    return clock - datetime.fromisoformat(at) < timedelta(days=REFRESH_DAYS)


def _ground(job: Job, case: Case) -> FamilyState:
    """Return what a family's proposal is compared by from night to night."""
    rests_on = [
        __version__,
        case.plant.file.ground(),
        to_csv(job.live),
        repr(case.must_catch),
        case.trials,
        *(["calls are not the recipe's"] if case.unlike_recipe else []),
    ]
    return {
        "ground": hash_of(json.dumps(rests_on)),
        "labels": hash_of(_labels(case.tally)),
        "items": case.tally.items,
        "defects": len(case.tally.defects.frame),
    }


def _labels(tally: FamilyTally) -> str:
    return str(tally.defects.frame.to_csv(index=False))


def _kept(plant: Plant, family: str, state: FamilyState) -> Proposal | None:
    """Return a family's proposal that stands, or None where it cannot be read."""
    for path in (plant.folder / FOLDER).glob(f"*-{state['kept']}"):
        with suppress(OSError, ValueError):
            found, _ = read_kept(path)
            if found.family == family:
                return found
    return None


def standing_proposals(plant: Plant) -> dict[str, Proposal]:
    """Return the proposals that stand since the last night, by family; none before the first.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    dict of family to Proposal
    """
    found = {family: _kept(plant, family, state) for family, state in _states_of(plant).items()}
    return {family: of for family, of in found.items() if of is not None}


def _states_of(plant: Plant) -> dict[str, FamilyState]:
    """Return the state of the families; none where there is none that can be believed."""
    try:
        return dict(read_sealed(plant.folder / NIGHT / STATE)["families"])
    except (OSError, ValueError, KeyError):
        return {}


def _proposed(
    job: Job, todo: Sequence[Case], refused: list[str]
) -> tuple[list[Proposal], dict[str, str], bool]:
    """Propose for all; where one family fails, for each by itself, so that the others go on.

    Returns the proposals, the families that failed and why, and whether the night was stopped.
    """
    folder = job.plant.folder / FOLDER
    try:
        made, interrupted = propose_all(
            todo, folder=folder, workers=job.workers, on_refused=refused.append
        )
    except Exception as error:
        job.tell("one by one", why=f"{type(error).__name__}: {error}")
    else:
        return made, {}, interrupted
    found: list[Proposal] = []
    failed: dict[str, str] = {}
    for case in todo:
        try:
            made, interrupted = propose_all(
                [case], folder=folder, workers=1, on_refused=refused.append
            )
        except Exception as error:
            failed[case.tally.family] = _failure(job, case.tally.family, error)
            continue
        found += made
        if interrupted:
            return found, failed, True
    return found, failed, False


def _failure(job: Job, family: str, error: Exception) -> str:
    """Return why a family failed, in words, and log it."""
    words = f"{type(error).__name__}: {error}"
    job.tell("failed", family=family, why=words)
    return words


def _last_state(job: Job) -> dict[str, Any]:
    """Return the state that the night before left; a damaged one is put beside and named."""
    path = job.folder / STATE
    try:
        return read_sealed(path)
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        with suppress(OSError):
            path.replace(path.with_name(f"{STATE}.unreadable"))
        job.tell("state unreadable", why=str(error), now="every family is looked at anew")
        return {}


def last_night(plant: Plant) -> dict[str, Any]:
    """Return what came of the last night that ended, as `Night.as_dict` gives it.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    dict
        With ``at``, when it ended: the last line of the log that says so.

    Raises
    ------
    UsageError
        If there was none, or the log cannot be read.
    """
    path, last = plant.folder / NIGHT / LOG, ""
    with suppress(FileNotFoundError), path.open(encoding="utf-8", errors="replace") as log:
        for line in log:
            last = line if '"event": "end"' in line else last
    if not last:
        msg = f"no night has ended yet at {plant.folder}: run optimiser nightly PLANT"
        raise UsageError(msg)
    try:
        found: dict[str, Any] = json.loads(last)
        missing = {"at", "clock", "items", "looks", "recorded", "failed"} - found.keys()
    except (ValueError, AttributeError) as error:
        msg = f"{path}: its last night cannot be read ({error}); run optimiser nightly PLANT"
        raise UsageError(msg) from error
    if missing:
        msg = f"{path}: the last night was an older version's; run optimiser nightly PLANT"
        raise UsageError(msg)
    return found


def _limits_of(live: Recipe) -> dict[str, Any]:
    """Return a recipe's revision and a hash of each family's limits."""
    families = {
        f: hash_of(repr(sorted(live.family_rows(f).items()))) for f in sorted(live.families())
    }
    return {"revision": live.revision, "families": families}


def _edited(live: Recipe, before: Mapping[str, Any]) -> list[str]:
    """Return the families whose limits differ from last night's under the same revision."""
    now = _limits_of(live)
    if before.get("revision") != now["revision"]:
        return []
    old, new = before["families"], now["families"]
    return sorted(f for f in {*old, *new} if old.get(f) != new.get(f))


def _write_state(night: Night) -> None:
    table = {
        "now": night.job.now().isoformat(),
        "clock": str(night.intake.clock),
        "digests": night.intake.digests,
        "items": night.intake.items,
        "set_aside": night.intake.set_aside,
        "recipe": _limits_of(night.job.live),
        "families": dict(sorted(night.families.items())),
    }
    write_sealed(night.job.folder / STATE, table)
