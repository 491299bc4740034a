"""Daily values of one station from its raw files, parsed once and kept."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.weather.bulk import BulkYear, Kind, read_year
from phenology.weather.dataset import VARIABLES
from phenology.weather.localdays import days_from_hours

if TYPE_CHECKING:
    from phenology.weather.cache import Held, RawCache

_FORMAT = "1"  # part of the name of a parsed file: raise it when parsing changes
_DAILY_COLUMNS = {
    "tmin": "tmin_c",
    "tmax": "tmax_c",
    "temp": "tmean_c",
    "prcp": "rain_mm",
    "snwd": "snow_cm",
    "wspd": "wind_kmh",
}
KINDS: tuple[Kind, ...] = ("hourly", "daily")


@dataclass
class StationDays:
    """Daily values of a station.

    Attributes
    ----------
    values : DataFrame
        The variables of `VARIABLES`; index local days.
    forecast : DataFrame
        bool, same shape.
    providers, notes : list of str
    """

    values: pd.DataFrame
    forecast: pd.DataFrame
    providers: list[str]
    notes: list[str]


def raw_key(kind: Kind, station: str, year: int) -> str:
    """Path of a raw file below the source's address.

    Examples
    --------
    >>> raw_key("hourly", "A0001", 2031)
    'hourly/2031/A0001.csv.gz'
    """
    return f"{kind}/{year}/{station}.csv.gz"


def years_needed(kind: Kind, dates: pd.DatetimeIndex, timezone: str) -> range:
    """Years of raw files that hold these local days: hours stand in UTC, days do not."""
    if kind == "daily":
        return range(dates.min().year, dates.max().year + 1)
    first = dates.min().tz_localize(timezone).tz_convert("UTC")
    last = (dates.max() + pd.Timedelta(hours=23)).tz_localize(timezone).tz_convert("UTC")
    return range(first.year, last.year + 1)


def read_station_days(
    cache: RawCache,
    station: Any,
    timezone: str,
    dates: pd.DatetimeIndex,
    *,
    allow_forecast: bool = False,
) -> StationDays | None:
    """Daily values of a station on local days, from raw files that are held.

    Extremes, rain, snow and wind come from the daily files and, where these are silent, from
    the hours; the dew point comes from the hours alone.

    Parameters
    ----------
    cache : RawCache
    station : meteostat.Station
    timezone : str
        IANA name of the site's time zone.
    dates : DatetimeIndex
    allow_forecast : bool

    Returns
    -------
    StationDays or None
        None if no file of the station is held.
    """
    held: dict[tuple[Kind, int], Held] = {}
    for kind in KINDS:
        for year in years_needed(kind, dates, timezone):
            record = cache.held(raw_key(kind, station.id, year))
            if record is not None and not record.is_absent:
                held[kind, year] = record
    if not held:
        return None
    parsed = parsed_path(cache, station.id, timezone, held, allow_forecast=allow_forecast)
    stored = _stored_days(parsed)
    if stored is None:
        stored = _parse(cache, station, timezone, held, allow_forecast)
        _keep_days(stored, parsed)
    stale = [
        f"{record.key} is an old copy, of {record.fetched[:10]}: {record.stale}"
        for record in held.values()
        if record.stale
    ]
    names = list(VARIABLES)
    on_dates = stored.reindex(dates)
    forecast = on_dates[[f"{name}_forecast" for name in names]].fillna(False).astype(bool)
    forecast.columns = pd.Index(names)
    return StationDays(
        on_dates[names], forecast, stored.attrs["providers"], [*stored.attrs["notes"], *stale]
    )


def _keep_days(days: pd.DataFrame, parsed: Path) -> None:
    """Keep parsed days, if the disk lets us: without them the next run parses again."""
    part = parsed.with_suffix(f".{os.getpid()}.part")
    try:
        parsed.parent.mkdir(parents=True, exist_ok=True)
        days.to_parquet(part)
        part.replace(parsed)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _stored_days(parsed: Path) -> pd.DataFrame | None:
    """Days as parsed before; None if there are none, or damaged ones, to be parsed anew."""
    try:
        stored = pd.read_parquet(parsed)
        whole = {"providers", "notes"} <= set(stored.attrs)
    except (OSError, ValueError):  # Arrow's errors of format are ValueErrors
        return None
    return stored if whole else None


def parsed_path(
    cache: RawCache,
    station: str,
    timezone: str,
    held: dict[tuple[Kind, int], Held],
    *,
    allow_forecast: bool = False,
) -> Path:
    """Where the parsed days of a station lie; another raw file makes another place."""
    made_of = [_FORMAT, timezone, str(allow_forecast)]
    made_of += [f"{kind}{year}{record.sha256}" for (kind, year), record in held.items()]
    digest = hashlib.sha256("|".join(made_of).encode()).hexdigest()[:24]
    return cache.root / "days" / station / f"{digest}.parquet"


def _parse(
    cache: RawCache,
    station: Any,
    timezone: str,
    held: dict[tuple[Kind, int], Held],
    allow_forecast: bool,
) -> pd.DataFrame:
    years: dict[Kind, list[BulkYear]] = {kind: [] for kind in KINDS}
    notes: list[str] = []
    for (kind, year), record in held.items():
        one = read_year(cache.path(record.key), kind, station, year, allow_forecast=allow_forecast)
        years[kind].append(one)
        notes += [f"{station.id} {year} {kind}: {note}" for note in one.notes]
    hours = _joined([year.values for year in years["hourly"]])
    from_hours = days_from_hours(hours, timezone)
    guessed_hours = _joined([year.forecast for year in years["hourly"]])
    day_of_hour = pd.DatetimeIndex(guessed_hours.index)
    local = day_of_hour.tz_localize("UTC").tz_convert(timezone).tz_localize(None).normalize()
    guessed = guessed_hours.any(axis=1).astype(bool).groupby(local).any()
    days = _joined([year.values for year in years["daily"]]).rename(columns=_DAILY_COLUMNS)
    guessed_days = _joined([year.forecast for year in years["daily"]])
    guessed_days = guessed_days.rename(columns=_DAILY_COLUMNS)
    index = from_hours.index.union(days.index)
    stored = pd.DataFrame(index=index)
    for name in VARIABLES:
        by_hours = from_hours[name].reindex(index).to_numpy(float)
        by_day = days[name].reindex(index).to_numpy(float) if name in days else np.nan * by_hours
        stored[name] = np.where(np.isfinite(by_day), by_day, by_hours).astype(np.float32)
        from_guess = guessed.reindex(index, fill_value=False).to_numpy()
        if name in guessed_days:
            day_guess = guessed_days[name].reindex(index, fill_value=False).to_numpy()
            from_guess = np.where(np.isfinite(by_day), day_guess, from_guess)
        stored[f"{name}_forecast"] = from_guess.astype(bool) & np.isfinite(stored[name])
    providers: set[str] = set().union(*(year.providers for kind in KINDS for year in years[kind]))
    stored.attrs = {"providers": sorted(providers), "notes": notes}
    return stored


def _joined(years: list[pd.DataFrame]) -> pd.DataFrame:
    if not years:
        return pd.DataFrame(index=pd.DatetimeIndex([]))
    whole = pd.concat(years).sort_index()
    return whole[~whole.index.duplicated()]
