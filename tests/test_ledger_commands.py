"""The commands of the ledger: what they print, write and refuse, with exit codes."""

import json
import sqlite3
from contextlib import closing
from types import SimpleNamespace

import pytest
from test_revision import SOT_OFFSET, TILT, Bench

from optimiser.caution import CAUTION
from optimiser.cli import main
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.ledger_tables import known_words


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path / "plant")
    bench.propose("CHIP", TILT, accept=())
    bench.propose("SOT", SOT_OFFSET, critical=True, accept=())
    return bench


def run(capsys, bench, command, *words):
    code = main([command, str(bench.folder), *map(str, words)])
    told = capsys.readouterr()
    return code, told.out, told.err


def signed(capsys, bench, command, *words, by="Ada", reason="boards looked at"):
    return run(capsys, bench, command, *words, "--by", by, "--reason", reason)


def plain(text):
    return " ".join(text.split())


def test_waiting_lists_what_waits(bench, capsys):
    code, out, err = run(capsys, bench, "waiting")
    assert (code, err) == (0, "")
    assert "tilt upper 3.5 → 4 deg" in out
    assert "offset upper 80 → 75 um" in out
    assert plain(out).endswith(CAUTION)
    signed(capsys, bench, "accept", 1)
    signed(capsys, bench, "accept", 2)
    _, out, _ = run(capsys, bench, "waiting")
    assert "one signature of two (Ada)" in out
    assert "accepted, waiting for export: 1 (CHIP)" in out
    code, out, _ = run(capsys, bench, "waiting", "--json")
    (row,) = json.loads(out)
    assert (row["proposal"], row["state"], row["critical"]) == (2, "one signature of two", True)
    assert [s["by"] for s in row["signatures"]] == ["Ada"]
    signed(capsys, bench, "hold", 2)
    _, out, _ = run(capsys, bench, "waiting")
    assert "no proposal waits for a signature" in out
    assert "put aside: 2 (SOT)" in out


def test_a_plant_without_a_ledger_waits_for_nothing(tmp_path, capsys):
    bench = Bench(tmp_path)
    code, out, _ = run(capsys, bench, "waiting")
    assert (code, "no proposal waits" in out) == (0, True)
    assert run(capsys, bench, "waiting", "--json")[1].strip() == "[]"
    assert "nothing was proposed yet" in run(capsys, bench, "history-of", "CHIP")[1]
    assert signed(capsys, bench, "export")[0] == 0
    assert not bench.ledger.path.exists()
    code, _, err = run(capsys, bench, "verify-ledger")
    assert (code, "there is no ledger" in err) == (1, True)


@pytest.mark.parametrize(
    ("verdict", "done", "state"),
    [
        ("accept", "accepted", "accepted"),
        ("hold", "held", "held"),
        ("reject", "rejected", "rejected"),
        ("withdraw", "withdrew", "withdrawn"),
    ],
)
def test_a_decision_is_written_and_told(bench, capsys, verdict, done, state):
    code, out, err = signed(capsys, bench, verdict, 1)
    assert (code, err) == (0, "")
    assert f"entry 3: Ada {done} proposal 1, CHIP: boards looked at" in out
    assert f"state: {state}" in out
    assert plain(out).endswith(CAUTION)
    entry = bench.ledger.entries()[-1]
    assert (entry.kind, entry.by, entry.reason) == (verdict, "Ada", "boards looked at")
    code, out, _ = signed(capsys, bench, verdict, 2, "--json")
    told = json.loads(out)
    assert (told["entry"]["id"], told["proposal"]["proposal"]) == (4, 2)


def test_the_second_signature_is_asked_for(bench, capsys):
    assert "a second, different person" in signed(capsys, bench, "accept", 2)[1]
    code, out, err = signed(capsys, bench, "accept", 2, by=" ADA ")
    assert (code, out) == (1, "")
    assert "nothing was saved" in err
    assert "state: accepted" in signed(capsys, bench, "accept", 2, by="Ben")[1]


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("accept", 9), 2, "no proposal 9; the latest are 2, 1; nothing was saved"),
        (("accept", 10**30), 2, "the latest are 2, 1"),
    ],
)
def test_wrong_decisions_are_refused(bench, capsys, words, code, told):
    found = signed(capsys, bench, *words)
    assert found[:2] == (code, "")
    assert told in found[2]
    assert len(bench.ledger.entries()) == 2


def test_blank_words_are_refused(bench, capsys):
    for command in (("accept", 1), ("hold", 1), ("export",), ("rollback", "--to", 7)):
        for words in ({"by": " "}, {"reason": ""}):
            code, out, err = signed(capsys, bench, *command, **words)
            assert (code, out) == (2, ""), command
            assert "nothing was saved" in err
    assert len(bench.ledger.entries()) == 2
    assert not (bench.folder / "revisions").exists()


@pytest.mark.parametrize("identifier", ["0", "-1", "x", "1.5"])
def test_a_number_is_a_number(bench, capsys, identifier):
    with pytest.raises(SystemExit, match="2"):
        signed(capsys, bench, "accept", identifier)
    assert "whole number" in capsys.readouterr().err or identifier == "-1"


def test_history_of_a_family(bench, capsys):
    signed(capsys, bench, "accept", 1)
    signed(capsys, bench, "export")
    signed(capsys, bench, "rollback", "--to", 7, reason="too many escapes")
    code, out, _ = run(capsys, bench, "history-of", "CHIP")
    assert code == 0
    for words in ("accept 1", "export 8", "rollback 9", "too many escapes", "rolled back"):
        assert words in out
    assert "offset" not in out
    assert plain(out).endswith(CAUTION)
    told = json.loads(run(capsys, bench, "history-of", "CHIP", "--json")[1])
    assert [e["kind"] for e in told["entries"]] == ["proposal", "accept", "export", "rollback"]
    assert told["proposals"][0]["state"] == "rolled back"
    assert [
        e["kind"]
        for e in json.loads(run(capsys, bench, "history-of", "SOT", "--json")[1])["entries"]
    ] == ["proposal"]
    code, _, err = run(capsys, bench, "history-of", "CHP")
    assert (code, "did you mean 'CHIP'" in err) == (2, True)


def test_verify_says_valid_and_the_head(bench, capsys):
    code, out, err = run(capsys, bench, "verify-ledger")
    head = bench.ledger.entries()[-1].hash
    assert (code, err) == (0, "")
    assert "valid; 2 entries" in " ".join(out.split())
    assert f"head: {head}" in out
    assert "in the chain" in run(capsys, bench, "verify-ledger", "--head", head)[1]
    assert run(capsys, bench, "verify-ledger", "--head", "a" * 64)[0] == 1
    told = json.loads(run(capsys, bench, "verify-ledger", "--json")[1])
    assert (told["valid"], told["head"], told["faults"]) == (True, head, [])


def test_verify_names_the_entry_that_was_changed(bench, capsys):
    with closing(sqlite3.connect(bench.ledger.path, isolation_level=None)) as connection:
        connection.execute("drop trigger entry_stays")
        connection.execute("update entry set by_whom = 'Eve' where id = 2")
    code, out, _ = run(capsys, bench, "verify-ledger")
    assert code == 1
    assert "NOT VALID" in " ".join(out.split())
    assert "entry 2 is not what was written" in out
    assert "entry_stays is missing" in out
    code, out, _ = run(capsys, bench, "verify-ledger", "--json")
    assert code == 1
    assert {(f["entry"], f["rule"]) for f in json.loads(out)["faults"]} == {
        (None, "guards"),
        (2, "hash"),
    }


def test_export_and_rollback_from_the_command_line(bench, capsys, tmp_path):
    signed(capsys, bench, "accept", 1)
    code, out, err = signed(capsys, bench, "export", "--to", tmp_path / "next.csv")
    assert (code, err) == (0, "")
    assert "revision 8, from live revision 7" in out
    assert "proposals exported: 1" in out
    assert plain(out).endswith(CAUTION)
    assert (tmp_path / "next.csv").read_bytes() == (bench.folder / "revisions/8.csv").read_bytes()
    code, out, _ = signed(capsys, bench, "export")
    assert (code, "nothing to export" in out) == (0, True)
    bench.make_live("8")
    code, out, _ = signed(capsys, bench, "rollback", "--to", "7")
    assert code == 0
    assert "revision 9 has the limits of revision 7" in out
    assert "proposals taken back: 1" in out
    assert plain(out).endswith(CAUTION)
    told = json.loads(signed(capsys, bench, "rollback", "--to", "8", "--json")[1])
    assert (told["revision"], told["restored"], told["base"]) == ("10", [1], "8")
    code, _, err = signed(capsys, bench, "rollback", "--to", "99")
    assert (code, "no revision '99'" in err) == (2, True)


def test_what_waits_is_promised_a_month_and_in_signed_words():
    """A change that calls more says more, no minus that is saved; counts of 60 days become a month's."""
    saved = {"value": -120.0, "low": -140.0, "high": -100.0}
    figures = {
        "span_days": 2 * DAYS_PER_MONTH,
        "promise": {
            "saving_per_month": {"value": 421.0, "low": 192.0, "high": None},
            "false_calls_saved": saved,
            "escapes_added": {"value": 2.0, "low": 0.0, "high": 6.0},
        },
    }
    entry = SimpleNamespace(body={"figures": figures, "limits": []})
    plant = SimpleNamespace(file=SimpleNamespace(plant=SimpleNamespace(currency="EUR")))
    first, *_ = known_words(SimpleNamespace(entry=entry), plant)
    assert first == (
        "promised: saving EUR 421 (192 to unknown) a month, 60 more (50 to 70) false calls, "
        "escapes added 1.0 (0.0 to 3.0); counts a month, from 61 days"
    )
    del figures["span_days"]
    first, *_ = known_words(SimpleNamespace(entry=entry), plant)
    assert "120 more (100 to 140) false calls" in first
    assert first.endswith("counts over the history")
    figures["promise"] |= {"in_sum": {"saving_per_month": saved}, "escapes_added": 2.0}
    first, *_ = known_words(SimpleNamespace(entry=entry), plant)
    assert "escapes" not in first
    figures["promise"] = {"in_sum": {}}
    first, *_ = known_words(SimpleNamespace(entry=entry), plant)
    assert first == "promised: nothing that is known here"


def test_a_conflict_is_exit_1_and_says_what_was_exported(bench, capsys):
    signed(capsys, bench, "accept", 1)
    for by in ("Ada", "Ben"):
        signed(capsys, bench, "accept", 2, by=by)
    bench.edit("CHIP,tilt,,3.5", "CHIP,tilt,,3.75")
    code, out, _ = signed(capsys, bench, "export")
    assert code == 1
    assert "proposals exported: 2" in out
    assert "tilt upper was 3.5 deg then and is 3.75 deg now" in plain(out)
    code, out, _ = signed(capsys, bench, "export", "--json")
    told = json.loads(out)
    assert (code, told["revision"]) == (1, None)
    assert told["conflicts"][0]["limits"] == [
        {"measurement": "tilt", "side": "upper", "unit": "deg", "then": 3.5, "now": 3.75}
    ]


def test_a_broken_ledger_is_told_by_every_command(bench, capsys):
    bench.ledger.path.write_text("no ledger " * 500)
    for command in (("waiting",), ("history-of", "CHIP"), ("verify-ledger",)):
        code, out, err = run(capsys, bench, *command)
        assert (code, out) == (1, "")
        assert "not a ledger" in err
    for command in (("accept", 1), ("export",), ("rollback", "--to", "7")):
        code, out, err = signed(capsys, bench, *command)
        assert (code, out) == (1, "")
        assert "not a ledger" in err
