"""``optimiser show``: the notebooks as screens in a browser, for people who write no code."""

from __future__ import annotations

import argparse
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

from optimiser.commands.common import print_json, say
from optimiser.defaults import PLANT_VARIABLE
from optimiser.errors import UsageError
from optimiser.plant.file import read_plant
from optimiser.recipe.table import read_recipe

PORT = 8866
HERE = "127.0.0.1"
START_S, STOP_S = 60.0, 15.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plant", type=Path, metavar="PLANT", help="plant.toml or its folder")
    parser.add_argument("--json", action="store_true", help="print the address as JSON")
    parser.add_argument(
        "--port", type=_port, default=PORT, help=f"port of this machine (default: {PORT}; 0: any)"
    )
    parser.add_argument(
        "--listen",
        default=HERE,
        metavar="ADDRESS",
        help=f"address to listen on (default: {HERE}, which other machines cannot reach)",
    )
    parser.add_argument("--no-browser", action="store_true", help="open no browser")


def run(parsed: argparse.Namespace) -> int:
    """Serve the screens until Ctrl-C or SIGTERM."""
    from optimiser.views.screen_files import write_screens

    plant = read_plant(parsed.plant)
    read_recipe(plant.locate(plant.file.plant.recipe), plant.file.measurements)
    if find_spec("voila") is None:
        msg = (
            "the screens need Voilà, which is not installed: pip install 'optimiser[show]' "
            "(from a checkout: pip install '.[show]')"
        )
        raise UsageError(msg)
    port, token = _free_port(parsed.listen, parsed.port), secrets.token_urlsafe(24)
    with tempfile.TemporaryDirectory(prefix="optimiser-show-") as name:
        folder = Path(name)
        screens = write_screens(folder)
        address = f"http://{parsed.listen}:{port}/voila/render/{screens[0]}?token={token}"
        with _serving(folder, plant.path, parsed.listen, port, token) as server:
            if parsed.json:
                print_json({"address": address, "screens": screens})
            else:
                print(f"{plant.file.plant.name}: {address}\nEnds with Ctrl-C.")
            sys.stdout.flush()
            if parsed.listen != HERE:
                say(f"listens on {parsed.listen}: whoever has the address with its token can sign")
            if not parsed.no_browser:
                webbrowser.open(address)
            return server.wait()


@contextmanager
def _serving(
    folder: Path, plant: Path, listen: str, port: int, token: str
) -> Iterator[subprocess.Popen[bytes]]:
    """Run the server; it has answered once when this yields, and has ended after it."""
    command = [
        *(sys.executable, "-m", "voila", str(folder / "notebooks"), "--no-browser", "--token"),
        *("--template=optimiser", f"--port={port}", f"--Voila.ip={listen}", "--strip_sources=True"),
        *("--Voila.port_retries=0", "--Voila.log_level=ERROR", "--show_tracebacks=False"),
        # A page that was left without a word, as by a laptop's lid, leaves its kernel to these.
        *(
            "--MappingKernelManager.cull_idle_timeout=900",
            "--MappingKernelManager.cull_interval=60",
        ),
    ]
    paths = [str(folder / "jupyter"), os.environ.get("JUPYTER_PATH", "")]
    # The token goes by the environment: arguments can be read by everybody on this machine.
    own = {
        "JUPYTER_TOKEN": token,
        "JUPYTER_PATH": os.pathsep.join(p for p in paths if p),
        PLANT_VARIABLE: str(plant.resolve()),
    }
    # A group of its own: Ctrl-C reaches the server through us, once.
    server = subprocess.Popen(command, env={**os.environ, **own}, start_new_session=True)
    try:
        _wait_for(f"http://{listen}:{port}/login", server)
        yield server
    finally:
        server.terminate()
        try:
            server.wait(STOP_S)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    """Return once the server answers."""
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        if server.poll() is not None:
            msg = f"the server of the screens ended at once, with exit code {server.returncode}"
            raise UsageError(msg)
        try:
            urllib.request.urlopen(address, timeout=2).close()
        except urllib.error.HTTPError:
            return
        except OSError:
            time.sleep(0.1)
        else:
            return
    msg = f"the server of the screens did not answer within {START_S:.0f} s"
    raise UsageError(msg)


def _free_port(listen: str, port: int) -> int:
    """Return the port, or any free one for 0."""
    family = socket.AF_INET6 if ":" in listen else socket.AF_INET
    try:
        with socket.socket(family) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((listen, port))
            found: int = probe.getsockname()[1]
    except OSError as error:
        msg = (
            f"cannot listen on {listen}, port {port}: {error.strerror or error}; another port is taken with "
            "--port, any free one with --port 0"
        )
        raise UsageError(msg) from error
    return found


def _port(text: str) -> int:
    """Return a port's number, for argparse."""
    if not text.isdecimal() or int(text) > 65535:
        msg = f"must be a whole number from 0 to 65535, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(text)
