"""A plant under work: its history open, tallied, proposed, ready for questions.

Widget callbacks come from other threads than cells do, and a DuckDB connection serves one at
a time; so everything that asks the history holds the session's lock.
"""

import threading
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from optimiser.defaults import TRIALS
from optimiser.errors import UsageError, nearest
from optimiser.history.calls import By, CallTotals, call_totals, false_calls_by
from optimiser.history.distribution import Window, distributions
from optimiser.history.read import History, open_history
from optimiser.ledger.ledger import Ledger
from optimiser.plant.file import Plant, read_plant
from optimiser.proposal.all_families import FOLDER, make_cases, propose_all
from optimiser.proposal.cache import keep, read_found, read_proposal
from optimiser.proposal.choice import Choice
from optimiser.proposal.propose import Case, propose_with_study
from optimiser.proposal.record import Proposal
from optimiser.proposal.relabel import Relabel, relabel
from optimiser.recipe.table import Recipe, read_recipe
from optimiser.tally.check import refuse_unusable
from optimiser.tally.contested import Contested, contested_items


class Session:
    """A plant, read, checked and tallied.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    history : History
        Stays open until ``close``.
    cases : mapping of family to Case

    Attributes
    ----------
    proposals : dict of family to Proposal
        Those that are kept.
    """

    def __init__(
        self, plant: Plant, live: Recipe, history: History, cases: Mapping[str, Case]
    ) -> None:
        self.plant, self.live, self.history, self.cases = plant, live, history, dict(cases)
        self.folder = plant.folder / FOLDER
        self.lock = threading.RLock()
        self.proposals: dict[str, Proposal] = {}
        self._contested: dict[str, Contested] = {}
        self._relabel: Relabel | None = None
        self._relabelling = threading.Lock()
        for name, case in self.cases.items():
            kept = read_proposal(self.folder, case)
            if kept is not None:
                self.proposals[name] = kept

    def __repr__(self) -> str:
        return (
            f"<Session {self.plant.file.plant.name}: {len(self.cases)} families, "
            f"{self.history.rows_used} rows used, {self.history.rows_set_aside} set aside, "
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

    def close(self) -> None:
        """Close the history."""
        with self.lock:
            self.history.close()

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
        if not proposal.interrupted:
            self.proposals[family] = proposal
        return Choice(case, proposal, found)

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

    def contested(self, family: str) -> Contested:
        """Return a family's contested items, fetched once."""
        with self.lock:
            if family not in self._contested:
                self._contested[family] = contested_items(
                    self.history, self.case(family).tally.grid, self.live
                )
            return self._contested[family]

    def relabel(self) -> Relabel:
        """Return the labels that are worth a second look, worked out once, a few seconds."""
        # The history is not asked, so whoever asks it need not wait.
        with self._relabelling:
            if self._relabel is None:
                self._relabel = relabel(list(self.cases.values()))
            return self._relabel

    @property
    def relabelled(self) -> Relabel | None:
        """What ``relabel`` found, None where nobody has asked yet."""
        return self._relabel

    def distributions(self, family: str) -> tuple[pd.DataFrame, list[Window]]:
        """Return how a family's limited measurements are spread, and the stretches drawn."""
        windows = [_window(self.case(family), m) for m in measurements_of(self.case(family))]
        with self.lock:
            return distributions(self.history, family, windows), windows

    def totals(self, family: str | None = None) -> CallTotals:
        """Return what the live recipe's calls amount to."""
        with self.lock:
            return call_totals(self.history, self.live, family=family)

    def false_calls_by(self, by: By) -> pd.DataFrame:
        """Return where the false calls come from, most first."""
        with self.lock:
            return false_calls_by(self.history, self.live, by)


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
    history = open_history(plant)
    try:
        refuse_unusable(history, live, path)
        cases = make_cases(history, live, trials=trials, proof=True)
    except BaseException:
        history.close()
        raise
    return Session(plant, live, history, {c.tally.family: c for c in cases})


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
