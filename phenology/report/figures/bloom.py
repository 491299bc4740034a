"""Bloom by plant with its surveys, and the energy on offer by day."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import day_axis, day_scale, finish, layered, panels
from phenology.report.palette import light

HEIGHT = 84


def draw_bloom_curves(days: pd.DataFrame, surveys: pd.DataFrame, season: str) -> alt.FacetChart:
    """Open flowers of each plant through one season at one site, surveys as points.

    Parameters
    ----------
    days : DataFrame
        plant, day, flowers_per_m2, low, high.
    surveys : DataFrame
        plant, day, flowers_per_m2, date: one row a plant and survey; a plant absent from a
        complete survey stands at zero.
    season : str
        As reported; names the days of the axis.

    Returns
    -------
    altair.FacetChart
        A panel a plant: median, 90 % band, one mark a survey.
    """
    rows = pd.concat(
        [days.assign(what="estimate"), surveys.assign(what="survey")], ignore_index=True
    )
    first, last = days["day"].min(), days["day"].max()
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last, season))
    y = alt.Y("flowers_per_m2:Q", title=None, axis=alt.Axis(tickCount=3))
    told = alt.Chart().transform_filter("datum.what === 'estimate'")
    band = told.mark_area(opacity=0.16, color=light("ink")).encode(
        x, alt.Y("low:Q", title=None), alt.Y2("high:Q")
    )
    line = told.mark_line(strokeWidth=1.8, color=light("ink")).encode(x, y)
    counted = (
        alt.Chart()
        .transform_filter("datum.what === 'survey'")
        .mark_point(filled=True, size=46, opacity=1, color=light("doubt"), stroke=light("paper"))
        .encode(x, y, tooltip=["date:N", alt.Tooltip("flowers_per_m2:Q", format=".3g")])
    )
    layers = layered("days", band, line, counted, height=HEIGHT)
    plants = sorted(days["plant"].unique())
    return finish(panels(layers, "plant", plants, own=("y",)), days=rows)


def draw_energy(days: pd.DataFrame, season: str) -> alt.FacetChart:
    """Energy on offer by day through one season at one site.

    Parameters
    ----------
    days : DataFrame
        offered (such as "flowers of a hectare", "feeders"), day, date, energy_kj, low, high
        [kJ/day], and birds (bird-days a day that it could feed, in words).
    season : str
        As reported.

    Returns
    -------
    altair.FacetChart
        A panel each, on one scale: median and 90 % band.
    """
    first, last = days["day"].min(), days["day"].max()
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last, season))
    axis = alt.Axis(format=",d", tickCount=4)
    band = (
        alt.Chart()
        .mark_area(opacity=0.16, color=light("ink"))
        .encode(x, alt.Y("low:Q", title=None, axis=axis), alt.Y2("high:Q"))
    )
    line = (
        alt.Chart()
        .mark_line(strokeWidth=1.8, color=light("ink"))
        .encode(
            x,
            alt.Y("energy_kj:Q", title=None, axis=axis),
            tooltip=["date:N", alt.Tooltip("energy_kj:Q", format=",.0f"), "birds:N"],
        )
    )
    layers = layered("energy", band, line, height=HEIGHT)
    return finish(panels(layers, "offered", sorted(days["offered"].unique())), energy=days)
