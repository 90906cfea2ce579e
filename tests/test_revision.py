"""Revisions: exact, conflicts named, nothing exported twice, back again, whole after a crash."""

import hashlib
import json
import math
import shutil
from contextlib import suppress
from dataclasses import replace
from multiprocessing import get_context

import pytest
from factories import RECIPE, make_plant, recipe_text, table
from hypothesis import given, settings
from hypothesis import strategies as st

import optimiser
from optimiser.caution import CAUTION
from optimiser.errors import ConflictError, InputError, LedgerError, RecipeError, UsageError
from optimiser.ledger import revision as revision_module
from optimiser.ledger.ledger import LEDGER, Basis, Ledger
from optimiser.ledger.revision import difference, export_revision, roll_back
from optimiser.ledger.revision_file import next_name
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe, to_csv, write_recipe
from optimiser.values import hash_of

BASIS = Basis(history="aa", recipe="bb", plant="cc", version="0", seed=7)
UNITS = {"tilt": "deg", "offset": "um", "fill": "%"}
FIGURES = {"promise": {"saving_per_month": {"value": 120.0, "low": 80.0, "high": 160.0}}}


def move(measurement, side, now, proposed):
    return {
        "measurement": measurement,
        "side": side,
        "unit": UNITS[measurement],
        "now": now,
        "proposed": proposed,
        "rail": "",
    }


TILT = move("tilt", "upper", 3.5, 4.0)
SOT_OFFSET = move("offset", "upper", 80.0, 75.0)


class Bench:
    """A plant, its ledger, and short words for what is done to them."""

    def __init__(self, folder, **changed):
        self.folder = make_plant(folder, items=[], **changed)
        self.ledger = Ledger(self.folder / LEDGER)

    @property
    def live(self):
        plant = read_plant(self.folder)
        path = plant.locate(plant.file.plant.recipe)
        return plant, read_recipe(path, plant.file.measurements), path

    def propose(self, family, *limits, critical=False, accept=("Ada",)):
        entry = self.ledger.propose(
            family,
            limits,
            by="night",
            reason="",
            origin="recommended",
            critical=critical,
            basis=self.basis(),
            figures=FIGURES,
        )
        for by in accept:
            self.ledger.decide(entry.id, "accept", by=by, reason="boards looked at")
        return entry.id

    def basis(self):
        plant, live, _ = self.live
        return replace(
            BASIS,
            recipe=hash_of(to_csv(live)),
            plant=hash_of(plant.file.ground()),
            version=optimiser.__version__,
        )

    def export(self, by="Ada", reason="week 10", **more):
        return export_revision(*self.live, self.ledger, by=by, reason=reason, **more)

    def back(self, to, by="Ada", reason="promise not kept"):
        return roll_back(*self.live, self.ledger, to=to, by=by, reason=reason)

    def make_live(self, revision):
        shutil.copy(self.folder / "revisions" / f"{revision}.csv", self.folder / "recipe.csv")

    def edit(self, text, new):
        path = self.folder / "recipe.csv"
        assert text in path.read_text()
        path.write_text(path.read_text().replace(text, new))

    def states(self):
        return [s.state for s in self.ledger.states()]

    def read(self, revision):
        plant = read_plant(self.folder)
        path = self.folder / "revisions" / f"{revision}.csv"
        return read_recipe(path, plant.file.measurements)

    def limit(self, revision, family, measurement, side="upper"):
        return self.read(revision).family_rows(family)[measurement].limit(side)

    def files(self):
        return {p.name: p.read_bytes() for p in (self.folder / "revisions").glob("*")}


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path / "plant")


# Names


@pytest.mark.parametrize(
    ("live", "taken", "name"),
    [
        ("12", (), "13"),
        ("R7", (), "R8"),
        ("9", (), "10"),
        ("v-099", (), "v-100"),
        ("2026-03", (), "2026-04"),
        ("pilot", (), "pilot-2"),
        ("pilot", ("pilot-2",), "pilot-3"),
        ("pilot-2", (), "pilot-3"),
        ("7", ("8", "9"), "10"),
        ("R\u0667", (), "R\u0667-2"),
    ],
)
def test_the_next_name(live, taken, name):
    assert next_name(live, set(taken)) == name


def test_a_revision_without_a_name_is_refused(tmp_path):
    bench = Bench(tmp_path, recipe=recipe_text(RECIPE, " "))
    bench.propose("CHIP", TILT)
    with pytest.raises(RecipeError, match=r"line 1: the revision has no name"):
        bench.export()


def test_a_name_that_no_file_can_hold(tmp_path):
    bench = Bench(tmp_path, recipe=recipe_text(RECIPE, "../a b/7"))
    bench.propose("CHIP", TILT)
    found = bench.export().revision
    assert found.revision == "../a b/8"
    assert found.path.parent == bench.folder / "revisions"
    assert bench.back("../a b/7").revision == "../a b/9"


# Exporting


def test_nothing_to_export(bench):
    assert bench.export() == bench.export(by="Ben")
    bench.propose("CHIP", TILT, accept=())
    found = bench.export()
    assert (found.revision, found.conflicts) == (None, ())
    assert not (bench.folder / "revisions").exists()
    assert len(bench.ledger.entries()) == 1


def test_an_export_holds_the_signed_limits_and_nothing_else(bench):
    before = (bench.folder / "recipe.csv").read_bytes()
    one = bench.propose("CHIP", TILT, move("fill", "lower", 70.0, None))
    bench.propose("SOT", SOT_OFFSET, accept=())
    found = bench.export().revision
    assert (found.revision, found.base, found.proposals) == ("8", "7", (one,))
    new, live = bench.read("8"), bench.live[1]
    assert new.revision == "8"
    assert new.family_rows("CHIP")["tilt"].upper == 4.0
    assert new.family_rows("CHIP")["fill"].lower == -math.inf
    assert new.family_rows("SOT") == live.family_rows("SOT")
    assert new.overrides == live.overrides
    assert len(new.overrides) == 2
    assert [r.measurement for r in new.rows] == [r.measurement for r in live.rows]
    assert (bench.folder / "recipe.csv").read_bytes() == before
    assert bench.read("7") == live
    assert bench.states() == ["exported", "waiting"]
    assert found.difference == (
        {
            "scope": "family",
            "name": "CHIP",
            "measurement": "tilt",
            "side": "upper",
            "unit": "deg",
            "from": 3.5,
            "to": 4.0,
            "proposal": one,
        },
        {
            "scope": "family",
            "name": "CHIP",
            "measurement": "fill",
            "side": "lower",
            "unit": "%",
            "from": 70.0,
            "to": None,
            "proposal": one,
        },
    )


def test_the_entry_says_what_was_written(bench):
    bench.propose("CHIP", TILT)
    found = bench.export().revision
    entry = bench.ledger.entries()[-1]
    assert entry == found.entry
    assert (entry.kind, entry.by, entry.reason) == ("export", "Ada", "week 10")
    body = entry.body
    assert (bench.folder / body["file"]) == found.path
    assert body["sha256"] == hashlib.sha256(found.path.read_bytes()).hexdigest()
    assert body["proposals"] == [1]
    assert body["difference"] == list(found.difference)
    assert bench.ledger.verify().valid


def test_the_story_says_who_why_and_what_was_promised(bench):
    bench.propose("CHIP", TILT)
    text = bench.export().revision.words.read_text()
    for words in (
        "# Revision 8",
        "Exported by Ada: week 10",
        "revision 7, live",
        "| family | CHIP | tilt | upper | deg | 3.5 | 4 | 1 |",
        "signed by Ada",
        "boards looked at",
        "promised saving per month: 120.0 (80.0 to 160.0)",
    ):
        assert words in text
    assert text.rstrip().endswith(CAUTION)


def test_only_full_signatures_export(bench):
    bench.propose("CHIP", TILT, critical=True, accept=("Ada",))
    assert bench.export().revision is None
    bench.ledger.decide(1, "accept", by="Ben", reason="too")
    assert bench.export().revision.proposals == (1,)
    text = (bench.folder / "revisions" / "8.md").read_text()
    assert "signed by Ada" in text
    assert "signed by Ben" in text


@settings(max_examples=30, deadline=None)
@given(
    now=st.floats(-1e30, 1e30),
    proposed=st.floats(-1e30, 1e30) | st.none(),
    override=st.floats(-1e30, 1e30),
)
def test_limits_are_exact_to_the_last_digit(tmp_path_factory, now, proposed, override):
    rows = (("family", "CHIP", "tilt", "", repr(now), "deg"),)
    rows += (("part", "R-9", "tilt", repr(override), "", "deg"),)
    bench = Bench(tmp_path_factory.mktemp("p"), recipe=rows)
    if now == proposed:
        return
    bench.propose("CHIP", move("tilt", "upper", now, proposed))
    found = bench.export().revision
    wanted = math.inf if proposed is None else proposed
    assert bench.limit("8", "CHIP", "tilt") == wanted
    assert bench.read("8").overrides == bench.live[1].overrides
    assert found.difference[0]["from"] == now
    assert found.difference[0]["to"] == proposed
    bench.make_live("8")
    bench.back("7")
    assert bench.read("9") == replace(bench.read("7"), revision="9")


def test_a_measurement_without_a_row_gets_one(bench):
    bench.propose("SOT", move("fill", "lower", None, 60.0))
    bench.export()
    rows = bench.read("8").rows
    assert [(r.name, r.measurement) for r in rows[3:6]] == [
        ("SOT", "tilt"),
        ("SOT", "offset"),
        ("SOT", "fill"),
    ]
    assert (rows[5].lower, rows[5].upper, rows[5].unit) == (60.0, math.inf, "%")
    bench.make_live("8")
    back = bench.back("7")
    assert back.difference == (
        {
            "scope": "family",
            "name": "SOT",
            "measurement": "fill",
            "side": "lower",
            "unit": "%",
            "from": 60.0,
            "to": None,
            "proposal": None,
        },
    )
    assert len(bench.read("9").rows) == len(RECIPE)


def test_a_further_copy(bench, tmp_path):
    bench.propose("CHIP", TILT)
    to = tmp_path / "out" / "next.json"
    bench.export(to=to)
    plant = read_plant(bench.folder)
    assert read_recipe(to, plant.file.measurements) == bench.read("8")
    assert json.loads(to.read_text())["revision"] == "8"


def test_a_file_in_the_way_is_left_alone(bench, tmp_path):
    bench.propose("CHIP", TILT)
    to = tmp_path / "next.csv"
    to.write_text("mine")
    with pytest.raises(ConflictError, match="other contents.*nothing was exported"):  # noqa: RUF043
        bench.export(to=to)
    assert to.read_text() == "mine"
    assert not (bench.folder / "revisions").exists()
    stranger = bench.folder / "revisions" / "8.csv"
    stranger.parent.mkdir()
    stranger.write_text("somebody's")
    assert bench.export().revision.revision == "9"
    assert stranger.read_text() == "somebody's"


# Conflicts


def test_a_limit_that_moved_since_is_a_conflict(bench):
    bench.propose("CHIP", TILT, move("fill", "lower", 70.0, 65.0))
    two = bench.propose("SOT", SOT_OFFSET)
    bench.edit("CHIP,tilt,,3.5", "CHIP,tilt,,3.75")
    bench.edit("revision 7", "revision 7b1")
    found = bench.export()
    (conflict,) = found.conflicts
    assert (conflict.family, conflict.proposal) == ("CHIP", 1)
    assert [(m.measurement, m.side, m.then, m.now) for m in conflict.limits] == [
        ("tilt", "upper", 3.5, 3.75)
    ]
    assert "tilt upper was 3.5 deg then and is 3.75 deg now" in conflict.words
    assert "optimiser withdraw PLANT 1" in conflict.words
    assert found.revision.proposals == (two,)
    assert bench.limit("7b2", "CHIP", "tilt") == 3.75
    assert bench.limit("7b2", "CHIP", "fill", "lower") == 70.0
    assert bench.limit("7b2", "SOT", "offset") == 75.0
    assert bench.states() == ["accepted", "exported"]
    bench.ledger.decide(1, "withdraw", by="Ada", reason="limits moved")


def test_a_limit_that_it_does_not_move_may_have_moved(bench):
    bench.propose("CHIP", TILT)
    bench.edit("CHIP,offset,,60", "CHIP,offset,,55")
    found = bench.export()
    assert not found.conflicts
    assert bench.limit("8", "CHIP", "offset") == 55.0


def test_nothing_is_written_where_all_conflict(bench):
    bench.propose("CHIP", TILT)
    bench.edit("CHIP,tilt,,3.5", "CHIP,tilt,,")
    found = bench.export()
    assert found.revision is None
    assert "is off deg now" in found.conflicts[0].words
    assert not (bench.folder / "revisions").exists()
    assert bench.ledger.entries(kind="export") == []


@pytest.mark.parametrize(
    ("plant", "words"),
    [
        ({"families": {"CHIP": {"critical": True}}}, "critical now, which needs two signatures"),
        ({"measurements": {"tilt": {"unit": "mrad"}}}, "was in deg then and is in mrad now"),
    ],
)
def test_a_plant_that_changed_is_a_conflict(tmp_path, plant, words):
    bench = Bench(tmp_path)
    bench.propose("CHIP", TILT)
    toml = table(**plant)
    rows = [(*r[:5], toml["measurements"][r[2]]["unit"]) for r in RECIPE]
    make_plant(tmp_path, items=[], toml=toml, recipe=rows)
    (conflict,) = bench.export().conflicts
    assert words in conflict.words


def test_a_family_that_is_gone_is_a_conflict(tmp_path):
    bench = Bench(tmp_path)
    bench.propose("SOT", move("fill", "lower", None, 60.0))
    make_plant(tmp_path, items=[], recipe=[r for r in RECIPE if r[1] != "SOT"])
    assert "no such family any more" in bench.export().conflicts[0].words


def test_limits_that_would_cross_are_a_conflict(bench):
    bench.propose("SOT", move("tilt", "upper", 4.0, 2.0))
    bench.edit("SOT,tilt,-4", "SOT,tilt,3")
    (conflict,) = bench.export().conflicts
    assert "tilt would have lower 3.0 above upper 2.0" in conflict.words


def test_a_live_recipe_changed_under_its_name_is_found(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.propose("SOT", SOT_OFFSET)
    bench.edit("CHIP,offset,,60", "CHIP,offset,,61")
    with pytest.raises(ConflictError, match="changed without a new revision"):
        bench.export()
    assert len(bench.ledger.entries(kind="export")) == 1


def test_a_revision_changed_after_it_was_written_is_found(bench):
    bench.propose("CHIP", TILT)
    path = bench.export().revision.path
    path.write_text(path.read_text().replace("4.0", "9.0"))
    bench.propose("SOT", SOT_OFFSET)
    for act in (lambda: bench.back("8"), lambda: (bench.make_live("8"), bench.export())):
        with pytest.raises(ConflictError, match="changed after it was written"):
            act()


# Twice, and on top of each other


def test_a_proposal_is_exported_once(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    files = bench.files()
    assert bench.export().revision is None
    bench.make_live("8")
    assert bench.export().revision is None
    assert bench.files() == files
    assert len(bench.ledger.entries(kind="export")) == 1


def test_a_revision_that_is_not_live_yet_is_carried_on(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    two = bench.propose("SOT", SOT_OFFSET)
    found = bench.export().revision
    assert (found.revision, found.base) == ("9", "7")
    assert (found.proposals, found.carried) == ((two,), (1,))
    assert bench.limit("9", "CHIP", "tilt") == 4.0
    assert bench.limit("9", "SOT", "offset") == 75.0
    assert {x["proposal"] for x in found.difference} == {1, two}
    assert [s.exported_in for s in bench.ledger.states()] == ["9", "9"]


def test_a_live_revision_is_not_carried_on_again(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.make_live("8")
    two = bench.propose("SOT", SOT_OFFSET)
    done = bench.export()
    assert done.conflicts == ()
    found = done.revision
    assert (found.base, found.carried, found.proposals) == ("8", (), (two,))
    assert [s.exported_in for s in bench.ledger.states()] == ["8", "9"]
    assert bench.limit("9", "CHIP", "tilt") == 4.0


def test_a_newer_proposal_of_the_family_replaces_one_that_is_not_live(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.propose("CHIP", move("offset", "upper", 60.0, 65.0))
    found = bench.export().revision
    assert (found.carried, found.replaced) == ((), (1,))
    assert bench.limit("9", "CHIP", "tilt") == 3.5  # the newer was judged without it
    assert bench.states() == ["superseded", "exported"]


def test_what_was_taken_back_by_hand_is_not_carried_on_to_a_strange_revision(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.edit("revision 7", "revision own-1")
    bench.propose("SOT", SOT_OFFSET)
    found = bench.export().revision
    assert (found.base, found.revision, found.carried) == ("own-1", "own-2", ())
    assert bench.limit("own-2", "CHIP", "tilt") == 3.5


def test_a_conflict_of_what_is_carried_on_is_told(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.edit("CHIP,tilt,,3.5", "CHIP,tilt,,3.6")
    (bench.folder / "revisions" / "7.csv").unlink()
    bench.propose("SOT", SOT_OFFSET)
    found = bench.export()
    assert found.revision.carried == ()
    assert "revision 8, which is not live, was not carried on" in found.conflicts[0].words


# Back


def test_rolling_back_takes_proposals_back(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.make_live("8")
    two = bench.propose("SOT", SOT_OFFSET)
    bench.export()
    bench.make_live("9")
    found = bench.back("8")
    assert (found.revision, found.base, found.proposals) == ("10", "9", (two,))
    assert bench.read("10") == replace(bench.read("8"), revision="10")
    assert bench.states() == ["exported", "rolled back"]
    assert [(x["from"], x["to"]) for x in found.difference] == [(75.0, 80.0)]
    entry = bench.ledger.entries()[-1]
    assert (entry.kind, entry.body["proposals"]) == ("rollback", [two])
    assert entry.body["sha256"] == hashlib.sha256(found.path.read_bytes()).hexdigest()
    assert "Rolled back by Ada: promise not kept" in found.words.read_text()
    bench.make_live("10")
    all_back = bench.back("7")
    assert all_back.proposals == (1,)
    assert bench.read("11") == replace(bench.read("7"), revision="11")
    assert bench.states() == ["rolled back", "rolled back"]
    assert bench.ledger.verify().valid


def test_rolling_forward_again_restores(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.make_live("8")
    bench.back("7")
    bench.make_live("9")
    found = bench.back("8")
    assert (found.revision, found.proposals, found.restored) == ("10", (), (1,))
    assert bench.states() == ["exported"]
    assert bench.ledger.states()[0].exported_in == "10"
    assert bench.limit("10", "CHIP", "tilt") == 4.0


def test_going_back_restores_the_proposal_that_was_replaced(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.make_live("8")
    two = bench.propose("CHIP", move("tilt", "upper", 4.0, 4.5))
    bench.export()
    bench.make_live("9")
    assert bench.states() == ["superseded", "exported"]
    found = bench.back("8")
    assert (found.proposals, found.restored) == ((two,), (1,))
    assert bench.states() == ["exported", "rolled back"]


def test_rolling_back_to_the_live_one_takes_back_what_is_not_live(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    found = bench.back("7")
    assert (found.revision, found.difference, found.proposals) == ("9", (), (1,))
    bench.propose("SOT", SOT_OFFSET)
    later = bench.export().revision
    assert (later.revision, later.carried) == ("10", ())
    assert bench.limit("10", "CHIP", "tilt") == 3.5


def test_a_rollback_is_not_undone_by_an_export_before_it_is_live(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.make_live("8")
    bench.back("7")
    two = bench.propose("SOT", SOT_OFFSET)
    files = bench.files()
    with pytest.raises(ConflictError, match=r"revision 9 took proposals back.*Make 9 live first"):
        bench.export()
    assert bench.files() == files
    bench.make_live("9")
    found = bench.export().revision
    assert (found.revision, found.proposals, found.entry.body["holds"]) == ("10", (two,), [two])
    assert bench.limit("10", "CHIP", "tilt") == 3.5


def test_the_same_change_may_be_proposed_again_after_a_rollback(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.back("7")
    again = bench.propose("CHIP", TILT)
    found = bench.export().revision
    assert (found.revision, found.proposals) == ("10", (again,))


def test_overrides_come_back_as_well(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    bench.edit("part,R-9,tilt,,5", "part,R-9,tilt,,6")
    bench.edit("revision 7", "revision 20")
    found = bench.back("7")
    assert found.revision == "21"
    assert [(x["scope"], x["name"], x["from"], x["to"]) for x in found.difference] == [
        ("part", "R-9", 6.0, 5.0)
    ]


def test_no_such_revision(bench):
    bench.propose("CHIP", TILT)
    bench.export()
    with pytest.raises(UsageError, match="no revision '77'.*known: 7, 8"):  # noqa: RUF043
        bench.back("77")
    for by, reason in (("", "why"), ("Ada", " ")):
        with pytest.raises(UsageError, match="nothing was saved"):
            bench.back("7", by=by, reason=reason)
        with pytest.raises(UsageError, match="nothing was saved"):
            bench.export(by=by, reason=reason)
    assert len(bench.ledger.entries()) == 3


def do(bench, step, n):
    """Take one step of a plant's life."""
    rows = bench.live[1]
    written = revisions(bench)
    if step in ("tilt", "fill", "sot"):
        family = "SOT" if step == "sot" else "CHIP"
        name, side = ("fill", "lower") if step == "fill" else ("tilt", "upper")
        now = rows.family_rows(family)[name].limit(side)
        bench.propose(family, move(name, side, now, now + n / 4))
    elif step == "export":
        with suppress(ConflictError):  # a rollback is not live yet
            bench.export()
    elif step == "live" and written:
        bench.make_live(written[-1].body["revision"])
    elif step == "back" and written:
        bench.back("7")


def revisions(bench):
    return [e for e in bench.ledger.entries() if e.kind in ("export", "rollback")]


STEPS = ("tilt", "fill", "sot", "export", "live", "back")


@settings(max_examples=25, deadline=None)
@given(steps=st.lists(st.sampled_from(STEPS), max_size=14))
def test_whatever_is_done_states_and_files_agree(tmp_path_factory, steps):
    """At most one exported proposal per family; the last revision has exactly their limits."""
    bench = Bench(tmp_path_factory.mktemp("p"))
    first = bench.live[1]
    for n, step in enumerate(("tilt", "export", *steps), 1):
        do(bench, step, n)
    assert bench.ledger.verify().valid
    exported = [s for s in bench.ledger.states() if s.state == "exported"]
    assert len({s.entry.family for s in exported}) == len(exported)
    written = revisions(bench)
    assert len({e.body["revision"] for e in written}) == len(written)
    for entry in written:
        path = bench.folder / entry.body["file"]
        assert hashlib.sha256(path.read_bytes()).hexdigest() == entry.body["sha256"]
    last = bench.read(written[-1].body["revision"])
    assert written[-1].body["holds"] == [s.entry.id for s in exported]
    for state in exported:
        for x in state.entry.body["limits"]:
            row = last.family_rows(state.entry.family)[x["measurement"]]
            assert row.limit(x["side"]) == x["proposed"]
    if not exported:
        assert last == replace(first, revision=last.revision)


# Crashes


class PowerCut(BaseException):
    """What no code catches."""


def cut_at(monkeypatch, name, before):
    """Let the n-th call of a writing function end everything, before or after its work."""
    real = getattr(revision_module, name)
    calls = []

    def stand_in(*arguments, **words):
        calls.append(name)
        if not before:
            real(*arguments, **words)
        raise PowerCut

    monkeypatch.setattr(revision_module, name, stand_in)
    return calls


@pytest.mark.parametrize("before", [True, False])
@pytest.mark.parametrize("name", ["write_new", "read_recipe", "write_over", "sha256"])
@pytest.mark.parametrize("act", ["export", "rollback"])
def test_a_crash_at_any_point_is_completed_by_the_same_command(
    bench, monkeypatch, act, name, before
):
    bench.propose("CHIP", TILT)
    if act == "rollback":
        bench.export()
        bench.make_live("8")

    def run():
        return bench.export().revision if act == "export" else bench.back("7")

    count = len(bench.ledger.entries())
    with monkeypatch.context() as patch:
        calls = cut_at(patch, name, before)
        with pytest.raises(PowerCut):
            run()
        assert calls == [name]
    assert len(bench.ledger.entries()) == count
    found = run()
    assert found.revision == ("8" if act == "export" else "9")
    assert len(bench.ledger.entries()) == count + 1
    assert not [p for p in bench.files() if p.endswith(".tmp")]
    assert bench.limit(found.revision, "CHIP", "tilt") == (4.0 if act == "export" else 3.5)
    assert bench.ledger.verify().valid
    if act == "export":
        assert run() is None


def test_an_entry_that_cannot_be_saved_says_that_its_file_is_not_to_be_used(bench, monkeypatch):
    bench.propose("CHIP", TILT)

    def full(*arguments, **words):
        import sqlite3

        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(bench.ledger, "_append", full, raising=False)
        with pytest.raises(LedgerError, match=r"nothing was saved.*8\.csv is in no entry.*do not"):
            bench.export()
    assert bench.states() == ["accepted"]
    assert bench.export().revision.revision == "8"
    assert len(bench.ledger.entries(kind="export")) == 1


def test_a_crash_then_another_decision_takes_another_name(bench, monkeypatch):
    bench.propose("CHIP", TILT)
    with monkeypatch.context() as patch:
        cut_at(patch, "sha256", True)
        with pytest.raises(PowerCut):
            bench.export()
    orphan = bench.files()["8.csv"]
    bench.propose("SOT", SOT_OFFSET)
    found = bench.export().revision
    assert found.revision == "9"
    assert bench.files()["8.csv"] == orphan


def test_a_place_that_cannot_be_written_is_told(bench):
    bench.propose("CHIP", TILT)
    (bench.folder / "revisions").write_text("a file")
    with pytest.raises(InputError, match=r"cannot be written .*no revision was made"):
        bench.export()
    assert bench.states() == ["accepted"]


def _export(folder, barrier, results, by):
    bench = Bench.__new__(Bench)
    bench.folder, bench.ledger = folder, Ledger(folder / LEDGER)
    barrier.wait()
    found = bench.export(by=by).revision
    results.put((by, None if found is None else found.revision))


def test_two_who_export_at_once_write_one_revision(bench):
    for family, limit in (("CHIP", TILT), ("SOT", SOT_OFFSET)):
        bench.propose(family, limit)
    context = get_context("spawn")
    barrier, results = context.Barrier(2), context.Queue()
    workers = [
        context.Process(target=_export, args=(bench.folder, barrier, results, by))
        for by in ("Ada", "Ben")
    ]
    for worker in workers:
        worker.start()
    told = dict(results.get(timeout=300) for _ in workers)
    for worker in workers:
        worker.join()
    assert sorted(told.values(), key=str) == ["8", None]
    (winner,) = (by for by, revision in told.items() if revision)
    assert bench.ledger.entries(kind="export")[0].by == winner
    assert f"Exported by {winner}" in (bench.folder / "revisions" / "8.md").read_text()


def test_recipes_that_differ_in_nothing_have_no_difference(bench):
    live = bench.live[1]
    assert difference(live, live) == []
    copied = bench.folder / "copy.json"
    write_recipe(live, copied)
    assert difference(live, read_recipe(copied, bench.live[0].file.measurements)) == []
