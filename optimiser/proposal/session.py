"""A plant under work: its history open, tallied, proposed, ready for questions.

Widget callbacks come from other threads than cells do, and a DuckDB connection serves one at
a time; so everything that asks the history holds the session's lock.
"""

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.defaults import ESCAPE_SECONDS, TRIALS
from optimiser.errors import ConflictError, UsageError, nearest
from optimiser.history.calls import (
    By,
    CallTotals,
    Outside,
    Period,
    call_totals,
    call_trend,
    called_items,
    false_calls_by,
)
from optimiser.history.distribution import Window, distributions
from optimiser.history.filters import NONE, Filter, HeldFilter, Named
from optimiser.history.read import History, open_history
from optimiser.history.replay import doubtful_families, revision_changes
from optimiser.ledger.ledger import Ledger
from optimiser.plant.file import Plant, read_plant
from optimiser.proposal.all_families import open_whole, pose_all, propose_all
from optimiser.proposal.cache import FOLDER, keep, read_found, read_proposal
from optimiser.proposal.causes import investigate, read_causes, with_causes
from optimiser.proposal.choice import Choice
from optimiser.proposal.escape import Escape, escape_of
from optimiser.proposal.learn_list import LearnList, make_list
from optimiser.proposal.line import Line, boards_of_line
from optimiser.proposal.opening import (
    Opening,
    keep_opening,
    read_opening,
    state_or_none,
)
from optimiser.proposal.propose import Case, propose_with_study
from optimiser.proposal.record import Proposal
from optimiser.proposal.relabel import Relabel, relabel
from optimiser.proposal.stated import Stated, check_stated
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import Recipe, read_recipe
from optimiser.sql import quoted, text_literal
from optimiser.studies.causes import Causes
from optimiser.tally.check import refuse_unusable
from optimiser.tally.contested import Contested, contested_items
from optimiser.tally.count import Outcome, outcome
from optimiser.tally.one_item import find_item

ALL = Filter()


class Session:
    """A plant, read, checked and tallied.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    cases : mapping of family to Case
    opening : Opening
        What the cases rest on.
    history : History, optional
        Stays open until ``close``; None opens it when somebody asks it.
    state : str, optional
        Of the plant's files, all hashed, when the opening was made; a history opened later must be of it.

    Attributes
    ----------
    proposals : dict of family to Proposal
        Those that are kept.
    held : HeldFilter
        The filter that holds in every panel of this session.
    places : dict
        Whatever screens note of where they show this session.
    """

    def __init__(
        self,
        plant: Plant,
        live: Recipe,
        cases: Mapping[str, Case],
        opening: Opening,
        *,
        history: History | None = None,
        state: str | None = None,
    ) -> None:
        self.plant, self.live, self.cases, self.opening = plant, live, dict(cases), opening
        self._history, self._state, self._closed = history, state, False
        self.folder = plant.folder / FOLDER
        self.lock = threading.RLock()
        self.held = HeldFilter()
        self.places: dict[tuple[str, str], Any] = {}
        self._first: list[threading.Thread] = []
        self.proposals: dict[str, Proposal] = {}
        self._contested: dict[str, tuple[Filter, Contested]] = {}
        self._names: dict[Named, list[str]] = {}
        self._defects: tuple[tuple[str, Filter], int] | None = None
        self._changes: list[tuple[date, str | None, str]] | None = None
        self._relabel: Relabel | None = None
        self._stated: Stated | None = None
        self._relabelling = threading.Lock()
        for name, case in self.cases.items():
            kept = read_proposal(self.folder, case)
            if kept is not None:
                self.proposals[name] = self._told(kept)

    def __repr__(self) -> str:
        return (
            f"<Session {self.plant.file.plant.name}: {len(self.cases)} families, "
            f"{self.opening.rows_used} rows used, {self.opening.rows_set_aside} set aside, "
            f"{len(self.proposals)} proposals kept>"
        )

    def __enter__(self) -> "Session":
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    @property
    def ledger(self) -> Ledger:
        """The plant's ledger: what was proposed and who decided what."""
        return Ledger.of(self.plant)

    @property
    def history(self) -> History:
        """The open history; whoever asks it holds the lock.

        Raises
        ------
        ConflictError
            If the plant's files are no longer those that the figures of this session are of.
        """
        with self.lock:
            if self._history is None:
                self._history = self._open_again()
            return self._history

    def goes_first(self, thread: threading.Thread) -> None:
        """Let a thread, started, have the history before whatever calls `wait_for_first`."""
        self._first.append(thread)

    def wait_for_first(self) -> None:
        """Wait for those that go first: a panel that is on the screen is drawn before the next is counted."""
        for thread in self._first:
            if thread is not threading.current_thread():
                thread.join()
        self._first.clear()

    def _open_again(self) -> History:
        """Open the history of the very files that the cases are of."""
        if self._closed:
            msg = f"{self.plant.folder}: was closed; open the plant again"
            raise UsageError(msg)
        history = open_history(self.plant)
        # After the door has read them: what is counted from now on is of files in that state.
        if state_or_none(self.plant, self.live) != self._state:
            history.close()
            msg = (
                f"{self.plant.folder}: its files changed since they were read, so what is shown is of "
                "older ones; open the plant again (in a notebook: Run All)"
            )
            raise ConflictError(msg)
        return history

    def close(self) -> None:
        """Close the history."""
        with self.lock:
            self._closed = True
            if self._history is not None:
                self._history.close()

    def case(self, family: str) -> Case:
        """Return a family's case.

        Raises
        ------
        UsageError
            If the history has no items of it.
        """
        if family not in self.cases:
            msg = f"no items of family {family!r}; {nearest(family, self.cases)}"
            raise UsageError(msg)
        return self.cases[family]

    def choice(self, family: str, *, on_trial: Callable[[int], None] | None = None) -> Choice:
        """Return a family's open choice; searches where no proposal is kept.

        Parameters
        ----------
        family : str
        on_trial : callable, optional
            Told how many trials are done.

        Returns
        -------
        Choice
        """
        case = self.case(family)
        proposal, found = read_proposal(self.folder, case), read_found(self.folder, case)
        if proposal is None or (found is None and proposal.trials):
            proposal, found = propose_with_study(case, on_trial=on_trial)
            if not proposal.interrupted:
                keep(self.folder, case, proposal, found)
        proposal = self._told(proposal)
        if not proposal.interrupted:
            self.proposals[family] = proposal
        return Choice(case, proposal, found)

    def _told(self, of: Proposal) -> Proposal:
        """Return a proposal with the kept findings of its family."""
        return with_causes([of], read_causes(self.plant))[0]

    def investigate(self) -> Causes:
        """Return why families are called, work it out anew and keep it; a few seconds."""
        self.wait_for_first()
        with self.lock:
            found = investigate(self.history, self.live)
        self.proposals = {name: self._told(of) for name, of in self.proposals.items()}
        return found

    def propose(
        self,
        *,
        on_done: Callable[[str], None] = lambda _: None,
        on_trial: Callable[[int], None] | None = None,
        workers: int = 1,
    ) -> tuple[list[Proposal], bool]:
        """Propose for every family; what is kept is not searched again.

        Parameters
        ----------
        on_done : callable
            Told each family as it ends.
        on_trial : callable, optional
            Told of every trial; a KeyboardInterrupt it raises stops the run.
        workers : int

        Returns
        -------
        proposals : list of Proposal
            Largest saving first.
        interrupted : bool
        """
        made, interrupted = propose_all(
            list(self.cases.values()),
            folder=self.folder,
            workers=workers,
            on_done=on_done,
            on_trial=on_trial,
        )
        self.proposals |= {p.family: p for p in made if not p.interrupted}
        return made, interrupted

    @contextmanager
    def part(self, wanted: Filter = ALL) -> Iterator[History]:
        """Hold the history, or the part of it that a filter lets through, while it is asked.

        Parameters
        ----------
        wanted : Filter

        Yields
        ------
        History
        """
        with self.lock:
            if not wanted:
                yield self.history
                return
            with self.history.only(wanted) as part:
                yield part

    def names(self, column: Named) -> list[str]:
        """Return what the items of the history go by, in order; asked once."""
        with self.lock:
            if column not in self._names:
                rows = self.history.rows(
                    f"select distinct coalesce({column}, '{NONE}') from items order by 1"
                )
                self._names[column] = [str(name) for (name,) in rows]
            return self._names[column]

    def days(self) -> tuple[date, date]:
        """Return the first and the last day with items."""
        with self.lock:
            ((first, last),) = self.history.rows(
                "select min(time)::date, max(time)::date from items"
            )
            return first, last

    def line(self) -> Line:
        """Return all families as a line that can be planned; searches what is not kept.

        Returns
        -------
        Line
        """
        choices = [self.choice(name) for name in self.cases]
        with self.lock:
            boards = boards_of_line(self.history)
        return Line([(c.case, c.proposal, c.found) for c in choices], boards=boards)

    def learn(
        self, hours: float, *, day: str, on_done: Callable[[str], None] = lambda _: None
    ) -> LearnList:
        """List what is worth looking at within some hours; searches what is not kept.

        Parameters
        ----------
        hours : float
        day : str
            That the list bears.
        on_done : callable
            Told each family as it is weighed; a KeyboardInterrupt it raises ends it, nothing kept.

        Returns
        -------
        LearnList
            With a sheet written for each look.
        """
        made, _ = self.propose()
        with self.lock:
            return make_list(
                self.history,
                self.live,
                list(self.cases.values()),
                made,
                hours=hours,
                day=day,
                on_done=on_done,
            )

    def known_escapes(self, *, most: int = 200) -> pd.DataFrame:
        """Return labelled defects that the machine passed, the newest first.

        Parameters
        ----------
        most : int

        Returns
        -------
        DataFrame
            ``stage, board, designator, pin, time, family, defect, found_by``.
        """
        with self.lock:
            return self.history.connection.execute(
                f"""select stage, board, designator, pin, time, family, defect, found_by from items
                    where verdict = 'defect' and not coalesce(called, false)
                    order by time desc, board, designator, pin limit {most}"""
            ).df()

    def escape(
        self,
        *,
        board: str,
        designator: str,
        pin: str | None = None,
        stage: str | None = None,
        time_limit_s: float = ESCAPE_SECONDS,
    ) -> Escape:
        """Return what would have caught a defect that escaped, and at what price.

        Parameters
        ----------
        board, designator : str
        pin, stage : str, optional
            Where they are needed to tell it.
        time_limit_s : float
            Of the search for the cheapest settings.

        Returns
        -------
        Escape
        """
        with self.lock:
            item = find_item(
                self.history, self.live, board=board, designator=designator, pin=pin, stage=stage
            )
            case = self.case(item.family)
            return escape_of(self.history, self.live, case, item, time_limit_s=time_limit_s)

    def contested(self, family: str, wanted: Filter = ALL) -> Contested:
        """Return a family's contested items, those of the last filter fetched once.

        Parameters
        ----------
        family : str
        wanted : Filter

        Returns
        -------
        Contested
        """
        with self.part(wanted) as history:
            kept = self._contested.get(family)
            if kept is None or kept[0] != wanted:
                found = contested_items(history, self.case(family).tally.grid, self.live)
                self._contested[family] = kept = (wanted, found)
            return kept[1]

    def relabel(self) -> Relabel:
        """Return the labels that are worth a second look, worked out once, a few seconds."""
        # The history is not asked, so whoever asks it need not wait.
        with self._relabelling:
            if self._relabel is None:
                self._relabel = relabel(list(self.cases.values()))
            return self._relabel

    @property
    def stated(self) -> Stated:
        """Whether the reviewers' rates in the plant file fit the labels, worked out once."""
        # Whoever asks need not wait for a list of second looks, and worked out twice it is the same.
        if self._stated is None:
            self._stated = check_stated(list(self.cases.values()))
        return self._stated

    @property
    def relabelled(self) -> Relabel | None:
        """What ``relabel`` found, None where nobody has asked yet."""
        return self._relabel

    def counted(self, family: str, setting: NDArray[np.int64], wanted: Filter = ALL) -> Outcome:
        """Return what a setting would have called of the items that a filter lets through.

        Parameters
        ----------
        family : str
        setting : ndarray of int, shape (m,)
            One level index per limit.
        wanted : Filter

        Returns
        -------
        Outcome
            Equals a replay of that part of the history.
        """
        if not wanted:
            return outcome(self.case(family).tally, setting)
        with self.part(wanted) as history:
            found = self.contested(family, wanted)
            if self._defects is None or self._defects[0] != (family, wanted):
                ((number,),) = history.rows(
                    "select count(*) from items where verdict = 'defect' and family = "
                    f"{text_literal(family)}"
                )
                self._defects = ((family, wanted), int(number))
            return found.outcome(setting, defects=self._defects[1])

    def defects(self, family: str, wanted: Filter = ALL) -> pd.DataFrame:
        """Return the measurements of a family's labelled defects that a filter lets through."""
        columns = ", ".join(quoted(m) for m in self.history.measurements)
        with self.part(wanted) as history:
            return history.connection.execute(
                f"select {columns} from items where verdict = 'defect' and family = {text_literal(family)}"
            ).df()

    def distributions(self, family: str, wanted: Filter = ALL) -> tuple[pd.DataFrame, list[Window]]:
        """Return how a family's limited measurements are spread, and the stretches drawn."""
        windows = [_window(self.case(family), m) for m in measurements_of(self.case(family))]
        with self.part(wanted) as history:
            return distributions(history, family, windows), windows

    def totals(self, family: str | None = None, wanted: Filter = ALL) -> CallTotals:
        """Return what the live recipe's calls amount to."""
        with self.part(wanted) as history:
            return call_totals(history, self.live, family=family)

    def false_calls_by(
        self, by: By, wanted: Filter = ALL, *, outside: Outside | None = None
    ) -> pd.DataFrame:
        """Return where the false calls come from, most first."""
        with self.part(wanted) as history:
            return false_calls_by(history, self.live, by, outside=outside)

    def trend(
        self, period: Period, wanted: Filter = ALL, *, outside: Outside | None = None
    ) -> pd.DataFrame:
        """Return the calls day by day or week by week."""
        with self.part(wanted) as history:
            return call_trend(history, self.live, period, outside=outside)

    def called_items(self, wanted: Filter = ALL, *, outside: Outside | None = None) -> pd.DataFrame:
        """Return the items that the live recipe calls, one by one, the newest first."""
        with self.part(wanted) as history:
            return called_items(history, self.live, outside=outside)

    def revision_changes(self) -> list[tuple[date, str | None, str]]:
        """Return from which day on a line another revision made the recorded calls."""
        with self.lock:
            if self._changes is None:
                earlier = past_revisions(self.plant, self.live)
                self._changes = revision_changes(self.history, self.live, earlier)
            return self._changes


def open_plant(where: Path | str, *, trials: int = TRIALS) -> Session:
    """Read, check and tally a plant.

    Parameters
    ----------
    where : Path or str
        ``plant.toml`` or its folder.
    trials : int

    Returns
    -------
    Session

    Raises
    ------
    OptimiserError
        If plant file, recipe or history cannot be used; it says what and where.
    """
    plant = read_plant(Path(where))
    path = plant.locate(plant.file.plant.recipe)
    live = read_recipe(path, plant.file.measurements)
    state, history = state_or_none(plant, live), None
    opening = read_opening(plant, state)
    try:
        if opening is None:
            history = open_history(plant)
            unlike = doubtful_families(refuse_unusable(history, live, path))
            opening = open_whole(history, live, unlike)
            keep_opening(plant, state, opening, history)
        cases = pose_all(
            plant,
            opening.tallied,
            trials=trials,
            released=opening.released,
            unlike_recipe=opening.unlike_recipe,
        )
    except BaseException:
        if history is not None:
            history.close()
        raise
    by_family = {c.tally.family: c for c in cases}
    return Session(plant, live, by_family, opening, history=history, state=state)


def measurements_of(case: Case) -> list[str]:
    """Return the measurements that have a limit in a family, in the plant's order."""
    limited = {limit.measurement for limit in case.tally.grid.limits}
    return [m for m in case.plant.file.measurements if m in limited]


def _window(case: Case, measurement: str) -> Window:
    """Return the stretch to draw: all levels, all defects near them, some of the goods."""
    limits = [x for x in case.tally.grid.limits if x.measurement == measurement]
    values = np.concatenate([x.values[np.isfinite(x.values)] for x in limits])
    spread = max(x.spread for x in limits) or 1.0
    bad = case.tally.defects.frame[measurement].to_numpy(dtype=np.float64, na_value=np.nan)
    near = bad[np.abs(bad - np.median(values)) < 12 * spread] if len(values) else bad[:0]
    ends = np.concatenate([values, near[np.isfinite(near)]])
    if not len(ends):
        return Window(measurement=measurement, low=-1.0, high=1.0)
    # A limit on one side only: the bulk of the goods lies on the other.
    sides = {x.side for x in limits}
    low = ends.min() - spread * (1 if "lower" in sides else 8)
    high = ends.max() + spread * (1 if "upper" in sides else 8)
    return Window(measurement=measurement, low=float(low), high=float(high))
