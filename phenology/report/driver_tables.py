"""Tables of bloom by plant, energy on offer, the monsoon and the surroundings of sites."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.bloom_surveys import count_flowers

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.assessment import Assessment
    from phenology.seasons import Window

ENERGY = (
    "flower_energy_kj_per_ha",
    "feeder_energy_kj",
    "birds_fed_by_flowers",
    "birds_fed_by_feeders",
)


def driver_tables(assessment: Assessment, windows: tuple[Window, ...]) -> dict[str, pd.DataFrame]:
    """Tables by name; one that has nothing to say is left out.

    Parameters
    ----------
    assessment : Assessment
    windows : tuple of Window
        The study's seasons.

    Returns
    -------
    dict of DataFrame
        bloom_plants and bloom_surveys (each site's newest surveyed season), energy_days (each
        site's newest season), bloom_skill, monsoon_turns, monsoon_years, landscape.
    """
    site_days, study = assessment.site_days, assessment.study
    tables: dict[str, pd.DataFrame] = {}
    if "plant_flowers_per_m2" in site_days:
        tables["bloom_plants"] = _plant_days(site_days, windows)
        tables["bloom_skill"] = _skill(site_days)
        counted = count_flowers(study.sheets["bloom"])
        dates = pd.DatetimeIndex(counted["date"])
        tables["bloom_surveys"] = pd.concat(
            [
                counted.assign(
                    season=[window.label(season) for season in placed["season"]],
                    day=placed["day"].to_numpy(),
                    flowers_per_m2=counted["flowers"] / counted["area_m2"],
                    date=counted["date"].dt.strftime("%Y-%m-%d"),
                )[placed["inside"].to_numpy()]
                for window in windows
                for placed in [window.place(dates)]
            ],
            ignore_index=True,
        )
    names = [name for name in ENERGY if name in site_days]
    if names:
        tables["energy_days"] = _energy_days(site_days, names, windows)
    if assessment.monsoon is not None:
        tables["monsoon_turns"] = assessment.monsoon.turns
        tables["monsoon_years"] = assessment.monsoon.years
    if len(assessment.landscape):
        # Areas of mapped patches would give away where a sensitive site lies.
        open_sites = study.sites.loc[~study.sites["sensitive"].fillna(False).astype(bool), "site"]
        shared = assessment.landscape["site"].isin(open_sites)
        tables["landscape"] = assessment.landscape[shared]
    return {name: table for name, table in tables.items() if len(table)}


def _newest(
    site_days: xr.Dataset, windows: tuple[Window, ...], marked: xr.DataArray
) -> dict[str, tuple[str, np.ndarray[tuple[int], np.dtype[np.bool_]], pd.Series[int]]]:
    """The newest season of each site with a marked day: its label, dates inside, days."""
    dates = pd.DatetimeIndex(site_days["date"].to_numpy())
    found = {}
    known = marked.transpose("site", "date").to_numpy()
    for place, site in enumerate(site_days["site"].to_numpy()):
        best = pd.Timestamp.min
        for window in windows:
            placed = window.place(dates)
            inside = placed["inside"].to_numpy()
            here = known[place] & inside
            if here.any() and dates[here].max() > best:
                best = dates[here].max()
                season = placed.loc[here, "season"].max()
                of_season = inside & (placed["season"] == season).to_numpy()
                found[str(site)] = (window.label(int(season)), of_season, placed["day"])
    return found


def _plant_days(site_days: xr.Dataset, windows: tuple[Window, ...]) -> pd.DataFrame:
    names = {"": "flowers_per_m2", "_low": "low", "_high": "high"}
    parts = []
    for site, (season, inside, day) in _newest(site_days, windows, site_days["surveyed"]).items():
        here = site_days.sel(site=site).isel(date=np.flatnonzero(inside))
        for plant in site_days["plant"].to_numpy():
            of_plant = here.sel(plant=plant)
            values = {
                column: of_plant[f"plant_flowers_per_m2{suffix}"].to_numpy()
                for suffix, column in names.items()
            }
            parts.append(
                pd.DataFrame({"site": site, "season": season, "plant": plant} | values).assign(
                    day=day[inside].to_numpy()
                )
            )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _energy_days(
    site_days: xr.Dataset, names: list[str], windows: tuple[Window, ...]
) -> pd.DataFrame:
    columns = [name + suffix for name in names for suffix in ("", "_low", "_high")]
    known = site_days[names].to_dataarray().notnull().any("variable") & site_days["sampled"]
    parts = []
    for site, (season, inside, day) in _newest(site_days, windows, known).items():
        here = site_days[columns].sel(site=site).isel(date=np.flatnonzero(inside))
        values = {name: here[name].to_numpy() for name in columns}
        parts.append(
            pd.DataFrame({"site": site, "season": season, "day": day[inside].to_numpy()} | values)
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _skill(site_days: xr.Dataset) -> pd.DataFrame:
    """One row a season left out; of several regions, whose sites repeat it, one a region."""
    names = ["surveys", "error_model", "error_mean_curve"]
    told = site_days[["bloom_" + name for name in names]].to_dataframe().dropna().reset_index()
    told.columns = told.columns.str.removeprefix("bloom_")
    return told[["season", *names]].drop_duplicates(ignore_index=True).astype({"surveys": int})
