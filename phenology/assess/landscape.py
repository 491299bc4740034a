"""Habitat, burned ground and water about each site in each season."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.landscape import describe_landscape, place_sites
from phenology.seasons import date_of_day

if TYPE_CHECKING:
    from phenology.seasons import Window
    from phenology.study.study import Study


def assess_landscape(study: Study, seasons: pd.Series, windows: tuple[Window, ...]) -> pd.DataFrame:
    """Measure the surroundings of every site at the middle of each season with captures.

    Parameters
    ----------
    study : Study
    seasons : Series
        Season label of each capture.
    windows : tuple of Window

    Returns
    -------
    DataFrame
        site, season, measure, kind, radius_m, value, unit; empty without layers of habitat or
        events.
    """
    habitat, events = study.layers.get("habitat"), study.layers.get("events")
    if habitat is None and events is None:
        return pd.DataFrame()
    middles = {
        window.label(year): pd.Timestamp(
            date_of_day((window.first_day + window.last_day) / 2, year)
        ).as_unit("s")
        for window in windows
        for year in sorted({int(label[:4]) for label in seasons.astype(str).unique()})
        if window.label(year) in set(seasons)
    }
    placed = place_sites(
        study.sites.dropna(subset=["latitude", "longitude"]), study.layers.get("sites")
    )
    measured = describe_landscape(placed, habitat, events, pd.DatetimeIndex(list(middles.values())))
    season_of = {date: season for season, date in middles.items()}
    measured.insert(1, "season", measured["date"].map(season_of))
    return measured.drop(columns="date")
