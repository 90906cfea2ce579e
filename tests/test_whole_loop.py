"""The whole loop on one demo: nights, signatures, a revision that goes live, what follows of it.

What the machine would have recorded under the new revision, and what the change saved, are
worked out here in plain pandas from the same files, as a second opinion.
"""

import json
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from factories import make_demo, make_plant
from test_nightly import daily, entries, fingerprint, log, run

from optimiser.cli import main
from optimiser.ledger.ledger import LEDGER, Ledger
from optimiser.ledger.revision import export_revision, roll_back
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe

NIGHT_16, NIGHT_24, NIGHT_25 = (f"2026-01-{d}T02:00:00" for d in ("21", "29", "30"))
SIGNED_AT = datetime(2026, 1, 21, 4, tzinfo=UTC)
BACK_AT = datetime(2026, 1, 29, 9, tzinfo=UTC)
FIRST_LIVE = date(2026, 1, 21)
CRITICAL = ("CAP-0402", "RES-0603")
EXPORTED, REJECTED, ONE_OF_TWO = ("CAP-0402", "PASTE-CHIP", "RES-0402"), "CON-10", "RES-0603"
UNTOUCHED = ("PASTE-FINE",)
FAMILIES = (*EXPORTED, REJECTED, ONE_OF_TWO, *UNTOUCHED, "SOT-6")
MONTH = 365.25 / 12


def night_words(folder: Path, now: str) -> tuple[str, ...]:
    return ("nightly", str(folder), "--now", now, "--trials", "4", "--workers", "1")


def clocked(folder: Path, at: datetime) -> Ledger:
    return Ledger(folder / LEDGER, now=lambda: at)


def write_expensive_demo(folder: Path) -> None:
    """Write eight families where a review costs 3.17 and not 0.26, so that 16 days show a saving."""
    make_demo(folder, FAMILIES, days=24, items_per_day=10_000, seed=7)
    path = folder / "plant.toml"
    text = path.read_text().replace("seconds_per_call = 25.0", "seconds_per_call = 60.0")
    text = text.replace("cost_per_hour = 38.0", "cost_per_hour = 190.0")
    for family in CRITICAL:
        before = f'[families."{family}"]\nclass = 2\ncritical = '
        assert f"{before}false" in text
        text = text.replace(f"{before}false", f"{before}true")
    path.write_text(text)


def plainly_called(items: pd.DataFrame, recipe: Path) -> pd.Series:
    """Return what a recipe calls: the family's row, beaten by the part's, by the designator's."""
    rows = pd.read_csv(recipe, comment="#")
    place = items["product"] + "/" + items["designator"]
    called = pd.Series(False, index=items.index)
    for measurement, limits in rows.groupby("measurement"):
        low = pd.Series(np.float32("nan"), index=items.index)
        high = low.copy()
        for scope, keys in (
            ("family", items["family"]),
            ("part", items["part"]),
            ("designator", items["designator"]),
            ("designator", place),
        ):
            for row in limits[limits["scope"] == scope].itertuples():
                meant = keys == row.name
                low[meant], high[meant] = np.float32(row.lower), np.float32(row.upper)
        x = items[measurement]
        called |= (x < low) | (x > high)
    return called


def relabel(items: pd.DataFrame) -> pd.DataFrame:
    """Return items as they come in under new calls.

    What is no longer called is not reviewed; test finds the first of every two defects that
    pass. What is newly called is reviewed; nobody knew of a defect, so it is good.
    """
    items = items.copy()
    passed = ~items["called"] & (items["found_by"] == "review")
    defect = passed & (items["verdict"] == "defect")
    by_test = defect & (defect.cumsum() % 2 == 1)
    items.loc[passed & ~by_test, ["verdict", "defect", "found_by"]] = None
    items.loc[by_test, "found_by"] = "test"
    new = items["called"] & items["verdict"].isna()
    items.loc[new, ["verdict", "found_by"]] = ["good", "review"]
    return items


def come_in(folder: Path, held: pd.DataFrame) -> None:
    """Write items into the inbox, a file a day."""
    for day, items in held.groupby(held["time"].dt.date):
        where = folder / "history" / f"day={day}"
        where.mkdir()
        items.to_parquet(where / "part.parquet", index=False)


@dataclass(frozen=True)
class Loop:
    """A plant whose new revision is live, and the days that follow, not yet in its inbox.

    ``held`` has, beside the columns of the history, ``by_old``: what the old recipe calls.
    """

    folder: Path
    held: pd.DataFrame
    proposals: dict[str, int]
    first: dict

    def copy(self, where: Path) -> Path:
        shutil.copytree(self.folder, where, copy_function=shutil.copy2)
        return where


def told(capsys, folder: Path, now: str) -> tuple[int, dict]:
    code, out, err = run(capsys, *night_words(folder, now), "--json")
    assert out, err
    return code, json.loads(out)


@pytest.fixture(scope="module")
def loop(tmp_path_factory) -> Loop:
    folder = tmp_path_factory.mktemp("loop") / "plant"
    write_expensive_demo(folder)
    days = sorted((folder / "history").iterdir())
    held = pd.concat([pd.read_parquet(d / "part.parquet") for d in days[16:]], ignore_index=True)
    for day in days[16:]:
        shutil.rmtree(day)
    assert main([*night_words(folder, NIGHT_16)]) == 0
    first = json.loads((folder / "report.json").read_text())
    ledger = clocked(folder, SIGNED_AT)
    proposals = {e.family: e.id for e in ledger.entries(kind="proposal")}
    assert set(proposals) == {*EXPORTED, REJECTED, ONE_OF_TWO, *UNTOUCHED}
    for family in (*EXPORTED, ONE_OF_TWO):
        ledger.decide(proposals[family], "accept", by="Ada Fenn", reason="fewer false calls")
    ledger.decide(proposals["CAP-0402"], "accept", by="Bo Marsh", reason="seen the boards")
    ledger.decide(proposals[REJECTED], "reject", by="Bo Marsh", reason="a new stencil comes")
    old = held["called"].copy()
    assert (plainly_called(held, folder / "recipe.csv") == old).all()
    plant, path = read_plant(folder), folder / "recipe.csv"
    live = read_recipe(path, plant.file.measurements)
    found = export_revision(plant, live, path, ledger, by="Ada Fenn", reason="week 4")
    assert found.revision is not None
    assert found.revision.proposals == tuple(sorted(proposals[f] for f in EXPORTED))
    assert found.conflicts == ()
    shutil.copyfile(found.revision.path, path)
    held = relabel(held.assign(by_old=old, called=plainly_called(held, path)))
    return Loop(folder=folder, held=held, proposals=proposals, first=first)


@pytest.fixture(scope="module")
def after(loop, tmp_path_factory) -> Path:
    """The plant after the eight days and their night."""
    folder = loop.copy(tmp_path_factory.mktemp("after") / "plant")
    come_in(folder, loop.held.drop(columns="by_old"))
    assert main([*night_words(folder, NIGHT_24)]) == 0
    return folder


def page(folder: Path) -> tuple[dict, str]:
    return json.loads((folder / "report.json").read_text()), (folder / "report.html").read_text()


def head(told: dict) -> dict[str, dict]:
    return {group["name"]: group for group in told["head"]}


def realised(loop: Loop, folder: Path, family: str) -> tuple[float, float]:
    """Return false calls saved on the same items, and the money a month, in plain pandas."""
    plant = tomllib.loads((folder / "plant.toml").read_text())
    items = loop.held[loop.held["family"] == family]
    since = items.loc[items["by_old"] != items["called"], "time"].min()
    items = items[items["time"] >= since]
    defect = items["verdict"] == "defect"
    saved = int((items["by_old"] & ~defect).sum() - (items["called"] & ~defect).sum())
    review = plant["review"]["seconds_per_call"] / 3600 * plant["review"]["cost_per_hour"]
    costs, coverage = plant["escape_cost"], plant["labels"]["test_coverage"]
    prices = items["defect"].map(costs["by_defect"]).fillna(costs["default"])
    # Test finds some of what passes, and the field the rest.
    finders = costs["by_finder"]
    prices *= coverage * finders["test"] + (1 - coverage) * finders["field"]
    lost = prices[defect & items["by_old"] & ~items["called"]].sum()
    lost *= (1 - plant["review"]["miss_rate"]) / coverage
    gained = prices[defect & ~items["by_old"] & items["called"]].sum()
    days = (items["time"].max() - since) / timedelta(days=1)
    return saved, (saved * review - lost + gained) / days * MONTH


def test_the_change_is_watched_from_its_day_and_saves_what_plain_counts_say(loop, after, capsys):
    code, out, _ = run(capsys, "watch", after, "--json")
    assert code == 0
    rows = {row["family"]: row for row in json.loads(out)}
    assert {f: row["proposal"] for f, row in rows.items()} == {
        f: loop.proposals[f] for f in EXPORTED
    }
    for family, row in rows.items():
        items = loop.held[loop.held["family"] == family]
        telling = items.loc[items["by_old"] != items["called"], "time"]
        since = telling.min().to_pydatetime()
        assert (row["since"], since.date()) == (since.isoformat(), FIRST_LIVE)
        assert row["mismatch_share"] == 0
        now = items[items["time"] >= since]
        assert row["items"] == len(now)
        good = now["verdict"] != "defect"
        assert row["false_calls"]["count"] == (now["called"] & good).sum()
        saved, money = realised(loop, after, family)
        assert saved > 0
        assert row["saving_per_month"]["value"] == pytest.approx(money)
        # The days add up to what it saved and was promised since it went live.
        days = pd.DataFrame(row["by_day"])
        assert days["realised"].sum() == pytest.approx(money * row["months"])
        promised = row["promised_saving_per_month"]["value"] * row["months"]
        assert days["promised"].sum() == pytest.approx(promised)
        by_day = now.groupby(now["time"].dt.date.astype(str)).size()
        assert dict(zip(days["date"], days["items"], strict=True)) == by_day.to_dict()
        assert row["escapes_known"] == (~now["called"] & now["by_old"] & ~good).sum()


def run_months(folder: Path, capsys) -> dict[str, float]:
    """Return how long each change is live, as `watch` says."""
    return {r["family"]: r["months"] for r in json.loads(run(capsys, "watch", folder, "--json")[1])}


def test_the_page_shows_waiting_signed_live_and_realised(loop, after, capsys):
    assert {g["name"]: g["families"] for g in loop.first["head"]} == {
        "waiting": 6,
        "signed": 0,
        "live": 0,
    }
    report, html = page(after)
    expected = [realised(loop, after, f)[1] for f in EXPORTED]
    assert report["realised"]["value"] == pytest.approx(sum(expected))
    rows = {row["family"]: row for row in report["changes"]}
    assert set(rows) == set(EXPORTED)
    assert {row["since"] for row in rows.values()} == {FIRST_LIVE.isoformat()}
    for family, money in zip(EXPORTED, expected, strict=True):
        assert rows[family]["realised"]["value"] == pytest.approx(money)
        assert family in html
    months = [run_months(after, capsys)[f] for f in EXPORTED]
    to_date = sum(x * m for x, m in zip(expected, months, strict=True))
    assert report["to_date"]["realised"]["value"] == pytest.approx(to_date)
    assert f"{to_date:,.0f}" in html
    assert report["by_day"][-1]["realised_total"] == pytest.approx(to_date)
    assert report["by_day"][-1]["promised_total"] == pytest.approx(
        report["to_date"]["promised"]["value"]
    )
    groups = head(report)
    assert groups["live"]["families"] == 3
    assert groups["signed"]["families"] == 0
    # One proposal of a family waits, beside the one that a person has half signed.
    waiting = [(row["family"], row["state"]) for row in report["waiting"]]
    assert len(set(waiting)) == len(waiting)
    assert (ONE_OF_TWO, "one signature of two") in waiting
    assert groups["waiting"]["families"] == len({family for family, _ in waiting})
    assert {d["family"]: d["verdict"] for d in report["decided"]} == {
        **dict.fromkeys((*EXPORTED, ONE_OF_TWO), "accept"),
        REJECTED: "reject",
    }
    code, out, _ = run(capsys, "waiting", after, "--json")
    assert code == 0
    assert [(r["family"], r["state"]) for r in json.loads(out)] == waiting


def test_the_page_between_signature_and_export_and_after_it(loop, tmp_path, capsys):
    """The rejected family waits no more; what is exported is live only once calls show it."""
    folder = loop.copy(tmp_path / "plant")
    assert run(capsys, "report", folder)[0] == 0
    report, _ = page(folder)
    assert {row["family"] for row in report["waiting"]} == {ONE_OF_TWO, *UNTOUCHED}
    groups = head(report)
    assert (groups["waiting"]["families"], groups["live"]["families"]) == (2, 3)
    assert report["realised"] is None
    assert all("no recorded call shows" in c["reason"] for c in report["changes"])


def test_the_ledger_and_the_story_of_a_family_agree(loop, after, capsys):
    code, out, _ = run(capsys, "verify-ledger", after, "--json")
    assert code == 0
    assert json.loads(out)["entries"] == len(entries(after))
    code, out, _ = run(capsys, "history-of", after, "CAP-0402", "--json")
    assert code == 0
    (proposal,) = json.loads(out)["proposals"]
    assert (proposal["state"], proposal["exported_in"]) == ("exported", "2")
    assert [s["by"] for s in proposal["signatures"]] == ["Ada Fenn", "Bo Marsh"]
    kinds = [e["kind"] for e in json.loads(out)["entries"]]
    assert kinds == ["proposal", "accept", "accept", "export"]


def test_rejected_limits_are_not_proposed_again_and_old_ones_are_withdrawn(after, tmp_path, capsys):
    folder = tmp_path / "plant"
    shutil.copytree(after, folder, copy_function=shutil.copy2)
    ledger = clocked(folder, BACK_AT)
    newest = {s.entry.family: s for s in ledger.states()}
    assert newest[REJECTED].state == "waiting", "other limits than the rejected ones"
    ledger.decide(newest[REJECTED].entry.id, "reject", by="Bo Marsh", reason="still no stencil")
    # Other words for a measurement make every family due and change no limit.
    path = folder / "plant.toml"
    path.write_text(path.read_text().replace("solder height", "height of solder"))
    code, found = told(capsys, folder, NIGHT_25)
    assert code == 0
    assert set(found["proposed"]) == set(FAMILIES)
    assert REJECTED in found["change"]
    assert set(found["recorded"]) == set(found["change"]) - {REJECTED}
    assert any(e["event"] == "rejected before" and e["family"] == REJECTED for e in log(folder))
    report, _ = page(folder)
    assert REJECTED not in {row["family"] for row in report["waiting"]}
    assert head(report)["waiting"]["families"] == len(found["recorded"])
    states = ledger.states()
    assert {s.entry.family for s in states if s.state == "waiting"} == set(found["recorded"])
    assert sum(s.state == "waiting" for s in states) == len(found["recorded"])
    code, _, _ = run(capsys, "verify-ledger", folder)
    assert code == 0


def broken(loop: Loop, family: str) -> pd.DataFrame:
    """Return the days to come with a process that goes wrong: every 12th good is called."""
    held = loop.held.copy()
    goods = held.index[(held["family"] == family) & ~held["called"] & ~held["by_old"]]
    bad = goods[held.loc[goods, "verdict"].isna()][::12]
    held.loc[bad, "tilt"] = np.float32(20)
    held.loc[bad, ["called", "verdict", "found_by"]] = [True, "good", "review"]
    return held.drop(columns="by_old")


def alarms(folder: Path) -> list:
    return Ledger(folder / LEDGER).entries(kind="watch")


def test_a_broken_promise_is_told_once_and_a_rollback_ends_its_watch(loop, tmp_path, capsys):
    folder, family = loop.copy(tmp_path / "plant"), "RES-0402"
    come_in(folder, broken(loop, family))
    code, out, _ = run(capsys, *night_words(folder, NIGHT_24))
    assert code == 0
    assert f"LOOK: {family};" in out
    (alarm,) = alarms(folder)
    assert (alarm.family, alarm.proposal) == (family, loop.proposals[family])
    assert "more false calls than promised" in alarm.reason
    report, html = page(folder)
    states = {row["family"]: row["state"] for row in report["changes"]}
    assert states == {**dict.fromkeys(EXPORTED, "as promised"), family: "worse: look"}
    assert "worse: look" in html
    code, found = told(capsys, folder, NIGHT_25)
    assert (code, found["alarms"], len(alarms(folder))) == (0, [family], 1)
    plant, path = read_plant(folder), folder / "recipe.csv"
    live, ledger = read_recipe(path, plant.file.measurements), clocked(folder, BACK_AT)
    back = roll_back(plant, live, path, ledger, to="1", by="Bo Marsh", reason="tilt")
    assert set(back.proposals) == {loop.proposals[f] for f in EXPORTED}
    # Not on the machine yet, then on it.
    for _ in range(2):
        code, found = told(capsys, folder, NIGHT_25)
        assert (code, found["watched"], found["alarms"]) == (0, {}, [])
        assert len(alarms(folder)) == 1
        report, _ = page(folder)
        assert (report["changes"], report["realised"]) == ([], None)
        assert head(report)["live"]["families"] == 0
        shutil.copyfile(back.path, path)
    assert run(capsys, "verify-ledger", folder)[0] == 0


def test_running_the_night_again_changes_nothing(after, capsys):
    before, pages = fingerprint(after), page(after)
    code, found = told(capsys, after, NIGHT_24)
    assert code == 0
    assert (found["digested"], found["proposed"]) == (0, {})
    assert fingerprint(after) == before
    assert page(after) == pages


@pytest.fixture
def small(tmp_path) -> Path:
    """A small plant of six days, a file a day."""
    return make_plant(tmp_path / "plant", write=daily)


def left(folder: Path) -> tuple:
    """Return the families' state and what the ledger says, without what tells when."""
    state = json.loads((folder / "night" / "state.json").read_text())["families"]
    ledger = Ledger(folder / LEDGER)
    assert ledger.verify().valid
    return state, [(e.kind, e.family, e.by, e.reason, e.body) for e in ledger.entries()]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> tuple:
    """What a night leaves of the small plant where nothing gets in its way."""
    folder = make_plant(tmp_path_factory.mktemp("undisturbed") / "plant", write=daily)
    assert main([*night_words(folder, NIGHT_16)]) == 0
    return left(folder)


@contextmanager
def mounted(where: Path) -> Iterator[Callable[[str], None]]:
    """Mount a small disk of its own; yields what mounts it anew with other options."""
    where.mkdir()

    def mount(options: str) -> None:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(where)],
            check=False,
            capture_output=True,
            text=True,
        )
        if done.returncode:
            pytest.skip(f"no disk can be mounted here: {done.stderr.strip()}")

    mount("size=32m")
    try:
        yield mount
    finally:
        subprocess.run(["umount", str(where)], check=True)


@pytest.mark.skipif(shutil.which("mount") is None, reason="no mount here")
@pytest.mark.parametrize(
    ("free_kb", "words"),
    [
        (0, "plant: No space left"),  # not even the log
        (48, ".parquet: "),  # some files are digested
        (160, "plant: No space left"),  # all are, and the proposals are not
        (300, "ledger"),  # the ledger is not
    ],
)
def test_a_disk_that_is_full_at_any_step(small, undisturbed, tmp_path, capsys, free_kb, words):
    with mounted(tmp_path / "disk") as mount:
        folder = tmp_path / "disk" / "plant"
        shutil.copytree(small, folder)
        used = shutil.disk_usage(folder).used // 1024
        mount(f"remount,size={used + free_kb}k")
        code, out, err = run(capsys, *night_words(folder, NIGHT_16))
        assert (code, out) == (1, "")
        assert words in err
        assert "Traceback" not in err
        assert not (folder / "night" / "state.json").exists()
        mount("remount,size=32m")
        assert run(capsys, *night_words(folder, NIGHT_16))[0] == 0
        assert left(folder) == undisturbed


@pytest.mark.skipif(shutil.which("mount") is None, reason="no mount here")
def test_a_disk_that_cannot_be_written(small, tmp_path, capsys):
    with mounted(tmp_path / "disk") as mount:
        folder = tmp_path / "disk" / "plant"
        shutil.copytree(small, folder)
        assert run(capsys, *night_words(folder, NIGHT_16))[0] == 0
        before = fingerprint(folder)
        mount("remount,ro")
        code, _, err = run(capsys, *night_words(folder, NIGHT_24))
        assert code == 1
        assert err == f"optimiser: {folder / 'night' / 'lock'}: Read-only file system\n"
        # What only reads still works.
        for command in ("watch", "waiting", "verify-ledger"):
            assert run(capsys, command, folder)[0] == 0
        mount("remount,rw")
        assert run(capsys, *night_words(folder, NIGHT_16))[0] == 0
        assert fingerprint(folder) == before


def test_a_clock_set_back_is_marked_and_the_chain_holds(small, capsys):
    assert run(capsys, *night_words(small, NIGHT_24))[0] == 0
    path = small / "plant.toml"
    path.write_text(path.read_text().replace("= 36.0", "= 90.0"))
    code, found = told(capsys, small, NIGHT_16)
    assert code == 0
    assert found["recorded"]
    ledger = Ledger(small / LEDGER)
    marked = [e.body.get("clock_back") for e in ledger.entries() if e.at.startswith("2026-01-21")]
    assert any(at is not None and at.startswith("2026-01-29") for at in marked)
    assert ledger.verify().valid
    before = left(small)
    code, found = told(capsys, small, NIGHT_25)
    assert (code, found["proposed"], left(small)) == (0, {}, before)


def test_the_second_of_two_nights_says_who_is_at_work(small):
    folder = small
    command = [sys.executable, "-m", "optimiser", *night_words(folder, NIGHT_24)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        lock = folder / "night" / "lock"
        deadline = time.monotonic() + 300
        while not lock.exists() or f"process {first.pid} since" not in lock.read_text():
            assert first.poll() is None, first.stderr.read()
            assert time.monotonic() < deadline
            time.sleep(0.01)
        first.send_signal(signal.SIGSTOP)  # so that it is at work for as long as the second asks
        try:
            second = subprocess.run(
                command, check=False, capture_output=True, text=True, timeout=600
            )
        finally:
            first.send_signal(signal.SIGCONT)
        out, err = first.communicate(timeout=600)
    assert (second.returncode, second.stdout) == (3, "")
    assert f"held by another run, process {first.pid} since 2026-01-29T02:00:00" in second.stderr
    assert (first.returncode, err) == (0, b"")
    items = sum(len(pd.read_parquet(p)) for p in (folder / "history").rglob("*.parquet"))
    assert f"{items:,} items" in out.decode()
    assert Ledger(folder / LEDGER).verify().valid
