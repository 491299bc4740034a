"""Share of passage birds whose fuel reaches the next stop, at capture and at departure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.birds import one_of_season
from phenology.models.potential_range import share_ready

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates

Array = npt.NDArray[np.float64]
AT_CAPTURE = "at last capture"
FEWEST_BIRDS = 5


def next_stop_km(sites: pd.DataFrame, declared: float | None) -> dict[str, float]:
    """Distance from each site to the next stop [km]: as declared, else to the next site south.

    A site with no other site south of it has none.

    Examples
    --------
    >>> sites = pd.DataFrame({"site": ["fork", "ridge"], "latitude": [33.0, 34.0],
    ...     "longitude": [-109.0, -109.0]})
    >>> {site: round(km) for site, km in next_stop_km(sites, None).items()}
    {'ridge': 111}
    """
    from pyproj import Geod

    if declared is not None:
        return dict.fromkeys(sites["site"].astype(str), declared)
    reach = {}
    for site in sites.itertuples():
        south = sites[sites["latitude"] < site.latitude]
        if len(south):
            same = np.ones(len(south))
            _, _, metres = Geod(ellps="WGS84").inv(
                same * site.longitude, same * site.latitude,
                south["longitude"].to_numpy(), south["latitude"].to_numpy(),
            )  # fmt: skip
            reach[str(site.site)] = float(np.min(metres)) / 1000
    return reach


def assess_readiness(
    captures: pd.DataFrame,
    roles: pd.Series[str],
    groups: pd.Series[str],
    seasons: pd.Series[str],
    hand: xr.Dataset | None,
    stops: Mapping[str, float],
    answers: Estimates,
) -> None:
    """Report the share of passage birds ready for the next stop, by site and group.

    Parameters
    ----------
    captures : DataFrame
        Clean captures.
    roles, groups, seasons : Series
        Role that study.toml states, group and season label of each capture.
    hand : Dataset or None
        potential_range_km on (draw, bird).
    stops : mapping
        From `next_stop_km`.
    answers : Estimates
        Gains share_ready, at the last capture of each bird's season.
    """
    if hand is None or "potential_range_km" not in hand:
        return
    table = captures.assign(role=roles, group=groups, season=seasons)
    passage = table[one_of_season(table, "last") & (table["role"] == "passage")]
    if passage.empty:
        return
    if not stops:
        answers.refuse("share_ready", "study.toml names no next stop, and no site lies south")
        return
    place = hand.indexes["bird"].get_indexer(passage.index)
    reach = hand["potential_range_km"].transpose("draw", "bird").to_numpy()
    for (site, group), rows in passage.groupby(["site", "group"]).indices.items():
        known = place[rows][place[rows] >= 0]
        known = known[np.isfinite(reach[:, known]).all(axis=0)]
        if str(site) not in stops or len(known) < FEWEST_BIRDS:
            continue
        answers.add(
            "share_ready",
            share_ready(reach[:, known], stops[str(site)]),
            birds=len(known),
            basis="measured",
            note=f"potential range of {stops[str(site)]:.0f} km or more; birds gain until they "
            "leave, so the share at departure is higher",
            definition=AT_CAPTURE,
            site=site,
            group=group,
            role="passage",
        )
