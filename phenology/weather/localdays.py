"""From a station's hours in UTC to days of a site's time zone."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.weather.air import dewpoint_c

MISSING_HOURS_OF_MEAN = 3  # a daily mean may lack so many hours; extremes and sums none


def days_from_hours(hours: pd.DataFrame, timezone: str) -> pd.DataFrame:
    """Daily values of local days from hourly readings.

    Means of days with up to three hours missing are taken over hours interpolated within the
    day; extremes and sums need every hour. The dew point is computed hour by hour and then
    averaged.

    Parameters
    ----------
    hours : DataFrame
        temp [°C], rhum [%], prcp [mm], snwd [cm], wspd [km/h]; index naive UTC.
    timezone : str
        IANA name; a day has 23 or 25 hours when clocks change.

    Returns
    -------
    DataFrame
        tmin_c, tmax_c, tmean_c, dewpoint_c, rain_mm, snow_cm, wind_kmh; index local days.
    """
    names = ["tmin_c", "tmax_c", "tmean_c", "dewpoint_c", "rain_mm", "snow_cm", "wind_kmh"]
    if hours.empty:
        return pd.DataFrame(columns=names, index=pd.DatetimeIndex([]), dtype=float)
    local = hours.index.tz_localize("UTC").tz_convert(timezone)
    first = local.min().normalize().tz_convert("UTC").ceil("h")
    after = (local.max().normalize() + pd.DateOffset(days=1)).tz_convert("UTC").ceil("h")
    whole = pd.date_range(first, after, freq="h", inclusive="left")
    day = whole.tz_convert(timezone).tz_localize(None).normalize()
    starts = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    table = hours.reindex(whole.tz_localize(None))
    temperature = table["temp"].to_numpy(float)
    moisture = dewpoint_c(temperature, table["rhum"].to_numpy(float))
    lengths = np.diff(np.append(starts, len(day)))
    days = {
        "tmin_c": _strict(np.minimum, temperature, starts),
        "tmax_c": _strict(np.maximum, temperature, starts),
        "tmean_c": _mean(temperature, starts, lengths),
        "dewpoint_c": _mean(moisture, starts, lengths),
        "rain_mm": _strict(np.add, table["prcp"].to_numpy(float), starts),
        "snow_cm": _strict(np.maximum, table["snwd"].to_numpy(float), starts),
        "wind_kmh": _mean(table["wspd"].to_numpy(float), starts, lengths),
    }
    return pd.DataFrame(days, index=day[starts])


def _strict(
    how: np.ufunc, values: npt.NDArray[np.float64], starts: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    result: npt.NDArray[np.float64] = how.reduceat(values, starts)  # NaN wins in all three
    return result


def _mean(
    values: npt.NDArray[np.float64], starts: npt.NDArray[np.intp], lengths: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    """Mean of each day over hours interpolated within it, as far as readings reach."""
    known = np.isfinite(values)
    missing = np.add.reduceat((~known).astype(float), starts)
    place = np.arange(values.size)
    start_of = np.repeat(starts, lengths)
    end_of = np.repeat(starts + lengths, lengths)
    before = np.maximum.accumulate(np.where(known, place, -1))
    after = np.minimum.accumulate(np.where(known, place, values.size)[::-1])[::-1]
    has_before, has_after = before >= start_of, after < end_of
    left = values[np.where(has_before, before, 0)]
    right = np.where(has_after, values[np.where(has_after, after, 0)], left)
    share = np.where(has_after & ~known, (place - before) / np.maximum(after - before, 1), 0.0)
    filled = np.where(known, values, np.where(has_before, left + share * (right - left), np.nan))
    usable = np.isfinite(filled)
    total = np.add.reduceat(np.where(usable, filled, 0.0), starts)
    count = np.add.reduceat(usable.astype(float), starts)
    enough = (missing <= MISSING_HOURS_OF_MEAN) & (count > 0)
    return np.where(enough, total / np.maximum(count, 1.0), np.nan)
