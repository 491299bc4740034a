"""Fuel by day, lean mass against wing and gain by day of stay, with every single bird."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import (
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

DRAWN_BIRDS = 2500  # more points hide one another; the draw is seeded and the caption says so
FEWEST_IN_MEDIAN = 5


def draw_fuel_by_day(birds: pd.DataFrame) -> alt.FacetChart:
    """Fuel load of single birds by day of year, all seasons and sites together.

    Parameters
    ----------
    birds : DataFrame
        species, group, role, site, season, day, date, fuel_load, fuel_load_low,
        fuel_load_high [share of lean mass].
    """
    birds = _thinned(birds.dropna(subset=["fuel_load"]))
    roles, first, last = roles_of(birds), birds["day"].min(), birds["day"].max()
    points = (
        alt.Chart()
        .mark_point(filled=True, size=22, opacity=0.55)
        .encode(
            alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last)),
            alt.Y(
                "fuel_load:Q",
                title="fuel, share of lean mass",
                axis=alt.Axis(format="%", tickCount=4),
            ),
            color=role_colour(roles),
            shape=role_shape(roles),
            tooltip=[
                alt.Tooltip("group:N"),
                alt.Tooltip("site:N"),
                alt.Tooltip("date:N"),
                alt.Tooltip("fuel_load:Q", format=".0%", title="fuel"),
                alt.Tooltip("fuel_load_low:Q", format=".0%", title="low"),
                alt.Tooltip("fuel_load_high:Q", format=".0%", title="high"),
            ],
        )
    )
    chart = panels(
        layered("birds", points, height=130),
        "species",
        sorted(birds["species"].unique()),
    )
    shown = ["species", "group", "role", "site", "date", "day"]
    return finish(chart, birds=birds[[*shown, "fuel_load", "fuel_load_low", "fuel_load_high"]])


def draw_lean_mass(birds: pd.DataFrame) -> alt.FacetChart:
    """Lean mass against wing by species; a line rises from it to what the bird weighed.

    Parameters
    ----------
    birds : DataFrame
        species, group, role, wing_mm [mm], mass_g and lean_mass_g [g].
    """
    birds = _thinned(birds.dropna(subset=["wing_mm", "mass_g", "lean_mass_g"]))
    roles = roles_of(birds)
    x = alt.X("wing_mm:Q", title="wing, mm", scale=alt.Scale(zero=False))
    y = alt.Y(
        "lean_mass_g:Q", title="mass, g", scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=4)
    )
    tooltip = [
        alt.Tooltip("group:N"),
        alt.Tooltip("wing_mm:Q"),
        alt.Tooltip("mass_g:Q"),
        alt.Tooltip("lean_mass_g:Q", format=".2f"),
    ]
    base = alt.Chart()
    fuel = base.mark_rule(strokeWidth=1, opacity=0.3).encode(
        x, y, color=role_colour(roles), y2="mass_g:Q"
    )
    lean = base.mark_point(filled=True, size=26, opacity=0.8).encode(
        x, y, color=role_colour(roles), shape=role_shape(roles), tooltip=tooltip
    )
    weighed = base.mark_tick(orient="horizontal", size=5, thickness=1, color=light("soft")).encode(
        x, alt.Y("mass_g:Q"), tooltip=tooltip
    )
    chart = panels(
        layered("birds", fuel, weighed, lean, height=190),
        "species",
        sorted(birds["species"].unique()),
        own=("x", "y"),
    )
    shown = ["species", "group", "role", "wing_mm", "mass_g"]
    made = [name for name in birds if str(name).startswith("lean_mass_g")]
    return finish(chart, birds=birds[[*shown, *made]])


def draw_gain(gains: pd.DataFrame) -> alt.FacetChart:
    """Gain of mass by day of stay: every bird weighed again, and the median of days with five.

    Parameters
    ----------
    gains : DataFrame
        species, group, role, days since first weighed, gain [share of the first mass].
    """
    gains = _thinned(gains)
    roles = roles_of(gains)
    base = alt.Chart()
    x = alt.X("days:Q", title="days since first weighed", axis=alt.Axis(tickMinStep=1))
    y = alt.Y("gain:Q", title="gain, share of first mass", axis=alt.Axis(format="%", tickCount=4))
    none = base.mark_rule(strokeWidth=1, color=light("soft")).encode(y=alt.datum(0))
    points = base.mark_point(filled=True, size=22, opacity=0.55).encode(
        x,
        y,
        color=role_colour(roles),
        shape=role_shape(roles),
        tooltip=[
            alt.Tooltip("group:N"),
            alt.Tooltip("days:Q"),
            alt.Tooltip("gain:Q", format="+.0%"),
        ],
    )
    middle = (
        base.transform_aggregate(
            middle="median(gain)", birds="count()", groupby=["species", "role", "days"]
        )
        .transform_filter(f"datum.birds >= {FEWEST_IN_MEDIAN}")
        .mark_line(strokeWidth=2, opacity=0.9)
        .encode(x, alt.Y("middle:Q"), color=role_colour(roles))
    )
    chart = panels(
        layered("gains", none, points, middle, height=130),
        "species",
        sorted(gains["species"].unique()),
    )
    return finish(chart, gains=gains[["species", "group", "role", "days", "gain"]])


def _thinned(birds: pd.DataFrame) -> pd.DataFrame:
    birds = with_role(birds)
    return birds.sample(DRAWN_BIRDS, random_state=1) if len(birds) > DRAWN_BIRDS else birds
