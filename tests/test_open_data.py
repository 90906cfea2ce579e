"""The command line on data nobody here made: fronts that are known, promises held out."""

import json
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from open_data import (
    Limits,
    OpenData,
    breast_cancer,
    few_limits,
    is_called,
    limits_of,
    sensors,
    shuttle,
    wide_limits,
    write_limits,
    write_plant,
)
from scipy.stats import beta

from optimiser.cli import main
from optimiser.evidence.promise import LEVEL

# As many trials as there are ways tried first, and one more: these data need no longer search.
TRIALS = 12
# Held out, a rule fitted for "nothing missed" on half of SENSORS misses 7.4 % of the rest.
PUBLISHED_MISS = 0.074


def run_json(*arguments: object) -> Any:
    """Return what a command prints as JSON; it must succeed."""
    with redirect_stdout(StringIO()) as out:
        assert main([*map(str, arguments), "--json"]) == 0
    return json.loads(out.getvalue())


def front(folder: Path, data: OpenData, seconds: int = 60) -> dict[str, Any]:
    return run_json("front", folder, "--family", data.family, "--time-limit", seconds)


@pytest.fixture(scope="module")
def nuclei(tmp_path_factory) -> tuple[Path, OpenData]:
    data = breast_cancer()
    return write_plant(tmp_path_factory.mktemp("nuclei"), data, wide_limits(data)), data


@pytest.fixture(scope="module")
def line_end(tmp_path_factory) -> tuple[Path, OpenData]:
    data = sensors()
    folder = tmp_path_factory.mktemp("sensors")
    return write_plant(folder, data, wide_limits(data), suffix=".csv"), data


@pytest.fixture(scope="module")
def nuclei_front(nuclei) -> dict[str, Any]:
    return front(*nuclei)


@pytest.mark.parametrize(("plant", "rows"), [("nuclei", 569), ("line_end", 174)])
def test_the_plant_is_usable(plant, rows, request):
    found = run_json("check", request.getfixturevalue(plant)[0])
    assert found == {"usable": True, "rows_used": rows, "rows_set_aside": 0, "findings": []}


def test_front_of_breast_cancer_is_the_proved_optimum(nuclei_front):
    # 60 and 15 are optima that HiGHS proved as an integer programme on the same box rule.
    by_escapes = {p["escapes"]: p for p in nuclei_front["points"]}
    assert by_escapes[0]["false_calls"] == 60
    assert by_escapes[10]["false_calls"] == 15
    assert by_escapes[0]["proved"]
    assert by_escapes[10]["proved"]
    assert (nuclei_front["defects"], nuclei_front["items"]) == (212, 569)


def test_whole_front_of_breast_cancer_is_proved(nuclei_front):
    assert nuclei_front["proved"]
    assert [p["escapes"] for p in nuclei_front["points"]] == list(
        range(len(nuclei_front["points"]))
    )
    assert nuclei_front["points"][-1]["false_calls"] == 0


def test_sensors_are_separable_in_sample(line_end):
    found = front(*line_end)
    assert [(p["escapes"], p["false_calls"]) for p in found["points"]] == [(0, 0)]
    assert found["proved"]


def test_shuttle_is_nearly_separable(tmp_path):
    data = shuttle()
    found = front(write_plant(tmp_path, data, wide_limits(data)), data)
    first = found["points"][0]
    assert (first["escapes"], first["proved"]) == (0, True)
    assert 0.0015 < first["false_calls"] / (~data.defect).sum() < 0.0025
    replayed = replay_point(tmp_path, data, first)
    assert (replayed["false_calls"], replayed["escapes"]) == (first["false_calls"], 0)


def replay_point(folder: Path, data: OpenData, point: dict[str, Any]) -> dict[str, Any]:
    """Return what the replay says of a front's point that was written back to a recipe."""
    recipe = write_limits(folder / "point.csv", data, limits_of(point["limits"], "value"))
    (row,) = run_json("replay", folder, "--recipe", recipe)
    return row


@pytest.mark.parametrize("escapes", [0, 5, 10, 20, 35])
def test_replay_of_a_front_point_is_the_front_point(nuclei, nuclei_front, escapes):
    folder, data = nuclei
    point = nuclei_front["points"][escapes]
    replayed = replay_point(folder, data, point)
    called = is_called(data, limits_of(point["limits"], "value"))
    assert replayed["false_calls"] == point["false_calls"] == called[~data.defect].sum()
    # A front's point may miss fewer than it is allowed to, where that costs nothing.
    assert replayed["escapes"] == (~called[data.defect]).sum() <= escapes
    if point["false_calls"] < nuclei_front["points"][max(escapes - 1, 0)]["false_calls"]:
        assert replayed["escapes"] == escapes


def test_replay_of_the_separating_limits(line_end):
    folder, data = line_end
    replayed = replay_point(folder, data, front(folder, data)["points"][0])
    assert (replayed["false_calls"], replayed["escapes"], replayed["true_calls"]) == (0, 0, 92)


# --- promises ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One figure of a change: promised, and realised on rows it never saw, at like scale.

    ``better`` is 1 where more of it is better, -1 where less is.
    """

    better: int

    promised: tuple[float, float, float]
    realised: tuple[float, float, float]
    in_sample: float

    @property
    def agrees(self) -> bool:
        """Whether the interval of the difference holds 0 (MOVER): realised is uncertain too."""
        (p, p_low, p_high), (r, r_low, r_high) = self.promised, self.realised
        return (
            p - r - np.hypot(p - p_low, r_high - r) <= 0 <= p - r + np.hypot(p_high - p, r - r_low)
        )

    @property
    def is_too_good(self) -> bool:
        """Whether they disagree and the promise is the better of the two."""
        return not self.agrees and self.better * (self.promised[0] - self.realised[0]) > 0


def weighed(folder: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return a proposal and the change it weighed, advised or not."""
    (row,) = run_json("propose", folder, "--workers", 1, "--trials", TRIALS)
    change = row if row["advice"] == "change" else row["considered"]
    assert change is not None, row["reasons"]
    return row, change


def hold_out(folder: Path, data: OpenData, live: Limits, seed: int) -> dict[str, Compared]:
    """Propose on one half and count on the other."""
    seen, unseen = data.halves(seed)
    write_plant(folder, seen, live, escape_cost=2.0, invent=False)
    _, change = weighed(folder)
    new, promise = limits_of(change["limits"], "proposed"), change["promise"]
    return {
        "escapes_added": Compared(
            better=-1,
            promised=_three(promise["escapes_added"]),
            realised=_escapes(unseen, seen, live, new),
            in_sample=_lost(seen, live, new),
        ),
        "false_calls_saved": Compared(
            better=1,
            promised=_three(promise["false_calls_saved"]),
            realised=_saved(unseen, seen, live, new),
            in_sample=float(_each_saved(seen, live, new).sum()),
        ),
    }


def _three(interval: dict[str, float]) -> tuple[float, float, float]:
    return interval["value"], interval["low"], interval["high"]


def _lost(data: OpenData, live: Limits, new: Limits) -> float:
    return float((data.defect & is_called(data, live) & ~is_called(data, new)).sum())


def _each_saved(data: OpenData, live: Limits, new: Limits) -> np.ndarray:
    return (is_called(data, live).astype(float) - is_called(data, new))[~data.defect]


def _escapes(
    unseen: OpenData, seen: OpenData, live: Limits, new: Limits
) -> tuple[float, float, float]:
    """Defects lost in the unseen half with Clopper and Pearson's interval, at the seen scale."""
    called = int((unseen.defect & is_called(unseen, live)).sum())
    scale = int((seen.defect & is_called(seen, live)).sum())
    lost, tail = _lost(unseen, live, new), (1 - LEVEL) / 2
    low = beta.ppf(tail, lost, called - lost + 1) if lost else 0.0
    high = beta.ppf(1 - tail, lost + 1, called - lost)
    return scale * lost / called, scale * low, scale * high


def _saved(
    unseen: OpenData, seen: OpenData, live: Limits, new: Limits
) -> tuple[float, float, float]:
    """False calls saved in the unseen half with the normal interval, at the seen scale."""
    each, scale = _each_saved(unseen, live, new), (~seen.defect).sum()
    half = 1.645 * each.std(ddof=1) / np.sqrt(len(each))
    return tuple(float(scale * (each.mean() + k * half)) for k in (0, -1, 1))


def held_out_splits(folder: Path, splits: int) -> dict[str, list[Compared]]:
    data = breast_cancer()
    live = few_limits(data, chosen_at=0.02, set_at=0.1, most=8)
    found = [hold_out(folder / str(seed), data, live, seed) for seed in range(splits)]
    return {name: [f[name] for f in found] for name in found[0]}


def mean(rows: list[Compared], part: str) -> float:
    values = (getattr(r, part) for r in rows)
    return float(np.mean([v[0] if isinstance(v, tuple) else v for v in values]))


@pytest.mark.slow
def test_promise_of_breast_cancer_agrees_with_unseen_rows(tmp_path):
    found = held_out_splits(tmp_path, 6)
    for rows in found.values():
        # A twentieth may be too good; 3 of 6 would be beyond chance (1 in 450).
        assert sum(r.is_too_good for r in rows) <= 2
    assert sum(r.agrees for r in found["escapes_added"]) >= 4
    saved = found["false_calls_saved"]
    assert mean(saved, "promised") < mean(saved, "in_sample")


@pytest.mark.slow
def test_promise_of_breast_cancer_over_many_splits(tmp_path):
    """On average near what unseen rows give, far nearer than the count in sample.

    178 goods are few for eight limits drawn in to the furthest of them: a fit without a
    fold draws in further than the fit on all, so that promised savings err on the low side,
    and promised escapes too. The intervals carry it for escapes; savings are cautious.
    """
    found = held_out_splits(tmp_path, 40)
    for name, rows in found.items():
        parts = {p: round(mean(rows, p), 1) for p in ("promised", "realised", "in_sample")}
        agree, too_good = (
            np.mean([getattr(r, a) for r in rows]) for a in ("agrees", "is_too_good")
        )
        print(f"{name}: mean {parts}, agree {agree:.1%}, too good {too_good:.1%} of {len(rows)}")
        assert too_good <= 0.10
    added, saved = found["escapes_added"], found["false_calls_saved"]
    assert np.mean([r.agrees for r in added]) >= LEVEL
    assert mean(added, "promised") > 0.6 * mean(added, "realised")
    assert 0.85 * mean(saved, "realised") < mean(saved, "promised") < mean(saved, "in_sample")
    off = {p: abs(mean(saved, p) - mean(saved, "realised")) for p in ("promised", "in_sample")}
    assert off["promised"] < off["in_sample"]


def test_promise_of_sensors_says_that_unseen_failures_will_be_missed(tmp_path):
    """Limits chosen on five lots separate those; over ten lots the promise expects misses.

    Compared: 0 escapes at 0 false calls in sample (over the five lots on these very limits),
    with the promise over all ten lots against a live recipe that calls every failure.
    """
    data = sensors()
    early = data.take(data.lot < 5)
    live = few_limits(early, chosen_at=0.0, set_at=0.2, most=9)
    assert is_called(data, live)[data.defect].all()
    point = front(write_plant(tmp_path / "early", early, live, invent=False), early)["points"][0]
    assert (point["escapes"], point["false_calls"]) == (0, 0)

    folder = write_plant(tmp_path / "all", data, live, escape_cost=1.0, invent=False)
    row, change = weighed(folder)
    added = change["promise"]["escapes_added"]
    assert row["advice"] == "change"
    assert added["low"] > 0
    assert added["low"] / 92 < PUBLISHED_MISS < added["high"] / 92


def test_promise_of_separated_sensors_leaves_room_for_the_published_misses(tmp_path):
    """The change misses none and calls no good item in sample; its promise claims neither."""
    data = sensors()
    live = few_limits(data, chosen_at=0.0, set_at=0.1, most=9)
    folder = write_plant(tmp_path, data, live, escape_cost=2.0, invent=False)
    _, change = weighed(folder)
    new, promise = limits_of(change["limits"], "proposed"), change["promise"]
    assert (is_called(data, new) == data.defect).all()
    assert promise["escapes_added"]["high"] / 92 > PUBLISHED_MISS
    assert promise["false_calls_saved"]["value"] < _each_saved(data, live, new).sum()


def test_sensors_front_of_one_half_misses_failures_of_the_other(tmp_path):
    caught, falsely = [], []
    for seed in range(8):
        seen, unseen = sensors().halves(seed)
        live = few_limits(seen, chosen_at=0.0, set_at=0.1, most=9)
        point = front(write_plant(tmp_path / f"{seed}", seen, live, invent=False), seen)["points"][
            0
        ]
        assert (point["escapes"], point["false_calls"]) == (0, 0)
        replayed = replay_point(write_plant(tmp_path / f"{seed}-rest", unseen, live), unseen, point)
        caught.append(replayed["true_calls"] / unseen.defect.sum())
        falsely.append(replayed["false_calls"] / (~unseen.defect).sum())
    # Published for another choice of four limits: 92.6 % caught, 3.9 % called falsely.
    assert 0.90 < np.mean(caught) < 0.97
    assert 0.02 < np.mean(falsely) < 0.14
