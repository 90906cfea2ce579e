"""The prices under which a family's choice is looked at, so that one can ask what if."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from optimiser.errors import UsageError
from optimiser.evidence.reviewers import scenario
from optimiser.plant.file import Plant


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What one review and one escape cost, and how often a reviewer passes a defect.

    Attributes
    ----------
    seconds_per_call, cost_per_hour : float
        > 0, >= 0; money per hour.
    escape_default : float
        Money per escape of a type without its own price, >= 0.
    by_defect : mapping of str to float
        Money per escape by defect type, >= 0.
    reviewers : str
        Scenario of ``evidence.reviewers``: ``constant`` is the plant file's miss rate.
    """

    seconds_per_call: float
    cost_per_hour: float
    escape_default: float
    by_defect: Mapping[str, float] = field(default_factory=dict)
    reviewers: str = "constant"

    def __post_init__(self) -> None:
        """Refuse prices that mean nothing."""
        amounts = {
            "hourly rate": self.cost_per_hour,
            "price of an escape": self.escape_default,
            **{f"price of {name}": price for name, price in self.by_defect.items()},
        }
        for name, amount in amounts.items():
            if not 0 <= amount < np.inf:
                msg = f"{name} must be a finite amount of at least 0, got {amount!r}"
                raise UsageError(msg)
        if not 0 < self.seconds_per_call < np.inf:
            msg = f"seconds per call must be above 0, got {self.seconds_per_call!r}"
            raise UsageError(msg)


def prices_of(plant: Plant) -> Prices:
    """Return the prices that the plant file gives."""
    file = plant.file
    return Prices(
        seconds_per_call=file.review.seconds_per_call,
        cost_per_hour=file.review.cost_per_hour,
        escape_default=file.escape_cost.default,
        by_defect=dict(file.escape_cost.by_defect),
    )


def plant_at(plant: Plant, prices: Prices, *, true_share: float) -> Plant:
    """Return the plant with other prices.

    Parameters
    ----------
    plant : Plant
    prices : Prices
    true_share : float
        Share of true calls among the calls that reviewers see, 0 < share < 1: what the
        scenario's miss rate depends on.

    Returns
    -------
    Plant
    """
    file = plant.file
    curve = scenario(prices.reviewers, miss_rate=file.review.miss_rate)
    review = file.review.model_copy(
        update={
            "seconds_per_call": prices.seconds_per_call,
            "cost_per_hour": prices.cost_per_hour,
            "miss_rate": float(curve.miss_rate(np.array([true_share]))[0]),
        }
    )
    escape = file.escape_cost.model_copy(
        update={"default": prices.escape_default, "by_defect": dict(prices.by_defect)}
    )
    changed = file.model_copy(update={"review": review, "escape_cost": escape})
    return plant.model_copy(update={"file": changed})
