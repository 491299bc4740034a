"""Counts to be expected on days to come, from the fitted season model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from phenology.models.season_curves import log_presence
from phenology.models.season_density import Coefficients, cell_predictors, split_shared
from phenology.models.season_design import covariate_columns
from phenology.models.season_predictors import Sizes

if TYPE_CHECKING:
    from phenology.models.season_counts import SeasonCounts

Array = npt.NDArray[Any]
LOG_MOST_BIRDS = 9.0  # a day's count beyond which a draw is a failure of the curve, not a bird


class Posterior(NamedTuple):
    """Draws of a fitted season model's coefficients, and what ties them to rows."""

    hyper: Array  # (draw, hyperparameter)
    coefficients: Coefficients
    sizes: Sizes
    drivers: Array  # (site, season, driver)
    effort_centres: Array  # (method,)


def expected_counts(posterior: Posterior, rows: SeasonCounts) -> Array:
    """Birds expected on each row, whether sampled or to come; shape (draw, row).

    Parameters
    ----------
    posterior : Posterior
        `SeasonModel.posterior_`.
    rows : SeasonCounts
        With the labels of the counts that were fitted; `count` is not looked at. A season of
        which nothing was sampled is drawn from what other seasons vary by.
    """
    sizes = posterior.sizes
    middle = (rows.first_day + rows.last_day) / 2
    covariates = covariate_columns(rows, posterior.effort_centres)
    assert rows.site_roles is not None  # filled in by SeasonCounts
    roles = rows.site_roles[rows.group, rows.site]
    present = np.stack([roles != "passage", roles != "local"], 1)
    drawn = posterior.coefficients
    predictors = cell_predictors(drawn, posterior.drivers, sizes, np)
    slopes = split_shared(drawn.shared, sizes)["covariate"]
    log_mean = slopes @ covariates.T
    for one, cells in enumerate(predictors):  # all draws at once would not fit in memory
        own = cells[rows.group, rows.site, rows.season]
        log_mean[one] += log_presence(rows.day - middle, own, present, np)
    return np.asarray(np.exp(np.minimum(log_mean, LOG_MOST_BIRDS)))


def draw_counts(posterior: Posterior, rows: SeasonCounts, seed: int) -> Array:
    """Counts drawn for each row, scatter of single days included; shape (draw, row)."""
    rng = np.random.default_rng(seed)
    mean = expected_counts(posterior, rows)
    k = np.exp(posterior.hyper[:, -1:])
    return np.asarray(rng.poisson(rng.gamma(k, mean / k)))
