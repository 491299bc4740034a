"""What moves bloom, from daily weather: warmth and rain before the day, the winter before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

if TYPE_CHECKING:
    import xarray as xr

Floats = npt.NDArray[np.float64]

HARD_FROST_C = -2.2  # 28 degrees Fahrenheit, the killing frost of common practice
WARMTH_DAYS = 90  # warmth counts over these days before a plant's usual time
RAIN_WINDOWS = {"rain_30_days": (0, 30), "rain_31_90_days": (30, 60)}  # (lag, length) in days
RAIN_FLOOR_MM = 10.0  # added before the logarithm, so that two dry months are alike
WINTER = ("winter_precipitation", "last_hard_frost", "snow")
WINTER_FADES_DAY = 196.0  # by mid July half of the winter's hold on bloom is gone
WINTER_FADES_OVER_DAYS = 12.0
ENOUGH = 0.8  # share of a window's days that must be measured
NORMAL_DAYS = 15  # a day's normal is averaged over this many days of the calendar


@dataclass(frozen=True)
class BloomDrivers:
    """Drivers about 0 with sd about 1; missing where the weather is.

    Attributes
    ----------
    names : tuple of str
        Drivers that scale.
    scaling : ndarray, shape (sites, dates, k)
    warmth : ndarray, shape (plants, sites, seasons)
    """

    names: tuple[str, ...]
    scaling: Floats
    warmth: Floats


def find_drivers(
    weather: xr.Dataset | None,
    sites: npt.NDArray[np.str_],
    dates: pd.DatetimeIndex,
    seasons: npt.NDArray[np.int64],
    plant_day: Floats,
    *,
    winter: bool = True,
) -> BloomDrivers:
    """Derive the drivers of bloom.

    Parameters
    ----------
    weather : Dataset or None
        On (site, date): any of `tmin_c`, `tmax_c`, `tmean_c`, `rain_mm`, `snow_cm`.
    sites : ndarray of str
    dates : DatetimeIndex
        Days at which drivers that scale are wanted.
    seasons : ndarray of int
        Years in which the seasons begin.
    plant_day : ndarray, shape (plants,)
        Usual day of bloom of each plant, counted from 1 January of the season's year.
    winter : bool
        Whether there is a winter before the season: October of the year before to March.
        South of the equator there is none in these months: pass False.

    Returns
    -------
    BloomDrivers
        Rain is the anomaly of log sums from the site's normal for the day, the winter's the
        anomaly from the site's mean winter, fading through July; all over their spread.
    """
    empty = np.zeros((len(sites), len(dates), 0))
    still = np.zeros((len(plant_day), len(sites), len(seasons)))
    if weather is None:
        return BloomDrivers((), empty, still)
    daily = _daily_series(weather, sites)
    names: list[str] = []
    layers: list[Floats] = []
    if "rain_mm" in daily:
        for name, (lag, length) in RAIN_WINDOWS.items():
            names.append(name)
            layers.append(_rain_anomaly(daily["rain_mm"], lag, length, dates))
    if winter:
        fading = 1 / (1 + np.exp((dates.day_of_year - WINTER_FADES_DAY) / WINTER_FADES_OVER_DAYS))
        year = np.searchsorted(seasons, np.clip(dates.year, seasons.min(), seasons.max()))
        for name, by_season in _winters(daily, seasons).items():
            names.append(name)
            layers.append(by_season[:, year] * fading.to_numpy())
    scaling = np.stack(layers, axis=-1) if layers else empty
    warmth = _warmth(daily["tmean_c"], seasons, plant_day) if "tmean_c" in daily else still
    return BloomDrivers(tuple(names), scaling, warmth)


def _daily_series(weather: xr.Dataset, sites: npt.NDArray[np.str_]) -> dict[str, pd.DataFrame]:
    """One frame a variable, every day by site, missing where not measured."""
    series: dict[str, pd.DataFrame] = {}
    index = pd.DatetimeIndex(weather["date"].to_numpy())
    every = pd.date_range(index.min(), index.max(), freq="D")
    for name in ("tmin_c", "tmax_c", "tmean_c", "rain_mm", "snow_cm"):
        if name in weather:
            values = weather[name].transpose("date", "site").to_numpy().astype(float)
            frame = pd.DataFrame(values, index=index, columns=weather["site"].to_numpy())
            series[name] = frame.reindex(index=every, columns=pd.Index(sites))
    if {"tmin_c", "tmax_c"} <= set(series):
        halfway = (series["tmin_c"] + series["tmax_c"]) / 2
        series["tmean_c"] = series["tmean_c"].fillna(halfway) if "tmean_c" in series else halfway
    return {name: frame for name, frame in series.items() if frame.notna().any(axis=None)}


def _over_spread(anomaly: Floats, axis: int) -> Floats:
    """Divide by the spread within sites, pooled; a driver that never varies stays 0."""
    with np.errstate(invalid="ignore"):
        centred = anomaly - _mean(anomaly, axis)
    spread = float(np.sqrt(np.nanmean(centred**2))) if np.isfinite(centred).any() else 0.0
    return centred / spread if spread > 1e-9 else np.where(np.isfinite(centred), 0.0, np.nan)


def _mean(values: Floats, axis: int) -> Floats:
    known = np.isfinite(values)
    count = known.sum(axis=axis, keepdims=True)
    total = np.where(known, values, 0.0).sum(axis=axis, keepdims=True)
    return np.asarray(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))


def _rain_anomaly(rain: pd.DataFrame, lag: int, length: int, dates: pd.DatetimeIndex) -> Floats:
    """Anomaly of the log rain of a window before each day, shape (sites, dates)."""
    mean = rain.rolling(length, min_periods=int(np.ceil(ENOUGH * length))).mean().shift(lag)
    log_sum = np.log(mean * length + RAIN_FLOOR_MM)
    day = pd.DatetimeIndex(log_sum.index).day_of_year
    by_day = log_sum.groupby(day).mean().reindex(range(1, 367))
    around = pd.concat([by_day.iloc[-NORMAL_DAYS:], by_day, by_day.iloc[:NORMAL_DAYS]])
    normal = around.rolling(NORMAL_DAYS, center=True, min_periods=1).mean()
    normal = normal.iloc[NORMAL_DAYS:-NORMAL_DAYS]
    anomaly = log_sum - normal.loc[day].to_numpy()
    spread = float(np.sqrt((anomaly**2).to_numpy()[anomaly.notna().to_numpy()].mean()))
    asked = anomaly.reindex(dates).to_numpy().T
    return np.asarray(asked / spread if spread > 1e-9 else asked)


def _winters(daily: dict[str, pd.DataFrame], seasons: npt.NDArray[np.int64]) -> dict[str, Floats]:
    """The winter before each season by site, shape (sites, seasons)."""
    found: dict[str, Floats] = {}

    def by_season(name: str, start: str, end: str, reduce: str) -> Floats:
        columns = []
        for year in seasons:
            first = pd.Timestamp(f"{year - (start > end)}-{start}")
            days = pd.date_range(first, f"{year}-{end}", freq="D")
            window = daily[name].reindex(days)
            if reduce == "last frost":
                frost = window.le(HARD_FROST_C).to_numpy()
                last = len(days) - np.argmax(frost[::-1], axis=0)
                value = np.where(frost.any(axis=0), last, 0.0)
            else:
                value = np.log(window.mean().to_numpy() * len(days) + RAIN_FLOOR_MM)
            measured = window.notna().mean().to_numpy() >= ENOUGH
            columns.append(np.where(measured, value, np.nan))
        return _over_spread(np.column_stack(columns), axis=1)

    if "rain_mm" in daily:
        found["winter_precipitation"] = by_season("rain_mm", "10-01", "03-31", "log sum")
    if "tmin_c" in daily:
        found["last_hard_frost"] = by_season("tmin_c", "02-01", "06-30", "last frost")
    if "snow_cm" in daily:
        found["snow"] = by_season("snow_cm", "10-01", "03-31", "log sum")
    return {name: value for name, value in found.items() if np.isfinite(value).any()}


def _warmth(mean_c: pd.DataFrame, seasons: npt.NDArray[np.int64], plant_day: Floats) -> Floats:
    """Warmth of the days before each plant's usual time, shape (plants, sites, seasons)."""
    needed = int(np.ceil(ENOUGH * WARMTH_DAYS))
    before = mean_c.rolling(WARMTH_DAYS, min_periods=needed).mean()
    out = np.empty((len(plant_day), mean_c.shape[1], len(seasons)))
    for plant, day in enumerate(plant_day):
        when = pd.DatetimeIndex(pd.to_datetime([f"{year}-01-01" for year in seasons]))
        usual = before.reindex(when + pd.Timedelta(days=round(day) - 1))
        out[plant] = _over_spread(usual.to_numpy().T, axis=1)
    return out
