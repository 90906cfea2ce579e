"""A history by its digests: new files digested, old ones taken as stored, all as one history."""

import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from optimiser.errors import OptimiserError
from optimiser.history.digest.fold import FOLD, read_fold, to_fold, write_fold
from optimiser.history.digest.inbox import Told, Unit, ground_of, open_told, unit_key, units_of
from optimiser.history.digest.known import Content, Known
from optimiser.history.digest.make import make_digest, time_range
from optimiser.history.digest.merged import MergedHistory, open_digests
from optimiser.history.digest.store import Digest, Reach, is_whole, read_digest, remove_drafts
from optimiser.history.read import find_files, open_history
from optimiser.machines import Lost, spread
from optimiser.plant.file import Plant
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import Recipe
from optimiser.tally.grid import make_grids
from optimiser.tally.reach import asked, falls_short, reach_of

DIGESTS, ASIDE = "digests", "set_aside"
_ROUNDS = 3
FEW = 2
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
    workers : int
        Processes that digest; a plant whose file names a scheduler digests there.
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
    workers: int = 1
    made: int = 0
    reached: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A unit that has no digest, why, and how far its new one has to reach at least."""

    unit: Unit
    why: str
    wider: Reach | None = None


def open_store(
    plant: Plant,
    live: Recipe,
    folder: Path,
    *,
    rehash: bool = False,
    workers: int = 1,
    tell: Tell,
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
    workers : int
        Processes that digest.
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
        workers=workers,
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
    _digest_unknown(store, shelf, contents)
    units = units_of(store.plant, contents, store.known, store.tell)
    wanted = [one for unit in units if (one := _serve(store, unit, shelf)) is not None]
    store.serving |= _make(store, wanted)
    # In the order of their files, whoever was the first to be ready.
    store.serving = {u: store.serving[u] for u in units if u in store.serving}
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
        _remake(store, short)
        store.serving = {u: store.serving[u] for u in units if u in store.serving}
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
        except (OSError, OptimiserError) as error:
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


def _digest_unknown(
    store: Store, shelf: dict[str, list[Digest]], contents: dict[Path, str]
) -> None:
    """Digest files of which nothing is known, by themselves; drop unusable ones from the contents."""
    unknown: dict[str, Unit] = {}
    for path, sha in contents.items():
        if sha not in store.known.contents:
            unknown.setdefault(sha, Unit(files=(path,), contents=(sha,)))
    made = _make(store, [Wanted(unit=u, why="its content is new") for u in unknown.values()])
    for unit, digest in made.items():
        shelf.setdefault(digest.meta.key, []).append(digest)
        store.known.contents[unit.contents[0]] = Content(
            first=digest.meta.first, last=digest.meta.last, rows=digest.meta.rows_used
        )
    for path, sha in list(contents.items()):
        if sha not in store.known.contents:
            if path not in unknown[sha].files:
                _cannot(store, [path], store.problems[str(unknown[sha].files[0])])
            del contents[path]


def _serve(store: Store, unit: Unit, shelf: Mapping[str, Sequence[Digest]]) -> Wanted | None:
    """Find a unit's digest; without one, say that it is wanted and why."""
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
        return None
    why = "its digest is damaged" if lying else "files or verdicts on its items changed"
    return Wanted(unit=unit, why=why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """All that the digest of one unit rests on, so that any machine that sees the files can make it."""

    plant: Plant
    unit: Unit
    revisions: tuple[Recipe, ...]
    asked: Reach
    wider: Reach | None
    told: Told
    ground: str
    folder: Path
    threads: int | None


def digest_part(part: Part) -> tuple[str, str]:
    """Digest a unit's files: the name of the digest's folder, or an empty one and why there is none.

    Depends on nothing but its argument and the files; done twice, it leaves the same bytes.
    """
    aside = part.folder / ASIDE / f"{part.unit.name}.csv"
    try:
        with open_history(
            part.plant, part.unit.files, set_aside=aside, threads=part.threads
        ) as history:
            within = part.told.within(*time_range(history))
            digest = make_digest(
                history,
                part.revisions,
                reach_of(history, part.revisions, part.asked, part.wider),
                key=unit_key(part.ground, part.unit.contents, within),
                ground=part.ground,
                contents=part.unit.contents,
                folder=part.folder / DIGESTS,
            )
    except (OptimiserError, OSError) as error:
        return "", str(error)
    return digest.folder.name, ""


def _make(store: Store, wanted: Sequence[Wanted]) -> dict[Unit, Digest]:
    """Digest units wherever there are workers; those that cannot be used are named and left out."""
    scheduler = store.plant.file.machines.scheduler
    # Few jobs are sooner done here, by all cores at once, than processes have started.
    alone = scheduler is None and len(wanted) < FEW * store.workers
    parts = [
        Part(
            plant=store.plant,
            unit=one.unit,
            revisions=store.revisions,
            asked=store.known.asked,
            wider=one.wider,
            told=store.told,
            ground=store.ground,
            folder=store.folder.resolve(),
            threads=None if alone or store.workers < 2 else 1,
        )
        for one in wanted
    ]
    if wanted:
        files = [f for one in wanted for f in one.unit.files]
        store.tell("to digest", files=len(files), bytes=sum(f.stat().st_size for f in files))
    made: dict[Unit, Digest] = {}
    workers = 1 if alone else store.workers
    for number, found in spread(digest_part, parts, workers=workers, scheduler=scheduler):
        digest = _taken(store, wanted[number], found)
        if digest is not None:
            made[wanted[number].unit] = digest
    return made


def _taken(store: Store, wanted: Wanted, found: tuple[str, str] | Lost) -> Digest | None:
    """Take what a worker made of one unit; None, and a problem, where there is nothing to take."""
    name, words = ("", found.words) if isinstance(found, Lost) else found
    if not name:
        _cannot(store, wanted.unit.files, words)
        return None
    try:
        digest = read_digest(store.folder / DIGESTS / name)
    except (OSError, ValueError, KeyError, TypeError) as error:
        words = (
            f"{error}; workers need this machine's seal key (OPTIMISER_SEAL_KEY) and its folders"
        )
        _cannot(store, wanted.unit.files, words)
        return None
    store.made += 1
    for table, (_, sha) in digest.meta.files.items():
        store.known.note(digest.table(table), sha)
    store.tell(
        "digested",
        files=[str(f) for f in wanted.unit.files],
        rows=digest.meta.rows_used,
        set_aside=digest.meta.rows_set_aside,
        why=wanted.why,
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


def _remake(store: Store, short: Mapping[Unit, Reach]) -> None:
    """Digest units again with a wider reach."""
    wanted = []
    for unit, wider in short.items():
        before = store.serving.pop(unit).meta.reaches
        limits = ", ".join(sorted(f"{f} {m} {s}" for f, m, s in wider))
        why = f"a level is now tighter than it kept items for: {limits}"
        reach = {k: min(z, wider.get(k, z)) for k, z in before.items()}
        wanted.append(Wanted(unit=unit, why=why, wider=reach))
    made = _make(store, wanted)
    store.serving |= made
    store.reached += len(made)
