"""What the support model is given: drivers, their contrasts, and what the data can tell of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from phenology.models.mixed_effects_rows import Array, Integers, RandomEffect
from phenology.quantities import BETWEEN, WITHIN

YEARS_A_DRIVER = 8  # sampled years for each driver whose prior is wide
WIDE, SHRUNK, BETWEEN_SD = 2.0, 0.5, 1.0  # prior sd of an effect, in sd of the outcome
ADJUSTMENT_SD = 3.0  # of day, bait and unknown drivers, in sd of the outcome
LEAST_KNOWN = 0.6  # share of birds for which a driver must be known
LEAST_BIRDS = 5  # on either side of a yes-or-no contrast, at a site that switches
ENOUGH_SITES = 3  # that switch
LEAST_SITES = 4  # for a contrast between sites
LEAST_SEASONS = 3  # for a driver that all birds of a season share
LEAST_SPREAD = 0.15  # standard deviation of a driver over the change it is quoted for
DAY_POWERS = 3


@dataclass(frozen=True)
class Contrast:
    """The change of a driver that its effect is quoted for.

    Attributes
    ----------
    unit : str
        In words.
    change : float
        In the driver's own unit.
    switches : bool
        Whether the driver is yes (1) or no (0).
    by_season : bool
        Whether all birds of a site and season share its value.
    """

    unit: str
    change: float
    switches: bool = False
    by_season: bool = False


HALVING = -float(np.log(2.0))
# In the order in which they get a wide prior, while the sampled years allow.
CONTRASTS: dict[str, Contrast] = {
    "bloom": Contrast("per halving of bloom", HALVING),
    "feeders": Contrast("feeders up against none", 1.0, switches=True),
    "monsoon_onset": Contrast("per 7 days later onset", 7.0, by_season=True),
    "monsoon_strength": Contrast("per standard deviation more rain", 1.0, by_season=True),
    "feeders_x_bloom": Contrast("effect of feeders, per halving of bloom", HALVING),
    "habitat": Contrast("per tenth more of the habitat", 0.1),
    "events": Contrast("after the event against before", 1.0, switches=True),
}


@dataclass(frozen=True)
class RoleDesign:
    """Rows, columns and verdicts for the birds of one role.

    Attributes
    ----------
    columns : ndarray, (n, p)
        Intercept, adjustments, drivers within sites, drivers between sites.
    effects : tuple of RandomEffect
        site, season, site and season, group; those of more than one level.
    site, season : ndarray of int, (n,)
        Place of each bird in `site_names` and `season_names`.
    site_names, season_names : tuple
    values : dict of ndarray, (n,)
        Drivers as used; unknown ones at their site's mean.
    site_mean : dict of ndarray, (sites,)
    within, between : dict of int
        Column of each driver.
    prior_sd : ndarray, (p,)
        In standard deviations of the outcome; infinite for the intercept.
    feeder_share : float
        Mean of `feeders`, at which the effect of bloom is quoted.
    refused, notes : dict
        (driver, definition): words.
    """

    columns: Array
    effects: tuple[RandomEffect, ...]
    site: Integers
    season: Integers
    site_names: tuple[Any, ...]
    season_names: tuple[Any, ...]
    values: dict[str, Array]
    site_mean: dict[str, Array]
    within: dict[str, int]
    between: dict[str, int]
    prior_sd: Array
    feeder_share: float
    refused: dict[tuple[str, str], str] = field(default_factory=dict)
    notes: dict[tuple[str, str], str] = field(default_factory=dict)

    def changed(self, new: Mapping[str, Array]) -> Array:
        """Columns after drivers took new values at the same sites, groups and days."""
        values = self.values | {name: np.asarray(value, float) for name, value in new.items()}
        if "feeders_x_bloom" in self.values:
            values["feeders_x_bloom"] = _interaction(values, self.feeder_share)
        columns = self.columns.copy()
        for name, column in self.within.items():
            columns[:, column] += values[name] - self.values[name]
        return columns


def _interaction(values: Mapping[str, Array], feeder_share: float) -> Array:
    return (values["feeders"] - feeder_share) * values["bloom"]


def build_design(birds: pd.DataFrame, weight: Array) -> RoleDesign:
    """Lay out the birds of one role.

    Parameters
    ----------
    birds : DataFrame
        site, season, day; where known group, baited and the drivers of `CONTRASTS`, numbers.
    weight : ndarray, (n,)
        Chance of each bird to be of the role.

    Returns
    -------
    RoleDesign
    """
    site, site_names = pd.factorize(birds["site"], sort=True)
    season, season_names = pd.factorize(birds["season"], sort=True)
    values: dict[str, Array] = {}
    refused: dict[tuple[str, str], str] = {}
    adjustments = _adjustments(birds, weight)
    for name in CONTRASTS:
        if name not in birds or name == "feeders_x_bloom":
            continue
        value = birds[name].to_numpy(dtype=float)
        unknown = np.isnan(value)
        known = 1 - float(weight @ unknown / weight.sum())
        if known < LEAST_KNOWN:
            refused |= dict.fromkeys(
                [(name, WITHIN), (name, BETWEEN)], f"it is known for only {known:.0%} of the birds"
            )
            continue
        means = _site_means(np.where(unknown, 0.0, value), weight * ~unknown, site)
        values[name] = np.where(unknown, means[site], value)
        if unknown.any():
            adjustments.append(unknown.astype(float))
    feeder_share = 0.0
    if {"feeders", "bloom"} <= set(values):
        feeder_share = float(np.average(values["feeders"], weights=weight))
        values["feeders_x_bloom"] = _interaction(values, feeder_share)
    values = {name: values[name] for name in CONTRASTS if name in values}
    site_mean = {name: _site_means(value, weight, site) for name, value in values.items()}
    columns, prior_sd = [np.ones(len(birds))], [np.inf]
    for adjustment in adjustments:
        centre = np.average(adjustment, weights=weight)
        spread = np.sqrt(np.average((adjustment - centre) ** 2, weights=weight))
        columns.append((adjustment - centre) / (spread or 1.0))
        prior_sd.append(ADJUSTMENT_SD)
    free = len(season_names) // YEARS_A_DRIVER
    within, between, notes = {}, {}, {}
    for rank, (name, value) in enumerate(values.items()):
        size = abs(CONTRASTS[name].change)
        within[name] = len(columns)
        columns.append(value - site_mean[name][site])
        prior_sd.append((WIDE if rank < free else SHRUNK) / size)
        if rank >= free:
            notes[name, WITHIN] = "shrunk towards none: the sampled years do not carry more drivers"
    for name in values:
        between[name] = len(columns)
        columns.append(site_mean[name][site] - np.average(site_mean[name][site], weights=weight))
        prior_sd.append(BETWEEN_SD / abs(CONTRASTS[name].change))
    design = RoleDesign(
        columns=np.column_stack(columns),
        effects=_random_effects(birds, (site, len(site_names)), (season, len(season_names))),
        site=site,
        season=season,
        site_names=tuple(site_names),
        season_names=tuple(season_names),
        values=values,
        site_mean=site_mean,
        within=within,
        between=between,
        prior_sd=np.array(prior_sd),
        feeder_share=feeder_share,
        refused=refused,
        notes=notes,
    )
    _judge(design, weight, site)
    return design


def _site_means(value: Array, weight: Array, site: Integers) -> Array:
    total = np.bincount(site, weight)
    summed = np.bincount(site, weight * value)
    overall = summed.sum() / max(total.sum(), 1e-12)
    return np.where(total > 0, summed / np.maximum(total, 1e-12), overall)


def _adjustments(birds: pd.DataFrame, weight: Array) -> list[Array]:
    day = birds["day"].to_numpy(dtype=float)
    day = (day - np.average(day, weights=weight)) / 30.0
    adjusted = [day**power for power in range(1, 1 + min(DAY_POWERS, len(np.unique(day)) - 1))]
    if "baited" in birds:
        baited = birds["baited"].to_numpy(dtype=float)
        adjusted.append(np.where(np.isnan(baited), np.nanmean(baited), baited))
    return adjusted


def _random_effects(
    birds: pd.DataFrame, site: tuple[Integers, int], season: tuple[Integers, int]
) -> tuple[RandomEffect, ...]:
    pairs, labels = pd.factorize(site[0] * season[1] + season[0], sort=True)
    effects = [
        RandomEffect("site", *site),
        RandomEffect("season", *season),
        RandomEffect("site_season", pairs, len(labels)),
    ]
    if "group" in birds:
        group, names = pd.factorize(birds["group"], sort=True)
        effects.append(RandomEffect("group", group, len(names)))
    return tuple(effect for effect in effects if effect.count > 1)


def site_days(birds: pd.DataFrame) -> Integers:
    """Number of the site and day of each bird, so that birds of one day are not independent."""
    cells = birds.groupby(["site", "season", "day"], sort=False).ngroup()
    return np.asarray(cells, dtype=np.intp)


def _judge(design: RoleDesign, weight: Array, site: Integers) -> None:
    """Write down what the data cannot tell, before anything is fitted."""
    for name, value in design.values.items():
        reason = _within_reason(name, design, weight, site)
        if reason:
            design.refused[name, WITHIN] = reason
        reason = _between_reason(name, design, weight, site)
        if reason:
            design.refused[name, BETWEEN] = reason
        else:
            design.notes[name, BETWEEN] = (
                "sites differ in more than this driver: no statement about its cause"
            )
        if CONTRASTS[name].switches and (name, WITHIN) not in design.refused:
            switching = _switching(value, weight, site)
            if switching < ENOUGH_SITES:
                told = f"rests on {switching} site{'s' * (switching > 1)} that had both"
                design.notes[name, WITHIN] = told


def _switching(value: Array, weight: Array, site: Integers) -> int:
    with_it = np.bincount(site, weight * value)
    without = np.bincount(site, weight * (1 - value))
    return int(((with_it >= LEAST_BIRDS) & (without >= LEAST_BIRDS)).sum())


def _within_reason(name: str, design: RoleDesign, weight: Array, site: Integers) -> str:
    contrast, value = CONTRASTS[name], design.values[name]
    if name == "feeders_x_bloom":
        return _interaction_reason(design, weight, site)
    if contrast.switches:
        return _switch_reason(name, value, weight, site)
    if contrast.by_season and len(np.unique(value[weight > 0])) < LEAST_SEASONS:
        return f"fewer than {LEAST_SEASONS} seasons with different values"
    spread = np.sqrt(np.average(design.columns[:, design.within[name]] ** 2, weights=weight))
    if spread < LEAST_SPREAD * abs(contrast.change):
        return "it hardly changed at any site"
    return ""


def _switch_reason(name: str, value: Array, weight: Array, site: Integers) -> str:
    if _switching(value, weight, site):
        return ""
    share = np.average(value, weights=weight)
    if share in {0.0, 1.0}:
        always = "always" if share else "never"
        return f"{name} were {always} there on the days sampled: no contrast to learn from"
    return f"no site had birds enough both with and without {name}: sites alone differ"


def _interaction_reason(design: RoleDesign, weight: Array, site: Integers) -> str:
    feeders, bloom = design.values["feeders"], design.values["bloom"]
    if not _switching(feeders, weight, site):
        return "no site had days both with and without feeders"
    thin, up = bloom < design.site_mean["bloom"][site], feeders > 0.5
    for is_up, position in ((True, "up"), (False, "down")):
        for is_thin, amount in ((True, "poor"), (False, "good")):
            birds = float(weight[(up == is_up) & (thin == is_thin)].sum())
            if birds < LEAST_BIRDS:
                return f"{birds:.0f} birds were caught in {amount} bloom with feeders {position}"
    return ""


def _between_reason(name: str, design: RoleDesign, weight: Array, site: Integers) -> str:
    present = np.bincount(site, weight) >= LEAST_BIRDS
    if present.sum() < LEAST_SITES:
        return f"{present.sum()} sites with birds enough, {LEAST_SITES} needed"
    spread = float(design.site_mean[name][present].std())
    if spread < LEAST_SPREAD * abs(CONTRASTS[name].change):
        return "the sites hardly differ in it"
    return ""
