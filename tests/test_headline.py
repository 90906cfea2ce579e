"""The headline: what all advised changes do together is the sum of what each promises."""

import json
import math
from dataclasses import asdict, replace

import pytest
from factories import any_proposal
from test_promise import held_out

from optimiser.evidence.intervals import Interval
from optimiser.evidence.promise import promise, together
from optimiser.plant.file import Review
from optimiser.proposal.headline import headline
from optimiser.proposal.month import Month, month_of
from optimiser.proposal.reasons import EscapesCaught, FewerFalseCalls, Unstable
from optimiser.proposal.record import Change, Forward, Line, ThreeLines
from optimiser.values import finite_only
from optimiser.views.figures import saving_words
from optimiser.views.reasons import why_words
from optimiser.views.sentences import headline_words, hours_words, month_cells, month_words
from optimiser.views.tables import next_words

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
        promise=told if advice == "change" else plain.promise,
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
    # What the families are promised adds up; misread goods beyond one's labels even out in the ends.
    escapes = [p.promise.escapes_added for p in made[:2]]
    assert found.advised.escapes_added.value == pytest.approx(sum(e.value for e in escapes))
    money = [p.promise.saving_per_month for p in made[:2]]
    assert found.advised.saving_per_month.value == pytest.approx(sum(m.value for m in money))
    assert found.advised.saving_per_month.high > together(money).high
    assert found.forward.inside == 2  # an open end holds all above 80
    assert (found.forward.promised, found.forward.followed) == (300.0, 270)


def test_signs_of_a_month_are_words_in_its_cells():
    """What is fewer, more or lost is said so; no cell has a minus."""
    month = month_of(of(0), REVIEW)
    worse = replace(
        month,
        false_calls_after=month.false_calls_now * 1.5,
        review_hours_saved=-3.25,
        saving=minus(12),
    )
    assert month_cells(worse)[2:5] == ("50% more", "3.2 more", "12 lost")
    better = replace(month, false_calls_after=month.false_calls_now / 4, review_hours_saved=3.25)
    assert month_cells(better)[2:4] == ("75%", "3.2")
    uncertain = replace(of(0).promise.saving_per_month, value=120.0, low=-12.0, high=200.0)
    assert saving_words(uncertain) == "120 (12 lost to 200)"


def test_few_hours_are_told_in_tenths_so_that_their_difference_is_what_is_said_of_it():
    month = replace(month_of(of(0), REVIEW), review_hours_now=2.56, review_hours_saved=1.68)
    assert ", 1.7 fewer review hours, " in month_words(month, currency="EUR")
    assert hours_words(month) == ("2.6", "0.9")
    many = replace(month, review_hours_now=256.4, review_hours_saved=168.3)
    assert ", 168 fewer review hours, " in month_words(many, currency="EUR")
    assert hours_words(many) == ("256", "88")


def minus(value):
    return Interval(value=-value, low=-2.0 * value, high=-1.0)


def test_what_one_span_may_bring_and_why_are_told_a_month():
    """Counted over 60 days: a month of 365.25 / 12 days holds 0.507 of it, worked out by hand."""
    made = of(0)
    ahead = replace(
        made.promise.next_span,
        false_calls_saved=Interval(value=600.0, low=-60.0, high=1200.0),
        escapes_added=Interval(value=6.0, low=0.0, high=12.0),
        saving_per_month=Interval(value=50.0, low=-7.0, high=90.0),
    )
    told = next_words(replace(made, promise=replace(made.promise, next_span=ahead)), currency="EUR")
    assert told.startswith("the next 60 days may bring, a month ")
    assert (
        "30 more to 609 fewer false calls, escapes added 0.0 to 6.1, saving EUR 7 lost to 90;"
        in told
    )
    reasons = (
        FewerFalseCalls(number=600.0, days=60.0),
        EscapesCaught(number=6.0),
        Unstable(least=-60.0, most=600.0, own=300.0),
    )
    fewer, caught, unstable = why_words(replace(made, reasons=reasons, findings=()), currency="EUR")
    assert fewer == "304 false calls fewer a month"
    assert caught.startswith("3.0 escapes caught a month")
    assert "30 more to 304 fewer false calls a month, fitted to all of them 152 fewer" in unstable


def test_the_sum_of_one_change_is_what_its_family_says_of_itself():
    """Two intervals of one change on one screen would be one too many."""
    made = of(0, misread=50.0)
    found, own = headline([made, of(2, "keep")], REVIEW).advised, made.promise
    assert found.saving_per_month == own.saving_per_month
    assert found.escapes_added == own.escapes_added
    assert found.false_calls_saved == own.false_calls_saved
    assert found.next_saving_per_month == own.next_span.saving_per_month
    assert found.next_escapes_added == own.next_span.escapes_added


def test_one_sentence_says_before_after_and_share_on_one_horizon():
    """60 days are scaled by 365.25 / 12 / 60 here, by hand."""
    made = [of(0), of(2, "keep")]
    lines = headline_words(headline(made, REVIEW), currency="EUR")
    saved = made[0].promise.false_calls_saved.value
    a_month = 365.25 / 12 / 60
    now, after = 3620 * a_month, (3620 - saved) * a_month
    assert lines[0].startswith(
        f"1 change advised for 2 families, expected a month: {saved / 3620:.0%} fewer false calls "
        f"({now:,.0f} → {after:,.0f}), {saved * a_month * 36 / 3600:,.0f} fewer review hours, EUR "
    )
    escapes = made[0].promise.in_sum.escapes_added.value
    assert f"; {max(0, escapes) * a_month:.1f} escapes added" in lines[0]
    assert lines[0].endswith("(from 60 days, 64 labelled defects).")
    assert "The next 60 days may bring" in lines[1]
    assert any(line.startswith("One step forward in time") for line in lines)
    assert any(line.startswith("Not advised") for line in lines)


def test_nothing_advised_is_said_in_words():
    lines = headline_words(headline([of(1, "keep")], REVIEW), currency="EUR")
    assert lines[0].startswith("No change is advised for any of 1 family: false calls stay at 918 ")
    assert headline([], REVIEW) is None


def test_a_loss_is_a_word_and_no_minus():
    month = month_of(of(0), REVIEW)
    worse = replace(
        month,
        false_calls_after=2 * month.false_calls_now,
        review_hours_saved=-3.0,
        saving=Interval(value=-7.0, low=-9.0, high=-5.0),
    )
    said = month_words(worse, currency="EUR")
    assert "100% more false calls" in said
    assert "3.0 more review hours, EUR 7 lost" in said
    assert "-" not in said


def test_intervals_of_a_loss_are_words_too():
    """What stands behind the sentence has no minus either, nor what a step forward brought."""
    several = headline([of(0), of(2, "keep")], REVIEW)
    more = Interval(value=-317.0, low=-449.0, high=-194.0)
    walk = replace(several.forward, promised=-197.0, followed=-200.0, families=1)
    told = replace(several, month=replace(several.month, false_calls_saved=more), forward=walk)
    _, sure, forward, *_ = headline_words(told, currency="EUR")
    assert "a month: 194 to 449 more false calls, EUR " in sure
    assert "lots alone 197 more false calls" in forward
    assert "later lots of 1 family; 200 more and" in forward
    lost = Interval(value=-54.0, low=-63.0, high=407.0)
    uncertain = replace(told.uncertain, saving_per_month=lost)
    last = headline_words(replace(told, uncertain=uncertain), currency="EUR")[-1]
    assert "a month: EUR 54 lost (EUR 63 lost to EUR 407 saved), " in last
    assert "-" not in last
    wide = replace(more, high=20.0)
    told = replace(told, month=replace(told.month, false_calls_saved=wide))
    assert "449 more to 20 fewer false calls" in headline_words(told, currency="EUR")[1]


@pytest.mark.parametrize(
    ("now", "after", "said", "cell"),
    [
        (26, 348, "13.4 times the false calls (26 → 348)", "13.4 times"),
        (0, 7, "false calls where there were none (0 → 7)", "new"),
        (50, 100, "100% more false calls (50 → 100)", "100% more"),
    ],
)
def test_a_limit_that_calls_where_little_was_called_is_said_as_a_multiple(now, after, said, cell):
    """A limit at a stage where hardly anything was called: more than double is no percentage."""
    month = replace(month_of(of(0), REVIEW), false_calls_now=now, false_calls_after=after)
    assert f"expected a month: {said}, " in month_words(month, currency="EUR")
    assert month_cells(month)[2] == cell


def test_a_month_survives_the_log():
    """The night writes it as plain values; an end that nobody knows is null there."""
    month = replace(month_of(of(0), REVIEW), saving=Interval(value=3.0, low=1.0, high=math.inf))
    plain = json.loads(json.dumps(finite_only(asdict(month)), allow_nan=False))
    assert plain["saving"]["high"] is None
    assert Month.from_dict(plain) == month


def test_months_of_families_add_up_to_the_plants():
    made = [of(0), of(1), of(2, "keep")]
    months = [month_of(p, REVIEW) for p in made]
    all_ = headline(made, REVIEW).month
    for name in ("families", "advised", "labels"):
        assert sum(getattr(m, name) for m in months) == getattr(all_, name)
    for name in ("false_calls_now", "false_calls_after", "review_hours_now", "review_hours_saved"):
        assert sum(getattr(m, name) for m in months) == pytest.approx(getattr(all_, name))
    assert months[2].false_calls_after == months[2].false_calls_now
