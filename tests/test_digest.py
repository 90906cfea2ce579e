"""Stored digests of history files: whatever is counted from them is what the whole history gives."""

import math
import os
import random
import shutil
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from factories import (
    LOTS,
    RECIPE,
    label,
    make_items,
    make_plant,
    recipe_text,
    table,
    to_toml,
    write_csv,
    write_parquet,
    write_rows,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser.demo.write import write_demo
from optimiser.errors import HistoryError, OptimiserError
from optimiser.history.contract import KEY
from optimiser.history.digest import fold, make, merged
from optimiser.history.digest.known import Known
from optimiser.history.digest.store import sha_of_file
from optimiser.history.read import open_history
from optimiser.history.replay import agree
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.cache import case_key
from optimiser.proposal.opening import early_lots
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import read_recipe
from optimiser.tally.check import check
from optimiser.tally.digested import (
    close_store,
    open_store,
    open_stored,
)
from optimiser.tally.reach import WantedLimit, falls_short, reach_of

# Said of each file by itself, or of the verdicts as a whole.
NOTES = ("take their verdict", "replaced by a later row", "verdicts differ", "verdict: no item")
TOLD = (*KEY, "verdict", "defect", "found_by", "weight")


@dataclass
class Stored:
    """What a look at the digests of a plant brought."""

    cases: list
    agreement: object
    findings: list
    rows: tuple[int, int]
    events: list = field(default_factory=list)
    problems: dict = field(default_factory=dict)
    made: int = 0
    read: int = 0

    def of(self, event: str) -> list[dict]:
        return [values for name, values in self.events if name == event]


def inputs(folder: Path):
    plant = read_plant(folder)
    return plant, read_recipe(folder / "recipe.csv", plant.file.measurements)


def look(history, live) -> dict:
    return {
        "agreement": agree(history, live, past_revisions(history.plant, live)),
        "findings": [
            (f.level, f.rule, f.count)
            for f in check(history, live, Path("recipe.csv"))
            if not any(note in f.rule for note in NOTES)
        ],
        "cases": make_cases(history, live, proof=True, trials=5),
        "rows": (history.rows_used, history.rows_set_aside),
    }


def whole(folder: Path) -> Stored:
    plant, live = inputs(folder)
    with open_history(plant, set_aside=folder / "elsewhere.csv") as history:
        return Stored(**look(history, live))


def stored(folder: Path, night: Path | None = None, *, rehash: bool = False) -> Stored:
    plant, live = inputs(folder)
    events: list = []
    store = open_store(
        plant,
        live,
        night or folder / "night",
        rehash=rehash,
        tell=lambda event, **values: events.append((event, values)),
    )
    with open_stored(store, early_lots) as history:
        found = Stored(
            **look(history, live),
            events=events,
            problems=store.problems,
            made=store.made,
            read=store.known.read,
        )
    close_store(store)
    return found


def digest(folder: Path) -> None:
    """Make the digests of a plant and look at nothing."""
    plant, live = inputs(folder)
    store = open_store(plant, live, folder / "night", tell=lambda event, **_: None)
    open_stored(store, early_lots).close()
    close_store(store)


def assert_same_tally(one, other) -> None:
    assert (one.family, one.scopes, one.lots) == (other.family, other.scopes, other.lots)
    assert len(one.grid.limits) == len(other.grid.limits)
    for a, b in zip(one.grid.limits, other.grid.limits, strict=True):
        assert (a.measurement, a.side, a.live, a.spread) == (
            *(b.measurement, b.side, b.live, b.spread),
        )
        assert (a.loose, a.tight) == (b.loose, b.tight)
        np.testing.assert_array_equal(a.z, b.z)
        np.testing.assert_array_equal(a.values, b.values)
    for name in ("scope", "lot", "reviewed", "settled", "count", "ranks"):
        np.testing.assert_array_equal(getattr(one.cells, name), getattr(other.cells, name))
    for name in ("ranks", "z", "settled", "scope", "lot"):
        np.testing.assert_array_equal(getattr(one.defects, name), getattr(other.defects, name))
    assert one.defects.frame.equals(other.defects.frame)
    assert one.misread.ranks.tolist() == other.misread.ranks.tolist()
    assert one.misread.lot.tolist() == other.misread.lot.tolist()


def assert_same(one: Stored, other: Stored) -> None:
    """Grids, tallies to the last cell, defects, earlier and later lots, checks, counts of rows."""
    assert [c.tally.family for c in one.cases] == [c.tally.family for c in other.cases]
    for a, b in zip(one.cases, other.cases, strict=True):
        assert_same_tally(a.tally, b.tally)
        assert (a.early is None) == (b.early is None)
        if a.early is not None:
            assert_same_tally(a.early.tally, b.early.tally)
            assert_same_tally(a.later, b.later)
        assert case_key(a) == case_key(b)
    assert one.agreement == other.agreement
    # A duplicate is counted in the file that holds it or in the files read together.
    assert sorted(one.findings) == sorted(other.findings)
    assert one.rows == other.rows


def in_files(rows, parts: int, suffix: str = "parquet"):
    """Return a writer of items in files, cut by time."""

    def write(where: Path, items) -> None:
        for n in range(parts):
            some = items[n * len(items) // parts : (n + 1) * len(items) // parts]
            if some:
                one = write_csv if suffix == "csv" else write_parquet
                one(where / f"{n:02d}.{suffix}", some)

    return write


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    """A small plant of a file per lot, nothing digested; copy it, do not change it."""
    return make_plant(tmp_path_factory.mktemp("written") / "plant", write=in_files(None, LOTS))


@pytest.fixture(scope="module")
def truth(written) -> Stored:
    """What the whole history of the small plant gives."""
    return whole(written)


@pytest.fixture(scope="module")
def once_digested(written, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("digested") / "plant"
    shutil.copytree(written, folder, copy_function=shutil.copy2)
    digest(folder)
    return folder


@pytest.fixture
def digested(once_digested, tmp_path) -> Path:
    return shutil.copytree(once_digested, tmp_path / "plant", copy_function=shutil.copy2)


@pytest.fixture(scope="module")
def once_short(written, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("short") / "plant"
    shutil.copytree(written, folder, copy_function=shutil.copy2)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimiser.tally.reach.FEWEST", 20)
        digest(folder)
    return folder


@pytest.fixture
def short(once_short, tmp_path, monkeypatch) -> Path:
    """A digested plant that keeps no more of its small files than of large ones."""
    monkeypatch.setattr("optimiser.tally.reach.FEWEST", 20)
    return shutil.copytree(once_short, tmp_path / "plant", copy_function=shutil.copy2)


@pytest.fixture
def folder(written, tmp_path) -> Path:
    return shutil.copytree(written, tmp_path / "plant", copy_function=shutil.copy2)


def digests(folder: Path) -> dict[str, str]:
    """Return the content of every file of every digest."""
    top = folder / "night" / "digests"
    return {str(p.relative_to(top)): sha_of_file(p) for p in sorted(top.rglob("*.*"))}


@pytest.fixture(scope="module")
def few_days(tmp_path_factory) -> Path:
    """A demo of 6 days with 4,000 items each; read it, do not change it."""
    folder = tmp_path_factory.mktemp("few") / "plant"
    write_demo(folder, days=6, items_per_day=4_000, seed=5)
    return folder


def check_demo(folder: Path, night: Path) -> Stored:
    first = stored(folder, night)
    assert_same(whole(folder), first)
    again = stored(folder, night)
    assert_same(first, again)
    assert (again.made, again.read, again.events) == (0, 0, [])
    return first


def test_a_few_days_by_their_digests(few_days, tmp_path, monkeypatch):
    monkeypatch.setattr("optimiser.history.read.SAMPLE", 500)
    found = check_demo(few_days, tmp_path)
    assert any(e["why"].startswith("a level is now tighter") for e in found.of("digested"))


@pytest.mark.slow
def test_a_demo_plant_by_its_digests(demo_plant, tmp_path):
    found = check_demo(demo_plant, tmp_path)
    assert max(c.tally.items for c in found.cases) > 8192, "no family is large enough to sample"


@pytest.mark.parametrize("suffix", ["parquet", "csv"])
def test_a_small_plant_with_overrides_and_nulls(tmp_path, suffix):
    folder = make_plant(tmp_path / "plant", write=in_files(None, 5, suffix))
    found = stored(folder)
    assert_same(whole(folder), found)
    assert any(len(c.tally.scopes) > 1 for c in found.cases)
    assert any(c.early is not None for c in found.cases)


def test_only_what_is_new_is_read(folder, monkeypatch):
    last = sorted((folder / "history").iterdir())[-1]
    moved = last.rename(folder / last.name)
    digest(folder)
    moved.rename(last)
    opened = []
    real = open_history
    monkeypatch.setattr(
        "optimiser.tally.digested.open_history",
        lambda plant, files, **k: opened.append(files) or real(plant, files, **k),
    )
    found = stored(folder)
    assert opened == [(last,)]
    assert found.of("digested")[0]["why"] == "its content is new"
    assert_same(whole(folder), found)


def test_a_touched_file_is_hashed_and_not_digested(folder):
    digest(folder)
    path = next((folder / "history").iterdir())
    os.utime(path, ns=(1, 1))
    found = stored(folder)
    assert (found.made, found.read) == (0, path.stat().st_size)


def test_rehash_sees_a_change_that_keeps_size_and_times(folder):
    digest(folder)
    path = sorted((folder / "history").iterdir())[2]
    before, content = path.stat(), bytearray(path.read_bytes())
    place = content.index(b"P1")
    content[place : place + 2] = b"P7"
    with path.open("r+b") as file:
        file.write(content)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert stored(folder).made == 0
    found = stored(folder, rehash=True)
    assert found.made == 1
    assert_same(whole(folder), found)


def test_a_corrected_a_removed_and_a_renamed_file(folder):
    digest(folder)
    files = sorted((folder / "history").iterdir())
    items = make_items()
    rows = [{**i, "tilt": 9.0, "called": None} for i in items[80:120]]
    write_parquet(files[1], rows)
    files[3].unlink()
    files[4].rename(files[4].with_name("zz.parquet"))
    found = stored(folder)
    assert [e["why"] for e in found.of("digested")].count("its content is new") == 1
    assert {Path(e["file"]).name for e in found.of("removed")} == {"03.parquet", "04.parquet"}
    assert_same(whole(folder), found)
    assert len(list((folder / "night" / "digests").iterdir())) == LOTS - 1
    write_parquet(files[3], items[3 * 80 : 4 * 80])
    found = stored(folder)
    assert [e["why"] for e in found.of("digested")] == ["its content is new"]
    assert_same(whole(folder), found)


def test_one_content_under_two_names_counts_once_and_is_reported(folder):
    files = sorted((folder / "history").iterdir())
    copy = files[2].with_name("00-copy.parquet")
    copy.write_bytes(files[2].read_bytes())
    found = stored(folder)
    assert_same(whole(folder), found)
    assert found.of("duplicates") == [
        {"files": [str(copy), str(files[2])], "kept": "the first of equal rows"}
    ]
    assert found.rows == (480, 80)
    copy.unlink()
    assert_same(whole(folder), stored(folder))


def test_rows_that_stand_in_two_files_are_set_aside_as_the_door_does(tmp_path):
    items = make_items()

    def write(where, rows):
        write_parquet(where / "b.parquet", rows[:200])
        # The same rows, measured otherwise: the earlier file's stand.
        write_parquet(where / "a.parquet", [{**r, "tilt": 8.0} for r in rows[180:]])
        write_parquet(where / "c.parquet", [{**r, "line": "L9"} for r in rows[195:205]])

    folder = make_plant(tmp_path / "plant", items=items, write=write)
    found = stored(folder)
    assert_same(whole(folder), found)
    assert found.rows == (480, 30)
    aside = [p.read_text() for p in (folder / "night" / "set_aside").iterdir()]
    assert sum(text.count("\n") for text in aside) == 31, "30 rows and a header"
    again = stored(folder)
    assert (again.made, again.read) == (0, 0)


def test_files_whose_times_overlap_are_compared_once(tmp_path, monkeypatch):
    def write(where, rows):
        for n in range(3):
            write_parquet(where / f"line{n}.parquet", rows[n::3])

    folder = make_plant(tmp_path / "plant", write=write)
    assert_same(whole(folder), stored(folder))

    def refuse(*_, **__):
        raise AssertionError("read again")

    monkeypatch.setattr("optimiser.history.digest.inbox.open_history", refuse)
    found = stored(folder)
    assert (found.made, found.of("duplicates")) == (0, [])


def told(item, verdict="defect", found_by="field") -> dict:
    row = {c: item.get(c) for c in KEY}
    return {**row, "verdict": verdict, "found_by": found_by, "defect": "shifted"}


def test_late_verdicts_renew_only_the_digests_they_fall_into(tmp_path):
    items = make_items()
    folder = make_plant(
        tmp_path / "plant",
        toml=table(plant={"verdicts": "told"}),
        write=in_files(None, LOTS),
    )
    first = [told(i) for i in items[:80] if i["verdict"] is None][:3]
    write_rows(folder / "told" / "1.csv", TOLD, first)
    assert_same(whole(folder), stored(folder))
    later = [told(i) for i in items[240:320] if i["verdict"] is None][:2]
    # The first verdict is taken back.
    later.append(told(items[0], "good", "audit"))
    write_rows(folder / "told" / "2.csv", TOLD, later)
    found = stored(folder)
    assert found.made == 2
    assert {Path(e["files"][0]).name for e in found.of("digested")} == {"00.parquet", "03.parquet"}
    assert_same(whole(folder), found)
    assert stored(folder).made == 0


@pytest.mark.parametrize(
    ("change", "remade"),
    [
        ({"rails": {"largest_move_steps": 30, "call_load_share": 0.2}}, True),
        ({"rails": {"largest_move_spreads": 9.0, "call_load_share": 0.2}}, True),
        ({"rails": {"largest_move_spreads": 0.1}}, False),
        ({"rails": {"guard_sigmas": 4.0}}, False),
        ({"review": {"seconds_per_call": 60.0}}, False),
        ({"rails": {"off": ["call-load", "largest-move"]}}, True),
    ],
)
def test_a_changed_rail_renews_what_falls_short_and_says_why(short, change, remade):
    folder = short
    (folder / "plant.toml").write_text(to_toml(table(**change)))
    found = stored(folder)
    assert (found.made > 0) == remade
    for event in found.of("digested"):
        assert "tighter" in event["why"]
    assert_same(whole(folder), found)


def test_a_move_in_spreads_is_reached_at_once(folder, monkeypatch):
    monkeypatch.setattr("optimiser.tally.reach.FEWEST", 20)
    rails = {"largest_move_steps": 1, "largest_move_spreads": 2.0, "off": ["call-load"]}
    (folder / "plant.toml").write_text(to_toml(table(rails=rails)))
    found = stored(folder)
    assert found.made == LOTS


def test_a_changed_recipe(short):
    folder = short
    tilt = ("family", "SOT", "tilt", "-1", "1", "deg")
    tighter = [tilt if row[1:3] == ("SOT", "tilt") else row for row in RECIPE]
    toml = to_toml(table(rails={"mismatch_share": 0.5}))
    (folder / "plant.toml").write_text(toml)
    (folder / "recipe.csv").write_text(recipe_text(tighter))
    found = stored(folder)
    assert found.made > 0
    assert_same(whole(folder), found)
    # Another override changes what is counted apart.
    (folder / "recipe.csv").write_text(
        recipe_text([*tighter, ("part", "R-1", "fill", "60", "", "%")])
    )
    found = stored(folder)
    assert found.made == LOTS
    assert_same(whole(folder), found)


@pytest.mark.parametrize("early", [True, False])
def test_revisions_that_ran_before(folder, monkeypatch, early):
    """Recorded calls are held against the revision that ran, tighter than any level of today."""
    monkeypatch.setattr("optimiser.tally.reach.FEWEST", 20)
    toml = table(rails={"largest_move_steps": 1, "mismatch_share": 0.01})
    (folder / "plant.toml").write_text(to_toml(toml))
    looser = [("family", "CHIP", "tilt", "", "7", "deg"), *RECIPE[1:-1]]
    if not early:
        digest(folder)
    (folder / "revisions").mkdir()
    (folder / "revisions" / "1.csv").write_text(recipe_text(RECIPE))
    (folder / "recipe.csv").write_text(recipe_text(looser, revision="8"))
    # A row that the old revision calls and the machine did not.
    path = sorted((folder / "history").iterdir())[0]
    rows = make_items()[:80]
    quiet = [n for n, i in enumerate(rows[:60]) if i["family"] == "CHIP" and not i["called"]][:4]
    for n in quiet:
        # The others, that only the old one calls as well, say that it was the old one that ran.
        rows[n] = {**rows[n], "tilt": 4.0, "part": "R-1", "called": n != quiet[0]}
    write_parquet(path, rows)
    found = stored(folder)
    assert found.agreement.disagree == 1
    assert found.agreement.ran["7"] > 0
    assert_same(whole(folder), found)
    assert stored(folder).made == 0


@pytest.mark.parametrize("name", ["rows.parquet", "counts.parquet", "sample.parquet", "meta.json"])
@pytest.mark.parametrize("harm", ["cut", "flip", "gone"])
def test_a_damaged_digest_is_made_anew(digested, truth, name, harm):
    folder = digested
    before = digests(folder)
    path = sorted((folder / "night" / "digests").iterdir())[1] / name
    content = path.read_bytes()
    if harm == "gone":
        path.unlink()
    elif harm == "cut":
        path.write_bytes(content[: len(content) // 2])
    else:
        place = 2 if name == "meta.json" else len(content) // 3
        path.write_bytes(content[:place] + bytes([content[place] ^ 0x55]) + content[place + 1 :])
    found = stored(folder)
    assert found.of("damaged")
    assert found.made == 1
    assert_same(truth, found)
    others = {k: v for k, v in before.items() if not k.startswith(path.parent.name)}
    assert others.items() <= digests(folder).items()


def test_digests_do_not_depend_on_names_or_on_the_order_in_which_files_come(folder, tmp_path):
    digest(folder)
    other = make_plant(tmp_path / "other", items=[])
    files = sorted((folder / "history").iterdir(), reverse=True)
    for n, path in enumerate(files):
        (other / "history" / f"x{n}.parquet").write_bytes(path.read_bytes())
    one_by_one = sorted((other / "history").iterdir())
    for path in one_by_one:
        path.rename(other / path.name)
    for path in one_by_one:
        (other / path.name).rename(path)
    stored(other)
    assert digests(folder) == digests(other)


def test_a_truncated_file_is_named_and_the_others_go_on(folder):
    files = sorted((folder / "history").iterdir())
    content = files[2].read_bytes()
    files[2].write_bytes(content[:-100])
    found = stored(folder)
    assert list(found.problems) == [str(files[2])]
    assert "not a whole Parquet file" in found.problems[str(files[2])]
    assert found.rows == (400, 0)
    files[2].write_bytes(content)
    found = stored(folder)
    assert (found.problems, found.made) == ({}, 1)
    assert_same(whole(folder), found)


def test_no_file_and_none_usable(tmp_path):
    folder = make_plant(tmp_path / "plant", items=[])
    with pytest.raises(HistoryError, match="no result files"):
        digest(folder)
    (folder / "history" / "a.parquet").write_bytes(b"PAR1")
    with pytest.raises(HistoryError, match="no result file of this history can be used"):
        digest(folder)


def test_what_was_noted_may_be_lost(digested):
    folder = digested
    before = digests(folder)
    for text in (None, "", "[]", "{"):
        path = folder / "night" / "known.json"
        path.unlink() if text is None else path.write_text(text)
        found = stored(folder)
        assert found.made == 0
        assert digests(folder) == before


def test_a_digest_reaches_as_far_as_its_own_items_tell_whatever_was_asked_last_night(folder):
    """A limit that no defect had tested by last night may move tomorrow, and asks for more."""
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        own = reach_of(history, (live,), {})
        assert reach_of(history, (live,), dict.fromkeys(own, math.inf)) == own
        finite = {key: z - 1.0 for key, z in own.items() if math.isfinite(z)}
        assert finite
        further = reach_of(history, (live,), finite)
    assert all(further[key] < own[key] for key in finite)


def test_a_reach_falls_short_only_of_what_it_measured():
    wanted = {("A", "tilt", "upper"): WantedLimit(2.0, 1.5)}
    assert falls_short({}, wanted) == {}
    assert falls_short({("A", "tilt", "upper"): 1.9}, wanted) == {}
    assert falls_short({("A", "tilt", "upper"): 2.0}, wanted) == {("A", "tilt", "upper"): 1.5}
    assert falls_short({("A", "tilt", "upper"): np.inf}, wanted) == {("A", "tilt", "upper"): 1.5}
    assert falls_short({("A", "tilt", "upper"): -np.inf}, wanted) == {}


def rounded(items, coarse, rng) -> list:
    """Return items with ties and more nulls, some lots blank, labels by what is called then."""
    found = []
    for item in items:
        defect, row = item["verdict"] == "defect", dict(item)
        for m in ("tilt", "offset", "fill"):
            if row[m] is not None and coarse:
                row[m] = float(np.float32(round(row[m] / coarse) * coarse))
            row[m] = None if rng.random() < 0.05 else row[m]
        row["lot"] = None if coarse == 2.0 and rng.random() < 0.3 else row["lot"]
        row |= {"verdict": None, "defect": None, "found_by": None}
        found.append(label(row, defect=defect, found=rng.random() < 0.7))
    return found


@dataclass(frozen=True, kw_only=True)
class Any:
    """What a small plant is made from; it grows over two nights."""

    seed: int
    coarse: float | None
    parts: int
    by_time: bool
    doubled: bool
    off: tuple[str, ...]
    move: dict[str, float]
    share: float
    first: int
    suffix: str
    overrides: bool
    fewest: int

    def piles(self) -> tuple[list[list], list]:
        """Return the items of each file, and some of them that verdicts speak of later."""
        rng = random.Random(self.seed)
        items = rounded(make_items(self.seed), self.coarse, rng)
        piles: list[list] = [[] for _ in range(self.parts)]
        for n, item in enumerate(items):
            place = n * self.parts // len(items) if self.by_time else rng.randrange(self.parts)
            piles[place].append(item)
        if self.doubled:
            for item in rng.sample(items, 4):
                piles[rng.randrange(self.parts)].append({**item, "tilt": 1.0})
        return piles, [told(i, rng.choice(["good", "defect"])) for i in rng.sample(items, 6)]


ANY = st.builds(
    Any,
    seed=st.integers(0, 10_000),
    coarse=st.sampled_from([None, 0.5, 2.0]),
    parts=st.integers(2, 5),
    by_time=st.booleans(),
    doubled=st.booleans(),
    off=st.sampled_from([(), ("call-load",), ("largest-move",), ("call-load", "untested")]),
    move=st.sampled_from(
        [{"steps": 1}, {"steps": 3}, {"steps": 12}, {"spreads": 0.5}, {"steps": 1, "spreads": 2.0}]
    ),
    share=st.sampled_from([0.01, 0.05, 0.3]),
    first=st.integers(1, 5),
    suffix=st.sampled_from(["parquet", "csv"]),
    overrides=st.booleans(),
    fewest=st.sampled_from([5, 300]),
)


def check_plant(folder: Path, made: Any) -> None:
    """Two nights, verdicts with the second, against the whole history each time."""
    rails = {
        "off": list(made.off),
        **{f"largest_move_{unit}": far for unit, far in made.move.items()},
        "call_load_share": made.share,
        "mismatch_share": 0.9,
    }
    recipe = RECIPE if made.overrides else RECIPE[:5]
    toml = table(rails=rails, plant={"verdicts": "told"})
    make_plant(folder, items=[], toml=toml, recipe=recipe)
    one = write_csv if made.suffix == "csv" else write_parquet
    piles, verdicts = made.piles()
    files = [(folder / "history" / f"{n}.{made.suffix}", pile) for n, pile in enumerate(piles)]
    write_rows(folder / "told" / "1.csv", TOLD, verdicts[:2])
    for path, pile in reversed(files[: made.first]):
        one(path, pile)
    compare(folder)
    for path, pile in files[made.first :]:
        one(path, pile)
    write_rows(folder / "told" / "2.csv", TOLD, verdicts[2:])
    compare(folder)


def compare(folder: Path) -> None:
    """Compare, also where both refuse."""
    try:
        expected = whole(folder)
    except OptimiserError as error:
        with pytest.raises(type(error)):
            stored(folder)
        return
    found = stored(folder)
    # A verdict without an item is counted over all files, not in each.
    alone = sum(e["without_item"] for e in found.of("verdicts"))
    assert_same(replace(expected, rows=(expected.rows[0], expected.rows[1] - alone)), found)


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(made=ANY)
def test_any_small_plant(tmp_path_factory, made):
    run_small(tmp_path_factory, made)


@pytest.mark.slow
@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(made=ANY)
def test_any_of_many_small_plants(tmp_path_factory, made):
    run_small(tmp_path_factory, made)


def run_small(tmp_path_factory, made) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimiser.history.read.SAMPLE", 64)
        patch.setattr(make, "HEAD", 10)
        patch.setattr(merged, "HEAD", 10)
        patch.setattr("optimiser.tally.reach.FEWEST", made.fewest)
        check_plant(tmp_path_factory.mktemp("any") / "plant", made)


FILES = 9


def over_months(rows) -> list:
    """The items of a plant, spread from five days over three months."""
    start = rows[0]["time"]
    return [{**row, "time": start + 15 * (row["time"] - start)} for row in rows]


@pytest.fixture(scope="module")
def months(tmp_path_factory) -> Path:
    """A small plant of nine files in three months, digested and folded; copy it."""
    folder = tmp_path_factory.mktemp("months") / "plant"
    make_plant(folder, items=over_months(make_items()), write=in_files(None, FILES))
    digest(folder)
    return folder


@pytest.fixture
def folded(months, tmp_path) -> Path:
    return shutil.copytree(months, tmp_path / "plant", copy_function=shutil.copy2)


def folders(folder: Path) -> tuple[list[str], int]:
    """The months that are folded, and how many digests lie by themselves."""
    names = [p.name for p in sorted((folder / "night" / "digests").iterdir())]
    months = [name[5:12] for name in names if name.startswith("fold-")]
    return months, len(names) - len(months)


def test_months_that_are_over_lie_in_one_folder_each(folded, tmp_path):
    assert folders(folded) == (["2026-03", "2026-04"], 2)
    digest(folded)  # notes where the copied plant lies
    found = stored(folded)
    assert_same(whole(folded), found)
    assert (found.made, found.read, found.events) == (0, 0, [])
    before = digests(folded)
    other = make_plant(
        tmp_path / "other", items=over_months(make_items()), write=in_files(None, FILES)
    )
    digest(other)
    assert digests(other) == before, "equal files give equal bytes"


def test_the_running_month_is_folded_when_much_lies_loose(folder, monkeypatch):
    monkeypatch.setattr(fold, "LOOSE", 3)
    digest(folder)
    assert folders(folder) == (["2026-03"], 0)
    found = stored(folder)
    assert_same(whole(folder), found)
    assert found.made == 0


def test_a_changed_and_a_removed_old_file_cost_their_own_part_only(folded):
    files = sorted((folded / "history").iterdir())
    files[1].unlink()
    items = over_months(make_items())
    some = [dict(row) for row in items[2 * len(items) // FILES : 3 * len(items) // FILES]]
    some[0]["tilt"] = 9.5
    write_parquet(files[2], some)
    found = stored(folded)
    assert [e["files"] for e in found.of("digested")] == [[str(files[2])]]
    assert_same(whole(folded), found)
    assert folders(folded) == (["2026-03", "2026-04"], 2)
    again = stored(folded)
    assert_same(found, again)
    assert (again.made, again.events) == (0, [])


@pytest.mark.parametrize("name", ["rows.parquet", "more.parquet", "meta.json"])
def test_a_damaged_fold_costs_its_month_only(folded, name):
    path = min((folded / "night" / "digests").glob("fold-*")) / name
    content = path.read_bytes()
    path.write_bytes(content[:9] + bytes([content[9] ^ 0x55]) + content[10:])
    found = stored(folded)
    assert len(found.of("damaged")) == 1
    assert 1 < found.made < FILES
    assert {e["files"][0] for e in found.of("digested")} < {
        str(p) for p in (folded / "history").iterdir()
    }
    assert_same(whole(folded), found)
    assert folders(folded) == (["2026-03", "2026-04"], 2)


@pytest.mark.parametrize(
    "step",
    ["rename", *(pytest.param(s, marks=pytest.mark.slow) for s in ("seal", "sweep"))],
)
def test_a_fold_that_broke_off_loses_nothing(written, tmp_path, monkeypatch, step):
    folder = make_plant(
        tmp_path / "plant", items=over_months(make_items()), write=in_files(None, FILES)
    )

    class Killed(BaseException):
        pass

    def killed(*_, **__):
        raise Killed

    with monkeypatch.context() as patch:
        if step == "seal":
            patch.setattr(fold, "write_sealed", killed)
        elif step == "rename":
            real = Path.rename
            patch.setattr(
                Path,
                "rename",
                lambda p, to: killed() if "fold-" in str(to) else real(p, to),
            )
        else:
            # The folds stand; nothing that they replace is gone yet.
            patch.setattr(Known, "keep", killed)
            patch.setattr("optimiser.tally.digested.shutil.rmtree", lambda *_, **__: None)
        with pytest.raises(Killed):
            digest(folder)
    found = stored(folder)
    assert found.made == 0
    assert_same(whole(folder), found)
    assert folders(folder) == (["2026-03", "2026-04"], 2)
