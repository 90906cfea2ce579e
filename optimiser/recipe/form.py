"""A recipe in the form that a plant's machine imports: written by a template, read back, compared.

The template is the plant's own (Jinja2, sandboxed); how the text reads back the plant says by a
regular expression. A form that does not read back to the very limits is never written.
"""

import math
import re
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import StrictUndefined, TemplateError
from jinja2.sandbox import SandboxedEnvironment

from optimiser.errors import RecipeError
from optimiser.files import safe_name
from optimiser.plant.file import Plant, RecipeForm, Side, off_limit
from optimiser.recipe.table import Recipe

MACHINE = "machine"
"""Folder below the revisions in which recipes lie as the machine imports them."""
Limits = dict[tuple[str, str], dict[Side, float]]


def form_name(form: RecipeForm, revision: str) -> str:
    """Return the name of the file of a revision; what no file name can hold becomes ``_``."""
    return form.file.replace("{revision}", safe_name(revision))


def write_form(recipe: Recipe, plant: Plant) -> str:
    """Return a recipe's text in the machine's form, having read it back.

    Parameters
    ----------
    recipe : Recipe
    plant : Plant
        With ``[recipe_form]``.

    Returns
    -------
    str

    Raises
    ------
    RecipeError
        If the template is missing, fails, or its text does not read back to the same limits:
        the first that differs.
    """
    form = plant.file.recipe_form
    if form is None:
        msg = f"{plant.path}: has no [recipe_form]; say template, file and back"
        raise RecipeError(msg)
    path = plant.locate(form.template)
    text = _filled(path, recipe, form, plant)
    _compare(path, recipe, form, text)
    return text


def _filled(path: Path, recipe: Recipe, form: RecipeForm, plant: Plant) -> str:
    """Return the template filled in."""

    def number(value: float) -> str:
        return form.none if not math.isfinite(value) else repr(value).removesuffix(".0")

    def named(name: str) -> str:
        return form.names.get(name, name)

    environment = SandboxedEnvironment(undefined=StrictUndefined, keep_trailing_newline=True)
    environment.filters |= {"number": number, "named": named}
    rows = [
        {
            "scope": row.scope,
            "name": row.name,
            "measurement": row.measurement,
            "unit": row.unit,
            "lower": row.lower,
            "upper": row.upper,
        }
        for row in recipe.rows
    ]
    try:
        template = environment.from_string(path.read_text(encoding="utf-8"))
        return template.render(revision=recipe.revision, plant=plant.file.plant.name, rows=rows)
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read ({error}); recipe_form.template names it"
        raise RecipeError(msg) from error
    except TemplateError as error:
        line = getattr(error, "lineno", None)
        where = f", line {line}" if line else ""
        msg = (
            f"{path}{where}: the template fails ({error}); it is given revision, plant and rows of "
            "scope, name, measurement, unit, lower, upper, and the filters number and named"
        )
        raise RecipeError(msg) from error


def read_form(text: str, form: RecipeForm) -> Limits:
    """Return the limits that a text in the machine's form says, by name and measurement.

    Parameters
    ----------
    text : str
    form : RecipeForm

    Returns
    -------
    dict of (name, measurement) to dict of side to float
        Under the plant's names.

    Raises
    ------
    ValueError
        If a number is none, or one limit is said twice.
    """
    ours = {theirs: name for name, theirs in form.names.items()}
    found: Limits = defaultdict(dict)
    for match in re.finditer(form.back, text, re.MULTILINE):
        said = match.groupdict()
        key = (
            ours.get(said["name"], said["name"]),
            ours.get(said["measurement"], said["measurement"]),
        )
        for side, cell in _sides(said):
            if side in found[key]:
                msg = f"the {side} limit of {key[0]} {key[1]} is said twice"
                raise ValueError(msg)
            found[key][side] = off_limit(side) if cell == form.none else float(cell)
    return dict(found)


def _sides(said: Mapping[str, Any]) -> list[tuple[Side, str]]:
    """Return the sides that one match of the expression speaks of, and their cells."""
    if "limit" in said:
        side: Side = "lower" if str(said["side"]).casefold().startswith(("l", "min")) else "upper"
        return [(side, said["limit"] or "")]
    sides: tuple[Side, Side] = ("lower", "upper")
    return [(s, said[s] or "") for s in sides if s in said]


def _compare(path: Path, recipe: Recipe, form: RecipeForm, text: str) -> None:
    """Raise where a text does not say the limits of a recipe."""
    try:
        said = read_form(text, form)
    except ValueError as error:
        msg = f"{path}: the form does not read back ({error}); correct the template or recipe_form.back"
        raise RecipeError(msg) from error
    for row in recipe.rows:
        limits = said.pop((row.name, row.measurement), {})
        for side in ("lower", "upper"):
            wanted, found = row.limit(side), limits.get(side, off_limit(side))
            if wanted != found:
                msg = (
                    f"{path}: the {side} limit of {row.name} {row.measurement} reads back as {found:g}, the "
                    f"recipe says {wanted:g}; correct the template or recipe_form.back; nothing was written"
                )
                raise RecipeError(msg)
    if said:
        name, measurement = next(iter(said))
        msg = (
            f"{path}: the form says limits of {name} {measurement}, which the recipe does not have"
        )
        raise RecipeError(msg)
