"""A real JupyterLab, and a real Chromium that no foreign address may be asked through."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

CHROMIUM = "/usr/bin/chromium"
TOKEN = "bench"
# A slow machine that does other work besides; nothing waits that long where all is well.
PATIENCE_MS = 120_000
FLAGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage"),
)
ALL_RAN = """() => {
  const page = window.jupyterapp.shell.currentWidget;
  const code = page.content.widgets.filter((cell) => cell.model.type === 'code');
  return code.every((cell) => cell.model.executionState !== 'running'
    && cell.model.executionCount !== null)
    && page.sessionContext.session.kernel.status === 'idle';
}"""
FAILED = """() => {
  const cells = window.jupyterapp.shell.currentWidget.content.widgets;
  return cells.filter((cell) => cell.model.type === 'code').flatMap((cell) =>
    cell.model.outputs.toJSON().filter((out) => out.output_type === 'error')
      .map((out) => out.ename + ': ' + out.evalue));
}"""
KERNEL_IDLE = """() => {
  const page = window.jupyterapp && window.jupyterapp.shell.currentWidget;
  const session = page && page.sessionContext && page.sessionContext.session;
  return Boolean(session && session.kernel && session.kernel.status === 'idle');
}"""


@contextmanager
def running_lab(root: Path, home: Path):
    """Start JupyterLab on a folder; yield its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    names = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    own = {
        n: str(home / n) for n in (*names, "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")
    }
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    command = [
        *(sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1"),
        *(f"--port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={TOKEN}"),
        *(f"--ServerApp.root_dir={root}", "--LabApp.expose_app_in_browser=True"),
        *("--LabApp.news_url=None", "--LabApp.extension_manager=readonly"),
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    ]
    with (home / "lab.log").open("wb") as log:
        server = subprocess.Popen(
            command,
            env={**os.environ, **own, "PATH": path},
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/api/status?token={TOKEN}", server)
        yield address
    finally:
        os.killpg(server.pid, signal.SIGTERM)
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            # A kernel that is busy may keep the server waiting.
            os.killpg(server.pid, signal.SIGKILL)
            server.wait(20)


def _wait_for(address: str, server: subprocess.Popen) -> None:
    for _ in range(1_500):
        if server.poll() is not None:
            raise RuntimeError(f"JupyterLab ended with {server.returncode}")
        try:
            urllib.request.urlopen(address, timeout=2).close()
        except OSError:
            time.sleep(0.2)
        else:
            return
    raise RuntimeError("JupyterLab did not answer within five minutes")


class Guarded:
    """A page that refuses every foreign address and notes it, and the errors of its console."""

    def __init__(
        self, browser, lab: str, *, width: int = 1280, height: int = 2400, scale: float = 1.0
    ) -> None:
        self.lab, self.foreign, self.errors = lab, [], []
        self.context = browser.new_context(
            viewport={"width": width, "height": height}, device_scale_factor=scale
        )
        self.context.route("**/*", self._gate)
        self.page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.page.on("console", self._note)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))

    def _gate(self, route) -> None:
        if urlsplit(route.request.url).hostname in ("127.0.0.1", "localhost", None):
            route.continue_()
        else:
            self.foreign.append(route.request.url)
            route.abort()

    def _note(self, message) -> None:
        if message.type == "error":
            self.errors.append(f"{message.text} {message.location.get('url', '')}".strip())

    def look(self, notebook: str) -> None:
        """Open a notebook as it is stored."""
        self.page.goto(f"{self.lab}/doc/tree/{notebook}?token={TOKEN}&reset")
        self.page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=PATIENCE_MS)

    def run(self, notebook: str, *, timeout_s: float = 600) -> None:
        """Open a notebook, run all its cells, wait until they have run."""
        self.look(notebook)
        self.page.wait_for_function(KERNEL_IDLE, timeout=PATIENCE_MS)
        self.page.evaluate("() => { window.jupyterapp.commands.execute('notebook:run-all-cells') }")
        self.page.wait_for_function(
            f"() => ({FAILED})().length || ({ALL_RAN})()", timeout=timeout_s * 1000
        )
        failed = self.page.evaluate(FAILED)
        if failed:
            raise RuntimeError("; ".join(failed))

    def close(self) -> None:
        """Close the page, its notebook's kernel left to the server."""
        self.context.close()
