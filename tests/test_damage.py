"""Whatever is damaged on disk: a message, no traceback, no wrong figure, and the next night is whole."""

import json
import random
import shutil
from pathlib import Path

import pandas as pd
import pytest

from optimiser.cli import main
from optimiser.ledger.ledger import LEDGER, Ledger

EXAMPLE = Path(__file__).parents[1] / "data/example"
QUICK = ("--trials", "4", "--workers", "1")


def run(capsys, *words):
    code = main([str(w) for w in words])
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A plant after a night, a signature, an export and another night; and what it proposes."""
    plant = tmp_path_factory.mktemp("whole") / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    in_many_files(plant)
    assert main(["nightly", str(plant), *QUICK]) == 0
    assert main(["investigate", str(plant)]) == 0
    signed = ("--by", "Ada Fenn", "--reason", "boards looked at")
    assert main(["accept", str(plant), "1", *signed]) == 0
    assert main(["export", str(plant), *signed]) == 0
    assert main(["nightly", str(plant), *QUICK]) == 0
    return plant


def in_many_files(plant):
    """Split the example's history, so that the night folds its digests together."""
    history = plant / "history.parquet"
    items = pd.read_parquet(history)
    history.unlink()
    history.mkdir()
    for week, rows in items.groupby(items["time"].dt.day_of_year // 5):
        rows.to_parquet(history / f"days-{week:02}.parquet", index=False)


@pytest.fixture(scope="module")
def proposed(whole, tmp_path_factory):
    """What is proposed where nothing was kept at all."""
    bare = tmp_path_factory.mktemp("bare") / "plant"
    shutil.copytree(whole, bare, ignore=shutil.ignore_patterns("proposals", "night"))
    from optimiser import open_plant

    with open_plant(bare, trials=4) as session:
        made, _ = session.propose()
    return {p.family: p for p in made}


def stored(plant):
    """Every file that the tool has left there and reads again."""
    folders = [plant / name for name in ("night", "proposals", "revisions")]
    files = [p for folder in folders for p in sorted(folder.rglob("*")) if p.is_file()]
    beside = [p for name in ("ledger.sqlite", "causes.json") if (p := plant / name).exists()]
    assert any(p.parent.name.startswith("fold-") for p in files)
    return [p for p in files if p.name not in ("lock", "log.jsonl")] + beside


def damage(rng, content: bytes) -> bytes:
    """Return what a bad disk, a killed copy or a careless hand makes of a file."""
    kind = rng.choice(["flip", "cut", "empty", "{}", "[]", "null", "types", "twice", "zeros"])
    if kind == "flip":
        n = rng.randrange(len(content))
        return content[:n] + bytes([content[n] ^ (1 << rng.randrange(8))]) + content[n + 1 :]
    if kind == "cut":
        return content[: rng.randrange(len(content))]
    if kind == "zeros":
        n = rng.randrange(len(content))
        return content[:n] + bytes(min(64, len(content) - n)) + content[n + 64 :]
    if kind == "types":
        swaps = [(b"1", b"true"), (b'"', b"7"), (b"[", b"{"), (b"0", b'"0"'), (b"null", b"[]")]
        return content.replace(*rng.choice(swaps), rng.randrange(1, 4))
    plain = {"empty": b"", "twice": content * 2}
    return plain.get(kind, kind.encode())


def damaged_nights(whole, proposed, tmp_path, capsys, count: int) -> dict[int, int]:
    """Damage one file at a time; return how often each exit code came."""
    rng, codes = random.Random(count), {}
    for number in range(count):
        plant = tmp_path / "plant"
        shutil.rmtree(plant, ignore_errors=True)
        shutil.copytree(whole, plant)
        target = rng.choice(stored(plant))
        target.write_bytes(damage(rng, target.read_bytes()))
        words = (number, target.relative_to(plant))
        code, out, err = run(capsys, "nightly", plant, *QUICK, "--json")
        codes[code] = codes.get(code, 0) + 1
        assert code in (0, 1, 4), words
        assert "Traceback" not in err, words
        if code != 1:
            told = json.loads(out)
            assert told["change"] == sorted(
                (f for f, p in proposed.items() if p.advice == "change"),
                key=lambda f: -proposed[f].promise.saving_per_month.value,
            ), words
        else:
            assert err, words
        for command in ("waiting", "last-night", "verify-ledger"):
            code, _, err = run(capsys, command, plant)
            assert code in (0, 1, 2), (words, command)
            assert code == 0 or err or command == "verify-ledger", (words, command)
        shutil.rmtree(plant / "revisions")
        shutil.copytree(whole / "revisions", plant / "revisions")
        shutil.copy(whole / "ledger.sqlite", plant / "ledger.sqlite")
        for more in plant.glob("ledger.sqlite-*"):
            more.unlink()
        if target.name == "causes.json":
            assert run(capsys, "investigate", plant)[0] == 0, words
        # The ledger and the revisions back from a backup: the next night is whole.
        code, out, err = run(capsys, "nightly", plant, *QUICK, "--json")
        assert code == 0, (words, err, out)
        code, out, err = run(capsys, "propose", plant, *QUICK, "--json")
        assert code == 0, words
        # The month and the words beside each row are worked out where they are shown.
        rows = [{k: v for k, v in r.items() if k not in ("month", "why")} for r in json.loads(out)]
        found = {row["family"]: row for row in rows}
        expected = {f: json.loads(json.dumps(p.as_dict())) for f, p in proposed.items()}
        assert found == expected, words
    return codes


def test_four_damages_do_no_harm(whole, proposed, tmp_path, capsys):
    codes = damaged_nights(whole, proposed, tmp_path, capsys, 4)
    assert sum(codes.values()) == 4


@pytest.mark.slow
def test_five_hundred_damages_do_no_harm(whole, proposed, tmp_path, capsys):
    codes = damaged_nights(whole, proposed, tmp_path, capsys, 500)
    assert codes[0] > 100
    assert sum(codes.values()) == 500


def test_the_night_says_what_to_look_at(whole, tmp_path, capsys):
    plant = tmp_path / "plant"
    shutil.copytree(whole, plant)
    # A kept proposal that somebody altered, and whose family is due.
    file = next((plant / "proposals").glob("CON-10-*.json"))
    file.write_text(file.read_text().replace("0", "1", 3))
    recipe = plant / "recipe.csv"
    lines = recipe.read_text().splitlines(keepends=True)
    row = next(n for n, x in enumerate(lines) if "SOT-6" in x)
    cells = lines[row].split(",")
    place = next(n for n in (4, 3) if cells[n])
    cells[place] = f"{float(cells[place]) * 1.001:.6g}"
    lines[row] = ",".join(cells)
    recipe.write_text("".join(lines))
    (plant / "revisions").rename(plant / "revisions-elsewhere")
    code, out, _ = run(capsys, "nightly", plant, *QUICK)
    assert "limits of SOT-6 edited in revision" in out
    assert code == 4
    code, out, _ = run(capsys, "last-night", plant)
    assert code == 0
    assert "LOOK: limits of SOT-6 edited" in out
    assert "waits for a signature" in out


def test_rows_set_aside_since_the_last_night_are_said(whole, tmp_path, capsys):
    plant = tmp_path / "plant"
    shutil.copytree(whole, plant)
    file = plant / "plant.toml"
    file.write_text(file.read_text().replace('history = "history.parquet"', 'history = "history*"'))
    frame = pd.read_parquet(plant / "history.parquet").head(3)
    frame["time"] = ["2999-01-01 00:00:00", "1900-01-01 00:00:00", "2026-02-10 00:00:00"]
    frame["verdict"] = frame["found_by"] = frame["defect"] = None
    frame.to_csv(plant / "history-more.csv", index=False)
    code, out, _ = run(capsys, "nightly", plant, *QUICK)
    assert code == 4
    assert "2 more rows set aside" in out
    code, out, _ = run(capsys, "check", plant)
    assert "time must lie between 2000-01-01" in " ".join(out.split())
    code, _, _ = run(capsys, "nightly", plant, *QUICK)
    assert code == 0, "the night before has said it"


def test_without_a_night_there_is_no_last_one(tmp_path, capsys):
    plant = tmp_path / "plant"
    shutil.copytree(EXAMPLE, plant, ignore=shutil.ignore_patterns("proposals"))
    code, _, err = run(capsys, "last-night", plant)
    assert code == 2
    assert "no night has ended yet" in err


def test_a_folder_of_before_the_seal_opens_and_is_made_anew_once(whole, proposed, tmp_path, capsys):
    """As version 0.3.0 left it: no seal on proposals, digests, notes and state; a ledger."""
    plant = tmp_path / "plant"
    shutil.copytree(whole, plant)
    (plant / "causes.json").unlink()  # no findings were kept then
    unsealed = 0
    for path in stored(plant):
        if path.suffix == ".json":
            table = json.loads(path.read_bytes())
            unsealed += table.pop("seal", None) is not None
            path.write_text(json.dumps(table))
    assert unsealed >= 3 + 1 + 1
    entries = Ledger(plant / LEDGER).entries()
    for command in ("waiting", "verify-ledger", "report", "last-night"):
        code, _, err = run(capsys, command, plant)
        assert (code, "Traceback" in err) == (0, False), (command, err)
    code, out, _ = run(capsys, "nightly", plant, *QUICK, "--json")
    first = json.loads(out)
    assert code in (0, 4)
    assert first["digested"] == first["digests"] > 1
    assert set(first["proposed"]) == set(proposed)
    assert Ledger(plant / LEDGER).entries()[: len(entries)] == entries
    assert Ledger(plant / LEDGER).verify().valid
    code, out, _ = run(capsys, "nightly", plant, *QUICK, "--json")
    again = json.loads(out)
    assert code == 0
    assert (again["digested"], again["proposed"]) == (0, {})
    code, out, _ = run(capsys, "propose", plant, *QUICK, "--json")
    expected = {f: json.loads(json.dumps(p.as_dict())) for f, p in proposed.items()}
    found = {r["family"]: {k: r[k] for k in expected[r["family"]]} for r in json.loads(out)}
    assert found == expected
