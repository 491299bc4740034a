"""Nested Laplace approximation: modes inside, a few scale parameters outside.

The joint density of coefficients θ and scale parameters φ is maximised over θ for given φ by a
damped Newton method; φ itself follows the marginal

    log p(φ | y) ≈ log p(y, θ̂(φ), φ) − ½ log det H(φ) + constant,      H = −∂²/∂θ² log p,

so that scales (scatter, pooling) are not pulled to zero as they are at the joint mode.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve, solve_triangular

from phenology.models.refusal import Refused

Array = npt.NDArray[np.float64]
Derivatives = Callable[[Array, Array], tuple[float, Array, Array]]

_STEP = 1e-3  # of finite differences in φ, whose parameters are logarithms or logits
_NEWTON_STEPS = 100
_DECREMENT = 1e-8  # half of gᵀH⁻¹g [log units] at which the mode counts as found
_OUTER_DECREMENT = 1e-4  # the same for φ: a seventieth of its spread
_FLAT = 1e-7  # eigenvalue of the scaled Hessian below which a direction is not identified


@dataclass(frozen=True)
class LaplaceFit:
    """Mode and curvature of a nested Laplace approximation.

    Attributes
    ----------
    theta : ndarray, (K,)
        Coefficients at the mode, given `phi`.
    phi : ndarray, (P,)
        Scale parameters at the mode of their marginal.
    hessian : ndarray, (K, K)
        Of the negative log density in θ, at the mode.
    phi_covariance : ndarray, (P, P)
    theta_slope : ndarray, (K, P)
        Change of the mode of θ with φ.
    log_evidence : float
        Log of the marginal likelihood, up to the constant of φ's own integral.
    gradient : float
        Largest absolute element of the outer gradient, in log units over one spread of φ.
    """

    theta: Array
    phi: Array
    hessian: Array
    phi_covariance: Array
    theta_slope: Array
    log_evidence: float
    gradient: float

    def covariance(self) -> Array:
        """Covariance of θ with the uncertainty of φ, shape (K, K)."""
        inner = cho_solve(cho_factor(self.hessian), np.eye(self.theta.size))
        return np.asarray(inner + self.theta_slope @ self.phi_covariance @ self.theta_slope.T)

    def draws(self, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Joint draws of θ, shape (count, K), and φ, shape (count, P)."""
        shift = np.zeros((count, 0))
        if self.phi.size:
            root = np.linalg.cholesky(self.phi_covariance)
            shift = rng.standard_normal((count, self.phi.size)) @ root.T
        factor = np.linalg.cholesky(self.hessian)
        noise = rng.standard_normal((self.theta.size, count))
        inner = solve_triangular(factor.T, noise, lower=False).T
        return self.theta + shift @ self.theta_slope.T + inner, self.phi + shift


def fit_laplace(derivatives: Derivatives, theta: Array, phi: Array | None = None) -> LaplaceFit:
    """Fit the nested Laplace approximation.

    Parameters
    ----------
    derivatives : callable
        ``derivatives(theta, phi)`` returns the negative log density with its priors, the
        gradient in θ, shape (K,), and the Hessian in θ, shape (K, K).
    theta : ndarray, (K,)
        Where to start.
    phi : ndarray, (P,), optional
        Where to start; unbounded parameters of order one, such as logarithms.

    Returns
    -------
    LaplaceFit

    Raises
    ------
    Refused
        If no mode is found or some combination of coefficients is not identified.

    Notes
    -----
    Not to be believed where a coefficient is taught by a handful of zeros and ones: the density
    is then far from normal and the spread comes out too small.

    References
    ----------
    Tierney, L. & Kadane, J. B. (1986), J. Am. Stat. Assoc. 81:82,
    doi:10.1080/01621459.1986.10478240.

    Examples
    --------
    A mean of known spread, prior flat:

    >>> import numpy as np
    >>> y = np.array([1.0, 2.0, 6.0])
    >>> def derivatives(theta, phi):
    ...     residual = y - theta[0]
    ...     return 0.5 * residual @ residual, np.array([-residual.sum()]), np.array([[3.0]])
    >>> fit = fit_laplace(derivatives, np.zeros(1))
    >>> round(float(fit.theta[0]), 6), round(float(fit.covariance()[0, 0]), 6)
    (3.0, 0.333333)
    """
    start = np.zeros(0) if phi is None else np.asarray(phi, dtype=float)
    marginal = _Marginal(derivatives, np.asarray(theta, dtype=float))
    if not start.size:
        value, mode, hessian = marginal(start)
        return LaplaceFit(
            mode, start, hessian, np.zeros((0, 0)), np.zeros((mode.size, 0)), -value, 0.0
        )
    best, gradient, slope = _climb(marginal, start)
    value, mode, hessian = marginal(best)
    covariance = _bounded_inverse(_outer_curvature(marginal, best, value))
    return LaplaceFit(
        theta=mode,
        phi=best,
        hessian=hessian,
        phi_covariance=covariance,
        theta_slope=slope,
        log_evidence=-value,
        gradient=float(np.abs(gradient * np.sqrt(np.diag(covariance))).max()),
    )


def identified(hessian: Array) -> Array:
    """Eigenvalues of a Hessian scaled to a unit diagonal, smallest first.

    One near zero means that the data and priors leave a combination of coefficients free.

    Examples
    --------
    >>> import numpy as np
    >>> bool(identified(np.array([[1.0, 1.0], [1.0, 1.0]]))[0] < 1e-12)
    True
    """
    diagonal = np.sqrt(np.clip(np.diag(hessian), 1e-300, None))
    return np.asarray(np.linalg.eigvalsh(hessian / np.outer(diagonal, diagonal)))


class _Marginal:
    """Negative log marginal of φ; each mode is sought where the last ones point."""

    def __init__(self, derivatives: Derivatives, theta: Array) -> None:
        self._derivatives = derivatives
        self._theta = theta
        self._phi: Array | None = None
        self._slope: Array | None = None

    def __call__(self, phi: Array) -> tuple[float, Array, Array]:
        start = self._theta
        if self._slope is not None and self._phi is not None:
            start = start + self._slope @ (phi - self._phi)
        value, mode, hessian = find_mode(self._derivatives, start, phi)
        self._theta, self._phi = mode, phi
        sign, log_det = np.linalg.slogdet(hessian)
        if sign <= 0 or identified(hessian)[0] < _FLAT:
            raise Refused("some combination of the coefficients is not identified by the data")
        return value + 0.5 * log_det, mode, hessian

    def differences(self, phi: Array, value: float) -> tuple[Array, Array, Array]:
        """Gradient and diagonal of the curvature in φ, and slope of the mode, (K, P)."""
        gradient, curvature, slope = [], [], []
        for step in np.eye(phi.size) * _STEP:
            up, mode_up, _ = self(phi + step)
            down, mode_down, _ = self(phi - step)
            gradient.append((up - down) / (2 * _STEP))
            curvature.append((up - 2 * value + down) / _STEP**2)
            slope.append((mode_up - mode_down) / (2 * _STEP))
        self._slope = np.stack(slope, axis=1)
        return np.array(gradient), np.array(curvature), self._slope


def find_mode(derivatives: Derivatives, theta: Array, phi: Array) -> tuple[float, Array, Array]:
    """Damped Newton search: value, mode and Hessian there, which may be flat in some direction."""
    value, gradient, hessian = derivatives(theta, phi)
    for _ in range(_NEWTON_STEPS):
        step = _descent(gradient, hessian)
        decrement = -0.5 * float(gradient @ step)
        if decrement < _DECREMENT:  # the last step is worth taking, not worth evaluating
            return value - decrement, theta + step, hessian
        length = 1.0
        while length > 1e-10:
            trial = theta + length * step
            trial_value, trial_gradient, trial_hessian = derivatives(trial, phi)
            if np.isfinite(trial_value) and trial_value <= value - 1e-4 * length * decrement:
                break
            length /= 3
        else:
            if decrement < 1e-4:  # rounding, not the model, stops the search
                return value, theta, hessian
            break
        theta, value, gradient, hessian = trial, trial_value, trial_gradient, trial_hessian
    raise Refused("no mode was found: the model does not settle on these data")


def _descent(gradient: Array, hessian: Array) -> Array:
    """Newton step; where the Hessian is not positive definite, a ridge makes it so."""
    if not (np.isfinite(gradient).all() and np.isfinite(hessian).all()):
        raise Refused("no mode was found: the likelihood is not finite")
    ridge = 0.0
    scale = float(np.abs(np.diag(hessian)).max()) or 1.0
    while True:
        try:
            factor = cho_factor(hessian + ridge * np.eye(gradient.size))
            return np.asarray(-cho_solve(factor, gradient))
        except LinAlgError:
            ridge = max(ridge * 10, 1e-6 * scale)


def _climb(marginal: _Marginal, phi: Array) -> tuple[Array, Array, Array]:
    """BFGS on the outer marginal, until what is left to gain is far below one spread of φ."""
    value = marginal(phi)[0]
    gradient, curvature, slope = marginal.differences(phi, value)
    inverse = np.diag(1 / np.clip(curvature, 1.0, None))
    for _ in range(60):
        step = -inverse @ gradient
        if -0.5 * float(gradient @ step) < _OUTER_DECREMENT:
            break
        step *= min(1.0, 1.0 / np.abs(step).max())  # at most one unit of a logarithm at a time
        length, decrease = 1.0, float(gradient @ step)
        while length > 1e-3:
            trial = marginal(phi + length * step)[0]
            if trial <= value + 1e-4 * length * decrease:
                break
            length /= 3
        else:
            break
        change, phi, value = length * step, phi + length * step, trial
        fresh, curvature, slope = marginal.differences(phi, value)
        inverse = _bfgs(inverse, change, fresh - gradient)
        gradient = fresh
    return phi, gradient, slope


def _bfgs(inverse: Array, change: Array, turn: Array) -> Array:
    along = float(change @ turn)
    if along < 1e-10:
        return inverse
    left = np.eye(change.size) - np.outer(change, turn) / along
    return left @ inverse @ left.T + np.outer(change, change) / along


def _outer_curvature(marginal: _Marginal, phi: Array, value: float) -> Array:
    """Hessian of the marginal in φ, by differences wide enough to see its spread."""
    size, step = phi.size, 0.05
    curvature = np.zeros((size, size))
    units = np.eye(size) * step
    ahead = np.array([marginal(phi + unit)[0] for unit in units])
    for i in range(size):
        behind = marginal(phi - units[i])[0]
        curvature[i, i] = (ahead[i] - 2 * value + behind) / step**2
        for j in range(i):
            both = marginal(phi + units[i] + units[j])[0]
            curvature[i, j] = curvature[j, i] = (both - ahead[i] - ahead[j] + value) / step**2
    return curvature


def _bounded_inverse(curvature: Array, widest: float = 1.5) -> Array:
    """Covariance whose spread in any direction stays at or below `widest` (log units)."""
    values, vectors = np.linalg.eigh(curvature)
    return np.asarray((vectors / np.clip(values, widest**-2, None)) @ vectors.T)


def jax_derivatives(function: Callable[..., Any], *data: Any) -> Derivatives:
    """Wrap a jitted ``function(theta, phi, *data)`` of (value, gradient, Hessian, …) for NumPy.

    64-bit arithmetic is switched on around each call only.
    """
    import jax

    with jax.enable_x64(True):
        placed = jax.device_put(data)

    def derivatives(theta: Array, phi: Array) -> tuple[float, Array, Array]:
        with jax.enable_x64(True):
            value, gradient, hessian = function(theta, phi, *placed)[:3]
        return float(value), np.array(gradient), np.array(hessian)

    return derivatives
