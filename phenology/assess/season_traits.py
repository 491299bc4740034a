"""Traits of captured birds as the season model of a mixed species is given them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy.typing as npt
import pandas as pd

from phenology.assess.signs import breeds, moults
from phenology.birds import bird_of_capture
from phenology.models.season_counts import BirdTraits
from phenology.models.season_traits import FEWEST_BIRDS, log_ratio_beforehand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from phenology.seasons import Window

Array = npt.NDArray[Any]


def bird_traits(
    captures: pd.DataFrame,
    fat_levels: Sequence[str],
    window: Window,
    *,
    groups: Sequence[str],
    sites: Sequence[str],
    seasons: Sequence[str],
) -> BirdTraits | None:
    """Signs of breeding, moult and fat of every bird and day; None where too few show any.

    Parameters
    ----------
    captures : DataFrame
        Clean captures with their `group`.
    fat_levels : sequence of str
        Of the study's scale, leanest first.
    window : Window
    groups, sites, seasons : sequence of str
        Labels of `SeasonCounts`, in order.

    Returns
    -------
    BirdTraits or None
        One row for each bird, site and day on which it showed a trait.
    """
    place = window.place(pd.DatetimeIndex(captures["date"]))
    table = captures.assign(
        bird=bird_of_capture(captures),
        season=pd.Index(seasons).get_indexer([window.label(year) for year in place["season"]]),
        day=place["day"].to_numpy(float),
        group=pd.Index(groups).get_indexer(captures["group"]),
        site=pd.Index(sites).get_indexer(captures["site"]),
        breeds=breeds(captures),
        moults=moults(captures),
        fat=pd.Index(fat_levels).get_indexer(captures["fat"]).astype(float),
    )
    placed = place["inside"].to_numpy() & (table[["group", "site", "season"]] >= 0).all(axis=1)
    signs = ["breeds", "moults", "fat"]
    table = table[placed & table[signs].ge(0).any(axis=1)]
    table = table.drop_duplicates(["site", "date", "bird"])
    if table["bird"].nunique() < FEWEST_BIRDS:
        return None
    levels = table[signs].fillna(-1).to_numpy(int)
    return BirdTraits(
        group=table["group"].to_numpy(),
        site=table["site"].to_numpy(),
        season=table["season"].to_numpy(),
        day=table["day"].to_numpy(),
        log_ratio=log_ratio_beforehand(levels[:, 0], levels[:, 2], len(fat_levels)),
        bird=table.groupby(["site", "season", "bird"]).ngroup().to_numpy(),
        levels=levels,
    )
