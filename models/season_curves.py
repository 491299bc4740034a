"""Shapes of a season: the plateau of local birds and the pulse of passage.

    local    log n(t) = level + log σ((t − rise)/s₁) + log σ((fall − t)/s₂)
    passage  log n(t) = level − z²/2,   z = u·exp(−tail·σ(2u)),   u = (t − peak)/width

with σ the logistic function. The plateau is what is expected of birds that each come at a time of
the first logistic distribution and leave at one of the second. The pulse has its maximum at `peak`
whatever its tail; `width` is that of the days before it, and a positive tail draws out those after.
"""

from __future__ import annotations

from typing import Any

import jax.numpy as jnp

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

Array = Any  # JAX's or numpy's
_ABSENT = -1e30  # log of no birds, with a gradient of zero


def log_plateau(day: Any, predictors: Array, xp: Any = jnp) -> Array:
    """Log number of local birds [log birds a day]; predictors on the last axis.

    `xp` is the array library that computes: JAX's numpy or numpy.
    """
    p = xp.moveaxis(predictors, -1, 0)
    return (
        p[LOCAL_LEVEL]
        - xp.logaddexp(0.0, (p[RISE] - day) * xp.exp(-p[LOG_RISE]))
        - xp.logaddexp(0.0, (day - p[FALL]) * xp.exp(-p[LOG_FALL]))
    )


def log_pulse(day: Any, predictors: Array, xp: Any = jnp) -> Array:
    """Log number of passage birds [log birds a day]; predictors on the last axis."""
    p = xp.moveaxis(predictors, -1, 0)
    u = (day - p[PEAK]) * xp.exp(-p[LOG_WIDTH])
    z = u * xp.exp(-p[TAIL] * 0.5 * (1.0 + xp.tanh(u)))
    return p[PASSAGE_LEVEL] - 0.5 * z * z


def log_presence(day: Any, predictors: Array, present: Array, xp: Any = jnp) -> Array:
    """Log number of birds of both roles; `present` (..., 2) says which are modelled."""
    local = xp.where(present[..., 0], log_plateau(day, predictors, xp), _ABSENT)
    passage = xp.where(present[..., 1], log_pulse(day, predictors, xp), _ABSENT)
    both = predictors[..., BOTH] if predictors.shape[-1] > BOTH else 0.0
    return both + xp.logaddexp(local, passage)
