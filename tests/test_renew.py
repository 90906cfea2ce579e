"""What stands now decides: a stale proposal is renewed on request, a family that ran other limits kept."""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from optimiser import open_plant
from optimiser.cli import main
from optimiser.ledger.ledger import LEDGER, Ledger
from optimiser.proposal.reasons import UnlikeRecipe

EXAMPLE = Path(__file__).parents[1] / "data/example"
QUICK = ("--trials", "4", "--workers", "1")
BY = ("--by", "Ada Fenn", "--reason", "prices changed")


def run(capsys, *words):
    code = main([str(w) for w in words])
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.fixture(scope="module")
def night_before(tmp_path_factory):
    """The example after one night: CON-10 waits as proposal 1."""
    plant = tmp_path_factory.mktemp("before") / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    assert main(["nightly", str(plant), *QUICK]) == 0
    return plant


@pytest.fixture
def plant(night_before, tmp_path):
    return shutil.copytree(night_before, tmp_path / "plant")


def dearer(plant, before="cost_per_hour = 38.0", after="cost_per_hour = 61.0"):
    text = (plant / "plant.toml").read_text()
    assert before in text
    (plant / "plant.toml").write_text(text.replace(before, after))


def states(plant):
    return {s.entry.id: (s.entry.family, s.state) for s in Ledger(plant / LEDGER).states()}


def renew(capsys, plant, *words):
    code, out, err = run(capsys, "renew", plant, *words, "--trials", "4", "--json")
    return code, json.loads(out) if out else err


def test_a_stale_proposal_is_renewed_seen_waiting_and_signed(plant, capsys):
    dearer(plant)
    code, _, err = run(capsys, "accept", plant, 1, *BY)
    assert code == 1
    assert "optimiser renew PLANT CON-10" in err
    code, found = renew(capsys, plant, "CON-10", *BY)
    assert code == 0
    assert (found["entry"], found["withdrawn"], found["left"]) == (2, [1], [])
    (waits,) = found["waiting"]
    assert (waits["proposal"], waits["changed_since"]) == (2, [])
    assert waits["promise"] == found["proposal"]["promise"]
    moved = [x for x in found["proposal"]["limits"] if x["now"] != x["proposed"]]
    assert [x["proposed"] for x in waits["limits"]] == [x["proposed"] for x in moved]
    assert states(plant) == {1: ("CON-10", "withdrawn"), 2: ("CON-10", "waiting")}
    # The next night finds its own change there and adds none.
    assert run(capsys, "nightly", plant, *QUICK)[0] == 0
    assert states(plant)[2] == ("CON-10", "waiting")
    assert len(states(plant)) == 2
    assert run(capsys, "accept", plant, 2, *BY)[0] == 0
    assert states(plant)[2] == ("CON-10", "accepted")
    code, found = renew(capsys, plant, "CON-10", *BY)
    assert (code, found["entry"]) == (0, 2), "what is accepted and still holds is not doubled"


def test_what_may_not_withdraw_leaves_the_older_one(plant, capsys):
    text = (plant / "plant.toml").read_text()
    (plant / "plant.toml").write_text(text + '\n[signers."Ada Fenn"]\nmay = ["accept"]\n')
    dearer(plant)
    code, found = renew(capsys, plant, "CON-10", *BY)
    assert (code, found["left"], found["withdrawn"]) == (0, [1], [])
    assert run(capsys, "accept", plant, found["entry"], *BY)[0] == 0
    assert all(state != "waiting" for _, state in states(plant).values())
    code, err = renew(capsys, plant, "CON-10", "--by", "Bo Marsh", "--reason", "x")
    assert code == 2
    assert "not among this plant's signers" in err


def test_rejected_limits_and_no_change_put_nothing_forward(plant, capsys):
    assert run(capsys, "reject", plant, 1, *BY)[0] == 0
    code, found = renew(capsys, plant, "CON-10", *BY)
    assert (code, found["entry"], found["rejected_before"]) == (0, None, 1)
    code, found = renew(capsys, plant, "ELCO-8", *BY)
    assert (code, found["entry"], found["waiting"]) == (0, None, [])
    code, out, _ = run(capsys, "renew", plant, "ELCO-8", *BY, "--trials", "4")
    assert code == 0
    assert "no change is advised, nothing was put into the ledger" in out
    assert states(plant) == {1: ("CON-10", "rejected")}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("CON-1", *BY), "CON-10"),
        (("CON-10", "--by", "night", "--reason", "x"), "no person's name"),
        (("CON-10", "--by", "Ada", "--reason", " "), "needs a reason"),
    ],
)
def test_a_renewal_without_family_name_or_reason_is_refused(plant, capsys, words, told):
    before = states(plant)
    code, err = renew(capsys, plant, *words)
    assert code == 2
    assert told in err
    assert states(plant) == before


def other_limits(plant):
    """Give one family calls that no recipe explains: 0.13 % of its items, 0.08 % of all."""
    path = plant / "history.parquet"
    frame = pd.read_parquet(path)
    passed = frame.index[(frame["family"] == "CON-10") & ~frame["called"] & frame["verdict"].isna()]
    frame.loc[passed[::700][:28], ["called", "verdict", "found_by"]] = [True, "good", "review"]
    frame.to_parquet(path, index=False)


def test_a_family_that_ran_other_limits_is_named_and_no_change_is_advised(plant, capsys):
    code, out, _ = run(capsys, "propose", plant, *QUICK, "--json")
    before = {row["family"]: row["advice"] for row in json.loads(out)}
    assert before["CON-10"] == "change"
    other_limits(plant)
    code, out, _ = run(capsys, "propose", plant, *QUICK, "--json")
    assert code == 0
    rows = {row["family"]: row for row in json.loads(out)}
    assert rows["CON-10"]["advice"] == "keep"
    assert rows["CON-10"]["reasons"][0]["kind"] == "calls unlike recipe"
    assert "not those of the live recipe" in rows["CON-10"]["why"][0]
    assert rows["CON-10"]["considered"]["promise"]["saving_per_month"]["value"] > 0
    assert all(x["now"] == x["proposed"] for x in rows["CON-10"]["limits"])
    assert {f: r["advice"] for f, r in rows.items()} == before | {"CON-10": "keep"}
    code, out, _ = run(capsys, "nightly", plant, *QUICK, "--json")
    night = json.loads(out)
    assert code == 4
    assert night["doubtful"] == ["CON-10"]
    assert "CON-10" not in night["change"]
    assert states(plant) == {1: ("CON-10", "withdrawn")}
    with open_plant(plant, trials=4) as session:
        choice = session.choice("CON-10")
        assert not choice.advised
        assert choice.not_advised == (
            UnlikeRecipe(allowed=session.plant.file.rails.mismatch_share),
        )
    assert run(capsys, "report", plant)[0] == 0
    told = json.loads((plant / "report.json").read_text())
    assert "CON-10" not in {row["family"] for row in told["waiting"]}
