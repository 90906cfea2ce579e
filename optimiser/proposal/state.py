"""The state of a plant's files: one hash of all that is read of them."""

import json
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from optimiser import __version__
from optimiser.history.digest.store import sha_of_file
from optimiser.history.read import find_files, find_verdicts
from optimiser.plant.file import Plant
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import Recipe
from optimiser.values import hash_of

_ROOMS = ("plant", "recipe", "intake", "history", "tally", "evidence", "search", "proposal")


def state_of(plant: Plant, live: Recipe, *, sha: Callable[[Path], str] = sha_of_file) -> str:
    """Return a hash of all that an opening of a plant rests on.

    Parameters
    ----------
    plant : Plant
    live : Recipe
        Both as they were read: their files may have changed since.
    sha : callable
        Returns a file's content hash; by default it reads the whole file, whatever its date.

    Returns
    -------
    str
        Equal for equal contents under equal paths, read by the same program: plant file, live
        recipe and those before it, results, verdicts, must-catch set, numbers of inspected items.

    Raises
    ------
    HistoryError
        If there is no result file.
    RecipeError
        If an earlier revision cannot be read.
    OSError
        If a file cannot be read.
    """
    paths = [*find_files(plant), *beside(plant)]
    # Reading lets other threads run, and so does hashing.
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        shas = list(pool.map(sha, paths))
    ground = [
        [_program(), duckdb.__version__, np.__version__, pd.__version__],
        str(plant.path.resolve()),
        plant.file.model_dump_json(),
        [[r.revision, repr(r.rows)] for r in (live, *past_revisions(plant, live))],
        [[str(path.resolve()), content] for path, content in zip(paths, shas, strict=True)],
    ]
    return hash_of(json.dumps(ground))


@cache
def _program() -> str:
    """Return a hash of the code that reads, checks, counts and fits."""
    package = Path(__file__).parents[1]
    files = sorted(path for room in _ROOMS for path in (package / room).rglob("*.py"))
    return " ".join([__version__, *(sha_of_file(path) for path in files)])


def beside(plant: Plant) -> list[Path]:
    """Return the files that are read beside results and recipes: verdicts, and what the plant file names."""
    site = plant.file.plant
    named = [plant.locate(name) for name in (site.must_catch, site.inspected) if name is not None]
    return [*find_verdicts(plant), *named]
