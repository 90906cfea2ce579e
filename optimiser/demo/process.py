"""How the values of one family's items come into being.

`DemoProcess` is one family's process with every parameter fixed by the seed, and `draw_items` the
only place where a measured value comes into being: history, recipe, must-catch set and truth
all draw from it.

A good item's measurement is a smooth function of a latent ``g`` (0 the middle, about 1 its
spread), with shared factors between measurements and a heavy tail per item. What goes wrong
without being a defect (lot, supplier, place on the board, drift) shifts ``g``. A defect is a
good item moved by its kind's direction times a severity; directions are in *reaches*, the
distance from the middle of the goods to their far quantile on that side.

It knows nothing of days, boards, files or labels.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimiser.demo import streams
from optimiser.demo.families import FAMILIES, REFERENCE_ITEMS, FamilyPlan
from optimiser.demo.measurements import DEFECTS, KINDS, MEASUREMENTS, Measurement

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FAR_QUANTILE = 0.997

LATENT_END = 6.0

UNMEASURED_WHEN_MISSING = 0.15
"""Chance per measurement that nothing could be measured where the part is missing."""

GOOD = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DemoProcess:
    """One family's process, every parameter fixed by the seed.

    Shape letters: k measurements of the family, j kinds of defect.

    Parameters
    ----------
    family : FamilyPlan
        Its row of the table.
    names, kinds : tuple of str
        The k measurements and the j kinds of defect.
    typical, spread, top, placement, solder : ndarrays, shape (k,)
        See `Measurement`.
    shape : ndarray of int, shape (k,)
        0 level, 1 above, 2 below.
    per_unit : ndarray, shape (k,)
        Display counts per unit.
    unmeasured : ndarray, shape (k,)
        Chance that a measurement is missing on an item.
    moves : ndarray, shape (j, k)
        What a defect of severity 1 adds to each measurement, in its unit.
    rates : ndarray, shape (j,)
        Expected defects per item, by kind.
    middle, reach_down, reach_up : ndarrays, shape (k,)
        Median of the goods and the distance to their far quantile on either side.
    """

    family: FamilyPlan
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    typical: Floats
    spread: Floats
    top: Floats
    placement: Floats
    solder: Floats
    shape: Ints
    per_unit: Floats
    unmeasured: Floats
    moves: Floats
    rates: Floats
    middle: Floats
    reach_down: Floats
    reach_up: Floats

    def latent(self, shifts: dict[str, float]) -> Floats:
        """Return shifts given by name as an array of shape (k,), 0 where not named."""
        return np.array([shifts.get(name, 0.0) for name in self.names])


def build_process(index: int, *, seed: int, items_per_board: float) -> DemoProcess:
    """Return the process of one family.

    Parameters
    ----------
    index : int
        Row of `FAMILIES`.
    seed : int
        Same seed, same parameters.
    items_per_board : float
        Mean number of items on a board, all families together: it turns the table's number
        of defects into a rate per item.

    Returns
    -------
    DemoProcess
    """
    family = FAMILIES[index]
    rng = np.random.default_rng([seed, streams.PROCESS, index])
    bare = _bare_process(family, rng)
    goods = draw_items(
        bare,
        shifts=rng.normal(0.0, 0.25, (30_000, len(bare.names))),
        kinds=np.full(30_000, GOOD),
        severity=np.zeros(30_000),
        rng=np.random.default_rng([seed, streams.CALIBRATION, index]),
    )
    low, middle, high = np.nanquantile(goods, [1 - FAR_QUANTILE, 0.5, FAR_QUANTILE], axis=0)
    down, up = middle - low, high - middle
    steps = np.array([MEASUREMENTS[name].step for name in bare.names])
    down, up = np.maximum(down, steps), np.maximum(up, steps)
    units = np.array([[DEFECTS[kind].get(name, 0.0) for name in bare.names] for kind in bare.kinds])
    units *= np.exp(rng.normal(0.0, 0.1, units.shape))
    own_items = np.mean([count * max(family.pins, 1) for count in family.places])
    per_item = family.defects / (REFERENCE_ITEMS * float(own_items) / items_per_board)
    rates = per_item * np.array([family.kinds[kind] for kind in bare.kinds])
    return replace(
        bare,
        moves=np.where(units > 0, units * up, units * down),
        rates=rates,
        middle=middle,
        reach_down=down,
        reach_up=up,
    )


def _bare_process(family: FamilyPlan, rng: np.random.Generator) -> DemoProcess:
    """Return the process without what is found by drawing from it."""
    names, kinds = tuple(family.measures), tuple(family.kinds)
    kept = [MEASUREMENTS[name] for name in names]
    k, j = len(names), len(kinds)
    typical = np.array([family.measures[name][0] for name in names])
    return DemoProcess(
        family=family,
        names=names,
        kinds=kinds,
        typical=_jitter_typical(typical, kept, rng),
        spread=np.array([family.measures[n][1] for n in names]) * rng.uniform(0.93, 1.07, k),
        top=np.array([m.top for m in kept]),
        placement=np.array([m.placement for m in kept]),
        solder=np.array([m.solder for m in kept]),
        shape=np.array([("level", "above", "below").index(m.shape) for m in kept]),
        per_unit=np.array([m.per_unit for m in kept], dtype=np.float64),
        unmeasured=np.exp(rng.uniform(np.log(0.0002), np.log(0.01), k)),
        moves=np.zeros((j, k)),
        rates=np.zeros(j),
        middle=typical,
        reach_down=np.ones(k),
        reach_up=np.ones(k),
    )


def _jitter_typical(typical: Floats, kept: list[Measurement], rng: np.random.Generator) -> Floats:
    """Return typical values moved by some percent; of the loss where the shape is below."""
    factor = rng.uniform(0.96, 1.04, len(kept))
    top = np.array([m.top for m in kept])
    below = np.array([m.shape == "below" for m in kept])
    return np.where(below, top - (top - typical) * factor, typical * factor)


def draw_items(
    process: DemoProcess,
    *,
    shifts: Floats,
    kinds: Ints,
    severity: Floats,
    rng: np.random.Generator,
) -> Singles:
    """Return the measured values of n items.

    Parameters
    ----------
    process : DemoProcess
        The family's process, k measurements.
    shifts : ndarray, shape (n, k)
        Shift of the latent from lot, part, place, line and drift together.
    kinds : ndarray of int, shape (n,)
        Row of `process.kinds`; `GOOD` for a good item.
    severity : ndarray, shape (n,)
        Multiplies the kind's moves; not read for goods.
    rng : numpy.random.Generator
        Advanced by this call.

    Returns
    -------
    ndarray of float32, shape (n, k)
        Rounded as the machine shows them; nan where not measured.
    """
    values = _values_of(process, shifts + _draw_latent(process, len(shifts), rng))
    bad = np.flatnonzero(kinds != GOOD)
    noise = np.exp(rng.normal(0.0, 0.25, (len(bad), len(process.names))))
    values[bad] += process.moves[kinds[bad]] * severity[bad, None] * noise
    np.clip(values, 0.0, process.top, out=values)
    shown = (np.rint(values * process.per_unit) / process.per_unit).astype(np.float32)
    unmeasured = np.broadcast_to(process.unmeasured, shown.shape)
    if len(bad) and "missing" in process.kinds:
        gone = kinds == process.kinds.index("missing")
        unmeasured = np.where(gone[:, None], UNMEASURED_WHEN_MISSING, unmeasured)
    shown[rng.random(shown.shape) < unmeasured] = np.nan
    return shown


def _draw_latent(process: DemoProcess, n: int, rng: np.random.Generator) -> Floats:
    """Return n latents: two shared factors, an own part, a heavy tail per item, ends cut."""
    own = np.sqrt(1.0 - process.placement**2 - process.solder**2)
    factors = rng.standard_normal((n, 2))
    latent = rng.standard_normal((n, len(process.names))) * own
    latent += factors[:, :1] * process.placement + factors[:, 1:] * process.solder
    luck = rng.random((n, 1))
    latent *= np.where(luck < 0.945, 1.0, np.where(luck < 0.995, 1.5, 2.2))
    return latent


def _values_of(process: DemoProcess, latent: Floats) -> Floats:
    """Return the values of latents, shape (n, k) both."""
    g = np.clip(latent, -LATENT_END, LATENT_END) * process.spread
    grown = np.exp(np.where(process.shape == 0, 0.0, g))
    loss = process.top - (process.top - process.typical) * grown
    shapes = [process.shape == 0, process.shape == 1]
    return np.select(shapes, [process.typical + g, process.typical * grown], loss)


def middle_at(process: DemoProcess, shift: Floats) -> Floats:
    """Return the middle of the goods whose latent is shifted by `shift`, shape (k,)."""
    moved = _values_of(process, shift[None, :])[0]
    still = _values_of(process, np.zeros((1, len(shift))))[0]
    middle: Floats = process.middle + moved - still
    return middle


def global_kinds(process: DemoProcess) -> Ints:
    """Return the rows of `KINDS` of the family's kinds."""
    return np.array([KINDS.index(kind) for kind in process.kinds])


def widen(process: DemoProcess, values: Singles) -> Singles:
    """Return values with a column for every measurement of the plant."""
    wide = np.full((len(values), len(MEASUREMENTS)), np.nan, np.float32)
    wide[:, [list(MEASUREMENTS).index(name) for name in process.names]] = values
    return wide
