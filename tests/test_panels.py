"""Panels without a browser: the same methods that buttons, clicks and scripts call."""

import importlib.util
import json
import re
import shutil
import subprocess
import sys
import threading
from dataclasses import asdict, replace
from html import unescape

import numpy as np
import pandas as pd
import pytest
from factories import make_demo, make_plant
from ipywidgets.widgets.widget import _instances

from optimiser.history.filters import Filter
from optimiser.history.replay import replay
from optimiser.ledger.ledger import LEDGER, Ledger
from optimiser.monitoring.shadow import Shadow
from optimiser.proposal.headline import headline
from optimiser.proposal.session import Session, open_plant
from optimiser.recipe.table import write_recipe
from optimiser.views import drawing, trade_charts
from optimiser.views.drawing import alt
from optimiser.views.figures import signed_words
from optimiser.views.notebook import decisions_frame, show_audit_plan, show_flicker, show_risk
from optimiser.views.panels import live, parts, words
from optimiser.views.panels.by_hand import ByHand, level_of, nearest_level
from optimiser.views.panels.decision import DecisionPanel
from optimiser.views.panels.download import csv_text
from optimiser.views.panels.grid import Grid
from optimiser.views.panels.learn import LearnPanel
from optimiser.views.panels.long_work import ProposePanel
from optimiser.views.panels.overview import OverviewPanel, families_frame, families_table
from optimiser.views.panels.plan import PlanPanel
from optimiser.views.panels.shadow import ShadowPanel
from optimiser.views.sentences import headline_words

FAMILIES = (
    *("CAP-0402", "CAP-0603", "CAP-1210", "CON-10"),
    *("PASTE-CHIP", "PASTE-FINE", "QFP-32", "RES-0402"),
)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("written") / "plant"
    return make_demo(folder, FAMILIES, days=16, items_per_day=5_000, seed=11)


@pytest.fixture(scope="module")
def opened(written):
    with open_plant(written, trials=6) as found:
        yield found


@pytest.fixture
def plant(written):
    """The plant's folder, as it was written."""
    before = {*written.rglob("*")}
    yield written
    for path in sorted({*written.rglob("*")} - before, reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()


@pytest.fixture
def session(opened, plant):
    """A session of its own on the plant that is read and tallied once; nothing proposed yet."""
    return Session(opened.plant, opened.live, opened.cases, opened.opening, history=opened.history)


@pytest.fixture(scope="module")
def searched(opened, tmp_path_factory):
    """What a search of the panel's family leaves; copy it, do not change it."""
    session = Session(opened.plant, opened.live, opened.cases, opened.opening)
    session.folder = tmp_path_factory.mktemp("searched") / "proposals"
    session.choice("PASTE-FINE")
    return session.folder


@pytest.fixture
def panel(session, searched):
    shutil.copytree(searched, session.folder, dirs_exist_ok=True)
    return DecisionPanel(session, "PASTE-FINE")


def click(panel, name):
    """Pretend that a browser reports a click on a point."""
    panel.trade._drawn._vl_selections = {
        "pick": {"value": {"vlPoint": {"or": [{"name": name}]}}, "store": [{}]}
    }


def test_a_click_chooses_a_point_and_moves_limits(panel):
    point = next(p for p in panel.choice.points if not p.recommended and p.name != "live")
    click(panel, point.name)
    assert panel.point.name == point.name
    assert panel.trade.listed.value == point.name
    assert np.array_equal(panel.by_hand.setting(), point.setting)
    assert panel.trade._drawn.params.chosen == point.name
    for n, limit in enumerate(panel.choice.tally.grid.limits):
        assert getattr(panel._spread.params, f"limit_{n}") == limit.values[point.setting[n]]


def test_the_list_chooses_like_a_click_and_survives_a_new_family(panel, session):
    point = panel.choice.points[0]
    panel.trade.listed.value = point.name
    assert panel.point.name == point.name
    others = {
        name: [p for p in session.choice(name).points if not p.recommended and p.name != "live"]
        for name in ("RES-0402", "CAP-0402", "CAP-0603", "PASTE-CHIP")
    }
    name = max(others, key=lambda n: len(others[n]))
    assert others[name], "no family with a front of two points"
    panel._families.value = name
    assert panel.wait(60)
    assert panel.choice.family == name
    other = others[name][0]
    click(panel, other.name)
    assert panel.point.name == other.name


@pytest.fixture
def in_a_notebook(monkeypatch):
    """What a panel leaves for after its first figures is done when the list's entries are called."""
    left = []

    class Later:
        def __init__(self, seconds, work):
            left.append(work)

        def start(self):
            pass

    monkeypatch.setattr(parts, "get_ipython", object)
    monkeypatch.setattr(parts.threading, "Timer", Later)
    return left


def test_first_figures_are_shown_before_any_row_is_read(session, in_a_notebook):
    for family in FAMILIES[:2]:
        session.choice(family)
    bare = Session(session.plant, session.live, session.cases, session.opening)
    with bare:
        overview, panel = OverviewPanel(bare), DecisionPanel(bare, FAMILIES[0])
        assert bare._history is None
        assert "a month" in overview._head.value
        assert list(overview.families.frame["family"]) == list(families_table(bare)["family"])
        assert "Counting where the false calls come from" in overview.origins._told.value
        whole = DecisionPanel(session, FAMILIES[0])
        assert panel._verdict.value == whole._verdict.value
        assert panel._compare.value == whole._compare.value
        assert panel._spread is None
    # The same, the rows now at hand.
    overview, panel = OverviewPanel(session), DecisionPanel(session, FAMILIES[0])
    for work in in_a_notebook[-2:]:
        work()
    assert overview.origins._frame["false_calls"].sum() == session.totals().false_calls
    windows = {
        c["layer"][-1]["encoding"]["x"]["datum"]["expr"] for c in panel._spread.spec["concat"]
    }
    assert windows
    panel.set(panel.choice.tally.grid.live)
    for n, limit in enumerate(panel.choice.tally.grid.limits):
        if np.isfinite(limit.values[limit.live]):
            assert getattr(panel._spread.params, f"limit_{n}") == limit.values[limit.live]


def test_a_family_picked_before_the_first_is_drawn_is_the_one_that_is_drawn(session, in_a_notebook):
    panel = DecisionPanel(session, FAMILIES[0])
    panel.pick(FAMILIES[1])
    assert panel.wait(60)
    drawn = panel._spread.spec
    in_a_notebook[-1]()
    assert panel._spread.spec == drawn
    panel = DecisionPanel(session, FAMILIES[0])
    lot = session.names("lot")[0]
    panel.filters.put(Filter(lot=lot))
    panel._filtered(None)
    of_the_lot = panel._spread.spec
    in_a_notebook[-1]()
    assert panel._spread.spec == of_the_lot


def test_a_panel_whose_cell_is_run_again_lets_go_of_the_filter(session, monkeypatch):
    class Kernel:
        run = 0

        def get_parent(self):
            return {"header": {"msg_id": f"run-{self.run}"}, "metadata": {"cellId": "c1"}}

    kernel = Kernel()
    monkeypatch.setattr("optimiser.views.panels.panel.get_ipython", lambda: kernel)
    first, beside = OverviewPanel(session), OverviewPanel(session)
    other = DecisionPanel(session, FAMILIES[0])
    kernel.run = 1
    again = OverviewPanel(session)
    shown = [first.origins.filters.value, beside.origins.filters.value]
    again.origins.filters.value = wanted = Filter(line=session.names("line")[0])
    assert other.filters.value == wanted  # of another kind
    assert [first.origins.filters.value, beside.origins.filters.value] == shown == [Filter()] * 2
    assert "follows no filter any more" in first._holds.value
    assert "follows no filter any more" not in again._holds.value
    # What is not said to be the same cell is another panel.
    monkeypatch.setattr("optimiser.views.panels.panel.get_ipython", lambda: None)
    apart = OverviewPanel(session)
    again.origins.filters.value = Filter()
    assert apart.origins.filters.value == Filter()
    assert len(session.places[("OverviewPanel", "c1")]) == 1


def test_every_live_drawing_keeps_to_the_schema(session):
    panel, overview = DecisionPanel(session, "PASTE-FINE"), OverviewPanel(session)
    overview.origins.look_into(0)
    overview.origins.items.show_item(0)
    drawn = [panel.trade._drawn, panel._spread, overview.origins._bars, overview.origins._line]
    drawn.append(overview.origins.items._drawn)
    for one in drawn:
        one.chart.to_dict(validate=True)
        assert one.spec["$schema"] == alt.SCHEMA_URL
    broken = panel._spread.chart.copy(deep=True)
    broken["concat"][0]["layer"][0]["mark"] = {"type": "barr"}
    with pytest.raises(Exception, match="barr"):
        broken.to_dict(validate=True)


def test_on_a_phone_drawings_are_narrow_and_tables_show_what_matters(session):
    panel, overview = DecisionPanel(session, "PASTE-FINE"), OverviewPanel(session)
    wide = panel._spread.spec, panel.trade._drawn.spec, overview.origins._bars.spec
    for shown in (panel, overview):
        shown.guard.narrow = True
    cells = panel._spread.spec["concat"]
    assert panel._spread.spec["columns"] == 1
    widths = [*(c["width"] for c in cells), panel.trade._drawn.spec["width"]]
    widths += [overview.origins._bars.spec["width"], overview.origins._line.spec["width"]]
    assert max(widths) <= 190
    grid = overview.families
    left_out, *_ = grid._options()["columnDefs"]
    columns = list(grid.frame.columns)
    assert [c for n, c in enumerate(columns) if n not in left_out["targets"]] == [
        *("family", "advice", "saving a month, EUR"),
    ]
    assert grid.more in grid.children
    grid.more.value = True
    assert grid._options()["columnDefs"][0]["targets"] == []
    # A limit that moves is seen in the new drawing.
    panel.set(panel.choice.tally.grid.live)
    limit = panel.choice.tally.grid.limits[0]
    assert panel._spread.params.limit_0 == trade_charts.place(limit, limit.live)
    for shown in (panel, overview):
        shown.guard.narrow = False
    assert panel._spread.spec["columns"] == 3
    assert panel._spread.spec["concat"][0]["width"] == wide[0]["concat"][0]["width"]
    assert panel.trade._drawn.spec["width"] == wide[1]["width"]
    assert overview.origins._bars.spec["width"] == wide[2]["width"]
    assert grid.more not in grid.children


@pytest.fixture
def kept_scripts(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    drawing.drawing_script.cache_clear()
    yield tmp_path / "optimiser"
    drawing.drawing_script.cache_clear()


def test_the_drawing_script_is_kept_and_a_forged_one_is_not_run(kept_scripts, monkeypatch):
    whole = drawing.drawing_script()
    (kept,) = kept_scripts.iterdir()
    drawing.drawing_script.cache_clear()
    with monkeypatch.context() as only:
        made = classmethod(lambda _cls, *_: pytest.fail("made again"))
        only.setattr(alt.JupyterChart, "enable_offline", made)
        assert drawing.drawing_script() == whole
    table = json.loads(kept.read_text())
    for content in ("{", json.dumps(table | {"script": whole + "alert(1)"})):
        kept.write_text(content)
        drawing.drawing_script.cache_clear()
        assert drawing.drawing_script() == whole


def test_all_drawings_of_a_kernel_name_one_widget_that_brings_their_script():
    chart = alt.LayerChart(layer=[alt.Chart(alt.InlineData([{"a": 1}])).mark_point()])
    one, other = live.live_chart(chart, height=10), live.live_chart(chart, height=10)
    carrier = live.carry_script()
    for drawn in (one, other):
        state = drawn.get_state()
        assert state["carrier"] == f"anywidget:{carrier.model_id}"
        assert len(json.dumps(state)) < 10_000
    assert carrier.get_state()["script"] == drawing.drawing_script()
    # Altair's own charts are as they were.
    assert "https://" in alt.JupyterChart._esm
    carrier.close()
    again = live.live_chart(chart, height=10)
    assert again.carrier is live.carry_script() is not carrier
    assert again.carrier.comm is not None


def test_what_is_left_out_at_the_import_of_altair_can_still_be_imported():
    code = (
        "import sys; import optimiser.views.drawing; print('rfc3987_syntax' in sys.modules);"
        "import importlib.util; print(importlib.util.find_spec('rfc3987_syntax') is not None)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    here = importlib.util.find_spec("rfc3987_syntax") is not None
    assert done.stdout.split() == ["False", str(here)]


def test_a_slider_counts_as_replay_does(panel, session):
    control = panel.by_hand.controls[0]
    wanted = (control.value + 1) % len(control.options)
    control.value = wanted
    assert panel.setting[0] == wanted
    assert panel.point is None
    recipe = session.live.with_limits("PASTE-FINE", panel.choice.tally.grid.values(panel.setting))
    truth = next(
        r for r in replay(session.history, recipe, session.live) if r.family == "PASTE-FINE"
    )
    last = re.findall(r"<tr class=\"on\">(.*?)</tr>", panel._compare.value)[0]
    cells = [unescape(c) for c in re.findall(r"<td[^>]*>(.*?)</td>", last)]
    assert cells[:6] == ["set by hand"] + [
        f"{n:,}"
        for n in (
            truth.calls,
            truth.true_calls,
            truth.false_calls,
            truth.unreviewed_calls,
            truth.escapes,
        )
    ]
    assert "No promise" in panel._figures.value


def test_prices_move_the_recommended_point(panel):
    before = panel.choice.recommended.name
    for control in (*panel.prices._types.values(), panel.prices.default):
        control.value = control.value * 200
    assert (
        panel.choice.recommended.escapes_per_month <= panel.choice.point("live").escapes_per_month
    )
    assert panel.trade._drawn.params.best == panel.choice.recommended.name
    assert (
        f"<strong>{panel.choice.recommended.name}</strong> stays the best found"
        in panel._prices_words.value
    )
    panel.prices.reset.click()
    assert panel.choice.recommended.name == before
    assert panel.point.recommended


def test_a_decision_is_saved_with_name_and_reason_or_not_at_all(panel, session, plant):
    panel.signature.buttons["accept"].click()
    assert "NOT SAVED" in panel.status.value
    assert not (plant / LEDGER).exists() or not Ledger(plant / LEDGER).entries()
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "trial <b>on</b> line 2"
    panel.choose(panel.choice.recommended)
    panel.signature.buttons["accept"].click()
    assert "Not saved yet" in panel.status.value
    assert not (plant / LEDGER).exists() or not Ledger(plant / LEDGER).entries()
    asked = panel.signature._question.children[0].value
    assert "accept, signed by Ada Fenn" in asked
    assert "trial &lt;b&gt;on&lt;/b&gt; line 2" in asked
    panel.signature.although.value = True
    panel.signature.yes.click()
    assert "Saved as row 2" in panel.status.value
    assert "waits for its export" in panel.status.value
    assert "signed by Ada Fenn" in panel._head.value
    assert "Names are unchecked" in panel._head.value
    proposal, decision = Ledger(plant / LEDGER).entries()
    assert (decision.kind, decision.by, decision.reason) == (
        "accept",
        "Ada Fenn",
        "trial <b>on</b> line 2",
    )
    moved = {(x["measurement"], x["side"]): x["proposed"] for x in proposal.body["limits"]}
    grid = panel.choice.tally.grid
    for limit, level in zip(grid.limits, panel.setting, strict=True):
        if level != limit.live:
            assert moved[limit.measurement, limit.side] == limit.values[level]
    assert len(moved) == int((panel.setting != grid.live).sum())
    assert proposal.body["figures"]["promise"]["lots"] == panel.choice.proposal.lots
    frame = decisions_frame(session)
    assert frame["state"].tolist() == ["accepted"]


def asked(panel, verdict="accept"):
    panel.choose(panel.choice.recommended)
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "boards looked at"
    panel.signature.buttons[verdict].click()
    return panel.signature.yes


def test_what_changes_takes_the_question_back(panel, plant):
    """A yes that was meant for another setting, price, name or family finds nobody."""
    control = panel.by_hand.controls[0]

    def slide():
        control.value = (control.value + 1) % len(control.options)

    def rename():
        panel.signature.name.value = "Bo Marsh"

    for change in (
        slide,
        rename,
        lambda: panel.choose(panel.choice.recommended),
        lambda: panel.price(None),
        lambda: panel.show_family("QFP-32"),
    ):
        yes = asked(panel)
        assert panel.signature.asked is not None, panel.status.value
        change()
        assert panel.signature.asked is None
        yes.click()
        panel.show_family("PASTE-FINE")
    assert not (plant / LEDGER).exists() or not Ledger(plant / LEDGER).entries()


def test_nothing_is_signed_while_another_family_is_on_its_way(panel, plant, monkeypatch):
    """The old family's limits stay on the screen until all of the new one's are; so does no button."""
    going, shown = threading.Event(), panel._session.choice

    def slow(family, **options):
        assert going.wait(20)
        return shown(family, **options)

    monkeypatch.setattr(panel._session, "choice", slow)
    yes = asked(panel)
    panel._families.value = "QFP-32"
    assert panel.is_busy
    assert panel.choice.family == "PASTE-FINE"
    assert all(b.disabled for b in panel.signature.buttons.values())
    yes.click()
    assert "no longer what is shown" in panel.status.value
    assert panel.decide("accept") is None
    assert "Showing QFP-32" in panel.status.value
    going.set()
    assert panel.wait(20)
    assert (panel.choice.family, panel.is_busy) == ("QFP-32", False)
    assert not any(b.disabled for b in panel.signature.buttons.values())
    assert not (plant / LEDGER).exists() or not Ledger(plant / LEDGER).entries()


def test_of_two_families_picked_at_once_the_last_is_shown(panel, monkeypatch):
    first, choice = threading.Event(), panel._session.choice

    def slow(family, **options):
        if family == "QFP-32":
            assert first.wait(20)
        return choice(family, **options)

    monkeypatch.setattr(panel._session, "choice", slow)
    panel.pick("QFP-32")
    slower = panel._loading
    panel.pick("CAP-1210")
    assert panel.is_busy
    first.set()
    assert panel.wait(60)
    assert not slower.is_alive()
    assert panel.choice.family == "CAP-1210"
    assert "CAP-1210" in panel._head.value
    assert not panel.is_busy


def test_stop_leaves_the_family_that_was_shown(panel, tmp_path):
    panel._session.folder = tmp_path / "none kept"
    panel.pick("QFP-32")
    panel.halt.click()
    assert panel.wait(60)
    assert panel.choice.family == "PASTE-FINE"
    assert panel._families.value == "PASTE-FINE"
    assert "Stopped" in panel.status.value
    assert not panel.is_busy


def test_a_family_without_advice_opens_on_the_live_recipe_and_signs_only_knowingly(
    panel, session, plant
):
    kept = next(
        name
        for name in session.cases
        if session.choice(name).proposal.advice == "keep"
        and session.choice(name).recommended
        and session.choice(name).recommended.name != "live"
    )
    panel.show_family(kept)
    assert "This is the live recipe" in panel._verdict.value
    assert np.array_equal(panel.setting, panel.choice.tally.grid.live)
    assert "best found, not advised" in panel._compare.value
    assert ">recommended<" not in panel._compare.value
    panel.choose(panel.choice.recommended)
    yes = asked(panel)
    assert yes.disabled
    assert "Not advised" in panel.signature._question.children[0].value
    panel.signature._on_confirm(panel.signature.asked, False)
    assert "no change is advised" in panel.status.value
    assert not (plant / LEDGER).exists() or not Ledger(plant / LEDGER).entries()
    yes = asked(panel)
    panel.signature.although.value = True
    assert not yes.disabled
    yes.click()
    assert "Saved as row 2" in panel.status.value
    proposal, decision = Ledger(plant / LEDGER).entries()
    assert decision.body["although_not_advised"] == [
        asdict(reason) for reason in panel.choice.not_advised
    ]
    assert proposal.body["origin"] == "front"


def test_what_is_said_after_signing_comes_from_the_state_reached(panel, session, plant):
    """The family has become critical since the session was opened: the plant file says so."""
    file = session.plant.file
    known = file.families["PASTE-FINE"].model_copy(update={"critical": True})
    file = file.model_copy(update={"families": {**file.families, "PASTE-FINE": known}})
    panel._ledger.plant = session.plant.model_copy(update={"file": file})
    panel.choose(panel.choice.recommended)
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "x"
    panel.decide("accept", although_not_advised=True)
    assert "To accept it is left: a second, different person" in panel.status.value
    panel.signature.name.value = "Bo Marsh"
    panel.decide("accept", although_not_advised=True)
    assert "Accepted; it waits for its export" in panel.status.value
    assert "second" not in panel.status.value
    assert "signed by Ada Fenn, Bo Marsh" in panel._head.value


def test_decisions_come_from_any_thread(panel, plant):
    panel.choose(panel.choice.recommended)
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "wait for lot 9"
    threads = [threading.Thread(target=panel.decide, args=("hold",)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    entries = Ledger(plant / LEDGER).entries()
    assert [e.kind for e in entries].count("hold") == 4
    assert [e.kind for e in entries].count("proposal") == 1


def test_an_unwritable_ledger_says_not_saved(panel, plant):
    (plant / LEDGER).write_bytes(b"this is no database" * 100)
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "why not"
    panel.decide("reject")
    assert "NOT SAVED" in panel.status.value
    assert (plant / LEDGER).read_bytes().startswith(b"this is no database")


def test_the_live_recipe_is_nothing_to_decide_on(panel, plant):
    panel.signature.name.value, panel.signature.reason.value = "Ada Fenn", "as it is"
    panel.choose(panel.choice.point("live"))
    panel.decide("accept")
    assert "no limit moves" in panel.status.value
    assert "nothing is promised" in panel._figures.value


def test_equal_answers_are_told_apart(panel):
    panel.say("same")
    first = panel.status.value
    panel.say("same")
    assert panel.status.value != first


def test_details_are_listed_when_opened(panel):
    listed = panel.details.items.grid
    assert listed.frame.empty
    panel.set(loosest(panel))
    panel.details.selected_index = 0
    contested = panel._session.contested("PASTE-FINE")
    grid = panel.choice.tally.grid
    passing = contested.called(grid.live) & ~contested.called(panel.setting)
    assert len(listed.frame) == passing.sum() > 60, "every one of them, not the first few"
    assert f"{passing.sum():,} items would newly pass" in listed._told.value
    panel.details.selected_index = 2
    assert panel.details.lots.frame["change"].sum() == -len(listed.frame)


def loosest(panel):
    return np.array([len(x.values) - 1 for x in panel.choice.tally.grid.limits])


def counts(panel):
    """Return the rows of the comparison: name, then whole counts."""
    rows = re.findall(r"<tr class=\"(?:on)?\">(.*?)</tr>", panel._compare.value)
    return {
        unescape(cells[0]): [int(c.replace(",", "")) for c in cells[1:6]]
        for cells in (re.findall(r"<td[^>]*>(.*?)</td>", row) for row in rows)
        if cells
    }


def test_undo_live_best_and_a_pinned_setting_beside_another(panel):
    best, live = panel.choice.recommended.setting, panel.choice.tally.grid.live
    start = panel.setting
    control = panel.by_hand.controls[0]
    moves = [v for _, v in control.options if v != control.value][:3]
    for value in moves:
        control.value = value
    hand = panel.setting
    panel.undo.click()
    assert np.array_equal(panel.setting, start), "a slider dragged is one step"
    assert panel.undo.disabled
    panel.to_live.click()
    assert np.array_equal(panel.setting, live)
    panel.to_best.click()
    assert np.array_equal(panel.setting, best)
    panel.undo.click()
    assert np.array_equal(panel.setting, live)
    panel.set(hand)
    panel.pin.click()
    panel.to_live.click()
    rows = counts(panel)
    assert rows["pinned: set by hand"] == list(
        asdict(panel.choice.consequences(hand).counted).values()
    )
    assert rows["live recipe"] == list(asdict(panel.choice.consequences(live).counted).values())
    assert panel.trade._drawn.params.pin_on == 1.0
    panel.set(hand)
    panel.pin.click()
    assert panel.trade._drawn.params.pin_on == 0.0


def test_a_number_is_typed_and_goes_to_the_nearest_level(panel):
    limit = panel.choice.tally.grid.limits[0]
    last = float(limit.values[-1])
    panel.by_hand.numbers[0].value = f"{last:g}"
    assert panel.setting[0] == len(limit.values) - 1
    panel.by_hand.numbers[0].value = "no number"
    assert panel.by_hand.numbers[0].value == words.value(last)
    assert panel.setting[0] == len(limit.values) - 1
    assert level_of(limit, f"{limit.values[0]:g}".replace(".", ",")) == 0
    off = replace(limit, values=np.append(limit.values[:-1], limit.sign * np.inf))
    assert level_of(off, "off") == len(limit.values) - 1
    assert level_of(limit, "off") is None


def test_a_filter_counts_as_replay_of_that_part_does(panel, session):
    wanted = Filter(line=session.names("line")[0])
    panel.filters.value = wanted
    panel.set(loosest(panel))
    recipe = session.live.with_limits("PASTE-FINE", panel.choice.tally.grid.values(panel.setting))
    with session.part(wanted) as history:
        truth = next(r for r in replay(history, recipe, session.live) if r.family == "PASTE-FINE")
    names = ("calls", "true_calls", "false_calls", "unreviewed_calls", "escapes")
    assert counts(panel)["set by hand"] == [getattr(truth, n) for n in names]
    panel.details.selected_index = 0
    assert set(panel.details.items.grid.frame["line"]) == {wanted.line}
    assert "only line" in panel._compare.value
    panel.filters.clear.click()
    assert "all items of the history" in panel._compare.value


def test_a_filter_that_names_nothing_is_refused_in_words(panel):
    bar = panel.filters
    bar.toggle.value = True
    bar.named["designator"].value = "U9999"
    assert "no designator" in bar._said.value
    assert not bar.value
    bar.named["designator"].value = ""
    bar.hours[0].value = 22
    bar.hours[1].value = 6
    assert bar.value == Filter(hours=(22, 6))
    assert "22 to 6 h UTC" in bar._said.value


def test_from_a_bar_to_the_item_that_made_it(session):
    """Each click narrows to what the bar stood for; the last one shows one item and its limits."""
    origins = OverviewPanel(session).origins
    by_family = origins._frame
    origins.look_into(0)
    worst = by_family["name"][0]
    assert origins.filters.value == Filter(family=worst)
    by_limit = origins._frame
    origins.look_into(0)
    assert origins._frame["false_calls"].sum() == by_limit["false_calls"][0]
    by_place = origins._frame
    origins.look_into(0)
    frame = origins.items.grid.frame
    assert (frame["verdict"] == "good").sum() == by_place["false_calls"][0]
    origins.items.grid.pick(0)
    decides = [x for x in origins.items.lines if x.decides]
    assert len(decides) == 1
    assert str(frame["board"][0]) in origins.items._head.value
    assert ">decides<" in origins.items._head.value
    for before in (by_place, by_limit, by_family):
        origins.go_back()
        assert origins._frame["name"].tolist() == before["name"].tolist()
    assert origins.back.disabled


def test_two_looks_side_by_side(session):
    origins = OverviewPanel(session).origins
    first, second = origins._frame["name"][:2]
    origins.look_into(0)
    origins.pin.click()
    origins.filters.value = Filter(family=second)
    for family in (first, second):
        found = session.totals(wanted=Filter(family=family))
        assert f"<strong>{found.false_calls_per_million:,.0f}</strong>" in origins._totals.value
    drawn = {row["what"] for row in next(iter(origins._line.chart.to_dict()["datasets"].values()))}
    assert drawn == {f"family {first}", f"family {second}"}


def test_a_saved_table_has_all_rows_and_no_formula(panel):
    panel.set(loosest(panel))
    panel.details.selected_index = 0
    grid = panel.details.items.grid
    lines = csv_text(grid.frame).splitlines()
    assert len(lines) == len(grid.frame) + 1
    risky = grid.frame.head(2).assign(lot=["=1+1", "@x"], part=[None, "-2.5"])
    assert csv_text(risky[["lot", "part"]]).splitlines() == ["lot,part", "'=1+1,", "'@x,-2.5"]


def test_a_grid_holds_every_row_and_no_markup(panel):
    """The library cuts at 64 KB unless told otherwise, at every update again."""
    picked = []
    grid = Grid("any", picked.append)
    frame = pd.DataFrame(
        {"lot": ["<script>alert(1)</script>"] * 4000, "tilt": [1.5, np.nan] * 2000}
    )
    for rows in (frame.head(3), frame):
        grid.show(rows)
        held = grid._table._dt_args["data_json"]
        assert len(json.loads(held)) == len(rows)
        assert "<script" not in held
        assert "NaN" not in held
    grid.pick(3999)
    assert picked == [3999]


def test_what_is_replaced_leaves_the_kernel(panel, session):
    """Families, items, pages and narrow drawings: only what was shown just before is still held."""

    def seen():
        for family in ("PASTE-FINE", "CON-10"):
            panel.show_family(family)
            panel.details.selected_index = 0
            panel.go_best()
            items = panel.details.items
            for row in range(min(3, len(items.grid.frame))):
                items.show_item(row)
            for narrow in (True, False):
                panel.guard.narrow = narrow
        return len(_instances)

    seen()
    counts = [seen() for _ in range(2)]
    assert len(set(counts)) == 1, counts


def test_a_column_told_in_words_is_sorted_by_its_numbers():
    """The browser gets each number's place among them behind the words; the file keeps the numbers."""
    grid = Grid("any")
    change = [-1000.2, 321.6, np.nan, -20.0, 5.0, 321.6, 1400.0, *range(100, 112)]
    grid.show(pd.DataFrame({"change": change}), told_as={"change": lambda x: signed_words(-x, 1)})
    rows = json.loads(grid._table._dt_args["data_json"])
    told, sent = [row[0] for row in rows], [float(row[1]) for row in rows]
    known = [(x, n) for x, n in zip(change, sent, strict=True) if not np.isnan(x)]
    assert [x for x, _ in sorted(known, key=lambda p: (p[1], p[0]))] == sorted(x for x, _ in known)
    assert (told[2], sent[2]) == ("", 1.0)  # blank, before all numbers
    assert told[:2] == ["1,000.2 fewer", "321.6 more"]
    ways = grid._table._dt_args["columnDefs"]
    assert {"targets": [0], "orderData": [1]} in ways
    assert any(d["targets"] == [1] and d.get("visible") is False for d in ways)
    # A page that shows a table again would evaluate a script of its own twice.
    assert not any("render" in d for d in ways)
    assert csv_text(grid.frame).splitlines()[1:3] == ["-1000.2", "321.6"]


def test_every_family_of_the_demo_can_be_shown(panel, session):
    for name in session.cases:
        panel.show_family(name)
        assert name in panel._head.value
        assert not re.search(r"\b(nan|inf)\b", panel._figures.value + panel._compare.value)


def test_a_family_without_defects_says_so_and_can_be_moved(tmp_path):
    def clean(item):
        if item["family"] == "SOT" and item["verdict"] == "defect":
            return item | {"verdict": "good" if item["called"] else None, "defect": None}
        return item

    import factories

    items = [clean(item) for item in factories.make_items()]
    for item in items:
        if item["verdict"] is None:
            item["found_by"] = None
    folder = make_plant(tmp_path, items=items)
    session = open_plant(folder, trials=3)
    panel = DecisionPanel(session, "SOT")
    assert "No labelled defects in this family yet" in panel._nothing.value
    assert panel.trade.children == ()
    panel.by_hand.controls[0].value = 0
    assert "Set by hand" in panel._figures.value or panel.setting[0] == 0
    session.close()


def test_words_from_outside_are_escaped():
    shown = words.table(["<a>"], [["<script>alert(1)</script>"]])
    assert "<script>" not in shown
    assert "&lt;script&gt;" in shown


def test_a_question_taken_back_is_refused_in_words_not_passed_over(panel, plant):
    yes = asked(panel)
    panel.signature.reason.value += ", said later"
    assert panel.signature.asked is None
    yes.click()
    assert "name or reason changed" in panel.status.value
    assert "nothing was saved" in panel.status.value
    assert not (plant / LEDGER).exists() or not Ledger(plant / LEDGER).entries()


def test_overview_ranks_and_counts(session):
    panel = OverviewPanel(session)
    assert set(panel.families.frame["advice"]) == {"not proposed yet"}
    frame = panel.show_by("designator")
    assert f"{session.totals().false_calls:,}" in panel.origins._totals.value
    assert frame["false_calls"].is_monotonic_decreasing
    assert list(families_frame(session)["advice"].unique()) == ["not proposed yet"]


def test_long_work_stops_and_goes_on(tmp_path):
    # Labels enough for some changes to be advised.
    folder = make_demo(tmp_path / "plant", FAMILIES, days=16, items_per_day=8_000, seed=11)
    session = open_plant(folder, trials=6)
    panel = ProposePanel(session)
    panel.start.click()
    panel.halt.click()
    assert panel.wait(120)
    assert "Stopped" in panel.status.value
    done = panel.bar.value
    assert done < len(session.cases)
    assert not panel.start.disabled
    panel.start.click()
    assert panel.wait(240)
    assert f"Done: {len(FAMILIES)} families" in panel.status.value
    assert panel.bar.value == panel.bar.max
    ranked = families_frame(session)
    savings = ranked.loc[ranked["advice"] == "change", "saving_per_month"]
    assert len(savings) > 1
    assert savings.is_monotonic_decreasing
    risky = families_frame(session, rank="escapes_added")
    added = risky.loc[risky["advice"] == "change", "escapes_added"]
    assert added.is_monotonic_decreasing
    overview = OverviewPanel(session)
    overview.rank.value = "escapes_added"
    assert overview.families.frame["family"].tolist() == risky.index.tolist()
    of_all = headline(list(session.proposals.values()), session.plant.file.review)
    first = headline_words(of_all, currency="EUR")[0]
    assert first in unescape(overview._head.value), "as propose in the terminal says it"
    from_promise = session.proposals[str(risky.index[0])].promise.saving_per_month.value
    assert overview.families.frame["saving a month, EUR"][0] == round(from_promise)
    session.close()


@pytest.fixture
def dear(opened, plant):
    """The same with reviews so dear that families change by themselves."""
    review = opened.plant.file.review
    review = review.model_copy(update={"cost_per_hour": 20 * review.cost_per_hour})
    file = opened.plant.file.model_copy(update={"review": review})
    asked = opened.plant.model_copy(update={"file": file})
    cases = {family: replace(case, plant=asked) for family, case in opened.cases.items()}
    return Session(asked, opened.live, cases, opened.opening, history=opened.history)


def test_a_plan_of_families_that_stay_promises_nothing(session):
    panel = PlanPanel(session)
    panel.start.click()
    assert panel.wait(240)
    assert not panel.plan.together.families
    assert "no limit moves within these hours" in unescape(panel._together.value)


def test_a_plan_is_made_in_a_thread_heard_by_stop_and_changed_by_the_hours(dear):
    panel = PlanPanel(dear)
    panel.start.click()
    panel.halt.click()
    assert panel.wait(120)
    assert "Stopped" in panel.status.value
    assert panel.plan is None
    panel.start.click()
    assert panel.wait(240)
    assert "Planned" in panel.status.value, panel.status.value
    now = panel.plan
    assert now.hours <= now.hours_now + 1e-9
    assert len(panel.table.frame) == len(FAMILIES)
    assert len(panel._drawing.children) == 1
    line = panel._line
    few = line.front_hours()[0]
    panel.hours.value = few + 0.5 * (now.hours - few)
    panel.start.click()
    assert panel.wait(60)
    assert panel._line is line, "searched once"
    assert panel.plan.hours <= panel.hours.value + 1e-9
    assert panel.plan.by_limits >= now.by_limits - 1e-9
    assert panel.plan.hours < now.hours
    assert "the one change promises EUR" in unescape(panel._together.value)
    panel.hours.value = few / 2
    panel.start.click()
    assert panel.wait(60)
    assert "the fewest that any points" in unescape(panel.status.value)


def test_what_is_worth_looking_at_is_listed_with_its_sheets(session):
    panel = LearnPanel(session)
    panel.hours.value = 8.0
    panel.start.click()
    assert panel.wait(300)
    assert "Could not" not in panel.status.value, panel.status.value
    listed = panel.found.listed
    assert listed
    assert len(panel.table.frame) == len(listed)
    for of in listed:
        assert (session.plant.folder / of.sheet).is_file()
    panel.table.pick(0)
    assert listed[0].look.family in panel._why.value
    assert listed[0].sheet in panel._why.value
    assert listed[0].look.family in panel._page()
    # Stopped while it weighs, it keeps nothing.
    before = {*(session.plant.folder / "learn").rglob("*")}
    panel.start.click()
    panel.halt.click()
    assert panel.wait(120)
    assert "Stopped" in panel.status.value
    assert {*(session.plant.folder / "learn").rglob("*")} == before


def test_results_have_words_a_table_and_a_note(session):
    for shown in (show_flicker(session), show_risk(session), show_audit_plan(session, items=200)):
        bundle = shown._repr_mimebundle_()
        assert shown.title in bundle["text/plain"]
        assert "<table" in bundle["text/html"]
        assert len(shown.frame)


def test_a_number_takes_the_place_of_a_slider_where_levels_are_many(panel):
    limit = panel.choice.tally.grid.limits[0]
    values = np.linspace(1.0, 9.0, 700)
    many = replace(
        limit, values=values, z=(limit.sign * values).astype(np.float32), live=3, side="upper"
    )
    control = ByHand(lambda _: None)._control(0, many)
    assert control.min == 1.0
    assert control.max == 9.0
    assert nearest_level(many, 5.001) == int(np.argmin(np.abs(values - 5.001)))


def test_shadow_counts_what_a_candidate_would_have_called(session, plant):
    panel = ShadowPanel(session)
    assert panel.read() is None
    assert "no recipe at" in panel.status.value
    grid = session.cases["RES-0402"].tally.grid
    setting = grid.live
    setting[0] = len(grid.limits[0].values) - 1
    candidate = replace(session.live.with_limits("RES-0402", grid.values(setting)), revision="next")
    write_recipe(candidate, plant / "next.csv")
    panel.recipe.value = str(plant / "next.csv")
    counts = panel.read()
    truth = {r.family: r for r in replay(session.history, candidate, session.live)}
    assert counts.total.items == sum(r.items for r in truth.values())
    assert counts.total.loosened == truth["RES-0402"].loosened > 0
    assert counts.total.tightened == truth["RES-0402"].tightened
    assert f"{counts.total.loosened:,} items that only one" in panel._items.value
    assert panel.read().total == counts.total, "a file counts once"


def test_shadow_reads_beside_the_kernel_says_that_it_is_busy_and_stops(session, plant, monkeypatch):
    panel, going, began = ShadowPanel(session), threading.Event(), threading.Event()
    write_recipe(replace(session.live, revision="next"), plant / "next.csv")
    panel.recipe.value = str(plant / "next.csv")
    real = Shadow.take

    def slow(self, file):
        began.set()
        assert going.wait(60)
        return real(self, file)

    monkeypatch.setattr(Shadow, "take", slow)
    panel.button.click()
    assert began.wait(60)
    assert panel.guard.busy
    assert (panel.button.disabled, panel.halt.disabled) == (True, False)
    panel.button.click()
    panel.halt.click()
    going.set()
    assert panel.wait(60)
    assert panel.guard.busy == ""
    assert (panel.button.disabled, panel.halt.disabled) == (False, True)
    assert "Stopped; 1 files" in panel.status.value
    panel.button.click()
    assert panel.wait(120)
    assert "16 files" in panel.status.value
    assert "Stopped" not in panel.status.value


def test_families_that_were_shown_before_leave_no_widget_open(session):
    """Each stays with the kernel and with every page until it is closed."""
    some = FAMILIES[::2]
    panel = DecisionPanel(session, some[0])
    for family in some:
        panel.show_family(family)
    open_then = {family: set() for family in some}
    for _ in range(2):
        for family in some:
            panel.show_family(family)
            open_then[family].add(len(_instances))
    # As many as the family needs, whatever was shown before it.
    assert all(len(numbers) == 1 for numbers in open_then.values()), open_then
    shown = panel.by_hand.controls[0]
    assert shown.comm is not None
    before = panel.by_hand.children[0].children[0]
    panel.show_family(some[0])
    assert before.comm is None
    assert all(control.comm is not None for control in panel.by_hand.controls)
    for control in (panel.prices.seconds, panel.prices.reviewers, panel.trade.listed):
        assert control.comm is not None
