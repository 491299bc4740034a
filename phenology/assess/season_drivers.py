"""What may move dates and numbers between seasons, and what the season model says of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.season_design import driver_priors, driver_scales
from phenology.models.season_predictors import PREDICTORS, SHIFTED

if TYPE_CHECKING:
    from phenology.estimates import Estimates
    from phenology.models.season import SeasonModel
    from phenology.models.season_counts import SeasonCounts
    from phenology.seasons import Window

Array = npt.NDArray[Any]
FEWEST_SEASONS = 4  # in which a driver is known; fewer tell nothing of it
DEFINITION = "season model"
STEPS = {  # change of a driver for which an effect is told, and its words
    "bloom": (-float(np.log(2)), "per halving of bloom"),
    "monsoon_onset": (7.0, "per 7 days later onset"),
    "year": (10.0, "per 10 years"),
}
MOVED = {  # predictor of the model: role, outcome, unit
    "rise": ("local", "arrival_day", "days"),
    "fall": ("local", "departure_day", "days"),
    "peak": ("passage", "peak_day", "days"),
    "local_level": ("local", "capture_index", "log ratio"),
    "passage_level": ("passage", "capture_index", "log ratio"),
}
MEASURED_BELOW = 0.5  # share of the prior's variance that is left


def season_drivers(
    site_days: xr.Dataset,
    window: Window,
    sites: tuple[str, ...],
    seasons: list[int],
    monsoon_years: pd.DataFrame | None,
) -> dict[str, Array]:
    """Bloom, onset of the monsoon and the year by site and season, the most important first.

    Bloom is the mean of the window's days in seasons with a survey; the onset is in days from the
    site's mean. Either is missing where not known, and left out if known in too few seasons.

    Parameters
    ----------
    site_days : Dataset
        `bloom_index` and `season_surveyed` where flowers were surveyed.
    window : Window
    sites : tuple of str
    seasons : list of int
        Years in which the seasons begin.
    monsoon_years : DataFrame, optional
        site, season, onset_day.

    Returns
    -------
    dict of str to array, shape (site, season)
    """
    found = {}
    if "bloom_index" in site_days:
        place = window.place(pd.DatetimeIndex(site_days["date"].to_numpy()))
        inside = place["inside"].to_numpy()
        index = site_days["bloom_index"].where(site_days["season_surveyed"])
        by_day = index.transpose("site", "date").sel(site=list(sites)).to_numpy()[:, inside]
        mean = pd.DataFrame(by_day.T).groupby(place["season"].to_numpy()[inside]).mean()
        found["bloom"] = mean.reindex(seasons).to_numpy().T
    if monsoon_years is not None and not monsoon_years.empty:
        onset = monsoon_years.pivot_table(index="site", columns="season", values="onset_day")
        by_season = onset.reindex(index=list(sites), columns=seasons).to_numpy(dtype=float)
        found["monsoon_onset"] = by_season - onset.mean(axis=1).reindex(list(sites)).to_numpy(
            dtype=float
        ).reshape(-1, 1)
    found["year"] = np.tile(np.array(seasons, float), (len(sites), 1))
    return {
        name: values
        for name, values in found.items()
        if np.isfinite(values).any(0).sum() >= FEWEST_SEASONS and np.nanstd(values) > 0
    }


def report_driver_effects(
    species: str, window: Window, counts: SeasonCounts, fitted: SeasonModel, answers: Estimates
) -> None:
    """Add what each driver does to dates and numbers of the roles that are modelled."""
    if not counts.drivers:
        return
    prior_sd = driver_priors(counts)
    modelled = fitted.draws_["peak_day"].isel(draw=0).notnull().any(["group", "site", "season"])
    for at, driver in enumerate(counts.drivers):
        step, words = STEPS[driver]
        _, scale = driver_scales(counts)[at]
        for moved, predictor in enumerate(SHIFTED):
            role, outcome, unit = MOVED[PREDICTORS[predictor]]
            if not bool(modelled.sel(role=role)):
                continue
            slope = fitted.draws_["driver_effect"].isel(driver=at, moved=moved).to_numpy()
            left = float(min(1.0, (slope.std() * scale / prior_sd[at, moved]) ** 2))
            answers.add(
                "effect",
                slope * step,
                birds=int(counts.count.sum()),
                basis="measured" if left < MEASURED_BELOW else "assumed",
                shares=(1 - left, 0.0, left),
                unit=f"{unit}, {words}",
                definition=DEFINITION,
                outcome=outcome,
                driver=driver,
                role=role,
                group=species,
                season=window.name,
            )
