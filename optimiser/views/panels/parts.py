"""Small things that every panel needs: safe callbacks, work that may wait, HTML with a class."""

import functools
import threading
from collections.abc import Callable
from typing import Any, ParamSpec, Protocol, TypeVar

import ipywidgets as widgets
from IPython.core.getipython import get_ipython

from optimiser.proposal.session import Session

# So long does the browser have to draw what a panel shows first.
FIRST_SECONDS = 0.3
P = ParamSpec("P")
T = TypeVar("T")


class Speaks(Protocol):
    """A panel with a line in which it says what went wrong."""

    def say(self, words: str) -> None:
        """Show words in the panel's own line."""


def safely(act: Callable[P, T], panel: Speaks, doing: str) -> Callable[P, T | None]:
    """Return a callback that shows its error in the panel, where a lost traceback would not be.

    Parameters
    ----------
    act : callable
    panel : Speaks
    doing : str
        What did not work, for the message.

    Returns
    -------
    callable
    """

    @functools.wraps(act)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> T | None:
        try:
            return act(*args, **kwargs)
        except Exception as error:
            panel.say(f"{doing}: {words_of(error)}")
            return None

    return guarded


def afterwards(work: Callable[[], object], session: Session) -> None:
    """Do something when the first figures are on the screen; without a notebook at once.

    Parameters
    ----------
    work : callable
        Guarded by `safely`: nobody waits for it but cells that ask the history for other things.
    session : Session
    """
    if get_ipython() is None:
        work()
        return
    # The browser draws what is there meanwhile, and has the cores for it.
    thread = threading.Timer(FIRST_SECONDS, work)
    thread.daemon = True
    thread.start()
    session.goes_first(thread)


def words_of(error: Exception) -> str:
    """Return what an error says; its kind where it says nothing."""
    return str(error) or type(error).__name__


def block(css: str = "", **layout: Any) -> widgets.HTML:  # noqa: ANN401 - CSS values
    """Return an empty piece of HTML with a class of its own."""
    piece = widgets.HTML(layout=widgets.Layout(**layout))
    if css:
        piece.add_class(css)
    return piece
