"""A tiny plant whose limits change in the middle: 40 days, one family that matters, in memory.

Calls and labels are worked out here in plain Python, as in ``factories``.
"""

from datetime import datetime, timedelta

import numpy as np
from factories import RECIPE, called

START = datetime(2026, 3, 2, 6)  # noqa: DTZ001 - a TIMESTAMP of the contract, in UTC
DAYS, CHANGE_DAY, A_DAY = 40, 20, 120
AFTER = tuple((*row[:4], "4.5", row[5]) if row[1:3] == ("CHIP", "tilt") else row for row in RECIPE)


def make_days(seed=5, *, change_day=CHANGE_DAY, worse=0.0, drift=0.0, **more):
    """Return items of CHIP; the new limits are live from noon of a day on.

    ``worse`` moves every tilt, ``drift`` every offset, from that day on.
    """
    rng = np.random.default_rng(seed)
    items = []
    for n in range(DAYS * A_DAY):
        day, nth = divmod(n, A_DAY)
        time = START + timedelta(days=day, minutes=5 * nth)
        live = time >= START + timedelta(days=change_day, hours=5)
        defect = bool(rng.random() < 0.02)
        tilt = abs(rng.normal(0, 2.0)) + 4 * defect + worse * live
        offset = abs(rng.normal(0, 15)) + 25 * defect + drift * live
        item = {
            "time": time,
            "line": "L1",
            "station": "AOI-1",
            "stage": "post-reflow",
            "product": "P1",
            "board": f"B{n // 8:04d}",
            "lot": f"lot-{day:02d}{'ab'[nth * 2 // A_DAY]}",
            "designator": f"R{n % 8 + 10}",
            "pin": None,
            "part": "R-1",
            "family": "CHIP",
            "tilt": float(np.float32(round(tilt, 2))),
            "offset": float(np.float32(round(offset, 2))),
            "fill": 85.0,
            "weight": 1.0,
        }
        items.append({**finish(item, defect=defect, live=live, rng=rng), **more})
    return items


def finish(item, *, defect, live, rng):
    """Return an item with its call and what becomes known of it."""
    made = called(item, AFTER if live else RECIPE)
    known = made or (defect and rng.random() < 0.5)
    return {
        **item,
        "called": made,
        "verdict": ("defect" if defect else "good") if known else None,
        "defect": "shifted" if known and defect else None,
        "found_by": ("review" if made else "test") if known else None,
    }


def signed(saved=(0.0, 0.0, 0.0), *, live_false_calls, items, added=(1.0, 0.0, 8.0), **more):
    """Return a change as the ledger has it; intervals as value, low, high."""

    def interval(row):
        return dict(zip(("value", "low", "high"), row, strict=True))

    move = {"measurement": "tilt", "side": "upper", "unit": "deg", "now": 3.5, "proposed": 4.5}
    nothing = {"goods": 0, "unreviewed": 0, "defects": 0, "calls": 0}
    return {
        "family": "CHIP",
        "limits": [{**move, "rail": ""}],
        "promise": {
            "false_calls_saved": interval(saved),
            "escapes_added": interval(added),
            "saving_per_month": interval((10.0, 5.0, 15.0)),
            "defects_called": 40,
        },
        "lines": {"kept": {**nothing, "goods": live_false_calls}, "loosened": nothing},
        "items": items,
        "span_days": 20.0,
        **more,
    }
