"""Figures that only the page has: a bird's fuel, and what a scenario changes."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import altair as alt

from phenology.report.figures.parts import (
    WIDTH,
    data,
    day_axis,
    day_scale,
    finish,
    layered,
    panels,
    role_colour,
    role_shape,
    roles_of,
    with_role,
)
from phenology.report.palette import light
from phenology.report.words import season_year

if TYPE_CHECKING:
    import pandas as pd

AS_IT_WAS = "as it was"


def draw_bird_fuel(captures: pd.DataFrame) -> alt.FacetChart:
    """Fuel of one bird at each capture, a panel a season.

    Parameters
    ----------
    captures : DataFrame
        site, date, season, fuel_load, fuel_load_low, fuel_load_high [share of lean mass].
    """
    shown = ["site", "date", "season", "fuel_load", "fuel_load_low", "fuel_load_high"]
    rows = captures[shown].astype({"season": str})
    rows["day"] = [
        (date - datetime(season_year(season), 1, 1)).days + 1
        for date, season in zip(rows["date"].dt.to_pydatetime(), rows["season"], strict=True)
    ]
    first, last = rows["day"].min() - 5, rows["day"].max() + 5
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last))
    y = alt.Y("fuel_load:Q", title="fuel", axis=alt.Axis(format="%", tickCount=3))
    tooltip = [
        alt.Tooltip("site:N"),
        alt.Tooltip("date:N"),
        alt.Tooltip("fuel_load:Q", format=".0%", title="fuel"),
        alt.Tooltip("fuel_load_low:Q", format=".0%", title="low"),
        alt.Tooltip("fuel_load_high:Q", format=".0%", title="high"),
    ]
    base = alt.Chart()
    none = base.mark_rule(color=light("rule")).encode(y=alt.datum(0))
    line = base.mark_line(color=light("soft"), strokeWidth=1).encode(x, y)
    reach = base.mark_rule(color=light("mixed"), strokeWidth=1.8).encode(
        x, alt.Y("fuel_load_low:Q"), alt.Y2("fuel_load_high:Q")
    )
    points = base.mark_point(filled=True, size=60, color=light("ink"), opacity=1).encode(
        x, y, tooltip=tooltip
    )
    chart = layered("captures", none, line, reach, points, height=80)
    return finish(panels(chart, "season", sorted(rows["season"].unique())), captures=rows)


def draw_scenario(rows: pd.DataFrame, unit: str, reach: tuple[float, float]) -> alt.LayerChart:
    """One outcome as it was and as it would be, by role, on an axis that stays.

    Parameters
    ----------
    rows : DataFrame
        role, scenario ("as it was" or "changed"), estimate, low, high.
    unit : str
        Title of the axis.
    reach : pair of float
        What the axis covers, whatever the sliders say.
    """
    rows = with_role(rows)
    roles = roles_of(rows)
    x = alt.X(
        "low:Q",
        title=unit,
        scale=alt.Scale(domain=list(reach), zero=False, nice=True, clamp=True),
        axis=alt.Axis(tickCount=5),
    )
    y = alt.Y(
        "role:N",
        title=None,
        scale=alt.Scale(domain=roles),
        axis=alt.Axis(ticks=False, domain=False, grid=False),
    )
    offset = alt.YOffset("scenario:N", scale=alt.Scale(domain=[AS_IT_WAS, "changed"]))
    faint = alt.Opacity(
        "scenario:O", scale=alt.Scale(domain=[AS_IT_WAS, "changed"], range=[0.45, 1]), legend=None
    )
    hue = role_colour(roles, symbol="none")
    reaches = (
        data("rows")
        .mark_rule(strokeWidth=2)
        .encode(x=x, x2="high:Q", y=y, yOffset=offset, color=hue, opacity=faint)
    )
    points = (
        data("rows")
        .mark_point(filled=True, size=70)
        .encode(
            alt.X("estimate:Q"),
            y=y,
            yOffset=offset,
            color=hue,
            opacity=faint,
            shape=role_shape(roles, symbol="none"),
            tooltip=[
                alt.Tooltip("role:N"),
                alt.Tooltip("scenario:N"),
                alt.Tooltip("estimate:Q", format=".3g"),
                alt.Tooltip("low:Q", format=".3g"),
                alt.Tooltip("high:Q", format=".3g"),
            ],
        )
    )
    chart = alt.LayerChart(layer=[reaches, points], width=WIDTH, height={"step": 20})
    return finish(chart, rows=rows)
