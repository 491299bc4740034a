"""Logit mixed model of shares, by nested Laplace: yes or no a bird, crossed random effects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.linalg import solve_triangular
from scipy.special import expit

from phenology.models.laplace import Derivatives, find_mode, fit_laplace
from phenology.models.mixed_arrowhead import Array
from phenology.models.mixed_effects import Prior

_START_SD = 0.4


@dataclass(frozen=True)
class ShareDraws:
    """Posterior draws: coefficients (draw, P), standard deviations (draw, K)."""

    coefficients: Array
    sds: Array


def draw_share_posterior(
    outcomes: Array,
    columns: Array,
    counts: tuple[int, ...],
    *,
    prior: Prior,
    rng: np.random.Generator,
) -> ShareDraws:
    r"""One posterior draw for every imputation of a yes-or-no outcome.

    .. math:: \operatorname{logit} P(y_i = 1) = x_i b + \sum_k u_{k, level(i)},\quad
              u_k \sim N(0, \tau_k^2)

    The log standard deviations are fitted to the mean of the imputations and drawn from their
    normal approximation; each imputation's coefficients then come from the normal
    approximation at their own mode. An empirical logit is no substitute here: most cells hold
    one to five birds, where it is biased towards one half.

    Parameters
    ----------
    outcomes : ndarray, (D, n)
        0 or 1.
    columns : ndarray, (n, P)
        The design, then one column a level of each random effect (`full_columns`).
    counts : tuple of int
        Levels of each random effect.
    prior : Prior
        Proper normal priors on all coefficients of the design; `sd_scale` on the logit scale.
    rng : Generator

    Returns
    -------
    ShareDraws
        Draw d belongs to imputation d.

    Raises
    ------
    Refused
        If no mode is found.

    Notes
    -----
    Not to be believed with fewer than some ten birds of either answer, or where birds of one day
    answer alike for a reason that is no driver (a family in one net): days are not an effect.

    References
    ----------
    Breslow, N. E. & Clayton, D. G. (1993), J. Am. Stat. Assoc. 88:9,
    doi:10.1080/01621459.1993.10594284.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> yes = (rng.random((50, 200)) < 0.7).astype(float)
    >>> prior = Prior(np.zeros(1), np.array([5.0]), 1.0)
    >>> drawn = draw_share_posterior(yes, np.ones((200, 1)), (), prior=prior, rng=rng)
    >>> bool(abs(drawn.coefficients.mean() - np.log(0.7 / 0.3)) < 0.1)
    True
    """
    rows = _Rows(columns)
    start = np.zeros(columns.shape[1])
    log_sds = np.full(len(counts), np.log(_START_SD))
    reference = fit_laplace(
        _derivatives(rows, outcomes.mean(axis=0), counts, prior), start, log_sds
    )
    coefficients, drawn_log_sds = reference.draws(len(outcomes), rng)
    if (outcomes == outcomes[0]).all():
        return ShareDraws(coefficients, np.exp(drawn_log_sds))
    for number, (yes, log_sds) in enumerate(zip(outcomes, drawn_log_sds, strict=True)):
        own = _derivatives(rows, yes, counts, prior)
        near = reference.theta + reference.theta_slope @ (log_sds - reference.phi)
        _, mode, hessian = find_mode(own, near, log_sds)
        noise = rng.standard_normal(mode.size)
        root = np.linalg.cholesky(hessian).T
        coefficients[number] = mode + solve_triangular(root, noise, lower=False)
    return ShareDraws(coefficients, np.exp(drawn_log_sds))


class _Rows:
    """Columns X of which few are not zero in a row, and XᵀWX for many sets of weights W.

    Products of two entries of a row are made once; each set of weights then sums them by place.
    """

    def __init__(self, columns: Array) -> None:
        self.columns = sparse.csr_array(columns)
        self.columns.sort_indices()
        data, column, ends = self.columns.data, self.columns.indices, self.columns.indptr
        entry = np.arange(data.size)
        row = np.repeat(np.arange(len(columns)), np.diff(ends))
        partners = ends[1:][row] - entry  # of an entry: itself and those to its right
        first = np.repeat(entry, partners)
        second = first + np.arange(first.size) - np.repeat(np.cumsum(partners) - partners, partners)
        width = columns.shape[1]
        place = column[first] * np.int64(width) + column[second]
        self._place, of_place = np.unique(place, return_inverse=True)
        self._products = sparse.csr_array(
            (data[first] * data[second], (of_place, row[first])),
            shape=(self._place.size, len(columns)),
        )
        self._shape = (width, width)

    def weighted_products(self, weight: Array) -> Array:
        """XᵀWX, shape (P, P)."""
        above = np.zeros(self._shape)
        above.flat[self._place] = self._products @ weight
        return np.asarray(above + np.triu(above, 1).T)


def _derivatives(rows: _Rows, yes: Array, counts: tuple[int, ...], prior: Prior) -> Derivatives:
    """Negative log density, its gradient and Hessian in the coefficients."""
    columns = rows.columns
    mean = np.concatenate([prior.coefficient_mean, np.zeros(sum(counts))])

    def derivatives(theta: Array, log_sds: Array) -> tuple[float, Array, Array]:
        precision = np.concatenate(
            [prior.coefficient_sd**-2.0, np.repeat(np.exp(-2 * log_sds), counts)]
        )
        logit = columns @ theta
        share = expit(logit)
        away = theta - mean
        value = float(
            (np.logaddexp(0, logit) - yes * logit).sum()
            + 0.5 * (precision * away**2 - np.log(precision)).sum()
            + (0.5 * (np.exp(log_sds) / prior.sd_scale) ** 2 - log_sds).sum()
        )
        hessian = rows.weighted_products(share * (1 - share)) + np.diag(precision)
        return value, columns.T @ (share - yes) + precision * away, hessian

    return derivatives
