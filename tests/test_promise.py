"""The promise from held-out outcomes: identities, and properties that no data may break."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.evidence.intervals import add_up
from optimiser.evidence.promise import (
    HeldOut,
    burst_effect,
    chance_of_loss,
    moving,
    promise,
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


# --- identities -------------------------------------------------------------------------


def test_values_are_plain_counts():
    held = held_out()
    found = promise(held)
    assert found.false_calls_saved.value == (held.live_false_calls - held.false_calls).sum()
    assert found.escapes_added.value == pytest.approx(counted(held) / 0.9)
    assert found.in_sum.escapes_added.value == pytest.approx(counted(held) / 0.9)
    monthly = 365.25 / 12 / 60
    money = found.false_calls_saved.value * 0.5 - found.escapes_added.value * 20 * 0.9
    assert found.saving_per_month.value == pytest.approx(money * monthly)
    assert found.next_span.saving_per_month.value == pytest.approx(money * monthly)
    assert found.trend is None
    assert 0 <= found.chance_of_loss <= 1


def test_misread_goods_are_taken_off_and_a_sum_keeps_what_falls_below_zero():
    held = held_out()
    less = promise(replace(held, misread=1.5))
    assert less.escapes_added.value == pytest.approx((counted(held) - 1.5) / 0.9)
    more = promise(replace(held, misread=counted(held) + 4))
    assert more.escapes_added.value == 0
    assert more.in_sum.escapes_added.value == pytest.approx(-4 / 0.9)
    assert more.in_sum.saving_per_month.value > more.saving_per_month.value
    assert more.escapes_added.low == 0


def test_escapes_are_not_promised_below_what_the_setting_itself_releases():
    held = held_out()
    own = promise(replace(held, setting_added=counted(held) + 7))
    assert own.escapes_added.value == pytest.approx((counted(held) + 7) / 0.9)
    assert promise(replace(held, setting_added=counted(held) - 1)) == promise(held)


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
    assert found.escapes_added.value == 0
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
    assert chances[-1] > 0.9


def test_the_chance_of_loss_is_that_of_draws():
    held = held_out(price=np.full(60, 45.0))
    rng = np.random.default_rng(0)
    found = promise(held)
    effect = burst_effect(held, held.live_called, held.escape)
    monthly = 365.25 / 12 / 60
    unit = 45.0 * monthly * effect
    cost = rng.gamma(found.added_cost_per_month.value / unit + 0.5, unit, 400_000)
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
