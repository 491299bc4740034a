"""What draws of the season model's coefficients tell: dates, numbers and curves, labelled."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenology.models.season_answers import (
    DATE_NAMES,
    LOCAL,
    PASSAGE,
    birds_a_day,
    curve_dates,
    predictors_of_site,
)
from phenology.models.season_counts import SeasonCounts, days_sampled
from phenology.models.season_density import Coefficients, split_shared
from phenology.models.season_design import Design, driver_scales
from phenology.models.season_predictors import COVARIATES, PREDICTORS, SHIFTED, Sizes
from phenology.models.season_presence import (
    first_captures,
    live_flock,
    present_dates,
    share_caught,
    stay_days,
)
from phenology.models.threads import in_threads
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE, ROLES

Array = npt.NDArray[Any]
CURVE_QUANTILES = (LOW_QUANTILE, 0.5, HIGH_QUANTILE)
_NOBODY = 1e-290  # birds: fewer in either season and their ratio is not to be told
_CELLS_AT_ONCE = 800_000  # numbers of birds by draw, group, season and day, to stay in the cache


def season_curves_and_draws(
    counts: SeasonCounts, drawn: Coefficients, design: Design, sizes: Sizes, *, seed: int
) -> tuple[xr.Dataset, xr.Dataset]:
    """Tell draws in words that a user knows.

    Returns
    -------
    draws, curves : Dataset
        As `SeasonModel.draws_` and `SeasonModel.curves_` describe them.
    """
    days = np.arange(counts.first_day, counts.last_day + 1)
    rng = np.random.default_rng([seed, 1])
    share = share_caught(counts.seen_again, rng, len(drawn.shared))
    pooled = pooled_days(counts, days)
    middle = (counts.first_day + counts.last_day) / 2
    groups, seasons = len(counts.groups), len(counts.seasons)

    def answers_of(site: int) -> dict[str, Array]:
        predictors, usual = predictors_of_site(drawn, design.drivers, sizes, site)
        return _answers(
            predictors[:, :groups, :seasons], usual[:, :groups, :seasons], days - middle,
            design.present[:groups, site], pooled[site], share,
            np.random.default_rng([seed, 1, site + 1]),  # a 0 at the end would not tell it apart
        )  # fmt: skip

    by_site = list(in_threads(answers_of, range(len(counts.sites))))
    told = {name: [here[name] for here in by_site] for name in by_site[0]}
    coords = {
        "role": list(ROLES),
        "group": list(counts.groups),
        "site": list(counts.sites),
        "season": list(counts.seasons),
    }
    yearly = ("draw", "role", "group", "site", "season")
    whole, together = ("draw", "role", "group", "site"), ("draw", "role", "site")
    variables: dict[str, Any] = {
        "capture_index": (("draw", "group", "site", "season"), np.stack(told["index"], 2))
    }
    for number, name in enumerate(DATE_NAMES):
        for prefix, dims in (("", yearly), ("pooled_", whole), ("together_", together)):
            values = np.stack(told[f"{prefix}dates"], dims.index("site"))
            variables[prefix + name] = (dims, values[..., number] + middle)
    part = split_shared(np.asarray(drawn.shared), sizes)
    variables["catchability"] = (("draw", "covariate"), part["covariate"])
    coords["covariate"] = list(COVARIATES)
    if counts.drivers:
        slopes = part["driver"]
        scale = np.array([scale for _, scale in driver_scales(counts)])
        dims = ("draw", "driver", "moved")
        variables["driver_effect"] = (dims, slopes[:, : len(scale)] / scale[:, None])
        coords |= {"driver": list(counts.drivers), "moved": [PREDICTORS[at] for at in SHIFTED]}
    by_day = ("quantile", *yearly[1:], "day"), ("quantile", *whole[1:], "day")
    curves = {
        "present": (by_day[0], np.stack(told["curve"], 3)),
        "pooled": (by_day[1], np.stack(told["pooled_curve"], 3)),
        "first_captured": (by_day[1], np.stack(told["first_curve"], 3)),
    }
    return (
        xr.Dataset(variables, coords=coords),
        xr.Dataset(curves, coords=coords | {"day": days, "quantile": list(CURVE_QUANTILES)}),
    )


def _answers(
    predictors: Array,
    usual: Array,
    days: Array,
    present: Array,
    pooled: Array,
    share: Array,
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Everything told of one site; leading axes draw, role, group, season.

    Missing where a role is not modelled. The typical season is the same in every season.
    """
    draws, groups, seasons = predictors.shape[:3]
    whole, by_day = (len(ROLES), groups), len(days)
    dates = np.full((draws, *whole, seasons, len(DATE_NAMES)), np.nan)
    pooled_dates = np.full((draws, *whole, len(DATE_NAMES)), np.nan)
    together_dates = np.full((draws, len(ROLES), len(DATE_NAMES)), np.nan)
    curves = np.full((len(CURVE_QUANTILES), *whole, seasons, by_day), np.nan)
    pooled_curves = np.full((len(CURVE_QUANTILES), *whole, by_day), np.nan)
    first_curves = np.full_like(pooled_curves, np.nan)
    total, usual_total = np.zeros((draws, groups, seasons)), np.zeros((draws, groups, 1))
    sampled = max(int(pooled.any(1).sum()), 1)
    for role in (LOCAL, PASSAGE):
        there = present[:, role]
        if not there.any():
            continue
        curve = np.empty((draws, int(there.sum()), seasons, by_day), np.float32)
        mean_curve, new = (np.empty((draws, *curve.shape[1:2], by_day)) for _ in range(2))
        at_once = max(_CELLS_AT_ONCE // curve[0].size, 1)
        for first in range(0, draws, at_once):
            part = slice(first, first + at_once)
            birds = birds_a_day(predictors[part, there], days, role)
            stay, caught = stay_days(role, rng, len(birds)), share[part]
            lived = present_dates(live_flock(birds, caught, stay, rng), days, role)
            nobody = np.isnan(lived[..., 0])
            lived[nobody] = curve_dates(birds[nobody], days, role)
            dates[part, role, there] = lived
            curve[part] = birds
            mean_curve[part] = (birds * pooled).sum(-2) / sampled
            new[part] = (first_captures(birds, caught, stay) * pooled).sum(-2) / sampled
            total[part, there] += birds.sum(-1)
            usual_total[part, there] += birds_a_day(usual[part, there, :1], days, role).sum(-1)
        pooled_dates[:, role, there] = curve_dates(mean_curve, days, role)
        together_dates[:, role] = curve_dates(mean_curve.sum(1), days, role)
        curves[:, role, there] = np.quantile(curve, CURVE_QUANTILES, axis=0)
        pooled_curves[:, role, there] = np.quantile(mean_curve, CURVE_QUANTILES, axis=0)
        first_curves[:, role, there] = np.quantile(new, CURVE_QUANTILES, axis=0)
    return {
        "dates": dates,
        "index": (total + _NOBODY) / (usual_total + _NOBODY),
        "pooled_dates": pooled_dates,
        "together_dates": together_dates,
        "curve": curves,
        "pooled_curve": pooled_curves,
        "first_curve": first_curves,
    }


def pooled_days(counts: SeasonCounts, days: Array) -> Array:
    """1 where a day of a site's season counts in the curve of all seasons together.

    Days of the whole window in seasons sampled; where effort is not known, only those from the
    first to the last capture.
    """
    pooled = np.zeros((len(counts.sites), len(counts.seasons), len(days)))
    for site, season in np.argwhere(days_sampled(counts).to_numpy() > 0):
        rows = counts.day[(counts.site == site) & (counts.season == season)]
        worked = (days >= rows.min()) & (days <= rows.max())
        pooled[site, season] = 1.0 if counts.effort_known else worked
    return pooled
