"""What a recipe does to a history, item by item, against the live recipe.

This is the plain row-by-row truth; the tally must agree with it to the last item.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from optimiser.history.contract import Finding
from optimiser.history.limits import PlacedLimits, limit_column, place_limits
from optimiser.history.read import History
from optimiser.plant.file import SIDES
from optimiser.recipe.table import Recipe
from optimiser.sql import quoted, text_literal

_MISMATCH = "replaying the live recipe does not reproduce the recorded call"


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """One family's items under a recipe, in whole items.

    ``kept``, ``loosened`` and ``tightened`` count items called by both recipes, by the
    live one only, and by this one only; they are never netted. Of the loosened the labels
    are known (``loosened_defects``, ``loosened_goods``); the tightened were mostly never
    reviewed.
    """

    family: str
    items: int
    calls: int
    true_calls: int
    false_calls: int
    escapes: int
    unreviewed_calls: int
    kept: int
    loosened: int
    tightened: int
    loosened_defects: int
    loosened_goods: int
    tightened_defects: int
    tightened_goods: int

    def as_dict(self) -> dict[str, Any]:
        """Return the counts by name."""
        return asdict(self)


_COUNTS = {
    "items": "true",
    "calls": "candidate",
    "true_calls": "candidate and defect",
    "false_calls": "candidate and good",
    "escapes": "not candidate and defect",
    "unreviewed_calls": "candidate and not defect and not good",
    "kept": "candidate and live",
    "loosened": "live and not candidate",
    "tightened": "candidate and not live",
    "loosened_defects": "live and not candidate and defect",
    "loosened_goods": "live and not candidate and good",
    "tightened_defects": "candidate and not live and defect",
    "tightened_goods": "candidate and not live and good",
}


def replay(history: History, candidate: Recipe, live: Recipe) -> list[Replayed]:
    """Return what a recipe would have called, per family.

    Parameters
    ----------
    history : History
    candidate, live : Recipe

    Returns
    -------
    list of Replayed
        Sorted by family; families with items only.
    """
    limits = place_limits(history, "replay_limits", {"candidate": candidate, "live": live})
    counts = ", ".join(f"count(*) filter (where {test}) as {n}" for n, test in _COUNTS.items())
    rows = history.rows(
        f"""select family, {counts} from (
              select i.family, {limits.called("candidate")} as candidate, {limits.called("live")} as live,
                coalesce(i.verdict = 'defect', false) as defect,
                coalesce(i.verdict = 'good', false) as good
              from {limits.join()}) group by family order by family"""
    )
    return [Replayed(family=r[0], **dict(zip(_COUNTS, r[1:], strict=True))) for r in rows]


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How far replaying the live recipe reproduces the recorded calls.

    ``blamed`` counts, by family and measurement, the items that disagree; the measurement
    is the one furthest outside (replay calls, the record does not) or nearest to its limit
    (the record has a call, replay has none). ``ran`` says in how many days of a line each
    revision fits better than another; ``latest`` is the one that does on the last such day.
    """

    compared: int
    disagree: int
    compared_of: Mapping[str, int]
    blamed: Mapping[tuple[str, str], int]
    ran: Mapping[str, int]
    latest: str

    @property
    def share(self) -> float:
        """Disagreeing share of the items whose call was recorded."""
        return self.disagree / self.compared if self.compared else 0.0

    def of_family(self, family: str) -> float:
        """Return the disagreeing share of one family's own items."""
        found = sum(n for (f, _), n in self.blamed.items() if f == family)
        return found / self.compared_of[family] if self.compared_of.get(family) else 0.0


def agree(history: History, live: Recipe, earlier: Sequence[Recipe] = ()) -> Agreement:
    """Compare the replay of what was live with what the machine recorded.

    Parameters
    ----------
    history : History
    live : Recipe
    earlier : sequence of Recipe
        Revisions that may have been live before: each day of each line is held against the
        one that fits it best, the live one where none fits better.

    Returns
    -------
    Agreement
        ``compared`` is 0 where nothing was recorded.
    """
    recipes = {"live": live} | {f"past{n}": r for n, r in enumerate(earlier)}
    limits = place_limits(history, "agree_limits", recipes)
    ran = _what_ran(history, limits, recipes) if earlier else []
    join, called = "", limits.called("live")
    if earlier:
        join = "join what_ran w on w.day = i.time::date and w.line is not distinct from i.line"
        called = f"case w.tag {' '.join(f'when {text_literal(t)} then {limits.called(t)}' for t in recipes)} end"
    outside = {m: _outside(n, m, history) for n, m in enumerate(history.measurements)}
    furthest = f"greatest({', '.join(f'coalesce({sql}, -3e38::double)' for sql in outside.values())}, -3e38::double)"
    columns = ", ".join(f"{sql} as outside_{n}" for n, sql in enumerate(outside.values()))
    name = " ".join(
        f"when outside_{n} = furthest then {text_literal(m)}" for n, m in enumerate(outside)
    )
    history.rows(
        f"""create or replace temp table disagreeing as
            select i.family, {furthest} as furthest, {columns} from {limits.join()}
            {join}
            where i.called is not null and i.called <> {called}"""
    )
    compared_of = {
        str(family): int(n)
        for family, n in history.rows(
            f"select family, {history.recorded}::bigint from {history.counts} group by family"
        )
    }
    blamed = history.rows(
        f"""select family, case {name} else 'no measurement' end, count(*)
            from disagreeing group by all order by 3 desc, 1, 2"""
    )
    found = {(str(f), str(m)): int(n) for f, m, n in blamed}
    days: dict[str, int] = {}
    for tag in ran:
        days[recipes[tag].revision] = days.get(recipes[tag].revision, 0) + 1
    return Agreement(
        compared=sum(compared_of.values()),
        compared_of=compared_of,
        disagree=sum(found.values()),
        blamed=found,
        ran=days,
        latest=recipes[ran[-1]].revision if ran else live.revision,
    )


def revision_changes(
    history: History, live: Recipe, earlier: Sequence[Recipe]
) -> list[tuple[date, str | None, str]]:
    """Return from which day on a line another revision made the recorded calls.

    Parameters
    ----------
    history : History
    live : Recipe
    earlier : sequence of Recipe
        Revisions that may have been live before.

    Returns
    -------
    list of (date, line, revision)
        In order of the day; days on which all revisions fit alike change nothing.
    """
    if not earlier:
        return []
    recipes = {"live": live} | {f"past{n}": r for n, r in enumerate(earlier)}
    _what_ran(history, place_limits(history, "agree_limits", recipes), recipes)
    ran: dict[str | None, str] = {}
    found = []
    for day, line, tag in history.rows(
        "select day, line, tag from what_ran where telling order by day, line"
    ):
        revision = recipes[tag].revision
        if line in ran and ran[line] != revision:
            found.append((day, line, revision))
        ran[line] = revision
    return found


def _what_ran(history: History, limits: PlacedLimits, recipes: Mapping[str, Recipe]) -> list[str]:
    """Make the table ``what_ran``: day, line and the tag that fits best, the live one on equal fit.

    Returns the tags, day by day, where one revision fits better than another.
    """
    wrong = ", ".join(
        f"count(*) filter (where i.called is not null and i.called <> {limits.called(tag)}) as {tag}"
        for tag in recipes
    )
    least, most = (f"{which}({', '.join(recipes)})" for which in ("least", "greatest"))
    order = ["live", *reversed([t for t in recipes if t != "live"])]
    which = " ".join(f"when {tag} = {least} then {text_literal(tag)}" for tag in order)
    history.rows(
        f"""create or replace temp table what_ran as
            select day, line, case {which} end as tag, {least} < {most} as telling from (
              select i.time::date as day, i.line, {wrong} from {limits.join()} group by 1, 2)
            order by day, line"""
    )
    return [
        str(tag)
        for (tag,) in history.rows("select tag from what_ran where telling order by day, line")
    ]


def _outside(n: int, measurement: str, history: History) -> str:
    """Return SQL: how far outside its nearest limit a measurement lies, in steps."""
    known = history.plant.file.measurements[measurement]
    unit = known.step or known.repeatability or 1.0
    x = f"i.{quoted(measurement)}::double"
    low, high = (f"b.{limit_column('live', n, side)}::double" for side in SIDES)
    return f"(greatest({low} - {x}, {x} - {high}) / {unit!r})"


def agreement_findings(
    agreement: Agreement, history: History, live: Recipe, recipe_path: str
) -> list[Finding]:
    """Return the findings of a comparison: an error above the allowed share, else notes.

    Parameters
    ----------
    agreement : Agreement
    history : History
    live : Recipe
    recipe_path : str
        For the message.

    Returns
    -------
    list of Finding
    """
    if not agreement.compared:
        rule = "no recorded call: whether this recipe is what the machine ran cannot be checked"
        way = "fill the column called"
        return [Finding(level="note", rule=rule, file=recipe_path, column="called", way_out=way)]
    return _revision_notes(agreement, live, recipe_path) + _mismatch_findings(
        agreement, history, recipe_path
    )


def doubtful_families(findings: Iterable[Finding]) -> list[str]:
    """Return the families whose own recorded calls are not those of the recipe, beyond what is allowed.

    Parameters
    ----------
    findings : iterable of Finding
        Of `agreement_findings`, among others.

    Returns
    -------
    list of str
    """
    return sorted({f.value for f in findings if f.value and f.rule.startswith(_MISMATCH)})


def _revision_notes(agreement: Agreement, live: Recipe, recipe_path: str) -> list[Finding]:
    """Return a note where the latest results were called by an earlier revision."""
    if agreement.latest == live.revision:
        return []
    rule = (
        f"the latest results were called by revision {agreement.latest}; the live recipe, revision "
        f"{live.revision}, shows in {agreement.ran.get(live.revision, 0)} days of a line"
    )
    way = "put the revision on the machine, or name in plant.toml the recipe that it runs"
    return [Finding(level="note", rule=rule, file=recipe_path, column="called", way_out=way)]


def _mismatch_findings(agreement: Agreement, history: History, recipe_path: str) -> list[Finding]:
    """Return what no revision explains: an error above the allowed share, else notes."""
    allowed = history.plant.file.rails.mismatch_share
    level = "error" if agreement.share > allowed else "note"
    return [
        Finding(
            level=level,  # type: ignore[arg-type]
            rule=(
                f"{_MISMATCH} of {family}, "
                f"{measurement} ({agreement.of_family(family):.2%} of the family's items disagree and "
                f"{agreement.share:.2%} of all, {allowed:.2%} allowed)"
            ),
            file=recipe_path,
            column=measurement,
            value=family if agreement.of_family(family) > allowed else None,
            count=count,
            way_out="give the recipe that the machine ran in this history",
        )
        for (family, measurement), count in agreement.blamed.items()
    ]
