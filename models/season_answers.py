"""Dates, numbers and curves of a season, from draws of the season model's coefficients."""

from __future__ import annotations

from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt

from phenology.models.season_curves import log_plateau, log_pulse, mass_quantiles, peak_of
from phenology.models.season_density import Coefficients, cell_predictors, row_log_means
from phenology.models.season_design import BOTH, FALL, LEVELS, RISE, Design, Sizes

Array = Any  # JAX's inside our own calls, numpy's at their rim
SHARES_PASSED = (0.05, 0.95)  # of a pulse's bird-days, at arrival and departure
LOCAL, PASSAGE = 0, 1


@partial(jax.jit, static_argnames="sizes")
def draw_predictors(
    shared: Array, local: Array, design: Design, sizes: Sizes
) -> tuple[Array, Array]:
    """Predictors of every curve, in its season and in the site's typical season.

    Returns
    -------
    in_season, typical : arrays, shape (draw, group, site, season, predictor)
        The typical season has the site's own coefficients and no shift of the year.
    """
    at = sizes.offsets
    years = jnp.zeros(sizes.shared, bool)
    for part in ("year_date", "year_level"):
        length = int(np.prod(sizes.parts[part]))
        years = years.at[at[part] : at[part] + length].set(True)
    typical = jnp.where(years, 0.0, shared)

    def each(shared: Array, local: Array) -> Array:
        predictors: Array = cell_predictors(Coefficients(shared, local), design, sizes)
        return predictors

    in_season: Array = jax.lax.map(lambda pair: each(*pair), (shared, local))
    usual: Array = jax.lax.map(lambda one: each(one, jnp.zeros(local.shape[1:])), typical)
    return in_season, usual


def role_dates(predictors: Array, days: Array) -> Array:
    """Arrival, peak and departure of local and of passage birds.

    Local: days of half rise and half fall, and the day of most birds between. Passage: days by
    which 5 % and 95 % of the pulse's bird-days have passed, and its top.

    Parameters
    ----------
    predictors : array, shape (..., predictor)
    days : array, shape (day,)
        Evenly spaced, from the middle of the window.

    Returns
    -------
    array, shape (..., role, date)
    """
    lifted = predictors[..., None, :]
    plateau, pulse = log_plateau(days, lifted), log_pulse(days, lifted)
    local = [predictors[..., RISE], peak_of(plateau, days), predictors[..., FALL]]
    passed = mass_quantiles(pulse, days, SHARES_PASSED)
    passage = [passed[..., 0], peak_of(pulse, days), passed[..., 1]]
    return jnp.stack([jnp.stack(local, -1), jnp.stack(passage, -1)], -2)


def birds_a_day(predictors: Array, days: Array) -> Array:
    """Expected birds a day at typical effort, by role; shape (..., role, day)."""
    lifted = predictors[..., None, :]
    both = lifted[..., BOTH]
    curves = [jnp.exp(both + log_plateau(days, lifted)), jnp.exp(both + log_pulse(days, lifted))]
    return jnp.stack(curves, -2)


def curve_dates(birds: Array, days: Array) -> Array:
    """Days of 5 % of a curve's bird-days, of its top, and of 95 %; shape (..., date)."""
    log_curve = jnp.log(birds + 1e-30)
    passed = mass_quantiles(log_curve, days, SHARES_PASSED)
    return jnp.stack([passed[..., 0], peak_of(log_curve, days), passed[..., 1]], -1)


@jax.jit
def answers_of_site(
    in_season: Array, typical: Array, days: Array, present: Array, pooled: Array
) -> dict[str, Array]:
    """Everything told of one site, one draw at a time.

    Parameters
    ----------
    in_season, typical : arrays, shape (draw, group, season, predictor)
    days : array, shape (day,)
    present : array of bool, shape (group, role)
    pooled : array, shape (season, day)
        1 where the pooled curve counts the day: in seasons sampled.

    Returns
    -------
    dict of arrays
        dates (draw, group, season, role, date), log_index (draw, group, season), pooled_dates
        (draw, group, role, date), together_dates (draw, role, date) of all groups, curve (draw,
        group, season, role, day), pooled_curve (draw, group, role, day).
    """

    def one(pair: tuple[Array, Array]) -> dict[str, Array]:
        here, usual = pair
        curve = birds_a_day(here, days) * present[:, None, :, None]
        usual_curve = birds_a_day(usual, days) * present[:, None, :, None]
        total = jnp.log(curve.sum((-2, -1)))
        seasons = jnp.maximum(pooled.any(1).sum(), 1)
        mean_curve = (curve * pooled[:, None, :]).sum(1) / seasons
        return {
            "dates": role_dates(here, days),
            "log_index": total - jnp.log(usual_curve.sum((-2, -1))),
            "pooled_dates": curve_dates(mean_curve, days),
            "together_dates": curve_dates(mean_curve.sum(0), days),
            "curve": curve,
            "pooled_curve": mean_curve,
        }

    told: dict[str, Array] = jax.lax.map(one, (in_season, typical))
    return told


@partial(jax.jit, static_argnames="sizes")
def captured_dates(shared: Array, local: Array, design: Design, sizes: Sizes, days: Array) -> Array:
    """Days by which 5 % and 95 % of the expected captures had been made, and the middle one.

    Sums the expected counts of the days sampled, all sites and seasons together: what the
    captures themselves should look like, uneven seasons and gaps included.

    Returns
    -------
    array, shape (draw, group, 3)
        First, median and last day, from the middle of the window.
    """
    group = design.cell // (sizes.sites * sizes.seasons)
    column = jnp.clip(jnp.round(design.day - days[0]).astype(int), 0, len(days) - 1)

    def one(pair: tuple[Array, Array]) -> Array:
        log_mean, _ = row_log_means(Coefficients(*pair), design, sizes)
        birds = (
            jnp.zeros((sizes.groups, len(days)))
            .at[group, column]
            .add(design.weight * jnp.exp(log_mean))
        )
        passed = jnp.cumsum(birds, -1) / jnp.maximum(birds.sum(-1, keepdims=True), 1e-30)
        shares = jnp.array([SHARES_PASSED[0], 0.5, SHARES_PASSED[1]])
        day_by = (passed[..., None] < shares).sum(-2)
        return days[jnp.clip(day_by, 0, len(days) - 1)]

    return jax.lax.map(one, (shared, local))


def date_slopes(predictors: Array, days: Array) -> npt.NDArray[Any]:
    """Derivatives of `role_dates` in the predictors; shape (..., role, date, predictor)."""
    flat = jnp.reshape(predictors, (-1, predictors.shape[-1]))
    slopes = jax.vmap(jax.jacfwd(lambda one: role_dates(one, days)))(flat)
    return np.asarray(slopes).reshape(*predictors.shape[:-1], *slopes.shape[1:])


def level_slopes(shape: tuple[int, ...]) -> npt.NDArray[Any]:
    """Derivatives of a site-year's log numbers in its predictors, one a role."""
    slopes = np.zeros((*shape, len(LEVELS), BOTH + 1))
    for role, level in enumerate(LEVELS):
        slopes[..., role, level] = 1.0
    slopes[..., BOTH] = 1.0
    return slopes


def season_columns(sizes: Sizes, index: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Which coefficients belong to a season, not to the site's typical one: its own, the year's.

    Parameters
    ----------
    sizes : Sizes
    index : array of int, shape (touched,)
        Positions of one site-year's touched coefficients.
    """
    start = sizes.offsets["year_level"]
    length = int(np.prod(sizes.parts["year_level"]))
    of_year = (index >= start) & (index < start + length)
    return np.concatenate([np.ones(sizes.local, bool), of_year])
