"""What was listed to learn, kept under a seal, and what followed of it.

Every list keeps, beside what it promised, what would have been decided without it. Once its
sheets are read back the same data judge both decisions: that of then and that of now.
"""

import hashlib
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.evidence.learning import Guarded
from optimiser.history.contract import KEY
from optimiser.history.read import History
from optimiser.history.sheet import key_as_text
from optimiser.plant.file import Plant, off_limit
from optimiser.proposal.learn_worth import Kind, Look, Searched, guarded_limits, known_repeatability
from optimiser.proposal.propose import Case, problem_of, stable_seed
from optimiser.proposal.record import Proposal
from optimiser.proposal.relabel import Looked, looked_at
from optimiser.recipe.table import Recipe
from optimiser.seal import take_sealed, write_sealed
from optimiser.search.catch import money_of
from optimiser.search.second_look import best_now, cost_with_labels
from optimiser.tally.grid import GridLimit
from optimiser.values import DAYS_PER_MONTH, finite_only

_log = logging.getLogger("optimiser")
_T = TypeVar("_T")
FOLDER, RECORD = "learn", "learn.json"
KNOWN_DRAWS = 2_000
Ints = NDArray[np.int64]
Limits = Sequence[Sequence[Any]]
"""Measurement, side and value of every limit of a family; None is off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One look of a list, with its sheet.

    Attributes
    ----------
    look : Look
    sheet : str
        From the plant's folder.
    written : str
        Hash of the sheet as it was written.
    keys : tuple of tuple of str
        Of the items on it; empty where it names none of the history's.
    """

    look: Look
    sheet: str
    written: str
    keys: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What was listed at one time.

    Attributes
    ----------
    day : str
    listed : tuple of Listed
    standing : mapping
        By family: its labels, the limits that would be set without looking (``decided``), and
        those that are best if its labels are obeyed or paid for as they stand (``obeyed``).
    repeatability : mapping
        Of each measurement, as the plant file stated it, with its degrees of freedom.
    """

    day: str
    listed: tuple[Listed, ...]
    standing: Mapping[str, Mapping[str, Any]]
    repeatability: Mapping[str, tuple[float, float | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """What one look was worth in fact.

    Attributes
    ----------
    day : str
        When it was listed.
    kind, family, measurement : str
    asked, answered : int
        Items on its sheet, or defects or readings; those judged since.
    expected, error : float
        When listed, money a month.
    found : float
        Labels misread, defects among passed items, the repeatability now, labelled defects now.
    before : float
        Misread labels expected; 0; the repeatability then; labelled defects then.
    worth : float
        Money a month, on what is known today: what the limits decided then cost less what those
        decided now cost, or when the same was listed again, so that nothing counts twice. Counted
        on the history.
    """

    day: str
    kind: Kind
    family: str
    measurement: str
    asked: int
    answered: int
    expected: float
    error: float
    found: float
    before: float
    worth: float

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return asdict(self)


# --- keeping ------------------------------------------------------------------------------


def standing_of(families: Sequence[Searched]) -> dict[str, dict[str, Any]]:
    """Return where each family stands now, for a comparison later.

    Parameters
    ----------
    families : sequence of (Case, Proposal, Found or None)

    Returns
    -------
    dict
        As `Listing.standing`.
    """
    found: dict[str, dict[str, Any]] = {}
    for case, proposal, _ in families:
        row: dict[str, Any] = {
            "labels": len(case.tally.defects.frame),
            "decided": finite_only([[m.measurement, m.side, m.proposed] for m in proposal.limits]),
        }
        looked = looked_at(case)
        if looked is not None:
            setting = best_now(looked.problem, looked.labels, looked.look)
            row["obeyed"] = finite_only(
                [
                    [limit.measurement, limit.side, float(limit.values[level])]
                    for limit, level in zip(case.tally.grid.limits, setting, strict=True)
                ]
            )
        found[case.tally.family] = row
    return found


def repeatabilities(plant: Plant) -> dict[str, tuple[float, float | None]]:
    """Return the stated repeatability of each measurement with its degrees of freedom."""
    return {
        name: (known.repeatability, known.repeatability_freedom)
        for name, known in plant.file.measurements.items()
    }


def read_listings(plant: Plant) -> list[Listing]:
    """Return the lists that were kept, oldest first; none where the record is not believed.

    Parameters
    ----------
    plant : Plant

    Returns
    -------
    list of Listing
        A record that is damaged or was altered is named in the log.
    """
    return _read(plant, lambda table: [_listing(row) for row in table["listings"]]) or []


def _read(
    plant: Plant,
    take: Callable[[Mapping[str, Any]], _T],
    on_refused: Callable[[str], None] = _log.warning,
) -> _T | None:
    """Return what is taken of the record; None without one, and where it is not believed."""
    return take_sealed(
        plant.folder / FOLDER / RECORD,
        take,
        then="what earlier looks were worth is not said",
        on_refused=on_refused,
    )


def keep_listings(plant: Plant, listings: Sequence[Listing], told: Sequence[Followed]) -> None:
    """Keep the lists, and what earlier ones were worth when the last was made, under a seal.

    Parameters
    ----------
    plant : Plant
    listings : sequence of Listing
    told : sequence of Followed
    """
    table = {
        "listings": [asdict(x) for x in listings],
        "expected": sum(x.expected for x in told),
        "in_fact": sum(x.worth for x in told),
        "followed": len(told),
    }
    write_sealed(plant.folder / FOLDER / RECORD, table)


@dataclass(frozen=True, slots=True, kw_only=True)
class LastList:
    """The last list in short, for a page and the night's line; money a month.

    Attributes
    ----------
    day : str
    hours, items, worth : float
        Of all its looks.
    followed : int
        Earlier looks that were answered by then.
    expected, in_fact : float
        What these were expected to be worth, and were.
    """

    day: str
    hours: float
    items: int
    worth: float
    followed: int
    expected: float
    in_fact: float

    def as_dict(self) -> dict[str, Any]:
        """Return the fields by name."""
        return asdict(self)


def last_list(plant: Plant, *, on_refused: Callable[[str], None] = _log.warning) -> LastList | None:
    """Return the last list in short; None without one that is believed. Costs one small file.

    Parameters
    ----------
    plant : Plant
    on_refused : callable
        Told of a record that is there and not believed.

    Returns
    -------
    LastList or None
    """
    return _read(plant, _in_short, on_refused)


def _in_short(table: Mapping[str, Any]) -> LastList:
    last = _listing(table["listings"][-1])
    return LastList(
        day=last.day,
        hours=sum(x.look.hours for x in last.listed),
        items=sum(x.look.items for x in last.listed),
        worth=sum(x.look.worth for x in last.listed),
        followed=table["followed"],
        expected=table["expected"],
        in_fact=table["in_fact"],
    )


def _listing(row: Mapping[str, Any]) -> Listing:
    return Listing(
        day=row["day"],
        listed=tuple(
            Listed(
                look=Look(**x["look"]),
                sheet=x["sheet"],
                written=x["written"],
                keys=tuple(tuple(key) for key in x["keys"]),
            )
            for x in row["listed"]
        ),
        standing=row["standing"],
        repeatability={m: (s, f) for m, (s, f) in row["repeatability"].items()},
    )


def hash_of_sheet(path: Path) -> str:
    """Return a hash of a sheet's bytes; empty where it is gone."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def is_blank(plant: Plant, listing: Listing) -> bool:
    """Return whether nobody has touched any sheet of a list, so that a new one may replace it."""
    return all(hash_of_sheet(plant.folder / x.sheet) == x.written for x in listing.listed)


# --- what followed ------------------------------------------------------------------------


def followed(
    history: History, live: Recipe, families: Sequence[Searched], listings: Sequence[Listing]
) -> list[Followed]:
    """Return what earlier looks were worth, those that have been answered at least in part.

    Parameters
    ----------
    history : History
    live : Recipe
    families : sequence of (Case, Proposal, Found or None)
        As they stand now, with what was read since.
    listings : sequence of Listing

    Returns
    -------
    list of Followed
        Oldest first.
    """
    by_family = {of[0].tally.family: of for of in families}
    judged = _judged(history, listings)
    found = []
    for n, listing in enumerate(listings):
        for x in listing.listed:
            of = by_family.get(x.look.family)
            if of is None:
                continue
            again = _listed_again(x.look, listings[n + 1 :])
            told = (
                _after_study(history, live, families, (listing, again), x)
                if x.look.kind == "repeat"
                else _after_labels(of[0], of[1], (listing, again), x, judged)
            )
            if told is not None:
                found.append(told)
    return found


def _listed_again(look: Look, later: Sequence[Listing]) -> Listing | None:
    """Return the next list that holds a look of the same kind at the same thing."""
    same = (look.kind, look.family, look.measurement)
    return next(
        (
            listing
            for listing in later
            if any((x.look.kind, x.look.family, x.look.measurement) == same for x in listing.listed)
        ),
        None,
    )


def _judged(
    history: History, listings: Sequence[Listing]
) -> dict[tuple[str, ...], tuple[str, str]]:
    """Return the verdict and who found it, of the listed items that have one."""
    keys = sorted({key for listing in listings for x in listing.listed for key in x.keys})
    if not keys:
        return {}
    frame = pd.DataFrame({c: [k[n] for k in keys] for n, c in enumerate(KEY)}, dtype=object)
    history.put("learn_keys", frame.assign(n=np.arange(len(keys))))
    same = " and ".join(f"{cell} = k.{c}" for c, cell in key_as_text("i").items())
    rows = history.rows(
        f"select k.n, i.verdict, coalesce(i.found_by, '') from items i join learn_keys k on {same} "
        "where i.verdict is not null"
    )
    return {keys[n]: (str(verdict), str(by)) for n, verdict, by in rows}


def _after_labels(
    case: Case,
    proposal: Proposal,
    when: tuple[Listing, Listing | None],
    of: Listed,
    judged: Mapping[tuple[str, ...], tuple[str, str]],
) -> Followed | None:
    """Return what followed of labels looked at, passed items audited or defects gathered."""
    listing, again = when
    look, before = of.look, listing.standing.get(of.look.family)
    if before is None:
        return None
    after = None if again is None else again.standing.get(look.family)
    labels = len(case.tally.defects.frame)
    verdicts = [judged[k][0] for k in of.keys if judged.get(k, ("", ""))[1] == look.kind]
    answered, found, was = len(verdicts), float(verdicts.count("defect")), 0.0
    if look.kind == "second look":
        found, was = float(verdicts.count("good")), look.why["misread"]
    elif look.kind == "gather":
        answered, found, was = labels - before["labels"], float(labels), float(before["labels"])
    if answered <= 0:
        return None
    worth = (
        _worth_of_labels(case, before, after)
        if look.kind == "second look"
        else _worth_of_limits(case, proposal, before, after)
    )
    return _told(listing, of, answered=answered, found=found, before=was, worth=worth)


def _told(
    listing: Listing, of: Listed, *, answered: int, found: float, before: float, worth: float
) -> Followed:
    look = of.look
    return Followed(
        day=listing.day,
        kind=look.kind,
        family=look.family,
        measurement=look.measurement,
        asked=look.items,
        answered=answered,
        expected=look.worth,
        error=look.error,
        found=found,
        before=before,
        worth=worth,
    )


def _worth_of_labels(
    case: Case, before: Mapping[str, Any], after: Mapping[str, Any] | None
) -> float:
    """Return what obeying or paying for the labels of then costs more than those of later."""
    looked = looked_at(case)
    if looked is None or "obeyed" not in before:
        return 0.0
    then = _setting(case, before["obeyed"])
    now = (
        _setting(case, after["obeyed"])
        if after is not None and "obeyed" in after
        else best_now(looked.problem, looked.labels, looked.look)
    )
    gained = _cost(looked, then) - _cost(looked, now)
    money = (looked.problem.false_call_cost or 1.0) * DAYS_PER_MONTH / case.span_days
    return gained * money


def _cost(looked: Looked, setting: Ints) -> float:
    return cost_with_labels(looked.problem, looked.labels, setting)


def _worth_of_limits(
    case: Case, proposal: Proposal, before: Mapping[str, Any], after: Mapping[str, Any] | None
) -> float:
    """Return what the limits decided then cost more than those of later, with today's labels."""
    problem, _ = problem_of(case)
    then = _setting(case, before["decided"])
    standing = [[m.measurement, m.side, m.proposed] for m in proposal.limits]
    now = _setting(case, standing if after is None else after["decided"])
    gained = money_of(problem, then) - money_of(problem, now)
    return gained * DAYS_PER_MONTH / case.span_days


def _setting(case: Case, limits: Limits) -> Ints:
    """Return the levels nearest to some limits; a grid may have other levels now."""
    at = {(measurement, side): value for measurement, side, value in limits}
    return np.array(
        [
            _level(limit, at[limit.measurement, limit.side])
            if (limit.measurement, limit.side) in at
            else limit.live
            for limit in case.tally.grid.limits
        ],
        dtype=np.int64,
    )


def _level(limit: GridLimit, value: float | None) -> int:
    wanted = off_limit(limit.side) if value is None else float(value)
    same = np.flatnonzero(limit.values == wanted)
    if len(same):
        return int(same[0])
    finite = np.where(np.isfinite(limit.values), limit.values, np.sign(limit.values) * 1e30)
    return int(np.argmin(np.abs(finite - np.clip(wanted, -1e30, 1e30))))


def _after_study(
    history: History,
    live: Recipe,
    families: Sequence[Searched],
    when: tuple[Listing, Listing | None],
    of: Listed,
) -> Followed | None:
    """Return what followed of a study of repeated readings: guard bands of then and of later."""
    plant, look = families[0][0].plant, of.look
    listing, again = when
    before = listing.repeatability.get(look.measurement, (0.0, None))
    known = plant.file.measurements.get(look.measurement)
    if known is None:
        return None
    stated = (known.repeatability, known.repeatability_freedom)
    after = stated if again is None else again.repeatability.get(look.measurement, stated)
    if after == before:
        return None
    limits = [
        guarded
        for _, limit, guarded in guarded_limits(history, live, families)
        if limit.measurement == look.measurement
    ]
    seed = stable_seed(plant.file.plant.name, look.measurement, "after")
    worth = worth_of_study(
        limits,
        then=before[0],
        now=after[0],
        known=known_repeatability(known, float(np.median([g.spread for g in limits] or [0.0]))),
        seed=seed,
    )
    return _told(listing, of, answered=look.items, found=after[0], before=before[0], worth=worth)


def worth_of_study(
    limits: Sequence[Guarded],
    *,
    then: float,
    now: float,
    known: tuple[float, float],
    seed: int,
) -> float:
    """Return what guard bands of another repeatability are worth, by what is known of it now.

    Parameters
    ----------
    limits : sequence of Guarded
    then, now : float
        The repeatability that the guard bands rested on, and rest on.
    known : (float, float)
        What is known of it now, and its degrees of freedom.
    seed : int

    Returns
    -------
    float
        Money a month.
    """
    rng = np.random.default_rng(seed)
    value, freedom = known
    true = value * np.sqrt(freedom / rng.chisquare(freedom, KNOWN_DRAWS))
    total = 0.0
    for of in limits:
        old, new = of.limit(then), of.limit(now)
        if old != new:
            total += float(np.mean([of.cost(old, s) - of.cost(new, s) for s in true]))
    return total
