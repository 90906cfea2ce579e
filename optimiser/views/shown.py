"""A result in a notebook: plain words everywhere, a table and a picture where they can be drawn.

The table survives a copy that nobody trusts and a notebook without a kernel; so does the
picture, which needs neither network nor scripts.
"""

import base64
import json
from html import escape
from typing import Any

import pandas as pd
import vl_convert

from optimiser.views.charts import GREY, INK
from optimiser.views.drawing import alt

# The converter knows versions by their first two numbers.
VEGA_LITE = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])


def picture(chart: alt.TopLevelMixin, *, scale: float = 1.0) -> bytes:
    """Return a chart as PNG for a page of any ground, drawn without a browser or a network.

    Parameters
    ----------
    chart : altair chart
    scale : float

    Returns
    -------
    bytes
        Without a ground of its own; what is black on white has the one grey that is read on
        black as well, for a picture cannot follow a page's theme.
    """
    spec = _with_inks(chart.to_dict())
    return bytes(vl_convert.vegalite_to_png(spec, vl_version=VEGA_LITE, scale=scale))


def _with_inks(spec: dict[str, Any]) -> dict[str, Any]:
    """Return a specification whose words, axes and black marks are grey, on no ground."""
    words = {"labelColor": GREY, "titleColor": GREY}
    lines = {"domainColor": GREY, "tickColor": GREY, "gridColor": GREY, "gridOpacity": 0.25}
    config: dict[str, dict[str, Any]] = {
        "axis": {**words, **lines},
        "legend": words,
        "header": words,
        "title": {"color": GREY, "subtitleColor": GREY},
        "text": {"color": GREY},
    }
    drawn: dict[str, Any] = json.loads(json.dumps(spec).replace(f'"{INK}"', f'"{GREY}"'))
    own: dict[str, Any] = drawn.get("config", {})
    for name, inks in config.items():
        own[name] = {**inks, **own.get(name, {})}
    own["view"] = {**own.get("view", {}), "stroke": None}
    return {**drawn, "background": None, "config": {**own, "background": None}}


def svg(chart: alt.TopLevelMixin) -> str:
    """Return a chart as SVG, drawn without a browser or a network."""
    return str(vl_convert.vegalite_to_svg(chart.to_dict(), vl_version=VEGA_LITE))


class Shown:
    """A table with its note and, where there is one, its drawing.

    Parameters
    ----------
    title : str
    frame : DataFrame
    note : str
        From how much, and what it does not say.
    chart : altair chart, optional
        Of that table; the user's to restyle.
    """

    def __init__(
        self, title: str, frame: pd.DataFrame, note: str, chart: alt.TopLevelMixin | None = None
    ) -> None:
        self.title, self.frame, self.note, self.chart = title, frame, note, chart

    def __repr__(self) -> str:
        return f"<{self.title}: {len(self.frame)} rows>\n{self.frame.to_string()}\n{self.note}"

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        """Return words, table and picture."""
        found = {"text/plain": repr(self)}
        drawn = ""
        if self.chart is not None:
            png = base64.b64encode(picture(self.chart)).decode()
            found["image/png"] = png
            drawn = f'<img alt="{escape(self.title)}" src="data:image/png;base64,{png}">'
        found["text/html"] = (
            f"<h4>{escape(self.title)}</h4>{drawn}{self.frame.to_html(na_rep='', border=0)}"
            f"<p>{escape(self.note)}</p>"
        )
        return found
