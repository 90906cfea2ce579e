"""Drawings that a person clicks and Python moves; what draws them reaches a page once.

Altair's own live chart carries the whole script, 0.9 MB, in every drawing: sent, parsed and
kept each time a family is shown. Here one widget carries it, and drawings name that widget.
"""

import hashlib
import threading
from typing import Any

import anywidget
import ipywidgets as widgets
import traitlets

from optimiser.views.drawing import Spec, alt, drawing_script, unchecked

__all__ = ["LiveChart", "carry_script", "live_chart"]

# A page keeps each version it was sent, by its hash: a notebook that is run again, a second view
# and another panel draw with what is there, and a newer version is another entry.
_KEPT = """
const kept = (globalThis[Symbol.for("optimiser.drawing")] ??= new Map());
function drawing(carrier) {
  const hash = carrier.get("hash");
  if (!kept.has(hash)) {
    const url = URL.createObjectURL(new Blob([carrier.get("script")], { type: "text/javascript" }));
    const found = import(url).finally(() => URL.revokeObjectURL(url));
    found.catch(() => kept.delete(hash));
    kept.set(hash, found);
  }
  return kept.get(hash);
}
"""
# Ready before the first drawing comes; what fails here fails there again, and is said there.
_CARRY = (
    f"{_KEPT}export default {{ initialize({{ model }}) {{ drawing(model).catch(() => {{}}); }} }};"
)
_DRAW = (
    _KEPT
    + """
export default {
  async render({ model, el, host }) {
    const { default: whole } = await drawing(await host.getModel(model.get("carrier")));
    return whole.render({ model, el });
  },
};
"""
)
_one_at_a_time = threading.Lock()


class Carrier(anywidget.AnyWidget):
    """Has nothing to show: brings the script that draws to a page.

    Parameters
    ----------
    script : str
        A module of JavaScript that exports what renders a live chart of Altair.
    """

    _esm = _CARRY
    script = traitlets.Unicode().tag(sync=True)
    hash = traitlets.Unicode().tag(sync=True)

    def __init__(self, script: str) -> None:
        super().__init__(script=script, hash=hashlib.sha256(script.encode()).hexdigest())


class LiveChart(alt.JupyterChart):
    """Altair's live chart, drawn by the script that a carrier brought."""

    _esm = _DRAW
    carrier = anywidget.WidgetTrait().tag(sync=True)

    @traitlets.observe("chart")
    def _on_change_chart(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        """Send a drawing as it is: tests hold each against the schema, which nobody waits for."""
        with unchecked():
            super()._on_change_chart(change)


_carriers: list[Carrier] = []


def carry_script() -> Carrier:
    """Return what brings the script to this kernel's pages; made once, and again where it was closed.

    It belongs to the kernel and not to a plant: pages that open later find it among the kernel's
    widgets, as they find the drawings.
    """
    with _one_at_a_time:
        if not _carriers or _carriers[-1].comm is None:
            _carriers[:] = [Carrier(drawing_script())]
        return _carriers[-1]


def live_chart(
    chart: alt.LayerChart | alt.ConcatChart | Spec, *, height: int, wait: int = 30
) -> LiveChart:
    """Return a chart whose parameters Python can move, drawn without any network.

    Its menu saves it as a picture; ``wait`` milliseconds pass until what is drawn on it is told.
    """
    actions: dict[str, Any] = {"export": True, "source": False, "compiled": False, "editor": False}
    return LiveChart(
        chart,
        carrier=carry_script(),
        debounce_wait=wait,
        embed_options={"renderer": "svg", "actions": actions},
        # Without it the page jumps while the chart is drawn.
        layout=widgets.Layout(min_height=f"{height}px"),
    )
