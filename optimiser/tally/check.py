"""Everything that must hold before a history is counted, as findings."""

from collections.abc import Mapping
from pathlib import Path

from optimiser.errors import PlantError, RecipeError, nearest
from optimiser.history.contract import Finding, refuse
from optimiser.history.inspected import read_inspected
from optimiser.history.read import History
from optimiser.history.replay import agree, agreement_findings
from optimiser.recipe.past import past_revisions
from optimiser.recipe.table import Recipe
from optimiser.tally.grid import Grid, make_grids
from optimiser.tally.must_catch import rank_kept, read_must_catch


def check(history: History, live: Recipe, recipe_path: Path) -> list[Finding]:
    """Return every finding of an open history, its live recipe and its must-catch set.

    Parameters
    ----------
    history : History
        Rows have been set aside already; its findings come first.
    live : Recipe
    recipe_path : Path
        For messages.

    Returns
    -------
    list of Finding
        Any of level ``error`` means that the history cannot be used with this recipe.
    """
    findings = [*history.findings, *_family_findings(history, live, recipe_path)]
    if any(f.level == "error" for f in findings):
        return findings
    earlier = past_revisions(history.plant, live)
    agreement = agree(history, live, earlier)
    findings += agreement_findings(agreement, history, live, str(recipe_path))
    findings += _lot_findings(history)
    findings += _called_findings(history)
    try:
        findings += _must_catch_findings(history, make_grids(history, live))
    except (PlantError, RecipeError) as error:
        place = recipe_path if isinstance(error, RecipeError) else history.plant.path
        way = "see the message"
        findings.append(Finding(level="error", rule=str(error), file=str(place), way_out=way))
    return findings


def refuse_unusable(history: History, live: Recipe, recipe_path: Path) -> list[Finding]:
    """Raise if a history cannot be used with a recipe; else return all that was found.

    Raises
    ------
    HistoryError
        With the findings of level ``error``.
    """
    findings = check(history, live, recipe_path)
    errors = [f for f in findings if f.level == "error"]
    if errors:
        raise refuse(errors)
    return findings


def _family_findings(history: History, live: Recipe, recipe_path: Path) -> list[Finding]:
    """Return families of the recipe that the plant does not know, and those without limits."""
    known = history.plant.file.families
    present = history.families
    limited = live.families()
    findings = [
        Finding(
            level="error" if not limited & present else "note",
            rule="the recipe has limits of a family that is not in plant.toml",
            file=str(recipe_path),
            value=name,
            way_out="add it to plant.toml or remove it; " + nearest(name, known),
        )
        for name in sorted(limited - set(known))
    ]
    if not limited & present:
        rule = (
            f"the recipe has limits for none of the {len(present)} families of the history: "
            "it is another product's recipe"
        )
        way = "name this history's recipe; " + nearest("", present)
        findings.insert(0, Finding(level="error", rule=rule, file=str(recipe_path), way_out=way))
        return findings
    findings += [
        Finding(
            level="note",
            rule="a family of the history has no limits in the recipe; it is never called",
            file=str(recipe_path),
            value=name,
            way_out="add its limits if the machine has any",
        )
        for name in sorted(present - limited)
    ]
    return findings


def _lot_findings(history: History) -> list[Finding]:
    """Return an error where the whole history is one lot."""
    lots = history.rows(f"select count(*) from {history.lots}")[0][0]
    if lots > 1:
        return []
    return [
        Finding(
            level="error",
            rule="the history holds one lot; a promise needs at least 2, better 5, so that a "
            "setting is judged on lots it has not seen",
            file=str(history.plant.locate(history.plant.file.plant.history)),
            column="lot",
            way_out="add results of other lots, or fill the column lot",
        )
    ]


def _called_findings(history: History) -> list[Finding]:
    """Return an error where the plant file says one thing of passed items and the history another."""
    recorded = int(history.rows(f"select {history.recorded} from {history.counts}")[0][0] or 0)
    called = int(history.rows("select count(*) filter (called) from items")[0][0])
    passed = recorded - called
    plant = history.plant
    if plant.file.plant.only_called:
        inspected = read_inspected(plant)
        known = sum(inspected.values())
        if passed:
            rule = f"plant.only_called says that only called items are exported; {passed:,} were not called"
            way = "take only_called out of plant.toml, or those rows out of the results"
            return [Finding(level="error", rule=rule, file=str(plant.path), way_out=way)]
        of = f" of {known:,} inspected" if known else "; how many were inspected nobody says"
        rule = f"called items alone are exported: {called:,}{of}; no limit is tightened, passed items are not judged"
        way = "export passed items as well, or state plant.inspected (lot, family, items)"
        return [Finding(level="note", rule=rule, file=str(plant.path), way_out=way)]
    if called and not passed and called == history.rows_used:
        rule = "every item was called: the export seems to hold called items alone"
        way = "say only_called = true under [plant], or export passed items as well"
        return [Finding(level="error", rule=rule, file=str(plant.path), way_out=way)]
    return []


def _must_catch_findings(history: History, grids: Mapping[str, Grid]) -> list[Finding]:
    """Return a note per must-catch item that no setting between the rails can call."""
    plant = history.plant
    kept = read_must_catch(plant)
    findings = []
    for family in sorted({k.family for k in kept} & set(grids)):
        items = [k for k in kept if k.family == family]
        guard = plant.file.rails.guard_sigmas
        _, impossible = rank_kept(items, grids[family], guard_sigmas=guard)
        findings += [
            Finding(
                level="note",
                rule=str(item),
                file=str(plant.locate(plant.file.plant.must_catch or "")),
                value=item.name,
                way_out="tighten that limit on the machine first; until then nothing is proposed "
                "for this family",
            )
            for item in impossible
        ]
    return findings
