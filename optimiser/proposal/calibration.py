"""The calibration: how promises of the past fared, kept beside the plant file.

Proposals show it, and where the past asks for wider intervals of the next span they get them.
"""

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from optimiser.seal import read_sealed, write_sealed

Fields = dict[str, Any]

CALIBRATION = "backtest.json"
# Fewer past promises than this widen nothing: their quantile would be chance.
FEWEST_PROMISES = 20


def keep_calibration(folder: Path, calibration: Sequence[Fields]) -> None:
    """Keep a calibration table beside the plant file, for proposals to show.

    A folder that cannot be written keeps none.
    """
    with suppress(OSError):
        write_sealed(folder / CALIBRATION, {"calibration": list(calibration)})


def read_calibration(folder: Path) -> list[Fields]:
    """Return the calibration table of the last backtest; empty without one."""
    try:
        rows: list[Fields] = read_sealed(folder / CALIBRATION)["calibration"]
    except (OSError, ValueError, KeyError):
        return []
    return rows


def widening(calibration: Sequence[Fields], figure: str = "false_calls_saved") -> float:
    """Return by how much past promises ask for wider intervals of the next span.

    Parameters
    ----------
    calibration : sequence of dict
        Rows of `backtest.calibrate`.
    figure : str

    Returns
    -------
    float
        The factor on the half-width at which the stated share would have been inside; 1 where
        they were wide enough, and with fewer than FEWEST_PROMISES promises.
    """
    for row in calibration:
        if row.get("figure") == figure and row.get("promises", 0) >= FEWEST_PROMISES:
            return max(1.0, float(row.get("widen") or 1.0))
    return 1.0
