"""Shares over families: for ranking, never lost, never invented."""

from optimiser.proposal.shares import FEWEST_FAMILIES, with_shares


def row(family, counted, of, advice="change"):
    promise = {"added_counted": counted, "defects_called": of}
    if advice == "change":
        return {"family": family, "advice": advice, "promise": promise, "considered": None}
    considered = {"promise": promise} if advice == "keep" else None
    return {"family": family, "advice": advice, "promise": {}, "considered": considered}


def test_few_defects_are_pulled_and_many_stay():
    rows = [row(f"F{n}", 3, 60) for n in range(6)] + [row("small", 1, 4), row("large", 40, 400)]
    found = {r["family"]: r["escape_share"] for r in with_shares(rows)}
    assert 0.03 < found["small"]["shown"] < 0.25  # its own share, 1 of 4, lies further off
    assert found["large"]["shown"] == 0.1  # enough defects: its own
    assert found["small"]["weight"] < found["large"]["weight"]
    assert all(s["low"] <= s["shown"] <= s["high"] for s in found.values())


def test_considered_changes_count_and_gathering_families_have_none():
    rows = [row(f"F{n}", n, 20, "keep") for n in range(FEWEST_FAMILIES)]
    rows.append(row("none", 0, 0, "gather"))
    found = with_shares(rows)
    assert found[-1]["escape_share"] is None
    assert found[2]["escape_share"]["counted"] == 2


def test_too_few_families_say_nothing():
    rows = [row(f"F{n}", 1, 9) for n in range(FEWEST_FAMILIES - 1)]
    assert all(r["escape_share"] is None for r in with_shares(rows))
