"""Everything that can go wrong for a user, as a small tree.

::

    OptimiserError
    ├── UsageError     the command was called wrongly        (exit 2)
    └── InputError     what was read cannot be used as it is (exit 1)
        ├── PlantError     plant.toml
        ├── RecipeError    a recipe file
        ├── HistoryError   results: files, columns, rows
        ├── DatabaseError  a database that results are fetched from
        └── LedgerError    the ledger cannot be read or written
            └── ConflictError  what is asked does not fit what was decided

A message says the rule, the value, the place and the way out.
"""

from collections.abc import Iterable
from difflib import get_close_matches


class OptimiserError(Exception):
    """Base of all errors a user may see; never raised itself."""

    exit_code = 1

    def __str__(self) -> str:
        return str(self.args[0]) if self.args else ""


class UsageError(OptimiserError, ValueError):
    """The command or function was called wrongly."""

    exit_code = 2


class InputError(OptimiserError, ValueError):
    """What was read cannot be used as it is."""


class PlantError(InputError):
    """The plant file breaks a rule."""


class RecipeError(InputError):
    """A recipe file breaks a rule."""


class HistoryError(InputError):
    """The history breaks a rule."""


class DatabaseError(InputError):
    """A database cannot be read as the plant file says."""


class LedgerError(InputError):
    """The ledger cannot be read or written."""


class ConflictError(LedgerError):
    """What is asked does not fit what was decided before, or the limits that are live now."""


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the names that are allowed, nearest first, as the end of a message.

    Parameters
    ----------
    name : str
        What was given.
    known : iterable of str
        What is allowed.

    Returns
    -------
    str
        ``"known: A, B, C (did you mean 'B'?)"``; long lists are cut at eight.

    Examples
    --------
    >>> nearest("CHIP-042", ["CHIP-0402", "SOT-23"])
    "known: CHIP-0402, SOT-23 (did you mean 'CHIP-0402'?)"
    """
    names = sorted(known)
    shown = ", ".join(names[:8]) + (f", … ({len(names)} in all)" if len(names) > 8 else "")
    folded = {n.casefold(): n for n in names}
    close = get_close_matches(name.casefold(), folded, n=1)
    hint = f" (did you mean {folded[close[0]]!r}?)" if close else ""
    return f"known: {shown or 'none'}{hint}"
