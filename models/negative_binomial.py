"""Regression of counts: Poisson and negative binomial, with the logarithm as link.

    count ~ negative binomial(mean μ, dispersion k),   variance μ + μ²/k,   log μ = Xβ + offset

The Poisson model is the limit k → ∞.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar
from scipy.special import gammaln

from phenology.models.refusal import Refused

Array = npt.NDArray[Any]
_STEPS = 100
_LOG_DISPERSION_RANGE = (-8.0, 12.0)


@dataclass(frozen=True)
class CountRegression:
    """A fitted regression of counts.

    Attributes
    ----------
    coefficients : array, shape (column,)
        Log change of the mean per unit of each column.
    covariance : array, shape (column, column)
        Inverse expected information of the coefficients, dispersion held.
    dispersion : float
        k; infinite for the Poisson model.
    log_likelihood : float
    deviance : float
        Twice the log-likelihood that a perfect fit would add, dispersion held.
    """

    coefficients: Array
    covariance: Array
    dispersion: float
    log_likelihood: float
    deviance: float


def log_probability(count: Array, mean: Array, dispersion: float) -> Array:
    """Log probability of counts.

    Parameters
    ----------
    count, mean : arrays of one shape
    dispersion : float
        k; infinite for the Poisson model.

    Examples
    --------
    >>> round(float(np.exp(log_probability(np.array(0.0), np.array(2.0), 1.0))), 6)
    0.333333
    """
    if np.isinf(dispersion):
        return np.asarray(_by_mean(count, mean) - gammaln(count + 1))
    k = dispersion
    return np.asarray(
        gammaln(count + k)
        - gammaln(k)
        - gammaln(count + 1)
        + _by_mean(count, mean)
        + mean
        - count * np.log(k)
        - (count + k) * np.log1p(mean / k)
    )


def _by_mean(count: Array, mean: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(count > 0, count * np.log(mean), 0.0) - mean


def regress_counts(
    count: Array, columns: Array, offset: Array | None = None, *, poisson: bool = False
) -> CountRegression:
    """Fit by maximum likelihood.

    Parameters
    ----------
    count : array, shape (row,)
    columns : array, shape (row, column)
        With a column of ones where an intercept is meant.
    offset : array, shape (row,), optional
        Added to the logarithm of the mean, such as log effort.
    poisson : bool
        Whether to leave out the dispersion.

    Raises
    ------
    Refused
        If the columns do not identify their coefficients.

    Notes
    -----
    Not to be believed where zeros have another cause than chance: a trap that was closed.

    References
    ----------
    Lawless, J. F. (1987). Negative binomial and mixed Poisson regression. Canadian Journal of
    Statistics 15, 209–225. doi:10.2307/3314912

    Examples
    --------
    >>> fit = regress_counts(np.array([2.0, 4.0, 3.0]), np.ones((3, 1)), poisson=True)
    >>> round(float(np.exp(fit.coefficients[0])), 6)
    3.0
    """
    count, columns = np.asarray(count, float), np.asarray(columns, float)
    offset = np.zeros(len(count)) if offset is None else np.asarray(offset, float)
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        raise Refused("the columns overlap: their effects on the counts cannot be told apart")
    start = np.linalg.lstsq(columns, np.log(count + 0.5) - offset, rcond=None)[0]

    def at(dispersion: float) -> tuple[Array, Array, float]:
        beta, information = _settle(count, columns, offset, dispersion, start)
        mean = np.exp(columns @ beta + offset)
        return beta, information, float(log_probability(count, mean, dispersion).sum())

    dispersion = np.inf
    if not poisson:
        best = minimize_scalar(
            lambda log_k: -at(float(np.exp(log_k)))[2],
            bounds=_LOG_DISPERSION_RANGE,
            method="bounded",
            options={"xatol": 1e-8},
        )
        dispersion = float(np.exp(best.x))
    beta, information, log_likelihood = at(dispersion)
    perfect = float(log_probability(count, count, dispersion).sum())
    covariance = np.linalg.inv(information)
    return CountRegression(
        beta, covariance, dispersion, log_likelihood, 2 * (perfect - log_likelihood)
    )


def _settle(
    count: Array, columns: Array, offset: Array, dispersion: float, start: Array
) -> tuple[Array, Array]:
    """Fisher scoring with halving; returns coefficients and expected information."""
    beta, value = start, -np.inf
    step = np.zeros_like(start)
    for _ in range(_STEPS):
        proposed = beta + step
        mean = np.exp(np.minimum(columns @ proposed + offset, 50.0))
        reached = float(log_probability(count, mean, dispersion).sum())
        if reached < value - 1e-12:
            step = step / 2
            continue
        beta, gained, value = proposed, reached - value, reached
        weight = mean / (1 + mean / dispersion)
        information = columns.T @ (weight[:, None] * columns)
        score = columns.T @ ((count - mean) / (1 + mean / dispersion))
        step = np.linalg.solve(information, score)
        if gained < 1e-11 and np.abs(step).max() < 1e-9:
            return beta, information
    raise Refused("the regression of counts did not settle: some effect has no bound")
