"""What else tells the season apart from bait: independent counts, and birds caught again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.quantities import AGES, SEXES

if TYPE_CHECKING:
    import xarray as xr

Array = npt.NDArray[Any]
NEAR_DAYS = 10  # birds of unknown class are allocated by those caught within this many days
ENOUGH_NEAR = 10


@dataclass(frozen=True)
class CountedBirds:
    """Independent counts by site-day: minutes watched (site, date), birds (site, date, group)."""

    minutes: Array
    birds: Array


def counted_birds(
    counts: pd.DataFrame | None,
    captures: pd.DataFrame,
    site_days: xr.Dataset,
    groups: list[str],
    seed: int,
) -> CountedBirds | None:
    """Lay the counts sheet out by the groups of one species.

    A bird counted without its class is allocated by the shares of the classes caught around that
    day of the year, leaving out classes that the same count tells apart.

    Parameters
    ----------
    counts : DataFrame, optional
        The counts sheet.
    captures : DataFrame
        With `group`, `species` and `date`.
    site_days : Dataset
        Gives sites, dates and the species of each group.
    groups : list of str
        All groups of one species.
    seed : int
    """
    if counts is None or counts["minutes"].notna().sum() == 0:
        return None
    rng = np.random.default_rng([seed, 2])
    sites = pd.Index(site_days["site"].to_numpy())
    dates = pd.DatetimeIndex(site_days["date"].to_numpy())
    kept = counts[counts["minutes"].gt(0) & counts["date"].isin(dates)]
    visits = kept.drop_duplicates(["site", "date", "start"])
    shape = (len(sites), len(dates))
    minutes = np.zeros(shape)
    place = (sites.get_indexer(visits["site"]), dates.get_indexer(visits["date"]))
    np.add.at(minutes, place, visits["minutes"].to_numpy(dtype=float))
    birds = np.zeros((*shape, len(groups)), int)
    species = str(site_days["species"].sel(group=groups[0]).item())
    caught = captures[captures["group"].isin(groups)]
    caught_day = caught["date"].dt.day_of_year.to_numpy()
    caught_group = pd.Index(groups).get_indexer(caught["group"])
    of_species = kept[(kept["species"] == species) & kept["count"].gt(0)]
    for (site, date, _), rows in of_species.groupby(["site", "date", "start"], dropna=False):
        at = (sites.get_loc(site), dates.get_loc(date))
        fits = np.array([
            [_may_be(group, species, age, sex) for group in groups]
            for age, sex in rows[["age", "sex"]].fillna("unknown").to_numpy(str)
        ])  # fmt: skip
        told_apart = fits[fits.sum(1) == 1].any(0)
        near = np.abs(caught_day - date.day_of_year) <= NEAR_DAYS
        pool = caught_group[near] if near.sum() >= ENOUGH_NEAR else caught_group
        share = np.bincount(pool, minlength=len(groups)) + 1e-9
        for number, may in zip(rows["count"].to_numpy(dtype=int), fits, strict=True):
            others = may & ~told_apart
            chance = share * (others if may.sum() > 1 and others.any() else may)
            if may.any():
                birds[at] += rng.multinomial(number, chance / chance.sum())
    return CountedBirds(minutes, birds)


def _may_be(group: str, species: str, age: str, sex: str) -> bool:
    """Whether a bird counted as of this age and sex may belong to the group."""
    words = set(group.removeprefix(species).split())
    return all(
        label == "unknown" or label in words or not words & set(vocabulary)
        for label, vocabulary in ((age, AGES), (sex, SEXES))
    )


def seen_again(captures: pd.DataFrame, site_days: xr.Dataset, groups: list[str]) -> tuple[int, int]:
    """Of banded birds caught on several days of a season at a site: days caught, days worked.

    Only days between a bird's first and last capture count: the bird was surely there.

    Parameters
    ----------
    captures : DataFrame
        With `group`, `site`, `date` and `band`.
    site_days : Dataset
        Gives the days worked.
    groups : list of str
    """
    banded = captures[captures["group"].isin(groups) & captures["band"].notna()]
    days = banded.drop_duplicates(["site", "band", "date"])
    year = days["date"].dt.year.rename("year")
    spans = days.groupby(["site", "band", year])["date"].agg(["min", "max", "size"])
    spans = spans[spans["size"] > 1].reset_index()
    dates = pd.DatetimeIndex(site_days["date"].to_numpy())
    worked_before = np.cumsum(site_days["sampled"].transpose("site", "date").to_numpy(), axis=1)
    site = pd.Index(site_days["site"].to_numpy()).get_indexer(spans["site"])
    first, last = dates.get_indexer(spans["min"]), dates.get_indexer(spans["max"])
    worked = worked_before[site, last - 1] - worked_before[site, first]
    return int((spans["size"] - 2).sum()), int(worked.sum())
