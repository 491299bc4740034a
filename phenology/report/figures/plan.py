"""What more days, sites or seasons would show."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import finish, layered, panels
from phenology.report.palette import light


def draw_plans(plans: pd.DataFrame) -> alt.FacetChart:
    """Width of each answer's interval under each plan: further left knows more.

    Parameters
    ----------
    plans : DataFrame
        days, sites, seasons, total_days, aim, unit, width, width_low, width_high, change_seen.

    Returns
    -------
    altair.FacetChart
        One panel an aim, one row a plan.
    """
    rows = plans.assign(
        plan=[
            f"{days} days × {sites} sites × {seasons} seasons"
            for days, sites, seasons in plans[["days", "sites", "seasons"]].itertuples(index=False)
        ],
        head=plans["aim"] + ", " + plans["unit"],
    )
    order = list(dict.fromkeys(rows.sort_values("total_days")["plan"]))
    y = alt.Y("plan:N", sort=order, title=None, axis=alt.Axis(ticks=False, domain=False))
    base = alt.Chart()
    reach = base.mark_rule(strokeWidth=1.8, color=light("passage")).encode(
        alt.X("width_low:Q", title="width of the 90 % interval", scale=alt.Scale(zero=True)),
        y,
        x2="width_high:Q",
    )
    marks = base.mark_point(filled=True, size=64, opacity=1, color=light("passage")).encode(
        alt.X("width:Q"),
        y,
        tooltip=[
            alt.Tooltip("plan:N"),
            alt.Tooltip("total_days:Q", title="days in all"),
            alt.Tooltip("width:Q", format=".3g"),
            alt.Tooltip("change_seen:Q", format=".3g", title="change seen"),
            alt.Tooltip("unit:N"),
        ],
    )
    chart = layered("plans", reach, marks, height={"step": 20})
    return finish(panels(chart, "head", sorted(rows["head"].unique()), own=("x",)), plans=rows)
