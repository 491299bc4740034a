"""Counts to be expected on days to come, from the fitted season model."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt

from phenology.models.inference import double_precision
from phenology.models.season_curves import log_presence
from phenology.models.season_density import Coefficients, predictors_of, split_shared
from phenology.models.season_design import Sizes, covariate_columns, padded

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
    covariates = covariate_columns(
        rows.log_effort, rows.method, rows.log_nectar, posterior.effort_centres
    )
    cell = (rows.group * sizes.sites + rows.site) * sizes.seasons + rows.season
    assert rows.site_roles is not None  # filled in by SeasonCounts
    roles = rows.site_roles[rows.group, rows.site]
    extra = padded(len(cell), 128) - len(cell)
    with double_precision():
        log_mean = _log_means(
            *posterior.coefficients,
            jnp.asarray(posterior.drivers),
            jnp.asarray(np.pad(rows.day - middle, (0, extra))),
            jnp.asarray(np.pad(covariates, ((0, extra), (0, 0)))),
            jnp.asarray(np.pad(cell, (0, extra))),
            jnp.asarray(
                np.pad(np.stack([roles != "passage", roles != "local"], 1), ((0, extra), (0, 0)))
            ),
            sizes,
        )
    kept = np.asarray(log_mean)[:, : len(cell)]
    return np.asarray(np.exp(np.minimum(kept, LOG_MOST_BIRDS)))


def draw_counts(posterior: Posterior, rows: SeasonCounts, seed: int) -> Array:
    """Counts drawn for each row, scatter of single days included; shape (draw, row)."""
    rng = np.random.default_rng(seed)
    mean = expected_counts(posterior, rows)
    k = np.exp(posterior.hyper[:, -1:])
    return np.asarray(rng.poisson(rng.gamma(k, mean / k)))


@partial(jax.jit, static_argnames="sizes")
def _log_means(
    shared: Any,
    local: Any,
    drivers: Any,
    day: Any,
    covariates: Any,
    cell: Any,
    present: Any,
    sizes: Sizes,
) -> Any:
    def one(pair: tuple[Any, Any]) -> Any:
        coefficients = Coefficients(*pair)
        predictors = predictors_of(coefficients, drivers, sizes)
        own = predictors.reshape(-1, predictors.shape[-1])[cell]
        slopes = split_shared(coefficients.shared, sizes)["covariate"]
        return covariates @ slopes + log_presence(day, own, present)

    return jax.lax.map(one, (shared, local))
