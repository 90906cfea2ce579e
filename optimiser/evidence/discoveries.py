"""False discoveries: which of very many chances are believed."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import false_discovery_control

Floats = NDArray[np.float64]

RATE = 0.05
"""Largest expected share of false findings among all findings of a plant."""


def adjusted(p_values: Sequence[float] | Floats) -> Floats:
    """Return chances adjusted for their number, after Benjamini and Yekutieli (2001).

    Whoever believes those of at most RATE keeps the expected share of false ones among them at
    most RATE. Theirs and not Benjamini's and Hochberg's (1995), because questions of one family
    share lots and items and are two-sided, so that nothing is known of how they depend on one another;
    it asks for chances smaller by ``1 + 1/2 + … + 1/n``.

    Parameters
    ----------
    p_values : sequence of float, shape (n,)
        Of everything that was asked of a plant, found or not.

    Returns
    -------
    ndarray, shape (n,)

    Examples
    --------
    >>> adjusted([0.001, 0.5]).round(4)
    array([0.003, 0.75 ])
    """
    if not len(p_values):
        return np.zeros(0)
    return np.asarray(false_discovery_control(np.asarray(p_values), method="by"), dtype=np.float64)
