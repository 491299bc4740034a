"""Effort by day, with the seasons that were lost."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import day_axis, day_scale, finish, layered, panels, shown_names
from phenology.report.palette import light


def draw_effort_calendar(
    sampled: pd.DataFrame, seasons: pd.DataFrame, span: tuple[float, float] | None = None
) -> alt.FacetChart:
    """Each day sampled as a bar as tall as its device-hours; a lost season is an empty row.

    Parameters
    ----------
    sampled : DataFrame
        site, season, day, date, hours [device-hours, missing where unknown], birds.
    seasons : DataFrame
        site, season, days: 0 days where the season was lost.
    span : pair of float, optional
        First and last day of the axis; by default those sampled.
    """
    known = bool(sampled["hours"].notna().any())
    most = sampled["hours"].max() if known else 1.0
    hours = sampled["hours"] if known else pd.Series(1.0, index=sampled.index)
    days = sampled.assign(
        season=sampled["season"].astype(str), height=(hours / most).fillna(0.15).clip(lower=0.15)
    )
    lost = seasons[seasons["days"] == 0].assign(
        season=lambda rows: rows["season"].astype(str), lost=True
    )[["site", "season", "lost"]]
    order = shown_names(sorted({*days["season"], *lost["season"]}))
    first, last = span or (days["day"].min(), days["day"].max())
    y = alt.Y(
        "season:N",
        sort=order,
        title=None,
        scale=alt.Scale(domain=order, paddingInner=0.2),
        axis=alt.Axis(ticks=False, domain=False),
    )
    tooltip = ["site:N", "date:N", alt.Tooltip("hours:Q", title="device-hours"), "birds:Q"]
    base = alt.Chart()
    bars = (
        base.transform_filter("isValid(datum.day)")
        .transform_calculate(start="datum.day - 0.42", end="datum.day + 0.42")
        .mark_bar(color=light("ink"), cornerRadius=0.5)
        .encode(
            alt.X("start:Q", scale=day_scale(first, last), axis=day_axis(first, last)),
            y,
            x2="end:Q",
            opacity=alt.Opacity(
                "height:Q", scale=alt.Scale(domain=[0, 1], range=[0.2, 1]), legend=None
            ),
            tooltip=tooltip,
        )
    )
    empty = (
        base.transform_filter("datum.lost == true")
        .mark_text(align="left", fontSize=11, text="no day sampled", color=light("doubt"))
        .encode(x=alt.value(4), y=y)
    )
    layers = layered("days", bars, empty, height={"step": 18})
    sites = list(dict.fromkeys([*seasons["site"]]))
    return finish(
        panels(layers, "site", sites),
        days=pd.concat([days.assign(lost=False), lost], ignore_index=True),
    )
