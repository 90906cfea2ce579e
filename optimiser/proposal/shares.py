"""Shares of defects that changes would let escape, seen over all families together.

A family with a dozen labelled defects has no share worth ranking by; what the other families
show helps there. For ranking and for the point shown only: a pulled share is never a bound.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimiser.evidence.shrink import fit_prior, point_shown, shrink
from optimiser.proposal.record import EscapeShare, Proposal

FEWEST_FAMILIES = 5


def with_shares(proposals: Sequence[Proposal]) -> list[Proposal]:
    """Return proposals with their ``escape_share``; None where nothing can be said.

    Parameters
    ----------
    proposals : sequence of Proposal
        Of all families of a plant.

    Returns
    -------
    list of Proposal
        Those whose change found, advised or not, would let called defects escape are seen over
        all of them, from FEWEST_FAMILIES families on.
    """
    promises = {p.family: p.change.promise for p in proposals if p.change is not None}
    told = {family: p for family, p in promises.items() if p.defects_called}
    shares: dict[str, EscapeShare] = {}
    if len(told) >= FEWEST_FAMILIES:
        events = np.array([p.added_counted for p in told.values()], dtype=np.float64)
        trials = np.array([p.defects_called for p in told.values()], dtype=np.float64)
        prior = fit_prior(events, trials)
        pulled, shown = shrink(events, trials, prior), point_shown(events, trials, prior)
        for n, family in enumerate(told):
            shares[family] = EscapeShare(
                counted=int(events[n]),
                of=int(trials[n]),
                shown=float(shown[n]),
                low=float(pulled.low[n]),
                high=float(pulled.high[n]),
                weight=float(pulled.weight[n]),
            )
    return [replace(p, escape_share=shares.get(p.family)) for p in proposals]
