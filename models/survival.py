"""Yearly apparent survival and recapture from marked birds.

Of R_i birds released on occasion i, m_ij are first caught again on occasion j, with chance

    f_i φ_{i+1} … φ_{j−1} (1 − p_{i+1}) … (1 − p_{j−1}) p_j,        f_i = φ_i,

the rest never. Survival φ of an interval and recapture p of an occasion are logistic in a design
matrix each. Newly marked birds may have a first interval f_i of their own: passage birds among
them never come back, and would drag survival down. Survival is apparent: deaths and leavers
together.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit
from scipy.stats import norm

from phenology.models.laplace import find_mode, jax_derivatives
from phenology.models.recaptures import RecaptureTable
from phenology.models.refusal import Refused
from phenology.quantities import INTERVAL

Array = npt.NDArray[np.float64]

FEWEST_RECAUGHT = 10  # birds seen in a later season, below which nothing is told
_CONFOUNDED = 1e-6  # scaled eigenvalue below which a direction is flat
_FLAT_SHARE = 1e-3  # squared weight in a flat direction at which a coefficient is not identified


class SurvivalFit(NamedTuple):
    """Estimates of a survival model.

    Attributes
    ----------
    survival, recapture : DataFrame
        One row an interval, or occasion from the second: estimate, se, low, high; missing where
        the data leave the value free.
    coefficients, covariance : ndarray, (K,), (K, K)
        On the logit scale, survival first, then the excess of the first interval of newly marked
        birds where asked for, then recapture.
    minus_two_log_likelihood : float
    last_product : tuple of three floats
        Survival × recapture of the last interval, with low and high: identified even where its
        factors are not.
    confounded : tuple of str
        What the data leave free, in words.
    """

    survival: pd.DataFrame
    recapture: pd.DataFrame
    coefficients: Array
    covariance: Array
    minus_two_log_likelihood: float
    last_product: tuple[float, float, float]
    confounded: tuple[str, ...]


def fit_survival(
    table: RecaptureTable,
    survival: str | Array = "constant",
    recapture: str | Array = "constant",
    *,
    sampled: npt.ArrayLike | None = None,
    transients: bool = False,
    interval: float = INTERVAL,
) -> SurvivalFit:
    """Fit survival and recapture by maximum likelihood.

    Parameters
    ----------
    table : RecaptureTable
    survival, recapture : {"constant", "by year"} or ndarray, (T − 1, K)
        How each varies over intervals, and over occasions from the second; a design matrix may
        hold anything known, such as log effort or a flood year.
    sampled : array-like of bool, (T − 1,), optional
        Whether there was any sampling on each occasion from the second; p is 0 where not.
    transients : bool
        Whether newly marked birds have a first interval of their own.
    interval : float
        Coverage of low and high, from normal errors of the logits.

    Raises
    ------
    Refused
        With fewer than ten birds caught again, or no mode.

    Notes
    -----
    Not to be believed where few birds return: intervals from the curvature are then too narrow.
    With both by year the last survival and recapture are one product and neither is told.

    References
    ----------
    Lebreton, J.-D. et al. (1992), Ecol. Monogr. 62:67, doi:10.2307/2937171.

    Examples
    --------
    >>> from phenology.models.recaptures import recapture_table
    >>> from phenology.models.survival_simulated import simulate_recaptures
    >>> birds, truth = simulate_recaptures(np.random.default_rng(1), marked_per_year=60)
    >>> fit = fit_survival(recapture_table(birds))
    >>> row = fit.survival.iloc[0]
    >>> bool(row["low"] < truth.survival < row["high"])
    True
    """
    recaught = int(table.recaught.sum())
    if recaught < FEWEST_RECAUGHT:
        raise Refused(
            f"{recaught} birds were caught again in a later season; survival needs at least "
            f"{FEWEST_RECAUGHT}"
        )
    intervals = table.released.shape[1]
    phi_design = _design(survival, intervals)
    p_design = _design(recapture, intervals)
    open_seasons = np.ones(intervals) if sampled is None else np.asarray(sampled, dtype=float)
    sizes = (phi_design.shape[1], int(transients), p_design.shape[1])
    start = np.zeros(sum(sizes))
    data = _Data(
        table.released.astype(float),
        table.recaught.astype(float),
        phi_design,
        np.array([float(transients), 0.0]),
        p_design,
        open_seasons,
    )
    derivatives = jax_derivatives(_derivatives, data)
    value, mode, hessian = find_mode(derivatives, start, np.zeros(0))
    covariance, free = _covariance(hessian)
    after = sizes[0] + sizes[1]
    at = slice(None, sizes[0]), slice(after, None)
    bound = float(norm.ppf(0.5 + interval / 2))
    tables = [
        _logistic_table(design, mode[where], covariance[where, where], free[where], bound)
        for design, where in zip((phi_design, p_design), at, strict=True)
    ]
    tables[1].loc[open_seasons == 0, :] = np.nan
    names = ("survival of interval", "recapture of occasion")
    confounded = tuple(
        f"{name} {place + 1 + shift}"
        for shift, (name, found) in enumerate(zip(names, tables, strict=True))
        for place in np.flatnonzero(found["estimate"].isna() & (open_seasons > 0))
    )
    last = _last_product((phi_design[-1], p_design[-1]), mode, hessian, bound)
    return SurvivalFit(tables[0], tables[1], mode, covariance, 2 * value, last, confounded)


def _design(how: str | Array, intervals: int) -> Array:
    if isinstance(how, str):
        if how not in {"constant", "by year"}:
            raise ValueError(
                f"survival and recapture are 'constant', 'by year' or a matrix, not {how!r}"
            )
        return np.ones((intervals, 1)) if how == "constant" else np.eye(intervals)
    design = np.asarray(how, dtype=float)
    if design.shape[0] != intervals:
        raise ValueError(f"a design matrix needs {intervals} rows, not {design.shape[0]}")
    return design


class _Data(NamedTuple):
    released: Any  # (2, T − 1)
    recaught: Any  # (2, T − 1, T − 1)
    survival: Any  # (T − 1, K)
    first: Any  # (2,): 1 for classes whose first interval is their own
    recapture: Any  # (T − 1, K)
    sampled: Any  # (T − 1,)


def _negative_log_likelihood(theta: Any, data: _Data) -> Any:
    phi_design, p_design, sampled = data.survival, data.recapture, data.sampled
    count, added = phi_design.shape[1], theta.shape[0] - phi_design.shape[1] - p_design.shape[1]
    logit_phi = phi_design @ theta[:count]
    excess = theta[count] if added else 0.0
    log_first = jax.nn.log_sigmoid(logit_phi + data.first[:, None] * excess)  # (2, T − 1)
    log_phi = jax.nn.log_sigmoid(logit_phi)
    logit_p = p_design @ theta[count + added :]
    log_p = jax.nn.log_sigmoid(logit_p)
    log_missed = jnp.where(sampled > 0, jax.nn.log_sigmoid(-logit_p), 0.0)
    # cumulative sums up to, not including, each interval
    alive = jnp.concatenate([jnp.zeros(1), jnp.cumsum(log_phi)])
    missed = jnp.concatenate([jnp.zeros(1), jnp.cumsum(log_missed)])
    size = log_p.shape[0]
    i, j = jnp.arange(size)[:, None], jnp.arange(size)
    path = alive[j + 1] - alive[i + 1] + missed[j] - missed[i] + log_p[j]
    possible = (j >= i) & (sampled[j] > 0)
    log_cell = jnp.where(possible, log_first[:, :, None] + path, 0.0)
    caught = jnp.where(possible, jnp.exp(log_cell), 0.0).sum(-1)
    never = data.released - data.recaught.sum(-1)
    return -(data.recaught * log_cell).sum() - (never * jnp.log1p(-caught)).sum()


@jax.jit
def _derivatives(theta: Any, phi: Any, data: _Data) -> Any:  # noqa: ARG001 -- no scales outside
    value, gradient = jax.value_and_grad(_negative_log_likelihood)(theta, data)
    return value, gradient, jax.hessian(_negative_log_likelihood)(theta, data)


def _covariance(hessian: Array) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Covariance over the identified directions, and which coefficients lie in free ones."""
    diagonal = np.sqrt(np.clip(np.diag(hessian), 1e-12, None))
    values, vectors = np.linalg.eigh(hessian / np.outer(diagonal, diagonal))
    flat = values < _CONFOUNDED
    inverse = (vectors[:, ~flat] / values[~flat]) @ vectors[:, ~flat].T
    free = (vectors[:, flat] ** 2).sum(axis=1) > _FLAT_SHARE
    return np.asarray(inverse / np.outer(diagonal, diagonal)), free


def _logistic_table(
    design: Array, mode: Array, covariance: Array, free: npt.NDArray[np.bool_], bound: float
) -> pd.DataFrame:
    logit = design @ mode
    se = np.sqrt(np.einsum("ij,jk,ik->i", design, covariance, design))
    estimate = expit(logit)
    table = pd.DataFrame(
        {
            "estimate": estimate,
            "se": se * estimate * (1 - estimate),
            "low": expit(logit - bound * se),
            "high": expit(logit + bound * se),
        }
    )
    table.loc[(np.abs(design) > 0) @ free.astype(int) > 0, :] = np.nan
    return table


def _last_product(
    rows: tuple[Array, Array], mode: Array, hessian: Array, bound: float
) -> tuple[float, float, float]:
    """Survival × recapture of the last interval; its gradient lies in identified directions."""
    phi_row, p_row = rows
    count, after = phi_row.size, mode.size - p_row.size
    phi, p = float(expit(phi_row @ mode[:count])), float(expit(p_row @ mode[after:]))
    gradient = np.zeros(mode.size)  # of log(φ p)
    gradient[:count] = (1 - phi) * phi_row
    gradient[after:] = (1 - p) * p_row
    spread = float(np.sqrt(gradient @ np.linalg.pinv(hessian, rcond=1e-9) @ gradient))
    logit, se = np.log(phi * p / (1 - phi * p)), spread / (1 - phi * p)
    low, high = (float(expit(logit + side * bound * se)) for side in (-1, 1))
    return phi * p, low, high
