"""Bands caught at more than one site: where from, where to, how long, how far."""

from __future__ import annotations

import pandas as pd

COLUMNS = ["band", "species", "from_site", "to_site", "left", "arrived", "days", "distance_km"]


def band_movements(captures: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """One row for each time that a band turned up at another site than before.

    Parameters
    ----------
    captures : DataFrame
        Clean captures: band, species, site, date.
    sites : DataFrame
        Clean sites: site, latitude, longitude.

    Returns
    -------
    DataFrame
        `COLUMNS`; days between the last capture at the one site and the first at the other, and
        distance along the geodesic on WGS84 [km].

    Notes
    -----
    Birds that moved but were not caught again are not here: how often birds move cannot be read
    from the number of rows without effort at both sites.

    Examples
    --------
    >>> captures = pd.DataFrame({"band": ["TEST-00001"] * 2, "species": "Selasphorus rufus",
    ...     "site": ["fork", "ridge"], "date": pd.to_datetime(["2031-07-20", "2031-07-23"])})
    >>> sites = pd.DataFrame({"site": ["fork", "ridge"], "latitude": [33.0, 33.0],
    ...     "longitude": [-109.0, -108.0]})
    >>> moved = band_movements(captures, sites)
    >>> moved[["from_site", "to_site", "days"]].values.tolist()
    [['fork', 'ridge', 3]]
    """
    from pyproj import Geod

    seen = captures.dropna(subset=["band"]).sort_values(["band", "date"], kind="stable")
    before = seen.groupby("band")[["site", "date"]].shift()
    moved = before["site"].notna() & (before["site"] != seen["site"])
    place = sites.set_index("site")[["latitude", "longitude"]]
    start, end = place.loc[before.loc[moved, "site"]], place.loc[seen.loc[moved, "site"]]
    _, _, metres = Geod(ellps="WGS84").inv(
        start["longitude"].to_numpy(), start["latitude"].to_numpy(),
        end["longitude"].to_numpy(), end["latitude"].to_numpy(),
    )  # fmt: skip
    return pd.DataFrame(
        {
            "band": seen.loc[moved, "band"],
            "species": seen.loc[moved, "species"],
            "from_site": before.loc[moved, "site"],
            "to_site": seen.loc[moved, "site"],
            "left": before.loc[moved, "date"],
            "arrived": seen.loc[moved, "date"],
            "days": (seen.loc[moved, "date"] - before.loc[moved, "date"]).dt.days,
            "distance_km": metres / 1000,
        },
        columns=COLUMNS,
    ).reset_index(drop=True)
