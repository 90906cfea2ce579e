"""A proposal is one record from its making to the file it is kept in and back."""

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

import optimiser
from optimiser.proposal.cache import keep, read_proposal
from optimiser.proposal.propose import propose
from optimiser.proposal.record import Proposal
from optimiser.seal import seal_of

EXAMPLE = Path(__file__).parents[1] / "data/example"


@pytest.fixture(scope="module")
def made():
    """Case and proposal of each family of the example: a change, one kept, one to gather for."""
    with optimiser.open_plant(EXAMPLE, trials=6) as plant:
        return {name: (case, propose(case)) for name, case in plant.cases.items()}


def test_every_advice_is_read_back_as_it_was_written(made):
    advices = set()
    for case, proposal in made.values():
        again = Proposal.from_json(proposal.to_json())
        assert again == proposal
        assert again.family == case.tally.family
        assert type(again.limits) is tuple
        advices.add(again.advice)
    assert len(advices) > 1


def test_infinite_numbers_keep_their_sign(made):
    _, proposal = made["CON-10"]
    off = replace(proposal.limits[0], now=-math.inf, proposed=math.inf)
    wide = replace(proposal.promise.saving_per_month, low=-math.inf, high=math.inf)
    promise = replace(proposal.promise, saving_per_month=wide)
    odd = replace(proposal, limits=(off, *proposal.limits[1:]), promise=promise)
    assert Proposal.from_json(odd.to_json()) == odd
    # What other programs are shown has no infinite number.
    shown = json.dumps(odd.as_dict(), allow_nan=False)
    assert json.loads(shown)["limits"][0]["proposed"] is None


def test_what_was_kept_is_found_again_and_whole(made, tmp_path):
    case, proposal = made["CON-10"]
    keep(tmp_path, case, proposal, None)
    assert read_proposal(tmp_path, case) == proposal
    other, _ = made["SOT-6"]
    assert read_proposal(tmp_path, other) is None
    assert read_proposal(None, case) is None


DAMAGES = {
    "half": lambda row: json.dumps(row)[:200],
    "a field gone": lambda row: json.dumps({k: v for k, v in row.items() if k != "lots"}),
    "a field too many": lambda row: json.dumps(row | {"signed": True}),
    "a word for a number": lambda row: json.dumps(row | {"items": "21000"}),
    "an unknown advice": lambda row: json.dumps(row | {"advice": "apply"}),
    "another family": lambda row: json.dumps(row | {"family": "SOT-6"}),
    "a side that is none": lambda row: json.dumps(
        row | {"limits": [row["limits"][0] | {"side": "both"}, *row["limits"][1:]]}
    ),
    "deep inside": lambda row: json.dumps(
        row | {"promise": row["promise"] | {"false_calls_saved": {"value": 1.0, "low": 0.0}}}
    ),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_file_is_no_proposal(made, tmp_path, damage):
    case, proposal = made["CON-10"]
    keep(tmp_path, case, proposal, None)
    (file,) = tmp_path.glob("*.json")
    kept = json.loads(file.read_text())
    text = DAMAGES[damage](json.loads(kept["proposal"]))
    # As if somebody with the key had written it: the record itself is looked at too.
    file.write_text(json.dumps(kept | {"proposal": text, "seal": seal_of(file.name, "", text)}))
    told = []
    assert read_proposal(tmp_path, case, on_refused=told.append) is None
    assert len(told) == 1
    assert file.name in told[0]
