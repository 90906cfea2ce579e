"""A PostgreSQL server of our own, for tests: Debian's package, a bare folder, one port."""

import os
import shutil
import socket
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

PASSWORD = "s3cr3t/@:%?word"
_AS = ("runuser", "-u", "postgres", "--")


def binaries() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


@contextmanager
def running_server():
    """Yield the port of a server whose user `reader` has PASSWORD.

    Its folder is no one of pytest's, which closes its own to other users whenever it starts.
    """
    folder = Path(tempfile.mkdtemp(prefix="optimiser-server-"))
    try:
        with _serving(folder, binaries()) as port:
            yield port
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _serving(folder: Path, bin_folder: Path):
    home = folder / "data"
    secret = folder / "password"
    secret.write_text(PASSWORD)
    as_user = _AS if os.geteuid() == 0 else ()  # initdb refuses root
    if as_user:
        for path in (folder, secret):
            shutil.chown(path, "postgres")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    run = {"check": True, "stdout": subprocess.DEVNULL, "cwd": folder}
    made = ["-D", home, "-U", "reader", f"--pwfile={secret}", "-A", "scram-sha-256", "-N"]
    subprocess.run([*as_user, bin_folder / "initdb", *made], **run)
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c fsync=off"
    control = [*as_user, bin_folder / "pg_ctl", "-D", home, "-w", "-l", home / "log"]
    subprocess.run([*control, "-o", options, "start"], **run)
    try:
        yield port
    finally:
        subprocess.run([*control, "-m", "immediate", "stop"], **run)
