"""Sunrise at a station, by the library's solar position algorithm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.time_zones import zone_by_longitude

if TYPE_CHECKING:
    from collections.abc import Hashable


def sunrise_hours(
    dates: pd.DatetimeIndex, latitude: float, longitude: float, timezone: str
) -> npt.NDArray[np.float64]:
    """Hour of sunrise, local clock, for each date; missing where the sun does not rise.

    From −12 to 12: where clocks run far from the sun, the sun of a day may rise on its eve.

    Parameters
    ----------
    dates : DatetimeIndex
        Local days, without a time zone.
    latitude, longitude : float
        WGS84 [degrees].
    timezone : str
        IANA name.

    References
    ----------
    Reda, I. & Andreas, A. (2004), Solar Energy 76:577, doi:10.1016/j.solener.2003.12.003.

    Examples
    --------
    >>> sunrise_hours(pd.DatetimeIndex(["2031-06-21"]), 0.0, 0.0, "UTC").round(1).tolist()
    [6.0]
    """
    from pvlib.solarposition import sun_rise_set_transit_spa

    noon = (dates + pd.Timedelta(hours=12)).tz_localize(timezone)
    rise = sun_rise_set_transit_spa(noon, latitude, longitude)["sunrise"]
    clock = rise.dt.tz_convert(timezone).dt
    hours: npt.NDArray[np.float64] = (
        clock.hour + clock.minute / 60 + clock.second / 3600
    ).to_numpy(dtype=float)
    return (hours + 12) % 24 - 12


def hours_since_sunrise(captures: pd.DataFrame, sites: pd.DataFrame) -> pd.Series:
    """Hours from sunrise to capture; where no capture time stands, to the start of handling.

    Parameters
    ----------
    captures : DataFrame
        Clean captures: site, date, time and process_time [hours after midnight].
    sites : DataFrame
        Clean sites; a site without a time zone is taken at its longitude's solar time.
    """
    since = pd.Series(np.nan, index=captures.index)
    clock = captures["time"].fillna(captures["process_time"])
    places: dict[Hashable, pd.Series] = {place.site: place for _, place in sites.iterrows()}
    for site, birds in captures.groupby("site"):
        place = places[site]
        days = pd.DatetimeIndex(birds["date"].unique())
        zone = place["timezone"]
        if not isinstance(zone, str) or not zone:
            zone = zone_by_longitude(place["longitude"])
        rise = sunrise_hours(days, place["latitude"], place["longitude"], zone)
        since[birds.index] = clock[birds.index] - birds["date"].map(pd.Series(rise, index=days))
    return since
