"""Commands that run beside a test until they are told to end, and always do end."""

import signal
import subprocess

PATIENCE_S = 600


def started(command: list[str], *, hears: signal.Signals) -> subprocess.Popen:
    """Start a command; SIGINT is ignored where it is to end by another signal, as in a background.

    A test run that was itself started in the background would hand its ignored SIGINT down.
    """

    def set_up() -> None:
        heard = hears == signal.SIGINT
        signal.signal(signal.SIGINT, signal.default_int_handler if heard else signal.SIG_IGN)

    return subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=set_up,
    )


def ended(run: subprocess.Popen, end: signal.Signals) -> tuple[str, str]:
    """Send a signal and return what was printed; a command that does not end is killed."""
    run.send_signal(end)
    try:
        return run.communicate(timeout=PATIENCE_S)
    finally:
        run.kill()
