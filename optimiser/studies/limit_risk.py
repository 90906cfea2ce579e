"""Consumer's and producer's risk of every limit that guards a workmanship bound."""

from dataclasses import dataclass

from optimiser.errors import UsageError
from optimiser.evidence.conformance import global_risk, guard_band, process_of_readings
from optimiser.history.profile import profile
from optimiser.history.read import History
from optimiser.plant.file import SIDES, Bound, Side
from optimiser.recipe.table import Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRisk:
    """One live limit against its workmanship bound, the process taken as normal.

    Attributes
    ----------
    family, measurement, unit : str
    side : {'lower', 'upper'}
    bound, limit, repeatability : float
        In the measurement's unit.
    items : int
        Readings that the process was read off.
    distance : float
        How far the limit stands inside the bound.
    needed : float
        Guard band that holds the wanted risk for an item right at the bound.
    consumer, producer : float
        Joint, of all items: nonconforming and accepted; conforming and called.
    escape_rate, false_call_rate : float
        Conditional: of the nonconforming, accepted; of the conforming, called.
    outgoing_nonconforming : float
        Conditional: of the accepted, nonconforming.
    """

    family: str
    measurement: str
    side: Side
    unit: str
    bound: float
    limit: float
    repeatability: float
    items: int
    distance: float
    needed: float
    consumer: float
    producer: float
    escape_rate: float
    false_call_rate: float
    outgoing_nonconforming: float


def limit_risk(
    history: History, live: Recipe, *, risk: float, family: str | None = None
) -> list[LimitRisk]:
    """Return the risks of every live limit that has a workmanship bound and a repeatability.

    Parameters
    ----------
    history : History
    live : Recipe
    risk : float
        Wanted chance, 0..1, that an item right at the bound is not called.
    family : str, optional

    Returns
    -------
    list of LimitRisk
        Measurements whose readings spread no further than the gauge alone are left out.

    Notes
    -----
    After JCGM 106: the process is normal with the readings' middle and spread, less the
    gauge's own; a goods' spread with heavier tails has more at the bound than this says.
    """
    rows = []
    for (name, measurement), seen in sorted(profile(history, share=0.5).items()):
        rules = history.plant.file.families[name].workmanship.get(measurement)
        row = live.family_rows(name).get(measurement)
        known = history.plant.file.measurements[measurement]
        if rules is None or row is None or family not in (None, name) or not known.repeatability:
            continue
        try:
            # The share of one half is the middle of the readings.
            process = process_of_readings(seen.few_low, seen.spread, known.repeatability)
        except UsageError:
            continue
        for side in SIDES:
            bound, limit = rules.side(side), row.limit(side)
            if bound is None or abs(limit) == float("inf"):
                continue
            edge, accepted = Bound(**{side: bound}), Bound(**{side: limit})
            found = global_risk(process, known.repeatability, edge, accepted)
            rows.append(
                LimitRisk(
                    family=name,
                    measurement=measurement,
                    side=side,
                    unit=known.unit,
                    bound=bound,
                    limit=limit,
                    repeatability=known.repeatability,
                    items=seen.measured,
                    distance=bound - limit if side == "upper" else limit - bound,
                    needed=guard_band(known.repeatability, risk),
                    consumer=found.consumer,
                    producer=found.producer,
                    escape_rate=found.escape_rate,
                    false_call_rate=found.false_call_rate,
                    outgoing_nonconforming=found.outgoing_nonconforming,
                )
            )
    return rows
