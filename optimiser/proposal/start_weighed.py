"""First limits of least expected cost over all possible families, by the descent that proposals use."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.stats import gamma, norm

from optimiser.plant.file import Side
from optimiser.proposal.possible import Outlook, Possible, possible_families
from optimiser.proposal.propose import stable_seed
from optimiser.proposal.start_known import Key, Known, guard, own_weight, rounded
from optimiser.proposal.start_record import COUNTED_PER, LEVEL, FirstLimit, Gap, Ground, Range
from optimiser.search.blur import Blur, escape_chance, make_clouds, own_tables
from optimiser.search.crossfit import Way, fit
from optimiser.search.descent import cost_of, make_terrain
from optimiser.search.problem import Problem, without_lots
from optimiser.tally.count import is_called, sum_by_row
from optimiser.tally.must_catch import KeptItem

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Moves = Literal["all", "goods", "defects", "nothing"]

LEVELS = 90
# No limit is looked for where it alone would call more of the goods than this.
MOST_CALLED = 0.03


class Weighed:
    """Limits of least expected cost over all possible families, and what they rest on."""

    def __init__(self, known: Known, kept: Sequence[KeptItem], possible: int) -> None:
        self.known, self.number = known, possible
        self.keys = [k for k in known.sides() if k[0] in known.expected]
        self.way = Way(blur=Blur(unseen=0.0))
        self.kept = kept
        self.drawn = self._draw("all")
        self.levels = [self._levels(key) for key in self.keys]
        self.missed: tuple[str, ...] = ()
        self.problem = self._problem(self.drawn)
        self.missed = tuple(
            item.name for item, row in zip(kept, self._kept_ranks(), strict=True) if not row.any()
        )
        self.setting = self._fitted(self.problem)

    def _draw(self, moves: Moves) -> Possible:
        """Return possible families that differ in all, in one thing alone, or in nothing."""
        known = self.known
        rng = np.random.default_rng(stable_seed(known.plant.file.plant.name, known.family, moves))
        return possible_families(
            known.lenders,
            known.own,
            known.expected,
            self.number,
            rng,
            places=moves in ("all", "goods"),
            lenders=moves in ("all", "defects"),
        )

    def _z(self, key: Key, values: Floats) -> Floats:
        """Return the column of a limit in z; -inf where not measured."""
        column = values[:, self.drawn.measurements.index(key[0])]
        z = column if key[1] == "upper" else -column
        return np.where(np.isfinite(z), z, -math.inf)

    def _levels(self, key: Key) -> Floats:
        """Return the levels of a limit in z, tightest first; the last is the loosest allowed."""
        plant, (measurement, side) = self.known.plant, key
        sign = 1.0 if side == "upper" else -1.0
        z = self._z(key, self.drawn.goods)
        z = z[np.isfinite(z)]
        tight, loose = float(np.quantile(z, 1 - MOST_CALLED)), float(z.max())
        step = plant.file.measurements[measurement].step or (loose - tight) / LEVELS or 1.0
        step *= max(1, math.ceil((loose - tight) / step / LEVELS))
        levels = np.arange(math.floor(tight / step), math.ceil(loose / step) + 1) * step
        bound = self.known.bounds.get(key)
        if bound is not None:
            cap = sign * rounded(plant, measurement, side, sign * bound.z)
            levels = np.append(levels[levels < cap], min(cap, float(levels[-1])))
        return np.unique(np.round(levels, 9))

    def _ranks(self, values: Floats) -> Ints:
        """Return the signatures of items, shape (n, m)."""
        columns = [
            np.searchsorted(level, self._z(key, values), side="left")
            for key, level in zip(self.keys, self.levels, strict=True)
        ]
        return np.stack(columns, axis=1).astype(np.int64)

    def _kept_ranks(self) -> Ints:
        """Return the signatures of the must-catch items with their margin taken off, shape (c, m)."""
        rows = []
        for item in self.kept:
            row = []
            for (measurement, side), level in zip(self.keys, self.levels, strict=True):
                x = item.values.get(measurement)
                z = -math.inf if x is None else (x if side == "upper" else -x)
                z -= guard(self.known.plant, measurement)
                row.append(int(np.searchsorted(level, z, side="left")))
            rows.append(row)
        return np.array(rows, dtype=np.int64).reshape(len(rows), len(self.keys))

    def _must(self) -> Ints:
        """Return the signatures that every setting has to call, shape (c, m).

        The must-catch items with their margin; of a critical family its own known defects besides.
        """
        rows, own, file = self._kept_ranks(), self.known.own, self.known.plant.file
        critical = file.obeys_labels(self.known.family)
        if critical and own is not None:
            columns = [own.measurements.index(m) for m in self.drawn.measurements]
            rows = np.concatenate([rows, self._ranks(own.defects[:, columns])])
        return rows[(rows > 0).any(axis=1)]

    def _problem(self, drawn: Possible) -> Problem:
        """Return the choice of limits as the search has it; a lot is a possible family."""
        file = self.known.plant.file
        ranks, counts, always = self._counted(drawn)
        rate = self.known.rate()
        expected = float(rate.mean[0]) * COUNTED_PER if rate is not None else 0.0
        defects = len(drawn.defects)
        each = (
            expected
            / self.number
            / np.maximum(np.bincount(drawn.defects_of, minlength=self.number), 1)
        )
        z = np.stack([self._z(key, drawn.defects) for key in self.keys], axis=1)
        review = file.review_of(self.known.family)
        last = np.array([len(level) - 1 for level in self.levels], dtype=np.int64)
        return Problem(
            levels=tuple(self.levels),
            live=last,
            last=last,
            spread=np.array([self._spread(key) for key in self.keys]),
            repeatability=np.array([file.measurements[m].repeatability for m, _ in self.keys]),
            ranks=ranks,
            counts=counts,
            always=always,
            defect_ranks=self._ranks(drawn.defects),
            defect_z=z,
            defect_lot=drawn.defects_of,
            defect_weight=each[drawn.defects_of] if defects else np.zeros(0),
            defect_price=np.array([file.escape_price(kind) for kind in drawn.kind]),
            defect_called=np.zeros(defects, dtype=np.bool_),
            kin_z=np.zeros((0, len(self.keys))),
            kin_price=np.zeros(0),
            must_ranks=self._must(),
            # One laid good stands for so many of COUNTED_PER, over all possible families.
            false_call_cost=review.cost_per_call * self._worth_of_good(drawn),
            miss_rate=review.miss_rate,
        )

    def _worth_of_good(self, drawn: Possible) -> float:
        return COUNTED_PER / len(drawn.goods)

    def _counted(self, drawn: Possible) -> tuple[Ints, csr_array, Ints]:
        """Return contested signatures, their counts by possible family, and the always called."""
        ranks = self._ranks(drawn.goods)
        last = np.array([len(level) for level in self.levels])
        always = (ranks == last).any(axis=1)
        contested = ~always & (ranks > 0).any(axis=1)
        keys = np.column_stack([ranks, drawn.goods_of])[contested].astype(np.int32)
        keys, count = sum_by_row(keys, np.ones(len(keys), dtype=np.int64))
        first = np.ones(len(keys), dtype=bool)
        first[1:] = (keys[1:, :-1] != keys[:-1, :-1]).any(axis=1)
        signature = np.cumsum(first) - 1
        shape = (int(first.sum()), self.number)
        counts = csr_array((count, (signature, keys[:, -1])), shape=shape)
        by_family = np.bincount(drawn.goods_of[always], minlength=self.number)
        return keys[first, :-1].astype(np.int64), counts, by_family.astype(np.int64)

    def _spread(self, key: Key) -> float:
        one = self.known.expected[key[0]]
        return math.exp((one.above if key[1] == "upper" else one.below).mean)

    def _blurred(self, problem: Problem) -> Way:
        """Return the way to fit, its blur as wide as the distinct labels behind the clouds ask for."""
        labels = sum(s.weight.sum() for s in self.known.lenders) + own_weight(self.known.own)
        there = max(len(problem.defect_weight), 1)
        # A bandwidth narrows with the sixth root of the number; here labels stand many times.
        wider = (there / max(labels, 1.0)) ** (1 / 6)
        return replace(self.way, blur=replace(self.way.blur, bandwidth=1.5 * max(wider, 1.0)))

    def _fitted(self, problem: Problem) -> Ints:
        return fit(problem, self._blurred(problem))

    def _cost(self, problem: Problem, setting: Ints) -> float:
        """Return the expected money of a setting per COUNTED_PER items."""
        blur = self._blurred(problem).blur
        every = np.ones(len(problem.defect_weight), dtype=np.bool_)
        clouds = make_clouds(problem, blur, own_tables(problem, blur), every)
        return cost_of(make_terrain(problem, clouds), setting)

    def _each(self, problem: Problem) -> list[Problem]:
        """Return the problem of every possible family by itself."""
        return [without_lots(problem, np.arange(self.number) == j) for j in range(self.number)]

    def _lost(self, problem: Problem, setting: Ints) -> float:
        """Return what one setting for all possible families costs beyond each one's best."""
        return sum(
            max(0.0, self._cost(p, setting) - self._cost(p, self._fitted(p)))
            for p in self._each(problem)
        )

    def not_knowing(self) -> dict[Gap, float]:
        """Return what not knowing the goods, or the defects, costs; each with the other known.

        What limits of possible families that are all alike lose by the chance of what was laid over
        each is taken off.
        """
        chance = self._lost_by("nothing")
        gaps: tuple[Gap, Gap] = ("goods", "defects")
        return {gap: max(0.0, self._lost_by(gap) - chance) for gap in gaps}

    def _lost_by(self, moves: Moves) -> float:
        problem = self._problem(self._draw(moves))
        return self._lost(problem, self._fitted(problem))

    def cost(self) -> float:
        """Return the expected money of the limits, reviews and escapes, per COUNTED_PER items."""
        return self._cost(self.problem, self.setting)

    def _judged(self) -> tuple[Floats, Floats, bool]:
        """Return shares of goods called and of defects passed, by possible family, and whether unseen.

        With several siblings each one's goods and defects are held against limits that were fitted
        without them; with one, against the limits that saw them, its defects as clouds.
        """
        lenders = range(len(self.known.lenders))
        drawn = self.drawn
        called, passed = np.zeros(len(drawn.goods)), np.zeros(len(drawn.defects))
        unseen = len(self.known.lenders) > 1
        for n in lenders:
            setting = self.setting
            if unseen:
                setting = self._fitted(self._problem(_without(drawn, n)))
            goods, defects = drawn.goods_from == n, drawn.defects_from == n
            called[goods] = is_called(setting, self._ranks(drawn.goods[goods]))
            passed[defects] = ~is_called(setting, self._ranks(drawn.defects[defects]))
        if not unseen:
            blur = self._blurred(self.problem).blur
            passed = escape_chance(self.setting, own_tables(self.problem, blur))
        lent_goods, lent_defects = drawn.goods_from >= 0, drawn.defects_from >= 0
        return (
            _shares_of(called, lent_goods, drawn.goods_of, self.number),
            _shares_of(passed, lent_defects, drawn.defects_of, self.number),
            unseen,
        )

    def judge(self) -> tuple[Range, Range | None, bool]:
        """Return false calls and escapes per COUNTED_PER items, and whether limits had not seen them."""
        called, passed, unseen = self._judged()
        rate = self.known.defect_range()
        escapes = None
        if rate is not None and np.isfinite(passed).any():
            spread = (rate.high - rate.low) / (2 * float(norm.ppf((1 + LEVEL) / 2)))
            shape = (rate.value / spread) ** 2
            # How many defects there are is as open as how many of them pass.
            at = (np.random.default_rng(0).permutation(self.number) + 0.5) / self.number
            rates = gamma.ppf(at, shape, scale=rate.value / shape)
            escapes = replace(_range(passed * rates), value=float(np.nanmean(passed)) * rate.value)
        return _range(called * COUNTED_PER), escapes, unseen

    def limits(self) -> tuple[FirstLimit, ...]:
        """Return the limits with their intervals and what each rests on."""
        best = np.array([self._fitted(p) for p in self._each(self.problem)])
        beside = [self._bound_alone(key) for key in self.known.sides() if key not in self.keys]
        found = [self._limit(n, best[:, n]) for n in range(len(self.keys))]
        return (*found, *beside)

    def _limit(self, n: int, best: Ints) -> FirstLimit:
        (measurement, side), level = self.keys[n], self.levels[n]
        sign = 1.0 if side == "upper" else -1.0
        tail = (1 - LEVEL) / 2
        # Ties are drawn in to the furthest good, and one possible family has fewer than all: the
        # limit of all of them belongs to the interval.
        ends = sign * np.append(
            np.quantile(level[best], [tail, 1 - tail], method="nearest"), level[self.setting[n]]
        )
        outlook = self.known.expected[measurement]
        bound = self.known.bounds.get((measurement, side))
        beyond = self._z(self.keys[n], self.drawn.goods) > level[self.setting[n]]
        ground = self._ground(n)
        return FirstLimit(
            measurement=measurement,
            side=side,
            unit=self.known.plant.file.measurements[measurement].unit,
            limit=sign * float(level[self.setting[n]]) + 0.0,
            low=float(ends.min()) + 0.0,
            high=float(ends.max()) + 0.0,
            ground=ground,
            bound=bound,
            law=outlook.told.law if outlook.told else "",
            own=_own_share(outlook, side),
            called=float(beyond.mean()),
        )

    def _ground(self, n: int) -> Ground:
        """Return what a limit rests on most."""
        key, level = self.keys[n], self.levels[n]
        bound = self.known.bounds.get(key)
        z = float(level[self.setting[n]])
        step = self.known.plant.file.measurements[key[0]].step or 0.0
        if bound is not None and bound.z - z < max(step, 1e-9):
            return "bound"
        if _own_share(self.known.expected[key[0]], key[1]) < 0.5:
            return "siblings"
        own = own_weight(self.known.own)
        lent = sum(float(s.weight.sum()) for s in self.known.lenders)
        if own >= min(lent, 12.0):
            return "own history"
        return "own goods" if self.known.siblings else "other kinds"

    def _bound_alone(self, key: Key) -> FirstLimit:
        """Return the limit of a bound on what neither siblings nor the family have measured yet."""
        bound = self.known.bounds[key]
        sign = 1.0 if key[1] == "upper" else -1.0
        limit = rounded(self.known.plant, key[0], key[1], sign * bound.z)
        return FirstLimit(
            measurement=key[0],
            side=key[1],
            unit=self.known.plant.file.measurements[key[0]].unit,
            limit=limit,
            low=limit,
            high=limit,
            ground="bound",
            bound=bound,
            law="",
            own=0.0,
            called=None,
        )


def _without(drawn: Possible, lender: int) -> Possible:
    """Return possible families without what one sibling lent."""
    goods, defects = drawn.goods_from != lender, drawn.defects_from != lender
    return replace(
        drawn,
        goods=drawn.goods[goods],
        goods_of=drawn.goods_of[goods],
        goods_from=drawn.goods_from[goods],
        defects=drawn.defects[defects],
        defects_of=drawn.defects_of[defects],
        defects_from=drawn.defects_from[defects],
        kind=tuple(k for k, kept in zip(drawn.kind, defects, strict=True) if kept),
    )


def _shares_of(hit: Floats, counted: NDArray[np.bool_], of: Ints, number: int) -> Floats:
    """Return the share of hits among what counts in each possible family; nan where nothing does."""
    hits = np.bincount(of[counted], hit[counted], minlength=number)
    all_ = np.bincount(of[counted], minlength=number).astype(np.float64)
    shares = np.full(number, math.nan)
    np.divide(hits, all_, out=shares, where=all_ > 0)
    return shares


def _own_share(outlook: Outlook, side: Side) -> float:
    """Return the share of its own items in centre and scatter, whichever is less."""
    return min(outlook.centre.own, (outlook.above if side == "upper" else outlook.below).own)


def _range(values: Floats) -> Range:
    tail = (1 - LEVEL) / 2
    low, high = np.nanquantile(values, [tail, 1 - tail])
    return Range(value=float(np.nanmean(values)), low=float(low), high=float(high))
