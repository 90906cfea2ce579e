"""One family to a signed decision: the trade, the limits, the prices, who gains, the signature."""

import threading
from collections.abc import Callable
from html import escape
from typing import Any

import ipywidgets as widgets
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimiser.errors import ConflictError, OptimiserError
from optimiser.history.filters import NAMED
from optimiser.ledger.ledger import Entry, Ledger
from optimiser.proposal.choice import Choice, Consequences, Point
from optimiser.proposal.prices import Prices, prices_of
from optimiser.proposal.session import Session
from optimiser.proposal.signing import (
    Intent,
    Signed,
    Verdict,
    decide_on,
    intend,
    needs_key,
    put,
    write,
)
from optimiser.views import trade_charts
from optimiser.views.charts import NARROW
from optimiser.views.panels import words
from optimiser.views.panels.by_hand import ByHand
from optimiser.views.panels.details import Details
from optimiser.views.panels.filter_bar import FilterBar
from optimiser.views.panels.key_signature import KeySignature
from optimiser.views.panels.live import LiveChart, live_chart
from optimiser.views.panels.panel import Panel
from optimiser.views.panels.parts import afterwards, block, safely, swap
from optimiser.views.panels.price_controls import PriceControls
from optimiser.views.panels.signature import Signature
from optimiser.views.panels.trade import Trade

Setting = NDArray[np.int64]
AT_ONCE = 9
LIVE = "Live recipe"


class DecisionPanel(Panel):
    """One family's choice on the screen.

    Parameters
    ----------
    session : Session
    family : str, optional
        Shown first; by default the one that saves most.

    Attributes
    ----------
    choice : Choice
        Of the family shown, at the prices shown.
    setting : ndarray of int, shape (m,)
        Chosen.
    point : Point or None
        The point of the front that it is; None for a hand-made setting.
    """

    choice: Choice
    setting: Setting
    point: Point | None

    def __init__(self, session: Session, family: str | None = None) -> None:
        self._session, self._lock = session, threading.RLock()
        self._ledger = Ledger.of(session.plant)
        self._filling = False
        self._loading: threading.Thread | None = None
        self._stop = threading.Event()
        self._past: list[Setting] = []
        self._pinned: tuple[str, Setting] | None = None
        self._spread: LiveChart | None = None
        self._spread_data: tuple[Any, Any] = (None, [])
        self._columns = 3
        self._build()
        super().__init__(
            self._layout(),
            session,
            filtered="Counts, distributions, items, designators and lots are",
        )
        self._names = _by_saving(session)
        self._families.observe(safely(self._family_picked, self, "Cannot show it"), "value")
        first = family or self._names[0]
        session.case(first)
        self._load(first, self._stop, drawn=False)
        afterwards(safely(self._draw_first, self, "Cannot draw the measurements"), session)

    def __repr__(self) -> str:
        return f"<DecisionPanel {self.choice!r}, {self._chosen_words().lower()}>"

    def _build(self) -> None:
        """Make the parts."""
        self._families = widgets.Dropdown(
            description="Family", layout=widgets.Layout(width="430px")
        )
        self._families.add_class("opt-families")
        self._head, self._figures, self._nothing = block("opt-head"), block("opt-figures"), block()
        self._verdict = block("opt-says")
        self._moves, self._compare = block("opt-moves"), block("opt-compare")
        self._moves.add_class("opt-scroll")
        self._compare.add_class("opt-scroll")
        self._prices_words, self._legend = block("opt-span"), widgets.HTML(words.legend())
        self.trade = Trade(safely(self._point_picked, self, "Cannot show the point"))
        self.by_hand = ByHand(safely(self.set, self, "Cannot count this setting"))
        self.prices = PriceControls(safely(self.price, self, "Cannot use these prices"))
        self.filters = FilterBar(self._session, [n for n in NAMED if n != "family"])
        self.filters.observe(safely(self._filtered, self, "Cannot filter"), "value")
        self._pages = widgets.Dropdown(description="Shown", layout=widgets.Layout(width="430px"))
        self._pages.observe(safely(self._page_picked, self, "Cannot draw it"), "value")
        self._drawing = widgets.VBox()
        self.signature = Signature(
            safely(self.ask, self, "NOT SAVED"), safely(self._write, self, "NOT SAVED")
        )
        self.by_key = KeySignature(self)
        self.halt = widgets.Button(
            description="Stop", tooltip="the family shown before stays", disabled=True
        )
        self.halt.on_click(lambda _: self._stop.set())
        self.details = Details(self._session, self)
        self._build_moves()

    def _build_moves(self) -> None:
        """Make the buttons that go from setting to setting."""

        def button(label: str, meaning: str, act: Callable[[], object]) -> widgets.Button:
            made = widgets.Button(
                description=label, tooltip=meaning, layout=widgets.Layout(width="auto")
            )
            guarded = safely(act, self, "Cannot show it")
            made.on_click(lambda _: guarded())
            return made

        self.undo = button("Undo", "the setting before", self.go_back)
        self.to_live = button("Live recipe", "all limits as they are now", self.go_live)
        self.to_best = button("Best found", "the point that is best at these prices", self.go_best)
        self.pin = button("Pin to compare", "hold this setting beside what comes next", self.pin_it)
        self._toolbar = widgets.HBox(
            [self.undo, self.to_live, self.to_best, self.pin],
            layout=widgets.Layout(flex_flow="row wrap"),
        )

    def _layout(self) -> list[widgets.Widget]:
        """Return the parts from top to bottom: what is decided on in one view, then why, then the yes."""
        families = widgets.HBox([self._families, self.halt])
        families.add_class("opt-stays")
        limits = widgets.VBox([self._toolbar, self.by_hand]).add_class("opt-limits")
        side = widgets.VBox([self.trade, widgets.HTML(words.trade_legend())]).add_class("opt-side")
        spread = widgets.VBox(
            [self._pages, self._drawing, self._legend, self._compare, self.filters]
        ).add_class("opt-spread")
        head = widgets.HTML("<h3>What is promised, and what stops each limit</h3>")
        why = widgets.VBox([head, self._figures, self._moves, self._prices_words])
        bench = widgets.HBox([side, limits, spread, why.add_class("opt-why")])
        bench.add_class("opt-bench")
        return [
            families,
            self._head,
            self._verdict,
            self._nothing,
            bench,
            widgets.HTML("<h3>What if it cost something else</h3>"),
            self.prices,
            widgets.HTML("<h3>Who gains, who loses</h3>"),
            self.details,
            self.signature,
            self.by_key,
            self.status,
        ]

    def show_family(self, family: str) -> None:
        """Show a family, its recommended point chosen.

        Parameters
        ----------
        family : str
        """
        self._stop.set()
        self._stop, self._loading = threading.Event(), None
        self._load(family, self._stop)

    def pick(self, family: str) -> None:
        """Show a family as `show_family` does, its search in a thread; nothing is signed meanwhile.

        Parameters
        ----------
        family : str
            The last one that is picked is shown.
        """
        self._stop.set()
        self._stop = stop = threading.Event()
        self._work_begins(f"Showing {family} …")
        load, before = safely(self._load, self, "Cannot show it"), self._loading

        def work() -> None:
            # One search at a time; the one before has been told to stop.
            if before is not None:
                before.join()
            load(family, stop)

        self._loading = threading.Thread(target=work, daemon=True)
        self._loading.start()

    def wait(self, seconds: float | None = None) -> bool:
        """Wait until what was picked is shown; return whether it is."""
        if self._loading is not None:
            self._loading.join(seconds)
            return not self._loading.is_alive()
        return True

    @property
    def is_busy(self) -> bool:
        """Whether another family is on its way, so that nothing can be signed."""
        return bool(self.guard.busy)

    def _draw_first(self) -> None:
        """Draw the measurements of the family that is shown first, once its figures are shown."""
        family, wanted = self.choice.family, self.filters.value
        spread = self._session.distributions(family, wanted)
        with self._lock:
            # Whatever was picked meanwhile is drawn by whoever picked it.
            if (self.choice.family, self.filters.value) == (family, wanted):
                self._spread_data = spread
                self._fill_pages()

    def _load(self, family: str, stop: threading.Event, *, drawn: bool = True) -> None:
        """Work out a family's choice and show it, unless it was stopped or another was picked."""
        if stop.is_set() and stop is not self._stop:
            return
        trials = self._session.case(family).trials

        def on_trial(n: int) -> None:
            if stop.is_set():
                raise KeyboardInterrupt
            self._work_begins(f"Searching {family}: trial {n} of {trials} …")

        try:
            choice = self._session.choice(family, on_trial=on_trial)
            wanted = self.filters.value
            spread = self._session.distributions(family, wanted) if drawn else (None, [])
            with self._lock:
                if not stop.is_set():
                    if drawn and wanted != self.filters.value:
                        spread = self._session.distributions(family, self.filters.value)
                    self._show(choice, spread)
                elif stop is self._stop:
                    self._fill_families(self.choice.family)
                    self.say(f"Stopped; {self.choice.family} is shown as before.")
        finally:
            if stop is self._stop:
                self._work_ends()

    def _show(self, choice: Choice, spread: tuple[Any, Any]) -> None:
        """Show a choice: the advised change, or the live recipe where none is advised."""
        self.choice = self._at_plant_prices = choice
        self._spread_data = spread
        self._nothing.value = "" if choice.points else words.nothing_searched(choice)
        self.by_hand.load(choice)
        self.prices.load(choice)
        self._say_standing()
        best = choice.recommended
        advised = best is not None and choice.proposal.advice == "change"
        self.setting = best.setting if best and advised else choice.tally.grid.live
        self._past, self._pinned = [], None
        self.by_key.clear()
        self._fill_pages()
        self.status.value = ""
        self._fill_families(choice.family)
        self.set(self.setting)

    def _work_begins(self, doing: str) -> None:
        self.signature.able(verdicts=False)
        self.halt.disabled = False
        self.guard.busy = doing

    def _work_ends(self) -> None:
        self.halt.disabled = True
        self.signature.able(verdicts=True)
        self.guard.busy = ""

    def _say_standing(self) -> None:
        """Show the family's name, advice and where its last proposal stands in the ledger."""
        try:
            states = [s for s in self._ledger.states() if s.entry.family == self.choice.family]
            stands = words.standing(states, self._session.plant)
        except OptimiserError as error:
            stands = f"<p><strong>{escape(str(error))}</strong></p>"
        doubts = words.contradicted(self._session.stated)
        self._head.value = words.header(self.choice) + stands + doubts

    def choose(self, point: Point | None) -> None:
        """Choose a point of the front; None is the live recipe where there is no front.

        Parameters
        ----------
        point : Point or None
        """
        with self._lock:
            self.set(self.choice.tally.grid.live if point is None else point.setting)

    def set(self, setting: Setting) -> Consequences:
        """Choose any setting between the rails.

        Parameters
        ----------
        setting : ndarray of int, shape (m,)
            One level index per limit.

        Returns
        -------
        Consequences
        """
        with self._lock:
            self._remember(np.asarray(setting, dtype=np.int64))
            return self._put(np.asarray(setting, dtype=np.int64))

    def _put(self, setting: Setting) -> Consequences:
        """Show a setting everywhere."""
        choice = self.choice
        self.signature.clear()
        self.setting = setting
        self.point = next((p for p in choice.points if np.array_equal(p.setting, setting)), None)
        done = choice.consequences(setting)
        best = choice.recommended
        self.by_hand.set(setting, best.setting if best else None, best_words=choice.best_words)
        pinned = self._pinned and choice.consequences(self._pinned[1])
        self.trade.show(choice, self.point, done, pinned or None)
        self._move_lines()
        self._show_words(done)
        self.details.show(choice, setting, self.filters.value)
        self.undo.disabled = not self._past
        return done

    def _remember(self, setting: Setting) -> None:
        """Keep the setting that is left; moves of one limit in a row are one step."""
        moved = np.flatnonzero(setting != self.setting)
        if not len(moved):
            return
        before = self._past[-1] if self._past else None
        goes_on = (
            before is not None
            and len(moved) == 1
            and np.array_equal(np.flatnonzero(before != self.setting), moved)
        )
        if not goes_on:
            self._past.append(self.setting)

    def go_back(self) -> None:
        """Show the setting before."""
        with self._lock:
            if self._past:
                self._put(self._past.pop())

    def go_live(self) -> None:
        """Show the live recipe."""
        self.choose(None)

    def go_best(self) -> None:
        """Show the best that was found at these prices; the live recipe where nothing was searched."""
        self.choose(self.choice.recommended)

    def pin_it(self) -> None:
        """Hold the setting that is shown beside what comes next; once more takes it away."""
        with self._lock:
            same = self._pinned is not None and np.array_equal(self._pinned[1], self.setting)
            self._pinned = (
                None if same else (f"pinned: {self._chosen_words().lower()}", self.setting)
            )
            self.pin.description = "Pin to compare" if self._pinned is None else "Pin this instead"
            self._put(self.setting)

    def _filtered(self, _change: Any) -> None:  # noqa: ANN401 - a traitlets change
        """Count, draw and list what the filter lets through; promises stay the whole history's."""
        with self._lock:
            self._spread_data = self._session.distributions(self.choice.family, self.filters.value)
            if self._pages.value is None:
                self._fill_pages()
            else:
                self._draw(self._pages.value)
            self._put(self.setting)

    def price(self, prices: Prices | None) -> None:
        """Look at the choice at other prices; the recommended point follows.

        Parameters
        ----------
        prices : Prices or None
            None for the plant file's.
        """
        with self._lock:
            self.signature.clear()
            followed = self.point is not None and self.point.recommended
            if prices is None:
                self.choice = self._at_plant_prices
                self.prices.set(self.choice, self.choice.prices)
            else:
                self.choice = self.choice.at(prices)
            if followed:
                self.choose(self.choice.recommended)
            else:
                self.set(self.setting)

    def ask(self, verdict: Verdict) -> Intent:
        """Show what exactly would be signed; `Signature` has the buttons to confirm it.

        Parameters
        ----------
        verdict : {'accept', 'hold', 'reject'}

        Returns
        -------
        Intent

        Raises
        ------
        OptimiserError
            If it cannot be signed; nothing was saved.
        """
        with self._lock:
            if self.is_busy:
                msg = f"{self.guard.busy} Decide when it is shown; nothing was saved"
                raise ConflictError(msg)
            intent = intend(
                self._ledger,
                self.choice,
                self._session.live,
                self.setting,
                verdict,
                by=self.signature.name.value,
                reason=self.signature.reason.value,
            )
            self.signature.ask(intent)
            self.say("Not saved yet: look at what would be signed, then confirm.")
            return intent

    def decide(self, verdict: Verdict, *, although_not_advised: bool = False) -> Signed | None:
        """Ask and confirm in one: sign what is shown.

        Parameters
        ----------
        verdict : {'accept', 'hold', 'reject'}
        although_not_advised : bool

        Returns
        -------
        Signed or None
            None where nothing was saved; the panel says why.
        """
        with self._lock:
            intent = safely(self.ask, self, "NOT SAVED")(verdict)
            if intent is None:
                return None
            return safely(self._write, self, "NOT SAVED")(intent, although_not_advised)

    def _write(self, intent: Intent, although_not_advised: bool) -> Signed | None:
        with self._lock:
            if self.is_busy or self.signature.asked is not intent:
                msg = (
                    "what was to be signed is no longer what is shown, or name or reason changed after "
                    "the question; nothing was saved: ask again"
                )
                raise ConflictError(msg)
            if needs_key(self._ledger, intent):
                self._ask_for_key(
                    intent, put(self._ledger, intent, although_not_advised=although_not_advised)
                )
                return None
            signed = write(self._ledger, intent, although_not_advised=although_not_advised)
            return self._say_signed(intent, signed)

    def _ask_for_key(self, intent: Intent, proposal: Entry) -> None:
        """Show the text whose signature accepts what was put into the ledger."""
        self.signature.clear()

        def sign(signature: str) -> None:
            with self._lock:
                signed = decide_on(self._ledger, intent, proposal, signature=signature)
                self.by_key.clear()
                self._say_signed(intent, signed)

        def leave() -> None:
            self.by_key.clear()
            self.say(
                f"Proposal {proposal.id}, {intent.family}, waits unsigned: sign, reject or withdraw it in the "
                "notebook follow."
            )

        def withdraw() -> None:
            with self._lock:
                reason = f"put forward and not signed: {intent.reason}"
                self._ledger.decide(proposal.id, "withdraw", by=intent.by, reason=reason)
                self.by_key.clear()
                self._say_standing()
                self.say(f"Proposal {proposal.id}, {intent.family}, is withdrawn by {intent.by}.")

        self.by_key.ask(
            proposal,
            self._session.plant,
            intent.by,
            intent.reason,
            sign,
            instead={"Leave it waiting": leave, "Withdraw it": withdraw},
        )
        self._say_standing()
        self.say(
            f"Proposal {proposal.id}, {intent.family}, is in the ledger and waits: it is accepted by a signature "
            "of the text below, here, or later in the notebook follow."
        )

    def _say_signed(self, intent: Intent, signed: Signed) -> Signed:
        """Say what was saved, and where it stands."""
        with self._lock:
            self.signature.clear()
            state = next(s for s in self._ledger.states() if s.entry.id == signed.proposal.id)
            self._say_standing()
            self.say(
                f"Saved as row {signed.decision.id} of the ledger: {intent.verdict} proposal "
                f"{signed.proposal.id}, {intent.family}, by {signed.decision.by}. "
                + words.state_words(state, self._session.plant)
            )
            return signed

    def _family_picked(self, change: Any) -> None:  # noqa: ANN401 - a traitlets change
        if change["new"] is not None and not self._filling:
            self.pick(change["new"])

    def _fill_families(self, shown: str) -> None:
        """Say in the list what is known of each family by now; their order stays."""
        self._filling = True
        try:
            lines = [(_family_words(self._session, n), n) for n in self._names]
            if tuple(lines) != self._families.options:
                self._families.options = lines
            self._families.value = shown
        finally:
            self._filling = False

    def _point_picked(self, name: str) -> None:
        with self._lock:
            self.choose(self.choice.point(name))

    def _chosen_words(self) -> str:
        if self.point is not None:
            return LIVE if self.point.name == "live" else f"Point {self.point.name}"
        is_live = np.array_equal(self.setting, self.choice.tally.grid.live)
        return LIVE if is_live else "Set by hand"

    def _show_words(self, done: Consequences) -> None:
        """Show what the chosen setting promises, counts, proves."""
        choice, point = self.choice, self.point
        title = self._chosen_words()
        if point and point.recommended:
            title += f", {choice.best_words} at these prices"
        promised = choice.promised(point) if point else None
        live = self._chosen_words() == LIVE
        broken = "".join(
            f"<p><strong>{escape(w)}</strong></p>" for w in choice.violations(self.setting)
        )
        own = choice.prices == prices_of(self._session.plant)
        self._verdict.value = broken + words.verdict(
            choice, point, promised, live=live, prices="plant" if own else "these prices"
        )
        self._figures.value = (
            f"<p><strong>{escape(title)}</strong></p>"
            + words.promise_words(choice, point, promised, live=live)
            + words.three_lines(done)
            + words.certificate(choice)
        )
        self._prices_words.value = words.price_words(
            choice.span, choice.recommended, choice.currency
        )
        self._moves.value = words.moves(done.moves)
        self._compare.value = self._comparison(title, live=live)

    def _comparison(self, title: str, *, live: bool) -> str:
        """Return the live recipe, the best found, the pinned and the chosen setting side by side."""
        choice, wanted = self.choice, self.filters.value
        best = choice.recommended
        shown = [(LIVE.lower(), choice.tally.grid.live)]
        if best is not None and best.name != "live":
            shown.append((choice.best_words, best.setting))
        if self._pinned is not None:
            shown.append(self._pinned)
        is_best = self.point is not None and self.point.recommended
        if not live and not is_best:
            shown.append((title.lower(), self.setting))
        on = 0 if live else 1 if is_best else len(shown) - 1
        rows = [
            (name, choice.consequences(x), self._session.counted(choice.family, x, wanted))
            for name, x in shown
        ]
        return words.comparison(choice, rows, wanted, on=on)

    def _fill_pages(self) -> None:
        """Offer the measurements in pages, those that the recommended setting moves first."""
        _, windows = self._spread_data
        best, limits = self.choice.recommended, self.choice.tally.grid.limits
        moved = {
            x.measurement
            for n, x in enumerate(limits)
            if best is not None and best.setting[n] != x.live
        }
        order = sorted(range(len(windows)), key=lambda n: windows[n].measurement not in moved)
        pages = [tuple(order[n : n + AT_ONCE]) for n in range(0, len(order), AT_ONCE)]
        self._pages.layout.display = "" if len(pages) > 1 else "none"
        options = [
            (f"measurements {AT_ONCE * n + 1} to {AT_ONCE * n + len(p)} of {len(order)}", p)
            for n, p in enumerate(pages)
        ]
        self._filling = True
        try:
            self._pages.options = options
            self._pages.value = pages[0] if pages else None
        finally:
            self._filling = False
        self._draw(pages[0] if pages else ())

    def _page_picked(self, change: Any) -> None:  # noqa: ANN401
        if change["new"] is not None and not self._filling:
            with self._lock:
                self._draw(change["new"])

    def _draw(self, page: tuple[int, ...]) -> None:
        """Draw one page of measurements."""
        frame, windows = self._spread_data
        shown = [windows[n] for n in page]
        if not shown:
            self._spread = None
            swap(self._drawing, [])
            return
        chart = trade_charts.spread_chart(
            frame,
            shown,
            self.choice.tally.grid.limits,
            self._labelled(),
            self._bounds(),
            self.setting.tolist(),
            pinned=None if self._pinned is None else self._pinned[1].tolist(),
            columns=self._columns,
            width=trade_charts.WIDTH if self._columns > 1 else NARROW,
        )
        self._spread = live_chart(chart, height=140 * -(-len(shown) // self._columns))
        swap(self._drawing, [self._spread])

    def fit(self, *, narrow: bool) -> None:
        """Draw the measurements below each other on a phone, side by side at a desk."""
        with self._lock:
            self._columns = 1 if narrow else 3
            self._draw(self._pages.value or ())

    def _labelled(self) -> pd.DataFrame:
        """Return the labelled defects that the filter lets through."""
        wanted = self.filters.value
        if not wanted:
            return self.choice.tally.defects.frame
        return self._session.defects(self.choice.family, wanted)

    def _move_lines(self) -> None:
        """Move the lines of the chosen and the pinned setting in the drawings of the measurements."""
        if self._spread is None:
            return
        params, pinned = self._spread.params, self._pinned and self._pinned[1]
        with self._spread.hold_sync():
            for n, limit in enumerate(self.choice.tally.grid.limits):
                at = trade_charts.AWAY
                if pinned is not None:
                    at = trade_charts.place(limit, int(pinned[n]))
                for name, value in (
                    (trade_charts.limit_param(n), trade_charts.place(limit, int(self.setting[n]))),
                    (trade_charts.pin_param(n), at),
                ):
                    if params.has_trait(name):
                        setattr(params, name, value)

    def _bounds(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Return the family's workmanship bounds, each with the end of its guard band."""
        file = self.choice.case.plant.file
        found: dict[tuple[str, str], tuple[float, float]] = {}
        for limit in self.choice.tally.grid.limits:
            bound = file.families[self.choice.family].workmanship.get(limit.measurement)
            at = bound.side(limit.side) if bound else None
            if at is not None:
                guard = file.rails.guard_sigmas * limit.repeatability
                found[limit.measurement, limit.side] = (at, at - limit.sign * guard)
        return found


def _by_saving(session: Session) -> list[str]:
    """Return the families, largest promised saving first, those not proposed yet last."""

    def rank(name: str) -> tuple[bool, float, str]:
        of = session.proposals.get(name)
        saving = of.promise.saving_per_month.value if of is not None else 0.0
        return of is None, -saving, name

    return sorted(session.cases, key=rank)


def _family_words(session: Session, name: str) -> str:
    """Return a family as a line of the list."""
    of = session.proposals.get(name)
    if of is None:
        return f"{name} · not proposed yet"
    saving = of.promise.saving_per_month.value
    currency = session.plant.file.plant.currency
    return f"{name} · {of.advice}" + (
        f" · saves {saving:,.0f} {currency} a month" if of.advice == "change" else ""
    )
