"""Bloom, rain and dew point through the season, one season in front of the others."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import (
    FRONT,
    data,
    day_axis,
    day_scale,
    finish,
    front_and_behind,
    layered,
    panels,
)
from phenology.report.palette import light
from phenology.report.words import day_words


def draw_conditions(
    days: pd.DataFrame, marks: pd.DataFrame, season: str, tick: str
) -> alt.FacetChart:
    """Daily conditions at one site: a panel a measure, one season bold, the others thin.

    Parameters
    ----------
    days : DataFrame
        measure (with its unit), season, day, value, and where known low and high.
    marks : DataFrame
        season, day: days marked under the panels, such as surveys or the onset of the monsoon.
    season : str
        What to draw in front.
    tick : str
        What a mark means.
    """
    rows = days.reindex(columns=["measure", "season", "day", "value", "low", "high"])
    rows = front_and_behind(rows.dropna(subset=["value"]), season, 1, 3)
    first, last = rows["day"].min(), rows["day"].max()
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last, season))
    y = alt.Y("value:Q", title=None, axis=alt.Axis(tickCount=4))
    behind = (
        alt.Chart()
        .transform_filter("!" + FRONT)
        .mark_line(strokeWidth=1, opacity=0.5, color=light("soft"))
        .encode(x, y, detail="season:N")
    )
    front = alt.Chart().transform_filter(FRONT)
    band = front.mark_area(opacity=0.16, color=light("ink")).encode(
        x, alt.Y("low:Q"), alt.Y2("high:Q")
    )
    line = front.mark_line(strokeWidth=2, color=light("ink")).encode(
        x,
        y,
        tooltip=["season:N", "date:N", alt.Tooltip("value:Q", format=".3g")],
    )
    marked = (
        data("marks")
        .mark_rule(color=light("ink"), strokeWidth=1.4)
        .encode(
            x=alt.X("day:Q"),
            y=alt.value(112),
            y2=alt.value(120),
            tooltip=[alt.Tooltip("date:N", title=tick)],
        )
    )
    here = marks[marks["season"] == season].drop_duplicates()
    here = here.assign(date=[day_words(day, season) for day in here["day"]])
    layers = [behind, band, line, marked] if len(here) else [behind, band, line]
    return finish(
        panels(
            layered("days", *layers, height=110),
            "measure",
            list(dict.fromkeys(rows["measure"])),
            own=("y",),
        ),
        days=rows,
        **({"marks": here} if len(here) else {}),
    )
