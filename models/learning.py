"""Shares of learning: what an answer owes to its own site-year, to others, to the prior.

    own      = 1 − V(all data) / V(without this site-year's data)
    prior    = V(all data) / V(no data)
    borrowed = 1 − own − prior

V is the variance of the answer under the normal approximation at the fit, hyperparameters held.
Taking a site-year's data away removes its term from the information, so that no refit is needed:
of the coefficients that it touches, with covariance G given all data and its term M,

    precision without = G⁻¹ − M

The three are never negative and sum to 1.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve, solve_triangular

Array = npt.NDArray[Any]


class SiteYears(NamedTuple):
    """Factored information in which site-years are independent given shared coefficients.

    own : (site, season, local, local), lower Cholesky factor of a site-year's own block
    border : (site, season, local, touched), own⁻¹ times the block's border
    shared : (shared, shared), lower Cholesky factor of the Schur complement
    information : (site, season, touched, touched), a site-year's term in the Schur complement
    touched : (site, season, touched), positions of the touched coefficients
    own_sd : (local,), prior standard deviations of a site-year's own coefficients
    shared_sd : (shared,), prior standard deviations of the shared coefficients
    """

    own: Array
    border: Array
    shared: Array
    information: Array
    touched: Array
    own_sd: Array
    shared_sd: Array


def learning_shares(fit: SiteYears, slopes: Array, chosen: Array) -> Array:
    """Own, borrowed and prior share of each answer about a site-year.

    Parameters
    ----------
    fit : SiteYears
    slopes : array, shape (site, season, answer, local + touched)
        Derivatives of each answer in the site-year's own, then its touched coefficients.
    chosen : array of bool, shape (site, season)
        Site-years asked for.

    Returns
    -------
    array, shape (site, season, answer, 3)
        Missing where not asked for or where nothing moves the answer.
    """
    local = fit.own.shape[-1]
    result = np.full((*slopes.shape[:3], 3), np.nan)
    covariance = cho_solve((fit.shared, True), np.eye(len(fit.shared)))
    for site, season in np.argwhere(chosen):
        here = slopes[site, season]
        own_slope, shared_slope = here[:, :local], here[:, local:]
        index = fit.touched[site, season]
        there = covariance[np.ix_(index, index)]
        reach = solve_triangular(fit.own[site, season], own_slope.T, lower=True)
        given_own = shared_slope - reach.T @ fit.border[site, season]
        everything = (reach**2).sum(0) + _quadratic(there, given_own)
        prior_sd = fit.shared_sd[index]
        without = _without(there, fit.information[site, season], prior_sd)
        own_prior = (own_slope**2 * fit.own_sd**2).sum(1)
        left = own_prior + _quadratic(without, shared_slope)
        nothing = own_prior + (shared_slope**2 * prior_sd**2).sum(1)
        with np.errstate(invalid="ignore", divide="ignore"):
            own = np.clip(1 - everything / left, 0, 1)
            prior = np.clip(everything / nothing, 0, 1 - own)
        result[site, season] = np.stack([own, 1 - own - prior, prior], -1)
    return result


def borrowed_only(shares: Array) -> Array:
    """Shares of answers that their own site-year can only tell by way of others.

    Parameters
    ----------
    shares : array, shape (..., 3)
        Own, borrowed, prior.

    Examples
    --------
    >>> borrowed_only(np.array([0.5, 0.25, 0.25])).tolist()
    [0.0, 0.75, 0.25]
    """
    own, borrowed, prior = np.moveaxis(shares, -1, 0)
    return np.stack([0.0 * own, own + borrowed, prior], -1)


def _without(covariance: Array, information: Array, prior_sd: Array) -> Array:
    """Covariance of touched coefficients once a site-year's own information is taken away.

    Other site-years may bend the wrong way at a fit that this one held in place. Their data
    still teach nothing worse than nothing, so no direction is left with less than its prior.
    """
    scale = np.outer(prior_sd, prior_sd)
    precision = (np.linalg.inv(covariance) - information) * scale
    values, vectors = np.linalg.eigh((precision + precision.T) / 2)
    if values.min() <= 0:
        values = np.maximum(values, 1.0)
    left: Array = (vectors / values) @ vectors.T * scale
    return left


def _quadratic(covariance: Array, vectors: Array) -> Array:
    """vᵀ C v for each row v."""
    values: Array = ((vectors @ covariance) * vectors).sum(1)
    return values
