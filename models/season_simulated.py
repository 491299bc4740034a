"""Counts drawn from the season model's own family, with the truth behind them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.special import expit

from phenology.models.season_answers import DATE_NAMES, birds_a_day, predictors_of_site, role_dates
from phenology.models.season_counts import BirdTraits, SeasonCounts
from phenology.models.season_curves import log_plateau, log_presence, log_pulse
from phenology.models.season_density import Coefficients, cell_predictors, split_shared
from phenology.models.season_design import design_arrays, driver_scales
from phenology.models.season_predictors import (
    LOG_DISPERSION_PRIOR,
    PREDICTORS,
    SCALES,
    SHIFTED,
)
from phenology.models.season_presence import (
    live_flock,
    present_dates,
    share_caught,
    stay_days,
)
from phenology.quantities import ROLES

Array = npt.NDArray[Any]
SEEN_AGAIN = (30, 300)  # days on which birds were caught between first and last capture; worked


def simulate_counts(
    rng: np.random.Generator,
    sampled: Array,
    *,
    groups: int,
    role: str,
    first_day: float,
    last_day: float,
    fixed: dict[str, float] | None = None,
    group_coefficients: Array | None = None,
    drivers: Mapping[str, Array] | None = None,
    driver_slopes: Array | None = None,
    trait_distance: float = 0.0,
) -> tuple[SeasonCounts, xr.Dataset]:
    """Draw a study from the model's priors.

    Parameters
    ----------
    rng : numpy Generator
    sampled : array of bool, shape (site, season, day)
        Days of the window on which each site was sampled; a season without any stays in the
        study and gets a prediction.
    groups : int
    role : {"local", "passage", "mixed"}
    first_day, last_day : float
        Window [day of year]; `sampled` has a day for each of its days.
    fixed : dict of str to float, optional
        Standard deviations (names of `season_predictors.SCALES`) or `dispersion` held at a value
        in place of a draw.
    group_coefficients : array, shape (group, predictor), optional
        Each group's own coefficients in place of draws from their priors.
    drivers : mapping of str to array, shape (site, season), optional
        As `SeasonCounts` takes them.
    driver_slopes : array, shape (driver, moved), optional
        Shift of the predictors `season_predictors.SHIFTED` per standard deviation of each driver,
        in place of draws from their priors.
    trait_distance : float
        Distance of local from passage birds in a trait that is normal in both [standard
        deviations]; 0 for no traits.

    Returns
    -------
    counts : SeasonCounts
    truth : Dataset
        arrival_day, peak_day, departure_day (role, group, site, season) [day of year], of the birds
        that came;
        capture_index (group, site, season), ratio to the site's typical season;
        expected (row,), the mean from which each count was drawn;
        driver_effect (driver, moved), as `season.SeasonModel.draws_` has it.

    Examples
    --------
    >>> counts, truth = simulate_counts(
    ...     np.random.default_rng(1), np.ones((1, 2, 91), bool), groups=1, role="passage",
    ...     first_day=180.0, last_day=270.0)
    >>> truth["peak_day"].dims
    ('role', 'group', 'site', 'season')
    """
    sites, seasons = sampled.shape[:2]
    site, season, at = np.nonzero(sampled)
    group = np.repeat(np.arange(groups), len(site))
    site, season = np.tile(site, groups), np.tile(season, groups)
    day = first_day + np.tile(at, groups).astype(float)
    counts = SeasonCounts(
        count=np.ones(len(day), int),  # until they are drawn
        group=group,
        site=site,
        season=season,
        day=day,
        groups=tuple(f"group {number}" for number in range(groups)),
        sites=tuple(f"site {number}" for number in range(sites)),
        seasons=tuple(str(2001 + number) for number in range(seasons)),
        roles=(role,) * groups,
        first_day=first_day,
        last_day=last_day,
        drivers=drivers or {},
    )
    sizes, design = design_arrays(counts)
    scale = {name: abs(rng.normal(0, tau)) for name, tau in SCALES.items()} | (fixed or {})
    k = scale.get("dispersion", float(np.exp(rng.normal(*LOG_DISPERSION_PRIOR))))
    sds = np.array([scale[name] for name in SCALES])
    shared_sd = np.where(design.prior_sd > 0, design.prior_sd, sds[design.sd_index])
    shared = design.prior_mean + shared_sd * rng.standard_normal(sizes.shared)
    if group_coefficients is not None:
        shared[: group_coefficients.size] = group_coefficients.ravel()
    if driver_slopes is not None:
        start = sizes.offsets["driver"]
        shared[start : start + driver_slopes.size] = driver_slopes.ravel()
    local = sds[design.local_sd_index] * rng.standard_normal(
        (sizes.sites, sizes.seasons, sizes.local)
    )
    coefficients = Coefficients(shared, local)
    middle = (first_day + last_day) / 2
    predictors = cell_predictors(coefficients, design.drivers, sizes, np)
    own = predictors[group, site, season]
    log_mean = log_presence(day - middle, own, design.present[group, site], np)
    mean = np.exp(np.minimum(log_mean, 12.0))
    count = rng.poisson(rng.gamma(k, mean / k))
    days = np.arange(first_day, last_day + 1) - middle
    cells = predictors[:groups, :sites, :seasons]
    share = share_caught(SEEN_AGAIN, rng, 1)
    flocks = [
        live_flock(birds_a_day(cells, days, at)[None], share, stay_days(at, rng, 1), rng)[0]
        for at in range(len(ROLES))
    ]
    expected = np.moveaxis(role_dates(cells, days), -2, 0)
    lived = np.stack([present_dates(flock, days, at) for at, flock in enumerate(flocks)])
    dates = np.where(np.isnan(lived), expected, lived) + middle
    usual = [
        predictors_of_site(Coefficients(shared[None], local[None]), design.drivers, sizes, site)[1][
            0, :groups, :seasons
        ]
        for site in range(sites)
    ]
    modelled = range(len(ROLES)) if role == "mixed" else [ROLES.index(role)]
    total, usual_total = (
        sum(birds_a_day(each, days, at).sum(-1) for at in modelled)
        for each in (cells, np.stack(usual, 1))
    )
    truth = xr.Dataset(
        {
            name: (("role", "group", "site", "season"), dates[..., number])
            for number, name in enumerate(DATE_NAMES)
        }
        | {"capture_index": (("group", "site", "season"), total / usual_total)}
        | {"expected": ("row", mean)},
        coords={
            "role": list(ROLES),
            "group": list(counts.groups),
            "site": list(counts.sites),
            "season": list(counts.seasons),
        },
    )  # fmt: skip
    if drivers:
        slopes = split_shared(shared, sizes)["driver"][: len(drivers)]
        spreads = np.array([spread for _, spread in driver_scales(counts)])
        truth["driver_effect"] = (("driver", "moved"), slopes / spreads[:, None])
        truth = truth.assign_coords(driver=list(drivers), moved=[PREDICTORS[at] for at in SHIFTED])
    if trait_distance:
        traits = _draw_traits(rng, counts, count, day - middle, own, trait_distance)
        counts = replace(counts, traits=traits)
    return replace(counts, count=count, seen_again=SEEN_AGAIN), truth


def _draw_traits(
    rng: np.random.Generator,
    counts: SeasonCounts,
    count: Array,
    day: Array,
    predictors: Array,
    distance: float,
) -> BirdTraits:
    """One trait a bird, normal about ± half the distance: its log ratio is distance × trait."""
    ahead = log_plateau(day, predictors, np) - log_pulse(day, predictors, np)
    row = np.repeat(np.arange(len(count)), count)
    local = rng.random(len(row)) < expit(ahead[row])
    trait = np.where(local, 0.5, -0.5) * distance + rng.standard_normal(len(row))
    return BirdTraits(
        counts.group[row], counts.site[row], counts.season[row], counts.day[row], distance * trait
    )
