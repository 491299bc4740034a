"""Shapes of a season: the plateau of local birds and the pulse of passage, and their dates.

    local    log n(t) = level + log σ((t − rise)/s₁) + log σ((fall − t)/s₂)
    passage  log n(t) = level − z²/2,   z = u·exp(−skew·tanh u),   u = (t − peak)/width

with σ the logistic function. The pulse has its maximum at `peak` whatever its skew; a positive
skew draws out the side after the peak.
"""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp

from phenology.models.season_design import (
    BOTH,
    FALL,
    LOCAL_LEVEL,
    LOG_FALL,
    LOG_RISE,
    LOG_WIDTH,
    PASSAGE_LEVEL,
    PEAK,
    RISE,
    SKEW,
)

Array = Any  # JAX's or numpy's
_ABSENT = -1e30  # log of no birds, with a gradient of zero


def log_plateau(day: Any, predictors: Array) -> Array:
    """Log number of local birds [log birds a day]; predictors on the last axis."""
    p = jnp.moveaxis(predictors, -1, 0)
    return (
        p[LOCAL_LEVEL]
        + jax.nn.log_sigmoid((day - p[RISE]) * jnp.exp(-p[LOG_RISE]))
        + jax.nn.log_sigmoid((p[FALL] - day) * jnp.exp(-p[LOG_FALL]))
    )


def log_pulse(day: Any, predictors: Array) -> Array:
    """Log number of passage birds [log birds a day]; predictors on the last axis."""
    p = jnp.moveaxis(predictors, -1, 0)
    u = (day - p[PEAK]) * jnp.exp(-p[LOG_WIDTH])
    z = u * jnp.exp(-p[SKEW] * jnp.tanh(u))
    return p[PASSAGE_LEVEL] - 0.5 * z * z


def log_presence(day: Any, predictors: Array, present: Array) -> Array:
    """Log number of birds of both roles; `present` (..., 2) says which are modelled."""
    local = jnp.where(present[..., 0], log_plateau(day, predictors), _ABSENT)
    passage = jnp.where(present[..., 1], log_pulse(day, predictors), _ABSENT)
    both = predictors[..., BOTH] if predictors.shape[-1] > BOTH else 0.0
    return both + jnp.logaddexp(local, passage)


def mass_quantiles(log_curve: Array, days: Array, shares: tuple[float, ...]) -> Array:
    """Days by which the given shares of a curve's bird-days have passed.

    Parameters
    ----------
    log_curve : array, shape (..., day)
    days : array, shape (day,)
        Evenly spaced.

    Returns
    -------
    array, shape (..., share)
    """
    mass = jnp.exp(log_curve - log_curve.max(-1, keepdims=True))
    passed = jnp.cumsum((mass[..., 1:] + mass[..., :-1]) / 2, axis=-1)
    passed = jnp.concatenate([jnp.zeros_like(passed[..., :1]), passed], -1) / passed[..., -1:]

    def crossing(share: float) -> Array:
        after = jnp.clip((passed < share).sum(-1), 1, len(days) - 1)
        low = jnp.take_along_axis(passed, after[..., None] - 1, -1)[..., 0]
        high = jnp.take_along_axis(passed, after[..., None], -1)[..., 0]
        step = (share - low) / jnp.maximum(high - low, 1e-12)
        return days[after - 1] + step * (days[1] - days[0])

    return jnp.stack([crossing(share) for share in shares], -1)


def peak_of(log_curve: Array, days: Array) -> Array:
    """Day of the maximum, refined by a parabola through its neighbours."""
    top = jnp.clip(log_curve.argmax(-1), 1, len(days) - 2)
    before, at, after = (
        jnp.take_along_axis(log_curve, (top + step)[..., None], -1)[..., 0] for step in (-1, 0, 1)
    )
    bend = before - 2 * at + after
    step = jnp.where(bend < -1e-9, 0.5 * (before - after) / jnp.minimum(bend, -1e-9), 0.0)
    return days[top] + jnp.clip(step, -1.0, 1.0) * (days[1] - days[0])
