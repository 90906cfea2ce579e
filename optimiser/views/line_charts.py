"""The front of the whole line as a picture: hours of review a day against what escapes cost."""

import pandas as pd

from optimiser.plant.file import PlantFile
from optimiser.proposal.line import LinePlan
from optimiser.views.drawing import alt

WIDTH, HEIGHT = 620, 300


def front_chart(plan: LinePlan, file: PlantFile) -> alt.LayerChart:
    """Return the line's front with the plan and the live limits on it.

    Parameters
    ----------
    plan : LinePlan
    file : PlantFile

    Returns
    -------
    LayerChart
    """
    currency = file.plant.currency
    title = f"escapes, {currency} a month"
    front = pd.DataFrame(
        [
            {"hours": p.hours, "cost": part, "of": name}
            for p in plan.front
            for name, part in (("limits and reviewers", p.cost), ("limits", p.by_limits))
        ]
    )
    marks = pd.DataFrame(
        [
            {
                "hours": plan.hours_now,
                "cost": plan.by_limits_now + plan.by_review_now,
                "what": "live limits",
            },
            {"hours": plan.hours, "cost": plan.by_limits + plan.by_review, "what": "this plan"},
        ]
    )
    x = alt.X("hours:Q").title("review, hours a day").scale(zero=False)
    y = alt.Y("cost:Q").title(title)
    lines = (
        alt.Chart(front)
        .mark_line(interpolate="step-after")
        .encode(x=x, y=y, strokeDash=alt.StrokeDash("of:N").title("escapes of"))
    )
    points = (
        alt.Chart(marks)
        .mark_point(size=120, filled=True)
        .encode(
            x=x,
            y=y,
            shape=alt.Shape("what:N").title(None),
            color=alt.Color("what:N").title(None).scale(range=["#b3541e", "#1f6f8b"]),
            tooltip=[
                "what:N",
                alt.Tooltip("hours:Q", format=".2f"),
                alt.Tooltip("cost:Q", format=",.0f"),
            ],
        )
    )
    told = points + points.mark_text(dy=-14, align="left").encode(
        text="what:N", shape=alt.value("circle")
    )
    drawn: alt.LayerChart = (
        (lines + told)
        .properties(
            width=WIDTH,
            height=HEIGHT,
            title=alt.Title(
                "The whole line: hours of review against escapes",
                subtitle="outcomes on lots that no fit has seen; chosen among, so somewhat hopeful: no promise",
            ),
        )
    )  # fmt: skip
    return drawn
