"""A filter is one value that holds everywhere: figures of a part equal plain pandas on its rows."""

import gc
import json
import re
import weakref
from contextlib import redirect_stdout
from datetime import datetime, timedelta
from io import StringIO

import factories
import numpy as np
import pandas as pd
import pytest
from factories import make_items, make_plant
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser.cli import main
from optimiser.errors import UsageError
from optimiser.history.calls import (
    WAYS,
    Outside,
    call_totals,
    call_trend,
    called_items,
    false_calls_by,
)
from optimiser.history.distribution import Window, distributions
from optimiser.history.filters import NAMED, NONE, Filter, HeldFilter
from optimiser.history.read import open_history
from optimiser.history.replay import replay
from optimiser.plant.file import read_plant
from optimiser.proposal.item_limits import against_limits, neighbours
from optimiser.proposal.session import open_plant
from optimiser.recipe.table import read_recipe, write_recipe
from optimiser.views.panels.decision import DecisionPanel
from optimiser.views.panels.follow import ExportPanel
from optimiser.views.panels.overview import OverviewPanel

ITEMS = make_items() + [
    item
    | {
        "time": item["time"] + timedelta(hours=5),
        "product": "P2",
        "part": None if n % 5 == 0 else item["part"],
        "station": f"AOI-{n % 2 + 1}",
    }
    for n, item in enumerate(make_items(seed=4))
]
START = min(item["time"] for item in ITEMS)


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    folder = make_plant(tmp_path_factory.mktemp("filtered") / "plant", items=ITEMS)
    plant = read_plant(folder)
    live = read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)
    with open_history(plant) as history:
        yield history, live


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    with open_plant(make_plant(tmp_path_factory.mktemp("open") / "plant", items=ITEMS)) as found:
        yield found


@pytest.fixture(scope="module")
def frame():
    """The rows as plain pandas, called by the second opinion of the factories."""
    table = pd.DataFrame(ITEMS)
    table["called"] = [factories.called(item, factories.RECIPE) for item in ITEMS]
    return table


def text(values):
    return st.one_of(st.none(), st.sampled_from(values))


@st.composite
def filters(draw):
    """Return any filter; most let something through."""
    hours = st.integers(0, 24)
    named = {}
    for name in NAMED:
        known = sorted({i[name] or NONE for i in ITEMS})
        known += [f"P2/{x}" for x in known[:3]] if name == "designator" else ["nowhere"]
        # One in three: all of them together let nothing through.
        named[name] = draw(text(known)) if draw(st.integers(0, 2)) == 0 else None
    since = draw(st.one_of(st.none(), st.integers(0, 80)))
    long = draw(st.one_of(st.none(), st.integers(1, 100)))
    return Filter(
        since=None if since is None else START + timedelta(hours=since),
        until=None if long is None else START + timedelta(hours=(since or 0) + long),
        hours=draw(st.one_of(st.none(), st.tuples(hours, hours))),
        **named,
    )


def in_time(frame, wanted):
    """Return which rows lie within a filter's times and hours."""
    keep = pd.Series(True, frame.index)
    if wanted.since is not None:
        keep &= frame["time"] >= wanted.since
    if wanted.until is not None:
        keep &= frame["time"] < wanted.until
    first, stop = wanted.hours or (0, 0)
    hour = frame["time"].dt.hour
    if first < stop:
        keep &= (hour >= first) & (hour < stop)
    elif first > stop:
        keep &= (hour >= first) | (hour < stop)
    return keep


def is_named(frame, name, value):
    """Return which rows have a name."""
    if value == NONE:
        return frame[name].isna()
    if name == "designator":
        return (frame[name] == value) | (frame["product"] + "/" + frame[name] == value)
    return frame[name] == value


def let_through(frame, wanted):
    """Return the rows that a filter lets through, in plain pandas."""
    keep = in_time(frame, wanted)
    for name in NAMED:
        if getattr(wanted, name) is not None:
            keep &= is_named(frame, name, getattr(wanted, name))
    return frame[keep]


@given(filters())
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_figures_of_a_filtered_history_are_those_of_its_rows(opened, frame, wanted):
    history, live = opened
    rows = let_through(frame, wanted)
    good, bad = rows["verdict"] == "good", rows["verdict"] == "defect"
    with history.only(wanted) as part:
        totals = call_totals(part, live)
        assert totals.items == len(rows)
        assert totals.calls == rows["called"].sum()
        assert totals.false_calls == (rows["called"] & good).sum()
        assert totals.true_calls == (rows["called"] & bad).sum()
        assert totals.escapes == (~rows["called"] & bad).sum()
        assert totals.boards == len(rows[["stage", "product", "board"]].drop_duplicates())
        replayed = replay(part, live, live)
        assert {r.family: r.calls for r in replayed} == rows.groupby("family")[
            "called"
        ].sum().to_dict()
        by_part = false_calls_by(part, live, "part").set_index("name")["false_calls"]
        held = (rows["called"] & good).groupby(rows["part"].fillna(NONE)).sum()
        assert by_part.sort_index().to_dict() == held.to_dict()
        trend = call_trend(part, live, "day")
        days = (rows["called"] & good).groupby(rows["time"].dt.floor("D")).sum()
        assert trend["false_calls"].tolist() == days.tolist()
        listed = called_items(part, live)
        assert sorted(listed["board"] + listed["designator"]) == sorted(
            rows.loc[rows["called"], "board"] + rows.loc[rows["called"], "designator"]
        )
        spread = distributions(part, "CHIP", [Window(measurement="tilt", low=-9.0, high=9.0)])
        assert spread["count"].sum() == rows.loc[rows["family"] == "CHIP", "tilt"].notna().sum()


@given(filters(), st.data())
@settings(max_examples=25, deadline=None)
def test_a_setting_counts_as_replay_does_under_any_filter(session, wanted, data):
    family = data.draw(st.sampled_from(sorted(session.cases)))
    grid = session.cases[family].tally.grid
    setting = np.array([data.draw(st.integers(0, len(x.values) - 1)) for x in grid.limits])
    recipe = session.live.with_limits(family, grid.values(setting))
    with session.part(wanted) as history:
        found = [r for r in replay(history, recipe, session.live) if r.family == family]
    counted = session.counted(family, setting, wanted)
    names = ("calls", "true_calls", "false_calls", "unreviewed_calls", "escapes")
    truth = [getattr(found[0], n) for n in names] if found else [0] * 5
    assert [getattr(counted, n) for n in names] == truth


@pytest.fixture(scope="module")
def screens(session):
    """Both panels that a filter holds in, on one session, and one that shows the whole history."""
    return OverviewPanel(session), DecisionPanel(session, "CHIP"), ExportPanel(session)


def commanded(folder, items, recipe=None):
    """Return what ``optimiser replay`` says, family by family, of a plant with these items alone."""
    plant = make_plant(folder, items=items)
    words = []
    if recipe is not None:
        write_recipe(recipe, folder / "other.csv")
        words = ["--recipe", str(folder / "other.csv")]
    said = StringIO()
    with redirect_stdout(said):
        assert main(["replay", str(plant), "--json", *words]) == 0
    return {row["family"]: row for row in json.loads(said.getvalue())}


def on_screen(html):
    """Return the rows of a table: the first cell, then whole numbers of the others."""
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", html)
    cells = [re.findall(r"<td[^>]*>(?:<strong>)?(.*?)(?:</strong>)?</td>", row) for row in rows]
    return {c[0]: [x.replace(",", "") for x in c[1:]] for c in cells if c}


@given(filters(), st.data())
@settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_every_screen_says_what_the_command_line_says(
    screens, frame, tmp_path_factory, wanted, data
):
    """Held by one panel, a filter holds in both; a plant of its items alone is put to the command."""
    overview, panel, whole = screens
    live = panel._session.live
    setting = np.array(
        [data.draw(st.integers(0, len(x.values) - 1)) for x in panel.choice.tally.grid.limits]
    )
    if data.draw(st.booleans()):
        # The family that the other panel looks at stays what it is.
        wanted = wanted.but(family=panel._session.held.value.family)
        panel.filters.value = wanted.but(family=None)
    else:
        overview.origins.filters.value = wanted
    assert panel._session.held.value == overview.origins.filters.value == wanted
    assert panel.filters.value == wanted.but(family=None)
    for one, sign in (
        (overview, "under"),
        (panel, "Counts"),
        (whole, "whole history all the same"),
    ):
        assert (sign in one._holds.value) == bool(wanted), one
    panel.set(setting)

    rows = let_through(frame, wanted)
    of_family = let_through(frame, wanted.but(family=None))
    of_family = of_family[of_family["family"] == "CHIP"]
    folder = tmp_path_factory.mktemp("part")
    if len(rows):
        told = commanded(folder / "part", [ITEMS[n] for n in rows.index]).values()
        shown = on_screen(overview.origins._totals.value)
        for name, key in (
            *(("false calls", "false_calls"), ("true calls", "true_calls")),
            ("escapes known", "escapes"),
        ):
            assert int(shown[name][0]) == sum(row[key] for row in told), name
    if len(of_family):
        recipe = live.with_limits("CHIP", panel.choice.tally.grid.values(setting))
        row = commanded(folder / "family", [ITEMS[n] for n in of_family.index], recipe)["CHIP"]
        moves = not np.array_equal(setting, panel.choice.tally.grid.live)
        counted = on_screen(panel._compare.value)
        name = (
            list(counted)[-1] if moves and not (panel.point and panel.point.recommended) else None
        )
        if name is not None:
            names = ("calls", "true_calls", "false_calls", "unreviewed_calls", "escapes")
            assert [int(x) for x in counted[name][:5]] == [row[n] for n in names]


def test_two_sessions_hold_filters_of_their_own_and_a_panel_that_is_gone_is_not_told():
    class Hears:
        def __init__(self):
            self.heard = []

        def hear(self, wanted):
            self.heard.append(wanted)

    one, other = HeldFilter(), HeldFilter()
    ears, gone = Hears(), Hears()
    one.tell(ears.hear)
    one.tell(gone.hear)
    left = weakref.ref(gone)
    del gone
    gc.collect()
    assert left() is None
    one.hold(Filter(line="L1"))
    one.hold(Filter(line="L1"))
    assert ears.heard == [Filter(line="L1")]
    assert not other.value


def test_an_item_is_called_by_the_limits_that_it_lies_outside(session):
    """Of every contested item: called where some limit at its place calls it, an override too."""
    for family, case in session.cases.items():
        limits = case.tally.grid.limits
        contested = session.contested(family)
        now = contested.called(case.tally.grid.live)
        for n, (_, item) in enumerate(contested.frame.iterrows()):
            lines = against_limits(item, limits, session.live, session.live)
            assert any(x.called_by(x.live) for x in lines) == now[n]
            deciding = [x for x in lines if x.decides]
            assert len(deciding) == now[n]
            for x in deciding:
                assert x.called_by(x.live)
                assert x.beyond(x.live) == max(
                    y.beyond(y.live) for y in lines if y.called_by(y.live)
                )


def test_the_nearest_neighbours_are_the_nearest():
    items = pd.DataFrame(
        {
            "board": list("abcd"),
            "verdict": ["good", "defect", None, "good"],
            "tilt": [1.0, 5.0, 1.1, np.nan],
            "fill": [10.0, 10.0, 10.0, 40.0],
        }
    )
    item = {"board": "x", "tilt": 4.0, "fill": 10.0}
    found = neighbours(items, item, {"tilt": 2.0, "fill": 10.0})
    assert found["board"].tolist() == ["b", "a", "d"], "what nobody reviewed says nothing"
    # By hand: 1 spread of two, 3 / 2 spreads of two, 3 spreads of the one that is measured.
    assert found["distance"].tolist() == pytest.approx([0.5 / 2**0.5, 1.5 / 2**0.5, 3.0])
    itself = neighbours(items, items.iloc[0], {"tilt": 2.0, "fill": 10.0})
    assert "a" not in itself["board"].tolist()
    assert neighbours(items, {"tilt": None, "fill": None}, {"tilt": 2.0}).empty


def test_the_whole_history_stays_what_it_is(opened):
    history, live = opened
    before = call_totals(history, live)
    with history.only(Filter(line="L1")) as part:
        assert call_totals(part, live).items == before.items // 2
        with part.only(Filter(product="P2")) as smaller, part.between(0, 2) as early:
            assert call_totals(smaller, live).items == before.items // 4
            assert 0 < call_totals(early, live).items < before.items // 2
    assert call_totals(history, live) == before
    with history.only(Filter()) as same:
        assert call_totals(same, live) == before


def test_a_limit_is_followed_to_its_designators_and_items(opened, frame):
    """What a bar stands for is what a click on it shows."""
    history, live = opened
    limits = false_calls_by(history, live, "limit")
    worst = Outside(family="SOT", measurement="tilt", side="upper")
    number = limits.set_index("name").loc[str(worst), "false_calls"]
    rows = frame[(frame["family"] == "SOT") & (frame["verdict"] == "good") & frame["called"]]
    assert number == (rows["tilt"].astype(np.float32) > np.float32(4)).sum() > 0
    by = false_calls_by(history, live, "designator", outside=worst)
    assert by["false_calls"].sum() == number
    assert by["items"].sum() == (frame["family"] == "SOT").sum()
    assert by["per_million"].to_numpy() == pytest.approx(
        (by["false_calls"] / by["items"] * 1e6).to_numpy()
    )
    with history.only(Filter(designator=by["name"][0])) as place:
        items = called_items(place, live, outside=worst)
        assert (items["verdict"] == "good").sum() == by["false_calls"][0]
    trend = call_trend(history, live, "week", outside=worst)
    assert trend["false_calls"].sum() == number
    assert set(trend["start"].dt.day_name()) == {"Monday"}


def test_every_way_counts_every_false_call(opened):
    history, live = opened
    total = call_totals(history, live).false_calls
    for way in WAYS:
        if way != "limit":
            assert false_calls_by(history, live, way)["false_calls"].sum() == total


def test_no_bar_of_the_engine_leaks_into_a_notebook(opened):
    history, _ = opened
    # Progress is followed for the terminal's bar, which is drawn elsewhere; never printed.
    asked = """select current_setting('enable_progress_bar')
                 and current_setting('enable_progress_bar_print')"""
    with history.only(Filter(line="L1")) as part:
        assert [h.rows(asked) for h in (history, part)] == [[(False,)], [(False,)]]


def test_names_from_outside_are_text():
    """A name is compared, never run."""
    assert Filter(line="L'1 or true").where() == "true and i.line = 'L''1 or true'"
    assert not Filter()
    assert Filter(lot=NONE)


@pytest.mark.parametrize("hours", [(-1, 5), (3, 25)])
def test_hours_of_no_day_are_refused(hours):
    with pytest.raises(UsageError, match="0 to 24"):
        Filter(hours=hours)


def test_an_end_before_the_start_is_refused():
    day = datetime(2026, 3, 2)  # noqa: DTZ001 - UTC without a zone, as in the contract
    with pytest.raises(UsageError, match="later end"):
        Filter(since=day, until=day)
