"""Shares of defects that changes would let escape, seen over all families together.

A family with a dozen labelled defects has no share worth ranking by; what the other families
show helps there. For ranking and for the point shown only: a pulled share is never a bound.
"""

from typing import Any

import numpy as np

from optimiser.evidence.shrink import fit_prior, point_shown, shrink

FEWEST_FAMILIES = 5
Row = dict[str, Any]


def with_shares(rows: list[Row]) -> list[Row]:
    """Return proposals with ``escape_share`` added; None where nothing can be said.

    Parameters
    ----------
    rows : list of dict
        As ``Proposal.as_dict`` gives them, of all families of a plant.

    Returns
    -------
    list of dict
        ``escape_share`` holds ``counted`` and ``of`` (held-out labelled defects that the live
        recipe calls: those the change found would not, all), ``shown``, ``low``, ``high``
        (pulled towards the other families) and ``weight`` (of the family's own count).
    """
    found = [(row, _change_of(row)) for row in rows]
    told = [(row, p) for row, p in found if p is not None and p["defects_called"]]
    shares: dict[str, Row] = {}
    if len(told) >= FEWEST_FAMILIES:
        events = np.array([p["added_counted"] for _, p in told], dtype=np.float64)
        trials = np.array([p["defects_called"] for _, p in told], dtype=np.float64)
        prior = fit_prior(events, trials)
        pulled, shown = shrink(events, trials, prior), point_shown(events, trials, prior)
        for n, (row, _) in enumerate(told):
            shares[row["family"]] = {
                "counted": int(events[n]),
                "of": int(trials[n]),
                "shown": float(shown[n]),
                "low": float(pulled.low[n]),
                "high": float(pulled.high[n]),
                "weight": float(pulled.weight[n]),
            }
    return [row | {"escape_share": shares.get(row["family"])} for row in rows]


def _change_of(row: Row) -> Row | None:
    """Return the promise of the change that was found, advised or only considered."""
    if row["advice"] == "change":
        promised: Row = row["promise"]
        return promised
    return row["considered"]["promise"] if row["considered"] else None
