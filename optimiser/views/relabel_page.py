"""The printed sheet of a second look: rows with boxes to tick, no script, no network.

Whoever looks is not told how likely a label is misread, nor what hangs on it: a second look that
knows what is hoped for is no second look. The figures stand in the terminal and in the CSV sheet.
"""

from collections.abc import Sequence
from html import escape

from optimiser.caution import CAUTION
from optimiser.plant.file import Plant
from optimiser.proposal.relabel import Relabel
from optimiser.views.relabel_tables import HEAD, label_cells

MARK = '<body data-sheet="second look">'
_WORDS = 8
STYLE = """
* { box-sizing: border-box; }
body { font: 13px/1.4 system-ui, "DejaVu Sans", sans-serif; color: #000; background: #fff;
  margin: 0 auto; padding: 20px 24px; max-width: 1240px; font-variant-numeric: tabular-nums; }
h1 { font-size: 18px; margin: 0 0 2px; } p { margin: 3px 0; max-width: 110ch; }
table { border-collapse: collapse; width: 100%; margin: 10px 0; }
th { text-align: right; font-weight: 600; border-bottom: 1.5px solid #000; padding: 3px 7px 3px 0;
  vertical-align: bottom; }
td { text-align: right; border-bottom: 1px solid #999; padding: 5px 7px 5px 0; vertical-align: top; }
th.w, td.w { text-align: left; } td.k { white-space: nowrap; }
td.tick, th.tick { text-align: center; padding: 5px 10px; white-space: nowrap; }
.box { display: inline-block; width: 14px; height: 14px; border: 1.5px solid #000; }
.blank { min-width: 220px; } .who { display: inline-block; min-width: 190px;
  border-bottom: 1px solid #000; margin: 0 14px 0 4px; }
.caution { border: 1px solid #000; padding: 6px 10px; margin-top: 14px; max-width: none; }
.wide { overflow-x: auto; }
@page { size: A4 landscape; margin: 10mm; }
@media print { body { padding: 0; max-width: none; font-size: 10px; } .wide { overflow: visible; }
  thead { display: table-header-group; } tr, .caution { break-inside: avoid; } .blank { min-width: 170px; } }
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
        HTML, readable in black and white; without the figures that might sway who looks.
    """
    site = plant.file.plant
    rows = "".join(_row(label_cells(row)[:_WORDS]) for row in found.rows)
    ticks = '<th class="tick">defect</th><th class="tick">good</th><th class="w blank">note</th>'
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(site.name)}: labels worth a second look</title>"
        f"<style>{STYLE}</style></head>\n{MARK}\n"
        f"<h1>{escape(site.name)}: labels worth a second look</h1>"
        "<p>One reviewer called each of these a defect. Look at each anew, with the part or its picture "
        "before you, and tick what it is. Their order says nothing of how bad they look. In doubt leave "
        "both boxes blank: it stays a defect.</p>"
        '<p>by <span class="who">&nbsp;</span> date <span class="who">&nbsp;</span></p>'
        f'<div class="wide"><table><thead><tr>{_cells("th", HEAD[:_WORDS])}{ticks}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
        f"<p>Type the ticks into verdict_again, by and note of <strong>{escape(sheet)}</strong>, row by "
        f"row by the number in front, then: optimiser relabel PLANT --read {escape(sheet)}.</p>"
        f'<p class="caution">{escape(CAUTION)}</p>\n</body></html>\n'
    )


def _row(cells: Sequence[str]) -> str:
    box = '<td class="tick"><span class="box"></span></td>'
    return f'<tr>{_cells("td", cells)}{box}{box}<td class="blank"></td></tr>'


def _cells(tag: str, cells: Sequence[str]) -> str:
    """Return cells of words; what a person copies is not broken over two lines."""
    kinds = ["w k" if n < 6 else "w" for n in range(len(cells))]
    return "".join(
        f'<{tag} class="{kind}">{escape(cell)}</{tag}>'
        for kind, cell in zip(kinds, cells, strict=True)
    )
