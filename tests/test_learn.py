"""What an hour of looking is worth: against exact sums, against truth, and as a command."""

import json

import numpy as np
import pytest
from scipy.stats import nbinom
from stranger_plants import make_stranger

from optimiser.cli import main
from optimiser.evidence.learning import PRIOR, value_of_audit
from optimiser.history.read import open_history
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import make_cases
from optimiser.proposal.learn import Look, _second_looks, best_within
from optimiser.proposal.relabel import looked_at
from optimiser.recipe.table import read_recipe
from optimiser.search.second_look import _after_look, _cheapest, _cost, best_now

SHARE = 0.10  # of the labels that the hour suffices for


@pytest.mark.parametrize(
    ("found", "coverage", "seen", "money", "rest"),
    [
        (0, 0.3, 0.5, 10.0, -12.0),
        (2, 0.5, 0.2, 30.0, -120.0),
        (4, 1.0, 1.0, 8.0, -40.0),
        (1, 0.3, 0.05, 50.0, -300.0),
    ],
)
def test_an_audit_is_worth_what_the_exact_sum_says(found, coverage, seen, money, rest):
    value = value_of_audit(
        found=found, coverage=coverage, seen=seen, money=money, rest=rest, draws=200_000, seed=5
    )
    # A Poisson count with a gamma mean is negative binomial (Raiffa and Schlaifer, 1961).
    shape = found + PRIOR
    x = np.arange(2000)
    chance = nbinom.pmf(x, shape, coverage / (coverage + seen))
    after = np.maximum(0.0, rest + money * (shape + x) / (coverage + seen))
    exact = float(chance @ after) - max(0.0, rest + money * shape / coverage)
    assert value.value == pytest.approx(exact, abs=4 * value.error)
    assert value.error > 0


def test_a_look_that_can_change_no_decision_is_worth_nothing():
    never = value_of_audit(
        found=0, coverage=1.0, seen=0.1, money=1.0, rest=-1e6, draws=5000, seed=1
    )
    assert never.value == 0
    unseen = value_of_audit(
        found=2, coverage=0.5, seen=0.0, money=10.0, rest=-20.0, draws=5000, seed=1
    )
    assert unseen.value == 0


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


def cases_of(folder):
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        return make_cases(history, live, trials=1)


def true_of(looked, truth):
    """Whether each labelled defect is one in truth."""
    defects = looked.case.tally.defects
    frame = defects.frame[~defects.settled]
    return np.array(
        [
            bool(truth.loc[looked.case.tally.family, b, d])
            for b, d in zip(frame["board"], frame["designator"], strict=True)
        ]
    )


def gain(looked, seen, truth):
    """What looking at some labels brings, every label at its true price; in false calls."""
    labels, misread = looked.labels, ~true_of(looked, truth)
    price, obeyed = _after_look(labels, seen, misread[seen])
    after = _cheapest(looked.problem, price, obeyed=obeyed, starts=looked.look.feet)
    every = np.arange(len(labels.price))[labels.doubtful]
    honest, _ = _after_look(labels, every, misread[every])
    before = best_now(looked.problem, labels, looked.look)
    return _cost(looked.problem, honest, before) - _cost(looked.problem, honest, after)


def judged(folder, kind, seed):
    """Return what the list promises, what it brings, and what two other ways to spend it bring."""
    stranger = make_stranger(folder, kind, seed)
    truth = stranger.truth.set_index(["family", "board", "designator"])["is_defect"].sort_index()
    found = {c.tally.family: x for c in cases_of(folder) if (x := looked_at(c)) is not None}
    review = next(iter(found.values())).case.plant.file.review
    doubtful = {f: np.flatnonzero(x.labels.doubtful) for f, x in found.items()}
    number = int(SHARE * sum(len(d) for d in doubtful.values()))
    hours = number * review.seconds_per_second_look / 3600
    ladders = [
        w for x in found.values() if (w := [y for y in _second_looks(x.case) if y.worth > 0])
    ]
    taken = best_within(ladders, hours)
    per_call = next(iter(found.values())).problem.false_call_cost * 365.25 / 12
    promised = sum(x.worth for x in taken) / per_call * found[taken[0].family].case.span_days
    ours = sum(gain(found[x.family], found[x.family].look.defects[: x.items], truth) for x in taken)
    rng = np.random.default_rng(seed)

    def at_random(families):
        pool = [(f, k) for f in families for k in doubtful[f]]
        drawn = [pool[n] for n in rng.permutation(len(pool))[:number]]
        return sum(
            gain(found[f], np.array([k for g, k in drawn if g == f], dtype=np.int64), truth)
            for f in {g for g, _ in drawn}
        )

    largest = max(doubtful, key=lambda f: len(doubtful[f]))
    anywhere = float(np.mean([at_random(list(doubtful)) for _ in range(3)]))
    one_family = float(np.mean([at_random([largest]) for _ in range(3)]))
    return promised, ours, anywhere, one_family


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
    rows = np.array([judged(tmp_path / str(s), kind, s) for s in seeds])
    for seed, row in zip(seeds, rows, strict=True):
        print(kind, seed, *np.round(row))
    promised, ours, anywhere, largest = rows.sum(axis=0)
    assert ours >= 2 * anywhere
    assert ours >= 2 * largest
    assert 0.5 * promised <= ours <= 2 * promised


def test_the_command_lists_writes_sheets_and_says_what_followed(tmp_path, capsys):
    stranger = make_stranger(tmp_path / "plant", "misread", 3)
    folder = stranger.folder
    more = ("--trials", "2", "--workers", "1")
    assert main(["learn", str(folder), "--hours", "0.5", *more, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["looks"]
    assert sum(x["hours"] for x in found["looks"]) <= 0.5 + 1e-9
    rates = [x["per_hour"] for x in found["looks"]]
    assert rates == sorted(rates, reverse=True)
    for row in found["looks"]:
        sheet = folder / "learn" / row["sheet"].rpartition("/")[2]
        lines = sheet.read_text().splitlines()
        assert len(lines) >= row["items"]
        assert row["family"] in sheet.read_text()
    record = folder / "learn" / "learn.json"
    assert main(["learn", str(folder), *more, "--after", str(record)]) == 0
    told = capsys.readouterr().out
    assert "in fact" in told
    assert main(["learn", str(folder), *more, "--after", str(folder / "plant.toml")]) == 2
    assert "is no record of what to learn" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["learn", str(folder), "--hours", "none"])
