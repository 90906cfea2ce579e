"""What later stages say of earlier items: a joint that was a real defect labels the deposit it stood on.

Only links are used that `history/links.py` believes. A label stands in the earlier item's own lot, says
at which stage and how long after it was found, and stands for the defects of its kind that could not
be known: those that the later stage did not see, and those that could not be linked.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from optimiser.files import writing_whole
from optimiser.history.contract import KEY
from optimiser.history.links import MISSING, REASONS, Links
from optimiser.history.read import History
from optimiser.history.sheet import TIME_FORMAT
from optimiser.history.verdicts import LATER_STAGE, LATER_STAGES_FILE
from optimiser.sql import text_literal

SAW_MOST = 0.5
"""Share of a family's items that a stage must have seen for its silence to make a called item a good."""

COLUMNS = (*KEY, "verdict", "defect", "found_by", "weight", "found_at", "hours_after")


@dataclass(frozen=True, slots=True, kw_only=True)
class LaterLabels:
    """What later stages say of one family's items at an earlier one.

    Attributes
    ----------
    stage, family : str
        Of the earlier items.
    found_at : str
        The later stage that said so first.
    defects, goods : int
        Items that it makes labelled defects; called items that nobody judged and that it makes goods.
    reviewed_good : int
        Of the defects those that review had found good at the earlier stage.
    known : int
        Further ones that were labelled defects at the earlier stage already; they keep their verdict.
    weight : float
        How many defects one of these labels stands for, >= 1, on average.
    hours : tuple of float
        Delay from the item to the first word of a defect: median, nine tenths.
    """

    stage: str
    family: str
    found_at: str
    defects: int
    goods: int
    reviewed_good: int
    known: int
    weight: float
    hours: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlinked:
    """How many defects of a later stage could not be followed back to an earlier one.

    Attributes
    ----------
    stage, found_at : str
        Earlier and later stage.
    defects, missing, ambiguous : int
        Labelled at the later stage; those without an item at the earlier one, and those whose item
        is not certain.
    """

    stage: str
    found_at: str
    defects: int
    missing: int
    ambiguous: int

    @property
    def share(self) -> float:
        """Share of the defects that could not be linked, 0..1."""
        return (self.missing + self.ambiguous) / self.defects if self.defects else 0.0


def label_earlier(history: History, links: Links) -> tuple[LaterLabels, ...]:
    """Return what later stages say of earlier items.

    Parameters
    ----------
    history : History
        After `link_stages`.
    links : Links

    Returns
    -------
    tuple of LaterLabels

    Notes
    -----
    Makes the temporary table ``later``: ``stop, found_at`` (place in ``line.stages``)``, bad, defect, hours,
    weight`` of every item of which a linked later item is a labelled defect, or which was called and
    turned out good: nobody judged it, every linked later item passed or was found good, and one of
    them stands at the furthest stage that saw at least SAW_MOST of the family.

    A label's weight is the inverse of the chance that it could be known: of the family's items (called
    and passed ones apart) the share that the later stage inspected too, times the share of the later
    stage's defects with an item here that could be linked to it; times what the later label stands
    for itself (an audited one, one that test found of ``labels.test_coverage``).
    """
    stages = history.plant.file.line.stages
    coverage = history.plant.file.labels.test_coverage
    _make_chances(history)
    furthest = " or ".join(
        f"(s.family = {text_literal(family)} and s.step = {stages.index(stage)} "
        f"and l.other = {stages.index(other)})"
        for (stage, family), other in _furthest(links).items()
    )
    history.rows(
        f"""create or replace temp table later as
            with seen as (
              select l.earlier as stop, l.other, b.time, b.verdict = 'defect' as bad, b.defect,
                coalesce(b.verdict = 'good' or (b.verdict is null and not coalesce(b.called, false)), false)
                  as good, {furthest or "false"} as far,
                case when coalesce(b.called, false) then 1.0 when b.found_by = 'test' then {1 / coverage!r}
                  when b.found_by = 'audit' then b.weight else 1.0 end as own
              from links l join stops b on b.rowid = l.later join stops s on s.rowid = l.earlier),
            first as (
              select stop, arg_min({{'at_step': other, 'defect': defect, 'time': time, 'own': own}},
                         (other, time, defect)) as of
              from seen where bad group by stop),
            bad as (
              select f.stop, f.of.at_step as found_at, true as bad, f.of.defect as defect,
                epoch(f.of.time - s.time) / 3600 as hours, f.of.own / c.chance as weight
              from first f join stops s on s.rowid = f.stop
              join chances c on c.step = s.step and c.other = f.of.at_step and c.family = s.family
                and c.called = coalesce(s.called, false)),
            good as (
              select stop, max(other) as found_at, false as bad, null as defect, null::double as hours,
                1.0 as weight
              from seen join stops s on s.rowid = seen.stop where s.called and s.verdict is null
              group by stop having bool_and(seen.good) and bool_or(far))
            from bad union all from good"""
    )
    return tuple(
        LaterLabels(
            stage=stages[at],
            family=family,
            found_at=stages[found],
            defects=int(defects),
            goods=int(goods),
            reviewed_good=int(reviewed),
            known=int(known),
            weight=float(weight or 1.0),
            hours=(float(median or 0.0), float(most or 0.0)),
        )
        for at, family, found, defects, goods, reviewed, known, weight, median, most in history.rows(
            """select s.step, s.family, l.found_at,
                 count(*) filter (where l.bad and s.verdict is distinct from 'defect'),
                 count(*) filter (where not l.bad),
                 count(*) filter (where l.bad and s.verdict = 'good'),
                 count(*) filter (where l.bad and s.verdict = 'defect'),
                 avg(l.weight) filter (where l.bad and s.verdict is distinct from 'defect'),
                 quantile_cont(l.hours, 0.5), quantile_cont(l.hours, 0.9)
               from later l join stops s on s.rowid = l.stop group by all order by all"""
        )
    )


def _make_chances(history: History) -> None:
    """Make ``chances``: of which share of its defects a family could learn from a later stage."""
    # Pins on one side only is a matter of a family and not of its defects: it has no key to link by.
    without = (*MISSING, "pins on one side only")
    missing = ", ".join(str(REASONS.index(reason)) for reason in without)
    history.rows(
        f"""create or replace temp table chances as
            with pairs as (select distinct step, other from links),
            met as (
              select s.step, p.other, s.family, coalesce(s.called, false) as called,
                1 - count(*) filter (where n.reason in ({missing})) / count(*) as share
              from stops s join pairs p using (step)
              left join not_linked n on n.stop = s.rowid and n.other = p.other group by all),
            led as (
              select p.step, p.other, count(*) filter (where n.reason is null) as linked,
                count(*) filter (where n.reason is null or n.reason not in ({missing})) as present
              from pairs p join stops b on b.step = p.other and b.verdict = 'defect'
              left join not_linked n on n.stop = b.rowid and n.other = p.step group by all)
            select m.step, m.other, m.family, m.called, m.share * l.linked / l.present as chance
            from met m join led l using (step, other) where m.share > 0 and l.linked > 0"""
    )


def _furthest(links: Links) -> Mapping[tuple[str, str], str]:
    """Return by stage and family the last later stage that saw at least SAW_MOST of the items."""
    every: Counter[tuple[str, str, str]] = Counter()
    linked: Counter[tuple[str, str, str]] = Counter()
    for count in links.counts:
        key = (count.stage, count.family, count.other)
        every[key] += count.items
        linked[key] += count.items if count.reason == "linked" else 0
    order = {stage: n for n, stage in enumerate(links.stages)}
    seen = [
        key
        for key, items in linked.items()
        if order[key[2]] > order[key[0]] and items and items >= SAW_MOST * every[key]
    ]
    # Of several the last in the order of the line stands.
    return {key[:2]: key[2] for key in sorted(seen, key=lambda key: order[key[2]])}


def unlinked_defects(history: History, links: Links) -> tuple[Unlinked, ...]:
    """Return which share of each later stage's defects could not be followed back.

    Parameters
    ----------
    history : History
        After `link_stages`.
    links : Links

    Returns
    -------
    tuple of Unlinked
        Of every pair of stages of which the later one has labelled defects.
    """
    stages = history.plant.file.line.stages
    missing = ", ".join(str(REASONS.index(reason)) for reason in MISSING)
    rows = history.rows(
        f"""select e.step, b.step, count(*), count(*) filter (where n.reason in ({missing})),
              count(*) filter (where n.reason not in ({missing}))
            from stops b join (select distinct step from stops) e on e.step < b.step
            left join not_linked n on n.stop = b.rowid and n.other = e.step
            where b.verdict = 'defect' group by all order by all"""
    )
    return tuple(
        Unlinked(
            stage=stages[at],
            found_at=stages[other],
            defects=int(defects),
            missing=int(without),
            ambiguous=int(ambiguous),
        )
        for at, other, defects, without, ambiguous in rows
        if stages[at] in links.stages
    )


def write_labels(history: History, folder: Path) -> tuple[Path, int]:
    """Write what later stages say into the plant's folder of verdicts, over what they said before.

    Parameters
    ----------
    history : History
        After `label_earlier`.
    folder : Path
        Made when missing.

    Returns
    -------
    path : Path
    labels : int
        Rows written. A verdict of an item's own stands over any of these (`history/verdicts.py`).
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / LATER_STAGES_FILE
    stages = ", ".join(text_literal(s) for s in history.plant.file.line.stages)
    told = history.connection.execute(
        f"""select [{stages}][s.step + 1] as stage, s.board, s.designator, s.shown_pin as pin,
              strftime(s.time, '{TIME_FORMAT}') as time, if(l.bad, 'defect', 'good') as verdict,
              nullif(l.defect, '') as defect, {text_literal(LATER_STAGE)} as found_by, l.weight,
              [{stages}][l.found_at + 1] as found_at, round(l.hours, 3) as hours_after
            from later l join stops s on s.rowid = l.stop
            where s.verdict is distinct from 'defect'
            order by s.step, s.time, s.board, s.designator, s.pin"""
    ).df()
    with writing_whole(path) as file:
        file.write(told.to_csv(index=False, columns=list(COLUMNS)).encode())
    return path, len(told)
