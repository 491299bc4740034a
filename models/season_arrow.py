"""Linear algebra of the season model: each site-year's own coefficients are eliminated first.

The information matrix has the shape of an arrow: site-years are independent given the shared
coefficients. With B a site-year's own block and C its border,

    H = [B  C; Cᵀ  D],   Schur complement  D − Σ Cᵀ B⁻¹ C.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import scipy.linalg
from jax.scipy.linalg import solve_triangular

from phenology.models.season_density import Coefficients, cell_information, prior_sds
from phenology.models.season_design import Design
from phenology.models.season_predictors import (
    PREDICTORS_AND_COVARIATES,
    SHIFTED,
    Sizes,
    touched,
    touched_kinds,
)

Array = Any  # JAX's inside our own calls, numpy's at their rim

_BENT = (1.0, 0.5, 0.2, 0.0)  # shares of the curves' own curvature that are tried


class Factor(NamedTuple):
    """Cholesky factors of the information matrix.

    own : (site, season, local, local), lower factor of B
    border : (site, season, local, touched), own⁻¹ C
    shared : (shared, shared), lower factor of the Schur complement
    information : (group, site, season, predictor, predictor), what each cell's counts tell
    """

    own: Array
    border: Array
    shared: Array
    information: Array


def empty_factor(sizes: Sizes) -> Factor:
    """Zeros in the shapes of a factor."""
    grid, b = (sizes.sites, sizes.seasons), sizes.local
    reach = touched(sizes)[0].shape[-1]
    return Factor(
        jnp.zeros((*grid, b, b)),
        jnp.zeros((*grid, b, reach)),
        jnp.zeros((sizes.shared, sizes.shared)),
        jnp.zeros((sizes.groups, *grid, *2 * (PREDICTORS_AND_COVARIATES,))),
    )


def column_weights(design: Design, sizes: Sizes) -> Array:
    """1 for a touched coefficient, the driver's value where a driver scales it."""
    kinds = touched_kinds(sizes)
    grid = (sizes.sites, sizes.seasons)
    before = jnp.ones((*grid, kinds.season + kinds.fixed - kinds.driven))
    driven = jnp.repeat(jnp.asarray(design.drivers), len(SHIFTED), axis=-1)
    return jnp.concatenate([before, driven, jnp.ones((*grid, kinds.site))], -1)


def assemble(
    coefficients: Coefficients, hyper: Array, design: Design, sizes: Sizes
) -> tuple[Coefficients, Factor]:
    """Gradient of the log density and the factored information, prior included.

    The information is the negative Hessian where that is positive definite, as at a mode;
    elsewhere its Gauss–Newton part and as much of the rest as leaves it definite, told for each
    site-year: one that bends the wrong way leaves the others as they are, unless it is only all
    together that are not definite.
    """
    score, information, bend = cell_information(coefficients, hyper, design, sizes)
    sd = prior_sds(hyper, design)
    blank = jax.tree.map(lambda x: jnp.full(x.shape, jnp.nan), empty_factor(sizes))

    grid = (sizes.sites, sizes.seasons)

    def indefinite(state: tuple[Array, Array, Factor]) -> Array:
        number, _, factor = state
        finite = jnp.isfinite(factor.shared).all() & jnp.isfinite(factor.own).all()
        return ~finite & (number < 2 * len(_BENT))

    def next_factor(state: tuple[Array, Array, Factor]) -> tuple[Array, Array, Factor]:
        number, place, _ = state
        tried = information + jnp.array(_BENT)[place][..., None, None] * bend
        factor = _factor(tried, sd, design, sizes)
        failed = ~jnp.isfinite(factor.own).all((-2, -1))
        failed = jnp.where(failed.any(), failed, True)  # only together: all are bent less
        return number + 1, jnp.minimum(place + failed, len(_BENT) - 1), factor

    nothing = (jnp.array(0), jnp.zeros(grid, int), blank)
    _, _, factor = jax.lax.while_loop(indefinite, next_factor, nothing)
    index, acts = touched(sizes)
    gradient = _by_column(score, acts, square=False) * _weights(design, sizes)
    shared = -(coefficients.shared - design.prior_mean) / sd.shared**2
    own = -coefficients.local / sd.local**2
    b = sizes.local
    total = Coefficients(shared.at[index].add(gradient[..., b:]), own + gradient[..., :b])
    return total, factor


def _by_column(by_predictor: Array, acts: np.ndarray, *, square: bool) -> Array:
    """What every coefficient of a site-year takes from the predictors of the groups it acts on.

    A coefficient acts on one group or alike on all: each entry is then one group's or the sum of
    all groups', found in a single step.

    Parameters
    ----------
    by_predictor : array, shape (group, site, season, predictor[, predictor])
    acts : array of int, shape (group, coefficient)
        From `touched`.
    square : bool
    """
    groups, *grid = by_predictor.shape[:3]
    width = by_predictor.shape[-1]
    zero, every = groups + 1, groups
    flat = by_predictor.reshape(groups, *grid, -1)
    table = jnp.concatenate([flat, flat.sum(0, keepdims=True), jnp.zeros_like(flat[:1])])
    table = jnp.moveaxis(table, 0, -2).reshape(*grid, -1)
    of_all: Array = (acts >= 0).all(0)
    group = np.where(of_all, every, (acts >= 0).argmax(0))
    predictor = acts.max(0)
    if square:
        both = np.where(of_all[:, None], group, group[:, None])  # the one that is less shared
        apart = ~of_all[:, None] & ~of_all & (group[:, None] != group)
        group = np.where(apart, zero, both)
        predictor = predictor[:, None] * width + predictor
    return table[..., group * flat.shape[-1] + predictor]


def _weights(design: Design, sizes: Sizes) -> Array:
    weights = column_weights(design, sizes)
    return jnp.concatenate([jnp.ones((*weights.shape[:2], sizes.local)), weights], -1)


def _factor(information: Array, sd: Coefficients, design: Design, sizes: Sizes) -> Factor:
    block = _site_year_block(information, design, sizes)
    b = sizes.local
    own = jnp.linalg.cholesky(block[..., :b, :b] + jnp.diag(sd.local**-2))
    border = solve_triangular(own, block[..., :b, b:], lower=True)
    half = _half_schur(block[..., b:, b:], border, sizes)
    shared = jnp.linalg.cholesky(jnp.diag(sd.shared**-2) + half + half.T)
    return Factor(own, border, shared, information)


def _half_schur(block: Array, border: Array, sizes: Sizes) -> Array:
    """What the counts add to the Schur complement, less the transpose of this.

    What site-years share is summed before it is put in place: that is slow.
    """
    index, _ = touched(sizes)
    kinds = touched_kinds(sizes)
    ends = np.cumsum([0, kinds.season, kinds.fixed, kinds.site])
    season, fixed, site = (slice(*ends[at : at + 2]) for at in range(3))
    half = jnp.zeros((sizes.shared, sizes.shared))
    for rows, columns, summed in (
        (fixed, fixed, "sy"),
        (site, slice(fixed.start, site.stop), "y"),
        (season, slice(season.start, fixed.stop), "s"),
        (season, site, ""),
    ):
        kept = [axis not in summed for axis in "sy"]
        axes = tuple(axis for axis, one in enumerate(kept) if not one)
        out = "".join(axis for axis in "sy" if axis not in summed)
        added = block[..., rows, columns].sum(axes)
        added -= jnp.einsum(f"sybt,sybu->{out}tu", border[..., rows], border[..., columns])
        there = index[tuple(slice(None) if one else 0 for one in kept)]
        numbers = np.arange(ends[-1])
        share = np.where(np.isin(numbers[columns], numbers[rows]), 0.5, 1.0)
        half = half.at[there[..., rows, None], there[..., None, columns]].add(added * share)
    return half


def _site_year_block(information: Array, design: Design, sizes: Sizes) -> Array:
    """Information of a site-year's counts in its own coefficients and those that it touches."""
    _, acts = touched(sizes)
    weights = _weights(design, sizes)
    block = _by_column(information, acts, square=True)
    return block * weights[..., :, None] * weights[..., None, :]


@partial(jax.jit, static_argnames="sizes")
def site_year_information(factor: Factor, design: Design, sizes: Sizes) -> Array:
    """What a site-year's counts add to the Schur complement; (site, season, touched, touched)."""
    block = _site_year_block(factor.information, design, sizes)[..., sizes.local :, sizes.local :]
    return block - jnp.einsum("sybt,sybu->sytu", factor.border, factor.border)


def _spread(factor: Factor, index: Array, shared: Array, own: Array) -> Array:
    """own⁻ᵀ (own part − border · shared part)."""
    rest = own - jnp.einsum("sybt,syt->syb", factor.border, shared[index])
    return solve_triangular(factor.own, rest[..., None], lower=True, trans=1)[..., 0]


def solve(factor: Factor, gradient: Coefficients, sizes: Sizes) -> Coefficients:
    """H⁻¹ times a vector."""
    index, _ = touched(sizes)
    own = solve_triangular(factor.own, gradient.local[..., None], lower=True)[..., 0]
    rest = gradient.shared.at[index].add(-jnp.einsum("sybt,syb->syt", factor.border, own))
    shared = jax.scipy.linalg.cho_solve((factor.shared, True), rest)
    return Coefficients(shared, _spread(factor, index, shared, own))


def spread(factor: Factor, noise: Coefficients, sizes: Sizes) -> Coefficients:
    """Turn standard normal noise into noise with covariance H⁻¹."""
    index, _ = touched(sizes)
    shared = solve_triangular(factor.shared, noise.shared, lower=True, trans=1)
    return Coefficients(shared, _spread(factor, index, shared, noise.local))


def straighten(factor: Factor, off: Coefficients, sizes: Sizes) -> Coefficients:
    """The noise that `spread` turns into these."""
    index, _ = touched(sizes)
    own = jnp.einsum("sybc,syb->syc", factor.own, off.local)
    border = jnp.einsum("sybt,syt->syb", factor.border, off.shared[index])
    return Coefficients(factor.shared.T @ off.shared, own + border)


def log_determinant(factor: Factor) -> Array:
    """Log determinant of H."""
    own = jnp.log(jnp.diagonal(factor.own, axis1=-2, axis2=-1)).sum()
    return 2 * (own + jnp.log(jnp.diagonal(factor.shared)).sum())


def draws_about(
    centre: Coefficients, factor: Factor, sizes: Sizes, rng: np.random.Generator, number: int
) -> Coefficients:
    """Draws from the normal distribution with covariance H⁻¹ about a centre (numpy arrays)."""
    index, _ = touched(sizes)
    noise = rng.standard_normal((sizes.shared, number))
    shared = scipy.linalg.solve_triangular(np.asarray(factor.shared), noise, lower=True, trans=1).T
    own = rng.standard_normal((number, *np.shape(centre.local)))
    own -= np.einsum("sybt,nsyt->nsyb", factor.border, shared[:, index], optimize=True)
    transposed = np.swapaxes(np.asarray(factor.own), -1, -2)
    local = np.linalg.solve(transposed, np.moveaxis(own, 0, -1))
    return Coefficients(
        np.asarray(centre.shared) + shared, np.asarray(centre.local) + np.moveaxis(local, -1, 0)
    )


def marginal_variances(factor: Factor, sizes: Sizes) -> Coefficients:
    """Diagonal of H⁻¹ (numpy arrays)."""
    index, _ = touched(sizes)
    inverse = scipy.linalg.cho_solve((np.asarray(factor.shared), True), np.eye(sizes.shared))
    own = np.linalg.inv(np.asarray(factor.own))
    reach = np.swapaxes(own, -1, -2) @ np.asarray(factor.border)
    there = inverse[index[..., :, None], index[..., None, :]]
    return Coefficients(np.diagonal(inverse), (own**2).sum(-2) + ((reach @ there) * reach).sum(-1))
