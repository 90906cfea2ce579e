"""The picture of a finding: lot means in order of time, what stands apart told by colour and shape."""

import pandas as pd

from optimiser.studies.causes import Cause, Causes
from optimiser.views.charts import DEFECT, GOOD, HEIGHT, INK, WIDTH
from optimiser.views.drawing import alt

REST = "all others"


def lots_frame(of: Causes, cause: Cause) -> pd.DataFrame:
    """Return what `lots_chart` draws: a row a lot and group.

    Parameters
    ----------
    of : Causes
    cause : Cause
        With a measurement.

    Returns
    -------
    DataFrame
        ``lot, first, group, mean, items``; empty where the finding is not one of lot means.
    """
    lots = of.lots
    own = lots[(lots["family"] == cause.family) & (lots["measurement"] == cause.measurement)]
    group = pd.Series(REST, index=own.index)
    if cause.scope in own.columns:
        named = own[cause.scope].isin([cause.name, cause.against])
        group = own[cause.scope].where(named, REST)
    table = own.assign(group=group, total=own["mean"] * own["n"])
    table = table.groupby(["lot_id", "lot", "first", "group"], as_index=False)[["n", "total"]].sum()
    table["mean"] = table["total"] / table["n"]
    return table.rename(columns={"n": "items"})[["lot", "first", "group", "mean", "items"]]


def lots_chart(of: Causes, cause: Cause) -> alt.LayerChart | None:
    """Return the lot means behind a finding, with the days on which the process stepped.

    Parameters
    ----------
    of : Causes
    cause : Cause

    Returns
    -------
    altair.LayerChart or None
        None where the finding is not one of lot means.
    """
    if cause.kind not in {"moved", "drift", "two populations", "stations"}:
        return None
    frame = lots_frame(of, cause)
    groups = sorted(frame["group"].unique(), key=lambda g: (g == REST, g))
    points = (
        alt.Chart(frame)
        .mark_point(filled=True, size=38, opacity=0.85)
        .encode(
            x=alt.X("first:T", title="first item of the lot"),
            y=alt.Y(
                "mean:Q",
                title=f"{cause.measurement}, {cause.unit}: mean of a lot's goods",
                scale=alt.Scale(zero=False),
            ),
            color=alt.Color(
                "group:N",
                title=cause.scope or None,
                scale=alt.Scale(domain=groups, range=[DEFECT, "#009E73", GOOD][-len(groups) :]),
            ),
            shape=alt.Shape("group:N", title=cause.scope or None, scale=alt.Scale(domain=groups)),
            tooltip=["lot:N", "group:N", alt.Tooltip("mean:Q", format=".4g"), "items:Q"],
        )
    )
    layers: list[alt.Chart] = [points]
    if cause.days:
        days = pd.DataFrame({"day": pd.to_datetime(list(cause.days))})
        layers.append(alt.Chart(days).mark_rule(color=INK, strokeDash=[4, 3]).encode(x="day:T"))
    title = f"{cause.family}: {cause.kind}"
    drawn: alt.LayerChart = alt.LayerChart(layer=layers).properties(
        width=WIDTH + 60,
        height=HEIGHT - 60,
        title=alt.Title(title, anchor="start", fontWeight="normal"),
    )
    return drawn
