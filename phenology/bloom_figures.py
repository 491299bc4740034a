"""Figures of bloom and of the energy on offer, as Altair charts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.bloom_surveys import count_flowers
from phenology.report.palette import light, theme

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

WIDTH, HEIGHT = 560, 130
DAY_AXIS: dict[str, Any] = {"format": "%-d %b", "title": None, "tickCount": 6, "grid": False}


def chart_bloom(told: xr.Dataset, bloom: pd.DataFrame, site: str, season: int) -> alt.FacetChart:
    """Open flowers of each plant through a season, surveys as points.

    Parameters
    ----------
    told : Dataset
        From `phenology.bloom.daily_bloom`.
    bloom : DataFrame
        Clean rows of the bloom sheet.
    site : str
    season : int
        Year of the days shown.

    Returns
    -------
    altair.FacetChart
        A panel a plant: median and 90 % band, one mark a survey; a plant absent from a
        complete survey stands at zero.
    """
    import altair as alt

    here = told.sel(site=site, date=told["date"].dt.year == season)
    names = [f"plant_flowers_per_m2{suffix}" for suffix in ("", "_low", "_high")]
    days = here[names].to_dataframe()[names].reset_index()
    days.columns = pd.Index(["plant", "date", "flowers", "low", "high"])
    counted = count_flowers(bloom)
    seen = counted[
        (counted["site"] == site)
        & (counted["date"].dt.year == season)
        & counted["plant"].isin(days["plant"].unique())
    ]
    points = seen[["plant", "date"]].assign(flowers=seen["flowers"] / seen["area_m2"])
    rows = pd.concat([days.assign(what="estimate"), points.assign(what="survey")])
    base = alt.Chart(rows, width=WIDTH, height=HEIGHT).encode(
        x=alt.X("date:T", axis=alt.Axis(**DAY_AXIS))
    )
    estimate, survey = "datum.what == 'estimate'", "datum.what == 'survey'"
    ink = light("ink")
    band = (
        base.transform_filter(estimate)
        .mark_area(color=ink, opacity=0.14)
        .encode(y=alt.Y("low:Q", title="open flowers per m²"), y2="high:Q")
    )
    line = (
        base.transform_filter(estimate).mark_line(color=ink, strokeWidth=1.6).encode(y="flowers:Q")
    )
    marks = (
        base.transform_filter(survey)
        .mark_point(color=ink, fill=light("paper"), opacity=1, size=42, strokeWidth=1.4)
        .encode(y="flowers:Q")
    )
    panels: alt.FacetChart = alt.layer(band, line, marks, data=rows).facet(
        row=alt.Row(
            "plant:N", title=None, header=alt.Header(labelOrient="top", labelAnchor="start")
        ),
        spacing=14,
    )
    chart: alt.FacetChart = panels.resolve_scale(y="independent").configure(**theme())
    return chart


def chart_energy(days: pd.DataFrame) -> alt.FacetChart:
    """Energy on offer by day, flowers of a hectare beside feeders.

    Parameters
    ----------
    days : DataFrame
        date, offered ("flowers of a hectare", "feeders"), estimate, low, high [kJ/day].

    Returns
    -------
    altair.FacetChart
        A panel each, on one scale: median and 90 % band.
    """
    import altair as alt

    base = alt.Chart(days, width=WIDTH, height=HEIGHT).encode(
        x=alt.X("date:T", axis=alt.Axis(**DAY_AXIS))
    )
    ink = light("ink")
    band = base.mark_area(color=ink, opacity=0.14).encode(
        y=alt.Y("low:Q", title="kJ a day", axis=alt.Axis(format="~s")), y2="high:Q"
    )
    line = base.mark_line(color=ink, strokeWidth=1.6).encode(y="estimate:Q")
    header = alt.Header(labelOrient="top", labelAnchor="start")
    panels = alt.layer(band, line, data=days).facet(
        row=alt.Row("offered:N", title=None, header=header), spacing=14
    )
    chart: alt.FacetChart = panels.configure(**theme())
    return chart


def energy_days(
    told: xr.Dataset, feeders: pd.DataFrame | None, site: str, season: int, seed: int
) -> pd.DataFrame:
    """Energy that flowers of a hectare and the feeders offer, by day.

    Parameters
    ----------
    told : Dataset
        From `phenology.bloom.daily_bloom`.
    feeders : DataFrame or None
        Clean rows of the feeders sheet; spans without litres or strength are left out.
    site : str
    season : int
        Year of the days wanted.
    seed : int

    Returns
    -------
    DataFrame
        date, offered, estimate, low, high [kJ/day]. Without sugar by flower there is no row
        of flowers: relative nectar carries no energy.
    """
    from phenology.models.energy import draw_feeder_energy, flower_energy_kj_per_ha
    from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

    here = told.sel(site=site, date=told["date"].dt.year == season)
    dates = pd.DatetimeIndex(here["date"].to_numpy())
    parts = []
    if told["nectar"].attrs["nectar_is"] == "absolute":
        columns = {"estimate": "nectar", "low": "nectar_low", "high": "nectar_high"}
        values = {
            name: flower_energy_kj_per_ha(here[of].to_numpy()) for name, of in columns.items()
        }
        parts.append(pd.DataFrame({"date": dates, "offered": "flowers of a hectare", **values}))
    known = None if feeders is None else feeders[feeders["site"] == site]
    if known is not None:
        known = known.dropna(subset=["litres_filled_per_day", "water_to_sugar"])
    if known is not None and len(known):
        up = (dates.to_numpy() >= known["from"].to_numpy()[:, None]) & (
            dates.to_numpy() <= known["until"].to_numpy()[:, None]
        )
        energy = draw_feeder_energy(
            known["litres_filled_per_day"], known["water_to_sugar"], draws=400, seed=seed
        )
        low, middle, high = np.quantile(energy @ up, [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0)
        parts.append(
            pd.DataFrame(
                {"date": dates, "offered": "feeders", "estimate": middle, "low": low, "high": high}
            )
        )
    empty = pd.DataFrame(columns=["date", "offered", "estimate", "low", "high"])
    return pd.concat(parts, ignore_index=True) if parts else empty
