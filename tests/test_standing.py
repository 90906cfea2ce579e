"""Where proposals stand, entry by entry, without a file: the rules of deciding as a table."""

from types import SimpleNamespace

import pytest

from optimiser.ledger.standing import (
    Entry,
    Signature,
    Standings,
    State,
    same_person,
    standings,
    still_to_sign,
)

FINAL = ("rejected", "withdrawn", "superseded", "rolled back")


def entry(number, kind, proposal=None, by="Ada Quill", family="CHIP", **body):
    return Entry(
        id=number,
        at=f"2026-03-02T06:00:{number:02d}",
        kind=kind,
        family=family,
        proposal=proposal,
        by=by,
        reason=f"reason {number}",
        body=body,
        previous="",
        hash="",
    )


def after(*entries):
    """Return the standings after entries that break no rule."""
    found = Standings()
    for told in entries:
        assert found.take(told) is None
    return found


def signed(critical=True, names=None, by="Ada Quill"):
    """Return a critical proposal with one signature, whose name was checked in some way."""
    body = {} if names is None else {"names": names}
    return after(entry(1, "proposal", critical=critical), entry(2, "accept", 1, by=by, **body))


# Who may be the second


@pytest.mark.parametrize(
    ("first", "then", "names", "one"),
    [
        # Entries of before: equal without case and surplus blanks.
        ("Ada Quill", "ADA  quill", (None, None), True),
        ("Ada Quill", "A. Quill", (None, None), False),
        ("Ada Quill", "\u0410da Quill", (None, None), False),  # Cyrillic: told apart then
        # A list names each person: only look-alikes are one.
        ("Ada Quill", "\u0410da Quill", ("listed", "listed"), True),
        ("Ada Quill", "A. Quill", ("listed", "listed"), False),
        ("Ada Quill", "\u0410da Quill", ("listed", None), True),
        ("Ada Quill", "\u0410da Quill", (None, "listed"), True),
        ("Ada Quill", "A. Quill", (None, "listed"), False),
        # Without a list only clearly different names are two.
        ("Ada Quill", "A. Quill", ("unchecked", "unchecked"), True),
        ("Ada Quill", "A. Quill", ("listed", "unchecked"), True),
        ("Ada Quill", "A. Quill", ("unchecked", "listed"), True),
        ("Ada Quill", "A. Quill", ("unchecked", None), True),
        ("Ada Quill", "A. Quill", (None, "unchecked"), True),
        ("Ada Quill", "Bo Marsh", ("unchecked", "unchecked"), False),
        ("Ada Quill", "Bo Marsh", ("listed", "listed"), False),
    ],
)
def test_how_names_were_checked_says_whether_two_may_be_one(first, then, names, one):
    found = signed(names=names[0], by=first)
    body = {} if names[1] is None else {"names": names[1]}
    refused = found.refusal("accept", 1, then, body)
    assert (refused is not None) == one
    told = found.take(entry(3, "accept", 1, by=then, **body))
    assert told == refused
    assert found.states[1].state == ("one signature of two" if one else "accepted")
    assert len(found.states[1].signatures) == (1 if one else 2)


def test_it_is_said_who_has_signed_and_what_helps():
    found = signed(names="unchecked")
    needs = "CHIP is critical and needs a second, different person"
    assert found.refusal("accept", 1, "Ada Quill", {}) == (
        f"Ada Quill has signed proposal 1 already; {needs}"
    )
    assert found.refusal("accept", 1, "A. Quill", {}) == (
        f"A. Quill may be Ada Quill, who has signed proposal 1 already; {needs}; "
        "list who may sign in plant.toml, [signers]"
    )


def test_a_third_signature_is_none():
    found = signed()
    assert found.take(entry(3, "accept", 1, by="Bo Marsh")) is None
    assert found.refusal("accept", 1, "Cy Fenn", {}) == (
        "proposal 1 is accepted already, by Ada Quill, Bo Marsh; nothing is left to sign"
    )


# What a decision leaves


def test_a_signature_keeps_who_when_why_and_how_the_name_was_checked():
    (found,) = signed(critical=False, names="listed").states.values()
    assert found.signatures == (
        Signature(by="Ada Quill", at="2026-03-02T06:00:02", reason="reason 2", names="listed"),
    )
    assert (found.state, found.last.id, found.decided_at) == ("accepted", 2, "2026-03-02T06:00:02")
    assert State(entry=entry(1, "proposal"), state="waiting").decided_at is None


def test_critical_is_what_the_proposal_said_or_a_signature_found():
    proposal = entry(1, "proposal")
    assert after(proposal, entry(2, "accept", 1)).states[1].state == "accepted"
    found = after(proposal, entry(2, "accept", 1, critical=True))
    assert (found.states[1].state, found.states[1].critical) == ("one signature of two", True)
    # What was judged stays: a hold and a signature that finds it harmless change nothing.
    for told in (entry(3, "hold", 1), entry(4, "accept", 1)):
        assert found.take(told) is None
    assert (found.states[1].state, found.states[1].critical) == ("one signature of two", True)
    assert found.take(entry(5, "accept", 1, by="Bo Marsh")) is None
    assert found.states[1].state == "accepted"


def test_neither_a_hold_nor_a_revision_makes_a_family_critical():
    found = after(entry(1, "proposal"), entry(2, "hold", 1), entry(3, "accept", 1))
    assert (found.states[1].state, found.states[1].critical) == ("accepted", False)
    assert found.take(entry(4, "export", proposals=[1], revision="8")) is None
    assert not found.states[1].critical


@pytest.mark.parametrize(
    ("kind", "state"), [("hold", "held"), ("reject", "rejected"), ("withdraw", "withdrawn")]
)
def test_another_verdict_takes_signatures_away(kind, state):
    found = signed()
    assert found.take(entry(3, kind, 1)) is None
    assert (found.states[1].state, found.states[1].signatures) == (state, ())
    assert found.states[1].last.id == 3
    refused = found.refusal("hold", 1, "Ada Quill", {})
    end = f"proposal 1 is {state}, which is final; make a new proposal"
    assert refused == (end if state in FINAL else None)


def test_only_an_accepted_newer_one_of_the_same_family_ends_what_is_not_exported():
    found = after(
        *(entry(n, "proposal", critical=n == 1) for n in (1, 2, 3, 5)),
        entry(4, "proposal", family="SOT"),
        entry(6, "accept", 1),
        entry(7, "accept", 2),
        entry(8, "export", proposals=[2], revision="8"),
        entry(9, "accept", 3),
    )
    states = {n: s.state for n, s in found.states.items()}
    # 1 fell when 2 was accepted.
    assert states == {1: "superseded", 2: "exported", 3: "accepted", 4: "waiting", 5: "waiting"}
    assert [s.by for s in found.states[1].signatures] == ["Ada Quill"]
    assert (found.states[1].last.id, found.states[2].exported_in) == (6, "8")


# Revisions


def exported():
    return after(
        entry(1, "proposal"),
        entry(2, "accept", 1),
        entry(3, "export", proposals=[1], revision="8"),
    )


def test_a_revision_moves_only_what_stands_as_it_must():
    """Every way in which an export or a rollback may name a proposal, against every standing."""
    allowed = {
        ("export", "proposals"): ("accepted",),
        ("rollback", "proposals"): ("exported",),
        **{(k, "carried"): ("exported",) for k in ("export", "rollback")},
        **{(k, "replaced"): ("exported",) for k in ("export", "rollback")},
        **{(k, "restored"): ("rolled back", "superseded") for k in ("export", "rollback")},
    }
    ends = {"carried": "exported", "replaced": "superseded", "restored": "exported"}
    proposal = entry(1, "proposal")
    standing = (
        *("waiting", "one signature of two", "accepted", "held", "rejected", "withdrawn"),
        *("superseded", "exported", "rolled back"),
    )
    for (kind, key), wanted in allowed.items():
        for state in standing:
            found = Standings({1: State(entry=proposal, state=state, exported_in="7")})
            told = found.take(entry(9, kind, revision="8", **{key: [1]}))
            if state not in wanted:
                words = " or ".join(wanted)
                assert told == f"proposal 1 must be {words} for this {kind}, it is {state}"
                assert found.states[1].state == state
                continue
            assert told is None
            end = "exported" if kind == "export" else "rolled back"
            end = ends.get(key, end)
            assert found.states[1].state == end
            assert found.states[1].exported_in == ("8" if end == "exported" else "7")


def test_a_revision_that_names_what_is_no_proposal_changes_nothing():
    found = exported()
    told = found.take(entry(4, "rollback", proposals=[1, 77], revision="9"))
    assert told == "proposal 77 must be exported for this rollback, it is no proposal"
    assert found.states[1].state == "exported"


def test_what_is_exported_is_not_decided_again_and_rolled_back_it_is_final():
    found = exported()
    for kind in ("accept", "hold", "reject", "withdraw"):
        told = found.take(entry(4, kind, 1))
        assert told == (
            "proposal 1 was exported in revision 8 and is not decided again; take it back with: "
            "optimiser rollback PLANT --to REVISION"
        )
    assert found.states[1].last.id == 2
    assert found.take(entry(5, "rollback", proposals=[1], revision="9")) is None
    state = found.states[1]
    assert (state.state, state.exported_in, state.last.id) == ("rolled back", "8", 2)
    assert [s.by for s in state.signatures] == ["Ada Quill"]
    assert found.refusal("accept", 1, "Bo", {}).startswith("proposal 1 is rolled back, which is")


def test_a_decision_on_no_proposal_is_refused():
    found = exported()
    assert found.refusal("accept", 5, "Bo", {}) == "entry 5 is no proposal"
    assert found.refusal("accept", None, "Bo", {}) == "entry None is no proposal"
    assert found.take(entry(4, "watch", 1)) is None
    assert found.states == exported().states


def test_standings_are_those_of_all_entries_in_order():
    told = [entry(1, "proposal"), entry(2, "accept", 1), entry(3, "reject", 9)]
    assert standings(iter(told)).states == after(*told[:2]).states
    assert standings([]).states == {}


# Who is still to sign


def plant(critical=(), **signers):
    """Return what is asked of a plant: its families, and who may sign what."""
    families = {"CHIP": SimpleNamespace(critical="CHIP" in critical)}
    listed = {name.replace("_", " "): SimpleNamespace(may=may) for name, may in signers.items()}
    return SimpleNamespace(file=SimpleNamespace(signers=listed, families=families))


def test_who_is_still_to_sign_is_told_in_words():
    harmless = after(entry(1, "proposal")).states[1]
    critical = after(entry(1, "proposal", critical=True)).states[1]
    half = signed(by="ADA quill").states[1]
    assert still_to_sign(harmless, plant()) == "one person"
    assert still_to_sign(critical, plant()) == "two people"
    assert still_to_sign(half, plant()) == "a second, different person"
    # The plant file of now may call a family critical.
    assert still_to_sign(harmless, plant(critical=["CHIP"])) == "two people"
    gone = after(entry(1, "proposal", family="GONE")).states[1]
    assert still_to_sign(gone, plant(critical=["CHIP"])) == "one person"
    people = plant(Ada_Quill=(), Bo_Marsh=("hold", "accept"), Cy_Fenn=("hold",))
    assert still_to_sign(harmless, people) == "one person of Ada Quill, Bo Marsh"
    assert still_to_sign(critical, people) == "two people of Ada Quill, Bo Marsh"
    assert still_to_sign(half, people) == "a second, different person of Bo Marsh"


def test_nobody_is_to_sign_what_is_not_open():
    for state in ("accepted", "rejected", "withdrawn", "superseded", "exported", "rolled back"):
        assert still_to_sign(State(entry=entry(1, "proposal"), state=state), plant()) == ""
    for state in ("waiting", "one signature of two", "held"):
        assert still_to_sign(State(entry=entry(1, "proposal"), state=state), plant()) != ""


def test_names_of_before_were_equal_without_case_width_and_surplus_blanks():
    assert same_person(" ADA\u00a0 Quill") == same_person("\uff21da quill") == "ada quill"
    assert same_person("Stra\u00dfe") == same_person("STRASSE")
    assert same_person("AdaQuill") != same_person("Ada Quill")
