"""Shares of learning of the season model's dates and numbers (`phenology.models.learning`)."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenology.models.learning import SiteYears, learning_shares
from phenology.models.season_answers import DATE_NAMES, date_slopes, level_slopes, season_columns
from phenology.models.season_arrow import column_weights, site_year_information
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_density import Coefficients, cell_predictors, prior_sds
from phenology.models.season_design import Design
from phenology.models.season_laplace import LaplaceFit
from phenology.models.season_predictors import BOTH, Sizes, touched
from phenology.quantities import ROLES

Array = npt.NDArray[Any]


def season_shares(
    counts: SeasonCounts, fit: LaplaceFit, design: Design, sizes: Sizes
) -> xr.DataArray:
    """Own, borrowed and prior share of each date and of the capture index.

    Returns
    -------
    DataArray
        (quantity, role, group, site, season, share).
    """
    index, acts = touched(sizes)
    sd = prior_sds(fit.hyper, design)
    factor = fit.factor
    parts = SiteYears(
        own=np.asarray(factor.own),
        border=np.asarray(factor.border),
        shared=np.asarray(factor.shared),
        information=np.asarray(site_year_information(factor, design, sizes)),
        touched=index,
        own_sd=np.asarray(sd.local),
        shared_sd=np.asarray(sd.shared),
    )
    middle = (counts.first_day + counts.last_day) / 2
    days = np.arange(counts.first_day, counts.last_day + 1) - middle
    coefficients = Coefficients(*(np.asarray(part) for part in fit.coefficients))
    predictors = cell_predictors(coefficients, design.drivers, sizes, np)
    to_dates = date_slopes(predictors, days)  # group, site, season, role, date, predictor
    to_level = level_slopes(predictors.shape[:3])  # group, site, season, role, predictor
    per_predictor = np.concatenate([to_dates, to_level[..., None, :]], axis=-2)
    weights = np.asarray(column_weights(design, sizes))
    ones = np.ones((*weights.shape[:2], sizes.local))
    weights = np.concatenate([ones, weights], -1)
    asked = np.zeros((sizes.sites, sizes.seasons), bool)
    asked[: len(counts.sites), : len(counts.seasons)] = True
    shares = []
    for group in range(len(counts.groups)):
        acting = np.clip(acts[group], 0, BOTH)
        on = (acts[group] >= 0) & (acts[group] <= BOTH)
        slopes = per_predictor[group][..., acting] * on * weights[:, :, None, None, :]
        slopes[..., len(DATE_NAMES), ~season_columns(sizes, index[0, 0])] = 0.0
        shape = slopes.shape
        flat = slopes.reshape(*shape[:2], -1, shape[-1])
        shares.append(learning_shares(parts, flat, asked).reshape(*shape[:-1], 3))
    table = np.stack(shares)[:, : len(counts.sites), : len(counts.seasons)]
    return xr.DataArray(
        np.moveaxis(table, [4, 3, 0, 1, 2, 5], range(6)),
        dims=("quantity", "role", "group", "site", "season", "share"),
        coords={
            "quantity": [*DATE_NAMES, "capture_index"],
            "role": list(ROLES),
            "group": list(counts.groups),
            "site": list(counts.sites),
            "season": list(counts.seasons),
            "share": ["own", "borrowed", "prior"],
        },
    )
