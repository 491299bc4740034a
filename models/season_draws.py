"""Draws from the nested Laplace approximation of the season model.

Hyperparameters are proposed, weighed by their marginal and resampled; at each of them coefficients
are drawn from the normal distribution about their mode, and those that the counts deny once more
(`season_denied`).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import scipy.stats
from scipy.special import logsumexp

from phenology.models.season_arrow import draws_about
from phenology.models.season_denied import excess_of, redraw_denied
from phenology.models.season_density import Coefficients
from phenology.models.season_design import Design
from phenology.models.season_laplace import (
    LaplaceFit,
    Settled,
    acting_hypers,
    settle,
    settle_nearby,
)
from phenology.models.season_predictors import Sizes

Array = Any  # JAX's inside our own calls, numpy's at their rim
_ROUNDS = 4  # of proposals of hyperparameters; twice as many while more than half is cut off
_MUCH_CUT = 0.5


class Draws(NamedTuple):
    """Draws of hyperparameters and coefficients, a draw a row.

    hyper : array, shape (draw, hyperparameter)
    coefficients : Coefficients
        (draw, shared) and (draw, site, season, local).
    cut : float
        Share of the points' weight that was cut off.
    denied : float
        Share of draws that the counts deny and for which no other was found.
    """

    hyper: npt.NDArray[Any]
    coefficients: Coefficients
    cut: float
    denied: float


def draw_laplace(
    fit: LaplaceFit, design: Design, sizes: Sizes, *, draws: int, points: int, seed: int
) -> Draws:
    """Draw hyperparameters, then coefficients about their mode there.

    Hyperparameters are proposed from a t distribution about the mode of their marginal, then with
    the mean and the covariance that the points so far have found, and resampled by truncated
    importance from all together.
    """
    rng = np.random.default_rng(seed)
    acting = acting_hypers(design)
    below, above = fit.hyper_sd[:, acting]

    def hypers_of(standard: Array) -> Array:
        hypers = np.tile(fit.hyper, (len(standard), 1))
        hypers[:, acting] += standard * np.where(standard > 0, above, below)
        return hypers

    proposals = [_Proposal(np.zeros(len(acting)), np.eye(len(acting)))]
    standard, heights = np.empty((0, len(acting))), np.empty(0)
    modes: list[Coefficients] = []
    for number in range(2 * _ROUNDS):
        tried = proposals[-1].draw(-(-points // _ROUNDS), rng)
        standard = np.concatenate([standard, tried])
        for at in hypers_of(tried):
            settled = settle_nearby(fit, fit.hyper, at, design, sizes)
            modes.append(settled.coefficients)
            heights = np.append(heights, float(settled.height))
        volume = np.log(np.where(standard > 0, above, below)).sum(1)
        log_weight = (
            heights + volume - logsumexp([one.log_density(standard) for one in proposals], axis=0)
        )
        weight, cut = _truncated(log_weight)
        if number + 1 >= _ROUNDS and cut < _MUCH_CUT:
            break
        proposals.append(proposals[0].narrowed(standard, weight))
    hypers = hypers_of(standard)
    offset = (rng.random() + np.arange(draws)) / draws
    point = np.searchsorted(np.cumsum(weight), offset).clip(0, len(weight) - 1)
    shared = np.empty((draws, sizes.shared))
    local = np.empty((draws, sizes.sites, sizes.seasons, sizes.local))
    excess = np.empty(draws)

    def cloud_at(one: int) -> tuple[Settled, Array]:
        hyper = jnp.asarray(hypers[one])
        return settle(modes[one], hyper, design, sizes), hyper

    for one in np.unique(point):
        taken = np.flatnonzero(point == one)
        cloud, hyper = cloud_at(one)
        told = draws_about(cloud.coefficients, cloud.factor, sizes, rng, len(taken))
        shared[taken], local[taken] = told
        excess[taken] = excess_of(told, cloud, hyper, design, sizes)
    drawn = Coefficients(shared, local)
    denied = redraw_denied(drawn, excess, point, cloud_at, design, sizes, seed=seed)
    order = rng.permutation(draws)
    return Draws(hypers[point[order]], Coefficients(shared[order], local[order]), cut, denied)


def _truncated(log_weight: Array) -> tuple[Array, float]:
    """Weights of importance, none above √n times their mean, and the share that this cut off.

    Ionides, E. L. (2008). Truncated importance sampling. Journal of Computational and Graphical
    Statistics 17, 295–311. doi:10.1198/106186008X320456
    """
    weight = np.exp(log_weight - np.nanmax(log_weight))
    weight = np.where(np.isfinite(weight), weight, 0.0)
    kept = np.minimum(weight, weight.mean() * np.sqrt(len(weight)))
    return kept / kept.sum(), float(1 - kept.sum() / weight.sum())


class _Proposal:
    """A t distribution from which hyperparameters are proposed."""

    degrees = 7.0

    def __init__(self, mean: Array, covariance: Array) -> None:
        self.mean, self.covariance = mean, covariance
        self.factor = np.linalg.cholesky(covariance)

    def draw(self, number: int, rng: np.random.Generator) -> Array:
        dims = len(self.mean)
        uniform = scipy.stats.qmc.Halton(dims + 1, rng=rng).random(number)
        stretch = np.sqrt(self.degrees / scipy.stats.chi2.ppf(uniform[:, -1], self.degrees))
        standard = scipy.stats.norm.ppf(uniform[:, :-1]) * stretch[:, None]
        return self.mean + standard @ self.factor.T

    def log_density(self, at: Array) -> Array:
        standard = np.linalg.solve(self.factor, (at - self.mean).T)
        shape = -0.5 * (self.degrees + len(self.mean))
        height = shape * np.log1p((standard**2).sum(0) / self.degrees)
        return height - np.log(np.diag(self.factor)).sum()

    def narrowed(self, at: Array, weight: Array) -> _Proposal:
        """Moved to the weighted points, as far as there are points enough to tell."""
        effective = 1 / (weight**2).sum()
        trust = effective / (effective + len(self.mean))
        mean = self.mean + trust * (weight @ at - self.mean)
        spread = (weight[:, None] * (at - mean)).T @ (at - mean)
        return _Proposal(mean, (1 - trust) * self.covariance + trust * spread)
