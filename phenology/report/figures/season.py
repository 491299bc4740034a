"""When: season curves over the days actually sampled, and dates year by year."""

from __future__ import annotations

from typing import Any

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
    role_colour,
    role_dash,
    role_shape,
    roles_of,
    shown_names,
    with_role,
)
from phenology.report.palette import light
from phenology.report.words import day_words, span_words

CURVE_WORDS = "datum.label === 'present' ? 'birds present' : 'first captures'"
DATES = ("arrival_day", "peak_day", "departure_day")
FRONT_STEP = 2  # days between drawn points of the season in front
BEHIND_STEP = 6  # of the seasons behind it, drawn thin
POOLED_STEP = 3  # of all seasons together


def draw_season_curves(
    curves: pd.DataFrame,
    sampled: pd.DataFrame,
    site: str,
    season: str | int,
    curve: str = "present",
) -> alt.FacetChart:
    """Birds a day by group at one site: one season in front, the others thin behind it.

    Parameters
    ----------
    curves : DataFrame
        site, season, group, role, curve, day, estimate, low, high [birds/day].
    sampled : DataFrame
        site, season, day, hours: the days worked.
    site, season : str
        What to draw in front.
    curve : {"present", "captured"}
        Birds present, or first captures.

    Returns
    -------
    altair.FacetChart
        One panel a group, each with its own scale; ticks below are the days sampled.
    """
    here = with_role(curves[(curves["site"] == site) & (curves["curve"] == curve)])
    here = here.drop(columns=["site", "curve"]).round({"estimate": 3, "low": 3, "high": 3})
    here = front_and_behind(here, str(season), FRONT_STEP, BEHIND_STEP)
    first = here["day"].min()
    at_site = sampled[sampled["site"] == site]
    worked = at_site[at_site["season"].astype(str) == str(season)]
    roles, groups = roles_of(here), sorted(here["group"].unique())
    x = alt.X(
        "day:Q",
        scale=day_scale(first, here["day"].max()),
        axis=day_axis(first, here["day"].max(), season),
    )
    base = alt.Chart()
    behind = (
        base.transform_filter("!" + FRONT)
        .mark_line(strokeWidth=1, opacity=0.35, interpolate="monotone")
        .encode(x, alt.Y("estimate:Q"), role_colour(roles, symbol="stroke"), detail=["season:N"])
    )
    front = base.transform_filter(FRONT)
    band = front.mark_area(opacity=0.18).encode(
        x, alt.Y("low:Q"), alt.Y2("high:Q"), role_colour(roles, symbol="stroke")
    )
    line = front.mark_line(strokeWidth=2.2).encode(
        x,
        alt.Y("estimate:Q", title="birds a day", axis=alt.Axis(tickCount=3, grid=True)),
        role_colour(roles, symbol="stroke"),
        role_dash(roles, symbol="stroke"),
        tooltip=[
            alt.Tooltip("group:N"),
            alt.Tooltip("role:N"),
            alt.Tooltip("date:N"),
            alt.Tooltip("estimate:Q", format=".2f", title="birds a day"),
            alt.Tooltip("low:Q", format=".2f"),
            alt.Tooltip("high:Q", format=".2f"),
        ],
    )
    days = (
        data("days_sampled")
        .mark_rule(color=light("ink"), strokeWidth=1.4)
        .encode(
            x=alt.X("day:Q"),
            y=alt.value(106),
            y2=alt.value(114),
            tooltip=[alt.Tooltip("date:N", title="sampled"), alt.Tooltip("hours:Q")],
        )
    )
    layers = layered("curves", behind, band, line, days, height=104)
    return finish(
        panels(layers, "group", groups, own=("y",)),
        curves=here,
        days_sampled=worked[["day", "date", "hours"]],
    )


def draw_first_captures(curves: pd.DataFrame, site: str) -> alt.FacetChart:
    """First captures beside birds present, all seasons of a site together.

    Parameters
    ----------
    curves : DataFrame
        As `draw_season_curves` takes them, of all seasons together: present and captured.
    site : str

    Returns
    -------
    altair.FacetChart
        One panel a group: birds present with their interval, first captures dashed.
    """
    pooled = with_role(curves[curves["site"] == site])
    since = pooled["day"] - pooled["day"].min()
    here = pooled[since % POOLED_STEP == 0].drop(columns=["site", "season"])
    groups = sorted(here["group"].unique())
    first, last = here["day"].min(), here["day"].max()
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last))
    base = alt.Chart()
    roles = roles_of(here)
    band = (
        base.transform_filter("datum.curve === 'present'")
        .mark_area(opacity=0.18, interpolate="monotone")
        .encode(x, alt.Y("low:Q"), alt.Y2("high:Q"), role_colour(roles, symbol="stroke"))
    )
    line = base.mark_line(strokeWidth=2, interpolate="monotone").encode(
        x,
        alt.Y("estimate:Q", title="birds a day", axis=alt.Axis(tickCount=3, grid=True)),
        role_colour(roles, symbol="stroke"),
        alt.StrokeDash(
            "curve:N",
            title=None,
            scale=alt.Scale(domain=["present", "captured"], range=list[Any]([[1, 0], [5, 3]])),
            legend=alt.Legend(labelExpr=CURVE_WORDS, symbolType="stroke"),
        ),
        detail=["role:N"],
    )
    layers = layered("first_captures", band, line, height=90)
    return finish(panels(layers, "group", groups, own=("y",)), first_captures=here)


def draw_dates_by_year(
    timing: pd.DataFrame,
    seasons: pd.DataFrame,
    site: str,
    span: tuple[float, float] | None = None,
) -> alt.FacetChart:
    """Arrival, peak and departure by group and season at one site; lost seasons stand empty.

    Parameters
    ----------
    timing : DataFrame
        site, season, group, role, then arrival_day, peak_day and departure_day, each with
        `_low` and `_high` [day of the season's year].
    seasons : DataFrame
        site, season, days: the days sampled in each season, 0 where it was lost.
    site : str
    span : pair of float, optional
        First and last day of the axis; by default those drawn.

    Returns
    -------
    altair.FacetChart
        A line from arrival to departure, the peak as a point with its 90 % interval.
    """
    here = with_role(timing[timing["site"] == site]).drop(columns="site")
    days_worked = seasons[seasons["site"] == site].set_index("season")["days"]
    lost = {str(season): f"{season} lost" for season, days in days_worked.items() if days == 0}
    long = _dates_in_words(here)
    long["row"] = long["season"].astype(str).replace(lost | {"": "all years"})
    long["measured"] = long["basis"] == "measured"
    groups, roles = sorted(long["group"].unique()), roles_of(long)
    rows = {*long["row"], *lost.values()}
    order = shown_names(sorted(rows, key=lambda row: (not row[:1].isdigit(), row)))
    first, last = span or date_span(here)
    x_scale, x_axis = day_scale(first, last), day_axis(first, last)
    y = alt.Y(
        "row:N",
        sort=order,
        title=None,
        scale=alt.Scale(domain=order),
        axis=alt.Axis(grid=False, ticks=False, domain=False),
    )
    tips: list[Any] = ["group:N", "role:N", "season:N", "arrival:N", "peak:N", "departure:N"]
    tips += [alt.Tooltip("birds:Q", title="birds"), "basis:N"]
    base = alt.Chart()
    # Without a stated arrival (a group already here) the line starts at the peak.
    stay = base.mark_rule(strokeWidth=1.6).encode(
        alt.X("first_day:Q", scale=x_scale, axis=x_axis),
        y,
        role_colour(roles, symbol="filled"),
        role_dash(roles, symbol="filled"),
        x2="last_day:Q",
    )
    ends = [
        base.mark_rule(strokeWidth=7, opacity=0.22).encode(
            alt.X(f"{name}_low:Q", scale=x_scale),
            y,
            role_colour(roles, symbol="filled"),
            x2=f"{name}_high:Q",
        )
        for name in DATES
    ]
    edges = [
        base.mark_tick(thickness=1.6, size=8).encode(
            alt.X(f"{name}:Q", scale=x_scale), y, role_colour(roles, symbol="filled"), tooltip=tips
        )
        for name in ("arrival_day", "departure_day")
    ]
    peaks = [
        base.transform_filter(f"datum.measured == {str(measured).lower()}")
        .mark_point(
            filled=measured,
            size=60,
            opacity=1,
            fill=alt.Undefined if measured else light("paper"),
        )
        .encode(
            alt.X("peak_day:Q", scale=x_scale),
            y,
            role_colour(roles, symbol="filled"),
            role_shape(roles, symbol="filled"),
            tooltip=tips,
        )
        for measured in (True, False)
    ]
    layers = layered("dates", *ends, stay, *edges, *peaks, height={"step": 16})
    return finish(panels(layers, "group", groups), dates=long)


def date_span(timing: pd.DataFrame) -> tuple[float, float]:
    """First and last day that the dates of a table and their intervals reach."""
    days = timing[[f"{name}{end}" for name in DATES for end in ("", "_low", "_high")]]
    return float(days.min(axis=None)), float(days.max(axis=None))


def _dates_in_words(here: pd.DataFrame) -> pd.DataFrame:
    long = here.reset_index(drop=True)
    for quantity, word in (
        ("arrival_day", "arrival"),
        ("peak_day", "peak"),
        ("departure_day", "departure"),
    ):
        long[word] = [
            f"{day_words(day, year)} ({span_words(low, high, year)})"
            if pd.notna(day)
            else "not told"
            for day, low, high, year in zip(
                long[quantity],
                long[f"{quantity}_low"],
                long[f"{quantity}_high"],
                long["season"],
                strict=True,
            )
        ]
    long["first_day"] = long["arrival_day"].fillna(long["peak_day"])
    long["last_day"] = long["departure_day"].fillna(long["peak_day"])
    return long
