"""First and second derivatives of the log number of birds in the predictors of its curves.

Written out because the search for the mode spends its time here: differentiating the curves
automatically takes several times as long to compile and to run.
"""

from __future__ import annotations

from typing import Any

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
UPPER = np.triu_indices(BOTH + 1)
_Terms = dict[tuple[int, int], Array]


def presence_slopes(day: Array, predictors: Array, present: Array) -> tuple[Array, Array]:
    """Slope and curvature of `log_presence` in the predictors.

    Parameters
    ----------
    day : array, shape (row,)
    predictors : array, shape (row, predictor)
    present : array of bool, shape (row, 2)

    Returns
    -------
    slope : array, shape (row, predictor)
    curvature : array, shape (row, pair)
        Second derivatives in the pairs of predictors that `UPPER` lists.
    """
    local_slope, local_bend = _plateau_slopes(day, predictors)
    passage_slope, passage_bend = _pulse_slopes(day, predictors)
    ahead = log_plateau(day, predictors) - log_pulse(day, predictors)
    ahead = jnp.where(present[:, 0], jnp.where(present[:, 1], ahead, jnp.inf), -jnp.inf)
    local, passage = jax.nn.sigmoid(ahead), jax.nn.sigmoid(-ahead)
    nothing = jnp.zeros_like(day)
    slopes, apart = [], []
    for one in range(BOTH + 1):
        here, there = local_slope.get(one, nothing), passage_slope.get(one, nothing)
        slopes.append(local * here + passage * there if one != BOTH else jnp.ones_like(day))
        apart.append(here - there)
    between = local * passage
    bends = [
        between * apart[i] * apart[j]
        + local * local_bend.get((i, j), 0.0)
        + passage * passage_bend.get((i, j), 0.0)
        for i, j in zip(*(pairs.tolist() for pairs in UPPER), strict=True)
    ]
    return jnp.stack(slopes, -1), jnp.stack(bends, -1)


def _plateau_slopes(day: Array, predictors: Array) -> tuple[dict[int, Array], _Terms]:
    p = predictors.T
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
    p = predictors.T
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
