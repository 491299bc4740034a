"""Regions: sites that share a passage, modelled together and apart from others."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from phenology.study.study import Study

REACH_KM = 150.0  # sites joined by steps no longer than this share a passage
MOST_TOGETHER = 12  # sites up to which a study is one region, however far apart
EARTH_RADIUS_KM = 6371.0  # of the mean sphere: distances here only join neighbours


def regions_of(sites: pd.DataFrame) -> pd.Series:
    """Region of each site: as the sites sheet names it, else by distance.

    Without a column `region`, a study of up to 12 sites is one region; a larger one falls apart
    wherever no step of 150 km leads on.

    Parameters
    ----------
    sites : DataFrame
        site, latitude, longitude; region where the study names them.

    Returns
    -------
    Series of str
        Indexed by site.

    Examples
    --------
    >>> sites = pd.DataFrame({"site": ["fork", "ridge"], "latitude": [31.0, 40.0],
    ...     "longitude": -109.0, "region": ["south", None]})
    >>> regions_of(sites).to_dict()
    {'fork': 'south', 'ridge': 'region 1'}
    """
    names = sites["site"].astype(str).to_numpy()
    own = sites.get("region", pd.Series(None, index=sites.index, dtype=object))
    region = pd.Series(own.to_numpy(dtype=object), index=names)
    open_ = region.isna().to_numpy()
    if open_.any():
        region[open_] = [f"region {number + 1}" for number in _joined(sites[open_])]
    return region.astype(str)


def _joined(sites: pd.DataFrame) -> list[int]:
    if len(sites) <= MOST_TOGETHER:
        return [0] * len(sites)
    from scipy.sparse.csgraph import connected_components

    latitude = np.radians(sites["latitude"].to_numpy(dtype=float))
    longitude = np.radians(sites["longitude"].to_numpy(dtype=float))
    half = np.sin((latitude[:, None] - latitude) / 2) ** 2 + np.cos(latitude[:, None]) * np.cos(
        latitude
    ) * (np.sin((longitude[:, None] - longitude) / 2) ** 2)
    apart_km = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0, 1)))
    _, labels = connected_components(apart_km <= REACH_KM, directed=False)
    return [int(label) for label in labels]


def part_of(study: Study, sites: list[str]) -> Study:
    """The study with the rows of these sites alone; sheets without a site stay whole."""
    sheets = {
        kind: sheet[sheet["site"].isna() | sheet["site"].isin(sites)] if "site" in sheet else sheet
        for kind, sheet in study.sheets.items()
    }
    return replace(study, sheets=sheets)
