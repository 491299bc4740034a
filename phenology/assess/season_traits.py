"""Traits of captured birds as the season model of a mixed species is given them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.signs import breeds, moults
from phenology.birds import bird_of_capture
from phenology.models.season_counts import BirdTraits
from phenology.models.season_traits import FEWEST_BIRDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from phenology.seasons import Window

Array = npt.NDArray[Any]
# Held beforehand, as log ratios of local to passage: a bird that breeds is a local but for the
# misread, about one in twenty; fat over the whole of its scale is what the role model holds of
# fuel, on either side (`phenology.models.role_likelihood.DIRECTION`).
BREEDS = 3.0
LEANEST, FATTEST = 1.0, -1.0


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
    table = table[placed].drop_duplicates(["site", "date", "bird"])
    levels = table[["breeds", "moults", "fat"]].fillna(-1).to_numpy(int)
    noted = levels >= 0
    if table.loc[noted.any(axis=1), "bird"].nunique() < FEWEST_BIRDS:
        return None
    fat = np.linspace(LEANEST, FATTEST, len(fat_levels))[levels[:, 2]]
    return BirdTraits(
        group=table["group"].to_numpy(),
        site=table["site"].to_numpy(),
        season=table["season"].to_numpy(),
        day=table["day"].to_numpy(),
        log_ratio=BREEDS * (levels[:, 0] == 1) + np.where(noted[:, 2], fat, 0.0),
        bird=table.groupby(["site", "season", "bird"]).ngroup().to_numpy(),
        levels=levels,
    )
