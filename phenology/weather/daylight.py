"""Hours of daylight at many sites over many years."""

from datetime import timedelta, timezone

import numpy as np
import numpy.typing as npt
import pandas as pd

SUN_STEP_DAYS = 8  # between these days day length is interpolated, to within seconds,
SUN_SMOOTH_BELOW_DEG = 50.0  # below this latitude


def day_length_h(
    latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike, dates: pd.DatetimeIndex
) -> npt.NDArray[np.float64]:
    """Hours from sunrise to sunset on a level horizon, by the Solar Position Algorithm.

    Parameters
    ----------
    latitude_deg, longitude_deg : array (site,)
        [degrees]
    dates : DatetimeIndex
        Local days.

    Returns
    -------
    array (site, date)
        Hours; 0 in polar night, 24 in midnight sun.

    Notes
    -----
    The sun repeats itself within seconds every four years, so one cycle stands for all. The
    library's sunrise and sunset are good to a minute.

    References
    ----------
    Reda, I. & Andreas, A. (2004). Solar Energy 76:577-589.
    https://doi.org/10.1016/j.solener.2003.12.003

    Examples
    --------
    >>> day_length_h([32.2], [-111.0], pd.DatetimeIndex(["2031-06-20"])).round(2).tolist()
    [[14.26]]
    """
    from pvlib.solarposition import sun_rise_set_transit_spa
    from scipy.interpolate import CubicSpline

    in_cycle = ((dates.year - 2021) % 4 * 365 + dates.day_of_year - 1).to_numpy()
    every = np.unique(in_cycle)
    spaced = np.append(np.arange(0, 1460, SUN_STEP_DAYS), 1460)
    cycle = pd.date_range("2021-01-01", "2024-12-31")
    hours = np.empty((np.size(latitude_deg), len(dates)))
    for site, (latitude, longitude) in enumerate(
        zip(np.asarray(latitude_deg, float), np.asarray(longitude_deg, float), strict=True)
    ):
        is_smooth = abs(latitude) < SUN_SMOOTH_BELOW_DEG and every.size > spaced.size
        nodes = spaced if is_smooth else every
        clock = timezone(timedelta(hours=round(longitude / 15)))
        sun = sun_rise_set_transit_spa(cycle[nodes].tz_localize(clock), latitude, longitude)
        light = (sun["sunset"] - sun["sunrise"]).dt.total_seconds().to_numpy() / 3600
        is_summer = cycle[nodes].month.isin(range(4, 10)) == (latitude > 0)
        light = np.where(np.isnan(light), np.where(is_summer, 24.0, 0.0), light)
        if is_smooth:
            hours[site] = CubicSpline(nodes, light)(in_cycle)
        else:
            hours[site] = light[np.searchsorted(nodes, in_cycle)]
    return hours
