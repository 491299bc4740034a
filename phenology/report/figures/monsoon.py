"""The calendar of moist days: a row a year, a cell a day, onsets and withdrawals on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import numpy as np
import pandas as pd

from phenology.report.figures.parts import WIDTH, data, day_axis, day_scale, finish
from phenology.report.palette import light
from phenology.report.words import day_words
from phenology.weather.derived import season_block
from phenology.weather.monsoon import DEWPOINT, RAIN, SEARCH

if TYPE_CHECKING:
    import xarray as xr

    from phenology.weather.derived import Window
    from phenology.weather.monsoon import MonsoonYears

ROW_HEIGHT = 18
WET_DAY_MM = 1.0
_KINDS = {"moist air": 0.36, "dew point unknown": 0.1}


def draw_monsoon_calendar(
    weather: xr.Dataset, monsoon: MonsoonYears, site: str, window: Window = SEARCH
) -> alt.LayerChart:
    """Days of moist air and days of rain of one site, year by year.

    A cell is shaded where the day's dew point reached the site's threshold, faintly where it is
    not known; the height of the line in it grows with the day's rain. A triangle marks the onset
    by moist days, a diamond that by rain, each with its 90 % interval below (dotted for rain);
    hollow triangles are false starts. At its end each row says the season's rain.

    Parameters
    ----------
    weather : Dataset
        dewpoint_c and rain_mm on (site, date).
    monsoon : MonsoonYears
        As found on the same weather.
    site : str
    window : Window
        Days drawn.

    Returns
    -------
    altair.LayerChart
    """
    here = weather.sel(site=[site])
    threshold_c = float(monsoon.thresholds.set_index("site")["threshold_c"].loc[site])
    turns = monsoon.turns[monsoon.turns["site"] == site]
    years = sorted(turns["season"].unique())
    cells = pd.concat([_cells(here, window, year, threshold_c) for year in years])
    marks, starts = _marks(turns), _false_starts(turns)
    strength = _strength(monsoon.years[monsoon.years["site"] == site], cells["day"].max())
    first, last = cells["day"].min(), cells["day"].max()
    x = alt.X("day:Q", scale=day_scale(first, last), axis=day_axis(first, last, int(years[0])))
    y = alt.Y("season:O", title=None, sort="ascending", axis=alt.Axis(grid=False, ticks=False,
                                                                     domain=False))  # fmt: skip
    layers = [_shade(x, y), _rain(y), _bounds(y), _points(y)]
    sets = {"cells": cells, "marks": marks}
    if len(starts):
        layers.append(_hollow(y))
        sets["starts"] = starts
    if len(strength):
        layers.append(_shares(y))
        sets["strength"] = strength
    chart = alt.LayerChart(layer=layers, width=WIDTH, height=ROW_HEIGHT * len(years))
    chart.resolve = alt.Resolve(scale={"opacity": "independent", "size": "independent"})
    return finish(chart, **sets)


def _shade(x: alt.X, y: alt.Y) -> alt.Chart:
    """Days of moist air, and faintly those whose dew point is not known."""
    layer: alt.Chart = (
        data("cells")
        .transform_filter("datum.air !== 'dry air'")
        .transform_calculate(until="datum.day + 1")
        .mark_rect(color=light("passage"), height=ROW_HEIGHT - 3)
        .encode(
            x,
            alt.X2("until:Q"),
            y,
            opacity=alt.Opacity(
                "air:O",
                title=None,
                sort=list(_KINDS),
                scale=alt.Scale(domain=list(_KINDS), range=list(_KINDS.values())),
            ),
            tooltip=["season:O", "date:N", "dewpoint_c:Q", "rain_mm:Q"],
        )
    )
    return layer


def _rain(y: alt.Y) -> alt.Chart:
    """A line a wet day, longer for more rain."""
    length = alt.Scale(type="sqrt", domain=[0, 40], range=[1, ROW_HEIGHT - 4], clamp=True)
    layer: alt.Chart = (
        data("cells")
        .transform_filter(f"datum.rain_mm >= {WET_DAY_MM}")
        .transform_calculate(middle="datum.day + 0.5")
        .mark_tick(orient="vertical", thickness=1.6, color=light("ink"))
        .encode(alt.X("middle:Q"), y, size=alt.Size("rain_mm:Q", scale=length, legend=None))
    )
    return layer


def _bounds(y: alt.Y) -> alt.Chart:
    """Intervals of onset and withdrawal, dotted for rain."""
    dash = alt.Scale(domain=[DEWPOINT, RAIN], range=[[1, 0], [2, 2]])
    layer: alt.Chart = (
        data("marks")
        .mark_rule(strokeWidth=2, color=light("doubt"), yOffset=ROW_HEIGHT / 2 - 2)
        .encode(
            alt.X("low:Q"),
            alt.X2("high:Q"),
            y,
            strokeDash=alt.StrokeDash("definition:N", scale=dash, legend=None),
        )
    )
    return layer


def _points(y: alt.Y) -> alt.Chart:
    """Onset and withdrawal."""
    shapes = alt.Scale(domain=list(_TURNS), range=["triangle-right", "diamond", "triangle-left"])
    layer: alt.Chart = (
        data("marks")
        .mark_point(size=70, filled=True, opacity=1, stroke=light("paper"), strokeWidth=0.8)
        .encode(
            alt.X("day:Q"),
            y,
            shape=alt.Shape("turn:N", title=None, scale=shapes),
            color=alt.value(light("doubt")),
            tooltip=["season:O", "turn:N", "date:N", "low:Q", "high:Q"],
        )
    )
    return layer


def _hollow(y: alt.Y) -> alt.Chart:
    """False starts."""
    layer: alt.Chart = (
        data("starts")
        .mark_point(
            size=60, shape="triangle-right", filled=False, strokeWidth=1.4, color=light("doubt")
        )
        .encode(alt.X("day:Q"), y, tooltip=["season:O", "date:N", "what:N"])
    )
    return layer


def _shares(y: alt.Y) -> alt.Chart:
    """The season's rain as a share of normal, at the end of its row."""
    layer: alt.Chart = (
        data("strength")
        .mark_text(align="left", dx=8, fontSize=12, color=light("ink"))
        .encode(alt.X("day:Q"), y, text="share:N", tooltip=["season:O", "rain:N"])
    )
    return layer


_TURNS = {
    "onset, moist days": (DEWPOINT, "onset"),
    "onset, rain": (RAIN, "onset"),
    "withdrawal, moist days": (DEWPOINT, "withdrawal"),
}


def _cells(weather: xr.Dataset, window: Window, year: int, threshold_c: float) -> pd.DataFrame:
    """Every day of a season that is moist, wet or unknown."""
    dewpoint, days = season_block(weather["dewpoint_c"], window, year)
    rain, _ = season_block(weather["rain_mm"], window, year)
    moist = np.where(dewpoint[0] >= threshold_c, "moist air", "dry air")
    table = pd.DataFrame(
        {
            "season": year,
            "day": days,
            "dewpoint_c": dewpoint[0],
            "rain_mm": rain[0],
            "air": np.where(np.isnan(dewpoint[0]), "dew point unknown", moist),
        }
    )
    shown = table[(table["air"] != "dry air") | (table["rain_mm"] >= WET_DAY_MM)]
    return shown.assign(date=[day_words(day, year) for day in shown["day"]])


def _marks(turns: pd.DataFrame) -> pd.DataFrame:
    parts = []
    for label, (definition, what) in _TURNS.items():
        rows = turns[(turns["definition"] == definition) & turns[f"{what}_day"].notna()]
        parts.append(
            pd.DataFrame(
                {
                    "season": rows["season"],
                    "turn": label,
                    "definition": definition,
                    "day": rows[f"{what}_day"],
                    "low": rows[f"{what}_low"],
                    "high": rows[f"{what}_high"],
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    words = [day_words(day, year) for day, year in zip(table["day"], table["season"], strict=True)]
    return table.assign(date=words)


def _false_starts(turns: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {
            "season": row["season"],
            "day": int(day),
            "date": day_words(int(day), row["season"]),
            "what": "false start",
        }
        for row in turns.to_dict("records")
        for day in filter(None, str(row["false_starts"]).split(", "))
    ]
    return pd.DataFrame(rows, columns=["season", "day", "date", "what"])


def _strength(years: pd.DataFrame, last_day: float) -> pd.DataFrame:
    """Rain of each season in words; without a normal, in millimetres."""
    known = years[years["season_rain_mm"].notna()]
    share = [
        f"{row['season_rain_mm']:.0f} mm"
        if np.isnan(row["share_of_normal"])
        else f"{row['share_of_normal']:.0%} of normal"
        for row in known.to_dict("records")
    ]
    return pd.DataFrame(
        {
            "season": known["season"],
            "day": last_day + 1,
            "share": share,
            "rain": [f"{value:.0f} mm" for value in known["season_rain_mm"]],
        }
    )
