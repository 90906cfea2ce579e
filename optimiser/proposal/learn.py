"""What to learn next: the looks that are worth most together within the hours there are.

What each kind of look is worth stands in `learn_worth.py`; what was listed, kept so that it can be
held against what followed, in `learn_record.py`.
"""

from collections.abc import Sequence

import numpy as np

from optimiser.proposal.learn_worth import Look
from optimiser.search.allocate import Offer, allocate


def best_within(ladders: Sequence[Sequence[Look]], hours: float) -> list[Look]:
    """Return the looks that are worth most together within some hours, dearest hour first.

    Parameters
    ----------
    ladders : sequence of sequences of Look
        At most one of each is taken.
    hours : float

    Returns
    -------
    list of Look
    """
    if not ladders:
        return []
    offers = [
        Offer(
            hours=np.array([0.0, *(x.hours for x in ladder)]),
            cost=np.array([0.0, *(-x.worth for x in ladder)]),
            slack=np.zeros(len(ladder) + 1),
        )
        for ladder in ladders
    ]
    found = allocate(offers, hours)
    assert found is not None  # nothing at all takes no hours
    taken = [ladder[n - 1] for ladder, n in zip(ladders, found.picks, strict=True) if n]
    return sorted(taken, key=lambda x: -x.per_hour)
