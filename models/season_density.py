"""Season model: log density of the counts and of the coefficients, and its curvature.

    count ~ negative binomial(mean μ, dispersion k),   variance μ + μ²/k
    log μ = a·log effort + catchability + log(local plateau + passage pulse)

A day closed because full contributes P(at least `count`). A bird whose traits are r times likelier
of a local than of a passage bird contributes (r·local + passage) / (local + passage).
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
from phenology.models.season_design import Design
from phenology.models.season_predictors import (
    BOTH,
    COVARIATES,
    DATES,
    LEVELS,
    LOCAL_LEVEL,
    OF_GROUP,
    PREDICTORS_AND_COVARIATES,
    SCALES,
    SHIFTED,
    Sizes,
    placement,
)
from phenology.models.season_slopes import presence_slopes, weighted_curvature

Array = Any  # JAX's inside our own calls, numpy's at their rim
_BUNDLES_AT_ONCE = 256
_EVERY = slice(None)


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


def cell_predictors(
    coefficients: Coefficients,
    drivers: Array,
    sizes: Sizes,
    xp: Any = jnp,
    sites: slice = _EVERY,
) -> Array:
    """Predictors of every group's curve, (..., group, site, season, predictor).

    Leading axes of the coefficients are kept; `sites` tells which sites are wanted, and `xp` is
    the array library that computes.
    """
    part = split_shared(coefficients.shared, sizes)
    local = coefficients.local[..., sites, :, :]
    shift = xp.einsum("syr,...rk->...syk", drivers[sites], part["driver"])
    shift = local[..., : len(SHIFTED)] + shift
    dates = part["site_date"][..., sites, None, :] + part["year_date"][..., None, :, :]
    levels = xp.broadcast_to(part["year_level"][..., None, :, :], (*dates.shape[:-1], len(LEVELS)))
    common = shift + xp.concatenate([dates, levels], -1)
    own = local[..., len(SHIFTED) :]
    own = xp.moveaxis(own.reshape(*own.shape[:-1], len(OF_GROUP), sizes.groups), -1, -4)
    place = placement()
    group = part["group"] @ np.eye(BOTH, BOTH + 1)
    predictors: Array = (
        group[..., :, None, None, :]
        + (common @ place[: len(SHIFTED)])[..., None, :, :, :]
        + (part["site_level"] @ place[len(DATES) : len(SHIFTED)])[..., :, sites, None, :]
        + own @ place[len(SHIFTED) :]
    )
    return predictors


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
    """Log expected counts of the rows and of the full days; shape (bundle, row)."""
    predictors = cell_predictors(coefficients, design.drivers, sizes).reshape(-1, BOTH + 1)
    present = cell_present(design, sizes)
    slopes = split_shared(coefficients.shared, sizes)["covariate"]

    def means(day: Array, covariates: Array, cell: Array) -> Array:
        own = predictors[cell, None]
        return covariates @ slopes + log_presence(day, own, present[cell, None])

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
    full = jnp.vectorize(
        lambda log_mean, count: full_log_likelihood(log_mean, count, design.full_below, k)
    )(full_log_mean, design.full_birds)
    total += (design.full_weight * jnp.where(design.full_weight > 0, full, 0.0)).sum()
    own = cell_predictors(coefficients, design.drivers, sizes).reshape(-1, BOTH + 1)
    own, more_locals = own[design.bird_cell, None], np.arange(BOTH + 1) == LOCAL_LEVEL
    present = cell_present(design, sizes)[design.bird_cell, None]
    told, plain = (
        log_presence(design.bird_day, predictors, present)
        for predictors in (own + design.bird_log_ratio[..., None] * more_locals, own)
    )
    return total + (design.bird_weight * (told - plain)).sum()


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
        Gauss–Newton, of traits the square of their scores: never indefinite.
    bend : array, as `information`
        What the curvature of log μ adds to it: information + bend is the negative Hessian.
    """
    k = dispersion(hyper)
    predictors = cell_predictors(coefficients, design.drivers, sizes).reshape(-1, BOTH + 1)
    present = cell_present(design, sizes)
    log_mean, full_log_mean = row_log_means(coefficients, design, sizes)
    share = jax.nn.sigmoid(log_mean - jnp.log(k))

    def full_score(log_mean: Array, count: Array) -> Array:
        return jax.grad(full_log_likelihood)(log_mean, count, design.full_below, k)

    def full_information(log_mean: Array, count: Array) -> Array:
        return -jax.grad(full_score)(log_mean, count)

    full = (full_log_mean, design.full_birds)
    score = (design.birds - (design.birds + k) * share, jnp.vectorize(full_score)(*full))
    bent = jnp.maximum(jnp.vectorize(full_information)(*full), 0.0)
    information = ((design.birds + k) * share * (1 - share), bent)
    width = PREDICTORS_AND_COVARIATES

    def contributions(
        day: Array, x: Array, cell: Array, log_ratio: Array, score: Array, information: Array
    ) -> Array:
        own, there = predictors[cell, None], present[cell, None]
        slopes = presence_slopes(day, own, there, log_ratio)
        slope = jnp.concatenate([slopes.slope, x], -1)
        square = jnp.einsum("nri,nrj->nij", information[..., None] * slope, slope)
        moved = jax.nn.sigmoid(slopes.ahead) - jax.nn.sigmoid(slopes.ahead - log_ratio)
        told = (jnp.abs(score) * moved**2)[..., None] * slopes.apart  # by traits
        of_traits = jnp.einsum("nri,nrj->nij", told, slopes.apart)
        parts = (
            jnp.einsum("nr,nri->ni", score, slope),
            square + jnp.pad(of_traits, [(0, 0)] + [(0, width - BOTH - 1)] * 2),
            -weighted_curvature(score, slopes) - of_traits,
        )
        return jnp.concatenate([part.reshape(len(cell), -1) for part in parts], -1)

    # a bird's traits add the log of its locals made as many times more, and take the plain log
    seen = design.bird_weight
    none = jnp.zeros_like(seen)
    without = jnp.zeros((*seen.shape, len(COVARIATES)))
    of_counts, of_full = jnp.zeros_like(design.day), jnp.zeros_like(design.full_day)
    weights = (design.weight, design.full_weight)
    rows = (
        (design.day, design.full_day, design.bird_day, design.bird_day),
        (design.covariates, design.full_covariates, without, without),
        (design.cell, design.full_cell, design.bird_cell, design.bird_cell),
        (of_counts, of_full, design.bird_log_ratio, none),
        (*(w * part for w, part in zip(weights, score, strict=True)), seen, -seen),
        (*(w * part for w, part in zip(weights, information, strict=True)), none, none),
    )
    sums = _sum_by_cell(contributions, tuple(map(jnp.concatenate, rows)), len(predictors))
    sums = sums.reshape(sizes.groups, sizes.sites, sizes.seasons, -1)
    scores, squares, bends = jnp.split(sums, [width, width + width * width], axis=-1)
    grid = sums.shape[:3]
    bend = bends.reshape(*grid, BOTH + 1, BOTH + 1)
    beyond = [(0, 0)] * 3 + [(0, width - BOTH - 1)] * 2
    return scores, squares.reshape(*grid, width, width), jnp.pad(bend, beyond)


def _sum_by_cell(contribution: Callable[..., Array], rows: tuple[Any, ...], cells: int) -> Array:
    number = len(rows[0])
    if number <= _BUNDLES_AT_ONCE:
        return jax.ops.segment_sum(contribution(*rows), rows[2], cells)
    chunks = -(-number // _BUNDLES_AT_ONCE)
    at_once = -(-number // chunks)
    extra = chunks * at_once - number
    pieces = tuple(
        jnp.pad(row, [(0, extra)] + [(0, 0)] * (row.ndim - 1)).reshape(
            chunks, at_once, *row.shape[1:]
        )
        for row in rows
    )

    def add(total: Array, piece: tuple[Array, ...]) -> tuple[Array, None]:
        return total.at[piece[2]].add(contribution(*piece)), None

    width = PREDICTORS_AND_COVARIATES
    sums = jnp.zeros((cells, width + width**2 + (BOTH + 1) ** 2))
    return jax.lax.scan(add, sums, pieces)[0]
