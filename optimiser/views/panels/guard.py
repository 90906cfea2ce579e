"""An invisible widget that keeps a panel safe in a browser, and carries its style.

What goes wrong with panels in JupyterLab is put right here:

- Lab's command keys reach a focused button: ``d d`` would delete the cell with the panel.
  Lab leaves keys alone whose target has ``data-lm-suppress-shortcuts``, so whatever gets the
  focus inside a panel is given it.
- After a kernel is gone the panel stays on the screen with old figures. Every use of a
  control sends a number; where no answer comes within a few seconds, a banner says so.
- While another family is on its way the panel greys from the very click on, says so to screen
  readers (``aria-busy``), and no verdict can be pressed, until the kernel has shown all of it.
- A slider is named after its row, for screen readers.
- Drawings are in the theme's own inks, dark ones too.
- A panel on a phone says so, so that drawings are made for its width.
- A button that decides shows *sending* until Python has answered; without an answer it says
  that nothing is known to be saved.
"""

from typing import Any

import anywidget
import traitlets

PATIENCE_MS = 4000
# Less than a desk's window beside its side bars; more than any phone.
NARROW_PX = 560

_SCRIPT = """
function render({ model, el }) {
  const patience = model.get("patience");
  const abort = new AbortController();
  const on = (kind, act) => document.addEventListener(kind, act, { capture: true, signal: abort.signal });
  const mine = (node) => {
    const panel = node.closest && node.closest(".opt-panel");
    return panel && panel.contains(el) ? panel : null;
  };
  el.classList.add("opt-banner");
  el.setAttribute("role", "status");
  const words = document.createElement("span");
  el.append(words);
  let sent = 0, answered = 0, timer = null;

  const shield = (node) => node.setAttribute("data-lm-suppress-shortcuts", "true");
  on("focusin", (event) => { if (mine(event.target)) shield(event.target); });
  on("pointerdown", (event) => {
    const panel = mine(event.target);
    if (!panel) return;
    const control = event.target.closest("button, input, select, textarea, [tabindex]");
    if (control && control !== panel && panel.contains(control)) return;
    panel.tabIndex = -1;
    shield(panel);
    setTimeout(() => panel.focus({ preventScroll: true }));
  });

  // Sliders and fields without words of their own are named by their row.
  const name = () => {
    const panel = el.closest(".opt-panel");
    if (!panel) return;
    for (const row of panel.querySelectorAll(".opt-row")) {
      const said = row.querySelector(".opt-name");
      if (!said) continue;
      for (const node of row.querySelectorAll(".noUi-handle, input")) {
        if (node.getAttribute("aria-label") !== said.textContent) {
          node.setAttribute("aria-label", said.textContent);
        }
      }
    }
  };
  let naming = false;
  const look = new MutationObserver(() => {
    if (naming) return;
    naming = true;
    setTimeout(() => { naming = false; name(); }, 200);
  });
  setTimeout(() => {
    const panel = el.closest(".opt-panel");
    if (panel) { look.observe(panel, { childList: true, subtree: true }); name(); }
  });

  // Grey at once, and until the kernel has said begin and end.
  const grey = (on) => {
    const panel = el.closest(".opt-panel");
    if (!panel) return;
    panel.classList.toggle("opt-busy", on);
    panel.setAttribute("aria-busy", on ? "true" : "false");
  };
  const show = () => {
    const doing = model.get("busy");
    words.textContent = doing;
    if (doing) { grey(true); return; }
    // What was sent before the end is drawn by then.
    requestAnimationFrame(() => requestAnimationFrame(() => { if (!model.get("busy")) grey(false); }));
  };
  model.on("change:busy", show);
  setTimeout(show);

  // Narrow or wide: Python draws for it. A view that is not on the screen says nothing.
  const wide = new ResizeObserver(() => {
    const panel = el.closest(".opt-panel");
    if (!panel || panel.clientWidth < 1) return;
    const narrow = panel.clientWidth < model.get("narrow_px");
    if (narrow === model.get("narrow")) return;
    model.set("narrow", narrow);
    model.save_changes();
  });
  setTimeout(() => { const panel = el.closest(".opt-panel"); if (panel) wide.observe(panel); });

  const gone = () => {
    words.textContent = "The kernel is busy or gone: figures on this panel may be old. "
      + "If this stays, run the notebook again.";
  };
  const ask = () => {
    sent += 1;
    clearTimeout(timer);
    timer = setTimeout(() => { if (answered < sent) gone(); }, patience);
    try { model.send({ ping: sent }); } catch (error) { gone(); }
  };
  model.on("msg:custom", (message) => {
    if (message.pong) { answered = Math.max(answered, message.pong); }
    // What was greyed for is known to the kernel by now: it works on it, or it was nothing new.
    if (answered >= sent) { show(); }
  });
  on("change", (event) => {
    const panel = mine(event.target);
    if (!panel) return;
    if (event.target.closest(".opt-families")) grey(true);
    ask();
  });
  on("click", (event) => {
    const panel = mine(event.target);
    if (!panel) return;
    const button = event.target.closest(".opt-verdicts button");
    if (button && panel.classList.contains("opt-busy")) {
      event.stopImmediatePropagation();
      event.preventDefault();
      return;
    }
    ask();
    if (!button || button.disabled) return;
    const place = panel.querySelector(".opt-status .widget-html-content");
    if (!place) return;
    const waiting = "Sending to the kernel …";
    place.textContent = waiting;
    setTimeout(() => {
      if (place.textContent === waiting) {
        place.textContent = "Not confirmed: the kernel is busy or gone. Nothing is known to be "
          + "saved; run the notebook again and look at the ledger.";
      }
    }, patience);
  });
  return () => { abort.abort(); look.disconnect(); wide.disconnect(); clearTimeout(timer); };
}
export default { render };
"""

_STYLE = """
.opt-panel { --opt-ink: var(--jp-ui-font-color1, #1c1c1c); --opt-soft: var(--jp-ui-font-color2, #5f5f5f);
  --opt-line: var(--jp-border-color2, #d8d8d8); --opt-accent: #0072B2;
  color: var(--opt-ink); font-size: 13px; line-height: 1.45; outline: none;
  font-variant-numeric: tabular-nums; }
.opt-panel .widget-html-content { line-height: 1.45; }
.opt-panel h2 { font-size: 19px; font-weight: 600; margin: 2px 0 2px; letter-spacing: -0.01em; }
.opt-panel h3 { font-size: 12px; font-weight: 600; margin: 14px 0 4px; color: var(--opt-soft);
  border-top: 1px solid var(--opt-line); padding-top: 10px; }
.opt-panel p { margin: 3px 0; max-width: 78ch; }
.opt-panel .soft { color: var(--opt-soft); }
.opt-panel .lead { font-size: 14px; }
.opt-panel strong { font-weight: 600; }
.opt-panel table { border-collapse: collapse; margin: 4px 0; background: none; font-size: 12.5px; }
.opt-panel th { font-weight: 500; color: var(--opt-soft); text-align: right; padding: 2px 14px 2px 0;
  border-bottom: 1px solid var(--opt-line); vertical-align: bottom; white-space: nowrap; }
.opt-panel td { text-align: right; padding: 2px 14px 2px 0; vertical-align: top; white-space: nowrap;
  background: none; }
.opt-panel td.word, .opt-panel th.word { text-align: left; }
.opt-panel td.long { text-align: left; white-space: normal; max-width: 46ch; }
.opt-panel tr.on td { font-weight: 600; }
.opt-panel .bar { display: inline-block; height: 9px; background: var(--opt-accent); }
.opt-invented { color: var(--opt-soft); border: 1px dashed var(--opt-line); padding: 2px 8px; display: inline-block; }
.opt-panel .opt-held { border-left: 3px solid #D55E00; padding: 1px 0 1px 10px; max-width: none; }
.opt-scroll { overflow: auto; }
.opt-status .widget-html-content { font-weight: 600; min-height: 1.5em; }
/* No height of its own: words that appear between press and release would move a button away. */
.opt-banner { position: sticky; top: 0; height: 0; overflow: visible; z-index: 5; }
.opt-banner span:not(:empty) { font-weight: 600; color: #D55E00; padding: 2px 8px;
  background: var(--jp-layout-color0, #fff); border: 1px solid var(--opt-line); }
.opt-caution { color: var(--opt-soft); font-size: 12px; border-top: 1px solid var(--opt-line);
  margin-top: 12px; padding-top: 6px; }
.opt-panel .lm-Widget button:focus-visible, .opt-panel select:focus-visible,
.opt-panel input:focus-visible { outline: 2px solid var(--opt-accent); outline-offset: 1px; }
.opt-busy > *:not(.opt-stays):not(.opt-banner):not(:has(> .opt-banner)) { opacity: 0.35; pointer-events: none; }
.opt-question:not(:empty) { border-left: 3px solid var(--opt-accent); padding-left: 12px; margin: 6px 0; }
.opt-panel .vega-embed { width: auto; padding-right: 34px; }
.opt-panel .vega-embed svg text[fill="#000"], .opt-panel .vega-embed svg text[fill="black"],
.opt-panel .vega-embed svg [fill="#1c1c1c"] { fill: var(--opt-ink); }
.opt-panel .vega-embed svg [stroke="#1c1c1c"] { stroke: var(--opt-ink); }
.opt-panel .vega-embed svg .role-axis-grid line { stroke: var(--opt-line); }
.opt-panel .vega-embed svg [stroke="#888"] { stroke: var(--opt-soft); }
.opt-panel .vega-embed summary { opacity: 0.5; background: none; border-color: var(--opt-line); }
.opt-panel details summary { cursor: pointer; color: var(--opt-soft); }
.opt-panel table.opt-wraps td { white-space: normal; }
/* What is decided on in one view; on a wide screen the promise stands beside the limits. */
.opt-bench { flex-flow: row wrap; gap: 8px 20px; align-items: flex-start; overflow: visible; }
.opt-bench > .opt-side { flex: 0 1 510px; overflow: visible; }
.opt-bench > .opt-limits { flex: 1 1 470px; overflow: visible; }
.opt-bench > .opt-spread { flex: 1 1 100%; order: 3; overflow: visible; }
.opt-bench > .opt-why { flex: 1 1 100%; order: 4; min-width: 0; }
.opt-bench > .opt-why p { max-width: 62ch; white-space: normal; }
@media (min-width: 1700px) {
  .opt-panel .opt-bench { display: grid; grid-template: auto 1fr / 510px minmax(380px, 1fr) minmax(380px, 620px); }
  .opt-bench > .opt-spread { grid-area: 2 / 1 / 3 / 3; }
  .opt-bench > .opt-why { grid-area: 1 / 3 / 3 / 4; }
}
.opt-narrow { max-width: 470px; font-size: 12px; }
.opt-verdict { max-width: 110ch; }
.opt-panel p.opt-verdict, .opt-headline p.lead { max-width: 110ch; }
.opt-grid { overflow-x: auto; max-width: 100%; --dt-html-background: transparent; } /* the page's own ground */
.opt-grid table.dataTable, .opt-grid .dt-container { color: var(--opt-ink); font-size: 12.5px; }
.opt-grid table.dataTable td, .opt-grid table.dataTable th { padding: 3px 10px 3px 0; }
.opt-grid .dt-container input, .opt-grid .dt-container select { color: var(--opt-ink);
  background: var(--jp-layout-color1, #fff); border: 1px solid var(--opt-line); }
.opt-panel .opt-grid table.dataTable td, .opt-panel .opt-grid table.dataTable th { text-align: left; }
.opt-panel .opt-grid table.dataTable.nowrap th { white-space: normal; vertical-align: bottom; }
.opt-panel .opt-grid table.dataTable td.dt-type-numeric,
.opt-panel .opt-grid table.dataTable th.dt-type-numeric { text-align: right; }
.opt-grid table.dataTable tbody tr { background: none; cursor: default; }
.opt-panel pre.opt-said { white-space: pre-wrap; font-family: inherit; margin: 4px 0; color: var(--opt-ink); }
.opt-download { width: auto; }
.opt-row { border-bottom: 1px solid var(--opt-line); }
/* A phone: controls go below each other, cells wrap; drawings are made for it, tables show
   their first columns. */
@media (max-width: 720px) {
  .opt-panel .widget-hbox { flex-wrap: wrap; }
  .opt-panel > *, .opt-panel .widget-box > * { max-width: calc(100% - 4px); min-width: 0; } /* margins of 2 px */
  .opt-panel .widget-box { max-width: 100%; }
  .opt-panel .widget-box > button { flex-shrink: 0; }
  .opt-panel .widget-html-content { min-width: 0; max-width: 100%; overflow-x: auto; }
  .opt-panel td, .opt-panel th { white-space: normal; padding-right: 8px; }
  .opt-bench > .opt-side, .opt-bench > .opt-limits, .opt-bench > .opt-why { flex: 1 1 100%; max-width: 100%; }
  .opt-bench > .opt-spread { overflow-x: auto; }
  .opt-panel .opt-row { flex-shrink: 0; overflow: visible; }
  .opt-row > .widget-html { flex: 1 1 100% !important; width: auto !important; } /* a width of their own elsewhere */
  .opt-by-hand > .opt-scroll { max-height: none !important; }
}
.opt-row .widget-html-content { white-space: normal; }
"""


class Guard(anywidget.AnyWidget):
    """The keys, the dead kernel and the style of the panel that it is a child of."""

    _esm = _SCRIPT
    _css = _STYLE
    patience = traitlets.Int(PATIENCE_MS).tag(sync=True)
    busy = traitlets.Unicode("").tag(sync=True)
    narrow_px = traitlets.Int(NARROW_PX).tag(sync=True)
    narrow = traitlets.Bool(False).tag(sync=True)

    def __init__(self, **traits: Any) -> None:  # noqa: ANN401 - traits
        super().__init__(**traits)
        self.on_msg(_answer)


def _answer(widget: Guard, content: Any, _buffers: object) -> None:  # noqa: ANN401 - any JSON
    """Answer a browser's ping with its own number."""
    if isinstance(content, dict) and "ping" in content:
        widget.send({"pong": content["ping"]})
