"""From signed proposals to the next revision of the recipe, and back.

A revision is a file beside the plant file that nobody's machine reads: the live recipe is not
touched. A person puts the revision on the machine and names it in ``plant.toml``.

Each entry of the ledger that writes a revision says which proposals are in force in it
(``holds``), at most one per family. From that follows what the next export carries on because
an earlier revision is not live yet, and what a rollback takes back or restores. A live recipe
whose revision the ledger does not know is judged by its limits, and nothing is carried on to it.

The file comes first, then the entry. After a crash in between the same command finds its own
file and completes; until then the file is in no entry of the ledger.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np

from optimiser.errors import ConflictError, LedgerError, RecipeError, UsageError, nearest
from optimiser.ledger.bounds import broken_bounds
from optimiser.ledger.ledger import Entry, Fault, Ledger, State, Written
from optimiser.ledger.revision_file import (
    ending,
    file_of,
    holds_other,
    limit_text,
    next_name,
    proposal_story,
    refuse_unnamed,
    sha256,
    story,
    text_of,
    write_new,
    write_over,
)
from optimiser.ledger.standing import standings
from optimiser.plant.file import SIDES, Plant, Side, off_limit
from optimiser.recipe.form import MACHINE, form_name, write_form
from optimiser.recipe.past import FOLDER
from optimiser.recipe.table import Recipe, Row, read_recipe

Difference = dict[str, Any]
CARRIED = "carried on from a revision that is not live"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedLimit:
    """A live limit that is no longer what a proposal started from; None is no limit."""

    measurement: str
    side: Side
    unit: str
    then: float | None
    now: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """Why a signed proposal was not exported."""

    family: str
    proposal: int
    limits: tuple[ChangedLimit, ...]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """A revision that was written.

    Attributes
    ----------
    revision, base : str
        Its name; that of the live recipe it was made from.
    path, words : Path
        The recipe; its story.
    form : Path or None
        The recipe as the machine imports it, where the plant file says how.
    difference : tuple of dict
        Against the live recipe: ``scope, name, measurement, side, unit, from, to, proposal``;
        None is no limit.
    proposals, carried, replaced, restored : tuple of int
        See ``Ledger.write``.
    entry : Entry
    """

    revision: str
    base: str
    path: Path
    form: Path | None
    words: Path
    difference: tuple[Difference, ...]
    proposals: tuple[int, ...]
    carried: tuple[int, ...]
    replaced: tuple[int, ...]
    restored: tuple[int, ...]
    entry: Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What an export did: a revision, or None where nothing could or had to be exported."""

    revision: Revision | None
    conflicts: tuple[Conflict, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """What an export or rollback starts from."""

    plant: Plant
    live: Recipe
    live_path: Path
    entries: tuple[Entry, ...]
    states: tuple[State, ...]

    @property
    def folder(self) -> Path:
        return self.plant.folder / FOLDER

    def standing(self, state: str) -> list[State]:
        return [s for s in self.states if s.state == state]

    def knows(self, revision: str) -> bool:
        return any(revision in (e.body["revision"], e.body["base"]) for e in self.entries)

    def holds(self, recipe: Recipe) -> set[int]:
        """Return the proposals in force in a revision."""
        for entry in reversed(self.entries):
            if entry.body["revision"] == recipe.revision:
                return set(entry.body["holds"])
            if entry.body["base"] == recipe.revision:
                return set(entry.body["base_holds"])
        held = (s for s in self.states if s.state == "exported" and _is_in(s, recipe))
        return {s.entry.id for s in held}


def export_revision(
    plant: Plant,
    live: Recipe,
    live_path: Path,
    ledger: Ledger,
    *,
    by: str,
    reason: str,
    to: Path | None = None,
) -> Exported:
    """Write the next revision from all accepted proposals that are not exported yet.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    live_path : Path
        Where that lies.
    ledger : Ledger
    by, reason : str
        Not blank.
    to : Path, optional
        A further copy, CSV or JSON by its ending.

    Returns
    -------
    Exported
        A proposal is left out, and said so, where a limit that it moves is no longer what the
        proposal started from; the others are exported.

    Raises
    ------
    UsageError
        If name or reason is blank.
    ConflictError
        If the live recipe differs from the kept file of its revision, still holds what a
        rollback took back, or a file is in the way.
    LedgerError
        If the ledger cannot be read or written.
    InputError
        If a file cannot be written.
    """
    conflicts: list[Conflict] = []

    def make(entries: Sequence[Entry]) -> _Draft | None:
        ground = _ground(plant, live, live_path, entries)
        plan = _plan(ground)
        conflicts[:] = plan.conflicts
        if not plan.new:
            return None
        _refuse_pending_rollback(ground)
        recipe, source = live, {}
        for state in (*plan.carried, *plan.new):
            recipe = _with_proposal(recipe, state, plant)
            source[state.entry.family] = state.entry.id
        changes = difference(
            live, recipe, lambda row: source.get(row.name) if row.scope == "family" else None
        )
        lists = {
            "proposals": _ids(plan.new),
            "carried": _ids(plan.carried),
            "replaced": _ids(plan.replaced),
        }
        still = ground.holds(live) & set(_ids(ground.standing("exported")))
        holds = (still | {*lists["carried"], *lists["proposals"]}) - {*lists["replaced"]}
        told = [("exported", plan.new), (CARRIED, plan.carried), ("replaced", plan.replaced)]
        return _draft(ground, recipe, changes, lists=lists, holds=holds, told=told)

    if not ledger.entries(kind="proposal"):
        return Exported(revision=None, conflicts=())
    revision = _recorded(ledger, "export", make, by=by, reason=reason, to=to)
    return Exported(revision=revision, conflicts=tuple(conflicts))


def roll_back(
    plant: Plant,
    live: Recipe,
    live_path: Path,
    ledger: Ledger,
    *,
    to: str,
    by: str,
    reason: str,
) -> Revision:
    """Write a new revision whose limits are those of an earlier one.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    live_path : Path
    ledger : Ledger
    to : str
        The revision to go back to: the live one, or one kept beside the plant file.
    by, reason : str
        Not blank.

    Returns
    -------
    Revision
        ``proposals`` are those that it takes back.

    Raises
    ------
    UsageError
        If there is no such revision, or name or reason is blank.
    ConflictError
        If the revision's file is not what was exported.
    LedgerError
        If the ledger cannot be read or written.
    InputError
        If a file cannot be written.
    """

    def make(entries: Sequence[Entry]) -> _Draft:
        ground = _ground(plant, live, live_path, entries)
        target = live if to == live.revision else _kept(ground, to)
        holds = ground.holds(target)
        taken = [s for s in ground.standing("exported") if s.entry.id not in holds]
        back = [s for s in ground.states if s.entry.id in holds and s.state != "exported"]
        lists = {"proposals": _ids(taken), "restored": _ids(back)}
        told = [("taken back", taken), ("in force again", back)]
        changes = difference(live, target)
        return _draft(ground, target, changes, lists=lists, holds=holds, told=told)

    revision = _recorded(ledger, "rollback", make, by=by, reason=reason)
    return cast(Revision, revision)  # a rollback always makes one


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """What an export takes: newly, on from a revision not live, instead of what, and what not."""

    new: list[State]
    carried: list[State]
    replaced: list[State]
    conflicts: list[Conflict]


def _plan(ground: _Ground) -> _Plan:
    new, conflicts = _parted(ground, ground.standing("accepted"))
    going = {s.entry.family for s in new}
    pending = [s for s in _pending(ground) if s.entry.family not in going] if new else []
    carried, stuck = _parted(ground, pending)
    return _Plan(
        new=new,
        carried=carried,
        replaced=[s for s in ground.standing("exported") if s.entry.family in going],
        conflicts=[*conflicts, *stuck],
    )


def _ground(plant: Plant, live: Recipe, live_path: Path, entries: Sequence[Entry]) -> _Ground:
    refuse_unnamed(live, live_path)
    altered = altered_revisions(plant.folder, entries)
    if altered:
        raise ConflictError(f"{altered[0].words}; nothing was written")
    ground = _Ground(
        plant=plant,
        live=live,
        live_path=live_path,
        entries=tuple(e for e in entries if e.kind in ("export", "rollback")),
        states=tuple(standings(entries).states.values()),
    )
    kept = file_of(ground.folder, live.revision)
    if kept.exists() and _limits(read_recipe(kept, plant.file.measurements)) != _limits(live):
        msg = (
            f"{live_path}: its limits are not those of {kept}, though both say revision "
            f"{live.revision}: they were changed without a new revision. Give the live recipe a "
            "name of its own in line 1, or put the kept file back; nothing was written"
        )
        raise ConflictError(msg)
    return ground


def _kept(ground: _Ground, revision: str) -> Recipe:
    """Return a revision kept beside the plant file, as it was written."""
    path = file_of(ground.folder, revision)
    if not path.is_file():
        known = {p.stem for p in ground.folder.glob("*.csv")} | {ground.live.revision}
        msg = f"no revision {revision!r} in {ground.folder}; {nearest(revision, known)}"
        raise UsageError(msg)
    recipe = read_recipe(path, ground.plant.file.measurements)
    if recipe.revision != revision:
        msg = f"{path}, line 1: says revision {recipe.revision!r}, not {revision!r}; name it so"
        raise RecipeError(msg)
    return recipe


def altered_revisions(folder: Path, entries: Sequence[Entry]) -> list[Fault]:
    """Return the revision files that are not what the ledger says was written.

    Parameters
    ----------
    folder : Path
        Of the plant.
    entries : sequence of Entry

    Returns
    -------
    list of Fault
        A file that is gone is none: it can be moved away, but not changed.
    """
    found = []
    for entry in entries:
        if entry.kind not in get_args(Written):
            continue
        for name, sha in (("file", "sha256"), ("form", "form_sha256")):
            if name not in entry.body:
                continue
            path = folder / str(entry.body[name])
            if path.exists() and sha256(path) != entry.body[sha]:
                words = (
                    f"{path}: was changed after it was written (entry {entry.id} of the ledger); put "
                    "the file back from a backup and give changed limits a new revision"
                )
                found.append(Fault(entry=entry.id, rule="revision file", words=words))
    return found


def misfits(state: State, live: Recipe, plant: Plant) -> list[str]:
    """Return why a proposal cannot be signed or exported as recipe and plant file stand.

    Parameters
    ----------
    state : State
    live : Recipe
    plant : Plant

    Returns
    -------
    list of str
        Live limits that are no longer what it started from, then what else stands against it.
    """
    moved = _moved(state, live)
    return [_moved_words(moved)] if moved else list(_misfits(state, live, plant))


def _pending(ground: _Ground) -> list[State]:
    """Return exported proposals that are not in force yet, as their revision is not live."""
    if not ground.knows(ground.live.revision):
        return []
    held = ground.holds(ground.live)
    return [s for s in ground.standing("exported") if s.entry.id not in held]


def _refuse_pending_rollback(ground: _Ground) -> None:
    """Raise if the live recipe holds what was taken back: the next revision would hold it too."""
    held = ground.holds(ground.live)
    back = [s.entry.id for s in ground.standing("rolled back") if s.entry.id in held]
    if back:
        last = next(e for e in reversed(ground.entries) if e.kind == "rollback")
        msg = (
            f"revision {last.body['revision']} took proposals back, but {ground.live_path} is "
            f"still revision {ground.live.revision}, which holds {', '.join(map(str, back))}: the "
            f"next revision would bring them back. Make {last.body['revision']} live first; nothing was written"
        )
        raise ConflictError(msg)


def _parted(ground: _Ground, states: Iterable[State]) -> tuple[list[State], list[Conflict]]:
    """Return the proposals that still fit the live recipe, and why the others do not."""
    fit, conflicts = [], []
    for state in states:
        conflict = _conflict(state, ground.live, ground.plant)
        if conflict is None:
            fit.append(state)
        else:
            conflicts.append(conflict)
    return fit, conflicts


def _conflict(state: State, live: Recipe, plant: Plant) -> Conflict | None:
    """Return why a proposal does not fit the live recipe, or None."""
    family, number = str(state.entry.family), state.entry.id
    moved = _moved(state, live)
    why = _moved_words(moved) or next(_misfits(state, live, plant), "")
    if not why and plant.file.families[family].critical and not state.critical:
        why = "the family is critical now, which needs two signatures"
    if not why:
        return None
    words = (
        f"{family}: proposal {number} was not exported: {why}. Make the revision live that it "
        f"started from, or withdraw it (optimiser withdraw PLANT {number}) and propose again"
        if state.state == "accepted"
        else f"{family}: proposal {number} of revision {state.exported_in}, which is not live, was not "
        f"carried on: {why}. Make that revision live, or take it back: optimiser rollback PLANT "
        f"--to {live.revision}"
    )
    return Conflict(family=family, proposal=number, limits=moved, words=words)


def _moved(state: State, live: Recipe) -> tuple[ChangedLimit, ...]:
    """Return the live limits that are no longer what a proposal started from."""
    rows, moved = live.family_rows(str(state.entry.family)), []
    for limit in state.entry.body["limits"]:
        row, then = rows.get(limit["measurement"]), _number(limit["now"], limit["side"])
        now = row.limit(limit["side"]) if row else off_limit(limit["side"])
        if np.float32(now) != np.float32(then):  # as items are compared
            moved.append(
                ChangedLimit(
                    measurement=limit["measurement"],
                    side=limit["side"],
                    unit=limit["unit"],
                    then=limit["now"],
                    now=now if math.isfinite(now) else None,
                )
            )
    return tuple(moved)


def _moved_words(moved: Iterable[ChangedLimit]) -> str:
    return "; ".join(
        f"{m.measurement} {m.side} was {limit_text(m.then)} {m.unit} then and is "
        f"{limit_text(m.now)} {m.unit} now"
        for m in moved
    )


def _misfits(state: State, live: Recipe, plant: Plant) -> Iterator[str]:
    """Yield what else keeps a proposal from the live recipe; only the first counts."""
    family, known = str(state.entry.family), plant.file.measurements
    for limit in state.entry.body["limits"]:
        name = limit["measurement"]
        if name not in known:
            yield f"plant.toml knows no measurement {name} any more"
        elif known[name].unit != limit["unit"]:
            yield f"{name} was in {limit['unit']} then and is in {known[name].unit} now"
    if family not in plant.file.families or family not in live.families():
        yield "plant.toml or the live recipe has no such family any more"
    after = _with_proposal(live, state, plant)
    for row in after.family_rows(family).values():
        if row.lower > row.upper:
            yield f"{row.measurement} would have lower {row.lower!r} above upper {row.upper!r}"
    yield from broken_bounds(live, after, family, plant)


def _number(value: float | None, side: Side) -> float:
    return off_limit(side) if value is None else float(value)


def _with_proposal(recipe: Recipe, state: State, plant: Plant) -> Recipe:
    """Return a recipe with a proposal's limits, with a row for a measurement that had none."""
    family = str(state.entry.family)
    limits = {
        (x["measurement"], x["side"]): _number(x["proposed"], x["side"])
        for x in state.entry.body["limits"]
    }
    rows, missing = list(recipe.rows), dict.fromkeys(m for m, _ in limits)
    last = max(
        (n for n, r in enumerate(rows) if r.name == family and r.scope == "family"), default=-1
    )
    rows[last + 1 : last + 1] = [
        Row(
            scope="family",
            name=family,
            measurement=m,
            lower=off_limit("lower"),
            upper=off_limit("upper"),
            unit=plant.file.measurements[m].unit,
        )
        for m in missing
        if m not in recipe.family_rows(family)
    ]
    return replace(recipe, rows=tuple(rows)).with_limits(family, limits)


def _is_in(state: State, recipe: Recipe) -> bool:
    """Return whether a recipe has all limits that a proposal moved."""
    rows = recipe.family_rows(str(state.entry.family))
    return all(
        x["measurement"] in rows
        and np.float32(rows[x["measurement"]].limit(x["side"]))
        == np.float32(_number(x["proposed"], x["side"]))
        for x in state.entry.body["limits"]
    )


def _limits(recipe: Recipe) -> dict[tuple[str, str, str], Row]:
    return {(r.scope, r.name, r.measurement): r for r in recipe.rows}


def difference(
    live: Recipe, new: Recipe, source: Callable[[Row], int | None] = lambda _: None
) -> list[Difference]:
    """Return every limit in which two recipes differ, in the order of the new one.

    Parameters
    ----------
    live, new : Recipe
    source : callable
        The proposal that a row's change comes from.

    Returns
    -------
    list of dict
        ``scope, name, measurement, side, unit, from, to, proposal``; no limit is None. A row
        that one of them lacks has no limits there.
    """
    old, found = _limits(live), []
    rows = _limits(new)
    for key, row in {**rows, **{k: r for k, r in old.items() if k not in rows}}.items():
        for side in SIDES:
            before, after = (
                held[key].limit(side) if key in held else off_limit(side) for held in (old, rows)
            )
            if before != after:
                found.append(
                    {
                        "scope": row.scope,
                        "name": row.name,
                        "measurement": row.measurement,
                        "side": side,
                        "unit": row.unit,
                        "from": before if math.isfinite(before) else None,
                        "to": after if math.isfinite(after) else None,
                        "proposal": source(row),
                    }
                )
    return found


def _ids(states: Iterable[State]) -> list[int]:
    return [s.entry.id for s in states]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """A revision that is worked out and not yet on disk."""

    ground: _Ground
    recipe: Recipe
    body: dict[str, Any]
    told: Sequence[tuple[str, Sequence[State]]]

    @property
    def path(self) -> Path:
        return file_of(self.ground.folder, self.recipe.revision)

    @property
    def form(self) -> Path | None:
        form = self.ground.plant.file.recipe_form
        if form is None:
            return None
        return self.ground.folder / MACHINE / form_name(form, self.recipe.revision)

    @property
    def words(self) -> Path:
        return file_of(self.ground.folder, self.recipe.revision, ".md")


def _draft(
    ground: _Ground,
    recipe: Recipe,
    changes: Sequence[Difference],
    *,
    lists: Mapping[str, list[int]],
    holds: Iterable[int],
    told: Sequence[tuple[str, Sequence[State]]],
) -> _Draft:
    named = _named(ground, recipe)
    body = {
        "carried": [],
        "replaced": [],
        "restored": [],
        **lists,
        "revision": named.revision,
        "base": ground.live.revision,
        "difference": list(changes),
        "holds": sorted(holds),
        "base_holds": sorted(ground.holds(ground.live)),
    }
    return _Draft(ground=ground, recipe=named, body=body, told=told)


def _recorded(
    ledger: Ledger,
    kind: Written,
    make: Callable[[Sequence[Entry]], _Draft | None],
    *,
    by: str,
    reason: str,
    to: Path | None = None,
) -> Revision | None:
    """Write a revision's files, then its entry, while nobody else can decide."""
    drafts: list[_Draft] = []

    def write(entries: Sequence[Entry]) -> Mapping[str, Any] | None:
        drafts.clear()
        draft = make(entries)
        if draft is None:
            return None
        _refuse_in_the_way(to, draft.recipe)
        _write_files(draft, kind, by=by, reason=reason, to=to)
        drafts.append(draft)
        path, form = draft.path, draft.form
        shown = (
            {"form": f"{FOLDER}/{MACHINE}/{form.name}", "form_sha256": sha256(form)} if form else {}
        )
        return {**draft.body, "file": f"{FOLDER}/{path.name}", "sha256": sha256(path), **shown}

    try:
        entry = ledger.write(kind, by=by, reason=reason, body=write)
    except LedgerError as error:
        if not drafts:
            raise
        msg = f"{error}. {drafts[0].path} is in no entry of the ledger: do not use it"
        raise type(error)(msg) from error
    if entry is None:
        return None
    body, draft = entry.body, drafts[0]
    return Revision(
        revision=body["revision"],
        base=body["base"],
        path=draft.path,
        form=draft.form,
        words=draft.words,
        difference=tuple(body["difference"]),
        entry=entry,
        **{key: tuple(body[key]) for key in ("proposals", "carried", "replaced", "restored")},
    )


def _refuse_in_the_way(to: Path | None, recipe: Recipe) -> None:
    if to is not None and holds_other(to, text_of(recipe, to)):
        msg = f"{to}: is there already with other contents; name another file; nothing was exported"
        raise ConflictError(msg)


def _write_files(draft: _Draft, kind: Written, *, by: str, reason: str, to: Path | None) -> None:
    """Write the live recipe's copy, the revision, its story and its further copy."""
    ground, recipe = draft.ground, draft.recipe
    kept = file_of(ground.folder, ground.live.revision)
    if not kept.exists():  # so that one can come back to it
        write_new(kept, text_of(ground.live, kept))
    write_new(draft.path, text_of(recipe, draft.path))
    if read_recipe(draft.path, ground.plant.file.measurements) != recipe:
        msg = f"{draft.path}: does not read back as it was written; nothing was exported"
        raise RecipeError(msg)
    if draft.form is not None:
        write_new(draft.form, write_form(recipe, ground.plant))
    lines = story(
        kind=kind,
        by=by.strip(),
        reason=reason.strip(),
        revision=recipe.revision,
        base=ground.live.revision,
        difference=draft.body["difference"],
    )
    for how, states in draft.told:
        lines += [line for state in states for line in proposal_story(state, how=how)]
    write_over(draft.words, "\n".join([*lines, *ending()]))
    if to is not None:
        write_new(to, text_of(recipe, to))


def _named(ground: _Ground, recipe: Recipe) -> Recipe:
    """Return a recipe under the next free name: in no entry, and in no file of other contents."""
    taken = {name for e in ground.entries for name in (e.body["revision"], e.body["base"])}
    while True:
        named = replace(recipe, revision=next_name(ground.live.revision, taken))
        path = file_of(ground.folder, named.revision)
        if not holds_other(path, text_of(named, path)):
            return named
        taken.add(named.revision)
