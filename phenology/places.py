"""Sites as others may see them: a sensitive one stands at the middle of a coarse square."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

FROM_STATIONS = ("distance_km", "height_difference_m")  # three such distances tell a place
KM_PER_DEGREE = 111.195  # mean meridian degree of a sphere of 6371.0088 km, the IUGG mean radius
COARSE_ELEVATION_M = 250  # a height alone can give away a place in steep country


def coarsen_sites(sites: pd.DataFrame, coarsen_km: float) -> pd.DataFrame:
    """Move sensitive sites to the middle of a square of `coarsen_km`; drop their full names.

    The squares are fixed, so that many reports of one site give away no more than one.

    Parameters
    ----------
    sites : DataFrame
        Clean sites: site, name, latitude and longitude [degrees], elevation_m, sensitive.
    coarsen_km : float
        Side of a square [km].

    Returns
    -------
    DataFrame
        site, name, latitude, longitude, elevation_m, sensitive; one row a site.

    Examples
    --------
    >>> import pandas as pd
    >>> sites = pd.DataFrame({"site": ["fork"], "name": ["Upper fork"], "latitude": [33.4712],
    ...     "longitude": [-108.9123], "elevation_m": [2412.0], "sensitive": [True]})
    >>> coarsen_sites(sites, 10)[["latitude", "longitude"]].round(2).values.tolist()
    [[33.5, -108.87]]
    """
    columns = ["site", "name", "latitude", "longitude", "elevation_m", "sensitive"]
    shown = sites.reindex(columns=columns).reset_index(drop=True)
    hidden = shown["sensitive"].fillna(False).astype(bool)
    shown["sensitive"] = hidden
    shown["name"] = shown["name"].astype(object).where(~hidden & shown["name"].notna(), "")
    step = coarsen_km / KM_PER_DEGREE
    latitude = (np.floor(shown["latitude"] / step) + 0.5) * step
    latitude = latitude.clip(-90, 90)
    # The width of a square is set by its own row, so that it does not depend on the place in it.
    wide = step / np.maximum(np.cos(np.radians(latitude)), 0.01)
    longitude = (np.floor(shown["longitude"] / wide) + 0.5) * wide
    shown["latitude"] = shown["latitude"].where(~hidden, latitude)
    shown["longitude"] = shown["longitude"].where(~hidden, longitude)
    height = (shown["elevation_m"] / COARSE_ELEVATION_M).round() * COARSE_ELEVATION_M
    shown["elevation_m"] = shown["elevation_m"].where(~hidden, height)
    return shown


def withhold_distances(site_days: xr.Dataset, sites: pd.DataFrame) -> xr.Dataset:
    """Site-days without how far sensitive sites lie from weather stations, and how high.

    Where stations stand is public: circles about three of them meet at the site.

    Parameters
    ----------
    site_days : Dataset
        From `phenology.sitedays.join_site_days`; weather is not needed.
    sites : DataFrame
        Clean sites: site, sensitive.

    Returns
    -------
    Dataset
        NaN in `FROM_STATIONS` at sensitive sites; all else as it was.
    """
    hidden = sites.loc[sites["sensitive"].fillna(False).astype(bool), "site"]
    open_site = ~site_days["site"].isin(hidden.to_list())
    told = [name for name in FROM_STATIONS if name in site_days]
    return site_days.assign({name: site_days[name].where(open_site) for name in told})
