"""First and second derivatives of the log number of birds in the predictors of its curves.

Written out because the search for the mode spends its time here: differentiating the curves
automatically takes several times as long to compile and to run.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

from phenology.models.season_curves import log_plateau, log_pulse
from phenology.models.season_predictors import (
    BOTH,
    FALL,
    LOCAL_LEVEL,
    LOG_FALL,
    LOG_RISE,
    LOG_WIDTH,
    PASSAGE_LEVEL,
    PEAK,
    RISE,
    TAIL,
)

Array = Any  # JAX's inside our own calls
_Terms = dict[tuple[int, int], Array]


class Slopes(NamedTuple):
    """Derivatives of log n = log(local + passage), row by row.

    slope : (bundle, row, predictor)
    apart : (bundle, row, predictor), slope of log local − log passage
    ahead : (bundle, row), log local − log passage
    bends : (bundle, row, bend), second derivatives of either curve times its share, in the pairs
        of predictors that `_BENT` lists
    """

    slope: Array
    apart: Array
    ahead: Array
    bends: Array


def presence_slopes(
    day: Array, predictors: Array, present: Array, log_ratio: Array = 0.0
) -> Slopes:
    """Slopes of `log_presence` in the predictors, and what its curvature is made of.

    Parameters
    ----------
    day : array, shape (bundle, row)
    predictors : array, shape (bundle, 1, predictor)
    present : array of bool, shape (bundle, 1, 2)
    log_ratio : array, shape (bundle, row)
        Added to the log number of locals.
    """
    local_slope, local_bend = _plateau_slopes(day, predictors)
    passage_slope, passage_bend = _pulse_slopes(day, predictors)
    ahead = log_plateau(day, predictors) - log_pulse(day, predictors) + log_ratio
    ahead = jnp.where(present[..., 0], jnp.where(present[..., 1], ahead, jnp.inf), -jnp.inf)
    local, passage = jax.nn.sigmoid(ahead), jax.nn.sigmoid(-ahead)
    nothing = jnp.zeros_like(day)
    own = [
        jnp.stack([slope.get(one, nothing) for one in range(BOTH + 1)], -1)
        for slope in (local_slope, passage_slope)
    ]
    slope = local[..., None] * own[0] + passage[..., None] * own[1]
    bends = [
        local * local_bend[pair] if pair in local_bend else passage * passage_bend[pair]
        for pair in _BENT
    ]
    return Slopes(slope.at[..., BOTH].set(1.0), own[0] - own[1], ahead, jnp.stack(bends, -1))


def weighted_curvature(weight: Array, slopes: Slopes) -> Array:
    """Sum over a bundle's rows of weight × second derivatives of `log_presence`.

    Parameters
    ----------
    weight : array, shape (bundle, row)
    slopes : Slopes

    Returns
    -------
    array, shape (bundle, predictor, predictor)
    """
    between = jax.nn.sigmoid(slopes.ahead) * jax.nn.sigmoid(-slopes.ahead)
    mixing = (weight * between)[..., None] * slopes.apart
    bends = jnp.einsum("nr,nrb->nb", weight, slopes.bends)
    own = (bends @ _PLACE).reshape(-1, BOTH + 1, BOTH + 1)
    return jnp.einsum("nri,nrj->nij", mixing, slopes.apart) + own


def _plateau_slopes(day: Array, predictors: Array) -> tuple[dict[int, Array], _Terms]:
    p = jnp.moveaxis(predictors, -1, 0)
    per_rise, per_fall = jnp.exp(-p[LOG_RISE]), jnp.exp(-p[LOG_FALL])
    x, y = (day - p[RISE]) * per_rise, (p[FALL] - day) * per_fall
    short, left = jax.nn.sigmoid(-x), jax.nn.sigmoid(-y)
    bend_x, bend_y = -short * (1 - short), -left * (1 - left)
    slope = {
        LOCAL_LEVEL: jnp.ones_like(day),
        RISE: -short * per_rise,
        FALL: left * per_fall,
        LOG_RISE: -x * short,
        LOG_FALL: -y * left,
    }
    return slope, {
        (RISE, RISE): bend_x * per_rise**2,
        (RISE, LOG_RISE): (bend_x * x + short) * per_rise,
        (LOG_RISE, LOG_RISE): bend_x * x**2 + short * x,
        (FALL, FALL): bend_y * per_fall**2,
        (FALL, LOG_FALL): -(bend_y * y + left) * per_fall,
        (LOG_FALL, LOG_FALL): bend_y * y**2 + left * y,
    }


def _pulse_slopes(day: Array, predictors: Array) -> tuple[dict[int, Array], _Terms]:
    p = jnp.moveaxis(predictors, -1, 0)
    per_width, tail = jnp.exp(-p[LOG_WIDTH]), p[TAIL]
    u = (day - p[PEAK]) * per_width
    after = 0.5 * (1 + jnp.tanh(u))
    turn = 2 * after * (1 - after)  # derivative of `after`
    turned = -2 * jnp.tanh(u) * turn
    stretch = jnp.exp(-tail * after)
    z = u * stretch
    z_u = stretch * (1 - u * tail * turn)
    z_uu = stretch * (-tail * turn * (2 - u * tail * turn) - u * tail * turned)
    z_t, z_ut, z_tt = -after * z, -turn * z - after * z_u, after**2 * z
    g_u, g_t = -z * z_u, -z * z_t
    g_uu = -z_u * z_u - z * z_uu
    g_ut = -z_u * z_t - z * z_ut
    slope = {
        PASSAGE_LEVEL: jnp.ones_like(day),
        PEAK: -g_u * per_width,
        LOG_WIDTH: -g_u * u,
        TAIL: g_t,
    }
    return slope, {
        (PEAK, PEAK): g_uu * per_width**2,
        (PEAK, LOG_WIDTH): (g_uu * u + g_u) * per_width,
        (LOG_WIDTH, LOG_WIDTH): g_uu * u**2 + g_u * u,
        (PEAK, TAIL): -g_ut * per_width,
        (LOG_WIDTH, TAIL): -g_ut * u,
        (TAIL, TAIL): -z_t * z_t - z * z_tt,
    }


def _placed() -> Array:
    """Where each bend stands in the flattened square of predictors."""
    place = np.zeros((len(_BENT), BOTH + 1, BOTH + 1))
    for number, (i, j) in enumerate(_BENT):
        place[number, i, j] = place[number, j, i] = 1.0
    return place.reshape(len(_BENT), -1)


_BENT = (
    *((RISE, RISE), (RISE, LOG_RISE), (LOG_RISE, LOG_RISE)),
    *((FALL, FALL), (FALL, LOG_FALL), (LOG_FALL, LOG_FALL)),
    *((PEAK, PEAK), (PEAK, LOG_WIDTH), (LOG_WIDTH, LOG_WIDTH)),
    *((PEAK, TAIL), (LOG_WIDTH, TAIL), (TAIL, TAIL)),
)
_PLACE = _placed()
