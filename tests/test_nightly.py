"""Nights: they give what ``propose`` gives on the whole history, and survive being killed anywhere."""

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from factories import RECIPE, make_demo, make_items, make_plant, recipe_text, table, write_parquet

from optimiser import night as nights
from optimiser.cli import main
from optimiser.history.digest.store import sha_of_file
from optimiser.night import locked
from optimiser.proposal.cache import FOLDER, read_kept
from optimiser.proposal.month import Month
from optimiser.views.sentences import month_words

NOW = "2026-04-01T02:00:00"
QUICK = ("--trials", "4", "--workers", "1", "--now", NOW)
DAYS = 6
# Kills the process at the n-th point at which something is made durable or takes its name.
KILLED = """
import os, pathlib, sys
from optimiser.cli import main
left = int(sys.argv[1])
def dying(real, before):
    def run(*a, **k):
        global left
        left -= 1
        if left == 0 and before:
            os._exit(9)
        found = real(*a, **k)
        if left == 0:
            os._exit(9)
        return found
    return run
points = (os, "fsync"), *((pathlib.Path, name) for name in ("rename", "replace", "unlink"))
for owner, name in points:
    setattr(owner, name, dying(getattr(owner, name), left % 2))
code = main(sys.argv[2:])
print(left, file=sys.stderr)
sys.exit(code)
"""


def run(capsys, *words) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main([*map(str, words)])
    told = capsys.readouterr()
    return code, told.out, told.err


def nightly(capsys, folder, *words) -> tuple[int, dict]:
    code, out, err = run(capsys, "nightly", folder, *QUICK, "--json", *words)
    return code, json.loads(out) if out else {"said": err}


def daily(where: Path, items) -> None:
    for day in range(DAYS):
        write_parquet(where / f"{day}.parquet", items[day * 80 : (day + 1) * 80])


@pytest.fixture
def folder(tmp_path) -> Path:
    """A plant of six days; the last has not come yet."""
    made = make_plant(tmp_path / "plant", write=daily)
    (made / "history" / "5.parquet").rename(made / "5.parquet")
    return made


def last_day_comes(folder: Path) -> None:
    (folder / "5.parquet").rename(folder / "history" / "5.parquet")


def proposals(capsys, folder: Path, tmp_path: Path) -> list[dict]:
    """Return what ``propose`` gives for the same history, apart from what nights kept."""
    copy = tmp_path / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("night", FOLDER))
    code, out, _ = run(capsys, "propose", copy, *QUICK[:4], "--json")
    assert code == 0
    return json.loads(out)


def kept(folder: Path) -> list[dict]:
    """Return the proposals that stand after a night."""
    state = json.loads((folder / "night" / "state.json").read_text())["families"]
    files = (next((folder / FOLDER).glob(f"*-{s['kept']}")) for s in state.values())
    return without_shares(read_kept(f)[0].as_dict() for f in files)


def without_shares(rows) -> list[dict]:
    """Return proposals by family, as a file keeps them.

    Their shares are worked out over those that are shown, their month where it is shown.
    """
    shown = ("escape_share", "month", "why")
    found = [{k: v for k, v in row.items() if k not in shown} for row in rows]
    return sorted(found, key=lambda r: r["family"])


def entries(folder: Path) -> list[tuple]:
    with sqlite3.connect(folder / "ledger.sqlite") as con:
        rows = con.execute("select * from entry order by id").fetchall()
    con.close()
    return rows


def log(folder: Path) -> list[dict]:
    return [json.loads(x) for x in (folder / "night" / "log.jsonl").read_text().splitlines()]


def test_nights_give_what_propose_gives_on_the_whole_history(folder, capsys, tmp_path):
    code, first = nightly(capsys, folder)
    assert code == 0
    assert first["digested"] == first["digests"] == 5
    assert set(first["proposed"].values()) == {"never proposed"}
    assert kept(folder) == without_shares(proposals(capsys, folder, tmp_path))
    last_day_comes(folder)
    code, second = nightly(capsys, folder)
    assert code == 0
    assert second["items"] == 480
    assert set(second["proposed"]) == {"CHIP", "SOT"}
    assert kept(folder) == without_shares(proposals(capsys, folder, tmp_path))
    assert second["change"], "nothing to write into the ledger"
    assert second["recorded"] == second["change"]


def test_a_night_without_news_leaves_all_as_it_is(folder, capsys):
    nightly(capsys, folder)
    before = fingerprint(folder)
    code, second = nightly(capsys, folder)
    assert code == 0
    assert (second["digested"], second["proposed"]) == (0, {})
    assert second["stand"] == ["CHIP", "SOT"]
    assert fingerprint(folder) == before
    code, out, _ = run(capsys, "nightly", folder, *QUICK)
    assert code == 0
    assert len(out.splitlines()) == 1
    assert "0 families proposed, 2 stand" in out
    # The plant's one sentence, alike in the night's line, its log and what `propose` says.
    said = month_words(Month.from_dict(second["month"]), currency="EUR")
    assert said.rstrip(".") in out
    assert log(folder)[-1]["month"] == second["month"]
    assert said in " ".join(run(capsys, "last-night", folder)[1].split())
    assert said in " ".join(run(capsys, "propose", folder, *QUICK[:4])[1].split())


def test_only_what_is_due_is_proposed_anew(tmp_path, capsys):
    items = make_items()
    folder = make_plant(tmp_path / "plant", items=items, write=daily)
    nightly(capsys, folder)
    # A day with one item of each family, then a labelled defect, then a week of nothing.
    start = items[-1]["time"]
    steps = (
        ({"verdict": None, "found_by": None, "called": None}, timedelta(days=1), {}),
        (
            {"verdict": "defect", "found_by": "test", "called": None},
            timedelta(days=2),
            {"CHIP": "1 new labelled defects"},
        ),
        (
            {"verdict": None, "found_by": None, "called": None},
            timedelta(days=9.5),
            dict.fromkeys(("CHIP", "SOT"), "7 days since the last"),
        ),
    )
    for n, (cells, later, expected) in enumerate(steps):
        item = {**items[1], **cells, "time": start + later, "board": f"late{n}"}
        write_parquet(folder / "history" / f"late{n}.parquet", [item])
        code, found = nightly(capsys, folder)
        assert (code, found["proposed"]) == (0, expected)
    more = [{**i, "time": i["time"] + timedelta(days=30), "board": "x" + i["board"]} for i in items]
    more = [{**i, "verdict": None, "called": None} for i in more if i["family"] == "SOT"][:100]
    write_parquet(folder / "history" / "more.parquet", more)
    assert nightly(capsys, folder)[1]["proposed"]["SOT"] == "+100 items since"


def test_a_changed_price_concerns_all(folder, capsys):
    nightly(capsys, folder)
    path = folder / "plant.toml"
    path.write_text(path.read_text().replace("= 36.0", "= 37.0"))
    found = nightly(capsys, folder)[1]
    assert set(found["proposed"]) == {"CHIP", "SOT"}
    assert found["digested"] == 0
    assert "changed" in found["proposed"]["SOT"]


def test_a_truncated_file_is_named_and_the_others_go_on(folder, capsys):
    nightly(capsys, folder)
    last_day_comes(folder)
    path = folder / "history" / "5.parquet"
    content = path.read_bytes()
    path.write_bytes(content[:500])
    code, found = nightly(capsys, folder)
    assert code == 1
    assert list(found["problems"]) == [str(path)]
    assert found["items"] == 400
    code, out, err = run(capsys, "nightly", folder, *QUICK)
    assert (code, "1 files failed" in out) == (1, True)
    assert "5.parquet: not a whole Parquet file" in err
    path.write_bytes(content)
    code, found = nightly(capsys, folder)
    assert (code, found["items"], found["problems"]) == (0, 480, {})


def test_an_empty_inbox(tmp_path, folder, capsys):
    empty = make_plant(tmp_path / "empty", items=[])
    code, found = nightly(capsys, empty)
    assert code == 1
    assert "no result files" in found["said"]
    assert [e["event"] for e in log(empty)] == ["begin", "broken off"]
    nightly(capsys, folder)
    state = (folder / "night" / "state.json").read_bytes()
    for path in (folder / "history").iterdir():
        path.unlink()
    assert nightly(capsys, folder)[0] == 1
    assert (folder / "night" / "state.json").read_bytes() == state


def test_a_recipe_that_the_machine_did_not_run_stops_as_propose_does(folder, capsys):
    nightly(capsys, folder)
    state = (folder / "night" / "state.json").read_bytes()
    wrong = (("family", "CHIP", "tilt", "", "2", "deg"), *RECIPE[1:])
    (folder / "recipe.csv").write_text(recipe_text(wrong))
    code, _, said = run(capsys, "nightly", folder, *QUICK)
    assert code == 1
    code, _, expected = run(capsys, "propose", folder, *QUICK[:4])
    assert code == 1
    assert said == expected
    assert "does not reproduce the recorded call" in said
    assert (folder / "night" / "state.json").read_bytes() == state


def test_a_bad_family_is_named_and_the_others_go_on(folder, capsys, monkeypatch):
    from optimiser.proposal import all_families as runs

    real = runs.propose_with_study

    def failing(case, **words):
        if case.tally.family == "CHIP":
            raise ZeroDivisionError("nothing to divide by")
        return real(case, **words)

    monkeypatch.setattr(runs, "propose_with_study", failing)
    code, found = nightly(capsys, folder)
    assert code == 1
    assert found["failed"] == {"CHIP": "ZeroDivisionError: nothing to divide by"}
    assert found["stand"] == []
    assert [r["family"] for r in kept(folder)] == ["SOT"]
    monkeypatch.undo()
    code, found = nightly(capsys, folder)
    assert (code, list(found["proposed"])) == (0, ["CHIP"])
    # Failing later leaves what stood, and is tried again.
    stood = kept(folder)
    monkeypatch.setattr(runs, "propose_with_study", failing)
    last_day_comes(folder)
    assert nightly(capsys, folder)[0] == 1
    assert kept(folder)[0] == stood[0]
    monkeypatch.undo()
    assert "CHIP" in nightly(capsys, folder)[1]["proposed"]


def test_a_ledger_that_cannot_be_written_is_said_and_tried_again(folder, capsys):
    last_day_comes(folder)
    (folder / "ledger.sqlite").write_text("not a ledger at all, but long enough to be looked at")
    code, found = nightly(capsys, folder)
    assert code == 1
    assert "ledger.sqlite" in found["said"]
    assert not (folder / "night" / "state.json").exists()
    assert {e["event"] for e in log(folder)} >= {"proposed", "failed", "broken off"}
    (folder / "ledger.sqlite").unlink()
    code, found = nightly(capsys, folder)
    assert (code, found["recorded"]) == (0, found["change"])
    assert found["recorded"]
    assert len(entries(folder)) == len(found["recorded"])


def test_two_nights_at_once(folder, capsys):
    with locked(folder / "night", lambda: datetime(2026, 4, 1, tzinfo=UTC)):
        code, out, err = run(capsys, "nightly", folder, *QUICK)
    assert (code, out) == (3, "")
    assert f"process {os.getpid()} since 2026-04-01T00:00:00+00:00" in err
    assert run(capsys, "nightly", folder, *QUICK)[0] == 0


def test_two_processes_at_once(folder):
    command = [sys.executable, "-m", "optimiser", "nightly", str(folder), *QUICK]
    both = [
        subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        for _ in range(2)
    ]
    said = [p.communicate(timeout=600)[1] for p in both]
    codes = [p.returncode for p in both]
    # Where one began after the other had ended, both are done.
    assert sorted(codes) in ([0, 3], [0, 0])
    assert all(b"held by another run" in words for c, words in zip(codes, said, strict=True) if c)
    assert len(entries_if_any(folder)) <= 2


def entries_if_any(folder: Path) -> list[tuple]:
    return entries(folder) if (folder / "ledger.sqlite").exists() else []


def fingerprint(folder: Path) -> dict:
    """Return all that a night leaves, but its log and what it noted of files."""
    # A proposal half written when a night was killed stays as a draft, which nobody reads.
    wanted = [p for p in (folder / "night" / "digests").rglob("*") if p.is_file()]
    wanted += (folder / FOLDER).glob("*.json")
    files = {str(path.relative_to(folder)): sha_of_file(path) for path in sorted(wanted)}
    state = json.loads((folder / "night" / "state.json").read_text())
    return {"files": files, "state": state, "ledger": entries_if_any(folder)}


@pytest.fixture(scope="module")
def before_the_night(tmp_path_factory) -> Path:
    """Seven families of a demo of 20 days, 19 of them digested and proposed on, the last in the inbox."""
    folder = tmp_path_factory.mktemp("nights") / "plant"
    families = ("CAP-0402", "CON-10", "PASTE-CHIP", "PASTE-FINE", "QFN-16", "RES-0402", "SOT-6")
    make_demo(folder, families, days=20, items_per_day=1_500, seed=3)
    days = sorted((folder / "history").iterdir())
    days[-1].rename(folder / days[-1].name)
    assert main(["nightly", str(folder), *QUICK]) == 0
    (folder / days[-1].name).rename(days[-1])
    return folder


class Trial:
    """One night on a copy of a plant, killed and run again, against the undisturbed one."""

    def __init__(self, prepared: Path, where: Path) -> None:
        self.prepared, self.folder = prepared, where / "plant"
        self.command = ["nightly", str(self.folder), *QUICK]
        self.fresh()
        started = time.monotonic()
        assert self.finish() == 0
        self.seconds = time.monotonic() - started
        self.expected = fingerprint(self.folder)
        assert self.expected != fingerprint(prepared)

    def fresh(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self.prepared, self.folder, copy_function=shutil.copy2)

    def start(self, *words: str) -> subprocess.Popen:
        return subprocess.Popen(
            [sys.executable, *words, *self.command],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )

    def finish(self) -> int:
        with self.start("-m", "optimiser") as process:
            process.communicate(timeout=600)
        return process.returncode

    def check(self) -> None:
        before = (self.prepared / "night" / "state.json").read_bytes()
        state = (self.folder / "night" / "state.json").read_bytes()
        # What stands after the kill is the last good state or the new one, whole.
        assert state == before or json.loads(state) == self.expected["state"]
        assert self.finish() == 0
        assert fingerprint(self.folder) == self.expected

    def kill_after(self, seconds: float) -> bool:
        """Return whether the kill came before the end."""
        self.fresh()
        with self.start("-m", "optimiser") as process:
            try:
                process.wait(timeout=seconds)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
        self.check()
        return process.returncode == -signal.SIGKILL

    def kill_at(self, point: int) -> bool:
        """Return whether there is such a point."""
        self.fresh()
        with self.start("-c", KILLED, str(point)) as process:
            process.communicate(timeout=600)
        assert process.returncode in (0, 9)
        self.check()
        return process.returncode == 9


def kill_at_random(prepared: Path, where: Path, times: int) -> None:
    """Kill so many nights; one that ended before its kill does not count."""
    trial, rng = Trial(prepared, where), random.Random(times)
    tried = killed = 0
    while killed < times:
        tried += 1
        killed += trial.kill_after(rng.uniform(0.2, 0.9) * trial.seconds)
        assert tried < 3 * times


@pytest.mark.slow
@pytest.mark.ci
def test_a_few_kills_at_random_moments(before_the_night, tmp_path):
    kill_at_random(before_the_night, tmp_path, 2)


@pytest.mark.slow
def test_thirty_kills_at_random_moments(before_the_night, tmp_path):
    kill_at_random(before_the_night, tmp_path, 30)


@pytest.mark.slow
def test_a_kill_around_every_write(before_the_night, tmp_path):
    trial, point = Trial(before_the_night, tmp_path), 1
    while trial.kill_at(point):
        point += 1
    assert point > 12


@pytest.mark.slow
def test_a_kill_around_the_digest_of_a_small_plant(folder, tmp_path, capsys):
    nightly(capsys, folder)
    last_day_comes(folder)
    trial = Trial(folder, tmp_path / "trial")
    for point in (3, 6):
        assert trial.kill_at(point)


def test_the_first_night_killed_while_it_digests(folder, tmp_path):
    """Digests made before the kill are not made again."""
    last_day_comes(folder)
    command = [sys.executable, "-c", KILLED, "20", "nightly", str(folder), *QUICK]
    assert subprocess.run(command, check=False, capture_output=True).returncode == 9
    made = [p for p in (folder / "night" / "digests").iterdir() if not p.name.startswith(".")]
    assert 0 < len(made) < DAYS
    assert not (folder / "night" / "state.json").exists()
    assert main(["nightly", str(folder), *QUICK]) == 0
    again = [e for e in log(folder) if e["event"] == "digested"]
    assert len(again) == DAYS


def test_stopped_by_hand(folder, capsys, monkeypatch):
    monkeypatch.setattr(nights, "propose_all", lambda cases, **_: ([], True))
    code, found = nightly(capsys, folder)
    assert (code, found["interrupted"], found["stand"]) == (130, True, [])
    monkeypatch.undo()
    assert nightly(capsys, folder)[0] == 0


def test_called_wrongly(folder, capsys):
    with pytest.raises(SystemExit) as error:
        main(["nightly", str(folder), "--now", "yesterday"])
    assert error.value.code == 2
    assert "must be a time such as" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["nightly", "--help"])
    assert "3 another run is under way" in " ".join(capsys.readouterr().out.split())


def test_late_verdicts_are_counted(tmp_path, capsys):
    items = make_items()
    folder = make_plant(tmp_path / "plant", toml=table(plant={"verdicts": "told.csv"}), write=daily)
    (folder / "told.csv").write_text(
        "stage,board,designator,pin,time,verdict,found_by\n"
        f"post-reflow,{items[5]['board']},{items[5]['designator']},,{items[5]['time']},defect,test\n"
        "post-reflow,nowhere,R1,,2026-03-02 08:00:00,defect,test\n"
        "post-reflow,nowhere,R1,,2026-03-02 08:00:00,odd,test\n"
    )
    assert nightly(capsys, folder)[0] == 0
    (event,) = [e for e in log(folder) if e["event"] == "verdicts"]
    assert (event["found"], event["without_item"], event["broken"]) == (1, 1, 1)
