"""Days to choose: expected captures day by day against what can be processed; past skill."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import day_axis, day_scale, finish, layered, panels
from phenology.report.palette import light


def draw_forecast_calendar(days: pd.DataFrame, season: str) -> alt.FacetChart:
    """Expected captures on each day that can be chosen, by site, with what can be processed.

    Parameters
    ----------
    days : DataFrame
        site, date, day [day of the season's year], weekday, expected, low, high, capacity (may
        be missing), over_limit, rank (missing where the day is left out).
    season : str

    Returns
    -------
    altair.FacetChart
        One panel a site: a mark a day with its 90 % interval, hollow where the day is left out,
        its rank above the best five; a dashed line where capacity ends.
    """
    rows = days.assign(chosen=days["rank"].notna())
    rows["label"] = [f"{rank:.0f}" if rank <= 5 else "" for rank in rows["rank"]]
    first, last = float(rows["day"].min()), float(rows["day"].max())
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last, season), title=None)
    y_title = "birds a day"
    base = alt.Chart()
    tips = [
        alt.Tooltip("site:N"),
        alt.Tooltip("date:N"),
        alt.Tooltip("weekday:N"),
        alt.Tooltip("expected:Q", format=".1f"),
        alt.Tooltip("low:Q", format=".0f"),
        alt.Tooltip("high:Q", format=".0f"),
        alt.Tooltip("over_limit:Q", format=".0%", title="chance of too many"),
        alt.Tooltip("rank:Q"),
    ]
    reach = base.mark_rule(strokeWidth=1.6, color=light("passage")).encode(
        x, alt.Y("low:Q", title=y_title), alt.Y2("high:Q")
    )
    marks = [
        base.transform_filter(f"datum.chosen == {str(chosen).lower()}")
        .mark_point(
            filled=chosen,
            size=46,
            opacity=1,
            color=light("passage"),
            fill=alt.Undefined if chosen else light("paper"),
        )
        .encode(x, alt.Y("expected:Q"), tooltip=tips)
        for chosen in (True, False)
    ]
    ranks = base.mark_text(dy=-8, fontWeight=600, baseline="bottom").encode(
        x, alt.Y("high:Q"), text="label:N"
    )
    layers = [reach, *marks, ranks]
    if rows["capacity"].notna().any():
        layers.insert(
            0,
            base.mark_rule(strokeDash=[6, 3], color=light("doubt")).encode(alt.Y("capacity:Q")),
        )
    sites = sorted(rows["site"].unique())
    chart = layered("days", *layers, height=120)
    return finish(panels(chart, "site", sites, own=("y",)), days=rows)


def draw_forecast_skill(skill: pd.DataFrame) -> alt.FacetChart:
    """Skill of each forecast against the mean season, by group and by what was known.

    Parameters
    ----------
    skill : DataFrame
        lead, group, forecast, skill.
    """
    rows = skill[["lead", "group", "forecast", "skill", "seasons"]]
    base = alt.Chart()
    none = alt.Chart().mark_rule(color=light("soft")).encode(x=alt.datum(0.0))
    leads = sorted(rows["lead"].unique())
    shapes = ["circle", "triangle-right", "square"][: len(leads)]
    colours = [light("passage"), light("local"), light("mixed")][: len(leads)]
    marks = base.mark_point(filled=True, size=70, opacity=1).encode(
        alt.X(
            "skill:Q",
            title="skill against the mean season",
            scale=alt.Scale(domain=[-1, 1], clamp=True, nice=False),
            axis=alt.Axis(format="+.0%"),
        ),
        alt.Y("forecast:N", title=None, axis=alt.Axis(ticks=False, domain=False)),
        alt.Shape("lead:N", title=None, scale=alt.Scale(domain=leads, range=shapes)),
        alt.Color("lead:N", title=None, scale=alt.Scale(domain=leads, range=colours)),
        tooltip=[
            alt.Tooltip("group:N"),
            alt.Tooltip("forecast:N"),
            alt.Tooltip("lead:N"),
            alt.Tooltip("skill:Q", format="+.0%"),
            alt.Tooltip("seasons:Q"),
        ],
    )
    chart = layered("skill", none, marks, height={"step": 18})
    return finish(panels(chart, "group", sorted(rows["group"].unique())), skill=rows)
