"""One escape: the cheapest setting against brute force, what is like it, and how it is kept."""

import csv
import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
from factories import MEASUREMENTS, make_items, make_plant, table
from hypothesis import given, settings
from hypothesis import strategies as st
from test_exact import problem_of

from optimiser.cli import main
from optimiser.ledger.ledger import Ledger
from optimiser.plant.file import read_plant
from optimiser.proposal.session import open_plant
from optimiser.search.blur import escape_prices
from optimiser.search.catch import fewest_calls, least_money, money_of
from optimiser.search.problem import released_share
from optimiser.tally.must_catch import read_must_catch
from optimiser.views.panels.escape import EscapePanel


@st.composite
def escapes(draw):
    """Return a small problem with priced defects, and the ranks of an item some limit can call."""
    m = draw(st.integers(1, 3))
    sizes = draw(st.lists(st.integers(2, 4), min_size=m, max_size=m))
    rows = st.tuples(*(st.integers(0, s) for s in sizes))
    goods = draw(st.lists(rows, min_size=1, max_size=10))
    defects = draw(st.lists(rows, min_size=0, max_size=6))
    counts = draw(st.lists(st.integers(1, 9), min_size=len(goods), max_size=len(goods)))
    item = draw(rows.filter(any))
    musts = draw(st.lists(rows.filter(any), max_size=2))
    problem = problem_of(
        sizes,
        goods,
        defects,
        counts=counts,
        must_ranks=np.array(musts, dtype=np.int64).reshape(-1, m),
    )
    live = np.array([draw(st.integers(0, s - 1)) for s in sizes])
    money = st.floats(0.1, 20.0)
    return (
        replace(
            problem,
            live=live,
            defect_price=np.array([draw(money) for _ in defects]),
            defect_weight=np.array([draw(st.floats(0.2, 3.0)) for _ in defects]),
            false_call_cost=draw(st.floats(0.1, 3.0)),
            miss_rate=draw(st.sampled_from([0.0, 0.2])),
            most_released=draw(st.sampled_from([1.0, 0.5])),
        ),
        np.array(item),
    )


def calls(setting, rank):
    return any(j < r for j, r in zip(setting, rank, strict=True))


def every_setting(problem, item):
    """Yield each setting that calls the item and all must-catch items, with what it does."""
    totals = np.asarray(problem.counts.sum(axis=1)).ravel()
    for setting in itertools.product(*(range(len(v)) for v in problem.levels)):
        if not all(calls(setting, r) for r in [*problem.must_ranks.tolist(), item]):
            continue
        false = sum(n for n, r in zip(totals, problem.ranks, strict=True) if calls(setting, r))
        caught = [calls(setting, r) for r in problem.defect_ranks]
        yield setting, int(false) + int(problem.always.sum()), np.array(caught, dtype=bool)


@given(escapes())
@settings(max_examples=120, deadline=None)
def test_the_cheapest_settings_equal_brute_force(case):
    problem, item = case
    known = np.array([calls(problem.live, r) for r in problem.defect_ranks], dtype=bool)
    allowed = list(every_setting(problem, item))
    least = min(false for _, false, caught in allowed if caught[known].all())
    found = fewest_calls(problem, item, time_limit_s=20)
    assert (found.cost, found.bound, found.proved) == (least, least, True)
    assert calls(found.setting, item)
    price = problem.defect_price * problem.defect_weight * (1 - problem.miss_rate)
    weight, total = problem.defect_weight, problem.defect_weight[known].sum()
    money = [
        problem.false_call_cost * false + price[~caught].sum()
        for _, false, caught in allowed
        if weight[known & ~caught].sum() <= problem.most_released * total + 1e-9
    ]
    cheap = least_money(problem, item, time_limit_s=20)
    assert cheap.cost == pytest.approx(min(money))
    assert cheap.proved
    assert cheap.bound == cheap.cost == money_of(problem, cheap.setting)
    assert calls(cheap.setting, item)
    assert all(calls(cheap.setting, r) for r in problem.must_ranks)
    assert released_share(problem, cheap.setting) <= problem.most_released + 1e-9
    assert escape_prices(problem) == pytest.approx(price)


def escaped(**more):
    """Return the small plant's items with one that the field found and nothing called."""
    items = make_items()
    n = next(
        n
        for n, x in enumerate(items)
        if x["family"] == "CHIP"
        and not x["called"]
        and x["part"] == "R-1"
        and x["designator"] != "R7"
    )
    items[n] |= {"verdict": "defect", "found_by": "field", "defect": "shifted", **more}
    return items, items[n]


WIDE = table(rails={"call_load_share": 0.3})


def run(capsys, *arguments):
    code = main([str(a) for a in arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def ask(capsys, folder, item, *more):
    names = ("--board", item["board"], "--designator", item["designator"])
    return run(capsys, "escape", folder, *names, *more)


def test_what_is_told_can_be_counted_again(tmp_path, capsys):
    items, item = escaped(tilt=2.6, offset=40.0, fill=80.0)
    folder = make_plant(tmp_path / "plant", items=items, toml=WIDE)
    code, out, _ = ask(capsys, folder, item, "--json", "--out", tmp_path / "like.csv")
    found = json.loads(out)
    assert code == 0
    assert found["hopeless"] == ""
    by = {(x["measurement"], x["side"]): x for x in found["limits"]}
    assert by["tilt", "upper"]["gap"] == pytest.approx(3.5 - np.float32(2.6))
    assert by["tilt", "upper"]["steps"] == pytest.approx((3.5 - np.float32(2.6)) / 0.5)
    goods = [x for x in items if x["family"] == "CHIP" and x["verdict"] != "defect"]
    assert by["tilt", "upper"]["goods_beyond"] == sum(
        np.float32(x["tilt"]) >= np.float32(2.6) for x in goods
    )
    measured = [x for x in goods if x["fill"] is not None]
    assert by["fill", "lower"]["goods"] == len(measured)
    spreads = [x["spreads"] for x in found["limits"]]
    assert spreads == sorted(spreads)
    for name in ("fewest_false_calls", "least_money"):
        remedy = found[name]
        assert remedy["proved"]
        assert remedy["live_false_calls"] == sum(x["called"] for x in goods)
        assert remedy["limits"]
    near = [row["distance"] for row in found["similar_passed"]]
    assert near == pytest.approx(nearest_by_hand(items, item)[: len(near)])
    assert len(read(tmp_path / "like.csv")) == len(near) == 20


def nearest_by_hand(items, item):
    """Return the distances of passed items, nearest first; numpy, row by row."""
    family = [x for x in items if x["family"] == "CHIP"]
    goods = [x for x in family if x["verdict"] != "defect"]
    scale = {}
    for m in MEASUREMENTS:
        x = np.array([np.float32(g[m]) for g in goods if g[m] is not None], dtype=np.float64)
        scale[m] = 1.4826 * np.median(np.abs(x - np.median(x)))
    found = []
    for x in family:
        shared = [m for m in MEASUREMENTS if x[m] is not None and item[m] is not None]
        if x is item or x["called"] or len(shared) < 2:
            continue
        apart = [(np.float32(x[m]) - np.float32(item[m])) / scale[m] for m in shared]
        found.append(float(np.sqrt(np.mean(np.square(apart)))))
    return sorted(found)


def read(path):
    with path.open(newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (
            {"tilt": None, "offset": None, "fill": None},
            "nothing that the family has a limit for was",
        ),
        ({"tilt": 0.0, "offset": 1.0, "fill": 86.0}, "it lies among the goods"),
    ],
)
def test_a_hopeless_escape_says_so(tmp_path, capsys, values, words):
    items, item = escaped(**values)
    folder = make_plant(tmp_path / "plant", items=items)
    code, out, _ = ask(capsys, folder, item)
    assert code == 0
    assert words in " ".join(out.split())
    assert "settings that call it" not in out
    code, _, err = ask(capsys, folder, item, "--keep", "--by", "Ada Reyes", "--reason", "came back")
    assert code == 1
    assert "nothing was written" in err
    assert not (folder / "ledger.sqlite").exists()


def test_an_escape_is_kept_signed_and_nothing_is_lost(tmp_path, capsys):
    items, item = escaped(tilt=3.4, offset=58.0, fill=None, defect="=shifted")
    folder = make_plant(
        tmp_path / "plant",
        items=items,
        toml=table(plant={"must_catch": "kept.csv"}, rails=WIDE["rails"]),
    )
    path = folder / "kept.csv"
    before = b'\xef\xbb\xbfname,family,offset\r\n"KB, one",CHIP,150.0\r\n'
    (folder / "must_catch.csv").rename(path)
    path.write_bytes(before)
    signed = ("--keep", "--by", "Ada Reyes", "--reason", "came back from the field")
    code, out, err = ask(capsys, folder, item, *signed, "--json")
    assert err == ""
    kept = json.loads(out)["kept"]
    assert code == 0
    assert (folder / "kept.csv.bak").read_bytes() == before
    old, new = read_must_catch(read_plant(folder))
    assert (old.name, dict(old.values)) == ("KB, one", {"offset": 150.0})
    assert new.family == "CHIP"
    assert new.values == {m: float(np.float32(item[m])) for m in ("tilt", "offset")}
    plant = read_plant(folder)
    (entry,) = Ledger.of(plant).entries()
    assert (entry.id, entry.kind, entry.by, entry.family) == (
        kept["entry"],
        "keep",
        "Ada Reyes",
        "CHIP",
    )
    assert entry.reason == "came back from the field"
    assert entry.body["item"]["board"] == item["board"]
    assert Ledger.of(plant).verify().valid
    assert "must-catch" in run(capsys, "history-of", folder, "CHIP")[1]
    code, out, err = ask(capsys, folder, item, *signed)
    assert code == 1
    assert "it is there already" in err
    assert len(Ledger.of(plant).entries()) == 1


def test_a_row_is_added_without_touching_the_others(tmp_path, capsys):
    items, item = escaped(tilt=3.4, offset=58.0, fill=80.0)
    folder = make_plant(tmp_path / "plant", items=items, toml=WIDE)
    path = folder / "must_catch.csv"
    before = "name,family,tilt,offset,fill\nKB-1,CHIP,,150.00,"  # no end of line, odd digits
    path.write_text(before)
    code, _, _ = ask(capsys, folder, item, "--keep", "--by", "Ada Reyes", "--reason", "came back")
    assert code == 0
    assert path.read_text().startswith(before + "\n")
    assert len(read_must_catch(read_plant(folder))) == 2


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--board", "B9999", "--designator", "R1"), "no board 'B9999' in the history; nearest"),
        (("--board", "B0001", "--designator", "R99"), "has no designator 'R99'; known:"),
        (("--board", "B0001", "--designator", "R2", "--pin", "4"), "has nothing at --pin 4"),
        (("--board", "B0001", "--designator", "R2", "--keep"), "needs --by NAME and --reason TEXT"),
        (("--board", "B0001", "--designator", "R2", "--by", "Ada"), "add --keep"),
    ],
)
def test_a_wrong_argument_names_the_way_out(tmp_path, capsys, more, words):
    folder = make_plant(tmp_path / "plant")
    code, _, err = run(capsys, "escape", folder, *more)
    assert code == 2
    assert words in err


def test_an_item_that_is_called_escaped_no_limit(tmp_path, capsys):
    items = make_items()
    folder = make_plant(tmp_path / "plant", items=items)
    item = next(x for x in items if x["called"] and x["verdict"] == "good")
    code, _, err = ask(capsys, folder, item)
    assert code == 2
    assert "the live limits call it" in err


def test_an_item_with_a_limit_of_its_own_is_told_which_decides(tmp_path, capsys):
    items = make_items()
    n = next(n for n, x in enumerate(items) if x["designator"] == "R7" and not x["called"])
    items[n] |= {
        "verdict": "defect",
        "found_by": "test",
        "tilt": None,
        "fill": None,
        "offset": 44.0,
    }
    folder = make_plant(tmp_path / "plant", items=items)
    code, out, _ = ask(capsys, folder, items[n], "--json")
    found = json.loads(out)
    assert code == 0
    assert found["hopeless"] == "overridden"
    assert next(x for x in found["limits"] if x["measurement"] == "offset")["live"] == 45.0


def test_a_panel_looks_at_an_escape_in_a_thread_and_keeps_it_only_when_signed(tmp_path):
    items, item = escaped(tilt=3.4, offset=58.0, fill=None)
    folder = make_plant(tmp_path / "plant", items=items, toml=WIDE)
    with open_plant(folder, trials=2) as session:
        panel = EscapePanel(session)
        panel.start.click()
        assert panel.wait(60)
        assert "name board and designator" in panel.status.value
        assert [label for label, _ in panel.known.options][1:]
        panel.known.value = next(
            n for n, x in enumerate(session.known_escapes()["board"]) if x == item["board"]
        )
        assert (panel.board.value, panel.designator.value) == (item["board"], item["designator"])
        panel.start.click()
        assert panel.wait(120)
        assert "Counted" in panel.status.value, panel.status.value
        assert item["board"] in panel._head.value
        assert "offset upper" in panel._limits.value
        assert len(panel.similar.frame)
        assert panel.found.belongs
        panel.confirm.buttons["Keep"].click()
        assert "NOT SAVED" in panel.status.value
        panel.confirm.name.value, panel.confirm.reason.value = "Ada Reyes", "found in the field"
        panel.confirm.buttons["Keep"].click()
        assert item["board"] in panel.confirm.asked
        assert session.ledger.entries() == []
        panel.confirm.yes.click()
        assert "Saved" in panel.status.value, panel.status.value
        (entry,) = session.ledger.entries()
        assert (entry.kind, entry.by) == ("keep", "Ada Reyes")
        # The stage that was listed with one item is not meant of another that is typed.
        assert panel._stage is not None
        panel.board.value = "another"
        assert panel._stage is None
        panel.start.click()
        assert panel.wait(60)
        assert "Could not go on" in panel.status.value
        assert "another" in panel.status.value
