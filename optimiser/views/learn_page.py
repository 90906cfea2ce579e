"""The sheets of a list of looks as one page to print: a table each, no script, no network.

What might sway whoever looks (chances, what hangs on a row) is left out; it stands in the CSV.
"""

import csv
import io
from collections.abc import Sequence
from html import escape

from optimiser.caution import CAUTION
from optimiser.plant.file import Plant
from optimiser.proposal.learn_record import Listed
from optimiser.values import of_cell
from optimiser.views.relabel_page import STYLE

HIDDEN = frozenset(
    # The heading says the family and who looks; a board and a designator find the item.
    (
        *("family", "stage", "product", "line", "by", "stratum", "stratum_items", "stratum_picked"),
        *(
            "chance_misread",
            "false_calls_held",
            "worth_a_month",
            "verdict_before",
            "mark",
            "weight",
        ),
    )
)
_STYLE = "section + section { break-before: page; } td.blank { min-width: 60px; } tbody tr { height: 27px; }"
TASKS = {
    "second look": "One reviewer called each of these a defect. Look at each anew and write defect or good; "
    "in doubt leave it blank: it stays a defect.",
    "audit": "These items passed. Inspect each and write defect, good, or gone where the board is not at hand.",
    "repeat": "Measure every part anew each time, taken out and put in again, round after round.",
    "gather": "Write down every defect of this family that test, audit or the field finds: board and "
    "designator as on the board, found_by test, audit or field, and your name.",
}


def learn_page(listed: Sequence[Listed], texts: Sequence[str], plant: Plant) -> str:
    """Return the page to print.

    Parameters
    ----------
    listed : sequence of Listed
    texts : sequence of str
        Each sheet's CSV.
    plant : Plant

    Returns
    -------
    str
        HTML, readable in black and white.
    """
    name = escape(plant.file.plant.name)
    parts = "".join(
        _sheet(n, of, text) for n, (of, text) in enumerate(zip(listed, texts, strict=True), start=1)
    )
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{name}: what to look at</title>"
        f"<style>{STYLE}{_STYLE}</style>"
        f'</head>\n<body data-sheet="learn">\n<h1>{name}: what to look at</h1>{parts}'
        f'<p class="caution">{escape(CAUTION)}</p>\n</body></html>\n'
    )


def _sheet(n: int, of: Listed, text: str) -> str:
    """Return one sheet as a section: its task, its rows, where it is typed in."""
    rows = list(csv.DictReader(io.StringIO(text)))
    columns = [c for c in (rows[0] if rows else ()) if c not in HIDDEN]
    head = "".join(f'<th class="w">{escape(of_cell(c).replace("_", " "))}</th>' for c in columns)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td class="w k">{escape(of_cell(row[c]))}</td>'
            if row[c]
            else '<td class="blank"></td>'
            for c in columns
        )
        + "</tr>"
        for row in rows
    )
    about = escape(" ".join(x for x in (of.look.family, of.look.measurement) if x))
    return (
        f"<section><h2>{n}. {escape(of.look.kind)}: {about}</h2><p>{escape(TASKS[of.look.kind])}</p>"
        '<p>by <span class="who">&nbsp;</span> date <span class="who">&nbsp;</span></p>'
        f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'
        f"<p>Type it into <strong>{escape(of.sheet)}</strong>, row by row.</p></section>"
    )
