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
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE, ROLES

Array = npt.NDArray[Any]
CURVE_QUANTILES = (LOW_QUANTILE, 0.5, HIGH_QUANTILE)


def season_curves_and_draws(
    counts: SeasonCounts, drawn: Coefficients, design: Design, sizes: Sizes, *, seed: int
) -> tuple[xr.Dataset, xr.Dataset]:
    """Tell draws in words that a user knows.

    Returns
    -------
    draws, curves : Dataset
        As `SeasonModel.draws_` and `SeasonModel.curves_` describe them.
    """
    rng = np.random.default_rng([seed, 1])
    days = np.arange(counts.first_day, counts.last_day + 1)
    share = share_caught(counts.seen_again, rng, len(drawn.shared))
    pooled = pooled_days(counts, days)
    middle = (counts.first_day + counts.last_day) / 2
    told: dict[str, list[Array]] = {}
    for site in range(len(counts.sites)):
        predictors, usual = predictors_of_site(drawn, design.drivers, sizes, site)
        groups, seasons = len(counts.groups), len(counts.seasons)
        present = design.present[:groups, site]
        here = _answers(
            predictors[:, :groups, :seasons], usual[:, :groups, :seasons], days - middle,
            present, pooled[site], share, rng,
        )  # fmt: skip
        for name, values in here.items():
            told.setdefault(name, []).append(values)
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
    """Everything told of one site; leading axes draw, role, group, season."""
    curve = birds_a_day(predictors, days) * present[:, None, :, None]
    total = curve.sum((-2, -1))
    usual_total = (birds_a_day(usual, days) * present[:, None, :, None]).sum((-2, -1))
    curve = np.moveaxis(curve, -2, 1)
    seasons = max(int(pooled.any(1).sum()), 1)
    mean_curve = (curve * pooled).sum(-2) / seasons
    first = np.full_like(mean_curve, np.nan)
    dates, pooled_dates, together_dates = [], [], []
    for role in (LOCAL, PASSAGE):
        absent = ~present[:, role]
        if absent.all():
            shape = (len(curve), *curve.shape[2:4], len(DATE_NAMES))
            dates.append(np.full(shape, np.nan))
            pooled_dates.append(dates[-1][:, :, 0])
            together_dates.append(dates[-1][:, 0, 0])
            continue
        stay = stay_days(role, rng, len(share))
        drawn = present_dates(live_flock(curve[:, role], share, stay, rng), days, role)
        expected = curve_dates(curve[:, role], days, role)
        drawn = np.where(np.isnan(drawn), expected, drawn)  # nobody came: the curve's own dates
        drawn[:, absent] = np.nan
        dates.append(drawn)
        new = first_captures(curve[:, role], share, stay)
        first[:, role] = (new * pooled).sum(-2) / seasons
        first[:, role, absent] = np.nan
        of_all = curve_dates(mean_curve[:, role], days, role)
        of_all[:, absent] = np.nan
        pooled_dates.append(of_all)
        together_dates.append(curve_dates(mean_curve[:, role].sum(1), days, role))
    absent = np.moveaxis(~present, -1, 0)
    curve[:, absent] = np.nan
    mean_curve[:, absent] = np.nan
    return {
        "dates": np.stack(dates, 1),
        "index": total / usual_total,
        "pooled_dates": np.stack(pooled_dates, 1),
        "together_dates": np.stack(together_dates, 1),
        "curve": np.quantile(curve, CURVE_QUANTILES, axis=0),
        "pooled_curve": np.quantile(mean_curve, CURVE_QUANTILES, axis=0),
        "first_curve": np.quantile(first, CURVE_QUANTILES, axis=0),
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
