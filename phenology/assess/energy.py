"""Bloom and the energy on offer by site and season: from draws of nectar to birds fed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.assess.energy_need import FEEDERS, FLOWERS_COUNTED, report_share_of_need
from phenology.bloom import BLOOM_DRAWS
from phenology.models.energy import (
    draw_birds_fed,
    draw_feeder_energy,
    flower_energy_kj_per_ha,
)
from phenology.models.refusal import Refused
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE
from phenology.reference import kind_of_bird

if TYPE_CHECKING:
    from phenology.estimates import Estimates
    from phenology.seasons import Window
    from phenology.study.study import Study

Floats = npt.NDArray[np.float64]

FLOWERS = "flowers of a hectare"
DRAWS = 200  # where there is no bloom to set their number
RELATIVE = (
    "sugar by flower is not given: nectar is relative, every open flower counting the same; "
    "write nectar_mg_per_flower_day in the plants sheet"
)
NO_SURVEYS = "no bloom surveys: flowers were not counted"
NONE_OPEN = "no open flower was ever counted: there is no normal, and no energy that could be told"
OTHERS = "a ceiling: insects, bats and other birds take their part"


@dataclass(frozen=True)
class _Offer:
    """Energy on offer on (draw, site, date) [kJ/day] and the birds it could feed."""

    name: str
    energy_kj: Floats
    birds: Floats | None


def assess_energy(
    study: Study,
    site_days: xr.Dataset,
    windows: tuple[Window, ...],
    answers: Estimates,
    seed: int,
) -> xr.Dataset:
    """Report bloom, nectar and bird-days fed by site and season, and give them by day.

    Parameters
    ----------
    study : Study
    site_days : Dataset
        From `join_site_days`, with the draws of nectar and of the bloom index where the study
        has bloom surveys.
    windows : tuple of Window
        The study's seasons.
    answers : Estimates
        Gains bloom_index, nectar_kj_per_ha and bird_days_fed, means over the days of each
        season's window, and share_of_need on the days counted; or why there is none.
    seed : int

    Returns
    -------
    Dataset
        The site-days without draws, with, each also as `_low` and `_high` (90 %),
        `flower_energy_kj_per_ha` and `feeder_energy_kj` [kJ/day], and the bird-days a day that
        each could feed, `birds_fed_by_flowers` (of a hectare) and `birds_fed_by_feeders`.
    """
    days = site_days.drop_vars(BLOOM_DRAWS, errors="ignore")
    seasons = _seasons(days, windows)
    unseen = NONE_OPEN if "nectar" in site_days else NO_SURVEYS
    if "bloom_index_draws" in site_days:
        _report_index(site_days, seasons, answers)
    else:
        answers.refuse("bloom_index", unseen)
    mass_g, why_not = _typical_mass(study)
    offers = []
    if "nectar_draws" in site_days and site_days["nectar"].attrs["nectar_is"] == "absolute":
        nectar = site_days["nectar_draws"].transpose("draw", "site", "date").to_numpy()
        offers.append((FLOWERS, flower_energy_kj_per_ha(nectar)))
    else:
        reason = RELATIVE if "nectar_draws" in site_days else unseen
        answers.refuse("nectar_kj_per_ha", reason)
        answers.refuse("bird_days_fed", reason, definition=FLOWERS)
    filled = _feeder_energy(study, days, seed)
    if filled is None:
        reason = "no feeder of the sheet has litres filled and the strength of its solution"
        answers.refuse("bird_days_fed", reason, definition=FEEDERS)
    else:
        offers.append((FEEDERS, filled))
    birds_fed = {}
    for name, energy_kj in offers:
        birds = None if why_not else draw_birds_fed(energy_kj, mass_g, 0.0, seed)
        offer = _Offer(name, energy_kj, birds)
        days = days.assign(_by_day(offer))
        if name == FLOWERS:
            _report_offer("nectar_kj_per_ha", offer.energy_kj, days, seasons, answers)
        if offer.birds is None:
            answers.refuse("bird_days_fed", why_not, definition=name)
        else:
            birds_fed[FLOWERS_COUNTED if name == FLOWERS else name] = offer.birds
            note = f"birds of {mass_g:.1f} g that hold their mass; {OTHERS}"
            _report_offer(
                "bird_days_fed", offer.birds, days, seasons, answers, definition=name, note=note
            )
    report_share_of_need(study, birds_fed, days, seasons, answers, seed)
    return days


def _seasons(days: xr.Dataset, windows: tuple[Window, ...]) -> dict[str, npt.NDArray[np.bool_]]:
    """Which dates belong to each season as reported, seasons that were not sampled included."""
    dates = pd.DatetimeIndex(days["date"].to_numpy())
    last = dates[days["sampled"].any("site").to_numpy()].max()
    found: dict[str, npt.NDArray[np.bool_]] = {}
    for window in windows:
        placed = window.place(dates)
        length = window.last_day - window.first_day + 1
        for season, here in placed[placed["inside"]].groupby("season"):
            of_season = np.zeros(len(dates), dtype=bool)
            of_season[here.index] = True
            # A season that the last sampled day cuts short is told up to there.
            if of_season.sum() >= min(length, 30) or dates[of_season].max() == last:
                found[window.label(int(season))] = of_season
    return found


def _report_index(
    site_days: xr.Dataset, seasons: dict[str, npt.NDArray[np.bool_]], answers: Estimates
) -> None:
    draws = site_days["bloom_index_draws"].transpose("draw", "site", "date").to_numpy()
    normal = site_days["normal_basis"].to_numpy()
    surveyed = site_days["season_surveyed"].transpose("site", "date").to_numpy()
    for place, site in enumerate(site_days["site"].to_numpy()):
        for season, inside in seasons.items():
            own = surveyed[place, inside].any() and normal[place] == "measured"
            lent = "borrowed" if normal[place] == "measured" else str(normal[place])
            answers.add(
                "bloom_index",
                draws[:, place, inside].mean(axis=1),
                birds=0,
                basis="measured" if own else lent,
                note="" if normal[place] == "measured" else "the site's normal is borrowed",
                site=site,
                season=season,
            )


def _report_offer(
    quantity: str,
    draws: Floats,
    days: xr.Dataset,
    seasons: dict[str, npt.NDArray[np.bool_]],
    answers: Estimates,
    definition: str = "",
    note: str = OTHERS,
) -> None:
    surveyed = np.ones(draws.shape[1:], dtype=bool)
    if definition != FEEDERS:
        surveyed = days["season_surveyed"].transpose("site", "date").to_numpy()
    for place, site in enumerate(days["site"].to_numpy()):
        for season, inside in seasons.items():
            mean = draws[:, place, inside].mean(axis=1)
            if not np.isfinite(mean).all():
                continue  # a site that the feeders sheet does not know
            own = surveyed[place, inside].any()
            answers.add(
                quantity,
                mean,
                birds=0,
                basis="measured" if own else "borrowed",
                note=note,
                site=site,
                season=season,
                definition=definition,
            )


def _typical_mass(study: Study) -> tuple[float, str]:
    """Median mass of the hummingbirds caught [g], or why no need can be told."""
    kinds = study.captures["species"].map(kind_of_bird)
    mass_g = study.captures.loc[kinds == "hummingbird", "mass_g"].dropna()
    if not (kinds == "hummingbird").any():
        return np.nan, "the daily need is known for hummingbirds, and none was caught"
    if mass_g.empty:
        return np.nan, "no bird was weighed, so its daily need is not known"
    middle = float(mass_g.median())
    try:
        draw_birds_fed(np.ones(1), middle, 0.0, 1)
    except Refused as reason:
        return np.nan, str(reason)
    return middle, ""


def _feeder_energy(study: Study, days: xr.Dataset, seed: int) -> Floats | None:
    """Draws of what is filled into the feeders of each site by day [kJ/day]."""
    feeders = study.sheets.get("feeders")
    if feeders is None:
        return None
    known = feeders.dropna(subset=["litres_filled_per_day", "water_to_sugar"])
    known = known[known["water_to_sugar"] > 0]
    if known.empty:
        return None
    draws = days.sizes.get("draw", DRAWS)
    dates = days["date"].to_numpy()
    sites = pd.Index(days["site"].to_numpy())
    energy = np.full((draws, len(sites), len(dates)), np.nan)
    energy[:, sites.isin(feeders["site"])] = 0.0
    spans = known[["site", "from", "until", "litres_filled_per_day", "water_to_sugar"]]
    filled = draw_feeder_energy(
        spans["litres_filled_per_day"], spans["water_to_sugar"], draws, seed
    )
    for number, (site, start, until) in enumerate(
        zip(spans["site"], spans["from"], spans["until"], strict=True)
    ):
        up = (dates >= np.datetime64(start)) & (dates <= np.datetime64(until))
        energy[:, sites.get_loc(site), up] += filled[:, number, None]
    return energy


def _by_day(offer: _Offer) -> dict[str, xr.Variable]:
    """An offer's energy and birds as variables on (site, date)."""
    flowers = offer.name == FLOWERS
    told = [
        (
            "flower_energy_kj_per_ha" if flowers else "feeder_energy_kj",
            offer.energy_kj,
            "kJ ha-1 day-1" if flowers else "kJ day-1",
            f"energy on offer, {offer.name}",
        )
    ]
    if offer.birds is not None:
        name = "birds_fed_by_flowers" if flowers else "birds_fed_by_feeders"
        told.append((name, offer.birds, "1", f"bird-days a day that {offer.name} could feed"))
    variables: dict[str, xr.Variable] = {}
    for name, draws, units, long_name in told:
        levels = np.quantile(draws, [0.5, LOW_QUANTILE, HIGH_QUANTILE], axis=0)
        for suffix, values in zip(("", "_low", "_high"), levels, strict=True):
            attributes = {"units": units, "long_name": long_name}
            variables[name + suffix] = xr.Variable(("site", "date"), values, attributes)
    return variables
