"""Small things that every panel needs: safe callbacks, work that may wait, HTML with a class."""

import functools
import threading
from collections.abc import Callable, Sequence
from typing import Any, ParamSpec, Protocol, TypeVar

import ipywidgets as widgets
from IPython.core.getipython import get_ipython
from ipywidgets.widgets.widget import _instances

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


def swap(
    box: widgets.Box, children: Sequence[widgets.Widget], *, keep: Sequence[widgets.Widget] = ()
) -> None:
    """Show other widgets in a box, and close what is shown no longer.

    Parameters
    ----------
    box : Box
    children : sequence of Widget
    keep : sequence of Widget
        Stay open though they are not among the children, for they come back.

    Notes
    -----
    Whatever stays open is kept by the kernel and by every page until the notebook is closed. Layouts and
    styles close with the last widget that has them.
    """
    before = _within(box.children)
    box.children = tuple(children)
    kept = {id(w) for w in _within((*children, *keep))}
    gone = [w for w in before if id(w) not in kept]
    looks = [look for w in gone for look in _looks_of(w)]
    for widget in gone:
        widget.close()
    used = {id(look) for w in list(_instances.values()) for look in _looks_of(w)}
    for look in looks:
        if id(look) not in used:
            look.close()


def _within(found: Sequence[widgets.Widget]) -> list[widgets.Widget]:
    """Return widgets with all that lie in them."""
    inside = [w for box in found if isinstance(box, widgets.Box) for w in _within(box.children)]
    return [*found, *inside]


def _looks_of(of: widgets.Widget) -> list[widgets.Widget]:
    """Return the layout and the style of a widget, where it has them."""
    looks = (getattr(of, name, None) for name in ("layout", "style"))
    return [look for look in looks if isinstance(look, widgets.Widget)]


def words_of(error: Exception) -> str:
    """Return what an error says; its kind where it says nothing."""
    return str(error) or type(error).__name__


def block(css: str = "", **layout: Any) -> widgets.HTML:  # noqa: ANN401 - CSS values
    """Return an empty piece of HTML with a class of its own."""
    piece = widgets.HTML(layout=widgets.Layout(**layout))
    if css:
        piece.add_class(css)
    return piece
