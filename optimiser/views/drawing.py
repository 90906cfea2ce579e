"""Altair, as all drawings here use it: started without what they do not need.

Whatever draws imports ``alt`` from here. Drawings are tested against Altair's schema
(`tests/`), so nobody waits for that check on a screen: it is a third of what a drawing costs.
"""

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from optimiser.seal import read_sealed, write_sealed

__all__ = ["Spec", "alt", "drawing_script", "unchecked"]

# A parser of web addresses in any script: where it is installed, jsonschema builds it at its
# import, which takes a second. Nothing drawn here holds an address.
_SLOW = "rfc3987_syntax"
_one_at_a_time = threading.RLock()


@contextmanager
def _without(module: str) -> Iterator[None]:
    """Let a module be missing for a while, if nobody has imported it."""
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None  # type: ignore[assignment]  # what the import system takes for missing
    try:
        yield
    finally:
        del sys.modules[module]


with _without(_SLOW):
    import altair as alt
    from altair.utils import schemapi


class Spec(alt.TopLevelConcatSpec):
    """Drawings side by side, of parts that are plain already.

    What has dozens of layers is written as Vega-Lite itself: Altair copies every part of a
    drawing each time it is put into another, which takes most of what it costs. Tests hold it
    against the schema (``to_dict(validate=True)``).
    """

    _class_is_valid_at_instantiation = False

    def to_dict(self, validate: bool = False, **more: Any) -> dict[str, Any]:  # noqa: ANN401
        """Return it as Vega-Lite has it."""
        found = super().to_dict(validate=validate, **more)
        return {"$schema": alt.SCHEMA_URL, **found}


@contextmanager
def unchecked() -> Iterator[None]:
    """Make drawings without holding each part of them against the schema."""
    with _one_at_a_time, schemapi.debug_mode(False):
        yield


@cache
def drawing_script() -> str:
    """Return the script that draws live charts, so that no network is asked.

    Making it takes a second; it is kept under this machine's seal in the user's cache,
    for these very versions of what it is made from.

    Returns
    -------
    str
        A module of JavaScript.
    """
    kept = _script_file()
    with suppress(OSError, ValueError, KeyError):
        return str(read_sealed(kept)["script"])

    class Whole(alt.JupyterChart):
        """Altair's live chart with all that draws it."""

    Whole.enable_offline(True)
    script = str(Whole._esm)
    with suppress(OSError):
        kept.parent.mkdir(parents=True, exist_ok=True)
        write_sealed(kept, {"script": script})
    return script


def _script_file() -> Path:
    """Return where the script of the installed versions is kept, or will be."""
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    made_from = "-".join(version(name) for name in ("altair", "vl-convert-python"))
    return Path(home) / "optimiser" / f"drawing-{made_from}.json"
