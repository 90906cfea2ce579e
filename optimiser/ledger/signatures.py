"""Detached signatures by SSH keys, for plants that need proof of who accepted what.

A signer's public key stands in the plant file. Accepting then needs a signature of ``text_to_sign``
made with the private key by a tool that people already have::

    optimiser waiting PLANT --to-sign 3 | ssh-keygen -Y sign -f ~/.ssh/id_ed25519 -n optimiser > 3.sig
    optimiser accept PLANT 3 --by NAME --reason TEXT --signature 3.sig

The text holds the hash of the proposal's entry, and so every limit, figure and basis of it. Signature
and key are kept in the decision's entry, where `verify-ledger` checks them again.
"""

import os
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from optimiser.errors import UsageError
from optimiser.ledger.chain import Fault
from optimiser.ledger.standing import Entry

NAMESPACE = "optimiser"
# A key in hardware waits for a touch.
PATIENCE_S = 60
_WHO = "signer"


def text_to_sign(proposal: Entry) -> str:
    """Return the text whose signature accepts a proposal.

    Parameters
    ----------
    proposal : Entry

    Returns
    -------
    str
    """
    return f"accept proposal {proposal.id} of {proposal.family}\nentry {proposal.hash}\n"


def is_signed(text: str, signature: str, key: str) -> bool:
    """Return whether a signature of a text was made with the private key of a public one.

    Parameters
    ----------
    text : str
    signature : str
        As ``ssh-keygen -Y sign`` writes it.
    key : str
        A public key, as in ``id_ed25519.pub``.

    Returns
    -------
    bool

    Raises
    ------
    UsageError
        If ``ssh-keygen`` is not installed.
    """
    with tempfile.TemporaryDirectory(prefix="optimiser-") as folder:
        allowed, file = Path(folder, "allowed"), Path(folder, "signature")
        allowed.write_text(f"{_WHO} {' '.join(key.split()[:2])}\n", encoding="utf-8")
        file.write_text(signature, encoding="utf-8")
        command = ["ssh-keygen", "-Y", "verify", "-f", str(allowed), "-I", _WHO]
        command += ["-n", NAMESPACE, "-s", str(file)]
        try:
            done = subprocess.run(command, input=text.encode(), capture_output=True, check=False)
        except FileNotFoundError as error:
            msg = "signatures are checked with ssh-keygen, which is not installed: install OpenSSH"
            raise UsageError(msg) from error
    return done.returncode == 0


def sign_with(key: Path, text: str) -> str:
    """Return a signature of a text, made by ``ssh-keygen`` with a private key of this machine.

    Parameters
    ----------
    key : Path
        Of the private key, or of a public one whose private half an agent holds.
    text : str

    Returns
    -------
    str
        As ``is_signed`` takes it.

    Raises
    ------
    UsageError
        If there is no such file, ``ssh-keygen`` is not installed, or it cannot sign: nobody is asked
        for a passphrase here.
    """
    if not key.is_file():
        msg = f"no key lies at {key}: name the file of the private key"
        raise UsageError(msg)
    command = ["ssh-keygen", "-q", "-Y", "sign", "-f", str(key), "-n", NAMESPACE]
    try:
        done = subprocess.run(
            command,
            input=text.encode(),
            capture_output=True,
            check=False,
            timeout=PATIENCE_S,
            # Without a terminal it cannot wait for a passphrase that nobody sees asked for.
            start_new_session=True,
            env={**os.environ, "SSH_ASKPASS_REQUIRE": "never"},
        )
    except FileNotFoundError as error:
        msg = "signatures are made with ssh-keygen, which is not installed: install OpenSSH"
        raise UsageError(msg) from error
    except subprocess.TimeoutExpired as error:
        msg = f"ssh-keygen did not sign within {PATIENCE_S} s with {key}"
        raise UsageError(msg) from error
    if done.returncode != 0:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        msg = (
            f"ssh-keygen did not sign with {key} ({said[-1] if said else 'it said nothing'}); a key with a "
            "passphrase is used through an agent, or in a terminal"
        )
        raise UsageError(msg)
    return done.stdout.decode("ascii")


def wrong_signatures(entries: Sequence[Entry]) -> list[Fault]:
    """Return the accepting entries whose signature is not of what they accept.

    Parameters
    ----------
    entries : sequence of Entry
        All of a ledger.

    Returns
    -------
    list of Fault
    """
    proposals = {e.id: e for e in entries if e.kind == "proposal"}
    return [
        Fault(
            entry=e.id,
            rule="signature",
            words=f"entry {e.id}: the signature is not by the key that it names, or of another proposal",
        )
        for e in entries
        if e.kind == "accept"
        and "signature" in e.body
        and not is_signed(
            text_to_sign(proposals[e.proposal or 0]),
            str(e.body["signature"]),
            str(e.body.get("key", "")),
        )
    ]
