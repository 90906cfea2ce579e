"""The rest of the loop without leaving the notebook: wait, sign, export, what followed, last night."""

import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape

import pytest
from factories import make_demo, make_plant
from watched_plant import AFTER, CHANGE_DAY, START, make_days

from optimiser.commands.deciding import state_row
from optimiser.history.filters import Filter
from optimiser.ledger.ledger import LEDGER, Ledger
from optimiser.ledger.revision_file import limit_text
from optimiser.ledger.signatures import sign_with
from optimiser.night import last_night
from optimiser.plant.file import Signer, read_plant
from optimiser.proposal.session import Session, open_plant
from optimiser.recipe.past import FOLDER
from optimiser.recipe.table import read_recipe, write_recipe
from optimiser.views.panels.decision import DecisionPanel
from optimiser.views.panels.follow import ExportPanel, NightPanel, WatchPanel
from optimiser.views.panels.overview import OverviewPanel
from optimiser.views.panels.waiting import WaitingPanel
from optimiser.views.shown import svg

FAMILY = "RES-0402"


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    folder = make_demo(
        tmp_path_factory.mktemp("follow") / "plant",
        (FAMILY,),
        days=16,
        items_per_day=5_000,
        seed=11,
    )
    with open_plant(folder, trials=4) as found:
        yield found


@pytest.fixture
def session(opened):
    """A session of its own; what it leaves in ledger and revisions goes."""
    yield Session(opened.plant, opened.live, opened.cases, opened.opening, history=opened.history)
    folder = opened.plant.folder
    for path in [*folder.glob(f"{LEDGER}*"), *(folder / FOLDER).glob("*")]:
        path.unlink()


def fill(panel, by="Ada Fenn", reason="boards looked at"):
    panel.confirm.name.value, panel.confirm.reason.value = by, reason


def proposed(session, verdict="hold"):
    """Put a proposal into the ledger by a hand-made setting; return the panel that shows it."""
    panel = DecisionPanel(session, FAMILY)
    setting = panel.choice.tally.grid.live
    n = next(n for n, x in enumerate(panel.choice.tally.grid.limits) if x.live + 1 < len(x.values))
    setting[n] += 1
    panel.set(setting)
    panel.signature.name.value, panel.signature.reason.value = "Bo Marsh", "a look first"
    assert panel.decide(verdict, although_not_advised=True), panel.status.value
    return WaitingPanel(session)


def test_a_proposal_is_signed_only_as_it_is_shown(session):
    panel = proposed(session)
    ledger = Ledger.of(session.plant)
    state = ledger.states()[0]
    row = state_row(state, session.plant, session.live)
    shown = panel.table.frame.iloc[0]
    assert (shown["proposal"], shown["state"]) == (row["proposal"], row["state"]) == (1, "held")
    fill(panel)
    panel.confirm.buttons["Accept"].click()
    assert "pick a proposal" in panel.status.value
    panel.table.pick(0)
    for x in row["limits"]:
        assert f'<td class="">{limit_text(x["proposed"])}</td>' in panel._one.value
    panel.confirm.buttons["Accept"].click()
    yes = panel.confirm.yes
    panel.confirm.name.value = "Cy Dale"
    yes.click()
    assert [e.kind for e in ledger.entries()] == ["proposal", "hold"], "another name takes it back"
    panel.confirm.buttons["Accept"].click()
    assert "signed by Cy Dale" in panel.confirm.asked
    panel.confirm.yes.click()
    assert "Saved: accept proposal 1" in panel.status.value
    assert ledger.states()[0].state == "accepted" == panel.table.frame["state"][0]
    fill(panel, "Ada Fenn", "second thoughts")
    panel.confirm.buttons["Withdraw"].click()
    panel.confirm.yes.click()
    assert ledger.states()[0].state == "withdrawn"


def test_without_name_or_reason_nothing_is_asked(session):
    panel = proposed(session)
    panel.table.pick(0)
    panel.confirm.buttons["Reject"].click()
    assert "NOT SAVED" in panel.status.value
    assert panel.confirm.asked == ""


def test_a_recipe_that_changed_is_marked_on_the_trend_on_its_day_and_line(tmp_path):
    """The limits moved in the middle of the history: a line at that day, under the name of the new revision."""
    begins = START + timedelta(days=CHANGE_DAY)
    days = [i for i in make_days() if not begins <= i["time"] < begins + timedelta(hours=5)]
    folder = make_plant(tmp_path / "plant", items=days, recipe=AFTER)
    measurements = read_plant(folder).file.measurements
    before = folder / FOLDER / "old.csv"
    before.parent.mkdir()
    now = read_recipe(folder / "recipe.csv", measurements)
    write_recipe(replace(now, revision="old").with_limits("CHIP", {("tilt", "upper"): 3.5}), before)
    with open_plant(folder, trials=2) as session:
        origins = OverviewPanel(session).origins
        ((day, line, revision),) = session.revision_changes()
        assert (begins.date(), "L1", session.live.revision) == (day, line, revision)
        for wanted in (Filter(), Filter(family="CHIP")):
            origins.filters.value = wanted
            spec = origins._line.chart.to_dict()
            rules = [x for x in spec["layer"] if x["mark"]["type"] == "rule"]
            marks = spec["datasets"][rules[0]["data"]["name"]]
            assert [(m["at"][:10], m["to"]) for m in marks] == [
                (begins.date().isoformat(), f"revision {revision}, L1")
            ]
            assert "revision" in svg(origins._line.chart)


def key_pair(folder, name):
    """A key pair of its own, made by OpenSSH."""
    path = folder / name
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(path)]
    subprocess.run(command, check=True)
    return path, path.with_suffix(".pub").read_text().strip()


@pytest.fixture
def keyed(session, tmp_path):
    """The same session where Ada Fenn accepts by a key; her key and somebody else's."""
    mine, public = key_pair(tmp_path, "ada")
    theirs, _ = key_pair(tmp_path, "eve")
    signers = {"Ada Fenn": Signer(key=public), "Bo Marsh": Signer()}
    file = session.plant.file.model_copy(update={"signers": signers})
    plant = session.plant.model_copy(update={"file": file})
    cases = {name: replace(case, plant=plant) for name, case in session.cases.items()}
    return (
        Session(plant, session.live, cases, session.opening, history=session.history),
        mine,
        theirs,
    )


def instead(by_key, words):
    """Return a button that ends the question of a key without a signature."""
    return next(b for b in by_key.children[-1].children if b.description == words)


def uploaded(content):
    """Return a file as a browser hands it over."""
    told = {"name": "1.sig", "type": "", "size": len(content), "content": content}
    return told | {"last_modified": datetime(2026, 3, 2, tzinfo=UTC)}


def test_a_signer_with_a_key_accepts_in_the_panel_by_that_key_alone(keyed):
    session, mine, theirs = keyed
    panel = proposed(session)
    ledger = Ledger.of(session.plant)
    panel.table.pick(0)
    fill(panel)
    panel.confirm.buttons["Accept"].click()
    panel.confirm.yes.click()
    assert "Not saved yet" in panel.status.value
    by_key = panel.by_key
    assert ledger.states()[0].entry.hash in by_key.text
    for key, why in ((theirs, "not by Ada Fenn"), (mine.with_name("none"), "no key lies at")):
        by_key.key.value = str(key)
        by_key.by_key.click()
        assert why in panel.status.value
        assert ledger.states()[0].state == "held"
    other = sign_with(mine, by_key.text.replace("proposal 1", "proposal 2")).encode()
    by_key.sheet.value = (uploaded(other),)
    assert "or of another proposal" in panel.status.value
    instead(by_key, "Leave it as it is").click()
    assert by_key.text == ""
    assert "Nothing was saved: proposal 1 is held" in panel.status.value
    assert ledger.states()[0].state == "held"
    panel.confirm.buttons["Accept"].click()
    panel.confirm.yes.click()
    right = sign_with(mine, by_key.text).encode()
    by_key.sheet.value = (uploaded(right),)
    assert "Saved: accept proposal 1" in panel.status.value
    assert ledger.states()[0].state == "accepted"
    assert by_key.text == "" == panel.confirm.asked


def loosened(session):
    """Return the panel of a family with one limit a level looser, and a signer named."""
    panel = DecisionPanel(session, FAMILY)
    setting = panel.choice.tally.grid.live
    n = next(n for n, x in enumerate(panel.choice.tally.grid.limits) if x.live + 1 < len(x.values))
    setting[n] += 1
    panel.set(setting)
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "boards looked at"
    return panel


def test_what_is_chosen_by_a_signer_with_a_key_waits_until_the_key_has_signed(keyed):
    session, mine, _ = keyed
    panel = loosened(session)
    assert panel.decide("accept", although_not_advised=True) is None
    ledger = Ledger.of(session.plant)
    assert [s.state for s in ledger.states()] == ["waiting"]
    assert "waits" in panel.status.value
    told = unescape(panel.by_key.children[-2].value)
    assert f"optimiser accept {session.plant.folder} 1 --by 'Ada Fenn'" in told
    panel.by_key.key.value = str(mine)
    panel.by_key.by_key.click()
    assert "Saved as row 2" in panel.status.value
    (state,) = ledger.states()
    assert state.state == "accepted"
    assert state.last.body["although_not_advised"] or not panel.choice.proposal.reasons


def test_what_was_put_forward_and_not_signed_waits_or_is_withdrawn(keyed):
    session, _, _ = keyed
    panel = loosened(session)
    panel.decide("accept", although_not_advised=True)
    assert "Until then it waits: nothing is accepted" in panel.by_key.children[0].value
    instead(panel.by_key, "Leave it waiting").click()
    ledger = Ledger.of(session.plant)
    assert panel.by_key.children == ()
    assert "Proposal 1" in panel.status.value
    assert "waits unsigned" in panel.status.value
    assert [s.state for s in ledger.states()] == ["waiting"]
    panel.decide("accept", although_not_advised=True)
    instead(panel.by_key, "Withdraw it").click()
    assert panel.by_key.children == ()
    # Put forward once more it is the same proposal.
    assert "Proposal 1" in panel.status.value
    assert "is withdrawn by Ada Fenn" in panel.status.value
    assert "Withdrawn" in panel._head.value
    (last,) = ledger.states()
    assert (last.state, last.last.by) == ("withdrawn", "Ada Fenn")
    assert last.last.reason == "put forward and not signed: boards looked at"


def test_what_is_exported_is_what_was_shown(session):
    proposed(session, "accept")
    panel = ExportPanel(session)
    ledger, plant = Ledger.of(session.plant), session.plant
    fill(panel)
    panel.confirm.buttons["Export"].click()
    assert f"<strong>{FAMILY}</strong>, proposal 1" in panel.confirm.asked
    yes = panel.confirm.yes
    ledger.decide(1, "withdraw", by="Bo Marsh", reason="meanwhile")
    yes.click()
    assert "no longer what was shown" in panel.status.value
    assert not [e for e in ledger.entries() if e.kind == "export"]
    panel.confirm.buttons["Export"].click()
    assert "nothing was written" in panel.status.value
    proposed(session, "accept")
    fill(panel, reason="released")
    panel.confirm.buttons["Export"].click()
    panel.confirm.yes.click()
    assert "Exported: revision" in panel.status.value, panel.status.value
    name = next(e for e in reversed(ledger.entries()) if e.kind == "export").body["revision"]
    written = plant.folder / FOLDER / f"{name}.csv"
    recipe = read_recipe(written, plant.file.measurements)
    for x in ledger.states()[-1].entry.body["limits"]:
        row = next(r for r in recipe.rows if r.name == FAMILY and r.measurement == x["measurement"])
        assert row.limit(x["side"]) == x["proposed"]
    assert str(written) in unescape(panel._done.value)
    watch = WatchPanel(session)
    watch.start.click()
    assert watch.wait(60)
    assert "1 exported changes" in watch.status.value
    assert "not live" in watch._result.value


def test_last_night_says_what_the_command_says(session):
    def told(plant):
        return {
            "at": "2026-03-01T02:15:00", "clock": "2026-02-28T23:00:00", "items": 7, "set_aside": 0,
            "new_set_aside": 0, "digested": 1, "digests": 1, "proposed": ["A"], "stand": [],
            "change": ["A"], "recorded": ["A"], "withdrawn": [], "looks": ["<b>limits</b>"],
            "refused": [], "alarms": [], "failed": {}, "problems": {},
        }  # fmt: skip

    panel = NightPanel(session, told)
    assert "LOOK: &lt;b&gt;limits&lt;/b&gt;" in panel._told.value
    assert "no night has ended yet" in NightPanel(session, last_night)._told.value
