"""Nested Laplace approximation of the season model.

Given the hyperparameters φ, the coefficients β are taken as normal about their mode; φ itself
follows the marginal

    log p(φ | y) ≈ log p(y, β̂(φ), φ) − ½ log det H(φ) + constant.

Sparse data make the normal approximation too narrow (one-day sites, one site in one season):
`season.SeasonModel` leaves those to the sampler.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import scipy.stats

from phenology.models.refusal import Refused
from phenology.models.season_arrow import (
    Factor,
    assemble,
    empty_factor,
    log_determinant,
    marginal_variances,
    solve,
    spread,
)
from phenology.models.season_density import Coefficients, joint
from phenology.models.season_design import (
    HYPER,
    LOG_DISPERSION_PRIOR,
    SCALES,
    Design,
    Sizes,
)

Array = Any  # JAX's inside our own calls, numpy's at their rim
_NEWTON_STEPS = 60
_HALVINGS = 12
_EXPECTATION_STEPS = 15
_NEAR = 0.05  # movement of φ [log units] at which its centre counts as found
_DIFFERENCE = 0.3  # of slopes and bends in φ [log units]
_LEAST_BEND = 1.0  # a flat direction keeps the spread of its prior, roughly
_DECREMENT = 1e-5  # half of gᵀH⁻¹g [log units] at which the mode counts as found


class Settled(NamedTuple):
    """Coefficients at their mode for given hyperparameters, and the Laplace marginal there."""

    coefficients: Coefficients
    factor: Factor
    height: Array
    decrement: Array


def _along(start: Coefficients, step: Coefficients, length: Any) -> Coefficients:
    return Coefficients(start.shared + length * step.shared, start.local + length * step.local)


@partial(jax.jit, static_argnames="sizes")
def settle(start: Coefficients, hyper: Array, design: Design, sizes: Sizes) -> Settled:
    """Damped Newton steps with halving until the decrement is negligible."""

    def better(state: tuple[Any, ...]) -> tuple[Any, ...]:
        at, value, _, _, steps = state
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
            worse, halve, (jnp.array(1.0), value, jnp.array(-1))
        )
        moved = reached > value
        length = jnp.where(moved, length, 0.0)
        value = jnp.where(moved, reached, value)
        stuck = jnp.where(moved, decrement, -decrement)  # negative ends the search
        return _along(at, step, length), value, stuck, factor, steps + 1

    def unfinished(state: tuple[Any, ...]) -> Any:
        return (state[2] > _DECREMENT) & (state[4] < _NEWTON_STEPS)

    value = joint(start, hyper, design, sizes)
    first = (start, value, jnp.array(jnp.inf), empty_factor(sizes), jnp.array(0))
    at, value, decrement, factor, _ = jax.lax.while_loop(unfinished, better, first)
    height = value - 0.5 * log_determinant(factor)
    return Settled(at, factor, height, jnp.abs(decrement))


class LaplaceFit(NamedTuple):
    """Middle and spread of the hyperparameters, and the coefficients at their mode there."""

    hyper: npt.NDArray[Any]
    hyper_sd: npt.NDArray[Any]
    coefficients: Coefficients
    factor: Factor
    decrement: float


def acting_hypers(design: Design) -> npt.NDArray[Any]:
    """Positions of the hyperparameters that the modelled roles use."""
    local, passage = (bool(np.asarray(design.present)[..., role].any()) for role in (0, 1))
    used = [
        local if "local_date" in name else passage if "passage_date" in name else True
        for name in HYPER
    ]
    return np.flatnonzero(used)


@partial(jax.jit, static_argnames="sizes")
def _expected_scales(settled: Settled, hyper: Array, design: Design, sizes: Sizes) -> Array:
    """One step of expectation–maximisation for the scales, one of Newton for the dispersion.

    With n coefficients of expected square sum Q, a half-normal scale τ and the logarithm as the
    parameter, the maximum solves s⁴/τ² + (n − 1)s² − Q = 0.
    """
    variances = marginal_variances(settled.factor, sizes)
    at = settled.coefficients
    squares = [
        (at.shared - design.prior_mean) ** 2 + variances.shared,
        (at.local**2 + variances.local).reshape(-1),
    ]
    own_index = jnp.broadcast_to(design.local_sd_index, at.local.shape).reshape(-1)
    kinds = len(SCALES)
    index = jnp.concatenate([jnp.where(design.prior_sd > 0, kinds, design.sd_index), own_index])
    number = jnp.zeros(kinds + 1).at[index].add(1.0)[:kinds]
    total = jnp.zeros(kinds + 1).at[index].add(jnp.concatenate(squares))[:kinds]
    tau = jnp.array(list(SCALES.values())) ** 2
    root = jnp.sqrt((number - 1) ** 2 + 4 * total / tau)
    square = 2 * total / (number - 1 + root)

    def in_dispersion(log_k: Array) -> Array:
        return joint(at, hyper.at[-1].set(log_k), design, sizes)

    slope, bend = jax.grad(in_dispersion)(hyper[-1]), jax.hessian(in_dispersion)(hyper[-1])
    step = jnp.clip(slope / jnp.maximum(-bend, 0.5), -0.7, 0.7)
    return jnp.append(0.5 * jnp.log(square), hyper[-1] + step)


def fit_laplace(start: Coefficients, design: Design, sizes: Sizes) -> LaplaceFit:
    """Centre the hyperparameters by expectation–maximisation, then measure their spread.

    The last step moves each along its own parabola through the marginal; draws are weighted by
    the marginal afterwards, so that the centre need only be near. Hyperparameters of roles that
    are not modelled stay at the mode of their prior.

    Raises
    ------
    Refused
        If no finite marginal is found.
    """
    acting = acting_hypers(design)
    scales = np.array(list(SCALES.values()))
    hyper = np.append(np.log(scales), LOG_DISPERSION_PRIOR[0])
    hyper[acting[:-1]] -= 0.7
    settled = settle(start, jnp.asarray(hyper), design, sizes)
    for _ in range(_EXPECTATION_STEPS):
        moved = hyper.copy()
        expected = np.asarray(_expected_scales(settled, jnp.asarray(hyper), design, sizes))
        moved[acting] = np.maximum(
            hyper + 1.5 * (expected - hyper),
            np.append(  # over-relaxed
                np.log(0.03 * scales), -3.0
            ),
        )[acting]
        there = settle(settled.coefficients, jnp.asarray(moved), design, sizes)
        if not np.isfinite(there.height):
            break
        far = np.abs(moved - hyper).max()
        hyper, settled = moved, there
        if far < _NEAR:
            break
    if not np.isfinite(settled.height):
        raise Refused("the season model found no best fit for these counts")
    sd = np.full(len(HYPER), 0.7)  # of a half-normal scale on its logarithm, roughly
    shift = np.zeros(len(HYPER))
    for one in acting:
        move = np.zeros(len(HYPER))
        move[one] = _DIFFERENCE
        ahead, behind = (
            float(settle(settled.coefficients, jnp.asarray(aside), design, sizes).height)
            for aside in (hyper + move, hyper - move)
        )
        bend = (2 * float(settled.height) - ahead - behind) / _DIFFERENCE**2
        if np.isfinite(bend):
            bend = max(bend, _LEAST_BEND)
            sd[one] = 1 / np.sqrt(bend)
            shift[one] = np.clip((ahead - behind) / (2 * _DIFFERENCE) / bend, -0.5, 0.5)
    there = settle(settled.coefficients, jnp.asarray(hyper + shift), design, sizes)
    if there.height > settled.height:
        hyper, settled = hyper + shift, there
    return LaplaceFit(hyper, sd, settled.coefficients, settled.factor, float(settled.decrement))


@partial(jax.jit, static_argnames=("sizes", "each"))
def _draws_about(settled: Settled, key: Array, sizes: Sizes, each: int) -> Coefficients:
    def one(key: Array) -> Coefficients:
        first, second = jax.random.split(key)
        noise = Coefficients(
            jax.random.normal(first, (sizes.shared,)),
            jax.random.normal(second, (sizes.sites, sizes.seasons, sizes.local)),
        )
        return _along(settled.coefficients, spread(settled.factor, noise, sizes), 1.0)

    return jax.vmap(one)(jax.random.split(key, each))


def draw_laplace(
    fit: LaplaceFit, design: Design, sizes: Sizes, *, draws: int, points: int, seed: int
) -> tuple[npt.NDArray[Any], Coefficients, float]:
    """Draws of hyperparameters and coefficients, and the share of points that carry weight.

    Hyperparameters are proposed from a t distribution (7 degrees of freedom) about the mode of
    their marginal and resampled by importance.
    """
    rng = np.random.default_rng(seed)
    acting = acting_hypers(design)
    degrees = 7.0
    uniform = scipy.stats.qmc.Halton(len(HYPER) + 1, rng=rng).random(points)
    stretch = np.sqrt(degrees / scipy.stats.chi2.ppf(uniform[:, -1], degrees))
    standard = scipy.stats.norm.ppf(uniform[:, :-1]) * stretch[:, None]
    idle = np.setdiff1d(np.arange(len(HYPER)), acting)
    standard[:, idle] = 0.0  # their prior says nothing about any answer
    bounds = np.append(np.log(8 * np.array(list(SCALES.values()))), 9.0)
    hypers = np.minimum(fit.hyper + standard * fit.hyper_sd, bounds)
    each = -(-2 * draws // points)
    heights, drawn = [], []
    for key, at in zip(jax.random.split(jax.random.key(seed), points), hypers, strict=True):
        settled = settle(fit.coefficients, jnp.asarray(at), design, sizes)
        heights.append(float(settled.height))
        drawn.append(jax.tree.map(np.asarray, _draws_about(settled, key, sizes, each)))
    height = np.array(heights)
    proposal = -0.5 * (degrees + len(acting)) * np.log1p((standard**2).sum(1) / degrees)
    log_weight = height - proposal
    weight = np.exp(log_weight - np.nanmax(log_weight))
    weight = np.where(np.isfinite(weight), weight, 0.0)
    weight /= weight.sum()
    offset = (rng.random() + np.arange(draws)) / draws
    point = np.searchsorted(np.cumsum(weight), offset).clip(0, points - 1)
    taken = rng.integers(0, each, draws)
    picked = Coefficients(
        np.array([drawn[p].shared[t] for p, t in zip(point, taken, strict=True)]),
        np.array([drawn[p].local[t] for p, t in zip(point, taken, strict=True)]),
    )
    return hypers[point], picked, float(1 / (points * (weight**2).sum()))
