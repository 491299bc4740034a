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

from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import pandas as pd

from phenology.models.season_arrow import Factor, draws_about, straighten
from phenology.models.season_density import Coefficients, joint
from phenology.models.season_design import Design
from phenology.models.season_laplace import Draws, Settled, joint_density, settle
from phenology.models.season_predictors import Sizes

Array = Any  # JAX's inside our own calls, numpy's at their rim

ALLOWED = 50.0  # below the highest tenth, itself that near to the highest [log units]
_HIGHEST = 0.9
_ROUNDS = 5  # of as many draws again as are wanted, and then twice as many each time
MOST_DENIED = 0.05  # share of draws left denied


def redraw_denied(
    drawn: Draws, design: Design, sizes: Sizes, *, seed: int
) -> tuple[Coefficients, pd.DataFrame]:
    """Put others in the place of draws that the counts deny.

    Parameters
    ----------
    drawn : Draws
    design, sizes
        As they were fitted.
    seed : int

    Returns
    -------
    Coefficients
        (draw, shared) and (draw, site, season, local).
    DataFrame
        statistic, value, threshold, passed, meaning: the share of draws left denied, for which
        no other was found.
    """
    rng = np.random.default_rng([seed, 2])
    told = Coefficients(*map(np.array, drawn.coefficients))
    places = [np.flatnonzero(drawn.point == point) for point in np.unique(drawn.point)]

    def cloud_of(place: Array) -> tuple[Settled, Array]:
        hyper = jnp.asarray(drawn.hyper[place[0]])
        return settle(drawn.modes[drawn.point[place[0]]], hyper, design, sizes), hyper

    def excess_of(draws: Coefficients, cloud: Settled, hyper: Array) -> Array:
        mode = cloud.coefficients
        top = joint_density(mode, hyper, design, sizes)
        each = [
            _rise(Coefficients(*one), mode, cloud.factor, hyper, design, sizes) - top
            for one in zip(*draws, strict=True)
        ]
        return np.nan_to_num(np.array(each, float), nan=-np.inf)

    excess = np.empty(len(drawn.hyper))
    for place in places:
        excess[place] = excess_of(_at(told, place), *cloud_of(place))
    least = max(np.quantile(excess, _HIGHEST), excess.max() - ALLOWED) - ALLOWED
    for place in places:
        wanted = place[excess[place] < least]
        if not len(wanted):
            continue
        cloud, hyper = cloud_of(place)
        for number in range(_ROUNDS):
            others = draws_about(
                cloud.coefficients, cloud.factor, sizes, rng, len(wanted) * 2**number
            )
            allowed = np.flatnonzero(excess_of(others, cloud, hyper) >= least)[: len(wanted)]
            now, wanted = wanted[: len(allowed)], wanted[len(allowed) :]
            for part, other in zip(told, others, strict=True):
                part[now] = other[allowed]
            excess[now] = least
            if not len(wanted):
                break
    left = float((excess < least).mean())
    checks = [
        (
            "share of draws denied", left, MOST_DENIED, left <= MOST_DENIED,
            "the draws lie where the counts allow them",
        ),
    ]  # fmt: skip
    return told, pd.DataFrame(
        checks, columns=["statistic", "value", "threshold", "passed", "meaning"]
    )


def _at(draws: Coefficients, place: Array) -> Coefficients:
    return Coefficients(draws.shared[place], draws.local[place])


@partial(jax.jit, static_argnames="sizes")
def _rise(
    at: Coefficients, mode: Coefficients, factor: Factor, hyper: Array, design: Design, sizes: Sizes
) -> Array:
    """Log density at a draw, without the fall that its distance from the mode would explain."""
    off = Coefficients(at.shared - mode.shared, at.local - mode.local)
    noise = straighten(factor, off, sizes)
    return joint(at, hyper, design, sizes) + 0.5 * sum((part**2).sum() for part in noise)
