"""Inspection limits from labelled history: proposals that are safe, proven and signed.

Data flows one way, a folder per station::

    plant     what is measured, what it costs, what is allowed
    recipe    the limits in force, overrides included
    history   what was measured and what is known of it
    tally     how far each limit may move, and exact counts over that grid
    search    the exact front of the past; the setting that keeps its promise
    evidence  intervals: what the numbers may be trusted for
    proposal  what an engineer signs or refuses
    ledger    who decided what, and the revisions that go out
    monitoring what followed
    views     tables and charts of all of these
    commands  one file per command of the command line

What a script or a notebook needs is exported here and loaded when it is first asked for::

    open_plant    read, check and tally a plant: a Session that proposes and answers
    read_recipe   the limits of a recipe file; write_recipe, the way back
    write_demo    an invented plant with known truth
    Ledger        who decided what

Start reading at ``proposal/propose.py``: it is the line above, as code.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optimiser.demo.write import write_demo
    from optimiser.ledger.ledger import Ledger
    from optimiser.proposal.session import Session, open_plant
    from optimiser.recipe.table import read_recipe, write_recipe

__all__ = [
    "Ledger",
    "Session",
    "__version__",
    "open_plant",
    "read_recipe",
    "write_demo",
    "write_recipe",
]
__version__ = "0.8.0"

_PLACES = {
    "Ledger": "optimiser.ledger.ledger",
    "Session": "optimiser.proposal.session",
    "open_plant": "optimiser.proposal.session",
    "read_recipe": "optimiser.recipe.table",
    "write_demo": "optimiser.demo.write",
    "write_recipe": "optimiser.recipe.table",
}


def __getattr__(name: str) -> object:
    """Load an exported name when it is first asked for, so that a start stays light."""
    if name not in _PLACES:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(_PLACES[name]), name)


def __dir__() -> list[str]:
    """List what is exported."""
    return sorted(__all__)
