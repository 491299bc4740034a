"""Draws from a density by adaptive importance, where its Laplace approximation is skewed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

Array = npt.NDArray[np.float64]

_DEGREES = 7.0  # of the t distribution that proposes
_ROUNDS = 3


def draw_by_importance(
    log_density: Callable[[Array], Array],
    mode: Array,
    covariance: Array,
    *,
    count: int,
    points: int,
    rng: np.random.Generator,
) -> tuple[Array, float]:
    """Draw from a density, beginning at its mode and curvature.

    Points are proposed from a t distribution about the mode, then with the mean and covariance
    that the points so far have found; all are weighted against the mixture of all proposals, the
    weights cut off at √n times their mean, and resampled.

    Parameters
    ----------
    log_density : callable
        Of points (n, K), up to a constant.
    mode, covariance : array, (K,) and (K, K)
    count : int
        Draws wanted.
    points : int
        Points proposed in each of three rounds.
    rng : Generator

    Returns
    -------
    draws : array, (count, K)
    effective : float
        Number of independent draws that the weights are worth.

    Notes
    -----
    Not to be believed where `effective` is below a few dozen: too many coefficients, or a second
    mode that no proposal saw.

    References
    ----------
    Cornuet, J.-M., Marin, J.-M., Mira, A. & Robert, C. P. (2012), Scand. J. Stat. 39:798,
    doi:10.1111/j.1467-9469.2011.00756.x; Ionides, E. L. (2008), J. Comput. Graph. Stat. 17:295,
    doi:10.1198/106186008X320456, on cutting weights off.

    Examples
    --------
    The mean of an exponential variable's logarithm is minus Euler's constant, .577:

    >>> draws, effective = draw_by_importance(lambda x: (x - np.exp(x))[:, 0], np.zeros(1),
    ...     np.eye(1), count=4000, points=2000, rng=np.random.default_rng(1))
    >>> bool(abs(draws.mean() + 0.577) < 0.05), effective > 1000
    (True, True)
    """
    proposals: list[tuple[Array, Array]] = [(mode, _root(covariance))]
    tried, heights = np.empty((0, mode.size)), np.empty(0)
    for number in range(_ROUNDS):
        centre, root = proposals[-1]
        stretch = np.sqrt(_DEGREES / rng.chisquare(_DEGREES, (points, 1)))
        fresh = centre + (rng.standard_normal((points, mode.size)) * stretch) @ root.T
        tried = np.concatenate([tried, fresh])
        heights = np.concatenate([heights, log_density(fresh)])
        proposed = logsumexp([_log_t(tried, *proposal) for proposal in proposals], axis=0)
        weight = _cut_off(heights - proposed)
        effective = float(1 / (weight**2).sum())
        if number + 1 < _ROUNDS:
            trust = effective / (effective + 3 * mode.size)
            away = tried - weight @ tried
            spread = (weight[:, None] * away).T @ away
            mixed = (1 - trust) * covariance + trust * spread
            proposals.append(((1 - trust) * mode + trust * (weight @ tried), _root(mixed)))
    place = (rng.random() + np.arange(count)) / count
    chosen = np.searchsorted(np.cumsum(weight), place).clip(0, len(weight) - 1)
    return tried[rng.permutation(chosen)], effective


def _root(covariance: Array) -> Array:
    return np.asarray(np.linalg.cholesky(covariance), dtype=float)


def _log_t(at: Array, centre: Array, root: Array) -> Array:
    standard = np.linalg.solve(root, (at - centre).T)
    shape = -0.5 * (_DEGREES + centre.size)
    return np.asarray(
        shape * np.log1p((standard**2).sum(axis=0) / _DEGREES) - np.log(np.diag(root)).sum()
    )


def _cut_off(log_weight: Array) -> Array:
    finite = np.where(np.isfinite(log_weight), log_weight, -np.inf)
    weight = np.exp(finite - finite.max())
    kept = np.minimum(weight, weight.mean() * np.sqrt(weight.size))
    return np.asarray(kept / kept.sum())
