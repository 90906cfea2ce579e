"""Items followed through the stages: the linker equals a plain replay, and links nothing uncertain."""

import tempfile
from collections import Counter, defaultdict
from datetime import datetime, timedelta

import pandas as pd
import pytest
from factories import make_items, make_plant, table
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.errors import PlantError
from optimiser.history.digest.inbox import ground_of
from optimiser.history.links import REASONS, link_stages, not_linked
from optimiser.history.read import History, open_history
from optimiser.plant.file import Plant, PlantFile, read_plant

STAGES = ("paste", "pre-reflow", "post-reflow", "x-ray")
START = datetime(2026, 3, 2, 6)  # noqa: DTZ001 - a TIMESTAMP of the contract, in UTC
FAMILIES = ("PADS", "JOINTS", "BODIES")
COLUMNS = (
    *("time", "stage", "product", "board", "lot", "designator", "pin", "family", "called"),
    *("verdict", "defect", "found_by", "weight"),
)


def plant_of(folder, **line) -> Plant:
    named = {f: {} for f in FAMILIES}
    found = table(line={"stages": list(STAGES)} | line) | {"families": named}
    return Plant(path=folder / "plant.toml", file=PlantFile.model_validate(found))


def opened(plant, items) -> History:
    """A history of some items, past its door."""
    history = History(plant, [], tempfile.TemporaryDirectory())
    frame = pd.DataFrame([{c: i.get(c) for c in COLUMNS} for i in items], columns=list(COLUMNS))
    frame = frame.astype({c: object for c in COLUMNS if c not in ("time", "weight")})
    frame["called"] = frame["called"].map(lambda x: None if x is None else str(x))
    history.connection.register("given", frame)
    text = ", ".join(
        f"{c}::varchar as {c}" for c in COLUMNS if c not in ("time", "called", "weight")
    )
    history.rows(
        f"""create table items as select time::timestamp as time, {text}, called::boolean as called,
              coalesce(weight::double, 1) as weight, 'one' as file, row_number() over () as row from given"""
    )
    return history


def item(stage, minute, *, board="B1", designator="U1", pin="1", family="JOINTS", **other) -> dict:
    return {
        "time": START + timedelta(minutes=minute),
        "stage": stage,
        "product": "P1",
        "board": board,
        "lot": "lot-1",
        "designator": designator,
        "pin": pin,
        "family": family,
        "called": False,
        **other,
    }


def place(row) -> tuple:
    return tuple(row[c] for c in ("stage", "board", "designator", "pin", "time", "family"))


def replay(items, plant) -> tuple[set, Counter]:
    """Links and reasons in plain Python, item by item, from the rules in words."""
    whole, hours = set(plant.file.line.whole_components), plant.file.line.follow_within_hours
    by_stage = {s: [i for i in items if i["stage"] == s] for s in STAGES}
    key = lambda i: (  # noqa: E731
        i["board"],
        i["designator"],
        None if i["family"] in whole else i["pin"],
        i["family"] in whole,
    )
    twice = {
        s: {k[0] for k, n in Counter(map(key, rows)).items() if n > 1}
        for s, rows in by_stage.items()
    }
    links, counts = set(), Counter()
    present = [s for s in STAGES if by_stage[s]]
    for n, one in enumerate(present):
        for two in present[n + 1 :]:
            linked, why = _replay_pair(
                by_stage[one], by_stage[two], twice[one], twice[two], key, hours
            )
            links |= {(place(a), place(b)) for a, b in linked}
            for at, other, rows in ((one, two, by_stage[one]), (two, one, by_stage[two])):
                counts.update((at, other, i["family"], why[id(i)]) for i in rows)
    return links, counts


def _candidates(ones, twos, twice, key) -> dict:
    """Pairs that could be one place, by the identities of both."""
    found = {}
    for a in ones:
        for b in twos:
            (board, designator, pin, is_whole), (board2, designator2, pin2, is_whole2) = (
                key(a),
                key(b),
            )
            if (board, designator) != (board2, designator2) or board in twice:
                continue
            if is_whole != is_whole2 or pin == pin2:
                found[id(a), id(b)] = (a, b)
    return found


def _against(a, b, hours, several) -> int:
    """The worst that speaks against a pair, as its place among the reasons."""
    if several:
        return 4
    if a["product"] != b["product"]:
        return 3
    if b["time"] <= a["time"]:
        return 2
    return int(hours is not None and b["time"] - a["time"] > timedelta(hours=hours))


def _replay_pair(ones, twos, twice_one, twice_two, key, hours):
    partners = _candidates(ones, twos, twice_one | twice_two, key)
    is_whole = {id(i): key(i)[3] for i in (*ones, *twos)}
    could = defaultdict(list)
    for i, j in partners:
        could[i].append(j)
        could[j].append(i)
    several = {
        i: len(others) > 1 and not (is_whole[i] and not any(is_whole[o] for o in others))
        for i, others in could.items()
    }
    worst = {
        (i, j): _against(a, b, hours, several[i] or several[j])
        for (i, j), (a, b) in partners.items()
    }
    # An item is as uncertain as its most uncertain partner, and so is every partner of it.
    of = {(i, j): max(c for (k, m), c in worst.items() if k == i or m == j) for i, j in worst}
    why = {}
    for rows, others, mine, theirs in (
        (ones, twos, twice_one, twice_two),
        (twos, ones, twice_two, twice_one),
    ):
        for x in rows:
            codes = [c for pair, c in of.items() if id(x) in pair]
            why[id(x)] = REASONS[max(codes)] if codes else _alone(x, others, mine, theirs, key)
    return [partners[p] for p, c in of.items() if c == 0], why


def _alone(x, others, mine, theirs, key) -> str:
    """Why an item has no candidate."""
    same = [o for o in others if o["board"] == x["board"]]
    here = [o for o in same if o["designator"] == x["designator"]]
    tests = {
        "board inspected more than once": x["board"] in mine,
        "board not inspected there": not same,
        "board inspected more than once there": x["board"] in theirs,
        "designator not inspected there": not here,
        "pins on one side only": (x["pin"] is not None) != any(key(o)[2] is not None for o in here),
        "pin not inspected there": True,
    }
    return next(reason for reason, holds in tests.items() if holds)


def linked(history) -> set:
    names = {n: s for n, s in enumerate(STAGES)}
    cells = ", ".join(
        f"{t}.{c}"
        for t in "ab"
        for c in ("step", "board", "designator", "shown_pin", "time", "family")
    )
    rows = history.rows(
        f"select {cells} from links l join stops a on a.rowid = l.earlier join stops b on b.rowid = l.later"
    )
    return {((names[r[0]], *r[1:6]), (names[r[6]], *r[7:])) for r in rows}


some_items = st.lists(
    st.builds(
        item,
        st.sampled_from(STAGES),
        st.integers(0, 6),
        board=st.sampled_from(["B1", "B2", "B3"]),
        designator=st.sampled_from(["U1", "U2"]),
        pin=st.sampled_from(["1", "2", None]),
        family=st.sampled_from(FAMILIES),
        product=st.sampled_from(["P1", "P1", "P1", "P2"]),
    ),
    max_size=24,
    # The door sets repeated keys aside.
    unique_by=lambda i: (i["stage"], i["board"], i["designator"], i["pin"], i["time"]),
)


@settings(max_examples=60, deadline=None)
@given(
    items=some_items,
    whole=st.sampled_from([(), ("BODIES",), ("BODIES", "PADS")]),
    hours=st.sampled_from([None, 0.05]),
)
def test_the_linker_equals_a_plain_replay(tmp_path_factory, items, whole, hours):
    line = {"whole_components": list(whole)} | (
        {} if hours is None else {"follow_within_hours": hours}
    )
    plant = plant_of(tmp_path_factory.getbasetemp(), **line)
    with opened(plant, items) as history:
        found = link_stages(history)
        expected_links, expected_counts = replay(items, plant)
        assert linked(history) == expected_links
        counts = Counter({(c.stage, c.other, c.family, c.reason): c.items for c in found.counts})
        assert counts == expected_counts
        listed = Counter(
            (r.stage, r.towards, r.family, r.reason) for r in not_linked(history).itertuples()
        )
        assert listed == Counter({k: n for k, n in counts.items() if k[3] != "linked"})
        for stage in found.stages:
            for other in found.stages:
                if stage != other:
                    there = sum(i["stage"] == stage for i in items)
                    assert found.items(stage, other) == there


@pytest.mark.parametrize(
    ("items", "reason"),
    [
        ([item("paste", 0), item("post-reflow", 5)], "linked"),
        ([item("paste", 5), item("post-reflow", 5)], "not in the order of time"),
        ([item("paste", 6), item("post-reflow", 5)], "not in the order of time"),
        ([item("paste", 0), item("post-reflow", 5, board="B2")], "board not inspected there"),
        (
            [item("paste", 0), item("post-reflow", 5, designator="U2")],
            "designator not inspected there",
        ),
        ([item("paste", 0), item("post-reflow", 5, pin="2")], "pin not inspected there"),
        ([item("paste", 0), item("post-reflow", 5, pin=None)], "pins on one side only"),
        ([item("paste", 0, pin=None), item("post-reflow", 5, pin=None)], "linked"),
        ([item("paste", 0), item("post-reflow", 5, product="P2")], "the products differ"),
        # Printed twice: nobody can say which print became the joint, not even the later one.
        (
            [item("paste", 0), item("paste", 1), item("post-reflow", 5)],
            "board inspected more than once",
        ),
        # The second print was recorded without this pin: its first print was wiped off.
        (
            [
                item("paste", 0),
                item("paste", 0, pin="2"),
                item("paste", 1, pin="2"),
                item("post-reflow", 5),
            ],
            "board inspected more than once",
        ),
        (
            [item("paste", 0), item("post-reflow", 5), item("post-reflow", 9)],
            "board inspected more than once there",
        ),
        (
            [
                item("paste", 0),
                item("post-reflow", 5, pin="2"),
                item("post-reflow", 9, pin="2"),
                item("post-reflow", 9),
            ],
            "board inspected more than once there",
        ),
    ],
)
def test_each_reason_in_its_simplest_case(tmp_path, items, reason):
    plant = plant_of(tmp_path)
    with opened(plant, items) as history:
        found = link_stages(history)
        of = not_linked(history)
        first = "linked" if not len(of) else of[of["towards"] == "post-reflow"].iloc[0]["reason"]
        assert first == reason
        assert found.items("paste", "post-reflow", reason) >= 1
        assert bool(history.rows("select count(*) from links")[0][0]) == (reason == "linked")


def test_a_whole_component_takes_all_its_pins_only_where_the_plant_says_so(tmp_path):
    items = [item("paste", 0, pin=p, family="PADS") for p in "12"]
    items.append(item("post-reflow", 5, pin=None, family="BODIES"))
    with opened(plant_of(tmp_path), items) as history:
        found = link_stages(history)
        assert found.items("paste", "post-reflow", "pins on one side only") == 2
        assert found.shared == ()
    with opened(plant_of(tmp_path, whole_components=["BODIES"]), items) as history:
        found = link_stages(history)
        assert found.items("paste", "post-reflow", "linked") == 2
        assert found.items("post-reflow", "paste", "linked") == 1
        assert found.shared == (("paste", "post-reflow", 2),)
    # A joint beside the body: the deposit could have become either.
    items.append(item("post-reflow", 5, pin="1", family="JOINTS"))
    with opened(plant_of(tmp_path, whole_components=["BODIES"]), items) as history:
        found = link_stages(history)
        assert found.items("paste", "post-reflow", "several items could be meant") == 2


def test_one_doubtful_joint_makes_its_whole_component_doubtful(tmp_path):
    items = [item("pre-reflow", 3, pin=None, family="BODIES"), item("post-reflow", 9, pin="1")]
    items.append(item("post-reflow", 9, pin="2", product="P2"))
    with opened(plant_of(tmp_path, whole_components=["BODIES"]), items) as history:
        found = link_stages(history)
        assert found.items("pre-reflow", "post-reflow", "the products differ") == 1
        assert found.items("post-reflow", "pre-reflow", "the products differ") == 2
        assert linked(history) == set()


def test_what_rests_on_stages_is_made_anew_where_they_change(tmp_path):
    plant = plant_of(tmp_path)
    other = plant_of(tmp_path, stages=[*STAGES, "test"])
    assert ground_of(plant, []) != ground_of(other, [])
    assert plant.file.ground() != other.file.ground()
    followed = plant_of(tmp_path, whole_components=["PADS"], follow_within_hours=8.0)
    assert plant.file.ground() == followed.file.ground()


def test_a_plant_lists_its_stages_and_the_door_goes_by_them(tmp_path):
    items = [{**i, "stage": "x-ray"} for i in make_items()[:40]]
    items += [{**i, "stage": "oven"} for i in make_items()[40:80]]
    folder = make_plant(tmp_path, items=items, toml=table(line={"stages": ["paste", "x-ray"]}))
    with open_history(read_plant(folder)) as history:
        assert history.rows("select distinct stage from items") == [("x-ray",)]
        (aside,) = [f for f in history.findings if f.level == "set aside"]
        assert (aside.rule, aside.value) == ("stage must be one of paste, x-ray", "oven")
        assert "[line]" in aside.way_out
        assert aside.count == 40


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"line": {"stages": []}}, ["line.stages", "at least 1"]),
        ({"line": {"stages": "paste"}}, ["line.stages", "must be a list", "paste"]),
        ({"line": {"stages": ["paste", "Paste"]}}, ["line.stages", "listed twice", "Paste"]),
        ({"line": {"stages": ["paste", " "]}}, ["line.stages.1"]),
        ({"line": {"stage": ["paste"]}}, ["line.stage", "did you mean 'stages'"]),
        (
            {"line": {"whole_components": ["CHPI"]}},
            ["whole_components", "'CHPI'", "did you mean 'CHIP'"],
        ),
        ({"line": {"follow_within_hours": 0}}, ["follow_within_hours", "greater than 0"]),
    ],
)
def test_a_wrong_line_is_named(tmp_path, parts, words):
    folder = make_plant(tmp_path, items=[], toml=table(**parts))
    with pytest.raises(PlantError) as error:
        read_plant(folder)
    assert str(error.value).startswith(str(folder / "plant.toml"))
    for word in words:
        assert word in str(error.value)


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        ('[results.constants]\nstage = "xray"', ["results.0.constants.stage", "'xray'", "x-ray"]),
        ('[results.words.stage]\n"xray" = ["XR"]', ["results.0.words.stage", "'xray'", "x-ray"]),
    ],
)
def test_a_results_table_speaks_of_a_listed_stage(tmp_path, shape, words):
    folder = make_plant(tmp_path, items=[], toml=table(line={"stages": ["paste", "x-ray"]}))
    path = folder / "plant.toml"
    shaped = f'\n[[results]]\nfiles = "x/*.csv"\ntime_zone = "UTC"\n{shape}\n'
    path.write_text(path.read_text() + shaped)
    with pytest.raises(PlantError) as error:
        read_plant(folder)
    for word in words:
        assert word in str(error.value)
    path.write_text(path.read_text().replace("xray", "x-ray"))
    assert read_plant(folder).file.results[0].files == "x/*.csv"
