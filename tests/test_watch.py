"""The watch: bets against a promise, their published-form vectors, and what they say in time.

Vectors of the mixtures were worked out by quadrature, apart from this code (statistics.md 11.3).
"""

import json
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import watch_power
from factories import RECIPE, called, make_plant
from scipy.integrate import quad
from scipy.stats import binom, gamma, poisson
from watched_plant import AFTER, DAYS, make_days, signed

from optimiser import cli
from optimiser.errors import RecipeError, UsageError
from optimiser.evidence import watch as w
from optimiser.evidence.intervals import Interval
from optimiser.history.read import open_history
from optimiser.ledger.ledger import Basis, Ledger
from optimiser.monitoring.account import _with_money
from optimiser.monitoring.watch import watch
from optimiser.monitoring.watch_facts import change_of, find_live_since
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe


def e_rate(count, expected, above=True):
    found = w.log_bet_on_rate(np.array([float(count)]), np.array([float(expected)]), above=above)
    return math.exp(found[0])


@pytest.mark.parametrize(
    ("count", "value"), [(0, 0.036351), (20, 0.19949), (30, 2.81849), (45, 22413.7)]
)
def test_bet_on_a_higher_rate_has_its_vectors(count, value):
    assert e_rate(count, 20) == pytest.approx(value, rel=4e-5)


@pytest.mark.parametrize("count", [0, 3, 20, 31])
def test_bets_on_both_sides_agree_with_quadrature(count):
    prior = gamma(0.5, scale=2)

    def ratio(r):
        return poisson.pmf(count, 20 * r) / poisson.pmf(count, 20) * prior.pdf(r)

    above = quad(ratio, 1, np.inf)[0] / prior.sf(1)
    # Below, the prior has a pole at 0: integrate over its square root.
    below = quad(lambda s: ratio(s * s) * 2 * s, 0, 1)[0] / prior.cdf(1)
    assert e_rate(count, 20) == pytest.approx(above, rel=1e-6)
    assert e_rate(count, 20, above=False) == pytest.approx(below, rel=1e-6)


@pytest.mark.parametrize(
    ("k", "n", "p", "value"),
    [(6, 60, 0.05, 0.3913), (10, 60, 0.05, 28.893), (0, 60, 0.05, 0.02379), (3, 20, 0.02, 7.198)],
)
def test_bet_on_a_higher_share_has_its_vectors(k, n, p, value):
    assert math.exp(w.log_bet_on_share(k, n, p, above=True)) == pytest.approx(value, rel=2e-4)


def test_bet_on_a_share_is_fair_at_the_promise():
    fair = [
        sum(
            binom.pmf(k, 12, 0.1) * math.exp(w.log_bet_on_share(k, 12, 0.1, above=above))
            for k in range(13)
        )
        for above in (True, False)
    ]
    assert fair == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [(0, 60, 0.0, 0.0894), (3, 60, 0.0035, 0.1937), (120, 4000, 0.0208, 0.0415)],
)
def test_share_sequence_has_its_vectors(k, n, low, high):
    found = w.share_sequence(k, n)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize("above", [True, False])
def test_far_tails_join_the_near_ones(above):
    """Where the incomplete gamma functions underflow, the logs go on smoothly."""
    count = np.full(400, 50.0) if above else np.linspace(1200, 2400, 400)
    expected = np.linspace(500, 1200, 400) if above else np.full(400, 900.0)
    found = w.log_bet_on_rate(count, expected, above=above)
    assert np.isfinite(found).all()
    assert np.abs(np.diff(found, 2)).max() < 0.01
    assert found.min() < -2


def test_rate_sequence_holds_the_truth_and_narrows():
    wide, narrow = w.rate_sequence(12, 10), w.rate_sequence(1200, 1000)
    assert wide.low < 1 < wide.high
    assert 1.05 < narrow.low < 1.2 < narrow.high < 1.35
    assert w.rate_sequence(0, 20).low == 0
    assert w.rate_sequence(0, 0).high == math.inf


def test_weights_of_starts_never_exceed_the_whole_bet():
    for starts in (1, 2, 60, 5000):
        assert w.start_weights(starts).sum() < 1
    assert w.start_weights(5000).sum() == pytest.approx(1, abs=1e-3)


PROMISE = Interval(value=0.01, low=0.009, high=0.011)


def days_of(ratio, days=120, seed=3, late=0):
    """Return day counts of a plant of 1,000 items a day, the rate changed from a day on."""
    rng = np.random.default_rng(seed)
    rate = np.where(np.arange(days) < late, 0.01, 0.01 * ratio)
    return rng.poisson(1000 * rate).astype(float), np.full(days, 1000.0)


@pytest.mark.parametrize(
    ("ratio", "state"),
    [(1.0, "as promised"), (0.5, "better"), (2.0, "worse: look")],
)
def test_states_in_plain_words(ratio, state):
    assert w.watch_rate(*days_of(ratio), PROMISE, spread=0.0).state == state


def test_few_days_are_too_early():
    counts, items = days_of(1.0, days=2)
    assert w.watch_rate(counts, items, PROMISE, spread=0.0).state == "too early"
    nothing = w.watch_rate(np.zeros(0), np.zeros(0), PROMISE, spread=0.0)
    assert (nothing.state, nothing.evidence_worse) == ("too early", 1.0)


def test_without_days_before_nothing_is_ever_said():
    assert w.dispersion(np.ones(1), np.ones(1)) == math.inf
    found = w.watch_rate(*days_of(3.0), PROMISE, spread=math.inf)
    assert found.state == "too early"


def test_an_alarm_names_its_day_among_all_days():
    counts, items = days_of(2.0, days=80, late=40)
    counts, items = np.insert(counts, 0, np.zeros(5)), np.insert(items, 0, np.zeros(5))
    found = w.watch_rate(counts, items, PROMISE, spread=0.0)
    assert found.days == 80
    assert 45 < found.worse_since < 65


def test_a_late_change_is_found_although_the_start_was_good():
    counts, items = days_of(1.6, days=300, late=200)
    counts[:200] = 8.0  # comfortably below the promise
    found = w.watch_rate(counts, items, Interval(value=0.01, low=0.005, high=0.01), spread=0.0)
    alone = w.log_bet_on_rate(np.cumsum(counts), np.cumsum(items) * 0.01, above=True)
    assert 200 <= found.worse_since < 230
    assert np.flatnonzero(alone >= np.log(20))[0] > found.worse_since + 50


def test_dispersion_is_learned_and_high_where_days_are_few():
    rng = np.random.default_rng(5)
    rates = rng.gamma(4.0, 0.0025, 4000)
    counts, sizes = rng.poisson(2000 * rates).astype(float), np.full(4000, 2000.0)
    assert w.dispersion(counts, sizes) == pytest.approx(0.25, rel=0.1)
    few = [w.dispersion(counts[i : i + 8], sizes[:8]) for i in range(0, 4000, 8)]
    assert np.mean(few) > 0.3
    assert w.dispersion(np.full(30, 7.0), np.full(30, 100.0)) == 0.0
    assert w.dispersion(np.zeros(30), np.full(30, 100.0)) == 0.0


def test_escapes_beyond_the_promised_share_are_worse():
    promised = Interval(value=0.03, low=0.0, high=0.05)
    ones = np.ones(12)
    bad = w.watch_share(ones, 5 * ones, promised, effect=1.0)
    assert (bad.state, bad.count, bad.trials) == ("worse: look", 12, 60)
    assert w.watch_share(ones, 5 * ones, promised, effect=4.0).state == "too early"
    assert w.watch_share(0 * ones, 40 * ones, promised, effect=1.0).state == "as promised"
    nothing = w.watch_share(np.zeros(0), np.zeros(0), promised, effect=1.0)
    assert (nothing.state, nothing.share.high) == ("too early", 1.0)


def lots_at(rng, middle, spread=1.0, lots=30):
    return w.LotProfile(
        items=rng.integers(50, 400, lots).astype(float),
        middle=rng.normal(middle, 0.3, lots),
        spread=spread * rng.lognormal(0, 0.05, lots),
    )


def test_drift_counts_lots_not_items():
    rng = np.random.default_rng(2)
    unmoved = [w.drift(lots_at(rng, 5.0), lots_at(rng, 5.0), least=0.01).shown for _ in range(200)]
    assert sum(unmoved) <= 16  # two intervals at 99 %: 4 expected, more than 16 never
    moved = w.drift(lots_at(rng, 5.0), lots_at(rng, 6.0, 1.4), least=0.01)
    assert moved.shown
    assert moved.shift.low > 0.5
    assert moved.ratio.low > 1.2
    one = w.drift(lots_at(rng, 5.0), lots_at(rng, 9.0, lots=1), least=0.01)
    assert not one.shown


def false_calls(items, recipe):
    return sum(called(i, recipe) and i["verdict"] != "defect" for i in items)


@pytest.fixture(scope="module")
def days():
    return make_days()


def first_new(items):
    """Return the time of the first item that only the old limits call and that was not called."""
    return min(
        i["time"] for i in items if called(i, RECIPE) and not called(i, AFTER) and not i["called"]
    )


def honest(items, **more):
    """Return a change whose promise is what the days before say, give or take a fifth."""
    since = first_new(items)
    before = [i for i in items if i["time"] < since]
    old, new = false_calls(before, RECIPE), false_calls(before, AFTER)
    reach = new / 5
    saved = (old - new, old - new - reach, old - new + reach)
    return signed(saved, live_false_calls=old, items=len(before), **more)


def watched(folder, items, row, *, recipe=AFTER, toml=None, **more):
    make_plant(folder, items=items, recipe=recipe, toml=toml)
    plant = read_plant(folder)
    found = read_recipe(folder / "recipe.csv", plant.file.measurements)
    with open_history(plant) as history:
        return watch(history, found, change_of(row), **more)


def test_live_since_is_the_first_item_that_only_new_limits_pass(tmp_path, days):
    make_plant(tmp_path, items=days)
    plant = read_plant(tmp_path)
    recipe = read_recipe(tmp_path / "recipe.csv", plant.file.measurements)
    row = honest(days)
    with open_history(plant) as history:
        assert find_live_since(history, recipe, change_of(row)) == first_new(days)
        late = change_of({**row, "applied": "2026-04-02T00:00+00:00"})
        assert find_live_since(history, recipe, late) > late.applied


def test_live_since_survives_a_few_odd_calls_and_says_when_never(tmp_path, days):
    rng = np.random.default_rng(1)
    odd = [{**i, "called": not i["called"]} if rng.random() < 0.01 else i for i in days]
    found = watched(tmp_path / "odd", odd, honest(days))
    assert found.since == first_new(days)
    assert 0.001 < found.mismatch_share < 0.03
    assert any("not those of the new limits" in r for r in found.reasons)
    never = make_days(change_day=DAYS + 1)
    found = watched(tmp_path / "never", never, honest(days))
    assert (found.since, found.state, found.items) == (None, "too early", 0)


def test_realised_saving_is_both_recipes_on_the_same_items(tmp_path, days):
    found = watched(tmp_path, days, honest(days))
    since = [i for i in days if i["time"] >= found.since]
    assert found.items == len(since)
    assert found.false_calls.count == false_calls(since, AFTER)
    months = (since[-1]["time"] - found.since).total_seconds() / 86400 / (365.25 / 12)
    assert found.false_calls_before_per_month * months == pytest.approx(false_calls(since, RECIPE))
    lost = [i for i in since if i["verdict"] == "defect" and called(i, RECIPE) and not i["called"]]
    assert found.escapes_known == len(lost)
    saved = false_calls(since, RECIPE) - false_calls(since, AFTER)
    # Review costs 0.30 each, an escape 40; every escape is found at full coverage.
    assert found.saving_per_month.value * months == pytest.approx(0.3 * saved - 40 * len(lost))
    assert found.saving_per_month.low < found.saving_per_month.value < found.saving_per_month.high


def test_days_and_places_add_up_to_what_was_saved(tmp_path, days):
    """Made on two lines, of which one goes unnamed in half of its rows, and of two products."""
    placed = [
        {**i, "line": None if n % 4 == 1 else f"L{n % 2 + 1}", "product": f"P{n % 2 + 1}"}
        for n, i in enumerate(days)
    ]
    found = watched(tmp_path, placed, honest(placed))
    assert [(p.line, p.product) for p in found.by_place] == [
        *(("L1", "P1"), ("L2", "P2"), (None, "P2")),
    ]
    since = [i for i in placed if i["time"] >= found.since]
    for place in found.by_place:
        own = [i for i in since if (i["line"], i["product"]) == (place.line, place.product)]
        assert place.items == len(own)
        lost = [
            i for i in own if i["verdict"] == "defect" and called(i, RECIPE) and not i["called"]
        ]
        saved = false_calls(own, RECIPE) - false_calls(own, AFTER)
        assert place.realised == pytest.approx(0.3 * saved - 40 * len(lost))
        assert place.promised == pytest.approx(
            found.promised_saving_per_month.value * found.months * len(own) / len(since)
        )
    for part in (found.by_day, found.by_place):
        assert sum(x.realised for x in part) == pytest.approx(
            found.saving_per_month.value * found.months
        )
    row = {"name": "L1", "false_calls": 3}
    nowhere, unnamed = _with_money([{"name": "L9"}, {"name": "(none)"}], [found, found], "line")
    assert (nowhere["realised"], nowhere["promised"]) == (None, None)
    assert unnamed["realised"] == pytest.approx(2 * found.by_place[2].realised)
    (line,) = _with_money([row], [found], "line")
    assert line["realised"] == found.by_place[0].realised


def test_a_kept_promise_is_not_called_worse(tmp_path, days):
    found = watched(tmp_path, days, honest(days))
    assert found.state in ("as promised", "too early")
    assert found.mismatch_share == 0
    assert found.moved == ()
    assert "<Watched CHIP" in repr(found)


def test_a_broken_promise_is_found_and_explained(tmp_path):
    items = make_days(worse=0.5, drift=8.0)
    found = watched(tmp_path, items, honest(items))
    assert found.state == "worse: look"
    assert found.false_calls.worse_since is not None
    assert {m.measurement for m in found.moved} == {"tilt", "offset"}
    tilt = next(m for m in found.moved if m.measurement == "tilt")
    assert tilt.material
    assert tilt.calls_per_month > 0
    assert any("tilt has drifted" in r for r in found.reasons)


def test_a_setting_signed_without_promise_gets_counts_and_no_state(tmp_path, days):
    found = watched(tmp_path, days, {**honest(days), "promise": None})
    assert found.state == "too early"
    assert found.false_calls.count > 0
    assert any("without a promise" in r for r in found.reasons)


def test_without_days_before_no_state_is_given(tmp_path, days):
    since = first_new(days)
    after = [i for i in days if i["time"] >= since]
    found = watched(tmp_path, after, honest(days), live_since=after[0]["time"])
    assert found.state == "too early"
    assert any("before the change" in r for r in found.reasons)


def test_escapes_count_once_their_labels_are_final(tmp_path, days):
    late = watched(tmp_path / "late", days, honest(days), label_days=10.0)
    now = watched(tmp_path / "now", days, honest(days), label_days=0.0)
    assert late.escapes_known == now.escapes_known > 0
    assert late.escapes.trials < now.escapes.trials
    assert late.expected_escapes.value < now.expected_escapes.value
    none = watched(tmp_path / "none", days, honest(days, added=(0.0, 0.0, 0.0)))
    assert none.escapes is None


def test_a_missed_known_bad_board_is_an_alarm_at_once(tmp_path, days):
    row = honest(days)
    again = {**days[-1], "board": "KB-1", "called": False, "verdict": None, "found_by": None}
    found = watched(tmp_path / "board", [*days[:-1], again], row)
    assert found.state == "worse: look"
    assert "KB-1" in found.reasons[0]
    assert "ran again" in found.reasons[0]
    same = {**again, "board": "B9999", "offset": 150.0}
    found = watched(tmp_path / "same", [*days[:-1], same], row)
    assert [("measures the same" in m) for m in found.missed] == [True]
    caught = {**same, "called": True, "board": "KB-1"}
    assert watched(tmp_path / "caught", [*days[:-1], caught], row).missed == ()


def test_live_limits_that_pass_a_known_bad_item_are_an_alarm(tmp_path, days):
    recipe = [(*r[:4], "200", r[5]) if r[1:3] == ("CHIP", "offset") else r for r in AFTER]
    found = watched(tmp_path, days, honest(days), recipe=recipe)
    assert found.missed == ("must-catch item KB-1: the live limits do not call it",)


def test_nothing_since_is_too_early(tmp_path, days):
    found = watched(tmp_path, days, honest(days), live_since=days[-1]["time"] + timedelta(days=1))
    assert (found.state, found.items) == ("too early", 0)


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        ({"items": None}, "needs 'items'"),
        ({"limits": []}, "moves no limit"),
        ({"applied": "yesterday"}, "applied must be a date"),
    ],
)
def test_a_change_that_cannot_be_watched_is_refused(days, broken, words):
    row = {**honest(days), **broken}
    row = {k: v for k, v in row.items() if v is not None}
    with pytest.raises(UsageError, match=words):
        change_of(row)


def test_a_limit_that_no_recipe_row_holds_is_refused(tmp_path, days):
    row = honest(days)
    row["limits"][0]["measurement"] = "tlit"
    with pytest.raises(RecipeError, match=r"tlit.*did you mean 'tilt'"):
        watched(tmp_path, days, row)


def export(folder, row):
    ledger = Ledger(folder / "ledger.sqlite", now=lambda: datetime(2026, 3, 20, tzinfo=UTC))
    entry = ledger.propose(
        "CHIP",
        row["limits"],
        by="Ida",
        reason="",
        origin="recommended",
        critical=False,
        basis=Basis(history="h", recipe="r", plant="p", version="v", seed=1),
        figures={k: row[k] for k in ("promise", "lines", "items", "span_days")},
    )
    ledger.decide(entry.id, "accept", by="Ida", reason="fewer false calls")
    body = {"revision": "8", "proposals": [entry.id], "carried": [], "replaced": []}
    ledger.write("export", by="Ida", reason="night shift", body=body)
    return entry.id


def test_the_command_watches_what_the_ledger_exported(tmp_path, days, capsys):
    make_plant(tmp_path, items=days, recipe=AFTER)
    assert cli.main(["watch", str(tmp_path)]) == 0
    assert "no exported change" in capsys.readouterr().out
    number = export(tmp_path, honest(days))
    assert cli.main(["watch", str(tmp_path), "--json", "--label-days", "2"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["proposal"], row["family"], row["mismatch_share"]) == (number, "CHIP", 0)
    assert row["since"] == first_new(days).isoformat()
    assert cli.main(["watch", str(tmp_path), "--family", "SOT"]) == 0
    assert cli.main(["watch", str(tmp_path), "--family", "CHIP", "--since", "2026-04-01"]) == 0
    told = capsys.readouterr().out
    assert "2026-04-01" in told
    assert "licensed" in told


@pytest.mark.parametrize(
    "wrong", [["--since", "2026-04-01"], ["--family", "CHP"]], ids=["since alone", "family"]
)
def test_the_command_refuses_what_it_cannot_do(tmp_path, wrong, capsys):
    make_plant(tmp_path)
    assert cli.main(["watch", str(tmp_path), *wrong]) == 2
    assert "CHIP" in capsys.readouterr().err or wrong[0] == "--since"


@pytest.mark.slow
@pytest.mark.ci
def test_alarms_without_cause_stay_rare_and_a_broken_promise_is_found():
    """A year on days drawn from a demo; bounds leave a chance of one in a million."""
    runs, once = 340, 1e-6
    days = watch_power.demo_days(days=100)
    most = binom.ppf(1 - once, runs, w.DELTA)
    kept = watch_power.simulate(days, ratio=1.0, runs=runs, rivals=True)
    assert watch_power.false_alarms(kept) <= most
    assert sum(r.better is not None for r in kept) <= most
    cusum = sum(r.others["LLR-CUSUM, h = ln 370"] is not None for r in kept)
    assert cusum > most  # the rule that was not chosen: this bound can be broken
    broken = watch_power.simulate(days, ratio=1.5, runs=runs)
    soon = sum(r.worse is not None and r.worse < 21 for r in broken)
    assert soon >= binom.ppf(once, runs, 0.5)
    assert watch_power.false_alarms(broken) >= binom.ppf(once, runs, 0.9)
