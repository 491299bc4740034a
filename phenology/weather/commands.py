"""What the weather and monsoon commands compute: tables and a dataset, nothing printed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from phenology.errors import StudyError
from phenology.weather.cache import RawCache, default_cache_dir
from phenology.weather.dataset import STATUS, VARIABLES
from phenology.weather.fetch import SOURCE_URL, Fetcher
from phenology.weather.meteostat_source import MeteostatWeather
from phenology.weather.monsoon import MonsoonYears, find_monsoon
from phenology.weather.source import daily_weather

if TYPE_CHECKING:
    import xarray as xr

    from phenology.study.options import StudyOptions


@dataclass(frozen=True)
class WeatherTables:
    """What `site-support weather` shows.

    Attributes
    ----------
    stations : DataFrame
        Stations considered for each site, and why each is used or not.
    files : DataFrame
        station, kind, year, outcome, why: one row a file asked for.
    coverage : DataFrame
        site, variable, and the share of days of each status.
    notes : list of str
        What was mended, set aside or assumed.
    attribution : str
    """

    stations: pd.DataFrame
    files: pd.DataFrame
    coverage: pd.DataFrame
    notes: list[str]
    attribution: str


def prepare_weather(
    options: StudyOptions,
    sites: pd.DataFrame,
    dates: pd.DatetimeIndex,
    *,
    cache_dir: Path | None = None,
    source_url: str = SOURCE_URL,
    offline: bool = False,
    progress: Callable[[int, int, str], None] | None = None,
) -> WeatherTables:
    """Choose stations, fetch what is missing, and say what the study now has.

    Parameters
    ----------
    options : StudyOptions
    sites : DataFrame
        The clean sites sheet.
    dates : DatetimeIndex
        As `weather_dates` gives them.
    cache_dir : Path, optional
    source_url : str
    offline : bool
        Open no connection and tell what is held.
    progress : callable, optional
        Called with files done, files in all, and the file's name; may raise to stop, and the
        next call goes on from there.

    Returns
    -------
    WeatherTables

    Raises
    ------
    StudyError
        If study.toml names another source than Meteostat.
    FetchError
        If the source is down. What was fetched is kept.
    """
    if options.weather.source != "meteostat":
        raise StudyError(
            "study.toml does not ask for fetched weather.",
            'Write source = "meteostat" under [weather]; a weather sheet needs no fetching.',
        )
    fetcher = Fetcher(RawCache(cache_dir or default_cache_dir()), source_url, offline=offline)
    source = MeteostatWeather.as_asked(fetcher, options.weather)
    stations = source.consider(sites, dates)
    files = source.fetch(sites, dates, progress)
    weather = source.daily(sites, dates)
    notes = [line for line in str(weather.attrs["notes"]).split("\n") if line]
    return WeatherTables(
        stations, files, weather_coverage(weather), notes, str(weather.attrs["attribution"])
    )


def weather_coverage(weather: xr.Dataset) -> pd.DataFrame:
    """Share of days by status for every site and variable.

    Returns
    -------
    DataFrame
        site, variable, missing, measured, combined, filled, forecast; shares sum to 1.
    """
    rows = []
    for name in VARIABLES:
        status = weather[f"{name}_status"].transpose("site", "date").to_numpy()
        shares = {word: (status == code).mean(axis=1) for code, word in enumerate(STATUS)}
        rows.append(pd.DataFrame({"site": weather["site"].to_numpy(), "variable": name} | shares))
    return pd.concat(rows, ignore_index=True).sort_values(
        ["site", "variable"], kind="stable", ignore_index=True
    )


def study_monsoon(
    options: StudyOptions,
    sites: pd.DataFrame,
    sheet: pd.DataFrame | None,
    dates: pd.DatetimeIndex,
    *,
    cache_dir: Path | None = None,
    threshold_c: float | None = None,
    run_days: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[MonsoonYears, xr.Dataset]:
    """Find the monsoon of every site and year in a study's weather.

    Threshold and run length, where not given, are those of study.toml.

    Returns
    -------
    monsoon : MonsoonYears
        Seasons of which the weather holds less than half the search window are left out.
    weather : Dataset
        The daily weather it was found in, for `draw_monsoon_calendar`.

    Raises
    ------
    StudyError
        If the study has no weather.
    """
    weather = daily_weather(options, sites, sheet, dates, cache_dir=cache_dir)
    if weather is None:
        raise StudyError(
            "The study has no weather, so the monsoon cannot be told.",
            'Add weather.csv, or write source = "meteostat" under [weather] in study.toml.',
        )
    found = find_monsoon(
        weather,
        sites,
        threshold_c=options.weather.threshold_c if threshold_c is None else threshold_c,
        run_days=options.weather.run_days if run_days is None else run_days,
        seed=options.seed,
        progress=progress,
    )
    return found, weather
