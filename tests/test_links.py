"""Items followed through the stages: the linker equals a plain replay, and links nothing uncertain."""

import tempfile
from collections import Counter, defaultdict
from datetime import datetime, timedelta
from itertools import pairwise, product

import numpy as np
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
    *("time", "line", "stage", "product", "board", "lot", "designator", "pin", "family", "called"),
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
        "line": "L1",
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
    doubts = {
        (one, two): _doubts(by_stage[one], by_stage[two], twice[one], twice[two])
        for n, one in enumerate(present)
        for two in present[n + 1 :]
    }
    for n, one in enumerate(present):
        for two in present[n + 1 :]:
            found = Counter(doubts[one, two][0])
            if doubts[one, two][1]:
                # Order cannot say here: what is doubtful of either stage elsewhere counts.
                for pair, (of, _) in doubts.items():
                    if {one, two} & set(pair):
                        found |= Counter(of)
            linked, why = _replay_pair(
                by_stage[one], by_stage[two], twice[one], twice[two], key, (hours, found)
            )
            links |= {(place(a), place(b)) for a, b in linked}
            for at, other, rows in ((one, two, by_stage[one]), (two, one, by_stage[two])):
                counts.update((at, other, i["family"], why[id(i)]) for i in rows)
    return links, counts


def _doubts(ones, twos, twice_one, twice_two) -> tuple[dict, bool]:
    """Boards that order speaks against, by the place of the reason; and whether order cannot say."""
    early, late = _passed(ones), _passed(twos)
    clear = [b for b in early if b in late and b not in twice_one | twice_two]
    found, blind = {}, False
    for stream in {(early[b][1], late[b][1]) for b in clear}:
        here = [b for b in clear if (early[b][1], late[b][1]) == stream]
        row = sorted(here, key=lambda b: (early[b][0], late[b][0], b))
        swaps = [
            (a, b)
            for a, b in pairwise(row)
            if early[a][0] < early[b][0] and late[a][0] > late[b][0]
        ]
        if len(swaps) / max(1, len(row) - 1) > 0.05:
            blind = True
        else:
            found |= dict.fromkeys((b for pair in swaps for b in pair), 3)
    for own, gone, twice in ((early, late, twice_two), (late, early, twice_one)):
        for line in {x for _, x in own.values()}:
            row = sorted((b for b in own if own[b][1] == line), key=lambda b: (own[b][0], b))
            if sum(b not in gone for b in row) / len(row) > 0.10:
                blind |= any(own[b][1] == line for b in clear)
                continue
            found |= {x: max(2, found.get(x, 0)) for x in _runs(row, gone, twice)}
            for a, b in pairwise(row):
                found = _beside(a, b, gone, found)
    return found, blind


def _runs(row, gone, twice) -> set:
    """Boards between one that is missing and one that is there twice, at most five of them."""
    found = set()
    for a, b in product(range(len(row)), repeat=2):
        if row[a] not in gone and row[b] in twice and abs(a - b) <= 6:
            found |= set(row[min(a, b) + 1 : max(a, b)])
    return found


def _passed(rows) -> dict:
    """Time and line of every board at a stage."""
    of = defaultdict(list)
    for i in rows:
        of[i["board"]].append(i)
    return {b: (min(i["time"] for i in x), min(i["line"] for i in x)) for b, x in of.items()}


def _beside(a, b, gone, found) -> dict:
    """What is doubted, with either of two neighbours where the other is missing."""
    missing = {b: a not in gone, a: b not in gone}
    return {x: 1 for x, beside in missing.items() if beside} | found


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


def _against(a, b, rules, several) -> int:
    """The worst that speaks against a pair, as its place among the reasons."""
    hours, doubted = rules
    if several:
        return 7
    if a["product"] != b["product"]:
        return 6
    if b["time"] <= a["time"]:
        return 5
    if hours is not None and b["time"] - a["time"] > timedelta(hours=hours):
        return 4
    return doubted[a["board"]]


def _replay_pair(ones, twos, twice_one, twice_two, key, rules):
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
        (i, j): _against(a, b, rules, several[i] or several[j])
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


def a_line(boards: int, **other) -> list[dict]:
    """Boards in order, three minutes apart, each at paste and eight minutes later at post-reflow."""
    return [
        item(stage, 3 * n + at, board=f"B{n:03d}", **other)
        for n in range(boards)
        for stage, at in (("paste", 0), ("post-reflow", 8))
    ]


def read_as(items, stage, board, serial) -> list[dict]:
    """The line with a board's record of one stage under another serial, whose own is missing."""
    kept = [i for i in items if (i["stage"], i["board"]) != (stage, serial)]
    return [
        {**i, "board": serial} if (i["stage"], i["board"]) == (stage, board) else i for i in kept
    ]


@pytest.mark.parametrize("stage", ["paste", "post-reflow"])
@pytest.mark.parametrize("apart", [1, 2, 7, -1, -5])
def test_a_board_read_as_another_whose_record_is_missing_is_not_linked(tmp_path, stage, apart):
    """Its key is sound; a board that it overtakes speaks against it, or a neighbour that seems missing."""
    board, serial = "B020", f"B{20 + apart:03d}"
    with opened(plant_of(tmp_path), read_as(a_line(40), stage, board, serial)) as history:
        found = link_stages(history)
        assert found.unchecked == ()
        assert serial not in {a[1] for a, _ in linked(history)}
        assert found.items("paste", "post-reflow", "linked") >= 34


def test_two_in_a_row_are_not_linked_either(tmp_path):
    """One is read as the next, which is read as the one after: that one is there twice."""
    items = read_as(a_line(40), "paste", "B021", "B022")
    items += [i for i in a_line(40) if (i["stage"], i["board"]) == ("paste", "B022")]
    items = [
        {**i, "board": "B021"} if (i["stage"], i["board"]) == ("paste", "B020") else i
        for i in items
    ]
    with opened(plant_of(tmp_path), items) as history:
        link_stages(history)
        assert not {"B020", "B021", "B022"} & {a[1] for a, _ in linked(history)}


@pytest.mark.parametrize("stage", ["paste", "post-reflow"])
@pytest.mark.parametrize("step", [1, -1])
@pytest.mark.parametrize("long", [3, 4, 6])
def test_a_run_of_serials_read_one_off_is_not_linked(tmp_path, stage, step, long):
    """None of them overtakes another: one serial is missing, one is there twice, all between are off."""
    shifted = {f"B{20 + step * n:03d}": f"B{20 + step * (n + 1):03d}" for n in range(long)}
    items = [
        {**i, "board": shifted.get(i["board"], i["board"])} if i["stage"] == stage else i
        for i in a_line(60)
    ]
    with opened(plant_of(tmp_path), items) as history:
        found = link_stages(history)
        assert not (set(shifted) | set(shifted.values())) & {a[1] for a, _ in linked(history)}
        assert found.items("paste", "post-reflow", "linked") >= 60 - long - 3
        assert found.unchecked == ()


def test_a_missing_record_far_from_one_that_is_there_twice_is_no_run(tmp_path):
    lost = [i for i in a_line(60) if (i["stage"], i["board"]) != ("paste", "B020")]
    again = [item("paste", 3 * 30 + 1, board="B030")]
    with opened(plant_of(tmp_path), lost + again) as history:
        found = link_stages(history)
        # The two without a partner or with two of them, and the neighbours of the missing one.
        assert found.items("paste", "post-reflow", "linked") == 60 - 4


def test_where_order_cannot_say_that_is_said(tmp_path):
    """A magazine that is emptied from the other end; a stage that sees one board in four."""
    turned = [
        {**i, "time": START + timedelta(minutes=500 - 3 * int(i["board"][1:]))}
        if i["stage"] == "post-reflow"
        else i
        for i in a_line(40)
    ]
    with opened(plant_of(tmp_path), turned) as history:
        found = link_stages(history)
        (blind,) = found.unchecked
        assert (blind.line, blind.why, blind.share) == ("L1", "order", 1.0)
        assert found.items("paste", "post-reflow", "linked") == 40
    sampled = [i for i in a_line(40) if i["stage"] == "paste" or int(i["board"][1:]) % 4 == 0]
    with opened(plant_of(tmp_path), sampled) as history:
        found = link_stages(history)
        (blind,) = found.unchecked
        assert (blind.why, blind.share) == ("sample", pytest.approx(0.75))
        assert found.items("paste", "post-reflow", "linked") == 10


def test_what_is_doubtful_elsewhere_is_not_followed_to_a_sample(tmp_path):
    """Paste to x-ray cannot say of a board whose paste record is doubted towards post-reflow."""
    items = read_as(a_line(40), "paste", "B020", "B021")
    items += [item("x-ray", 3 * n + 30, board=f"B{n:03d}") for n in range(1, 40, 4)]
    with opened(plant_of(tmp_path), items) as history:
        link_stages(history)
        ends = {(a[1], b[0]) for a, b in linked(history) if a[0] == "paste"}
        assert ("B021", "x-ray") not in ends
        assert ("B017", "x-ray") in ends


def test_two_lines_are_two_orders(tmp_path):
    """Boards of one line between those of another, each in its own order."""
    items = a_line(30) + [
        {**i, "board": "X" + i["board"], "line": "L2", "time": i["time"] + timedelta(minutes=40)}
        if i["stage"] == "post-reflow"
        else {**i, "board": "X" + i["board"], "line": "L2"}
        for i in a_line(30)
    ]
    with opened(plant_of(tmp_path), items) as history:
        found = link_stages(history)
        assert found.items("paste", "post-reflow", "linked") == 60
        assert found.unchecked == ()


@pytest.mark.parametrize("seed", range(12))
def test_the_linker_equals_the_replay_on_a_line_with_gaps_and_swaps(tmp_path, seed):
    rng = np.random.default_rng(seed)
    items = []
    for line in ("L1", "L2"):
        for i in a_line(30, line=line):
            luck, moved = rng.random(), 0
            if luck < 0.02:
                continue
            if luck < 0.06:
                moved = int(rng.integers(-7, 8))
            board = line + (f"B{rng.integers(30):03d}" if luck > 0.98 else i["board"])
            items.append({**i, "board": board, "time": i["time"] + timedelta(minutes=moved)})
    items += [
        {**i, "stage": "x-ray", "time": i["time"] + timedelta(minutes=30)}
        for i in items
        if i["stage"] == "post-reflow" and rng.random() < (0.95 if seed % 2 else 0.2)
    ]
    plant = plant_of(tmp_path)
    with opened(plant, items) as history:
        found = link_stages(history)
        expected_links, expected_counts = replay(items, plant)
        assert linked(history) == expected_links
        counts = Counter({(c.stage, c.other, c.family, c.reason): c.items for c in found.counts})
        assert counts == expected_counts


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
