"""Count what inspection and test found, as two channels."""

from optimiser.evidence.two_channels import Channels
from optimiser.history.read import History


def count_channels(history: History) -> list[Channels]:
    """Count the defects that inspection and test found, by type of defect.

    Inspection found what a reviewer called a defect; test what ``found_by`` says, in the
    results or in the verdicts that arrived later, where one item may have both.

    Parameters
    ----------
    history : History

    Returns
    -------
    list of Channels
        Sorted by type; untyped defects last.
    """
    told = "union all select file, row, verdict, defect, found_by from told_before"
    found = f"""select file, row, verdict, defect, found_by from recorded
                {told if history.plant.file.plant.verdicts is not None else ""}"""
    rows = history.rows(
        f"""select coalesce(defect, 'no type'), count(*) filter (review), count(*) filter (test),
              count(*) filter (review and test)
            from (select max(defect) as defect, bool_or(found_by = 'review') as review,
                    bool_or(found_by = 'test') as test
                  from ({found}) where verdict = 'defect' and found_by in ('review', 'test')
                  group by file, row)
            group by defect order by defect nulls last"""
    )
    return [Channels(defect=r[0], inspection=r[1], test=r[2], both=r[3]) for r in rows]
