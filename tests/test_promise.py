"""The promise from held-out outcomes: identities, and properties that no data may break."""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, gamma, norm, t

from optimiser.evidence.escapes import OBEYED, Released, added_after, caught_after
from optimiser.evidence.intervals import (
    ZERO,
    Interval,
    add_up,
    count_total,
    design_effect,
    next_total,
    ratio_total,
    weighted_total,
)
from optimiser.evidence.moving import trend
from optimiser.evidence.promise import (
    HeldOut,
    added_as_counted,
    burst_effect,
    chance_of_loss,
    moving,
    no_change,
    promise,
    released_of,
    together,
)

LOTS = 24


def held_out(seed=1, **changed):
    """Held-out outcomes of a change that releases false calls and a few known defects."""
    rng = np.random.default_rng(seed)
    d = 60
    live = np.arange(d) < 50
    escape = np.where(live, rng.random(d) < 0.08, rng.random(d) < 0.7).astype(float)
    parts = {
        "items": np.full(LOTS, 1000.0),
        "live_false_calls": rng.poisson(30, LOTS).astype(float),
        "false_calls": rng.poisson(12, LOTS).astype(float),
        "false_calls_error": 8.0,
        "newly_called": np.full(LOTS, 1.0),
        "loosens": True,
        "tightens": False,
        "lot": np.sort(rng.integers(0, LOTS, d)),
        "escape": escape,
        "live_called": live,
        "weight": np.where(live, 1.0, 2.0),
        "price": np.full(d, 20.0),
        "false_call_cost": 0.5,
        "miss_rate": 0.1,
        "passed_weight": 2.0,
        "span_days": 60.0,
    }
    return HeldOut(**(parts | changed))


def counted(held):
    return float(held.escape[held.live_called].sum())


def beforehand(held):
    """Escapes expected before any is counted, by what the change saves; prices of a miss aside."""
    released = held.live_false_calls.sum() - held.false_calls.sum() + held.newly_called.sum()
    price = np.average(held.price[held.live_called], weights=held.weight[held.live_called])
    worth = released * held.false_call_cost / (price * (1 - held.miss_rate))
    # Critical families as at a quarter of it.
    worth *= held.chosen_at * (0.25 if held.obeys else 1)
    left = min(max(1 - released / held.live_false_calls.sum(), 0.01), 1.0)
    usual = 0.37 * max(worth, 0.05) ** 0.63 * left**0.35 * (held.limits / 8) ** -0.38
    return min(usual, held.live_called.sum() / 2)


def real(held):
    """Real escapes after the count."""
    return added_after(
        counted(held), held.misread, beforehand=beforehand(held), elsewhere=held.elsewhere
    )


# --- identities -------------------------------------------------------------------------


def test_values_are_counts_and_escapes_what_a_count_lets_expect():
    held = held_out()
    found = promise(held)
    assert found.false_calls_saved.value == (held.live_false_calls - held.false_calls).sum()
    assert found.escapes_added.value == pytest.approx(real(held).mean / 0.9)
    assert found.in_sum.escapes_added.value == found.escapes_added.value
    monthly = 365.25 / 12 / 60
    money = found.false_calls_saved.value * 0.5 - found.escapes_added.value * 20 * 0.9
    assert found.saving_per_month.value == pytest.approx(money * monthly)
    assert found.next_span.saving_per_month.value == pytest.approx(money * monthly)
    assert found.trend is None
    assert 0 <= found.chance_of_loss <= 1


def test_a_setting_chosen_at_a_lower_price_of_a_call_is_expected_to_release_less():
    """Review saved counts in escapes at the price that the setting was chosen at, its money at what it costs."""
    held = held_out()
    spare = replace(held, chosen_at=0.1)
    cheap = replace(held, false_call_cost=held.false_call_cost * 0.1)
    assert promise(spare).escapes_added.value < promise(held).escapes_added.value
    assert promise(spare).escapes_added.value == promise(cheap).escapes_added.value
    for part in ("false_calls_saved", "review_saving_per_month"):
        assert getattr(promise(spare), part) == getattr(promise(held), part)
    # The interval stays that of the count.
    assert promise(spare).escapes_added.high == promise(held).escapes_added.high


def test_a_setting_that_obeys_every_label_is_expected_to_release_as_at_a_quarter_of_its_worth():
    held = held_out()
    obeying, cheap = promise(replace(held, obeys=True)), promise(replace(held, chosen_at=OBEYED))
    assert obeying.escapes_added == cheap.escapes_added
    assert obeying.escapes_added.value < promise(held).escapes_added.value
    # What is caught does not hang on labels that are obeyed.
    tight = replace(held, newly_called=held.newly_called + 5.0, obeys=True)
    assert promise(tight).escapes_caught == promise(replace(tight, obeys=False)).escapes_caught


def test_misread_goods_are_taken_off_and_no_family_is_promised_less_than_none():
    held = held_out()
    less = promise(replace(held, misread=1.5))
    assert less.escapes_added.value < promise(held).escapes_added.value
    more = promise(replace(held, misread=counted(held) + 4))
    assert more.escapes_added.value == more.in_sum.escapes_added.value > 0
    assert more.in_sum.escapes_added.low == pytest.approx(
        (promise(held).in_sum.escapes_added.low * 0.9 - counted(held) - 4) / 0.9
    )
    assert more.in_sum.saving_per_month.high > more.saving_per_month.high
    assert more.escapes_added.low == 0


def test_what_the_setting_itself_releases_is_within_the_interval_and_not_the_expectation():
    """Counted where limits were fitted, it scatters as any count does; nothing but the end follows it."""
    held = held_out()
    few = replace(held, setting_escaped=int(counted(held)))
    assert promise(few) == promise(held)
    own = int(counted(held)) + 7
    more = promise(replace(held, setting_escaped=own))
    assert more.escapes_added.value == promise(held).escapes_added.value
    assert more.escapes_added.high > own / 0.9 > promise(held).escapes_added.value
    assert more.in_sum.escapes_added.high > own / 0.9
    assert more.saving_per_month.low < promise(held).saving_per_month.low
    # Less what is expected to be misread.
    less = promise(replace(held, setting_escaped=own, misread=2.0))
    assert less.in_sum.escapes_added.high == pytest.approx(
        more.in_sum.escapes_added.high - 2.0 / 0.9
    )


def test_what_the_plants_other_families_release_moves_the_expectation_and_not_the_interval():
    held = held_out()
    told = [
        promise(
            replace(
                held,
                elsewhere=(Released(escaped=n, misread=0.0, beforehand=3.0),) * 6,
            )
        )
        for n in (0, 12)
    ]
    low, high = (x.escapes_added for x in told)
    assert low.value < promise(held).escapes_added.value < high.value
    assert (low.low, low.high) == (high.low, high.high)
    assert told[0].chance_of_loss < told[1].chance_of_loss


def test_where_the_live_recipe_calls_no_good_all_that_it_calls_is_left():
    none = np.zeros(LOTS)
    held = held_out(live_false_calls=none, false_calls=none, newly_called=none)
    wanted = added_after(counted(held), 0.0, beforehand=0.37 * 0.05**0.63).mean / 0.9
    assert promise(held).escapes_added.value == pytest.approx(wanted)


def test_what_is_told_to_other_families_is_what_was_counted_here():
    held = replace(held_out(), misread=0.7)
    assert released_of(held) == Released(
        escaped=int(counted(held)), misread=0.7, beforehand=pytest.approx(beforehand(held))
    )


def test_the_same_count_is_dearer_where_more_is_saved_for_the_price_of_an_escape():
    """A change that saves much releases more than its labels happen to show."""
    held = replace(held_out(), escape=np.zeros(60))
    told = [
        promise(replace(held, price=np.full(60, price))).escapes_added.value
        for price in (1.0, 10.0, 100.0, 1000.0)
    ]
    assert told == sorted(told, reverse=True)
    assert told[0] > 3 * told[-1]
    free = promise(replace(held, price=np.zeros(60)))
    assert told[0] < free.escapes_added.value < 25 / 0.9


def test_where_an_escape_costs_nothing_any_review_saved_is_worth_more_and_none_is_worth_nothing():
    """Half of the fifty known defects beforehand, or as few as the least worth lets expect."""
    held = held_out(price=np.zeros(60), false_calls_error=0.0)
    for call in (1e-6, 1e-3, 0.5):
        found = promise(replace(held, false_call_cost=call)).escapes_added.value
        assert found == pytest.approx(added_after(counted(held), 0.0, beforehand=25).mean / 0.9)
    even = replace(held, false_calls=held.live_false_calls, newly_called=np.zeros(LOTS))
    more = replace(held, false_calls=held.live_false_calls + 2.0)
    left = 1 - (held.live_false_calls - held.false_calls + 1.0).sum() / held.live_false_calls.sum()
    for saves_none, of in ((even, 1.0), (more, 1.0), (replace(held, false_call_cost=0.0), left)):
        usual = 0.37 * 0.05**0.63 * of**0.35
        wanted = added_after(counted(held), 0.0, beforehand=usual).mean / 0.9
        assert promise(saves_none).escapes_added.value == pytest.approx(wanted)


# Exact two-sided ends of a Poisson mean by its count (Garwood 1936; tables give them to three digits).
GARWOOD = {(0, 0.9): (0, 2.996), (3, 0.9): (0.818, 7.754), (5, 0.9): (1.970, 10.513)}
GARWOOD |= {(0, 0.8): (0, 2.303), (3, 0.8): (1.102, 6.681), (5, 0.8): (2.433, 9.275)}


@pytest.mark.parametrize("level", [0.8, 0.9])
def test_labels_alone_count_escapes_by_the_tables_of_a_poisson_count(level):
    """One defect a lot, so that nothing bursts: three of 24 escape, each at 30, the others cost 10."""
    called = np.arange(60) < LOTS
    escaped = np.isin(np.arange(60), [2, 9, 17])
    held = held_out(
        lot=np.arange(60) % LOTS,
        live_called=called,
        escape=np.where(called, escaped, 1.0).astype(float),
        weight=np.ones(60),
        price=np.where(escaped, 30.0, np.where(called, 10.0, 500.0)),
        misread=0.5,
    )
    # Of each weight a hundredth is spread evenly over escaped and others.
    each = (3 * 1.01 * 30 + 21 * 0.01 * 10) / (3 * 1.01 + 21 * 0.01) * 0.9 * 365.25 / 12 / 60
    for counted_, more in ((3, {}), (5, {"setting_escaped": 5})):
        low, high = GARWOOD[counted_, level]
        number, money = added_as_counted(replace(held, **more), level=level)
        wanted = np.array([low - 0.5, counted_ - 0.5, high - 0.5]) / 0.9
        assert [number.low, number.value, number.high] == pytest.approx(wanted, abs=6e-4)
        assert [money.low, money.value, money.high] == pytest.approx(wanted * each, abs=0.01)
    number, money = added_as_counted(replace(held, misread=9.0), level=level)
    assert (number.low, number.value, money.low, money.value) == (0, 0, 0, 0)
    room = GARWOOD[0, level][1] / 0.9
    assert number.high == pytest.approx(room, abs=6e-4)
    assert money.high == pytest.approx(room * each, abs=0.01)
    assert added_as_counted(replace(held, loosens=False), level=level) == (ZERO, ZERO)
    assert added_as_counted(held) == added_as_counted(held, level=0.9)


def test_the_effect_of_bursts_is_that_of_its_two_parts():
    held = held_out()
    # One defect a lot: nothing is alike within lots, what is left is the number's own scatter.
    alone = replace(
        held,
        lot=np.arange(60) % LOTS,
        live_called=np.arange(60) < LOTS,
        escape=np.ones(60),
        bursts=6.0,
    )
    share = (LOTS + 0.5) / (LOTS + 1)
    assert burst_effect(alone, alone.live_called, alone.escape) == pytest.approx(
        share * 6 + 1 - share
    )
    none = replace(alone, escape=np.zeros(60))
    assert burst_effect(none, none.live_called, none.escape) == pytest.approx(
        (0.5 / (LOTS + 1)) * 6 + 1 - 0.5 / (LOTS + 1)
    )


# --- what no data may break -------------------------------------------------------------


@given(
    seed=st.integers(0, 10_000),
    bursts=st.floats(1, 12),
    misread=st.floats(0, 20),
    level=st.sampled_from([0.8, 0.9, 0.95]),
    tightens=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_intervals_hold_their_values_and_the_next_span_is_never_more_certain(
    seed, bursts, misread, level, tightens
):
    found = promise(held_out(seed, bursts=bursts, misread=misread, tightens=tightens), level=level)
    for key in ("false_calls_saved", "escapes_added", "escapes_caught", "saving_per_month"):
        expected, ahead = getattr(found, key), getattr(found.next_span, key)
        assert expected.low <= expected.value <= expected.high
        assert ahead.low <= ahead.value <= ahead.high
    # A lot's scatter once more on top of the estimate's.
    reach = found.false_calls_saved.high - found.false_calls_saved.low
    coming = found.next_span.false_calls_saved
    assert coming.high - coming.low > 1.2 * reach
    # Where something is released no interval has width zero, nor ends at the labels there are.
    assert (
        found.escapes_added.high >= 2.3 / 0.9 > found.escapes_added.value
        or found.escapes_added.value > 0
    )
    assert found.escapes_added.low >= 0


def test_no_known_defect_released_still_leaves_room_for_some():
    held = replace(held_out(), escape=np.zeros(60))
    found = promise(replace(held, misread=9.0))
    assert found.escapes_added.value == pytest.approx(
        added_after(0, 9.0, beforehand=beforehand(held)).mean / 0.9
    )
    assert found.escapes_added.high == pytest.approx(promise(held).escapes_added.high)
    assert found.escapes_added.high > 2.9
    assert found.next_span.escapes_added.high >= found.escapes_added.high


def test_many_escapes_may_exceed_the_defects_that_history_happens_to_hold():
    held = replace(held_out(), escape=np.ones(60), bursts=8.0)
    found = promise(held)
    assert found.escapes_added.high > 50 / 0.9
    assert found.next_span.escapes_added.high > found.escapes_added.high


def test_wider_bursts_make_wider_intervals_of_escapes_and_money():
    few, many = (promise(held_out(3, bursts=b)) for b in (1.0, 9.0))
    for key in ("escapes_added", "saving_per_month"):
        for of in (lambda p: p, lambda p: p.next_span):
            narrow, wide = getattr(of(few), key), getattr(of(many), key)
            assert wide.high - wide.low >= narrow.high - narrow.low
    assert many.next_span.escapes_added.high > few.next_span.escapes_added.high


def test_past_promises_widen_the_next_span_and_not_what_is_expected():
    plain, wider = promise(held_out()), promise(held_out(widen=2.0))
    assert wider.false_calls_saved == plain.false_calls_saved
    one, two = (p.next_span.false_calls_saved for p in (plain, wider))
    assert two.high - two.low > 1.7 * (one.high - one.low)


# --- chance of loss ---------------------------------------------------------------------


def test_the_chance_of_loss_rises_with_the_price_of_an_escape():
    chances = [
        chance_of_loss(held_out(price=np.full(60, p))) for p in (1.0, 20.0, 60.0, 200.0, 900.0)
    ]
    assert chances == sorted(chances)
    assert chances[0] < 0.01
    assert chances[-1] > 0.75


def test_the_chance_of_loss_is_that_of_draws():
    held = held_out(price=np.full(60, 45.0))
    rng = np.random.default_rng(0)
    found = promise(held)
    effect = burst_effect(held, held.live_called, held.escape)
    monthly = 365.25 / 12 / 60
    shape = real(held).shape / effect
    cost = rng.gamma(shape, 45.0 * 0.9 * monthly * found.escapes_added.value / shape, 400_000)
    reach = (found.review_saving_per_month.high - found.review_saving_per_month.value) / 1.7139
    review = found.review_saving_per_month.value + reach * rng.standard_t(LOTS - 1, 400_000)
    assert chance_of_loss(held) == pytest.approx((review < cost).mean(), abs=0.01)


# --- a process that moves ---------------------------------------------------------------


def test_where_the_process_moves_the_next_span_reaches_where_it_leads():
    place = (np.arange(LOTS) + 0.5) / LOTS - 0.5
    live = np.round(40 * np.exp(1.5 * place))
    held = held_out(live_false_calls=live, false_calls=np.round(live / 4))
    found = promise(held)
    assert moving(held) is not None
    assert found.trend.growth == pytest.approx(1.5, abs=0.15)
    assert found.next_span.false_calls_saved.high > 3 * found.false_calls_saved.value
    falling = promise(held_out(live_false_calls=live[::-1], false_calls=np.round(live[::-1] / 4)))
    assert falling.next_span.false_calls_saved.low < 0.4 * falling.false_calls_saved.value


# --- sums -------------------------------------------------------------------------------


def test_a_sum_is_more_certain_than_its_parts():
    parts = [promise(held_out(seed)).saving_per_month for seed in range(9)]
    found = together(parts)
    assert found == add_up(*parts)
    assert found.value == pytest.approx(sum(p.value for p in parts))
    reach = np.mean([p.high - p.low for p in parts])
    assert found.high - found.low < 9 * reach / 2.5
    assert together([]).value == together([]).low == together([]).high == 0


def test_a_span_without_any_escape_is_inside_even_where_one_is_expected():
    held = held_out(price=np.full(60, 400.0), escape=np.where(np.arange(60) == 3, 1.0, 0.0))
    found = promise(held)
    assert found.next_span.escapes_added.low == 0
    review = found.review_saving_per_month.value
    reach = found.next_span.false_calls_saved.high / found.false_calls_saved.value
    assert found.next_span.saving_per_month.high == pytest.approx(review * reach)


def test_the_trend_told_is_that_of_live_calls_or_of_those_saved_whichever_is_surer():
    even = np.arange(LOTS)
    by_live = held_out(live_false_calls=20.0 + 4 * even, false_calls=10.0 + 4 * even)
    assert moving(by_live) == trend(by_live.live_false_calls, by_live.items)
    saves = held_out(
        live_false_calls=np.full(LOTS, 60.0), false_calls=60.0 - np.maximum(2 * even - 10, 0)
    )
    assert moving(saves) == trend(saves.live_false_calls - saves.false_calls, saves.items)
    # A lot in which more is called than before saves nothing; it does not count below that.
    worse = np.where(even == 0, 75.0, saves.false_calls)
    assert moving(replace(saves, false_calls=worse)) == moving(saves)
    both = replace(saves, live_false_calls=60.0 + even % 3 + even)
    found = (
        trend(both.live_false_calls, both.items),
        trend(both.live_false_calls - both.false_calls, both.items),
    )
    assert moving(both) == min(found, key=lambda x: x.p_value)


def test_two_lots_leave_one_degree_of_freedom():
    held = rich(
        items=np.append([900.0, 1100.0], np.zeros(LOTS - 2)),
        live_false_calls=np.append([40.0, 30.0], np.zeros(LOTS - 2)),
        false_calls=np.append([12.0, 25.0], np.zeros(LOTS - 2)),
        lot=np.arange(60) % 2,
        loosens=False,
        tightens=False,
    )
    review = promise(held).review_saving_per_month
    reach = (review.high - review.value) / t.ppf(0.95, 1)
    assert chance_of_loss(held) == pytest.approx(t.cdf(-review.value / reach, 1))


# --- every figure, by its formula -------------------------------------------------------


def rich(**changed):
    """An outcome in which nothing is equal to anything else: a lot without items, one with a single one."""
    rng = np.random.default_rng(11)
    d = 60
    items = rng.integers(500, 1500, LOTS).astype(float)
    live, new = rng.poisson(30, LOTS).astype(float), rng.poisson(12, LOTS).astype(float)
    items[5], live[5], new[5] = 0, 0, 0
    items[7], live[7], new[7] = 1, 0, 0
    called = rng.random(d) < 0.6
    parts = {
        "items": items,
        "live_false_calls": live,
        "false_calls": new,
        "newly_called": rng.integers(0, 9, LOTS).astype(float),
        "tightens": True,
        "lot": np.sort(rng.choice([n for n in range(LOTS) if n != 5], d)),
        "escape": (rng.random(d) < np.where(called, 0.2, 0.5)).astype(float),
        "live_called": called,
        "weight": rng.uniform(1, 4, d),
        "price": rng.uniform(5, 60, d),
        "passed_weight": 3.0,
        "span_days": 47.0,
        "misread": 0.7,
        "bursts": 3.5,
        "widen": 1.4,
    }
    return held_out(**(parts | changed))


def reached(value, *below_above):
    """An interval from its value and the reaches of independent parts, added in squares."""
    below, above = (np.sqrt(sum(x * x for x in side)) for side in zip(*below_above, strict=True))
    return Interval(value=value, low=value - below, high=value + above)


def around(of):
    return of.value - of.low, of.high - of.value


def effect_of(held, which, events):
    """Variance over mean of how many of some defects change sides, lot by lot."""
    sizes = np.array([sum(which[held.lot == n]) for n in range(LOTS)], dtype=float)
    changed = np.array([sum(events[which & (held.lot == n)]) for n in range(LOTS)], dtype=float)
    share = (changed.sum() + 0.5) / (sizes.sum() + 1)
    return max(1.0, share * held.bursts + (1 - share) * design_effect(changed, sizes))


def price_of(held, which, events):
    """Mean price of some defects, each with the weight of its change of sides."""
    if not which.any():
        return 0.0
    return np.average(held.price[which], weights=held.weight[which] * (events[which] + 0.01))


def added_by_formula(held, total):
    """Escapes added: as shown, and as they go into a sum."""
    if not held.loosens:
        return ZERO, ZERO
    count = max(counted(held), held.setting_escaped)
    truly = 1 / (1 - held.miss_rate)
    seen, none = total(count), total(0.0).times(truly)
    value = real(held).mean * truly
    low = min(value, (seen.low - held.misread) * truly)
    high = max(value, (seen.high - held.misread) * truly)
    shown = Interval(value=value, low=max(0.0, low), high=max(none.high, high))
    return shown, Interval(value=value, low=low, high=high)


def caught_by_formula(held, level, *, ahead):
    """Escapes caught, no more of them than items newly called."""
    if not held.tightens:
        return ZERO
    passed, calls = ~held.live_called, 1 - held.escape
    weights = np.append(held.weight[passed], held.passed_weight)
    events = np.append(calls[passed], 0.0)
    heavy = effect_of(held, passed, calls)
    caught = weighted_total(events, weights, level=level, effect=heavy)
    if ahead and caught.value > 0:
        spread = sum(weights**2 * events) / caught.value * heavy
        coming = next_total(caught.value, spread=spread, effect=heavy, level=level)
        caught = replace(coming, high=max(coming.high, caught.high))
    newly = held.newly_called.sum() + calls[passed].sum()
    room = chi2.ppf(0.5 + level / 2, 2 * newly + 2) / 2
    value = min(real_caught(held).mean, room)
    return Interval(
        value=value, low=min(value, caught.low), high=max(value, min(caught.high, room))
    )


def real_caught(held):
    """Escapes caught after the labels seen to be caught, by what is newly called for them."""
    passed = ~held.live_called
    of = held.weight[passed] * (1 - held.escape[passed])
    if not held.tightens or not of.sum():
        return caught_after(0.0, each=1.0, worth=1.0)
    price = np.average(held.price[passed], weights=held.weight[passed]) * (1 - held.miss_rate)
    return caught_after(
        of.sum(),
        each=(of * held.weight[passed]).sum() / of.sum(),
        worth=held.newly_called.sum() * held.false_call_cost * held.chosen_at / price,
    )


def by_formula(held, level, *, ahead):
    """The parts of a promise, written out; intervals of counts are the tested ones of `intervals`."""
    called, saved = held.live_called, held.live_false_calls - held.false_calls
    lots = ratio_total(saved, held.items, level=level)
    scatter = np.sqrt(2) * held.widen if ahead else 1.0
    error = held.false_calls_error * norm.ppf(0.5 + level / 2)
    saves = reached(saved.sum(), tuple(scatter * x for x in around(lots)), (error, error))
    effect = effect_of(held, called, held.escape)

    def total(count):
        if ahead:
            return next_total(count, spread=effect, effect=effect, level=level)
        return count_total(count, spread=effect, level=level)

    added, in_sum = added_by_formula(held, total)
    caught = caught_by_formula(held, level, ahead=ahead)
    monthly = 365.25 / 12 / held.span_days
    seen_by_review = (1 - held.miss_rate) * monthly
    review = saves.times(held.false_call_cost * monthly)
    each = price_of(held, called, held.escape) * seen_by_review
    cost, cost_in_sum = added.times(each), in_sum.times(each)
    gain = caught.times(price_of(held, ~called, 1 - held.escape) * seen_by_review)

    def net(cost):
        below, above = around(cost)
        return reached(
            review.value - cost.value + gain.value, around(review), (above, below), around(gain)
        )

    return {
        "saved": saves,
        "added": added,
        "added_in_sum": in_sum,
        "caught": caught,
        "review": review,
        "cost": cost,
        "gain": gain,
        "saving": net(cost),
        "saving_in_sum": net(cost_in_sum),
        "effect": effect,
    }


def same(found, wanted):
    return [found.low, found.value, found.high] == pytest.approx(
        [wanted.low, wanted.value, wanted.high], rel=1e-9
    )


EVERY = {
    "as it is": {},
    "nothing loosened": {"loosens": False},
    "nothing tightened": {"tightens": False},
    "the setting releases more": {"setting_escaped": 19},
    "more limits, and other families": {
        "limits": 31,
        "elsewhere": (Released(escaped=4, misread=0.5, beforehand=0.9),),
    },
    "more misread than escape": {"misread": 40.0},
    "hardly any item newly called": {"newly_called": np.zeros(LOTS), "weight": np.full(60, 90.0)},
    "no more caught than newly called": {
        "newly_called": np.zeros(LOTS),
        "weight": np.ones(60),
        "passed_weight": 90.0,
    },
    "hardly anything caught": {
        "escape": np.where(rich().live_called, 0.0, 0.99),
        "weight": np.ones(60),
        "passed_weight": 1.0,
    },
    "nothing caught": {"escape": np.ones(60)},
    "no error of correction": {"false_calls_error": 0.0},
    "chosen at another price of a call": {"chosen_at": 0.3},
    "no label may be released": {"obeys": True, "chosen_at": 1.7},
}


def test_cases_are_such_that_each_bound_matters():
    """Of escapes caught: once the items newly called are the bound, once less than one is expected."""
    held = rich(**EVERY["no more caught than newly called"])
    newly = (1 - held.escape[~held.live_called]).sum()
    caught = promise(held, level=0.9).escapes_caught
    assert caught.value < caught.high == pytest.approx(chi2.ppf(0.95, 2 * newly + 2) / 2)
    hardly = promise(rich(**EVERY["hardly anything caught"]))
    assert 0 < hardly.escapes_caught.value < 1
    assert hardly.next_span.escapes_caught.high > hardly.escapes_caught.high


@pytest.mark.parametrize("level", [0.8, 0.9])
@pytest.mark.parametrize("changed", EVERY.values(), ids=EVERY.keys())
def test_every_figure_is_its_formula(changed, level):
    held = rich(**changed)
    found = promise(held, level=level)
    now, ahead = by_formula(held, level, ahead=False), by_formula(held, level, ahead=True)
    assert moving(held) is None
    for key, part in (
        ("false_calls_saved", "saved"),
        ("escapes_added", "added"),
        ("escapes_caught", "caught"),
        ("saving_per_month", "saving"),
        ("review_saving_per_month", "review"),
        ("added_cost_per_month", "cost"),
        ("caught_saving_per_month", "gain"),
    ):
        assert same(getattr(found, key), now[part]), key
    assert same(found.in_sum.escapes_added, now["added_in_sum"])
    assert same(found.in_sum.saving_per_month, now["saving_in_sum"])
    assert same(found.in_sum.next_escapes_added, ahead["added_in_sum"])
    assert same(found.in_sum.next_saving_per_month, ahead["saving_in_sum"])
    for key, part in (
        ("false_calls_saved", "saved"),
        ("escapes_added", "added"),
        ("escapes_caught", "caught"),
    ):
        assert same(getattr(found.next_span, key), ahead[part]), key
    review, cost, gain, saving = (ahead[k] for k in ("review", "cost", "gain", "saving"))
    lumped = Interval(
        value=saving.value,
        low=min(saving.low, review.low - cost.value + gain.low),
        high=max(saving.high, review.high - cost.low + gain.value),
    )
    assert same(found.next_span.saving_per_month, lumped)
    called = held.live_called
    assert (found.level, found.lots) == (level, LOTS - 1)
    assert (found.defects_called, found.defects_passed) == (called.sum(), (~called).sum())
    assert called.sum() != (~called).sum()
    assert found.added_counted == (held.escape[called].sum() if held.loosens else 0)
    assert found.added_misread == (held.misread if held.loosens else 0)
    assert found.bursts == pytest.approx(now["effect"])


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {"loosens": False},
        {"tightens": False},
        {"false_call_cost": 0.02, "span_days": 20.0},
        {"weight": np.full(60, 0.01), "passed_weight": 0.02},
        {"escape": np.where(rich().live_called, 0.0, rich().escape)},
        {"setting_escaped": 19},
    ],
)
def test_the_chance_of_loss_is_its_sum_over_equally_likely_costs_and_gains(changed):
    held = rich(**changed)
    parts = by_formula(held, 0.9, ahead=False)
    called = held.live_called
    after = real(held)

    def spread(money, shape):
        return [gamma.ppf((n + 0.5) / 100, shape) * money / shape for n in range(100)]

    cost, gain = [0.0], [0.0]
    if held.loosens:
        shape = after.shape / effect_of(held, called, held.escape)
        cost = spread(parts["cost"].value, shape)
    if held.tightens:
        shape = real_caught(held).shape / effect_of(held, ~called, 1 - held.escape)
        gain = spread(parts["gain"].value, shape)
    lots = LOTS - 1
    reach = (parts["review"].high - parts["review"].value) / t.ppf(0.95, lots - 1)
    losses = [t.cdf((c - parts["review"].value - g) / reach, lots - 1) for c in cost for g in gain]
    assert chance_of_loss(held) == pytest.approx(np.mean(losses), rel=1e-9)
    assert 0 < np.mean(losses) < 1
    assert chance_of_loss(in_currency(held, 1e-4)) == pytest.approx(np.mean(losses), rel=1e-9)


def in_currency(held, rate):
    return replace(held, price=held.price * rate, false_call_cost=held.false_call_cost * rate)


def test_without_any_scatter_the_chance_of_loss_is_a_count_of_losing_outcomes():
    even = np.ones(LOTS)
    held = rich(
        items=even,
        live_false_calls=even * 2,
        false_calls=even,
        false_calls_error=0.0,
        tightens=False,
    )
    monthly = 365.25 / 12 / held.span_days
    # What review saves costs about as much as the escapes that are expected at that price.
    for _ in range(30):
        cost = by_formula(held, 0.9, ahead=False)["cost"].value
        held = replace(held, false_call_cost=cost / monthly / LOTS)
    parts = by_formula(held, 0.9, ahead=False)
    review, cost = parts["review"], parts["cost"].value
    assert review.low == pytest.approx(review.high)
    shape = real(held).shape / parts["effect"]
    costs = gamma.ppf((np.arange(100) + 0.5) / 100, shape) * cost / shape
    lost = (costs >= review.value).mean()
    assert 0.2 < lost < 0.8
    assert chance_of_loss(held) == pytest.approx(lost, abs=0.011)
    assert chance_of_loss(in_currency(held, 1e-4)) == pytest.approx(lost, abs=0.011)


def test_no_change_promises_nothing_at_all():
    found = no_change(lots=7, defects_called=3, defects_passed=2)
    assert (found.lots, found.defects_called, found.defects_passed) == (7, 3, 2)
    assert (found.chance_of_loss, found.added_counted, found.bursts, found.trend) == (0, 0, 1, None)
    assert found.added_misread == 0
    assert found.level == 0.9
    parts = [getattr(found, f.name) for f in fields(found)]
    parts += [getattr(x, f.name) for x in (found.next_span, found.in_sum) for f in fields(x)]
    kept = [x for x in parts if isinstance(x, Interval)]
    assert len(kept) == 7 + 4 + 4
    assert all(x == ZERO for x in kept)
