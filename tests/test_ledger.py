"""The ledger: what it records, whom it lets decide, what it notices, how it fails."""

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from contextlib import closing
from datetime import UTC, date, datetime, timedelta, timezone
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser.errors import ConflictError, LedgerError, UsageError
from optimiser.ledger import schema as ledger_schema
from optimiser.ledger.chain import Fault, check_on
from optimiser.ledger.ledger import Basis, Ledger
from optimiser.ledger.rows import FIELDS, canonical, digest, rows_of
from optimiser.ledger.standing import same_person

BASIS = Basis(history="aa", recipe="bb", plant="cc", version="0", seed=7)
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
START_TEXT = "2026-03-02T06:00:00.000000+00:00"
VERDICTS = ("accept", "hold", "reject", "withdraw")


def move(proposed=4.0, now=3.5, measurement="tilt", side="upper"):
    return {
        "measurement": measurement,
        "side": side,
        "unit": "deg",
        "now": now,
        "proposed": proposed,
        "rail": "",
    }


def propose(ledger, family="CHIP", *limits, critical=False, **changed):
    given_words = {
        "by": "night",
        "reason": "",
        "origin": "recommended",
        "critical": critical,
        "basis": BASIS,
        "figures": {"saving": 12.5},
    }
    return ledger.propose(family, limits or (move(),), **(given_words | changed))


def decide(ledger, proposal, verdict, by="Ada Quill", reason="looked at the boards"):
    return ledger.decide(proposal, verdict, by=by, reason=reason)


def write(ledger, kind, body, by="Ada", reason="go"):
    return ledger.write(kind, by=by, reason=reason, body=body)


def state_of(ledger, proposal):
    return next(s for s in ledger.states() if s.entry.id == proposal).state


@pytest.fixture
def ledger(tmp_path):
    ticks = iter(range(10_000))
    return Ledger(tmp_path / "ledger.sqlite", now=lambda: START + timedelta(seconds=next(ticks)))


def raw(ledger):
    return closing(sqlite3.connect(ledger.path, isolation_level=None))


def contents(ledger):
    with raw(ledger) as connection:
        return connection.execute(f"select {FIELDS} from entry order by id").fetchall()


# What is recorded


def test_nothing_was_written_yet(ledger):
    assert ledger.entries() == []
    assert ledger.states() == []
    assert not ledger.path.exists()


def test_entries_are_numbered_chained_and_read_back(ledger):
    made = [propose(ledger), decide(ledger, 1, "hold"), propose(ledger, "SOT")]
    assert ledger.entries() == made
    assert [e.id for e in made] == [1, 2, 3]
    assert made[0].previous == "0" * 64
    assert [e.previous for e in made[1:]] == [e.hash for e in made[:-1]]
    assert made[0].at == "2026-03-02T06:00:00.000000+00:00"
    assert made[1].family == "CHIP"
    assert made[0].body["limits"] == [move()]
    assert made[0].body["basis"]["seed"] == 7
    assert ledger.entries(family="CHIP") == made[:2]
    assert ledger.entries(kind="proposal") == [made[0], made[2]]
    assert ledger.entries(since=2) == made[2:]
    found = ledger.verify()
    assert (found.valid, found.entries, found.head, found.notes) == (True, 3, made[-1].hash, ())


def test_a_hash_is_the_hash_of_what_stands_there(ledger):
    """Worked out by other means than the package's."""
    propose(ledger)
    (row,) = contents(ledger)
    text = json.dumps(list(row[:-1]), separators=(",", ":"))
    assert row[-1] == hashlib.sha256(text.encode()).hexdigest()


def test_the_clock_may_stand_in_any_zone(tmp_path):
    zone = timezone(timedelta(hours=5, minutes=30))
    entry = propose(Ledger(tmp_path / "l", now=lambda: START.astimezone(zone)))
    assert entry.at == START_TEXT
    with pytest.raises(UsageError, match="time zone"):
        propose(Ledger(tmp_path / "m", now=lambda: START.replace(tzinfo=None)))


def test_a_clock_set_back_is_marked_and_noted(tmp_path):
    times = iter([START, START - timedelta(hours=3), START])
    ledger = Ledger(tmp_path / "l", now=lambda: next(times))
    propose(ledger)
    back = decide(ledger, 1, "hold")
    on = decide(ledger, 1, "hold")
    assert back.at < "2026-03-02T06"
    assert back.body["clock_back"] == START_TEXT
    assert "clock_back" not in on.body
    found = ledger.verify()
    assert found.valid
    assert found.notes == (f"entry 2: the clock had been set back, from {START_TEXT} to {back.at}",)
    assert filled(ledger).verify().notes == ()  # all of one moment


@pytest.mark.parametrize(
    "text", ["O'Neil; drop table entry", "Zoë Ünal", "名前", 'a"b\\c', "x" * 5000]
)
def test_any_words_come_back(ledger, text):
    propose(ledger, text, figures={text: text})
    entry = decide(ledger, 1, "accept", by=text, reason=text)
    assert (entry.by, entry.reason, entry.family) == (text, text, text)
    assert ledger.entries()[0].body["figures"] == {text: text}
    assert ledger.verify().valid


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=8,
    )
)
def test_a_value_has_one_text(value):
    text = canonical({"v": value})
    assert canonical(json.loads(text)) == text
    json.loads(text, parse_constant=pytest.fail)  # NaN and Infinity are no JSON
    assert text.isascii()


def test_the_one_text_of_a_value_is_json_without_blanks_its_keys_in_order():
    value = {"b": (1, 2.5), "a": {"\u00fc": None, "c": True}, "n": np.float32("nan")}
    assert canonical(value) == '{"a":{"c":true,"\\u00fc":null},"b":[1,2.5],"n":null}'
    assert canonical({"d": date(2026, 3, 2), "i": -np.inf}) == '{"d":"2026-03-02","i":null}'


def test_what_is_no_json_value_is_told():
    own: list[object] = []
    own.append(own)
    for value in (object(), {1, 2}, {"x": np.arange(2)}, own, {(1, 2): 3}):
        with pytest.raises(UsageError, match=r"^cannot be recorded as JSON \(.+\): use texts"):
            canonical(value)


def test_a_hash_tells_every_cell_from_every_other():
    """Null is not the empty text, a number no text, bytes no text of theirs, and order counts."""
    rows = [
        (1, "a"),
        ("1", "a"),
        ("a", 1),
        (None, "a"),
        ("", "a"),
        (b"a", "a"),
        ("61", "a"),
        ("1a",),
    ]
    assert len({digest(row) for row in rows}) == len(rows)
    text = '[null,"\\u00fc",{"blob":"00ff"}]'
    told = digest((None, "\u00fc", b"\x00\xff"))
    assert told == hashlib.sha256(text.encode()).hexdigest()


def test_rows_come_in_their_order_and_only_those_asked_for(ledger):
    made = [propose(ledger), decide(ledger, 1, "hold"), propose(ledger, "SOT")]
    with raw(ledger) as connection:
        assert rows_of(connection) == made
        assert rows_of(connection, "where family = ? and kind = ?", ("CHIP", "hold")) == [made[1]]
    cells = contents(ledger)
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute(f"create table entry ({FIELDS})")
        marks = ",".join("?" * len(cells[0]))
        connection.executemany(f"insert into entry values ({marks})", cells[::-1])
        assert rows_of(connection) == made
        connection.execute("update entry set body = '{' where id = 2")
        with pytest.raises(LedgerError, match=r"^an entry's body is no JSON \(.+\): verify-ledger"):
            rows_of(connection)


def test_infinite_figures_become_null_and_numpy_numbers_plain(ledger):
    entry = propose(
        ledger, figures={"a": float("inf"), "b": np.float32(0.5), "c": np.int64(3), "d": (1, 2)}
    )
    assert entry.body["figures"] == {"a": None, "b": 0.5, "c": 3, "d": [1, 2]}
    assert entry == ledger.entries()[0]


def test_proposing_the_same_again_appends_nothing(ledger):
    limits = (move(), move(60.0, 55.0, "offset"))
    first = propose(ledger, "CHIP", *limits)
    assert propose(ledger, "CHIP", *reversed(limits)) == first
    assert propose(ledger, "CHIP", *limits, by="somebody else") == first
    decide(ledger, 1, "hold")
    assert propose(ledger, "CHIP", *limits) == first
    decide(ledger, 1, "accept")
    assert propose(ledger, "CHIP", *limits) == first
    assert len(ledger.entries()) == 3
    decide(ledger, 1, "withdraw")
    assert propose(ledger, "CHIP", *limits).id == 5


@pytest.mark.parametrize(
    "changed",
    [
        {"origin": "hand"},
        {"figures": {}},
        {"basis": Basis(history="zz", recipe="bb", plant="cc", version="0", seed=7)},
        {"limits": (move(4.5),)},
        {"family": "SOT"},
    ],
)
def test_anything_else_is_another_proposal(ledger, changed):
    propose(ledger)
    words = {k: v for k, v in changed.items() if k not in ("family", "limits")}
    again = propose(ledger, changed.get("family", "CHIP"), *changed.get("limits", ()), **words)
    assert again.id == 2


@pytest.mark.parametrize(
    ("limits", "changed", "words"),
    [
        ((), {"by": " "}, "a name is needed"),
        ((), {"by": "Ada\u200b"}, "cannot be printed"),
        ((), {"origin": "guess"}, "known: front, hand, recommended"),
        ((), {"figures": {"x": object()}}, "cannot be recorded"),
        ((move(3.5),), {}, "tilt upper stays"),
        ((move(), move(5.0)), {}, "each limit that moves once"),
        ((move(side="left"),), {}, "lower or upper"),
        (({"measurement": "tilt"},), {}, "'side' is missing"),
    ],
)
def test_what_cannot_be_recorded_is_refused(ledger, limits, changed, words):
    with pytest.raises(UsageError, match=words) as caught:
        propose(ledger, "CHIP", *limits, **changed)
    assert "nothing was saved" in str(caught.value)
    assert not ledger.path.exists()


def test_an_alarm_is_kept_and_changes_no_standing(ledger):
    propose(ledger)
    alarm = ledger.watch("CHIP", by="night", reason="", body={"late": 3}, proposal=1)
    assert (alarm.kind, alarm.proposal, alarm.body) == ("watch", 1, {"late": 3})
    assert ledger.watch("SOT", by="night", reason="", body={}).proposal is None
    with pytest.raises(LedgerError, match="speaks of a proposal of its family"):
        ledger.watch("SOT", by="night", reason="", body={}, proposal=1)
    assert state_of(ledger, 1) == "waiting"
    assert ledger.verify().valid


# Who decides what


def test_one_signature_accepts(ledger):
    propose(ledger)
    assert state_of(ledger, 1) == "waiting"
    entry = decide(ledger, 1, "accept")
    (state,) = ledger.states()
    assert state.state == "accepted"
    assert [(s.by, s.at) for s in state.signatures] == [("Ada Quill", entry.at)]
    assert (state.decided_at, state.last, state.exported_in) == (entry.at, entry, None)
    with pytest.raises(ConflictError, match="accepted already, by Ada Quill"):
        decide(ledger, 1, "accept", by="Ben")


def test_a_critical_family_needs_two_people(ledger):
    propose(ledger, critical=True, by="Ada Quill", origin="hand")
    decide(ledger, 1, "accept", by="Ada Quill")  # who proposed may be one of the two
    assert state_of(ledger, 1) == "one signature of two"
    for same in ("Ada Quill", " ada  quill", "ADA QUILL\u00a0", "\uff21da Quill"):
        with pytest.raises(ConflictError, match="second, different person"):
            decide(ledger, 1, "accept", by=same)
    assert len(ledger.entries()) == 2
    decide(ledger, 1, "accept", by="Ben Moss")
    (state,) = ledger.states()
    assert (state.state, len(state.signatures)) == ("accepted", 2)
    with pytest.raises(ConflictError, match="accepted already"):
        decide(ledger, 1, "accept", by="Cy")


def test_holding_takes_signatures_away(ledger):
    propose(ledger, critical=True)
    decide(ledger, 1, "accept", by="Ada")
    decide(ledger, 1, "hold", by="Ben")
    decide(ledger, 1, "hold", by="Ben")
    assert (ledger.states()[0].state, ledger.states()[0].signatures) == ("held", ())
    decide(ledger, 1, "accept", by="Ada")
    assert state_of(ledger, 1) == "one signature of two"


@pytest.mark.parametrize("end", ["reject", "withdraw"])
@pytest.mark.parametrize("again", VERDICTS)
@pytest.mark.parametrize("before", [(), ("hold",), ("accept",)])
def test_an_end_is_final(ledger, end, again, before):
    propose(ledger)
    for verdict in before:
        decide(ledger, 1, verdict)
    decide(ledger, 1, end)
    assert state_of(ledger, 1) == {"reject": "rejected", "withdraw": "withdrawn"}[end]
    count = len(ledger.entries())
    with pytest.raises(ConflictError, match="final; make a new proposal; nothing was saved"):
        decide(ledger, 1, again)
    assert len(ledger.entries()) == count


def test_an_accepted_newer_proposal_ends_older_ones(ledger):
    for n in range(4):
        propose(ledger, "CHIP", move(4.0 + n))
    propose(ledger, "SOT")
    decide(ledger, 2, "reject")
    decide(ledger, 1, "accept")
    decide(ledger, 3, "accept")
    assert [s.state for s in ledger.states()] == [
        "superseded",
        "rejected",
        "accepted",
        "waiting",
        "waiting",
    ]
    decide(ledger, 3, "withdraw")
    assert state_of(ledger, 1) == "superseded"
    with pytest.raises(ConflictError, match="superseded, which is final"):
        decide(ledger, 1, "accept")
    decide(ledger, 4, "accept")


@pytest.mark.parametrize(
    ("by", "reason", "words"),
    [
        ("", "why", "name is needed"),
        ("\u00a0\t", "why", "name is needed"),
        ("Ada\nBen", "why", "cannot be printed"),
        ("Ada", " \n", "needs a reason"),
        ("Ada", "a\x1b[31m", "cannot be printed"),
        ("Ada", "a\udc80", "cannot be printed"),
    ],
)
@pytest.mark.parametrize("verdict", VERDICTS)
def test_a_decision_is_signed(ledger, by, reason, words, verdict):
    propose(ledger)
    with pytest.raises(UsageError, match=words):
        decide(ledger, 1, verdict, by, reason)
    assert len(ledger.entries()) == 1


def test_only_proposals_are_decided(ledger):
    with pytest.raises(UsageError, match="holds none yet"):
        decide(ledger, 1, "accept")
    assert not ledger.path.exists()
    propose(ledger)
    decide(ledger, 1, "hold")
    for unknown in (2, 3, 0, -1, 10**30):
        with pytest.raises(UsageError, match=rf"no proposal {unknown}; the latest are 1"):
            decide(ledger, unknown, "accept")
    with pytest.raises(UsageError, match=r"unknown verdict 'accepts'.*did you mean 'accept'"):
        decide(ledger, 1, "accepts")


def test_an_exported_proposal_is_not_decided_again(ledger):
    propose(ledger)
    with pytest.raises(ConflictError, match="must be accepted for this export, it is waiting"):
        write(ledger, "export", {"revision": "8", "proposals": [1]})
    decide(ledger, 1, "accept")
    write(ledger, "export", {"revision": "8", "proposals": [1]})
    (state,) = ledger.states()
    assert (state.state, state.exported_in) == ("exported", "8")
    for verdict in VERDICTS:
        with pytest.raises(ConflictError, match=r"exported in revision 8.*rollback"):
            decide(ledger, 1, verdict)
    with pytest.raises(ConflictError, match="it is exported"):
        write(ledger, "export", {"revision": "9", "proposals": [1]})
    with pytest.raises(ConflictError, match="revision 8 was written before"):
        write(ledger, "export", {"revision": "8", "proposals": []})
    write(ledger, "rollback", {"revision": "9", "proposals": [1]})
    assert state_of(ledger, 1) == "rolled back"
    assert len(ledger.entries()) == 4
    assert ledger.verify().valid


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 3),
            st.sampled_from(VERDICTS),
            st.sampled_from(["Ann", "ann ", "Bo", "Cy"]),
        ),
        max_size=12,
    )
)
def test_no_order_of_decisions_gets_past_the_signatures(tmp_path_factory, steps):
    """Whatever is tried in whatever order: accepted means signed, and since the last doubt."""
    ledger = Ledger(tmp_path_factory.mktemp("l") / "l")
    propose(ledger, "A", critical=True)
    propose(ledger, "A", move(5.0), critical=True)
    propose(ledger, "B")
    for proposal, verdict, by in steps:
        try:
            decide(ledger, proposal, verdict, by)
        except ConflictError:
            continue
    for state in ledger.states():
        told = [e for e in ledger.entries() if e.proposal == state.entry.id]
        doubts = [n for n, e in enumerate(told) if e.kind != "accept"]
        since = told[doubts[-1] + 1 :] if doubts else told
        people = {same_person(e.by) for e in since}
        assert len(people) == len(since)
        if state.state == "accepted":
            assert len(people) == (2 if state.critical else 1)
            assert told[-1].kind == "accept"
        if any(e.kind in ("reject", "withdraw") for e in told):
            assert state.state in ("rejected", "withdrawn")
            assert told[-1].kind in ("reject", "withdraw")
    assert ledger.verify().valid


# What the file itself refuses


@cache
def six_entries():
    """Return the bytes of a small ledger, made once."""
    with TemporaryDirectory() as folder:
        ledger = Ledger(Path(folder) / "l", now=lambda: START)
        propose(ledger)
        decide(ledger, 1, "hold")
        propose(ledger, "SOT", critical=True)
        decide(ledger, 3, "accept", "Ada")
        decide(ledger, 3, "accept", "Ben")
        decide(ledger, 1, "accept")
        assert [p.name for p in Path(folder).iterdir()] == ["l"]
        return ledger.path.read_bytes()


def filled(ledger):
    ledger.path.write_bytes(six_entries())
    return ledger


def next_row(ledger, **changed):
    last = contents(ledger)[-1]
    names = FIELDS.split(", ")
    row = dict(
        zip(
            names,
            (last[0] + 1, "2027", "hold", "CHIP", 1, "Eve", "why", "{}", last[-1]),
            strict=False,
        )
    )
    row |= changed
    row["hash"] = changed.get("hash", digest(list(row.values())))
    return [row[name] for name in names]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"id": 3}, "next number"),
        ({"id": 9}, "next number"),
        ({"id": None}, "next number"),
        ({"previous": "0" * 64}, "hash of the one before"),
        ({"hash": "none"}, "hash of the one before"),
        ({"kind": "approve"}, "unknown kind"),
        ({"by_whom": " \u00a0"}, "name and a reason"),
        ({"reason": "\t"}, "name and a reason"),
        ({"kind": "export", "family": None, "proposal": None, "reason": ""}, "name and a reason"),
        (
            {"kind": "rollback", "family": None, "proposal": None, "by_whom": ""},
            "name and a reason",
        ),
        ({"proposal": 2}, "speaks of a proposal"),
        ({"proposal": 99}, "speaks of a proposal"),
        ({"proposal": None}, "speaks of a proposal"),
        ({"proposal": 3}, "speaks of a proposal of its family"),
        ({"kind": "proposal"}, "of one family"),
    ],
)
@pytest.mark.parametrize("verb", ["insert", "insert or replace", "insert or ignore"])
def test_the_file_refuses_a_wrong_entry(ledger, changed, words, verb):
    filled(ledger)
    before = contents(ledger)
    with raw(ledger) as connection, pytest.raises(sqlite3.IntegrityError, match=words):
        connection.execute(
            f"{verb} into entry ({FIELDS}) values ({','.join('?' * 10)})",
            next_row(ledger, **changed),
        )
    assert contents(ledger) == before
    assert ledger.verify().valid


@pytest.mark.parametrize("recursive", ["on", "off"])
@pytest.mark.parametrize(
    "statement",
    [
        "update entry set reason = 'other' where id = 2",
        "update or replace entry set id = 2 where id = 3",
        "update or ignore entry set id = 2 where id = 3",
        "delete from entry where id = 6",
        "delete from entry",
        "insert or replace into entry select * from entry where id = 2",
        "insert into entry select * from entry where id = 2",
        "delete from head",
        "update head set id = 5",
        "update head set hash = (select hash from entry where id = 5), id = 5",
        "update or replace head set one = 2",
        "insert into head values (2, 6, 'x')",
        "insert or replace into head values (1, 6, 'x')",
    ],
)
def test_the_file_refuses_to_forget(ledger, statement, recursive):
    filled(ledger)
    before = contents(ledger)
    with raw(ledger) as connection:
        connection.execute(f"pragma recursive_triggers = {recursive}")
        with pytest.raises(sqlite3.IntegrityError):
            connection.execute(statement)
    assert contents(ledger) == before
    assert ledger.verify().valid


# What verify notices


def tamper(ledger, *statements):
    """Change the file with its guards taken off, and put them on again."""
    with raw(ledger) as connection:
        triggers = connection.execute(
            "select name, sql from sqlite_master where type = 'trigger'"
        ).fetchall()
        for name, _ in triggers:
            connection.execute(f"drop trigger {name}")
        for statement, values in statements:
            connection.execute(statement, values)
        for _, sql in triggers:
            connection.execute(sql)


def faults(ledger, **words):
    return {(f.entry, f.rule) for f in ledger.verify(**words).faults}


COLUMN_VALUES = {
    "at": st.text(max_size=5),
    "kind": st.sampled_from(["hold", "reject", "watch", "x"]),
    "family": st.none() | st.sampled_from(["", "SOT", "CHIP "]),
    "proposal": st.none() | st.integers(0, 9),
    "by_whom": st.text(max_size=5) | st.binary(max_size=4),
    "reason": st.text(max_size=5) | st.binary(max_size=4),
    "body": st.sampled_from(["", "{}", '{"a": 1}', "{", "null"]) | st.binary(max_size=4),
    "previous": st.text("0123456789abcdef", min_size=64, max_size=64),
    "hash": st.text("0123456789abcdef", min_size=64, max_size=64) | st.just(b"\xff"),
}


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_an_edited_column_is_found(tmp_path_factory, data):
    ledger = filled(Ledger(tmp_path_factory.mktemp("l") / "l", now=lambda: START))
    number = data.draw(st.integers(1, 6))
    column = data.draw(st.sampled_from(sorted(COLUMN_VALUES)))
    value = data.draw(COLUMN_VALUES[column])
    before = contents(ledger)
    # The bytes of a text may be no text at all: written by way of a cast.
    how = "cast(? as text)" if isinstance(value, bytes) and data.draw(st.booleans()) else "?"
    tamper(ledger, (f"update entry set {column} = {how} where id = ?", (value, number)))
    try:
        changed = contents(ledger) != before
    except sqlite3.OperationalError:
        changed = True
    assert ledger.verify().valid != changed
    if changed:
        assert (number, "hash") in faults(ledger)
        assert any(f"entry {number} " in f.words for f in ledger.verify().faults)


@pytest.mark.parametrize("number", range(1, 6))
def test_a_removed_entry_is_found(ledger, number):
    filled(ledger)
    tamper(ledger, ("delete from entry where id = ?", (number,)))
    found = faults(ledger)
    assert {(number, "numbers"), (number + 1, "chain")} <= found
    assert any(f.words == f"entry {number} is missing" for f in ledger.verify().faults)


def test_a_removed_and_closed_gap_is_found(ledger):
    filled(ledger)
    tamper(
        ledger,
        ("delete from entry where id = 2", ()),
        *(("update entry set id = ? where id = ?", (n - 1, n)) for n in (3, 4, 5, 6)),
    )
    assert {(2, "hash"), (2, "chain"), (6, "head")} <= faults(ledger)


@pytest.mark.parametrize(("one", "other"), [(1, 2), (2, 5), (4, 5), (5, 6)])
def test_swapped_entries_are_found(ledger, one, other):
    filled(ledger)
    tamper(
        ledger,
        ("update entry set id = 99 where id = ?", (one,)),
        ("update entry set id = ? where id = ?", (one, other)),
        ("update entry set id = ? where id = 99", (other,)),
    )
    assert {(one, "hash"), (other, "hash"), (one, "chain"), (other, "chain")} <= faults(ledger)


def test_an_inserted_entry_is_found(ledger):
    filled(ledger)
    (second,) = (row for row in contents(ledger) if row[0] == 2)
    forged = [3, second[1], "hold", "CHIP", 1, "Eve", "forged", "{}", second[-1]]
    tamper(
        ledger,
        *(("update entry set id = ? where id = ?", (n + 1, n)) for n in (6, 5, 4, 3)),
        (f"insert into entry ({FIELDS}) values ({','.join('?' * 10)})", [*forged, digest(forged)]),
    )
    # The forged one is sound in itself: what follows does not follow it.
    assert (4, "chain") in faults(ledger)
    assert (3, "hash") not in faults(ledger)


@pytest.mark.parametrize("kept", range(6))
def test_a_cut_end_is_found(ledger, kept):
    filled(ledger)
    tamper(ledger, ("delete from entry where id > ?", (kept,)))
    assert faults(ledger) == {(kept + 1, "head")}
    (fault,) = ledger.verify().faults
    assert fault.words.endswith(f"entries {kept + 1} to 6 were cut off")


def rewrite(rows, after="0" * 64):
    """Return rows chained anew: what somebody can do who has the program."""
    made, before = [], after
    for row in rows:
        cells = [*row[:8], before]
        before = digest(cells)
        made.append([*cells, before])
    return made


def test_a_file_rewritten_throughout_is_found_by_a_noted_head_alone(ledger):
    filled(ledger)
    noted = ledger.verify().head
    rows = [list(row) for row in contents(ledger)]
    rows[3][5] = "Eve"
    forged = rewrite(rows)
    head = ("update head set hash = ?", (forged[-1][-1],))
    tamper(
        ledger,
        ("delete from entry", ()),
        *((f"insert into entry values ({','.join('?' * 10)})", row) for row in forged),
        head,
    )
    assert ledger.verify().valid
    assert faults(ledger, heads=[noted]) == {(None, "noted head")}
    assert faults(ledger, heads=[ledger.verify().head]) == set()


def test_a_noted_head_stays_known_as_the_ledger_grows(ledger):
    filled(ledger)
    noted = ledger.verify().head
    propose(ledger, "NEW")
    assert ledger.verify(heads=[noted.upper() + " "]).valid
    assert ledger.verify(heads=["0" * 64]).valid
    (fault,) = ledger.verify(heads=["f" * 64]).faults
    assert (fault.entry, fault.rule) == (None, "noted head")
    assert fault.words.startswith(f"the noted head {'f' * 64} is not in this chain: the ledger was")


def test_a_decision_against_the_rules_is_found(ledger):
    """Sound in its hashes, written past the program: the same person twice."""
    propose(ledger, critical=True)
    decide(ledger, 1, "accept", "Ada")
    with raw(ledger) as connection:
        connection.execute(
            f"insert into entry ({FIELDS}) values ({','.join('?' * 10)})",
            next_row(ledger, kind="accept", by_whom="ADA"),
        )
    (fault,) = ledger.verify().faults
    assert (fault.entry, fault.rule) == (3, "decision")
    assert fault.words.startswith("entry 3: ADA ")
    assert state_of(ledger, 1) == "one signature of two"


def test_a_sound_chain_with_a_body_that_is_no_json_is_found(ledger):
    propose(ledger)
    with raw(ledger) as connection:
        connection.execute(
            f"insert into entry ({FIELDS}) values ({','.join('?' * 10)})",
            next_row(ledger, body="{"),
        )
    (fault,) = ledger.verify().faults
    assert (fault.entry, fault.rule) == (2, "decision")
    assert fault.words.startswith("entry 2: its body is no JSON")
    with pytest.raises(LedgerError, match="no JSON"):
        ledger.entries()


@pytest.mark.parametrize(
    "statement",
    [
        "drop trigger entry_stays",
        "create trigger quiet before insert on entry begin select raise(ignore); end",
        "drop index entry_kind",
    ],
)
def test_guards_that_are_gone_are_found(ledger, statement):
    filled(ledger)
    with raw(ledger) as connection:
        connection.execute(statement)
    assert faults(ledger) == {(None, "guards")}


def test_each_fault_says_where_it_is_and_what(ledger):
    """Entries, rules and words of a gap, a lost head, a head that is odd, and guards of each kind."""
    moved = (
        "does not follow the entry before it: something was edited, removed, inserted or moved here"
    )
    altered = "the file was altered by other means than this program"
    last = "as its last, the last found is entry 6"
    cases = [
        (
            ("delete from entry where id in (2, 3)",),
            [(2, "numbers", "entries 2 to 3 are missing"), (4, "chain", f"entry 4 {moved}")],
        ),
        (("delete from head",), [(6, "head", f"the file remembers 0 heads {last}")]),
        (("update head set hash = 'x'",), [(6, "head", f"the file remembers entry 6 {last}")]),
        (("update head set id = 'x'",), [(6, "head", f"the file remembers entry x {last}")]),
        (
            ("update head set id = 9",),
            [(7, "head", f"the file remembers entry 9 {last}: entries 7 to 9 were cut off")],
        ),
        (
            ("create trigger quiet before insert on entry begin select raise(ignore); end",),
            [(None, "guards", f"quiet is changed or foreign: {altered}")],
        ),
        (("drop index entry_kind",), [(None, "guards", f"entry_kind is missing: {altered}")]),
    ]
    for statements, told in cases:
        filled(ledger)
        tamper(ledger, *((statement, ()) for statement in statements))
        assert [(f.entry, f.rule, f.words) for f in ledger.verify().faults] == told


def test_a_chain_found_sound_before_is_looked_at_again_where_it_was_left(ledger):
    """The last entry of then and its head rewritten, so that they agree with each other."""
    filled(ledger)
    propose(ledger, "NEW")
    seen, after = (list(row) for row in contents(ledger)[5:])
    seen[5] = "Eve"
    (row,) = rewrite([seen], after=seen[8])
    (following,) = rewrite([after], after=row[-1])
    tamper(
        ledger,
        ("update entry set by_whom = 'Eve', hash = ? where id = 6", (row[-1],)),
        ("update entry set previous = ?, hash = ? where id = 7", (row[-1], following[-1])),
        ("update head set hash = ?", (following[-1],)),
    )
    assert ledger.verify().valid
    with pytest.raises(LedgerError, match="entry 6 is not what it was a moment ago"):
        propose(ledger, "NEXT")
    filled(ledger)
    propose(ledger, "NEW")
    tamper(ledger, ("delete from entry where id > 5", ()))
    with pytest.raises(LedgerError, match="entry 6 is not what it was a moment ago"):
        propose(ledger, "NEXT")


def test_what_is_not_as_it_was_found_is_a_fault_of_the_chain_at_that_entry(ledger):
    filled(ledger)
    with raw(ledger) as connection:
        assert check_on(connection, (6, contents(ledger)[-1][-1])) == []
        assert check_on(connection, (0, "0" * 64)) == []
        words = "entry {} is not what it was a moment ago: the file was altered meanwhile"
        for sound in ((6, "f" * 64), (4, "f" * 64), (7, "f" * 64)):
            assert check_on(connection, sound) == [
                Fault(entry=sound[0], rule="chain", words=words.format(sound[0]))
            ]


# How it fails


def unchanged(path, act, words):
    """Check that an act fails in words and leaves the file as it was."""
    before = path.read_bytes()
    with pytest.raises(LedgerError, match=words) as caught:
        act()
    assert str(path) in str(caught.value)
    assert path.read_bytes() == before
    return str(caught.value)


def test_a_file_that_is_no_ledger_is_left_alone(tmp_path):
    path = tmp_path / "ledger.sqlite"
    ledger = Ledger(path)
    path.write_text("not a database, but long enough to be one " * 40)
    for act in (lambda: propose(ledger), lambda: decide(ledger, 1, "hold")):
        assert "nothing was saved" in unchanged(path, act, "not even a database")
    unchanged(path, ledger.entries, "not even a database")
    unchanged(path, ledger.verify, "not even a database")
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("create table songs (name text)")
    for act in (lambda: propose(ledger), ledger.entries, ledger.verify):
        assert "nothing was saved" in unchanged(path, act, "a database, but no ledger")


def test_a_newer_file_is_left_alone(ledger):
    filled(ledger)
    with raw(ledger) as connection:
        connection.execute("pragma user_version = 99")
    for act in (lambda: propose(ledger), ledger.states, ledger.verify):
        unchanged(ledger.path, act, "version 99.*knows up to 2.*newer optimiser")


def test_migrations_run_in_order_each_whole_or_not_at_all(ledger, monkeypatch):
    filled(ledger)
    before = contents(ledger)
    second = "create table note (text text);\ninsert into note values ('a;b');\n"
    broken = "create table more (a);\ninsert into nowhere values (1);\n"
    monkeypatch.setattr(ledger_schema, "MIGRATIONS", (*ledger_schema.MIGRATIONS, second, broken))
    with pytest.raises(LedgerError, match=r"nowhere.*nothing was saved"):
        propose(ledger, "NEW")
    with raw(ledger) as connection:
        assert connection.execute("pragma user_version").fetchone() == (2,)
        assert not connection.execute("select 1 from sqlite_master where name = 'note'").fetchall()
    monkeypatch.setattr(ledger_schema, "MIGRATIONS", ledger_schema.MIGRATIONS[:-1])
    assert ledger.entries() == ledger.entries()  # reading migrates as well
    assert contents(ledger) == before
    with raw(ledger) as connection:
        assert connection.execute("pragma user_version").fetchone() == (3,)
        assert connection.execute("select text from note").fetchall() == [("a;b",)]
    assert ledger.verify().valid


def test_a_damaged_file_is_told(ledger):
    for n in range(80):
        propose(ledger, f"F{n}")
    data = bytearray(ledger.path.read_bytes())
    data[4096:] = os.urandom(len(data) - 4096)
    ledger.path.write_bytes(data)
    assert "nothing was saved" in unchanged(ledger.path, lambda: propose(ledger), "damaged")
    unchanged(ledger.path, ledger.entries, "damaged")
    unchanged(ledger.path, ledger.verify, "damaged")


def test_a_missing_table_is_told(ledger):
    filled(ledger)
    with raw(ledger) as connection:
        connection.execute("drop table entry")
    for act in (lambda: propose(ledger), ledger.entries, ledger.verify):
        with pytest.raises(LedgerError, match="no such table"):
            act()


def test_no_ledger_is_not_a_valid_one(ledger):
    with pytest.raises(LedgerError, match="there is no ledger"):
        ledger.verify()
    ledger.path.touch()  # what a crash at the very first entry may leave
    assert ledger.entries() == []
    with pytest.raises(LedgerError, match="there is no ledger"):
        ledger.verify()
    assert propose(ledger).id == 1


def test_a_ledger_held_by_another_process_is_waited_for(ledger):
    propose(ledger)
    patient, hasty = ledger, Ledger(ledger.path, timeout_s=0.2)
    with raw(ledger) as connection:
        connection.execute("begin immediate")
        started = time.monotonic()
        with pytest.raises(LedgerError, match=r"held the ledger for 0\.2 s.*nothing was saved"):
            decide(hasty, 1, "hold")
        assert 0.2 <= time.monotonic() - started < 30
        assert len(hasty.entries()) == 1  # reading goes on meanwhile
        waiting = threading.Thread(target=decide, args=(patient, 1, "hold"))
        waiting.start()
        time.sleep(0.3)
        connection.execute("rollback")
        waiting.join()
    assert len(ledger.entries()) == 2
    with raw(ledger) as connection:
        connection.execute("pragma locking_mode = exclusive")
        connection.execute("pragma journal_mode = delete")
        connection.execute("begin exclusive")
        with pytest.raises(LedgerError, match="held the ledger"):
            hasty.entries()


@pytest.mark.parametrize("place", ["below a file", "missing folder", "folder"])
def test_a_place_that_cannot_be_written_is_told(tmp_path, place):
    (tmp_path / "file").write_text("x")
    path = {
        "below a file": tmp_path / "file" / "ledger.sqlite",
        "missing folder": tmp_path / "none" / "ledger.sqlite",
        "folder": tmp_path,
    }[place]
    with pytest.raises(LedgerError, match=r"cannot be opened here.*nothing was saved"):
        propose(Ledger(path))
    assert (tmp_path / "file").read_text() == "x"
    assert not (tmp_path / "none").exists()


def as_somebody(script, path):
    """Run a script as a user whom permissions stop, root or not."""
    become = "import os\nif os.geteuid() == 0: os.setegid(65534); os.seteuid(65534)\n"
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(PRELUDE) + become + textwrap.dedent(script), path],
        capture_output=True,
        text=True,
        check=False,
    )


PRELUDE = """
    import resource, signal, sys
    from pathlib import Path
    from optimiser.ledger.ledger import Basis, Ledger
    from optimiser.errors import LedgerError
    ledger = Ledger(Path(sys.argv[1]))
    basis = Basis(history="aa", recipe="bb", plant="cc", version="0", seed=7)
    def propose(family):
        limit = {"measurement": "tilt", "side": "upper", "unit": "deg", "now": 1.0, "proposed": 2.0, "rail": ""}
        return ledger.propose(family, [limit], by="night", reason="", origin="hand",
            critical=False, basis=basis, figures={"long": "x" * 3000})
"""


@pytest.fixture
def open_folder():
    """A folder that anybody may enter: what pytest makes is closed to all but who runs it."""
    with TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


@pytest.mark.parametrize("companions", [False, True])
def test_a_folder_that_cannot_be_written_can_still_be_read(open_folder, companions):
    ledger = filled(Ledger(open_folder / "ledger.sqlite"))
    reader = sqlite3.connect(ledger.path)  # keeps the companion files of the file alive
    reader.execute("select * from entry").fetchall()
    if not companions:
        reader.close()
    ledger.path.chmod(0o444)
    ledger.path.parent.chmod(0o555)
    try:
        done = as_somebody(
            """
            print(len(ledger.entries()), ledger.verify().valid)
            try:
                propose("NEW")
            except LedgerError as error:
                print(error)
            """,
            str(ledger.path),
        )
    finally:
        ledger.path.parent.chmod(0o755)
        reader.close()
    assert done.stderr == ""
    read, refused = done.stdout.strip().split("\n")
    assert read == "6 True"
    assert "cannot be written" in refused
    assert "nothing was saved" in refused


@pytest.mark.parametrize("room", [60_000, 100_000, 300_000])
def test_a_full_disk_is_told_and_keeps_what_was_acknowledged(tmp_path, room):
    path = tmp_path / "ledger.sqlite"
    first = Ledger(path)
    propose(first)
    held = sqlite3.connect(path)  # so that the write-ahead log is not folded in at each close
    held.execute("select * from entry").fetchall()
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            textwrap.dedent(PRELUDE)
            + textwrap.dedent(
                f"""
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, ({room}, {room}))
                n = 1
                try:
                    while True:
                        n = propose(f"F{{n}}").id
                except LedgerError as error:
                    print(n, error)
                """
            ),
            str(path),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    held.close()
    assert done.stderr == ""
    count, _, words = done.stdout.partition(" ")
    assert "disk" in words
    assert "nothing was saved" in words
    found = first.verify()
    assert found.valid
    assert found.entries == int(count) > 1
    assert propose(first, "with room again").id == int(count) + 1


def test_a_killed_process_loses_nothing_that_it_was_told_is_saved(tmp_path):
    path = tmp_path / "ledger.sqlite"
    child = subprocess.Popen(
        [
            sys.executable,
            "-c",
            textwrap.dedent(PRELUDE)
            + 'n = 0\nwhile True: n += 1; print(propose(f"F{n}").id, flush=True)',
            str(path),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    with child:
        told = [child.stdout.readline() for _ in range(60)]
        child.send_signal(signal.SIGKILL)
        told += child.stdout.read().split("\n")
    last = max(int(line) for line in told if line.strip())
    found = Ledger(path).verify()
    assert found.valid
    assert found.entries in (last, last + 1)


# Many at once


def test_callbacks_of_other_threads_may_decide(ledger):
    propose(ledger)
    failed = []

    def work():
        try:
            for _ in range(5):
                decide(ledger, 1, "hold")
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert ledger.verify().entries == 21


def _sign(path, barrier, results, by):
    ledger = Ledger(path)
    barrier.wait()
    won = []
    for proposal in range(1, 11):
        try:
            decide(ledger, proposal, "accept", by)
            won.append(proposal)
        except ConflictError:
            continue
    results.put((by, won))


def test_two_who_sign_at_once_do_not_both_slip_through(tmp_path):
    """One signature each: of two processes that accept, the second meets the first's."""
    ledger = Ledger(tmp_path / "ledger.sqlite")
    for n in range(10):
        propose(ledger, f"F{n}", critical=n % 2 == 1)
    context = get_context("spawn")
    barrier, results = context.Barrier(2), context.Queue()
    # By the same person on critical families, by two on the others: one of each may win.
    workers = [
        context.Process(target=_sign, args=(ledger.path, barrier, results, by))
        for by in ("Ada Quill", "ada quill ")
    ]
    for worker in workers:
        worker.start()
    won = [results.get(timeout=300) for _ in workers]
    for worker in workers:
        worker.join()
    assert sorted(p for _, ps in won for p in ps) == list(range(1, 11))
    found = ledger.verify()
    assert (found.valid, found.entries) == (True, 20)
    assert {s.state for s in ledger.states()} == {"accepted", "one signature of two"}


def _propose_same(path, barrier, results):
    ledger = Ledger(path)
    barrier.wait()
    results.put([propose(ledger, f"F{n}").id for n in range(10)])


def test_a_new_file_made_by_many_at_once_is_one_ledger(tmp_path):
    context = get_context("spawn")
    barrier, results = context.Barrier(3), context.Queue()
    workers = [
        context.Process(target=_propose_same, args=(tmp_path / "l", barrier, results))
        for _ in range(3)
    ]
    for worker in workers:
        worker.start()
    told = [results.get(timeout=300) for _ in workers]
    for worker in workers:
        worker.join()
    assert told == [list(range(1, 11))] * 3
    assert Ledger(tmp_path / "l").verify().entries == 10


def _hold(path, proposal, times):
    ledger = Ledger(path, timeout_s=600)
    for n in range(times):
        decide(ledger, proposal, "hold", by=f"writer {proposal}", reason=f"number {n}")


@pytest.mark.slow
@pytest.mark.parametrize("times", [pytest.param(120, marks=pytest.mark.ci), 500])
def test_eight_writers_lose_nothing(tmp_path, times):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    for n in range(8):
        propose(ledger, f"F{n}")
    context = get_context("spawn")
    writers = [context.Process(target=_hold, args=(ledger.path, n + 1, times)) for n in range(8)]
    started = time.monotonic()
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    spent = time.monotonic() - started
    assert [w.exitcode for w in writers] == [0] * 8
    found = ledger.verify()
    assert (found.valid, found.entries) == (True, 8 + 8 * times)
    for n in range(8):
        told = [e.reason for e in ledger.entries(family=f"F{n}", kind="hold")]
        assert told == [f"number {k}" for k in range(times)]
    print(f"{8 * times:,} decisions of 8 processes in {spent:.1f} s")
