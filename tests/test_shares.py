"""Shares over families: for ranking, never lost, never invented."""

from dataclasses import replace

import pytest
from factories import any_proposal

from optimiser.proposal.record import Change
from optimiser.proposal.shares import FEWEST_FAMILIES, with_shares


def of(family, counted, called, advice="change"):
    """A proposal that would let so many of the defects escape that the live recipe calls."""
    plain = any_proposal(family)
    promise = replace(plain.promise, added_counted=counted, defects_called=called)
    considered = Change(limits=plain.limits, promise=promise) if advice == "keep" else None
    return replace(plain, advice=advice, promise=promise, considered=considered)


def test_few_defects_are_pulled_and_many_stay():
    made = [of(f"F{n}", 3, 60) for n in range(6)] + [of("small", 1, 4), of("large", 40, 400)]
    found = {p.family: p.escape_share for p in with_shares(made)}
    assert 0.03 < found["small"].shown < 0.25  # its own share, 1 of 4, lies further off
    assert found["large"].shown == 0.1  # enough defects: its own
    assert found["small"].weight < found["large"].weight
    assert all(s.low <= s.shown <= s.high for s in found.values())


def test_considered_changes_count_and_gathering_families_have_none():
    made = [of(f"F{n}", n, 20, "keep") for n in range(FEWEST_FAMILIES)]
    made.append(of("none", 0, 0, "gather"))
    found = with_shares(made)
    assert found[-1].escape_share is None
    assert found[2].escape_share.counted == 2


@pytest.mark.parametrize("families", [0, 1, FEWEST_FAMILIES - 1])
def test_too_few_families_say_nothing(families):
    found = with_shares([of(f"F{n}", 1, 9) for n in range(families)])
    assert [p.escape_share for p in found] == [None] * families
