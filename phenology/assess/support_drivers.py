"""Drivers of support beyond bloom and the monsoon: what kind of feeders hang, what lies around."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.landscape import WATER, ground_within_m2, place_sites

if TYPE_CHECKING:
    from phenology.study.study import Study

Array = npt.NDArray[np.float64]

NEAREST_M = 10.0  # distances below this are alike: at the trap, or in the water
AROUND_M = 1000.0  # a home range


def feeder_kinds(table: pd.DataFrame, feeders: pd.DataFrame | None) -> dict[str, Array]:
    """Kind of the feeders that hung at each capture's site on its day.

    Parameters
    ----------
    table : DataFrame
        site, date.
    feeders : DataFrame or None
        Clean rows of the feeders sheet.

    Returns
    -------
    dict of ndarray
        `neighbour_feeders` (1 where only a neighbour's hung, 0 where some were our own),
        `feeder_ports` of all together and `feeder_distance` of the nearest, in doublings; NaN
        where none hung or the sheet does not say. A kind that the sheet never tells is left out.
    """
    if feeders is None:
        return {}
    spans = feeders[feeders["feeders"].fillna(1.0) > 0].reset_index(drop=True)
    asked = table[["site", "date"]].reset_index(drop=True).assign(bird=range(len(table)))
    pairs = asked.astype({"site": str}).merge(spans.astype({"site": str}), on="site")
    hung = pairs[(pairs["date"] >= pairs["from"]) & (pairs["date"] <= pairs["until"])]
    own = hung["kept_by"].map({"us": 1.0, "neighbour": 0.0})
    by_bird = hung.assign(
        own=own.astype(float),
        ports=hung["ports"].where(hung["ports"] > 0).astype(float),
        distance_m=hung["distance_m"].astype(float).clip(lower=NEAREST_M),
    ).groupby("bird")
    every = range(len(table))
    kinds = {
        "neighbour_feeders": 1.0 - by_bird["own"].max(),
        "feeder_ports": np.log2(by_bird["ports"].sum(min_count=1)),
        "feeder_distance": np.log2(by_bird["distance_m"].min()),
    }
    return {
        name: values.reindex(every).to_numpy(dtype=float)
        for name, values in kinds.items()
        if values.notna().any()
    }


def surroundings(
    table: pd.DataFrame, study: Study, landscape: pd.DataFrame | None
) -> tuple[dict[str, Array], dict[str, str]]:
    """What lies within a kilometre of each capture's site, its mean over the seasons.

    Of the habitats the one is taken in which the sites differ most: chosen before any outcome is
    seen, so that no habitat wins by chance.

    Parameters
    ----------
    table : DataFrame
        site.
    study : Study
    landscape : DataFrame or None
        From `assess_landscape`.

    Returns
    -------
    drivers : dict of ndarray
        `habitat` and `burned` [share of the ground], `water_distance` [doublings].
    words : dict of str
        What a reader must know of a driver.
    """
    if landscape is None or landscape.empty:
        return {}, {}
    drivers: dict[str, pd.Series] = {}
    words: dict[str, str] = {}
    around = landscape[landscape["radius_m"] == AROUND_M]
    areas = around[around["measure"] == "patch_area"]
    areas = areas[~areas["kind"].str.lower().isin(WATER)]
    if len(areas):
        seasons = landscape.groupby("site")["season"].nunique()
        area = areas.pivot_table("value", "site", "kind", "sum").div(seasons, axis=0)
        placed = place_sites(
            study.sites.dropna(subset=["latitude", "longitude"]), study.layers.get("sites")
        )
        ground = ground_within_m2(placed, AROUND_M)
        shares = area.reindex(ground.index).fillna(0.0).div(ground, axis=0)
        kind = str(shares.std().idxmax())
        drivers["habitat"] = shares[kind]
        words["habitat"] = f"the habitat is {kind}, within {AROUND_M:,.0f} m"
    burned = around[around["measure"] == "burned_share"]
    if len(burned):
        drivers["burned"] = burned.groupby("site")["value"].mean()
        words["burned"] = f"burned ground within {AROUND_M:,.0f} m, whenever it burned"
    water = landscape[landscape["measure"] == "distance_to_water"].dropna(subset="value")
    if len(water):
        distance_m = water.groupby("site")["value"].mean().clip(lower=NEAREST_M)
        drivers["water_distance"] = np.log2(distance_m)
    site = table["site"].astype(str)
    return {name: site.map(values).to_numpy(dtype=float) for name, values in drivers.items()}, words
