"""Nested Laplace approximation of the season model.

Given the hyperparameters φ, the coefficients β are taken as normal about their mode; φ itself
follows the marginal

    log p(φ | y) ≈ log p(y, β̂(φ), φ) − ½ log det H(φ) + constant.

Sparse data make the normal approximation too narrow (one-day sites, one site in one season):
`season.choose_method` leaves those to the sampler.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import scipy.optimize

from phenology.models.refusal import Refused
from phenology.models.season_arrow import (
    Factor,
    assemble,
    log_determinant,
    marginal_variances,
    solve,
    spread,
)
from phenology.models.season_density import (
    Coefficients,
    log_hyperprior,
    log_likelihood,
    log_prior,
)
from phenology.models.season_design import HYPER, SCALES, Design, Sizes

Array = jax.Array
_NEWTON_STEPS = 60
_HALVINGS = 12
_DECREMENT = 1e-7  # half of gᵀH⁻¹g [log units] at which the mode counts as found


class Mode(NamedTuple):
    """Where the log density of the coefficients is largest at given hyperparameters."""

    coefficients: Coefficients
    decrement: Array


def joint(coefficients: Coefficients, hyper: Array, design: Design, sizes: Sizes) -> Array:
    """Log density of counts, coefficients and hyperparameters."""
    return (
        log_likelihood(coefficients, hyper, design, sizes)
        + log_prior(coefficients, hyper, design)
        + log_hyperprior(hyper, design)
    )


def _along(start: Coefficients, step: Coefficients, length: Any) -> Coefficients:
    return Coefficients(start.shared + length * step.shared, start.local + length * step.local)


@partial(jax.jit, static_argnames="sizes")
def find_mode(start: Coefficients, hyper: Array, design: Design, sizes: Sizes) -> Mode:
    """Damped Newton steps with halving until the decrement is negligible."""

    def better(state: tuple[Any, ...]) -> tuple[Any, ...]:
        at, value, _, steps = state
        gradient, factor = assemble(at, hyper, design, sizes)
        step = solve(factor, gradient, sizes)
        decrement = 0.5 * (gradient.shared @ step.shared + (gradient.local * step.local).sum())

        def worse(search: tuple[Array, Array, Array]) -> Array:
            length, reached, halvings = search
            enough = reached >= value + 0.1 * length * decrement
            return (~enough) & (halvings < _HALVINGS) & (decrement > _DECREMENT)

        def halve(search: tuple[Array, Array, Array]) -> tuple[Array, Array, Array]:
            length, _, halvings = search
            length = jnp.where(halvings < 0, 1.0, length / 2)
            reached = joint(_along(at, step, length), hyper, design, sizes)
            return length, jnp.where(jnp.isnan(reached), -jnp.inf, reached), halvings + 1

        length, reached, _ = jax.lax.while_loop(
            worse, halve, (jnp.array(1.0), jnp.array(-jnp.inf), jnp.array(-1))
        )
        moved = reached > value
        length = jnp.where(moved, length, 0.0)
        value = jnp.where(moved, reached, value)
        return _along(at, step, length), value, jnp.where(length > 0, decrement, 0.0), steps + 1

    def unfinished(state: tuple[Any, ...]) -> Any:
        return (state[2] > _DECREMENT) & (state[3] < _NEWTON_STEPS)

    first = (start, joint(start, hyper, design, sizes), jnp.array(jnp.inf), jnp.array(0))
    at, _, decrement, _ = jax.lax.while_loop(unfinished, better, first)
    return Mode(at, decrement)


def _log_marginal(hyper: Array, mode: Coefficients, design: Design, sizes: Sizes) -> Array:
    """Laplace marginal; one Newton step from the mode carries its derivative in φ."""
    gradient, factor = assemble(mode, hyper, design, sizes)
    at = _along(mode, solve(jax.lax.stop_gradient(factor), gradient, sizes), 1.0)
    _, factor = assemble(at, hyper, design, sizes)
    return joint(at, hyper, design, sizes) - 0.5 * log_determinant(factor)


@partial(jax.jit, static_argnames="sizes")
def marginal_and_slope(
    start: Coefficients, hyper: Array, design: Design, sizes: Sizes
) -> tuple[Array, Array, Mode]:
    """Log marginal of the hyperparameters, its gradient, and the mode."""
    mode = find_mode(start, hyper, design, sizes)
    value, slope = jax.value_and_grad(_log_marginal)(hyper, mode.coefficients, design, sizes)
    return value, slope, mode


@partial(jax.jit, static_argnames="sizes")
def factor_at(
    coefficients: Coefficients, hyper: Array, design: Design, sizes: Sizes
) -> tuple[Factor, Coefficients]:
    """Factored information and marginal variances of the coefficients."""
    factor = assemble(coefficients, hyper, design, sizes)[1]
    return factor, marginal_variances(factor, sizes)


class LaplaceFit(NamedTuple):
    """Mode of the hyperparameters, their covariance, and the coefficients there."""

    hyper: npt.NDArray[Any]
    hyper_covariance: npt.NDArray[Any]
    coefficients: Coefficients
    factor: Factor
    variances: Coefficients
    eigenvalues: npt.NDArray[Any]  # of the negative Hessian in φ, scaled by its diagonal
    decrement: float


def fit_laplace(start: Coefficients, design: Design, sizes: Sizes) -> LaplaceFit:
    """Maximise the marginal of the hyperparameters and take its curvature by differences."""
    mode = start

    def objective(hyper: npt.NDArray[Any]) -> tuple[float, npt.NDArray[Any]]:
        nonlocal mode
        value, slope, found = marginal_and_slope(mode, jnp.asarray(hyper), design, sizes)
        if not np.isfinite(value):
            return 1e10, np.zeros(len(hyper))
        mode = found.coefficients
        return -float(value), -np.asarray(slope)

    first = np.append(np.log(0.5 * np.array(list(SCALES.values()))), 1.0)
    bounds = [(np.log(1e-2 * s), np.log(6 * s)) for s in SCALES.values()] + [(-4.0, 8.0)]
    best = scipy.optimize.minimize(
        objective, first, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-9}
    )
    hyper = best.x
    value, _, found = marginal_and_slope(mode, jnp.asarray(hyper), design, sizes)
    if not np.isfinite(value):
        raise Refused("the season model found no best fit for these counts")
    mode = found.coefficients
    step = 0.05
    slopes = [
        (objective(hyper + move)[1] - objective(hyper - move)[1]) / (2 * step)
        for move in step * np.eye(len(HYPER))
    ]
    curvature = (np.array(slopes) + np.array(slopes).T) / 2
    covariance, eigenvalues = _covariance(curvature)
    factor, variances = factor_at(found.coefficients, jnp.asarray(hyper), design, sizes)
    return LaplaceFit(
        hyper, covariance, found.coefficients, factor, variances, eigenvalues,
        float(found.decrement),
    )


def _covariance(curvature: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    scale = np.sqrt(np.maximum(np.abs(np.diag(curvature)), 1e-3))
    values, vectors = np.linalg.eigh(curvature / np.outer(scale, scale))
    held = np.maximum(values, 0.05)  # a flat direction keeps the spread of its prior, roughly
    inverse = (vectors / held) @ vectors.T
    return inverse / np.outer(scale, scale), values


@partial(jax.jit, static_argnames=("sizes", "each"))
def _draws_at(
    start: Coefficients, hypers: Array, keys: Array, design: Design, sizes: Sizes, each: int
) -> tuple[Array, Coefficients]:
    def at(pair: tuple[Array, Array]) -> tuple[Array, Coefficients]:
        hyper, key = pair
        mode = find_mode(start, hyper, design, sizes)
        factor = assemble(mode.coefficients, hyper, design, sizes)[1]
        height = joint(mode.coefficients, hyper, design, sizes) - 0.5 * log_determinant(factor)

        def one(key: Array) -> Coefficients:
            first, second = jax.random.split(key)
            noise = Coefficients(
                jax.random.normal(first, (sizes.shared,)),
                jax.random.normal(second, (sizes.sites, sizes.seasons, sizes.local)),
            )
            return _along(mode.coefficients, spread(factor, noise, sizes), 1.0)

        return height, jax.vmap(one)(jax.random.split(key, each))

    return jax.lax.map(at, (hypers, keys))


def draw_laplace(
    fit: LaplaceFit, design: Design, sizes: Sizes, *, draws: int, points: int, seed: int
) -> tuple[npt.NDArray[Any], Coefficients, float]:
    """Draws of hyperparameters and coefficients, and the share of points that carry weight.

    Hyperparameters are proposed from a t distribution (7 degrees of freedom) about the mode of
    their marginal and resampled by importance.
    """
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(fit.hyper_covariance)
    noise = rng.standard_normal((points, len(HYPER)))
    degrees = 7.0
    stretch = np.sqrt(degrees / rng.chisquare(degrees, points))
    standard = noise * stretch[:, None]
    bounds = np.append(np.log(8 * np.array(list(SCALES.values()))), 9.0)
    hypers = np.minimum(fit.hyper + standard @ root.T, bounds)
    each = -(-4 * draws // points)
    keys = jax.random.split(jax.random.key(seed), points)
    height, drawn = _draws_at(
        fit.coefficients, jnp.asarray(hypers), keys, design, sizes, each
    )
    proposal = -0.5 * (degrees + len(HYPER)) * np.log1p((standard**2).sum(1) / degrees)
    log_weight = np.asarray(height) - proposal
    weight = np.exp(log_weight - np.nanmax(log_weight))
    weight = np.where(np.isfinite(weight), weight, 0.0)
    weight /= weight.sum()
    offset = (rng.random() + np.arange(draws)) / draws
    point = np.searchsorted(np.cumsum(weight), offset).clip(0, points - 1)
    taken = rng.integers(0, each, draws)
    picked = Coefficients(drawn.shared[point, taken], drawn.local[point, taken])
    return hypers[point], picked, float(1 / (points * (weight**2).sum()))
