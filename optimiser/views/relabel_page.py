"""The printed sheet of a second look: one page of rows with boxes to tick, no script, no network."""

from collections.abc import Sequence
from html import escape

from optimiser.decision.proposal import CAUTION
from optimiser.decision.relabel import Relabel
from optimiser.plant.file import Plant
from optimiser.views.relabel_tables import HEAD, HOPEFUL, label_cells, worth_cells

MARK = '<body data-sheet="second look">'
_WORDS = 8
_STYLE = """
* { box-sizing: border-box; }
body { font: 13px/1.4 system-ui, "DejaVu Sans", sans-serif; color: #000; background: #fff;
  margin: 0 auto; padding: 20px 24px; max-width: 1240px; font-variant-numeric: tabular-nums; }
h1 { font-size: 18px; margin: 0 0 2px; } p { margin: 3px 0; max-width: 110ch; }
table { border-collapse: collapse; width: 100%; margin: 10px 0; }
table.worth { width: auto; }
th { text-align: right; font-weight: 600; border-bottom: 1.5px solid #000; padding: 3px 7px 3px 0;
  vertical-align: bottom; }
td { text-align: right; border-bottom: 1px solid #999; padding: 5px 7px 5px 0; vertical-align: top; }
th.w, td.w { text-align: left; } td.k { white-space: nowrap; }
td.tick, th.tick { text-align: center; padding-right: 4px; white-space: nowrap; }
.box { display: inline-block; width: 14px; height: 14px; border: 1.5px solid #000; }
.blank { min-width: 120px; } .who { display: inline-block; min-width: 190px;
  border-bottom: 1px solid #000; margin: 0 14px 0 4px; }
.caution { border: 1px solid #000; padding: 6px 10px; margin-top: 14px; max-width: none; }
.wide { overflow-x: auto; }
@page { size: A4 landscape; margin: 10mm; }
@media print { body { padding: 0; max-width: none; font-size: 10px; } .wide { overflow: visible; }
  thead { display: table-header-group; } tr, .caution { break-inside: avoid; } .blank { min-width: 90px; } }
"""


def relabel_page(found: Relabel, plant: Plant, *, sheet: str) -> str:
    """Return the page to print.

    Parameters
    ----------
    found : Relabel
    plant : Plant
    sheet : str
        Name of the CSV sheet into which the ticks are typed.

    Returns
    -------
    str
        HTML, readable in black and white.
    """
    site = plant.file.plant
    head = (*HEAD[:-1], f"{site.currency} a month")
    rows = "".join(_row(label_cells(row)) for row in found.rows)
    ticks = '<th class="tick">defect</th><th class="tick">good</th><th class="w">note</th>'
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(site.name)}: labels worth a second look</title>"
        f"<style>{_STYLE}</style></head>\n{MARK}\n"
        f"<h1>{escape(site.name)}: labels worth a second look</h1>"
        "<p>One reviewer called each of these a defect. Look again, with the part or its picture before "
        "you, and tick what it is. Each row is ranked by what it holds, not by how bad it looks; most "
        "of them may well be defects.</p>"
        '<p>by <span class="who">&nbsp;</span> date <span class="who">&nbsp;</span></p>'
        f'<div class="wide"><table><thead><tr>{_cells("th", head)}{ticks}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
        f"<p>Type the ticks into verdict_again, by and note of <strong>{escape(sheet)}</strong>, row by "
        f"row by the number in front, then: optimiser relabel PLANT --read {escape(sheet)}. A row left "
        "blank stays a defect.</p>"
        f"{_worth(found, site.currency)}<p>{escape(HOPEFUL)} misread: chance that the label is a good "
        "that was misread; holds: false calls over the history that go if it is.</p>"
        f'<p class="caution">{escape(CAUTION)}</p>\n</body></html>\n'
    )


def _worth(found: Relabel, currency: str) -> str:
    head = ("rows", "minutes", "misread", "false calls fewer", f"{currency} a month")
    body = "".join(
        f"<tr>{_cells('td', worth_cells(w, rows=len(found.rows)), words=1)}</tr>"
        for w in found.worth
    )
    return (
        f'<table class="worth"><thead><tr>{_cells("th", head, words=1)}</tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )


def _row(cells: Sequence[str]) -> str:
    box = '<td class="tick"><span class="box"></span></td>'
    return f'<tr>{_cells("td", cells)}{box}{box}<td class="blank"></td></tr>'


def _cells(tag: str, cells: Sequence[str], *, words: int = _WORDS) -> str:
    """Return cells; the first is a number that a person types, then come words, then numbers."""
    kinds = ["w k" if n < min(words, 6) else "w" if n < words else "" for n in range(len(cells))]
    return "".join(
        f'<{tag} class="{kind}">{escape(cell)}</{tag}>'
        for kind, cell in zip(kinds, cells, strict=True)
    )
