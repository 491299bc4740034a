"""The season model sampled by NUTS, in coordinates that the Laplace approximation straightens.

With β̂ and R (R Rᵀ = H⁻¹) at the centre φ̂ of the hyperparameters, the sampler moves in (ε, z):

    φ = φ̂ + sd·z,     v = β̂ + R ε,     β − m = (v − m)·(s(φ)/s(φ̂))^(1−c),

m and s the prior mean and standard deviation, c the share of a coefficient's prior variance that
the data have removed. Coefficients that the data know (c near 1) are then centred, the others
not, and no funnel is left.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.inference import LogDensity, sample, sampling_diagnostics
from phenology.models.season_arrow import Factor, marginal_variances, spread
from phenology.models.season_density import Coefficients, joint, prior_sds
from phenology.models.season_design import Design
from phenology.models.season_laplace import LaplaceFit, acting_hypers
from phenology.models.season_predictors import Sizes

Array = Any  # JAX's inside our own calls, numpy's at their rim


class Frame(NamedTuple):
    """The straightened coordinates, with the design that the density needs."""

    hyper: Array
    hyper_sd: Array
    coefficients: Coefficients
    factor: Factor
    known: Coefficients  # c of each coefficient
    design: Design


class Position(NamedTuple):
    """Where the sampler is."""

    hyper: Array
    shared: Array
    local: Array


def straight_frame(fit: LaplaceFit, design: Design, sizes: Sizes) -> Frame:
    """Coordinates about the centre of the Laplace approximation."""
    variances = marginal_variances(fit.factor, sizes)
    hyper = jnp.asarray(fit.hyper)
    sd = prior_sds(hyper, design)
    known = Coefficients(
        jnp.clip(1 - variances.shared / sd.shared**2, 0.0, 1.0),
        jnp.clip(1 - variances.local / sd.local**2, 0.0, 1.0),
    )
    return Frame(
        hyper, jnp.asarray(fit.hyper_sd.min(0)), fit.coefficients, fit.factor, known, design
    )


def straight_to_model(
    position: Position, frame: Frame, sizes: Sizes
) -> tuple[Array, Coefficients, Array]:
    """Hyperparameters, coefficients and log volume of the change of coordinates."""
    hyper = frame.hyper + frame.hyper_sd * position.hyper
    moved = spread(frame.factor, Coefficients(position.shared, position.local), sizes)
    now, then = prior_sds(hyper, frame.design), prior_sds(frame.hyper, frame.design)
    stretch = Coefficients(
        (1 - frame.known.shared) * jnp.log(now.shared / then.shared),
        (1 - frame.known.local) * jnp.log(now.local / then.local),
    )
    mean = frame.design.prior_mean
    shared = frame.coefficients.shared + moved.shared - mean
    local = frame.coefficients.local + moved.local
    coefficients = Coefficients(
        mean + shared * jnp.exp(stretch.shared), local * jnp.exp(stretch.local)
    )
    return hyper, coefficients, stretch.shared.sum() + stretch.local.sum()


@cache
def _log_density(sizes: Sizes) -> LogDensity:
    def log_density(position: Position, frame: Frame) -> Array:
        hyper, coefficients, volume = straight_to_model(position, frame, sizes)
        return joint(coefficients, hyper, frame.design, sizes) + volume

    return log_density


@cache
def _to_model(sizes: Sizes) -> Any:
    def to_model(position: Position, frame: Frame) -> tuple[Array, Coefficients]:
        hyper, coefficients, _ = straight_to_model(position, frame, sizes)
        return hyper, coefficients

    return jax.jit(lambda positions, frame: jax.lax.map(lambda at: to_model(at, frame), positions))


def draw_sampled(
    fit: LaplaceFit, design: Design, sizes: Sizes, *, draws: int, warmup: int, seed: int
) -> tuple[npt.NDArray[Any], Coefficients, pd.DataFrame]:
    """Draws of hyperparameters and coefficients from two chains, and their diagnostics.

    Parameters
    ----------
    fit : LaplaceFit
        Only straightens the coordinates and gives the starts; the draws do not lean on it.
    design : Design
    sizes : Sizes
    draws : int
        Kept of both chains together; each is run as long, and every second draw is kept.
    warmup : int
        A chain.
    seed : int
    """
    frame = straight_frame(fit, design, sizes)
    rng = np.random.default_rng(seed)
    starts = [
        Position(
            jnp.asarray(0.3 * rng.standard_normal(len(fit.hyper))),
            jnp.asarray(0.5 * rng.standard_normal(sizes.shared)),
            jnp.asarray(0.5 * rng.standard_normal((sizes.sites, sizes.seasons, sizes.local))),
        )
        for _ in range(2)
    ]
    found = sample(_log_density(sizes), starts, frame, seed=seed, warmup=warmup, draws=draws)
    flat = jax.tree.map(lambda leaf: leaf.reshape(-1, *leaf.shape[2:]), found.position)
    hyper, coefficients = jax.tree.map(np.asarray, _to_model(sizes)(flat, frame))
    groups = int(np.asarray(design.present).any((1, 2)).sum())
    chains = found.diverging.shape
    means = coefficients.shared.reshape(*chains, -1)[..., : groups * sizes.parts["group"][1]]
    told = np.concatenate([hyper.reshape(*chains, -1)[..., acting_hypers(design)], means], -1)
    return (
        hyper[:draws],
        Coefficients(*(part[:draws] for part in coefficients)),
        (sampling_diagnostics(told, found.diverging)),
    )
