"""The seal: a keyed hash worked out anew, and keys made, found, shared and missing."""

import hashlib
import json
import stat
import tempfile
from pathlib import Path

import pytest

from optimiser import seal
from optimiser.seal import KEY, is_sealed, key_file, read_sealed, seal_of, write_sealed

SECRET = "0123456789abcdef" * 4


@pytest.fixture
def key(tmp_path, monkeypatch):
    """A key file of this test."""
    place = tmp_path / "keys" / "key"
    place.parent.mkdir()
    place.write_text(SECRET)
    monkeypatch.setenv(KEY, str(place))
    return place


def named(monkeypatch, place):
    """Let a key be looked for at a place, as by a process of its own."""
    monkeypatch.setenv(KEY, str(place))
    seal._key.cache_clear()


def hmac_sha256(secret, text):
    """Return the keyed hash by the formula of RFC 2104, for keys of at most one block."""
    block = secret.encode().ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + text.encode()).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).hexdigest()


def test_a_seal_is_the_keyed_hash_of_all_its_parts(key):
    assert seal_of("name", "a text of \u00fc") == hmac_sha256(SECRET, "name\x1fa text of \u00fc")
    assert seal_of("name") == hmac_sha256(SECRET, "name")
    assert is_sealed(seal_of("a", "b"), "a", "b")
    for parts in (("ab",), ("a", "c"), ("b", "a"), ("a", "b", "")):
        assert not is_sealed(seal_of("a", "b"), *parts)
    assert not is_sealed("\u00fc", "a", "b")


def test_the_formula_is_that_of_the_standard():
    """Test case 2 of RFC 4231."""
    assert hmac_sha256("Jefe", "what do ya want for nothing?") == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )


def test_a_table_comes_back_and_its_file_bears_the_seal_of_name_and_content(key, tmp_path):
    table = {"b": [1, 2.5, None], "a": {"y": "\u00fc", "x": True}}
    path = tmp_path / "kept.json"
    write_sealed(path, table)
    assert read_sealed(path) == table
    canonical = '{"a":{"x":true,"y":"\\u00fc"},"b":[1,2.5,null]}'
    told = json.loads(path.read_text())
    assert told == table | {"seal": hmac_sha256(SECRET, f"kept.json\x1f{canonical}")}
    once = path.read_bytes()
    write_sealed(path, table)
    assert path.read_bytes() == once
    assert once.endswith(b"}\n")
    assert once.startswith(b'{\n "seal"')  # a line to a value: a person may read it


def test_what_was_altered_or_renamed_is_not_believed(key, tmp_path):
    path = tmp_path / "kept.json"
    write_sealed(path, {"a": 1})
    altered = json.loads(path.read_text()) | {"a": 2}
    other = tmp_path / "other.json"
    other.write_bytes(path.read_bytes())
    path.write_text(json.dumps(altered))
    for file in (path, other):
        with pytest.raises(ValueError, match="altered, or written") as told:
            read_sealed(file)
        assert str(told.value) == (
            f"{file}: was altered, or written by somebody with another key than {key}"
        )


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "3", '{"a": 1}', "\x00", "[" * 100_000, '{"seal": "x", "a": 1', b"\xff\xfe{"],
)
def test_what_is_no_sealed_table_is_told_as_damaged(key, tmp_path, content):
    path = tmp_path / "kept.json"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ValueError, match="damaged") as told:
        read_sealed(path)
    assert str(told.value) == f"{path}: is damaged, or of an earlier version"


@pytest.mark.parametrize("other", [None, 3, "", ["x"]])
def test_a_seal_that_is_none_seals_nothing(key, tmp_path, other):
    path = tmp_path / "kept.json"
    path.write_text(json.dumps({"seal": other, "a": 1}))
    with pytest.raises(ValueError, match="was altered"):
        read_sealed(path)


def test_a_file_that_is_not_there_is_not_called_damaged(key, tmp_path):
    with pytest.raises(FileNotFoundError):
        read_sealed(tmp_path / "none")


# Where the key lies


def test_the_key_lies_where_it_is_named_or_among_the_settings_of_who_runs(monkeypatch, tmp_path):
    monkeypatch.setenv(KEY, str(tmp_path / "mine"))
    assert key_file() == tmp_path / "mine"
    for unset in ("", None):
        monkeypatch.setenv(KEY, "") if unset is not None else monkeypatch.delenv(KEY)
        monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
        assert key_file() == tmp_path / "settings" / "optimiser" / "seal.key"
        monkeypatch.setenv("XDG_CONFIG_HOME", "")
        assert key_file() == Path.home() / ".config" / "optimiser" / "seal.key"


def test_a_key_is_made_at_first_use_for_its_owner_alone_and_nothing_lies_beside_it(
    monkeypatch, tmp_path
):
    place = tmp_path / "not" / "there" / "key"
    named(monkeypatch, place)
    first = seal_of("a")
    made = place.read_text()
    assert len(made) == 64
    assert len(bytes.fromhex(made)) == 32
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    assert [p.name for p in place.parent.iterdir()] == ["key"]
    assert first == hmac_sha256(made, "a")
    seal._key.cache_clear()
    assert seal_of("a") == first
    assert place.read_text() == made


def test_of_two_keys_made_at_once_the_first_stays(monkeypatch, tmp_path):
    place = tmp_path / "key"
    seal._make(place)
    first = place.read_text()
    seal._make(place)
    assert place.read_text() == first
    other = tmp_path / "other"
    seal._make(other)
    assert other.read_text() != first
    assert sorted(p.name for p in tmp_path.iterdir()) == ["key", "other"]


def test_a_key_is_made_on_its_own_disk(monkeypatch, tmp_path):
    """A link cannot reach from one disk to another, so what is linked lies beside the key."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
    seal._make(tmp_path / "keys" / "key")
    assert len((tmp_path / "keys" / "key").read_text()) == 64


@pytest.mark.parametrize("around", ["", "\n", "  \r\n"])
def test_a_key_that_people_share_is_read_without_the_blanks_around_it(key, around):
    key.write_text(SECRET + around)
    seal._key.cache_clear()
    assert seal_of("a") == hmac_sha256(SECRET, "a")


@pytest.mark.parametrize("weak", ["", "short", SECRET[:-1], " " * 80])
def test_a_key_too_short_seals_nothing(key, weak):
    """The run makes a key of its own: what it keeps no other run believes, and the file stays."""
    key.write_text(weak)
    seal._key.cache_clear()
    found = seal_of("a")
    assert found == seal_of("a")
    assert found != hmac_sha256(weak.strip(), "a")
    seal._key.cache_clear()
    assert seal_of("a") != found
    assert key.read_text() == weak


def test_a_key_of_any_bytes_is_a_key(key):
    key.write_bytes(b"\xff" * 64)
    seal._key.cache_clear()
    assert seal_of("a") == seal_of("a")
    found = seal_of("a")
    seal._key.cache_clear()
    assert seal_of("a") == found


def test_where_no_key_can_be_made_the_run_has_its_own(monkeypatch, tmp_path):
    (tmp_path / "file").touch()
    named(monkeypatch, tmp_path / "file" / "key")
    found = seal_of("a")
    assert seal_of("a") == found
    seal._key.cache_clear()
    assert seal_of("a") != found
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
