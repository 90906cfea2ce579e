"""What is signed is what was chosen: every field of an intent and of its entries, one by one."""

import hashlib
import json
import shutil
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from test_signatures import key_pair

import optimiser
from optimiser.errors import ConflictError, InputError, UsageError
from optimiser.ledger.ledger import LEDGER, Basis, Ledger
from optimiser.ledger.signatures import sign_with, text_to_sign
from optimiser.plant.file import Signer, read_plant
from optimiser.proposal.cache import case_key
from optimiser.proposal.propose import stable_seed
from optimiser.proposal.reasons import TooFewLots, UnlikeRecipe
from optimiser.proposal.record import LimitMove
from optimiser.proposal.signing import (
    Signed,
    accept,
    basis_of,
    changed_since,
    decide_on,
    figures,
    intend,
    needs_key,
    put,
    put_forward,
    sign,
    write,
)
from optimiser.recipe.table import to_csv
from optimiser.values import finite_only

EXAMPLE = Path(__file__).parents[1] / "data/example"
FAMILY = "CON-10"
BY = {"by": "Ada Fenn", "reason": "a trial"}


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    plant = tmp_path_factory.mktemp("signing") / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    with optimiser.open_plant(plant, trials=6) as found:
        yield found


@pytest.fixture(scope="module")
def choice(session):
    return session.choice(FAMILY)


@pytest.fixture(scope="module")
def case(session):
    return session.case(FAMILY)


@pytest.fixture(scope="module")
def proposal(choice):
    assert choice.proposal.advice == "change"
    return choice.proposal


@pytest.fixture
def ledger(tmp_path):
    return Ledger(tmp_path / "ledger.sqlite")


def sha256(text):
    return hashlib.sha256(text.encode()).hexdigest()


def state_of(ledger, number):
    return next(s for s in ledger.states() if s.entry.id == number)


def replace_file(plant, file):
    return plant.model_copy(update={"file": file})


def moved(choice, n, by=1):
    """Return the live setting with one limit some levels looser."""
    setting = choice.tally.grid.live.copy()
    setting[n] += by
    return setting


def hand_made(choice):
    """Return a setting that is no point of the front and breaks no rule, and its limit's number."""
    for n, limit in enumerate(choice.tally.grid.limits):
        for by in (1, -1, 2, -2):
            setting = moved(choice, n, by)
            known = any(np.array_equal(p.setting, setting) for p in choice.points)
            if 0 <= setting[n] < len(limit.z) and not known and not choice.violations(setting):
                return setting, n
    raise AssertionError


# What a proposal rests on


def test_a_basis_is_the_hashes_of_history_recipe_and_plant_file(session, case):
    file = session.plant.file
    assert basis_of(case, session.live) == Basis(
        history=case_key(case),
        recipe=sha256(to_csv(session.live)),
        plant=sha256(file.ground()),
        version=optimiser.__version__,
        seed=stable_seed(file.plant.name, FAMILY),
    )


def proposed(ledger, choice, session, **changed):
    """Write the example's change into a ledger, on the basis of now or a changed one."""
    basis = replace(basis_of(choice.case, session.live), **changed)
    return ledger.propose(
        FAMILY,
        [m.as_dict() for m in choice.proposal.moves],
        by="night",
        reason="",
        origin="recommended",
        critical=False,
        basis=basis,
        figures={},
    ).id


RECIPE, FILE = "the live recipe", "the plant file (prices, rails, bounds, rates)"
PROGRAM = "the program (version 0.0 then)"


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({}, ()),
        ({"history": "other"}, ()),  # new results are no change of this kind
        ({"recipe": "other"}, (RECIPE,)),
        ({"plant": "other"}, (FILE,)),
        ({"version": "0.0"}, (PROGRAM,)),
        ({"recipe": "x", "plant": "x", "version": "0.0"}, (RECIPE, FILE, PROGRAM)),
    ],
)
def test_what_changed_is_told_and_signed_only_as_such(session, choice, ledger, changed, told):
    number = proposed(ledger, choice, session, **changed)
    state = state_of(ledger, number)
    assert changed_since(state, session.plant, session.live) == told
    words = (ledger, session.plant, session.live, number)
    if told:
        with pytest.raises(ConflictError) as caught:
            accept(*words, **BY)
        assert str(caught.value) == (
            f"CON-10: proposal 1 was made before {', '.join(told)} changed: propose it anew "
            "(optimiser renew PLANT CON-10), or sign it as it stands with --although-changed; "
            "nothing was saved"
        )
        assert len(ledger.entries()) == 1
    entry = accept(*words, **BY, although_changed=bool(told))
    assert entry == ledger.entries()[-1]
    assert (entry.kind, entry.proposal, entry.by, entry.reason) == ("accept", 1, *BY.values())
    assert entry.body.get("changed_since") == (list(told) if told else None)


def test_limits_that_no_longer_fit_are_not_signed(session, choice, ledger):
    number = proposed(ledger, choice, session)
    first = choice.proposal.moves[0]
    key = (first.measurement, first.side)
    now = session.live.with_limits(FAMILY, {key: first.now * 0.99})
    with pytest.raises(ConflictError) as caught:
        accept(ledger, session.plant, now, number, **BY, although_changed=True)
    told = str(caught.value)
    assert told.startswith(f"CON-10: proposal 1 cannot be signed: {first.measurement}")
    assert told.endswith("; propose it anew (optimiser renew PLANT CON-10); nothing was saved")
    assert len(ledger.entries()) == 1


def test_what_is_not_open_is_refused_by_the_ledgers_own_rule(session, choice, ledger):
    number = proposed(ledger, choice, session, recipe="other")
    words = (ledger, session.plant, session.live)
    with pytest.raises(UsageError, match="no proposal 9"):
        accept(*words, 9, **BY)
    ledger.decide(number, "reject", by="Bo Marsh", reason="x")
    with pytest.raises(ConflictError, match="rejected, which is final"):
        accept(*words, number, **BY)
    for by, reason in ((" ", "x"), ("Ada", " ")):
        with pytest.raises(UsageError, match="nothing was saved"):
            accept(*words, number, by=by, reason=reason)


def keyed(session, tmp_path):
    """Return a ledger in which Ada Fenn accepts by a key, and the private key."""
    mine, public = key_pair(tmp_path, "ada")
    plant = shutil.copytree(EXAMPLE, tmp_path / "plant")
    text = (plant / "plant.toml").read_text()
    signers = f'[signers."Ada Fenn"]\nkey = "{public.strip()}"\n[signers."Bo Marsh"]\n'
    (plant / "plant.toml").write_text(f"{text}\n{signers}")
    return Ledger.of(read_plant(plant)), mine


def test_a_signature_is_handed_on(session, choice, tmp_path):
    ledger, mine = keyed(session, tmp_path)
    number = proposed(ledger, choice, session)
    words = (ledger, session.plant, session.live, number)
    with pytest.raises(ConflictError, match="accepts by a signature"):
        accept(*words, **BY)
    signature = sign_with(mine, text_to_sign(state_of(ledger, number).entry))
    assert accept(*words, **BY, signature=signature).body["signature"] == signature


# What is put forward


def forward(ledger, session, case, proposal, **changed):
    words = {"by": "night", "reason": "newer results"} | changed
    return put_forward(ledger, ledger.states(), session.live, case, proposal, **words)


def test_an_advised_change_is_put_forward_whole(session, case, proposal, ledger):
    done = forward(ledger, session, case, proposal)
    assert (done.entry, done.rejected, done.older) == (1, None, ())
    assert done.why_older == "proposal 1 is newer"
    (entry,) = ledger.entries()
    row = proposal.as_dict()
    assert (entry.kind, entry.family, entry.by, entry.reason) == (
        *("proposal", FAMILY, "night", "newer results"),
    )
    assert entry.body["limits"] == [m.as_dict() for m in proposal.moves]
    assert (entry.body["origin"], entry.body["critical"]) == ("recommended", proposal.critical)
    assert entry.body["basis"] == asdict(basis_of(case, session.live))
    names = ["promise", "proof", "lines", "items", "lots", "defects", "span_days"]
    names += ["rails_touched", "reasons"]
    assert entry.body["figures"] == json.loads(json.dumps({n: row[n] for n in names}))
    other = Ledger(ledger.path.with_name("other.sqlite"))
    forward(other, session, case, replace(proposal, critical=True))
    assert other.entries()[0].body["critical"] is True


@pytest.mark.parametrize("advice", ["keep", "gather", "investigate"])
def test_what_is_not_advised_is_not_put_forward(session, case, proposal, ledger, advice):
    done = forward(ledger, session, case, replace(proposal, advice=advice))
    assert (done.entry, done.rejected, done.older) == (None, None, ())
    assert done.why_older == "newer results advise no such change"
    assert ledger.entries() == []


def test_limits_that_were_rejected_are_not_put_forward_again(session, choice, proposal, ledger):
    words = (session, choice.case)
    number = forward(ledger, *words, proposal).entry
    for verdict in ("hold", "withdraw"):
        ledger.decide(number, verdict, by="Bo Marsh", reason="x")
    again = forward(ledger, *words, proposal)
    assert (again.entry, again.rejected) == (4, None)  # only a rejection is one
    ledger.decide(again.entry, "reject", by="Bo Marsh", reason="x")
    done = forward(ledger, *words, proposal)
    assert (done.entry, done.rejected) == (None, 4)
    assert done.why_older == "newer results advise no such change"
    # The same limits in another order are the same; another value or start is another proposal.
    turned = replace(proposal, limits=proposal.limits[::-1])
    assert forward(ledger, *words, turned).rejected == 4
    first = proposal.moves[0]
    for change in ({"proposed": first.proposed * 1.01}, {"now": first.now * 0.99}):
        other = replace(
            proposal,
            limits=tuple(replace(m, **change) if m is first else m for m in proposal.limits),
        )
        assert forward(ledger, *words, other).rejected is None


def test_what_the_night_proposed_before_and_nobody_touched_is_older(
    session, case, proposal, ledger
):
    def propose(by, family=FAMILY, limits=proposal.moves):
        return ledger.propose(
            family,
            [m.as_dict() for m in limits],
            by=by,
            reason="",
            origin="hand",
            critical=False,
            basis=basis_of(case, session.live),
            figures={},
        ).id

    first = proposal.moves[0]
    others = [(replace(first, proposed=first.proposed * k),) for k in (1.01, 1.02, 1.03)]
    mine = propose("night", limits=others[0])
    propose("Ada Fenn", limits=others[1])
    propose("night", family="SOT-6")
    held = propose("night", limits=others[2])
    ledger.decide(held, "hold", by="Bo Marsh", reason="x")
    done = forward(ledger, session, case, proposal, by="Ada Fenn")
    assert (done.entry, done.older) == (6, (mine,))
    assert done.why_older == "proposal 6 is newer"
    # What was put forward by the night and is found again is not older than itself.
    by_night = forward(ledger, session, case, proposal)
    same = forward(ledger, session, case, proposal)
    assert same.entry == by_night.entry
    assert same.older == (mine,)


# What is intended


def test_an_intent_is_the_setting_that_was_chosen_and_what_is_known_of_it(session, choice, ledger):
    best = choice.recommended
    done = choice.consequences(best.setting)
    asked = intend(
        ledger, choice, session.live, best.setting, "accept", by="Ada Fenn", reason="  a trial \n"
    )
    assert (asked.family, asked.verdict, asked.by, asked.reason) == (
        *(FAMILY, "accept", "Ada Fenn", "a trial"),
    )
    assert asked.moves == tuple(m for m in done.moves if m.now != m.proposed) != done.moves
    assert asked.promise == choice.promised(best) is not None
    assert (asked.origin, asked.critical, asked.not_advised) == ("recommended", False, ())
    assert asked.basis == basis_of(choice.case, session.live)
    assert asked.figures == figures(choice, best, done)
    assert ledger.entries() == []


def test_a_point_of_the_front_and_a_setting_by_hand_say_so(session, choice, ledger):
    words = (ledger, choice, session.live)
    other = next(p for p in choice.points if p.moved and not p.recommended)
    asked = intend(*words, other.setting, "hold", **BY)
    assert asked.origin == "front"
    assert asked.promise == choice.promised(other) is not None
    setting, n = hand_made(choice)
    asked = intend(*words, setting, "hold", **BY)
    assert (asked.origin, asked.promise) == ("hand", None)
    limit = choice.tally.grid.limits[n]
    (move,) = asked.moves
    assert (move.measurement, move.side, move.now, move.proposed) == (
        *(limit.measurement, limit.side, limit.values[limit.live], limit.values[setting[n]]),
    )
    assert asked.figures["promise"] is None
    assert asked.figures["proof"] is None


def test_what_is_not_advised_is_no_recommendation(session, choice, ledger, monkeypatch):
    monkeypatch.setitem(choice.__dict__, "not_advised", _doubts())
    words = (ledger, choice, session.live, choice.recommended.setting)
    asked = intend(*words, "accept", **BY)
    assert (asked.origin, asked.not_advised) == ("front", _doubts())
    assert intend(*words, "hold", **BY).not_advised == ()


def test_a_critical_family_stays_one(session, choice, ledger, monkeypatch):
    monkeypatch.setattr(choice, "proposal", replace(choice.proposal, critical=True))
    words = (ledger, choice, session.live, choice.recommended.setting)
    assert intend(*words, "hold", **BY).critical is True


def test_an_intent_is_refused_that_says_nothing_or_breaks_a_rule(
    session, choice, ledger, monkeypatch
):
    words = (ledger, choice, session.live)
    best = choice.recommended.setting
    for by, reason in (("", "x"), (" \t", "x"), ("Ada", ""), ("Ada", " \n")):
        with pytest.raises(
            UsageError, match=r"^a decision needs your name and a reason; fill both"
        ):
            intend(*words, best, "hold", by=by, reason=reason)
    with pytest.raises(UsageError, match=r"^this is the live recipe: no limit moves"):
        intend(*words, choice.tally.grid.live, "hold", **BY)
    with pytest.raises(UsageError, match="no person's name"):
        intend(*words, best, "hold", by="night", reason="x")
    monkeypatch.setattr(choice, "violations", lambda setting: ("one rule", "another"))
    for verdict in ("hold", "reject"):
        assert intend(*words, best, verdict, **BY).verdict == verdict
    with pytest.raises(InputError, match=r"^one rule; another$"):
        intend(*words, best, "accept", **BY)


def test_a_limit_past_a_bound_that_was_written_since_is_not_accepted(session, choice, monkeypatch):
    """The plant file of now bounds each limit that moves at its live value."""
    best = choice.recommended
    moves = [m for m in choice.consequences(best.setting).moves if m.moves]
    looser = next(m for m in moves if (m.proposed - m.now) * (1 if m.side == "upper" else -1) > 0)
    file = session.plant.file
    rules = file.families[FAMILY]
    bound = next(iter(rules.workmanship.values())).model_copy(
        update={"lower": None, "upper": None, looser.side: looser.now}
    )
    bounds = dict(rules.workmanship) | {looser.measurement: bound}
    families = dict(file.families) | {FAMILY: rules.model_copy(update={"workmanship": bounds})}
    plant = replace_file(session.plant, file.model_copy(update={"families": families}))
    monkeypatch.setattr(choice, "case", replace(choice.case, plant=plant))
    ledger = Ledger(session.plant.folder / "none.sqlite")
    words = (ledger, choice, session.live, best.setting)
    assert intend(*words, "hold", **BY).verdict == "hold"
    with pytest.raises(InputError) as caught:
        intend(*words, "accept", **BY)
    told = f"{looser.measurement} {looser.side} {looser.proposed:g} {looser.unit} lies past"
    assert str(caught.value).startswith(told)


def test_who_may_hold_only_is_refused_where_they_would_accept(session, choice, tmp_path):
    signers = {"Ada Fenn": Signer(may=("hold",))}
    file = session.plant.file.model_copy(update={"signers": signers})
    ledger = Ledger(tmp_path / "ledger.sqlite", plant=replace_file(session.plant, file))
    words = (ledger, choice, session.live, choice.recommended.setting)
    assert intend(*words, "hold", **BY).by == "Ada Fenn"
    with pytest.raises(UsageError, match="may not sign accept, only hold"):
        intend(*words, "accept", **BY)


def test_figures_are_what_was_known_as_plain_values(choice):
    best = choice.recommended
    done = choice.consequences(best.setting)
    found = figures(choice, best, done)
    assert found == finite_only(
        {
            "promise": asdict(choice.promised(best)),
            "proof": asdict(choice.proposal.proof) if choice.proposal.proof else None,
            "lines": asdict(done.lines),
            "counted": asdict(done.counted),
            "prices": asdict(choice.prices),
            "currency": "EUR",
            "items": choice.tally.items,
            "defects": len(choice.tally.defects.frame),
            "span_days": choice.case.span_days,
        }
    )
    json.dumps(found, allow_nan=False)
    assert figures(choice, None, done) == found | {"promise": None, "proof": None}


def test_later_lots_prove_the_setting_that_was_proposed_alone(choice, monkeypatch):
    proof = LimitMove(measurement="tilt", side="upper", unit="deg", now=1.0, proposed=2.0)
    monkeypatch.setattr(choice, "proposal", replace(choice.proposal, proof=proof))
    done = choice.consequences(choice.recommended.setting)
    other = next(p for p in choice.points if p.moved and not p.recommended)
    assert figures(choice, choice.recommended, done)["proof"] == asdict(proof)
    assert figures(choice, other, done)["proof"] is None
    assert figures(choice, None, done)["proof"] is None
    monkeypatch.setattr(choice, "proposal", replace(choice.proposal, proof=None))
    assert figures(choice, choice.recommended, done)["proof"] is None


# What is written


@pytest.mark.parametrize("verdict", ["accept", "hold", "reject"])
def test_what_is_written_is_what_was_intended(session, choice, ledger, verdict):
    asked = intend(ledger, choice, session.live, choice.recommended.setting, verdict, **BY)
    signed = write(ledger, asked)
    assert [signed.proposal, signed.decision] == ledger.entries()
    entry, decision = signed.proposal, signed.decision
    assert (entry.kind, entry.family, entry.by, entry.reason) == ("proposal", FAMILY, *BY.values())
    assert entry.body["limits"] == [m.as_dict() for m in asked.moves]
    assert entry.body["basis"] == asdict(asked.basis)
    assert entry.body["figures"] == json.loads(json.dumps(asked.figures))
    assert (entry.body["origin"], entry.body["critical"]) == ("recommended", False)
    assert (decision.kind, decision.proposal, decision.by, decision.reason) == (
        *(verdict, entry.id, *BY.values()),
    )
    assert "although_not_advised" not in decision.body
    critical = replace(asked, critical=True, origin="hand", moves=asked.moves[:1])
    other = put(ledger, critical)
    assert (other.body["critical"], other.body["origin"]) == (True, "hand")
    assert ledger.entries()[-1] == other


def test_signing_is_intending_and_writing(session, choice, ledger, tmp_path):
    words = (choice, session.live, choice.recommended.setting, "hold")
    signed = sign(ledger, *words, **BY)
    other = Ledger(tmp_path / "other.sqlite", now=lambda: 0)
    assert isinstance(signed, Signed)
    asked = intend(other, *words, **BY)
    assert signed.proposal.body["figures"] == json.loads(json.dumps(asked.figures))
    assert (signed.decision.kind, signed.decision.by, signed.decision.reason) == (
        *("hold", *BY.values()),
    )


def test_who_signs_at_once_says_so_as_well(session, choice, ledger, monkeypatch):
    monkeypatch.setitem(choice.__dict__, "not_advised", _doubts())
    words = (ledger, choice, session.live, choice.recommended.setting, "accept")
    with pytest.raises(ConflictError, match="no change is advised"):
        sign(*words, **BY)
    signed = sign(*words, **BY, although_not_advised=True)
    assert len(signed.decision.body["although_not_advised"]) == 2


def test_who_knows_that_nothing_is_advised_says_so(session, choice, ledger):
    asked = intend(ledger, choice, session.live, choice.recommended.setting, "accept", **BY)
    doubted = replace(asked, not_advised=_doubts())
    for act in (lambda: put(ledger, doubted), lambda: write(ledger, doubted)):
        with pytest.raises(ConflictError) as caught:
            act()
        assert str(caught.value) == (
            "no change is advised for CON-10 (too few lots): to sign it all the same, say that "
            "you know; nothing was saved"
        )
    assert ledger.entries() == []
    signed = write(ledger, doubted, although_not_advised=True)
    assert signed.decision.body["although_not_advised"] == [
        {"found": 3, "needed": 8, "kind": "too few lots"},
        {"allowed": None, "kind": "calls unlike recipe"},
    ]
    again = Ledger(ledger.path.with_name("again.sqlite"))
    words = (again, choice, session.live, choice.recommended.setting, "hold")
    assert sign(*words, **BY, although_not_advised=True).decision.kind == "hold"


def _doubts():
    return TooFewLots(found=3, needed=8), UnlikeRecipe(allowed=float("inf"))


def test_who_accepts_by_a_key_puts_first_and_signs_then(session, choice, tmp_path):
    ledger, mine = keyed(session, tmp_path)
    words = (ledger, choice, session.live, choice.recommended.setting)
    asked = intend(*words, "accept", by="ada fenn", reason="a trial")
    assert asked.by == "Ada Fenn"
    assert needs_key(ledger, asked)
    assert not needs_key(ledger, intend(*words, "hold", **BY))
    assert not needs_key(ledger, intend(*words, "accept", by="Bo Marsh", reason="x"))
    with pytest.raises(UsageError) as caught:
        write(ledger, asked)
    assert str(caught.value) == (
        "Ada Fenn accepts by a signature of what is in the ledger; nothing was saved"
    )
    assert not (tmp_path / "plant" / LEDGER).exists()
    entry = put(ledger, asked)
    with pytest.raises(ConflictError, match="accepts by a signature"):
        decide_on(ledger, asked, entry)
    signature = sign_with(mine, text_to_sign(entry))
    signed = decide_on(ledger, asked, entry, signature=signature)
    assert signed == Signed(proposal=entry, decision=ledger.entries()[-1])
    assert signed.decision.body["signature"] == signature
