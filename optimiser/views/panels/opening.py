"""A plant opened for a notebook: a sign of life at once, whatever has to be imported and read."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, wait
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from IPython.core.getipython import get_ipython
from IPython.display import HTML, display

from optimiser.defaults import PLANT_VARIABLE, TRIALS

# All else is imported while the sign stands below the cell.
if TYPE_CHECKING:
    from optimiser.proposal.session import Session

# Seconds between two looks at what runs in a thread.
TICK = 0.5


def open_session(where: Path | str, *, trials: int = TRIALS) -> Session:
    """Open a plant for the panels of a notebook.

    Parameters
    ----------
    where : Path or str
        ``plant.toml`` or its folder; the environment variable OPTIMISER_PLANT, where it is set,
        stands over it.
    trials : int
        Of a search that nobody has done yet.

    Returns
    -------
    Session

    Raises
    ------
    OptimiserError
        If nothing lies there, or it cannot be used: it says what, where, and what lies near.
    """
    plant = Path(os.environ.get(PLANT_VARIABLE) or where)
    return _with_sign(f"Reading {plant}", lambda: _opened(plant, trials))


def _opened(plant: Path, trials: int) -> Session:
    """Open a plant, and get ready to draw."""
    from optimiser.proposal.session import open_plant

    # It is needed for the first drawing, and waits for no file.
    threading.Thread(target=_ready, daemon=True).start()
    return open_plant(plant, trials=trials)


def _ready() -> None:
    from optimiser.views.charts import lab_renderer
    from optimiser.views.panels.live import carry_script

    carry_script()
    lab_renderer()


def _with_sign(words: str, work: Callable[[], Session]) -> Session:
    """Do something in a thread, with a line below the cell that says for how long it runs.

    The kernel's interrupt is heard at once. Without a notebook there is no line.
    """
    if get_ipython() is None:
        return work()
    started = time.monotonic()
    sign = display(_sign(words, 0.0), display_id=True)
    found: Future[Session] = Future()

    def run() -> None:
        try:
            found.set_result(work())
        except BaseException as error:
            found.set_exception(error)

    threading.Thread(target=run, daemon=True).start()
    try:
        while not found.done():
            wait([found], timeout=TICK)
            sign.update(_sign(words, time.monotonic() - started))
        return found.result()
    finally:
        sign.update(HTML(""))


def _sign(words: str, seconds: float) -> HTML:
    """Return the line of something that runs."""
    return HTML(
        f"<p class='opt-opening' role='status'>{escape(words)} … {seconds:.0f} s; the interrupt button stops it</p>"
    )
