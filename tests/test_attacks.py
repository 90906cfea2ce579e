"""What somebody tries who wants a wrong limit to go live: each attempt is noticed and named."""

import collections
import json
import math
import random
import re
import shutil
import sqlite3
import subprocess
import tempfile
from contextlib import closing
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from test_revision import SOT_OFFSET, TILT, Bench, move

import optimiser
from optimiser import seal
from optimiser.cli import main
from optimiser.commands.deciding import state_row
from optimiser.errors import ConflictError, LedgerError, OptimiserError, PlantError, UsageError
from optimiser.ledger.ledger import Ledger
from optimiser.ledger.revision import difference
from optimiser.ledger.rows import FIELDS, canonical, digest
from optimiser.ledger.standing import OPEN
from optimiser.plant.file import read_plant
from optimiser.plant.names import clearly_different, skeleton
from optimiser.proposal.cache import keep, read_found, read_proposal
from optimiser.proposal.propose import propose_with_study
from optimiser.proposal.signing import accept, intend, write
from optimiser.recipe.table import read_recipe
from optimiser.seal import KEY, seal_of

EXAMPLE = Path(__file__).parents[1] / "data/example"


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path / "plant")


def run(capsys, *words):
    code = main([str(w) for w in words])
    told = capsys.readouterr()
    return code, told.out, told.err


def rewritten(path, entry, change):
    """Rewrite an entry's body and every hash after it; the head too: a forger who can."""
    with closing(sqlite3.connect(path)) as con, con:
        guards = con.execute("select name, sql from sqlite_master where type='trigger'").fetchall()
        for name, _ in guards:
            con.execute(f"drop trigger {name}")
        before = None
        for cells in con.execute(f"select {FIELDS} from entry order by id").fetchall():
            row = list(cells)
            if row[0] == entry:
                row[7] = canonical(change(json.loads(row[7])))
            if before is not None:
                row[8] = before
            row[9] = before = digest(row[:-1])
            con.execute(
                "update entry set body = ?, previous = ?, hash = ? where id = ?",
                (row[7], row[8], row[9], row[0]),
            )
        con.execute("update head set hash = ?", (before,))
        for _, guard in guards:
            con.execute(guard)


def edited(path, sql, *values):
    """Edit the file as anybody with a database browser can, its guards put back after it."""
    with closing(sqlite3.connect(path)) as con, con:
        guards = con.execute("select name, sql from sqlite_master where type='trigger'").fetchall()
        for name, _ in guards:
            con.execute(f"drop trigger {name}")
        con.execute(sql, values)
        for _, guard in guards:
            con.execute(guard)


# --- kept proposals ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def made():
    with optimiser.open_plant(EXAMPLE, trials=6) as plant:
        case = plant.case("CON-10")
        return case, *propose_with_study(case)


def kept_file(folder):
    (file,) = folder.glob("*.json")
    return file, json.loads(file.read_text())


def test_another_limit_in_a_kept_proposal_is_not_believed(made, tmp_path):
    case, proposal, found = made
    keep(tmp_path, case, proposal, found)
    file, kept = kept_file(tmp_path)
    row = json.loads(kept["proposal"])
    moved = next(x for x in row["limits"] if x["now"] != x["proposed"])
    moved["proposed"] = moved["now"] + 3 * (moved["proposed"] - moved["now"])
    file.write_text(json.dumps(kept | {"proposal": json.dumps(row)}))
    told = []
    assert read_proposal(tmp_path, case, on_refused=told.append) is None
    assert read_found(tmp_path, case) is None
    assert "altered" in told[0]


def test_a_better_promise_in_a_kept_proposal_is_not_believed(made, tmp_path):
    case, proposal, found = made
    keep(tmp_path, case, proposal, found)
    file, kept = kept_file(tmp_path)
    row = json.loads(kept["proposal"])
    row["promise"]["escapes_added"] = {"value": 0.0, "low": 0.0, "high": 0.0}
    file.write_text(json.dumps(kept | {"proposal": json.dumps(row)}))
    assert read_proposal(tmp_path, case, on_refused=print) is None


@pytest.mark.parametrize("what", ["limit", "count", "swapped families"])
def test_what_contradicts_the_tally_is_not_believed_even_under_the_right_seal(made, tmp_path, what):
    case, proposal, found = made
    first = proposal.moves[0]
    wrong = {
        "limit": lambda: replace(
            proposal,
            limits=tuple(
                replace(m, proposed=m.proposed * 1.01 + 0.01) if m is first else m
                for m in proposal.limits
            ),
        ),
        "count": lambda: replace(
            proposal,
            lines=replace(
                proposal.lines, loosened=replace(proposal.lines.loosened, defects=0, calls=1)
            ),
        ),
        "swapped families": lambda: replace(proposal, limits=proposal.limits[1:]),
    }[what]()
    keep(tmp_path, case, wrong, found)
    told = []
    assert read_proposal(tmp_path, case, on_refused=told.append) is None
    assert len(told) == 1


def test_a_search_that_was_swapped_is_made_again(made, tmp_path):
    case, proposal, found = made
    keep(tmp_path, case, proposal, found)
    assert read_found(tmp_path, case) is not None
    (study,) = tmp_path.glob("*.npz")
    with np.load(study) as arrays:
        told = dict(arrays)
    told["escape_cost"] = told["escape_cost"] * 0
    with study.open("wb") as out:
        np.savez_compressed(out, **told)
    assert read_found(tmp_path, case) is None


def test_somebody_elses_key_is_not_this_machines(made, tmp_path, monkeypatch):
    case, proposal, found = made
    monkeypatch.setenv(KEY, str(tmp_path / "theirs"))
    keep(tmp_path / "kept", case, proposal, found)
    assert read_proposal(tmp_path / "kept", case) == proposal
    assert (tmp_path / "theirs").stat().st_mode & 0o077 == 0
    monkeypatch.setenv(KEY, str(tmp_path / "ours"))
    told = []
    assert read_proposal(tmp_path / "kept", case, on_refused=told.append) is None
    assert "another key" in told[0]


def test_a_key_is_made_once_and_found_again_by_the_next_run(tmp_path, monkeypatch):
    """Its folder may not be there yet, nor a folder for short-lived files on the same disk."""
    place = tmp_path / "not" / "there" / "key"
    monkeypatch.setenv(KEY, str(place))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "no such folder"))
    sealed = seal_of("a limit", "220")
    assert len(place.read_text()) == 64
    seal._key.cache_clear()  # as a process of its own
    assert seal_of("a limit", "220") == sealed
    seal._make(place)
    seal._key.cache_clear()
    assert seal_of("a limit", "220") == sealed, "the first of two stays"


def test_a_forged_proposal_never_reaches_ledger_or_revision(tmp_path, capsys, caplog):
    """A night keeps, a forger edits, the next night makes it anew and records what it computed."""
    plant = tmp_path / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    quick = ("--trials", "6", "--workers", "1")
    code, _, _ = run(capsys, "nightly", plant, *quick)
    assert code == 0
    (before,) = [e for e in Ledger(plant / "ledger.sqlite").entries(kind="proposal")]
    file = next((plant / "proposals").glob("CON-10-*.json"))
    kept = json.loads(file.read_text())
    row = json.loads(kept["proposal"])
    for limit in row["limits"]:
        limit["proposed"] = limit["proposed"] * 2
    file.write_text(json.dumps(kept | {"proposal": json.dumps(row)}))
    code, out, _ = run(capsys, "nightly", plant, *quick, "--json")
    told = json.loads(out)
    assert told["proposed"] == {"CON-10": "the last proposal is gone"}
    entries = Ledger(plant / "ledger.sqlite").entries(kind="proposal")
    assert [e.body["limits"] for e in entries] == [before.body["limits"]] * len(entries)
    # The engineer's own propose reads the same folder.
    file.write_text(json.dumps(kept | {"proposal": json.dumps(row)}))
    with optimiser.open_plant(plant, trials=6) as session:
        assert "CON-10" not in session.proposals
    assert "not believed" in caplog.text


# --- the ledger -------------------------------------------------------------------------


COMMANDS = (
    ("accept", "PLANT", "1", "--by", "Ada", "--reason", "x"),
    ("export", "PLANT", "--by", "Ada", "--reason", "x"),
    ("rollback", "PLANT", "--to", "7", "--by", "Ada", "--reason", "x"),
    ("waiting", "PLANT"),
    ("history-of", "PLANT", "CHIP"),
)


def signed_and_forged(bench):
    bench.propose("CHIP", TILT, accept=("Ada",))
    edited(
        bench.ledger.path,
        "update entry set body = replace(body, '\"proposed\":4.0', '\"proposed\":8.5') where id = 1",
    )


@pytest.mark.parametrize("command", COMMANDS, ids=[c[0] for c in COMMANDS])
def test_an_edited_ledger_is_used_by_no_command(bench, capsys, command):
    signed_and_forged(bench)
    words = [str(bench.folder) if w == "PLANT" else w for w in command]
    code, out, err = run(capsys, *words)
    assert (code, out) == (1, "")
    assert "not valid: entry 1 is not what was written" in err
    assert "verify-ledger" in err
    assert not (bench.folder / "revisions").exists()


def test_report_and_watch_refuse_an_edited_ledger(tmp_path, capsys):
    plant = tmp_path / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    ledger = Ledger(plant / "ledger.sqlite")
    bench = Bench(tmp_path / "other")
    ledger.propose(
        "CON-10",
        [TILT],
        by="night",
        reason="",
        origin="recommended",
        critical=False,
        basis=bench.basis(),
        figures={},
    )
    edited(ledger.path, "update entry set family = 'SOT-6'")
    for command in ("report", "watch"):
        code, _, err = run(capsys, command, plant)
        assert code == 1
        assert "not valid" in err
    assert not (plant / "report.html").exists()


def test_a_ledger_rewritten_throughout_shows_by_a_head_noted_elsewhere(bench, capsys, tmp_path):
    bench.propose("CHIP", TILT, accept=("Ada",))
    heads = tmp_path / "elsewhere.txt"
    assert run(capsys, "verify-ledger", bench.folder, "--note", heads)[0] == 0
    bench.propose("SOT", SOT_OFFSET, accept=())
    assert run(capsys, "verify-ledger", bench.folder, "--note", heads)[0] == 0
    assert run(capsys, "verify-ledger", bench.folder, "--against", heads)[0] == 0
    rewritten(bench.ledger.path, 1, lambda body: body | {"origin": "hand"})
    code, out, _ = run(capsys, "verify-ledger", bench.folder, "--against", heads)
    assert code == 1
    assert out.count("fault (noted head)") == 2


def test_an_entry_altered_while_a_session_is_open_is_noticed(bench):
    ledger = Ledger(bench.ledger.path)
    bench.propose("CHIP", TILT, accept=())
    assert len(ledger.entries()) == 1
    edited(bench.ledger.path, "update entry set reason = 'mine' where id = 1")
    # What was sound is not looked at again, but the link to what follows is.
    edited(bench.ledger.path, "update entry set hash = 'ff' where id = 1")
    with pytest.raises(LedgerError, match="altered meanwhile"):
        ledger.entries()
    with pytest.raises(LedgerError, match="not valid"):
        ledger.entries()


# --- revisions --------------------------------------------------------------------------


def test_an_altered_revision_stops_the_next_and_is_named_by_verify(bench, capsys):
    bench.propose("CHIP", TILT)
    first = bench.export().revision
    bench.make_live("8")
    bench.propose("SOT", SOT_OFFSET)
    bench.export()
    assert run(capsys, "verify-ledger", bench.folder)[0] == 0
    first.path.write_text(first.path.read_text().replace("4", "9"))
    code, out, _ = run(capsys, "verify-ledger", bench.folder)
    assert code == 1
    assert f"fault (revision file): {first.path}: was changed" in " ".join(out.split())
    bench.propose("CHIP", move("offset", "upper", 60.0, 55.0))
    with pytest.raises(ConflictError, match="was changed after it was written"):
        bench.export()
    with pytest.raises(ConflictError, match="was changed after it was written"):
        bench.back("7")


def test_a_limit_past_its_workmanship_bound_is_neither_signed_nor_exported(bench, capsys):
    """CHIP's offset: bound 120 um, two repeatabilities of 2 um guard it."""
    far = move("offset", "upper", 60.0, 119.0)
    number = bench.propose("CHIP", far, accept=())
    plant, live, _ = bench.live
    with pytest.raises(ConflictError, match="lies past its workmanship bound"):
        accept(Ledger.of(plant), plant, live, number, by="Ada", reason="x")
    # A ledger that was written to by other means holds it as signed all the same.
    bench.ledger.decide(number, "accept", by="Ada", reason="x")
    found = bench.export()
    assert found.revision is None
    assert "lies past its workmanship bound less the guard band" in found.conflicts[0].words
    assert not (bench.folder / "revisions").exists()


def test_a_must_catch_item_that_would_pass_stops_signature_and_export(tmp_path):
    bench = Bench(tmp_path / "plant")
    (bench.folder / "must_catch.csv").write_text("name,family,tilt\nboard 7 U3,CHIP,3.9\n")
    number = bench.propose("CHIP", TILT, accept=())
    plant, live, _ = bench.live
    with pytest.raises(ConflictError, match="must-catch item board 7 U3 would pass"):
        accept(Ledger.of(plant), plant, live, number, by="Ada", reason="x")
    bench.ledger.decide(number, "accept", by="Ada", reason="x")
    assert "must-catch item board 7 U3" in bench.export().conflicts[0].words


# --- who signs --------------------------------------------------------------------------


SAME = [
    ("Ada Quill", "ada  QUILL"),
    ("Ada Quill", "Аda Quill"),  # Cyrillic А
    ("Ada Quill", "Ada\u200b Quill"),  # a blank of no width
    ("Ada Quill", "Quill, Ada"),
    ("Ada Quill", "A. Quill"),
    ("Ada Quill", "Ada Qu1ll"),
    ("Ida Quill", "lda Quill"),
    ("Ada Quill", "Ada M. Quill"),
    ("Ada Quill", "Ada-Quill."),
    ("Ada Quill", "Adá Quill"),
    ("Martha Fenn", "Matha Fenn"),
    ("Marn Fenn", "Mam Fenn"),  # rn and m
]


@pytest.mark.parametrize(("first", "second"), SAME)
def test_two_spellings_of_one_person_are_not_two_signatures(bench, first, second):
    assert not clearly_different(first, second)
    number = bench.propose("SOT", SOT_OFFSET, critical=True, accept=())
    bench.ledger.decide(number, "accept", by=first, reason="x")
    with pytest.raises((ConflictError, UsageError), match="nothing was saved"):
        bench.ledger.decide(number, "accept", by=second, reason="x")
    assert bench.states() == ["one signature of two"]


@pytest.fixture
def unadvised(tmp_path):
    """The example under a rule that advises no change: one was found all the same."""
    plant = tmp_path / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    text = (plant / "plant.toml").read_text()
    assert "smallest_saving = 0.0" in text
    (plant / "plant.toml").write_text(
        text.replace("smallest_saving = 0.0", "smallest_saving = 1e6")
    )
    with optimiser.open_plant(plant, trials=4) as session:
        yield session, session.choice("CON-10")


def test_what_is_not_advised_is_signed_only_by_who_says_so(unadvised):
    session, choice = unadvised
    ledger, setting = session.ledger, choice.recommended.setting
    words = {"by": "Ada Fenn", "reason": "a trial"}
    asked = intend(ledger, choice, session.live, setting, "accept", **words)
    assert asked.not_advised == choice.proposal.reasons == choice.not_advised
    with pytest.raises(ConflictError, match=r"no change is advised for CON-10.*nothing was saved"):
        write(ledger, asked)
    assert ledger.entries() == []
    signed = write(ledger, asked, although_not_advised=True)
    assert signed.decision.body["although_not_advised"] == [
        asdict(reason) for reason in choice.proposal.reasons
    ]


def test_a_setting_past_a_rail_on_the_whole_is_held_but_never_accepted(unadvised):
    session, choice = unadvised
    ledger, words = session.ledger, {"by": "Ada Fenn", "reason": "a trial"}
    ends = [
        np.zeros_like(choice.tally.grid.live),
        np.array([len(x.z) - 1 for x in choice.tally.grid.limits]),
    ]
    loosest = min(ends, key=lambda s: choice.consequences(s).counted.calls)
    assert choice.violations(loosest)
    assert intend(ledger, choice, session.live, loosest, "hold", **words).verdict == "hold"
    with pytest.raises(OptimiserError, match=r"cannot be accepted|stands against it"):
        intend(ledger, choice, session.live, loosest, "accept", **words)
    assert ledger.entries() == []


@pytest.mark.parametrize(
    ("first", "second"),
    [("Ada Quill", "Bo Marsh"), ("Ada Fenn", "Bo Fenn"), ("Ann", "Ben"), ("李雷", "韩梅梅")],
)
def test_two_people_are_two(bench, first, second):
    number = bench.propose("SOT", SOT_OFFSET, critical=True, accept=(first, second))
    assert number == 1
    assert bench.states() == ["accepted"]


@pytest.mark.parametrize("name", ["night", "Night", "nіght", "optimiser", "root", "N1GHT"])
def test_names_of_no_person_sign_nothing(bench, name):
    number = bench.propose("CHIP", TILT, accept=())
    for verdict in ("accept", "reject", "withdraw"):
        with pytest.raises(UsageError, match="no person's name"):
            bench.ledger.decide(number, verdict, by=name, reason="x")
    with pytest.raises(UsageError, match="no person's name"):
        bench.export(by=name)
    night = Ledger(bench.ledger.path, unattended=True)
    with pytest.raises(UsageError, match="no person's name"):
        night.decide(number, "accept", by="night", reason="x")
    night.decide(number, "withdraw", by="night", reason="newer")


SIGNERS = """
[signers."Ada Quill"]
[signers."Bo Marsh"]
may = ["accept", "hold"]
"""


@pytest.fixture
def listed(bench):
    file = bench.folder / "plant.toml"
    file.write_text(file.read_text() + SIGNERS)
    bench.ledger = Ledger.of(read_plant(bench.folder))
    return bench


def test_where_signers_are_listed_nobody_else_signs_and_the_listed_spelling_stands(listed):
    number = listed.propose("CHIP", TILT, accept=())
    with pytest.raises(UsageError, match="not among this plant's signers"):
        listed.ledger.decide(number, "accept", by="A. Quill", reason="x")
    entry = listed.ledger.decide(number, "accept", by="ADA  quill", reason="x")
    assert entry.by == "Ada Quill"
    with pytest.raises(UsageError, match="may not sign export, only accept, hold"):
        listed.export(by="bo marsh")
    assert listed.export(by="Ada Quill").revision is not None


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ('[signers."Аda Quill"]\n', "look alike"),
        ('[signers."night"]\n', "reserved"),
        ('[signers."  "]\n', "no person"),
        ('[signers."Cy"]\nmay = ["sing"]\n', "may"),
        ('[signers."Cy"]\nkey = "mine"\n', "key"),
    ],
)
def test_a_list_of_signers_names_each_person_once(listed, more, told):
    file = listed.folder / "plant.toml"
    file.write_text(file.read_text() + more)
    with pytest.raises(PlantError, match=told):
        read_plant(listed.folder)


def test_critical_is_judged_when_it_is_signed(bench):
    number = bench.propose("CHIP", TILT, accept=())
    file = bench.folder / "plant.toml"
    text = file.read_text()
    assert '[families."CHIP"]' in text
    file.write_text(text.replace('[families."CHIP"]', '[families."CHIP"]\ncritical = true'))
    plant, live, _ = bench.live
    ledger = Ledger.of(plant)
    words = {"by": "Ada Quill", "reason": "x", "although_changed": True}
    accept(ledger, plant, live, number, **words)
    assert bench.states() == ["one signature of two"]
    # What was judged stays judged: a plant file edited back takes no signature away.
    file.write_text(text)
    assert bench.states() == ["one signature of two"]
    accept(Ledger.of(bench.live[0]), *bench.live[:2], number, **(words | {"by": "Bo Marsh"}))
    assert bench.states() == ["accepted"]


def test_a_stale_proposal_is_refused_or_signed_as_such(bench, capsys):
    number = bench.propose("CHIP", TILT, accept=())
    file = bench.folder / "plant.toml"
    assert '"default" = 40.0' in file.read_text()
    file.write_text(file.read_text().replace('"default" = 40.0', '"default" = 41.0'))
    code, out, err = run(capsys, "accept", bench.folder, number, "--by", "Ada", "--reason", "x")
    assert (code, out) == (1, "")
    assert "the plant file (prices, rails, bounds, rates)" in err
    assert bench.states() == ["waiting"]
    _, shown, _ = run(capsys, "waiting", bench.folder)
    assert "CHANGED since: the plant file" in shown
    code, _, _ = run(
        capsys, "accept", bench.folder, number, "--by", "Ada", "--reason", "x", "--although-changed"
    )
    assert code == 0
    (entry,) = bench.ledger.entries(kind="accept")
    assert entry.body["changed_since"] == ["the plant file (prices, rails, bounds, rates)"]


def test_signers_are_no_part_of_what_a_proposal_rests_on(bench):
    number = bench.propose("CHIP", TILT, accept=())
    file = bench.folder / "plant.toml"
    file.write_text(file.read_text() + SIGNERS)
    plant, live, _ = bench.live
    accept(Ledger.of(plant), plant, live, number, by="Bo Marsh", reason="x")
    assert bench.states() == ["accepted"]


def test_a_skeleton_is_the_same_for_each_of_its_own_spellings():
    for first, second in SAME[:3]:
        assert skeleton(first) == skeleton(second)
        assert skeleton(skeleton(first)) == skeleton(first)


def test_a_signature_of_before_names_were_checked_still_counts(bench):
    """Entries that older versions wrote say nothing of how names were checked."""
    number = bench.propose("SOT", SOT_OFFSET, critical=True, accept=("Ada", "Ben"))
    rewritten(bench.ledger.path, 2, lambda body: {})
    rewritten(bench.ledger.path, 3, lambda body: {})
    states = [s for s in _states_of_file(bench.ledger.path) if s.entry.id == number]
    assert states[0].state == "accepted"


def _states_of_file(path):
    from optimiser.ledger.rows import rows_of
    from optimiser.ledger.standing import standings

    with closing(sqlite3.connect(path)) as con:
        return list(standings(rows_of(con)).states.values())


def key_of(folder, name):
    """A key pair of its own, made by OpenSSH."""
    path = folder / name
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(path)]
    subprocess.run(command, check=True)
    return path, path.with_suffix(".pub").read_text().strip()


def signature_of(path, text):
    command = ["ssh-keygen", "-q", "-Y", "sign", "-f", str(path), "-n", "optimiser"]
    return subprocess.run(command, input=text, capture_output=True, text=True, check=True).stdout


def test_where_a_signer_has_a_key_only_that_key_accepts(bench, capsys, tmp_path):
    mine, public = key_of(tmp_path, "ada")
    theirs, _ = key_of(tmp_path, "eve")
    file = bench.folder / "plant.toml"
    file.write_text(file.read_text() + f'\n[signers."Ada Quill"]\nkey = "{public}"\n')
    number = bench.propose("CHIP", TILT, accept=())
    other = bench.propose("SOT", SOT_OFFSET, accept=())
    words = ("--by", "Ada Quill", "--reason", "boards looked at")
    code, _, err = run(capsys, "accept", bench.folder, number, *words)
    assert code == 1
    assert "accepts by a signature" in err
    _, text, _ = run(capsys, "waiting", bench.folder, "--to-sign", number)
    _, wrong, _ = run(capsys, "waiting", bench.folder, "--to-sign", other)
    sheet = tmp_path / "3.sig"
    for made in (signature_of(theirs, text), signature_of(mine, wrong), "no signature", ""):
        sheet.write_text(made)
        code, _, err = run(capsys, "accept", bench.folder, number, *words, "--signature", sheet)
        assert code == 1
        assert "not by Ada Quill's key, or of another proposal" in err
    assert bench.states() == ["waiting", "waiting"]
    sheet.write_text(signature_of(mine, text))
    code, _, _ = run(capsys, "accept", bench.folder, number, *words, "--signature", sheet)
    assert code == 0
    assert run(capsys, "verify-ledger", bench.folder)[0] == 0
    # A ledger rewritten throughout by somebody without the key shows by the signature.
    rewritten(
        bench.ledger.path, 1, lambda body: body | {"limits": [move("tilt", "upper", 3.5, 8.0)]}
    )
    code, out, _ = run(capsys, "verify-ledger", bench.folder)
    assert code == 1
    assert "fault (signature): entry 3" in out


# --- what was confirmed is what goes out -------------------------------------------------


class Plantlife:
    """A plant in which several people and a forger do what they do, in random order."""

    def __init__(self, folder, seed):
        self.bench, self.rng = Bench(folder), random.Random(seed)
        self.shown: dict[int, list] = {}
        self.revision = 7
        self.done: list[str] = []

    def live_limits(self, family):
        rows = self.bench.live[1].family_rows(family)
        return [
            (name, side, row.limit(side))
            for name, row in rows.items()
            for side in ("lower", "upper")
            if math.isfinite(row.limit(side))
        ]

    def propose(self):
        family = self.rng.choice(["CHIP", "SOT"])
        name, side, now = self.rng.choice(self.live_limits(family))
        factor = self.rng.choice([0.97, 1.01, 1.0000001, 1.03]) + self.rng.random() * 1e-3
        self.bench.propose(family, move(name, side, now, now * factor), accept=())

    def sign(self):
        plant, live, _ = self.bench.live
        waiting = [s for s in self.bench.ledger.states() if s.state in OPEN]
        if not waiting:
            return
        state = self.rng.choice(waiting)
        name = self.rng.choice(["Ada Quill", "Bo Marsh", "аda quill", "night", "Cy Fenn"])
        shown = json.loads(json.dumps(state_row(state, plant, live)["limits"]))
        accept(Ledger.of(plant), plant, live, state.entry.id, by=name, reason="x")
        self.shown[state.entry.id] = shown

    def refuse(self):
        states = self.bench.ledger.states()
        if states:
            number = self.rng.choice(states).entry.id
            verdict = self.rng.choice(["hold", "reject", "withdraw"])
            self.bench.ledger.decide(number, verdict, by="Bo Marsh", reason="x")

    def edit(self):
        """Somebody edits the live recipe, as is right under a new name, or under the same."""
        path = self.bench.folder / "recipe.csv"
        text = path.read_text()
        if self.rng.random() < 0.7:
            self.revision += 100
            text = re.sub(r"# revision .*", f"# revision {self.revision}", text)
        path.write_text(re.sub(r"\b60\b", self.rng.choice(["60", "59", "60"]), text))

    def export(self):
        found = self.bench.export(by=self.rng.choice(["Ada Quill", "Bo Marsh"]))
        if found.revision is not None:
            self.check(found.revision)

    def go_live(self):
        files = sorted((self.bench.folder / "revisions").glob("*.csv"))
        if files:
            shutil.copy(self.rng.choice(files), self.bench.folder / "recipe.csv")

    def back(self):
        files = sorted((self.bench.folder / "revisions").glob("*.csv"))
        if files:
            self.bench.back(self.rng.choice(files).stem, by="Ada Quill")

    def check(self, revision):
        """Every limit that differs from live is one that was signed, as it was shown."""
        plant, live, _ = self.bench.live
        written = read_recipe(revision.path, plant.file.measurements)
        states = {s.entry.id: s for s in self.bench.ledger.states()}
        for change in difference(live, written):
            told = next(
                x
                for x in revision.difference
                if (x["name"], x["measurement"], x["side"])
                == (change["name"], change["measurement"], change["side"])
            )
            signed = self.shown[told["proposal"]]
            (limit,) = [
                x
                for x in signed
                if (x["measurement"], x["side"]) == (change["measurement"], change["side"])
            ]
            assert change["to"] == limit["proposed"]
            assert change["from"] == limit["now"]
            assert change["name"] == states[told["proposal"]].entry.family
            people = {skeleton(s.by) for s in states[told["proposal"]].signatures}
            assert len(people) >= (2 if states[told["proposal"]].critical else 1)
            assert skeleton("night") not in people

    def live(self, steps):
        acts = [self.propose, self.propose, self.sign, self.sign, self.sign, self.refuse]
        acts += [self.edit, self.export, self.export, self.go_live, self.back]
        for _ in range(steps):
            act = self.rng.choice(acts)
            try:
                act()
                self.done.append(act.__name__)
            except OptimiserError:
                self.done.append(f"{act.__name__} refused")
        assert self.bench.ledger.verify().valid


@pytest.mark.parametrize("critical", [False, True])
def test_what_is_exported_is_what_was_shown_and_signed(tmp_path, critical):
    """Thirty plants, forty acts each: propose, sign, edit, export, make live, roll back."""
    done = collections.Counter()
    for seed in range(15):
        life = Plantlife(tmp_path / str(seed), seed)
        if critical:
            file = life.bench.folder / "plant.toml"
            text = file.read_text().replace(
                '[families."CHIP"]', '[families."CHIP"]\ncritical = true'
            )
            file.write_text(text)
        life.live(40)
        done.update(life.done)
    for act in ("propose", "sign", "export", "go_live", "back", "edit", "sign refused"):
        assert done[act] >= 5, done
