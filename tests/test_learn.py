"""What an hour of looking is worth: against exact sums, against truth, and as a command."""

import csv
import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from learn_judge import relooked, studied
from scipy.stats import chi2, gamma, nbinom, norm
from stranger_plants import KINDS, Kind, make_stranger
from true_plants import stranger_with_truth

from optimiser.cli import main
from optimiser.commands.nightly import _worth_looking
from optimiser.errors import HistoryError
from optimiser.evidence.learning import (
    SURENESS,
    Candidates,
    Guarded,
    Standing,
    Untested,
    density_slope,
    mean_of,
    value_of_audit,
    value_of_gathering,
    value_of_study,
)
from optimiser.history.read import open_history
from optimiser.monitoring.account import _listed
from optimiser.plant.file import read_plant
from optimiser.proposal.learn import best_within
from optimiser.proposal.learn_record import (
    Listed,
    Listing,
    _listed_again,
    last_list,
    read_listings,
    worth_of_study,
)
from optimiser.proposal.learn_sheets import readings_text
from optimiser.proposal.learn_worth import (
    Look,
)
from optimiser.studies.defect_sheet import COLUMNS, read_gathered, take_gathered, write_defect_sheet
from optimiser.studies.gauge_file import read_studies


@pytest.mark.parametrize(
    ("found", "coverage", "seen", "money", "rest"),
    [
        (1, 0.3, 0.5, 10.0, -36.0),
        (2, 0.5, 0.2, 30.0, -140.0),
        (4, 0.9, 1.0, 8.0, -40.0),
        (1, 0.3, 0.05, 50.0, -300.0),
    ],
)
def test_an_audit_is_worth_what_the_exact_sum_says(found, coverage, seen, money, rest):
    value = value_of_audit(
        found=found, coverage=coverage, seen=seen, money=money, rest=rest, draws=200_000, seed=5
    )
    # A Poisson count with a gamma mean is negative binomial (Raiffa and Schlaifer, 1961).
    shape, hidden = found, (1 - coverage) * seen
    x = np.arange(2000)
    chance = nbinom.pmf(x, shape, coverage / (coverage + hidden))
    after = np.maximum(0.0, rest + money * (shape + x) / (coverage + hidden))
    exact = float(chance @ after) - max(0.0, rest + money * shape / coverage)
    assert value.value == pytest.approx(exact, abs=4 * value.error)
    assert value.error > 0


def test_a_look_that_can_change_no_decision_is_worth_nothing():
    nothing = value_of_audit(
        found=0, coverage=0.3, seen=1.0, money=10.0, rest=-1.0, draws=5000, seed=1
    )
    assert nothing.value == 0
    never = value_of_audit(
        found=1, coverage=0.9, seen=0.1, money=1.0, rest=-1e6, draws=5000, seed=1
    )
    assert never.value == 0
    unseen = value_of_audit(
        found=2, coverage=0.5, seen=0.0, money=10.0, rest=-20.0, draws=5000, seed=1
    )
    assert unseen.value == 0
    # Where everything is found anyway there is nothing left for an audit to find.
    known = value_of_audit(
        found=2, coverage=1.0, seen=1.0, money=10.0, rest=-22.0, draws=5000, seed=1
    )
    assert known.value == 0


def guarded(**fields) -> Guarded:
    """A limit at 8 that would go to 10, where the bound lies, but for a guard of twice 0.5."""
    x = np.arange(8.0, 10.0, 0.01)
    known = {
        "readings": x,
        "items": np.full(x.size, 3.0),
        "middle": 0.0,
        "spread": 4.0,
        "bound": 10.0,
        "live": 8.0,
        "wanted": 10.0,
        "step": 0.0,
        "guard": 2.0,
        "call": 1.0,
        "escape": 40.0,
    }
    return Guarded(**{**known, **fields})


def test_a_guarded_limit_goes_as_far_as_its_guard_lets_it_and_never_past_the_bound():
    assert guarded().limit(0.5) == 9.0
    assert guarded(step=0.4).limit(0.5) == pytest.approx(8.8)
    assert guarded().limit(0.0) == 10.0
    assert guarded().limit(5.0) == 8.0  # a live limit is not moved by a rail
    assert guarded(wanted=8.5).limit(0.1) == 8.5
    # With a gauge that repeats exactly every item called lies within the bound.
    assert guarded().cost(9.0, 1e-9) == pytest.approx(3.0 * (guarded().readings > 9.0).sum())


def test_items_near_the_bound_lie_beyond_it_as_often_as_drawn_ones_do():
    rng = np.random.default_rng(3)
    true = rng.normal(0, 3.0, 2_000_000)
    read = true + rng.normal(0, 1.0, true.size)
    near = np.abs(read - 7.0) < 0.05
    of = guarded(
        readings=np.array([7.0]), items=np.ones(1), middle=0.0, spread=10**0.5, bound=7.5, call=0.0
    )
    assert of.cost(9.0, 1.0) / of.escape == pytest.approx((true[near] > 7.5).mean(), abs=0.01)


def test_the_density_of_readings_slopes_as_the_law_they_are_drawn_from():
    rng = np.random.default_rng(7)
    x = rng.normal(1.0, 2.0, 400_000)
    near = x[(x > 3.0) & (x < 7.0)]
    known = {"low": 3.0, "high": 7.0, "middle": 1.0, "spread": 2.0}
    at, per = density_slope(near, np.ones(near.size), **known)
    for y in (3.5, 5.0, 6.5):
        assert at + per * y == pytest.approx((1.0 - y) / 4.0, abs=0.06)
    # An exponential tail slopes alike everywhere; with hardly a reading the normal process stands.
    tail = 3.0 + rng.exponential(1.5, 200_000)
    tail = tail[tail < 7.0]
    at, per = density_slope(tail, np.ones(tail.size), **known)
    assert at + per * 4.0 == pytest.approx(-1 / 1.5, abs=0.03)
    assert at + per * 6.0 == pytest.approx(-1 / 1.5, abs=0.03)
    assert density_slope(tail[:0], tail[:0], **known) == (0.25, -0.25)


def test_where_tails_are_heavy_more_items_that_read_near_the_bound_lie_beyond_it():
    rng = np.random.default_rng(8)
    true = rng.standard_t(3.0, 2_000_000)
    read = true + rng.normal(0, 0.7, true.size)
    near = (read > 3.0) & (read < 6.0)
    of = guarded(
        readings=read[near],
        items=np.ones(near.sum()),
        spread=float(read.std()),
        bound=5.0,
        live=3.0,
        wanted=6.0,
        call=0.0,
    )
    beyond = float((true[near] > 5.0).sum())
    assert of.cost(9.0, 0.7) / of.escape == pytest.approx(beyond, rel=0.06)
    # JCGM 106's normal process expects far fewer.
    share = 1 - (0.7 / of.spread) ** 2
    normal = norm.sf((5.0 - share * read[near]) / (0.7 * share**0.5)).sum()
    assert normal < 0.85 * beyond


@pytest.mark.parametrize(
    ("freedom", "more", "escape"), [(5.0, 20.0, 5.0), (3.0, 8.0, 5.0), (3.0, 8.0, 40.0)]
)
def test_a_study_is_worth_what_the_integral_says(freedom, more, escape):
    of = guarded(escape=escape)
    value = mean_of(
        value_of_study(
            [of], stated=0.5, freedom=freedom, assumed=0.5, more=more, draws=20_000, seed=2
        )
    )
    # Both chances cut into slices that are equally likely, each taken at its middle.
    studies = (chi2.ppf((np.arange(100) + 0.5) / 100, more) / more) ** 0.5
    exact = []
    # No gauge is believed that repeats to more than half of what the readings spread, here 2.
    least = chi2.cdf(freedom * (0.5 / 2.0) ** 2, freedom)
    for u in chi2.ppf(least + (1 - least) * (np.arange(200) + 0.5) / 200, freedom):
        sigma = 0.5 * (freedom / u) ** 0.5
        now = of.cost(of.limit(0.5), sigma)
        exact.append(np.mean([now - of.cost(of.limit(sigma * s), sigma) for s in studies]))
    assert value.value == pytest.approx(np.mean(exact), abs=4 * value.error)
    assert value.error > 0


@pytest.mark.slow
def test_a_study_is_worth_in_truth_what_was_promised():
    """Gauges of known repeatability read items of known truth; a table of other goods is in DEVELOPERS.md."""
    rows = [studied("suppliers", s, freedom=5.0, parts=20, readings=5) for s in range(300, 360)]
    promised, followed = (np.array([getattr(r, x) for r in rows]) for x in ("promised", "followed"))
    off = promised - followed
    assert abs(off.mean()) <= 3 * off.std(ddof=1) / len(off) ** 0.5
    assert np.corrcoef(promised, followed)[0, 1] > 0.25


def test_a_study_is_worth_nothing_where_no_limit_would_move():
    still = guarded(wanted=8.0)
    draws = value_of_study([still], stated=0.5, freedom=5, assumed=0.5, more=20, draws=500, seed=1)
    assert (draws == 0).all()
    assert worth_of_study([still], then=0.5, now=0.1, known=(0.1, 20.0), seed=1) == 0
    # What is found later is judged by what is known then: a finer gauge frees calls.
    assert worth_of_study([guarded()], then=0.5, now=0.05, known=(0.05, 50.0), seed=1) > 0


def standing(**fields) -> Standing:
    """A change that saves 6 a month beside its escapes, of which none is expected."""
    known = {
        "advised": True,
        "sure": 6.0,
        "escapes": 0.0,
        "event": 1e-9,
        "asked": 0.0,
        "allowed": 0.2,
    }
    return Standing(**{**known, **fields})


def test_defects_to_come_are_worth_what_the_exact_sum_says():
    # One label of a defect that comes at a rate drawn from an exponential distribution.
    of = Candidates(review=np.array([10.0, 4.0]), escape=np.array([[0.0], [5.0]]), pull=np.zeros(2))
    for more in (1.0, 3.0):
        draws, changes = value_of_gathering(of, standing(), [], more=more, draws=60_000, seed=3)
        value = mean_of(draws)
        m = np.arange(400)
        chance = (more / (1 + more)) ** m / (1 + more)
        rate = (1 + m) / (1 + more)
        now = 4.0 + 5.0 * rate  # 4 + 5 < 10: the second row is chosen now
        exact = float(chance @ (now - np.minimum(now, 10.0)))
        assert value.value == pytest.approx(exact, abs=4 * value.error)
        assert changes == pytest.approx(float(chance[now > 10.0].sum()), abs=0.01)


# Two rows that a single label does not tell apart: the second one is chosen in every draw.
SETTLED = Candidates(review=np.array([10.0, 4.0]), escape=np.zeros((2, 20)), pull=np.zeros(2))


@pytest.mark.parametrize(("advised", "sure"), [(False, 11.0), (True, 14.0)])
def test_the_advice_that_labels_to_come_change_is_worth_what_the_exact_sum_says(advised, sure):
    of = standing(advised=advised, sure=sure, escapes=8.0, event=4.0)
    for more in (10.0, 40.0):
        draws, changes = value_of_gathering(SETTLED, of, [], more=more, draws=60_000, seed=4)
        value, spans = mean_of(draws), more / 20
        # Escapes come in events of 4, two of them expected; those seen are negative binomial.
        k = np.arange(400)
        chance = nbinom.pmf(k, 2.0, 1 / (1 + spans))
        expected = 4.0 * (2.0 + k) / (1 + spans)
        chance_of_loss = gamma.sf(sure, 2.0 + k, scale=4.0 / (1 + spans))
        then = (sure > expected) & (chance_of_loss <= 0.2)
        exact = float(chance @ (then * (sure - expected))) - advised * (sure - 8.0)
        assert value.value == pytest.approx(exact, abs=4 * value.error)
        assert changes == pytest.approx(float(chance[then != advised].sum()), abs=0.01)


def test_a_limit_that_no_label_has_tested_is_worth_what_it_frees_once_one_has():
    limit = Untested(expected=1.5, gain=9.0, cost=6.0)
    value = mean_of(
        value_of_gathering(SETTLED, standing(), [limit], more=40.0, draws=40_000, seed=5)[0]
    )
    # A gamma law of the labels beyond it, none of which came in one span, drawn by hand.
    rng = np.random.default_rng(6)
    rate = rng.gamma(SURENESS, 1.5 / SURENESS, 2_000_000)
    rate = rate[rng.poisson(rate) == 0]
    open_after = float((rng.poisson(2.0 * rate) > 0).mean())
    assert limit.chance(2.0) == pytest.approx(open_after, abs=0.003)
    assert value.value == pytest.approx(open_after * (9.0 - 6.0 / 3), abs=4 * value.error)
    # It moves too where nothing else is found, and where it would cost more than it frees it stays.
    nothing = Candidates(review=np.array([4.0, 9.0]), escape=np.zeros((2, 20)), pull=np.zeros(2))
    kept = standing(advised=False, sure=0.0)
    alone, changes = value_of_gathering(nothing, kept, [limit], more=40.0, draws=20_000, seed=5)
    assert alone.mean() == pytest.approx(open_after * 7.0, abs=0.15)
    assert changes == pytest.approx(open_after, abs=0.02)
    dear = Untested(expected=1.5, gain=9.0, cost=60.0)
    assert dear.saved(2.0) == 0.0
    assert Untested(expected=0.0, gain=9.0, cost=0.0).chance(5.0) == 0.0


def test_a_candidate_that_saves_nothing_is_not_chosen_however_little_it_is_pulled():
    of = Candidates(
        review=np.array([10.0, 9.0, 1.0]),
        escape=np.array([[0.0], [2.0], [0.0]]),
        pull=np.array([0.1, 0.0, np.inf]),
    )
    assert of.chosen(np.ones(1)) == 0
    assert of.chosen(np.zeros(1)) == 1


def look(family, hours, worth):
    return Look(kind="audit", family=family, items=1, hours=hours, worth=worth, error=0.0, why={})


def test_the_hours_go_where_they_are_worth_most_together():
    ladders = [
        [look("A", 1.0, 10.0), look("A", 2.0, 14.0)],
        [look("B", 1.0, 8.0)],
        [look("C", 2.0, 15.0)],
    ]
    assert [(x.family, x.worth) for x in best_within(ladders, 2.0)] == [("A", 10.0), ("B", 8.0)]
    assert [x.family for x in best_within(ladders, 3.0)] == ["A", "C"]
    assert best_within(ladders, 0.5) == []
    assert best_within([], 1.0) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "seeds"),
    [
        ("misread", (3,)),
        ("misread", (4, 5, 6, 7, 8)),
        ("skewed", (3, 4, 5, 6)),
    ],
)
def test_an_hour_by_the_list_gains_twice_what_others_do(tmp_path, kind, seeds):
    rows = [relooked(stranger_with_truth(tmp_path / str(s), kind, s)) for s in seeds]
    ours, promised, anywhere, largest = (
        sum(getattr(r, x) for r in rows) for x in ("followed", "promised", "at_random", "largest")
    )
    assert ours >= 2 * anywhere
    assert ours >= 2 * largest
    assert 0.5 * promised <= ours <= 2 * promised


# --- sheets, and what followed ---------------------------------------------------------------


def test_the_sheet_of_repeated_readings_is_what_the_gauge_study_reads(tmp_path):
    path = tmp_path / "readings.csv"
    lines = readings_text(["B1 R1", "B2 R1", "B3 R7"], 2, "tilt").splitlines()
    values = ["1.0", "2.0", "3.0", "1.2", "2.2", "3.2"]
    path.write_text("\n".join([lines[0], *(x + v for x, v in zip(lines[1:], values, strict=True))]))
    (study,) = read_studies(path)
    assert study.measurement == "tilt"
    assert study.values.shape == (3, 1, 2)
    assert np.ptp(study.values, axis=2).ravel() == pytest.approx([0.2, 0.2, 0.2])


EXAMPLE = Path(__file__).parent.parent / "data" / "example"


@pytest.fixture
def example(tmp_path):
    folder = tmp_path / "plant"
    shutil.copytree(EXAMPLE, folder)
    return folder


def passed_item(history, family):
    return history.rows(
        f"""select stage, board, designator, coalesce(pin, ''), time from items
            where family = '{family}' and verdict is null and not called order by time limit 2"""
    )


def test_gathered_defects_are_read_back_as_verdicts(example, tmp_path):
    plant = read_plant(example)
    path = tmp_path / "defects.csv"
    family = next(iter(plant.file.families))
    with open_history(plant) as history:
        family = history.rows("select family from items where verdict is null limit 1")[0][0]
        (stage, board, designator, pin, time), *_ = passed_item(history, family)
        write_defect_sheet(path, family=family, stage=stage, rows=3)

        def filled(*rows):
            with path.open("w", newline="") as file:
                writer = csv.DictWriter(file, COLUMNS)
                writer.writeheader()
                for row in rows:
                    writer.writerow({"family": family, "stage": stage, **row})

        row = {
            "board": board,
            "designator": designator,
            "pin": pin,
            "time": str(time),
            "defect": "open",
            "found_by": "Test",
            "by": "Ada",
        }
        with pytest.raises(HistoryError, match="no row is filled in"):
            read_gathered(history, path)
        filled(row, {})
        (found,) = read_gathered(history, path)
        assert found.key[:4] == (stage, board, designator, pin)
        assert found.found_by == "test"
        for spoiled, words in (
            ({"found_by": "review"}, "found_by must be one of test, audit, field"),
            ({"by": ""}, "by is missing"),
            ({"board": "nowhere"}, "no item of the history has this board"),
            ({"family": "another"}, "the item is of family"),
        ):
            filled(row | spoiled)
            with pytest.raises(HistoryError, match=words):
                read_gathered(history, path)
        filled(row, row)
        with pytest.raises(HistoryError, match="stands in row 1 already"):
            read_gathered(history, path)
        written = take_gathered(
            [found], tmp_path / "verdicts", now=datetime(2026, 1, 2, tzinfo=UTC)
        )
    with written.open(newline="") as file:
        (told,) = csv.DictReader(file)
    assert (told["verdict"], told["found_by"], told["board"]) == ("defect", "test", board)


def with_verdicts(folder):
    """Let a stranger's plant file name a folder of verdicts."""
    path = folder / "plant.toml"
    name = next(x for x in path.read_text().splitlines() if x.startswith("name ="))
    path.write_text(path.read_text().replace(name, f'{name}\nverdicts = "verdicts"'))
    (folder / "verdicts").mkdir()
    (folder / "verdicts" / "none.csv").write_text(
        "stage,board,designator,pin,time,verdict,defect,found_by,weight\n"
    )


def fill_second_look(sheet, truth, family):
    """Look again with perfect eyes; return how many labels were misread."""
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        real = bool(truth.loc[family, row["board"], row["designator"]])
        row["verdict_again"], row["by"] = "defect" if real else "good", "Ada"
    with sheet.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return sum(row["verdict_again"] == "good" for row in rows)


def test_the_command_lists_writes_sheets_and_says_what_followed(tmp_path, capsys):
    stranger = make_stranger(tmp_path / "plant", replace(KINDS["misread"], families=2, lots=30), 3)
    folder = stranger.folder
    with_verdicts(folder)
    more = ("--trials", "2", "--workers", "1")
    assert main(["learn", str(folder), "--hours", "0.5", *more, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["looks"]
    assert found["followed"] == []
    assert sum(x["hours"] for x in found["looks"]) <= 0.5 + 1e-9
    rates = [x["per_hour"] for x in found["looks"]]
    assert rates == sorted(rates, reverse=True)
    for row in found["looks"]:
        text = Path(row["sheet"]).read_text()
        assert len(text.splitlines()) >= row["items"]
        assert row["family"] in text
    # Asked again before anybody has looked: one list, not two.
    assert main(["learn", str(folder), "--hours", "0.5", *more]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "in fact" not in out
    assert "to print:" in out
    assert len(read_listings(read_plant(folder))) == 1
    page = (folder / "learn" / "1" / "sheets.html").read_text()
    assert "chance_misread" not in page
    assert "chance misread" not in page

    truth = stranger.truth.set_index(["family", "board", "designator"])["is_defect"].sort_index()
    first = next(x for x in found["looks"] if x["kind"] == "second look")
    misread = fill_second_look(Path(first["sheet"]), truth, first["family"])
    assert main(["relabel", str(folder), "--read", first["sheet"]]) == 0
    capsys.readouterr()
    assert main(["learn", str(folder), "--hours", "0.5", *more, "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["followed"]
    assert (told["family"], told["answered"]) == (first["family"], first["items"])
    assert told["found"] == misread
    assert told["expected"] == pytest.approx(first["worth"])
    assert told["worth"] > 0
    assert len(read_listings(read_plant(folder))) == 2
    assert main(["learn", str(folder), "--hours", "0.5", *more]) == 0
    assert f"{misread} misread" in capsys.readouterr().out

    # Page and night say the same from one small file.
    plant = read_plant(folder)
    last = last_list(plant)
    assert (last.followed, last.expected) == (1, pytest.approx(told["expected"]))
    assert last.in_fact == pytest.approx(told["worth"])
    (line,) = _listed(plant)
    assert f"worth EUR {last.worth:,.0f} a month, as listed on {last.day}" in line
    assert f"counted since {last.in_fact:,.0f}" in line
    (word,) = _worth_looking(last.as_dict(), "EUR")
    assert f"EUR {last.worth:,.0f} a month" in word
    assert _worth_looking(None, "EUR") == []

    # What somebody else wrote into the record is not believed.
    record = folder / "learn" / "learn.json"
    record.write_text(record.read_text().replace('"worth": ', '"worth": 9'))
    assert read_listings(read_plant(folder)) == []
    assert last_list(read_plant(folder)) is None
    assert _listed(read_plant(folder)) == []
    # The night names it and goes on; the next list is made beside the sheets that are there.
    capsys.readouterr()
    assert main(["nightly", str(folder), "--trials", "4", "--workers", "1", "--json"]) == 4
    night = json.loads(capsys.readouterr().out)
    assert night["learn"] is None
    assert any("learn.json: not believed" in words for words in night["refused"])
    assert main(["learn", str(folder), "--hours", "0.5", *more]) == 0
    assert last_list(read_plant(folder)) is not None
    with pytest.raises(SystemExit):
        main(["learn", str(folder), "--hours", "none"])


def test_a_look_is_judged_up_to_where_the_same_was_listed_again():
    def listing(day, *looks):
        listed = tuple(Listed(look=x, sheet="", written="", keys=()) for x in looks)
        return Listing(day=day, listed=listed, standing={}, repeatability={})

    first = look("A", 1.0, 5.0)
    later = [listing("2", look("B", 1.0, 5.0)), listing("3", look("A", 2.0, 9.0))]
    assert _listed_again(first, later).day == "3"
    assert _listed_again(first, later[:1]) is None
    assert _listed_again(replace(first, kind="gather"), later) is None


def guarded_plant(folder):
    """A small plant whose limits would move up to their workmanship bounds, less the guard."""
    kind = Kind(families=2, lots=12, per_lot=400, defects=60.0, measurements=4)
    stranger = make_stranger(folder, kind, 5)
    path = folder / "plant.toml"
    lines = [path.read_text()]
    for family in stranger.families:
        lines.append(f"[families.{family.name}.workmanship]")
        for i, scale in enumerate(family.scale):
            ends = {"upper": family.upper[i] + scale / 2, "lower": family.lower[i] - scale / 2}
            told = ", ".join(f"{k} = {x:g}" for k, x in ends.items() if np.isfinite(x))
            lines.append(f"m{i:02d} = {{ {told} }}")
    path.write_text("\n".join(lines))
    return folder


def test_parts_are_measured_repeatedly_and_what_that_was_worth_is_said(tmp_path, capsys):
    folder = guarded_plant(tmp_path / "plant")
    more = ("--hours", "4", "--trials", "6", "--workers", "1")
    assert main(["learn", str(folder), *more, "--json"]) == 0
    looks = json.loads(capsys.readouterr().out)["looks"]
    look = next(x for x in looks if x["kind"] == "repeat")
    assert look["why"]["stated"] == 0.05
    assert look["why"]["studied"] == 0
    sheet = Path(look["sheet"])
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == look["items"]
    parts = {row["item"] for row in rows}
    assert len(parts) == look["why"]["parts"]
    with open_history(read_plant(folder)) as history:
        known = {
            x
            for (x,) in history.rows(
                f"select concat_ws(' ', board, designator, pin) from items where family = '{look['family']}'"
            )
        }
    assert parts <= known
    # The gauge repeats four times better than the plant file says.
    rng = np.random.default_rng(1)
    level = {part: rng.normal(75, 0.5) for part in sorted(parts)}
    with sheet.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        for row in rows:
            read = level[row["item"]] + rng.normal(0, 0.0125)
            writer.writerow({**row, look["measurement"]: f"{read:.5f}"})
    assert main(["gauge", str(sheet), "--write", str(folder)]) == 0
    known = read_plant(folder).file.measurements[look["measurement"]]
    assert 0.006 < known.repeatability < 0.025
    freedom = look["why"]["parts"] * (look["why"]["readings"] - 1)
    assert known.repeatability_freedom == freedom
    capsys.readouterr()
    assert main(["learn", str(folder), *more, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (told,) = found["followed"]
    assert (told["kind"], told["measurement"]) == ("repeat", look["measurement"])
    assert (told["before"], told["found"]) == (0.05, known.repeatability)
    # Goods freed, and the bound still guarded: worth something, by what is known now.
    assert told["worth"] >= 0
    again = [x for x in found["looks"] if x["measurement"] == look["measurement"]]
    assert all(x["worth"] < look["worth"] for x in again), "a study that was made says more"
