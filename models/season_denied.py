"""Draws of the Laplace approximation that the counts deny, drawn again.

A normal approximation is alike on both sides of its mode. Of locals who are there before sampling
begins, the counts say only that their rise lies before: the prior reaches back for weeks, and half
of the draws would have them rise amid the season, with no bird where hundreds were caught. Of each
draw x about its mode m at given hyperparameters,

    excess(x) = log p(y, x) − log p(y, m) + ½ (x − m)ᵀ H (x − m)

is the log ratio of the density to its approximation. Over thousands of coefficients it scatters by
some ten about its middle; a draw far below the best is denied, and another takes its place. What
is told is the approximation where the counts allow it (rejection; no weights within).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import jax
import numpy as np

from phenology.models.season_arrow import Factor, draws_about, straighten
from phenology.models.season_density import Coefficients, joint
from phenology.models.season_design import Design
from phenology.models.season_laplace import Settled, joint_density
from phenology.models.season_predictors import Sizes

Array = Any  # JAX's inside our own calls, numpy's at their rim

ALLOWED = 50.0  # below the highest tenth, itself that near to the highest [log units]
_HIGHEST = 0.9
_ROUNDS = 5  # of as many draws again as are wanted, and then twice as many each time


def excess_of(
    draws: Coefficients, cloud: Settled, hyper: Array, design: Design, sizes: Sizes
) -> Array:
    """Log ratio of the density to its normal approximation, at draws about one mode.

    Parameters
    ----------
    draws : Coefficients
        (draw, shared) and (draw, site, season, local).
    cloud : Settled
        About which they were drawn, at these hyperparameters.
    hyper : array, shape (hyperparameter,)
    design, sizes
        As they were fitted.

    Returns
    -------
    array, shape (draw,)
        [log units]; minus infinity where the density is none.
    """
    mode = cloud.coefficients
    top = joint_density(mode, hyper, design, sizes)
    each = [
        _rise(Coefficients(*one), mode, cloud.factor, hyper, design, sizes) - top
        for one in zip(*draws, strict=True)
    ]
    found = np.array(each, float)
    return np.where(np.isfinite(found), found, -np.inf)


def redraw_denied(
    drawn: Coefficients,
    excess: Array,
    point: Array,
    cloud_at: Callable[[int], tuple[Settled, Array]],
    design: Design,
    sizes: Sizes,
    *,
    seed: int,
) -> float:
    """Put others in the place of draws that the counts deny.

    Parameters
    ----------
    drawn : Coefficients
        (draw, shared) and (draw, site, season, local), changed in place.
    excess : array, shape (draw,)
        From `excess_of`.
    point : array of int, shape (draw,)
        Number of the point at which each was drawn.
    cloud_at : callable
        Settles at a point: gives the mode there and its hyperparameters.
    design, sizes
        As they were fitted.
    seed : int

    Returns
    -------
    float
        Share of draws left denied, for which no other was found.
    """
    rng = np.random.default_rng([seed, 2])
    least = _least_allowed(excess)
    denied = excess < least
    for one in np.unique(point[denied]):
        wanted = np.flatnonzero(denied & (point == one))
        cloud, hyper = cloud_at(one)
        for number in range(_ROUNDS):
            others = draws_about(
                cloud.coefficients, cloud.factor, sizes, rng, len(wanted) * 2**number
            )
            allowed = np.flatnonzero(excess_of(others, cloud, hyper, design, sizes) >= least)
            now, wanted = np.split(wanted, [len(allowed)])
            for part, other in zip(drawn, others, strict=True):
                part[now] = other[allowed[: len(now)]]
            denied[now] = False
            if not len(wanted):
                break
    return float(denied.mean())


def _least_allowed(excess: Array) -> float:
    finite = excess[np.isfinite(excess)]
    if not len(finite):
        return np.inf  # all are denied
    return float(max(np.quantile(finite, _HIGHEST), finite.max() - ALLOWED) - ALLOWED)


@partial(jax.jit, static_argnames="sizes")
def _rise(
    at: Coefficients, mode: Coefficients, factor: Factor, hyper: Array, design: Design, sizes: Sizes
) -> Array:
    """Log density at a draw, without the fall that its distance from the mode would explain."""
    off = Coefficients(at.shared - mode.shared, at.local - mode.local)
    noise = straighten(factor, off, sizes)
    return joint(at, hyper, design, sizes) + 0.5 * sum((part**2).sum() for part in noise)
