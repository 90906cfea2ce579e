"""The picture of what earlier stages foretell: what stopping each kind of defect there is worth."""

import pandas as pd

from optimiser.studies.foretell import Stages
from optimiser.views.charts import DEFECT, GOOD, HEIGHT, INK, WIDTH, themed
from optimiser.views.drawing import alt

PAYS, COSTS = "pays", "costs more"


def worth_frame(of: Stages) -> pd.DataFrame:
    """Return what `foretold_chart` draws: a row a kind of defect, money a month of production.

    Parameters
    ----------
    of : Stages

    Returns
    -------
    DataFrame
        ``what, net, low, high, pays, false_calls, stopped``.
    """
    return pd.DataFrame(
        [
            {
                "what": f"{row.trail.kind} at {row.trail.found_at}: {row.measurement} {row.side}, "
                f"{row.trail.family}",
                "net": row.price.net.value,
                "low": row.price.net.low,
                "high": row.price.net.high,
                "pays": PAYS if row.price.net.value > 0 else COSTS,
                "false_calls": row.price.false_calls.value,
                "stopped": row.price.stopped.value,
            }
            for row in of.foretellers
        ]
    )


def foretold_chart(of: Stages, *, currency: str) -> alt.LayerChart:
    """Return the net worth of stopping each kind of defect early, with its 90 % interval.

    Parameters
    ----------
    of : Stages
        With something foretold.
    currency : str

    Returns
    -------
    altair.LayerChart
    """
    base = alt.Chart(worth_frame(of)).encode(
        y=alt.Y("what:N", title=None, sort=None, axis=alt.Axis(labelLimit=330))
    )
    points = base.mark_point(filled=True, size=60).encode(
        x=alt.X("net:Q", title=f"net worth, {currency} a month (90 %)"),
        color=alt.Color(
            "pays:N", title=None, scale=alt.Scale(domain=[PAYS, COSTS], range=[GOOD, DEFECT])
        ),
        shape=alt.Shape("pays:N", title=None, scale=alt.Scale(domain=[PAYS, COSTS])),
        tooltip=[
            "what:N",
            alt.Tooltip("net:Q", format=",.0f"),
            alt.Tooltip("stopped:Q", format=",.1f"),
            alt.Tooltip("false_calls:Q", format=",.0f"),
        ],
    )
    reach = base.mark_rule(color=INK).encode(x="low:Q", x2="high:Q")
    drawn = alt.LayerChart(layer=[reach, points]).properties(
        width=WIDTH + 60,
        height=min(HEIGHT, 40 + 34 * len(of.foretellers)),
        title=alt.Title("Stopped at the earlier stage", anchor="start", fontWeight="normal"),
    )
    return themed(drawn)
