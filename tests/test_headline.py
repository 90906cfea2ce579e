"""The headline: what all advised changes do together is the sum of what each promises."""

import math
from dataclasses import replace

import pytest
from factories import any_proposal
from test_promise import held_out

from optimiser.evidence.intervals import Interval
from optimiser.evidence.promise import promise
from optimiser.plant.file import Review
from optimiser.proposal.headline import headline
from optimiser.proposal.record import Change, Forward, Line, ThreeLines
from optimiser.views.sentences import headline_words

REVIEW = Review(seconds_per_call=36.0, cost_per_hour=50.0)


def of(seed, advice="change", *, goods=900, misread=0.0):
    """A proposal with a promise drawn from a seed and a step forward in time."""
    told = promise(held_out(seed, misread=misread))
    line = Line(calls=goods, defects=3, goods=goods, unreviewed=5)
    plain = any_proposal(f"F{seed}")
    forward = Forward(
        false_calls_saved=Interval(value=100.0, low=80.0, high=math.inf),
        escapes_added=Interval(value=1.0, low=0.0, high=4.0),
        followed_false_calls_saved=70 + 20 * seed,
        followed_escapes_added=seed,
    )
    return replace(
        plain,
        advice=advice,
        promise=told,
        considered=None if advice == "change" else Change(limits=(), promise=told),
        lines=ThreeLines(kept=line, loosened=line, tightened=line),
        span_days=60.0,
        proof=replace(plain.proof, forward=forward),
    )


def test_sums_and_shares_are_those_of_the_proposals():
    made = [of(0), of(1, misread=50.0), of(2, "keep")]
    found = headline(made, REVIEW)
    assert (found.families, found.advised.families, found.uncertain.families) == (3, 2, 1)
    assert found.false_calls_now == 3 * 2 * 905
    saved = sum(p.promise.false_calls_saved.value for p in made[:2])
    assert found.advised.false_calls_saved.value == pytest.approx(saved)
    assert found.review_hours == pytest.approx(saved * 36 / 3600)
    # Misread goods beyond one family's labels are taken off the sum, not lost at its zero.
    signed = [p.promise.in_sum.escapes_added.value for p in made[:2]]
    assert signed[1] < 0 == made[1].promise.escapes_added.value
    assert found.advised.escapes_added.value == max(0.0, sum(signed))
    money = sum(p.promise.in_sum.saving_per_month.value for p in made[:2])
    assert found.advised.saving_per_month.value == pytest.approx(money)
    assert money > sum(p.promise.saving_per_month.value for p in made[:2])
    assert found.forward.inside == 2  # an open end holds all above 80
    assert (found.forward.promised, found.forward.followed) == (300.0, 270)


def test_words_say_before_after_and_share():
    lines = headline_words(headline([of(0), of(2, "keep")], REVIEW), currency="EUR")
    after = 3620 - headline([of(0)], REVIEW).advised.false_calls_saved.value
    assert lines[0].startswith(
        f"Advised for 1 of 2 families: false calls from 3,620 to {after:,.0f} in 60 days (-"
    )
    assert "hours of review" in lines[0]
    assert "the next 60 days" in lines[0]
    assert any(line.startswith("One step forward in time") for line in lines)
    assert any(line.startswith("Not advised") for line in lines)


def test_nothing_advised_is_said_in_words():
    lines = headline_words(headline([of(1, "keep")], REVIEW), currency="EUR")
    assert lines[0].startswith(
        "No change is advised for any of 1 families; false calls stay at 1,810"
    )
    assert headline([], REVIEW) is None
