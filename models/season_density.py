"""Season model: log density of the counts and of the coefficients, and its curvature.

    count ~ negative binomial(mean μ, dispersion k),   variance μ + μ²/k
    log μ = a·log effort + catchability + log(local plateau + passage pulse)

A day closed because full contributes P(at least `count`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
from jax.scipy.special import gammaln, logsumexp

from phenology.models.season_curves import log_presence
from phenology.models.season_design import (
    BOTH,
    DATES,
    LEVELS,
    PREDICTORS,
    PREDICTORS_AND_COVARIATES,
    SCALES,
    SHIFTED,
    Design,
    Sizes,
)

Array = Any  # JAX's inside our own calls, numpy's at their rim
_Score = Callable[[Array, Array], tuple[Array, Array]]
_ROWS_AT_ONCE = 8192
_UPPER = np.triu_indices(PREDICTORS_AND_COVARIATES)
_UPPER_PREDICTORS = np.triu_indices(BOTH + 1)


class Coefficients(NamedTuple):
    """Flat shared coefficients and those of each site-year, (site, season, local)."""

    shared: Array
    local: Array


def split_shared(shared: Array, sizes: Sizes) -> dict[str, Array]:
    """Shared coefficients by part; leading axes are kept."""
    lead = shared.shape[:-1]
    return {
        part: shared[..., start : start + math.prod(shape)].reshape(*lead, *shape)
        for (part, shape), start in zip(sizes.parts.items(), sizes.offsets.values(), strict=True)
    }


def cell_predictors(coefficients: Coefficients, design: Design, sizes: Sizes) -> Array:
    """Predictors of every group's curve, (group, site, season, predictor)."""
    return predictors_of(coefficients, design.drivers, sizes)


def predictors_of(coefficients: Coefficients, drivers: Array, sizes: Sizes) -> Array:
    """Predictors as in `cell_predictors`, from the drivers (site, season, driver) alone."""
    part = split_shared(coefficients.shared, sizes)
    local = coefficients.local
    shift = local[..., : len(SHIFTED)] + jnp.einsum("syr,rk->syk", drivers, part["driver"])
    dates = part["site_date"][:, None] + part["year_date"] + shift[..., : len(DATES)]
    levels = part["year_level"] + shift[..., len(DATES) :]
    shape = (sizes.groups, sizes.sites, sizes.seasons)
    predictors = jnp.broadcast_to(part["group"][:, None, None, :], (*shape, len(PREDICTORS)))
    predictors = predictors.at[..., jnp.array(DATES)].add(dates)
    predictors = predictors.at[..., jnp.array(LEVELS)].add(
        levels + part["site_level"][:, :, None, :]
    )
    own = jnp.moveaxis(local[..., len(SHIFTED) :], -1, 0)
    return jnp.concatenate([predictors, own[..., None]], -1)


def dispersion(hyper: Array) -> Array:
    """Dispersion k of the negative binomial: variance μ + μ²/k."""
    return jnp.exp(hyper[-1])


def prior_sds(hyper: Array, design: Design) -> Coefficients:
    """Standard deviations of the coefficients at given hyperparameters."""
    sd = jnp.exp(hyper[:-1])
    shared = jnp.where(design.prior_sd > 0, design.prior_sd, sd[design.sd_index])
    return Coefficients(shared, sd[design.local_sd_index])


def log_hyperprior(hyper: Array, design: Design) -> Array:
    """Half-normal standard deviations, on their logarithms; normal log dispersion."""
    ratio = jnp.exp(hyper[:-1]) / jnp.array(list(SCALES.values()))
    mean, sd = design.log_dispersion_prior
    return (hyper[:-1] - 0.5 * ratio**2).sum() - 0.5 * ((hyper[-1] - mean) / sd) ** 2


def log_prior(coefficients: Coefficients, hyper: Array, design: Design) -> Array:
    """Normal density of all coefficients given the hyperparameters, up to a constant."""
    sd = prior_sds(hyper, design)
    shared = (coefficients.shared - design.prior_mean) / sd.shared
    local = coefficients.local / sd.local
    blocks = coefficients.local.shape[0] * coefficients.local.shape[1]
    return (
        -0.5 * (shared @ shared)
        - jnp.log(sd.shared).sum()
        - 0.5 * (local**2).sum()
        - blocks * jnp.log(sd.local).sum()
    )


def row_log_means(coefficients: Coefficients, design: Design, sizes: Sizes) -> tuple[Array, Array]:
    """Log expected counts of the rows and of the full days."""
    predictors = cell_predictors(coefficients, design, sizes).reshape(-1, BOTH + 1)
    present = cell_present(design, sizes)
    slopes = split_shared(coefficients.shared, sizes)["covariate"]

    def means(day: Array, covariates: Array, cell: Array) -> Array:
        return covariates @ slopes + log_presence(day, predictors[cell], present[cell])

    return (
        means(design.day, design.covariates, design.cell),
        means(design.full_day, design.full_covariates, design.full_cell),
    )


def cell_present(design: Design, sizes: Sizes) -> Array:
    """Roles modelled in each flattened cell, (cell, 2)."""
    shape = (sizes.groups, sizes.sites, sizes.seasons, 2)
    return jnp.broadcast_to(jnp.asarray(design.present)[:, :, None, :], shape).reshape(-1, 2)


def open_log_likelihood(log_mean: Array, count: Array, k: Array) -> Array:
    """Log probability of a count, without the terms that do not depend on the mean."""
    return count * log_mean - (count + k) * jnp.logaddexp(jnp.log(k), log_mean)


def full_log_likelihood(log_mean: Array, count: Array, below: Array, k: Array) -> Array:
    """Log probability of at least `count` birds."""
    log_mass = (
        gammaln(below + k)
        - gammaln(k)
        - gammaln(below + 1)
        + k * jnp.log(k)
        + open_log_likelihood(log_mean, below, k)
    )
    short = logsumexp(jnp.where(below < count, log_mass, -jnp.inf))
    return jnp.log(-jnp.expm1(jnp.minimum(short, -1e-12)))


def log_likelihood(coefficients: Coefficients, hyper: Array, design: Design, sizes: Sizes) -> Array:
    """Log probability of all counts."""
    k = dispersion(hyper)
    log_mean, full_log_mean = row_log_means(coefficients, design, sizes)
    total = (design.weight * open_log_likelihood(log_mean, design.birds, k)).sum()
    constant = gammaln(design.distinct + k) - gammaln(k) - gammaln(design.distinct + 1)
    total += (design.distinct_rows * (constant + k * jnp.log(k))).sum()
    full = jax.vmap(full_log_likelihood, (0, 0, None, None))(
        full_log_mean, design.full_birds, design.full_below, k
    )
    return total + (design.full_weight * jnp.where(design.full_weight > 0, full, 0.0)).sum()


def joint(coefficients: Coefficients, hyper: Array, design: Design, sizes: Sizes) -> Array:
    """Log density of counts, coefficients and hyperparameters."""
    return (
        log_likelihood(coefficients, hyper, design, sizes)
        + log_prior(coefficients, hyper, design)
        + log_hyperprior(hyper, design)
    )


def cell_information(
    coefficients: Coefficients, hyper: Array, design: Design, sizes: Sizes
) -> tuple[Array, Array, Array]:
    """Score and information of the counts in the predictors and covariate slopes of each cell.

    Returns
    -------
    score : array, shape (group, site, season, predictor)
    information : array, shape (group, site, season, predictor, predictor)
        Gauss–Newton: never indefinite.
    bend : array, as `information`
        What the curvature of log μ adds to it: information + bend is the negative Hessian.
    """
    k = dispersion(hyper)
    predictors = cell_predictors(coefficients, design, sizes).reshape(-1, BOTH + 1)
    slopes = split_shared(coefficients.shared, sizes)["covariate"]
    present = cell_present(design, sizes)

    def full_log_chance(log_mean: Array, count: Array) -> Array:
        return full_log_likelihood(log_mean, count, design.full_below, k)

    def open_score(log_mean: Array, count: Array) -> tuple[Array, Array]:
        share = jax.nn.sigmoid(log_mean - jnp.log(k))
        return count - (count + k) * share, (count + k) * share * (1 - share)

    def full_score(log_mean: Array, count: Array) -> tuple[Array, Array]:
        score, bend = jax.jvp(
            lambda mean: jax.grad(full_log_chance)(mean, count), (log_mean,), (jnp.ones(()),)
        )
        return score, jnp.maximum(-bend, 0.0)

    def row_sums(score_of: _Score) -> Callable[..., Array]:
        def of_row(day: Array, x: Array, count: Array, cell: Array, weight: Array) -> Array:
            own, modelled = predictors[cell], present[cell]
            slope = jax.grad(log_presence, 1)(day, own, modelled)
            curvature = jax.hessian(log_presence, 1)(day, own, modelled)
            score, information = score_of(x @ slopes + log_presence(day, own, modelled), count)
            slope = jnp.concatenate([slope, x])
            i, j = _UPPER
            m, n = _UPPER_PREDICTORS
            return weight * jnp.concatenate(
                [score * slope, information * slope[i] * slope[j], -score * curvature[m, n]]
            )

        return jax.vmap(of_row)

    rows = (design.day, design.covariates, design.birds, design.cell, design.weight)
    full = (
        design.full_day,
        design.full_covariates,
        design.full_birds,
        design.full_cell,
        design.full_weight,
    )
    sums = _sum_by_cell(row_sums(open_score), rows, len(predictors))
    sums += _sum_by_cell(row_sums(full_score), full, len(predictors))
    sums = sums.reshape(sizes.groups, sizes.sites, sizes.seasons, -1)
    width = PREDICTORS_AND_COVARIATES
    score, upper, bent = jnp.split(sums, [width, width + len(_UPPER[0])], axis=-1)
    square = jnp.zeros((*sums.shape[:3], width, width))
    (i, j), (m, n) = _UPPER, _UPPER_PREDICTORS
    return (
        score,
        square.at[..., i, j].set(upper).at[..., j, i].set(upper),
        square.at[..., m, n].set(bent).at[..., n, m].set(bent),
    )


def _sum_by_cell(contribution: Callable[..., Array], rows: tuple[Any, ...], cells: int) -> Array:
    number = len(rows[0])
    if number <= _ROWS_AT_ONCE:
        return jax.ops.segment_sum(contribution(*rows), rows[3], cells, indices_are_sorted=True)
    chunks = -(-number // _ROWS_AT_ONCE)
    extra = chunks * _ROWS_AT_ONCE - number
    pieces = tuple(
        jnp.pad(row, [(0, extra)] + [(0, 0)] * (row.ndim - 1)).reshape(
            chunks, _ROWS_AT_ONCE, *row.shape[1:]
        )
        for row in rows
    )

    def add(total: Array, piece: tuple[Array, ...]) -> tuple[Array, None]:
        return total + jax.ops.segment_sum(contribution(*piece), piece[3], cells), None

    width = PREDICTORS_AND_COVARIATES + len(_UPPER[0]) + len(_UPPER_PREDICTORS[0])
    return jax.lax.scan(add, jnp.zeros((cells, width)), pieces)[0]
