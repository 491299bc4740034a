r"""Overdispersed counts with a sparse, mildly curved predictor: mode, spread, variance components.

.. math::

    y_i \sim \mathrm{NB}(a_i e^{\eta_i(\theta)}, r), \qquad
    \theta_j \sim N(m_j, \sigma_{c(j)}^2)

The mode comes from damped Gauss–Newton steps on the sparse system, draws from the normal
approximation there, and each variance component from its fixed point

.. math:: \sigma_c^2 = \frac{\nu s_c^2 + \sum_j (\theta_j - m_j)^2}{\nu + e_c},\quad
          e_c = n_c - \sum_j \mathrm{Var}(\theta_j)/\sigma_c^2

with a scaled inverse chi-square prior of :math:`\nu` degrees of freedom about :math:`s_c`.

References
----------
MacKay, D. J. C. (1992). Bayesian interpolation. Neural Computation 4, 415–447.
https://doi.org/10.1162/neco.1992.4.3.415 (the fixed point, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize_scalar
from scipy.sparse import csc_array, csr_array, diags_array
from scipy.sparse.linalg import SuperLU, splu
from scipy.special import gammaln

Floats = npt.NDArray[np.float64]
Predictor = Callable[[Floats], tuple[Floats, csr_array]]

PRIOR_DF = 3.0  # weight of the prior scale of a component, in levels
LOG_DISPERSION = (1.0, 1.0)  # prior mean and sd of log r: counts vary by some 60 % about the mean
LARGEST_LOG = 30.0  # guards exp while a step is tried
STEPS = 200
ROUNDS = 60
INNER_DRAWS = 40
SETTLED_CHANGE = 0.03  # of a log spread in a round
SMALL_GAIN = 1e-3  # of the log posterior, expected from one more step
STALLED_GAIN = 0.5  # if no step gains: far below what an interval can show, over all parameters


@dataclass(frozen=True)
class Components:
    """Which parameters share a spread, and what is thought of it beforehand.

    Attributes
    ----------
    mean : ndarray, shape (p,)
        Prior mean of each parameter.
    member : ndarray of int, shape (p,)
        Component of each parameter.
    scale : ndarray, shape (c,)
        Prior scale of each component.
    learned : ndarray of bool, shape (c,)
        Whether the scale is learned; otherwise it is held.
    taught : ndarray of bool, shape (p,)
        Whether any row touches the parameter.
    """

    mean: Floats
    member: npt.NDArray[np.int64]
    scale: Floats
    learned: npt.NDArray[np.bool_]
    taught: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Problem:
    """Counts and what predicts them.

    Attributes
    ----------
    predictor : callable
        theta -> (eta, Jacobian), shapes (n,) and (n, p).
    count, log_area : ndarray, shape (n,)
    components : Components
    """

    predictor: Predictor
    count: Floats
    log_area: Floats
    components: Components


@dataclass(frozen=True)
class Mode:
    """A mode with the factor of its negative Hessian.

    Attributes
    ----------
    theta : ndarray, shape (p,)
    scale : ndarray, shape (c,)
        Spread of each component.
    freedom : ndarray, shape (c,)
        Effective number of levels that taught it.
    log_dispersion : float
    settled : bool
        Whether the steps and the components came to rest.
    """

    theta: Floats
    scale: Floats
    freedom: Floats
    log_dispersion: float
    settled: bool


def negative_binomial_log_likelihood(
    count: Floats, log_mean: Floats, log_dispersion: float
) -> Floats:
    """Log probability of counts with variance mean + mean²/r, elementwise.

    Examples
    --------
    >>> value = negative_binomial_log_likelihood(np.array([2.0]), np.log([3.0]), 20.0)
    >>> round(float(np.exp(value[0])), 4)  # near Poisson(3) at 2: 4.5 e**-3
    0.224
    """
    r = np.exp(log_dispersion)
    log_share = log_mean - np.logaddexp(log_mean, log_dispersion)
    log_rest = log_dispersion - np.logaddexp(log_mean, log_dispersion)
    return np.asarray(
        gammaln(count + r) - gammaln(r) - gammaln(count + 1.0) + count * log_share + r * log_rest
    )


def find_mode(
    problem: Problem, start: Floats | None = None, held: Mode | None = None, seed: int = 1
) -> Mode:
    """Fit parameters, variance components and dispersion.

    Parameters
    ----------
    problem : Problem
    start : ndarray, shape (p,), optional
        Where to begin; the prior mean otherwise.
    held : Mode, optional
        Take components and dispersion from here and fit the parameters alone.
    seed : int
        Seeds the draws behind the effective freedoms.

    Returns
    -------
    Mode
    """
    components = problem.components
    theta = components.mean.copy() if start is None else start.copy()
    if held is not None:
        theta, rested, _ = _climb(problem, held.scale, held.log_dispersion, theta)
        return Mode(theta, held.scale, held.freedom, held.log_dispersion, rested)
    scale, log_r = components.scale, LOG_DISPERSION[0]
    freedom = np.zeros_like(scale)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((len(theta) + len(problem.count), INNER_DRAWS))
    settled = False
    for _ in range(ROUNDS):
        theta, _, factor = _climb(problem, scale, log_r, theta)
        eta, jacobian = problem.predictor(theta)
        log_mean = eta + problem.log_area
        precision = scale[components.member] ** -2
        deviation = _spread(factor, jacobian, _information(log_mean, log_r), precision, noise)
        newer, freedom = _update_scales(theta, deviation.var(axis=1), components, scale)
        newer_log_r = _update_dispersion(
            problem.count, log_mean[:, None] + jacobian @ deviation, log_r
        )
        change = max(np.abs(np.log(newer / scale)).max(), abs(newer_log_r - log_r))
        scale, log_r = newer, newer_log_r
        if change < SETTLED_CHANGE:
            settled = True
            break
    theta, rested, _ = _climb(problem, scale, log_r, theta)
    return Mode(theta, scale, freedom, log_r, settled and rested)


def draw_parameters(mode: Mode, problem: Problem, draws: int, seed: int) -> Floats:
    """Draws of the parameters, shape (p, draws), from the normal approximation at the mode.

    Levels that no row touches have their component's spread drawn as well, with the freedom
    that taught it: their draws have the tails of Student's t.
    """
    rng = np.random.default_rng(seed)
    components = problem.components
    eta, jacobian = problem.predictor(mode.theta)
    weight = _information(eta + problem.log_area, mode.log_dispersion)
    precision = mode.scale[components.member] ** -2
    noise = rng.standard_normal((len(mode.theta) + len(eta), draws))
    factor = _factor(jacobian, weight, precision)
    deviation = _spread(factor, jacobian, weight, precision, noise)
    degrees = (PRIOR_DF + mode.freedom)[:, None]
    widening = np.sqrt(degrees / rng.chisquare(degrees, (len(degrees), draws)))
    widening[~components.learned] = 1.0
    untaught = ~components.taught
    deviation[untaught] *= widening[components.member[untaught]]
    return np.asarray(mode.theta[:, None] + deviation)


def _information(log_mean: Floats, log_r: float) -> Floats:
    """Expected information of a count about the log of its mean: m r / (m + r)."""
    return np.asarray(np.exp(log_mean + log_r - np.logaddexp(log_mean, log_r)))


def _factor(jacobian: csr_array, weight: Floats, precision: Floats) -> SuperLU:
    hessian = jacobian.T @ (diags_array(weight) @ jacobian) + diags_array(precision)
    return splu(
        csc_array(hessian),
        permc_spec="MMD_AT_PLUS_A",
        options={"SymmetricMode": True},
        diag_pivot_thresh=0.0,
    )


def _spread(
    factor: SuperLU, jacobian: csr_array, weight: Floats, precision: Floats, noise: Floats
) -> Floats:
    """Draws of N(0, H⁻¹) by perturbing prior and data alike and solving, shape (p, draws)."""
    parameters = len(precision)
    pushed = np.sqrt(precision)[:, None] * noise[:parameters]
    pushed = pushed + jacobian.T @ (np.sqrt(weight)[:, None] * noise[parameters:])
    return np.asarray(factor.solve(pushed))


def _climb(
    problem: Problem, scale: Floats, log_r: float, theta: Floats
) -> tuple[Floats, bool, SuperLU]:
    """Damped Gauss–Newton steps to the mode; whether it was reached, and the last factor."""
    mean = problem.components.mean
    precision = scale[problem.components.member] ** -2

    def height(at: Floats, log_mean: Floats) -> float:
        likelihood = negative_binomial_log_likelihood(problem.count, log_mean, log_r)
        return float(likelihood.sum() - 0.5 * (precision * (at - mean) ** 2).sum())

    eta, jacobian = problem.predictor(theta)
    now = height(theta, eta + problem.log_area)
    for _ in range(STEPS):
        log_mean = np.clip(eta + problem.log_area, -LARGEST_LOG, LARGEST_LOG)
        weight = _information(log_mean, log_r)
        # d log NB / d eta = (y − m) r / (r + m), written without overflow
        slope = problem.count * weight / np.exp(log_mean) - weight
        gradient = jacobian.T @ slope - precision * (theta - mean)
        factor = _factor(jacobian, weight, precision)
        step = factor.solve(gradient)
        gain = float(step @ gradient)
        if gain < SMALL_GAIN:
            return theta, True, factor
        length = 1.0
        while length > 1e-4:
            tried = theta + length * step
            tried_eta, tried_jacobian = problem.predictor(tried)
            reached = height(tried, tried_eta + problem.log_area)
            if np.isfinite(reached) and reached > now + 1e-4 * length * gain:
                break
            length *= 0.5
        else:
            return theta, gain < STALLED_GAIN, factor
        theta, eta, jacobian, now = tried, tried_eta, tried_jacobian, reached
    return theta, gain < STALLED_GAIN, factor


def _update_scales(
    theta: Floats, variance: Floats, components: Components, scale: Floats
) -> tuple[Floats, Floats]:
    counted = components.taught
    member, size = components.member[counted], len(scale)
    squares = np.bincount(member, (theta - components.mean)[counted] ** 2, size)
    lost = np.bincount(member, variance[counted], size) / scale**2
    levels = np.bincount(member, minlength=size)
    freedom = np.clip(levels - lost, 0.0, None)
    newer = np.sqrt((PRIOR_DF * components.scale**2 + squares) / (PRIOR_DF + freedom))
    return np.where(components.learned, newer, scale), freedom


def _update_dispersion(count: Floats, log_mean: Floats, log_r: float) -> float:
    middle, sd = LOG_DISPERSION

    def loss(log_dispersion: float) -> float:
        value = negative_binomial_log_likelihood(count[:, None], log_mean, log_dispersion)
        return float(-value.sum() / log_mean.shape[1] + 0.5 * ((log_dispersion - middle) / sd) ** 2)

    found = minimize_scalar(
        loss, bounds=(log_r - 1.5, log_r + 1.5), method="bounded", options={"xatol": 0.01}
    )
    return float(found.x)
