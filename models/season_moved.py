"""Draws of the Laplace approximation, moved by Hamiltonian steps toward the exact posterior.

Given its hyperparameters each draw is moved by a few trajectories that leave the exact density of
the coefficients unchanged (Duane et al. 1987; leapfrog, accepted or not as a whole), in the
coordinates that the sampler uses (`season_sampled`). Where the approximation is good the draws
only change places; where counts are thin it is too narrow, and they spread out. Where hardly any
trajectory is accepted, all start again with half the step, twice as many to a trajectory.

Duane, S. et al. (1987). Hybrid Monte Carlo. Physics Letters B 195, 216–222.
doi:10.1016/0370-2693(87)91197-X
"""

from __future__ import annotations

from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import pandas as pd

from phenology.models.checks import at_least, at_most, table_of_checks
from phenology.models.season_arrow import straighten
from phenology.models.season_density import Coefficients, joint, prior_sds
from phenology.models.season_design import Design
from phenology.models.season_laplace import LaplaceFit
from phenology.models.season_predictors import Sizes
from phenology.models.season_sampled import Frame, Position, straight_frame, straight_to_model

Array = Any  # JAX's inside our own calls, numpy's at their rim

TRAJECTORIES = 3
_STEPS = 5
_STEP = 0.28  # of standard deviations: five go a quarter of the way round
_HALVINGS = 2  # of the step, with twice as many: where the density bends faster than was thought
FEWEST_ACCEPTED = 0.3  # share of trajectories
MOST_WIDENED = 2.0  # typical spread of a coefficient after over before


def draw_moved(
    fit: LaplaceFit,
    hyper: Array,
    coefficients: Coefficients,
    design: Design,
    sizes: Sizes,
    *,
    seed: int,
) -> tuple[Coefficients, pd.DataFrame]:
    """Move every draw, its hyperparameters held.

    Parameters
    ----------
    fit : LaplaceFit
        Straightens the coordinates.
    hyper : array, shape (draw, hyperparameter)
    coefficients : Coefficients
        (draw, shared) and (draw, site, season, local), from `season_draws.draw_laplace`.
    design, sizes
        As they were fitted.
    seed : int

    Returns
    -------
    Coefficients
    DataFrame
        statistic, value, threshold, passed, meaning.
    """
    frame = straight_frame(fit, design, sizes)
    keys = jax.random.split(jax.random.key(seed), (TRAJECTORIES, len(hyper)))
    for halved in range(_HALVINGS + 1):
        moved = Coefficients(*map(jnp.asarray, coefficients))
        accepted = []
        for key in keys:
            moved, chance = _trajectories(
                moved, jnp.asarray(hyper), key, frame, _STEP / 2**halved, sizes, _STEPS * 2**halved
            )
            accepted.append(float(chance.mean()))
        share = float(np.mean(accepted))
        if share >= FEWEST_ACCEPTED:
            break
    told = Coefficients(*map(np.asarray, moved))
    spreads = [
        np.concatenate([part.std(0).ravel() for part in each]) for each in (told, coefficients)
    ]
    acting = spreads[1] > 0
    widened = float(np.median(spreads[0][acting] / spreads[1][acting]))
    return told, table_of_checks(
        at_least(FEWEST_ACCEPTED, "share of moves accepted", share, "the draws moved freely"),
        at_most(
            MOST_WIDENED,
            "spread after over before the moves",
            widened,
            "the approximation was near enough to start from",
        ),
    )


@partial(jax.jit, static_argnames=("sizes", "steps"))
def _trajectories(
    coefficients: Coefficients,
    hyper: Array,
    keys: Array,
    frame: Frame,
    usual_step: float,
    sizes: Sizes,
    steps: int,
) -> tuple[Coefficients, Array]:
    """One trajectory of every draw, and the chance with which each was accepted."""

    def log_density(at: Coefficients, hyper: Array) -> Array:
        standard = (hyper - frame.hyper) / frame.hyper_sd
        at_hyper, there, volume = straight_to_model(Position(standard, *at), frame, sizes)
        return joint(there, at_hyper, frame.design, sizes) + volume

    def move(draw: tuple[Coefficients, Array, Array]) -> tuple[Coefficients, Array]:
        at, hyper, key = draw
        start = model_to_straight(at, hyper, frame, sizes)
        push, length, luck = jax.random.split(key, 3)
        noise = jax.random.normal(push, (start.shared.size + start.local.size,))
        momentum = Coefficients(
            noise[: start.shared.size], noise[start.shared.size :].reshape(start.local.shape)
        )
        step = usual_step * jax.random.uniform(length, minval=0.8, maxval=1.2)

        def leap(
            number: Array, state: tuple[Coefficients, Coefficients, Array, Array]
        ) -> tuple[Coefficients, Coefficients, Array, Array]:
            place, momentum, first, _ = state
            value, slope = jax.value_and_grad(log_density)(place, hyper)
            inner = (number > 0) & (number < steps)
            kick = jnp.where(inner, step, step / 2)
            momentum = jax.tree.map(lambda p, g: p + kick * g, momentum, slope)
            go = jnp.where(number < steps, step, 0.0)
            place = jax.tree.map(lambda x, p: x + go * p, place, momentum)
            return place, momentum, jnp.where(number == 0, value, first), value

        zero = jnp.zeros(())
        there, last, before, after = jax.lax.fori_loop(
            0, steps + 1, leap, (start, momentum, zero, zero)
        )
        gain = after - _energy(last) - before + _energy(momentum)
        chance = jnp.exp(jnp.minimum(jnp.nan_to_num(gain, nan=-jnp.inf), 0.0))
        taken = jax.random.uniform(luck) < chance
        kept = jax.tree.map(lambda new, old: jnp.where(taken, new, old), there, start)
        standard = (hyper - frame.hyper) / frame.hyper_sd
        _, told, _ = straight_to_model(Position(standard, *kept), frame, sizes)
        return told, chance

    told: tuple[Coefficients, Array] = jax.lax.map(move, (coefficients, hyper, keys))
    return told


def _energy(momentum: Coefficients) -> Array:
    return 0.5 * sum((part**2).sum() for part in momentum)


def model_to_straight(
    coefficients: Coefficients, hyper: Array, frame: Frame, sizes: Sizes
) -> Coefficients:
    """Coordinates at which `straight_to_model` gives these coefficients."""
    now, then = prior_sds(hyper, frame.design), prior_sds(frame.hyper, frame.design)
    mean = frame.design.prior_mean
    shared = (coefficients.shared - mean) * (then.shared / now.shared) ** (1 - frame.known.shared)
    local = coefficients.local * (then.local / now.local) ** (1 - frame.known.local)
    centre = frame.coefficients
    off = Coefficients(shared + mean - centre.shared, local - centre.local)
    return straighten(frame.factor, off, sizes)
