"""The places on the demo's boards, and what each adds of its own."""

from dataclasses import dataclass

import numpy as np

from optimiser.demo.families import FAMILIES, FamilyPlan
from optimiser.demo.process import DemoProcess, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """A family's places, p of them, ordered by product, then part.

    `starts` and `counts` have shape (products, parts) and (products,): a board of product
    a whose reel is part b holds places ``starts[a, b] : starts[a, b] + counts[a]``.
    """

    product: Ints
    part: Ints
    designator: tuple[str, ...]
    pin: tuple[str | None, ...]
    parts: tuple[str, ...]
    starts: Ints
    counts: Ints
    shift: Floats


def items_per_board() -> Floats:
    """Return the number of items on a board of each product."""
    counts = np.array([np.array(f.places) * max(f.pins, 1) for f in FAMILIES], dtype=np.float64)
    return np.asarray(counts.sum(axis=0), dtype=np.float64)


def number_components() -> dict[str, list[list[str]]]:
    """Return each family's designators by product, counted on within a prefix."""
    used: dict[tuple[str, int], int] = {}
    found: dict[str, list[list[str]]] = {}
    for family in FAMILIES:
        if family.host:
            hosts = found[family.host]
            found[family.name] = [hosts[p][:n] for p, n in enumerate(family.places)]
            continue
        found[family.name] = []
        for product, count in enumerate(family.places):
            start = used.get((family.prefix, product), 0)
            used[family.prefix, product] = start + count
            found[family.name].append([f"{family.prefix}{start + i + 1}" for i in range(count)])
    return found


def special_place(family: FamilyPlan) -> tuple[int, int] | None:
    """Return product and component of the family's odd or excused designator."""
    return (1, 2) if family.odd_place else (2, 1) if family.excused_place else None


def lay_places(process: DemoProcess, names: list[list[str]], rng: np.random.Generator) -> Places:
    """Return the family's places; each has a small shift of its own, some a large one."""
    family = process.family
    suppliers = [process.latent({})]
    parts = [f"{family.part}-1180"]
    if family.second_supplier:
        suppliers.append(process.latent(family.second_supplier))
        parts.append(f"{family.part}-2240")
    pins: list[str | None] = [str(i + 1) for i in range(family.pins)]
    pins = pins or [None]
    special = special_place(family)
    extra = process.latent(family.odd_place or family.excused_place)
    keys: list[tuple[int, int, str, str | None]] = []
    shifts: list[Floats] = []
    for product, components in enumerate(names):
        own = rng.normal(0.0, 0.1, (len(components) * len(pins), len(process.names)))
        if special and special[0] == product:
            own[special[1] * len(pins) : (special[1] + 1) * len(pins)] += extra
        for part, supplier in enumerate(suppliers):
            keys += [(product, part, name, pin) for name in components for pin in pins]
            shifts.append(own + supplier)
    counts = np.array([len(components) * len(pins) for components in names])
    before = np.concatenate([[0], np.cumsum(counts * len(parts))[:-1]])
    return Places(
        product=np.array([key[0] for key in keys]),
        part=np.array([key[1] for key in keys]),
        designator=tuple(key[2] for key in keys),
        pin=tuple(key[3] for key in keys),
        parts=tuple(parts),
        starts=before[:, None] + counts[:, None] * np.arange(len(parts)),
        counts=counts,
        shift=np.concatenate(shifts),
    )
