"""A history by its digests: new files digested, old ones taken as stored, all as one history."""

import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from optimiser.errors import OptimiserError
from optimiser.history.digest.fold import FOLD, read_fold, to_fold, write_fold
from optimiser.history.digest.inbox import Told, Unit, ground_of, open_told, unit_key, units_of
from optimiser.history.digest.known import Content, Known
from optimiser.history.digest.make import make_digest, time_range
from optimiser.history.digest.merged import MergedHistory, open_digests
from optimiser.history.digest.store import Digest, Reach, is_whole, read_digest, remove_drafts
from optimiser.history.read import find_files, open_history
from optimiser.plant.file import Plant
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import Recipe
from optimiser.tally.grid import make_grids
from optimiser.tally.reach import asked, falls_short, reach_of

DIGESTS, ASIDE = "digests", "set_aside"
_ROUNDS = 3
Tell = Callable[..., None]
Cut = Callable[[int], int | None]


@dataclass(slots=True, kw_only=True)
class Store:
    """Where digests lie, what serves tonight, and what could not be used.

    Attributes
    ----------
    plant : Plant
    live : Recipe
    revisions : tuple of Recipe
        The live one and those before.
    folder : Path
        ``PLANT/night``.
    known : Known
    told : Told
    tell : callable
        Told each event as a word and named values.
    problems : dict of file to words
    damaged : set of str
        Folders of digests that were said to be damaged.
    made, reached : int
        Digests made tonight; of these, because an older one did not reach far enough.
    """

    plant: Plant
    live: Recipe
    revisions: tuple[Recipe, ...]
    folder: Path
    known: Known
    told: Told
    tell: Tell
    ground: str
    problems: dict[str, str] = field(default_factory=dict)
    serving: dict[Unit, Digest] = field(default_factory=dict)
    damaged: set[str] = field(default_factory=set)
    made: int = 0
    reached: int = 0


def open_store(
    plant: Plant, live: Recipe, folder: Path, *, rehash: bool = False, tell: Tell
) -> Store:
    """Open a folder of digests; only one run at a time may.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    folder : Path
        Made when missing.
    rehash : bool
        Read every file again, however unchanged it seems.
    tell : callable
        Told each event as a word and named values.

    Returns
    -------
    Store

    Raises
    ------
    HistoryError
        If the verdicts that the plant file names cannot be used.
    """
    for name in (DIGESTS, ASIDE):
        (folder / name).mkdir(parents=True, exist_ok=True)
    remove_drafts(folder / DIGESTS)
    revisions = (live, *past_revisions(plant, live))
    ground = ground_of(plant, revisions)
    return Store(
        plant=plant,
        live=live,
        revisions=revisions,
        folder=folder,
        known=Known(folder, ground, rehash=rehash),
        told=open_told(plant),
        tell=tell,
        ground=ground,
    )


def open_stored(store: Store, cut: Cut) -> MergedHistory:
    """Digest what is new, and open all digests as one history.

    Parameters
    ----------
    store : Store
        Its problems name files that could not be used; the others go on without them.
    cut : callable
        From the number of lots, how many of the first ones are looked at apart, or None.

    Returns
    -------
    MergedHistory
        Its digests reach as far as its own grids ask for.

    Raises
    ------
    HistoryError
        If there is no result file, or none can be used.
    """
    contents = _contents(store)
    shelf = _shelf(store)
    for path, sha in list(contents.items()):
        if sha not in store.known.contents:
            _solo(store, Unit(files=(path,), contents=(sha,)), shelf, contents)
    units = units_of(store.plant, contents, store.known, store.tell)
    for unit in units:
        _serve(store, unit, shelf)
    for _ in range(_ROUNDS):
        history = open_digests(store.plant, list(store.serving.values()))
        try:
            short = _short_of(history, store, cut)
        except BaseException:
            history.close()
            raise
        if not short:
            _say_told(store)
            return history
        history.close()
        for unit, wider in short.items():
            _remake(store, unit, wider)
    msg = "digests fall short of a grid although they were made for it"
    raise AssertionError(msg)


def _say_told(store: Store) -> None:
    """Say how many rows of verdicts found their item, if any were named."""
    told = store.told
    if told.usable or told.broken:
        found = sum(d.meta.told for d in store.serving.values())
        store.tell("verdicts", found=found, without_item=told.usable - found, broken=told.broken)


def close_store(store: Store) -> None:
    """Fold old digests together, remove what serves no file any more, and note what was read."""
    _fold(store)
    used = {d.folder.name for d in store.serving.values()}
    for folder in sorted((store.folder / DIGESTS).iterdir()):
        if folder.name not in used:
            shutil.rmtree(folder, ignore_errors=True)
    names = {f"{unit.name}.csv" for unit in store.serving}
    for path in sorted((store.folder / ASIDE).iterdir()):
        if path.name not in names:
            path.unlink(missing_ok=True)
    store.known.keep({sha for unit in store.serving for sha in unit.contents})


def _fold(store: Store) -> None:
    """Fold the digests of a month into one folder; those that were folded serve until it is whole."""
    units = {digest.name: unit for unit, digest in store.serving.items()}
    for month, digests in to_fold(store.serving.values()).items():
        try:
            folded = write_fold(store.folder / DIGESTS, month, digests)
        except (OSError, duckdb.Error) as error:
            # They serve as they lie; the next night tries again.
            store.tell("not folded", month=month, why=str(error))
            continue
        for old, new in zip(digests, folded, strict=True):
            store.serving[units[old.name]] = new
        for name, (_, sha) in folded[0].meta.files.items():
            store.known.note(folded[0].table(name), sha)


def _contents(store: Store) -> dict[Path, str]:
    """Return the content hash of every result file, and say which are new and which gone."""
    contents: dict[Path, str] = {}
    for path in find_files(store.plant):
        try:
            contents[path] = store.known.sha(path)
        except OSError as error:
            _cannot(store, [path], f"{path}: {error.strerror}")
    for name in sorted(store.known.before - {str(p) for p in contents}):
        # Files of digests are noted too; whether they are there is another matter.
        if store.folder not in Path(name).parents:
            store.tell("removed", file=name, why="the file is gone; its part is dropped")
    return contents


def _cannot(store: Store, files: Iterable[Path], words: str) -> None:
    for path in files:
        store.problems[str(path)] = words
        store.tell("unusable", file=str(path), why=words)


def _shelf(store: Store) -> dict[str, list[Digest]]:
    """Return the digests that lie there and are whole, by key; note what they know."""
    shelf: dict[str, list[Digest]] = {}
    for folder in sorted((store.folder / DIGESTS).iterdir()):
        try:
            folded = folder.name.startswith(FOLD)
            digests = read_fold(folder) if folded else [read_digest(folder)]
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            store.tell("damaged", digest=folder.name, why="it cannot be read; it is made anew")
            continue
        for digest in digests:
            shelf.setdefault(digest.meta.key, []).append(digest)
            if len(digest.meta.contents) == 1 and digest.meta.ground == store.ground:
                known = Content(
                    first=digest.meta.first, last=digest.meta.last, rows=digest.meta.rows_used
                )
                store.known.contents.setdefault(digest.meta.contents[0], known)
    return shelf


def _solo(
    store: Store, unit: Unit, shelf: dict[str, list[Digest]], contents: dict[Path, str]
) -> None:
    """Digest a file of which nothing is known; drop it from the contents if it is unusable."""
    (path,) = unit.files
    if unit.contents[0] in store.known.contents:
        return
    made = _make(store, unit, "its content is new")
    if made is None:
        del contents[path]
        return
    shelf.setdefault(made.meta.key, []).append(made)
    store.known.contents[unit.contents[0]] = Content(
        first=made.meta.first, last=made.meta.last, rows=made.meta.rows_used
    )


def _serve(store: Store, unit: Unit, shelf: Mapping[str, Sequence[Digest]]) -> None:
    """Find a unit's digest, or make it."""
    facts = [store.known.contents[sha] for sha in unit.contents]
    within = store.told.within(min(c.first for c in facts), max(c.last for c in facts))
    lying = shelf.get(unit_key(store.ground, unit.contents, within), [])
    whole = [d for d in lying if is_whole(d, store.known.sha)]
    for digest in lying:
        if digest not in whole and digest.folder.name not in store.damaged:
            store.damaged.add(digest.folder.name)
            store.tell("damaged", digest=digest.folder.name, why="its content changed on disk")
    if whole:
        # Two lie there where a run broke off after one was made to reach further, or folded.
        store.serving[unit] = min(
            whole, key=lambda d: ([z for *_, z in d.meta.reach], d.member is None)
        )
        return
    why = "its digest is damaged" if lying else "files or verdicts on its items changed"
    made = _make(store, unit, why)
    if made is not None:
        store.serving[unit] = made


def _make(store: Store, unit: Unit, why: str, wider: Reach | None = None) -> Digest | None:
    """Digest a unit's files; None, and a problem, where they cannot be used."""
    aside = store.folder / ASIDE / f"{unit.name}.csv"
    try:
        with open_history(store.plant, unit.files, set_aside=aside) as history:
            within = store.told.within(*time_range(history))
            digest = make_digest(
                history,
                store.revisions,
                reach_of(history, store.revisions, store.known.asked, wider),
                key=unit_key(store.ground, unit.contents, within),
                ground=store.ground,
                contents=unit.contents,
                folder=store.folder / DIGESTS,
            )
    except (OptimiserError, OSError) as error:
        _cannot(store, unit.files, str(error))
        return None
    store.made += 1
    for name, (_, sha) in digest.meta.files.items():
        store.known.note(digest.table(name), sha)
    store.tell(
        "digested",
        files=[str(f) for f in unit.files],
        rows=digest.meta.rows_used,
        set_aside=digest.meta.rows_set_aside,
        why=why,
    )
    return digest


def _short_of(history: MergedHistory, store: Store, cut: Cut) -> dict[Unit, Reach]:
    """Return the units whose digests do not reach as far as tonight's grids, and how far to."""
    grids = [make_grids(history, store.live)]
    early = cut(history.rows(f"select count(*) from {history.lots}")[0][0])
    if early is not None:
        with history.between(0, early) as part:
            grids.append(make_grids(part, store.live))
    wanted = asked(*grids, before=store.revisions[1:])
    found = {u: falls_short(d.meta.reaches, wanted) for u, d in store.serving.items()}
    # New digests had better reach a little further than tonight's.
    store.known.asked = {key: limit.with_room for key, limit in wanted.items()}
    return {unit: short for unit, short in found.items() if short}


def _remake(store: Store, unit: Unit, wider: Reach) -> None:
    """Digest a unit again with a wider reach."""
    old = store.serving.pop(unit)
    before = old.meta.reaches
    limits = ", ".join(sorted(f"{f} {m} {s}" for f, m, s in wider))
    reach = {k: min(z, wider.get(k, z)) for k, z in before.items()}
    made = _make(store, unit, f"a level is now tighter than it kept items for: {limits}", reach)
    if made is not None:
        store.serving[unit] = made
        store.reached += 1
