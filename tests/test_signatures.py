"""Signatures by keys, made and checked by OpenSSH itself where it can be."""

import os
import subprocess
import tempfile
import time
from dataclasses import replace

import pytest

from optimiser.errors import UsageError
from optimiser.ledger import signatures
from optimiser.ledger.signatures import is_signed, sign_with, text_to_sign, wrong_signatures
from optimiser.ledger.standing import Entry

TEXT = "accept proposal 3 of CHIP\nentry abc\n"


def key_pair(folder, name, passphrase=""):
    """Return a private key's file, made by OpenSSH, and the public key with its comment."""
    path = folder / name
    words = ["-q", "-t", "ed25519", "-N", passphrase, "-C", f"{name} of line 2", "-f", str(path)]
    subprocess.run(["ssh-keygen", *words], check=True)
    return path, path.with_suffix(".pub").read_text()


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    folder = tmp_path_factory.mktemp("keys")
    return key_pair(folder, "ada"), key_pair(folder, "eve")


def signed(key, text, namespace="optimiser"):
    """Return a signature that OpenSSH made without this program."""
    command = ["ssh-keygen", "-q", "-Y", "sign", "-f", str(key), "-n", namespace]
    return subprocess.run(command, input=text, capture_output=True, text=True, check=True).stdout


def stand_in(monkeypatch, folder, script):
    """Put a script in the place of ssh-keygen."""
    (folder / "bin").mkdir()
    program = folder / "bin" / "ssh-keygen"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}")


def test_a_signature_is_of_one_text_by_one_key_for_this_use(keys):
    (mine, public), (theirs, other) = keys
    made = signed(mine, TEXT)
    assert is_signed(TEXT, made, public)
    assert is_signed(TEXT, made, " ".join(public.split()[:2]))  # the comment is no part of a key
    assert not is_signed(TEXT, made, other)
    assert not is_signed(TEXT + " ", made, public)
    assert not is_signed(TEXT, signed(theirs, TEXT), public)
    assert not is_signed(TEXT, signed(mine, TEXT, "file"), public)
    assert not is_signed(TEXT, "", public)
    assert not is_signed(TEXT, made, "")


def test_checking_leaves_no_file_and_says_nothing(keys, monkeypatch, tmp_path, capfd):
    (mine, public), _ = keys
    made = signed(mine, TEXT)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "short"))
    assert is_signed(TEXT, made, public)
    assert not is_signed(TEXT, "no signature", public)
    assert [p.name for p in tmp_path.rglob("*")] == ["short"]
    assert capfd.readouterr() == ("", "")


def test_a_key_file_signs_what_openssh_verifies_and_words_of_any_alphabet(keys):
    (mine, public), (_, other) = keys
    text = TEXT.replace("CHIP", "\u540d\u524d \u00fc")
    made = sign_with(mine, text)
    assert is_signed(text, made, public)
    assert not is_signed(text, made, other)
    assert made.startswith("-----BEGIN SSH SIGNATURE-----")


def test_the_public_half_signs_where_the_private_one_lies_beside_it(keys):
    (mine, public), _ = keys
    assert is_signed(TEXT, sign_with(mine.with_suffix(".pub"), TEXT), public)


def test_a_key_that_is_not_there_is_told(tmp_path):
    for place in (tmp_path / "none", tmp_path):
        with pytest.raises(UsageError) as told:
            sign_with(place, TEXT)
        assert str(told.value) == f"no key lies at {place}: name the file of the private key"


def test_nobody_is_asked_for_a_passphrase(tmp_path):
    mine, _ = key_pair(tmp_path, "ada", "a secret")
    started = time.monotonic()
    with pytest.raises(UsageError, match=r"did not sign with .*through an agent, or in a terminal"):
        sign_with(mine, TEXT)
    assert time.monotonic() - started < 20


def test_no_window_asks_for_a_passphrase_and_no_terminal_is_at_hand(monkeypatch, tmp_path):
    """The stand-in tells what it was called with, and whose session it belongs to."""
    said = tmp_path / "said"
    script = f'echo "$SSH_ASKPASS_REQUIRE" "$HOME" "$@" > {said}; ps -o sid= -p $$ >> {said}'
    stand_in(monkeypatch, tmp_path, f"{script}; cat > {tmp_path / 'text'}; echo signature")
    (tmp_path / "key").touch()
    assert sign_with(tmp_path / "key", TEXT) == "signature\n"
    first, session = said.read_text().splitlines()
    words = f"-q -Y sign -f {tmp_path / 'key'} -n optimiser"
    assert first == f"never {os.environ['HOME']} {words}"
    assert int(session) != os.getsid(0)
    assert (tmp_path / "text").read_bytes() == TEXT.encode()


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("echo first >&2; echo 'it broke' >&2; exit 1", "(it broke)"),
        ("exit 3", "(it said nothing)"),
        (r"printf '\377\n' >&2; exit 1", "(\ufffd)"),
    ],
)
def test_what_ssh_keygen_says_is_handed_on(monkeypatch, tmp_path, script, words):
    stand_in(monkeypatch, tmp_path, script)
    (tmp_path / "key").touch()
    with pytest.raises(UsageError) as told:
        sign_with(tmp_path / "key", TEXT)
    assert words in str(told.value)


def test_a_key_that_waits_for_a_touch_is_not_waited_for_without_end(monkeypatch, tmp_path):
    stand_in(monkeypatch, tmp_path, "exec sleep 30")
    monkeypatch.setattr(signatures, "PATIENCE_S", 0.2)
    (tmp_path / "key").touch()
    started = time.monotonic()
    with pytest.raises(UsageError, match=r"did not sign within 0\.2 s with .*key"):
        sign_with(tmp_path / "key", TEXT)
    assert time.monotonic() - started < 20


def test_without_openssh_it_is_said_how_to_get_it(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    (tmp_path / "key").touch()
    with pytest.raises(UsageError, match=r"signatures are made with ssh-keygen.*install OpenSSH$"):
        sign_with(tmp_path / "key", TEXT)
    with pytest.raises(UsageError, match=r"signatures are checked with ssh-keygen.*OpenSSH$"):
        is_signed(TEXT, "", "")


def entry(number, kind="accept", proposal=None, family=None, **body):
    words = {"at": "", "by": "Ada", "reason": "", "previous": "", "hash": f"hash{number}"}
    return Entry(id=number, kind=kind, proposal=proposal, family=family, body=body, **words)


def test_a_signature_is_of_number_family_and_hash_of_the_proposals_entry():
    """Signatures of years ago are checked by this text: it stays as it is."""
    proposal = entry(3, "proposal", family="CHIP")
    assert text_to_sign(proposal) == "accept proposal 3 of CHIP\nentry hash3\n"
    for change in ({"id": 4}, {"family": "SOT"}, {"hash": "other"}):
        assert text_to_sign(replace(proposal, **change)) != text_to_sign(proposal)


def test_only_acceptances_by_another_signature_are_faults(keys):
    (mine, public), (theirs, _) = keys
    first, second = entry(1, "proposal", family="CHIP"), entry(2, "proposal", family="SOT")
    right, wrong = sign_with(mine, text_to_sign(first)), sign_with(theirs, text_to_sign(first))
    entries = [
        first,
        second,
        entry(3, proposal=1, signature=right, key=public),
        entry(4, proposal=1, signature=wrong, key=public),
        entry(5, proposal=2, signature=right, key=public),
        entry(6, proposal=1, signature=right),  # names no key
        entry(7, proposal=2),  # of a signer without one
        entry(8, "hold", proposal=2, signature=wrong, key=public),
    ]
    found = wrong_signatures(entries)
    assert [(f.entry, f.rule) for f in found] == [(n, "signature") for n in (4, 5, 6)]
    assert found[0].words.startswith("entry 4: the signature is not by the key")
    assert wrong_signatures(entries[:3]) == []
