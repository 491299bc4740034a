"""Rows of the support model: every captured bird with the drivers that met it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.support_drivers import feeder_kinds, surroundings
from phenology.birds import one_of_season

if TYPE_CHECKING:
    import xarray as xr

    from phenology.seasons import Window
    from phenology.study.study import Study

Array = npt.NDArray[np.float64]

MOST_DRAWS = 200
AFTER_EVENT_DAYS = 365  # an event acts for so long after its last day
LASTING_EVENTS = ("fire", "flood")
BAITED = {"baited": 1.0, "unbaited": 0.0, "either": 0.5}  # share of hours with bait
ROLE_CHANCE = {"local": 1.0, "passage": 0.0, "mixed": np.nan}


@dataclass(frozen=True)
class Birds:
    """Captures with all that bears on support, one row a capture."""

    table: pd.DataFrame
    draws: dict[str, Array]  # of the bird in the hand, (draw, capture)
    next_stop_km: float | None
    words: dict[str, str] = field(default_factory=dict)  # what a reader must know of a driver


def gather_birds(
    study: Study,
    site_days: xr.Dataset,
    *,
    groups: pd.Series,
    seasons: pd.Series,
    windows: tuple[Window, ...],
    hand: xr.Dataset | None,
    monsoon_years: pd.DataFrame | None,
    landscape: pd.DataFrame | None = None,
) -> Birds:
    """Set drivers beside every capture and align the draws of the bird in the hand.

    Parameters
    ----------
    study, site_days, windows
        As the run has them.
    groups, seasons : Series
        Indexed as `study.captures`.
    hand : Dataset or None
        Draws by bird, (draw, bird), `bird` being the captures' index.
    monsoon_years : DataFrame or None
        site, season (year), onset_day, spi.
    landscape : DataFrame, optional
        From `assess_landscape`.

    Returns
    -------
    Birds
        `table` has the captures' columns, `group`, `season`, `day`, `first_of_season` and the
        drivers that the study knows: bloom, feeders, monsoon_onset, monsoon_strength, events and
        those of `support_drivers`.
    """
    captures = study.captures
    placed = place_in_season(captures["date"], windows)
    table = captures.assign(
        group=groups,
        season=seasons,
        day=placed["day"].to_numpy(),
        season_year=placed["season"].to_numpy(),
        p_local=_species_chance(study),
    )
    table["first_of_season"] = one_of_season(table, "first")
    table = table.assign(**_daily_drivers(table, site_days))
    if monsoon_years is not None:
        years = monsoon_years.set_index(["site", "season"])
        keys = pd.MultiIndex.from_arrays([table["site"].astype(str), table["season_year"]])
        for driver, column in (("monsoon_onset", "onset_day"), ("monsoon_strength", "spi")):
            values = years[column].reindex(keys).to_numpy(dtype=float)
            if np.isfinite(values).any():
                table[driver] = values
    events = study.sheets.get("events")
    if events is not None:
        table["events"] = _after_events(table, events)
    around, words = surroundings(table, study, landscape)
    table = table.assign(**feeder_kinds(table, study.sheets.get("feeders")), **around)
    return Birds(table, _aligned(hand, table.index), study.options.next_stop_km, words)


def place_in_season(dates: pd.Series, windows: tuple[Window, ...]) -> pd.DataFrame:
    """Season year and day of each date, by the window that holds it."""
    days = pd.DatetimeIndex(dates)
    placed = windows[0].place(days)
    for window in windows[1:]:
        other = window.place(days)
        inside = other["inside"].to_numpy()
        placed[inside] = other[inside]
    return placed


def _species_chance(study: Study) -> Array:
    """Chance of being local by the species' role at the site; missing for mixed ones."""
    chance = []
    for species, site in zip(study.captures["species"], study.captures["site"], strict=True):
        options = study.options.species.get(species)
        role = "mixed" if options is None else options.sites.get(site, options.role)
        chance.append(ROLE_CHANCE[role])
    return np.array(chance)


def _daily_drivers(table: pd.DataFrame, site_days: xr.Dataset) -> dict[str, Array]:
    site = pd.Index(site_days["site"].to_numpy().astype(str)).get_indexer(
        pd.Index(table["site"].astype(str))
    )
    day = pd.DatetimeIndex(site_days["date"].to_numpy()).get_indexer(
        pd.DatetimeIndex(table["date"])
    )
    drivers = {
        driver: site_days[variable].transpose("site", "date").to_numpy()[site, day].astype(float)
        for driver, variable in (("bloom", "bloom_index"), ("feeders", "feeders_up"))
        if variable in site_days
    }
    hours = site_days["effort_hours"].transpose("site", "date", "bait").to_numpy()[site, day]
    total = hours.sum(axis=1)
    if (total > 0).any():
        weight = [BAITED[kind] for kind in site_days["bait"].to_numpy().tolist()]
        baited = hours @ np.array(weight)
        drivers["baited"] = np.where(total > 0, baited / np.where(total > 0, total, 1.0), np.nan)
    return drivers


def _after_events(table: pd.DataFrame, events: pd.DataFrame) -> Array:
    after = np.zeros(len(table))
    lasting = events[events["kind"].isin(LASTING_EVENTS)]
    for site, start, until in zip(lasting["site"], lasting["from"], lasting["until"], strict=True):
        end = (start if pd.isna(until) else until) + pd.Timedelta(days=AFTER_EVENT_DAYS)
        here = np.ones(len(table), dtype=bool) if pd.isna(site) else table["site"].eq(site)
        after[np.asarray(here & (table["date"] >= start) & (table["date"] <= end))] = 1.0
    return after


def _aligned(hand: xr.Dataset | None, index: pd.Index) -> dict[str, Array]:
    if hand is None:
        return {}
    place = pd.Index(hand["bird"].to_numpy()).get_indexer(index)
    draws = {}
    for name in hand.data_vars:
        values = hand[name].transpose("draw", "bird").to_numpy()[:MOST_DRAWS]
        draws[str(name)] = np.where(place >= 0, values[:, place], np.nan)
    return draws
