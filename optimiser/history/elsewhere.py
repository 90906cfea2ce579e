"""Labelled defects that come back from another engine, in the types and the order they have here."""

from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from optimiser.sql import quoted


def defects_in_types(
    found: Any,  # noqa: ANN401 - an Arrow table; Arrow is an extra
    text: Sequence[str],
    measurements: Sequence[str],
    number: Mapping[str, int],
) -> pd.DataFrame:
    """Return labelled defects as the tally has them.

    Parameters
    ----------
    found : pyarrow.Table
        ``place_id, lot, time, weight, live_called``, text columns, measurements.
    text, measurements : sequence of str
        Their names.
    number : mapping of lot to int

    Returns
    -------
    DataFrame
    """
    lots = pd.DataFrame({"lot": list(number), "lot_id": np.arange(len(number), dtype=np.int32)})
    told = ", ".join(f"{c}::varchar as {c}" for c in text)
    measured = ", ".join(f"{quoted(m)}::float as {quoted(m)}" for m in measurements)
    with duckdb.connect() as con:
        con.execute("set TimeZone = 'UTC'")
        con.register("found", found)
        con.register("lots", lots)
        return con.execute(
            f"""select place_id::integer as place_id, lot_id, time::timestamp as time, {told},
                  coalesce(weight, 1)::double as weight, live_called, {measured}
                from found join lots using (lot)
                order by found.time, found.board, found.designator, found.pin, found.stage"""
        ).df()
