"""The notebooks as screens for people who write no code: copies without a word about running cells."""

import json
import shutil
import sysconfig
from html import escape
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from optimiser.errors import UsageError

TEMPLATE = "optimiser"
FIRST = ("find", "decide")
_ABOUT_CELLS = ("Run this notebook", "Run this cell")


def notebooks_folder() -> Path:
    """Return where the notebooks lie: in a checkout beside the package, else where they were installed.

    Returns
    -------
    Path

    Raises
    ------
    UsageError
        If they are in neither place.
    """
    places = (
        Path(__file__).parents[2] / "notebooks",
        Path(sysconfig.get_path("data")) / "share" / "optimiser" / "notebooks",
    )
    for place in places:
        if (place / "find.ipynb").is_file():
            return place
    msg = f"the notebooks lie neither in {places[0]} nor in {places[1]}: install the package again"
    raise UsageError(msg)


def write_screens(target: Path) -> list[str]:
    """Write what is served: the notebooks' copies and the look of their pages.

    Parameters
    ----------
    target : Path
        A folder of its own; ``notebooks`` and ``jupyter`` are made in it.

    Returns
    -------
    list of str
        The screens' file names, the first to open first.
    """
    shown = target / "notebooks"
    shown.mkdir()
    sources = sorted(notebooks_folder().glob("*.ipynb"), key=_in_order)
    titles = {}
    for source in sources:
        book = json.loads(source.read_text("utf-8"))
        (shown / source.name).write_text(json.dumps(screen_of(book)), "utf-8")
        titles[source.name] = source.stem.replace("_", " ").replace("-", " ").capitalize()
    look = target / "jupyter" / "voila" / "templates" / TEMPLATE
    with as_file(files("optimiser.views").joinpath("screens")) as template:
        shutil.copytree(template, look)
    (look / "screens.html.j2").write_text(_links(titles), "utf-8")
    return list(titles)


def _in_order(path: Path) -> tuple[int, str]:
    """Return where a screen stands: find and decide first, then by name."""
    return (FIRST.index(path.stem) if path.stem in FIRST else len(FIRST), path.stem)


def screen_of(book: dict[str, Any]) -> dict[str, Any]:
    """Return a notebook as a screen: no stored output, no paragraph about running cells.

    Parameters
    ----------
    book : dict
        A notebook as its JSON has it.

    Returns
    -------
    dict
    """
    cells = []
    for cell in book["cells"]:
        own = dict(cell)
        if cell["cell_type"] == "code":
            own |= {"outputs": [], "execution_count": None}
        if cell["cell_type"] == "markdown":
            paragraphs = "".join(cell["source"]).split("\n\n")
            own["source"] = "\n\n".join(p for p in paragraphs if not p.startswith(_ABOUT_CELLS))
        cells.append(own)
    return {**book, "cells": cells}


def _links(titles: dict[str, str]) -> str:
    """Return the links between screens, the one that is shown marked."""
    links = "".join(
        f'<a href="{{{{ resources.base_url }}}}voila/render/{escape(name)}"'
        f"{{% if nb_title == '{escape(Path(name).stem)}' %}} aria-current=\"page\"{{% endif %}}>{escape(title)}</a>"
        for name, title in titles.items()
    )
    return (
        "{% set nb_title = resources.metadata.name %}"
        f'<nav class="opt-screens" aria-label="Screens">{links}</nav>'
    )
