"""Revisions that were live before: kept beside the plant file, since old results rest on them."""

from optimiser.plant.file import Plant
from optimiser.recipe.table import Recipe, read_recipe

FOLDER = "revisions"


def past_revisions(plant: Plant, live: Recipe) -> list[Recipe]:
    """Return the kept revisions other than the live one, oldest first by file time and name.

    Parameters
    ----------
    plant : Plant
    live : Recipe

    Returns
    -------
    list of Recipe
        Empty before the first export.

    Raises
    ------
    RecipeError
        If one of them cannot be read.
    """
    folder = plant.folder / FOLDER
    if not folder.is_dir():
        return []
    files = sorted(folder.glob("*.csv"), key=lambda p: (p.stat().st_mtime_ns, p.name))
    kept = [read_recipe(path, plant.file.measurements) for path in files]
    return [r for r in kept if r.rows != live.rows]
