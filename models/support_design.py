"""What the support model is given: drivers, their contrasts, and what the data can tell of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from phenology.models.mixed_arrowhead import Array, Integers
from phenology.models.mixed_effects_rows import RandomEffect
from phenology.models.support_contrasts import CONTRASTS
from phenology.models.support_verdicts import LEAST_SITES, judge
from phenology.quantities import BETWEEN, WITHIN

YEARS_A_DRIVER = 8  # sampled years for each driver whose prior is wide
WIDE, SHRUNK, BETWEEN_SD = 2.0, 0.5, 1.0  # prior sd of an effect, in sd of the outcome
ADJUSTMENT_SD = 3.0  # of day, bait and unknown drivers, in sd of the outcome
LEAST_KNOWN = 0.6  # share of birds for which a driver must be known
DAY_POWERS = 3


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
        if "feeders" in new:  # those that hang no more are like none, those hung like the usual
            hung = values["feeders"] > 0.5
            for name in self.values:
                if CONTRASTS[name].of_feeders:
                    values[name] = np.where(hung, values[name], self.site_mean[name][self.site])
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
    for name, contrast in CONTRASTS.items():
        if name not in birds or name == "feeders_x_bloom":
            continue
        concerned = np.ones(len(birds), dtype=bool)
        if contrast.of_feeders:
            concerned = values.get("feeders", np.zeros(len(birds))) > 0.5
        value = birds[name].to_numpy(dtype=float)
        told = _why_unknown(value, weight * concerned)
        if told:
            refused |= dict.fromkeys([(name, WITHIN), (name, BETWEEN)], told)
            continue
        silent = np.isnan(value) | ~concerned
        means = _site_means(np.where(silent, 0.0, value), weight * ~silent, site)
        values[name] = np.where(silent, means[site], value)
        unknown = silent & concerned
        if unknown.any():
            adjustments.append(unknown.astype(float))
    feeder_share = 0.0
    if {"feeders", "bloom"} <= set(values):
        feeder_share = float(np.average(values["feeders"], weights=weight))
        values["feeders_x_bloom"] = _interaction(values, feeder_share)
    elif {"feeders", "bloom"} <= set(birds):
        told = "feeders and bloom are not both known for birds enough"
        refused |= dict.fromkeys([("feeders_x_bloom", WITHIN), ("feeders_x_bloom", BETWEEN)], told)
    values = {name: values[name] for name in CONTRASTS if name in values}
    site_mean = {name: _site_means(value, weight, site) for name, value in values.items()}
    columns, prior_sd = [np.ones(len(birds))], [np.inf]
    for adjustment in adjustments:
        centre = np.average(adjustment, weights=weight)
        spread = np.sqrt(np.average((adjustment - centre) ** 2, weights=weight))
        columns.append((adjustment - centre) / (spread or 1.0))
        prior_sd.append(ADJUSTMENT_SD)
    within, notes = _add_within(values, site_mean, site, len(season_names), columns, prior_sd)
    between, more = _add_between(site_mean, site, weight, columns, prior_sd)
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
        notes=notes | more,
    )
    judge(design, weight, site)
    return design


def _why_unknown(value: Array, weight: Array) -> str:
    """Why a driver cannot be used at all, by the birds that it concerns; empty if it can."""
    if not weight.any():
        return "no bird was caught while feeders hung"
    known = 1 - float(weight @ np.isnan(value) / weight.sum())
    return f"it is known for only {known:.0%} of the birds" if known < LEAST_KNOWN else ""


def _add_within(
    values: Mapping[str, Array],
    site_mean: Mapping[str, Array],
    site: Integers,
    seasons: int,
    columns: list[Array],
    prior_sd: list[float],
) -> tuple[dict[str, int], dict[tuple[str, str], str]]:
    """Append each driver less its site's mean; wide priors for as many as the seasons carry."""
    moving = [name for name in values if not CONTRASTS[name].by_site]
    free = seasons // YEARS_A_DRIVER
    for rank, name in enumerate(moving):
        columns.append(values[name] - site_mean[name][site])
        prior_sd.append((WIDE if rank < free else SHRUNK) / abs(CONTRASTS[name].change))
    told = "shrunk towards none: the sampled years do not carry more drivers"
    first = len(columns) - len(moving)
    places = {name: first + rank for rank, name in enumerate(moving)}
    return places, {(name, WITHIN): told for name in moving[free:]}


def _add_between(
    site_mean: Mapping[str, Array],
    site: Integers,
    weight: Array,
    columns: list[Array],
    prior_sd: list[float],
) -> tuple[dict[str, int], dict[tuple[str, str], str]]:
    """Append each site's mean; the priors of more than the sites carry leave a site's level alone.

    Many contrasts, each free, would let three birds place a site anywhere.
    """
    free = len(next(iter(site_mean.values()), ())) // LEAST_SITES
    for rank, (name, means) in enumerate(site_mean.items()):
        size = abs(CONTRASTS[name].change)
        columns.append(means[site] - np.average(means[site], weights=weight))
        wide = BETWEEN_SD / size
        prior_sd.append(wide if rank < free else SHRUNK / max(size, float(means.std())))
    told = "shrunk towards none: the sites do not carry more contrasts"
    first = len(columns) - len(site_mean)
    places = {name: first + rank for rank, name in enumerate(site_mean)}
    return places, {(name, BETWEEN): told for name in list(site_mean)[free:]}


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
