"""One protocol for daily weather, and the door through which the rest of the package asks."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import pandas as pd
import xarray as xr

from phenology.errors import StudyError
from phenology.study.options import StudyOptions
from phenology.weather.dataset import VARIABLES
from phenology.weather.sheet import SheetWeather

NORMAL_YEARS = 30  # a normal wants thirty years, common practice


class WeatherSource(Protocol):
    """Anything that knows daily weather at sites."""

    def daily(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> xr.Dataset:
        """Daily weather of every site on every date, as `phenology.weather.dataset` lays it out.

        Parameters
        ----------
        sites : pandas.DataFrame
            The clean sites sheet: site, latitude, longitude, elevation_m, timezone.
        dates : pandas.DatetimeIndex
            Local days.
        """
        ...


@dataclass(frozen=True)
class MemoryWeather:
    """Weather held in memory: a Dataset on (site, date), for notebooks, tests and scenarios.

    Examples
    --------
    >>> from phenology.weather.dataset import StationFrame, build_dataset
    >>> import numpy as np
    >>> days = pd.date_range("2031-07-01", periods=3)
    >>> none = StationFrame([], np.empty((1, 0)), np.empty((1, 0)))
    >>> held = build_dataset(["fork"], days[:2], {}, none)
    >>> MemoryWeather(held).daily(pd.DataFrame({"site": ["fork"]}), days).sizes["date"]
    3
    """

    weather: xr.Dataset

    def daily(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> xr.Dataset:
        """Give the held values on these sites and dates; missing where none is held."""
        fill: dict[str, float] = {}
        for name in VARIABLES:
            fill[f"{name}_station"] = -1
            fill[f"{name}_status"] = 0
        held = {key: value for key, value in fill.items() if key in self.weather}
        return self.weather.reindex(
            site=sites["site"].astype(str).to_numpy(),
            date=dates,
            fill_value={name: held.get(str(name), float("nan")) for name in self.weather.data_vars},
        )


def weather_source(
    options: StudyOptions, sheet: pd.DataFrame | None, *, cache_dir: Path | None = None
) -> WeatherSource | None:
    """Choose the source that study.toml names; else the study's own sheet, or None.

    Raises
    ------
    StudyError
        If the sheet is asked for and there is none.
    """
    named = options.weather.source
    if named == "meteostat":
        from phenology.weather.meteostat_source import MeteostatWeather

        return MeteostatWeather.from_cache(cache_dir, options.weather)
    if sheet is not None and len(sheet) > 0:
        return SheetWeather(sheet)
    if named == "sheet":
        raise StudyError(
            "study.toml asks for the weather of a sheet, but no usable weather sheet was found.",
            "Add weather.csv, or take [weather] out of study.toml.",
        )
    return None


def daily_weather(
    options: StudyOptions,
    sites: pd.DataFrame,
    sheet: pd.DataFrame | None,
    dates: pd.DatetimeIndex,
    *,
    cache_dir: Path | None = None,
) -> xr.Dataset | None:
    """Daily weather of a study's sites, from the source that its study.toml names.

    Opens no socket: what the network has to give is fetched by `site-support weather` before.

    Parameters
    ----------
    options : StudyOptions
    sites : pandas.DataFrame
        The clean sites sheet.
    sheet : pandas.DataFrame or None
        The clean weather sheet.
    dates : pandas.DatetimeIndex
        Local days.
    cache_dir : Path, optional
        Where fetched files are kept; default: the user's cache folder.

    Returns
    -------
    xarray.Dataset or None
        On (site, date), with provenance; None if the study has no weather, and the models then
        run without it.

    Raises
    ------
    StudyError
        If the named source has nothing to give at all.

    Examples
    --------
    >>> from phenology.study.options import parse_options
    >>> options = parse_options({"name": "n", "species": {"Selasphorus rufus": "passage"}})
    >>> sites = pd.DataFrame({"site": ["fork"]})
    >>> sheet = pd.DataFrame(
    ...     {"site": ["fork"], "date": pd.to_datetime(["2031-07-01"]), "rain_mm": [4.0]}
    ... )
    >>> days = pd.date_range("2031-07-01", periods=2)
    >>> daily_weather(options, sites, sheet, days).rain_mm.values.tolist()
    [[4.0, nan]]
    >>> daily_weather(options, sites, None, days) is None
    True
    """
    source = weather_source(options, sheet, cache_dir=cache_dir)
    return None if source is None else source.daily(sites, dates)


def weather_dates(
    options: StudyOptions, sheet: pd.DataFrame | None, first: pd.Timestamp, last: pd.Timestamp
) -> pd.DatetimeIndex:
    """Whole years of weather that a study wants: the sampled ones and those of the normal.

    Parameters
    ----------
    options : StudyOptions
    sheet : DataFrame or None
        The clean weather sheet: its own years are used where it is the source.
    first, last : Timestamp
        First and last day sampled.

    Returns
    -------
    DatetimeIndex
        From 1 October before the first year, for the winter before, to the end of the last.

    Examples
    --------
    >>> from phenology.study.options import parse_options
    >>> options = parse_options({"name": "n", "species": {"Selasphorus rufus": "passage"}})
    >>> days = weather_dates(options, None, pd.Timestamp("2031-07-01"), pd.Timestamp("2031-08-01"))
    >>> str(days[0].date()), str(days[-1].date())
    ('2030-10-01', '2031-12-31')
    """
    from_year, until_year = first.year, last.year
    if options.weather.source == "meteostat":
        from_year = min(from_year, until_year - NORMAL_YEARS + 1)
    elif sheet is not None and len(sheet):
        written = pd.to_datetime(sheet["date"])
        from_year = min(from_year, written.min().year)
        until_year = max(until_year, written.max().year)
    return pd.date_range(f"{from_year - 1}-10-01", f"{until_year}-12-31", unit="s")
