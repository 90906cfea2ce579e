"""A button that hands a text to the browser as a file; nothing is written beside the plant."""

from collections.abc import Callable
from typing import Any

import anywidget
import pandas as pd
import traitlets

from optimiser.values import cell

_SCRIPT = """
function render({ model, el }) {
  const button = document.createElement("button");
  button.className = "jupyter-button widget-button opt-download";
  button.title = "every row, also those that the table does not show";
  let wanted = 0;
  const show = () => { button.textContent = model.get("words"); };
  show();
  model.on("change:words", show);
  button.addEventListener("click", () => { wanted += 1; model.send({ want: true }); });
  model.on("msg:custom", (message) => {
    if (!wanted || message.text === undefined) return;
    wanted -= 1;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([message.text], { type: "text/csv;charset=utf-8" }));
    link.download = message.name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });
  el.append(button);
}
export default { render };
"""


class Download(anywidget.AnyWidget):
    """A button that saves what it is given, made when it is pressed.

    Parameters
    ----------
    name : str
        Of the file.
    make : callable
        Returns the text.
    words : str
        On the button.
    """

    _esm = _SCRIPT
    words = traitlets.Unicode("Save as CSV").tag(sync=True)

    def __init__(self, name: str, make: Callable[[], str], *, words: str = "Save as CSV") -> None:
        super().__init__(words=words)
        self._name, self._make = name, make
        self.on_msg(self._asked)

    def _asked(self, _widget: object, content: Any, _buffers: object) -> None:  # noqa: ANN401
        if isinstance(content, dict) and content.get("want"):
            self.send({"name": self._name, "text": self._make()})


def csv_text(frame: pd.DataFrame) -> str:
    """Return a frame as CSV in which no cell begins a formula.

    Parameters
    ----------
    frame : DataFrame

    Returns
    -------
    str
        With a head; missing values are blank, numbers have all their digits.
    """
    guarded = frame.rename(columns=lambda name: cell(str(name)))
    for column in guarded.columns:
        if not pd.api.types.is_numeric_dtype(guarded[column]):
            guarded[column] = [
                value if pd.isna(value) else cell(str(value)) for value in guarded[column]
            ]
    return str(guarded.to_csv(index=False, lineterminator="\r\n"))
