"""Make the limits that the results carry the live recipe."""

from dataclasses import replace
from pathlib import Path

from optimiser.begin.limits import Carried
from optimiser.files import safe_name, write_whole
from optimiser.plant.file import Plant
from optimiser.recipe.past import FOLDER
from optimiser.recipe.table import Recipe, Row, to_csv, to_json


def take_carried(plant: Plant, live: Recipe, path: Path, carried: Carried) -> str:
    """Write what results carry over the live recipe, which is kept as a revision.

    Parameters
    ----------
    plant : Plant
    live : Recipe
    path : Path
        Where that lies.
    carried : Carried
        With at least one recipe.

    Returns
    -------
    str
        Name of the new revision. Rows that the results say nothing of stay.
    """
    folder = plant.folder / FOLDER
    folder.mkdir(exist_ok=True)
    kept = folder / f"{safe_name(live.revision)}.csv"
    if not kept.exists():
        write_whole(kept, to_csv(live))
    taken = {_file.stem for _file in folder.glob("*.csv")} | {live.revision}
    number = next(n for n in range(1, 10**6) if f"{live.revision}-carried-{n}" not in taken)
    name = f"{live.revision}-carried-{number}"
    taken_over = replace(_over(carried.recipes[-1], live), revision=name)
    write_whole(path, to_json(taken_over) if path.suffix == ".json" else to_csv(taken_over))
    return name


def _over(carried: Recipe, live: Recipe) -> Recipe:
    """Return the live recipe with the rows that are carried in their place."""

    def key(row: Row) -> tuple[str, str, str]:
        return row.scope, row.name, row.measurement

    new = {key(row): row for row in carried.rows}
    rows = [new.pop(key(row), row) for row in live.rows]
    return replace(live, rows=(*rows, *new.values()))
